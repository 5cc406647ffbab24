//! From committed readings to results: reads the store, asks `analysis`, writes results back.
//!
//! Used after every reading and by whoever computes a run anew, so that both give the same numbers. It
//! knows a run only from the store: the plan and the station are read from the snapshots kept with it.

mod carrier;
mod check;
mod closure;
pub mod compare;
mod import;
pub mod lot;
mod merge;
mod noise;
mod reference;
mod settings;
pub mod stability;
pub mod trend;
mod tuning;
mod unit;

pub use carrier::{forward_gain_db, why_unverified};
pub use check::{Recomputed, computed, recomputed, same, verdict_of};
pub use closure::first_and_last_disagree_db;
pub use import::import;
pub use merge::merge;
pub use reference::{
    ANTENNA_DBI, ReferenceChange, UNSTABLE_DB, antenna_dbi, budget_db, cable_db, is_unstable,
    off_budget_db, path_gains_db,
};
pub use tuning::reference_off_hz;

use std::collections::BTreeMap;
use std::f64::consts::PI;

use jiff::Timestamp;
use serde_json::json;

use carrier::{carrier_flags, forward_flags, is_lost, sent_dbm, sent_more_db};

use crate::analysis::average::{Average, Part, average};
use crate::analysis::budget::{Budget, BudgetInput, Cause, Given, PointScatter, Repeats, Scatter};
use crate::analysis::closing::{between_db, harmonics_at};
use crate::analysis::flag::{Effect, Flag, FlagWord};
use crate::analysis::floor::{AMBIENT_FALSE_ALARM, Floor, Hold};
use crate::analysis::limit::LimitLine;
use crate::analysis::noise::reaches_too_high;
use crate::analysis::point::{PointInput, PointResult, ReadingInput, judge_point};
use crate::analysis::shield::cavity::{BoxSize, Loading, modes};
use crate::analysis::trace::{Picked, Trace as Levels, Window};
use crate::analysis::verdict::{DecisionRule, Judgement, of_run};
use crate::analysis::{ANALYSIS_VERSION, AnalysisError};
use crate::config::{
    Combine, ConfigError, Correction, Drivers, Plan, Rule, Station, Tuning, Uncertainties, Words,
};
use crate::quantity::{Frequency, Length, sides};
use crate::store::{
    Point, ReadingKey, ReadingKind, ReadingRecord, ResultKind, ResultRecord, RunId, RunKind,
    RunRecord, SnapshotKind, Store, StoreError, Trace, Verdict,
};

/// The face of a reference: there is no item to have one.
pub const OPEN: &str = "open";

/// A floor is read from at least so many bins to either side of the test frequency.
const SLICE_BINS: f64 = 32.0;

/// A step reading of the reference is this much lower than its signal.
pub const STEP_DB: f64 = 10.0;
/// Closer to its floor than this, a step reading is moved by the noise and tells nothing of compression.
const STEP_ABOVE_FLOOR_DB: f64 = 20.0;
/// A step that falls by so much more than the source's step is none, dB: the signal held something else, too.
const BURST_DB: f64 = 2.0;
/// The lowest resonances of an item that are looked out for; above them they lie too densely to name one.
const MODES_NAMED: usize = 6;
/// A resonance this near, as a share of the frequency, is near (ORACLES F6).
const MODE_NEAR: f64 = 0.025;

/// Why a result could not be worked out.
#[derive(Debug, thiserror::Error)]
pub enum EvaluateError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// What was kept with the run cannot be read any more.
    #[error("run {run}: the {what} kept with it cannot be used: {cause}")]
    Kept {
        /// Which run.
        run: RunId,
        /// Plan, station.
        what: &'static str,
        /// Why.
        cause: ConfigError,
    },
    /// A part of the run is missing from the store.
    #[error("run {run}: {what} is not in the store; `integrity` of the store will say more")]
    Missing {
        /// Which run.
        run: RunId,
        /// What is missing.
        what: String,
    },
    /// A file of readings taken by hand has faults; all of them.
    #[error("{0}")]
    Readings(crate::config::Faults),
    /// What was asked cannot be answered from what was measured.
    #[error("{what}: {reason}")]
    NotAnswerable {
        /// What was asked.
        what: String,
        /// Why not, and what to do.
        reason: String,
    },
    /// The maths refused a reading.
    #[error("run {run}, {point}: {cause}")]
    Analysis {
        /// Which run.
        run: RunId,
        /// Where.
        point: Box<Point>,
        /// Why.
        cause: AnalysisError,
    },
}

impl EvaluateError {
    fn not_answerable(what: impl ToString, reason: impl ToString) -> Self {
        Self::NotAnswerable {
            what: what.to_string(),
            reason: reason.to_string(),
        }
    }
}

/// Picks the peak of a trace at a test frequency, as every reading is picked; `tolerance` is the station's for
/// frequencies.
pub fn pick(
    trace: &Trace,
    frequency: Frequency,
    resolution_bandwidth: Frequency,
    tolerance: f64,
) -> Result<Picked, AnalysisError> {
    let levels = trace.levels.to_f64();
    let trace = Levels::new(trace.start_hz, trace.stop_hz, &levels)?;
    let tuning = tuning(&trace, resolution_bandwidth.hz(), tolerance);
    trace.pick(window(frequency.hz(), &tuning))
}

