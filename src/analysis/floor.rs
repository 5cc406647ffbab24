//! The floor, and whether a reading stands out of it.
//!
//! A reading is *measured* when noise alone would show as much no more often than the plan's `false_alarm` says.
//! Deciding so picks the lucky ones among weak carriers and the unlucky among strong ones; both the
//! interval of a measured reading and the bound of a missed one are therefore those among the readings
//! judged alike (truncated at the detection level), down to carriers judged so once in twenty times. Where a floor
//! is none of held noise, [`super::picks`] takes the place of the model.

use super::budget::root_sum_square;
use super::noise::HeldNoise;
use super::picks::Picks;
use super::trace::{Picked, Trace, Window};
use super::{AnalysisError, subtract_power_dbm};

/// The chance that noise alone is taken for somebody else's signal: small, because a long run looks thousands of times
/// and nobody looks twice.
pub const AMBIENT_FALSE_ALARM: f64 = 1e-6;
/// The confidence of a lower bound.
pub const BOUND_CONFIDENCE: f64 = 0.95;
/// How far a reading must exceed a floor that is none of held noise, or an ambient signal, to be measured.
/// Common practice: corrected between 3 dB and 10 dB, not measured below.
pub const ABOVE_STEADY_DB: f64 = 3.0;
/// One tail outside of plus and minus two standard deviations.
const TWO_SIGMA_TAIL: f64 = 0.022_750_131_948_179_2;

/// How the signal's trace was held, and how that of its floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hold {
    /// Sweeps over which the peaks were held, in both.
    pub sweeps: u32,
    /// Sweeps during which the carrier was on; the others added noise alone to the signal's trace.
    pub with_carrier: u32,
    /// A video filter or a detector smoothed what was held, in either.
    pub smoothed: bool,
    /// By how much the signal's trace stands above the floor's where there is no carrier, dB. Zero where
    /// both were held alike.
    pub raised_db: f64,
}

impl Hold {
    /// The carrier was on during all of the sweeps.
    pub const fn over(sweeps: u32) -> Self {
        Self {
            sweeps,
            with_carrier: sweeps,
            smoothed: false,
            raised_db: 0.0,
        }
    }

    /// The share of a bin's samples that had the carrier in them: a bin wider than the filter also shows
    /// the noise of the rest of its width.
    fn share(&self, trace: &Trace, rbw_hz: f64) -> f64 {
        let in_time = f64::from(self.with_carrier.max(1)) / f64::from(self.sweeps.max(1));
        let in_frequency = rbw_hz / trace.spacing_hz().max(rbw_hz);
        (in_time * in_frequency).min(1.0)
    }
}

/// What the receiver shows at a test frequency with the source off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Floor {
    /// The floor as shown, picked as the signal is.
    pub shown: Picked,
    /// The noise in it.
    noise: Noise,
    /// How far an ambient signal stands above what the noise shows at the median, dB.
    pub ambient_db: Option<f64>,
    /// A reading above this level is measured, dBm.
    pub detection_dbm: f64,
    sweeps: f64,
}

/// What the noise of a floor is known by.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Noise {
    /// The model of held noise, which fits the trace.
    Held(HeldNoise),
    /// The trace alone.
    Picks(Picks),
    /// Nothing: the trace has too few places.
    Unknown,
}

/// A reading held against its floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Judged {
    /// Distinguishable from the floor.
    Measured {
        /// The carrier without the noise in it, dBm.
        carrier_dbm: f64,
        /// Standard uncertainty from the noise, dB.
        noise_db: f64,
        /// Standard uncertainty from an ambient signal on the same frequency, dB.
        ambient_db: f64,
    },
    /// Not distinguishable from the floor: see [`Floor::missed_at_most_dbm`].
    Missed,
    /// Nothing can be said: what the noise does is not known, or the reading is lower than noise ever is.
    Unmodelled,
}

