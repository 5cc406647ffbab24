//! The handle by which others reach the stations' tasks, and the task that sees to them all.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::decide::Why;
use super::notify::{News, Notifier};
use super::place::Place;
use super::status::{Doing, Health};
use super::work::{BackOff, work};
use super::{DaemonError, Status, metrics};
use crate::config::{self, Plan};
use crate::station::{Opening, Output};
use crate::store::{
    Answer, Change, JobEnd, JobId, JobRecord, JobState, NewEvent, NewJob, PromptId, PromptRecord,
    Store, sha256_hex,
};

/// How often it is looked for events that another process has made.
const LOOK: Duration = Duration::from_millis(200);
/// How often old events are removed.
const PRUNE: Duration = Duration::from_secs(3600);
/// The time every station's task has to end; what the daemon promises, less what the process needs itself.
const END_MAX: Duration = Duration::from_millis(1500);

/// How long the guard has to switch off when somebody says stop, until the keeper is asked.
const OFF_MAX: Duration = Duration::from_millis(250);

/// A station file and what it says.
#[derive(Debug, Clone)]
pub struct StationFile {
    /// Where it is.
    pub path: PathBuf,
    /// What it says.
    pub config: config::Station,
}

/// The stations and their queue; clones are the same engine.
#[derive(Debug, Clone)]
pub struct Engine {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    store: Store,
    places: BTreeMap<String, Arc<Place>>,
    settings: watch::Sender<Arc<config::Daemon>>,
    opening: Opening,
    notifier: Notifier,
    news: watch::Sender<i64>,
    ending: CancellationToken,
}

/// The stations' tasks; ends them in good order.
#[derive(Debug)]
pub struct Running {
    engine: Engine,
    tasks: JoinSet<()>,
}

impl Running {
    /// Ends every station's task, outputs off first. Answers with the stations that did not come to their end
    /// in time, so that nobody has seen their output to be off.
    pub async fn stop(mut self) -> Vec<String> {
        self.engine.inner.ending.cancel();
        let all = async { while self.tasks.join_next().await.is_some() {} };
        match tokio::time::timeout(END_MAX, all).await {
            Ok(()) => Vec::new(),
            Err(_elapsed) => {
                let places = self.engine.inner.places.values();
                places
                    .filter(|place| place.open().is_some())
                    .map(|place| place.name.clone())
                    .collect()
            }
        }
    }
}

impl Engine {
    /// Starts a task for each station; `opening` is what each brings along, its keeper.
    pub async fn start(
        store: Store,
        files: Vec<StationFile>,
        settings: config::Daemon,
        opening: Opening,
    ) -> Result<(Self, Running), DaemonError> {
        let newest = store.newest_event().await?;
        let mut places = BTreeMap::new();
        for file in files {
            let name = file.config.name.clone();
            let standing = store.standing(&name).await?;
            // What a version before said in other words is asked for.
            let standing = standing.and_then(|kept| serde_json::from_value(kept).ok());
            let place = Arc::new(Place::new(file, standing));
            if places.insert(name.clone(), place).is_some() {
                return Err(DaemonError::SameName { name });
            }
        }
        let settings = watch::Sender::new(Arc::new(settings));
        let engine = Self {
            inner: Arc::new(Inner {
                notifier: Notifier::start(settings.subscribe()),
                settings,
                opening,
                store,
                places,
                news: watch::Sender::new(newest),
                ending: CancellationToken::new(),
            }),
        };
        let mut tasks = JoinSet::new();
        for place in engine.inner.places.values() {
            tasks.spawn(supervise(engine.clone(), place.clone(), work));
        }
        tasks.spawn(keep_house(engine.clone()));
        let running = Running {
            engine: engine.clone(),
            tasks,
        };
        Ok((engine, running))
    }

    /// The store that everything is in.
    pub fn store(&self) -> &Store {
        &self.inner.store
    }

    /// The names of the stations.
    pub fn stations(&self) -> Vec<String> {
        self.inner.places.keys().cloned().collect()
    }

    /// What a station is doing, now and from now on.
    pub fn status(&self, station: &str) -> Result<watch::Receiver<Arc<Status>>, DaemonError> {
        Ok(self.place(station)?.status.subscribe())
    }

    /// What a station is doing at this moment.
    pub fn now(&self, station: &str) -> Result<Status, DaemonError> {
        Ok(self.place(station)?.now())
    }

