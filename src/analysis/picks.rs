//! A floor that the model of held noise does not fit: smoothed by a video filter or by a detector that averages, on
//! whatever scale the receiver averages, or of another shape.
//!
//! What it shows of noise is then taken from its own trace: the picking window is moved over it, and the highest
//! levels of all places have a mean and a spread. Noise alone stays below their extremes (Gumbel's law), farther out
//! by as much as mean and spread are known from few places only.
//!
//! The carrier of a reading is bracketed instead of modelled. On each scale (power, voltage, logarithm) noise adds to
//! what a carrier shows, and power subtraction takes off at least as much: a carrier of s times the noise shows
//! 2.5 dB + 10 lg s + 4.34 E1(s) above the floor on a logarithm, 10 lg (1 + s) on a power (from the law of a carrier in
//! Gaussian noise, see `rice`). A hold adds an excess and the smoothing leaves a scatter; both fall as sqrt(2 / s), the
//! ratio of a power's relative deviation with a strong carrier to that without. How many samples a hold chose among is
//! not known: the bracket takes in few and many. It is wider than a model would be, on purpose.

use super::noise::neighbour_correlation;
use super::trace::{Trace, Window};
use super::{AnalysisError, subtract_power_dbm};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Fewer independent places than this say too little of the spread.
const PLACES_MIN: f64 = 5.0;
/// Levels so many interquartile ranges above the upper quartile belong to somebody else.
const OUTLIER_RANGES: f64 = 3.0;
/// Standard deviation of Gumbel's law, pi / sqrt(6), and its mean, Euler's constant.
const GUMBEL: (f64, f64) = (1.282_549_830_161_864, 0.577_215_664_901_532_9);
/// Samples that the window of one sweep chooses among at most, about: a coupled sweep takes some time constants of the
/// video filter for one resolution bandwidth.
const SAMPLES_OF_A_SWEEP: f64 = 15.0;
/// Excess over spread grows faster with the sweeps than by the asymptotic law, which is reached slowly.
const GROWS_FASTER: f64 = 1.2;
/// On a logarithm an excess falls as 1.1 / sqrt(s) (6.14 dB over 5.57 dB), not as sqrt(2 / s).
const FALLS_FASTER: f64 = 0.75;
/// Steps of a bisection.
const STEPS: u32 = 50;

/// What the picking window shows of a floor, wherever it is put.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Picks {
    /// Mean of the highest levels, dBm.
    pub mean_dbm: f64,
    /// Their standard deviation, dB.
    spread_db: f64,
    /// The same of a reading at the floor, at most: a carrier lets fewer samples choose than noise alone.
    reading_db: f64,
    /// Independent places they come from.
    places: f64,
    /// By how much a hold lifts a reading at the floor: at least, at most, dB.
    excess_db: (f64, f64),
}

/// What is known of the carrier in a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bracket {
    /// The middle between the lowest and the highest that it can be, dBm.
    pub middle_dbm: f64,
    /// Half the distance of the two, dB.
    pub half_width_db: f64,
    /// Standard deviation of a reading, dB.
    pub scatter_db: f64,
}

impl Picks {
    /// From a trace taken with the source off, held over `sweeps` sweeps. `None` where it has too few independent places.
    ///
    /// # Errors
    /// The window lies outside the trace.
    pub(super) fn of(
        trace: &Trace,
        window: Window,
        sweeps: u32,
    ) -> Result<Option<Self>, AnalysisError> {
        let width = trace.bins(window)?.count();
        let levels = trace.levels_dbm();
        let highest = |place: &[f64]| place.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut picks: Vec<f64> = levels.windows(width).map(highest).collect();
        picks.sort_by(f64::total_cmp);
        let quarter = |number: usize| picks[number * (picks.len() - 1) / 4];
        let clip_dbm = quarter(3) + OUTLIER_RANGES * (quarter(3) - quarter(1));
        let clear_share =
            picks.partition_point(|pick| *pick <= clip_dbm) as f64 / picks.len() as f64;
        let shared = neighbour_correlation(levels, clip_dbm);
        let bins = clear_share * levels.len() as f64;
        let places = (bins / width as f64).min(bins * (1.0 - shared) / (1.0 + shared));
        if places < PLACES_MIN {
            return Ok(None);
        }
        let (mean_dbm, spread_db) = mean_and_spread(&picks, clip_dbm);
        // Places overlap: of so few independent ones the spread comes out too small.
        let spread_db = spread_db * (places / (places - 1.0)).sqrt();
        let sweeps = f64::from(sweeps.max(1)).ln();
        // Of the highest of n (normal): sqrt(2 ln n) deviations above the mean, GUMBEL.0 / sqrt(2 ln n) deviations spread.
        let excess_db = |ln_samples: f64| spread_db * 2.0 * ln_samples / GUMBEL.0;
        Ok(Some(Self {
            mean_dbm,
            spread_db,
            reading_db: spread_db.max(mean_and_spread(levels, clip_dbm).1),
            places,
            excess_db: (
                excess_db(FALLS_FASTER * sweeps),
                excess_db(SAMPLES_OF_A_SWEEP.ln() + GROWS_FASTER * sweeps),
            ),
        }))
    }

