//! The event stream: what has happened and what each station is doing, to any number of watchers.
//!
//! One task reads new events from the store and looks at the stations, at most once in [`FEED_PAUSE`], and
//! writes each message once; watchers pass those bytes on. So a watcher costs a wake-up and a write, and the
//! measuring does not feel how many there are. A watcher that was away gets what it missed from the store, and
//! one that does not read waits in its own connection and holds up nobody.

use std::collections::{BTreeMap, VecDeque};
use std::convert::Infallible;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures_util::StreamExt;
use futures_util::future::select_all;
use futures_util::stream::unfold;
use serde_json::Value;
use tokio::sync::watch;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

use super::Problem;
use crate::daemon::{Engine, Status};
use crate::store::{EVENTS_MAX, EventRecord, Store};

/// Streams at once.
pub const WATCHERS_MAX: usize = 256;
/// The shortest time between two deliveries. The first after a quiet time is at once.
pub const FEED_PAUSE: Duration = Duration::from_millis(200);
/// The longest time without a message: whoever hears nothing for longer has lost the daemon.
pub const BEAT: Duration = Duration::from_secs(2);
/// Events that are kept ready for watchers; older ones, and those beyond it of a run of many points that is judged at
/// once, come from the store. Few enough to be held for years.
const READY_MAX: usize = 256;
/// Events a watcher gets in one go from the store.
const PAGE: u32 = 500;
/// After a fault of the store, until the next try.
const FAULT_PAUSE: Duration = Duration::from_secs(1);

/// One event, ready to be sent.
#[derive(Debug, Clone)]
struct Ready {
    id: i64,
    station: String,
    message: Bytes,
}

/// The state of one station, ready to be sent.
#[derive(Debug, Clone)]
struct Frame {
    /// Counts up with each that is different from the one before.
    version: u64,
    message: Bytes,
}

#[derive(Debug)]
struct Shared {
    store: Store,
    /// What is in [`Tail`], as a number that changes.
    beat: watch::Sender<u64>,
    tail: RwLock<Tail>,
    watchers: AtomicUsize,
    stop: CancellationToken,
}

#[derive(Debug, Default)]
struct Tail {
    /// All events after this one, and up to `newest`, are in `ready`.
    before: i64,
    newest: i64,
    ready: VecDeque<Ready>,
    frames: BTreeMap<String, Frame>,
}

/// The stream's source; clones are the same.
#[derive(Debug, Clone)]
pub(in crate::daemon) struct Feed(Arc<Shared>);

impl Feed {
    /// Starts following the engine, until `stop`.
    pub(super) fn start(engine: Engine, stop: CancellationToken) -> Self {
        let newest = *engine.news().borrow();
        let tail = Tail {
            before: newest,
            newest,
            ..Tail::default()
        };
        let shared = Arc::new(Shared {
            store: engine.store().clone(),
            beat: watch::Sender::new(0),
            tail: RwLock::new(tail),
            watchers: AtomicUsize::new(0),
            stop,
        });
        tokio::spawn(follow(engine, shared.clone()));
        Self(shared)
    }

    /// How many streams are open.
    pub(super) fn watchers(&self) -> usize {
        self.0.watchers.load(Ordering::Relaxed)
    }

    /// A stream of events after `last`, or of those to come.
    pub(super) fn watch(
        &self,
        engine: &Engine,
        station: Option<String>,
        last: Option<i64>,
    ) -> Result<Response, Problem> {
        let place = Place::take(&self.0)?;
        // What was passed on already may be newer than what the engine has noticed.
        let passed_on = self
            .0
            .tail
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .newest;
        let newest = passed_on.max(*engine.news().borrow());
        let watcher = Watcher {
            beat: self.0.beat.subscribe(),
            station,
            // A number from another store, or from before it was restored, would wait for ever.
            last: last.filter(|last| *last <= newest).unwrap_or(newest),
            seen: BTreeMap::new(),
            first: true,
            place,
        };
        let stream = unfold(watcher, |mut watcher| async move {
            let bytes = watcher.next().await?;
            Some((Ok::<_, Infallible>(bytes), watcher))
        });
        let headers = [
            (header::CONTENT_TYPE, "text/event-stream"),
            // For a proxy that would collect a stream before it passes it on.
            (header::HeaderName::from_static("x-accel-buffering"), "no"),
        ];
        Ok((headers, Body::from_stream(stream.boxed())).into_response())
    }
}

