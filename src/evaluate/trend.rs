//! One item followed over its runs: by cycles of use where they were counted, else by days.
//!
//! The trend that is stated is that of the least margin of each run (without a limit, of the least SE): it is
//! what the verdict hangs on, and one claim needs no correction for many. The frequencies by themselves are
//! listed beside it, each line with its own confidence.

use std::collections::BTreeSet;

use jiff::Timestamp;
use serde::Serialize;

use super::EvaluateError;
use super::unit::{Measured, Place, mean, value};
use crate::analysis::censored::Value;
use crate::analysis::trend::{BandPoint, Crossing, Trend, TrendPoint};
use crate::store::{ResultRecord, RunFilter, RunId, RunKind, RunState, Store};

/// Places at which a line's band is drawn.
const BAND_POINTS: u32 = 61;
/// A day, in seconds.
const DAY_S: f64 = 86_400.0;

/// By what an item's runs are put in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Axis {
    /// Cycles of use, as noted with each run.
    Cycles,
    /// Days since the first run.
    Days,
}

/// An item over its runs.
#[derive(Debug, Clone, Serialize)]
pub struct TrendDocument {
    /// The item.
    pub item: String,
    /// By what its runs are in order.
    pub axis: Axis,
    /// What one of them is called, and several.
    pub events: (String, String),
    /// Its runs.
    pub runs: Vec<TrendRun>,
    /// The least margin (or SE, where there is no limit) of each run.
    pub deciding: Line,
    /// Each frequency by itself.
    pub frequencies: Vec<LineAt>,
    /// The trend of what decides, in one sentence.
    pub sentence: String,
    /// What it rests on.
    pub notes: Vec<String>,
}

/// A run of the item.
#[derive(Debug, Clone, Serialize)]
pub struct TrendRun {
    /// The run.
    pub run: RunId,
    /// When it began.
    pub started: Timestamp,
    /// Its place on the axis.
    pub at: f64,
}

/// Values in order and the line through them.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    /// What crosses: zero margin, or the limit, dB.
    pub limit_db: Option<f64>,
    /// The values.
    pub values: Vec<TrendPoint>,
    /// The line; none where the values carry none.
    pub trend: Option<Trend>,
    /// When it meets the limit.
    pub crossing: Option<Crossing>,
    /// The line and the edges of its band, as far as the last value or a little beyond the crossing.
    pub band: Vec<BandPoint>,
    /// Why there is no line.
    pub reason: Option<String>,
}

/// The same at one frequency.
#[derive(Debug, Clone, Serialize)]
pub struct LineAt {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// The line of the SE.
    #[serde(flatten)]
    pub line: Line,
}

/// Follows an item. `by` is the axis, or cycles if every run has them and else days; `event` names one cycle.
pub async fn trend(
    store: &Store,
    item: &str,
    by: Option<Axis>,
    event: (&str, &str),
    confidence: f64,
) -> Result<TrendDocument, EvaluateError> {
    let all = measured(store, item).await?;
    let counted = all.iter().filter(|run| run.cycles.is_some()).count();
    let axis = by.unwrap_or(match counted == all.len() {
        true => Axis::Cycles,
        false => Axis::Days,
    });
    let (placed, left_out) = place(&all, axis);
    let events = match axis {
        Axis::Cycles => event,
        Axis::Days => ("day", "days"),
    };
    let values = |of: &dyn Fn(&Measured) -> Option<Value>| -> Vec<TrendPoint> {
        let points = placed
            .iter()
            .filter_map(|(at, run)| of(run).map(|value| TrendPoint { at: *at, value }));
        points.collect()
    };
    let margins = values(&|run| least(run, true));
    let has_limit = !margins.is_empty();
    let deciding = match has_limit {
        true => line(margins, Some(0.0), confidence),
        false => line(values(&|run| least(run, false)), None, confidence),
    };
    let mut frequencies: BTreeSet<u64> = BTreeSet::new();
    frequencies.extend(all.iter().flat_map(|run| run.places().into_keys()));
    let frequencies = frequencies
        .into_iter()
        .map(f64::from_bits)
        .map(|hz| LineAt {
            frequency_hz: hz,
            line: line(
                values(&|run| at_frequency(run, hz, &common_places(&all, hz))),
                limit_at(&all, hz),
                confidence,
            ),
        });
    let frequencies: Vec<LineAt> = frequencies.collect();
    let what = if has_limit {
        "least margin"
    } else {
        "least SE"
    };
    let sentence = match (&deciding.trend, &deciding.reason) {
        (Some(trend), _) => format!(
            "the {what} of {item} {}",
            course(&trend.sentence(deciding.limit_db, events.0, events.1))
        ),
        (None, reason) => format!(
            "the {what} of {item} shows no trend yet: {}",
            reason.as_deref().unwrap_or_default()
        ),
    };
    Ok(TrendDocument {
        item: item.to_owned(),
        axis,
        events: (events.0.to_owned(), events.1.to_owned()),
        runs: placed
            .iter()
            .map(|(at, run)| TrendRun {
                run: run.run.id,
                started: run.run.started,
                at: *at,
            })
            .collect(),
        notes: notes(&deciding, left_out, confidence),
        deciding,
        frequencies,
        sentence,
    })
}