    /// The station file as it was last read.
    pub fn config(&self, station: &str) -> Result<Arc<config::Station>, DaemonError> {
        Ok(self.place(station)?.config.borrow().clone())
    }

    /// The number of the newest event; changes whenever there is one, whoever made it.
    pub fn news(&self) -> watch::Receiver<i64> {
        self.inner.news.subscribe()
    }

    /// Puts a job into its station's queue, after its plan and its repeat were checked.
    pub async fn submit(&self, new: NewJob) -> Result<JobId, DaemonError> {
        let config = self.config(&new.station)?;
        check(&new, &config)?;
        let id = self.inner.store.submit(&new, Timestamp::now()).await?;
        self.look().await;
        Ok(id)
    }

    /// Changes a job, as far as its state allows.
    pub async fn change(&self, job: JobId, change: Change) -> Result<JobRecord, DaemonError> {
        let now = Timestamp::now();
        let job = self.inner.store.change_job(job, &change, now).await?;
        self.look().await;
        Ok(job)
    }

    /// Answers what a person was asked.
    pub async fn answer(
        &self,
        prompt: PromptId,
        answer: Answer,
        who: Option<&str>,
    ) -> Result<PromptRecord, DaemonError> {
        let now = Timestamp::now();
        let prompt = self.inner.store.answer(prompt, answer, who, now).await?;
        self.look().await;
        Ok(prompt)
    }

    /// Pauses a station's queue: what is being measured goes on, nothing new is begun.
    pub async fn pause(&self, station: &str, reason: &str) -> Result<(), DaemonError> {
        let name = &self.place(station)?.name;
        let now = Timestamp::now();
        self.inner.store.pause_queue(name, reason, now).await?;
        self.look().await;
        Ok(())
    }

    /// Lets a station's queue go on, also after a full disk.
    pub async fn unpause(&self, station: &str) -> Result<(), DaemonError> {
        let place = self.place(station)?;
        let now = Timestamp::now();
        self.inner.store.continue_queue(&place.name, now).await?;
        place.set_unwritten_pause(None);
        self.look().await;
        Ok(())
    }

    /// Output off at once, whatever is going on; what is being measured is set aside and the queue paused. Answers with
    /// the output as the source says it is.
    pub async fn stop(&self, station: &str, who: &str) -> Result<Output, DaemonError> {
        let place = self.place(station)?;
        let reason = format!("stopped by {who}");
        if let Some(current) = place.current() {
            place.say(Doing::Stopping, format!("Being {reason}."));
            current.halt(Why::Station(reason.clone()));
        }
        let off = switch_off(place, who).await;
        // What the source said stands where everybody looks, whoever asked it.
        let known = match &off {
            Ok(()) => Output::off_now(),
            Err(why) => Output::unknown_now(why.clone()),
        };
        place.update(|status| status.output = known.clone());
        self.pause(station, &reason).await?;
        let event = NewEvent {
            at: Timestamp::now(),
            station: station.to_owned(),
            job: None,
            run: None,
            kind: "stop".to_owned(),
            body: serde_json::json!({ "who": who, "confirmed_off": off.is_ok() }),
        };
        self.inner.store.append_events(&[event]).await?;
        self.look().await;
        match off {
            Ok(()) => Ok(known),
            Err(why) => Err(DaemonError::StillOn {
                station: station.to_owned(),
                why,
            }),
        }
    }

    /// Which instruments are missing, of every station.
    pub fn health(&self) -> BTreeMap<String, Health> {
        let places = self.inner.places.values();
        places
            .map(|place| (place.name.clone(), place.status.borrow().health.clone()))
            .collect()
    }

    /// The state of every station as text for Prometheus.
    pub fn metrics(&self) -> String {
        metrics::text(&self.inner.places)
    }

    /// Uses other settings of the daemon from now on.
    pub fn set_settings(&self, settings: config::Daemon) {
        self.inner.settings.send_replace(Arc::new(settings));
    }

    /// Reads every station file anew. A station that measures or whose file is wrong keeps what it has; the
    /// answer says what became of each.
    pub fn reload_stations(&self) -> Vec<String> {
        self.inner
            .places
            .values()
            .map(|place| reload(place))
            .collect()
    }

