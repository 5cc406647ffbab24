//! Bytes to and from one instrument: framing, reconnection, and nothing about what the bytes mean.
//!
//! A [`Link`] sends one program message and receives one response message. It has no clock of its own:
//! whoever calls puts a deadline around the call, and after one that did not complete must bring the
//! link back in step (`drain`, else `reopen`) before the next, because an answer that comes late would
//! be taken for the answer to the next question.

mod frame;
mod stream;

use async_trait::async_trait;

pub use frame::{FrameError, block, units};
pub use stream::{Framing, StreamLink};

use crate::config::Address;

/// The longest response that is accepted: a trace of 100 001 points as text is under 2 MB.
pub const RESPONSE_BYTES_MAX: usize = 16 << 20;

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
    /// What came is not a response message.
    #[error("{address} sent what is not an answer: {cause}")]
    Frame {
        /// Where.
        address: String,
        /// What was wrong.
        cause: FrameError,
    },
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

    /// Throws away what comes until the line has been quiet for a moment.
    async fn drain(&mut self) -> Result<(), LinkError>;

    /// Closes the connection and opens it anew.
    async fn reopen(&mut self) -> Result<(), LinkError>;

    /// The address, for messages.
    fn address(&self) -> &str;
}

/// The link to an address; nothing is opened yet.
pub fn link(address: &Address, framing: Framing) -> Box<dyn Link> {
    Box::new(StreamLink::new(address, framing))
}