/// Whether another signal stands within `half_width` of a frequency, by a trace with the source off that was
/// held over so many sweeps.
pub fn ambient_within(
    trace: &Trace,
    frequency: Frequency,
    half_width: Frequency,
    resolution_bandwidth: Frequency,
    sweeps: u32,
) -> Result<bool, AnalysisError> {
    let levels = trace.levels.to_f64();
    let rbw_hz = resolution_bandwidth.hz();
    let trace = Levels::new(trace.start_hz, trace.stop_hz, &levels)?;
    let window = Window {
        centre_hz: frequency.hz(),
        half_width_hz: half_width.hz(),
    };
    let hold = Hold::over(sweeps);
    let hz = frequency.hz();
    let floor = Floor::of(&trace, window, hz, &hold, rbw_hz, AMBIENT_FALSE_ALARM)?;
    Ok(floor.ambient_db.is_some() || reaches_too_high(trace.levels_dbm(), sweeps))
}

/// Where the peak is looked for.
pub(crate) fn window(centre_hz: f64, tuning: &Tuning) -> Window {
    Window {
        centre_hz,
        half_width_hz: tuning.half_width_hz(centre_hz),
    }
}

/// What decides how wide that is in a trace.
pub(crate) fn tuning(trace: &Levels, rbw_hz: f64, tolerance: f64) -> Tuning {
    Tuning {
        rbw_hz,
        bin_hz: trace.spacing_hz(),
        tolerance,
    }
}

/// The plan and the station of a run, as they were.
///
/// # Errors
/// A run that was read in from a file has neither.
pub async fn kept(store: &Store, run: &RunRecord) -> Result<(Plan, Station), EvaluateError> {
    if run.imported {
        return Err(EvaluateError::not_answerable(
            format_args!("run {}", run.id),
            "its readings were taken by hand and read in from a file: it has neither plan nor station; \
            choose a run that was measured",
        ));
    }
    let text = async |what: &'static str, sha: &str| {
        let snapshot = store.snapshot(sha).await?;
        snapshot.ok_or_else(|| EvaluateError::Missing {
            run: run.id,
            what: format!("the {what} snapshot {sha}"),
        })
    };
    let mut drivers = Vec::new();
    for sha in &run.driver_shas {
        let snapshot = text("driver", sha).await?;
        if snapshot.kind == SnapshotKind::Driver {
            drivers.push((snapshot.name, snapshot.text));
        }
    }
    let unusable = |what, cause| EvaluateError::Kept {
        run: run.id,
        what,
        cause,
    };
    let plan = text("plan", &run.plan_sha).await?;
    let plan =
        Plan::read(&plan.name, &plan.text).map_err(|faults| unusable("plan", faults.into()))?;
    let station = text("station", &run.station_sha).await?;
    let station = Station::read(&station.name, &station.text, Drivers::Kept(&drivers))
        .map_err(|cause| unusable("station", cause))?;
    Ok((plan, station))
}

/// Works out the results of one run of an item.
pub struct Evaluator {
    store: Store,
    run: RunRecord,
    reference: RunId,
    plan: Plan,
    budget: BudgetInput,
    limit: Option<LimitLine>,
    station: Station,
    /// How far the reference had changed when it was looked at again.
    change: Option<ReferenceChange>,
    /// By how much the reference is above its link budget, where that is implausible.
    off_budget_db: Option<f64>,
    distance_m: f64,
    /// The preamplifier's gain, where the receiver's levels contain it.
    preamplifier: Option<Correction>,
    /// The item's sides, where its size is written so that they can be read.
    sides: Vec<Length>,
    modes_hz: Vec<f64>,
    /// Whether run and reference were measured with different instruments.
    other_instruments: bool,
}

impl Evaluator {
    /// For a run of an item, with what was kept of its plan and station.
    pub async fn of(store: &Store, run: &RunRecord) -> Result<Self, EvaluateError> {
        let (plan, station) = kept(store, run).await?;
        let missing = |what: &str| EvaluateError::Missing {
            run: run.id,
            what: what.to_owned(),
        };
        if run.kind != RunKind::Item {
            return Err(missing("an item (a reference has no results)"));
        }
        let reference = run.reference_run.ok_or_else(|| missing("its reference"))?;
        let other_instruments = settings::other_instruments(run, &store.run(reference).await?);
        let points: Vec<_> = plan.limit.iter().map(|(f, se)| (f.hz(), se.db())).collect();
        let limit = match points.is_empty() {
            true => None,
            // The plan's own check has seen to it that the line rises.
            false => LimitLine::new(points).ok(),
        };
        let item = match &run.item {
            Some(serial) => store.item(serial).await?,
            None => None,
        };
        let sides = item
            .and_then(|item| sides(item.size.as_deref()?))
            .unwrap_or_default();
        let change = match run.reference_after {
            Some(after) => Some(ReferenceChange::between(store, reference, after).await?),
            None => None,
        };
        Ok(Self {
            change,
            off_budget_db: off_budget_db(&station, &store.readings(reference).await?),
            modes_hz: lowest_modes_hz(&sides, &plan),
            sides,
            distance_m: station.distance.m(),
            preamplifier: shown_gain(&station),
            store: store.clone(),
            run: run.clone(),
            reference,
            budget: budget_input(&station.uncertainty),
            limit,
            plan,
            other_instruments,
            station,
        })
    }

    /// The required SE at a frequency, dB.
    pub fn limit_db(&self, frequency_hz: f64) -> Option<f64> {
        self.limit
            .as_ref()
            .and_then(|line| line.at_db(frequency_hz))
    }

