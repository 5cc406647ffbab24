//! One point, from its four traces to its verdict.

use super::AnalysisError;
use super::budget::{
    Budget, BudgetInput, Cause, Component, Distribution, Given, Origin, PointScatter,
    root_sum_square, station_rows,
};
use super::flag::{Effect, Flag, FlagWord};
use super::floor::{Floor, Hold, Judged};
use super::trace::{Picked, Trace, Window};
use super::verdict::{DecisionRule, Judgement, Verdict};
use serde::{Deserialize, Serialize};

/// Below this distance from the floor one reading moves with the noise by 0.6 dB (standard deviation,
/// one sample) or more, so the reader should know.
const NEAR_FLOOR_DB: f64 = 20.0;
/// The factor of a one-sided 95 % of a normal distribution.
pub(super) const ONE_SIDED_95: f64 = 1.644_853_626_951_472_7;
/// A reference may move by this much without a flag (ORACLES F10).
const DRIFT_ALLOWED_DB: f64 = 1.0;

/// One reading and its floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadingInput<'a> {
    /// The trace with the source on.
    pub signal: Trace<'a>,
    /// The trace with the source off, same settings, same number of sweeps (or as `hold` says).
    pub floor: Trace<'a>,
    /// Where the peak is picked, in both.
    pub window: Window,
    /// Resolution bandwidth, Hz.
    pub rbw_hz: f64,
    /// Over how many sweeps the peaks were held.
    pub hold: Hold,
    /// The receiver reported an overload during the signal or the floor.
    pub overload: bool,
}

/// All that one point is judged from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointInput<'a> {
    /// The reading without the item.
    pub reference: ReadingInput<'a>,
    /// The reading with it.
    pub item: ReadingInput<'a>,
    /// By how much the item's settings (source level, preamplifier) would raise the reading of the same
    /// field over the reference's, dB. Zero when they are the same.
    pub setting_difference_db: f64,
    /// What the station knows of its uncertainty.
    pub station: &'a BudgetInput,
    /// What of it this point knows better.
    pub scatter: PointScatter,
    /// The required SE at the frequency that was asked for, dB.
    pub limit_db: Option<f64>,
    /// How it is held against the result.
    pub rule: DecisionRule,
    /// The chance with which noise alone may be taken for a carrier.
    pub false_alarm: f64,
    /// What the procedure saw: level clamped, reference stale, compression.
    pub observed: &'a [Flag],
}

/// What a point states.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = ResultKind)]
pub enum Kind {
    /// A value with an uncertainty.
    Measured,
    /// A lower bound with a confidence of 95 %.
    AtLeast,
    /// Nothing: no usable reference, or an overload.
    None,
}

impl Kind {
    /// The word in JSON and the store.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::AtLeast => "at_least",
            Self::None => "none",
        }
    }
}

impl std::fmt::Display for Kind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.as_str())
    }
}

/// A judged point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointResult {
    /// The reference as shown, dBm.
    pub reference_dbm: f64,
    /// The item's reading as shown, dBm.
    pub level_dbm: f64,
    /// The floor of the item's reading as shown, dBm.
    pub floor_dbm: f64,
    /// What `se_db` is.
    pub kind: Kind,
    /// SE, or its lower bound, dB.
    pub se_db: Option<f64>,
    /// Expanded uncertainty of a measured SE, dB.
    pub u_db: Option<f64>,
    /// By how much taking noise and ambient signals off the readings raised the SE, dB; zero for bounds.
    pub noise_correction_db: f64,
    /// The largest SE that would have been seen, dB.
    pub dynamic_range_db: Option<f64>,
    /// The required SE here, dB.
    pub limit_db: Option<f64>,
    /// SE or bound minus limit, dB.
    pub margin_db: Option<f64>,
    /// Where there is a limit.
    pub verdict: Option<Verdict>,
    /// The probability that the SE meets the limit; for a bound that passes, at least this.
    pub conformity: Option<f64>,
    /// What may have spoiled it.
    pub flags: Vec<Flag>,
    /// The rows of the uncertainty and its coverage factor; of a bound, all but the item's noise.
    pub budget: Option<Budget>,
}

