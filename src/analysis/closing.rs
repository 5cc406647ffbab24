//! The sealed arrangement: which test frequencies share a closing of the item.
//!
//! The receiver lies in the closed item and holds the peaks of one wide trace while the source steps
//! through its frequencies; nothing can be reset in between. Two frequencies may share a closing only if
//! the trace keeps them apart: neither the carrier nor a harmonic of the one (which a power amplifier
//! makes, and the hold keeps) may reach the window in which the other is picked. Fewer closings are
//! better: each is a person's work, and each closes the seam a little differently.

use super::AnalysisError;
use super::noise::held_quantile_db;
use super::trace::{Trace, Window};
use crate::config::Tuning;

/// Harmonics of the source and the amplifier that matter (ORACLES F1).
const HARMONICS: std::ops::RangeInclusive<u32> = 2..=5;
/// So many bandwidths beside a carrier a Gaussian filter lets through 108 dB less: 12.04 dB times the
/// square.
const SKIRT_BANDWIDTHS: f64 = 3.0;
/// The same for a harmonic: 48 dB less, of what lies below a carrier at that frequency to begin with
/// (ORACLES F1 has 8 dB below with an unmatched antenna).
const HARMONIC_BANDWIDTHS: f64 = 2.0;
/// Width of the trace beyond the outermost test frequencies: part of what lies between them.
const MARGIN_SHARE: f64 = 0.02;
/// The same in resolution bandwidths, at least.
const MARGIN_BANDWIDTHS: f64 = 20.0;
/// Sweep time over span / bandwidth²; 2 to 3 is usual, the receiver's own figure counts in the end
/// (common practice, no source).
const SWEEP_FACTOR: f64 = 3.0;
/// Up to so many frequencies, fewer closings than the first guess are searched for.
const SEARCH_FREQUENCIES_MAX: usize = 200;
/// Trials of that search before the first guess stands; keeps the worst case far below a second.
const SEARCH_TRIALS_MAX: u32 = 20_000;
/// Places beside the first carrier, to either side, at which it may be sent again.
const AGAIN_PLACES: u32 = 4;
/// First and last sending of a closure differ by no more than this, dB: each may differ by 3 dB from what is between
/// them, as IEEE 299-2006, 4.4, lets two measurements of one thing differ (by what is publicly known of it).
const AGAIN_ALLOWED_DB: f64 = 6.0;
/// A level so far above its floor is that of a carrier, dB: other signals come and go by less (common practice, no
/// source).
const STANDS_OUT_DB: f64 = 10.0;
/// Fewer bins without a carrier say nothing about the floor between the carriers.
const BETWEEN_BINS_MIN: usize = 16;

/// How the receiver is set while the item is closed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setup {
    /// Points of the trace.
    pub points: u32,
    /// Resolution bandwidth, Hz.
    pub rbw_hz: f64,
    /// The slower of resolution and video bandwidth, Hz.
    pub slower_hz: f64,
    /// How far source and receiver together may be off, as a part of the frequency.
    pub tolerance: f64,
    /// What the receiver can tune to, Hz.
    pub range_hz: (f64, f64),
    /// Sweeps for which each carrier stays.
    pub sweeps: u32,
    /// The longest that one carrier may stay, s.
    pub dwell_max_s: f64,
    /// Harmonics are kept away from the other frequencies of a closing. Without, results say where they are not.
    pub harmonics_apart: bool,
}

/// A test frequency that needs a closing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// By how much the floor may rise above that of a closing of its own before the limit can no longer be
    /// seen, dB; each further carrier makes the hold longer and the floor higher. `None` where that is
    /// not known, or no closing could see it.
    pub room_db: Option<f64>,
}

/// One closing: what is sent, and the trace that is held.
#[derive(Debug, Clone, PartialEq)]
pub struct Closing {
    /// The test frequencies, ascending, Hz.
    pub frequencies_hz: Vec<f64>,
    /// First frequency of the trace, Hz.
    pub start_hz: f64,
    /// Last frequency of the trace, Hz.
    pub stop_hz: f64,
}

