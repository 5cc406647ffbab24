//! Control charts: has the station moved?
//!
//! A check item (or the reference, or the floor) measured regularly is one value a visit, so the charts
//! are those for individual values and their moving ranges (Shewhart; NIST/SEMATECH 6.3.2.2). Several
//! closings in one visit are averaged before: limits from the scatter within a visit would be too
//! narrow, since a visit also sets the antennas up anew. Values must be measured ones: a check item whose
//! SE is only bounded checks nothing and has to be replaced by a leakier one.

use super::AnalysisError;
use super::censored::Value;
use super::trend::{Course, Trend, TrendPoint};
use serde::{Deserialize, Serialize};
use std::f64::consts::{FRAC_2_SQRT_PI, PI};

/// Limits lie so many standard deviations from the centre.
const WIDTH: f64 = 3.0;
/// With fewer values the limits are provisional (NIST/SEMATECH 6.3.2 asks for 20 to 25 groups).
const BASELINE_SOUND: usize = 20;
/// Over less time than this a drift per day says nothing.
const DRIFT_DAYS_MIN: f64 = 1.0;
/// Two-sided confidence of the drift.
const DRIFT_CONFIDENCE: f64 = 0.95;

/// d2 of two values: mean range over standard deviation, 2 / root pi.
fn d2() -> f64 {
    FRAC_2_SQRT_PI
}

/// D4 of two values: upper limit over mean of the range, 1 + 3 d3/d2, d3 = root(2 - 4/pi). The lower limit is zero.
fn d4() -> f64 {
    1.0 + WIDTH * (2.0 - 4.0 / PI).sqrt() / d2()
}

/// What in a sequence of values is unlikely by chance: the tests of Nelson (Journal of Quality Technology
/// 16, 1984), of which [`Rule::BeyondLimits`], [`Rule::TwoOfThree`], [`Rule::FourOfFive`] and, with eight
/// values for nine, [`Rule::SameSide`] are the rules of the Western Electric handbook (1956).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// 1: a value further than three standard deviations from the centre.
    BeyondLimits,
    /// 2: nine values in a row on one side of the centre.
    SameSide,
    /// 3: six values in a row rising, or falling.
    SixInOrder,
    /// 4: fourteen values in a row going up and down in turn.
    Alternating,
    /// 5: two of three values further than two standard deviations out, on one side.
    TwoOfThree,
    /// 6: four of five values further than one standard deviation out, on one side.
    FourOfFive,
    /// 7: fifteen values in a row within one standard deviation: the limits are too wide.
    FifteenWithin,
    /// 8: eight values in a row further than one standard deviation out, on either side.
    EightBeyond,
}

impl Rule {
    /// The rules that see a shift or a drift, used unless others are asked for. A sound station breaks one
    /// of them on about one visit in seventy (simulated, test below).
    pub const USUAL: [Self; 5] = [
        Self::BeyondLimits,
        Self::SameSide,
        Self::SixInOrder,
        Self::TwoOfThree,
        Self::FourOfFive,
    ];

