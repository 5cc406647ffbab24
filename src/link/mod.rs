//! Bytes to and from one instrument: framing, reconnection, and nothing about what the bytes mean.
//!
//! A [`Link`] sends one program message and receives one response message. It has no clock of its own:
//! whoever calls puts a deadline around the call, and after one that did not complete must bring the
//! link back in step (`clear`, else `reopen`) before the next, because an answer that comes late would
//! be taken for the answer to the next question.
//!
//! | address | how a message ends | `clear` | status byte |
//! |---|---|---|---|
//! | `tcp://` | a newline outside strings and blocks | throws away until it is quiet | no |
//! | `serial://` | the same, or a prompt | a break or a text if the driver names one, then the same | no |
//! | `hislip://` | marked | device clear | yes |
//! | `vxi11://` | marked | device clear | yes |
//! | `usbtmc://` | a newline outside strings and blocks | opens the device file anew | no |

mod find;
mod frame;
#[cfg(test)]
mod fuzz;
mod hislip;
mod stream;
mod transcript;
mod vxi11;
mod wire;

use std::time::Duration;

use async_trait::async_trait;

pub use find::{Found, find};
pub use frame::{FrameError, block, units};
pub use hislip::HislipLink;
pub use stream::{Framing, StreamLink};
pub use transcript::{Exchange, Recorder, Replay, Transcript, TranscriptError};
pub use vxi11::Vxi11Link;

use crate::config::Address;

/// The longest response that is accepted: a trace of 100 001 points as text is under 2 MB.
pub const RESPONSE_BYTES_MAX: usize = 16 << 20;

/// How long a polite end of a connection may take before it is just closed.
const PARTING: Duration = Duration::from_millis(500);

/// What the other end did that its protocol does not allow, or refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ProtocolError {
    /// Another protocol.
    #[error("what answers does not speak HiSLIP; check the port")]
    NotHislip,
    /// A message longer than any that is meant.
    #[error("a message of {announced} bytes, more than the {limit} that are taken")]
    TooLong {
        /// Bytes announced.
        announced: u64,
        /// The limit.
        limit: usize,
    },
    /// A message of another type than must come here.
    #[error("a message of type {got} where type {wanted} must come")]
    Unexpected {
        /// The type that must come.
        wanted: u8,
        /// The type that came.
        got: u8,
    },
    /// Bytes that mean nothing.
    #[error("{0}")]
    Malformed(&'static str),
    /// An error in the other end's own words.
    #[error("refused with error {code}: {said}")]
    Refused {
        /// The protocol's number for it.
        code: u32,
        /// What it means, or was said.
        said: String,
    },
    /// The link has no way to do this.
    #[error("this kind of link carries no status byte; give the driver's `poll` a `query`")]
    NoStatus,
}

/// Why bytes could not be carried.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// No connection could be made.
    #[error(
        "cannot reach {address}: {cause}; check the address, the cable and whether another program holds it"
    )]
    Unreachable {
        /// Where.
        address: String,
        /// What the system said.
        cause: std::io::Error,
    },
    /// The connection ended.
    #[error("{address} closed the connection")]
    Closed {
        /// Where.
        address: String,
    },
    /// The connection failed.
    #[error("the connection to {address} failed: {cause}")]
    Failed {
        /// Where.
        address: String,
        /// What the system said.
        cause: std::io::Error,
    },
    /// The other end did what its protocol does not allow, or refused.
    #[error("{address}: {cause}")]
    Protocol {
        /// Where.
        address: String,
        /// What happened.
        cause: ProtocolError,
    },
    /// Another client holds the lock of the instrument.
    #[error(
        "{address}: another client holds the instrument's lock; end the program that drives it (or its session, at the instrument's front panel), then try again"
    )]
    Locked {
        /// Where.
        address: String,
    },
    /// What came is not a response message.
    #[error("{address} sent what is not an answer: {cause}")]
    Frame {
        /// Where.
        address: String,
        /// What was wrong.
        cause: FrameError,
    },
}

/// With whom the lock of an instrument is shared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exclusive {
    /// With other programs of this machine that hold it so: the watchdog must reach a source whose program hangs.
    WithThisMachine,
    /// With nobody, if the protocol has no shared lock.
    Alone,
}

/// How long a lock that somebody holds is waited for.
const LOCK_WAIT: Duration = Duration::from_secs(1);

/// The key of a shared lock: the same for all programs of this machine until it is started anew, and for no others. None
/// where the system does not tell.
fn lock_key() -> Option<String> {
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    let mut key = crate::store::sha256_hex(boot.trim().as_bytes());
    key.truncate(32);
    Some(format!("muffle {key}"))
}

/// One connection to one instrument.
#[async_trait]
pub trait Link: Send {
    /// Sends one program message; the link adds what ends it. Opens the connection if need be.
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError>;

    /// Receives one response message, without what ends it.
    ///
    /// Where the instrument prints a prompt, this must follow every `send`, and gives what came between
    /// the echo and the prompt.
    async fn receive(&mut self) -> Result<Vec<u8>, LinkError>;

    /// Whether every `send` is answered, if only with a prompt.
    fn always_answers(&self) -> bool;

    /// Whether bytes nobody asked for are waiting.
    fn unasked(&mut self) -> bool;

    /// The status byte, read beside the conversation, where the link can.
    async fn status(&mut self) -> Result<u8, LinkError>;

    /// Makes both ends forget what is under way: a device clear where the link has one, else throws away
    /// what comes until the line has been quiet for a moment. Whether it helped is for a query to show.
    async fn clear(&mut self) -> Result<(), LinkError>;

    /// Closes the connection and opens it anew.
    async fn reopen(&mut self) -> Result<(), LinkError>;

    /// How often the connection was opened: a change means that the instrument may have forgotten.
    fn opened(&self) -> u64;

    /// The address, for messages.
    fn address(&self) -> &str;

    /// Takes the instrument's lock on every connection that is opened from now on, before anything is said on it, where
    /// the protocol has one. It goes with the connection.
    fn hold_lock(&mut self, _exclusive: Exclusive) {}
}

/// The link to an address; nothing is opened yet.
pub fn link(address: &Address, framing: Framing) -> Box<dyn Link> {
    let shown = address.to_string();
    let end = framing.ends_with.clone();
    match address {
        Address::Tcp { .. } | Address::Serial(_) | Address::Usbtmc { .. } => {
            Box::new(StreamLink::new(address, framing))
        }
        Address::Hislip {
            host,
            port,
            sub_address,
        } => Box::new(HislipLink::new(host, *port, sub_address, &shown, &end)),
        Address::Vxi11 { host, device, port } => {
            Box::new(Vxi11Link::new(host, device, *port, &shown, &end))
        }
    }
}