    /// The daemon's settings as they are now.
    pub(super) fn settings(&self) -> Arc<config::Daemon> {
        self.inner.settings.borrow().clone()
    }

    /// What a station is opened with.
    pub(super) fn opening(&self) -> &Opening {
        &self.inner.opening
    }

    /// Called when the daemon ends.
    pub fn ending(&self) -> &CancellationToken {
        &self.inner.ending
    }

    /// Tells whoever is to be told.
    pub(super) fn tell(&self, station: &str, kind: &'static str, text: &str) {
        self.inner.notifier.tell(News {
            station: station.to_owned(),
            kind,
            text: text.to_owned(),
        });
    }

    /// Looks for new events, those of other processes too.
    pub(in crate::daemon) async fn look(&self) {
        match self.inner.store.newest_event().await {
            Ok(newest) => {
                self.inner.news.send_if_modified(|known| {
                    // Two looks may answer in the other order.
                    let is_new = newest > *known;
                    *known = newest.max(*known);
                    is_new
                });
            }
            Err(error) => tracing::warn!(%error, "cannot look for events"),
        }
    }

    fn place(&self, station: &str) -> Result<&Arc<Place>, DaemonError> {
        let places = &self.inner.places;
        places
            .get(station)
            .ok_or_else(|| DaemonError::UnknownStation {
                given: station.to_owned(),
                known: self.stations().join(", "),
            })
    }
}

/// Whether a job can be carried out, as far as that can be known beforehand.
pub fn check(new: &NewJob, config: &config::Station) -> Result<(), DaemonError> {
    if let Some(plan) = &new.plan {
        Plan::read(&plan.name, &plan.text)
            .map_err(config::ConfigError::from)?
            .check(config)?;
    }
    if let Some(repeat) = &new.repeat {
        super::Every::read(&repeat.every)?;
    }
    Ok(())
}

/// By the shortest way, through the guard; when that hangs, through the keeper, which reaches the source by itself.
async fn switch_off(place: &Place, who: &str) -> Result<(), String> {
    if let Some(station) = place.open() {
        let off = tokio::time::timeout(OFF_MAX, station.guard().off()).await;
        if matches!(off, Ok(Ok(()))) {
            return Ok(());
        }
    }
    let config = place.config.borrow().clone();
    let stopped = crate::station::stop(&config, who).await.stopped;
    match stopped.confirmed_off {
        true => Ok(()),
        false => Err(stopped.why.unwrap_or_default()),
    }
}

/// Runs a station's task, which is what `work` makes, and again when it panics: output off first, the job failed.
async fn supervise<W: Future<Output = ()> + Send + 'static>(
    engine: Engine,
    place: Arc<Place>,
    work: impl Fn(Engine, Arc<Place>) -> W,
) {
    let mut back_off = BackOff::default();
    loop {
        let mut task = JoinSet::new();
        task.spawn(work(engine.clone(), place.clone()));
        let Some(Err(panic)) = task.join_next().await else {
            return;
        };
        place.counts.crashes.add();
        tracing::error!(station = place.name, %panic, "a fault in the program ended a station's task");
        if let Some(station) = place.open() {
            if let Err(error) = station.guard().off().await {
                tracing::error!(station = place.name, %error, "the output was not seen to be off");
            }
            place.set_open(None);
        }
        if let Some(current) = place.current() {
            fail(&engine, &place, current.job, &panic.to_string()).await;
            place.set_current(None);
        }
        tokio::select! {
            () = tokio::time::sleep(back_off.next()) => {}
            () = engine.ending().cancelled() => return,
        }
    }
}

async fn fail(engine: &Engine, place: &Place, job: JobId, panic: &str) {
    let reason = format!("a fault in the program ended it ({panic}); what was read is kept");
    engine.tell(&place.name, "failed", &format!("job {job}: {reason}"));
    let end = JobEnd {
        state: JobState::Failed,
        reason: Some(reason),
        not_before: None,
        again: None,
        gave_way: false,
    };
    if let Err(error) = engine.store().end_job(job, &end, Timestamp::now()).await {
        tracing::error!(%job, %error, "the end of a job could not be noted");
    }
}

