//! The task of one station: find the instruments, take the next job, carry it out, off, again.
//!
//! It reads like a day's work on paper. Only this task and the procedure it starts touch the instruments.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::mpsc;
use tokio::task::JoinSet;

use super::decide::{self, Outcome, Why};
use super::engine::Engine;
use super::follow::Follower;
use super::hands::Asker;
use super::look::{self, Look, is_scheduled, look};
use super::place::{Current, Place};
use super::status::{Doing, Health, InForce, Missing};
use crate::config::{Bracket, Plan};
use crate::procedure::{Order, Procedure, ProcedureError};
use crate::station::{InterlockState, Output, Station, StationError};
use crate::store::{
    Answer, JobEnd, JobKind, JobRecord, QueuePause, RunState, Store, StoreError, Wanted, sha256_hex,
};

/// Events that may wait to be kept.
const EVENTS_MAX: usize = 256;
/// How often it is looked whether somebody wants a job stopped.
const LOOK: Duration = Duration::from_millis(100);
/// The longest sleep in one go: a clock that was set anew is noticed at the latest then.
const SLEEP_MAX: Duration = Duration::from_secs(1);
/// The first wait before another try at what failed.
const WAIT_FIRST: Duration = Duration::from_secs(1);
/// The longest.
const WAIT_MAX: Duration = Duration::from_secs(60);

/// A wait before the next try: doubled each time, up to [`WAIT_MAX`], and never the same for two stations.
#[derive(Debug, Default)]
pub(super) struct BackOff(u32);

impl BackOff {
    pub(super) fn next(&mut self) -> Duration {
        let wait = WAIT_FIRST.saturating_mul(1 << self.0.min(16)).min(WAIT_MAX);
        self.0 += 1;
        wait.mul_f64(0.5 + rand::random::<f64>())
    }
}

/// Works until the daemon ends.
pub(super) async fn work(engine: Engine, place: Arc<Place>) {
    let mut back_off = BackOff::default();
    while !engine.ending().is_cancelled() {
        let scheduled = match look(&engine, &place, Timestamp::now()).await {
            Ok(Look::Job(job)) => is_scheduled(&engine, &job).await,
            _ => false,
        };
        match open(&engine, &place, scheduled).await {
            Ok(station) => {
                back_off = BackOff::default();
                // Ends with this round, also by panic.
                let mut watching = JoinSet::new();
                watching.spawn(watch_over(engine.clone(), place.clone(), station.clone()));
                take_jobs(&engine, &place, &station).await;
                if let Err(error) = station.guard().off().await {
                    missing(&engine, &place, "source", &error);
                }
                place.set_open(None);
            }
            Err(StationError::Stopped) => {}
            Err(error) => {
                missing(&engine, &place, instrument(&error), &error);
                tokio::select! {
                    () = tokio::time::sleep(back_off.next()) => {}
                    () = engine.ending().cancelled() => {}
                }
            }
        }
    }
}

/// Opens the station, or its source alone where the receiver lies with a recorder.
async fn open(
    engine: &Engine,
    place: &Place,
    scheduled: bool,
) -> Result<Arc<Station>, StationError> {
    let config = place.config.borrow().as_ref().clone();
    let opened = async {
        let (store, opening) = (engine.store(), engine.opening());
        match scheduled {
            true => Station::open_source(config, store, opening).await,
            false => Station::open(config, store, opening).await,
        }
    };
    let station = tokio::select! {
        opened = opened => Arc::new(opened?),
        () = engine.ending().cancelled() => return Err(StationError::Stopped),
    };
    place.counts.openings.add();
    let in_force = InForce {
        file: place.path.display().to_string(),
        sha256: sha256_hex(station.config.text.as_bytes()),
        since: Timestamp::now(),
    };
    place.set_open(Some(station.clone()));
    place.update(|status| {
        status.health = Health {
            source: Some(station.identities.source.clone()),
            receiver: (!station.has_recorder()).then(|| station.identities.receiver.clone()),
            missing: None,
        };
        status.owner = station.owner.to_string();
        status.in_force = Some(in_force.clone());
    });
    tracing::info!(
        station = place.name,
        source = station.identities.source,
        receiver = station.identities.receiver,
        file = in_force.file,
        sha256 = in_force.sha256,
        "the station is open"
    );
    Ok(station)
}

