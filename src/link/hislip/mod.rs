//! HiSLIP (IVI-6.1 version 1): messages with marked ends on one connection, device clear and the status
//! byte on a second one.
//!
//! Written by hand: the registry has only a reserved name for it (`lxi-hislip` 0.0.0, looked at in
//! 2026). Synchronised mode only, in which every answer carries the number of the message it answers,
//! so that a late one is known and thrown away. Triggers and service requests are not used: one program
//! owns the instrument, and asks. The lock is a shared one with a key of this machine, so that the watchdog
//! reaches a source whose program hangs, and nobody elsewhere does.

mod message;

use async_trait::async_trait;

use self::message::{HEADER_BYTES, Header, kind, message};
use super::frame::{FrameError, shorten, without_end};
use super::wire::{Fault, Wire};
use super::{Exclusive, Link, LinkError, ProtocolError, RESPONSE_BYTES_MAX};

/// Version 1.0, and a vendor number for the client (two letters, as the standard asks).
const VERSION_AND_VENDOR: u32 = (0x0100 << 16) | 0x4D46;
/// The number of the first message after opening or clearing.
const FIRST_ID: u32 = 0xFFFF_FF00;
/// The number on parts of an answer whose last part carries the real one.
const ANY_ID: u32 = 0xFFFF_FFFF;
/// The most this end takes in one message; longer answers come in several.
const RECEIVE_BYTES_MAX: u64 = 1 << 20;
/// The most this end puts into one message, whatever the other end would take.
const SEND_BYTES_MAX: usize = 64 << 10;

/// A link over HiSLIP.
pub struct HislipLink {
    host: String,
    port: u16,
    sub_address: String,
    address: String,
    ends_with: String,
    connection: Option<Connection>,
    opened: u64,
    /// Whether every connection takes the lock.
    locks: bool,
}

/// Both channels of one session.
struct Connection {
    synchronous: Wire,
    asynchronous: Wire,
    /// What the other end takes in one message, without the header.
    payload_max: usize,
    next_id: u32,
    last_id: u32,
    /// A whole answer was received since the last message: the next one says so.
    delivered: bool,
    /// The other end prefers to work ahead of what was answered.
    overlapped: bool,
    /// What has come of an answer.
    answer: Vec<u8>,
    /// Something was asked on the asynchronous channel and its answer is not there yet.
    asking: bool,
}

impl HislipLink {
    /// A link to `sub_address` at a host; it is opened by the first `send`.
    pub fn new(host: &str, port: u16, sub_address: &str, address: &str, ends_with: &str) -> Self {
        Self {
            host: host.to_owned(),
            port,
            sub_address: sub_address.to_owned(),
            address: address.to_owned(),
            ends_with: ends_with.to_owned(),
            connection: None,
            opened: 0,
            locks: false,
        }
    }

    async fn open(&mut self) -> Result<(), LinkError> {
        self.connection = None;
        let opened = async {
            let mut connection = Connection::open(&self.host, self.port, &self.sub_address).await?;
            if let Some(key) = super::lock_key().filter(|_| self.locks) {
                connection.lock(&key).await?;
            }
            Ok(connection)
        };
        let opened = opened.await;
        self.connection = Some(opened.map_err(|fault: Fault| fault.on_opening(&self.address))?);
        self.opened += 1;
        Ok(())
    }

    /// After a fault on the wire the connection is not used again.
    fn failed(&mut self, fault: Fault) -> LinkError {
        self.connection = None;
        fault.at(&self.address)
    }

    fn closed(&self) -> LinkError {
        LinkError::Closed {
            address: self.address.clone(),
        }
    }
}

