//! Who owns which instrument of this machine: two processes can never drive one source or one receiver.
//!
//! An owner holds locks of the operating system (`flock`) on files named after where the instrument is (the addresses
//! that its host's name resolves to, so that `localhost` and `127.0.0.1` are one) and, once it has said who it is, after
//! the instrument itself. They go with the process however it ends: there are no stale locks, only files nobody holds.
//! In the file stands who the owner is, and where the keeper beside it can be asked. The files lie in a folder of the
//! user or of a group; what keeps other users of the machine from the same instrument is a name in the abstract
//! namespace of sockets (unix(7)): the kernel gives each away once, and nobody can remove it. An instrument of two addresses (a socket and HiSLIP) is one by its serial number, but behind an
//! address of this machine, where simulators and tunnels all give the same: there the address alone counts.

use std::fs::{File, Metadata, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::net::{IpAddr, ToSocketAddrs, UdpSocket};
use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::os::unix::net::{SocketAddr, UnixListener};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::StationError;
use super::run_folder::{self, run_folder};
use crate::config::{self, Address, Identity};
use crate::store::sha256_hex;

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

/// A held lock on one instrument; it goes with this value, or with the process.
#[derive(Debug)]
pub struct InstrumentLock {
    held: Vec<HeldLock>,
    /// Who held it last, where a file was still there.
    pub(super) before: Option<Owner>,
}

#[derive(Debug)]
struct HeldLock {
    path: PathBuf,
    file: File,
    /// The name that other users of this machine meet.
    _name: UnixListener,
}

impl InstrumentLock {
    /// Takes the lock on the instrument at `address`, or says who has it.
    pub fn take(
        role: &'static str,
        address: &Address,
        owner: &Owner,
    ) -> Result<Self, StationError> {
        Self::take_all(role, address, lock_paths(address), owner)
    }

    /// Takes the lock on the instrument itself, by who it says it is, or says who has it. None where that does not
    /// tell it from others.
    pub fn take_instrument(
        role: &'static str,
        (address, identity): (&Address, &str),
        owner: &Owner,
    ) -> Result<Option<Self>, StationError> {
        let identity = Identity::of(identity);
        if identity.serial().is_none() || is_of_this_machine(address) {
            return Ok(None);
        }
        let path = path_of(&format!("instrument {}", identity.instrument()));
        Self::take_all(role, address, vec![path], owner).map(Some)
    }

    fn take_all(
        role: &'static str,
        address: &Address,
        paths: Vec<PathBuf>,
        owner: &Owner,
    ) -> Result<Self, StationError> {
        let mut lock = Self {
            held: Vec::new(),
            before: None,
        };
        for path in paths {
            let fault = |cause| StationError::Lock {
                path: path.clone(),
                cause,
            };
            let owned = |owner: Option<Owner>| StationError::Owned {
                role,
                address: address.to_string(),
                owner: owner.map(Box::new),
            };
            let Some(mut file) = take(&path).map_err(fault)? else {
                return Err(owned(read_owner(&path)));
            };
            let name = match take_name(&path) {
                Ok(name) => name,
                Err(error) if error.kind() == io::ErrorKind::AddrInUse => return Err(owned(None)),
                Err(error) => return Err(fault(error)),
            };
            lock.before = lock.before.take().or(owner_in(&mut file));
            write_owner(&mut file, owner).map_err(fault)?;
            lock.held.push(HeldLock {
                path,
                file,
                _name: name,
            });
        }
        Ok(lock)
    }

    /// Sees that the lock's files are still those that were locked: where one was removed, another process of this
    /// user could own the instrument, too.
    pub fn check(&self) -> Result<(), StationError> {
        let lost = self
            .held
            .iter()
            .find(|held| !is_same(&held.path, &held.file));
        match lost {
            None => Ok(()),
            Some(held) => Err(StationError::LockLost {
                path: held.path.clone(),
            }),
        }
    }
}

impl Drop for InstrumentLock {
    fn drop(&mut self) {
        for held in &self.held {
            // Under the lock, so that nobody has taken it meanwhile; what is left behind does no harm. One that was
            // put in its place is another's.
            if is_same(&held.path, &held.file) {
                let _ = std::fs::remove_file(&held.path);
            }
            let _ = held.file.unlock();
        }
    }
}

/// Whoever owns the source of `station`; none when nobody does.
pub fn owner(station: &config::Station) -> Option<Owner> {
    let paths = lock_paths(&station.source.address);
    paths.iter().find_map(|path| held_owner(path))
}

/// Everybody who owns something on this machine, each once.
pub fn owners() -> Vec<Owner> {
    let folder = run_folder();
    // A folder that is not there holds no locks, and one that everybody writes to none that can be believed.
    let entries = run_folder::is_trusted(&folder).then(|| std::fs::read_dir(&folder));
    let entries = entries.into_iter().flatten().flatten().flatten();
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
    let first = names(address).into_iter().next().unwrap_or_default();
    let name = format!("{}.{}.{number}.sock", key(&first), std::process::id());
    run_folder().join(name)
}

/// The files of the locks on whatever is at an address, always in the same order.
fn lock_paths(address: &Address) -> Vec<PathBuf> {
    names(address).iter().map(|name| path_of(name)).collect()
}

fn path_of(name: &str) -> PathBuf {
    run_folder().join(format!("{}.lock", key(name)))
}

fn key(name: &str) -> String {
    let mut key = sha256_hex(name.as_bytes());
    key.truncate(KEY_CHARS);
    key
}

/// One name for all ways to write where a device is; several where a host has several addresses.
fn names(address: &Address) -> Vec<String> {
    let (host, behind) = match address {
        Address::Serial(line) => return vec![device(&line.path)],
        Address::Usbtmc { path } => return vec![device(path)],
        Address::Tcp { host, port } => (host, format!("tcp {port}")),
        Address::Hislip {
            host,
            port,
            sub_address,
        } => (
            host,
            format!("hislip {port} {}", sub_address.to_lowercase()),
        ),
        Address::Vxi11 { host, device, port } => {
            (host, format!("vxi11 {port:?} {}", device.to_lowercase()))
        }
    };
    let mut names: Vec<String> = hosts(host)
        .into_iter()
        .map(|host| format!("{host} {behind}"))
        .collect();
    names.sort();
    names.dedup();
    names
}

/// What a host's name resolves to, all addresses of this machine as one; the name where nothing knows it.
fn hosts(host: &str) -> Vec<String> {
    let Ok(found) = (host, 0).to_socket_addrs() else {
        return vec![host.to_lowercase()];
    };
    let name = |address: IpAddr| match is_here(address) {
        true => "here".to_owned(),
        false => address.to_string(),
    };
    found.map(|found| name(found.ip().to_canonical())).collect()
}

/// Whether an address is one of this machine's own: only to those can a socket be bound.
fn is_here(address: IpAddr) -> bool {
    address.is_loopback() || UdpSocket::bind((address, 0)).is_ok()
}

/// Whether what is there is reached within this machine: a simulator, or a tunnel.
fn is_of_this_machine(address: &Address) -> bool {
    match address {
        Address::Tcp { host, .. } | Address::Hislip { host, .. } | Address::Vxi11 { host, .. } => {
            hosts(host).iter().any(|host| host == "here")
        }
        // A pseudo-terminal has a program at its other end.
        Address::Serial(line) => device(&line.path).starts_with("/dev/pts/"),
        Address::Usbtmc { .. } => false,
    }
}

/// Whether two addresses lead to one place.
pub(super) fn is_one_place(one: &Address, other: &Address) -> bool {
    let others = names(other);
    names(one).iter().any(|name| others.contains(name))
}

/// `/dev/serial/by-id/…` is a link to the device itself.
fn device(path: &str) -> String {
    std::fs::canonicalize(path)
        .map(|path| path.display().to_string())
        .unwrap_or_else(|_| path.to_owned())
}

/// The locked file; none when somebody else has it.
fn take(path: &Path) -> io::Result<Option<File>> {
    run_folder::make(&run_folder())?;
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
        if is_same(path, &file) {
            return Ok(Some(file));
        }
    }
    Ok(None)
}

