//! A sweep drawn sample by sample in time, where something averages along it: a video filter narrower than
//! the resolution filter, the RMS detector, the average detector.
//!
//! The samples are those of the resolution filter's output, carrier and noise together as complex
//! amplitudes. Each is put on the scale of the video filter (power, voltage or logarithm), smoothed by one
//! pole (time constant 1 / (2 pi VBW)), and only then does the detector choose among the samples of a bin.
//! So the logarithm's -2.5068 dB, the voltage's -1.0491 dB, the skew that is left after smoothing and the
//! smaller bias of a carrier in noise need no formula here: they come out.

use std::collections::VecDeque;
use std::f64::consts::{LN_2, TAU};

use rand::SeedableRng;
use rand::rngs::SmallRng;

use super::noise::{Kernel, complex_normal};
use super::settings::{Detector, Settings, VideoScale};

/// Standard deviation of the Gaussian filter's impulse response times its 3 dB bandwidth: sqrt(ln 2) / pi.
/// White noise on a grid of that step or finer makes its output to 1e-4.
const GRID: f64 = 0.265_010_363_519_396_9;
/// Taps over white noise whose step is at least half of `GRID`: four standard deviations to either side.
const TAPS: usize = 16;
/// Integral over all lags, times the bandwidth, of the autocorrelation of the filtered noise's power,
/// exp(-(pi tau)^2 / (2 ln 2)): independent samples so far apart have the same fluctuations at low
/// frequencies.
const POWER_STEP: f64 = 0.664_282_6;
/// The same of the logarithm of the power, whose autocorrelation is Li2(rho^2) / zeta(2): times
/// zeta(5/2) / zeta(2).
const LOG_STEP: f64 = 0.541_76;
/// A video filter so much narrower than the resolution filter sees low frequencies only.
const SLOW: f64 = 25.0;
/// More samples than this in one sweep are drawn as independent ones.
const CORRELATED_MAX: usize = 150_000;
/// The most samples that one sweep is drawn of. Beyond, a bin is drawn from a part of its time.
const DRAWN_MAX: usize = 4_000_000;
/// Time constants that the filter is given to settle before the first bin.
const SETTLING: f64 = 6.0;

/// How the samples of one sweep come about.
#[derive(Debug)]
pub(super) struct Video {
    scale: VideoScale,
    detector: Detector,
    /// Samples in one bin.
    per_bin: usize,
    /// Time between samples times the resolution bandwidth.
    step: f64,
    /// What a new sample contributes to the smoothed one; 1 with the filter wide open.
    share: f64,
    /// Samples before the first bin.
    settling: usize,
    source: Samples,
}

#[derive(Debug)]
enum Samples {
    Independent,
    /// Neighbours share white noise.
    Filtered([f64; TAPS]),
    /// One sample to a bin, closer to the next than the grid.
    Close(Box<Kernel>),
}

/// A carrier on its way through the filter.
#[derive(Debug)]
struct Passing {
    frequency_hz: f64,
    amplitude: f64,
    phase: f64,
}

impl Video {
    /// `None` where nothing averages along the sweep.
    pub(super) fn new(settings: &Settings) -> Option<Self> {
        let (rbw_hz, vbw_hz) = (settings.rbw_hz(), settings.vbw_hz());
        let narrow = vbw_hz < rbw_hz;
        let averages = matches!(settings.detector, Detector::Rms | Detector::Average);
        if !narrow && !averages {
            return None;
        }
        let dwell = settings.sweep_s() / settings.points as f64 * rbw_hz;
        let correlated = (dwell / GRID).ceil().max(1.0);
        let slow = narrow && rbw_hz / vbw_hz > SLOW
            || correlated * settings.points as f64 > CORRELATED_MAX as f64;
        // With the filter wide open the RMS detector averages powers, whatever the scale.
        let on_scale = narrow || settings.detector == Detector::Average;
        let apart = if on_scale && settings.video_scale == VideoScale::Logarithm {
            LOG_STEP
        } else {
            POWER_STEP
        };
        let independent = (dwell / apart).floor();
        let most = (DRAWN_MAX / settings.points).max(1) as f64;
        let (per_bin, source) = if slow && independent >= 1.0 {
            (independent, Samples::Independent)
        } else if correlated > 1.0 {
            (correlated, Samples::Filtered(taps(dwell / correlated)))
        } else {
            let kernel = Kernel::new(settings.points, dwell);
            (1.0, Samples::Close(Box::new(kernel)))
        };
        let step = dwell / per_bin;
        let share = if narrow {
            -(-TAU * step * vbw_hz / rbw_hz).exp_m1()
        } else {
            1.0
        };
        let settling = if narrow {
            (SETTLING / share).min(most) as usize
        } else {
            0
        };
        Some(Self {
            scale: settings.video_scale,
            detector: settings.detector,
            per_bin: per_bin.min(most) as usize,
            step,
            share,
            settling,
            source,
        })
    }

