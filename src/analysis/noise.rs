//! Peak-held narrow-band noise, with and without a carrier in it.
//!
//! Every bin of a held trace shows the highest of M independent samples; the pick takes the highest of
//! the bins in its window, worth W independent ones. M is at least the number of sweeps, and more when
//! the detector itself holds the peaks of a bin. M and the mean noise power are read from the spread
//! and the position of the trace's own bins, by quantiles, so that a station on the air in a few of
//! them does not matter. The carrier shows in every bin that it passes the resolution filter to, with
//! the filter's power response g at the bin's distance:
//!
//! P(reading <= L | carrier A) = product over the W bins of F(L; g A)^M,   F from [`super::rice`].
//!
//! Where the carrier was on for a share s of the samples only: F(L; g A)^(s M) F(L; 0)^((1 - s) M).
//!
//! A filter that is swept past the carrier takes several independent samples of noise on its way: the
//! carrier has a chance to read high in each of them.

use super::AnalysisError;
use super::rice::chance;
use super::trace::{Trace, Window};

/// Fewer bins than this say nothing about the spread of the noise.
const BINS_MIN: usize = 16;
/// The distance of the 10 % and 90 % quantiles of a normal distribution, in standard deviations.
const NORMAL_SPREAD: f64 = 2.563;
/// The distance at which bins that stand closer are taken together, in resolution bandwidths.
const NODE_BANDWIDTHS: f64 = 0.25;
/// Distances from the carrier that are looked at, the carrier's own place first: up to one bandwidth at
/// the least. There the filter takes 12 dB off a carrier, beyond it more.
const NODES: usize = 5;
/// So many standard deviations to either side a carrier's way is averaged over,
const WAYS_MAX: f64 = 3.0;
/// in so many steps.
const WAYS: i32 = 6;
/// How exactly a carrier is sought: of the logarithm of a chance, and of the amplitude.
const PRECISION: f64 = 1e-6;
/// How long it is sought at most.
const STEPS_MAX: u32 = 80;
/// How far off held noise its own quantiles may be (Anderson and Darling's statistic, reduced to independent bins): of
/// 4,000 clean traces each of peak and sample detectors, 1 to 50 sweeps and 1 to 10 bins a bandwidth, one in a thousand
/// lies above, with few samples and with many.
const MISFIT_MAX: (f64, f64) = (6.0, 3.5);
/// What few samples are.
const FEW_SAMPLES: f64 = 5.0;
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
    /// The share of W that a carrier in all of them makes independent: noise alone rises above a level by single
    /// crests, of which a window has more than it has independent samples.
    pub apart: f64,
    /// Standard uncertainty of `mean_dbm`, from the number of independent bins it was read from, dB.
    pub mean_u_db: f64,
    /// Where a carrier shows.
    pub passband: Passband,
    /// The share of the held samples that had the carrier in them; the others held noise alone.
    pub share: f64,
}

/// How much of a carrier the filter passes to the independent bins around it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passband([Node; NODES]);

/// Bins at one distance from the carrier.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Node {
    /// Power response of the filter there.
    gain: f64,
    /// How many independent bins that is.
    bins: f64,
}

impl Passband {
    /// A window worth `bins` independent bins reaches from `low` to `high`, in resolution bandwidths from
    /// the carrier. The filter is taken to be Gaussian, 3 dB down half a bandwidth from its middle.
    pub(super) fn new(bins: f64, low: f64, high: f64) -> Self {
        let spacing = (high - low) / (bins - 1.0).max(1e-9);
        let step = spacing.clamp(NODE_BANDWIDTHS, 1e3);
        // All of them where the bins are on one frequency.
        let each = (step / spacing).max(1.0).min(bins);
        let (low, high) = (low - 0.5 * step, high + 0.5 * step);
        Self(std::array::from_fn(|node| {
            let offset = node as f64 * step;
            let sides = match node {
                0 => 1,
                _ => u8::from(offset < high) + u8::from(-offset > low),
            };
            Node {
                gain: (-4.0 * std::f64::consts::LN_2 * offset * offset).exp(),
                bins: f64::from(sides) * each,
            }
        }))
    }
}

