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

use super::beside::{is_refusal, refused};
use super::closings::{Planned, SEEN_DB, planned};
use super::steps::{self, Stand, stands};
use super::{
    ATTEMPTS_MAX, Event, Procedure, ProcedureError, RETRY_WAIT, STEP, receiver_json, worth_another,
};
use crate::analysis::AnalysisError;
use crate::analysis::closing::{Closing, hold_rise_db};
use crate::analysis::flag::FlagWord;
use crate::config::Plan;
use crate::evaluate::{self, Evaluator};
use crate::instrument::{Carrier, Held, HoldProof, InstrumentError, ReceiverSettings};
use crate::quantity::{Frequency, Level, Time, one_decimal};
use crate::station::{Placement, State, StationError};
use crate::store::{NewReading, Point, ReadingKey, ReadingKind, RunId, RunRecord};

/// A plan's sweep time that is shorter than the receiver's by less than this is the same, rounded.
const SWEEP_TIME_SHARE: f64 = 0.98;
/// So many of the sweeps that fit into the time between arming and asking must be in the hold: a sweep lasts a
/// little longer than its sweep time.
const SWEEPS_SHARE: f64 = 0.95;
/// Sweeps that may be missing besides: the first is joined half-way, the last is not over.
const SWEEPS_ALLOWED: f64 = 2.0;

/// One closing at one stand.
struct Job<'a> {
    run: RunId,
    plan: &'a Plan,
    placement: &'a Placement,
    planned: Planned,
    points: Vec<Point>,
    kind: ReadingKind,
    place: String,
    /// What was placed last: nobody is asked for what is so already.
    last: &'a mut Option<Placement>,
}

/// What a closing gave.
struct Collected {
    held: Held,
    proof: HoldProof,
    /// Sweeps between arming and reading, at least.
    sweeps: u32,
    /// What was sent, in the order of the frequencies and at last the first once more; none with the source off.
    sent: Vec<Option<Sent>>,
    /// What one sweep takes.
    sweep: Time,
}

/// A carrier that was on while the item was closed.
struct Sent {
    /// Level at the source.
    level_dbm: f64,
    /// How long it was on.
    stay: Duration,
    /// What the source said at the end.
    carrier: Carrier,
    /// The power towards the antenna then, where there is a monitor of it.
    forward: Option<Level>,
}