impl Floor {
    /// Reads the floor from a trace taken with the source off, with the settings and the number of
    /// sweeps of the signal's trace, for a carrier at `carrier_hz`; where that was held longer, the floor is
    /// raised as `hold` says. `false_alarm` is the chance with which noise alone may be taken for a carrier.
    ///
    /// # Errors
    /// The window lies outside the trace.
    pub fn of(
        trace: &Trace,
        window: Window,
        carrier_hz: f64,
        hold: &Hold,
        rbw_hz: f64,
        false_alarm: f64,
    ) -> Result<Self, AnalysisError> {
        let shown = trace.pick(window)?;
        let noise = Noise::of(trace, window, carrier_hz, hold, rbw_hz)?;
        let (ambient_db, detection_dbm) = noise.detection(shown.level_dbm, false_alarm);
        Ok(Self {
            shown,
            noise,
            ambient_db,
            detection_dbm,
            sweeps: f64::from(hold.with_carrier.max(1)),
        })
    }

    /// Holds a reading against this floor.
    pub fn judge(&self, level_dbm: f64) -> Judged {
        let is_measured = level_dbm > self.detection_dbm;
        match &self.noise {
            Noise::Unknown => Judged::Unmodelled,
            Noise::Held(noise) if is_measured => self.measured(noise, level_dbm),
            Noise::Picks(picks) if is_measured => self.bracketed(picks, level_dbm),
            // As far below the floor as a carrier must be above it; an ambient signal in the floor need not be there again.
            Noise::Picks(picks)
                if self.ambient_db.is_none()
                    && level_dbm < 2.0 * picks.mean_dbm - self.detection_dbm =>
            {
                Judged::Unmodelled
            }
            Noise::Held(_) | Noise::Picks(_) => Judged::Missed,
        }
    }

    /// The largest carrier that would still have been missed with so low a reading (95 %), dBm, where what arrives of
    /// it varies by `way_u_db` (standard deviation) by all that is no noise.
    pub fn missed_at_most_dbm(&self, level_dbm: f64, way_u_db: f64) -> f64 {
        let higher_dbm = level_dbm.max(self.shown.level_dbm);
        let p = 1.0 - BOUND_CONFIDENCE;
        // A reading that is lower than noise alone shows half of the time is luck, and says no more than that.
        match &self.noise {
            _ if self.ambient_db.is_some() => higher_dbm,
            Noise::Unknown => higher_dbm,
            Noise::Picks(picks) => {
                let level_dbm = level_dbm.max(picks.mean_dbm);
                picks.missed_carrier(level_dbm, self.detection_dbm, p, way_u_db)
            }
            Noise::Held(noise) => {
                let level_dbm = level_dbm.max(noise.quantile_dbm(0.5));
                let way_u_db = way_u_db.hypot(noise.mean_u_db);
                noise
                    .with_carrier_in(noise.apart * self.fewest(noise))
                    .missed_carrier(level_dbm, self.detection_dbm, p, way_u_db)
                    .unwrap_or(higher_dbm)
            }
        }
    }

    fn bracketed(&self, picks: &Picks, level_dbm: f64) -> Judged {
        let found = picks.carrier(level_dbm);
        let (carrier_dbm, ambient_db) = self.without_ambient(found.middle_dbm);
        Judged::Measured {
            carrier_dbm,
            noise_db: (found.half_width_db / 3f64.sqrt()).hypot(found.scatter_db),
            ambient_db,
        }
    }

    /// The share of the held samples that had the carrier in them at the least: each sweep brought one. How many more
    /// did depends on the filter's shape and the speed of the sweep, which are not known.
    fn fewest(&self, noise: &HeldNoise) -> f64 {
        noise.share.min(self.sweeps / noise.samples)
    }