/// How far from a test frequency a harmonic does no harm to it, wherever the instruments' clocks move it.
pub fn clear_of_harmonics_hz(at_hz: f64, tuning: &Tuning) -> f64 {
    let Tuning { rbw_hz, bin_hz, .. } = *tuning;
    tuning.half_width_hz(at_hz) + tuning.error_hz(at_hz) + HARMONIC_BANDWIDTHS * rbw_hz + bin_hz
}

/// The carriers of a closing of which a harmonic, second to fifth, falls on a test frequency, Hz.
pub fn harmonics_at(
    frequency_hz: f64,
    carriers_hz: &[f64],
    tuning: &Tuning,
) -> impl Iterator<Item = f64> {
    let carriers_hz = carriers_hz.iter().copied();
    carriers_hz.filter(move |carrier_hz| is_harmonic(frequency_hz, *carrier_hz, tuning))
}

/// Whether a harmonic of a carrier falls on a test frequency.
fn is_harmonic(frequency_hz: f64, carrier_hz: f64, tuning: &Tuning) -> bool {
    let clear_hz = clear_of_harmonics_hz(frequency_hz, tuning);
    HARMONICS
        .into_iter()
        .any(|order| (f64::from(order) * carrier_hz - frequency_hz).abs() < clear_hz)
}

/// How far beside a carrier the trace shows it.
fn reach_hz(rbw_hz: f64, bin_hz: f64) -> f64 {
    SKIRT_BANDWIDTHS * rbw_hz + bin_hz
}

/// By how much the floor held over `carriers` stays of `sweeps` sweeps lies above that of one, dB.
pub fn hold_rise_db(carriers: usize, sweeps: u32) -> f64 {
    let one = f64::from(sweeps.max(1));
    held_quantile_db(carriers.max(1) as f64 * one, 0.5) - held_quantile_db(one, 0.5)
}

/// Shares the frequencies out among as few closings as the rules of [`Setup`] allow: proven least up to
/// some two hundred frequencies unless the search runs out of its trials, first fit beyond. The same
/// input gives the same closings, in ascending order of their lowest frequency.
///
/// # Errors
/// A frequency that not even a closing of its own can hold.
pub fn closings(wanted: &[Wanted], setup: &Setup) -> Result<Vec<Closing>, AnalysisError> {
    let mut wanted = wanted.to_vec();
    wanted.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    wanted.dedup_by(|a, b| a.frequency_hz == b.frequency_hz);
    for one in &wanted {
        setup.holds_alone(one)?;
    }
    let mut best = first_fit(&wanted, setup);
    if wanted.len() <= SEARCH_FREQUENCIES_MAX {
        let mut trials = SEARCH_TRIALS_MAX;
        while best.len() > 1 {
            let mut groups = Vec::new();
            match fewer(&wanted, setup, best.len() - 1, &mut groups, &mut trials) {
                true => best = groups,
                false => break,
            }
        }
    }
    Ok(best.iter().map(|group| setup.closing(group)).collect())
}

fn first_fit(wanted: &[Wanted], setup: &Setup) -> Vec<Vec<Wanted>> {
    let mut groups: Vec<Vec<Wanted>> = Vec::new();
    for one in wanted {
        let taken = groups.iter_mut().any(|group| {
            group.push(*one);
            let fits = setup.fits(group);
            if !fits {
                group.pop();
            }
            fits
        });
        if !taken {
            groups.push(vec![*one]);
        }
    }
    groups
}

/// What a trace held at a carrier, and the silent one before it at the same place, dBm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeldLevel {
    /// With the carrier.
    pub level_dbm: f64,
    /// With the source off.
    pub floor_dbm: f64,
}

impl HeldLevel {
    fn stands_out(&self) -> bool {
        self.level_dbm > self.floor_dbm + STANDS_OUT_DB
    }
}