    /// As printed.
    pub const fn text(self) -> &'static str {
        match self {
            Self::BeyondLimits => "a value beyond the control limits",
            Self::SameSide => "nine values in a row on one side of the centre",
            Self::SixInOrder => "six values in a row rising or falling",
            Self::Alternating => "fourteen values in a row alternating up and down",
            Self::TwoOfThree => "two of three values beyond two standard deviations on one side",
            Self::FourOfFive => "four of five values beyond one standard deviation on one side",
            Self::FifteenWithin => "fifteen values in a row within one standard deviation",
            Self::EightBeyond => "eight values in a row beyond one standard deviation",
        }
    }

    /// How many values it looks at.
    const fn length(self) -> usize {
        match self {
            Self::BeyondLimits => 1,
            Self::SameSide => 9,
            Self::SixInOrder => 6,
            Self::Alternating => 14,
            Self::TwoOfThree => 3,
            Self::FourOfFive => 5,
            Self::FifteenWithin => 15,
            Self::EightBeyond => 8,
        }
    }

    /// Whether a window of that length, in standard deviations from the centre, breaks it with its last
    /// value.
    fn broken_by(self, window: &[f64]) -> bool {
        let last = window[window.len() - 1];
        let beyond = |limit: f64| {
            let side = |x: &&f64| **x * last.signum() > limit;
            window.iter().filter(side).count()
        };
        let steps = || window.windows(2).map(|pair| pair[1] - pair[0]);
        match self {
            Self::BeyondLimits => last.abs() > WIDTH,
            Self::SameSide => beyond(0.0) == window.len(),
            Self::SixInOrder => steps().all(|step| step > 0.0) || steps().all(|step| step < 0.0),
            Self::Alternating => {
                let steps: Vec<f64> = steps().collect();
                steps.windows(2).all(|pair| pair[0] * pair[1] < 0.0)
            }
            Self::TwoOfThree => last.abs() > 2.0 && beyond(2.0) >= 2,
            Self::FourOfFive => last.abs() > 1.0 && beyond(1.0) >= 4,
            Self::FifteenWithin => window.iter().all(|x| x.abs() < 1.0),
            Self::EightBeyond => window.iter().all(|x| x.abs() > 1.0),
        }
    }
}

/// A value of the chart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChartPoint {
    /// When, in days from any start.
    pub at_days: f64,
    /// The value, dB (or dBm for a reference or a floor).
    pub value_db: f64,
}

/// Centre and limits of both charts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Limits {
    /// Mean of the baseline, dB.
    pub centre_db: f64,
    /// Standard deviation by the mean moving range over d2, dB.
    pub sigma_db: f64,
    /// Lower control limit, dB.
    pub lower_db: f64,
    /// Upper control limit, dB.
    pub upper_db: f64,
    /// Mean moving range of the baseline, dB.
    pub range_mean_db: f64,
    /// Upper control limit of the moving range, dB.
    pub range_upper_db: f64,
    /// From how many values, the first ones, they were worked out.
    pub baseline: usize,
}

/// A rule broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Signal {
    /// Which one.
    pub rule: Rule,
    /// The value that broke it, counted from zero.
    pub index: usize,
}

/// An individuals and moving-range chart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControlChart {
    /// The values, in the order given.
    pub points: Vec<ChartPoint>,
    /// Distance of each value from the one before, dB; one less than points.
    pub moving_ranges_db: Vec<f64>,
    /// Centre and limits.
    pub limits: Limits,
    /// Rules broken by the values.
    pub signals: Vec<Signal>,
    /// Values whose moving range exceeds its limit, counted from zero.
    pub range_signals: Vec<usize>,
    /// A line through all values over time, dB per day; `None` where none can be fitted, or all were measured
    /// within a day.
    pub drift: Option<Trend>,
    /// No rule broken, no range too large, no drift shown.
    pub stable: bool,
    /// What it says, in plain sentences.
    pub notes: Vec<String>,
}

impl Limits {
    /// Limits from a baseline.
    ///
    /// # Errors
    /// Fewer than two values, or values that do not vary.
    pub fn of(baseline_db: &[f64]) -> Result<Self, AnalysisError> {
        let ranges: Vec<f64> = moving_ranges(baseline_db);
        let range_mean_db = ranges.iter().sum::<f64>() / ranges.len().max(1) as f64;
        if !(range_mean_db > 0.0 && range_mean_db.is_finite()) {
            return Err(AnalysisError::NotPossible {
                what: "a control chart",
                reason: "its baseline needs two values or more that differ".to_owned(),
            });
        }
        let centre_db = baseline_db.iter().sum::<f64>() / baseline_db.len() as f64;
        let sigma_db = range_mean_db / d2();
        Ok(Self {
            centre_db,
            sigma_db,
            lower_db: centre_db - WIDTH * sigma_db,
            upper_db: centre_db + WIDTH * sigma_db,
            range_mean_db,
            range_upper_db: d4() * range_mean_db,
            baseline: baseline_db.len(),
        })
    }