/// A place among the watchers, given back when the stream ends.
struct Place(Arc<Shared>);

impl Place {
    fn take(shared: &Arc<Shared>) -> Result<Self, Problem> {
        let before = shared.watchers.fetch_add(1, Ordering::Relaxed);
        let place = Self(shared.clone());
        match before < WATCHERS_MAX {
            true => Ok(place),
            false => Err(Problem::too_many(format!(
                "{WATCHERS_MAX} streams are open; close one"
            ))),
        }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.0.watchers.fetch_sub(1, Ordering::Relaxed);
    }
}

/// One client's stream.
struct Watcher {
    beat: watch::Receiver<u64>,
    station: Option<String>,
    last: i64,
    /// The version of each station's frame that was sent.
    seen: BTreeMap<String, u64>,
    first: bool,
    place: Place,
}

impl Watcher {
    /// What is to be sent next; none when the daemon stops.
    async fn next(&mut self) -> Option<Bytes> {
        let shared = self.place.0.clone();
        loop {
            let mut out = Vec::new();
            if std::mem::take(&mut self.first) {
                out.extend_from_slice(b"retry: 1000\n\n");
            }
            let missed = self.pass_on(&shared, &mut out);
            if missed {
                match self.catch_up(&shared.store).await {
                    Ok(bytes) => out.extend_from_slice(&bytes),
                    Err(error) => {
                        tracing::warn!(%error, "a watcher cannot be served");
                        return None;
                    }
                }
            }
            if !out.is_empty() {
                return Some(out.into());
            }
            tokio::select! {
                () = shared.stop.cancelled() => return None,
                changed = timeout(BEAT, self.beat.changed()) => match changed {
                    Ok(Ok(())) => {}
                    Ok(Err(_)) => return None,
                    Err(_) => self.seen.clear(),
                }
            }
        }
    }

    /// Adds what is ready; whether there is something older that it must fetch first.
    fn pass_on(&mut self, shared: &Shared, out: &mut Vec<u8>) -> bool {
        self.beat.borrow_and_update();
        let tail = shared.tail.read().unwrap_or_else(PoisonError::into_inner);
        let wanted = |name: &str| {
            self.station
                .as_deref()
                .is_none_or(|station| station == name)
        };
        for (name, frame) in tail.frames.iter().filter(|(name, _)| wanted(name)) {
            if self.seen.insert(name.clone(), frame.version) != Some(frame.version) {
                out.extend_from_slice(&frame.message);
            }
        }
        if self.last < tail.before {
            return true;
        }
        let from = tail.ready.partition_point(|event| event.id <= self.last);
        for event in tail
            .ready
            .range(from..)
            .filter(|event| wanted(&event.station))
        {
            out.extend_from_slice(&event.message);
        }
        self.last = self.last.max(tail.newest);
        false
    }

    /// The next page of what it missed, from the store.
    async fn catch_up(&mut self, store: &Store) -> Result<Bytes, crate::store::StoreError> {
        let events = store
            .events_after(self.station.as_deref(), self.last, PAGE)
            .await?;
        let mut out = Vec::new();
        for event in &events {
            self.last = event.id;
            out.extend_from_slice(&message(event));
        }
        if events.len() < PAGE as usize {
            let tail = self
                .place
                .0
                .tail
                .read()
                .unwrap_or_else(PoisonError::into_inner);
            self.last = self.last.max(tail.before);
        }
        // Even nothing is an answer: there were none of this station.
        if out.is_empty() {
            out.extend_from_slice(b":\n\n");
        }
        Ok(out.into())
    }
}

