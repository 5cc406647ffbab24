//! The sealed arrangement: arm the receiver, close the item around it, step the source through the
//! frequencies of the closing, open, read the one trace, pick every peak.
//!
//! Each closing comes after a silent one of the same length with the source off: the same hold, and so the
//! same floor, with whatever the neighbourhood puts into it. A closing counts whole or not at all: what was
//! interrupted is repeated, because nobody can tell which of its peaks were held before and which after.

use std::collections::{HashMap, HashSet};
use std::time::Duration;

use jiff::Timestamp;
use serde_json::json;
use tokio::time::Instant;

use super::steps::{self, Stand, stands};
use super::{
    ATTEMPTS_MAX, Event, Procedure, ProcedureError, RETRY_WAIT, receiver_settings, worth_another,
};
use crate::analysis::AnalysisError;
use crate::analysis::closing::{Closing, Setup, Wanted, closings, hold_rise_db};
use crate::analysis::flag::FlagWord;
use crate::config::Plan;
use crate::evaluate::{self, Evaluator};
use crate::instrument::{Held, ReceiverSettings};
use crate::quantity::{Frequency, Time};
use crate::station::{Placement, State, StationError};
use crate::store::{NewReading, Point, ReadingKey, ReadingKind, RunId};

/// How far the floor of the reference must lie below what the limit asks for, dB (ORACLES E5, from memory).
const SEEN_DB: f64 = 6.0;

/// One closing at one stand.
struct Job<'a> {
    run: RunId,
    plan: &'a Plan,
    placement: &'a Placement,
    planned: &'a Planned,
    points: Vec<Point>,
    kind: ReadingKind,
    place: String,
}

/// A closing and how the receiver is set for it.
struct Planned {
    closing: Closing,
    receiver: ReceiverSettings,
}

/// What a closing gave.
struct Collected {
    held: Held,
    /// Sweeps between arming and reading, at least.
    sweeps: u32,
    /// Source levels in the order of the frequencies; none with the source off.
    levels_dbm: Vec<Option<f64>>,
}

impl Procedure {
    /// Makes the closings that a run still lacks.
    pub(super) async fn go_on_sealed(
        &self,
        plan: &Plan,
        run: RunId,
        item: Option<&str>,
        present: &HashSet<ReadingKey>,
        evaluator: Option<&Evaluator>,
    ) -> Result<(), ProcedureError> {
        let closings = self.planned(plan, evaluator).await?;
        self.tell(Event::Closings {
            closings: closings.len(),
            frequencies: plan.frequencies.len(),
        })
        .await;
        for stand in &stands(plan, item) {
            let mut placed = false;
            for (index, planned) in closings.iter().enumerate() {
                let points = points_of(stand, &planned.closing);
                let mut made = false;
                for &kind in steps::kinds(item) {
                    let there = is_there(present, kind, &points);
                    if there.ok_or_else(|| planned_otherwise(run))? {
                        continue;
                    }
                    let job = Job {
                        run,
                        plan,
                        placement: &stand.placement,
                        planned,
                        points: points.clone(),
                        kind,
                        place: place(stand, kind, index + 1, closings.len()),
                    };
                    if item.is_none() && !placed {
                        self.place(&stand.placement).await?;
                        placed = true;
                    }
                    self.close_and_keep(&job).await?;
                    made = true;
                }
                if let (Some(evaluator), true) = (evaluator, made) {
                    for point in &points {
                        let result = Box::new(evaluator.point(point).await?);
                        self.tell(Event::Point { result }).await;
                    }
                }
            }
        }
        Ok(())
    }

    /// The closings of a plan at this station; of an item's run with an eye on what its reference left to
    /// be seen. Frequencies for which the plan sets the receiver in another way cannot share one.
    async fn planned(
        &self,
        plan: &Plan,
        evaluator: Option<&Evaluator>,
    ) -> Result<Vec<Planned>, ProcedureError> {
        let room = match evaluator {
            Some(evaluator) => self.room(plan, evaluator).await?,
            None => HashMap::new(),
        };
        let mut alike: Vec<(ReceiverSettings, Vec<Wanted>)> = Vec::new();
        for frequency in &plan.frequencies {
            let receiver = ReceiverSettings {
                centre: Frequency::from_hz(0.0),
                ..receiver_settings(plan, *frequency)
            };
            let wanted = Wanted {
                frequency_hz: frequency.hz(),
                room_db: room.get(&frequency.hz().to_bits()).copied(),
            };
            match alike.iter_mut().find(|(known, _)| *known == receiver) {
                Some((_, group)) => group.push(wanted),
                None => alike.push((receiver, vec![wanted])),
            }
        }
        let mut planned = Vec::new();
        for (receiver, wanted) in &alike {
            let shared = closings(wanted, &self.setup(receiver));
            let shared = shared.map_err(|cause| ProcedureError::Closings {
                plan: plan.name.clone(),
                cause,
            })?;
            planned.extend(shared.into_iter().map(|closing| Planned {
                receiver: ReceiverSettings {
                    centre: Frequency::from_hz(0.5 * (closing.start_hz + closing.stop_hz)),
                    span: Frequency::from_hz(closing.stop_hz - closing.start_hz),
                    ..*receiver
                },
                closing,
            }));
        }
        Ok(planned)
    }