    /// The verdict over results of this run.
    pub fn verdict(&self, results: &[ResultRecord]) -> Option<Verdict> {
        verdict(&self.plan, results)
    }

    /// The run of the reference.
    pub fn reference(&self) -> RunId {
        self.reference
    }

    /// Works out one point from its four traces and keeps the result.
    pub async fn point(&self, point: &Point) -> Result<ResultRecord, EvaluateError> {
        let result = self.judge(point, None).await?;
        self.store
            .put_results(self.run.id, std::slice::from_ref(&result))
            .await?;
        Ok(result)
    }

    /// Works out every point that has both its readings, and keeps the results.
    ///
    /// Where there are repeats, their scatter takes the place of the station's figure, so results may
    /// differ from those given while the run was going on.
    pub async fn run(&self) -> Result<Vec<ResultRecord>, EvaluateError> {
        let results = self.compute().await?;
        self.store.put_results(self.run.id, &results).await?;
        Ok(results)
    }

    /// As [`Self::run`], and keeps nothing.
    pub async fn compute(&self) -> Result<Vec<ResultRecord>, EvaluateError> {
        let points = self.complete_points().await?;
        let mut results = Vec::with_capacity(points.len());
        for point in &points {
            results.push(self.judge(point, None).await?);
        }
        if let Some(scatter) = scatter(&results, self.budget.repeatability_db.value) {
            for (result, point) in results.iter_mut().zip(&points) {
                *result = self.judge(point, Some(scatter)).await?;
            }
        }
        Ok(results)
    }

    async fn complete_points(&self) -> Result<Vec<Point>, EvaluateError> {
        let keys = self.store.reading_keys(self.run.id).await?;
        let has = |kind, point: &Point| {
            keys.iter()
                .any(|key| key.kind == kind && key.point == *point)
        };
        Ok(keys
            .iter()
            .filter(|key| key.kind == ReadingKind::Signal && has(ReadingKind::Floor, &key.point))
            .map(|key| key.point.clone())
            .collect())
    }

    async fn judge(
        &self,
        point: &Point,
        repeats: Option<Scatter>,
    ) -> Result<ResultRecord, EvaluateError> {
        let open = Point {
            face: OPEN.to_owned(),
            repeat: 1,
            ..point.clone()
        };
        let reference = pair(&self.store, self.reference, ReadingKind::Signal, &open).await?;
        let item = pair(&self.store, self.run.id, ReadingKind::Signal, point).await?;
        let step = self
            .reading(self.reference, ReadingKind::Step, &open)
            .await?;
        let compressed = match &step {
            Some(step) => self.compressed(&reference, step, &open).await?,
            None => Vec::new(),
        };
        let after = match self.run.reference_after {
            Some(after) => self.reading(after, ReadingKind::Signal, &open).await?,
            None => None,
        };
        let mut flags = self.observed(&reference, &item, compressed);
        let analysis_failed = |cause| EvaluateError::Analysis {
            run: self.run.id,
            point: Box::new(point.clone()),
            cause,
        };
        let off = self.off_frequency(&reference, &item);
        flags.extend(off.map_err(analysis_failed)?);
        let sent = [Some(&reference.signal), Some(&item.signal)];
        let sent: Vec<_> = sent
            .into_iter()
            .chain([step.as_ref(), after.as_ref()])
            .flatten()
            .collect();
        flags.extend(carrier_flags(&sent));
        let tolerance = self.plan.forward_power_tolerance;
        flags.extend(forward_flags(&reference.signal, &sent, tolerance));
        flags.extend(
            self.closure_flags(point, &open, [&reference, &item])
                .await?,
        );
        let seen = Seen {
            repeats,
            drift_db: self
                .change
                .as_ref()
                .and_then(|change| change.at(&open, self.budget.source_drift_db.value)),
            flags,
        };
        let judged = self
            .judge_pairs(point, &reference, &item, &seen)
            .map_err(analysis_failed)?;
        Ok(record(point, item.measured_hz(), judged))
    }

    async fn reading(
        &self,
        run: RunId,
        kind: ReadingKind,
        point: &Point,
    ) -> Result<Option<ReadingRecord>, StoreError> {
        let key = ReadingKey {
            kind,
            point: point.clone(),
        };
        let found = self.store.reading_with_trace(run, &key).await?;
        Ok(found.map(|(reading, _)| reading))
    }

    /// What compresses in the reference, and who.
    async fn compressed(
        &self,
        reference: &Pair,
        step: &ReadingRecord,
        open: &Point,
    ) -> Result<Vec<Flag>, StoreError> {
        let by = |pad| compression(&reference.signal, &reference.floor, step, pad);
        match by(None) {
            none if none.is_empty() => Ok(none),
            _ => {
                let pad = self.reading(self.reference, ReadingKind::Pad, open).await?;
                Ok(by(pad.as_ref().filter(|pad| !is_lost(pad))))
            }
        }
    }