/// Whether the file at `path` is this open one.
fn is_same(path: &Path, file: &File) -> bool {
    let place = |of: Metadata| (of.dev(), of.ino());
    let there = std::fs::symlink_metadata(path).map(place);
    let held = file.metadata().map(place);
    there.is_ok_and(|there| held.is_ok_and(|held| there == held))
}

/// Takes the name that stands for a lock on the whole machine; it goes with the value, or with the process.
fn take_name(path: &Path) -> io::Result<UnixListener> {
    let key = path.file_stem().unwrap_or_default();
    let name = [b"muffle ", key.as_bytes()].concat();
    UnixListener::bind_addr(&SocketAddr::from_abstract_name(name)?)
}

/// Without creating it first: the kernel may refuse to create what is another's.
fn open(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    // A link that somebody put in its place would have the file behind it overwritten.
    let no_link = rustix::fs::OFlags::NOFOLLOW.bits().cast_signed();
    options.read(true).write(true).custom_flags(no_link);
    match options.open(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let file = options.create(true).truncate(false).open(path)?;
            // Whatever the mask of this user: the next owner may be another of the group.
            file.set_permissions(run_folder::file_permissions(&run_folder()))?;
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

    #[test]
    fn a_lock_whose_file_was_removed_is_lost_and_still_nobody_elses() {
        let here = owner_of("removed");
        let held = InstrumentLock::take("source", &address(4), &here).expect("free");
        held.check().expect("whole");
        std::fs::remove_file(path_at(4)).expect("removed by a cleaner");
        let said = held.check().expect_err("lost").to_string();
        assert!(said.contains("was removed"), "{said}");
        // A second process that finds no file meets the name.
        InstrumentLock::take("source", &address(4), &here).expect_err("still held");
        // Whoever put a file in its place keeps it.
        std::fs::write(path_at(4), "another's").expect("written");
        held.check().expect_err("another file");
        drop(held);
        assert!(path_at(4).exists());
        InstrumentLock::take("source", &address(4), &here).expect("free again");
    }

    fn address(port: u16) -> Address {
        format!("tcp://lock.example:{port}")
            .parse()
            .expect("an address")
    }

    /// With a socket, by which [`owners`] tells the owners of one process apart.
    fn owner_of(name: &str) -> Owner {
        Owner {
            socket: Some(PathBuf::from(name)),
            ..Owner::this_process("bay one")
        }
    }

    fn path_at(port: u16) -> PathBuf {
        let mut paths = lock_paths(&address(port));
        paths.pop().expect("a path")
    }

    #[test]
    fn a_host_is_one_by_all_its_names() {
        let at =
            |host: &str| -> Address { format!("tcp://{host}:65001").parse().expect("an address") };
        let here = owner_of("aliases");
        let _held = InstrumentLock::take("source", &at("localhost"), &here).expect("free");
        for alias in ["127.0.0.1", "127.0.0.2", "[::1]", "LocalHost"] {
            assert!(is_one_place(&at("localhost"), &at(alias)), "{alias}");
            InstrumentLock::take("source", &at(alias), &here).expect_err(alias);
        }
        assert!(!is_one_place(&at("localhost"), &at("192.0.2.1")));
    }

    #[test]
    fn an_instrument_is_one_at_all_its_addresses() {
        let here = owner_of("serials");
        let at = |text: &str| -> Address { text.parse().expect("an address") };
        let (raw, hislip) = (at("tcp://192.0.2.7:5025"), at("hislip://192.0.2.7"));
        let take = |address, identity| {
            InstrumentLock::take_instrument("source", (address, identity), &here)
        };
        let _held = take(&raw, "Nobody,SG-1,0042,1.0").expect("free");
        take(&hislip, "Nobody,SG-1,0042,2.0").expect_err("the same");
        let other = take(&hislip, "Nobody,SG-1,0043,1.0").expect("another");
        assert!(other.is_some());
        // Without a serial number nothing tells one from another.
        assert!(take(&raw, "Nobody,SG-1,0,1.0").expect("any").is_none());
        let simulated = at("tcp://127.0.0.1:5025");
        assert!(
            take(&simulated, "Nobody,SG-1,0042,1.0")
                .expect("any")
                .is_none()
        );
    }

    #[test]
    fn a_lock_is_held_once_and_says_by_whom() {
        let here = owner_of("once");
        let held = InstrumentLock::take("source", &address(1), &here).expect("free");
        assert_eq!(held_owner(&path_at(1)), Some(here.clone()));
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
        assert_eq!(held_owner(&path_at(1)), None);
        InstrumentLock::take("source", &address(1), &here).expect("free again");
    }

    #[test]
    fn a_file_that_nobody_holds_is_no_lock() {
        let here = owner_of("nobody");
        let path = path_at(3);
        run_folder::make(&run_folder()).expect("a folder");
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
            names(&text.parse().expect("an address"))
        };
        assert_eq!(key_of(&device, ""), key_of(&link, "?baud=9600"));
        assert_ne!(names(&address(1)), names(&address(2)));
        let upper: Address = "tcp://LOCK.example:1".parse().expect("an address");
        assert_eq!(names(&upper), names(&address(1)));
    }
}
