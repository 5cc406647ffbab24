//! The station over time: has it moved, and how well does its method repeat?
//!
//! A check item, a stable thing measured regularly, tells it for the whole: source, cables, antennas, receiver
//! and the way of closing. The references tell it for the open path, their floors for the receiver and the
//! room. Each is charted at every frequency and in the mean over them: the mean sees what moves everything,
//! and its one chart raises one false alarm where twenty raise twenty. How much closings, and operators, differ
//! is estimated from all closings of the check items ([`crate::analysis::gauge`]).

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use serde::Serialize;

use super::EvaluateError;
use super::trend::{at_frequency, common_places, measured};
use super::unit::Measured;
use crate::analysis::budget::root_sum_square;
use crate::analysis::chart::{ChartPoint, ControlChart, Rule};
use crate::analysis::gauge::{GaugeReading, GaugeStudy, gauge};
use crate::store::{
    ReadingKind, ReadingRecord, RunFilter, RunId, RunKind, RunRecord, RunState, Store,
};

/// So many of the newest references are charted.
const REFERENCES_MAX: u32 = 1000;
/// Without another, the limits come from so many first values, or from all where there are fewer.
const BASELINE: usize = 20;
/// Values are charted to this, the smallest step that instruments state: what moves less has not moved, dB.
const STEP_DB: f64 = 0.01;
/// No station drifts by as much, dB (common practice, no source).
const FAR_OFF_DB: f64 = 10.0;
/// A day, in seconds.
const DAY_S: f64 = 86_400.0;
/// An operator whom nobody noted.
const NOBODY: &str = "not noted";

/// What is asked.
#[derive(Debug, Clone, Default)]
pub struct Question {
    /// The station's name; that of the newest run when absent.
    pub station: Option<String>,
    /// The items that check it; those marked as check items when empty.
    pub items: Vec<String>,
    /// From how many first values the limits come.
    pub baseline: Option<usize>,
}

/// The station over time.
#[derive(Debug, Clone, Serialize)]
pub struct StabilityDocument {
    /// Its name.
    pub station: String,
    /// Check items, the reference and the floor.
    pub watched: Vec<Watched>,
    /// Closings and operators at each frequency.
    pub gauge: Vec<GaugeAt>,
    /// Of closing again, over all frequencies (root mean square), dB: what a station file's `repeatability`
    /// may say.
    pub repeatability_db: Option<f64>,
    /// Between operators, over all frequencies (root mean square), dB.
    pub reproducibility_db: Option<f64>,
    /// What it rests on.
    pub notes: Vec<String>,
}

/// One thing watched.
#[derive(Debug, Clone, Serialize)]
pub struct Watched {
    /// What: `check item G-1`, `reference`, `floor`.
    pub what: String,
    /// The runs charted, in order.
    pub visits: Vec<Visit>,
    /// The mean over the frequencies that nearly every visit has.
    pub mean: Charted,
    /// Visits that are no part of any scatter: something was in the way, loose, or set otherwise.
    pub far_off: Vec<FarOff>,
    /// Each frequency.
    pub frequencies: Vec<ChartedAt>,
}

/// A visit far from all others.
#[derive(Debug, Clone, Serialize)]
pub struct FarOff {
    /// The run.
    pub run: RunId,
    /// From the median of all visits, dB.
    pub off_db: f64,
}

/// A run that is one value of a chart.
#[derive(Debug, Clone, Serialize)]
pub struct Visit {
    /// The run.
    pub run: RunId,
    /// When it began.
    pub started: Timestamp,
}

/// A chart, or why there is none.
#[derive(Debug, Clone, Serialize)]
pub struct Charted {
    /// The chart.
    pub chart: Option<ControlChart>,
    /// Why there is none.
    pub reason: Option<String>,
}

/// The chart at one frequency.
#[derive(Debug, Clone, Serialize)]
pub struct ChartedAt {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// The chart.
    #[serde(flatten)]
    pub charted: Charted,
}

/// Closings and operators at one frequency.
#[derive(Debug, Clone, Serialize)]
pub struct GaugeAt {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// What they make of it.
    #[serde(flatten)]
    pub study: GaugeStudy,
}