/// By how much a closure's first carrier, sent again as its last, read lower than at first, dB (negative: higher), where
/// that is more than a closed item, an unbroken hold and a steady source explain. `reference_db` is the same of the
/// reference. What does not stand out of its floor may be noise, or another signal, and tells nothing by being high.
pub fn disagree_db(first: HeldLevel, again: HeldLevel, reference_db: f64) -> Option<f64> {
    let lower_db = first.level_dbm - again.level_dbm - reference_db;
    let higher = if lower_db > 0.0 { first } else { again };
    (lower_db.abs() > AGAIN_ALLOWED_DB && higher.stands_out()).then_some(lower_db)
}

/// Whether `most` closings do; then `groups` are they. Whatever fits still fits when one is taken out, so
/// trying them in order misses nothing.
fn fewer(
    wanted: &[Wanted],
    setup: &Setup,
    most: usize,
    groups: &mut Vec<Vec<Wanted>>,
    trials: &mut u32,
) -> bool {
    let Some((one, rest)) = wanted.split_first() else {
        return true;
    };
    for index in 0..most.min(groups.len() + 1) {
        if *trials == 0 {
            return false;
        }
        *trials -= 1;
        if index == groups.len() {
            groups.push(Vec::new());
        }
        groups[index].push(*one);
        if setup.fits(&groups[index]) && fewer(rest, setup, most, groups, trials) {
            return true;
        }
        groups[index].pop();
        if groups[index].is_empty() {
            groups.pop();
        }
    }
    false
}

impl Setup {
    /// The trace that holds some frequencies, given in ascending order.
    fn closing(&self, members: &[Wanted]) -> Closing {
        let low_hz = members.first().map_or(0.0, |one| one.frequency_hz);
        let high_hz = members.last().map_or(0.0, |one| one.frequency_hz);
        let room_hz = MARGIN_BANDWIDTHS * self.rbw_hz;
        let margin_hz = MARGIN_SHARE * (high_hz - low_hz)
            + room_hz.max(0.5 * room_hz + self.tolerance * high_hz);
        Closing {
            frequencies_hz: members.iter().map(|one| one.frequency_hz).collect(),
            start_hz: (low_hz - margin_hz).max(self.range_hz.0),
            stop_hz: (high_hz + margin_hz).min(self.range_hz.1),
        }
    }

    /// Where the first carrier of a closing is sent once more, as its last: so near that it reads alike, and so far
    /// beside that one trace holds both. `allowed` says where may be sent. None where no place is left.
    pub fn again_hz(&self, closing: &Closing, allowed: impl Fn(f64) -> bool) -> Option<f64> {
        let all = &closing.frequencies_hz;
        let tuning = self.tuning(closing);
        let first_hz = *all.first()?;
        // A hair wider, because it grows with the frequency.
        let step_hz = self.apart_hz(1.01 * first_hz, &tuning).ceil();
        let is_clear = |at_hz: f64| {
            let half_hz = tuning.half_width_hz(at_hz);
            (closing.start_hz + half_hz..=closing.stop_hz - half_hz).contains(&at_hz)
                && all.iter().all(|hz| {
                    (hz - at_hz).abs() >= self.apart_hz(hz.max(at_hz), &tuning)
                        && !is_harmonic(*hz, at_hz, &tuning)
                        && !is_harmonic(at_hz, *hz, &tuning)
                })
        };
        (1..=AGAIN_PLACES)
            .flat_map(|place| [1.0, -1.0].map(|side| first_hz + side * f64::from(place) * step_hz))
            .find(|at_hz| is_clear(*at_hz) && allowed(*at_hz))
    }

    fn tuning(&self, closing: &Closing) -> Tuning {
        Tuning {
            rbw_hz: self.rbw_hz,
            bin_hz: (closing.stop_hz - closing.start_hz) / f64::from(self.points.max(2) - 1),
            tolerance: self.tolerance,
        }
    }

    /// How far another carrier must be from one at `at_hz`, so that neither reaches into the other's window.
    fn apart_hz(&self, at_hz: f64, tuning: &Tuning) -> f64 {
        let reach_hz = reach_hz(self.rbw_hz, tuning.bin_hz);
        tuning.half_width_hz(at_hz) + tuning.error_hz(at_hz) + reach_hz
    }