    /// How many samples one sweep is drawn of.
    pub(super) fn drawn(&self, points: usize) -> usize {
        self.per_bin * points + self.settling
    }

    /// The power that each of these bins shows, mW. `carriers` are frequencies in Hz and powers in mW.
    pub(super) fn sweep(
        &self,
        rng: &mut SmallRng,
        settings: &Settings,
        bins: std::ops::Range<usize>,
        noise_mw: &[f64],
        carriers: &[(f64, f64)],
    ) -> Vec<f64> {
        let mut noise = Noise::new(&self.source, rng);
        let mut passing: Vec<Passing> = carriers
            .iter()
            .map(|(frequency_hz, power_mw)| Passing {
                frequency_hz: *frequency_hz,
                amplitude: power_mw.sqrt(),
                phase: TAU * super::analyzer::draw(&mut noise.rng, 0.0, 1.0),
            })
            .collect();
        let (rbw_hz, bin_hz) = (settings.rbw_hz(), settings.bin_hz());
        let sample_hz = bin_hz / self.per_bin as f64;
        let mut smoothed: Option<f64> = None;
        let mut shown = Vec::with_capacity(bins.len());
        let first = bins.start;
        for bin in bins {
            let from_hz = settings.bin_frequency_hz(bin) - bin_hz / 2.0;
            let scale = (noise_mw[bin] / 2.0).sqrt();
            let settling = if bin == first { self.settling } else { 0 };
            let mut picked = Picked::default();
            for sample in 0..settling + self.per_bin {
                // Before the first bin the receiver waits where it will begin.
                let along = sample.saturating_sub(settling);
                let at_hz = from_hz + (along as f64 + 0.5) * sample_hz;
                let own = noise.next(bin);
                let (mut re, mut im) = (scale * own.0, scale * own.1);
                for carrier in &mut passing {
                    let off = (carrier.frequency_hz - at_hz) / rbw_hz;
                    carrier.phase = (carrier.phase + TAU * off * self.step) % TAU;
                    if off.abs() < 3.5 {
                        let amplitude = carrier.amplitude * (-2.0 * LN_2 * off * off).exp();
                        let (sin, cos) = carrier.phase.sin_cos();
                        re += amplitude * cos;
                        im += amplitude * sin;
                    }
                }
                let value = self.scale.of_power(re * re + im * im);
                let now = smoothed.map_or(value, |last| last + self.share * (value - last));
                smoothed = Some(now);
                if sample >= settling {
                    picked.take(now, self.scale, along == self.per_bin / 2);
                }
            }
            shown.push(picked.power_mw(self.detector, self.scale, self.per_bin));
        }
        shown
    }
}

/// Weights of white noise, one sample apart, that make one sample of the filter's output.
fn taps(step: f64) -> [f64; TAPS] {
    let mut weights: [f64; TAPS] = std::array::from_fn(|tap| {
        let distance = (tap as f64 - 0.5 * (TAPS - 1) as f64) * step / GRID;
        (-distance * distance / 2.0).exp()
    });
    let norm = weights.iter().map(|w| w * w).sum::<f64>().sqrt();
    weights.iter_mut().for_each(|weight| *weight /= norm);
    weights
}

/// The filter's output without a carrier, sample after sample; its squares add up to 2 on average.
struct Noise<'a> {
    source: &'a Samples,
    rng: SmallRng,
    white: VecDeque<(f64, f64)>,
    all: Vec<(f64, f64)>,
}

impl<'a> Noise<'a> {
    fn new(source: &'a Samples, rng: &mut SmallRng) -> Self {
        // A generator of its own, so that both hands can draw.
        let mut rng = SmallRng::from_rng(rng);
        let mut white = VecDeque::new();
        let mut all = Vec::new();
        match source {
            Samples::Independent => {}
            Samples::Filtered(_) => white.extend((1..TAPS).map(|_| complex_normal(&mut rng))),
            Samples::Close(kernel) => all = kernel.draw(&mut rng),
        }
        Self {
            source,
            rng,
            white,
            all,
        }
    }

