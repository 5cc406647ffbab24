//! The keeper's socket, where other processes call for a stop, and the side that calls.
//!
//! One request to a connection, one answer, each a line of JSON. Both ends see who the other is: the user of the
//! process itself, an administrator, or a member of the group that the folder of the sockets was made for. Anybody else
//! could dismiss a keeper, or answer a call to stop in its place.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use tokio::io::BufReader;
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{mpsc, oneshot};

use super::process::switch_off;
use super::words::{Charge, hear, say};
use crate::config;
use crate::station::lock::{self, Owner};
use crate::station::run_folder::{self, run_folder};

/// The longest that a caller waits for a keeper to say that the output is off.
const STOP_MAX: Duration = Duration::from_secs(10);
/// The longest that a new keeper waits for the one before to end.
const RELIEF_MAX: Duration = Duration::from_secs(2);
/// The longest that a caller may take for its request.
const REQUEST_MAX: Duration = Duration::from_secs(1);
/// How long `stop` without any keeper goes on trying to reach the source.
const REACH_MAX: Duration = Duration::from_secs(5);

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Request {
    Stop { who: String },
    GiveWay,
}

/// A request with the way back.
pub(super) enum Question {
    Stop {
        who: String,
        answer: oneshot::Sender<Asked>,
    },
    GiveWay {
        answer: oneshot::Sender<()>,
    },
}

/// The answer to a call to stop.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Asked {
    /// Whether the output was confirmed off.
    confirmed_off: bool,
    /// Who switched it off.
    by: Option<String>,
    /// Why it was not confirmed off.
    why: Option<String>,
    /// From the call to the answer.
    took_ms: f64,
}

impl Asked {
    pub(super) fn off(by: &str, took_ms: f64) -> Self {
        Self {
            confirmed_off: true,
            by: Some(by.to_owned()),
            why: None,
            took_ms,
        }
    }

    pub(super) fn not_seen(why: String, took_ms: f64) -> Self {
        Self {
            confirmed_off: false,
            by: None,
            why: Some(why),
            took_ms,
        }
    }
}

/// A socket that is listened at; closing removes its file.
pub(super) struct Listening {
    path: PathBuf,
    task: tokio::task::JoinHandle<()>,
}

impl Listening {
    pub(super) fn close(self) {
        self.task.abort();
        // Whoever comes later sees by the lock that nobody is here.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Listens at `path` and hands every request on.
pub(super) fn listen(path: &Path, asks: mpsc::Sender<Question>) -> std::io::Result<Listening> {
    let _ = std::fs::remove_file(path);
    let listener = UnixListener::bind(path)?;
    std::fs::set_permissions(path, run_folder::file_permissions(&run_folder()))?;
    let task = tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            if !run_folder::is_trusted_peer(&stream, &run_folder()) {
                tracing::warn!("a request of another user of this machine is not heard");
                continue;
            }
            tokio::spawn(serve(stream, asks.clone()));
        }
    });
    Ok(Listening {
        path: path.to_owned(),
        task,
    })
}

async fn serve(stream: UnixStream, asks: mpsc::Sender<Question>) {
    let (from, mut to) = stream.into_split();
    let (mut from, mut partial) = (BufReader::new(from), Vec::new());
    let heard = tokio::time::timeout(REQUEST_MAX, hear(&mut from, &mut partial)).await;
    // A caller that goes away or talks nonsense gets nothing; the others are not held up by it.
    let _ = match heard {
        Ok(Ok(Some(Request::Stop { who }))) => {
            let (answer, answered) = oneshot::channel();
            let asked = asks.send(Question::Stop { who, answer }).await;
            match (asked, answered.await) {
                (Ok(()), Ok(answer)) => say(&mut to, &answer).await,
                _ => Ok(()),
            }
        }
        Ok(Ok(Some(Request::GiveWay))) => {
            let (answer, answered) = oneshot::channel();
            let asked = asks.send(Question::GiveWay { answer }).await;
            match (asked, answered.await) {
                (Ok(()), Ok(())) => say(&mut to, &true).await,
                _ => Ok(()),
            }
        }
        _ => Ok(()),
    };
}

async fn ask<R: serde::de::DeserializeOwned>(socket: &Path, request: &Request) -> Option<R> {
    let folder = run_folder();
    if !run_folder::is_socket_of(&folder, socket) {
        return None;
    }
    let stream = UnixStream::connect(socket).await.ok()?;
    if !run_folder::is_trusted_peer(&stream, &folder) {
        tracing::warn!(socket = %socket.display(), "a socket of another user of this machine is not asked");
        return None;
    }
    let (from, mut to) = stream.into_split();
    say(&mut to, request).await.ok()?;
    hear(&mut BufReader::new(from), &mut Vec::new())
        .await
        .ok()
        .flatten()
}

