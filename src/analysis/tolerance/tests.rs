use super::*;
use crate::analysis::censored::kaplan_meier;
use crate::analysis::compare::{ComparePoint, CompareRule, Group, Samples, compare};
use crate::analysis::trend::{Trend, TrendPoint};
use proptest::prelude::*;

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found}, expected {expected}"
    );
}

const PLAN: VariablesPlan = VariablesPlan {
    content: 0.95,
    confidence: 0.95,
    guard_db: 0.0,
};

fn judged(values: &[Value], limit_db: f64) -> VariablesResult {
    judge_variables(values, limit_db, &PLAN).expect("judged")
}

#[test]
fn one_sided_factors() {
    let k = |n, content, confidence| one_sided_factor(n, content, confidence).expect("a factor");
    // ORACLES B1: NIST/SEMATECH 7.2.6.3.
    near(k(43, 0.90, 0.99), 1.873954, 1e-6);
    // ORACLES B2: Odeh and Owen, ISO 16269-6.
    for (n, expected) in [
        (3, 7.6559),
        (5, 4.202681),
        (10, 2.910963),
        (20, 2.396002),
        (30, 2.219838),
        (50, 2.064993),
        (100, 1.926539),
    ] {
        near(k(n, 0.95, 0.95), expected, 1e-6);
    }
    // Computed with scipy 1.17 `nct.ppf`.
    near(k(2, 0.95, 0.95), 26.25967398303447, 1e-6);
    near(k(2, 0.99, 0.99), 185.6169586032112, 1e-4);
    near(k(5, 0.9, 0.5), 1.3818193972877382, 1e-8);
    near(k(1000, 0.99, 0.99), 2.4745797060384955, 1e-7);
    // A content that is exceeded for sure is still one: the factor may be negative.
    for n in [2, 5, 20, 60, 400] {
        for content in [0.01, 0.5, 0.9, 0.999] {
            let factors = [0.01, 0.5, 0.99].map(|confidence| k(n, content, confidence));
            assert!(
                factors[0] < factors[1] && factors[1] < factors[2],
                "{n} {content} {factors:?}"
            );
        }
    }
    assert!(one_sided_factor(1, 0.95, 0.95).is_err());
    assert!(one_sided_factor(5, 1.0, 0.95).is_err());
}

#[test]
fn order_statistics() {
    // ORACLES B18: Wilks, ISO 16269-6.
    for (n, rank) in [
        (58, None),
        (59, Some(1)),
        (92, Some(1)),
        (93, Some(2)),
        (124, Some(3)),
    ] {
        assert_eq!(order_statistic(n, 0.95, 0.95), rank, "{n}");
    }
}

/// Ten values with mean 58 and deviation 2.4.
fn ten() -> Vec<Value> {
    let shape = [-1.5, -1.1, -0.7, -0.4, -0.1, 0.1, 0.4, 0.7, 1.1, 1.5];
    let (_, sd) = mean_and_sd(&shape);
    shape
        .iter()
        .map(|x| Value::measured(58.0 + 2.4 * x / sd))
        .collect()
}

#[test]
fn a_complete_sample_is_judged_exactly() {
    // ORACLES B25: ISO 16269-6, n = 10, mean 58, s = 2.4, k 95/95, limit 50.
    let result = judged(&ten(), 50.0);
    assert_eq!(
        (result.method, result.verdict),
        (Method::Exact, Verdict::Pass)
    );
    near(result.tolerance_limit_db.expect("a limit"), 51.01369, 1e-5);
    near(result.cpl.expect("an index"), 8.0 / 7.2, 1e-9);
    assert!(result.attained_confidence.expect("one") > 0.95);
    assert!(
        result.reasons[0]
            .starts_with("accepted: with 95 % confidence at least 95 % of the lot exceeds 51.0 dB")
    );
    // At the tolerance limit itself the confidence is the plan's.
    let edge = judged(&ten(), 51.01369);
    near(edge.attained_confidence.expect("one"), 0.95, 1e-5);
    assert_eq!(judged(&ten(), 51.1).verdict, Verdict::Undecided);
    assert_eq!(judged(&ten(), 57.5).verdict, Verdict::Fail);
    // A guard band works on both sides.
    let guarded = |limit_db| {
        let plan = VariablesPlan {
            guard_db: 1.5,
            ..PLAN
        };
        judge_variables(&ten(), limit_db, &plan)
            .expect("judged")
            .verdict
    };
    assert_eq!(guarded(49.0), Verdict::Pass);
    assert_eq!(guarded(50.0), Verdict::Undecided);
    assert_eq!(guarded(57.0), Verdict::Undecided);
    assert_eq!(guarded(58.5), Verdict::Fail);
}

