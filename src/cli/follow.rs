//! Measuring where a daemon owns the station: the job goes into its queue, and the terminal shows the same as
//! if it were measured here.

use std::collections::VecDeque;
use std::fs::File;
use std::io::{IsTerminal, Write};
use std::time::Duration;

use jiff::Timestamp;
use serde_json::Value;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::CliError;
use super::measure::{Work, stop_on_signal};
use super::watch::{Person, Watch};
use crate::config;
use crate::daemon::{Presence, check};
use crate::procedure::Event;
use crate::store::{
    Answer, Change, EVENTS_MAX, EventRecord, JobId, JobKind, JobRecord, JobState, NewJob, PlanText,
    PromptId, RunId, RunState, Store, StoreError,
};

/// How often it is looked whether there is news.
const LOOK: Duration = Duration::from_millis(100);
/// Events that may wait for the terminal.
const WAITING_MAX: usize = 256;

/// Puts the work into the daemon's queue and shows what happens; the runs when it is done, none when the terminal
/// was left while it goes on.
pub(super) async fn submit_and_follow(
    store: &Store,
    station: &config::Station,
    work: Work,
    operator: Option<String>,
    log: Option<File>,
) -> Result<Option<Vec<RunId>>, CliError> {
    let stop = stop_on_signal()?;
    let watch = Watch::new(log);
    let person = Person::new(watch.bar());
    let job = new_job(store, station, work, operator).await?;
    follow_job(store, station, job, watch, &person, &stop).await
}

/// The same for one of several jobs that one person follows.
pub(super) async fn follow_job(
    store: &Store,
    station: &config::Station,
    new: NewJob,
    watch: Watch,
    person: &Person,
    stop: &CancellationToken,
) -> Result<Option<Vec<RunId>>, CliError> {
    check(&new, station)?;
    let last = store.newest_event().await?;
    let job = store.submit(&new, Timestamp::now()).await?;
    let (sender, followed) = mpsc::channel(WAITING_MAX);
    let showing = tokio::spawn(watch.follow(followed));
    let mut following = Following {
        store,
        job,
        last,
        station: station.name.clone(),
        prompts: VecDeque::new(),
    };
    let ended = following.until_its_end(&sender, person, stop).await;
    drop(sender);
    // The bar is cleared before anything else is printed.
    let _ = showing.await;
    ended
}

/// The work as a job of the queue.
///
/// Of a batch, the items that have no complete run yet; what was begun of one is measured anew.
pub(super) async fn new_job(
    store: &Store,
    station: &config::Station,
    work: Work,
    operator: Option<String>,
) -> Result<NewJob, CliError> {
    let (kind, plan, rest_of, items, fresh_reference) = match work {
        Work::Items {
            plan,
            items,
            fresh_reference,
        } => {
            let kind = match items.is_empty() {
                true => JobKind::Reference,
                false => JobKind::Items,
            };
            let text = PlanText {
                name: plan.name,
                text: plan.text,
            };
            (kind, Some(text), None, items, fresh_reference)
        }
        Work::Rest(run) => (JobKind::Rest, None, Some(run), Vec::new(), false),
        Work::Batch(batch) => {
            let mut items = batch.items;
            for run in batch.runs {
                let run = store.run(run).await?;
                if run.state == RunState::Complete {
                    items.retain(|item| run.item.as_ref() != Some(&item.serial));
                }
            }
            let kind = match items.is_empty() {
                true => JobKind::Reference,
                false => JobKind::Items,
            };
            let plan = store.snapshot(&batch.plan_sha).await?;
            let text = plan.map(|plan| PlanText {
                name: plan.name,
                text: plan.text,
            });
            (kind, text, None, items, batch.fresh_reference)
        }
    };
    Ok(NewJob {
        rest_of,
        items,
        fresh_reference,
        operator,
        ..NewJob::new(station.name.clone(), kind, plan)
    })
}

struct Following<'s> {
    store: &'s Store,
    job: JobId,
    /// The last event seen.
    last: i64,
    station: String,
    /// What is asked and not answered.
    prompts: VecDeque<(PromptId, String)>,
}

