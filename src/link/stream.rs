//! TCP sockets, serial lines and the kernel's USBTMC device: streams that mark no message ends.
//!
//! USBTMC does mark them, but the kernel tells of it only through an `ioctl`, as of clearing the device,
//! and none of the crates looked at (rustix, nix, 2026) offers those without `unsafe`, which is
//! forbidden here; the crates that speak USBTMC themselves (`tmc`, `rust-usbtmc`, looked at in 2026) take
//! the device away from the kernel and have not changed since 2021. So it is read like any stream, on a
//! blocking thread, and opening the file anew takes the place of a device clear. The kernel gives up a
//! read after 5 s: a driver for such a link should poll for the end of long sweeps.

use std::io;
use std::time::Duration;

use async_trait::async_trait;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt};
use tokio_serial::{SerialPort, SerialPortBuilderExt};

use super::frame::{FrameError, Scanner};
use super::{Link, LinkError, ProtocolError, RESPONSE_BYTES_MAX};
use crate::config::{Address, Dialect, SerialClear, SerialLine};

/// How long a line must be silent before what was late is taken to be over.
const QUIET: Duration = Duration::from_millis(150);
/// The most that is thrown away while waiting for silence.
const DRAIN_BYTES_MAX: usize = RESPONSE_BYTES_MAX;
/// Bytes asked for in one read.
const CHUNK_BYTES: usize = 64 << 10;

/// How messages end on a stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Framing {
    /// What ends a command.
    pub ends_with: String,
    /// What an instrument with a shell prints when it is ready again.
    pub prompt: Option<String>,
    /// Whether it repeats what it is sent.
    pub echo: bool,
    /// What makes a serial device forget what it was doing.
    pub clear: Option<SerialClear>,
}

impl From<&Dialect> for Framing {
    fn from(dialect: &Dialect) -> Self {
        Self {
            ends_with: dialect.ends_with.clone(),
            prompt: dialect.prompt.clone(),
            echo: dialect.echo,
            clear: dialect.clear.clone(),
        }
    }
}

/// How long a break lasts: many characters even at the slowest rates.
const BREAK: Duration = Duration::from_millis(250);

enum Stream {
    Tcp(tokio::net::TcpStream),
    Serial(tokio_serial::SerialStream),
    Device(tokio::fs::File),
}

impl Stream {
    fn reader(&mut self) -> &mut (dyn AsyncRead + Unpin + Send) {
        match self {
            Self::Tcp(stream) => stream,
            Self::Serial(stream) => stream,
            Self::Device(stream) => stream,
        }
    }

    async fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self {
            Self::Tcp(stream) => stream.write_all(bytes).await,
            Self::Serial(stream) => stream.write_all(bytes).await,
            Self::Device(stream) => {
                stream.write_all(bytes).await?;
                // It is only handed to the blocking thread before.
                stream.flush().await
            }
        }
    }
}

/// A link over a byte stream.
pub struct StreamLink {
    target: Address,
    address: String,
    framing: Framing,
    stream: Option<Stream>,
    opened: u64,
    /// A read was begun and did not end.
    reading: bool,
    /// Bytes that came after the end of the last message.
    rest: Vec<u8>,
    sent: Vec<u8>,
}

impl StreamLink {
    /// A link to `target`; it is opened by the first `send`.
    pub fn new(target: &Address, framing: Framing) -> Self {
        Self {
            target: target.clone(),
            address: target.to_string(),
            framing,
            stream: None,
            opened: 0,
            reading: false,
            rest: Vec::new(),
            sent: Vec::new(),
        }
    }

    async fn open(&mut self) -> Result<(), LinkError> {
        let opened = match &self.target {
            Address::Tcp { host, port } => open_tcp(host, *port).await,
            Address::Serial(line) => open_serial(line),
            Address::Usbtmc { path } => open_device(path).await,
            Address::Hislip { .. } | Address::Vxi11 { .. } => {
                Err(io::Error::other("it marks its messages and is no stream"))
            }
        };
        self.rest.clear();
        self.stream = Some(opened.map_err(|cause| LinkError::Unreachable {
            address: self.address.clone(),
            cause,
        })?);
        self.opened += 1;
        self.reading = false;
        Ok(())
    }

