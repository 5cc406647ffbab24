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
    /// The store failed on the way.
    Store(String),
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
    };
    match outcome {
        Outcome::Done => state(JobState::Done, ""),
        Outcome::Stopped(Why::Daemon) => state(
            JobState::Waiting,
            "the daemon was ended meanwhile; it goes on from where it was",
        ),
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
fn retry_wait(attempt: u32, settings: &config::Daemon) -> SignedDuration {
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