impl StabilityDocument {
    /// Whether no chart of a mean shows that something moved; none where there is no chart.
    pub fn is_stable(&self) -> Option<bool> {
        let charts: Vec<_> = self
            .watched
            .iter()
            .filter_map(|watched| watched.mean.chart.as_ref())
            .collect();
        let plausible = self
            .watched
            .iter()
            .all(|watched| watched.far_off.is_empty());
        match plausible {
            true => (!charts.is_empty()).then(|| charts.iter().all(|chart| chart.stable)),
            false => Some(false),
        }
    }
}

/// Charts a station.
pub async fn stability(
    store: &Store,
    question: &Question,
) -> Result<StabilityDocument, EvaluateError> {
    let station = match &question.station {
        Some(station) => station.clone(),
        None => newest_station(store).await?,
    };
    let mut names = Names::default();
    let items = match question.items.is_empty() {
        true => store.check_items().await?,
        false => question.items.clone(),
    };
    let (mut watched, mut readings, mut notes) = (Vec::new(), Vec::new(), Vec::new());
    for item in &items {
        let mut runs = measured_here(store, item, &station, &mut names).await?;
        readings.append(&mut closings(&runs));
        watched.push(of_item(item, &mut runs, question.baseline));
    }
    if items.is_empty() {
        notes.push(
            "no check item: mark a stable item with `muffle bench check-item SERIAL` and measure it regularly"
                .to_owned(),
        );
    }
    watched.extend(of_references(store, &station, &mut names, question.baseline).await?);
    notes.extend(watched.iter().flat_map(|watched| {
        watched.far_off.iter().map(|visit| {
            format!(
                "{} of run {} is {:+.1} dB from the median of all: was the path open, is a cable loose? If the run was \
                 wrong, withdraw it (muffle history --withdraw {} --why TEXT)",
                watched.what, visit.run, visit.off_db, visit.run
            )
        })
    }));
    let gauge = gauge_at(readings, &mut notes);
    let pooled = |of: &dyn Fn(&GaugeStudy) -> Option<f64>| {
        let all: Vec<f64> = gauge.iter().filter_map(|at| of(&at.study)).collect();
        let n = all.len() as f64;
        (!all.is_empty()).then(|| root_sum_square(all) / n.sqrt())
    };
    Ok(StabilityDocument {
        repeatability_db: pooled(&|study| Some(study.repeatability_db)),
        reproducibility_db: pooled(&|study| study.reproducibility_db),
        station,
        watched,
        gauge,
        notes,
    })
}

async fn newest_station(store: &Store) -> Result<String, EvaluateError> {
    let filter = RunFilter {
        state: Some(RunState::Complete),
        imported: Some(false),
        limit: Some(1),
        ..RunFilter::default()
    };
    let run = store.runs(&filter).await?.pop();
    let run = run.ok_or_else(|| {
        EvaluateError::not_answerable("the station over time", "nothing was measured yet")
    })?;
    Names::default().of(store, &run).await
}

/// Names of stations by the checksum of their files.
#[derive(Default)]
struct Names(BTreeMap<String, String>);

impl Names {
    async fn of(&mut self, store: &Store, run: &RunRecord) -> Result<String, EvaluateError> {
        if let Some(name) = self.0.get(&run.station_sha) {
            return Ok(name.clone());
        }
        let snapshot = store.snapshot(&run.station_sha).await?;
        let name = snapshot.map(|snapshot| snapshot.name).unwrap_or_default();
        self.0.insert(run.station_sha.clone(), name.clone());
        Ok(name)
    }
}

async fn measured_here(
    store: &Store,
    item: &str,
    station: &str,
    names: &mut Names,
) -> Result<Vec<Measured>, EvaluateError> {
    let mut here = Vec::new();
    for run in measured(store, item).await? {
        if names.of(store, &run.run).await? == station {
            here.push(run);
        }
    }
    Ok(here)
}

/// A value of each visit at each frequency, as bits (which sort, being positive).
type Series = BTreeMap<u64, Vec<(usize, f64)>>;