    /// The rules that a sequence of values breaks.
    pub fn signals(&self, values_db: &[f64], rules: &[Rule]) -> Vec<Signal> {
        let scaled: Vec<f64> = values_db
            .iter()
            .map(|db| (db - self.centre_db) / self.sigma_db)
            .collect();
        let mut signals = Vec::new();
        for index in 0..scaled.len() {
            for rule in rules {
                let from = (index + 1).checked_sub(rule.length());
                if from.is_some_and(|from| rule.broken_by(&scaled[from..=index])) {
                    signals.push(Signal { rule: *rule, index });
                }
            }
        }
        signals
    }
}

fn moving_ranges(values_db: &[f64]) -> Vec<f64> {
    values_db
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .collect()
}

impl ControlChart {
    /// Charts values in order of time; the limits come from the first `baseline` of them.
    ///
    /// # Errors
    /// A baseline of fewer than two values, of more than there are, or of values that do not vary; values
    /// out of order or that are none.
    pub fn of(
        points: &[ChartPoint],
        baseline: usize,
        rules: &[Rule],
    ) -> Result<Self, AnalysisError> {
        let refuse = |reason| AnalysisError::NotPossible {
            what: "a control chart",
            reason,
        };
        if points
            .iter()
            .any(|p| !(p.at_days.is_finite() && p.value_db.is_finite()))
        {
            return Err(refuse("a value or its time is not a number".to_owned()));
        }
        if points
            .windows(2)
            .any(|pair| pair[0].at_days > pair[1].at_days)
        {
            return Err(refuse("its values are not in order of time".to_owned()));
        }
        let values_db: Vec<f64> = points.iter().map(|point| point.value_db).collect();
        let first = values_db.get(..baseline).ok_or_else(|| {
            let has = values_db.len();
            refuse(format!(
                "the baseline is {baseline} values and there are {has}"
            ))
        })?;
        let limits = Limits::of(first)?;
        let moving_ranges_db = moving_ranges(&values_db);
        let range_signals: Vec<usize> = moving_ranges_db
            .iter()
            .enumerate()
            .filter(|(_, range_db)| **range_db > limits.range_upper_db)
            .map(|(before, _)| before + 1)
            .collect();
        let trend: Vec<TrendPoint> = points
            .iter()
            .map(|point| TrendPoint {
                at: point.at_days,
                value: Value::measured(point.value_db),
            })
            .collect();
        let lasts = |(first, last): (&ChartPoint, &ChartPoint)| last.at_days - first.at_days;
        let drift = match points.first().zip(points.last()).map(lasts) {
            Some(days) if days >= DRIFT_DAYS_MIN => Trend::of(&trend, DRIFT_CONFIDENCE).ok(),
            _ => None,
        };
        let signals = limits.signals(&values_db, rules);
        let drifts = drift
            .as_ref()
            .is_some_and(|drift| drift.course != Course::NotShown);
        let mut chart = Self {
            points: points.to_vec(),
            moving_ranges_db,
            limits,
            stable: signals.is_empty() && range_signals.is_empty() && !drifts,
            signals,
            range_signals,
            drift,
            notes: Vec::new(),
        };
        chart.notes = chart.describe(rules);
        Ok(chart)
    }