impl Connection {
    async fn open(host: &str, port: u16, sub_address: &str) -> Result<Self, Fault> {
        let mut synchronous = Wire::open(host, port).await?;
        let hello = message(
            kind::INITIALIZE,
            0,
            VERSION_AND_VENDOR,
            sub_address.as_bytes(),
        );
        synchronous.send(&hello).await?;
        let (header, payload) = next(&mut synchronous).await?;
        expect(header, &payload, kind::INITIALIZE_RESPONSE)?;
        let (overlapped, session) = (header.control & 1 == 1, header.parameter & 0xFFFF);
        let mut asynchronous = Wire::open(host, port).await?;
        let hello = message(kind::ASYNC_INITIALIZE, 0, session, b"");
        asynchronous.send(&hello).await?;
        let (header, payload) = next(&mut asynchronous).await?;
        expect(header, &payload, kind::ASYNC_INITIALIZE_RESPONSE)?;
        let mut connection = Self {
            synchronous,
            asynchronous,
            payload_max: 0,
            next_id: FIRST_ID,
            last_id: FIRST_ID,
            delivered: false,
            overlapped,
            answer: Vec::new(),
            asking: false,
        };
        connection.agree_on_size().await?;
        // Which mode is used is settled by a device clear (IVI-6.1, 3.1 and 6.12).
        if connection.overlapped {
            connection.clear().await?;
        }
        Ok(connection)
    }

    /// Takes the lock under a shared key (IVI-6.1, 6.6, from memory: control code 1 asks for it, the parameter is how
    /// long to wait in ms; the answer's 0 is "held by others", 1 and 2 are success).
    async fn lock(&mut self, key: &str) -> Result<(), Fault> {
        let wait = u32::try_from(super::LOCK_WAIT.as_millis()).unwrap_or(u32::MAX);
        let asked = self
            .ask(
                kind::ASYNC_LOCK,
                kind::ASYNC_LOCK_RESPONSE,
                (1, wait),
                key.as_bytes(),
            )
            .await?;
        match asked.0.control {
            1 | 2 => Ok(()),
            0 => Err(Fault::Locked),
            code => Err(ProtocolError::Refused {
                code: u32::from(code),
                said: "the lock is refused".to_owned(),
            }
            .into()),
        }
    }

    async fn agree_on_size(&mut self) -> Result<(), Fault> {
        let ours = RECEIVE_BYTES_MAX.to_be_bytes();
        let (_, theirs) = self
            .ask(
                kind::ASYNC_MAXIMUM_MESSAGE_SIZE,
                kind::ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE,
                (0, 0),
                &ours,
            )
            .await?;
        let theirs = theirs.try_into().map(u64::from_be_bytes).map_err(|_| {
            ProtocolError::Malformed("a maximum message size of other than 8 bytes")
        })?;
        let theirs = usize::try_from(theirs).unwrap_or(usize::MAX);
        // Whether the limit counts the header is read both ways: this is safe under either.
        self.payload_max = theirs.saturating_sub(HEADER_BYTES).min(SEND_BYTES_MAX);
        match self.payload_max {
            0 => Err(ProtocolError::Malformed("a maximum message size with no room in it").into()),
            _ => Ok(()),
        }
    }

    /// Asks something on the asynchronous channel.
    async fn ask(
        &mut self,
        question: u8,
        answer: u8,
        (control, parameter): (u8, u32),
        payload: &[u8],
    ) -> Result<(Header, Vec<u8>), Fault> {
        self.asking = true;
        let bytes = message(question, control, parameter, payload);
        self.asynchronous.send(&bytes).await?;
        loop {
            let (header, payload) = next(&mut self.asynchronous).await?;
            if matches!(
                header.kind,
                kind::ASYNC_INTERRUPTED | kind::ASYNC_SERVICE_REQUEST
            ) {
                continue;
            }
            expect(header, &payload, answer)?;
            self.asking = false;
            return Ok((header, payload));
        }
    }

