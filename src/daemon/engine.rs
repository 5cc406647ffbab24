//! The handle by which others reach the stations' tasks.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use jiff::Timestamp;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use super::status::{Doing, Health, Progress};
use super::{DaemonError, Status};
use crate::config::{self, Plan};
use crate::store::{Answer, Change, JobId, JobRecord, NewJob, PromptId, PromptRecord, Store};

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
    stations: BTreeMap<String, Place>,
    news: watch::Sender<i64>,
    stop: CancellationToken,
}

#[derive(Debug)]
struct Place {
    config: watch::Sender<Arc<config::Station>>,
    status: watch::Sender<Arc<Status>>,
}

/// The stations' tasks; ends them in good order.
#[derive(Debug)]
pub struct Running {
    engine: Engine,
}

impl Running {
    /// Ends every station's task, outputs off first, within the time every part of it has.
    pub async fn stop(self) {
        self.engine.inner.stop.cancel();
    }
}

impl Engine {
    /// Starts a task for each station.
    pub async fn start(
        store: Store,
        files: Vec<StationFile>,
    ) -> Result<(Self, Running), DaemonError> {
        let newest = store.newest_event().await?;
        let mut stations = BTreeMap::new();
        for file in files {
            let name = file.config.name.clone();
            let place = Place {
                status: watch::Sender::new(Arc::new(opening(&name))),
                config: watch::Sender::new(Arc::new(file.config)),
            };
            if stations.insert(name.clone(), place).is_some() {
                return Err(DaemonError::SameName { name });
            }
        }
        let engine = Self {
            inner: Arc::new(Inner {
                store,
                stations,
                news: watch::Sender::new(newest),
                stop: CancellationToken::new(),
            }),
        };
        let running = Running {
            engine: engine.clone(),
        };
        Ok((engine, running))
    }

    /// The store that everything is in.
    pub fn store(&self) -> &Store {
        &self.inner.store
    }

    /// The names of the stations.
    pub fn stations(&self) -> Vec<String> {
        self.inner.stations.keys().cloned().collect()
    }

    /// What a station is doing, now and from now on.
    pub fn status(&self, station: &str) -> Result<watch::Receiver<Arc<Status>>, DaemonError> {
        Ok(self.place(station)?.status.subscribe())
    }

    /// The station file as it is used now.
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
        let job = self
            .inner
            .store
            .change_job(job, &change, Timestamp::now())
            .await?;
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
        let prompt = self
            .inner
            .store
            .answer(prompt, answer, who, Timestamp::now())
            .await?;
        self.look().await;
        Ok(prompt)
    }

    /// Pauses a station's queue: what is being measured goes on, nothing new is begun.
    pub async fn pause(&self, station: &str, reason: &str) -> Result<(), DaemonError> {
        self.place(station)?;
        self.inner
            .store
            .pause_queue(station, reason, Timestamp::now())
            .await?;
        self.look().await;
        Ok(())
    }

    /// Lets a station's queue go on, also after a full disk.
    pub async fn unpause(&self, station: &str) -> Result<(), DaemonError> {
        self.place(station)?;
        self.inner
            .store
            .continue_queue(station, Timestamp::now())
            .await?;
        self.look().await;
        Ok(())
    }

    /// Output off at once, whatever is going on; what is being measured is set aside and the queue paused.
    pub async fn stop(&self, station: &str, who: &str) -> Result<(), DaemonError> {
        self.pause(station, &format!("stopped by {who}")).await
    }

    /// Looks for new events, those of other processes too.
    async fn look(&self) {
        match self.inner.store.newest_event().await {
            Ok(newest) => {
                self.inner.news.send_if_modified(|known| {
                    let is_new = *known != newest;
                    *known = newest;
                    is_new
                });
            }
            Err(error) => tracing::warn!(%error, "cannot look for events"),
        }
    }

    /// Which instruments are missing, of every station.
    pub fn health(&self) -> BTreeMap<String, Health> {
        let stations = self.inner.stations.iter();
        stations
            .map(|(name, place)| (name.clone(), place.status.borrow().health.clone()))
            .collect()
    }

    /// The state of every station as text for Prometheus.
    pub fn metrics(&self) -> String {
        super::metrics::text(
            self.inner
                .stations
                .values()
                .map(|place| place.status.borrow()),
        )
    }

    fn place(&self, station: &str) -> Result<&Place, DaemonError> {
        self.inner
            .stations
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

fn opening(station: &str) -> Status {
    Status {
        station: station.to_owned(),
        at: Timestamp::now(),
        words: "Looking for the instruments.".to_owned(),
        doing: Doing::Opening,
        transmitting: None,
        live: None,
        prompt: None,
        job: None,
        run: None,
        item: None,
        progress: Progress::default(),
        health: Health::default(),
        interlock: None,
        paused: None,
        owner: format!("process {}", std::process::id()),
    }
}
