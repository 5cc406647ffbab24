//! Peak-held narrow-band noise, with and without a carrier in it.
//!
//! Every bin of a held trace shows the highest of M independent samples; the pick takes the highest of
//! the bins in its window, worth W independent ones. M is at least the number of sweeps, and more when
//! the detector itself holds the peaks of a bin. M and the mean noise power are read from the spread
//! and the position of the trace's own bins, by quantiles, so that a station on the air in a few of
//! them does not matter. The carrier adds to M samples, noise alone to the other M (W - 1):
//!
//! P(reading <= L | carrier A) = F(L; A)^M · F(L; 0)^(M (W - 1)),   F from [`super::rice`].

use super::AnalysisError;
use super::rice::chance;
use super::trace::{Trace, Window};

/// Fewer bins than this say nothing about the spread of the noise.
const BINS_MIN: usize = 16;
/// A spread narrower than that of the highest of so many samples is not peak-held noise.
const SAMPLES_MAX: f64 = 1e6;

/// The noise a held trace was made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeldNoise {
    /// Mean power of the noise in one sample, dBm.
    pub mean_dbm: f64,
    /// M: independent samples held in one bin.
    pub samples: f64,
    /// W: independent bins in the picking window.
    pub bins: f64,
}

impl HeldNoise {
    /// Reads the noise from a trace taken with the source off, held over `sweeps` sweeps. `None` when
    /// the trace does not fluctuate as held noise does (digitised, averaged) or has fewer than 16 bins.
    ///
    /// # Errors
    /// The window lies outside the trace.
    pub fn estimate(
        trace: &Trace,
        window: Window,
        sweeps: u32,
        rbw_hz: f64,
    ) -> Result<Option<Self>, AnalysisError> {
        let in_window = trace.bins(window)?.count() as f64;
        if trace.levels_dbm().len() < BINS_MIN {
            return Ok(None);
        }
        let mut sorted = trace.levels_dbm().to_vec();
        sorted.sort_by(f64::total_cmp);
        let sweeps = f64::from(sweeps.max(1));
        let Some(first) = Fit::by_quantiles(&sorted, 0.25, 0.75, sweeps) else {
            return Ok(None);
        };
        // Bins that this noise would reach once in ten traces hold something else: refit without them.
        let clip_dbm = first.level_dbm(1.0 - 0.1 / sorted.len() as f64);
        sorted.truncate(sorted.partition_point(|level| *level <= clip_dbm));
        let Some(fit) = Fit::by_quantiles(&sorted, 0.1, 0.9, sweeps) else {
            return Ok(None);
        };
        let independent = 1.0 - neighbour_correlation(trace.levels_dbm(), clip_dbm);
        // By the filter where the bins are closer than it; by the trace where they vary faster than
        // the filter says (a slow sweep leaves neighbours independent).
        let by_filter = (1.0 + 2.0 * window.half_width_hz / rbw_hz).min(in_window);
        let by_trace = 1.0 + (in_window - 1.0) * independent;
        Ok(Some(Self {
            mean_dbm: fit.mean_dbm,
            samples: fit.samples,
            bins: by_filter.max(by_trace),
        }))
    }

    /// The level that the noise alone stays at or below with chance `p`, dBm.
    pub fn quantile_dbm(&self, p: f64) -> f64 {
        self.mean_dbm + held_quantile_db(self.samples * self.bins, p)
    }

    /// The carrier, in dBm, for which a reading at or below `level_dbm` has the chance `p`: with 0.5 the
    /// median-unbiased estimate, with 0.05 the carrier that only one time in twenty reads so low.
    /// `None` when the noise alone gives less than `p`, minus infinity when it gives just `p`.
    pub fn carrier_quantile(&self, level_dbm: f64, p: f64) -> Option<f64> {
        let level = self.ratio(level_dbm);
        let excess = |amplitude: f64| self.ln_below(level, amplitude) - p.ln();
        self.carrier_where(level, excess)
    }

    /// As [`Self::carrier_quantile`], among the readings above `threshold_dbm` only: the carrier for
    /// which the share `q` of them exceeds `level_dbm`. `None` when even no carrier gives more than `q`.
    pub(super) fn carrier_among_above(
        &self,
        level_dbm: f64,
        threshold_dbm: f64,
        q: f64,
    ) -> Option<f64> {
        let (level, threshold) = (self.ratio(level_dbm), self.ratio(threshold_dbm));
        let ln_above = |level, amplitude| (-self.ln_below(level, amplitude).exp_m1()).ln();
        // Falls as the carrier grows, like every function given to the search.
        let lack =
            |amplitude: f64| q.ln() - ln_above(level, amplitude) + ln_above(threshold, amplitude);
        self.carrier_where(level, lack)
    }

    /// As [`Self::carrier_quantile`], among the readings at or below `threshold_dbm` only.
    pub(super) fn carrier_among_below(
        &self,
        level_dbm: f64,
        threshold_dbm: f64,
        p: f64,
    ) -> Option<f64> {
        let (level, threshold) = (self.ratio(level_dbm), self.ratio(threshold_dbm));
        let excess = |amplitude: f64| {
            self.ln_below(level, amplitude) - self.ln_below(threshold, amplitude) - p.ln()
        };
        self.carrier_where(level, excess)
    }

