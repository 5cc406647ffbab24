//! What becomes of a job when its measuring has ended: decided from what happened and from given times.

use jiff::{SignedDuration, Timestamp};

use super::schedule::again;
use crate::config;
use crate::procedure::ProcedureError;
use crate::station::StationError;
use crate::store::{Answer, JobEnd, JobRecord, JobState, StoreError, Wanted};

/// Who or what stopped a measuring.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Why {
    /// The daemon ends; the job goes on when it runs again.
    Daemon,
    /// Somebody asked it of the job.
    Wanted(Wanted),
    /// The prompt: somebody said stop there, or nobody came.
    Prompt(Answer),
    /// Somebody pressed stop, or the station was stopped by itself.
    Station(String),
    /// It waited for hands, and something that needs none was due.
    GaveWay,
    /// The store failed on the way.
    Store(String),
}

impl From<StoreError> for Why {
    fn from(error: StoreError) -> Self {
        Self::Store(error.to_string())
    }
}

/// How a measuring ended.
#[derive(Debug)]
pub(super) enum Outcome {
    /// Everything was measured.
    Done,
    /// By somebody's or something's wish.
    Stopped(Why),
    /// On an error that another attempt may not meet.
    Bench(String),
    /// On an error that stays.
    Wrong(String),
    /// The interlock opened, or is open.
    Interlock(String),
    /// No room on the disk, or the disk failed: nothing can be kept, so nothing is sent.
    Disk(String),
}

/// Sorts what a procedure said by what can be done about it.
pub(super) fn outcome(error: ProcedureError, why: Option<Why>) -> Outcome {
    let said = error.to_string();
    match error {
        ProcedureError::Stopped => {
            Outcome::Stopped(why.unwrap_or(Why::Station("it was stopped".to_owned())))
        }
        ProcedureError::Store(error) => of_store(&error),
        ProcedureError::Evaluate(crate::evaluate::EvaluateError::Store(error)) => of_store(&error),
        ProcedureError::Station {
            cause: StationError::Log(error),
            ..
        } => of_store(&error),
        ProcedureError::Station {
            cause: StationError::Interlock { .. },
            ..
        } => Outcome::Interlock(said),
        ProcedureError::Station {
            cause: StationError::Called { who },
            ..
        } => Outcome::Stopped(Why::Station(format!("stopped by {who}"))),
        ProcedureError::Station {
            cause: StationError::Protected { .. },
            ..
        } => Outcome::Wrong(said),
        ProcedureError::Station { .. } => Outcome::Bench(said),
        _ => Outcome::Wrong(said),
    }
}

pub(super) fn of_store(error: &StoreError) -> Outcome {
    match error {
        StoreError::Full { .. } | StoreError::Disk { .. } | StoreError::ReadOnly { .. } => {
            Outcome::Disk(error.to_string())
        }
        StoreError::Locked { .. } => Outcome::Bench(error.to_string()),
        _ => Outcome::Wrong(error.to_string()),
    }
}

/// What a job is from now on.
pub(super) fn end(
    job: &JobRecord,
    outcome: &Outcome,
    now: Timestamp,
    settings: &config::Daemon,
) -> JobEnd {
    let state = |state, reason: &str| JobEnd {
        state,
        reason: (!reason.is_empty()).then(|| reason.to_owned()),
        not_before: None,
        again: match state {
            JobState::Done | JobState::Failed => successor(job, now),
            _ => None,
        },
        gave_way: false,
    };
    match outcome {
        Outcome::Done => state(JobState::Done, ""),
        Outcome::Stopped(Why::Daemon) => state(
            JobState::Waiting,
            "the daemon was ended meanwhile; it goes on from where it was",
        ),
        Outcome::Stopped(Why::GaveWay) => JobEnd {
            gave_way: true,
            ..state(
                JobState::Waiting,
                "waits for hands; what needs none is done meanwhile",
            )
        },
        Outcome::Stopped(Why::Wanted(Wanted::Pause)) => {
            state(JobState::Paused, "paused on request")
        }
        Outcome::Stopped(Why::Wanted(Wanted::Cancel)) => {
            state(JobState::Cancelled, "cancelled on request")
        }
        Outcome::Stopped(Why::Prompt(Answer::Expired)) => state(
            JobState::Paused,
            "nobody did what was asked in time; `continue` it when somebody is there",
        ),
        Outcome::Stopped(Why::Prompt(_)) => {
            state(JobState::Paused, "stopped when it asked for hands")
        }
        Outcome::Stopped(Why::Station(reason) | Why::Store(reason)) | Outcome::Disk(reason) => {
            state(JobState::Paused, reason)
        }
        Outcome::Interlock(reason) => state(JobState::Waiting, reason),
        Outcome::Wrong(reason) => state(JobState::Failed, reason),
        Outcome::Bench(reason) if job.attempt <= settings.retries_max => {
            let wait = retry_wait(job.attempt, settings);
            JobEnd {
                not_before: now.checked_add(wait).ok(),
                ..state(
                    JobState::Waiting,
                    &format!("attempt {} failed and is made again: {reason}", job.attempt),
                )
            }
        }
        Outcome::Bench(reason) => state(
            JobState::Failed,
            &format!("attempt {}, the last: {reason}", job.attempt),
        ),
    }
}

