//! One item over events: wear, washing, folding; or a check item over time.
//!
//! A straight line with normal scatter by maximum likelihood, lower bounds as bounds
//! ([`super::censored`]); without bounds it is ordinary least squares with Student's factor, exactly. The
//! time of crossing a limit is where the line meets it, between where the edges of the band do (Fieller
//! 1954). Beyond the last event nothing was seen: a crossing there is an extrapolation and says so.

use super::AnalysisError;
use super::censored::{Row, Value, fit};
use super::distribution::{check_share, mean_and_sd, student_quantile};
use serde::{Deserialize, Serialize};

/// One value of the item.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrendPoint {
    /// The number of events, or the time in whatever unit, at which it was measured.
    pub at: f64,
    /// What was measured.
    pub value: Value,
}

/// Which way the line goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Course {
    /// It falls: the whole interval of its slope lies below zero.
    Falling,
    /// It rises.
    Rising,
    /// Neither is shown.
    NotShown,
}

/// The line at one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BandPoint {
    /// Where.
    pub at: f64,
    /// The line, dB.
    pub fit_db: f64,
    /// Lower edge of the band of the line (each place alone), dB.
    pub lower_db: f64,
    /// Upper edge, dB.
    pub upper_db: f64,
}

/// A line through an item's values.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trend {
    /// Two-sided confidence of slope, band and crossing.
    pub confidence: f64,
    /// Change per event (or per unit of time), dB.
    pub slope_db: f64,
    /// Half-width of its interval, dB.
    pub slope_half_width_db: f64,
    /// Which way it goes.
    pub course: Course,
    /// Scatter about the line, dB.
    pub sd_db: f64,
    /// Degrees of freedom: measured values less two.
    pub dof: f64,
    /// Values measured.
    pub measured: usize,
    /// Values that are lower bounds.
    pub bounds: usize,
    /// The first and the last place measured at.
    pub span: [f64; 2],
    #[serde(skip)]
    centre: f64,
    #[serde(skip)]
    centre_db: f64,
    /// Of height at the centre and slope: variances and covariance.
    #[serde(skip)]
    variance: [f64; 3],
}

/// When the line meets a limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum Crossing {
    /// The line falls through the limit here.
    At {
        /// Where the line meets it.
        at: f64,
        /// Where the lower edge of the band does.
        from: f64,
        /// Where the upper edge does.
        to: f64,
        /// Whether that lies no later than the last event.
        within_data: bool,
    },
    /// It falls and lay below the limit from the start.
    BelowFromStart,
    /// No fall is shown: nothing says that, or when, it will cross.
    NoneShown,
}

impl Trend {
    /// Fits the line.
    ///
    /// # Errors
    /// Fewer than three measured values (four with bounds), all at one place, no scatter, or a confidence
    /// that is none.
    pub fn of(points: &[TrendPoint], confidence: f64) -> Result<Self, AnalysisError> {
        check_share("a confidence", confidence)?;
        let bounds = points.iter().filter(|point| point.value.is_bound()).count();
        let measured = points.len() - bounds;
        let needed = if bounds > 0 { 4 } else { 3 };
        if measured < needed {
            return Err(refuse(format!(
                "it needs {needed} measured values and there are {measured}"
            )));
        }
        if points
            .iter()
            .any(|p| !(p.at.is_finite() && p.value.reached_db().is_finite()))
        {
            return Err(refuse("a value or its place is not a number".to_owned()));
        }
        let places: Vec<f64> = points.iter().map(|point| point.at).collect();
        let (centre, spread) = mean_and_sd(&places);
        if spread <= 1e-12 * centre.abs() {
            return Err(refuse("all values were measured at one place".to_owned()));
        }
        let row = |point: &TrendPoint| (vec![1.0, (point.at - centre) / spread], point.value);
        let rows: Vec<Row> = points.iter().map(row).collect();
        let fit = fit(&rows)
            .ok_or_else(|| refuse("the values do not scatter about a line".to_owned()))?;
        // Turns the divisor n of the likelihood into n - 2.
        let dof = (measured - 2) as f64;
        let correction = measured as f64 / dof;
        let covariance = |i: usize, j: usize, scale: f64| correction * fit.covariance[i][j] / scale;
        let variance = [
            covariance(0, 0, 1.0),
            covariance(1, 1, spread * spread),
            covariance(0, 1, spread),
        ];
        let slope_db = fit.beta[1] / spread;
        let slope_half_width_db =
            student_quantile(0.5 + 0.5 * confidence, dof) * variance[1].sqrt();
        Ok(Self {
            confidence,
            slope_db,
            slope_half_width_db,
            course: match slope_db {
                slope if slope + slope_half_width_db < 0.0 => Course::Falling,
                slope if slope - slope_half_width_db > 0.0 => Course::Rising,
                _ => Course::NotShown,
            },
            sd_db: fit.sigma_db * correction.sqrt(),
            dof,
            measured,
            bounds,
            span: [
                places.iter().copied().fold(f64::INFINITY, f64::min),
                places.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            ],
            centre,
            centre_db: fit.beta[0],
            variance,
        })
    }

