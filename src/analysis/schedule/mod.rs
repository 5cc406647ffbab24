//! The sealed and scheduled arrangement: who does what when, and which of what was recorded counts.
//!
//! A recorder in the closed item and the source outside follow one timetable, each by its own clock. The
//! source begins with a marker, a pattern of on and off at one frequency, that the recorder finds; from then
//! on it knows the time up to what its clock drifts. Every reading has a guard time to both sides for
//! that, which grows with the distance from the marker. A second marker closes the timetable: by the two,
//! the clocks are laid on each other afterwards ([`marker`], [`Clocks`]), and only holds that certainly fell
//! into a silence or into an emission count ([`is_silent`], [`is_within`]).
//!
//! All times of a timetable count from the beginning of the first marker, in whole milliseconds, so that both
//! sides have the same numbers.

pub mod marker;

use serde::{Deserialize, Serialize};

use super::AnalysisError;
use marker::Alignment;

/// From asking for an emission until it is surely on, and from asking for its end until it is surely off:
/// the emission log is written before, and the source is asked whether it did it.
pub const SWITCH_MS: u64 = 200;
/// What the recorder needs to be sure of a marker after its last chip.
const REST_MS: u64 = 1500;
/// The longest timetable: the battery of what lies inside, and a person's patience, end before.
const LENGTH_MS_MAX: u64 = 24 * 3_600_000;
/// Between the markers a clock may stray from a straight line by this part of the drift that is stated for
/// it: its crystal changes its temperature (common practice, no source).
const CURVATURE: f64 = 0.1;

/// What a hold is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// The source is off.
    Floor,
    /// The source is on.
    Signal,
    /// The source is on, a step lower.
    Step,
}

/// A frequency that is to be measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// How long one hold takes at the most, its settings and its trace included, ms.
    pub hold_ms: u64,
    /// Wait after the output is on, ms.
    pub settle_ms: u64,
}

/// What a timetable is made by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// Length of a marker, ms.
    pub marker_ms: u64,
    /// How exactly the recorder knows the beginning of the first marker, ms.
    pub align_ms: u64,
    /// How much the two clocks may drift against each other, as a part.
    pub drift: f64,
    /// Between the first marker and the first reading, for closing the item, ms.
    pub hands_ms: u64,
}

/// A hold of the recorder.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hold {
    /// What it is for.
    pub role: Role,
    /// Where, Hz.
    pub frequency_hz: f64,
    /// When it begins, ms.
    pub at_ms: u64,
    /// How long it takes at the most, ms.
    pub lasts_ms: u64,
    /// By how much the recorder's time may be wrong meanwhile, ms.
    pub guard_ms: u64,
}

/// An emission of the source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sending {
    /// What for.
    pub role: Role,
    /// Where, Hz.
    pub frequency_hz: f64,
    /// When it is asked for, ms.
    pub on_ms: u64,
    /// When its end is asked for, ms.
    pub off_ms: u64,
}

/// Who does what when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Timetable {
    /// By when the item must be closed, ms.
    pub closed_ms: u64,
    /// What the recorder does, in order.
    pub holds: Vec<Hold>,
    /// What the source does, in order.
    pub sendings: Vec<Sending>,
    /// From when the second marker may come, ms.
    pub ends_ms: u64,
}

impl Timetable {
    /// Makes the timetable of some frequencies, in their order, each with a floor and then an emission for
    /// every one of `roles` that has one.
    ///
    /// # Errors
    /// A timetable that would last longer than a day.
    pub fn new(asked: &[Asked], roles: &[Role], rules: &Rules) -> Result<Self, AnalysisError> {
        let closed_ms = rules.marker_ms + REST_MS + rules.hands_ms;
        let mut made = Self {
            closed_ms,
            holds: Vec::with_capacity(asked.len() * roles.len()),
            sendings: Vec::with_capacity(asked.len() * roles.len()),
            ends_ms: closed_ms,
        };
        // The guard grows with the timetable, and the timetable with the guard: far beyond a day both run away.
        for one in asked {
            if made.ends_ms <= LENGTH_MS_MAX {
                made.add(one, roles, rules);
            }
        }
        // The recorder, late by its guard, is back at the marker's frequency.
        made.ends_ms += rules.guard_ms(made.ends_ms) + REST_MS;
        match made.ends_ms > LENGTH_MS_MAX {
            true => Err(AnalysisError::NotPossible {
                what: "the timetable",
                reason: format!(
                    "{} frequencies would take more than a day; share them out among several plans, widen the resolution bandwidth, or take fewer sweeps",
                    asked.len()
                ),
            }),
            false => Ok(made),
        }
    }

