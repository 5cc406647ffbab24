//! What a set-up can be expected to show, before anything is switched on: the level that arrives, the
//! floor it has to stand out of, and the time a reading takes.
//!
//! The floor is judged by the very statistics that judge the readings later ([`super::noise`]), so that
//! a forecast and a result mean the same by "visible".

use std::f64::consts::{LN_2, PI};

use super::floor::BOUND_CONFIDENCE;
use super::noise::{HeldNoise, Passband, held_quantile_db};
use super::shield::{LIGHT_M_PER_S, Z_0};

/// Boltzmann's constant, J/K (exact by definition of the kelvin).
const BOLTZMANN_J_PER_K: f64 = 1.380_649e-23;
/// The temperature noise figures are stated for, K.
const REFERENCE_K: f64 = 290.0;
/// What receivers and antennas are matched to, ohm.
const LINE_OHM: f64 = 50.0;
/// Bandwidth of a Gaussian filter in noise over its 3 dB bandwidth: sqrt(pi / 4 ln 2).
const NOISE_BANDWIDTH: f64 = 1.064_467_019_431_226;
/// A sweep takes this many times span / bandwidth², the time a Gaussian filter needs to settle (2 to 3
/// times is usual; common practice, no source).
const SWEEP_FACTOR: f64 = 2.5;
/// The peak is looked for one resolution bandwidth to either side of the test frequency.
const WINDOW_BANDWIDTHS: f64 = 2.0;
/// The distance of the 10 % and 90 % quantiles of a normal distribution, in standard deviations.
const NORMAL_SPREAD: f64 = 2.563;

/// Loss between isotropic antennas in free space, dB (ITU-R P.525), and whether that holds.
///
/// Closer than λ/2π it does not: the loss there is given as that of λ/2π, 6 dB, which no pair of small
/// antennas keeps to; only a reference says what does arrive.
pub fn free_space_loss_db(frequency_hz: f64, distance_m: f64) -> (f64, bool) {
    let wavelength_m = LIGHT_M_PER_S / frequency_hz;
    let nearest_m = wavelength_m / (2.0 * PI);
    let loss_db = 20.0 * (4.0 * PI * distance_m.max(nearest_m) / wavelength_m).log10();
    (loss_db, distance_m >= nearest_m)
}

/// The gain of an antenna in a 50 ohm line, dBi, from its antenna factor: AF² = 4π Z₀ / (50 Ω λ² G).
pub fn gain_of_factor_dbi(factor_db_per_m: f64, frequency_hz: f64) -> f64 {
    gain_and_factor_db(frequency_hz) - factor_db_per_m
}

/// The antenna factor of a gain, dB/m: the same relation.
pub fn factor_of_gain_db_per_m(gain_dbi: f64, frequency_hz: f64) -> f64 {
    gain_and_factor_db(frequency_hz) - gain_dbi
}

/// What gain and antenna factor always add up to.
fn gain_and_factor_db(frequency_hz: f64) -> f64 {
    let wavelength_m = LIGHT_M_PER_S / frequency_hz;
    10.0 * (4.0 * PI * Z_0 / (LINE_OHM * wavelength_m.powi(2))).log10()
}

/// The field that gives a level behind an antenna and its cable, dBµV/m: level + 107 dB + factor + loss.
pub fn field_dbuv_per_m(level_dbm: f64, factor_db_per_m: f64, cable_loss_db: f64) -> f64 {
    level_dbm + 90.0 + 10.0 * LINE_OHM.log10() + factor_db_per_m + cable_loss_db
}

/// Noise of a receiver referred to its input, in one hertz of resolution bandwidth, dBm.
pub fn noise_dbm_per_hz(figure_db: f64) -> f64 {
    10.0 * (BOLTZMANN_J_PER_K * REFERENCE_K * 1e3 * NOISE_BANDWIDTH).log10() + figure_db
}

/// The noise figure behind a noise density, dB.
pub fn figure_db(noise_dbm_per_hz_: f64) -> f64 {
    noise_dbm_per_hz_ - noise_dbm_per_hz(0.0)
}

/// The noise figure of two stages (Friis 1944): F = F₁ + (F₂ − 1) / G₁.
pub fn cascade_figure_db(first_figure_db: f64, first_gain_db: f64, then_figure_db: f64) -> f64 {
    let power = |db: f64| 10f64.powf(db / 10.0);
    let factor = power(first_figure_db) + (power(then_figure_db) - 1.0) / power(first_gain_db);
    10.0 * factor.log10()
}

/// How a trace is swept and held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sweep {
    /// Width of the trace, Hz.
    pub span_hz: f64,
    /// Its points.
    pub points: u32,
    /// Resolution bandwidth, Hz.
    pub rbw_hz: f64,
    /// Video bandwidth, Hz.
    pub vbw_hz: Option<f64>,
    /// Sweeps the peak is held over.
    pub sweeps: u32,
    /// Sweeps of these that a carrier is on for.
    pub with_carrier: u32,
    /// Width of the part that the floor is read from, Hz.
    pub floor_hz: f64,
}