    /// The line and its band at a place.
    pub fn at(&self, at: f64) -> BandPoint {
        let x = at - self.centre;
        let [height, slope, both] = self.variance;
        let fit_db = self.centre_db + self.slope_db * x;
        let half_db = self.factor() * (height + x * (2.0 * both + x * slope)).max(0.0).sqrt();
        BandPoint {
            at,
            fit_db,
            lower_db: fit_db - half_db,
            upper_db: fit_db + half_db,
        }
    }

    /// When the line meets a limit.
    pub fn crossing(&self, limit_db: f64) -> Crossing {
        if self.course != Course::Falling {
            return Crossing::NoneShown;
        }
        let above_db = self.centre_db - limit_db;
        let at = self.centre - above_db / self.slope_db;
        if at < self.span[0] {
            return Crossing::BelowFromStart;
        }
        // (line - limit)^2 = factor^2 variance, a quadratic in the distance from the centre; its first
        // coefficient is above zero because the slope is shown to be.
        let [height, slope, both] = self.variance;
        let square = self.factor().powi(2);
        let a = self.slope_db.powi(2) - square * slope;
        let half_b = above_db * self.slope_db - square * both;
        let c = above_db * above_db - square * height;
        let root = (half_b * half_b - a * c).max(0.0).sqrt();
        Crossing::At {
            at,
            from: self.centre + (-half_b - root) / a,
            to: self.centre + (-half_b + root) / a,
            within_data: at <= self.span[1],
        }
    }

    fn factor(&self) -> f64 {
        student_quantile(0.5 + 0.5 * self.confidence, self.dof)
    }

    /// One sentence on the trend and, where there is a limit, on when it is crossed. `event` is the word
    /// for one unit of the places, for example `wash`; `events` for several.
    pub fn sentence(&self, limit_db: Option<f64>, event: &str, events: &str) -> String {
        let [_, last] = self.span;
        let change = |word: &str| {
            let (slope_db, half_db) = (self.slope_db.abs(), self.slope_half_width_db);
            format!("{word} by {slope_db:.3} dB per {event} (± {half_db:.3} dB)")
        };
        let course = match self.course {
            Course::Falling => change("falls"),
            Course::Rising => change("rises"),
            Course::NotShown => format!("no change is shown within {last:.0} {events}"),
        };
        let Some(limit_db) = limit_db else {
            return course;
        };
        let crossing = match self.crossing(limit_db) {
            Crossing::NoneShown => {
                format!("no crossing of {limit_db:.1} dB can be stated from these data")
            }
            Crossing::BelowFromStart => format!("it lay below {limit_db:.1} dB from the start"),
            Crossing::At {
                at,
                from,
                to,
                within_data,
            } => {
                let place = format!("at {at:.0} {events} (between {from:.0} and {to:.0})");
                match within_data {
                    true => format!("it crosses {limit_db:.1} dB {place}"),
                    false => format!(
                        "it does not cross {limit_db:.1} dB within the data ({last:.0} {events}); if it goes \
                         on in a straight line, it will {place}"
                    ),
                }
            }
        };
        format!("{course}; {crossing}")
    }
}

