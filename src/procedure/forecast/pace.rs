//! How long a reading takes: as those of the last reference took, else by the rule of thumb for a sweep.

use crate::analysis::forecast::Sweep;
use crate::analysis::median;
use crate::config::{Arrangement, Settings};
use crate::store::{ReadingKind, ReadingRecord};

/// The round trips of one reading and the pick, s (common practice, no source).
const READING_S: f64 = 0.1;
/// Arming and reading of one closing, s (common practice, no source).
const CLOSING_S: f64 = 2.0;
/// Retrace and hold of one sweep, s (common practice, no source).
const SWEEP_REST_S: f64 = 0.01;

/// The time of a reading by its settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pace {
    /// By how much a sweep takes longer than the rule of thumb says.
    sweep_factor: f64,
    /// What each sweep needs besides, s.
    sweep_rest_s: f64,
    /// What each reading with the output off needs besides its sweeps, s; of a sealed receiver each closing.
    pub(super) rest_s: f64,
    /// What the emission of a reading needs besides, s: switching on, settling, asking, switching off.
    emission_s: f64,
    /// Whether that is of a sealed receiver.
    pub(super) sealed: bool,
}

impl Pace {
    /// That of a receiver nobody has measured with.
    pub fn usual(arrangement: Arrangement) -> Self {
        let sealed = arrangement == Arrangement::Sealed;
        Self {
            sweep_factor: 1.0,
            sweep_rest_s: SWEEP_REST_S,
            rest_s: if sealed { CLOSING_S } else { READING_S },
            emission_s: 0.0,
            sealed,
        }
    }

    /// This receiver's sweeps in another arrangement than it was measured in.
    pub fn with_rest_of(self, other: Self) -> Self {
        Self {
            sweep_factor: self.sweep_factor,
            ..other
        }
    }

    /// From readings in the order taken: the sweep times are those that the receiver said it has, the rest is what
    /// lay between one reading and the next. Medians, so that placing something in between does not count.
    ///
    /// None where too few say anything.
    pub fn of(readings: &[ReadingRecord]) -> Option<Self> {
        let own: Vec<Own> = readings.iter().filter_map(Own::of).collect();
        let said = own.iter().filter_map(|one| Some(one.said_s? / one.rule_s));
        let said_factor = median(said).unwrap_or(1.0);
        let sweeps_s = |one: &Own| one.sweeps * one.said_s.unwrap_or(one.rule_s * said_factor);
        let pairs: Vec<(bool, f64, f64)> = own
            .windows(2)
            .map(|pair| {
                let between_s = pair[1].taken_s - pair[0].taken_s;
                (pair[1].sent, between_s, sweeps_s(&pair[1]))
            })
            // All readings of one closing are taken at once.
            .filter(|(_, between_s, _)| *between_s > 0.0)
            .collect();
        let rest_s = |with: bool| {
            let alike = pairs.iter().filter(|(sent, ..)| *sent == with);
            median(alike.map(|(_, between, sweeps)| between - sweeps))
        };
        let (silent_s, sent_s) = match (rest_s(false), rest_s(true)) {
            (None, None) => return None,
            (Some(one), None) | (None, Some(one)) => (one, one),
            (Some(silent), Some(sent)) => (silent, sent),
        };
        // A receiver may be quicker than it says.
        let quicker = median(pairs.iter().map(|(_, between, sweeps)| between / sweeps))?;
        let rest_s = silent_s.max(0.0);
        Some(Self {
            sweep_factor: said_factor * quicker.min(1.0),
            sweep_rest_s: 0.0,
            rest_s,
            emission_s: sent_s.max(rest_s) - rest_s,
            sealed: own.iter().all(|one| one.sealed),
        })
    }

    /// One sweep, s.
    pub fn sweep_s(&self, sweep: &Sweep) -> f64 {
        self.sweep_factor * sweep.sweep_s()
    }

    /// A reading with the output off, s.
    pub fn silent_s(&self, settings: &Settings) -> f64 {
        let sweep_s = self.sweep_s(&super::sweep(settings)) + self.sweep_rest_s;
        f64::from(settings.sweeps) * sweep_s + self.rest_s
    }

    /// A reading with the output on, s. Where the emission was measured, settling is in it.
    pub fn sent_s(&self, settings: &Settings) -> f64 {
        self.silent_s(settings) + self.emission_s.max(settings.settle.s())
    }

