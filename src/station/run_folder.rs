//! The folder of locks and sockets: one that nobody else writes to or cleans.
//!
//! What lies in it is believed: who owns an instrument, where a keeper is asked to stop or to give way. So it is this
//! user's alone, or a group's that the administrator made for it. A folder for temporary files would be neither.

use std::fs::{DirBuilder, Metadata, Permissions};
use std::io;
use std::os::unix::fs::{DirBuilderExt, FileTypeExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};

use tokio::net::UnixStream;

/// Names the folder, where it is to be another.
const FOLDER_VARIABLE: &str = "MUFFLE_RUN_DIR";
/// Where a service of the machine keeps it; whoever may write there shares it.
const OF_THE_MACHINE: &str = "/run/muffle";
const WORLD_WRITABLE: u32 = 0o002;
const GROUP_WRITABLE: u32 = 0o020;

/// Where locks and sockets are: `MUFFLE_RUN_DIR`; what systemd made for the service; `/run/muffle` for those who may
/// write there; else a folder of this user's own.
pub fn run_folder() -> PathBuf {
    let named = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
    if let Some(folder) = named(FOLDER_VARIABLE) {
        return PathBuf::from(folder);
    }
    if let Some(folders) = named("RUNTIME_DIRECTORY")
        && let Some(first) = std::env::split_paths(&folders).next()
    {
        return first;
    }
    let of_the_machine = Path::new(OF_THE_MACHINE);
    let is_writable = || rustix::fs::access(of_the_machine, rustix::fs::Access::WRITE_OK).is_ok();
    if is_root() || is_writable() {
        return of_the_machine.to_owned();
    }
    if let Some(folder) = named("XDG_RUNTIME_DIR") {
        return PathBuf::from(folder).join("muffle");
    }
    let state = named("XDG_STATE_HOME").map(PathBuf::from);
    let home = || named("HOME").map(|home| PathBuf::from(home).join(".local/state"));
    let state = state.or_else(home).unwrap_or_else(|| PathBuf::from("."));
    state.join("muffle/run")
}

/// Makes the folder if it is not there, and sees that what lies in it can be believed.
pub(super) fn make(folder: &Path) -> io::Result<()> {
    if !folder.exists() {
        let made = DirBuilder::new().recursive(true).mode(0o700).create(folder);
        // Another process may have been faster.
        made.or_else(|error| if folder.is_dir() { Ok(()) } else { Err(error) })?;
    }
    check(&std::fs::symlink_metadata(folder)?).map_err(io::Error::other)
}

/// Whether what lies in the folder can be believed: it is the user's or an administrator's, and not everybody's.
pub(super) fn is_trusted(folder: &Path) -> bool {
    std::fs::symlink_metadata(folder).is_ok_and(|of| check(&of).is_ok())
}

fn check(of: &Metadata) -> Result<(), &'static str> {
    if !of.is_dir() {
        return Err("it is no folder");
    }
    if of.mode() & WORLD_WRITABLE != 0 {
        return Err("everybody may write to it, so that nothing in it can be believed (chmod o-w)");
    }
    let is_own = of.uid() == me() || of.uid() == 0;
    // Whose members share the stations of this machine.
    let is_shared = of.mode() & GROUP_WRITABLE != 0;
    if is_own || is_shared {
        Ok(())
    } else {
        Err("it belongs to another user")
    }
}

/// The permissions of a file in the folder: the group's too where the folder is.
pub(super) fn file_permissions(folder: &Path) -> Permissions {
    let of_group = std::fs::metadata(folder).is_ok_and(|of| of.mode() & GROUP_WRITABLE != 0);
    Permissions::from_mode(if of_group { 0o660 } else { 0o600 })
}

/// Whether a path read from a lock's file is a socket of this folder, which may be connected to and removed.
pub(super) fn is_socket_of(folder: &Path, path: &Path) -> bool {
    let lies_in = path.parent() == Some(folder) && path.file_name().is_some();
    let is_socket = || std::fs::symlink_metadata(path).is_ok_and(|of| of.file_type().is_socket());
    lies_in && is_trusted(folder) && is_socket()
}

/// Whether whoever is at the other end may be listened to: this user, an administrator, or a member of the group that
/// the folder was made for.
pub(super) fn is_trusted_peer(stream: &UnixStream, folder: &Path) -> bool {
    let Ok(peer) = stream.peer_cred() else {
        return false;
    };
    let of_group = std::fs::metadata(folder).is_ok_and(|of| of.mode() & GROUP_WRITABLE != 0);
    // In a folder of a group the socket's own permissions keep the others out.
    peer.uid() == me() || peer.uid() == 0 || of_group && is_trusted(folder)
}

fn me() -> u32 {
    rustix::process::geteuid().as_raw()
}

fn is_root() -> bool {
    me() == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with_mode(mode: u32) -> (tempfile::TempDir, PathBuf) {
        let outer = tempfile::tempdir().expect("a folder");
        let folder = outer.path().join("run");
        std::fs::create_dir(&folder).expect("a folder");
        std::fs::set_permissions(&folder, Permissions::from_mode(mode)).expect("mode");
        (outer, folder)
    }

    #[test]
    fn a_folder_that_everybody_writes_to_is_not_believed() {
        for (mode, believed) in [
            (0o700, true),
            (0o770, true),
            (0o777, false),
            (0o1777, false),
        ] {
            let (_outer, folder) = with_mode(mode);
            assert_eq!(make(&folder).is_ok(), believed, "{mode:o}");
            assert_eq!(is_trusted(&folder), believed, "{mode:o}");
        }
    }

    #[test]
    fn a_new_folder_is_private() {
        let outer = tempfile::tempdir().expect("a folder");
        let folder = outer.path().join("one/two");
        make(&folder).expect("made");
        let mode = std::fs::metadata(&folder).expect("there").mode();
        assert_eq!(mode & 0o777, 0o700);
        assert_eq!(file_permissions(&folder).mode(), 0o600);
        let link = outer.path().join("link");
        std::os::unix::fs::symlink(&folder, &link).expect("a link");
        make(&link).expect_err("a link may lead anywhere");
    }

    #[test]
    fn only_a_socket_in_the_folder_itself_is_one() {
        let (outer, folder) = with_mode(0o700);
        let here = folder.join("a.sock");
        let _listener = std::os::unix::net::UnixListener::bind(&here).expect("a socket");
        assert!(is_socket_of(&folder, &here));
        let elsewhere = outer.path().join("b.sock");
        let _other = std::os::unix::net::UnixListener::bind(&elsewhere).expect("a socket");
        assert!(!is_socket_of(&folder, &elsewhere));
        assert!(!is_socket_of(&folder, &folder.join("../b.sock")));
        let precious = folder.join("notes.txt");
        std::fs::write(&precious, "mine").expect("a file");
        assert!(!is_socket_of(&folder, &precious));
        let (_outer, open) = with_mode(0o777);
        let there = open.join("c.sock");
        let _third = std::os::unix::net::UnixListener::bind(&there).expect("a socket");
        assert!(!is_socket_of(&open, &there));
    }
}