/// Reads what is new and keeps it ready.
async fn follow(engine: Engine, shared: Arc<Shared>) {
    let mut news = engine.news();
    let stations = engine.stations();
    let watched = stations.iter().filter_map(|name| engine.status(name).ok());
    let mut statuses: Vec<watch::Receiver<Arc<Status>>> = watched.collect();
    loop {
        // All of them: to wait for a change is to have seen it. Those that are as before are not sent again.
        let frames: Vec<(String, Bytes)> = statuses
            .iter_mut()
            .map(|status| {
                let status = status.borrow_and_update();
                (status.station.clone(), frame(&status))
            })
            .collect();
        news.borrow_and_update();
        let events = match new_events(&shared).await {
            Ok(events) => events,
            Err(error) => {
                tracing::warn!(%error, "events cannot be read");
                tokio::time::sleep(FAULT_PAUSE).await;
                news.mark_changed();
                Vec::new()
            }
        };
        if keep(&shared, frames, events) {
            shared.beat.send_modify(|beat| *beat = beat.wrapping_add(1));
        }
        tokio::select! {
            () = shared.stop.cancelled() => return,
            () = tokio::time::sleep(FEED_PAUSE) => {}
        }
        let changed = statuses.iter_mut().map(|status| Box::pin(status.changed()));
        let changed: Vec<_> = changed.collect();
        tokio::select! {
            () = shared.stop.cancelled() => return,
            changed = news.changed() => if changed.is_err() { return },
            _ = select_all(changed), if !stations.is_empty() => {}
        }
    }
}

async fn new_events(shared: &Shared) -> Result<Vec<Ready>, crate::store::StoreError> {
    let mut last = shared
        .tail
        .read()
        .unwrap_or_else(PoisonError::into_inner)
        .newest;
    let mut ready = Vec::new();
    loop {
        let events = shared.store.events_after(None, last, EVENTS_MAX).await?;
        ready.extend(events.iter().map(|event| Ready {
            id: event.id,
            station: event.station.clone(),
            message: message(event),
        }));
        match events.last() {
            Some(event) if events.len() == EVENTS_MAX as usize => last = event.id,
            _ => return Ok(ready),
        }
        // What is too much to keep ready comes from the store.
        let excess = ready.len().saturating_sub(READY_MAX + 1);
        ready.drain(..excess);
    }
}

/// Puts what is new where watchers find it; whether there was anything.
fn keep(shared: &Shared, frames: Vec<(String, Bytes)>, events: Vec<Ready>) -> bool {
    let mut tail = shared.tail.write().unwrap_or_else(PoisonError::into_inner);
    let mut new = !events.is_empty();
    if let (Some(first), Some(last)) = (events.first(), events.last()) {
        // A gap is left where more came than is kept ready.
        if events.len() > READY_MAX {
            tail.ready.clear();
            tail.before = first.id;
        }
        tail.newest = last.id;
    }
    tail.ready.extend(events);
    while tail.ready.len() > READY_MAX {
        if let Some(oldest) = tail.ready.pop_front() {
            tail.before = tail.before.max(oldest.id);
        }
    }
    for (station, message) in frames {
        let before = tail.frames.get(&station);
        if before.is_some_and(|before| before.message == message) {
            continue;
        }
        let version = before.map_or(1, |before| before.version + 1);
        tail.frames.insert(station, Frame { version, message });
        new = true;
    }
    new
}

/// A status as a message, with no trace: who wants that asks for it. Its time says when the trace was new.
fn frame(status: &Status) -> Bytes {
    let light = Status {
        live: None,
        ..status.clone()
    };
    let mut data = serde_json::to_value(light).unwrap_or(Value::Null);
    if let Value::Object(members) = &mut data {
        members.remove("live");
    }
    format!("event: status\ndata: {data}\n\n").into()
}

/// JSON has no line breaks of its own, so one `data` line holds it.
fn message(event: &EventRecord) -> Bytes {
    let data = serde_json::to_value(event).unwrap_or(Value::Null);
    let message = format!("id: {}\ndata: {data}\n\n", event.id);
    // Kept for a while: without the room that the text had to grow.
    message.into_bytes().into_boxed_slice().into()
}
