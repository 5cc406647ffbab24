//! The receiver's side of a timetable, in the closed item: wait for a marker, then do by the own clock what the
//! timetable says, and append everything to a file.
//!
//! The recorder needs nobody: it waits for the next marker as long as it is let, and knows by the marker
//! whether a reference or an item comes. It has no way to a source. What it holds is on the disk before the
//! next is begun; which of its holds count is found out when its file is merged.

use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::super::{ProcedureError, RETRY_WAIT, receiver_settings};
use super::{Clock, Schedule, later, whole_ms};
use crate::analysis::schedule::marker::{Sample, Seen, Watcher};
use crate::config::Plan;
use crate::evaluate;
use crate::instrument::{Held, ReceiverSettings};
use crate::quantity::Frequency;
use crate::station::{LoneReceiver, StationError};
use crate::store::{NewHold, NewRecording, RecordingId, RunKind, Store};

/// Faults of the receiver in a row after which a person is needed.
const FAULTS_MAX: u32 = 20;

/// What a recorder has done, told after it is on disk.
#[derive(Debug, Clone, serde::Serialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum RecorderEvent {
    /// It waits for a marker.
    Waiting {
        /// SHA-256 of its schedule.
        schedule: String,
    },
    /// It saw the first marker, and follows the timetable.
    Begun {
        /// The recording.
        recording: RecordingId,
        /// Reference or item.
        kind: RunKind,
        /// When the marker began, by its clock.
        began: Timestamp,
    },
    /// It kept a held trace.
    Held {
        /// Where, Hz.
        frequency_hz: f64,
    },
    /// The receiver failed; the recorder goes on.
    Fault {
        /// Why.
        reason: String,
    },
    /// It saw the second marker: a recording is whole.
    Ended {
        /// The recording.
        recording: RecordingId,
    },
}

/// What follows a schedule in the closed item.
pub struct Recorder {
    /// What it follows.
    pub schedule: Schedule,
    /// The receiver, and no source.
    pub receiver: LoneReceiver,
    /// Its own file.
    pub store: Store,
    /// Its own clock.
    pub clock: Clock,
    /// Told of what it has done.
    pub events: mpsc::Sender<RecorderEvent>,
    /// Called when it is to stop.
    pub stop: CancellationToken,
}

/// A marker that was seen.
struct Marked {
    /// None for the second marker.
    kind: Option<RunKind>,
    seen: Seen,
}

/// The times of one recorder count from here.
struct Since {
    origin: Timestamp,
    faults: u32,
}

impl Recorder {
    /// Records until it is stopped, or until so many recordings are whole. Answers with those.
    pub async fn run(
        &self,
        recordings_max: Option<u32>,
    ) -> Result<Vec<RecordingId>, ProcedureError> {
        let plan = self.schedule.plan()?;
        match self.follow_all(&plan, recordings_max).await {
            (whole, Ok(()) | Err(ProcedureError::Stopped)) => Ok(whole),
            (_, Err(error)) => Err(error),
        }
    }

    async fn follow_all(
        &self,
        plan: &Plan,
        recordings_max: Option<u32>,
    ) -> (Vec<RecordingId>, Result<(), ProcedureError>) {
        let mut whole = Vec::new();
        let outcome = async {
            self.rehearse(plan).await?;
            let mut since = Since {
                origin: whole_ms(self.clock.now()),
                faults: 0,
            };
            let schedule = self.schedule.sha256.clone();
            self.tell(RecorderEvent::Waiting { schedule }).await;
            let mut open: Option<(RecordingId, Timestamp)> = None;
            while recordings_max.is_none_or(|most| whole.len() < most as usize) {
                let marked = self.watch(plan, &mut since, open.is_some()).await?;
                match (marked.kind, open.take()) {
                    // A first marker while the second is awaited: the source began anew.
                    (Some(kind), _) => {
                        open = Some(self.follow(plan, &mut since, kind, &marked.seen).await?);
                    }
                    (None, Some((recording, began))) => {
                        let samples = moved(&marked.seen.samples, since.origin, began);
                        self.store.end_recording(recording, &samples).await?;
                        whole.push(recording);
                        self.tell(RecorderEvent::Ended { recording }).await;
                    }
                    (None, None) => {}
                }
            }
            Ok(())
        }
        .await;
        (whole, outcome)
    }

    /// Makes one hold of each kind in time, while somebody can still do something about it.
    async fn rehearse(&self, plan: &Plan) -> Result<(), ProcedureError> {
        let mut known: Vec<(ReceiverSettings, u64)> = Vec::new();
        for hold in &self.schedule.item.holds {
            let frequency = Frequency::from_hz(hold.frequency_hz);
            let settings = receiver_settings(plan, frequency, true);
            let alike = ReceiverSettings {
                centre: Frequency::from_hz(0.0),
                ..settings
            };
            if known.contains(&(alike, hold.lasts_ms)) {
                continue;
            }
            known.push((alike, hold.lasts_ms));
            // The first one also changes the settings; the second is what the timetable is made of.
            let mut took = Duration::MAX;
            for _ in 0..2 {
                let began = tokio::time::Instant::now();
                self.receiver
                    .hold(settings, &self.stop)
                    .await
                    .map_err(ProcedureError::at(format!("rehearsal at {frequency}")))?;
                took = took.min(began.elapsed());
            }
            if took > Duration::from_millis(hold.lasts_ms) {
                return Err(ProcedureError::Schedule {
                    what: format!("schedule of plan `{}`", self.schedule.plan_name),
                    reason: format!(
                        "at {frequency} a hold of this receiver takes {:.2} s, and the timetable has {:.2} s for it; give `hold_time` in [schedule] of the plan, and write the schedule anew for both sides",
                        took.as_secs_f64(),
                        hold.lasts_ms as f64 / 1e3
                    ),
                });
            }
        }
        Ok(())
    }