    /// The same, where a trace stands higher by so much.
    pub(super) fn raised(&self, by_db: f64) -> Self {
        Self {
            mean_dbm: self.mean_dbm + by_db,
            ..*self
        }
    }

    /// The level that noise alone exceeds with the chance `p`, dBm.
    pub(super) fn exceeded_dbm(&self, p: f64) -> f64 {
        let gumbel = -(-(-p).ln_1p()).ln();
        let deviations = (gumbel - GUMBEL.1) / GUMBEL.0;
        self.mean_dbm + deviations * self.farther(p) * self.spread_db
    }

    /// What is left of a reading without the noise.
    pub(super) fn carrier(&self, level_dbm: f64) -> Bracket {
        let noises = 10f64.powf((level_dbm - self.mean_dbm) / 10.0) - 1.0;
        let falls = (2.0 / noises.max(1.0)).sqrt().min(1.0);
        let (least_db, most_db) = self.excess_db;
        let highest_dbm = level_dbm - least_db * falls;
        let lowest_dbm = subtract_power_dbm(level_dbm, self.mean_dbm) - most_db * falls;
        Bracket {
            middle_dbm: 0.5 * (highest_dbm + lowest_dbm),
            half_width_db: 0.5 * (highest_dbm - lowest_dbm),
            scatter_db: self.reading_db * self.farther(0.025) * falls,
        }
    }