    fn closed(&self) -> LinkError {
        LinkError::Closed {
            address: self.address.clone(),
        }
    }

    fn failed(&mut self, cause: io::Error) -> LinkError {
        self.stream = None;
        LinkError::Failed {
            address: self.address.clone(),
            cause,
        }
    }

    fn misframed(&self, cause: FrameError) -> LinkError {
        LinkError::Frame {
            address: self.address.clone(),
            cause,
        }
    }

    /// Throws away what comes until the line has been quiet for a moment.
    async fn drain(&mut self) -> Result<(), LinkError> {
        self.rest.clear();
        let mut thrown = Vec::new();
        while thrown.len() < DRAIN_BYTES_MAX {
            match tokio::time::timeout(QUIET, self.read_more(&mut thrown, 0)).await {
                Ok(read) => read?,
                Err(_quiet) => break,
            }
        }
        if !thrown.is_empty() {
            tracing::warn!(
                address = self.address,
                bytes = thrown.len(),
                "threw away what came late"
            );
        }
        Ok(())
    }

    /// What clears a device on a serial line is its own affair: a break even resets some.
    async fn clear_serial(&mut self) -> Result<(), LinkError> {
        let Some(Stream::Serial(port)) = &mut self.stream else {
            return Ok(());
        };
        let cleared = match &self.framing.clear {
            None => Ok(()),
            Some(SerialClear::Text(text)) => port.write_all(text.as_bytes()).await,
            Some(SerialClear::Break) => match port.set_break() {
                Ok(()) => {
                    tokio::time::sleep(BREAK).await;
                    port.clear_break().map_err(io::Error::from)
                }
                Err(error) => Err(error.into()),
            },
        };
        cleared.map_err(|cause| self.failed(cause))
    }

    /// Appends what comes next; an end of the stream closes the link.
    async fn read_more(&mut self, into: &mut Vec<u8>, wanted: usize) -> Result<(), LinkError> {
        into.reserve(wanted.clamp(CHUNK_BYTES, RESPONSE_BYTES_MAX));
        let Some(stream) = &mut self.stream else {
            return Err(self.closed());
        };
        self.reading = true;
        let read = stream.reader().read_buf(into).await;
        self.reading = false;
        match read {
            Ok(0) => {
                self.stream = None;
                Err(self.closed())
            }
            Ok(_) => Ok(()),
            Err(cause) => Err(self.failed(cause)),
        }
    }

    /// A message that ends with a newline.
    async fn receive_line(&mut self) -> Result<Vec<u8>, LinkError> {
        let mut message = std::mem::take(&mut self.rest);
        let mut scanner = Scanner::new(RESPONSE_BYTES_MAX);
        let mut scanned = 0;
        loop {
            let end = scanner
                .push(&message[scanned..])
                .map_err(|cause| self.misframed(cause))?;
            if let Some(end) = end {
                self.rest = message.split_off(scanned + end);
                message.pop();
                return Ok(message);
            }
            scanned = message.len();
            self.read_more(&mut message, scanner.block_left()).await?;
        }
    }

    /// What comes between the echo and the prompt.
    async fn receive_prompt(&mut self, prompt: &[u8]) -> Result<Vec<u8>, LinkError> {
        let mut message = std::mem::take(&mut self.rest);
        // The prompt counts only at the end of what has come and at the start of a line: a `> ` may well
        // stand inside an answer.
        while !ends_with_prompt(&message, prompt) {
            if message.len() > RESPONSE_BYTES_MAX {
                return Err(self.misframed(FrameError::TooLong {
                    limit: RESPONSE_BYTES_MAX,
                }));
            }
            self.read_more(&mut message, 0).await?;
        }
        message.truncate(message.len() - prompt.len());
        let mut answer = &message[..];
        if self.framing.echo {
            answer = answer
                .trim_ascii_start()
                .strip_prefix(self.sent.trim_ascii())
                .ok_or_else(|| {
                    self.misframed(FrameError::NoEcho {
                        sent: super::frame::shorten(&self.sent),
                        got: super::frame::shorten(&message),
                    })
                })?;
        }
        Ok(answer.trim_ascii().to_vec())
    }
}

