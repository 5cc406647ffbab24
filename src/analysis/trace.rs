//! A trace as the receiver gave it, and the peak picked from it.
//!
//! The same pick serves signal, reference and floor: a floor read in any other way could not be compared.

use super::AnalysisError;

/// No receiver shows more, or less than minus this. SCPI writes "not a number" as 9.91E37 and infinity
/// as 9.9E37 (SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5, from memory).
const LEVEL_MAX_DBM: f64 = 1000.0;

/// Levels at equally spaced frequencies, borrowed and never altered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trace<'a> {
    start_hz: f64,
    stop_hz: f64,
    levels_dbm: &'a [f64],
}

/// Where the peak is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// The test frequency, Hz.
    pub centre_hz: f64,
    /// How far to either side the peak may lie, Hz. The nearest bin always counts.
    pub half_width_hz: f64,
}

/// A peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Picked {
    /// Its level, dBm.
    pub level_dbm: f64,
    /// The frequency of its bin, Hz.
    pub frequency_hz: f64,
}

impl<'a> Trace<'a> {
    /// A trace whose first level belongs to `start_hz` and whose last to `stop_hz` (equal for zero span).
    ///
    /// # Errors
    /// No levels, a level that is none, or frequencies out of order.
    pub fn new(start_hz: f64, stop_hz: f64, levels_dbm: &'a [f64]) -> Result<Self, AnalysisError> {
        let reason = if levels_dbm.is_empty() {
            "it has no levels".to_owned()
        } else if !(start_hz.is_finite() && stop_hz.is_finite() && start_hz <= stop_hz) {
            "its frequencies are out of order".to_owned()
        } else if let Some(at) = levels_dbm.iter().position(|level| !is_level(*level)) {
            let (number, of) = (at + 1, levels_dbm.len());
            format!(
                "level {number} of {of}, {}, is not a level in dBm",
                levels_dbm[at]
            )
        } else {
            return Ok(Self {
                start_hz,
                stop_hz,
                levels_dbm,
            });
        };
        Err(AnalysisError::TraceNotUsable {
            start_hz,
            stop_hz,
            reason,
        })
    }

    /// The levels, dBm.
    pub fn levels_dbm(&self) -> &'a [f64] {
        self.levels_dbm
    }

    /// The distance of two neighbouring bins, Hz; zero for one bin or zero span.
    pub fn spacing_hz(&self) -> f64 {
        (self.stop_hz - self.start_hz) / (self.levels_dbm.len().max(2) - 1) as f64
    }

    /// The frequency of a bin, Hz.
    pub fn frequency_hz(&self, bin: usize) -> f64 {
        self.start_hz + bin as f64 * self.spacing_hz()
    }

    /// The bins in a window: at least the nearest one.
    ///
    /// # Errors
    /// The window's centre lies further than half a bin outside the trace.
    pub fn bins(&self, window: Window) -> Result<std::ops::RangeInclusive<usize>, AnalysisError> {
        let spacing_hz = self.spacing_hz();
        let last = self.levels_dbm.len() - 1;
        let slack_hz = 0.5 * spacing_hz;
        let centre_hz = window.centre_hz;
        if !(self.start_hz - slack_hz <= centre_hz && centre_hz <= self.stop_hz + slack_hz) {
            // Zero span stays on one frequency: only that one is in it, give or take a rounding.
            let near = (centre_hz - self.start_hz).abs() <= window.half_width_hz;
            if !(spacing_hz == 0.0 && near) {
                return Err(AnalysisError::OutsideTrace {
                    frequency_hz: centre_hz,
                    start_hz: self.start_hz,
                    stop_hz: self.stop_hz,
                });
            }
        }
        if spacing_hz == 0.0 {
            return Ok(0..=last);
        }
        let position = (centre_hz - self.start_hz) / spacing_hz;
        let nearest = position.round().clamp(0.0, last as f64);
        // A thousandth of a bin forgives the rounding of frequencies that were meant to be equal.
        let reach = (window.half_width_hz / spacing_hz).max(0.0) + 1e-3;
        let first = (position - reach).ceil().clamp(0.0, nearest);
        let end = (position + reach).floor().clamp(nearest, last as f64);
        Ok(first as usize..=end as usize)
    }

    /// The part of the trace within a window, its levels at the frequencies they have here.
    ///
    /// # Errors
    /// As [`Trace::bins`].
    pub fn slice(&self, window: Window) -> Result<Self, AnalysisError> {
        let bins = self.bins(window)?;
        Ok(Self {
            start_hz: self.frequency_hz(*bins.start()),
            stop_hz: self.frequency_hz(*bins.end()),
            levels_dbm: &self.levels_dbm[bins],
        })
    }

    /// The highest level within the window; of equal ones the first.
    ///
    /// # Errors
    /// As [`Trace::bins`].
    pub fn pick(&self, window: Window) -> Result<Picked, AnalysisError> {
        let bins = self.bins(window)?;
        let mut best = *bins.start();
        for bin in bins {
            if self.levels_dbm[bin] > self.levels_dbm[best] {
                best = bin;
            }
        }
        Ok(Picked {
            level_dbm: self.levels_dbm[best],
            frequency_hz: self.frequency_hz(best),
        })
    }
}

