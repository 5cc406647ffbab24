//! The open path: what a reference proves while it is read, because everything after it relies on its level.
//!
//! A signal and the step below it prove each other before either is kept ([`crate::analysis::holds`]), and the first
//! points are held against the last reference of the same set-up: one taken through an item that is still in the way is
//! refused before any item is measured.

use std::collections::HashSet;

use jiff::Timestamp;
use serde_json::json;

use super::beside::refused;
use super::{Event, Procedure, ProcedureError, place_of, reading, steps};
use crate::analysis::flag::FlagWord;
use crate::analysis::holds::{Holds, Proof, floor_has_risen_db, proof};
use crate::analysis::median;
use crate::config::Plan;
use crate::evaluate::{is_unstable, off_budget_db, path_gains_db, reference_off_hz};
use crate::quantity::{Frequency, one_decimal};
use crate::store::{NewReading, Point, ReadingKey, ReadingKind, RunId, RunKind, RunRecord, Store};

/// How often a signal and its step are read before it is said that they do not agree.
const HOLDS_MAX: usize = 3;
/// After so many points a reference is held against the last one: enough that one null in the field decides nothing.
const POINTS_TO_COMPARE: usize = 3;
/// A reference differs by less than this from the last one of the same station, instruments and settings, dB, also
/// where antennas were set up anew (common practice, no source).
const LAST_ALLOWED_DB: f64 = 10.0;

impl Procedure {
    /// What a point of the open path still lacks, once its floor is there.
    pub(super) async fn read_open(
        &self,
        plan: &Plan,
        run: &RunRecord,
        point: &Point,
        at: Frequency,
        present: &HashSet<ReadingKey>,
    ) -> Result<(), ProcedureError> {
        let lacks = |kind| !present.contains(&steps::key(kind, point));
        if run.is_reference_check() {
            return match (lacks(ReadingKind::Signal), run.reference_run) {
                (true, Some(before)) => self.read_again(plan, run.id, point, at, before).await,
                _ => Ok(()),
            };
        }
        match (lacks(ReadingKind::Signal), lacks(ReadingKind::Step)) {
            (true, true) => self.read_holds(plan, run.id, point, at).await?,
            // An older version kept them one by one.
            (signal, step) => {
                for (kind, lacks) in [(ReadingKind::Signal, signal), (ReadingKind::Step, step)] {
                    if lacks {
                        let key = steps::key(kind, point);
                        let place = place_of(None, &key);
                        let aim = self.aim(plan, key, at, false);
                        self.read(plan, run.id, &place, aim).await?;
                    }
                }
            }
        }
        self.see_who_compresses(plan, run.id, point, at).await
    }

    /// The signal and the step below it, read again where they do not prove each other, and kept together.
    async fn read_holds(
        &self,
        plan: &Plan,
        run: RunId,
        point: &Point,
        at: Frequency,
    ) -> Result<(), ProcedureError> {
        let Some(floor_dbm) = self.kept_level(run, ReadingKind::Floor, point).await? else {
            return Ok(());
        };
        let mut holds = Vec::new();
        let (readings, proof) = loop {
            let mut signal = self.hold(plan, run, ReadingKind::Signal, point, at).await?;
            let step = self.hold(plan, run, ReadingKind::Step, point, at).await?;
            let level = |of: &NewReading| of.settings["source_level_dbm"].as_f64();
            holds.push(Holds {
                signal_dbm: signal.peak_dbm,
                step_dbm: step.peak_dbm,
                sent_db: level(&signal).unwrap_or(0.0) - level(&step).unwrap_or(0.0),
            });
            let proof = proof(&holds, floor_dbm);
            if let (Proof::Unproven { apart_db }, true) = (proof, holds.len() < HOLDS_MAX) {
                self.tell(Event::Again {
                    place: place_of(None, &signal.key),
                    reason: format!(
                        "the signal and the reading a step below it are {} dB from agreeing: a burst may have been held, or something compresses",
                        one_decimal(apart_db)
                    ),
                })
                .await;
                continue;
            }
            signal.settings["holds"] = json!(holds.len());
            break ([signal, step], proof);
        };
        let [mut signal, step] = readings;
        let spoiled_db = match proof {
            Proof::Proven => None,
            Proof::Unproven { apart_db } => Some(apart_db),
            // Another signal that began after the floor was read comes back, too.
            Proof::Repeated => {
                signal.settings["holds_agree"] = json!(true);
                let floor = self.hold(plan, run, ReadingKind::Floor, point, at).await?;
                floor_has_risen_db(floor_dbm, floor.peak_dbm, step.peak_dbm)
            }
        };
        if let Some(db) = spoiled_db {
            signal
                .flags
                .push(FlagWord::TransientInHold.as_str().to_owned());
            signal.settings["transient_db"] = json!(db);
        }
        self.store
            .append_together(run, &[signal.clone(), step.clone()])
            .await?;
        self.tell_of(&signal).await;
        self.tell_of(&step).await;
        Ok(())
    }

    /// One reading, not kept yet; its emission is closed in the log.
    async fn hold(
        &self,
        plan: &Plan,
        run: RunId,
        kind: ReadingKind,
        point: &Point,
        at: Frequency,
    ) -> Result<NewReading, ProcedureError> {
        let key = steps::key(kind, point);
        let place = place_of(None, &key);
        let aim = self.aim(plan, key, at, false);
        let (attempt, taken) = self.take_patiently(plan, run, &place, &aim).await?;
        if let Some(end) = &taken.end {
            self.store.end_emission(end).await?;
        }
        reading(aim, attempt, taken).map_err(refused(&place))
    }

