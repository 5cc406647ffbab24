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

/// The hands that a job would want if it were begun now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Help {
    /// None.
    Unneeded,
    /// To place, open or close something.
    Needed,
    /// The same; it has called for them, and gives way until they come.
    Awaited,
}

/// Whether a job that waits is due at `now`. `retry_wait` is the longest wait after so many attempts: what is to be
/// tried again later than that was put off by a clock that has been put back since, and is due.
pub fn is_due(job: &JobRecord, now: Timestamp, retry_wait: impl Fn(u32) -> SignedDuration) -> bool {
    let has_come = |at: Timestamp| {
        at <= now || (job.attempt > 0 && at.duration_since(now) > retry_wait(job.attempt))
    };
    job.state == JobState::Waiting && job.not_before.is_none_or(has_come)
}

/// The job to be begun now: one that was cut off, else the one of the highest priority that is due; among equals
/// one that needs no hands, then the one made first. One whose hands are awaited gives way to all that need none.
pub fn next_job(
    jobs: &[JobRecord],
    is_due: impl Fn(&JobRecord) -> bool,
    help: impl Fn(&JobRecord) -> Help,
) -> Option<&JobRecord> {
    let cut_off = |job: &&JobRecord| matches!(job.state, JobState::Running | JobState::Held);
    let due = || jobs.iter().filter(|job| is_due(job));
    let rank = |job: &&JobRecord| {
        let needs_help = help(job) != Help::Unneeded;
        (-i64::from(job.priority), needs_help, job.id)
    };
    let unhelped = || due().filter(|job| help(job) == Help::Unneeded);
    jobs.iter().find(cut_off).or_else(|| {
        let first = due().min_by_key(rank)?;
        match help(first) {
            Help::Awaited => unhelped().min_by_key(rank).or(Some(first)),
            _ => Some(first),
        }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{JobId, JobKind};

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    fn job(made: &str, priority: i32) -> JobRecord {
        JobRecord {
            id: JobId::at(at(made)),
            station: "bay".to_owned(),
            kind: JobKind::Items,
            plan: None,
            plan_sha: None,
            rest_of: None,
            items: vec![],
            fresh_reference: false,
            stays: false,
            operator: None,
            priority,
            not_before: None,
            repeat: None,
            number: 1,
            follows: None,
            state: JobState::Waiting,
            reason: None,
            wanted: None,
            attempt: 0,
            runs: vec![],
            made: at(made),
            started: None,
            ended: None,
        }
    }

    #[test]
    fn an_interval_goes_on_from_when_it_was_due() {
        let every = Every::read("1 h").expect("an interval");
        let next = |due: &str, now: &str| every.next(at(due), at(now)).expect("again");
        let due = "2026-01-31T09:00:00Z";
        assert_eq!(
            next(due, "2026-01-31T09:12:00Z"),
            at("2026-01-31T10:00:00Z")
        );
        // What was missed is not made up for.
        assert_eq!(
            next(due, "2026-01-31T14:00:00Z"),
            at("2026-01-31T15:00:00Z")
        );
        // A clock that was set back does not bring it twice.
        assert_eq!(
            next(due, "2026-01-31T08:00:00Z"),
            at("2026-01-31T10:00:00Z")
        );
    }

    #[test]
    fn each_morning_is_each_morning_of_the_place() {
        let every = Every::read("daily 07:30 Europe/London").expect("a time of day");
        let next = |now: &str| every.next(at(now), at(now)).expect("again");
        assert_eq!(next("2026-01-31T06:00:00Z"), at("2026-01-31T07:30:00Z"));
        assert_eq!(next("2026-01-31T07:30:00Z"), at("2026-02-01T07:30:00Z"));
        // Clocks go forward on 29 March 2026.
        assert_eq!(next("2026-03-28T12:00:00Z"), at("2026-03-29T06:30:00Z"));
        // 01:30 is left out that day; it comes after the gap, and the next day as ever.
        let night = Every::read("daily 01:30 Europe/London").expect("a time of day");
        let first = night.next(at("2026-03-28T12:00:00Z"), at("2026-03-28T12:00:00Z"));
        assert_eq!(first, Some(at("2026-03-29T01:30:00Z")));
    }

    #[test]
    fn what_cannot_be_understood_is_said() {
        for text in [
            "",
            "hourly",
            "0 s",
            "daily",
            "daily 25:00 UTC",
            "daily 07:30",
            "daily 07:30 Nowhere/At_all",
        ] {
            let said = Every::read(text).expect_err(text).to_string();
            assert!(said.contains("no way to repeat"), "{said}");
        }
    }

    #[test]
    fn a_repeat_ends_by_its_count_and_by_its_time() {
        let repeat = |until: Option<&str>, count| Repeat {
            every: "1 h".to_owned(),
            until: until.map(at),
            count,
        };
        let due = at("2026-01-31T09:00:00Z");
        let next = |repeat: &Repeat, number| again(repeat, number, due, due).expect("right");
        assert!(next(&repeat(None, Some(2)), 1).is_some());
        assert!(next(&repeat(None, Some(2)), 2).is_none());
        assert!(next(&repeat(Some("2026-01-31T10:00:00Z"), None), 9).is_some());
        assert!(next(&repeat(Some("2026-01-31T09:59:59Z"), None), 9).is_none());
    }

    #[test]
    fn the_next_job_is_the_right_one() {
        let now = at("2026-01-31T12:00:00Z");
        let (early, late) = ("2026-01-31T09:00:00Z", "2026-01-31T10:00:00Z");
        let due = |job: &JobRecord| is_due(job, now, |_attempt| SignedDuration::from_mins(1));
        // `stays` stands for needing hands here, and an operator for having called for them.
        let help = |job: &JobRecord| match (job.stays, &job.operator) {
            (false, _) => Help::Unneeded,
            (true, None) => Help::Needed,
            (true, Some(_)) => Help::Awaited,
        };
        let pick = |jobs: &[JobRecord]| next_job(jobs, due, help).map(|job| job.made);
        assert_eq!(pick(&[]), None);
        assert_eq!(pick(&[job(late, 0), job(early, 0)]), Some(at(early)));
        assert_eq!(pick(&[job(late, 1), job(early, 0)]), Some(at(late)));
        // What needs no hands goes first, unless it matters less.
        let by_hand = JobRecord {
            stays: true,
            ..job(early, 0)
        };
        assert_eq!(pick(&[by_hand.clone(), job(late, 0)]), Some(at(late)));
        assert_eq!(pick(&[by_hand.clone(), job(late, -1)]), Some(at(early)));
        // While hands are awaited all that needs none is done, however little it matters; but nothing else.
        let awaited = JobRecord {
            operator: Some("Ada".to_owned()),
            ..by_hand.clone()
        };
        assert_eq!(pick(&[awaited.clone(), job(late, -1)]), Some(at(late)));
        let other = JobRecord {
            stays: true,
            ..job(late, -1)
        };
        assert_eq!(pick(&[awaited, other]), Some(at(early)));
        let later = JobRecord {
            not_before: Some(at("2026-01-31T12:00:01Z")),
            ..job(early, 9)
        };
        assert_eq!(pick(&[later.clone(), job(late, 0)]), Some(at(late)));
        assert_eq!(
            next_time(std::slice::from_ref(&later), now),
            later.not_before
        );
        let due = JobRecord {
            not_before: Some(now),
            ..job(early, 9)
        };
        assert_eq!(pick(&[due]), Some(at(early)));
        // Put off by a minute at most, so the clock has been put back since.
        let tried = |attempt| JobRecord {
            attempt,
            not_before: Some(at("2026-02-03T12:00:00Z")),
            ..job(early, 9)
        };
        assert_eq!(pick(&[tried(2)]), Some(at(early)));
        assert_eq!(pick(&[tried(0)]), None);
        // What was cut off goes on first.
        let cut = JobRecord {
            state: JobState::Held,
            ..job(late, -5)
        };
        assert_eq!(pick(&[job(early, 9), cut]), Some(at(late)));
        let paused = JobRecord {
            state: JobState::Paused,
            ..job(early, 9)
        };
        assert_eq!(pick(&[paused]), None);
    }
}
