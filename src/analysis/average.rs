//! The mean of several points at one frequency: faces, polarisations, repeats.
//!
//! What is averaged is the power that comes through, because that is what adds up in the item (ORACLES F7 averages
//! power over positions; decibels would let one good face hide a bad one). A part with little SE therefore weighs
//! most: w = 10^(-SE/10) over the sum of all, which is also its sensitivity (JCGM 100 5.1.3). What the parts
//! share adds with those weights, what is a part's own adds as squares (JCGM 100 5.2.2 with correlations of
//! one and nought): only how the item happened to close, and the noise in its reading, are a part's own; the
//! position counts as shared, because the antennas stand where they stood for the reference.
//!
//! A part that is a lower bound lets through anything up to what it bounds. Put in at its bound, the mean is a
//! bound too, lowered by what the measured parts may be wrong (one-sided, 95 %).

use std::collections::BTreeMap;

use super::budget::{Budget, Cause, Component, Distribution, Origin, combined_correlated};
use super::point::{Kind, ONE_SIDED_95};
use super::verdict::{DecisionRule, Judgement};
use serde::Serialize;
use utoipa::ToSchema;

/// One point that goes into a mean.
#[derive(Debug, Clone, Copy)]
pub struct Part<'a> {
    /// What it states.
    pub kind: Kind,
    /// SE or its lower bound, dB.
    pub se_db: Option<f64>,
    /// Its uncertainty.
    pub budget: Option<&'a Budget>,
}

/// The mean of several points.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Average {
    /// How many went in.
    pub parts: usize,
    /// What `se_db` is.
    pub kind: Kind,
    /// Mean SE, or its lower bound, dB.
    pub se_db: Option<f64>,
    /// Expanded uncertainty of a measured mean, dB.
    pub u_db: Option<f64>,
    /// The rows of the uncertainty; of a bound, those of its measured parts.
    #[serde(skip)]
    pub budget: Option<Budget>,
    /// Mean or bound held against the limit.
    #[serde(flatten)]
    pub judgement: Judgement,
}

/// The mean of `parts`, judged; `None` of no parts. One that states nothing leaves nothing to be said.
pub fn average(parts: &[Part<'_>], limit_db: Option<f64>, rule: DecisionRule) -> Option<Average> {
    let values: Option<Vec<f64>> = parts.iter().map(|part| part.se_db).collect();
    let nothing = Average {
        parts: parts.len(),
        kind: Kind::None,
        se_db: None,
        u_db: None,
        budget: None,
        judgement: Judgement::undecided(limit_db),
    };
    let Some(values) = values.filter(|values| !values.is_empty()) else {
        return (!parts.is_empty()).then_some(nothing);
    };
    let through: Vec<f64> = values.iter().map(|db| 10f64.powf(-db / 10.0)).collect();
    let sum: f64 = through.iter().sum();
    let mean_db = -10.0 * (sum / parts.len() as f64).log10();
    let weighed = parts.iter().zip(&through).filter_map(|(part, through)| {
        let measured = part.kind == Kind::Measured;
        Some((through / sum, part.budget.filter(|_| measured)?))
    });
    let budget = combined(weighed);
    let bounded = parts.iter().any(|part| part.kind == Kind::AtLeast);
    Some(match bounded {
        true => {
            let bound_db = mean_db - ONE_SIDED_95 * budget.combined_db;
            Average {
                kind: Kind::AtLeast,
                se_db: Some(bound_db),
                judgement: Judgement::of_bound(bound_db, limit_db),
                budget: Some(budget),
                ..nothing
            }
        }
        false => Average {
            kind: Kind::Measured,
            se_db: Some(mean_db),
            u_db: Some(budget.expanded_db),
            judgement: Judgement::of_measured(mean_db, &budget, limit_db, rule),
            budget: Some(budget),
            ..nothing
        },
    })
}

/// The rows of weighed budgets, cause by cause.
fn combined<'a>(weighed: impl Iterator<Item = (f64, &'a Budget)>) -> Budget {
    let mut causes: BTreeMap<Cause, Vec<(f64, Component)>> = BTreeMap::new();
    for (weight, budget) in weighed {
        for row in &budget.components {
            causes.entry(row.cause).or_default().push((weight, *row));
        }
    }
    Budget::of(
        causes
            .into_iter()
            .map(|(cause, rows)| row(cause, &rows))
            .collect(),
    )
}

fn row(cause: Cause, rows: &[(f64, Component)]) -> Component {
    let of_each: Vec<f64> = rows.iter().map(|(weight, row)| weight * row.u_db).collect();
    let own = is_own(cause);
    let u_db = combined_correlated(&of_each, |_, _| if own { 0.0 } else { 1.0 });
    let distribution = match (own, rows.first()) {
        (false, Some((_, row))) => row.distribution,
        _ => Distribution::Normal,
    };
    let any = |origin| rows.iter().any(|(_, row)| row.origin == origin);
    Component {
        cause,
        value_db: u_db * distribution.divisor(),
        distribution,
        u_db,
        // The scatter of the repeats is one estimate for all points.
        dof: rows.iter().filter_map(|(_, row)| row.dof).reduce(f64::min),
        origin: match (any(Origin::Default), any(Origin::Station)) {
            (true, _) => Origin::Default,
            (false, true) => Origin::Station,
            (false, false) => Origin::Measured,
        },
    }
}