    async fn send(&mut self, bytes: &[u8]) -> Result<(), Fault> {
        self.answer.clear();
        let parts = bytes.len().div_ceil(self.payload_max).max(1);
        for part in 0..parts {
            let begin = part * self.payload_max;
            let end = bytes.len().min(begin + self.payload_max);
            let kind = match part + 1 == parts {
                true => kind::DATA_END,
                false => kind::DATA,
            };
            let control = u8::from(std::mem::take(&mut self.delivered));
            let message = message(kind, control, self.next_id, &bytes[begin..end]);
            self.last_id = self.next_id;
            self.next_id = self.next_id.wrapping_add(2);
            self.synchronous.send(&message).await?;
        }
        Ok(())
    }

    async fn receive(&mut self) -> Result<Vec<u8>, Fault> {
        loop {
            let header = whole_message(&mut self.synchronous).await?;
            let payload = &self.synchronous.buffer()[HEADER_BYTES..header.total()];
            match header.kind {
                kind::DATA | kind::DATA_END => {
                    if self.answer.len() + payload.len() > RESPONSE_BYTES_MAX {
                        return Err(Fault::Frame(FrameError::TooLong {
                            limit: RESPONSE_BYTES_MAX,
                        }));
                    }
                    self.answer.extend_from_slice(payload);
                }
                // The other end has thrown away what it had begun to answer.
                kind::INTERRUPTED => self.answer.clear(),
                _ => expect(header, payload, kind::DATA_END)?,
            }
            self.synchronous.used(header.total());
            if header.kind == kind::INTERRUPTED {
                continue;
            }
            if ![self.last_id, ANY_ID].contains(&header.parameter) {
                // An answer to an earlier message, which came late.
                self.answer.clear();
                continue;
            }
            if header.kind == kind::DATA_END {
                self.delivered = true;
                let mut answer = std::mem::take(&mut self.answer);
                without_end(&mut answer);
                return Ok(answer);
            }
        }
    }

    /// Device clear (IVI-6.1, 6.12): both ends forget what is under way and begin to count anew.
    async fn clear(&mut self) -> Result<(), Fault> {
        self.ask(
            kind::ASYNC_DEVICE_CLEAR,
            kind::ASYNC_DEVICE_CLEAR_ACKNOWLEDGE,
            (0, 0),
            b"",
        )
        .await?;
        // Bit 0 of the feature bitmap off: synchronised mode is wanted.
        let complete = message(kind::DEVICE_CLEAR_COMPLETE, 0, 0, b"");
        self.synchronous.send(&complete).await?;
        loop {
            let (header, payload) = next(&mut self.synchronous).await?;
            match header.kind {
                kind::DATA | kind::DATA_END | kind::INTERRUPTED | kind::ERROR => {}
                _ => {
                    expect(header, &payload, kind::DEVICE_CLEAR_ACKNOWLEDGE)?;
                    if header.control & 1 == 1 {
                        return Err(ProtocolError::Malformed(
                            "overlapped mode although synchronised mode was asked for",
                        )
                        .into());
                    }
                    break;
                }
            }
        }
        self.answer.clear();
        (self.next_id, self.last_id) = (FIRST_ID, FIRST_ID);
        self.delivered = false;
        self.overlapped = false;
        Ok(())
    }

    async fn status(&mut self) -> Result<u8, Fault> {
        let control = u8::from(std::mem::take(&mut self.delivered));
        let (header, _) = self
            .ask(
                kind::ASYNC_STATUS_QUERY,
                kind::ASYNC_STATUS_RESPONSE,
                (control, self.last_id),
                b"",
            )
            .await?;
        Ok(header.control)
    }

    /// Whether something was cut off in its middle, so that only a new connection helps.
    fn is_broken(&self) -> bool {
        self.asking || self.synchronous.is_cut_off() || self.asynchronous.is_cut_off()
    }
}