    fn measured(&self, noise: &HeldNoise, level_dbm: f64) -> Judged {
        let carrier_of = |noise: &HeldNoise, p| noise.carrier_quantile(level_dbm, p);
        // Above the detection level noise alone is always likelier to stay below than these chances.
        let Some(median_dbm) = carrier_of(noise, 0.5) else {
            return Judged::Missed;
        };
        let highest_dbm = carrier_of(noise, TWO_SIGMA_TAIL).unwrap_or(median_dbm);
        let among = noise.carrier_among_above(level_dbm, self.detection_dbm, 1.0 - TWO_SIGMA_TAIL);
        let rarely_seen = noise.carrier_quantile(self.detection_dbm, BOUND_CONFIDENCE);
        let lowest_dbm = [among, rarely_seen]
            .into_iter()
            .flatten()
            .fold(f64::NEG_INFINITY, f64::max)
            .min(median_dbm);
        let spread_db = 0.5 * (highest_dbm - median_dbm).max(median_dbm - lowest_dbm);
        // How many independent samples had the carrier in them is known from few to many.
        let with_share =
            |share| carrier_of(&noise.with_carrier_in(share), 0.5).unwrap_or(median_dbm);
        let fewest = self.fewest(noise);
        let middle_dbm = 0.5 * (with_share(fewest) + median_dbm);
        let held_db = (with_share(noise.apart * fewest) - middle_dbm).abs() / 3f64.sqrt();
        let raised_dbm = carrier_of(&noise.raised(noise.mean_u_db), 0.5).unwrap_or(lowest_dbm);
        let mean_db = median_dbm - raised_dbm;
        let (carrier_dbm, ambient_db) = self.without_ambient(middle_dbm);
        Judged::Measured {
            carrier_dbm,
            noise_db: root_sum_square([spread_db, held_db, mean_db]),
            ambient_db,
        }
    }

    /// Takes an ambient signal's power off; the beat of two carriers may have held anything from no
    /// addition to the sum of the amplitudes.
    fn without_ambient(&self, carrier_dbm: f64) -> (f64, f64) {
        if self.ambient_db.is_none() {
            return (carrier_dbm, 0.0);
        }
        // At least a decibel apart: the noise correction may have taken some of the distance.
        let ambient_dbm = self.shown.level_dbm.min(carrier_dbm - 1.0);
        let power_dbm = subtract_power_dbm(carrier_dbm, ambient_dbm);
        let amplitude = 1.0 - 10f64.powf((ambient_dbm - carrier_dbm) / 20.0);
        let amplitude_dbm = carrier_dbm + 20.0 * amplitude.log10();
        let half_width_db = (power_dbm - amplitude_dbm).max(carrier_dbm - power_dbm);
        (power_dbm, half_width_db / 3f64.sqrt())
    }
}

impl Noise {
    fn of(
        trace: &Trace,
        window: Window,
        carrier_hz: f64,
        hold: &Hold,
        rbw_hz: f64,
    ) -> Result<Self, AnalysisError> {
        let share = hold.share(trace, rbw_hz);
        if !hold.smoothed
            && let Some(held) = HeldNoise::estimate(trace, window, carrier_hz, hold.sweeps, rbw_hz)?
        {
            let held = held.raised(hold.raised_db).with_carrier_in(share);
            return Ok(Self::Held(held));
        }
        let picks = Picks::of(trace, window, hold.sweeps)?;
        Ok(picks.map_or(Self::Unknown, |picks| {
            Self::Picks(picks.raised(hold.raised_db))
        }))
    }

