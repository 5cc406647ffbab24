//! From an SE and its limit to a verdict, for a point and for a run.

use super::budget::Budget;
use super::floor::BOUND_CONFIDENCE;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};
use std::fmt;
use utoipa::ToSchema;

/// How the uncertainty is taken into account when a limit is held against a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecisionRule {
    /// The number alone decides (ILAC-G8:09/2019 4.2.1).
    Simple,
    /// Pass and fail both need a distance of the expanded uncertainty from the limit; between them the
    /// point is undecided (JCGM 106 8.3, ILAC-G8:09/2019 4.2.2).
    Guarded,
}

/// What a run or a point comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It meets the limit.
    Pass,
    /// It cannot be said.
    Undecided,
    /// It does not meet the limit.
    Fail,
}

impl Verdict {
    /// The word in tables, JSON and the store.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Undecided => "undecided",
            Self::Fail => "fail",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl DecisionRule {
    /// The verdict on a measured SE that exceeds its limit by `margin_db`, guard band `guard_db`.
    pub fn on_measured(self, margin_db: f64, guard_db: f64) -> Verdict {
        let guard_db = match self {
            Self::Simple => 0.0,
            Self::Guarded => guard_db,
        };
        if margin_db >= guard_db {
            Verdict::Pass
        } else if margin_db < 0.0 && margin_db <= -guard_db {
            Verdict::Fail
        } else {
            Verdict::Undecided
        }
    }
}

/// A result held against its limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct Judgement {
    /// The required SE, dB.
    pub limit_db: Option<f64>,
    /// SE or bound minus limit, dB.
    pub margin_db: Option<f64>,
    /// The probability that the SE meets the limit; for a bound that passes, at least this.
    pub conformity: Option<f64>,
    /// Where there is a limit.
    pub verdict: Option<Verdict>,
}

impl Judgement {
    /// Nothing is stated.
    pub fn undecided(limit_db: Option<f64>) -> Self {
        Self {
            limit_db,
            margin_db: None,
            conformity: None,
            verdict: limit_db.map(|_| Verdict::Undecided),
        }
    }

    /// A value with its uncertainty.
    pub fn of_measured(
        se_db: f64,
        budget: &Budget,
        limit_db: Option<f64>,
        rule: DecisionRule,
    ) -> Self {
        let margin_db = limit_db.map(|limit_db| se_db - limit_db);
        Self {
            limit_db,
            margin_db,
            conformity: margin_db.map(|margin_db| conformity(margin_db, budget.combined_db)),
            verdict: margin_db.map(|margin_db| rule.on_measured(margin_db, budget.expanded_db)),
        }
    }

    /// A lower bound.
    pub fn of_bound(bound_db: f64, limit_db: Option<f64>) -> Self {
        let margin_db = limit_db.map(|limit_db| bound_db - limit_db);
        let verdict = margin_db.map(on_bound);
        Self {
            limit_db,
            margin_db,
            conformity: (verdict == Some(Verdict::Pass)).then_some(BOUND_CONFIDENCE),
            verdict,
        }
    }
}

/// The verdict on a lower bound: never a fail, for the SE may be anything above it. The bound holds its
/// confidence already, so no guard band is added.
pub fn on_bound(margin_db: f64) -> Verdict {
    match margin_db >= 0.0 {
        true => Verdict::Pass,
        false => Verdict::Undecided,
    }
}

/// The probability that the true SE meets the limit, for a normal uncertainty (JCGM 106:2012 7.4).
pub fn conformity(margin_db: f64, standard_uncertainty_db: f64) -> f64 {
    match standard_uncertainty_db > 0.0 {
        true => Normal::standard().cdf(margin_db / standard_uncertainty_db),
        false => f64::from(u8::from(margin_db >= 0.0)),
    }
}

/// The worst verdict of a run's points; `None` when none was judged.
pub fn of_run(points: impl IntoIterator<Item = Option<Verdict>>) -> Option<Verdict> {
    points.into_iter().flatten().max()
}

/// The index of the point with the smallest margin; of equal ones the first, `None` when none has one.
pub fn worst_point(margins_db: impl IntoIterator<Item = Option<f64>>) -> Option<usize> {
    margins_db
        .into_iter()
        .enumerate()
        .filter_map(|(index, margin)| margin.map(|margin| (index, margin)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(index, _)| index)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conformity_after_jcgm_106() {
        // ORACLES A12: JCGM 106:2012 7.4, limit 50 dB, u = 1.5 dB.
        for (se_db, expected) in [
            (52.0, 0.9087888),
            (51.0, 0.7475075),
            (50.0, 0.5),
            (49.0, 0.2524925),
            (48.0, 0.09121122),
        ] {
            assert!(
                (conformity(se_db - 50.0, 1.5) - expected).abs() < 1e-6,
                "{se_db}"
            );
        }
        // ORACLES A13: JCGM 106 8.3 / ILAC-G8:09/2019: at the acceptance limit of a guard band of 2 u.
        assert!((conformity(3.0, 1.5) - 0.9772499).abs() < 1e-6);
        assert_eq!((conformity(0.1, 0.0), conformity(-0.1, 0.0)), (1.0, 0.0));
    }

    #[test]
    fn the_guard_band_keeps_its_distance_on_both_sides() {
        // ORACLES A13: limit 50 dB, guard band 3 dB: pass from 53 dB, fail from 47 dB down.
        let guarded = |se_db: f64| DecisionRule::Guarded.on_measured(se_db - 50.0, 3.0);
        let simple = |se_db: f64| DecisionRule::Simple.on_measured(se_db - 50.0, 3.0);
        assert_eq!(guarded(53.0), Verdict::Pass);
        assert_eq!(guarded(52.9), Verdict::Undecided);
        assert_eq!(guarded(47.1), Verdict::Undecided);
        assert_eq!(guarded(47.0), Verdict::Fail);
        assert_eq!((simple(50.0), simple(49.9)), (Verdict::Pass, Verdict::Fail));
    }

    #[test]
    fn a_bound_is_never_a_fail() {
        assert_eq!(
            (on_bound(0.0), on_bound(-40.0)),
            (Verdict::Pass, Verdict::Undecided)
        );
    }

    #[test]
    fn a_run_is_as_good_as_its_worst_point() {
        use Verdict::{Fail, Pass, Undecided};
        assert_eq!(of_run([Some(Pass), None, Some(Pass)]), Some(Pass));
        assert_eq!(of_run([Some(Pass), Some(Undecided)]), Some(Undecided));
        assert_eq!(of_run([Some(Fail), Some(Undecided)]), Some(Fail));
        assert_eq!(of_run([None]), None);
        assert_eq!(
            worst_point([Some(3.0), None, Some(-1.0), Some(-1.0)]),
            Some(2)
        );
        assert_eq!(worst_point([None]), None);
    }
}