/// Shows what the guard sees, and sees to calls to stop from other processes.
async fn watch_over(engine: Engine, place: Arc<Place>, station: Arc<Station>) {
    let guard = station.guard();
    let (mut output, mut interlock) = (guard.output(), guard.interlock());
    loop {
        let known = output.borrow_and_update().clone();
        let contact = interlock.borrow_and_update().clone();
        place.update(|status| {
            status.output = known;
            status.interlock = match contact {
                InterlockState::Absent => None,
                InterlockState::Closed { .. } => Some(true),
                InterlockState::Open { .. } => Some(false),
            };
        });
        tokio::select! {
            changed = output.changed() => if changed.is_err() { return },
            // Also while a person is waited for, for hours perhaps.
            () = tokio::time::sleep(engine.settings().presence.duration()) => {
                if let Err(error) = guard.confirm_off().await {
                    tracing::warn!(station = place.name, %error, "the output is not confirmed off");
                }
            }
            // Without an interlock nobody changes it, ever.
            Ok(()) = interlock.changed() => {}
            call = guard.stop_call() => {
                let reason = format!("stopped by {}", call.who);
                if let Some(current) = place.current() {
                    current.halt(Why::Station(reason.clone()));
                }
                if let Err(error) = engine.pause(&place.name, &reason).await {
                    tracing::error!(station = place.name, %error, "stopped, but the queue could not be paused");
                }
            }
        }
    }
}

/// Which instrument an error is about.
fn instrument(error: &StationError) -> &'static str {
    match error {
        StationError::Instrument(error) => error.instrument(),
        StationError::ReceiverAway { .. } => "receiver",
        _ => "station",
    }
}

/// Says that something is missing; people are told the first time.
fn missing(engine: &Engine, place: &Place, what: &str, error: &StationError) {
    let error = error.to_string();
    let mut is_new = false;
    place.update(|status| {
        let before = status.health.missing.take();
        is_new = before.as_ref().is_none_or(|before| before.what != what);
        let since = match before {
            Some(before) if !is_new => before.since,
            _ => Timestamp::now(),
        };
        match what {
            "source" => status.health.source = None,
            "receiver" => status.health.receiver = None,
            _ => {}
        }
        // A receiver that is missing says nothing of the output.
        if what != "receiver" && !matches!(status.output, Output::Unknown { .. }) {
            status.output = Output::unknown_now(format!("the {what} is missing: {error}"));
        }
        status.health.missing = Some(Missing {
            what: what.to_owned(),
            since,
            error: error.clone(),
        });
        status.doing = Doing::Missing;
        status.words = format!("The {what} is missing: {error}");
    });
    if is_new {
        engine.tell(
            &place.name,
            "missing",
            &format!("the {what} is missing: {error}"),
        );
    }
}

/// One job after the other; returns when the daemon ends or the instruments have to be opened anew.
async fn take_jobs(engine: &Engine, place: &Arc<Place>, station: &Arc<Station>) {
    let mut news = engine.news();
    let mut back_off = BackOff::default();
    let mut looked = tokio::time::Instant::now();
    while !engine.ending().is_cancelled() {
        news.borrow_and_update();
        if is_outdated(place, station) {
            return;
        }
        let now = Timestamp::now();
        let wait = match look(engine, place, now).await {
            Ok(Look::Job(job)) => {
                // It wants the receiver opened too, or left to its recorder.
                let fits = station.has_recorder() == is_scheduled(engine, &job).await;
                if job.wanted.is_none() && !fits {
                    return;
                }
                back_off = BackOff::default();
                if carry_out(engine, place, station, *job).await == Then::OpenAnew {
                    return;
                }
                looked = tokio::time::Instant::now();
                continue;
            }
            Ok(Look::Paused(reason)) => {
                let words = format!("The queue is paused: {reason}");
                place.say_once(Doing::Paused, words);
                SLEEP_MAX
            }
            Ok(Look::Wait(due)) => {
                let words = due.map_or("Nothing to do.".to_owned(), |due| {
                    format!("Nothing to do until {due:.0}.")
                });
                place.say_once(Doing::Idle, words);
                due.map_or(SLEEP_MAX, |due| {
                    let until = Duration::try_from(due.duration_since(now));
                    until.unwrap_or(Duration::ZERO).min(SLEEP_MAX)
                })
            }
            Err(error) => {
                tracing::error!(station = place.name, %error, "the queue cannot be read");
                place.say(Doing::Paused, format!("The queue cannot be read: {error}"));
                back_off.next()
            }
        };
        if looked.elapsed() >= engine.settings().presence.duration() {
            if let Err((what, error)) = station.present().await {
                missing(engine, place, what, &error);
                return;
            }
            looked = tokio::time::Instant::now();
        }
        tokio::select! {
            () = engine.ending().cancelled() => {}
            _ = news.changed() => {}
            () = tokio::time::sleep(wait) => {}
        }
    }
}

