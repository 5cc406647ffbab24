//! What a station's task shares with the handle: its snapshot, what is being measured, the open instruments.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use super::decide::Why;
use super::schedule::Help;
use super::status::{Doing, Health, Progress};
use super::{StationFile, Status};
use crate::config;
use crate::station::{Output, Placement, Station};
use crate::store::{JobId, JobRecord, QueuePause};

/// One station of the daemon.
#[derive(Debug)]
pub(super) struct Place {
    /// Its name, which it keeps.
    pub name: String,
    /// The station file.
    pub path: PathBuf,
    /// What the station file said when it was last read.
    pub config: watch::Sender<Arc<config::Station>>,
    /// What the station is doing.
    pub status: watch::Sender<Arc<Status>>,
    /// What happened since the daemon was started.
    pub counts: Counts,
    open: Mutex<Option<Open>>,
    current: Mutex<Option<Current>>,
    standing: Mutex<Option<Placement>>,
    /// Jobs that have called for hands and wait for them, and since when.
    awaiting: Mutex<HashMap<JobId, Instant>>,
    /// A pause that could not be written because the disk is full.
    unwritten: Mutex<Option<QueuePause>>,
}

/// What happened at a station since the daemon was started.
#[derive(Debug, Default)]
pub(super) struct Counts {
    pub readings: Count,
    pub attempts_again: Count,
    pub jobs_done: Count,
    pub jobs_failed: Count,
    pub crashes: Count,
    pub openings: Count,
}

/// Only ever grows.
#[derive(Debug, Default)]
pub(super) struct Count(AtomicU64);

impl Count {
    pub(super) fn add(&self) {
        self.0.fetch_add(1, Ordering::Relaxed);
    }

    pub(super) fn get(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}

/// The open instruments; prints as nothing, since they have nothing to print.
struct Open(Arc<Station>);

impl std::fmt::Debug for Open {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("open")
    }
}

/// What is being measured, and how it is stopped.
#[derive(Debug, Clone)]
pub(super) struct Current {
    pub job: JobId,
    pub stop: CancellationToken,
    why: Arc<Mutex<Option<Why>>>,
}

impl Current {
    pub(super) fn new(job: JobId) -> Self {
        Self {
            job,
            stop: CancellationToken::new(),
            why: Arc::default(),
        }
    }

    /// Stops the measuring; the first reason counts.
    pub(super) fn halt(&self, why: Why) {
        locked(&self.why).get_or_insert(why);
        self.stop.cancel();
    }

    /// Notes why the measuring will stop, which whoever notes it sees to.
    pub(super) fn because(&self, why: Why) {
        locked(&self.why).get_or_insert(why);
    }

    pub(super) fn why(&self) -> Option<Why> {
        locked(&self.why).clone()
    }
}

/// What a panic left behind is still whole: each lock is held for one assignment.
fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Place {
    pub(super) fn new(file: StationFile, standing: Option<Placement>) -> Self {
        let name = file.config.name.clone();
        Self {
            status: watch::Sender::new(Arc::new(opening(&name))),
            config: watch::Sender::new(Arc::new(file.config)),
            path: file.path,
            name,
            counts: Counts::default(),
            open: Mutex::default(),
            current: Mutex::default(),
            standing: Mutex::new(standing),
            awaiting: Mutex::default(),
            unwritten: Mutex::default(),
        }
    }

    /// Changes the snapshot.
    pub(super) fn update(&self, change: impl FnOnce(&mut Status)) {
        self.status.send_modify(|status| {
            let mut next = Status::clone(status);
            change(&mut next);
            next.at = Timestamp::now();
            *status = Arc::new(next);
        });
    }

    /// What the station is doing, with the output as its guard knows it at this moment: what is told of a change reaches
    /// the snapshot only after it.
    pub(super) fn now(&self) -> Status {
        let mut status = Status::clone(&self.status.borrow());
        if let Some(station) = self.open() {
            status.output = station.guard().output().borrow().clone();
        }
        status
    }

    /// Stops saying that the output is off where that was not confirmed for `age_max`.
    pub(super) fn forget_old_output(&self, age_max: Duration) {
        let known = self.status.borrow().output.clone();
        let said = known.as_of(Timestamp::now(), age_max);
        if said != known {
            self.update(|status| status.output = said);
        }
    }

    /// Says what the station is doing.
    pub(super) fn say(&self, doing: Doing, words: impl Into<String>) {
        let words = words.into();
        self.update(|status| {
            status.doing = doing;
            status.words = words;
        });
    }

    /// The same, if it is not said already: an idle station tells nobody anything.
    pub(super) fn say_once(&self, doing: Doing, words: String) {
        let is_said = {
            let status = self.status.borrow();
            status.doing == doing && status.words == words
        };
        if !is_said {
            self.say(doing, words);
        }
    }

    /// Shows whether the queue is paused.
    pub(super) fn show_pause(&self, paused: &Option<QueuePause>) {
        let is_shown = self.status.borrow().paused == *paused;
        if !is_shown {
            self.update(|status| status.paused.clone_from(paused));
        }
    }

    pub(super) fn set_open(&self, station: Option<Arc<Station>>) {
        *locked(&self.open) = station.map(Open);
    }

    pub(super) fn open(&self) -> Option<Arc<Station>> {
        locked(&self.open).as_ref().map(|open| open.0.clone())
    }

    pub(super) fn set_current(&self, current: Option<Current>) {
        *locked(&self.current) = current;
    }

    pub(super) fn current(&self) -> Option<Current> {
        locked(&self.current).clone()
    }

    /// What stands before the antenna as far as anybody said.
    pub(super) fn standing(&self) -> Option<Placement> {
        locked(&self.standing).clone()
    }

    pub(super) fn set_standing(&self, placement: Option<Placement>) {
        *locked(&self.standing) = placement;
    }

    /// Notes that a job calls for hands. Since when it does, and whether this is the first call.
    pub(super) fn await_hands(&self, job: JobId) -> (Instant, bool) {
        let mut awaiting = locked(&self.awaiting);
        let is_new = !awaiting.contains_key(&job);
        (*awaiting.entry(job).or_insert_with(Instant::now), is_new)
    }

    /// Forgets the calls of all jobs but these.
    pub(super) fn await_only(&self, calls: impl Fn(JobId) -> bool) {
        locked(&self.awaiting).retain(|job, _| calls(*job));
    }

    /// The hands that a job would want if it were begun now, as far as that can be known before.
    pub(super) fn help(&self, job: &JobRecord) -> Help {
        if self.config.borrow().placement.is_some() {
            return Help::Unneeded;
        }
        if locked(&self.awaiting).contains_key(&job.id) {
            return Help::Awaited;
        }
        let first = job.items.first().map(|item| item.serial.as_str());
        match self.standing() {
            Some(standing) if job.stays && standing.item.as_deref() == first => Help::Unneeded,
            _ => Help::Needed,
        }
    }

    pub(super) fn unwritten_pause(&self) -> Option<QueuePause> {
        locked(&self.unwritten).clone()
    }

    pub(super) fn set_unwritten_pause(&self, pause: Option<QueuePause>) {
        *locked(&self.unwritten) = pause;
    }
}

fn opening(station: &str) -> Status {
    Status {
        station: station.to_owned(),
        at: Timestamp::now(),
        words: "Looking for the instruments.".to_owned(),
        doing: Doing::Opening,
        output: Output::unknown_now("the source has not been asked yet"),
        in_force: None,
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
