//! How long a reading takes: as those of the last reference took, else by the rule of thumb for a sweep.

use crate::analysis::forecast::Sweep;
use crate::config::Settings;
use crate::store::{ReadingKind, ReadingRecord};

/// The round trips of one reading and the pick, s (common practice, no source).
const READING_S: f64 = 0.1;
/// Retrace and hold of one sweep, s (common practice, no source).
const SWEEP_REST_S: f64 = 0.01;

/// The time of a reading by its settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pace {
    /// By how much a sweep takes longer than the rule of thumb says.
    sweep_factor: f64,
    /// What each sweep needs besides, s.
    sweep_rest_s: f64,
    /// What each reading needs besides its sweeps, s.
    reading_s: f64,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            sweep_factor: 1.0,
            sweep_rest_s: SWEEP_REST_S,
            reading_s: READING_S,
        }
    }
}

impl Pace {
    /// From readings in the order taken: the sweep times are those that the receiver said it has, the rest is what
    /// lay between one reading and the next. Medians, so that placing something in between does not count.
    ///
    /// None where too few say anything.
    pub fn of(readings: &[ReadingRecord]) -> Option<Self> {
        let own: Vec<Own> = readings.iter().filter_map(Own::of).collect();
        let said = own.iter().filter_map(|one| Some(one.said_s? / one.rule_s));
        let said_factor = median(said.collect()).unwrap_or(1.0);
        let sweeps_s = |one: &Own| one.sweeps * one.said_s.unwrap_or(one.rule_s * said_factor);
        let pairs: Vec<(f64, f64)> = own
            .windows(2)
            .map(|pair| {
                let between_s = pair[1].taken_s - pair[0].taken_s;
                (between_s, sweeps_s(&pair[1]))
            })
            .filter(|(between_s, _)| *between_s > 0.0)
            .collect();
        let rest_s = median(
            pairs
                .iter()
                .map(|(between, sweeps)| between - sweeps)
                .collect(),
        )?;
        // A receiver may be quicker than it says.
        let quicker = median(
            pairs
                .iter()
                .map(|(between, sweeps)| between / sweeps)
                .collect(),
        )?;
        Some(Self {
            sweep_factor: said_factor * quicker.min(1.0),
            sweep_rest_s: 0.0,
            reading_s: rest_s.max(0.0),
        })
    }

    /// Floor or signal of one point, s.
    pub fn reading_s(&self, settings: &Settings) -> f64 {
        let sweep_s = self.sweep_factor * super::sweep(settings).sweep_s() + self.sweep_rest_s;
        f64::from(settings.sweeps) * sweep_s + self.reading_s
    }

    /// Floor and signal of one point, s.
    pub fn point_s(&self, settings: &Settings) -> f64 {
        2.0 * self.reading_s(settings) + settings.settle.s()
    }
}

/// What one reading says of its time.
struct Own {
    taken_s: f64,
    sweeps: f64,
    /// One sweep by the rule of thumb, s.
    rule_s: f64,
    /// One sweep as the receiver has it, s.
    said_s: Option<f64>,
}

impl Own {
    fn of(reading: &ReadingRecord) -> Option<Self> {
        let number = |name: &str| reading.settings[name].as_f64();
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
        // Another signal's place is watched longer than a point is read.
        (reading.key.kind != ReadingKind::Ambient).then(|| Self {
            taken_s: reading.taken.as_millisecond() as f64 / 1e3,
            sweeps: f64::from(reading.sweeps),
            rule_s: sweep.sweep_s(),
            said_s: number("sweep_time_s").filter(|seconds| *seconds > 0.0),
        })
    }
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.retain(|value| value.is_finite());
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
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
        assert!((pace.reading_s - 0.3).abs() < 1e-6, "{pace:?}");
    }

    #[test]
    fn what_it_says_is_held_against_the_time_that_passed() {
        let pace = Pace::of(&readings(500, Some(0.2))).expect("enough");
        // Ten sweeps were said to take 2 s and took half a second with everything.
        assert!(
            (pace.sweep_factor - 1.0).abs() < 1e-9 && pace.reading_s == 0.0,
            "{pace:?}"
        );
        // One that cannot be asked: what passed beyond the rule of thumb counts for each reading.
        let pace = Pace::of(&readings(2_300, None)).expect("enough");
        assert!((pace.reading_s - 1.8).abs() < 1e-6, "{pace:?}");
        assert_eq!(Pace::of(&readings(500, None)[..1]), None);
    }
}