    /// What can be seen of the set-up and of the readings' own records.
    fn observed(&self, reference: &Pair, item: &Pair, compressed: Vec<Flag>) -> Vec<Flag> {
        let mut flags = compressed;
        let asked_hz = item.signal.key.point.frequency_hz;
        let settings = self.plan.settings_at(Frequency::from_hz(asked_hz));
        let moved_hz = item.measured_hz() - asked_hz;
        if moved_hz != 0.0 {
            flags.push(Flag::new(FlagWord::Moved, moved_hz / 1e3));
        }
        let held_back_db = settings.source_level.dbm() - item.source_level_dbm();
        if held_back_db > 0.0 {
            flags.push(Flag::new(FlagWord::LevelClamped, held_back_db));
        }
        let age = item.signal.taken.duration_since(reference.signal.taken);
        // A negative age says that the clock was put back in between, so that nobody knows how old it is.
        if !(0.0..=self.plan.reference_max_age.s()).contains(&age.as_secs_f64()) {
            let hours = age.as_secs_f64() / 3600.0;
            flags.push(Flag::new(FlagWord::StaleReference, hours));
        }
        flags.extend(settings::receiver_flags(&[
            &reference.floor,
            &reference.signal,
            &item.floor,
            &item.signal,
        ]));
        if self.other_instruments {
            flags.push(Flag::bare(FlagWord::OtherInstrument));
        }
        flags.extend(self.of_reference(reference, item));
        flags.extend(noise::implausible(&reference.floor, &reference.signal));
        flags.extend(noise::implausible(&item.floor, &item.signal));
        flags.extend(noise::below_its_floor(
            &item.floor_levels,
            &item.signal_levels,
        ));
        flags.extend(item.harmonic(self.station.frequency_tolerance));
        flags.extend(self.set_up_flags(item.measured_hz()));
        flags
    }

    /// What makes the reference, or a level, unfit to be believed.
    fn of_reference(&self, reference: &Pair, item: &Pair) -> Vec<Flag> {
        let off = self.off_budget_db;
        let high =
            [&reference.signal, &item.signal].map(|it| reference::too_high(&self.station, it));
        let highest = high.into_iter().flatten().max_by(|a, b| {
            let [a, b] = [a, b].map(|flag| flag.figure.unwrap_or_default());
            a.total_cmp(&b)
        });
        self.change
            .as_ref()
            .and_then(ReferenceChange::flag)
            .into_iter()
            .chain(off.map(|db| Flag::new(FlagWord::ReferenceImplausible, db)))
            .chain(highest)
            .chain(reference::transient(&reference.signal))
            .collect()
    }

    fn set_up_flags(&self, frequency_hz: f64) -> Vec<Flag> {
        let mut flags = Vec::new();
        let frequency = Frequency::from_hz(frequency_hz);
        let reach_m = frequency.wavelength_m() / (2.0 * PI);
        if self.distance_m < reach_m {
            flags.push(Flag::new(FlagWord::NearField, reach_m));
        }
        let largest_m = self.sides.iter().map(|side| side.m()).fold(0.0, f64::max);
        if largest_m > 0.0 && largest_m < reach_m {
            flags.push(Flag::new(FlagWord::SmallItem, largest_m));
        }
        let nearest = self
            .modes_hz
            .iter()
            .map(|mode_hz| (mode_hz / frequency_hz - 1.0).abs())
            .fold(f64::INFINITY, f64::min);
        if nearest < MODE_NEAR {
            flags.push(Flag::new(FlagWord::CavityResonance, 100.0 * nearest));
        }
        flags
    }

    /// What a preamplifier added to a reading as it was shown.
    fn preamplifier_db(&self, pair: &Pair) -> f64 {
        match &self.preamplifier {
            Some(gain) if pair.preamplified() => {
                let at = Frequency::from_hz(pair.measured_hz());
                gain.at(at).map_or(0.0, |gain| gain.db())
            }
            _ => 0.0,
        }
    }

    fn judge_pairs(
        &self,
        point: &Point,
        reference: &Pair,
        item: &Pair,
        seen: &Seen,
    ) -> Result<PointResult, AnalysisError> {
        let frequency = Frequency::from_hz(point.frequency_hz);
        let span_hz = self.plan.settings_at(frequency).span.hz();
        let tolerance = self.station.frequency_tolerance;
        judge_point(&PointInput {
            reference: reference.input(span_hz, tolerance)?,
            item: item.input(span_hz, tolerance)?,
            setting_difference_db: sent_more_db(&item.signal, &reference.signal)
                + self.preamplifier_db(item)
                - self.preamplifier_db(reference),
            station: &self.budget,
            scatter: PointScatter {
                repeats: seen.repeats,
                drift_db: seen.drift_db,
                settings_differ: item.attenuation_db() != reference.attenuation_db()
                    || item.preamplified() != reference.preamplified(),
            },
            limit_db: self.limit_db(point.frequency_hz),
            rule: decision(&self.plan),
            false_alarm: self.plan.false_alarm,
            observed: &seen.flags,
        })
    }
}

/// The verdict over all points of a run: the worst of them decides, or the worst of their averages where the
/// plan asks for those.
pub fn verdict(plan: &Plan, results: &[ResultRecord]) -> Option<Verdict> {
    match plan.combine {
        Combine::Worst => of_run(results.iter().map(|result| result.verdict)),
        Combine::Average => of_run(
            averages(plan, results)
                .iter()
                .map(|(_, average)| average.judgement.verdict),
        ),
    }
}