fn refuse(reason: String) -> AnalysisError {
    AnalysisError::NotPossible {
        what: "a trend",
        reason,
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

    fn measured(values: &[(f64, f64)]) -> Vec<TrendPoint> {
        values
            .iter()
            .map(|(at, db)| TrendPoint {
                at: *at,
                value: Value::measured(*db),
            })
            .collect()
    }

    const WASHES: [(f64, f64); 7] = [
        (0.0, 61.2),
        (5.0, 60.7),
        (10.0, 59.6),
        (15.0, 59.4),
        (20.0, 58.1),
        (25.0, 57.9),
        (30.0, 56.8),
    ];

    #[test]
    fn without_bounds_it_is_least_squares() {
        let trend = Trend::of(&measured(&WASHES), 0.95).expect("a trend");
        // Computed with scipy 1.17 `linregress` and `t.ppf`.
        near(trend.slope_db, -0.14500000000000016, 1e-9);
        near(trend.slope_half_width_db, 0.02467529035301361, 1e-8);
        near(trend.at(0.0).fit_db, 61.275000000000006, 1e-8);
        near(
            trend.at(40.0).upper_db - trend.at(40.0).fit_db,
            0.6644025260743692,
            1e-7,
        );
        assert_eq!(
            (trend.course, trend.dof, trend.span),
            (Course::Falling, 5.0, [0.0, 30.0])
        );
    }

    #[test]
    fn a_crossing_lies_where_the_band_meets_the_limit() {
        let trend = Trend::of(&measured(&WASHES), 0.95).expect("a trend");
        let Crossing::At {
            at,
            from,
            to,
            within_data,
        } = trend.crossing(55.0)
        else {
            panic!("it falls");
        };
        assert!(!within_data && from < at && at < to);
        near(trend.at(at).fit_db, 55.0, 1e-9);
        near(trend.at(from).lower_db, 55.0, 1e-9);
        near(trend.at(to).upper_db, 55.0, 1e-9);
        assert!(
            trend
                .sentence(Some(55.0), "wash", "washes")
                .contains("does not cross 55.0 dB within the data (30 washes)")
        );
        assert!(
            trend
                .sentence(Some(58.0), "wash", "washes")
                .contains("it crosses 58.0 dB at 2")
        );
        assert_eq!(trend.crossing(62.0), Crossing::BelowFromStart);
    }

    #[test]
    fn a_flat_item_has_no_crossing() {
        let flat = [60.1, 59.9, 60.0, 60.2, 59.8, 60.05].iter().enumerate();
        let points: Vec<_> = flat.map(|(i, db)| (i as f64, *db)).collect();
        let trend = Trend::of(&measured(&points), 0.95).expect("a trend");
        assert_eq!(
            (trend.course, trend.crossing(55.0)),
            (Course::NotShown, Crossing::NoneShown)
        );
        assert!(
            trend
                .sentence(Some(55.0), "wash", "washes")
                .ends_with("can be stated from these data")
        );
    }

    #[test]
    fn what_carries_no_line_is_refused() {
        for points in [
            vec![(0.0, 60.0), (1.0, 59.0)],
            vec![(2.0, 60.0), (2.0, 59.0), (2.0, 61.0)],
            vec![(0.0, 60.0), (1.0, 59.0), (2.0, 58.0)],
            vec![(0.0, 60.0), (1.0, f64::NAN), (2.0, 58.0)],
        ] {
            assert!(Trend::of(&measured(&points), 0.95).is_err(), "{points:?}");
        }
    }

    /// 24 events from 64 dB falling by 0.25 dB each, scatter 1 dB; bounds from `range_db` on.
    fn simulated(seed: u64, range_db: f64) -> Vec<TrendPoint> {
        let mut rng = StdRng::seed_from_u64(seed);
        (0..24)
            .map(|i| {
                let noise: f64 = rng.sample(StandardNormal);
                let se_db = 64.0 - 0.25 * f64::from(i) + noise;
                let value = match se_db > range_db {
                    true => Value::at_least(range_db),
                    false => Value::measured(se_db),
                };
                TrendPoint {
                    at: f64::from(i),
                    value,
                }
            })
            .collect()
    }

    #[test]
    fn intervals_cover_the_truth_with_and_without_bounds() {
        for range_db in [1e3, 62.5] {
            let (mut slope, mut crossing, trials) = (0, 0, 300);
            for seed in 0..trials {
                let trend = Trend::of(&simulated(seed, range_db), 0.95).expect("a trend");
                slope += u32::from((trend.slope_db + 0.25).abs() <= trend.slope_half_width_db);
                // The true line meets 56 dB at 32.
                crossing += match trend.crossing(56.0) {
                    Crossing::At { from, to, .. } => u32::from(from <= 32.0 && 32.0 <= to),
                    _ => 1,
                };
            }
            // 95 %, less three standard deviations of 300 trials.
            assert!(
                slope >= 273 && crossing >= 273,
                "{range_db}: {slope} {crossing}"
            );
        }
    }

    #[test]
    fn bounds_taken_as_numbers_would_flatten_the_fall() {
        let points = simulated(1, 61.5);
        let with = Trend::of(&points, 0.95).expect("a trend");
        let as_numbers: Vec<_> = points
            .iter()
            .map(|p| (p.at, p.value.reached_db()))
            .collect();
        let without = Trend::of(&measured(&as_numbers), 0.95).expect("a trend");
        assert!(with.bounds >= 8 && with.slope_db < without.slope_db);
    }
}
