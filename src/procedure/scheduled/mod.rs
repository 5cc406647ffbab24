//! The sealed and scheduled arrangement: the receiver lies in the closed item with a small computer, and both
//! follow one timetable with the source outside, each by its own clock.
//!
//! - [`Schedule`]: the timetable as a file, which follows from the plan alone, so that both sides can prove to
//!   have the same.
//! - `send`: the source's side, a pass through the timetable for each stand of a run.
//! - [`Recorder`]: the receiver's side, which waits for markers and appends recordings to a file of its own.
//! - [`merge()`]: lays both on each other and makes readings of the holds that certainly count.

mod merge;
mod record;
mod relation;
mod schedule;
mod send;

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::time::Instant;

pub use merge::{MergedPass, MergedRun, merge};
pub use record::{Recorder, RecorderEvent};
pub use schedule::Schedule;

/// A clock that is set once and then only counts: a correction of the system's time in the middle of a
/// timetable does not move it.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    set: Timestamp,
    since: Instant,
    /// By how much it goes too fast, as a part.
    drift: f64,
}

impl Clock {
    /// Set by the system's time.
    pub fn system() -> Self {
        Self::wrong(0.0, 0.0)
    }

    /// A clock that is ahead by so many seconds and goes too fast by so large a part: what another machine's
    /// may do, for rehearsing on one.
    pub fn wrong(ahead_s: f64, drift: f64) -> Self {
        Self {
            set: later(Timestamp::now(), ahead_s),
            since: Instant::now(),
            drift,
        }
    }

    /// What it shows.
    pub fn now(&self) -> Timestamp {
        self.at(Instant::now())
    }

    fn at(&self, instant: Instant) -> Timestamp {
        let passed_s = instant.duration_since(self.since).as_secs_f64();
        later(self.set, passed_s * (1.0 + self.drift))
    }

    /// Seconds since a time that it showed or will show.
    fn since_s(&self, at: Timestamp) -> f64 {
        self.now().duration_since(at).as_secs_f64()
    }

    /// Waits until it shows so many seconds after `from`; at once when that is past.
    async fn until_s(&self, from: Timestamp, after_s: f64) {
        let left_s = (after_s - self.since_s(from)) / (1.0 + self.drift);
        // Negative or not finite: nothing to wait for.
        if let Ok(left) = Duration::try_from_secs_f64(left_s) {
            tokio::time::sleep(left).await;
        }
    }
}

/// A time later (or earlier) by so many seconds; the ends of time stay where they are.
fn later(at: Timestamp, by_s: f64) -> Timestamp {
    let by = SignedDuration::try_from_secs_f64(by_s).unwrap_or_default();
    at.saturating_add(by).unwrap_or(at)
}

/// A time in whole milliseconds, as the store keeps it.
fn whole_ms(at: Timestamp) -> Timestamp {
    Timestamp::from_millisecond(at.as_millisecond()).unwrap_or(at)
}

#[cfg(test)]
mod tests;
