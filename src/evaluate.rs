//! From committed readings to results: reads the store, asks `analysis`, writes results back.
//!
//! Used after every reading and by whoever computes a run anew, so that both give the same numbers. It
//! knows a run only from the store: the plan and the station are read from the snapshots kept with it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde_json::json;

use crate::analysis::budget::{BudgetInput, Given, PointScatter, Scatter};
use crate::analysis::closing::{between_db, window_half_hz};
use crate::analysis::flag::{Flag, FlagWord};
use crate::analysis::floor::Hold;
use crate::analysis::limit::LimitLine;
use crate::analysis::point::{PointInput, PointResult, ReadingInput, judge_point};
use crate::analysis::trace::{Picked, Trace as Levels, Window};
use crate::analysis::verdict::{DecisionRule, of_run};
use crate::analysis::{ANALYSIS_VERSION, AnalysisError};
use crate::config::{ConfigError, Drivers, Plan, Rule, Station, Uncertainties};
use crate::quantity::Frequency;
use crate::store::{
    Point, ReadingKey, ReadingKind, ReadingRecord, ResultKind, ResultRecord, RunId, RunKind,
    RunRecord, SnapshotKind, Store, StoreError, Trace, Verdict,
};

/// The face of a reference: there is no item to have one.
pub const OPEN: &str = "open";

/// A floor is read from at least so many bins to either side of the test frequency.
const SLICE_BINS: f64 = 32.0;

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
    /// The maths refused a reading.
    #[error("run {run}, {point}: {cause}")]
    Analysis {
        /// Which run.
        run: RunId,
        /// Where.
        point: Point,
        /// Why.
        cause: AnalysisError,
    },
}

/// Picks the peak of a trace at a test frequency, as every reading is picked.
pub fn pick(
    trace: &Trace,
    frequency: Frequency,
    resolution_bandwidth: Frequency,
) -> Result<Picked, AnalysisError> {
    let levels = trace.levels.to_f64();
    let trace = Levels::new(trace.start_hz, trace.stop_hz, &levels)?;
    trace.pick(window(&trace, frequency.hz(), resolution_bandwidth.hz()))
}

fn window(trace: &Levels, centre_hz: f64, resolution_bandwidth_hz: f64) -> Window {
    Window {
        centre_hz,
        half_width_hz: window_half_hz(resolution_bandwidth_hz, trace.spacing_hz()),
    }
}

/// The plan and the station of a run, as they were.
pub async fn kept(store: &Store, run: &RunRecord) -> Result<(Plan, Station), EvaluateError> {
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
        let points: Vec<_> = plan.limit.iter().map(|(f, se)| (f.hz(), se.db())).collect();
        let limit = match points.is_empty() {
            true => None,
            // The plan's own check has seen to it that the line rises.
            false => LimitLine::new(points).ok(),
        };
        Ok(Self {
            store: store.clone(),
            run: run.clone(),
            reference,
            budget: budget_input(&station.uncertainty),
            limit,
            plan,
        })
    }

    /// The required SE at a frequency, dB.
    pub fn limit_db(&self, frequency_hz: f64) -> Option<f64> {
        self.limit
            .as_ref()
            .and_then(|line| line.at_db(frequency_hz))
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
        let points = self.complete_points().await?;
        let mut results = Vec::with_capacity(points.len());
        for point in &points {
            results.push(self.judge(point, None).await?);
        }
        if let Some(scatter) = scatter(&results) {
            for (result, point) in results.iter_mut().zip(&points) {
                *result = self.judge(point, Some(scatter)).await?;
            }
        }
        self.store.put_results(self.run.id, &results).await?;
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
        let reference = self.pair(self.reference, &open).await?;
        let item = self.pair(self.run.id, point).await?;
        let judged = self
            .judge_pairs(point, &reference, &item, repeats)
            .map_err(|cause| EvaluateError::Analysis {
                run: self.run.id,
                point: point.clone(),
                cause,
            })?;
        Ok(record(point, judged))
    }

    async fn pair(&self, run: RunId, point: &Point) -> Result<Pair, EvaluateError> {
        let read = async |kind| {
            let key = ReadingKey {
                kind,
                point: point.clone(),
            };
            let found = self.store.reading_with_trace(run, &key).await?;
            found.ok_or_else(|| EvaluateError::Missing {
                run,
                what: key.to_string(),
            })
        };
        let (floor, floor_trace) = read(ReadingKind::Floor).await?;
        let (signal, signal_trace) = read(ReadingKind::Signal).await?;
        Ok(Pair {
            signal_levels: signal_trace.trace.levels.to_f64(),
            floor_levels: floor_trace.trace.levels.to_f64(),
            signal_trace: signal_trace.trace,
            floor_trace: floor_trace.trace,
            floor,
            signal,
        })
    }

    fn judge_pairs(
        &self,
        point: &Point,
        reference: &Pair,
        item: &Pair,
        repeats: Option<Scatter>,
    ) -> Result<PointResult, AnalysisError> {
        let settings = &self.plan.settings;
        let resolution_hz = settings.resolution_bandwidth.hz();
        let at = At {
            frequency_hz: point.frequency_hz,
            resolution_hz,
            span_hz: settings.span.hz(),
        };
        let mut observed = Vec::new();
        let held_back_db = settings.source_level.dbm() - item.source_level_dbm();
        if held_back_db > 0.0 {
            observed.push(Flag::new(FlagWord::LevelClamped, held_back_db));
        }
        judge_point(&PointInput {
            reference: reference.input(&at)?,
            item: item.input(&at)?,
            setting_difference_db: item.source_level_dbm() - reference.source_level_dbm(),
            station: &self.budget,
            scatter: PointScatter {
                repeats,
                drift_db: None,
                settings_differ: false,
            },
            limit: self.limit.as_ref(),
            rule: match self.plan.rule {
                Rule::Simple => DecisionRule::Simple,
                Rule::Guarded => DecisionRule::Guarded,
            },
            observed: &observed,
        })
    }
}

