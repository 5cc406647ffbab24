//! SE from readings taken by hand: a level in the open, a level inside or "in the noise", a floor.
//!
//! There is no trace to read the noise from. Where a floor was written down, its power is subtracted from a reading less
//! than 10 dB above it, and a reading less than 3 dB above it is a bound (common practice of the trade, no source). So
//! is a reading without a floor: it may be noise, which makes an SE look smaller, never larger. How the floor was read, as a mean or as a peak, nobody wrote down, so the whole correction is in doubt and enters the
//! uncertainty, and so does what the noise moves a reading by. To that comes the uncertainty stated beside the
//! reading, else that of a station that says nothing of itself, whose every row says that it is a default.

use super::budget::{
    Budget, BudgetInput, Cause, Component, Distribution, Given, Origin, PointScatter, station_rows,
};
use super::flag::{Flag, FlagWord};
use super::point::Kind;
use super::verdict::{DecisionRule, Verdict, conformity, on_bound};

/// As for readings with a trace: closer to the floor the noise moves a reading.
const NEAR_FLOOR_DB: f64 = 20.0;
/// Closer to the floor a reading tells no more than the floor does.
const BOUND_BELOW_DB: f64 = 3.0;
/// Further from the floor its power is not subtracted: it would change less than half a decibel.
const CORRECTED_BELOW_DB: f64 = 10.0;
/// Over so many sweeps somebody watches a line before writing it down (common practice, no source).
const SWEEPS_BY_EYE: f64 = 10.0;
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
    /// By how much subtracting the floor raised the SE, dB.
    pub noise_correction_db: f64,
    /// What is to be known about it.
    pub flags: Vec<Flag>,
    /// The budget, where nobody stated an uncertainty.
    pub budget: Option<Budget>,
}

/// What the floor does to a reading so far above it: by how much it raises the level, and how well that is known
/// (standard uncertainty), both dB.
fn noise_of(above_db: f64) -> (f64, f64) {
    let carrier_to_noise = 10f64.powf(above_db / 10.0) - 1.0;
    let raised_db = 10.0 * (1.0 + 1.0 / carrier_to_noise).log10();
    // The noise in phase with the carrier has half its power: 20/ln 10 · 1/√(2·ratio) for one sweep.
    let moved_db = 20.0 / std::f64::consts::LN_10 / (2.0 * carrier_to_noise * SWEEPS_BY_EYE).sqrt();
    // The correction may be nothing or twice as much: a rectangle of its own half-width.
    (raised_db, moved_db.hypot(raised_db / 3f64.sqrt()))
}