/// Whether the station file has changed since the station was opened.
fn is_outdated(place: &Place, station: &Station) -> bool {
    place.config.borrow().text != station.config.text
}

/// What comes after a job.
#[derive(Debug, PartialEq, Eq)]
enum Then {
    Next,
    OpenAnew,
}

async fn carry_out(
    engine: &Engine,
    place: &Arc<Place>,
    station: &Arc<Station>,
    job: JobRecord,
) -> Then {
    withdraw_prompts(engine, place).await;
    let current = Current::new(job.id);
    place.set_current(Some(current.clone()));
    // From here on a reload is refused; one that came just before is met by opening anew.
    if is_outdated(place, station) {
        place.set_current(None);
        return Then::OpenAnew;
    }
    place.update(|status| {
        status.job = Some(job.id);
        status.doing = Doing::Measuring;
        status.words = "Beginning a job.".to_owned();
    });
    let outcome = match job.wanted {
        Some(wanted) => Outcome::Stopped(Why::Wanted(wanted)),
        None => measure(engine, place, station, &job, &current).await,
    };
    // The procedure has switched off on its every way out; this is for a panic in it.
    let off = station.guard().off().await;
    place.set_current(None);
    place.update(|status| {
        status.job = None;
        status.run = None;
        status.item = None;
        status.prompt = None;
        status.doing = Doing::Idle;
    });
    finish(engine, place, job.id, &outcome).await;
    match (&outcome, off) {
        (_, Err(error)) => {
            missing(engine, place, "source", &error);
            Then::OpenAnew
        }
        // What the log could not be told of an emission is settled by opening anew.
        (Outcome::Bench(_) | Outcome::Disk(_), Ok(())) => Then::OpenAnew,
        _ => Then::Next,
    }
}

/// Notes how a job ended; on a full disk the queue is paused where that can still be noted.
async fn finish(engine: &Engine, place: &Place, id: crate::store::JobId, outcome: &Outcome) {
    let store = engine.store();
    let now = Timestamp::now();
    let noted = note_end(engine, id, outcome, now).await;
    match outcome {
        Outcome::Done => place.counts.jobs_done.add(),
        Outcome::Bench(reason) | Outcome::Wrong(reason) => {
            place.counts.jobs_failed.add();
            engine.tell(&place.name, "failed", &format!("job {id}: {reason}"));
        }
        Outcome::Disk(reason) => pause_for_disk(engine, place, reason).await,
        // A door that closes must not by itself start what transmits behind it.
        Outcome::Interlock(reason) | Outcome::Stopped(Why::Station(reason)) => {
            engine.tell(&place.name, "paused", reason);
            if let Err(error) = store.pause_queue(&place.name, reason, now).await {
                tracing::error!(station = place.name, %error, "the queue could not be paused");
            }
        }
        Outcome::Stopped(_) => {}
    }
    if let Err(error) = noted {
        tracing::error!(job = %id, %error, "the end of a job could not be noted; it is gone on with");
        if matches!(decide::of_store(&error), Outcome::Disk(_)) {
            pause_for_disk(engine, place, &error.to_string()).await;
        }
    }
    withdraw_prompts(engine, place).await;
    engine.look().await;
}

/// What was asked for a job that ended, or before the daemon was killed, is not wanted any more.
async fn withdraw_prompts(engine: &Engine, place: &Place) {
    let (store, now) = (engine.store(), Timestamp::now());
    let open = store.open_prompts(Some(&place.name)).await;
    for prompt in open.unwrap_or_default() {
        let withdrawn = store.answer(prompt.id, Answer::Withdrawn, None, now).await;
        if let Err(error) = withdrawn {
            tracing::warn!(%error, "a prompt that is not wanted any more stays open");
        }
    }
}

async fn note_end(
    engine: &Engine,
    id: crate::store::JobId,
    outcome: &Outcome,
    now: Timestamp,
) -> Result<(), StoreError> {
    let job = engine.store().job(id).await?;
    let end: JobEnd = decide::end(&job, outcome, now, &engine.settings());
    tracing::info!(job = %id, state = %end.state, reason = end.reason, "a job has ended for now");
    engine.store().end_job(id, &end, now).await.map(drop)
}