/// The verdict over all points: the worst decides.
pub fn verdict(results: &[ResultRecord]) -> Option<Verdict> {
    of_run(results.iter().map(|result| result.verdict))
}

/// Where in its traces a point is read.
struct At {
    frequency_hz: f64,
    resolution_hz: f64,
    /// The part of a trace that belongs to the test frequency; all of it, but for the wide one of a
    /// sealed receiver.
    span_hz: f64,
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

impl Pair {
    fn source_level_dbm(&self) -> f64 {
        self.signal.settings["source_level_dbm"]
            .as_f64()
            .unwrap_or_default()
    }

    fn input(&self, at: &At) -> Result<ReadingInput<'_>, AnalysisError> {
        let signal = &self.signal_trace;
        let floor = &self.floor_trace;
        let signal = Levels::new(signal.start_hz, signal.stop_hz, &self.signal_levels)?;
        let floor = Levels::new(floor.start_hz, floor.stop_hz, &self.floor_levels)?;
        let near = Window {
            centre_hz: at.frequency_hz,
            half_width_hz: (0.5 * at.span_hz).max(SLICE_BINS * floor.spacing_hz()),
        };
        let held = &self.signal.settings;
        let carriers_hz: Option<Vec<f64>> = held["closing_frequencies_hz"]
            .as_array()
            .map(|all| all.iter().filter_map(serde_json::Value::as_f64).collect());
        let raised_db = match &carriers_hz {
            Some(carriers) => between_db(&signal, &floor, near, carriers, at.resolution_hz)?,
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
            window: window(&signal, at.frequency_hz, at.resolution_hz),
            signal: signal.slice(near)?,
            floor: floor.slice(near)?,
            rbw_hz: at.resolution_hz,
            hold: Hold {
                // The noise is read from the floor's trace, held over its own number of sweeps.
                sweeps: self.floor.sweeps,
                with_carrier: with_carrier.unwrap_or(self.floor.sweeps),
                raised_db,
            },
            overload: overload(&self.signal) || overload(&self.floor),
        })
    }
}

/// The pooled scatter of what was measured more than once.
fn scatter(results: &[ResultRecord]) -> Option<Scatter> {
    let mut groups: BTreeMap<(u64, &str, &str), Vec<f64>> = BTreeMap::new();
    for result in results {
        if let (ResultKind::Measured, Some(se_db)) = (result.kind, result.se_db) {
            let point = &result.point;
            let place = (
                point.frequency_hz.to_bits(),
                point.face.as_str(),
                point.polarisation.as_str(),
            );
            groups.entry(place).or_default().push(se_db);
        }
    }
    Scatter::pooled(groups.values().map(Vec::as_slice))
}

fn record(point: &Point, judged: PointResult) -> ResultRecord {
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
            "noise_correction_db": judged.noise_correction_db,
            "dynamic_range_db": judged.dynamic_range_db,
            "flags": judged.flags,
            "budget": judged.budget,
        }),
    }
}

fn budget_input(known: &Uncertainties) -> BudgetInput {
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
