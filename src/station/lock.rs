//! Who owns which instrument of this machine: two processes can never drive one source or one receiver.
//!
//! An owner holds a lock of the operating system (`flock`) on a file named after the instrument's address,
//! and the lock goes with the process however it ends: there are no stale locks, only files nobody holds.
//! In the file stands who the owner is, and where the keeper beside it can be asked. The folder is the same for
//! all users of the machine, which `XDG_RUNTIME_DIR` is not: a service and a person at the terminal must
//! see each other. An instrument that has two addresses (a socket and HiSLIP) is two as far as this can tell.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::StationError;
use crate::config::{self, Address};
use crate::store::sha256_hex;

/// The folder of the locks, where it is to be another than [`run_folder`] says.
const FOLDER_VARIABLE: &str = "MUFFLE_RUN_DIR";
/// Letters of a checksum that name a lock; the address itself may hold any.
const KEY_CHARS: usize = 16;
/// The longest an owner may be described.
const OWNER_BYTES_MAX: u64 = 16 << 10;
/// The longest command that is shown.
const COMMAND_CHARS_MAX: usize = 200;
/// Attempts at a lock that its last owner lets go at that moment, or that somebody just looks at.
const RACES_MAX: u32 = 10;
/// The wait between two such attempts.
const RACE_WAIT: Duration = Duration::from_millis(5);

/// A process that owns an instrument.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Owner {
    /// Its process id.
    pub pid: u32,
    /// What it was started as.
    pub command: String,
    /// Who started it.
    pub user: String,
    /// Since when it owns the instrument.
    pub since: Timestamp,
    /// The station's name.
    pub station: String,
    /// Where the keeper beside it is asked; none for a process that transmits nothing.
    pub socket: Option<PathBuf>,
}

impl Owner {
    /// This process.
    pub fn this_process(station: &str) -> Self {
        let words: Vec<_> = std::env::args().collect();
        let command = words.join(" ").chars().take(COMMAND_CHARS_MAX).collect();
        Self {
            pid: std::process::id(),
            command,
            user: user(),
            since: Timestamp::now(),
            station: station.to_owned(),
            socket: None,
        }
    }
}

impl std::fmt::Display for Owner {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "process {} (`{}`, started by {}, since {:.0})",
            self.pid, self.command, self.user, self.since
        )
    }
}

/// The name of whoever runs this process.
pub fn user() -> String {
    let named = ["USER", "LOGNAME"]
        .into_iter()
        .find_map(|name| std::env::var(name).ok());
    named.unwrap_or_else(|| format!("user {}", rustix::process::getuid().as_raw()))
}

/// Where locks and sockets are: `MUFFLE_RUN_DIR`, else a folder that all users of this machine share.
pub fn run_folder() -> PathBuf {
    match std::env::var_os(FOLDER_VARIABLE) {
        Some(folder) if !folder.is_empty() => PathBuf::from(folder),
        _ => std::env::temp_dir().join("muffle"),
    }
}

/// A held lock on one instrument; it goes with this value, or with the process.
#[derive(Debug)]
pub struct InstrumentLock {
    path: PathBuf,
    file: File,
    /// Who held it last, where the file was still there.
    pub(super) before: Option<Owner>,
}

impl InstrumentLock {
    /// Takes the lock on the instrument at `address`, or says who has it.
    pub fn take(
        role: &'static str,
        address: &Address,
        owner: &Owner,
    ) -> Result<Self, StationError> {
        let path = lock_path(address);
        let taken = take(&path).map_err(|cause| StationError::Lock {
            path: path.clone(),
            cause,
        })?;
        let Some(mut file) = taken else {
            return Err(StationError::Owned {
                role,
                address: address.to_string(),
                owner: read_owner(&path).map(Box::new),
            });
        };
        let before = owner_in(&mut file);
        let written = write_owner(&mut file, owner);
        written.map_err(|cause| StationError::Lock {
            path: path.clone(),
            cause,
        })?;
        Ok(Self { path, file, before })
    }
}

impl Drop for InstrumentLock {
    fn drop(&mut self) {
        // Under the lock, so that nobody has taken it meanwhile; what is left behind does no harm.
        let _ = std::fs::remove_file(&self.path);
        let _ = self.file.unlock();
    }
}

/// Whoever owns the source of `station`; none when nobody does.
pub fn owner(station: &config::Station) -> Option<Owner> {
    held_owner(&lock_path(&station.source.address))
}

/// Everybody who owns something on this machine, each once.
pub fn owners() -> Vec<Owner> {
    // A folder that is not there holds no locks.
    let entries = std::fs::read_dir(run_folder())
        .into_iter()
        .flatten()
        .flatten();
    let mut owners: Vec<Owner> = Vec::new();
    for path in entries.map(|entry| entry.path()) {
        if path.extension().is_some_and(|ending| ending == "lock")
            && let Some(owner) = held_owner(&path)
            && !owners
                .iter()
                .any(|known| known.pid == owner.pid && known.socket == owner.socket)
        {
            owners.push(owner);
        }
    }
    owners
}

/// A socket for a new keeper beside this process, for the instrument at `address`.
pub(super) fn socket_path(address: &Address) -> PathBuf {
    // Each with a name of its own: what another user's process left behind cannot be removed, and a keeper that
    // ends late must not remove the socket of the next one.
    static KEEPERS: AtomicU32 = AtomicU32::new(0);
    let number = KEEPERS.fetch_add(1, Ordering::Relaxed);
    let name = format!("{}.{}.{number}.sock", key(address), std::process::id());
    run_folder().join(name)
}