/// At each frequency (Hz, ascending) the mean over faces, polarisations and repeats.
pub fn averages(plan: &Plan, results: &[ResultRecord]) -> Vec<(f64, Average)> {
    let mut at: BTreeMap<u64, Vec<(&ResultRecord, Option<Budget>)>> = BTreeMap::new();
    for result in results {
        let budget = serde_json::from_value(result.detail["budget"].clone()).ok();
        let bits = result.point.frequency_hz.to_bits();
        at.entry(bits).or_default().push((result, budget));
    }
    at.into_iter()
        .filter_map(|(bits, results)| {
            let parts: Vec<_> = results
                .iter()
                .map(|(result, budget)| Part {
                    kind: result.kind,
                    se_db: result.se_db,
                    budget: budget.as_ref(),
                })
                .collect();
            let limit_db = results.iter().find_map(|(result, _)| result.limit_db);
            let mut average = average(&parts, limit_db, decision(plan))?;
            // What withholds the verdict of one point withholds that of the mean it goes into.
            if results.iter().any(|(result, _)| is_withheld(result)) {
                average.judgement = Judgement {
                    verdict: limit_db.map(|_| Verdict::Undecided),
                    conformity: None,
                    ..average.judgement
                };
            }
            Some((f64::from_bits(bits), average))
        })
        .collect()
}

fn is_withheld(result: &ResultRecord) -> bool {
    let words = FlagWord::ALL.iter();
    words
        .filter(|word| word.effect() >= Effect::WithholdsVerdict)
        .any(|word| result.flags.iter().any(|flag| flag == word.as_str()))
}

fn decision(plan: &Plan) -> DecisionRule {
    match plan.rule {
        Rule::Simple => DecisionRule::Simple,
        Rule::Guarded => DecisionRule::Guarded,
    }
}

/// What is known of a point besides its four traces.
struct Seen {
    repeats: Option<Scatter>,
    drift_db: Option<f64>,
    flags: Vec<Flag>,
}

/// A step of the source must read as that step, unless something between source and receiver compresses;
/// a step of the receiver's attenuation tells whether it is the receiver. By signal and floor of a reference
/// and its readings of kind `step` and `pad`.
pub fn compression(
    signal: &ReadingRecord,
    floor: &ReadingRecord,
    step: &ReadingRecord,
    pad: Option<&ReadingRecord>,
) -> Vec<Flag> {
    let sent_db = sent_dbm(signal) - sent_dbm(step);
    let above_floor_db = step.peak_dbm - floor.peak_dbm;
    // What was held there is not known, so nobody compresses ([`reference::transient`]).
    if reference::transient(signal).is_some() {
        return Vec::new();
    }
    let fell_by_more_db = signal.peak_dbm - step.peak_dbm - sent_db;
    let is_a_setting = signal.settings["holds_agree"] == true;
    if fell_by_more_db > BURST_DB && !is_a_setting {
        return vec![Flag::new(FlagWord::TransientInHold, fell_by_more_db)];
    }
    // A level that was held back may not have been stepped at all.
    match sent_db > 0.0 && above_floor_db > STEP_ABOVE_FLOOR_DB {
        true => Flag::compression(
            sent_db,
            signal.peak_dbm - step.peak_dbm,
            pad.map(|pad| pad.peak_dbm - signal.peak_dbm),
        ),
        false => Vec::new(),
    }
}

/// Where a reading was really taken, Hz: at its point's frequency, unless another signal stood there.
pub fn measured_hz(reading: &ReadingRecord) -> f64 {
    reading.settings["measured_hz"]
        .as_f64()
        .unwrap_or(reading.key.point.frequency_hz)
}

/// The preamplifier's gain where the receiver does not take it off its levels itself.
fn shown_gain(station: &Station) -> Option<Correction> {
    let Words::Receiver(words) = &station.receiver.driver.words else {
        return None;
    };
    let compensated = words.preamplifier.as_ref()?.compensated;
    let preamplifier = station.preamplifier.as_ref()?;
    (!compensated).then(|| preamplifier.gain.clone())
}

/// The lowest resonances of a box of these sides, up to a little above the plan's frequencies.
fn lowest_modes_hz(sides: &[Length], plan: &Plan) -> Vec<f64> {
    let (&[a, b, c], Some(last)) = (sides, plan.frequencies.last()) else {
        return Vec::new();
    };
    let up_to = Frequency::from_hz(last.hz() * (1.0 + MODE_NEAR));
    // An item too large for single resonances to mean anything has none to be named.
    match modes(BoxSize { a, b, c }, Loading::empty(1000.0), up_to) {
        Ok(found) => found
            .modes
            .iter()
            .take(MODES_NAMED)
            .map(|mode| mode.frequency_hz)
            .collect(),
        Err(_) => Vec::new(),
    }
}

/// What the source sent for a reading, dBm.
pub fn source_level_dbm(reading: &ReadingRecord) -> f64 {
    reading.settings["source_level_dbm"]
        .as_f64()
        .unwrap_or_default()
}

/// Floor and signal of one point.
struct Pair {
    floor: ReadingRecord,
    signal: ReadingRecord,
    floor_trace: Trace,
    signal_trace: Trace,
    floor_levels: Vec<f64>,
    signal_levels: Vec<f64>,
}

/// The floor of a point, and its signal or another `kind` of reading with a carrier.
async fn pair(
    store: &Store,
    run: RunId,
    kind: ReadingKind,
    point: &Point,
) -> Result<Pair, EvaluateError> {
    let read = async |kind| {
        let key = ReadingKey {
            kind,
            point: point.clone(),
        };
        let found = store.reading_with_trace(run, &key).await?;
        found.ok_or_else(|| EvaluateError::Missing {
            run,
            what: key.to_string(),
        })
    };
    let (floor, floor_trace) = read(ReadingKind::Floor).await?;
    let (signal, signal_trace) = read(kind).await?;
    Ok(Pair {
        signal_levels: signal_trace.trace.levels.to_f64(),
        floor_levels: floor_trace.trace.levels.to_f64(),
        signal_trace: signal_trace.trace,
        floor_trace: floor_trace.trace,
        floor,
        signal,
    })
}