    /// The carrier for which a reading at or below `level_dbm` has the chance `p` among those at or below `detection_dbm`, or
    /// the carrier that reads below that with this chance, if it is lower, dBm. What arrives of it varies by `way_u_db`. It
    /// reads no lower than it is, but for the scatter.
    pub(super) fn missed_carrier(
        &self,
        level_dbm: f64,
        detection_dbm: f64,
        p: f64,
        way_u_db: f64,
    ) -> f64 {
        let scatter_db = (self.reading_db * self.farther(p)).hypot(way_u_db);
        let normal = Normal::standard();
        let below =
            |dbm: f64, carrier_dbm: f64| normal.cdf((dbm - carrier_dbm) / scatter_db.max(1e-6));
        let (mut low, mut high) = (
            level_dbm,
            detection_dbm - scatter_db * normal.inverse_cdf(p),
        );
        for _ in 0..STEPS {
            let middle = 0.5 * (low + high);
            if below(level_dbm, middle) > p * below(detection_dbm, middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        high
    }

    /// By what factor a quantile is farther out because mean and spread are known from a few places (the prediction
    /// interval of a normal law).
    fn farther(&self, p: f64) -> f64 {
        let normal = Normal::standard().inverse_cdf(1.0 - p);
        let student = StudentsT::new(0.0, 1.0, self.places - 1.0);
        let student = student.map_or(f64::INFINITY, |law| law.inverse_cdf(1.0 - p));
        student / normal * (1.0 + 1.0 / self.places).sqrt()
    }
}

/// Mean and standard deviation of the levels up to `clip_dbm`.
fn mean_and_spread(levels_dbm: &[f64], clip_dbm: f64) -> (f64, f64) {
    let clear = || levels_dbm.iter().filter(|level| **level <= clip_dbm);
    let count = clear().count().max(1) as f64;
    let mean = clear().sum::<f64>() / count;
    let squares: f64 = clear().map(|level| (level - mean).powi(2)).sum();
    (mean, (squares / count).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    const WINDOW: Window = Window {
        centre_hz: 100.0,
        half_width_hz: 1.0,
    };

    /// A floor with normal scatter of 0.5 dB, neighbours unlike, and a station in two bins.
    fn picks(sweeps: u32) -> Picks {
        let normal = Normal::standard();
        let mut levels: Vec<f64> = (0..201)
            .map(|i| (f64::from(i * 89 % 201) + 0.5) / 201.0)
            .map(|p| -100.0 + 0.5 * normal.inverse_cdf(p))
            .collect();
        levels[40..42].fill(-60.0);
        let trace = Trace::new(0.0, 200.0, &levels).expect("a trace");
        Picks::of(&trace, WINDOW, sweeps)
            .expect("a window")
            .expect("places")
    }

    #[test]
    fn the_law_of_the_picks_is_that_of_the_highest_of_three() {
        // The highest of three normal numbers: mean 0.8463, standard deviation 0.7480 (David and Nagaraja, Order
        // Statistics, from memory).
        let picks = picks(1);
        assert!(
            (picks.mean_dbm + 100.0 - 0.5 * 0.8463).abs() < 0.15,
            "{picks:?}"
        );
        assert!((0.2..0.5).contains(&picks.spread_db), "{picks:?}");
        assert!((60.0..68.0).contains(&picks.places), "{picks:?}");
        // Once in a thousand, between the normal and the exponential extreme.
        let above = (picks.exceeded_dbm(1e-3) - picks.mean_dbm) / picks.spread_db;
        assert!((4.9..6.0).contains(&above), "{above}");
    }

    #[test]
    fn a_carrier_lies_between_the_reading_and_power_subtraction() {
        let picks = picks(1);
        for (above_db, s) in [(3.0, 1.0), (10.414, 10.0), (20.043, 100.0)] {
            let level_dbm = picks.mean_dbm + above_db;
            let found = picks.carrier(level_dbm);
            let (low, high) = (
                found.middle_dbm - found.half_width_db,
                found.middle_dbm + found.half_width_db,
            );
            // A power: 10 lg (1 + s) above the floor.
            let carrier_dbm = picks.mean_dbm + 10.0 * f64::log10(s);
            assert!(
                low <= carrier_dbm + 0.02 && carrier_dbm <= high,
                "{s}: {found:?}"
            );
            assert!((high - level_dbm).abs() < 1e-9, "one sweep holds nothing");
        }
        let [near, far] = [4.0, 40.0].map(|db| picks.carrier(picks.mean_dbm + db));
        assert!(
            far.half_width_db < 0.05 * near.half_width_db,
            "{near:?} {far:?}"
        );
        assert!(far.scatter_db < 0.05 * near.scatter_db, "{near:?} {far:?}");
    }

    #[test]
    fn a_missed_carrier_reads_so_low_once_in_twenty_times() {
        let picks = picks(1);
        let detection_dbm = picks.exceeded_dbm(1e-3);
        let bound =
            |level_dbm, way_u_db| picks.missed_carrier(level_dbm, detection_dbm, 0.05, way_u_db);
        let scatter_db = picks.reading_db * picks.farther(0.05);
        let low = bound(picks.mean_dbm, 0.0) - picks.mean_dbm;
        assert!((low / scatter_db - 1.645).abs() < 0.1, "{low} {scatter_db}");
        // At the detection level: whatever is missed once in twenty times.
        let high = bound(detection_dbm, 0.0) - detection_dbm;
        assert!(
            (high / scatter_db - 1.645).abs() < 0.01,
            "{high} {scatter_db}"
        );
        assert!(bound(picks.mean_dbm, 1.0) > bound(picks.mean_dbm, 0.0) + 0.5);
    }

    #[test]
    fn a_few_places_say_nothing_and_a_floor_that_stands_still_is_one_level() {
        let levels = [-100.0; 201];
        let trace = Trace::new(0.0, 200.0, &levels).expect("a trace");
        let wide = Window {
            half_width_hz: 25.0,
            ..WINDOW
        };
        assert_eq!(Picks::of(&trace, wide, 1), Ok(None));
        let still = Picks::of(&trace, WINDOW, 10)
            .expect("a window")
            .expect("places");
        assert_eq!((still.mean_dbm, still.spread_db), (-100.0, 0.0));
        assert_eq!(still.exceeded_dbm(1e-6), -100.0);
        assert!((still.missed_carrier(-100.0, -97.0, 0.05, 0.0) + 100.0).abs() < 1e-3);
    }
}
