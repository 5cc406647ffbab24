//! Which job is next, and when one comes again: decisions from given times, with no clock of their own.

use jiff::civil::Time as TimeOfDay;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::DaemonError;
use crate::quantity::Time;
use crate::store::{JobRecord, JobState, Repeat};

/// The shortest interval at which a job may come again.
pub const INTERVAL_MIN: SignedDuration = SignedDuration::from_secs(1);
/// The longest.
pub const INTERVAL_MAX: SignedDuration = SignedDuration::from_hours(24 * 366);

/// How a job repeats.
#[derive(Debug, Clone, PartialEq)]
pub enum Every {
    /// So long after it was due the last time.
    Interval(SignedDuration),
    /// Each day at a time of day, where the station stands.
    Daily {
        /// The time of day.
        at: TimeOfDay,
        /// The time zone it is meant in.
        zone: TimeZone,
    },
}

impl Every {
    /// Reads `30 min` or `daily 07:30 Europe/London`.
    pub fn read(text: &str) -> Result<Self, DaemonError> {
        let fault = |reason: String| DaemonError::Repeat {
            given: text.to_owned(),
            reason,
        };
        let Some(daily) = text.trim().strip_prefix("daily ") else {
            let interval: Time = text
                .parse()
                .map_err(|error: crate::quantity::QuantityError| fault(error.to_string()))?;
            let interval = SignedDuration::try_from(interval.duration())
                .map_err(|error| fault(error.to_string()))?;
            if !(INTERVAL_MIN..=INTERVAL_MAX).contains(&interval) {
                return Err(fault("must be from 1 s to 366 days".to_owned()));
            }
            return Ok(Self::Interval(interval));
        };
        let (time, zone) = daily
            .trim()
            .split_once(' ')
            .ok_or_else(|| fault("the time zone is missing".to_owned()))?;
        let at = time
            .parse()
            .map_err(|error: jiff::Error| fault(error.to_string()))?;
        let zone = TimeZone::get(zone.trim()).map_err(|error| fault(error.to_string()))?;
        Ok(Self::Daily { at, zone })
    }

    /// The first time after `now` at which it is due again. What was missed meanwhile is not made up for.
    pub fn next(&self, due: Timestamp, now: Timestamp) -> Option<Timestamp> {
        match self {
            Self::Interval(every) => {
                let passed = now.duration_since(due).max(SignedDuration::ZERO);
                let times = passed.as_nanos() / every.as_nanos() + 1;
                let ahead = every.checked_mul(i32::try_from(times).ok()?)?;
                due.checked_add(ahead).ok()
            }
            Self::Daily { at, zone } => {
                let mut day = zone.to_datetime(now).date();
                for _ in 0..3 {
                    // Where a clock change leaves the time out, the one after the gap is meant.
                    let time = zone.to_timestamp(day.to_datetime(*at)).ok()?;
                    if time > now {
                        return Some(time);
                    }
                    day = day.tomorrow().ok()?;
                }
                None
            }
        }
    }
}

/// When a job that repeats is due again; none when it is not.
pub fn again(
    repeat: &Repeat,
    number: u32,
    due: Timestamp,
    now: Timestamp,
) -> Result<Option<Timestamp>, DaemonError> {
    let next = Every::read(&repeat.every)?.next(due, now);
    let is_over = repeat.count.is_some_and(|count| number >= count);
    Ok(next.filter(|next| !is_over && repeat.until.is_none_or(|until| *next <= until)))
}

/// The job to be begun at `now`: one that was cut off, else the one of the highest priority that is due; among
/// equals one that needs no hands, then the one made first.
pub fn next_job(
    jobs: &[JobRecord],
    now: Timestamp,
    needs_hands: impl Fn(&JobRecord) -> bool,
) -> Option<&JobRecord> {
    let cut_off = |job: &&JobRecord| matches!(job.state, JobState::Running | JobState::Held);
    let due = |job: &&JobRecord| {
        job.state == JobState::Waiting && job.not_before.is_none_or(|at| at <= now)
    };
    jobs.iter().find(cut_off).or_else(|| {
        jobs.iter()
            .filter(due)
            .min_by_key(|job| (-i64::from(job.priority), needs_hands(job), job.id))
    })
}

/// When a job that only waits for its time is due; none when there is none.
pub fn next_time(jobs: &[JobRecord], now: Timestamp) -> Option<Timestamp> {
    jobs.iter()
        .filter(|job| job.state == JobState::Waiting)
        .filter_map(|job| job.not_before)
        .filter(|at| *at > now)
        .min()
}