impl Pair {
    /// Every reading is kept with its bandwidth; one that is not could only be picked at its centre.
    fn resolution_hz(&self) -> f64 {
        self.signal.settings["resolution_bandwidth_hz"]
            .as_f64()
            .unwrap_or_default()
    }

    fn source_level_dbm(&self) -> f64 {
        source_level_dbm(&self.signal)
    }

    /// As the receiver was told; none when it chose itself.
    fn attenuation_db(&self) -> Option<f64> {
        self.signal.settings["attenuation_db"].as_f64()
    }

    fn measured_hz(&self) -> f64 {
        measured_hz(&self.signal)
    }

    /// What was held together with it in one closing.
    fn carriers_hz(&self) -> Option<Vec<f64>> {
        self.signal.settings["closing_frequencies_hz"]
            .as_array()
            .map(|all| all.iter().filter_map(serde_json::Value::as_f64).collect())
    }

    /// Everything that was: its carriers, and the first of them once more.
    fn sent_hz(&self) -> Option<Vec<f64>> {
        let again_hz = self.signal.settings["sent_again"]["again_hz"].as_f64();
        let carriers_hz = self.carriers_hz()?;
        Some(carriers_hz.into_iter().chain(again_hz).collect())
    }

    /// A harmonic of another carrier of the same closing, by the strongest of those that have one here.
    fn harmonic(&self, tolerance: f64) -> Option<Flag> {
        let carriers_hz = self.carriers_hz()?;
        let trace = &self.signal_trace;
        let rbw_hz = self.resolution_hz();
        let levels = Levels::new(trace.start_hz, trace.stop_hz, &self.signal_levels).ok()?;
        let tuning = tuning(&levels, rbw_hz, tolerance);
        harmonics_at(self.measured_hz(), &carriers_hz, &tuning)
            .filter_map(|carrier_hz| levels.pick(window(carrier_hz, &tuning)).ok())
            .map(|carrier| self.signal.peak_dbm - carrier.level_dbm)
            .reduce(f64::min)
            .map(|above_db| Flag::new(FlagWord::Harmonic, above_db))
    }

    fn traces(&self) -> Result<(Levels<'_>, Levels<'_>), AnalysisError> {
        let (signal, floor) = (&self.signal_trace, &self.floor_trace);
        Ok((
            Levels::new(signal.start_hz, signal.stop_hz, &self.signal_levels)?,
            Levels::new(floor.start_hz, floor.stop_hz, &self.floor_levels)?,
        ))
    }

    fn preamplified(&self) -> bool {
        self.signal.settings["preamplifier"] == true
    }

    /// By the settings it was read with, which need not be those of another reading; `span_hz` is the part
    /// of a trace that belongs to the test frequency: all of it, but for the wide one of a sealed receiver.
    fn input(&self, span_hz: f64, tolerance: f64) -> Result<ReadingInput<'_>, AnalysisError> {
        let frequency_hz = self.measured_hz();
        let resolution_hz = self.resolution_hz();
        let (signal, floor) = self.traces()?;
        let tuning = tuning(&signal, resolution_hz, tolerance);
        let room_hz = (0.5 * span_hz).max(0.5 * tuning.span_needed_hz(frequency_hz));
        let near = Window {
            centre_hz: frequency_hz,
            half_width_hz: room_hz.max(SLICE_BINS * floor.spacing_hz()),
        };
        let held = &self.signal.settings;
        let raised_db = match &self.sent_hz() {
            Some(carriers) => between_db(&signal, &floor, near, carriers, resolution_hz)?,
            None => 0.0,
        };
        let with_carrier = held["sweeps_with_carrier"]
            .as_u64()
            .and_then(|sweeps| u32::try_from(sweeps).ok());
        let overload = |reading: &ReadingRecord| {
            reading
                .flags
                .iter()
                .any(|flag| flag == FlagWord::Overload.as_str())
        };
        Ok(ReadingInput {
            window: window(frequency_hz, &tuning),
            signal: signal.slice(near)?,
            floor: floor.slice(near)?,
            rbw_hz: resolution_hz,
            hold: Hold {
                // The noise is read from the floor's trace, held over its own number of sweeps.
                sweeps: self.floor.sweeps,
                with_carrier: with_carrier.unwrap_or(self.floor.sweeps),
                smoothed: noise::is_smoothed(&self.floor) || noise::is_smoothed(&self.signal),
                raised_db,
            },
            overload: overload(&self.signal) || overload(&self.floor),
        })
    }
}

/// The pooled scatter of what was measured more than once; `expected_db` is what the station expects of it.
fn scatter(results: &[ResultRecord], expected_db: f64) -> Option<Scatter> {
    let mut groups: BTreeMap<(u64, &str, &str), Repeats> = BTreeMap::new();
    for result in results {
        if let (ResultKind::Measured, Some(se_db)) = (result.kind, result.se_db) {
            let point = &result.point;
            let place = (
                point.frequency_hz.to_bits(),
                point.face.as_str(),
                point.polarisation.as_str(),
            );
            groups
                .entry(place)
                .or_default()
                .add(se_db, noise_db(result));
        }
    }
    let groups: Vec<_> = groups.into_values().collect();
    Scatter::pooled(&groups, expected_db)
}

