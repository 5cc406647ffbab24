//! A pseudo-terminal as a serial line: raw, without echo, its far end kept open so that clients may
//! come and go.

use std::io;
use std::os::fd::OwnedFd;

use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use tokio::net::unix::pipe::{Receiver, Sender};

/// Our end of the line. It is read and written as tokio reads and writes a pipe: a terminal's near
/// end behaves like one, and nothing else in tokio takes it without unsafe code.
#[derive(Debug)]
pub(super) struct Pty {
    reader: Receiver,
    writer: Sender,
    /// Held open: without it, reading fails as soon as a client closes the line.
    far_end: OwnedFd,
    path: String,
}

impl Pty {
    pub(super) fn open() -> io::Result<Self> {
        let near_end = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&near_end)?;
        unlockpt(&near_end)?;
        let name = ptsname(&near_end, Vec::new())?;
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let far_end = open(name.as_c_str(), flags, Mode::empty())?;
        let mut modes = tcgetattr(&far_end)?;
        modes.make_raw();
        tcsetattr(&far_end, OptionalActions::Now, &modes)?;
        fcntl_setfl(&near_end, fcntl_getfl(&near_end)? | OFlags::NONBLOCK)?;
        Ok(Self {
            writer: Sender::from_owned_fd_unchecked(near_end.try_clone()?)?,
            reader: Receiver::from_owned_fd_unchecked(near_end)?,
            far_end,
            path: name.to_string_lossy().into_owned(),
        })
    }

    pub(super) fn address(&self) -> String {
        format!("serial://{}", self.path)
    }

    /// The two directions, and what must be kept for as long as they are used.
    pub(super) fn into_parts(self) -> (Receiver, Sender, OwnedFd) {
        (self.reader, self.writer, self.far_end)
    }
}
