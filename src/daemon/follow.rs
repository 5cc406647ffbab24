//! What a procedure tells, into the store's events and the station's snapshot.

use std::sync::Arc;
use std::time::Instant;

use jiff::Timestamp;
use serde_json::{Value, json};
use tokio::sync::mpsc;

use super::engine::Engine;
use super::place::Place;
use super::status::{Doing, Live, Progress};
use crate::procedure::Event;
use crate::quantity::Frequency;
use crate::store::{JobId, Levels, NewEvent, ReadingKey, ReadingKind, RunId};

/// Events kept in one transaction at most.
const TOGETHER_MAX: usize = 64;

/// Follows one job.
pub(super) struct Follower {
    engine: Engine,
    place: Arc<Place>,
    job: JobId,
    run: Option<RunId>,
    item: Option<String>,
    begun: Instant,
    /// The peak of the newest floor, and what it belongs to.
    floor: Option<(ReadingKey, f64)>,
}

impl Follower {
    pub(super) fn new(engine: Engine, place: Arc<Place>, job: JobId) -> Self {
        Self {
            engine,
            place,
            job,
            run: None,
            item: None,
            begun: Instant::now(),
            floor: None,
        }
    }

    /// Until the procedure has ended. What is announced was committed before: readings by the procedure,
    /// events here.
    pub(super) async fn follow(mut self, mut events: mpsc::Receiver<Event>) {
        let mut together = Vec::with_capacity(TOGETHER_MAX);
        while events.recv_many(&mut together, TOGETHER_MAX).await > 0 {
            let records: Vec<_> = together.iter().map(|event| self.record(event)).collect();
            match self.engine.store().append_events(&records).await {
                Ok(_) => self.engine.look().await,
                // The readings are kept or the procedure ends by itself; this is only the telling of it.
                Err(error) => tracing::error!(%error, "events could not be kept"),
            }
            let newest = together
                .iter()
                .rposition(|event| matches!(event, Event::Reading { .. }));
            for (index, event) in together.iter().enumerate() {
                self.show(event);
                if let (Event::Reading { key, .. }, true) = (event, newest == Some(index)) {
                    self.show_trace(key).await;
                }
            }
            together.clear();
        }
    }

    fn record(&mut self, event: &Event) -> NewEvent {
        if let Event::Run { run, item, .. } = event {
            self.run = Some(*run);
            self.item.clone_from(item);
        }
        let mut body = json!(event);
        let kind = match body.as_object_mut().and_then(|body| body.remove("event")) {
            Some(Value::String(kind)) => kind,
            _ => "event".to_owned(),
        };
        NewEvent {
            at: Timestamp::now(),
            station: self.place.name.clone(),
            job: Some(self.job),
            run: self.run,
            kind,
            body,
        }
    }

    fn show(&mut self, event: &Event) {
        let what = self.item.clone().unwrap_or("the reference".to_owned());
        match event {
            Event::Run {
                run,
                item,
                readings,
            } => {
                self.begun = Instant::now();
                self.place.update(|status| {
                    status.run = Some(*run);
                    status.item.clone_from(item);
                    status.progress = Progress {
                        total: *readings as u64,
                        ..Progress::default()
                    };
                    status.doing = Doing::Measuring;
                    status.words = format!("Measuring {what}.");
                });
            }
            Event::Placing { placement } => {
                self.place
                    .say(Doing::Placing, format!("Placing {placement}."));
            }
            Event::Closing { place, lasts } => {
                let words = format!("Measuring {place}: closed for about {lasts}.");
                self.place.say(Doing::Measuring, words);
            }
            Event::Looking => self
                .place
                .say(Doing::Placing, "Looking for the analyzer.".to_owned()),
            Event::Pass {
                place,
                frequencies,
                lasts,
                ..
            } => {
                let words = format!(
                    "Sending {frequencies} frequencies by the timetable for {place}: about {lasts}."
                );
                self.place.update(|status| {
                    status.progress = Progress {
                        total: *frequencies as u64,
                        ..Progress::default()
                    };
                });
                self.begun = Instant::now();
                self.place.say(Doing::Measuring, words);
            }
            Event::Emitted { frequency_hz } => {
                let at = Frequency::from_hz(*frequency_hz);
                self.advance(|done, total| {
                    format!("Measuring {what}: {at} sent; {done} of {total} frequencies.")
                });
            }
            Event::Sent { run, .. } => {
                let words = format!(
                    "Sent {what}: run {run} waits for its recording (muffle record merge FILE)."
                );
                self.place.say(Doing::Measuring, words);
            }
            Event::Reading { key, level_dbm } => {
                if key.kind == ReadingKind::Floor {
                    self.floor = Some((key.clone(), *level_dbm));
                }
                self.count(key, &what);
            }
            Event::Moved {
                asked_hz,
                measured_hz,
            } => {
                let words = format!(
                    "Another signal stands at {}: measuring at {} instead.",
                    Frequency::from_hz(*asked_hz),
                    Frequency::from_hz(*measured_hz)
                );
                self.place.say(Doing::Measuring, words);
            }
            Event::Again { place, reason } => {
                self.place.counts.attempts_again.add();
                let words = format!("Trying again at {place}: {reason}");
                self.place.say(Doing::Measuring, words);
            }
            Event::Finished { verdict, .. } => {
                let verdict = verdict.map_or("done", |verdict| verdict.as_str());
                self.place
                    .say(Doing::Measuring, format!("Finished {what}: {verdict}."));
            }
            Event::Warning { .. }
            | Event::ReferenceReused { .. }
            | Event::Closings { .. }
            | Event::Point { .. } => {}
        }
    }

    fn count(&self, key: &ReadingKey, what: &str) {
        self.place.counts.readings.add();
        let at = Frequency::from_hz(key.point.frequency_hz);
        self.advance(|done, total| {
            format!(
                "Measuring {what}: {at}, {}, {}; {done} of {total} readings.",
                key.point.face, key.point.polarisation
            )
        });
    }

    /// One more is done: the time that is left, and the words for it.
    fn advance(&self, words: impl FnOnce(u64, u64) -> String) {
        let passed_s = self.begun.elapsed().as_secs_f64();
        self.place.update(|status| {
            let progress = &mut status.progress;
            progress.done += 1;
            let left = progress.total.saturating_sub(progress.done);
            progress.left_s =
                (progress.done > 1).then(|| passed_s / progress.done as f64 * left as f64);
            status.doing = Doing::Measuring;
            status.words = words(progress.done, progress.total);
        });
    }

    /// The trace as it was committed.
    async fn show_trace(&self, key: &ReadingKey) {
        let Some(run) = self.run else { return };
        let kept = self.engine.store().reading_with_trace(run, key).await;
        let Ok(Some((reading, trace))) = kept else {
            return;
        };
        let floor = self.floor.as_ref().filter(|(of, _)| of.point == key.point);
        let live = Live {
            start_hz: trace.trace.start_hz,
            stop_hz: trace.trace.stop_hz,
            levels_dbm: match trace.trace.levels {
                Levels::F32(levels) => levels.into_iter().map(f64::from).collect(),
                Levels::F64(levels) => levels,
            },
            kind: key.kind.to_string(),
            floor_dbm: floor.map(|(_, level)| *level),
            peak_hz: reading.peak_hz,
            peak_dbm: reading.peak_dbm,
        };
        self.place.update(|status| status.live = Some(live));
    }
}
