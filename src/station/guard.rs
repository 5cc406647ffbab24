//! The guard: the only place that switches an output on, and the one that sees to it that it goes off.
//!
//! Over each emission a task of its own stands watch, on threads of its own. It switches the output off when the
//! interlock opens, when somebody calls for a stop, when the measuring gives no sign of life, when the longest
//! emission is over, when the keeper is gone, and when the measuring itself has vanished, also while the
//! procedure's own task hangs.

use std::future::Future;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Weak};
use std::time::Duration;

use jiff::Timestamp;
use tokio::runtime::Handle as Threads;
use tokio::sync::{oneshot, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::StationError;
use super::clamp::{Allowed, allowed};
use super::interlock::InterlockState;
use super::keeper::{Keeper, StopCall, Told};
use super::lock::InstrumentLock;
use super::output::{Output, Transmitting};
use crate::config::Station;
use crate::instrument::{Carrier, Handle, InstrumentError, Permit, PowerMonitor, Source};
use crate::quantity::{Frequency, Level, Time};
use crate::store::{EmissionEnd, EmissionId, NewEmission, RunId, Store};

/// Attempts to switch off a source that does not answer, before a person is told to.
const OFF_ATTEMPTS: u32 = 8;
/// The first wait between such attempts; each further one is twice as long, up to [`OFF_WAIT_MAX`].
const OFF_WAIT: Duration = Duration::from_millis(100);
/// The longest wait between attempts.
const OFF_WAIT_MAX: Duration = Duration::from_secs(2);
/// Beats within the longest time without one, while something is waited for.
const BEATS: u32 = 8;

/// An emission that somebody wants.
#[derive(Debug, Clone)]
pub struct EmissionRequest {
    /// The run it is for.
    pub run: Option<RunId>,
    /// Where.
    pub frequency: Frequency,
    /// Level at the source's output, before it is held back.
    pub level: Level,
    /// What for; goes into the emission log.
    pub why: String,
    /// The permission for a protected band, word for word, if the plan names one.
    pub permission: Option<String>,
}

/// What an emission gave.
#[derive(Debug)]
pub struct Emitted<R> {
    /// What was measured meanwhile.
    pub measured: R,
    /// What was sent.
    pub sent: Allowed,
    /// Whether the carrier was there when the measuring ended, as the source said while it was switched off: where it
    /// was lost, what was measured proves nothing.
    pub carrier: Carrier,
    /// The power towards the antenna at the end of the measuring, where the station has a monitor of it.
    pub forward: Option<Level>,
    /// How it ended; to be kept in the emission log with the reading.
    pub end: EmissionEnd,
}

/// Stands over the source of a station; clones stand over the same one.
#[derive(Clone)]
pub struct Guard {
    post: Arc<Post>,
}

struct Post {
    station: Arc<Station>,
    source: Handle<Source>,
    store: Store,
    keeper: Keeper,
    interlock: watch::Receiver<InterlockState>,
    monitor: Option<Handle<PowerMonitor>>,
    output: watch::Sender<Output>,
    /// Emissions so far.
    emissions: AtomicU64,
    /// Where the watch stands: apart from the threads of whoever emits.
    apart: Threads,
    /// The moment that beats are counted from.
    began: Instant,
    /// The last beat, in milliseconds from there.
    last_beat_ms: AtomicU64,
    /// Those of the station, for as long as it is open.
    locks: Weak<Vec<InstrumentLock>>,
}

impl Guard {
    /// Stands on the threads that this is called on.
    pub(super) fn new(
        station: Arc<Station>,
        source: Handle<Source>,
        store: Store,
        keeper: Keeper,
        interlock: watch::Receiver<InterlockState>,
        monitor: Option<Handle<PowerMonitor>>,
        locks: Weak<Vec<InstrumentLock>>,
    ) -> Self {
        let guard = Self {
            post: Arc::new(Post {
                station,
                source,
                store,
                keeper,
                interlock,
                monitor,
                // It was seen off when the source was opened.
                output: watch::channel(Output::off_now()).0,
                emissions: AtomicU64::new(0),
                apart: Threads::current(),
                began: Instant::now(),
                last_beat_ms: AtomicU64::new(0),
                locks,
            }),
        };
        tokio::spawn(switch_off_when_called(
            guard.post.keeper.told(),
            Arc::downgrade(&guard.post),
        ));
        guard
    }

    pub(super) fn source(&self) -> &Handle<Source> {
        &self.post.source
    }

    pub(super) fn monitor(&self) -> Option<&Handle<PowerMonitor>> {
        self.post.monitor.as_ref()
    }

    /// The power towards the antenna, where there is a monitor of it; one that does not answer is an error.
    async fn forward(&self, frequency: Frequency) -> Result<Option<Level>, StationError> {
        let (Some(monitor), Some(config)) = (self.monitor(), &self.post.station.power_monitor)
        else {
            return Ok(None);
        };
        let read = monitor.run(move |it| Box::pin(async move { it.read(frequency).await }));
        let level = self.alive(read).await?;
        Ok(Some(level + config.coupling))
    }

    /// What is known of the output, and every change of it.
    pub fn output(&self) -> watch::Receiver<Output> {
        self.post.output.subscribe()
    }

    /// Asks the source whether its output is off, as it should be while nothing is emitted. One that somebody else has
    /// switched on is switched off.
    pub async fn confirm_off(&self) -> Result<(), StationError> {
        let post = &self.post;
        let before = post.emissions.load(Ordering::SeqCst);
        let is_quiet = || {
            let same = post.emissions.load(Ordering::SeqCst) == before;
            same && post.output.borrow().transmitting().is_none()
        };
        if !is_quiet() {
            return Ok(());
        }
        let asked = post
            .source
            .run(|source| Box::pin(async move { source.is_off().await }));
        match asked.await {
            // An emission that began meanwhile answers for itself.
            _ if !is_quiet() => Ok(()),
            Ok(true) => {
                post.output.send_replace(Output::off_now());
                Ok(())
            }
            Ok(false) => {
                tracing::error!(
                    station = post.station.name,
                    "the output is on, and muffle has not switched it on; switching it off"
                );
                self.off().await
            }
            Err(error) => {
                let why = format!("the source does not answer: {error}");
                self.lose_sight(why);
                Err(error.into())
            }
        }
    }

    /// Nobody knows whether the output is off.
    fn lose_sight(&self, why: String) {
        self.post.output.send_modify(|output| {
            // Since when it is not known stays.
            if !matches!(output, Output::Unknown { .. }) {
                *output = Output::unknown_now(why);
            }
        });
    }

    /// The interlock as it is.
    pub fn interlock(&self) -> watch::Receiver<InterlockState> {
        self.post.interlock.clone()
    }

    /// Waits for the next call to stop from another process.
    pub async fn stop_call(&self) -> StopCall {
        let mut told = self.post.keeper.told();
        told.mark_unchanged();
        let before = told.borrow().stop.clone();
        let called = told.wait_for(|told| told.stop != before).await;
        match called.ok().and_then(|told| told.stop.clone()) {
            Some(call) => call,
            // Without the task beside the keeper nobody can call, and nothing can be emitted.
            None => std::future::pending().await,
        }
    }

    /// Calls `stop` at the next call to stop from another process, for as long as the station is open.
    pub fn obey(&self, stop: CancellationToken) {
        let guard = self.clone();
        self.post.apart.spawn(async move {
            tokio::select! {
                call = guard.stop_call() => {
                    tracing::warn!(who = call.who, "told to stop");
                    stop.cancel();
                }
                () = stop.cancelled() => {}
            }
        });
    }

    /// A sign of life of the measuring.
    pub fn beat(&self) {
        let ms = self.post.began.elapsed().as_millis();
        let ms = u64::try_from(ms).unwrap_or(u64::MAX);
        self.post.last_beat_ms.store(ms, Ordering::Relaxed);
    }

    /// Waits for something that has a limit of its own, and gives signs of life meanwhile: as long as this
    /// future is polled, whoever waits is alive.
    pub async fn alive<R>(&self, waiting: impl Future<Output = R>) -> R {
        let mut beats = tokio::time::interval(self.post.station.safety.beat_max.duration() / BEATS);
        tokio::pin!(waiting);
        loop {
            tokio::select! {
                done = &mut waiting => {
                    self.beat();
                    return done;
                }
                _ = beats.tick() => self.beat(),
            }
        }
    }

    /// Radiates while `measure` runs, and not a moment longer: on success, on an error, when `stop` is
    /// called, and whenever the watch over the emission ends it. Off is awaited and seen on every way out.
    ///
    /// `measure` gives signs of life by [`Guard::beat`] or waits within [`Guard::alive`], else the output goes off.
    ///
    /// The emission is in the log, on disk, before the output goes on. On success its end is handed back,
    /// to be kept together with the reading; on every other way it is closed here.
    ///
    /// This future should be awaited to its end; when it is dropped, the watch switches off.
    pub async fn emit<R>(
        &self,
        request: EmissionRequest,
        stop: &CancellationToken,
        measure: impl Future<Output = Result<R, StationError>>,
    ) -> Result<Emitted<R>, StationError> {
        if stop.is_cancelled() {
            return Err(StationError::Stopped);
        }
        let sent = self.judge(&request)?;
        let safety = &self.post.station.safety;
        let called_before = self.post.keeper.told().borrow().stop.clone();
        self.post
            .keeper
            .on(safety.watchdog_acts(), safety.beat_max.duration())
            .await?;
        let log = match self.log(&request, &sent).await {
            Ok(log) => log,
            Err(error) => {
                let _ = self.post.keeper.rest().await;
                return Err(error);
            }
        };
        let watch = Watch {
            guard: self.clone(),
            log,
            stop: stop.clone(),
            called_before,
            lapsed: CancellationToken::new(),
        };
        let permit = Permit::issue(request.frequency, sent.level);
        let measure = async {
            let measured = measure.await?;
            Ok((measured, self.forward(request.frequency).await?))
        };
        let measured = self.radiate(permit, watch, measure).await;
        // Only what was measured to its end is worth a question; after anything else nothing comes before off.
        let (proof, off) = self.settle(measured.is_ok()).await;
        let unasked = || {
            Err(InstrumentError::Gone {
                instrument: "source",
            })
        };
        let measured = measured.and_then(|measured| Ok((measured, proof.unwrap_or_else(unasked)?)));
        let (measured, off) = match off {
            Ok(Some(why)) => (measured.and(Err(StationError::Interfered { why })), Ok(())),
            Ok(None) => (measured, Ok(())),
            Err(error) => (measured, Err(error)),
        };
        let how = match &measured {
            Ok((_, carrier)) => match carrier.lost() {
                None => "measured".to_owned(),
                Some(reason) => format!("measured, but the carrier was lost: {reason}"),
            },
            Err(error) => error.to_string(),
        };
        let end = log.end(how);
        match (measured, off) {
            // The emission stays open in the log: nobody has seen it end.
            (_, Err(error)) => Err(error),
            (Ok(((measured, forward), carrier)), Ok(())) => Ok(Emitted {
                measured,
                sent,
                carrier,
                forward,
                end,
            }),
            (Err(error), Ok(())) => {
                self.post.store.end_emission(&end).await?;
                Err(error)
            }
        }
    }

    /// Puts the emission into the log, and where it is shown.
    async fn log(&self, request: &EmissionRequest, sent: &Allowed) -> Result<Log, StationError> {
        let (since, at) = (Timestamp::now(), Instant::now());
        let why = match &request.permission {
            Some(permission) => format!("{}; permission: {permission}", request.why),
            None => request.why.clone(),
        };
        let id = self
            .post
            .store
            .begin_emission(&NewEmission {
                run: request.run,
                station: self.post.station.name.clone(),
                frequency_hz: request.frequency.hz(),
                level_dbm: sent.level.dbm(),
                radiated_dbm: Some(sent.feed.dbm()),
                why: why.clone(),
                began: since,
            })
            .await?;
        self.post.emissions.fetch_add(1, Ordering::SeqCst);
        self.post.output.send_replace(Output::On(Transmitting {
            frequency_hz: request.frequency.hz(),
            level_dbm: sent.level.dbm(),
            feed_dbm: sent.feed.dbm(),
            why,
            since,
        }));
        Ok(Log { id, since, at })
    }

    async fn radiate<R>(
        &self,
        permit: Permit,
        watch: Watch,
        measure: impl Future<Output = Result<R, StationError>>,
    ) -> Result<R, StationError> {
        let lapsed = watch.lapsed.clone();
        let (over, ended) = oneshot::channel();
        self.beat();
        let mut watching = self.post.apart.spawn(watch.stand(ended));
        let on_and_measure = async {
            let on = self.post.source.run(move |source| {
                Box::pin(async move {
                    // The watch may have ended the emission before it began: then off came first.
                    match lapsed.is_cancelled() {
                        true => Ok(false),
                        false => source.on(&permit).await.map(|()| true),
                    }
                })
            });
            match self.alive(on).await? {
                true => measure.await,
                // The watch says why.
                false => std::future::pending().await,
            }
        };
        let measured = tokio::select! {
            biased;
            cause = &mut watching => return Err(cause_of(cause)),
            measured = on_and_measure => measured,
        };
        let _ = over.send(());
        match watching.await {
            Ok(None) => measured,
            cause => Err(cause_of(cause)),
        }
    }

    /// What may be sent, or why nothing may.
    fn judge(&self, request: &EmissionRequest) -> Result<Allowed, StationError> {
        let locks = self.post.locks.upgrade().ok_or(StationError::Closed)?;
        locks.iter().try_for_each(InstrumentLock::check)?;
        if let Some(reason) = self.post.interlock.borrow().opened() {
            return Err(StationError::Interlock {
                reason: reason.to_owned(),
            });
        }
        let station = &self.post.station;
        if let Some(band) = station.protected_band(request.frequency)
            && request.permission.is_none()
        {
            return Err(StationError::Protected {
                frequency: request.frequency,
                band: band.name.clone(),
            });
        }
        Ok(allowed(station, request.frequency, request.level))
    }

    /// Switches the output off and sees that it is; keeps trying for a while when the source does not
    /// answer.
    pub async fn off(&self) -> Result<(), StationError> {
        self.settle(false).await.1.map(|_| ())
    }

    /// Off, with the proof of the carrier where that is asked for, and the keeper told so. Answers besides why the
    /// keeper had switched it off before, if it had.
    async fn settle(
        &self,
        prove: bool,
    ) -> (
        Option<Result<Carrier, InstrumentError>>,
        Result<Option<String>, StationError>,
    ) {
        let mut proof = None;
        if prove {
            let proving = self
                .post
                .source
                .run(|source| Box::pin(async move { source.off_and_prove().await }));
            proof = Some(proving.await);
        }
        // Without a proof nobody has seen it off.
        let off = match &proof {
            Some(Ok(_)) => Ok(()),
            _ => self.off_patiently().await,
        };
        if let Err(error) = off {
            self.lose_sight(format!("switching it off was not confirmed: {error}"));
            return (proof, Err(error.into()));
        }
        self.post.output.send_replace(Output::off_now());
        // A keeper that is gone is replaced before the next emission; this one was seen off without it.
        let interfered = self.post.keeper.rest().await.unwrap_or_default();
        (proof, Ok(interfered))
    }

    /// Off, and tried again for a while when the source does not answer.
    async fn off_patiently(&self) -> Result<(), InstrumentError> {
        let mut wait = OFF_WAIT;
        let mut attempt = 1;
        loop {
            let error = match self.off_once().await {
                Ok(()) => return Ok(()),
                Err(error) => error,
            };
            if attempt == OFF_ATTEMPTS || matches!(error, InstrumentError::Gone { .. }) {
                tracing::error!(%error, "THE SOURCE MAY STILL BE ON: switch it off by hand");
                return Err(error);
            }
            tracing::warn!(%error, attempt, "the output is not seen to be off; trying again");
            tokio::time::sleep(wait).await;
            wait = (wait * 2).min(OFF_WAIT_MAX);
            attempt += 1;
        }
    }

    async fn off_once(&self) -> Result<(), InstrumentError> {
        let off = self
            .post
            .source
            .run(|source| Box::pin(async move { source.off().await }));
        off.await
    }

    /// The moment of the last beat.
    fn last_beat(&self) -> Instant {
        let ms = self.post.last_beat_ms.load(Ordering::Relaxed);
        self.post.began + Duration::from_millis(ms)
    }
}

/// Switches the output off, and so asks the source, at every call to stop that finds nothing emitted: what the
/// program remembers of the output is no answer. During an emission its own watch does it.
async fn switch_off_when_called(mut told: watch::Receiver<Told>, post: Weak<Post>) {
    let mut last = told.borrow_and_update().stop.clone();
    while told.changed().await.is_ok() {
        let stop = told.borrow_and_update().stop.clone();
        let is_new = stop.is_some() && stop != last;
        last = stop;
        let Some(post) = post.upgrade() else { return };
        let guard = Guard { post };
        let is_on = guard.post.output.borrow().transmitting().is_some();
        if is_new
            && !is_on
            && let Err(error) = guard.off().await
        {
            tracing::error!(%error, "called to stop, the output was not confirmed off");
        }
    }
}

fn cause_of(watch: Result<Option<StationError>, tokio::task::JoinError>) -> StationError {
    match watch {
        Ok(Some(cause)) => cause,
        Ok(None) => StationError::Stopped,
        Err(fault) => StationError::Interfered {
            why: format!("a fault in the program ended the watch over the emission ({fault})"),
        },
    }
}

/// An emission in the log. How long it was on is told by the monotonic clock: the one on the wall may be set
/// meanwhile.
#[derive(Debug, Clone, Copy)]
struct Log {
    id: EmissionId,
    since: Timestamp,
    at: Instant,
}

impl Log {
    fn end(&self, how: String) -> EmissionEnd {
        let on = jiff::SignedDuration::try_from(self.at.elapsed()).unwrap_or_default();
        EmissionEnd {
            id: self.id,
            ended: self.since.saturating_add(on).unwrap_or(self.since),
            how,
        }
    }
}

/// The watch over one emission.
struct Watch {
    guard: Guard,
    log: Log,
    stop: CancellationToken,
    /// The last call to stop before this emission.
    called_before: Option<StopCall>,
    /// Cancelled when the output may not go on any more.
    lapsed: CancellationToken,
}

impl Watch {
    /// Stands until the emission is over (none), or ends it and says why. Off is tried once here; who
    /// emits goes on trying.
    async fn stand(self, mut ended: oneshot::Receiver<()>) -> Option<StationError> {
        let safety = &self.guard.post.station.safety;
        let cause = tokio::select! {
            biased;
            over = &mut ended => match over {
                Ok(()) => return None,
                // Dropped: by a panic, or by whoever does not keep to the rules.
                Err(_) => {
                    self.clear_up().await;
                    return None;
                }
            },
            reason = self.opened() => StationError::Interlock { reason },
            cause = self.told() => cause,
            () = self.stop.cancelled() => StationError::Stopped,
            () = tokio::time::sleep(safety.watch_acts()) => StationError::TooLong {
                after: safety.emission_max,
            },
            () = self.no_beat(safety.beat_max) => StationError::NoBeat {
                after: safety.beat_max,
            },
        };
        self.lapsed.cancel();
        if let Err(error) = self.guard.off_once().await {
            tracing::warn!(%error, "the output is not seen to be off yet");
        }
        Some(cause)
    }

    async fn opened(&self) -> String {
        let mut interlock = self.guard.interlock();
        loop {
            let state = interlock.borrow_and_update().clone();
            if let Some(reason) = state.opened() {
                return reason.to_owned();
            }
            if interlock.changed().await.is_err() {
                return match state {
                    InterlockState::Absent => std::future::pending().await,
                    _ => "the task that reads it has ended".to_owned(),
                };
            }
        }
    }

    /// What the keeper tells that ends an emission.
    async fn told(&self) -> StationError {
        let mut told = self.guard.post.keeper.told();
        let before = &self.called_before;
        let heard = told
            .wait_for(|told| told.gone || told.interfering.is_some() || told.stop != *before)
            .await;
        let told = match heard {
            Ok(told) => told.clone(),
            Err(_) => return StationError::KeeperGone,
        };
        match (told.stop, told.interfering) {
            (Some(call), _) if Some(&call) != before.as_ref() => {
                StationError::Called { who: call.who }
            }
            (_, Some(why)) => StationError::Interfered { why },
            _ => StationError::KeeperGone,
        }
    }

    /// Returns when the measuring has given no sign of life for too long; passes its beats on to the keeper.
    async fn no_beat(&self, beat_max: Time) {
        let beat_max = beat_max.duration();
        loop {
            let last = self.guard.last_beat();
            if last.elapsed() >= beat_max {
                return;
            }
            self.guard.post.keeper.beat();
            let next = (last + beat_max).min(Instant::now() + beat_max / BEATS);
            tokio::time::sleep_until(next).await;
        }
    }

    /// Nobody is left to end the emission.
    async fn clear_up(&self) {
        self.lapsed.cancel();
        tracing::error!("the measuring ended while the output was on; switching it off");
        if let Err(error) = self.guard.off().await {
            tracing::error!(%error, "the emission stays open in the log");
            return;
        }
        let how = "a fault in the program ended the measuring".to_owned();
        let end = self.log.end(how);
        if let Err(error) = self.guard.post.store.end_emission(&end).await {
            tracing::error!(%error, "the emission stays open in the log");
        }
    }
}