    /// Reads levels at the marker's frequency until a marker is in them.
    async fn watch(
        &self,
        plan: &Plan,
        since: &mut Since,
        awaits_end: bool,
    ) -> Result<Marked, ProcedureError> {
        let markers = &self.schedule.markers;
        let mut patterns = vec![markers.reference.clone(), markers.item.clone()];
        patterns.extend(awaits_end.then(|| markers.end.clone()));
        let mut watcher = Watcher::new(patterns, self.schedule.chip_s());
        let settings = self.schedule.marker_settings(plan);
        loop {
            let Some((held, from_s, until_s)) = self.hold(since, settings).await? else {
                continue;
            };
            let picked = evaluate::pick(
                &held.trace,
                settings.centre,
                settings.resolution_bandwidth,
                self.receiver.frequency_tolerance,
            );
            let level_dbm = picked
                .map_err(|cause| ProcedureError::Reading {
                    place: "marker".to_owned(),
                    cause,
                })?
                .level_dbm;
            let sample = Sample {
                from_s,
                until_s,
                level_dbm,
            };
            if let Some(seen) = watcher.push(sample) {
                let kind = match seen.pattern {
                    0 => Some(RunKind::Reference),
                    1 => Some(RunKind::Item),
                    _ => None,
                };
                return Ok(Marked { kind, seen });
            }
        }
    }

    /// Follows the timetable of a marker; answers with the recording, whose second marker is still to come.
    async fn follow(
        &self,
        plan: &Plan,
        since: &mut Since,
        kind: RunKind,
        seen: &Seen,
    ) -> Result<(RecordingId, Timestamp), ProcedureError> {
        let began = whole_ms(later(since.origin, seen.begins_s));
        let recording = self
            .store
            .begin_recording(&NewRecording {
                schedule: self.schedule.sha256.clone(),
                kind,
                receiver: self.receiver.identity.clone(),
                began,
                start_marker: moved(&seen.samples, since.origin, began),
            })
            .await?;
        self.tell(RecorderEvent::Begun {
            recording,
            kind,
            began,
        })
        .await;
        let mut own = Since {
            origin: began,
            faults: since.faults,
        };
        self.hold_all(plan, &mut own, kind, recording).await?;
        since.faults = own.faults;
        Ok((recording, began))
    }

    /// Every hold at its time, and again as long as another ends before the next: what a fault or a clock spoils
    /// of one, another may have.
    async fn hold_all(
        &self,
        plan: &Plan,
        since: &mut Since,
        kind: RunKind,
        recording: RecordingId,
    ) -> Result<(), ProcedureError> {
        let (timetable, _) = self.schedule.part(kind);
        let at_s = |ms: u64| ms as f64 / 1e3;
        for (index, hold) in timetable.holds.iter().enumerate() {
            let next_s = match timetable.holds.get(index + 1) {
                Some(next) => at_s(next.at_ms),
                None => at_s(timetable.ends_ms),
            };
            let settings = receiver_settings(
                plan,
                Frequency::from_hz(hold.frequency_hz),
                kind == RunKind::Item,
            );
            tokio::select! {
                () = self.clock.until_s(since.origin, at_s(hold.at_ms)) => {}
                () = self.stop.cancelled() => return Err(ProcedureError::Stopped),
            }
            loop {
                if let Some((held, from_s, until_s)) = self.hold(since, settings).await? {
                    let kept = NewHold {
                        frequency_hz: hold.frequency_hz,
                        from_s,
                        until_s,
                        overload: held.overload,
                        trace: held.trace,
                    };
                    self.store.append_hold(recording, &kept).await?;
                    let frequency_hz = hold.frequency_hz;
                    self.tell(RecorderEvent::Held { frequency_hz }).await;
                }
                if self.clock.since_s(since.origin) + at_s(hold.lasts_ms) > next_s {
                    break;
                }
            }
        }
        Ok(())
    }

    /// One hold and its times; none after a fault, of which only so many in a row are borne.
    async fn hold(
        &self,
        since: &mut Since,
        settings: ReceiverSettings,
    ) -> Result<Option<(Held, f64, f64)>, ProcedureError> {
        let from_s = self.clock.since_s(since.origin);
        match self.receiver.hold(settings, &self.stop).await {
            Ok(held) => {
                since.faults = 0;
                Ok(Some((held, from_s, self.clock.since_s(since.origin))))
            }
            Err(StationError::Stopped) => Err(ProcedureError::Stopped),
            Err(error) if since.faults + 1 < FAULTS_MAX => {
                since.faults += 1;
                let reason = error.to_string();
                self.tell(RecorderEvent::Fault { reason }).await;
                tokio::time::sleep(RETRY_WAIT).await;
                if let Err(error) = self.receiver.restart().await {
                    tracing::warn!(%error, "the receiver could not be put into its known state");
                }
                Ok(None)
            }
            Err(error) => Err(ProcedureError::at("recorder")(error)),
        }
    }

    async fn tell(&self, event: RecorderEvent) {
        // Nobody may be listening any more; the recording goes on.
        let _ = self.events.send(event).await;
    }
}

/// Samples whose times count from one time, counted from another.
fn moved(samples: &[Sample], from: Timestamp, to: Timestamp) -> Vec<Sample> {
    let by_s = to.duration_since(from).as_secs_f64();
    let moved = |sample: &Sample| Sample {
        from_s: sample.from_s - by_s,
        until_s: sample.until_s - by_s,
        level_dbm: sample.level_dbm,
    };
    samples.iter().map(moved).collect()
}