    /// Floor and signal of one point, s.
    pub fn point_s(&self, settings: &Settings) -> f64 {
        self.silent_s(settings) + self.sent_s(settings)
    }
}

/// What one reading says of its time.
struct Own {
    taken_s: f64,
    /// Whether the output was on.
    sent: bool,
    sealed: bool,
    /// Sweeps that it lasted for; of a closing those of all its carriers.
    sweeps: f64,
    /// One sweep by the rule of thumb, s.
    rule_s: f64,
    /// One sweep as the receiver has it, s.
    said_s: Option<f64>,
}

impl Own {
    fn of(reading: &ReadingRecord) -> Option<Self> {
        let number = |name: &str| reading.settings[name].as_f64();
        let sent = reading.key.kind != ReadingKind::Floor;
        let span_hz = number("span_hz")?;
        let sweep = Sweep {
            span_hz,
            points: 1,
            rbw_hz: number("resolution_bandwidth_hz")?,
            vbw_hz: number("video_bandwidth_hz"),
            sweeps: reading.sweeps,
            with_carrier: reading.sweeps,
            floor_hz: span_hz,
        };
        let carriers = reading.settings["closing_frequencies_hz"].as_array();
        let sweeps = match carriers {
            None => f64::from(reading.sweeps),
            // A silent closing lasts as long as one with carriers, each of them for a sweep more than asked.
            Some(carriers) => {
                carriers.len() as f64 * (number("sweeps_with_carrier")? + f64::from(!sent))
            }
        };
        // Another signal's place is watched longer than a point is read, and a timetable waits.
        let by_itself = reading.key.kind != ReadingKind::Ambient
            && reading.settings["arrangement"] != Arrangement::Scheduled.word();
        by_itself.then(|| Self {
            taken_s: reading.taken.as_millisecond() as f64 / 1e3,
            sent,
            sealed: carriers.is_some(),
            sweeps,
            rule_s: sweep.sweep_s(),
            said_s: number("sweep_time_s").filter(|seconds| *seconds > 0.0),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Point, ReadingKey, RunId};
    use jiff::Timestamp;
    use serde_json::json;

    /// Readings of ten sweeps each, so many milliseconds apart, with one placement in between.
    fn readings(apart_ms: i64, said_s: Option<f64>) -> Vec<ReadingRecord> {
        let mut taken_ms = 1_750_000_000_000;
        (0..12)
            .map(|i| {
                taken_ms += if i == 6 { 60_000 } else { apart_ms };
                ReadingRecord {
                    run: RunId::at(Timestamp::UNIX_EPOCH),
                    key: ReadingKey {
                        kind: ReadingKind::Floor,
                        point: Point {
                            frequency_hz: 1e8,
                            face: "open".to_owned(),
                            polarisation: "vertical".to_owned(),
                            repeat: 1,
                        },
                    },
                    seq: i,
                    attempt: 1,
                    taken: Timestamp::from_millisecond(taken_ms).expect("a time"),
                    sweeps: 10,
                    peak_dbm: -100.0,
                    peak_hz: 1e8,
                    flags: Vec::new(),
                    settings: json!({
                        "span_hz": 20e3, "resolution_bandwidth_hz": 1e3, "sweep_time_s": said_s,
                    }),
                }
            })
            .collect()
    }

    #[test]
    fn a_slow_receiver_is_believed() {
        // The rule gives 2.5 x 20 kHz / (1 kHz)^2 = 50 ms a sweep; this one says 200 ms, and 300 ms lie between.
        let pace = Pace::of(&readings(2_300, Some(0.2))).expect("enough");
        assert!((pace.sweep_factor - 4.0).abs() < 1e-9, "{pace:?}");
        assert!((pace.rest_s - 0.3).abs() < 1e-6, "{pace:?}");
    }

    #[test]
    fn what_it_says_is_held_against_the_time_that_passed() {
        let pace = Pace::of(&readings(500, Some(0.2))).expect("enough");
        // Ten sweeps were said to take 2 s and took half a second with everything.
        assert!(
            (pace.sweep_factor - 1.0).abs() < 1e-9 && pace.rest_s == 0.0,
            "{pace:?}"
        );
        // One that cannot be asked: what passed beyond the rule of thumb counts for each reading.
        let pace = Pace::of(&readings(2_300, None)).expect("enough");
        assert!((pace.rest_s - 1.8).abs() < 1e-6, "{pace:?}");
        assert_eq!(Pace::of(&readings(500, None)[..1]), None);
    }
}