/// The wait after an attempt, from 1; each is twice as long as the one before.
pub(super) fn retry_wait(attempt: u32, settings: &config::Daemon) -> SignedDuration {
    let doublings = attempt.saturating_sub(1).min(16);
    let wait = settings
        .retry_wait
        .duration()
        .saturating_mul(1 << doublings);
    SignedDuration::try_from(wait).unwrap_or(SignedDuration::MAX)
}

/// When the job is due again, if it repeats. Its text was checked when it was put in.
fn successor(job: &JobRecord, now: Timestamp) -> Option<Timestamp> {
    let repeat = job.repeat.as_ref()?;
    let due = job.not_before.or(job.started).unwrap_or(job.made);
    again(repeat, job.number, due, now).unwrap_or_else(|error| {
        tracing::error!(%error, job = %job.id, "a job cannot be repeated");
        None
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{JobId, JobKind, Repeat};

    fn now() -> Timestamp {
        "2026-01-31T09:00:00Z".parse().expect("a time")
    }

    fn job(attempt: u32, repeats: bool) -> JobRecord {
        JobRecord {
            id: JobId::at(now()),
            station: "bay".to_owned(),
            kind: JobKind::CheckItem,
            plan: None,
            plan_sha: None,
            rest_of: None,
            items: vec![],
            fresh_reference: false,
            stays: false,
            operator: None,
            priority: 0,
            not_before: None,
            repeat: repeats.then(|| Repeat {
                every: "1 h".to_owned(),
                until: None,
                count: None,
            }),
            number: 1,
            follows: None,
            state: JobState::Running,
            reason: None,
            wanted: None,
            attempt,
            runs: vec![],
            made: now(),
            started: Some(now()),
            ended: None,
        }
    }

    #[test]
    fn every_way_to_end_has_its_state() {
        use Answer::{Expired, Stop};
        let settings = config::Daemon::default();
        let state = |outcome| end(&job(1, false), &outcome, now(), &settings).state;
        let stopped = |why| state(Outcome::Stopped(why));
        assert_eq!(state(Outcome::Done), JobState::Done);
        assert_eq!(state(Outcome::Wrong("x".to_owned())), JobState::Failed);
        assert_eq!(state(Outcome::Disk("x".to_owned())), JobState::Paused);
        assert_eq!(state(Outcome::Interlock("x".to_owned())), JobState::Waiting);
        assert_eq!(stopped(Why::Daemon), JobState::Waiting);
        assert_eq!(stopped(Why::Wanted(Wanted::Pause)), JobState::Paused);
        assert_eq!(stopped(Why::Wanted(Wanted::Cancel)), JobState::Cancelled);
        assert_eq!(stopped(Why::Prompt(Expired)), JobState::Paused);
        assert_eq!(stopped(Why::Prompt(Stop)), JobState::Paused);
        assert_eq!(stopped(Why::Station("x".to_owned())), JobState::Paused);
        assert_eq!(stopped(Why::GaveWay), JobState::Waiting);
    }

    #[test]
    fn a_fault_of_the_bench_is_tried_again_with_growing_waits_and_a_limit() {
        let settings = config::Daemon::default();
        let after = |attempt| {
            end(
                &job(attempt, false),
                &Outcome::Bench("x".to_owned()),
                now(),
                &settings,
            )
        };
        let waits: Vec<_> = (1..=settings.retries_max)
            .map(|attempt| {
                let end = after(attempt);
                assert_eq!(end.state, JobState::Waiting);
                end.not_before
                    .expect("a time")
                    .duration_since(now())
                    .as_secs()
            })
            .collect();
        assert_eq!(waits, [30, 60, 120]);
        let last = after(settings.retries_max + 1);
        assert_eq!((last.state, last.not_before), (JobState::Failed, None));
    }

    #[test]
    fn a_repeating_job_comes_again_whether_it_failed_or_not_but_not_when_it_was_given_up() {
        let settings = config::Daemon::default();
        let again = |outcome| end(&job(9, true), &outcome, now(), &settings).again;
        let due = now()
            .checked_add(SignedDuration::from_hours(1))
            .expect("a time");
        assert_eq!(again(Outcome::Done), Some(due));
        assert_eq!(again(Outcome::Bench("x".to_owned())), Some(due));
        assert_eq!(again(Outcome::Stopped(Why::Wanted(Wanted::Cancel))), None);
        assert_eq!(again(Outcome::Stopped(Why::Daemon)), None);
    }
}