/// Looks for other processes' events, and removes old ones.
async fn keep_house(engine: Engine) {
    let mut look = tokio::time::interval(LOOK);
    let mut prune = tokio::time::interval(PRUNE);
    loop {
        tokio::select! {
            () = engine.ending().cancelled() => return,
            _ = look.tick() => {
                let age_max = 2 * engine.settings().presence.duration();
                engine.inner.places.values().for_each(|place| place.forget_old_output(age_max));
                engine.look().await;
            }
            _ = prune.tick() => remove_old_events(&engine).await,
        }
    }
}

async fn remove_old_events(engine: &Engine) {
    let settings = engine.settings();
    let before = SignedDuration::try_from(settings.events_max_age.duration())
        .ok()
        .and_then(|age| Timestamp::now().checked_sub(age).ok())
        .unwrap_or(Timestamp::MIN);
    loop {
        match engine
            .store()
            .prune_events(before, settings.events_max)
            .await
        {
            Ok(0) => return,
            Ok(removed) => tracing::info!(removed, "old events were removed"),
            Err(error) => return tracing::warn!(%error, "old events could not be removed"),
        }
    }
}

/// Reads a station's file anew, unless it is measuring.
fn reload(place: &Place) -> String {
    let name = &place.name;
    let config = match config::Station::load(&place.path) {
        Ok(config) => config,
        Err(error) => return format!("{name}: goes on as before: {error}"),
    };
    if config.name != *name {
        return format!(
            "{name}: goes on as before: its file now says `{}`, and another name needs a restart",
            config.name
        );
    }
    if config.text == place.config.borrow().text {
        return format!("{name}: unchanged");
    }
    if place.current().is_some() {
        return format!("{name}: goes on as before: it is measuring; ask again when it is idle");
    }
    let sha = sha256_hex(config.text.as_bytes());
    place.config.send_replace(Arc::new(config));
    // A job that begins at this moment either has the old file or opens the station anew.
    match place.current() {
        Some(current) => format!(
            "{name}: the new file ({sha:.12}) is in force after job {}, which was just begun",
            current.job
        ),
        None => format!("{name}: the new file ({sha:.12}) is in force before anything is emitted"),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::atomic::{AtomicU32, Ordering};

    use super::*;
    use crate::config::Drivers;
    use crate::daemon::place::Current;
    use crate::store::{JobKind, PlanText};

    /// The longest that anything here may take.
    const PATIENCE: Duration = Duration::from_secs(60);

    #[tokio::test]
    async fn a_task_that_panics_is_begun_again_and_its_job_has_failed() {
        let folder = tempfile::TempDir::new().expect("a folder");
        let store = Store::open(&folder.path().join("muffle.db")).await;
        let store = store.expect("a store");
        let text = include_str!("../../config/station.toml");
        let config = config::Station::read("station.toml", text, Drivers::Folder(Path::new(".")))
            .expect("a station");
        let plan = PlanText {
            name: "short".to_owned(),
            text: "nobody reads it".to_owned(),
        };
        let new = NewJob::new(config.name.clone(), JobKind::Reference, Some(plan));
        let file = StationFile {
            path: "station.toml".into(),
            config,
        };
        let place = Arc::new(Place::new(file, None));
        let job = store.submit(&new, Timestamp::now()).await.expect("a job");
        let opening = Opening::with_keeper("no keeper");
        let settings = config::Daemon::default();
        let started = Engine::start(store.clone(), Vec::new(), settings, opening).await;
        let (engine, running) = started.expect("an engine");

        let rounds = Arc::new(AtomicU32::new(0));
        let counted = rounds.clone();
        let planted = move |engine: Engine, place: Arc<Place>| {
            let round = counted.fetch_add(1, Ordering::SeqCst);
            async move {
                if round == 0 {
                    place.set_current(Some(Current::new(job)));
                    panic!("planted");
                }
                engine.ending().cancelled().await;
            }
        };
        let task = tokio::spawn(supervise(engine.clone(), place.clone(), planted));
        let again = async {
            while rounds.load(Ordering::SeqCst) < 2 {
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
        };
        tokio::time::timeout(PATIENCE, again)
            .await
            .expect("begun again");
        assert_eq!(place.counts.crashes.get(), 1);
        assert!(place.current().is_none());
        let failed = store.job(job).await.expect("kept");
        assert_eq!(failed.state, JobState::Failed);
        let reason = failed.reason.expect("a reason");
        assert!(reason.contains("planted"), "{reason}");
        assert_eq!(running.stop().await, Vec::<String>::new());
        task.await.expect("ends with the daemon");
    }
}