fn ends_with_prompt(message: &[u8], prompt: &[u8]) -> bool {
    message
        .strip_suffix(prompt)
        .is_some_and(|before| matches!(before.last(), None | Some(b'\n' | b'\r')))
}

async fn open_device(path: &str) -> io::Result<Stream> {
    let mut options = tokio::fs::OpenOptions::new();
    let file = options.read(true).write(true).open(path).await?;
    Ok(Stream::Device(file))
}

async fn open_tcp(host: &str, port: u16) -> io::Result<Stream> {
    let stream = tokio::net::TcpStream::connect((host, port)).await?;
    // Commands are short and answers awaited: waiting to fill a packet costs 40 ms a time.
    stream.set_nodelay(true)?;
    Ok(Stream::Tcp(stream))
}

fn open_serial(line: &SerialLine) -> io::Result<Stream> {
    use crate::config::{Flow, Parity};
    let mut port = tokio_serial::new(&line.path, line.baud)
        .data_bits(match line.bits {
            7 => tokio_serial::DataBits::Seven,
            _ => tokio_serial::DataBits::Eight,
        })
        .parity(match line.parity {
            Parity::None => tokio_serial::Parity::None,
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
        })
        .stop_bits(match line.stop {
            2 => tokio_serial::StopBits::Two,
            _ => tokio_serial::StopBits::One,
        })
        .flow_control(match line.flow {
            Flow::None => tokio_serial::FlowControl::None,
            Flow::Hardware => tokio_serial::FlowControl::Hardware,
            Flow::Software => tokio_serial::FlowControl::Software,
        })
        .open_native_async()
        .map_err(|error| io::Error::other(error.to_string()))?;
    // Two programs on one serial line would take each other's answers.
    port.set_exclusive(true)
        .map_err(|error| io::Error::other(error.to_string()))?;
    // The line is not flushed on opening: bytes of an earlier conversation may still be there.
    port.clear(tokio_serial::ClearBuffer::All)
        .map_err(|error| io::Error::other(error.to_string()))?;
    Ok(Stream::Serial(port))
}

#[async_trait]
impl Link for StreamLink {
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        self.sent = message.to_vec();
        // One write for message and end: some instruments read by packet.
        let mut bytes = message.to_vec();
        bytes.extend_from_slice(self.framing.ends_with.as_bytes());
        if self.stream.is_none() {
            self.open().await?;
        }
        let Some(stream) = &mut self.stream else {
            return Err(self.closed());
        };
        match stream.write_all(&bytes).await {
            Ok(()) => Ok(()),
            Err(cause) => Err(self.failed(cause)),
        }
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        match self.framing.prompt.clone() {
            Some(prompt) => self.receive_prompt(prompt.as_bytes()).await,
            None => self.receive_line().await,
        }
    }

    fn always_answers(&self) -> bool {
        self.framing.prompt.is_some()
    }

    fn unasked(&mut self) -> bool {
        !self.rest.iter().all(u8::is_ascii_whitespace)
    }

    async fn status(&mut self) -> Result<u8, LinkError> {
        Err(LinkError::Protocol {
            address: self.address.clone(),
            cause: ProtocolError::NoStatus,
        })
    }

    async fn clear(&mut self) -> Result<(), LinkError> {
        match self.stream {
            Some(Stream::Tcp(_)) => self.drain().await,
            Some(Stream::Serial(_)) => {
                self.clear_serial().await?;
                self.drain().await
            }
            Some(Stream::Device(_)) => {
                // A read that was cut off goes on in its thread: what it catches is thrown away with it.
                if self.reading {
                    let mut thrown = Vec::new();
                    let caught = self.read_more(&mut thrown, 0);
                    let _ = tokio::time::timeout(QUIET, caught).await;
                }
                self.reopen().await
            }
            None => self.reopen().await,
        }
    }

    async fn reopen(&mut self) -> Result<(), LinkError> {
        self.stream = None;
        self.open().await?;
        match self.target {
            Address::Serial(_) => self.drain().await,
            // Nothing of the old conversation can come on a new socket.
            _ => Ok(()),
        }
    }

    fn opened(&self) -> u64 {
        self.opened
    }

    fn address(&self) -> &str {
        &self.address
    }
}