fn of_item(item: &str, runs: &mut Vec<Measured>, baseline: Option<usize>) -> Watched {
    // A newer plan may look at other frequencies or faces: what is charted is what the newest run looks at, in
    // all runs that do.
    if let Some(newest) = runs.last().map(Measured::places) {
        runs.retain(|run| {
            let places = run.places();
            newest.keys().any(|at| places.contains_key(at))
        });
    }
    let mut series = Series::new();
    let frequencies: BTreeSet<u64> = runs
        .iter()
        .flat_map(|run| run.places().into_keys())
        .collect();
    for at in frequencies {
        let hz = f64::from_bits(at);
        let places = common_places(runs, hz);
        for (visit, run) in runs.iter().enumerate() {
            // A bound checks nothing.
            let measured = at_frequency(run, hz, &places).and_then(|value| value.measured_db());
            if let Some(db) = measured {
                series.entry(at).or_default().push((visit, db));
            }
        }
    }
    let visits = runs.iter().map(|run| (run.run.id, run.run.started));
    watched(
        format!("check item {item}"),
        visits.collect(),
        &series,
        baseline,
    )
}

/// The open path and its floor, over all references read with the settings of the newest.
async fn of_references(
    store: &Store,
    station: &str,
    names: &mut Names,
    baseline: Option<usize>,
) -> Result<Vec<Watched>, EvaluateError> {
    let filter = RunFilter {
        kind: Some(RunKind::Reference),
        state: Some(RunState::Complete),
        limit: Some(REFERENCES_MAX),
        ..RunFilter::default()
    };
    let mut runs = Vec::new();
    for run in store.runs(&filter).await? {
        // A look at a reference knows a few frequencies only.
        if !run.is_reference_check() && names.of(store, &run).await? == station {
            runs.push(run);
        }
    }
    runs.reverse();
    let mut readings = Vec::with_capacity(runs.len());
    for run in &runs {
        readings.push(store.readings(run.id).await?);
    }
    let mut all = Vec::new();
    for (what, kind) in [
        ("reference", ReadingKind::Signal),
        ("floor", ReadingKind::Floor),
    ] {
        let series = levels(&readings, kind);
        let visits = runs.iter().map(|run| (run.id, run.started)).collect();
        all.push(watched(what.to_owned(), visits, &series, baseline));
    }
    Ok(all)
}

/// The mean level of the polarisations at each frequency, in every visit that has all of them with the settings
/// of the newest.
fn levels(readings: &[Vec<ReadingRecord>], kind: ReadingKind) -> Series {
    let visits: Vec<BTreeMap<(u64, &str), &ReadingRecord>> = readings
        .iter()
        .map(|visit| {
            let of_kind = visit.iter().filter(|reading| reading.key.kind == kind);
            of_kind
                .map(|reading| {
                    let point = &reading.key.point;
                    let at = (point.frequency_hz.to_bits(), point.polarisation.as_str());
                    (at, reading)
                })
                .collect()
        })
        .collect();
    let mut series = Series::new();
    let Some(newest) = visits.last() else {
        return series;
    };
    let frequencies: BTreeSet<u64> = newest.keys().map(|(at, _)| *at).collect();
    for at in frequencies {
        let wanted: Vec<_> = newest.iter().filter(|(place, _)| place.0 == at).collect();
        for (visit, found) in visits.iter().enumerate() {
            let same = wanted.iter().filter_map(|(place, newest)| {
                let reading = found.get(place)?;
                let as_now = is_set_alike(reading, newest);
                as_now.then_some(reading.peak_dbm)
            });
            let levels: Vec<f64> = same.collect();
            if levels.len() == wanted.len() {
                let mean = levels.iter().sum::<f64>() / levels.len() as f64;
                series.entry(at).or_default().push((visit, mean));
            }
        }
    }
    series
}

/// Whether two readings were taken with the same settings; what else is kept with them, such as what the source said of
/// itself, differs from reading to reading.
fn is_set_alike(one: &ReadingRecord, other: &ReadingRecord) -> bool {
    const KEYS: [&str; 10] = [
        "source_level_dbm",
        "span_hz",
        "points",
        "resolution_bandwidth_hz",
        "video_bandwidth_hz",
        "attenuation_db",
        "preamplifier",
        "detector",
        "measured_hz",
        "closing_frequencies_hz",
    ];
    one.sweeps == other.sweeps
        && KEYS
            .iter()
            .all(|key| one.settings[key] == other.settings[key])
}