fn is_level(dbm: f64) -> bool {
    dbm.abs() <= LEVEL_MAX_DBM
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEVELS: [f64; 5] = [-90.0, -30.0, -80.0, -50.0, -91.0];

    fn pick(centre_hz: f64, half_width_hz: f64) -> Result<Picked, AnalysisError> {
        let window = Window {
            centre_hz,
            half_width_hz,
        };
        Trace::new(100.0, 140.0, &LEVELS)?.pick(window)
    }

    #[test]
    fn picks_the_highest_bin_in_the_window_and_nothing_outside_it() {
        let at = |centre, half| pick(centre, half).map(|p| (p.level_dbm, p.frequency_hz));
        assert_eq!(at(130.0, 10.0), Ok((-50.0, 130.0)));
        assert_eq!(at(130.0, 20.0), Ok((-30.0, 110.0)));
        assert_eq!(
            at(121.0, 0.0),
            Ok((-80.0, 120.0)),
            "the nearest bin always counts"
        );
        assert_eq!(
            at(143.0, 1.0),
            Ok((-91.0, 140.0)),
            "within half a bin of the end"
        );
        assert!(matches!(
            at(146.0, 20.0),
            Err(AnalysisError::OutsideTrace { .. })
        ));
        assert!(matches!(
            at(f64::NAN, 20.0),
            Err(AnalysisError::OutsideTrace { .. })
        ));
    }

    #[test]
    fn a_slice_keeps_its_frequencies() {
        let trace = Trace::new(100.0, 140.0, &LEVELS).expect("usable");
        let window = |centre_hz, half_width_hz| Window {
            centre_hz,
            half_width_hz,
        };
        let slice = trace.slice(window(121.0, 12.0)).expect("inside");
        assert_eq!(slice.levels_dbm(), &LEVELS[1..=3]);
        assert_eq!((slice.frequency_hz(0), slice.spacing_hz()), (110.0, 10.0));
        // As wide as the trace is all of it, whatever rounding did to the width.
        assert_eq!(trace.slice(window(120.0, 20.0 - 1e-9)), Ok(trace));
        assert!(trace.slice(window(146.0, 20.0)).is_err());
    }

    #[test]
    fn zero_span_picks_over_all_of_its_time() {
        let trace = Trace::new(1e8, 1e8, &LEVELS).expect("usable");
        let window = |centre_hz| Window {
            centre_hz,
            half_width_hz: 10.0,
        };
        assert_eq!(
            trace.pick(window(1e8 + 1.0)).map(|p| p.level_dbm),
            Ok(-30.0)
        );
        assert!(trace.pick(window(1.1e8)).is_err());
    }

    #[test]
    fn a_trace_that_is_none_is_refused() {
        for (start, stop, levels) in [
            (1.0, 2.0, &[][..]),
            (2.0, 1.0, &[-1.0, -2.0][..]),
            (1.0, f64::NAN, &[-1.0][..]),
            (1.0, 2.0, &[-1.0, f64::NAN][..]),
            (1.0, 2.0, &[f64::NEG_INFINITY][..]),
            (1.0, 2.0, &[-80.0, 9.91e37][..]),
        ] {
            assert!(
                Trace::new(start, stop, levels).is_err(),
                "{start} {stop} {levels:?}"
            );
        }
    }
}
