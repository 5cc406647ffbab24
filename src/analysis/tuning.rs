//! Whether a carrier stands where it was sent.
//!
//! A receiver whose clock is off by more than was thought shows the carrier beside the window in which its peak is
//! picked. What is picked then is the filter's skirt or noise, and the SE is overstated.

use super::AnalysisError;
use super::trace::Trace;
use crate::config::Tuning;

/// A carrier is what stands this far above everything that the trace with the source off shows nearby, dB: other
/// signals come and go by less (common practice, no source).
const STANDS_OUT_DB: f64 = 10.0;

/// How far above its test frequency a carrier stands, Hz (negative: below), where that is farther than the tolerance of
/// the instruments lets it. It is looked for up to `within_hz` to either side. None where it is in its place, or where
/// nothing stands out of the floor.
///
/// # Errors
/// The frequency lies outside of a trace.
pub fn off_hz(
    signal: &Trace,
    floor: &Trace,
    at_hz: f64,
    within_hz: f64,
    tuning: &Tuning,
) -> Result<Option<f64>, AnalysisError> {
    let near = super::trace::Window {
        centre_hz: at_hz,
        half_width_hz: within_hz,
    };
    let carrier = signal.pick(near)?;
    if carrier.level_dbm <= floor.pick(near)?.level_dbm + STANDS_OUT_DB {
        return Ok(None);
    }
    let off_hz = carrier.frequency_hz - at_hz;
    // A hair for the rounding of frequencies.
    let allowed_hz = tuning.farthest_hz(at_hz) * (1.0 + 1e-9);
    Ok((off_hz.abs() > allowed_hz).then_some(off_hz))
}

#[cfg(test)]
mod tests {
    use super::*;

    const AT_HZ: f64 = 2.4e9;

    /// A trace of 100 kHz in bins of 100 Hz, with a peak so far above the test frequency as a Gaussian filter of 1 kHz
    /// shows it.
    fn levels(off_hz: f64, dbm: f64) -> Vec<f64> {
        let bins = (0..1001).map(|bin| f64::from(bin) * 100.0 - 50e3);
        bins.map(|hz| f64::max(dbm - 12.04 * ((hz - off_hz) / 1e3).powi(2), -110.0))
            .collect()
    }

    fn off(signal: &[f64], floor: &[f64], tolerance: f64) -> Option<f64> {
        let trace = |levels| Trace::new(AT_HZ - 50e3, AT_HZ + 50e3, levels).expect("a trace");
        let tuning = Tuning {
            rbw_hz: 1e3,
            bin_hz: 100.0,
            tolerance,
        };
        off_hz(&trace(signal), &trace(floor), AT_HZ, 50e3, &tuning).expect("inside")
    }

    #[test]
    fn a_carrier_farther_off_than_the_instruments_may_be_is_told() {
        let floor = levels(0.0, -110.0);
        // Five parts in a million.
        let carrier = levels(12e3, -60.0);
        assert_eq!(off(&carrier, &floor, 1e-6), Some(12e3));
        assert_eq!(off(&carrier, &floor, 5e-6), None);
        assert_eq!(off(&levels(-12e3, -60.0), &floor, 1e-6), Some(-12e3));
        // Half a bandwidth more than one part in a million: the filter's top may be flat.
        assert_eq!(off(&levels(2.9e3, -60.0), &floor, 1e-6), None);
        assert_eq!(off(&levels(3e3, -60.0), &floor, 1e-6), Some(3e3));
        // Outside of the trace, and still a skirt at its edge.
        assert_eq!(off(&levels(51e3, -20.0), &floor, 1e-6), Some(50e3));
    }

    #[test]
    fn another_signal_is_no_carrier() {
        let station = levels(20e3, -70.0);
        let both: Vec<f64> = std::iter::zip(levels(0.0, -90.0), levels(20e3, -65.0))
            .map(|(a, b)| f64::max(a, b))
            .collect();
        assert_eq!(off(&both, &station, 1e-6), None, "it was there before");
        assert_eq!(off(&both, &levels(0.0, -110.0), 1e-6), Some(20e3));
        let nothing = levels(0.0, -110.0);
        assert_eq!(off(&nothing, &nothing, 1e-6), None);
    }
}