/// What noise alone scatters a result by that is measured again against the same reference, dB.
fn noise_db(result: &ResultRecord) -> f64 {
    let budget: Option<Budget> = serde_json::from_value(result.detail["budget"].clone()).ok();
    let rows = budget.map(|budget| budget.components).unwrap_or_default();
    rows.iter()
        .find(|row| row.cause == Cause::ItemNoise)
        .map_or(0.0, |row| row.u_db)
}

fn record(point: &Point, measured_hz: f64, judged: PointResult) -> ResultRecord {
    ResultRecord {
        point: point.clone(),
        analysis: ANALYSIS_VERSION,
        kind: judged.kind,
        se_db: judged.se_db,
        u_db: judged.u_db,
        k: judged.budget.as_ref().map(|budget| budget.k),
        limit_db: judged.limit_db,
        margin_db: judged.margin_db,
        verdict: judged.verdict,
        conformity: judged.conformity,
        reference_dbm: Some(judged.reference_dbm),
        level_dbm: Some(judged.level_dbm),
        floor_dbm: Some(judged.floor_dbm),
        flags: judged
            .flags
            .iter()
            .map(|flag| flag.word.as_str().to_owned())
            .collect(),
        made: Timestamp::now(),
        detail: json!({
            "measured_hz": measured_hz,
            "noise_correction_db": judged.noise_correction_db,
            "dynamic_range_db": judged.dynamic_range_db,
            "flags": judged.flags,
            "budget": judged.budget,
        }),
    }
}