#[test]
fn capability() {
    // ORACLES B9: mean 58, s 2.5, limit 50: Cpl 1.066667 and 687.1379 ppm below.
    let mut result = judged(&ten(), 50.0);
    estimates(&mut result, 58.0, 2.5);
    near(result.cpl.expect("an index"), 1.066667, 1e-6);
    near(
        result.share_below_limit.expect("a share") * 1e6,
        687.1379,
        1e-3,
    );
}

#[test]
fn bounds_stay_bounds() {
    let units = crate::analysis::censored::oracle_units();
    let result = judged(&units, 45.0);
    assert_eq!(
        (result.method, result.bounds),
        (Method::CensoredLikelihood, 4)
    );
    // ORACLES B20: the estimates; the limit lies below the estimated quantile of 52.766 dB.
    near(result.mean_db.expect("a mean"), 60.89052, 1e-4);
    let limit_db = result.tolerance_limit_db.expect("a limit");
    assert!((40.0..52.0).contains(&limit_db), "{limit_db}");
    // ORACLES B21: as numbers they would have given 59.78 - 2.736 x 3.77 (n = 12), as if they knew.
    assert!(kaplan_meier(&units).len() == 8);
    assert!(result.factor.is_none() && result.attained_confidence.is_none());
}

#[test]
fn all_bounds_say_what_can_be_said() {
    let result = judged(&[Value::at_least(60.0); 8], 50.0);
    assert_eq!(
        (result.method, result.verdict),
        (Method::OrderStatistics, Verdict::Undecided)
    );
    assert_eq!(result.tolerance_limit_db, None);
    // By hand: 0.05^(1/8) = 0.6876.
    assert!(
        result.reasons[1].contains("at least 68.7 % of the lot reaches 60.0 dB"),
        "{:?}",
        result.reasons
    );
    let enough = judged(&[Value::at_least(60.0); 59], 50.0);
    assert_eq!(
        (enough.verdict, enough.tolerance_limit_db),
        (Verdict::Pass, Some(60.0))
    );
    assert_eq!(
        judged(&[Value::at_least(60.0); 59], 61.0).verdict,
        Verdict::Undecided,
        "never a fail"
    );
}

#[test]
fn one_measured_unit_among_bounds() {
    let mut units = vec![Value::at_least(60.0); 92];
    units.push(Value::measured(40.0));
    let result = judged(&units, 50.0);
    assert_eq!(result.method, Method::OrderStatistics);
    assert_eq!(
        (result.verdict, result.units_below),
        (Verdict::Pass, 1),
        "rank 2 of 93 is 60 dB"
    );
    // Two of five below: by hand, P(Bin(5, 0.05) >= 2) = 0.0226.
    let poor = [40.0, 41.0]
        .map(Value::measured)
        .into_iter()
        .chain([60.0; 3].map(Value::at_least));
    let result = judged(&poor.collect::<Vec<_>>(), 50.0);
    assert_eq!(
        (result.method, result.verdict),
        (Method::OrderStatistics, Verdict::Fail)
    );
}