    fn next(&mut self, bin: usize) -> (f64, f64) {
        match self.source {
            Samples::Independent => complex_normal(&mut self.rng),
            Samples::Close(kernel) => kernel.sample(bin, &self.all),
            Samples::Filtered(weights) => {
                self.white.push_back(complex_normal(&mut self.rng));
                let near = self.white.iter().zip(weights);
                let sum = near.fold((0.0, 0.0), |sum, (z, w)| (sum.0 + z.0 * w, sum.1 + z.1 * w));
                self.white.pop_front();
                sum
            }
        }
    }
}

/// What the detectors need of a bin's samples.
#[derive(Default)]
struct Picked {
    extremes: Option<(f64, f64)>,
    middle: f64,
    sum: f64,
    power: f64,
}

impl Picked {
    fn take(&mut self, value: f64, scale: VideoScale, is_middle: bool) {
        let (low, high) = self.extremes.unwrap_or((value, value));
        self.extremes = Some((low.min(value), high.max(value)));
        if is_middle {
            self.middle = value;
        }
        self.sum += value;
        self.power += scale.power(value);
    }

    fn power_mw(&self, detector: Detector, scale: VideoScale, count: usize) -> f64 {
        let count = count as f64;
        let (low, high) = self.extremes.unwrap_or((self.middle, self.middle));
        match detector {
            Detector::Positive => scale.power(high),
            Detector::Negative => scale.power(low),
            Detector::Sample => scale.power(self.middle),
            Detector::Average => scale.power(self.sum / count),
            Detector::Rms => self.power / count,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    fn mean(values: &[f64]) -> f64 {
        values.iter().sum::<f64>() / values.len() as f64
    }

    fn deviation(values: &[f64]) -> f64 {
        let centre = mean(values);
        let squares: Vec<f64> = values.iter().map(|v| (v - centre).powi(2)).collect();
        mean(&squares).sqrt()
    }

    fn settings(detector: Detector, video_scale: VideoScale, vbw_over_rbw: f64) -> Settings {
        Settings {
            centre_hz: 300e6,
            span_hz: 2e6,
            points: 2001,
            rbw_hz: Some(1e3),
            vbw_hz: Some(1e3 * vbw_over_rbw),
            detector,
            video_scale,
            ..Settings::default()
        }
    }

    /// Levels of one sweep over noise of mean power 1 with a carrier of this power in every bin's filter.
    fn levels(settings: &Settings, seed: u64, carriers: &[(f64, f64)]) -> Vec<f64> {
        let video = Video::new(settings).expect("something averages");
        let mut rng = SmallRng::seed_from_u64(seed);
        let noise = vec![1.0; settings.points];
        let shown = video.sweep(&mut rng, settings, 0..settings.points, &noise, carriers);
        shown.iter().map(|power| 10.0 * power.log10()).collect()
    }

    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
    }

    #[test]
    fn the_constants_are_what_they_are_made_of() {
        near(GRID, LN_2.sqrt() / PI, 1e-12);
        near(POWER_STEP, (2.0 * LN_2 / PI).sqrt(), 1e-6);
        let zeta = |s: f64| (1..200_000).map(|n| f64::from(n).powf(-s)).sum::<f64>();
        near(LOG_STEP, POWER_STEP * zeta(2.5) / zeta(2.0), 1e-4);
    }

    #[test]
    fn smoothing_on_each_scale_settles_at_its_own_mean() {
        // Exponential power of mean 1: the mean of the logarithm is -gamma (-2.506816 dB), that of the root
        // is sqrt(pi) / 2 (-1.049 dB), that of the power is 1.
        for (scale, want) in [
            (VideoScale::Power, 0.0),
            (VideoScale::Voltage, -1.0491),
            (VideoScale::Logarithm, -2.506816),
        ] {
            for ratio in [0.01, 0.1] {
                let levels = levels(&settings(Detector::Average, scale, ratio), 1, &[]);
                near(mean(&levels), want, 0.06);
            }
        }
    }

    #[test]
    fn unaveraged_log_power_has_its_spread() {
        // The sample detector with a filter as wide as can be and one that only just averages: 5.570043 dB
        // is pi / sqrt(6) nepers of an exponential power. A single pole of the resolution filter's
        // own width would leave less.
        let mut wide = settings(Detector::Average, VideoScale::Logarithm, 3.0);
        // One sample to a bin: the average of it is itself.
        wide.sweep_s = Some(0.2 * wide.points as f64 / 1e3);
        let levels = levels(&wide, 2, &[]);
        near(deviation(&levels), 5.570043, 0.45);
        near(mean(&levels), -2.506816, 0.6);
    }

    #[test]
    fn smoothed_log_power_has_the_variance_of_the_filter() {
        // A pole of time constant T passes the share T_c / (2 T) of the variance of noise whose correlation
        // time (integral over all lags) is T_c << T; T is 1 / (2 pi VBW).
        for (scale, unsmoothed_db, correlation) in [
            (VideoScale::Logarithm, 5.570043, LOG_STEP),
            (
                VideoScale::Power,
                10.0 / std::f64::consts::LN_10,
                POWER_STEP,
            ),
        ] {
            let sample = settings(Detector::Sample, scale, 0.01);
            let levels = levels(&sample, 3, &[]);
            let want_db = unsmoothed_db * (correlation * PI * 0.01).sqrt();
            near(deviation(&levels), want_db, 0.08 * want_db);
        }
    }

    #[test]
    fn the_two_ways_of_drawing_agree() {
        // Just below and just above the ratio from which the samples are drawn independent.
        let spread = |vbw_hz: f64, seed: u64| {
            let sample = Settings {
                vbw_hz: Some(vbw_hz),
                ..settings(Detector::Sample, VideoScale::Logarithm, 1.0)
            };
            deviation(&levels(&sample, seed, &[])) / vbw_hz.sqrt()
        };
        let (correlated, independent) = (spread(1e3 / 24.0, 4), spread(1e3 / 26.0, 5));
        near(correlated / independent, 1.0, 0.08);
    }

    #[test]
    fn the_rms_detector_averages_power_over_its_bin() {
        // 25 resolution bandwidths of dwell hold 25 / 0.6643 independent powers.
        let mut rms = settings(Detector::Rms, VideoScale::Logarithm, 3.0);
        rms.sweep_s = Some(25.0 * rms.points as f64 / 1e3);
        let ratios: Vec<f64> = levels(&rms, 6, &[])
            .iter()
            .map(|level| 10f64.powf(level / 10.0))
            .collect();
        near(mean(&ratios), 1.0, 0.02);
        near(deviation(&ratios), (POWER_STEP / 25.0).sqrt(), 0.012);
    }

    #[test]
    fn a_carrier_in_logged_noise_has_the_smaller_bias() {
        // Mean of the logarithm of |A + n|^2: ln A^2 + E1(A^2 / N) (from the non-central chi square law with two
        // degrees of freedom); at 0 dB E1(1) = 0.219384 nepers of power. Bins finer than the filter, sweep far
        // slower than it needs, so that the filter lags nothing.
        let mut zero = settings(Detector::Average, VideoScale::Logarithm, 0.01);
        zero.span_hz = 0.0;
        zero.points = 1001;
        zero.sweep_s = Some(100.0);
        let levels = levels(&zero, 7, &[(300e6, 1.0)]);
        near(
            mean(&levels),
            0.219384 * 10.0 / std::f64::consts::LN_10,
            0.06,
        );
        // And far above the noise it is shown as it is.
        let levels = self::levels(&zero, 8, &[(300e6, 1e4)]);
        near(mean(&levels), 40.0, 0.01);
    }

    #[test]
    fn neighbouring_bins_share_what_the_filter_remembers() {
        // Ten bins to a resolution bandwidth at the coupled sweep time: a bin takes 0.25 / VBW, so the pole
        // forgets exp(-2 pi 0.25) of itself from bin to bin.
        let close = Settings {
            span_hz: 200e3,
            ..settings(Detector::Sample, VideoScale::Power, 0.01)
        };
        let ratios: Vec<f64> = (10..20)
            .flat_map(|seed| levels(&close, seed, &[]))
            .map(|level| 10f64.powf(level / 10.0))
            .collect();
        let centre = mean(&ratios);
        let products: Vec<f64> = ratios
            .windows(2)
            .map(|pair| (pair[0] - centre) * (pair[1] - centre))
            .collect();
        let correlation = mean(&products) / deviation(&ratios).powi(2);
        near(correlation, (-TAU * 0.25).exp(), 0.04);
    }
}