    fn add(&mut self, one: &Asked, roles: &[Role], rules: &Rules) {
        let begins_ms = self.ends_ms;
        // By the guard of its beginning, how long this frequency takes; then with the guard of its end.
        let lasts_ms = |guard_ms: u64| {
            let emission_ms = 2 * SWITCH_MS + one.settle_ms + one.hold_ms + 2 * guard_ms;
            one.hold_ms + 2 * guard_ms + roles.len() as u64 * emission_ms
        };
        let guard_ms = rules.guard_ms(begins_ms + lasts_ms(rules.guard_ms(begins_ms)));
        let hold = |role, at_ms| Hold {
            role,
            frequency_hz: one.frequency_hz,
            at_ms,
            lasts_ms: one.hold_ms,
            guard_ms,
        };
        let floor_ms = begins_ms + guard_ms;
        self.holds.push(hold(Role::Floor, floor_ms));
        let mut free_ms = floor_ms + one.hold_ms + guard_ms;
        for role in roles.iter().filter(|role| **role != Role::Floor) {
            let at_ms = free_ms + SWITCH_MS + one.settle_ms + guard_ms;
            let off_ms = at_ms + one.hold_ms + guard_ms;
            self.holds.push(hold(*role, at_ms));
            self.sendings.push(Sending {
                role: *role,
                frequency_hz: one.frequency_hz,
                on_ms: free_ms,
                off_ms,
            });
            free_ms = off_ms + SWITCH_MS;
        }
        self.ends_ms = free_ms;
    }

    /// The longest emission in it, switching included, ms.
    pub fn emission_ms_max(&self) -> u64 {
        let lengths = self.sendings.iter().map(|one| one.off_ms - one.on_ms);
        lengths.max().unwrap_or(0) + SWITCH_MS
    }
}

impl Rules {
    /// How wrong the recorder may be at a time of the timetable, ms.
    fn guard_ms(&self, at_ms: u64) -> u64 {
        let drifted_ms = (at_ms as f64 * self.drift).ceil();
        // A float beyond the integers ends at their largest.
        self.align_ms + drifted_ms as u64
    }
}

/// When an emission was on, as far as that is known, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct On {
    /// Before it was asked for: surely off until then.
    pub before_s: f64,
    /// Seen to be on.
    pub on_s: f64,
    /// Its end was asked for.
    pub off_s: f64,
    /// Seen to be off.
    pub after_s: f64,
}

/// The recorder's clock against the source's.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Clocks {
    /// The middle of the first marker by the source's clock, s.
    pub start_s: f64,
    /// By how much the recorder's clock is ahead there.
    pub start: Alignment,
    /// The middle of the second marker by the source's clock, and the same there; none where the recording
    /// was cut before.
    pub end: Option<(f64, Alignment)>,
    /// How much the clocks may drift against each other, as a part, as was stated before.
    pub drift_max: f64,
}

impl Clocks {
    /// How much faster the recorder's clock goes, as a part, with its uncertainty; none without a second
    /// marker.
    pub fn drift(&self) -> Option<(f64, f64)> {
        let (end_s, end) = self.end.as_ref()?;
        let apart_s = end_s - self.start_s;
        let drift = (end.ahead_s - self.start.ahead_s) / apart_s;
        Some((drift, (end.u_s + self.start.u_s) / apart_s))
    }

    /// A time of the recorder's clock by the source's, s, with its uncertainty.
    pub fn by_the_source(&self, recorder_s: f64) -> (f64, f64) {
        let since_s = recorder_s - self.start.ahead_s - self.start_s;
        match (&self.end, self.drift()) {
            (Some((end_s, end)), Some((drift, _))) => {
                let at_s = self.start_s + since_s / (1.0 + drift);
                let nearest_s = (at_s - self.start_s).abs().min((end_s - at_s).abs());
                let u_s = self.start.u_s.max(end.u_s) + CURVATURE * self.drift_max * nearest_s;
                (at_s, u_s)
            }
            _ => {
                let u_s = self.start.u_s + self.drift_max * since_s.abs();
                (self.start_s + since_s, u_s)
            }
        }
    }
}

/// Whether a hold from `from_s` to `until_s` (by the source's clock, each uncertain by `u_s`) certainly fell
/// into a silence: outside of every emission.
pub fn is_silent((from_s, until_s): (f64, f64), u_s: f64, emissions: &[On]) -> bool {
    emissions
        .iter()
        .all(|one| until_s + u_s <= one.before_s || from_s - u_s >= one.after_s)
}