/// Nothing can be kept, so nothing is begun, until somebody says that there is room.
async fn pause_for_disk(engine: &Engine, place: &Place, reason: &str) {
    let now = Timestamp::now();
    if place.unwritten_pause().is_none() {
        engine.tell(&place.name, "paused", reason);
    }
    if engine
        .store()
        .pause_queue(&place.name, reason, now)
        .await
        .is_err()
    {
        place.set_unwritten_pause(Some(QueuePause {
            reason: reason.to_owned(),
            since: now,
        }));
    }
}

/// Measures in a task of its own, so that a panic in it ends here.
async fn measure(
    engine: &Engine,
    place: &Arc<Place>,
    station: &Arc<Station>,
    job: &JobRecord,
    current: &Current,
) -> Outcome {
    let job = match engine.store().begin_job(job.id, Timestamp::now()).await {
        Ok(job) => job,
        Err(error) => return decide::of_store(&error),
    };
    engine.look().await;
    let plan = look::plan(engine, &job).await;
    let (events, followed) = mpsc::channel(EVENTS_MAX);
    let procedure = Procedure {
        station: station.clone(),
        store: engine.store().clone(),
        hands: Arc::new(Asker {
            engine: engine.clone(),
            place: place.clone(),
            job: job.clone(),
            meanwhile: plan.is_some_and(|plan| plan.meanwhile),
            current: current.clone(),
        }),
        events,
        stop: current.stop.clone(),
        operator: job.operator.clone(),
        job: Some(job.id),
    };
    let follower = Follower::new(engine.clone(), place.clone(), job.id);
    let following = tokio::spawn(follower.follow(followed));
    let mut tasks = JoinSet::new();
    let id = job.id;
    tasks.spawn(async move { carry(&procedure, &job).await });
    let joined = loop {
        tokio::select! {
            joined = tasks.join_next() => break joined,
            () = engine.ending().cancelled(), if !current.stop.is_cancelled() => {
                place.say(Doing::Stopping, "The daemon is ending.");
                current.halt(Why::Daemon);
            }
            () = wish(engine, id), if !current.stop.is_cancelled() => heed(engine, current).await,
        }
    };
    // The last sender went with the procedure.
    let _ = following.await;
    match joined {
        Some(Ok(Ok(()))) => Outcome::Done,
        Some(Ok(Err(error))) => decide::outcome(error, current.why()),
        Some(Err(panic)) => {
            place.counts.crashes.add();
            tracing::error!(%panic, "a fault in the program ended a job");
            Outcome::Wrong(format!(
                "a fault in the program ended the measuring ({panic}); what was read is kept"
            ))
        }
        None => Outcome::Wrong("the measuring never began".to_owned()),
    }
}

/// Returns when somebody wants the job stopped.
async fn wish(engine: &Engine, job: crate::store::JobId) {
    let mut news = engine.news();
    loop {
        match engine.store().job(job).await {
            Ok(job) if job.wanted.is_some() => return,
            Ok(_) => {}
            Err(error) => tracing::warn!(%error, "cannot look whether a job is still wanted"),
        }
        tokio::time::sleep(LOOK).await;
        if news.changed().await.is_err() {
            return;
        }
    }
}

async fn heed(engine: &Engine, current: &Current) {
    let wanted = engine.store().job(current.job).await;
    let wanted = wanted.ok().and_then(|job| job.wanted);
    current.halt(Why::Wanted(wanted.unwrap_or(Wanted::Pause)));
}

/// What the job asks for; what an earlier attempt has measured is not measured again.
async fn carry(procedure: &Procedure, job: &JobRecord) -> Result<(), ProcedureError> {
    let store: &Store = &procedure.store;
    if let Some(run) = job.rest_of {
        return match store.run(run).await?.state {
            RunState::Complete if job.attempt > 1 => Ok(()),
            _ => procedure.resume(run).await.map(drop),
        };
    }
    let mut begun = Vec::with_capacity(job.runs.len());
    for run in &job.runs {
        begun.push(store.run(*run).await?);
    }
    let text = match &job.plan_sha {
        Some(sha) => store.snapshot(sha).await?.map(|snapshot| snapshot.text),
        None => None,
    };
    let name = job.plan.as_deref().unwrap_or("the plan");
    let plan = Plan::read(name, &text.unwrap_or_default())
        .map_err(|faults| ProcedureError::Config(faults.into()))?;
    let mut plan = plan;
    if job.stays {
        // Nobody is there to take the item out, so the reference cannot be looked at again.
        plan.bracket = Bracket::None;
    }
    let order = Order {
        plan: &plan,
        items: match job.kind {
            JobKind::Reference => &[],
            _ => &job.items,
        },
        fresh_reference: job.fresh_reference,
    };
    procedure.measure_rest(order, &begun).await.map(drop)
}