    fn setup(&self, receiver: &ReceiverSettings) -> Setup {
        let (low, high) = self.station.config.receiver_frequency;
        let rbw_hz = receiver.resolution_bandwidth.hz();
        Setup {
            points: receiver.points,
            rbw_hz,
            slower_hz: receiver
                .video_bandwidth
                .map_or(rbw_hz, |video| video.hz().min(rbw_hz)),
            range_hz: (low.hz(), high.hz()),
            sweeps: receiver.sweeps,
            dwell_max_s: self.station.config.safety.emission_max.s(),
        }
    }

    /// By how much the floor may rise at each frequency (by its bits) before the limit cannot be seen, from
    /// the reference's own readings. Where even a closing by itself could not see it, nothing is said.
    async fn room(
        &self,
        plan: &Plan,
        evaluator: &Evaluator,
    ) -> Result<HashMap<u64, f64>, ProcedureError> {
        let readings = self.store.readings(evaluator.reference()).await?;
        let mut room: HashMap<u64, f64> = HashMap::new();
        for signal in readings
            .iter()
            .filter(|r| r.key.kind == ReadingKind::Signal)
        {
            let point = &signal.key.point;
            let floor = readings
                .iter()
                .find(|r| r.key.kind == ReadingKind::Floor && r.key.point == *point);
            let (Some(floor), Some(limit_db)) = (floor, evaluator.limit_db(point.frequency_hz))
            else {
                continue;
            };
            let sweeps = plan
                .settings_at(Frequency::from_hz(point.frequency_hz))
                .sweeps;
            let shared = signal.settings["closing_frequencies_hz"].as_array();
            let rise_db = hold_rise_db(shared.map_or(1, Vec::len), sweeps);
            let alone_db = signal.peak_dbm - (floor.peak_dbm - rise_db);
            let left_db = alone_db - limit_db - SEEN_DB;
            let place = room
                .entry(point.frequency_hz.to_bits())
                .or_insert(f64::INFINITY);
            *place = place.min(left_db);
        }
        room.retain(|_, left_db| *left_db >= 0.0);
        Ok(room)
    }

    /// One closing with as many attempts as a fault on the wire is worth, kept whole.
    async fn close_and_keep(&self, job: &Job<'_>) -> Result<(), ProcedureError> {
        let mut attempt = 1;
        let collected = loop {
            match self.close(job, attempt).await {
                Ok(collected) => break collected,
                Err(ProcedureError::Station { place, cause })
                    if attempt < ATTEMPTS_MAX && worth_another(&cause) =>
                {
                    let reason = format!("{cause}; what was held so far does not count");
                    self.tell(Event::Again { place, reason }).await;
                    tokio::time::sleep(RETRY_WAIT * 2u32.pow(attempt - 1)).await;
                    attempt += 1;
                }
                Err(error) => return Err(error),
            }
        };
        let readings =
            readings(job, &collected, attempt).map_err(|cause| ProcedureError::Reading {
                place: job.place.clone(),
                cause,
            })?;
        self.store.append_together(job.run, &readings).await?;
        for reading in readings {
            self.tell(Event::Reading {
                key: reading.key,
                level_dbm: reading.peak_dbm,
            })
            .await;
        }
        Ok(())
    }

    /// Open, arm, close, step through (or stay silent as long), open, read.
    async fn close(&self, job: &Job<'_>, attempt: u32) -> Result<Collected, ProcedureError> {
        let at = || ProcedureError::at(&job.place);
        let settings = job.planned.receiver;
        self.put(job, State::Open).await?;
        self.station.find_receiver(&self.stop).await.map_err(at())?;
        if attempt > 1 {
            self.station.restart().await.map_err(at())?;
        }
        let armed = self.station.arm(settings, &self.stop).await.map_err(at())?;
        let began = Instant::now();
        let Some(sweep) = armed.or(job.plan.sweep_time) else {
            // The plan's own check has seen to it that one of the two is there.
            return Err(at()(StationError::NoSweepTime));
        };
        // One sweep more than asked, because the first is joined half-way.
        let stay = sweep.duration() * (settings.sweeps + 1);
        self.tell(Event::Closing {
            place: job.place.clone(),
            lasts: Time::from_duration(stay * u32::try_from(job.points.len()).unwrap_or(u32::MAX)),
        })
        .await;
        self.put(job, State::Sealed).await?;
        let levels_dbm = self.step_through(job, stay).await?;
        self.put(job, State::Open).await?;
        self.station.find_receiver(&self.stop).await.map_err(at())?;
        let sweeps = (began.elapsed().as_secs_f64() / sweep.s()).ceil();
        let held = self.station.collect(settings, &self.stop).await;
        Ok(Collected {
            held: held.map_err(at())?,
            // A float beyond the integers ends at their largest.
            sweeps: (sweeps as u32).max(settings.sweeps),
            levels_dbm,
        })
    }