impl HeldNoise {
    /// Reads the noise from a trace taken with the source off, held over `sweeps` sweeps, for a carrier
    /// at `carrier_hz`. `None` when the trace does not fluctuate as held noise does (digitised,
    /// averaged, not of one level throughout) or has fewer than 16 bins.
    ///
    /// # Errors
    /// The window lies outside the trace.
    pub fn estimate(
        trace: &Trace,
        window: Window,
        carrier_hz: f64,
        sweeps: u32,
        rbw_hz: f64,
    ) -> Result<Option<Self>, AnalysisError> {
        let picked = trace.bins(window)?;
        let (first_hz, last_hz) = (
            trace.frequency_hz(*picked.start()),
            trace.frequency_hz(*picked.end()),
        );
        let in_window = picked.count() as f64;
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
        let shared = neighbour_correlation(trace.levels_dbm(), clip_dbm);
        // By the filter where the bins are closer than it; by the trace where they vary faster than
        // the filter says (a slow sweep leaves neighbours independent). How often noise rises above a
        // level goes as the root of what neighbours do not share: both as the step between them.
        let by_filter = (1.0 + 2.0 * window.half_width_hz / rbw_hz).min(in_window);
        let by_trace = 1.0 + (in_window - 1.0) * (1.0 - shared).sqrt();
        let bins = by_filter.max(by_trace);
        let bandwidths = |hz: f64| (hz - carrier_hz) / rbw_hz.max(f64::MIN_POSITIVE);
        let unlike = (1.0 - shared) / (1.0 + shared);
        let independent = (sorted.len() as f64 * unlike).max(1.0);
        if unlike * fit.misfit(&sorted) > misfit_max(fit.samples) {
            return Ok(None);
        }
        Ok(Some(Self {
            mean_dbm: fit.mean_dbm,
            samples: fit.samples,
            bins,
            apart: (by_filter.max(in_window * unlike) / bins).min(1.0),
            mean_u_db: fit.deviation_db / independent.sqrt(),
            passband: Passband::new(bins, bandwidths(first_hz), bandwidths(last_hz)),
            share: 1.0,
        }))
    }

    /// The level that the noise alone stays at or below with chance `p`, dBm.
    pub fn quantile_dbm(&self, p: f64) -> f64 {
        self.mean_dbm + held_quantile_db(self.samples * self.bins, p)
    }

    /// The carrier, in dBm, for which a reading at or below `level_dbm` has the chance `p`: with 0.5 the
    /// median-unbiased estimate, with 0.05 the carrier that only one time in twenty reads so low.
    /// `None` when the noise alone gives less than `p`.
    pub fn carrier_quantile(&self, level_dbm: f64, p: f64) -> Option<f64> {
        let level = self.ratio(level_dbm);
        self.carrier_where(level, p, |amplitude| self.ln_below(level, amplitude))
    }

    /// As [`Self::carrier_quantile`], among the readings above `threshold_dbm` only.
    pub(super) fn carrier_among_above(
        &self,
        level_dbm: f64,
        threshold_dbm: f64,
        p: f64,
    ) -> Option<f64> {
        let (level, threshold) = (self.ratio(level_dbm), self.ratio(threshold_dbm));
        let above = |level, amplitude| -self.ln_below(level, amplitude).exp_m1();
        self.carrier_where(level, p, |amplitude| {
            (-above(level, amplitude) / above(threshold, amplitude)).ln_1p()
        })
    }

    /// The carrier for which a reading at or below `level_dbm` has the chance `p` among the readings at or below
    /// `threshold_dbm`, or the carrier that reads below the threshold with that chance, if it is lower. Either is
    /// the carrier that was sent; what arrives of it varies by `way_u_db` (standard deviation).
    pub(super) fn missed_carrier(
        &self,
        level_dbm: f64,
        threshold_dbm: f64,
        p: f64,
        way_u_db: f64,
    ) -> Option<f64> {
        let (level, threshold) = (self.ratio(level_dbm), self.ratio(threshold_dbm));
        let ln_below = |level, amplitude| self.ln_below_over(level, amplitude, way_u_db);
        let reach = 10f64.powf(WAYS_MAX * way_u_db / 20.0);
        let among = self.carrier_within(level, reach, p, |amplitude| {
            ln_below(level, amplitude) - ln_below(threshold, amplitude)
        });
        let rare = self.carrier_within(threshold, reach, p, |amplitude| {
            ln_below(threshold, amplitude)
        });
        among.zip(rare).map(|(among, rare)| among.min(rare))
    }