    /// The same noise with another number of held samples.
    pub(super) fn with_samples(&self, samples: f64) -> Self {
        Self { samples, ..*self }
    }

    fn ratio(&self, level_dbm: f64) -> f64 {
        10f64.powf((level_dbm - self.mean_dbm) / 10.0)
    }

    /// Logarithm of P(reading <= level | amplitude), amplitude = sqrt(2 carrier / noise).
    fn ln_below(&self, level: f64, amplitude: f64) -> f64 {
        let with_carrier = chance(level, 0.5 * amplitude * amplitude);
        let ln_one = match with_carrier.above < 0.5 {
            true => (-with_carrier.above).ln_1p(),
            false => with_carrier.below.max(f64::MIN_POSITIVE).ln(),
        };
        let ln_noise = (-(-level).exp()).ln_1p();
        self.samples * (ln_one + (self.bins - 1.0) * ln_noise.max(-1e6))
    }

    /// The carrier in dBm at which `falling`, a function of the amplitude, comes down to zero; `None`
    /// when it is below zero without any carrier. Bisection kept short by the secant (Illinois).
    fn carrier_where(&self, level: f64, falling: impl Fn(f64) -> f64) -> Option<f64> {
        let (mut low, mut at_low) = (0.0, falling(0.0));
        if at_low < 0.0 || at_low.is_nan() {
            return None;
        }
        // Eight standard deviations above the level no chance is left that a sample stays below it.
        let mut high = (2.0 * level).sqrt() + 8.0;
        let mut at_high = falling(high);
        if at_high > 0.0 {
            return Some(self.carrier_dbm(high));
        }
        let mut last_side = 0;
        for step in 0..80 {
            let width = high - low;
            if width < 1e-6 * (1.0 + high) {
                break;
            }
            let secant = low + width * at_low / (at_low - at_high);
            // The logarithm is steep far from the root: halve now and then, whatever the secant says.
            let middle = match step % 3 == 2 || !secant.is_finite() {
                true => low + 0.5 * width,
                false => secant.clamp(low, high),
            };
            let value = falling(middle);
            if value > 0.0 {
                (low, at_low) = (middle, value);
                at_high *= if last_side == 1 { 0.5 } else { 1.0 };
                last_side = 1;
            } else {
                (high, at_high) = (middle, value);
                at_low *= if last_side == -1 { 0.5 } else { 1.0 };
                last_side = -1;
            }
        }
        Some(self.carrier_dbm(0.5 * (low + high)))
    }

    fn carrier_dbm(&self, amplitude: f64) -> f64 {
        self.mean_dbm + 10.0 * (0.5 * amplitude * amplitude).log10()
    }
}

/// The level over the mean noise power, in dB, that the highest of `samples` independent samples stays
/// at or below with chance `p`.
pub fn held_quantile_db(samples: f64, p: f64) -> f64 {
    // 1 - p^(1/M), kept exact for p near one and M large.
    let one_exceeds = -(p.ln() / samples).exp_m1();
    10.0 * (-one_exceeds.ln()).log10()
}

/// Noise power and number of samples that explain the quantiles of one trace.
struct Fit {
    mean_dbm: f64,
    samples: f64,
}

impl Fit {
    fn by_quantiles(sorted_dbm: &[f64], low: f64, high: f64, sweeps: f64) -> Option<Self> {
        let spread_db = quantile(sorted_dbm, high) - quantile(sorted_dbm, low);
        let spread_of = |samples| held_quantile_db(samples, high) - held_quantile_db(samples, low);
        if spread_db < spread_of(SAMPLES_MAX) {
            return None;
        }
        // The spread shrinks as samples are added: bisect their logarithm.
        let (mut few, mut many) = (sweeps.min(SAMPLES_MAX).ln(), SAMPLES_MAX.ln());
        for _ in 0..40 {
            let middle = 0.5 * (few + many);
            match spread_of(middle.exp()) > spread_db {
                true => few = middle,
                false => many = middle,
            }
        }
        let samples = few.exp();
        let levels = [low, 0.5, high];
        let offset_db = levels.map(|p| quantile(sorted_dbm, p) - held_quantile_db(samples, p));
        Some(Self {
            mean_dbm: offset_db.iter().sum::<f64>() / levels.len() as f64,
            samples,
        })
    }

    fn level_dbm(&self, p: f64) -> f64 {
        self.mean_dbm + held_quantile_db(self.samples, p)
    }
}

/// Linear between the order statistics.
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let position = p * (sorted.len() - 1) as f64;
    let below = position.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (position - below as f64) * (sorted[above] - sorted[below])
}

/// How much a bin says about its neighbour, 0 to 1, bins above `clip_dbm` counted as being there.
fn neighbour_correlation(levels_dbm: &[f64], clip_dbm: f64) -> f64 {
    let mean = levels_dbm.iter().map(|l| l.min(clip_dbm)).sum::<f64>() / levels_dbm.len() as f64;
    let off = |level: f64| level.min(clip_dbm) - mean;
    let variance: f64 = levels_dbm.iter().map(|l| off(*l).powi(2)).sum();
    let shared: f64 = levels_dbm.windows(2).map(|w| off(w[0]) * off(w[1])).sum();
    (shared / variance).clamp(0.0, 1.0)
}