    /// Sends each frequency of the closing for as long as its sweeps take; with the source off, waits so long.
    async fn step_through(
        &self,
        job: &Job<'_>,
        stay: Duration,
    ) -> Result<Vec<Option<f64>>, ProcedureError> {
        let mut levels_dbm = Vec::with_capacity(job.points.len());
        for point in &job.points {
            if job.kind == ReadingKind::Floor {
                tokio::select! {
                    () = tokio::time::sleep(stay) => levels_dbm.push(None),
                    () = self.stop.cancelled() => return Err(ProcedureError::Stopped),
                }
                continue;
            }
            let frequency = Frequency::from_hz(point.frequency_hz);
            let stay = stay + job.plan.settings_at(frequency).settle.duration();
            let place = format!("{}, {frequency}", job.place);
            let request = self.emission(job.plan, job.run, &place, (job.kind, frequency));
            let emitted = self
                .station
                .guard()
                .emit(request, &self.stop, async {
                    self.station.guard().alive(tokio::time::sleep(stay)).await;
                    Ok(())
                })
                .await
                .map_err(ProcedureError::at(&place))?;
            // No reading closes it in the log: whether there will be one is known after the last frequency.
            self.store.end_emission(&emitted.end).await?;
            levels_dbm.push(Some(emitted.sent.level.dbm()));
        }
        Ok(levels_dbm)
    }

    /// Has the item opened or closed; the open path has nothing to be closed.
    async fn put(&self, job: &Job<'_>, state: State) -> Result<(), ProcedureError> {
        if job.placement.item.is_none() {
            return match self.stop.is_cancelled() {
                true => Err(ProcedureError::Stopped),
                false => Ok(()),
            };
        }
        let placement = Placement {
            state,
            ..job.placement.clone()
        };
        self.place(&placement).await
    }
}

fn planned_otherwise(run: RunId) -> ProcedureError {
    ProcedureError::NotResumable {
        run,
        reason: "its closings were planned in another way than they are now, by another version of this program; measure the item anew".to_owned(),
    }
}

fn place(stand: &Stand, kind: ReadingKind, number: usize, of: usize) -> String {
    let how = match kind {
        ReadingKind::Floor => ", silent",
        ReadingKind::Signal => "",
        ReadingKind::Step => ", a step lower",
    };
    let placement = &stand.placement;
    let item = placement.item.as_deref().unwrap_or("reference");
    format!(
        "{item}, {}, {}, repeat {}, closing {number} of {of}{how}",
        placement.face, placement.polarisation, placement.repeat
    )
}

fn points_of(stand: &Stand, closing: &Closing) -> Vec<Point> {
    let is_in = |point: &&Point| closing.frequencies_hz.contains(&point.frequency_hz);
    stand.points.iter().filter(is_in).cloned().collect()
}

/// Whether a closing has been made; `None` when only a part of it is there.
fn is_there(present: &HashSet<ReadingKey>, kind: ReadingKind, points: &[Point]) -> Option<bool> {
    let there = points
        .iter()
        .filter(|point| present.contains(&steps::key(kind, point)))
        .count();
    match there {
        0 => Some(false),
        all if all == points.len() => Some(true),
        _ => None,
    }
}

fn readings(
    job: &Job<'_>,
    collected: &Collected,
    attempt: u32,
) -> Result<Vec<NewReading>, AnalysisError> {
    let held = &collected.held;
    let settings = &job.planned.receiver;
    let taken = Timestamp::now();
    let overload = held
        .overload
        .then(|| FlagWord::Overload.as_str().to_owned());
    let reading = |(point, level_dbm): (&Point, &Option<f64>)| {
        let frequency = Frequency::from_hz(point.frequency_hz);
        let picked = evaluate::pick(&held.trace, frequency, settings.resolution_bandwidth)?;
        Ok(NewReading {
            key: steps::key(job.kind, point),
            attempt,
            taken,
            sweeps: collected.sweeps,
            peak_dbm: picked.level_dbm,
            peak_hz: picked.frequency_hz,
            flags: overload.clone().into_iter().collect(),
            settings: json!({
                "arrangement": job.plan.arrangement.word(),
                "source_level_dbm": level_dbm,
                "span_hz": settings.span.hz(),
                "points": settings.points,
                "resolution_bandwidth_hz": settings.resolution_bandwidth.hz(),
                "video_bandwidth_hz": settings.video_bandwidth.map(Frequency::hz),
                "attenuation_db": settings.attenuation.map(|ratio| ratio.db()),
                "detector": settings.detector.map(|detector| detector.word()),
                "sweeps_with_carrier": settings.sweeps,
                "closing_frequencies_hz": job.planned.closing.frequencies_hz,
            }),
            trace: held.trace.clone(),
        })
    };
    job.points
        .iter()
        .zip(&collected.levels_dbm)
        .map(reading)
        .collect()
}