    /// The same noise, stronger.
    pub(super) fn raised(&self, by_db: f64) -> Self {
        Self {
            mean_dbm: self.mean_dbm + by_db,
            ..*self
        }
    }

    /// The same noise, of whose held samples only a share had the carrier in them.
    pub(super) fn with_carrier_in(&self, share: f64) -> Self {
        Self { share, ..*self }
    }

    fn ratio(&self, level_dbm: f64) -> f64 {
        10f64.powf((level_dbm - self.mean_dbm) / 10.0)
    }

    /// Logarithm of P(reading <= level | amplitude), amplitude = sqrt(2 carrier / noise).
    fn ln_below(&self, level: f64, amplitude: f64) -> f64 {
        let carrier = 0.5 * amplitude * amplitude;
        let ln_noise = (-(-level).exp()).ln_1p().max(-1e6);
        let (mut ln_product, mut left) = (0.0, self.bins);
        for node in self.passband.0.iter().filter(|node| node.bins > 0.0) {
            let bins = node.bins.min(left);
            let with_carrier = chance(level, node.gain * carrier);
            let ln_carrier = match with_carrier.above < 0.5 {
                true => (-with_carrier.above).ln_1p(),
                false => with_carrier.below.max(f64::MIN_POSITIVE).ln(),
            };
            ln_product += bins * (self.share * ln_carrier + (1.0 - self.share) * ln_noise);
            left -= bins;
        }
        self.samples * (ln_product + left * ln_noise)
    }

    /// As [`Self::ln_below`], where the carrier's way varies by `way_u_db`: the chance is averaged over it.
    fn ln_below_over(&self, level: f64, amplitude: f64, way_u_db: f64) -> f64 {
        let (mut sum, mut weights) = (0.0, 0.0);
        for step in -WAYS..=WAYS {
            let deviations = WAYS_MAX * f64::from(step) / f64::from(WAYS);
            let weight = (-0.5 * deviations * deviations).exp();
            let arriving = amplitude * 10f64.powf(deviations * way_u_db / 20.0);
            sum += weight * self.ln_below(level, arriving).exp();
            weights += weight;
        }
        (sum / weights).ln()
    }

    fn carrier_where(&self, level: f64, p: f64, ln_chance: impl Fn(f64) -> f64) -> Option<f64> {
        self.carrier_within(level, 1.0, p, ln_chance)
    }

