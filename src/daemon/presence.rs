//! Says that a daemon works from a store, and where it can be reached.
//!
//! A file beside the store, under a lock of the operating system that goes with the process however it ends:
//! there is no stale one. Two daemons never work from one store, and whoever wants to measure finds out that
//! there is a queue to put it into.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::DaemonError;

/// The longest such file.
const BYTES_MAX: u64 = 64 << 10;

/// Attempts at a lock that somebody just looks at.
const RACES_MAX: u32 = 10;
/// The wait between two.
const RACE_WAIT: Duration = Duration::from_millis(5);

/// A daemon at work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Presence {
    /// Its process id.
    pub pid: u32,
    /// Since when.
    pub since: Timestamp,
    /// The names of its stations.
    pub stations: Vec<String>,
    /// Addresses of its page.
    pub pages: Vec<String>,
}

/// Held for as long as the daemon works.
#[derive(Debug)]
pub struct Claim {
    _held: File,
}

impl Claim {
    /// Claims a store for this daemon.
    pub fn take(store: &Path, presence: &Presence) -> Result<Self, DaemonError> {
        let path = beside(store);
        let system = |cause: io::Error| DaemonError::System {
            doing: format!("write {}", path.display()),
            cause,
        };
        let mut options = OpenOptions::new();
        options.create(true).truncate(false).read(true).write(true);
        let mut file = options.open(&path).map_err(system)?;
        let mut races_left = RACES_MAX;
        let locked = loop {
            match file.try_lock() {
                Err(TryLockError::WouldBlock) if races_left > 0 => races_left -= 1,
                locked => break locked,
            }
            std::thread::sleep(RACE_WAIT);
        };
        match locked {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(DaemonError::Claimed {
                    store: store.to_owned(),
                    by: read(&mut file).map_or("another process".to_owned(), |presence| {
                        format!("process {}, since {:.0}", presence.pid, presence.since)
                    }),
                });
            }
            Err(TryLockError::Error(cause)) => return Err(system(cause)),
        }
        let text = serde_json::to_vec(presence).map_err(|error| system(error.into()))?;
        file.set_len(0)
            .and_then(|()| file.write_all(&text))
            .map_err(system)?;
        Ok(Self { _held: file })
    }
}

impl Presence {
    /// The daemon that works from a store now, if there is one.
    pub fn of(store: &Path) -> Option<Self> {
        let mut file = File::open(beside(store)).ok()?;
        match file.try_lock_shared() {
            // Nobody holds it, so nobody is there.
            Ok(()) => None,
            Err(_) => read(&mut file),
        }
    }
}

fn read(file: &mut File) -> Option<Presence> {
    let mut text = String::new();
    file.rewind().ok()?;
    file.take(BYTES_MAX).read_to_string(&mut text).ok()?;
    serde_json::from_str(&text).ok()
}

fn beside(store: &Path) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(".serving");
    PathBuf::from(name)
}