/// What a station knows of its uncertainty, as the budget takes it.
pub fn budget_input(known: &Uncertainties) -> BudgetInput {
    let mut input = BudgetInput::default();
    let take = |place: &mut Given, value: Option<f64>| {
        if let Some(value) = value {
            *place = Given::station(value);
        }
    };
    let db = |ratio: Option<crate::quantity::Ratio>| ratio.map(crate::quantity::Ratio::db);
    // Reflection coefficient of a standing wave ratio: (s − 1)/(s + 1), transmission-line theory.
    let reflection = |vswr: Option<f64>| vswr.map(|s| (s - 1.0) / (s + 1.0));
    take(
        &mut input.receiver_linearity_db,
        db(known.receiver_linearity),
    );
    take(&mut input.attenuator_step_db, db(known.attenuator_step));
    take(
        &mut input.antenna_reflection,
        reflection(known.antenna_vswr),
    );
    take(
        &mut input.receiver_reflection,
        reflection(known.receiver_vswr),
    );
    take(&mut input.source_drift_db, db(known.source_drift));
    take(&mut input.position_db, db(known.position));
    take(&mut input.repeatability_db, db(known.repeatability));
    input
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::noise::held_quantile_db;
    use crate::store::{Instruments, Item, Levels as StoredLevels, NewReading, NewRun};

    const HZ: f64 = 250e6;

    /// A trace of held noise 30 dB below -80 dBm, with peaks (Hz beside the middle, dBm).
    fn trace(span_hz: f64, peaks: &[(f64, f64)]) -> Trace {
        let mut levels: Vec<f64> = (0..201)
            .map(|i| (f64::from(i * 89 % 201) + 0.5) / 201.0)
            .map(|p| -120.0 + held_quantile_db(10.0, p))
            .collect();
        for (offset_hz, dbm) in peaks {
            levels[(100.0 + offset_hz / span_hz * 200.0).round() as usize] = *dbm;
        }
        Trace {
            start_hz: HZ - span_hz / 2.0,
            stop_hz: HZ + span_hz / 2.0,
            unit: "dBm".to_owned(),
            levels: StoredLevels::F64(levels),
        }
    }

    struct Settings {
        source_dbm: f64,
        rbw_hz: f64,
        attenuation_db: f64,
    }

    async fn run_of(
        store: &Store,
        item: Option<&str>,
        reference: Option<RunId>,
        receiver: Option<&str>,
    ) -> RunId {
        let keep = async |kind, name: &str, text: &str| {
            store.put_snapshot(kind, name, text).await.expect("kept")
        };
        let driver = |name: &str| std::fs::read_to_string(format!("drivers/{name}.toml"));
        let mut driver_shas = Vec::new();
        for name in ["source-scpi", "analyzer-scpi"] {
            let text = driver(name).expect("built in");
            driver_shas.push(keep(SnapshotKind::Driver, name, &text).await);
        }
        let (plan, station) = (
            include_str!("../config/plan.toml"),
            include_str!("../config/station.toml"),
        );
        let kind = item.map_or(RunKind::Reference, |_| RunKind::Item);
        let run = NewRun {
            kind,
            item: item.map(str::to_owned),
            model: None,
            lot: None,
            plan_sha: keep(SnapshotKind::Plan, "plan.toml", plan).await,
            station_sha: keep(SnapshotKind::Station, "station.toml", station).await,
            driver_shas,
            reference_run: reference,
            signature: "s".to_owned(),
            operator: None,
            started: Timestamp::UNIX_EPOCH,
            note: None,
            program_version: "test".to_owned(),
            instruments: receiver.map(|receiver| Instruments {
                source: None,
                receiver: Some(receiver.to_owned()),
                power_monitor: None,
            }),
        };
        store.begin_run(&run).await.expect("begun")
    }

    async fn pair(
        store: &Store,
        run: RunId,
        face: &str,
        settings: &Settings,
        floor: &[(f64, f64)],
        signal: &[(f64, f64)],
    ) -> Point {
        let point = Point {
            frequency_hz: HZ,
            face: face.to_owned(),
            polarisation: "vertical".to_owned(),
            repeat: 1,
        };
        for (kind, peaks) in [(ReadingKind::Floor, floor), (ReadingKind::Signal, signal)] {
            let reading = NewReading {
                key: ReadingKey {
                    kind,
                    point: point.clone(),
                },
                attempt: 1,
                taken: Timestamp::UNIX_EPOCH,
                sweeps: 10,
                peak_dbm: -1.0,
                peak_hz: HZ,
                flags: Vec::new(),
                settings: json!({
                    "source_level_dbm": settings.source_dbm,
                    "resolution_bandwidth_hz": settings.rbw_hz,
                    "attenuation_db": settings.attenuation_db,
                }),
                trace: trace(20.0 * settings.rbw_hz, peaks),
            };
            store
                .append_reading(run, &reading, None)
                .await
                .expect("appended");
        }
        point
    }

    #[test]
    fn a_mean_passes_over_no_point_that_is_withheld() {
        let text = include_str!("../config/plan.toml");
        let plan = Plan::read("plan.toml", text).expect("plan");
        let part = |se_db: f64, flags: &[FlagWord]| ResultRecord {
            point: Point {
                frequency_hz: HZ,
                face: "front".to_owned(),
                polarisation: "vertical".to_owned(),
                repeat: 1,
            },
            analysis: ANALYSIS_VERSION,
            kind: ResultKind::Measured,
            se_db: Some(se_db),
            u_db: Some(1.0),
            k: Some(2.0),
            limit_db: Some(30.0),
            margin_db: Some(se_db - 30.0),
            verdict: Some(Verdict::Pass),
            conformity: None,
            reference_dbm: None,
            level_dbm: None,
            floor_dbm: None,
            flags: flags.iter().map(FlagWord::to_string).collect(),
            made: Timestamp::UNIX_EPOCH,
            detail: json!({ "budget": Budget::of(Vec::new()) }),
        };
        let verdict_of = |flags: &[FlagWord]| {
            let means = averages(&plan, &[part(60.0, &[]), part(60.0, flags)]);
            means[0].1.judgement.verdict
        };
        assert_eq!(verdict_of(&[FlagWord::NearField]), Some(Verdict::Pass));
        assert_eq!(
            verdict_of(&[FlagWord::ClosedLate]),
            Some(Verdict::Undecided)
        );
        assert_eq!(
            verdict_of(&[FlagWord::CarrierLost]),
            Some(Verdict::Undecided)
        );
    }

    #[tokio::test]
    async fn each_reading_is_judged_by_its_own_settings() {
        let folder = tempfile::tempdir().expect("folder");
        let store = Store::open(&folder.path().join("s.db"))
            .await
            .expect("store");
        let item = Item {
            serial: "P-1".to_owned(),
            model: None,
            lot: None,
            size: None,
            construction: None,
            note: None,
            first_seen: Timestamp::UNIX_EPOCH,
        };
        store.put_item(&item).await.expect("item");
        let wide = Settings {
            source_dbm: -10.0,
            rbw_hz: 1e3,
            attenuation_db: 20.0,
        };
        let reference = run_of(&store, None, None, Some("Nobody,SA-1,0042,1.0")).await;
        pair(&store, reference, OPEN, &wide, &[], &[(0.0, -20.0)]).await;
        // The item is read ten times narrower, six decibels louder, with less attenuation; a station 500 Hz
        // beside would lie in the window of the plan's own bandwidth.
        let narrow = Settings {
            source_dbm: -4.0,
            rbw_hz: 100.0,
            attenuation_db: 0.0,
        };
        let run = run_of(
            &store,
            Some("P-1"),
            Some(reference),
            Some("Nobody,SA-1,0042,2.0"),
        )
        .await;
        let station = (500.0, -60.0);
        let signal = [(0.0, -80.0), station];
        let point = pair(&store, run, "front", &narrow, &[station], &signal).await;
        let evaluator = Evaluator::of(&store, &store.run(run).await.expect("run"))
            .await
            .expect("evaluator");
        let result = evaluator.point(&point).await.expect("a result");
        // -20 dBm would have been -14 dBm at the item's source level: 66 dB to -80 dBm; the held noise
        // lifts the weaker reading a little.
        let se_db = result.se_db.expect("measured");
        assert!((66.0..66.8).contains(&se_db), "{se_db}");
        assert!(
            !result.flags.contains(&"ambient".to_owned()),
            "{:?}",
            result.flags
        );
        let rows = result.detail["budget"]["components"].to_string();
        let step = serde_json::to_string(&Cause::AttenuatorStep).expect("a word");
        assert!(rows.contains(&step), "{rows}");
        // The same readings by another receiver than the reference's state nothing.
        let other = Some("Nobody,SA-1,0043,1.0");
        let run = run_of(&store, Some("P-1"), Some(reference), other).await;
        let point = pair(&store, run, "front", &narrow, &[station], &signal).await;
        let evaluator = Evaluator::of(&store, &store.run(run).await.expect("run"))
            .await
            .expect("evaluator");
        let result = evaluator.point(&point).await.expect("a result");
        assert_eq!(result.kind, ResultKind::None);
        assert!(
            result.flags.contains(&"other_instrument".to_owned()),
            "{:?}",
            result.flags
        );
    }
}