    /// How far an ambient signal stands above the noise where the floor shows one, dB, and above which level a reading is
    /// measured, dBm.
    fn detection(&self, shown_dbm: f64, false_alarm: f64) -> (Option<f64>, f64) {
        match self {
            Self::Held(noise) => {
                // One trace may have shown the noise too low: it gets the benefit of that doubt.
                let doubtful = noise.raised(noise.mean_u_db);
                let noise_dbm = doubtful.quantile_dbm(1.0 - false_alarm);
                let is_ambient = shown_dbm > doubtful.quantile_dbm(1.0 - AMBIENT_FALSE_ALARM);
                let excess_db = shown_dbm - noise.quantile_dbm(0.5);
                let margin_db = if is_ambient { ABOVE_STEADY_DB } else { 0.0 };
                (
                    is_ambient.then_some(excess_db),
                    noise_dbm.max(shown_dbm + margin_db),
                )
            }
            Self::Picks(picks) => {
                let steady_dbm = picks.mean_dbm + ABOVE_STEADY_DB;
                let ambient_dbm = picks.exceeded_dbm(AMBIENT_FALSE_ALARM).max(steady_dbm);
                let excess_db = shown_dbm - picks.mean_dbm;
                (
                    (shown_dbm > ambient_dbm).then_some(excess_db),
                    picks
                        .exceeded_dbm(false_alarm)
                        .max(steady_dbm)
                        .max(shown_dbm + ABOVE_STEADY_DB),
                )
            }
            Self::Unknown => (None, f64::INFINITY),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::noise::held_quantile_db;

    #[test]
    fn noise_power_is_taken_off_as_published() {
        // ORACLES A15, common practice.
        for (above_db, correction_db) in [
            (1.0, -6.868253),
            (3.0, -3.020624),
            (6.0, -1.256276),
            (10.0, -0.4575749),
            (20.0, -0.04364805),
        ] {
            assert!(
                (subtract_power_dbm(-50.0, -50.0 - above_db) + 50.0 - correction_db).abs() < 1e-4
            );
        }
        assert_eq!(subtract_power_dbm(-50.0, -50.0), f64::NEG_INFINITY);
    }

    const WINDOW: Window = Window {
        centre_hz: 100.0,
        half_width_hz: 2.0,
    };

    /// A floor of noise held over ten sweeps, with `ambient_dbm` in the middle if it is higher.
    fn floor(ambient_dbm: f64) -> Floor {
        let mut levels: Vec<f64> = (0..201)
            .map(|i| (f64::from(i * 89 % 201) + 0.5) / 201.0)
            .map(|p| -100.0 + held_quantile_db(10.0, p))
            .collect();
        levels[100] = levels[100].max(ambient_dbm);
        let trace = Trace::new(0.0, 200.0, &levels).expect("a trace");
        let hold = Hold::over(10);
        Floor::of(&trace, WINDOW, WINDOW.centre_hz, &hold, 2.0, 1e-3).expect("a floor")
    }

    #[test]
    fn a_reading_no_higher_than_the_noise_now_and_then_is_not_measured() {
        let floor = floor(f64::NEG_INFINITY);
        assert_eq!(floor.ambient_db, None);
        let Noise::Held(noise) = floor.noise else {
            panic!("{floor:?}")
        };
        let chance_db = |p| noise.quantile_dbm(p);
        for p in [0.99, 0.999] {
            assert_eq!(floor.judge(chance_db(p)), Judged::Missed);
        }
        let Judged::Measured {
            carrier_dbm,
            noise_db,
            ambient_db,
        } = floor.judge(-70.0)
        else {
            panic!("missed")
        };
        // Thirty decibels above the noise the highest of ten samples lies half a decibel too high.
        assert!((-70.8..-70.2).contains(&carrier_dbm), "{carrier_dbm}");
        assert!(
            (0.05..0.3).contains(&noise_db) && ambient_db == 0.0,
            "{noise_db}"
        );
    }

    #[test]
    fn an_ambient_signal_must_be_exceeded_and_is_taken_off() {
        let floor = floor(-60.0);
        assert!(
            floor
                .ambient_db
                .is_some_and(|db| (33.0..37.0).contains(&db)),
            "{floor:?}"
        );
        assert_eq!(floor.judge(-57.5), Judged::Missed);
        let Judged::Measured {
            carrier_dbm,
            ambient_db,
            ..
        } = floor.judge(-50.0)
        else {
            panic!("missed")
        };
        // ORACLES A15: 10 dB apart, 0.46 dB off; the beat may have added up to 3.3 dB (ORACLES F4 prints
        // 2.39 dB for the same sum seen from the carrier).
        assert!((-50.6..-50.4).contains(&carrier_dbm), "{carrier_dbm}");
        assert!((1.4..1.8).contains(&ambient_db), "{ambient_db}");
    }
}