#[test]
fn outliers_are_pointed_at() {
    // ORACLES B24: Grubbs, two-sided 5 %, NIST/SEMATECH 1.3.5.17.
    near(grubbs_critical(8), 2.126645, 1e-5);
    near(grubbs_critical(10), 2.289954, 1e-5);
    near(grubbs_critical(20), 2.708246, 1e-5);
    let found = outlier(&[60.0, 60.5, 59.8, 60.2, 60.1, 59.9, 60.3, 52.0]).expect("an outlier");
    assert_eq!((found.index, found.se_db), (7, 52.0));
    assert_eq!(outlier(&[60.0, 60.5, 59.8]), None);
}

#[test]
fn nonsense_is_refused() {
    assert!(judge_variables(&[], 50.0, &PLAN).is_err());
    assert!(judge_variables(&[Value::measured(f64::NAN)], 50.0, &PLAN).is_err());
    assert!(judge_variables(&ten(), f64::NAN, &PLAN).is_err());
    let plan = VariablesPlan {
        content: 1.0,
        ..PLAN
    };
    assert!(judge_variables(&ten(), 50.0, &plan).is_err());
    assert_eq!(
        judged(&[Value::measured(60.0)], 50.0).verdict,
        Verdict::Undecided
    );
}

#[test]
fn a_value_reads_as_in_a_point() {
    let json = r#"{"kind":"at_least","se_db":60.0}"#;
    assert_eq!(
        serde_json::to_string(&Value::at_least(60.0)).expect("json"),
        json
    );
    assert_eq!(
        serde_json::from_str::<Value>(json).expect("a value"),
        Value::at_least(60.0)
    );
}

/// Values on a coarse grid, so that equal ones are frequent.
fn values() -> impl Strategy<Value = Vec<Value>> {
    let one = (-40i32..240, any::<bool>()).prop_map(|(half_db, bound)| {
        let se_db = 0.5 * f64::from(half_db);
        match bound {
            true => Value::at_least(se_db),
            false => Value::measured(se_db),
        }
    });
    prop::collection::vec(one, 1..25)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn any_values_are_judged_with_numbers_that_are_some(values in values(), limit_db in 0.0..100.0) {
        let result = judged(&values, limit_db);
        for number in [result.tolerance_limit_db, result.exceeded_by_less_db, result.mean_db, result.sd_db, result.cpl] {
            prop_assert!(number.is_none_or(f64::is_finite), "{:?}", result);
        }
        if let (Some(lower), Some(upper)) = (result.tolerance_limit_db, result.exceeded_by_less_db) {
            prop_assert!(lower <= upper, "{:?}", result);
        }
        if values.iter().all(|value| value.is_bound()) {
            prop_assert_ne!(result.verdict, Verdict::Fail);
        }
        let places = values.iter().enumerate();
        let points: Vec<TrendPoint> = places.map(|(i, value)| TrendPoint { at: i as f64, value: *value }).collect();
        if let Ok(trend) = Trend::of(&points, 0.95) {
            let band = trend.at(3.0);
            prop_assert!(band.lower_db <= band.fit_db && band.fit_db <= band.upper_db, "{:?}", trend);
        }
    }

    #[test]
    fn swapping_the_sides_turns_the_signs(a in values(), b in values()) {
        let group = |name: &str, values: &[Value]| Group {
            name: name.to_owned(),
            samples: vec![Samples { values: values.to_vec(), u_db: 0.5 }],
        };
        let points = [ComparePoint { frequency_hz: 1e8, label: "100 MHz".to_owned() }];
        let rule = CompareRule { margin_db: 2.0, confidence: 0.95, paired: false };
        let one_way = compare(&points, &[group("A", &a), group("B", &b)], &rule).expect("compared");
        let other_way = compare(&points, &[group("B", &b), group("A", &a)], &rule).expect("compared");
        let (one, other) = (one_way[0].points[0], other_way[0].points[0]);
        prop_assert_eq!(one.equal, other.equal);
        prop_assert_eq!(one.simultaneous.lower_db.is_some(), other.simultaneous.upper_db.is_some());
        if let (Some(lower), Some(upper)) = (one.simultaneous.lower_db, other.simultaneous.upper_db) {
            prop_assert!((lower + upper).abs() < 1e-6 * (1.0 + lower.abs()), "{} {}", lower, upper);
        }
    }
}