/// Judges one reading. What was in the noise, hardly above it, or without a floor gives a bound: reference minus what was read, less what
/// the difference of the two may be off with 95 % confidence on one side.
pub fn judge_by_hand(input: &HandInput) -> HandResult {
    let above_db = input
        .level_dbm
        .zip(input.floor_dbm)
        .map(|(level_dbm, floor_dbm)| level_dbm - floor_dbm);
    let is_measured = above_db.is_some_and(|db| db >= BOUND_BELOW_DB);
    let (raised_db, noise_db) = match above_db.filter(|_| is_measured) {
        Some(above_db) => noise_of(above_db),
        None => (0.0, 0.0),
    };
    let noise_correction_db = match above_db {
        Some(above_db) if above_db < CORRECTED_BELOW_DB => raised_db,
        _ => 0.0,
    };
    let budget = match input.u_db {
        Some(_) => None,
        None => {
            let mut rows = station_rows(&BudgetInput::default(), &PointScatter::default());
            if noise_db > 0.0 {
                let given = Given {
                    value: noise_db,
                    origin: Origin::Default,
                };
                rows.push(Component::new(
                    Cause::ItemNoise,
                    given,
                    Distribution::Normal,
                ));
            }
            Some(Budget::of(rows))
        }
    };
    let (u_db, k) = match (&budget, input.u_db) {
        (_, Some(u_db)) => (u_db.hypot(STATED_K * noise_db), STATED_K),
        (Some(budget), None) => (budget.expanded_db, budget.k),
        (None, None) => (0.0, STATED_K),
    };
    let range_db = input
        .floor_dbm
        .map(|floor_dbm| input.reference_dbm - floor_dbm);
    let read_db = input
        .level_dbm
        .map(|level_dbm| input.reference_dbm - level_dbm);
    let least_db = read_db.into_iter().chain(range_db).reduce(f64::min);
    let (kind, se_db) = match (read_db, least_db) {
        (Some(read_db), _) if is_measured => (Kind::Measured, Some(read_db + noise_correction_db)),
        (_, Some(least_db)) => (Kind::AtLeast, Some(least_db - ONE_SIDED_95 * u_db / k)),
        (_, None) => (Kind::None, None),
    };
    let margin_db = se_db
        .zip(input.limit_db)
        .map(|(se_db, limit_db)| se_db - limit_db);
    let mut flags = Vec::new();
    if let (Some(level_dbm), Some(floor_dbm)) = (input.level_dbm, input.floor_dbm)
        && is_measured
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
        noise_correction_db,
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
        assert_eq!((result.kind, result.se_db), (Kind::Measured, Some(52.0)));
        // At 24 dB above the floor the noise adds hardly anything.
        assert!((result.u_db.expect("measured") - 2.0).abs() < 0.05);
        assert_eq!(
            (result.margin_db, result.verdict),
            (Some(2.0), Some(Verdict::Undecided)),
            "the stated 2 dB and a little noise"
        );
        assert!(result.flags.is_empty() && result.budget.is_none());
        let no_floor = judge_by_hand(&HandInput {
            floor_dbm: None,
            ..INPUT
        });
        assert_eq!(
            (no_floor.kind, no_floor.verdict),
            (Kind::AtLeast, Some(Verdict::Pass))
        );
        assert!((no_floor.se_db.expect("a bound") - (52.0 - ONE_SIDED_95)).abs() < 1e-9);
        // What may be noise does not fail an item.
        let low = judge_by_hand(&HandInput {
            floor_dbm: None,
            limit_db: Some(70.0),
            ..INPUT
        });
        assert_eq!(low.verdict, Some(Verdict::Undecided));
    }

    #[test]
    fn far_above_the_floor_the_stated_uncertainty_decides() {
        let result = judge_by_hand(&HandInput {
            floor_dbm: Some(-170.0),
            limit_db: Some(49.9),
            ..INPUT
        });
        assert_eq!(result.verdict, Some(Verdict::Pass));
        // JCGM 106:2012 7.4 at 2.1 standard uncertainties.
        assert!((result.conformity.expect("judged") - 0.982_135_6).abs() < 1e-4);
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
    fn near_the_floor_its_power_is_subtracted_and_below_3_db_a_reading_is_a_bound() {
        let at = |above_db: f64| {
            judge_by_hand(&HandInput {
                level_dbm: Some(-98.0 + above_db),
                floor_dbm: Some(-98.0),
                reference_dbm: -20.0,
                u_db: Some(1.0),
                limit_db: Some(77.0),
            })
        };
        // 2.1 dB above its floor: "75.9 ± 1.0, fail" would be said of what may be 80 dB.
        let hardly = at(2.1);
        assert_eq!(
            (hardly.kind, hardly.verdict),
            (Kind::AtLeast, Some(Verdict::Undecided))
        );
        assert!((hardly.se_db.expect("a bound") - (75.9 - 0.5 * ONE_SIDED_95)).abs() < 1e-9);
        // Two equal powers are 3.01 dB above one.
        let equal = at(3.0103);
        assert!((equal.noise_correction_db - 3.0103).abs() < 1e-3);
        assert!((equal.se_db.expect("measured") - 78.0).abs() < 1e-3);
        assert!(equal.u_db.expect("measured") > 4.0);
        assert_eq!(equal.verdict, Some(Verdict::Undecided));
        // Nine parts of signal, one of noise.
        assert!((at(9.999).noise_correction_db - 0.4576).abs() < 1e-3);
        assert_eq!(at(10.0).noise_correction_db, 0.0);
        // Nearer is never better known.
        let mut last = f64::INFINITY;
        for above_db in [3.0, 5.0, 8.0, 12.0, 20.0, 40.0] {
            let u_db = at(above_db).u_db.expect("measured");
            assert!(u_db < last && u_db > 1.0, "{above_db} dB: {u_db}");
            last = u_db;
        }
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
