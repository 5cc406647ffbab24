//! Draws of receiver noise: one sample, a correlated run of samples, and the extremes of many.
//!
//! The power of a complex Gaussian sample is exponential; of M of them the largest is
//! -ln(1 - U^(1/M)) and the least is exponential of mean 1/M (order statistics).

use rand::distr::Distribution;
use rand::rngs::SmallRng;
use rand_distr::{Exp1, StandardNormal};

use super::settings::Detector;

/// Neighbouring samples of white noise that make one sample of filtered noise.
const TAPS: usize = 8;

/// Makes filtered noise, correlated from bin to bin, from white noise.
#[derive(Debug)]
pub(super) struct Kernel {
    taps: Vec<(usize, [f64; TAPS])>,
    white: usize,
}

impl Kernel {
    /// `dwell` is the time in one bin times the 3 dB bandwidth.
    pub(super) fn new(points: usize, dwell: f64) -> Self {
        // The impulse response of the Gaussian filter has this standard deviation, in units of one
        // over the bandwidth; white noise on a grid of that step is fine enough to 1e-4.
        let grid = std::f64::consts::LN_2.sqrt() / std::f64::consts::PI;
        let step = dwell / grid;
        let taps = (0..points)
            .map(|bin| {
                let place = bin as f64 * step;
                let first = place.floor();
                let mut weights: [f64; TAPS] = std::array::from_fn(|tap| {
                    let distance = tap as f64 - 3.0 - (place - first);
                    (-distance * distance / 2.0).exp()
                });
                let norm = weights.iter().map(|w| w * w).sum::<f64>().sqrt();
                weights.iter_mut().for_each(|weight| *weight /= norm);
                (first as usize, weights)
            })
            .collect();
        let white = (points as f64 * step) as usize + TAPS + 1;
        Self { taps, white }
    }

    pub(super) fn draw(&self, rng: &mut SmallRng) -> Vec<(f64, f64)> {
        (0..self.white).map(|_| complex_normal(rng)).collect()
    }

    pub(super) fn sample(&self, bin: usize, white: &[(f64, f64)]) -> (f64, f64) {
        let (first, weights) = &self.taps[bin];
        let near = white[*first..].iter().zip(weights);
        near.fold((0.0, 0.0), |sum, (z, w)| (sum.0 + z.0 * w, sum.1 + z.1 * w))
    }
}

/// Two independent standard normal numbers: their squares add up to 2 on average.
pub(super) fn complex_normal(rng: &mut SmallRng) -> (f64, f64) {
    (StandardNormal.sample(rng), StandardNormal.sample(rng))
}

/// The largest of `count` exponential powers of mean 1; `count` need not be whole.
pub(super) fn largest(rng: &mut SmallRng, count: f64) -> f64 {
    // U^(1/M) is exp(-E/M) with E exponential.
    let exponential: f64 = Exp1.sample(rng);
    -(-(-exponential / count).exp_m1()).ln()
}

/// The highest of what a detector shows of noise alone in `sweeps` sweeps, mean power 1.
pub(super) fn highest(rng: &mut SmallRng, detector: Detector, sweeps: f64, samples: f64) -> f64 {
    match detector {
        Detector::Positive => largest(rng, sweeps * samples),
        Detector::Negative => largest(rng, sweeps) / samples,
        Detector::Sample | Detector::Rms | Detector::Average => largest(rng, sweeps),
    }
}

/// The lowest of the same.
pub(super) fn lowest(rng: &mut SmallRng, detector: Detector, sweeps: f64, samples: f64) -> f64 {
    let exponential: f64 = Exp1.sample(rng);
    match detector {
        // The smallest of K uniform numbers, 1 - U^(1/K), put through the inverse of the
        // distribution of the largest of M.
        Detector::Positive => {
            let log_share = (-(-exponential / sweeps).exp_m1()).ln() / samples;
            -(-log_share.exp_m1()).ln()
        }
        Detector::Negative => exponential / sweeps / samples,
        Detector::Sample | Detector::Rms | Detector::Average => exponential / sweeps,
    }
}