    /// The signal of a look at a reference; read once more where it is far from the one before, because a burst is
    /// not held twice.
    async fn read_again(
        &self,
        plan: &Plan,
        run: RunId,
        point: &Point,
        at: Frequency,
        before: RunId,
    ) -> Result<(), ProcedureError> {
        let before_dbm = self.kept_level(before, ReadingKind::Signal, point).await?;
        let mut signal = self.hold(plan, run, ReadingKind::Signal, point, at).await?;
        if before_dbm.is_some_and(|before_dbm| is_unstable(signal.peak_dbm - before_dbm)) {
            self.tell(Event::Again {
                place: place_of(None, &signal.key),
                reason: format!(
                    "it differs by {} dB from the reference before",
                    one_decimal(signal.peak_dbm - before_dbm.unwrap_or_default())
                ),
            })
            .await;
            signal = self.hold(plan, run, ReadingKind::Signal, point, at).await?;
            signal.settings["holds"] = json!(2);
        }
        self.store.append_reading(run, &signal, None).await?;
        self.tell_of(&signal).await;
        Ok(())
    }

    async fn kept_level(
        &self,
        run: RunId,
        kind: ReadingKind,
        point: &Point,
    ) -> Result<Option<f64>, ProcedureError> {
        let key = steps::key(kind, point);
        let found = self.store.reading_with_trace(run, &key).await?;
        Ok(found.map(|(reading, _)| reading.peak_dbm))
    }

    /// As [`Self::refuse_a_closed_path`], as soon as enough of a reference is there.
    pub(super) async fn refuse_early(
        &self,
        run: &RunRecord,
        points: usize,
        of: usize,
    ) -> Result<(), ProcedureError> {
        match run.kind == RunKind::Reference && points == POINTS_TO_COMPARE.min(of) {
            true => self.refuse_a_closed_path(run).await,
            false => Ok(()),
        }
    }

    /// Refuses a reference that is far from the last one of the same station, instruments and settings, with what to do
    /// about it; one that looks at another again is held against that one only.
    pub(super) async fn refuse_a_closed_path(&self, run: &RunRecord) -> Result<(), ProcedureError> {
        if run.kind != RunKind::Reference || run.reference_run.is_some() {
            return Ok(());
        }
        let until = Timestamp::UNIX_EPOCH..=run.started;
        let Some(last) = self.store.latest_reference(&run.signature, until).await? else {
            return Ok(());
        };
        let now = path_gains_db(&self.store.readings(run.id).await?);
        let then = path_gains_db(&self.store.readings(last.id).await?);
        let differences: Vec<f64> = now
            .iter()
            .filter_map(|(at, now_db)| Some(now_db - then.get(at)?))
            .collect();
        let Some(off_db) = median(differences.iter().copied()) else {
            return Ok(());
        };
        if off_db.abs() <= LAST_ALLOWED_DB {
            return Ok(());
        }
        let (way, question) = match off_db < 0.0 {
            true => ("below", "is the path open, and is every cable connected?"),
            false => (
                "above",
                "was the last one taken with something in the way, or a cable loose?",
            ),
        };
        Err(ProcedureError::Implausible {
            run: run.id,
            reason: format!(
                "the reference is {} dB {way} the last one of this set-up (run {} of {:.0}, median of {} points): {question} \
                 See to it and measure again. If the set-up did change, say so in the station file (a comment is enough); \
                 if the last reference was wrong, withdraw it: muffle history --withdraw {} --why TEXT",
                one_decimal(off_db.abs()),
                last.id,
                last.started,
                differences.len(),
                last.id
            ),
        })
    }

    /// Refuses a reference whose carrier the receiver shows beside its frequency, by more than source and receiver may
    /// be off: whatever is subtracted from it would be wrong.
    pub(super) async fn refuse_off_frequency(
        &self,
        run: &RunRecord,
        points: &[Point],
    ) -> Result<(), ProcedureError> {
        if run.kind != RunKind::Reference || run.is_reference_check() {
            return Ok(());
        }
        let tolerance = self.station.config.frequency_tolerance;
        refuse_off_frequency(&self.store, run.id, points, tolerance).await
    }

    /// Warns at once where a reference is far from what the station's gains let expect; its points say so too.
    pub(super) async fn warn_of_link_budget(&self, run: &RunRecord) -> Result<(), ProcedureError> {
        if run.kind != RunKind::Reference {
            return Ok(());
        }
        let readings = self.store.readings(run.id).await?;
        if let Some(off_db) = off_budget_db(&self.station.config, &readings) {
            let way = if off_db < 0.0 { "below" } else { "above" };
            let text = format!(
                "the reference is {} dB {way} what source, gains, antennas and distance let expect (median over the \
                 frequencies), so the verdicts are withheld: is the path open, and are the \
                 gains in the station file right?",
                one_decimal(off_db.abs()),
            );
            self.tell(Event::Warning { text }).await;
        }
        Ok(())
    }
}

/// As the procedure does, from what is in the store.
pub(super) async fn refuse_off_frequency(
    store: &Store,
    run: RunId,
    points: &[Point],
    tolerance: f64,
) -> Result<(), ProcedureError> {
    for point in points {
        let Some(off_hz) = reference_off_hz(store, run, point, tolerance).await? else {
            continue;
        };
        let way = if off_hz < 0.0 { "below" } else { "above" };
        return Err(ProcedureError::Implausible {
            run,
            reason: format!(
                "the carrier stands {} {way} {} on the receiver's scale ({:.1} parts in a million), and the station allows \
                 {:.1} parts (`frequency_tolerance`): connect source and receiver to one frequency reference, or state \
                 the sum of what both may be off, and measure again",
                Frequency::from_hz(off_hz.abs()),
                Frequency::from_hz(point.frequency_hz),
                1e6 * off_hz.abs() / point.frequency_hz,
                1e6 * tolerance
            ),
        });
    }
    Ok(())
}