impl Procedure {
    /// Makes the closings that a run still lacks.
    pub(super) async fn go_on_sealed(
        &self,
        plan: &Plan,
        record: &RunRecord,
        present: &HashSet<ReadingKey>,
        evaluator: Option<&Evaluator>,
    ) -> Result<(), ProcedureError> {
        let (run, item) = (record.id, record.item.as_deref());
        let closings = self.planned(plan, evaluator).await?;
        self.tell(Event::Closings {
            closings: closings.len(),
            frequencies: plan.frequencies.len(),
        })
        .await;
        let mut last = None;
        for stand in &stands(plan, item) {
            let mut placed = false;
            for (index, planned) in closings.iter().enumerate() {
                let points = points_of(stand, &planned.closing);
                let mut made = false;
                let mut job = Job {
                    run,
                    plan,
                    placement: &stand.placement,
                    planned: planned.clone(),
                    points: points.clone(),
                    kind: ReadingKind::Floor,
                    place: String::new(),
                    last: &mut last,
                };
                for &kind in steps::kinds(item) {
                    let there = is_there(present, kind, &points);
                    if there.ok_or_else(|| planned_otherwise(run))? {
                        continue;
                    }
                    job.kind = kind;
                    job.place = place(stand, kind, index + 1, closings.len());
                    if item.is_none() && !placed {
                        self.place(&stand.placement).await?;
                        placed = true;
                    }
                    self.close_and_keep(&mut job).await?;
                    made = true;
                }
                if item.is_none() && made {
                    job.kind = ReadingKind::Pad;
                    job.place = place(stand, job.kind, index + 1, closings.len());
                    self.see_who_compresses_sealed(job).await?;
                }
                if item.is_none() && made {
                    self.refuse_off_frequency(record, &points).await?;
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

    /// As in a linked reference; the whole closing is made once more when any of its steps reads short.
    async fn see_who_compresses_sealed(&self, mut job: Job<'_>) -> Result<(), ProcedureError> {
        let receiver = &mut job.planned.receiver;
        let Some(attenuation) = receiver.attenuation else {
            return Ok(());
        };
        receiver.attenuation = Some(attenuation + STEP);
        let mut short = false;
        for point in &job.points {
            short |= self.compresses(job.run, point).await?;
        }
        if !short {
            return Ok(());
        }
        match self.close_and_keep(&mut job).await {
            Err(error) if is_refusal(&error) => Ok(()),
            kept => kept,
        }
    }

    /// The closings of a plan at this station; of an item's run with an eye on what its reference left to
    /// be seen.
    async fn planned(
        &self,
        plan: &Plan,
        evaluator: Option<&Evaluator>,
    ) -> Result<Vec<Planned>, ProcedureError> {
        let room = match evaluator {
            Some(evaluator) => self.room(plan, evaluator).await?,
            None => HashMap::new(),
        };
        planned(plan, &self.station.config, &room, evaluator.is_some()).map_err(|cause| {
            ProcedureError::Closings {
                plan: plan.name.clone(),
                cause,
            }
        })
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
    async fn close_and_keep(&self, job: &mut Job<'_>) -> Result<(), ProcedureError> {
        let mut attempt = 1;
        let readings = loop {
            let reason = match self.close_once(job, attempt).await {
                Ok((readings, None)) => break readings,
                // It is kept, and says so.
                Ok((readings, Some(_))) if attempt == ATTEMPTS_MAX => break readings,
                Ok((_, Some(reason))) => reason,
                Err(ProcedureError::Station { cause, .. })
                    if attempt < ATTEMPTS_MAX && worth_another(&cause) =>
                {
                    format!("{cause}; what was held so far does not count")
                }
                Err(error) => return Err(error),
            };
            let place = job.place.clone();
            self.tell(Event::Again { place, reason }).await;
            tokio::time::sleep(RETRY_WAIT * 2u32.pow(attempt - 1)).await;
            attempt += 1;
        };
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

    /// One closing, its readings, and why it does not count, where its first and its last carrier do not agree.
    async fn close_once(
        &self,
        job: &mut Job<'_>,
        attempt: u32,
    ) -> Result<(Vec<NewReading>, Option<String>), ProcedureError> {
        let collected = self.close(job, attempt).await?;
        let tolerance = self.station.config.frequency_tolerance;
        let readings = readings(job, &collected, attempt, tolerance);
        let readings = readings.map_err(refused(&job.place))?;
        let disagree_db = match (job.kind, readings.first()) {
            // With the source off there is nothing to agree.
            (ReadingKind::Floor, _) | (_, None) => None,
            (_, Some(first)) => self.first_and_last_disagree_db(job.run, first).await?,
        };
        let reason = disagree_db.map(|lower_db| {
            let way = if lower_db < 0.0 { "higher" } else { "lower" };
            format!(
                "the first carrier was sent again as the last and read {} dB {way}: the hold was begun anew, the item was closed too late or opened too early, or less was sent",
                one_decimal(lower_db.abs())
            )
        });
        Ok((readings, reason))
    }

    /// By how much the first and the last carrier of a closure differ, where they do not agree; by its first reading.
    async fn first_and_last_disagree_db(
        &self,
        run: RunId,
        first: &NewReading,
    ) -> Result<Option<f64>, ProcedureError> {
        let kept =
            async |run, kind, point: &Point| -> Result<Option<serde_json::Value>, ProcedureError> {
                let found = self
                    .store
                    .reading_with_trace(run, &steps::key(kind, point))
                    .await?;
                Ok(found.map(|(reading, _)| reading.settings))
            };
        let point = &first.key.point;
        let Some(floor) = kept(run, ReadingKind::Floor, point).await? else {
            return Ok(None);
        };
        let reference = match self.store.run(run).await?.reference_run {
            Some(reference) => {
                let open = Point {
                    face: evaluate::OPEN.to_owned(),
                    repeat: 1,
                    ..point.clone()
                };
                kept(reference, ReadingKind::Signal, &open).await?
            }
            None => None,
        };
        let closure = [&floor, &first.settings];
        Ok(evaluate::first_and_last_disagree_db(
            closure,
            reference.as_ref(),
        ))
    }

    /// Open, arm, close, step through (or stay silent as long), open, read.
    async fn close(&self, job: &mut Job<'_>, attempt: u32) -> Result<Collected, ProcedureError> {
        let place = job.place.clone();
        let at = || ProcedureError::at(&place);
        let settings = job.planned.receiver;
        self.put(job, State::Open).await?;
        self.find_receiver(&place).await?;
        if attempt > 1 {
            self.station.restart().await.map_err(at())?;
        }
        let armed = self.station.arm(settings, &self.stop).await.map_err(at())?;
        let began = Instant::now();
        let sweep = sweep_time(armed, job.plan.sweep_time).map_err(at())?;
        // One sweep more than asked, because the first is joined half-way.
        let stay = sweep.duration() * (settings.sweeps + 1);
        self.tell(Event::Closing {
            place: job.place.clone(),
            lasts: Time::from_duration(
                stay * u32::try_from(job.planned.stays()).unwrap_or(u32::MAX),
            ),
        })
        .await;
        self.put(job, State::Sealed).await?;
        let sent = self.step_through(job, stay).await?;
        self.put(job, State::Open).await?;
        self.find_receiver(&place).await?;
        let passed = began.elapsed();
        let collected = self.station.collect(settings, &self.stop).await;
        let (held, proof) = collected.map_err(at())?;
        check_sweeps(&proof, passed, sweep).map_err(|cause| at()(cause.into()))?;
        let sweeps = (passed.as_secs_f64() / sweep.s()).ceil();
        Ok(Collected {
            held,
            proof,
            // A float beyond the integers ends at their largest.
            sweeps: (sweeps as u32).max(settings.sweeps),
            sent,
            sweep,
        })
    }

    /// Sends each frequency of the closing for as long as its sweeps take; with the source off, waits so long.
    async fn step_through(
        &self,
        job: &Job<'_>,
        stay: Duration,
    ) -> Result<Vec<Option<Sent>>, ProcedureError> {
        let mut sent = Vec::with_capacity(job.planned.stays());
        for (asked, at) in job.carriers() {
            if job.kind == ReadingKind::Floor {
                tokio::select! {
                    () = tokio::time::sleep(stay) => sent.push(None),
                    () = self.stop.cancelled() => return Err(ProcedureError::Stopped),
                }
                continue;
            }
            let stay = stay + job.plan.settings_at(asked).settle.duration();
            sent.push(Some(self.send_for(job, (asked, at), stay).await?));
        }
        Ok(sent)
    }

    /// Sends one carrier for as long as its sweeps take. Where the source says at the end that it was not sending as
    /// asked, or the forward power that it was not all sent, it is sent again within the closure: the hold keeps the
    /// higher of both.
    async fn send_for(
        &self,
        job: &Job<'_>,
        (asked, at): (Frequency, Frequency),
        stay: Duration,
    ) -> Result<Sent, ProcedureError> {
        let place = format!("{}, {at}", job.place);
        let mut attempt = 1;
        loop {
            let request = self.emission(job.plan, job.run, &place, (job.kind, asked, at));
            let emitted = self
                .station
                .guard()
                .emit(request, &self.stop, async {
                    let on = Instant::now();
                    self.station.guard().alive(tokio::time::sleep(stay)).await;
                    Ok(on.elapsed())
                })
                .await
                .map_err(ProcedureError::at(&place))?;
            // No reading closes it in the log: whether there will be one is known after the last frequency.
            self.store.end_emission(&emitted.end).await?;
            let sent = Sent {
                level_dbm: emitted.sent.level.dbm(),
                stay: emitted.measured,
                carrier: emitted.carrier,
                forward: emitted.forward,
            };
            let reason = match sent.carrier.lost() {
                Some(reason) => Some(reason.to_owned()),
                None => self.sent_too_little(job, asked, &sent).await?,
            };
            match reason.filter(|_| attempt < ATTEMPTS_MAX) {
                Some(reason) => {
                    let place = place.clone();
                    self.tell(Event::Again { place, reason }).await;
                    attempt += 1;
                }
                None => return Ok(sent),
            }
        }
    }

    /// What is wrong about the forward power of a carrier, where there is a monitor of it.
    async fn sent_too_little(
        &self,
        job: &Job<'_>,
        asked: Frequency,
        sent: &Sent,
    ) -> Result<Option<String>, ProcedureError> {
        let mut points = job.points.iter();
        let point = points.find(|point| point.frequency_hz == asked.hz());
        let (Some(forward), Some(point)) = (sent.forward, point) else {
            return Ok(None);
        };
        let said_dbm = sent.carrier.level().map(Level::dbm);
        let gain_db = forward.dbm() - said_dbm.unwrap_or(sent.level_dbm);
        let wrong = self
            .forward_wrong(job.plan, job.run, point, gain_db)
            .await?;
        Ok(wrong.map(|wrong| wrong.to_string()))
    }

    /// Looks for the receiver that comes out of the opened item.
    async fn find_receiver(&self, place: &str) -> Result<(), ProcedureError> {
        self.tell(Event::Looking).await;
        let found = self.station.find_receiver(&self.stop).await;
        found.map_err(ProcedureError::at(place))
    }

    /// Has the item opened or closed; the open path has nothing to be closed.
    async fn put(&self, job: &mut Job<'_>, state: State) -> Result<(), ProcedureError> {
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
        // However it is turned afterwards, an item that is open is open.
        let is_so = |last: &Placement| {
            *last == placement
                || (last.state, state) == (State::Open, State::Open) && last.item == placement.item
        };
        if job.last.as_ref().is_some_and(is_so) {
            return Ok(());
        }
        *job.last = None;
        self.place(&placement).await?;
        *job.last = Some(placement);
        Ok(())
    }
}

impl Job<'_> {
    /// What is sent one after the other: each as the plan asks for it, and where it is sent.
    fn carriers(&self) -> impl Iterator<Item = (Frequency, Frequency)> {
        let all = self.points.iter();
        let asked = all.map(|point| Frequency::from_hz(point.frequency_hz));
        let again = asked.clone().next().zip(self.planned.again);
        asked.map(|asked| (asked, asked)).chain(again)
    }
}

/// How long a sweep is taken to be: as the receiver says, or as the plan says for one that cannot be asked. A
/// plan may say more, where a receiver pauses between two sweeps, and never less.
fn sweep_time(says: Option<Time>, planned: Option<Time>) -> Result<Time, StationError> {
    match (says, planned) {
        (Some(sweep), Some(planned)) if planned.s() < SWEEP_TIME_SHARE * sweep.s() => {
            Err(InstrumentError::SweepTime { planned, sweep }.into())
        }
        (_, Some(planned)) => Ok(planned),
        (Some(sweep), None) => Ok(sweep),
        // The plan's own check has seen to it that one of the two is there.
        (None, None) => Err(StationError::NoSweepTime),
    }
}

/// A hold that was begun anew, or whose sweeps are slower than they were taken to be, has fewer than fit into the
/// time that passed.
fn check_sweeps(proof: &HoldProof, passed: Duration, sweep: Time) -> Result<(), InstrumentError> {
    let Some(sweeps) = proof.sweeps else {
        return Ok(());
    };
    let fitting = passed.as_secs_f64() / sweep.s();
    // A float beyond the integers ends at their largest.
    let wanted = (SWEEPS_SHARE * fitting - SWEEPS_ALLOWED).max(0.0) as u32;
    if sweeps >= wanted {
        return Ok(());
    }
    let longer_s = passed.as_secs_f64() / f64::from(sweeps.max(1));
    Err(InstrumentError::SweepsMissing {
        sweeps,
        wanted,
        sweep,
        longer: Time::from_duration(Duration::from_millis((longer_s * 1e3).ceil() as u64)),
    })
}

fn planned_otherwise(run: RunId) -> ProcedureError {
    ProcedureError::NotResumable {
        run,
        reason: "its closings were planned in another way than they are now, by another version of this program; measure the item anew".to_owned(),
    }
}

fn place(stand: &Stand, kind: ReadingKind, number: usize, of: usize) -> String {
    let how = match kind {
        ReadingKind::Floor | ReadingKind::Ambient => ", silent",
        ReadingKind::Signal => "",
        ReadingKind::Step => ", a step lower",
        ReadingKind::Pad => ", more attenuation",
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
    tolerance: f64,
) -> Result<Vec<NewReading>, AnalysisError> {
    let held = &collected.held;
    let settings = &job.planned.receiver;
    let taken = Timestamp::now();
    let flags: Vec<String> = [
        (held.overload, FlagWord::Overload),
        (!collected.proof.stayed_armed, FlagWord::HoldUnproven),
    ]
    .into_iter()
    .filter(|(is, _)| *is)
    .map(|(_, word)| word.as_str().to_owned())
    .collect();
    let again = sent_again(job, held, tolerance)?;
    let reading = |(point, sent): (&Point, &Option<Sent>)| {
        let frequency = Frequency::from_hz(point.frequency_hz);
        let bandwidth = held.resolution_bandwidth(settings);
        let picked = evaluate::pick(&held.trace, frequency, bandwidth, tolerance)?;
        let mut kept = receiver_json(settings, Some(held));
        kept["arrangement"] = json!(job.plan.arrangement.word());
        kept["source_level_dbm"] = json!(sent.as_ref().map(|sent| sent.level_dbm));
        let carrier = sent.as_ref().map(|sent| &sent.carrier);
        if let Some(carrier) = carrier {
            kept["carrier"] = carrier.json();
        }
        if let Some(forward) = sent.as_ref().and_then(|sent| sent.forward) {
            kept["forward_dbm"] = json!(forward.dbm());
        }
        let lost = carrier.and_then(Carrier::lost);
        let lost = lost.map(|_| FlagWord::CarrierLost.as_str().to_owned());
        kept["sweeps_with_carrier"] = json!(sweeps_over(sent.as_ref(), collected.sweep, settings));
        kept["hold"] = json!({
            "stayed_armed": collected.proof.stayed_armed,
            "sweeps": collected.proof.sweeps,
        });
        kept["closing_frequencies_hz"] = json!(job.planned.closing.frequencies_hz);
        kept["sent_again"] = again.clone();
        Ok(NewReading {
            key: steps::key(job.kind, point),
            attempt,
            taken,
            sweeps: collected.sweeps,
            peak_dbm: picked.level_dbm,
            peak_hz: picked.frequency_hz,
            flags: flags.iter().cloned().chain(lost).collect(),
            settings: kept,
            trace: held.trace.clone(),
        })
    };
    job.points
        .iter()
        .zip(&collected.sent)
        .map(reading)
        .collect()
}

/// The first carrier of a closure and what it read when it was sent again as the last, beside itself.
fn sent_again(
    job: &Job<'_>,
    held: &Held,
    tolerance: f64,
) -> Result<serde_json::Value, AnalysisError> {
    let (Some(first), Some(at)) = (job.points.first(), job.planned.again) else {
        return Ok(serde_json::Value::Null);
    };
    let first = Frequency::from_hz(first.frequency_hz);
    let bandwidth = held.resolution_bandwidth(&job.planned.receiver);
    let level_dbm = |at| -> Result<f64, AnalysisError> {
        Ok(evaluate::pick(&held.trace, at, bandwidth, tolerance)?.level_dbm)
    };
    Ok(json!({
        "first_hz": first.hz(),
        "first_dbm": level_dbm(first)?,
        "again_hz": at.hz(),
        "again_dbm": level_dbm(at)?,
    }))
}

/// How many sweeps passed over a carrier while it was on: as many as its stay is long, to the nearest, for
/// each passes it in a moment. The peak over one more reads higher, so it counts.
fn sweeps_over(sent: Option<&Sent>, sweep: Time, settings: &ReceiverSettings) -> u32 {
    let passed = sent.map_or(0.0, |sent| (sent.stay.as_secs_f64() / sweep.s()).round());
    // A float beyond the integers ends at their largest.
    (passed as u32).max(settings.sweeps)
}
