//! A look at a station's queue: what is to be done next.

use jiff::Timestamp;

use super::decide::retry_wait;
use super::engine::Engine;
use super::place::Place;
use super::schedule::{Help, is_due, next_job, next_time};
use crate::config::{Arrangement, Plan};
use crate::store::{JobFilter, JobId, JobRecord, JobState, StoreError};

/// What a look at the queue gave.
pub(super) enum Look {
    Job(Box<JobRecord>),
    /// Nothing may be begun, for this reason.
    Paused(String),
    /// Nothing yet; perhaps at that time.
    Wait(Option<Timestamp>),
}

pub(super) async fn look(
    engine: &Engine,
    place: &Place,
    now: Timestamp,
) -> Result<Look, StoreError> {
    let store = engine.store();
    let paused = match place.unwritten_pause() {
        Some(pause) => {
            // As soon as there is room it stands where everybody can end it.
            let written = store.pause_queue(&place.name, &pause.reason, pause.since);
            if written.await.is_ok() {
                place.set_unwritten_pause(None);
            }
            Some(pause)
        }
        None => store.queue_pause(&place.name).await?,
    };
    place.show_pause(&paused);
    let jobs = open_jobs(engine, place).await?;
    place.await_only(|call| {
        let still = |job: &JobRecord| job.id == call && job.state != JobState::Paused;
        jobs.iter().any(still)
    });
    // A wish for a job that was cut off is seen to even while the queue is paused.
    let wished = jobs.iter().find(|job| {
        job.wanted.is_some() && matches!(job.state, JobState::Running | JobState::Held)
    });
    if let Some(job) = wished {
        return Ok(Look::Job(Box::new(job.clone())));
    }
    if let Some(pause) = paused {
        return Ok(Look::Paused(pause.reason));
    }
    let settings = engine.settings();
    let due = |job: &JobRecord| is_due(job, now, |attempt| retry_wait(attempt, &settings));
    Ok(match next_job(&jobs, due, |job| place.help(job)) {
        Some(job) => Look::Job(Box::new(job.clone())),
        None => Look::Wait(next_time(&jobs, now)),
    })
}

/// Whether a job other than `waiting` is due that needs no hands.
pub(super) async fn others_are_due(
    engine: &Engine,
    place: &Place,
    waiting: JobId,
) -> Result<bool, StoreError> {
    if place.unwritten_pause().is_some() || engine.store().queue_pause(&place.name).await?.is_some()
    {
        return Ok(false);
    }
    let (jobs, now) = (open_jobs(engine, place).await?, Timestamp::now());
    let settings = engine.settings();
    let due = |job: &JobRecord| is_due(job, now, |attempt| retry_wait(attempt, &settings));
    Ok(jobs
        .iter()
        .any(|job| job.id != waiting && due(job) && place.help(job) == Help::Unneeded))
}

async fn open_jobs(engine: &Engine, place: &Place) -> Result<Vec<JobRecord>, StoreError> {
    let filter = JobFilter {
        station: Some(place.name.clone()),
        open: true,
        ..JobFilter::default()
    };
    engine.store().jobs(&filter).await
}

/// Whether a job's receiver lies with a recorder.
pub(super) async fn is_scheduled(engine: &Engine, job: &JobRecord) -> bool {
    let plan = plan(engine, job).await;
    plan.is_some_and(|plan| plan.arrangement == Arrangement::Scheduled)
}

/// The plan of a job; none where it cannot be read, which is met when the job is begun.
pub(super) async fn plan(engine: &Engine, job: &JobRecord) -> Option<Plan> {
    let store = engine.store();
    let sha = match job.rest_of {
        Some(run) => store.run(run).await.ok().map(|run| run.plan_sha),
        None => job.plan_sha.clone(),
    };
    let kept = store.snapshot(&sha?).await.ok()??;
    Plan::read(&kept.name, &kept.text).ok()
}
