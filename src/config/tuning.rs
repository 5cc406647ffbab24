//! Where a carrier may read on the receiver's scale: source and receiver each have a clock of their own.

/// How far the frequencies of two instruments may differ that a station says nothing of, as a part: the sum of one
/// part in two million each (common practice for instruments with a crystal in an oven, no source).
pub const FREQUENCY_TOLERANCE: f64 = 1e-6;
/// Beside the window a trace shows its floor in so many bandwidths to either side.
const FLOOR_BANDWIDTHS: f64 = 4.0;

/// What decides how wide the window is in which the peak of a test frequency is picked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tuning {
    /// Resolution bandwidth, Hz.
    pub rbw_hz: f64,
    /// Distance of the trace's bins, Hz.
    pub bin_hz: f64,
    /// How far source and receiver together may be off, as a part of the frequency.
    pub tolerance: f64,
}

impl Tuning {
    /// How far source and receiver may be off at a frequency, Hz.
    pub fn error_hz(&self, at_hz: f64) -> f64 {
        self.tolerance * at_hz
    }

    /// The farthest from its test frequency that a carrier within the tolerance shows its peak, Hz: a flat filter, or
    /// a bin, may show it half its width beside.
    pub fn farthest_hz(&self, at_hz: f64) -> f64 {
        0.5 * self.rbw_hz.max(self.bin_hz) + self.error_hz(at_hz)
    }

    /// Half the width of the window, Hz: the filter's bandwidth, or one bin where bins are wider, because a carrier
    /// near the edge of a bin may show in the next; and as far as the carrier may be off.
    pub fn half_width_hz(&self, at_hz: f64) -> f64 {
        let own_hz = self.rbw_hz.max(self.bin_hz);
        own_hz.max(self.farthest_hz(at_hz))
    }

    /// The least span of a trace around a frequency that shows the window and the floor beside it, Hz.
    pub fn span_needed_hz(&self, at_hz: f64) -> f64 {
        2.0 * (self.half_width_hz(at_hz) + FLOOR_BANDWIDTHS * self.rbw_hz)
    }
}
