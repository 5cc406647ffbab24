//! SE from readings taken by hand: a level in the open, a level inside or "in the noise", a floor.
//!
//! There is no trace to read the noise from, so no noise is taken off and a reading is taken as it was written
//! down. Its uncertainty is the one stated beside it, else that of a station that says nothing of itself,
//! whose every row says that it is a default.

use super::budget::{Budget, BudgetInput, PointScatter, station_rows};
use super::flag::{Flag, FlagWord};
use super::point::Kind;
use super::verdict::{DecisionRule, Verdict, conformity, on_bound};

/// As for readings with a trace: closer to the floor the noise moves a reading.
const NEAR_FLOOR_DB: f64 = 20.0;
/// The factor of a one-sided 95 % of a normal distribution.
const ONE_SIDED_95: f64 = 1.644_853_626_951_472_7;
/// The coverage factor of a stated uncertainty (common practice: certificates state k = 2).
const STATED_K: f64 = 2.0;

/// What somebody wrote down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HandInput {
    /// Level in the open, dBm.
    pub reference_dbm: f64,
    /// Level inside, dBm; none when it was in the noise.
    pub level_dbm: Option<f64>,
    /// What the receiver shows without a signal, dBm; needed when the level was in the noise.
    pub floor_dbm: Option<f64>,
    /// Expanded uncertainty of the difference, dB (k = 2); none when nobody stated one.
    pub u_db: Option<f64>,
    /// Required SE, dB.
    pub limit_db: Option<f64>,
}

/// What follows from it.
#[derive(Debug, Clone, PartialEq)]
pub struct HandResult {
    /// What is stated.
    pub kind: Kind,
    /// The SE or its lower bound, dB.
    pub se_db: Option<f64>,
    /// Expanded uncertainty of a measured SE, dB.
    pub u_db: Option<f64>,
    /// Its coverage factor.
    pub k: Option<f64>,
    /// SE minus limit, dB.
    pub margin_db: Option<f64>,
    /// The judgement, with a guard band of the expanded uncertainty.
    pub verdict: Option<Verdict>,
    /// Probability that the limit is met.
    pub conformity: Option<f64>,
    /// The largest SE that would have been seen, dB.
    pub dynamic_range_db: Option<f64>,
    /// What is to be known about it.
    pub flags: Vec<Flag>,
    /// The budget, where nobody stated an uncertainty.
    pub budget: Option<Budget>,
}

/// Judges one reading. What was in the noise gives a bound: reference minus floor, less what the difference of
/// the two may be off with 95 % confidence on one side.
pub fn judge_by_hand(input: &HandInput) -> HandResult {
    let budget = match input.u_db {
        Some(_) => None,
        None => Some(Budget::of(station_rows(
            &BudgetInput::default(),
            &PointScatter::default(),
        ))),
    };
    let (u_db, k) = match (&budget, input.u_db) {
        (_, Some(u_db)) => (u_db, STATED_K),
        (Some(budget), None) => (budget.expanded_db, budget.k),
        (None, None) => (0.0, STATED_K),
    };
    let range_db = input
        .floor_dbm
        .map(|floor_dbm| input.reference_dbm - floor_dbm);
    let bound_db = range_db.map(|range_db| range_db - ONE_SIDED_95 * u_db / k);
    let (kind, se_db) = match (input.level_dbm, bound_db) {
        (Some(level_dbm), _) => (Kind::Measured, Some(input.reference_dbm - level_dbm)),
        (None, Some(bound_db)) => (Kind::AtLeast, Some(bound_db)),
        (None, None) => (Kind::None, None),
    };
    let is_measured = kind == Kind::Measured;
    let margin_db = se_db
        .zip(input.limit_db)
        .map(|(se_db, limit_db)| se_db - limit_db);
    let mut flags = Vec::new();
    if let (Some(level_dbm), Some(floor_dbm)) = (input.level_dbm, input.floor_dbm)
        && level_dbm - floor_dbm < NEAR_FLOOR_DB
    {
        flags.push(Flag::new(FlagWord::NearFloor, level_dbm - floor_dbm));
    }
    if let (Some(range_db), Some(limit_db)) = (range_db, input.limit_db)
        && range_db < limit_db
    {
        flags.push(Flag::new(FlagWord::CannotSeeLimit, limit_db - range_db));
    }
    if let Some(se_db) = se_db.filter(|se_db| is_measured && *se_db < -u_db) {
        flags.push(Flag::new(FlagWord::NegativeSe, se_db));
    }
    HandResult {
        kind,
        se_db,
        u_db: is_measured.then_some(u_db),
        k: is_measured.then_some(k),
        margin_db,
        verdict: margin_db.map(|margin_db| match is_measured {
            true => DecisionRule::Guarded.on_measured(margin_db, u_db),
            false => on_bound(margin_db),
        }),
        conformity: margin_db
            .filter(|_| is_measured)
            .map(|margin_db| conformity(margin_db, u_db / k)),
        dynamic_range_db: range_db,
        flags,
        budget,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const INPUT: HandInput = HandInput {
        reference_dbm: -24.0,
        level_dbm: Some(-76.0),
        floor_dbm: Some(-100.0),
        u_db: Some(2.0),
        limit_db: Some(50.0),
    };

    #[test]
    fn a_reading_is_a_difference_with_the_uncertainty_stated_beside_it() {
        let result = judge_by_hand(&INPUT);
        assert_eq!(
            (result.kind, result.se_db, result.u_db),
            (Kind::Measured, Some(52.0), Some(2.0))
        );
        assert_eq!(
            (result.margin_db, result.verdict),
            (Some(2.0), Some(Verdict::Pass))
        );
        // JCGM 106:2012 7.4 at two standard uncertainties.
        assert!((result.conformity.expect("judged") - 0.977_249_868).abs() < 1e-6);
        assert!(result.flags.is_empty() && result.budget.is_none());
    }

    #[test]
    fn without_a_stated_uncertainty_every_row_of_the_budget_says_default() {
        let result = judge_by_hand(&HandInput {
            u_db: None,
            ..INPUT
        });
        let budget = result.budget.expect("a budget");
        assert_eq!(result.u_db, Some(budget.expanded_db));
        assert!(budget.components.len() > 3);
        assert!(
            budget
                .components
                .iter()
                .all(|row| row.origin == super::super::budget::Origin::Default)
        );
        assert_eq!(result.verdict, Some(Verdict::Undecided));
    }

    #[test]
    fn what_was_in_the_noise_is_a_bound_and_never_a_fail() {
        let result = judge_by_hand(&HandInput {
            level_dbm: None,
            ..INPUT
        });
        // 76 dB of dynamic range less 1.645 standard uncertainties of 1 dB.
        assert!((result.se_db.expect("a bound") - 74.355).abs() < 1e-3);
        assert_eq!(
            (result.kind, result.verdict),
            (Kind::AtLeast, Some(Verdict::Pass))
        );
        let low = judge_by_hand(&HandInput {
            level_dbm: None,
            floor_dbm: Some(-70.0),
            ..INPUT
        });
        assert_eq!(low.verdict, Some(Verdict::Undecided));
        assert_eq!(low.flags[0].word, FlagWord::CannotSeeLimit);
    }
}