    /// The carrier in dBm for which `ln_chance`, the logarithm of a chance that falls as the amplitude
    /// grows, is that of `p`; `None` when the chance is below `p` without any carrier. What arrives of an
    /// amplitude is within the factor `reach` of it.
    fn carrier_within(
        &self,
        level: f64,
        reach: f64,
        p: f64,
        ln_chance: impl Fn(f64) -> f64,
    ) -> Option<f64> {
        // Nearly straight in the amplitude, as the distribution of a maximum is (Gumbel), so that the
        // secant finds its zero in a few steps; the Illinois rule keeps it from creeping.
        let gumbel = |ln_p: f64| (-ln_p).ln();
        let excess = |amplitude: f64| gumbel(p.ln()) - gumbel(ln_chance(amplitude));
        // No sample of a carrier eight standard deviations above the level stays below it, and seldom
        // is one of those held nine above its carrier.
        let at_level = (2.0 * level).sqrt();
        let (mut low, mut high) = ((at_level - 9.0).max(0.0) / reach, (at_level + 8.0) * reach);
        let (mut at_low, mut at_high) = (excess(low), excess(high));
        if low > 0.0 && at_low < 0.0 {
            (low, at_low) = (0.0, excess(0.0));
        }
        if at_low < 0.0 || at_low.is_nan() {
            return None;
        }
        if at_high > 0.0 {
            return Some(self.carrier_dbm(high));
        }
        let mut last_side = 0;
        for _ in 0..STEPS_MAX {
            let width = high - low;
            // Where a chance is nothing or all, its Gumbel is infinite and no guide; and far enough above the
            // noise both ends are the same number.
            let fall = at_low - at_high;
            let middle = match fall.is_finite() && fall > 0.0 {
                true => (low + width * at_low / fall).clamp(low, high),
                false => low + 0.5 * width,
            };
            let value = excess(middle);
            if value.abs() < PRECISION || width < PRECISION * high {
                return Some(self.carrier_dbm(middle));
            }
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

/// Whether levels reach further above their own lower quartile than noise held over `sweeps` sweeps does once
/// in a million traces; what holds more samples varies less. A station whose frequency swings fills a trace,
/// so that its noise cannot be read from it any more: this needs none.
pub fn reaches_too_high(levels_dbm: &[f64], sweeps: u32) -> bool {
    let mut sorted = levels_dbm.to_vec();
    sorted.sort_by(f64::total_cmp);
    let Some(highest_dbm) = sorted.last() else {
        return false;
    };
    let sweeps = f64::from(sweeps.max(1));
    let of_all = sweeps * sorted.len() as f64;
    let most_db = held_quantile_db(of_all, 1.0 - 1e-6) - held_quantile_db(sweeps, 0.25);
    highest_dbm - quantile(&sorted, 0.25) > most_db
}

/// Noise power and number of samples that explain the quantiles of one trace.
struct Fit {
    mean_dbm: f64,
    samples: f64,
    /// Standard deviation of one bin, about.
    deviation_db: f64,
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
            deviation_db: spread_db / NORMAL_SPREAD,
        })
    }

    /// How far sorted levels are from this noise (T. W. Anderson and D. A. Darling, 1954).
    fn misfit(&self, sorted_dbm: &[f64]) -> f64 {
        // The logarithms of the chances to stay below a level and to exceed it.
        let logarithms = |dbm: f64| {
            let one_exceeds = (-10f64.powf((dbm - self.mean_dbm) / 10.0)).exp();
            let below = (self.samples * (-one_exceeds).ln_1p()).max(-700.0);
            (below, (-below.exp_m1()).max(f64::MIN_POSITIVE).ln())
        };
        let count = sorted_dbm.len() as f64;
        let pairs = sorted_dbm.iter().zip(sorted_dbm.iter().rev()).enumerate();
        let sum: f64 = pairs
            .map(|(i, (low, high))| {
                (2.0 * i as f64 + 1.0) * (logarithms(*low).0 + logarithms(*high).1)
            })
            .sum();
        -count - sum / count
    }

    fn level_dbm(&self, p: f64) -> f64 {
        self.mean_dbm + held_quantile_db(self.samples, p)
    }
}

fn misfit_max(samples: f64) -> f64 {
    let (few, many) = MISFIT_MAX;
    if samples < FEW_SAMPLES { few } else { many }
}

/// Linear between the order statistics.
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let position = p * (sorted.len() - 1) as f64;
    let below = position.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (position - below as f64) * (sorted[above] - sorted[below])
}