    fn describe(&self, rules: &[Rule]) -> Vec<String> {
        let mut notes = Vec::new();
        for rule in rules {
            let broken = self.signals.iter().filter(|signal| signal.rule == *rule);
            let numbers: Vec<String> = broken
                .map(|signal| (signal.index + 1).to_string())
                .collect();
            if !numbers.is_empty() {
                notes.push(format!("{}: at value {}", rule.text(), numbers.join(", ")));
            }
        }
        if !self.range_signals.is_empty() {
            let numbers: Vec<String> = self
                .range_signals
                .iter()
                .map(|i| (i + 1).to_string())
                .collect();
            let limit_db = self.limits.range_upper_db;
            let numbers = numbers.join(", ");
            notes.push(format!(
                "a step of more than {limit_db:.2} dB: at value {numbers}"
            ));
        }
        match self.drift.as_ref().map(|drift| (drift, drift.course)) {
            Some((drift, Course::Falling | Course::Rising)) => notes.push(format!(
                "it drifts by {:+.2} dB in 100 days (± {:.2} dB)",
                100.0 * drift.slope_db,
                100.0 * drift.slope_half_width_db
            )),
            Some((drift, Course::NotShown)) => notes.push(format!(
                "no drift is shown; one of {:.2} dB in 100 days would have been",
                100.0 * drift.slope_half_width_db
            )),
            None => {}
        }
        if self.limits.baseline < BASELINE_SOUND {
            notes.push(format!(
                "the limits come from {} values and are provisional: {BASELINE_SOUND} make them sound",
                self.limits.baseline
            ));
        }
        notes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!(
            (found - expected).abs() <= tolerance,
            "{found}, expected {expected}"
        );
    }