/// The analysis speaks of the line; here the line is already named.
fn course(sentence: &str) -> String {
    match sentence.strip_prefix("no change is shown") {
        Some(rest) => format!("shows no change{rest}"),
        None => sentence.to_owned(),
    }
}

/// The complete runs of an item, in order of time.
pub(super) async fn measured(store: &Store, item: &str) -> Result<Vec<Measured>, EvaluateError> {
    let filter = RunFilter {
        item: Some(item.to_owned()),
        kind: Some(RunKind::Item),
        state: Some(RunState::Complete),
        ..RunFilter::default()
    };
    let mut runs = store.runs(&filter).await?;
    runs.reverse();
    if runs.is_empty() {
        return Err(EvaluateError::not_answerable(
            item,
            "there is no complete run of this item",
        ));
    }
    let cycles = store.cycles(item).await?;
    let mut all = Vec::with_capacity(runs.len());
    for run in runs {
        all.push(Measured::read(store, run, &cycles).await?);
    }
    Ok(all)
}

/// Runs with their place on the axis, in order, and how many have none.
fn place(all: &[Measured], axis: Axis) -> (Vec<(f64, &Measured)>, usize) {
    let first = all.first().map(|run| run.run.started);
    let at = |run: &Measured| match axis {
        Axis::Cycles => run.cycles.map(f64::from),
        Axis::Days => Some(run.run.started.duration_since(first?).as_secs_f64() / DAY_S),
    };
    let mut placed: Vec<_> = all.iter().filter_map(|run| Some((at(run)?, run))).collect();
    placed.sort_by(|a, b| a.0.total_cmp(&b.0));
    let left_out = all.len() - placed.len();
    (placed, left_out)
}

/// The least margin or SE of a run; none when a point says nothing, for that may have been the least.
fn least(run: &Measured, margin: bool) -> Option<Value> {
    let of = |result: &ResultRecord| -> Option<Value> {
        let reached = value(result)?;
        let limit_db = match margin {
            true => result.limit_db?,
            false => 0.0,
        };
        let db = reached.reached_db() - limit_db;
        Some(match reached.is_bound() {
            true => Value::at_least(db),
            false => Value::measured(db),
        })
    };
    let judged = run
        .results
        .iter()
        .filter(|result| !margin || result.limit_db.is_some());
    Value::least(judged.map(of).collect::<Option<Vec<_>>>()?)
}

/// The faces and polarisations that every run has at a frequency.
pub(super) fn common_places(all: &[Measured], frequency_hz: f64) -> BTreeSet<Place> {
    let mut sets = all
        .iter()
        .filter_map(|run| run.places().remove(&frequency_hz.to_bits()));
    let first = sets.next().unwrap_or_default();
    sets.fold(first, |common, set| &common & &set)
}

pub(super) fn at_frequency(
    run: &Measured,
    frequency_hz: f64,
    places: &BTreeSet<Place>,
) -> Option<Value> {
    mean(&run.closings(frequency_hz, places))
}

/// The limit of the newest run at a frequency.
fn limit_at(all: &[Measured], frequency_hz: f64) -> Option<f64> {
    let mut newest = all.last()?.results.iter();
    newest
        .find(|result| result.point.frequency_hz == frequency_hz)?
        .limit_db
}

fn line(values: Vec<TrendPoint>, limit_db: Option<f64>, confidence: f64) -> Line {
    let fitted = Trend::of(&values, confidence);
    let (trend, reason) = match fitted {
        Ok(trend) => (Some(trend), None),
        Err(cause) => (None, Some(cause.to_string())),
    };
    let crossing = trend
        .as_ref()
        .and_then(|trend| Some(trend.crossing(limit_db?)));
    Line {
        band: trend.as_ref().map_or_else(Vec::new, |t| band(t, crossing)),
        limit_db,
        values,
        crossing,
        trend,
        reason,
    }
}

fn band(trend: &Trend, crossing: Option<Crossing>) -> Vec<BandPoint> {
    let [from, last] = trend.span;
    // As far again as the data reach, and no further: beyond that a straight line is a guess.
    let to = match crossing {
        Some(Crossing::At { to, .. }) if to > last => to.min(last + (last - from)),
        _ => last,
    };
    (0..BAND_POINTS)
        .map(|i| trend.at(from + (to - from) * f64::from(i) / f64::from(BAND_POINTS - 1)))
        .collect()
}

fn notes(deciding: &Line, left_out: usize, confidence: f64) -> Vec<String> {
    let percent = 100.0 * confidence;
    let mut notes = vec![format!(
        "slope, band and crossing with {percent:.0} % confidence, of a straight line; each frequency by itself"
    )];
    if let Some(trend) = deciding.trend.as_ref().filter(|trend| trend.bounds > 0) {
        notes.push(format!(
            "{} of {} values are lower bounds and were counted as bounds",
            trend.bounds,
            trend.bounds + trend.measured
        ));
    }
    if left_out > 0 {
        notes.push(format!(
            "{left_out} runs have no cycles noted and were left out; `muffle measure --cycles N` notes them"
        ));
    }
    notes
}