impl Sweep {
    /// What one sweep takes, s.
    pub fn sweep_s(&self) -> f64 {
        let slower_hz = self.vbw_hz.map_or(self.rbw_hz, |vbw| vbw.min(self.rbw_hz));
        SWEEP_FACTOR * self.span_hz / (self.rbw_hz * slower_hz)
    }

    /// The time the sweep spends on one bin, in units of 1 / resolution bandwidth.
    fn dwell(&self) -> f64 {
        self.sweep_s() / f64::from(self.points) * self.rbw_hz
    }

    /// Samples held in one bin.
    fn samples(&self) -> f64 {
        f64::from(self.sweeps) * (self.dwell() * NOISE_BANDWIDTH).max(1.0)
    }

    /// Independent bins in the picking window: at least as many as filters fit side by side; a slow sweep
    /// parts more. As where a trace is judged, noise rises above a level as often as the root of what
    /// neighbours do not share says; through a Gaussian filter they share exp(-(pi dwell)² / 2 ln 2).
    fn bins(&self) -> f64 {
        let steps = WINDOW_BANDWIDTHS * self.rbw_hz / self.span_hz * f64::from(self.points - 1);
        let own = -(-(PI * self.dwell()).powi(2) / (2.0 * LN_2)).exp_m1();
        1.0 + (steps * own.sqrt()).max(WINDOW_BANDWIDTHS)
    }

    /// The noise of such a trace, from the mean noise power in one sample.
    fn noise(&self, mean_dbm: f64) -> HeldNoise {
        let samples = self.samples();
        let bins = self.bins();
        let spread_db = held_quantile_db(samples, 0.9) - held_quantile_db(samples, 0.1);
        let bin_hz = self.span_hz / f64::from(self.points.max(2) - 1);
        let independent = (self.floor_hz / self.rbw_hz.max(bin_hz)).max(1.0);
        let in_time = f64::from(self.with_carrier) / f64::from(self.sweeps.max(1));
        HeldNoise {
            mean_dbm,
            samples,
            bins,
            apart: 1.0,
            passband: Passband::new(bins, -1.0, 1.0),
            share: (in_time * (self.rbw_hz / bin_hz).min(1.0)).min(1.0),
            mean_u_db: spread_db / NORMAL_SPREAD / independent.sqrt(),
        }
    }

    /// The noise in one hertz that such a trace shows, dBm, taken off its middle bin by level: a few
    /// signals in it do no harm, and what the model gets wrong about held samples comes back with the
    /// same sign in [`Self::outlook`]. `None` for an empty trace.
    pub fn shown_dbm_per_hz(&self, levels_dbm: &[f64]) -> Option<f64> {
        let mut sorted = levels_dbm.to_vec();
        sorted.sort_by(f64::total_cmp);
        let median_dbm = *sorted.get(sorted.len() / 2)?;
        Some(median_dbm - held_quantile_db(self.samples(), 0.5) - 10.0 * self.rbw_hz.log10())
    }

    /// What stands out of the noise of such a trace, which is taken for a carrier with the chance `false_alarm`.
    pub fn outlook(&self, noise_dbm_per_hz: f64, false_alarm: f64) -> Outlook {
        let noise = self.noise(noise_dbm_per_hz + 10.0 * self.rbw_hz.log10());
        let floor_dbm = noise.quantile_dbm(0.5);
        let detection_dbm = noise
            .raised(noise.mean_u_db)
            .quantile_dbm(1.0 - false_alarm);
        let seen = noise.carrier_quantile(detection_dbm, 1.0 - BOUND_CONFIDENCE);
        Outlook {
            floor_dbm,
            seen_dbm: seen.unwrap_or(detection_dbm),
        }
    }
}