    const NIST: [f64; 10] = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];

    #[test]
    fn constants_of_two_values() {
        // ORACLES B5: ASTM, NIST/SEMATECH 6.3.2, n = 2. The listed D4 was integrated; this one is closed.
        near(1e3 * d2(), 1128.379, 1e-3);
        near(d4(), 3.266538, 1e-5);
    }

    #[test]
    fn individuals_and_moving_ranges() {
        // ORACLES B6: NIST/SEMATECH 6.3.2.2, which rounds d2 to 1.128.
        let limits = Limits::of(&NIST).expect("limits");
        near(limits.centre_db, 50.81, 1e-9);
        near(limits.range_mean_db, 1.877778, 1e-6);
        let rounded = d2() / 1.128;
        near(
            limits.centre_db + 3.0 * limits.sigma_db * rounded,
            55.80409,
            1e-5,
        );
        near(
            limits.centre_db - 3.0 * limits.sigma_db * rounded,
            45.81591,
            1e-5,
        );
        near(
            limits.upper_db - limits.centre_db,
            limits.centre_db - limits.lower_db,
            1e-9,
        );
        assert!(limits.signals(&NIST, &[Rule::BeyondLimits]).is_empty());
        assert!(Limits::of(&[50.0]).is_err());
        assert!(Limits::of(&[50.0, 50.0]).is_err());
    }

    /// Centre 0, deviation 1.
    fn unit() -> Limits {
        let range_mean_db = d2();
        Limits {
            centre_db: 0.0,
            sigma_db: 1.0,
            lower_db: -3.0,
            upper_db: 3.0,
            range_mean_db,
            range_upper_db: d4() * range_mean_db,
            baseline: 20,
        }
    }

    const ALL: [Rule; 8] = [
        Rule::BeyondLimits,
        Rule::SameSide,
        Rule::SixInOrder,
        Rule::Alternating,
        Rule::TwoOfThree,
        Rule::FourOfFive,
        Rule::FifteenWithin,
        Rule::EightBeyond,
    ];

    #[test]
    fn each_rule_breaks_on_its_pattern_and_not_one_value_earlier() {
        // Nelson 1984, tests 1 to 8.
        let turns = |n: usize, size: f64| -> Vec<f64> {
            (0..n)
                .map(|i| if i % 2 == 0 { size } else { -size })
                .collect()
        };
        let patterns = [
            (Rule::BeyondLimits, vec![0.2, 3.1]),
            (
                Rule::SameSide,
                vec![0.3, 0.2, 0.4, 0.1, 0.3, 0.2, 0.5, 0.2, 0.3],
            ),
            (Rule::SixInOrder, vec![-0.9, -0.6, -0.2, 0.1, 0.4, 0.7]),
            (Rule::Alternating, turns(14, 0.5)),
            (Rule::TwoOfThree, vec![-2.1, 0.0, -2.2]),
            (Rule::FourOfFive, vec![1.1, 1.2, -0.3, 1.5, 1.3]),
            (Rule::FifteenWithin, [0.5, -0.4, 0.1].repeat(5)),
            (Rule::EightBeyond, [1.5, 1.2, -1.4, -1.3].repeat(2)),
        ];
        for (rule, values) in patterns {
            let last = values.len() - 1;
            assert_eq!(
                unit()
                    .signals(&values, &ALL)
                    .iter()
                    .filter(|s| s.rule == rule)
                    .collect::<Vec<_>>(),
                [&Signal { rule, index: last }],
                "{rule:?}"
            );
        }
        // Two of three on opposite sides, and a last value back inside, are no signal.
        for values in [[2.1, 0.0, -2.2], [2.1, 2.2, 0.0]] {
            let signals = unit().signals(&values, &[Rule::TwoOfThree]);
            assert!(
                !signals.iter().any(|signal| signal.index == 2),
                "{values:?}"
            );
        }
    }

    #[test]
    fn a_sound_station_seldom_breaks_a_rule() {
        let mut rng = StdRng::seed_from_u64(7);
        let visits = 60_000;
        let values: Vec<f64> = (0..visits).map(|_| rng.sample(StandardNormal)).collect();
        let share = |rules: &[Rule]| {
            let signals = unit().signals(&values, rules);
            let mut visits_with: Vec<usize> = signals.iter().map(|signal| signal.index).collect();
            visits_with.dedup();
            visits_with.len() as f64 / visits as f64
        };
        // 2 Phi(-3) = 0.0027 exactly; standard deviation of the share 0.0002.
        near(share(&[Rule::BeyondLimits]), 0.0027, 0.0007);
        near(share(&Rule::USUAL), 1.0 / 70.0, 0.002);
    }

    fn chart(values: &[f64], baseline: usize) -> ControlChart {
        let points: Vec<ChartPoint> = values
            .iter()
            .enumerate()
            .map(|(i, db)| ChartPoint {
                at_days: 7.0 * i as f64,
                value_db: *db,
            })
            .collect();
        ControlChart::of(&points, baseline, &Rule::USUAL).expect("a chart")
    }

    #[test]
    fn a_step_and_a_drift_are_seen_and_a_quiet_station_is_left_alone() {
        let quiet: Vec<f64> = [50.0, 50.4, 49.7, 50.2, 49.9, 50.3, 49.6].repeat(4);
        let sound = chart(&quiet, 21);
        assert!(sound.stable, "{:?}", sound.notes);
        assert!(sound.notes[0].starts_with("no drift is shown"));
        let mut moved = quiet.clone();
        moved.extend([52.6, 52.4, 52.7]);
        let moved = chart(&moved, 21);
        assert!(!moved.stable);
        assert_eq!(moved.range_signals, [28]);
        assert!(
            moved.notes[0].starts_with("a value beyond the control limits: at value 29, 30, 31"),
            "{:?}",
            moved.notes
        );
        let slow: Vec<f64> = quiet
            .iter()
            .enumerate()
            .map(|(i, db)| db - 0.05 * i as f64)
            .collect();
        let slow = chart(&slow, 10);
        assert!(
            slow.notes
                .iter()
                .any(|note| note.starts_with("it drifts by -0.7")),
            "{:?}",
            slow.notes
        );
        assert!(slow.notes.iter().any(|note| note.contains("provisional")));
    }

    #[test]
    fn values_that_make_no_chart_are_refused() {
        let at = |at_days, value_db| ChartPoint { at_days, value_db };
        for (points, baseline) in [
            (vec![at(0.0, 50.0), at(1.0, 51.0)], 3),
            (vec![at(0.0, 50.0), at(1.0, 51.0)], 1),
            (vec![at(1.0, 50.0), at(0.0, 51.0)], 2),
            (vec![at(0.0, 50.0), at(1.0, f64::NAN)], 2),
        ] {
            assert!(
                ControlChart::of(&points, baseline, &Rule::USUAL).is_err(),
                "{points:?}"
            );
        }
    }
}
