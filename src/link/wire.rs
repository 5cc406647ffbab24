//! A socket with what has come from it and is not used yet.
//!
//! A read that is cut off by a deadline loses nothing: its bytes stay in the buffer. A write that is cut
//! off leaves half a message at the other end, after which only a new connection is in step.

use std::io;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::{FrameError, LinkError, ProtocolError, RESPONSE_BYTES_MAX};

/// Bytes asked for in one read at least.
const CHUNK_BYTES: usize = 64 << 10;

/// Why a conversation failed, before the address is put to it.
pub(super) enum Fault {
    Io(io::Error),
    Protocol(ProtocolError),
    Frame(FrameError),
    /// Another client holds the lock.
    Locked,
}

impl From<io::Error> for Fault {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

impl From<ProtocolError> for Fault {
    fn from(error: ProtocolError) -> Self {
        Self::Protocol(error)
    }
}

impl Fault {
    /// What it means on a connection that stood.
    pub(super) fn at(self, address: &str) -> LinkError {
        let address = address.to_owned();
        match self {
            Self::Io(cause) if cause.kind() == io::ErrorKind::UnexpectedEof => {
                LinkError::Closed { address }
            }
            Self::Io(cause) => LinkError::Failed { address, cause },
            Self::Protocol(cause) => LinkError::Protocol { address, cause },
            Self::Frame(cause) => LinkError::Frame { address, cause },
            Self::Locked => LinkError::Locked { address },
        }
    }

    /// What it means while the connection is being made.
    pub(super) fn on_opening(self, address: &str) -> LinkError {
        match self {
            Self::Io(cause) => LinkError::Unreachable {
                address: address.to_owned(),
                cause,
            },
            fault => fault.at(address),
        }
    }
}

/// A buffered connection.
#[derive(Debug)]
pub(super) struct Wire {
    stream: TcpStream,
    buffer: Vec<u8>,
    cut_off: bool,
}

impl Wire {
    /// Connects.
    pub(super) async fn open(host: &str, port: u16) -> io::Result<Self> {
        let stream = TcpStream::connect((host, port)).await?;
        // Commands are short and answers awaited: waiting to fill a packet costs 40 ms a time.
        stream.set_nodelay(true)?;
        Ok(Self {
            stream,
            buffer: Vec::new(),
            cut_off: false,
        })
    }

    /// Sends all of `bytes`.
    pub(super) async fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.cut_off = true;
        self.stream.write_all(bytes).await?;
        self.cut_off = false;
        Ok(())
    }

    /// Whether a send was cut off, so that nothing more may be sent here.
    pub(super) fn is_cut_off(&self) -> bool {
        self.cut_off
    }

    /// What has come and is not used yet.
    pub(super) fn buffer(&self) -> &[u8] {
        &self.buffer
    }

    /// Forgets the first bytes of the buffer.
    pub(super) fn used(&mut self, bytes: usize) {
        self.buffer.drain(..bytes.min(self.buffer.len()));
    }

    /// Waits for more; `wanted` says how much is known to be still to come.
    pub(super) async fn fill(&mut self, wanted: usize) -> io::Result<()> {
        self.buffer
            .reserve(wanted.clamp(CHUNK_BYTES, RESPONSE_BYTES_MAX));
        match self.stream.read_buf(&mut self.buffer).await? {
            0 => Err(io::ErrorKind::UnexpectedEof.into()),
            _ => Ok(()),
        }
    }
}