/// What a trace shows of noise, and what stands out of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook {
    /// The floor as shown, at the median, dBm.
    pub floor_dbm: f64,
    /// The carrier that is told from the floor 95 times in 100, dBm.
    pub seen_dbm: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
    }

    #[test]
    fn free_space() {
        // ORACLES C16 (ITU-R P.525).
        near(free_space_loss_db(100e6, 1.0).0, 12.44778, 1e-4);
        near(free_space_loss_db(1e9, 3.0).0, 41.99021, 1e-4);
        // ORACLES C17 (Friis): 30 dBm, 2.15 dBi at both ends, 3 m, 500 MHz.
        near(
            30.0 + 2.0 * 2.15 - free_space_loss_db(500e6, 3.0).0,
            -1.669608,
            1e-4,
        );
        // ORACLES C15: at 30 MHz near ends at 1.59 m; 20 lg 2 there, by hand.
        assert!(free_space_loss_db(30e6, 1.6).1 && !free_space_loss_db(30e6, 1.58).1);
        near(free_space_loss_db(100e3, 1.0).0, 6.0206, 1e-4);
    }

    #[test]
    fn antenna_factors() {
        // ORACLES C18: the relation is its own inverse.
        near(gain_of_factor_dbi(8.07629, 100e6), 2.15, 1e-3);
        near(gain_of_factor_dbi(24.22629, 1e9), 6.0, 1e-3);
        near(gain_of_factor_dbi(20.0, 300e6), -0.2312847, 1e-3);
        near(factor_of_gain_db_per_m(2.15, 100e6), 8.07629, 1e-3);
        // ORACLES C19: -60 dBm behind 18 dB/m.
        near(field_dbuv_per_m(-60.0, 18.0, 0.0), 64.9897, 1e-4);
    }

    #[test]
    fn noise_of_a_receiver() {
        // ORACLES A22, with the Gaussian filter of ORACLES A21 (0.2713221 dB).
        near(noise_dbm_per_hz(0.0), -173.9752 + 0.2713221, 1e-3);
        near(noise_dbm_per_hz(15.0) + 40.0, -118.9752 + 0.2713221, 1e-3);
        near(figure_db(noise_dbm_per_hz(18.0)), 18.0, 1e-9);
        // Friis 1944, by hand: 10 + (100 - 1)/100 = 10.99.
        near(cascade_figure_db(10.0, 20.0, 20.0), 10.4100, 1e-3);
    }

    #[test]
    fn the_noise_of_a_trace_comes_back() {
        let sweep = Sweep {
            span_hz: 2e3,
            points: 201,
            rbw_hz: 100.0,
            vbw_hz: None,
            sweeps: 10,
            with_carrier: 10,
            floor_hz: 2e3,
        };
        // The quantiles of noise of -140 dBm in one hertz held ten times, and a station.
        let mut levels: Vec<f64> = (0..201)
            .map(|i| -120.0 + held_quantile_db(10.0, (f64::from(i) + 0.5) / 201.0))
            .collect();
        levels[7] = -30.0;
        near(
            sweep.shown_dbm_per_hz(&levels).expect("levels"),
            -140.0,
            0.05,
        );
        assert_eq!(sweep.shown_dbm_per_hz(&[]), None);
    }

    #[test]
    fn what_is_said_to_be_seen_is_seen() {
        let sweep = Sweep {
            span_hz: 20e3,
            points: 201,
            rbw_hz: 1e3,
            vbw_hz: Some(3e3),
            sweeps: 10,
            with_carrier: 10,
            floor_hz: 20e3,
        };
        near(sweep.sweep_s(), 0.05, 1e-12);
        let outlook = sweep.outlook(-150.0, 1e-3);
        // Hand arithmetic: 0.2488 / RBW on each bin, of which neighbours share 0.643; 20 steps of 0.597.
        // ORACLES A17's formula for the samples of ten sweeps.
        let held = 10.0 * (1.0 + 20.0 * 0.59735);
        let median_db = 10.0 * (-(1.0 - 0.5f64.powf(1.0 / held)).ln()).log10();
        near(outlook.floor_dbm, -120.0 + median_db, 1e-3);
        // Draws of the same noise with that carrier in it, against the same threshold.
        let noise = sweep.noise(-120.0);
        let threshold = noise.raised(noise.mean_u_db).quantile_dbm(1.0 - 1e-3);
        let carrier = 10f64.powf((outlook.seen_dbm + 120.0) / 10.0);
        let mut state = 1u64;
        let mut uniform = || {
            // Knuth's multiplier; the top bits are good enough here.
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64
        };
        let mut power = |carrier: f64| {
            let (radius, phase) = ((-uniform().ln()).sqrt(), 2.0 * PI * uniform());
            (carrier.sqrt() + radius * phase.cos()).powi(2) + (radius * phase.sin()).powi(2)
        };
        let seen = (0..4000)
            .filter(|_| {
                // Ten sweeps of thirteen bins two bandwidths wide; the filter passes less of the carrier to
                // those beside it, 3 dB at half a bandwidth.
                let mut highest = 0.0;
                for bin in -6..=6 {
                    let beside = f64::from(bin) / 6.0;
                    let passed = carrier * 0.5f64.powf((2.0 * beside).powi(2));
                    highest = (0..10).map(|_| power(passed)).fold(highest, f64::max);
                }
                -120.0 + 10.0 * highest.log10() > threshold
            })
            .count();
        assert!((3740..=3860).contains(&seen), "{seen} of 4000");
        // Ten times narrower: ten decibels (ORACLES A21).
        let narrow = Sweep {
            span_hz: 2e3,
            rbw_hz: 100.0,
            vbw_hz: Some(300.0),
            floor_hz: 2e3,
            ..sweep
        };
        near(
            outlook.seen_dbm - narrow.outlook(-150.0, 1e-3).seen_dbm,
            10.0,
            1e-9,
        );
        near(narrow.sweep_s(), 0.5, 1e-12);
    }
}