/// Waits until a whole message is in the buffer.
async fn whole_message(wire: &mut Wire) -> Result<Header, Fault> {
    loop {
        let wanted = match Header::read(wire.buffer())? {
            Some(header) if wire.buffer().len() >= header.total() => return Ok(header),
            Some(header) => header.total() - wire.buffer().len(),
            None => HEADER_BYTES,
        };
        wire.fill(wanted).await?;
    }
}

/// The next message, taken out of the buffer.
async fn next(wire: &mut Wire) -> Result<(Header, Vec<u8>), Fault> {
    let header = whole_message(wire).await?;
    let payload = wire.buffer()[HEADER_BYTES..header.total()].to_vec();
    wire.used(header.total());
    Ok((header, payload))
}

/// An error of the other end is said in its own words.
fn expect(header: Header, payload: &[u8], wanted: u8) -> Result<(), ProtocolError> {
    match header.kind {
        kind if kind == wanted => Ok(()),
        kind::FATAL_ERROR | kind::ERROR => Err(ProtocolError::Refused {
            code: u32::from(header.control),
            said: shorten(payload),
        }),
        got => Err(ProtocolError::Unexpected { wanted, got }),
    }
}

#[async_trait]
impl Link for HislipLink {
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        if self.connection.is_none() {
            self.open().await?;
        }
        let mut bytes = message.to_vec();
        bytes.extend_from_slice(self.ends_with.as_bytes());
        let Some(connection) = &mut self.connection else {
            return Err(self.closed());
        };
        match connection.send(&bytes).await {
            Ok(()) => Ok(()),
            Err(fault) => Err(self.failed(fault)),
        }
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        let Some(connection) = &mut self.connection else {
            return Err(self.closed());
        };
        match connection.receive().await {
            Ok(answer) => Ok(answer),
            Err(fault) => Err(self.failed(fault)),
        }
    }

    async fn status(&mut self) -> Result<u8, LinkError> {
        match &mut self.connection {
            Some(connection) if !connection.is_broken() => match connection.status().await {
                Ok(status) => Ok(status),
                Err(fault) => Err(self.failed(fault)),
            },
            _ => Err(self.closed()),
        }
    }

    fn always_answers(&self) -> bool {
        false
    }

    fn unasked(&mut self) -> bool {
        // Answers carry the number of their question: what nobody asked for is thrown away.
        false
    }

    async fn clear(&mut self) -> Result<(), LinkError> {
        match &mut self.connection {
            Some(connection) if !connection.is_broken() => match connection.clear().await {
                Ok(()) => Ok(()),
                Err(fault) => Err(self.failed(fault)),
            },
            _ => self.open().await,
        }
    }

    async fn reopen(&mut self) -> Result<(), LinkError> {
        self.open().await
    }

    fn opened(&self) -> u64 {
        self.opened
    }

    fn address(&self) -> &str {
        &self.address
    }

    fn hold_lock(&mut self, _exclusive: Exclusive) {
        self.locks = true;
    }
}

/// Reads arbitrary bytes as messages; gives the kind of outcome.
#[cfg(test)]
pub(super) fn fuzz(bytes: &[u8]) -> String {
    let (mut rest, mut kinds) = (bytes, String::new());
    loop {
        match Header::read(rest) {
            Ok(Some(header)) if rest.len() >= header.total() => {
                assert!(header.length <= message::PAYLOAD_BYTES_MAX);
                let payload = &rest[HEADER_BYTES..header.total()];
                let again = message(header.kind, header.control, header.parameter, payload);
                assert_eq!(again, rest[..header.total()]);
                let expected = expect(header, payload, kind::DATA_END).is_ok();
                if kinds.len() < 24 {
                    kinds.push_str(&format!("{} {expected},", header.kind.min(26)));
                }
                rest = &rest[header.total()..];
            }
            Ok(Some(_)) => return kinds + "part",
            Ok(None) => return kinds + "short",
            Err(error) => {
                return kinds
                    + if error == ProtocolError::NotHislip {
                        "not"
                    } else {
                        "long"
                    };
            }
        }
    }
}