/// Has the keeper before this one end. True when it was still at work, so that the source may be on.
pub(super) async fn relieve(before: Option<&Path>) -> bool {
    // The path comes from a lock's file: nothing else is asked or removed by it than a socket beside that.
    let Some(before) = before.filter(|socket| run_folder::is_socket_of(&run_folder(), socket))
    else {
        return false;
    };
    let asked = ask::<bool>(before, &Request::GiveWay);
    let at_work = match tokio::time::timeout(RELIEF_MAX, asked).await {
        Ok(gave_way) => gave_way.is_some(),
        Err(_elapsed) => {
            tracing::warn!("the keeper of the program before does not answer");
            true
        }
    };
    let _ = std::fs::remove_file(before);
    at_work
}

/// What a call to stop came to.
#[derive(Debug, Clone, Serialize)]
pub struct Stopped {
    /// Whether the output was confirmed off: the source itself said so.
    pub confirmed_off: bool,
    /// Who switched it off, in words; none when nobody is known to have.
    pub by: Option<String>,
    /// Why it was not confirmed off, and what to do.
    pub why: Option<String>,
}

/// A call to stop and what it came to.
#[derive(Debug, Clone, Serialize)]
pub struct StopReport {
    /// The station.
    pub station: String,
    /// Whose run stops; none when nobody owned the station.
    pub owner: Option<Owner>,
    /// What it came to.
    #[serde(flatten)]
    pub stopped: Stopped,
    /// From the call to the answer, milliseconds.
    pub took_ms: f64,
}

impl StopReport {
    /// An owner whose keeper does not answer: only its station file tells where the source is.
    pub fn no_keeper(owner: &Owner) -> Self {
        let why = "its keeper does not answer; try `muffle stop --station FILE`, which goes to the source itself";
        Self {
            station: owner.station.clone(),
            stopped: Stopped {
                confirmed_off: false,
                by: None,
                why: Some(not_seen(Some(owner), why)),
            },
            owner: Some(owner.clone()),
            took_ms: 0.0,
        }
    }
}

/// Stops whatever transmits at `station`: through the keeper of whoever owns it, else at the source itself.
pub async fn stop(station: &config::Station, who: &str) -> StopReport {
    let begun = Instant::now();
    let owner = lock::owner(station);
    if let Some(owner) = &owner
        && let Some(report) = stop_owner(owner, who).await
        && report.stopped.confirmed_off
    {
        return report;
    }
    let outcome = switch_off(&Charge::of(station, REACH_MAX)).await;
    let stopped = match outcome {
        Ok(()) => Stopped {
            confirmed_off: true,
            by: Some("this command".to_owned()),
            why: None,
        },
        Err(why) => Stopped {
            confirmed_off: false,
            by: None,
            why: Some(not_seen(owner.as_ref(), &why)),
        },
    };
    StopReport {
        station: station.name.clone(),
        owner,
        stopped,
        took_ms: begun.elapsed().as_secs_f64() * 1e3,
    }
}

/// Stops whatever `owner` transmits, through the keeper beside it; none when that does not answer.
pub async fn stop_owner(owner: &Owner, who: &str) -> Option<StopReport> {
    let begun = Instant::now();
    let socket = owner.socket.as_deref()?;
    let request = Request::Stop {
        who: who.to_owned(),
    };
    let answer = tokio::time::timeout(STOP_MAX, ask::<Asked>(socket, &request)).await;
    let answer = answer.ok().flatten()?;
    let why = answer.why.as_deref();
    Some(StopReport {
        station: owner.station.clone(),
        stopped: Stopped {
            confirmed_off: answer.confirmed_off,
            by: answer.by,
            why: why.map(|why| not_seen(Some(owner), why)),
        },
        owner: Some(owner.clone()),
        took_ms: begun.elapsed().as_secs_f64() * 1e3,
    })
}

fn not_seen(owner: Option<&Owner>, why: &str) -> String {
    let hung = owner.map_or(String::new(), |owner| {
        format!(
            "; if the source takes one client only, process {pid} holds it: end it by `kill -9 {pid}`, and its keeper switches the source off at once",
            pid = owner.pid
        )
    });
    format!("{why}; SWITCH THE SOURCE OFF BY HAND{hung}")
}