/// The visits whose value is so far from the middle of all of them that no drift explains it.
fn far_off(means: &[(usize, f64)], visits: &[(RunId, Timestamp)]) -> Vec<FarOff> {
    let mut sorted: Vec<f64> = means.iter().map(|(_, db)| *db).collect();
    sorted.sort_by(f64::total_cmp);
    let Some(&middle) = sorted.get(sorted.len() / 2) else {
        return Vec::new();
    };
    means
        .iter()
        .filter(|(_, db)| (db - middle).abs() > FAR_OFF_DB)
        .filter_map(|(visit, db)| {
            let (run, _) = visits.get(*visit)?;
            Some(FarOff {
                run: *run,
                off_db: db - middle,
            })
        })
        .collect()
}

fn watched(
    what: String,
    visits: Vec<(RunId, Timestamp)>,
    series: &Series,
    baseline: Option<usize>,
) -> Watched {
    let days = |visit: usize| {
        let first = visits.first().map(|visit| visit.1);
        let at = visits.get(visit).map(|visit| visit.1);
        let since = at.zip(first).map(|(at, first)| at.duration_since(first));
        since.map_or(0.0, |since| since.as_secs_f64() / DAY_S)
    };
    let chart = |values: &[(usize, f64)]| {
        let points: Vec<ChartPoint> = values
            .iter()
            .map(|(visit, value_db)| ChartPoint {
                at_days: days(*visit),
                value_db: (value_db / STEP_DB).round() * STEP_DB,
            })
            .collect();
        charted(&points, baseline)
    };
    let means = mean_over_frequencies(series);
    Watched {
        far_off: far_off(&means, &visits),
        mean: chart(&means),
        frequencies: series
            .iter()
            .map(|(at, values)| ChartedAt {
                frequency_hz: f64::from_bits(*at),
                charted: chart(values),
            })
            .collect(),
        visits: visits
            .iter()
            .map(|(run, started)| Visit {
                run: *run,
                started: *started,
            })
            .collect(),
        what,
    }
}

/// Over the frequencies seen in the most visits, in the visits that have all of them.
fn mean_over_frequencies(series: &Series) -> Vec<(usize, f64)> {
    let most = series.values().map(Vec::len).max().unwrap_or(0);
    let seen_most: Vec<_> = series
        .values()
        .filter(|values| values.len() == most)
        .collect();
    let mut visits: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for (visit, db) in seen_most.iter().copied().flatten() {
        visits.entry(*visit).or_default().push(*db);
    }
    visits
        .into_iter()
        .filter(|(_, values)| values.len() == seen_most.len())
        .map(|(visit, values)| (visit, values.iter().sum::<f64>() / values.len() as f64))
        .collect()
}

fn charted(points: &[ChartPoint], baseline: Option<usize>) -> Charted {
    let baseline = baseline.unwrap_or(BASELINE).min(points.len());
    match ControlChart::of(points, baseline, &Rule::USUAL) {
        Ok(chart) => Charted {
            chart: Some(chart),
            reason: None,
        },
        Err(cause) => Charted {
            chart: None,
            reason: Some(cause.to_string()),
        },
    }
}

/// Every closing of an item that was measured, at each frequency.
fn closings(runs: &[Measured]) -> Vec<(u64, GaugeReading)> {
    let mut readings = Vec::new();
    let frequencies: BTreeSet<u64> = runs
        .iter()
        .flat_map(|run| run.places().into_keys())
        .collect();
    for at in frequencies {
        let places = common_places(runs, f64::from_bits(at));
        for run in runs {
            for value in run.closings(f64::from_bits(at), &places) {
                let Some(se_db) = value.measured_db() else {
                    continue;
                };
                let operator = run.run.operator.as_deref().unwrap_or(NOBODY);
                readings.push((
                    at,
                    GaugeReading {
                        item: run.serial.clone(),
                        operator: operator.to_owned(),
                        se_db,
                    },
                ));
            }
        }
    }
    readings
}

fn gauge_at(readings: Vec<(u64, GaugeReading)>, notes: &mut Vec<String>) -> Vec<GaugeAt> {
    let mut by_frequency: BTreeMap<u64, Vec<GaugeReading>> = BTreeMap::new();
    for (at, reading) in readings {
        by_frequency.entry(at).or_default().push(reading);
    }
    let (mut found, mut refused) = (Vec::new(), None);
    for (at, readings) in by_frequency {
        match gauge(&readings) {
            Ok(study) => found.push(GaugeAt {
                frequency_hz: f64::from_bits(at),
                study,
            }),
            Err(cause) => refused = Some(cause.to_string()),
        }
    }
    notes.extend(refused.filter(|_| found.is_empty()));
    found
}