/// How much a bin says about its neighbour, 0 to 1, bins above `clip_dbm` counted as being there.
pub(super) fn neighbour_correlation(levels_dbm: &[f64], clip_dbm: f64) -> f64 {
    let mean = levels_dbm.iter().map(|l| l.min(clip_dbm)).sum::<f64>() / levels_dbm.len() as f64;
    let off = |level: f64| level.min(clip_dbm) - mean;
    let variance: f64 = levels_dbm.iter().map(|l| off(*l).powi(2)).sum();
    let shared: f64 = levels_dbm.windows(2).map(|w| off(w[0]) * off(w[1])).sum();
    // Levels that are all the same say nothing about each other.
    (shared / variance.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean(samples: f64, of: impl Fn(f64) -> f64) -> f64 {
        // The mean of a random variable is the integral of its quantiles.
        let steps = 200_000;
        (0..steps)
            .map(|i| {
                of(held_quantile_db(
                    samples,
                    (f64::from(i) + 0.5) / f64::from(steps),
                ))
            })
            .sum::<f64>()
            / f64::from(steps)
    }

    #[test]
    fn held_noise_follows_order_statistics() {
        // ORACLES A17, exact: N, 10 lg H_N, mean of the dB, median, 95 % quantile.
        for (n, of_mean, mean_of, median, q95) in [
            (10.0, 4.667147, 4.298968, 4.319352, 7.222508),
            (50.0, 6.531358, 6.370942, 6.319974, 8.377608),
            (100.0, 7.149479, 7.028116, 6.968059, 8.794183),
            (401.0, 8.177255, 8.101016, 8.035485, 9.525125),
            (1001.0, 8.742771, 8.683736, 8.618696, 9.947119),
            (10000.0, 9.906765, 9.871873, 9.812244, 10.85666),
        ] {
            let near = |found: f64, expected: f64| (found - expected).abs() < 1e-3;
            assert!(near(held_quantile_db(n, 0.5), median), "{n}");
            assert!(near(held_quantile_db(n, 0.95), q95), "{n}");
            assert!(near(mean(n, |db| db), mean_of), "{n}");
            assert!(
                near(10.0 * mean(n, |db| 10f64.powf(db / 10.0)).log10(), of_mean),
                "{n}"
            );
        }
        // ORACLES A18, Monte Carlo: standard deviation of the dB for N = 100.
        let centre = mean(100.0, |db| db);
        let sd = mean(100.0, |db| (db - centre).powi(2)).sqrt();
        assert!((sd - 1.015712).abs() < 0.02, "{sd}");
        // ORACLES A19: a single sample's mean of the dB and its standard deviation.
        let centre = mean(1.0, |db| db);
        let sd = mean(1.0, |db| (db - centre).powi(2)).sqrt();
        assert!(
            (centre + 2.506816).abs() < 1e-3 && (sd - 5.570043).abs() < 0.005,
            "{centre} {sd}"
        );
        // ORACLES A25: peak hold over log average, noise only, 99 % quantile.
        assert!((held_quantile_db(100.0, 0.99) - centre - 12.14723).abs() < 1e-3);
    }

    /// Levels at the quantiles of noise held over `samples`, in an order that leaves neighbours unlike.
    fn noise_levels(samples: f64, bins: usize, mean_dbm: f64) -> Vec<f64> {
        (0..bins)
            .map(|i| (i * 89 % bins) as f64)
            .map(|i| mean_dbm + held_quantile_db(samples, (i + 0.5) / bins as f64))
            .collect()
    }

    const WINDOW: Window = Window {
        centre_hz: 100.0,
        half_width_hz: 2.0,
    };

    fn estimate(levels: &[f64], sweeps: u32) -> Option<HeldNoise> {
        let trace = Trace::new(0.0, 200.0, levels).expect("a trace");
        HeldNoise::estimate(&trace, WINDOW, WINDOW.centre_hz, sweeps, 2.0).expect("a window")
    }

    #[test]
    fn finds_power_and_samples_even_with_stations_on_the_air() {
        for samples in [1.0, 10.0, 200.0] {
            let mut levels = noise_levels(samples, 201, -100.0);
            for (bin, level) in levels.iter_mut().enumerate() {
                if (30..38).contains(&bin) || bin == 150 {
                    *level = -60.0;
                }
            }
            let found = estimate(&levels, 1).expect("noise");
            assert!((found.mean_dbm + 100.0).abs() < 0.7, "{samples}: {found:?}");
            assert!(
                (found.samples / samples).ln().abs() < 0.4,
                "{samples}: {found:?}"
            );
            assert!(found.bins >= 3.0 && found.bins <= 5.0, "{found:?}");
        }
        let levels = noise_levels(10.0, 201, -100.0);
        let found = estimate(&levels, 14).expect("noise");
        assert_eq!(
            found.samples.round(),
            14.0,
            "never fewer samples than sweeps"
        );
    }

    #[test]
    fn a_trace_full_of_signal_is_told_from_noise() {
        for samples in [10.0, 50.0] {
            assert!(!reaches_too_high(&noise_levels(samples, 201, -120.0), 10));
        }
        // Skirts of a Gaussian filter wherever a swinging station was met.
        let skirts = |bin: u32| f64::from(bin % 40).powi(2) / 20.0;
        let full: Vec<f64> = (0..201).map(|bin| -55.0 - skirts(bin)).collect();
        assert!(reaches_too_high(&full, 50));
        assert!(!reaches_too_high(&[-90.0; 201], 50));
    }

    #[test]
    fn a_floor_that_is_not_of_one_level_is_not_held_noise() {
        let levels = noise_levels(50.0, 201, -120.0);
        assert!(estimate(&levels, 50).is_some());
        // Half of the trace 4 dB higher: no quantile is where held noise has it.
        let step = |(bin, level): (usize, &f64)| level + if bin < 100 { 0.0 } else { 4.0 };
        let stepped: Vec<f64> = levels.iter().enumerate().map(step).collect();
        assert_eq!(estimate(&stepped, 50), None);
    }

    #[test]
    fn a_floor_that_stands_still_has_no_noise_in_it() {
        assert_eq!(estimate(&[-95.0; 201], 10), None);
        assert_eq!(
            estimate(&noise_levels(10.0, 15, -95.0), 10),
            None,
            "too few bins to tell"
        );
        let steps: Vec<f64> = (0..201).map(|i| -95.0 + 0.1 * f64::from(i % 3)).collect();
        assert_eq!(estimate(&steps, 10), None, "digitised");
    }

    #[test]
    fn a_quantile_of_the_carrier_gives_back_its_chance() {
        for samples in [1.0, 10.0, 50.0] {
            let noise = HeldNoise {
                mean_dbm: -100.0,
                samples,
                bins: 3.0,
                apart: 1.0,
                mean_u_db: 0.0,
                passband: Passband::new(3.0, -1.0, 1.0),
                share: 1.0,
            };
            for level_dbm in [-97.0, -92.0, -85.0, -70.0, -40.0] {
                for p in [0.05, 0.5, 0.975] {
                    let Some(carrier_dbm) = noise.carrier_quantile(level_dbm, p) else {
                        assert!(
                            noise.quantile_dbm(p) >= level_dbm,
                            "{noise:?} {level_dbm} {p}"
                        );
                        continue;
                    };
                    let amplitude = (2.0 * noise.ratio(carrier_dbm)).sqrt();
                    let back = noise.ln_below(noise.ratio(level_dbm), amplitude).exp();
                    assert!((back - p).abs() < 1e-3, "{noise:?} {level_dbm} {p}: {back}");
                }
            }
        }
    }

    #[test]
    fn a_carrier_shows_where_the_filter_passes_it() {
        let nodes = |bins, low, high| Passband::new(bins, low, high).0.map(|n| (n.gain, n.bins));
        // One bin a bandwidth: a Gaussian filter is 3 dB down at half of one, 12 dB at one.
        let [middle, next, outside, ..] = nodes(3.0, -1.0, 1.0);
        assert_eq!(
            (middle.0, middle.1, next.1, outside.1),
            (1.0, 1.0, 2.0, 0.0)
        );
        assert!((next.0 - 1.0 / 16.0).abs() < 1e-12, "{next:?}");
        // Many bins a bandwidth: a quarter of one is taken together, all of the window counted.
        let close = nodes(41.0, -1.0, 1.0);
        assert_eq!(close[2].0, 0.5);
        let counted: f64 = close.iter().map(|node| node.1).sum();
        assert!((counted - 45.0).abs() < 1e-9, "{close:?}");
        // A carrier at the edge of the window shows on one side only.
        let edge = nodes(41.0, 0.0, 2.0).map(|node| node.1);
        assert_eq!((edge[0], edge[1]), (5.0, 5.0));
        // One bin, and all of the time on one frequency.
        assert_eq!(
            nodes(1.0, 0.0, 0.0).map(|node| node.1),
            [1.0, 0.0, 0.0, 0.0, 0.0]
        );
        assert_eq!(nodes(7.0, 0.0, 0.0)[0], (1.0, 7.0));
    }

    #[test]
    fn a_carrier_that_was_on_for_a_share_of_the_samples() {
        let noise = |samples, share| HeldNoise {
            mean_dbm: -100.0,
            samples,
            bins: 3.0,
            apart: 1.0,
            mean_u_db: 0.0,
            passband: Passband::new(3.0, -1.0, 1.0),
            share,
        };
        // By the product rule: 93 samples of which 3 had the carrier are 3 with it and 90 without.
        for (level, amplitude) in [(5.0, 2.0), (12.0, 5.0), (1e4, 140.0)] {
            let shared = noise(93.0, 3.0 / 93.0).ln_below(level, amplitude);
            let with = noise(3.0, 1.0).ln_below(level, amplitude);
            let without = noise(90.0, 1.0).ln_below(level, 0.0);
            assert!((shared - with - without).abs() < 1e-9 * (1.0 + shared.abs()));
        }
        let all = noise(93.0, 1.0).quantile_dbm(0.5);
        assert_eq!(noise(93.0, 0.1).quantile_dbm(0.5), all);
    }

    #[test]
    fn a_quantile_among_readings_judged_alike_gives_back_its_chance() {
        let noise = HeldNoise {
            mean_dbm: -100.0,
            samples: 11.0,
            bins: 15.3,
            apart: 1.0,
            mean_u_db: 0.0,
            passband: Passband::new(15.3, -1.0, 1.0),
            share: 1.0,
        };
        let threshold_dbm = noise.quantile_dbm(1.0 - 1e-6);
        let below = |level_dbm, carrier_dbm| {
            let amplitude = (2.0 * noise.ratio(carrier_dbm)).sqrt();
            noise.ln_below(noise.ratio(level_dbm), amplitude).exp()
        };
        for above_db in [1.5, 3.0, 6.0, 20.0, 60.0] {
            let level_dbm = threshold_dbm + above_db;
            let found = noise.carrier_among_above(level_dbm, threshold_dbm, 0.95);
            let carrier_dbm = found.expect("a carrier");
            let share =
                (1.0 - below(level_dbm, carrier_dbm)) / (1.0 - below(threshold_dbm, carrier_dbm));
            assert!((share - 0.05).abs() < 1e-4, "{above_db}: {share}");
            let level_dbm = threshold_dbm - above_db.min(6.0);
            let found = noise.missed_carrier(level_dbm, threshold_dbm, 0.05, 0.0);
            let carrier_dbm = found.expect("a carrier");
            let missed = below(threshold_dbm, carrier_dbm);
            let share = below(level_dbm, carrier_dbm) / missed;
            assert!(
                (share.max(missed) - 0.05).abs() < 1e-4 || (share - 0.05).abs() < 1e-4,
                "{above_db}: {share} {missed}"
            );
        }
    }

    #[test]
    fn held_over_five_sweeps_a_missed_carrier_lies_below_the_reading() {
        // Why "reference minus floor" may stand as a bound: with five or more samples held, a carrier
        // as high as the reading would have read higher, nineteen times in twenty.
        for samples in [5.0, 10.0, 50.0] {
            let noise = HeldNoise {
                mean_dbm: -100.0,
                samples,
                bins: 1.0,
                apart: 1.0,
                mean_u_db: 0.0,
                passband: Passband::new(1.0, 0.0, 0.0),
                share: 1.0,
            };
            for p in [0.1, 0.5, 0.9, 0.999] {
                let level_dbm = noise.quantile_dbm(p);
                let carrier_dbm = noise.carrier_quantile(level_dbm, 0.05).expect("a carrier");
                assert!(
                    carrier_dbm < level_dbm,
                    "{samples} {p}: {carrier_dbm} {level_dbm}"
                );
            }
        }
    }
}
