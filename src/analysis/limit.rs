//! The limit line: required SE over frequency.

use super::AnalysisError;

/// Points of (Hz, dB), straight between them over the logarithm of the frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitLine {
    points: Vec<(f64, f64)>,
}

impl LimitLine {
    /// A line through at least two points in rising order. Two points at one frequency make a step.
    ///
    /// # Errors
    /// Which point is wrong, and how.
    pub fn new(points: Vec<(f64, f64)>) -> Result<Self, AnalysisError> {
        let fault = |index: usize, reason| AnalysisError::LimitNotUsable {
            number: index + 1,
            reason,
        };
        if points.len() < 2 {
            return Err(fault(points.len(), "a line needs two points"));
        }
        for (index, (hz, db)) in points.iter().enumerate() {
            if !(hz.is_finite() && db.is_finite() && *hz > 0.0) {
                return Err(fault(
                    index,
                    "frequency and limit must be numbers, the frequency above zero",
                ));
            }
            if index > 0 && *hz < points[index - 1].0 {
                return Err(fault(index, "its frequency is below the one before it"));
            }
        }
        Ok(Self { points })
    }

    /// The points, as given.
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// The limit at a frequency, dB; `None` outside of the line. At a step the stricter side holds.
    pub fn at_db(&self, frequency_hz: f64) -> Option<f64> {
        let mut found: Option<f64> = None;
        for pair in self.points.windows(2) {
            let ((low_hz, low_db), (high_hz, high_db)) = (pair[0], pair[1]);
            if !(low_hz <= frequency_hz && frequency_hz <= high_hz) {
                continue;
            }
            let here = match low_hz == high_hz {
                true => low_db.max(high_db),
                false => {
                    let along = (frequency_hz / low_hz).ln() / (high_hz / low_hz).ln();
                    low_db + along * (high_db - low_db)
                }
            };
            found = Some(found.map_or(here, |other| other.max(here)));
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_straight_over_log_frequency_and_ends_where_it_ends() {
        let line = LimitLine::new(vec![(1e5, 20.0), (1e7, 60.0), (1e7, 50.0), (1e9, 50.0)])
            .expect("a line");
        assert_eq!(line.at_db(1e6), Some(40.0));
        assert_eq!(line.at_db(1e7), Some(60.0), "the stricter side of a step");
        assert_eq!(line.at_db(2e7), Some(50.0));
        assert_eq!((line.at_db(9.9e4), line.at_db(1.1e9)), (None, None));
        assert_eq!((line.at_db(1e5), line.at_db(1e9)), (Some(20.0), Some(50.0)));
    }

    #[test]
    fn a_line_that_is_none_is_refused_by_its_point() {
        for (points, at) in [
            (vec![(1e6, 50.0)], 2),
            (vec![(1e6, 50.0), (1e5, 50.0)], 2),
            (vec![(0.0, 50.0), (1e5, 50.0)], 1),
            (vec![(1.0, 50.0), (1e5, f64::NAN)], 2),
        ] {
            match LimitLine::new(points) {
                Err(AnalysisError::LimitNotUsable { number, .. }) => assert_eq!(number, at),
                other => panic!("{other:?}"),
            }
        }
    }
}