fn lock_path(address: &Address) -> PathBuf {
    run_folder().join(format!("{}.lock", key(address)))
}

/// One name for all ways to write the address of a device.
fn key(address: &Address) -> String {
    let name = match address {
        Address::Serial(line) => device(&line.path),
        Address::Usbtmc { path } => device(path),
        other => other.to_string().to_lowercase(),
    };
    let mut key = sha256_hex(name.as_bytes());
    key.truncate(KEY_CHARS);
    key
}

/// `/dev/serial/by-id/…` is a link to the device itself.
fn device(path: &str) -> String {
    std::fs::canonicalize(path)
        .map(|path| path.display().to_string())
        .unwrap_or_else(|_| path.to_owned())
}

/// The locked file; none when somebody else has it.
fn take(path: &Path) -> io::Result<Option<File>> {
    make_folder(path)?;
    for _ in 0..RACES_MAX {
        let file = open(path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                std::thread::sleep(RACE_WAIT);
                continue;
            }
            Err(TryLockError::Error(error)) => return Err(error),
        }
        // Its last owner may have removed it between the opening and the locking.
        let same = |on_disk: std::fs::Metadata| -> io::Result<bool> {
            Ok(on_disk.ino() == file.metadata()?.ino())
        };
        if std::fs::metadata(path).and_then(same).unwrap_or(false) {
            return Ok(Some(file));
        }
    }
    Ok(None)
}

/// The folder, open to all users as `/tmp` is.
fn make_folder(path: &Path) -> io::Result<()> {
    let Some(folder) = path.parent().filter(|folder| !folder.is_dir()) else {
        return Ok(());
    };
    std::fs::create_dir_all(folder)?;
    std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o1777))
}

/// Without creating it first: in a folder of all users the kernel refuses to create what is another's.
fn open(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    // A link that somebody put in its place would have the file behind it overwritten.
    let no_link = rustix::fs::OFlags::NOFOLLOW.bits().cast_signed();
    options.read(true).write(true).custom_flags(no_link);
    match options.open(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let file = options.create(true).truncate(false).open(path)?;
            // Whatever the mask of this user: the next owner may be another.
            file.set_permissions(std::fs::Permissions::from_mode(0o666))?;
            Ok(file)
        }
        opened => opened,
    }
}

fn write_owner(file: &mut File, owner: &Owner) -> io::Result<()> {
    let line = serde_json::to_string(owner).map_err(io::Error::from)?;
    file.rewind()?;
    file.set_len(0)?;
    file.write_all(line.as_bytes())
}

fn read_owner(path: &Path) -> Option<Owner> {
    owner_in(&mut File::open(path).ok()?)
}

fn owner_in(file: &mut File) -> Option<Owner> {
    let mut text = String::new();
    file.rewind().ok()?;
    file.take(OWNER_BYTES_MAX).read_to_string(&mut text).ok()?;
    serde_json::from_str(&text).ok()
}

/// Who holds the lock on `path`; none when nobody does.
fn held_owner(path: &Path) -> Option<Owner> {
    // For the time of this look it is locked for shared use, which an owner's attempt would meet.
    let mut file = File::open(path).ok()?;
    match file.try_lock_shared() {
        Err(TryLockError::WouldBlock) => owner_in(&mut file),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(port: u16) -> Address {
        format!("tcp://lock.example:{port}")
            .parse()
            .expect("an address")
    }

    #[test]
    fn a_lock_is_held_once_and_says_by_whom() {
        let here = Owner::this_process("bay one");
        let held = InstrumentLock::take("source", &address(1), &here).expect("free");
        assert_eq!(held_owner(&lock_path(&address(1))), Some(here.clone()));
        assert!(owners().contains(&here));
        let refused = InstrumentLock::take("source", &address(1), &here).expect_err("held");
        let said = refused.to_string();
        let pid = std::process::id().to_string();
        assert!(
            said.contains(&pid) && said.contains("muffle stop"),
            "{said}"
        );
        InstrumentLock::take("source", &address(2), &here).expect("another instrument");
        drop(held);
        assert_eq!(held_owner(&lock_path(&address(1))), None);
        InstrumentLock::take("source", &address(1), &here).expect("free again");
    }

    #[test]
    fn a_file_that_nobody_holds_is_no_lock() {
        let here = Owner::this_process("bay one");
        let path = lock_path(&address(3));
        make_folder(&path).expect("a folder");
        let text = serde_json::to_string(&here).expect("JSON");
        std::fs::write(&path, text).expect("left behind");
        assert_eq!(held_owner(&path), None);
        let taken = InstrumentLock::take("source", &address(3), &here).expect("free");
        assert_eq!(taken.before, Some(here));
    }

    #[test]
    fn a_device_has_one_lock_whatever_it_is_called() {
        let folder = tempfile::tempdir().expect("a folder");
        let (device, link) = (folder.path().join("ttyUSB0"), folder.path().join("by-id"));
        std::fs::write(&device, "").expect("a file");
        std::os::unix::fs::symlink(&device, &link).expect("a link");
        let key_of = |path: &Path, rest: &str| {
            let text = format!("serial://{}{rest}", path.display());
            key(&text.parse().expect("an address"))
        };
        assert_eq!(key_of(&device, ""), key_of(&link, "?baud=9600"));
        assert_ne!(key(&address(1)), key(&address(2)));
        let upper: Address = "tcp://LOCK.example:1".parse().expect("an address");
        assert_eq!(key(&upper), key(&address(1)));
    }
}