impl Following<'_> {
    async fn until_its_end(
        &mut self,
        events: &mpsc::Sender<Event>,
        person: &Person,
        stop: &CancellationToken,
    ) -> Result<Option<Vec<RunId>>, CliError> {
        let mut is_told = false;
        loop {
            // The state first: whatever led to it was an event before.
            let job = self.store.job(self.job).await?;
            self.show_new(events).await?;
            if let Some(ended) = ended(&job) {
                return ended.map(Some);
            }
            if Presence::of(self.store.path()).is_none() {
                return Err(CliError::Bench(format!(
                    "the daemon has ended; job {} goes on when it is started again (muffle queue)",
                    self.job
                )));
            }
            tokio::select! {
                () = tokio::time::sleep(LOOK) => {}
                answered = self.ask(person), if !self.prompts.is_empty() && std::io::stdin().is_terminal() => answered?,
                () = stop.cancelled(), if !is_told => {
                    if wants_to_leave(person).await {
                        eprintln!("Job {} goes on; muffle queue shows it.", self.job);
                        return Ok(None);
                    }
                    is_told = true;
                    match self.store.change_job(self.job, &Change::Cancel, Timestamp::now()).await {
                        // It ended at that moment.
                        Ok(_) | Err(StoreError::Refused { .. }) => {}
                        Err(error) => return Err(error.into()),
                    }
                }
            }
        }
    }

    async fn show_new(&mut self, events: &mpsc::Sender<Event>) -> Result<(), CliError> {
        loop {
            let station = Some(self.station.as_str());
            let new = self
                .store
                .events_after(station, self.last, EVENTS_MAX)
                .await?;
            let Some(last) = new.last() else {
                return Ok(());
            };
            self.last = last.id;
            for event in new {
                if event.job == Some(self.job) {
                    self.show(event, events).await;
                }
            }
        }
    }

    async fn show(&mut self, event: EventRecord, events: &mpsc::Sender<Event>) {
        let word = |key: &str| event.body[key].as_str().unwrap_or_default().to_owned();
        match event.kind.as_str() {
            "prompt" => {
                if let Ok(id) = word("prompt").parse() {
                    let text = word("text");
                    if !std::io::stdin().is_terminal() {
                        eprintln!("{text}\nSay that it is done by: muffle queue answer {id}");
                    }
                    self.prompts.push_back((id, text));
                }
            }
            "answer" => {
                let id = word("prompt");
                self.prompts.retain(|(prompt, _)| prompt.to_string() != id);
            }
            "job" => {
                if let Value::String(reason) = &event.body["reason"] {
                    eprintln!("{}: {reason}", word("state"));
                }
            }
            kind => {
                if let Some(event) = Event::from_parts(kind, event.body.clone()) {
                    // The terminal's task ends with this one.
                    let _ = events.send(event).await;
                }
            }
        }
    }

    /// Asks at the terminal what the daemon asks.
    async fn ask(&self, person: &Person) -> Result<(), CliError> {
        let Some((id, text)) = self.prompts.front() else {
            return Ok(());
        };
        let answer = match person.ask(text, true).await {
            true => Answer::Done,
            false => Answer::Stop,
        };
        match self.store.answer(*id, answer, None, Timestamp::now()).await {
            // Somebody else was quicker.
            Ok(_) | Err(StoreError::Refused { .. }) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }
}

/// The runs of a job that is done, or why it is not; none while it goes on.
fn ended(job: &JobRecord) -> Option<Result<Vec<RunId>, CliError>> {
    let reason = || job.reason.clone().unwrap_or_default();
    match job.state {
        JobState::Done => Some(Ok(match job.rest_of {
            Some(run) => vec![run],
            None => job.runs.clone(),
        })),
        JobState::Failed => Some(Err(CliError::Bench(reason()))),
        JobState::Cancelled => Some(Err(CliError::Bench("stopped".to_owned()))),
        JobState::Paused => Some(Err(CliError::Bench(format!(
            "job {} is paused: {}; go on by muffle queue continue {}",
            job.id,
            reason(),
            job.id
        )))),
        JobState::Waiting | JobState::Running | JobState::Held => None,
    }
}

/// Whether the job is to go on without this terminal; without a terminal it is not.
async fn wants_to_leave(person: &Person) -> bool {
    if !std::io::stdin().is_terminal() || !std::io::stderr().is_terminal() {
        return false;
    }
    eprint!("\n  l and Enter to leave while it goes on, Enter to cancel it: ");
    let _ = std::io::stderr().flush();
    person
        .line()
        .await
        .is_some_and(|line| line.trim().eq_ignore_ascii_case("l"))
}