    fn holds_alone(&self, one: &Wanted) -> Result<(), AnalysisError> {
        let refuse = |reason: String| {
            Err(AnalysisError::NoClosing {
                frequency_hz: one.frequency_hz,
                reason,
            })
        };
        let (low_hz, high_hz) = self.range_hz;
        if !(low_hz..=high_hz).contains(&one.frequency_hz) {
            return refuse(format!(
                "the receiver tunes from {low_hz} Hz to {high_hz} Hz"
            ));
        }
        let dwell_s = self.dwell_s(&self.closing(&[*one]));
        if dwell_s > self.dwell_max_s {
            return refuse(format!(
                "{} sweeps take about {dwell_s:.1} s, longer than one emission may last ({:.1} s); widen the resolution bandwidth, take fewer sweeps, or raise `emission_max`",
                self.sweeps, self.dwell_max_s
            ));
        }
        Ok(())
    }

    /// How long a carrier must stay so that no fewer sweeps than asked pass over it, by rule of thumb.
    fn dwell_s(&self, closing: &Closing) -> f64 {
        let sweep_s =
            SWEEP_FACTOR * (closing.stop_hz - closing.start_hz) / (self.rbw_hz * self.slower_hz);
        f64::from(self.sweeps + 1) * sweep_s
    }

    /// Whether frequencies in ascending order can share a closing.
    fn fits(&self, members: &[Wanted]) -> bool {
        let closing = self.closing(members);
        if self.dwell_s(&closing) > self.dwell_max_s {
            return false;
        }
        let rise_db = hold_rise_db(members.len(), self.sweeps);
        if members.len() > 1
            && members
                .iter()
                .any(|one| one.room_db.is_some_and(|room| rise_db > room))
        {
            return false;
        }
        let tuning = self.tuning(&closing);
        let all = &closing.frequencies_hz;
        let apart = all
            .windows(2)
            .all(|pair| pair[1] - pair[0] >= self.apart_hz(pair[1], &tuning));
        if !self.harmonics_apart {
            return apart;
        }
        apart
            && all.iter().all(|hz| {
                HARMONICS
                    .map(|order| f64::from(order) * hz)
                    .all(|harmonic_hz| {
                        let clear_hz = clear_of_harmonics_hz(harmonic_hz, &tuning);
                        let from = all.partition_point(|other| *other <= harmonic_hz - clear_hz);
                        all.get(from)
                            .is_none_or(|other| *other >= harmonic_hz + clear_hz)
                    })
            })
    }
}

/// Up to this SE a carrier reads as if there were no item, dB: 3 dB by what an open item still shades, and 1 dB by
/// what two readings of one level differ (common practice, no source).
const OPEN_DB: f64 = 4.0;
/// From this on the next carrier shows that the item is better than that, dB.
const CLOSED_DB: f64 = 10.0;

/// How many carriers at the beginning of a closure, and how many at its end, read as without the item, while those
/// next to them do not: `se_db` in the order in which they were sent. An item that is as bad everywhere has none.
pub fn open_carriers(se_db: &[f64]) -> (usize, usize) {
    fn leading<'a>(mut se_db: impl Iterator<Item = &'a f64>) -> usize {
        let mut open = 0;
        loop {
            match se_db.next() {
                Some(se_db) if *se_db <= OPEN_DB => open += 1,
                Some(se_db) if *se_db >= CLOSED_DB => return open,
                _ => return 0,
            }
        }
    }
    (leading(se_db.iter()), leading(se_db.iter().rev()))
}