impl PointResult {
    fn hold_against_limit(&mut self, judgement: Judgement) {
        self.margin_db = judgement.margin_db;
        self.verdict = judgement.verdict;
        self.conformity = judgement.conformity;
    }
}

/// Judges one point.
///
/// # Errors
/// A window that lies outside its trace.
pub fn judge_point(input: &PointInput) -> Result<PointResult, AnalysisError> {
    // The reference shows where the carrier stands on the receiver's scale.
    let carrier_hz = input
        .reference
        .signal
        .pick(input.reference.window)?
        .frequency_hz;
    let reference = Reading::of(&input.reference, carrier_hz, input.false_alarm)?;
    let item = Reading::of(&input.item, carrier_hz, input.false_alarm)?;
    let limit_db = input.limit_db;
    let mut result = PointResult {
        reference_dbm: reference.shown.level_dbm,
        level_dbm: item.shown.level_dbm,
        floor_dbm: item.floor.shown.level_dbm,
        kind: Kind::None,
        se_db: None,
        u_db: None,
        noise_correction_db: 0.0,
        dynamic_range_db: None,
        limit_db,
        margin_db: None,
        verdict: limit_db.map(|_| Verdict::Undecided),
        conformity: None,
        flags: input.observed.to_vec(),
        budget: None,
    };
    result
        .flags
        .extend(flags_of_readings(input, &reference, &item));
    let Judged::Measured {
        carrier_dbm,
        noise_db,
        ambient_db,
    } = reference.judged
    else {
        return Ok(result);
    };
    let effect = result.flags.iter().map(|flag| flag.word.effect()).max();
    if effect == Some(Effect::WithholdsNumber) {
        return Ok(result);
    }
    let mut rows = station_rows(input.station, &input.scatter);
    rows.extend(reading_rows(Cause::ReferenceNoise, noise_db, ambient_db));
    // The reference as the item's settings would have shown it.
    let unshielded_dbm = carrier_dbm + input.setting_difference_db;
    result.dynamic_range_db = Some(unshielded_dbm - item.floor.shown.level_dbm);
    let way_u_db = root_sum_square(rows.iter().map(|row| row.u_db));
    let bound_db = |level_dbm| unshielded_dbm - item.floor.missed_at_most_dbm(level_dbm, way_u_db);
    match item.judged {
        Judged::Measured {
            carrier_dbm,
            noise_db,
            ambient_db,
        } => {
            rows.extend(reading_rows(Cause::ItemNoise, noise_db, ambient_db));
            let shown_db = reference.shown.level_dbm - item.shown.level_dbm;
            let se_db = unshielded_dbm - carrier_dbm;
            result.noise_correction_db = se_db - (shown_db + input.setting_difference_db);
            state_measured(&mut result, se_db, Budget::of(rows), input.rule);
        }
        Judged::Unmodelled => return Ok(result),
        Judged::Missed => {
            let bound_db = bound_db(item.shown.level_dbm);
            state_bound(&mut result, bound_db, Budget::of(rows));
        }
    }
    let of_nothing_db = || bound_db(f64::NEG_INFINITY);
    result.flags.extend(flags_of_result(&result, of_nothing_db));
    if effect == Some(Effect::WithholdsVerdict) {
        result.verdict = limit_db.map(|_| Verdict::Undecided);
        result.conformity = None;
    }
    Ok(result)
}

/// A reading, its floor, and what the one says about the other.
struct Reading {
    shown: Picked,
    floor: Floor,
    judged: Judged,
}