/// Whether it certainly fell into an emission that had settled.
pub fn is_within((from_s, until_s): (f64, f64), u_s: f64, emission: &On, settle_s: f64) -> bool {
    from_s - u_s >= emission.on_s + settle_s && until_s + u_s <= emission.off_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RULES: Rules = Rules {
        marker_ms: 16_000,
        align_ms: 250,
        drift: 300e-6,
        hands_ms: 0,
    };

    fn asked(count: usize) -> Vec<Asked> {
        (0..count)
            .map(|n| Asked {
                frequency_hz: 1e8 + n as f64 * 1e6,
                hold_ms: 400,
                settle_ms: 20,
            })
            .collect()
    }

    /// By the numbers of a hand calculation.
    #[test]
    fn one_frequency_by_hand() {
        let made = Timetable::new(&asked(1), &[Role::Floor, Role::Signal], &RULES).expect("short");
        assert_eq!(made.closed_ms, 17_500);
        // Guard: 250 + 300 ppm of (17.5 s + 400 + 2·256 + 2·(400 + 20 + 400 + 512) ms), rounded up.
        assert_eq!(made.holds[0].guard_ms, 257);
        assert_eq!(made.holds[0].at_ms, 17_757);
        assert_eq!(made.sendings[0].on_ms, 17_757 + 400 + 257);
        assert_eq!(made.holds[1].at_ms, 18_414 + 200 + 20 + 257);
        assert_eq!(made.sendings[0].off_ms, 18_891 + 400 + 257);
        assert_eq!(made.emission_ms_max(), 19_548 - 18_414 + 200);
    }

    #[test]
    fn a_timetable_ends_within_a_day() {
        let all = asked(50_000);
        let refused = Timetable::new(&all, &[Role::Floor, Role::Signal], &RULES);
        let said = refused.expect_err("too long").to_string();
        assert!(said.contains("more than a day"), "{said}");
    }

    /// The emissions as a source makes them that takes between nothing and [`SWITCH_MS`] for switching.
    fn sent(made: &Timetable, late_s: f64) -> Vec<On> {
        let at = |ms: u64| ms as f64 / 1e3;
        made.sendings
            .iter()
            .map(|one| On {
                before_s: at(one.on_ms),
                on_s: at(one.on_ms) + late_s,
                off_s: at(one.off_ms),
                after_s: at(one.off_ms) + late_s,
            })
            .collect()
    }

    proptest! {
        /// Whatever the recorder's clock does within what was stated, every hold falls where it belongs.
        #[test]
        fn the_guard_time_is_enough(
            count in 1usize..40,
            drift in -300e-6..300e-6f64,
            misaligned_s in -0.2..0.2f64,
            late_s in 0.0..0.2f64,
            hands_ms in 0u64..100_000,
        ) {
            let rules = Rules { hands_ms, ..RULES };
            let roles = [Role::Floor, Role::Signal, Role::Step];
            let made = Timetable::new(&asked(count), &roles, &rules).expect("short");
            let emissions = sent(&made, late_s);
            for hold in &made.holds {
                let at_s = hold.at_ms as f64 / 1e3;
                let from_s = at_s + misaligned_s + drift * at_s;
                let bracket = (from_s, from_s + hold.lasts_ms as f64 / 1e3);
                // What is known afterwards is known to 50 ms, the rest of what alignment was allowed.
                let u_s = 0.04;
                let right = match hold.role {
                    Role::Floor => is_silent(bracket, u_s, &emissions),
                    role => {
                        let same = |one: &&(usize, Sending)| one.1.role == role && one.1.frequency_hz == hold.frequency_hz;
                        let numbered: Vec<_> = made.sendings.iter().copied().enumerate().collect();
                        let (index, _) = numbered.iter().find(same).expect("sent");
                        is_within(bracket, u_s, &emissions[*index], 0.02)
                    }
                };
                prop_assert!(right, "{hold:?}");
            }
        }
    }

    #[test]
    fn without_a_second_marker_the_stated_drift_is_the_uncertainty() {
        let aligned = |ahead_s| Alignment {
            ahead_s,
            u_s: 0.01,
            correlation: 1.0,
            chance: 0.0,
        };
        let cut = Clocks {
            start_s: 8.0,
            start: aligned(7.3),
            end: None,
            drift_max: 300e-6,
        };
        let (at_s, u_s) = cut.by_the_source(115.3);
        assert!(
            (at_s - 108.0).abs() < 1e-9 && (u_s - 0.04).abs() < 1e-9,
            "{at_s} {u_s}"
        );
        let whole = Clocks {
            end: Some((208.0, aligned(7.34))),
            ..cut
        };
        let (drift, u) = whole.drift().expect("two markers");
        assert!((drift - 200e-6).abs() < 1e-9 && (u - 100e-6).abs() < 1e-9);
        let (at_s, u_s) = whole.by_the_source(115.32);
        assert!(
            (at_s - 108.0).abs() < 1e-6 && (u_s - 0.013).abs() < 1e-6,
            "{at_s} {u_s}"
        );
    }
}