/// By how much one trace stands above another of the same frequencies, in the bins within `near` that no
/// carrier reaches, dB: the difference of their medians, never below zero. Zero where too few such bins
/// are left to say.
///
/// # Errors
/// The window lies outside the traces.
pub fn between_db(
    trace: &Trace,
    floor: &Trace,
    near: Window,
    carriers_hz: &[f64],
    rbw_hz: f64,
) -> Result<f64, AnalysisError> {
    let median = |trace: &Trace| -> Result<Option<f64>, AnalysisError> {
        let reach_hz = reach_hz(rbw_hz, trace.spacing_hz());
        let bare = |bin: &usize| {
            let hz = trace.frequency_hz(*bin);
            carriers_hz
                .iter()
                .all(|carrier| (carrier - hz).abs() > reach_hz)
        };
        let bins = trace.bins(near)?.filter(bare);
        let mut levels: Vec<f64> = bins.map(|bin| trace.levels_dbm()[bin]).collect();
        levels.sort_by(f64::total_cmp);
        Ok((levels.len() >= BETWEEN_BINS_MIN).then(|| levels[levels.len() / 2]))
    };
    Ok(match (median(trace)?, median(floor)?) {
        (Some(above), Some(below)) => (above - below).max(0.0),
        _ => 0.0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SETUP: Setup = Setup {
        points: 10_001,
        rbw_hz: 100e3,
        slower_hz: 100e3,
        tolerance: 0.0,
        range_hz: (9e3, 3e9),
        sweeps: 3,
        dwell_max_s: 60.0,
        harmonics_apart: true,
    };

    fn plan(frequencies_hz: &[f64], setup: &Setup) -> Vec<Vec<f64>> {
        let wanted: Vec<Wanted> = frequencies_hz
            .iter()
            .map(|hz| Wanted {
                frequency_hz: *hz,
                room_db: None,
            })
            .collect();
        let planned = closings(&wanted, setup).expect("each fits alone");
        planned
            .into_iter()
            .map(|closing| closing.frequencies_hz)
            .collect()
    }

    #[test]
    fn what_does_not_collide_shares_one_closing() {
        let even: Vec<f64> = (0..31)
            .map(|i| 30e6 * (1e9f64 / 30e6).powf(f64::from(i) / 30.0))
            .collect();
        assert_eq!(plan(&even, &SETUP), [even]);
    }

    #[test]
    fn a_harmonic_moves_into_another_closing() {
        let at = [100e6, 150e6, 200e6, 310e6, 500e6];
        assert_eq!(
            plan(&at, &SETUP),
            [vec![100e6, 150e6, 310e6], vec![200e6, 500e6]]
        );
        // 300.05 MHz: within a bandwidth of the third harmonic. 301 MHz: well clear of it.
        assert_eq!(plan(&[100e6, 300.05e6], &SETUP).len(), 2);
        assert_eq!(plan(&[100e6, 301e6], &SETUP).len(), 1);
        // Unless the instruments may be off by so much there.
        let wide = Setup {
            tolerance: 2e-3,
            ..SETUP
        };
        assert_eq!(plan(&[100e6, 301e6], &wide).len(), 2);
        assert_eq!(plan(&[300e6, 301e6], &wide).len(), 2);
        assert_eq!(plan(&[300e6, 301e6], &SETUP).len(), 1);
        // The sixth is not looked at.
        assert_eq!(plan(&[100e6, 600e6], &SETUP).len(), 1);
        // Each of f, 2f, 4f is a harmonic of the one before, and 4f of f.
        assert_eq!(plan(&[100e6, 200e6, 400e6], &SETUP).len(), 3);
    }

    #[test]
    fn a_harmonic_that_is_let_in_is_found_again() {
        let let_in = Setup {
            harmonics_apart: false,
            ..SETUP
        };
        let at = [100e6, 150e6, 200e6, 310e6, 500e6];
        assert_eq!(plan(&at, &let_in), [at]);
        let tuning = Tuning {
            rbw_hz: 100e3,
            bin_hz: 100e3,
            tolerance: 0.0,
        };
        let of = |hz| harmonics_at(hz, &at, &tuning).collect::<Vec<_>>();
        assert_eq!(
            (of(500e6), of(200e6), of(310e6)),
            (vec![100e6], vec![100e6], vec![])
        );
    }

    #[test]
    fn fewer_closings_than_the_first_that_fit() {
        // First fit puts 100 and 180 MHz together and 300 MHz apart; 900 MHz then collides with both.
        assert_eq!(
            plan(&[100e6, 180e6, 300e6, 900e6], &SETUP),
            [vec![100e6, 900e6], vec![180e6, 300e6]]
        );
    }

    #[test]
    fn neighbours_that_share_a_bin_are_taken_apart() {
        let narrow = Setup {
            points: 801,
            ..SETUP
        };
        // Over 970 MHz a bin is 1.25 MHz wide; by themselves the two neighbours have narrow bins.
        let all = [30e6, 31.7e6, 999e6];
        let planned = plan(&all, &narrow);
        assert_eq!(planned.len(), 2, "{planned:?}");
        assert_eq!(plan(&all[..2], &narrow).len(), 1);
    }

    #[test]
    fn a_slow_sweep_narrows_the_trace() {
        // 3 · 1 GHz / (10 kHz)² = 30 s; four of them do not fit into a minute, those of half the width do.
        let slow = Setup {
            rbw_hz: 10e3,
            slower_hz: 10e3,
            points: 100_001,
            ..SETUP
        };
        let planned = plan(&[30e6, 320e6, 700e6, 990e6], &slow);
        assert_eq!(planned, [vec![30e6, 320e6], vec![700e6, 990e6]]);
        let too_slow = Setup {
            dwell_max_s: 1e-3,
            ..slow
        };
        let one = Wanted {
            frequency_hz: 30e6,
            room_db: None,
        };
        let refused = closings(&[one], &too_slow).expect_err("too slow");
        assert!(refused.to_string().contains("emission_max"), "{refused}");
    }

    #[test]
    fn the_floor_may_not_rise_above_what_the_limit_needs() {
        // Medians of the maximum of 3 and of 6 samples, by hand: -ln(1 - 0.5^(1/3)) = 1.5784,
        // -ln(1 - 0.5^(1/6)) = 2.2154; 10 lg of their ratio is 1.472 dB.
        assert!((hold_rise_db(2, 3) - 1.472).abs() < 2e-3);
        let with = |room_db| {
            let at = [100e6, 130e6, 170e6];
            let wanted = at.map(|frequency_hz| Wanted {
                frequency_hz,
                room_db,
            });
            closings(&wanted, &SETUP).expect("fits").len()
        };
        assert_eq!(with(Some(3.0)), 1);
        assert_eq!(with(Some(1.5)), 2);
        assert_eq!(with(Some(0.1)), 3);
        assert_eq!(with(None), 1);
    }

    #[test]
    fn the_first_carrier_is_sent_again_clear_of_all_others() {
        let wanted = |hz: f64| Wanted {
            frequency_hz: hz,
            room_db: None,
        };
        let again = |frequencies_hz: &[f64], allowed: fn(f64) -> bool| {
            let wanted: Vec<_> = frequencies_hz.iter().copied().map(wanted).collect();
            let closing = &closings(&wanted, &SETUP).expect("fits")[0];
            let at_hz = SETUP.again_hz(closing, allowed);
            at_hz.map(|at_hz| (at_hz - frequencies_hz[0]) / 1e3)
        };
        // Alone: the window, three bandwidths and a bin of 400 Hz.
        let near = again(&[100e6], |_| true).expect("a place");
        assert!((near - 400.4).abs() < 0.1, "{near}");
        // The next carrier, or somebody, leaves only the other side.
        assert!(again(&[100e6, 100.5e6], |_| true).expect("a place") < 0.0);
        assert!(again(&[100e6], |hz| hz < 100e6).expect("a place") < 0.0);
        assert_eq!(again(&[100e6], |_| false), None);
        // A harmonic of the place beside it must not fall on 200.8 MHz either.
        let clear = again(&[100e6, 200.8e6], |_| true).expect("a place");
        assert!((2.0 * (100e3 + clear) - 200.8e3).abs() > 400.0, "{clear}");
    }

    #[test]
    fn first_and_last_sending_agree_or_not() {
        let disagree = |first: (f64, f64), again: (f64, f64), reference_db| {
            let held = |(level_dbm, floor_dbm)| HeldLevel {
                level_dbm,
                floor_dbm,
            };
            disagree_db(held(first), held(again), reference_db)
        };
        let floor = -95.0;
        assert_eq!(disagree((-60.0, floor), (-65.9, floor), 0.0), None);
        assert_eq!(disagree((-60.0, floor), (-92.0, floor), 2.0), Some(30.0));
        assert_eq!(disagree((-92.0, floor), (-60.0, floor), 0.0), Some(-32.0));
        // Noise, and a station at the second place.
        assert_eq!(disagree((-86.0, floor), (-93.0, floor), 0.0), None);
        assert_eq!(disagree((-92.0, floor), (-60.0, -62.0), 0.0), None);
        // It does not hide that the first is missing there.
        assert_eq!(disagree((-30.0, floor), (-60.0, -62.0), 0.0), Some(30.0));
    }

    #[test]
    fn carriers_of_an_open_item() {
        assert_eq!(open_carriers(&[1.0, 2.9, 40.0, 35.0, 0.5]), (2, 1));
        assert_eq!(open_carriers(&[40.0, 1.0, 40.0]), (0, 0));
        assert_eq!(open_carriers(&[1.0, 2.0, -1.0]), (0, 0), "no item at all");
        assert_eq!(
            open_carriers(&[2.0, 5.0, 20.0]),
            (0, 0),
            "it leaks more below"
        );
        assert_eq!(open_carriers(&[]), (0, 0));
    }

    #[test]
    fn the_floor_between_the_carriers() {
        let mut levels = vec![-90.0; 401];
        let floor = levels.clone();
        let window = Window {
            centre_hz: 200.0,
            half_width_hz: 100.0,
        };
        let carriers = [150.0, 200.0, 250.0];
        for carrier in carriers {
            let at = carrier as usize;
            levels[at - 6..=at + 6].fill(-20.0);
        }
        let raised = |levels: &[f64], carriers: &[f64]| {
            let trace = Trace::new(0.0, 400.0, levels).expect("a trace");
            let floor = Trace::new(0.0, 400.0, &floor).expect("a trace");
            between_db(&trace, &floor, window, carriers, 2.0).expect("inside")
        };
        assert_eq!(raised(&levels, &carriers), 0.0);
        levels.iter_mut().for_each(|level| *level += 4.0);
        assert_eq!(raised(&levels, &carriers), 4.0);
        levels.iter_mut().for_each(|level| *level -= 8.0);
        assert_eq!(raised(&levels, &carriers), 0.0, "never lowered");
        let everywhere: Vec<f64> = (0..100).map(|i| 4.0 * f64::from(i)).collect();
        levels.iter_mut().for_each(|level| *level += 8.0);
        assert_eq!(raised(&levels, &everywhere), 0.0, "nothing left to say it");
    }

    proptest! {
        #[test]
        fn every_frequency_has_one_closing_and_no_closing_a_conflict(
            mut frequencies in proptest::collection::vec(10_000u32..1_000_000, 1..60),
            points in prop_oneof![Just(801u32), Just(10_001)],
        ) {
            let setup = Setup { points, ..SETUP };
            frequencies.sort_unstable();
            frequencies.dedup();
            let all: Vec<f64> = frequencies.iter().map(|khz| f64::from(*khz) * 1e3).collect();
            let wanted: Vec<Wanted> = all
                .iter()
                .map(|hz| Wanted { frequency_hz: *hz, room_db: None })
                .collect();
            let planned = closings(&wanted, &setup).expect("each fits alone");
            prop_assert_eq!(&planned, &closings(&wanted, &setup).expect("again"));
            let mut found: Vec<f64> =
                planned.iter().flat_map(|c| c.frequencies_hz.clone()).collect();
            found.sort_by(f64::total_cmp);
            prop_assert_eq!(found, all);
            for closing in &planned {
                let bin_hz = (closing.stop_hz - closing.start_hz) / f64::from(points - 1);
                for a in &closing.frequencies_hz {
                    prop_assert!(closing.start_hz < *a && *a < closing.stop_hz);
                    for b in closing.frequencies_hz.iter().filter(|b| *b != a) {
                        prop_assert!((a - b).abs() > setup.rbw_hz.max(bin_hz));
                        for order in 2..=5 {
                            prop_assert!((f64::from(order) * a - b).abs() > setup.rbw_hz.max(bin_hz));
                        }
                    }
                }
            }
        }
    }
}