impl Reading {
    fn of(input: &ReadingInput, carrier_hz: f64, false_alarm: f64) -> Result<Self, AnalysisError> {
        let shown = input.signal.pick(input.window)?;
        let floor = Floor::of(
            &input.floor,
            input.window,
            carrier_hz,
            &input.hold,
            input.rbw_hz,
            false_alarm,
        )?;
        let judged = floor.judge(shown.level_dbm);
        Ok(Self {
            shown,
            floor,
            judged,
        })
    }
}

fn state_measured(result: &mut PointResult, se_db: f64, budget: Budget, rule: DecisionRule) {
    result.kind = Kind::Measured;
    result.se_db = Some(se_db);
    result.u_db = Some(budget.expanded_db);
    result.hold_against_limit(Judgement::of_measured(
        se_db,
        &budget,
        result.limit_db,
        rule,
    ));
    result.budget = Some(budget);
}

fn state_bound(result: &mut PointResult, bound_db: f64, budget: Budget) {
    result.kind = Kind::AtLeast;
    result.se_db = Some(bound_db);
    result.hold_against_limit(Judgement::of_bound(bound_db, result.limit_db));
    result.budget = Some(budget);
}

fn reading_rows(noise: Cause, noise_db: f64, ambient_db: f64) -> impl Iterator<Item = Component> {
    let row = |cause, value| {
        let origin = Origin::Measured;
        Component::new(cause, Given { value, origin }, Distribution::Normal)
    };
    let ambient = (ambient_db > 0.0).then(|| row(Cause::Ambient, ambient_db));
    std::iter::once(row(noise, noise_db)).chain(ambient)
}

/// What the readings themselves show.
fn flags_of_readings(input: &PointInput, reference: &Reading, item: &Reading) -> Vec<Flag> {
    let mut flags = Vec::new();
    if input.reference.overload || input.item.overload {
        flags.push(Flag::bare(FlagWord::Overload));
    }
    let ambient = [reference.floor.ambient_db, item.floor.ambient_db];
    if let Some(db) = ambient.into_iter().flatten().reduce(f64::max) {
        flags.push(Flag::new(FlagWord::Ambient, db));
    }
    if let Some(one) = [reference, item]
        .into_iter()
        .find(|one| one.judged == Judged::Unmodelled)
    {
        let above_db = one.shown.level_dbm - one.floor.shown.level_dbm;
        flags.push(Flag::new(FlagWord::NoiseUnmodelled, above_db));
    }
    let drift_db = input.scatter.drift_db.map_or(0.0, f64::abs);
    let is_unstable = (input.observed.iter()).any(|it| it.word == FlagWord::ReferenceUnstable);
    if drift_db > DRIFT_ALLOWED_DB && !is_unstable {
        flags.push(Flag::new(FlagWord::ReferenceDrift, drift_db));
    }
    flags
}

/// What follows from the result, and from the bound that noise alone would have given.
fn flags_of_result(result: &PointResult, of_nothing_db: impl Fn() -> f64) -> Vec<Flag> {
    let mut flags = Vec::new();
    let above_floor_db = result.level_dbm - result.floor_dbm;
    if result.kind == Kind::Measured && above_floor_db < NEAR_FLOOR_DB {
        flags.push(Flag::new(FlagWord::NearFloor, above_floor_db));
    }
    if let (Some(range_db), Some(limit_db)) = (result.dynamic_range_db, result.limit_db)
        && range_db < limit_db
    {
        // Such a bound may say a little more than the level of the floor.
        let short_db = limit_db - of_nothing_db().max(range_db);
        if short_db > 0.0 {
            flags.push(Flag::new(FlagWord::CannotSeeLimit, short_db));
        }
    }
    if let (Kind::Measured, Some(se_db), Some(u_db)) = (result.kind, result.se_db, result.u_db)
        && se_db < -u_db
    {
        flags.push(Flag::new(FlagWord::NegativeSe, se_db));
    }
    flags
}

#[cfg(test)]
mod tests;