/// Whether each part has drawn its own.
fn is_own(cause: Cause) -> bool {
    matches!(cause, Cause::Repeatability | Cause::ItemNoise)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::budget::Given;
    use crate::analysis::verdict::Verdict;

    fn budget(rows: &[(Cause, f64)]) -> Budget {
        let row = |(cause, db): &(Cause, f64)| {
            Component::new(*cause, Given::station(*db), Distribution::Normal)
        };
        Budget::of(rows.iter().map(row).collect())
    }

    fn part(kind: Kind, se_db: f64, budget: &Budget) -> Part<'_> {
        Part {
            kind,
            se_db: Some(se_db),
            budget: Some(budget),
        }
    }

    #[test]
    fn the_power_that_comes_through_is_averaged() {
        let none = budget(&[]);
        let parts = [50.0, 60.0].map(|db| part(Kind::Measured, db, &none));
        let average = average(&parts, Some(50.0), DecisionRule::Simple).expect("parts");
        // By hand: -10 lg((1e-5 + 1e-6) / 2) = 52.5964.
        assert!((average.se_db.expect("SE") - 52.596_373).abs() < 1e-6);
        // ORACLES A7: a decibel less is a factor of 1.2589254 in power.
        let parts = [50.0, 49.0].map(|db| part(Kind::Measured, db, &none));
        let less = super::average(&parts, None, DecisionRule::Simple).and_then(|it| it.se_db);
        let expected_db = 50.0 - 10.0 * (0.5 * (2.0 + 0.258_925_4f64)).log10();
        assert!((less.expect("SE") - expected_db).abs() < 1e-6);
        assert_eq!((average.parts, average.kind), (2, Kind::Measured));
        assert_eq!(average.judgement.verdict, Some(Verdict::Pass));
        assert_eq!(super::average(&[], None, DecisionRule::Simple), None);
    }

    #[test]
    fn what_is_shared_adds_and_what_is_its_own_averages_out() {
        let rows = budget(&[(Cause::ReceiverLinearity, 0.6), (Cause::Repeatability, 0.8)]);
        let parts = [55.0; 4].map(|db| part(Kind::Measured, db, &rows));
        let average = average(&parts, Some(55.0), DecisionRule::Guarded).expect("parts");
        // JCGM 100 5.2.2 with four equal weights: 0.6 shared, 0.8 / sqrt 4 of their own.
        let budget = average.budget.as_ref().expect("a budget");
        assert!((budget.combined_db - 0.6f64.hypot(0.4)).abs() < 1e-12);
        assert_eq!(average.judgement.verdict, Some(Verdict::Undecided));
        // JCGM 106: on the limit, one half.
        assert!((average.judgement.conformity.expect("judged") - 0.5).abs() < 1e-9);
    }

    #[test]
    fn an_average_with_a_bound_in_it_is_a_bound() {
        let rows = budget(&[(Cause::ReceiverLinearity, 1.0)]);
        let parts = [
            part(Kind::Measured, 50.0, &rows),
            part(Kind::AtLeast, 50.0, &rows),
        ];
        let average = average(&parts, Some(50.0), DecisionRule::Guarded).expect("parts");
        // Half of the power is measured, to 1 dB; the bound has its allowance already.
        assert_eq!(average.kind, Kind::AtLeast);
        let expected_db = 50.0 - 0.5 * 1.644_853_6;
        assert!((average.se_db.expect("a bound") - expected_db).abs() < 1e-6);
        assert_eq!(
            average.judgement.verdict,
            Some(Verdict::Undecided),
            "never a fail"
        );
        let nothing = Part {
            kind: Kind::None,
            se_db: None,
            budget: None,
        };
        let average = super::average(&[parts[0], nothing], Some(50.0), DecisionRule::Guarded);
        let average = average.expect("parts");
        assert_eq!((average.kind, average.se_db), (Kind::None, None));
        assert_eq!(average.judgement.verdict, Some(Verdict::Undecided));
    }

    #[test]
    fn the_stated_interval_and_bound_hold() {
        use rand::rngs::StdRng;
        use rand::{RngExt, SeedableRng};
        use rand_distr::StandardNormal;
        let rows = budget(&[(Cause::ReceiverLinearity, 0.5), (Cause::ItemNoise, 1.0)]);
        let mut rng = StdRng::seed_from_u64(1);
        let truth = [52.0, 55.0, 58.0, 61.0, 64.0, 67.0];
        let true_db = -10.0
            * (truth
                .map(|db: f64| 10f64.powf(-db / 10.0))
                .iter()
                .sum::<f64>()
                / 6.0)
                .log10();
        let (mut covered, mut held) = (0, 0);
        let trials = 4000;
        for _ in 0..trials {
            let shared = 0.5 * rng.sample::<f64, _>(StandardNormal);
            let seen = truth.map(|db| db + shared + rng.sample::<f64, _>(StandardNormal));
            let measured = seen.map(|db| part(Kind::Measured, db, &rows));
            let all = average(&measured, None, DecisionRule::Simple).expect("parts");
            let error_db = all.se_db.expect("SE") - true_db;
            covered += u32::from(error_db.abs() <= all.u_db.expect("U"));
            // The best three are bounds, each lowered by its own allowance.
            let mut bounded = measured;
            for bound in &mut bounded[3..] {
                bound.kind = Kind::AtLeast;
                bound.se_db = bound.se_db.map(|db| db - 1.645 * 0.5f64.hypot(1.0));
            }
            let all = average(&bounded, None, DecisionRule::Simple).expect("parts");
            held += u32::from(all.se_db.expect("a bound") <= true_db);
        }
        let share = |count: u32| f64::from(count) / f64::from(trials);
        assert!((0.93..0.97).contains(&share(covered)), "{}", share(covered));
        assert!(share(held) >= 0.94, "{}", share(held));
    }
}
