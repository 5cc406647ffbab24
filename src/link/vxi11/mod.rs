//! VXI-11: the instrument as a remote procedure, with marked ends, device clear and the status byte.
//!
//! Written by hand: the registry has only a reserved name for it (`lxi-vxi11` 0.0.0, looked at in 2026),
//! and the server skeleton found beside it never answered. The abort and interrupt channels are not
//! used: a call that takes too long is left unanswered and a device clear follows.

mod rpc;

use async_trait::async_trait;

use self::rpc::{Arguments, Procedure, Record, call, record, reply};
use super::frame::{FrameError, without_end};
use super::wire::{Fault, Wire};
use super::{Exclusive, Link, LinkError, ProtocolError, RESPONSE_BYTES_MAX};

/// Where a host says which port a program has (RFC 1833, version 2).
const PORTMAPPER: u16 = 111;
const GET_PORT: Procedure = Procedure {
    program: 100_000,
    version: 2,
    number: 3,
};
/// `PMAP_PROT` of a port that speaks TCP.
const TCP: u32 = 6;

/// The core channel (VXI-11, B.6).
const CORE: u32 = 0x0607AF;
const CORE_VERSION: u32 = 1;
const CREATE_LINK: u32 = 10;
const WRITE: u32 = 11;
const READ: u32 = 12;
const READ_STATUS: u32 = 13;
const CLEAR: u32 = 15;
const LOCK: u32 = 18;
const DESTROY_LINK: u32 = 23;

/// Flag of a write: its last byte ends the message.
const END: u32 = 8;
/// Flag of a lock: wait for it.
const WAIT_LOCK: u32 = 1;
/// Error: another client holds the lock.
const LOCKED: u32 = 11;
/// Reason of a read: the message ended.
const ENDED: u32 = 4;
/// Error of a read: nothing came in the time given.
const TIMED_OUT: u32 = 15;

/// How long the instrument's end waits in one call, ms. Whoever waits longer asks again, so that a call
/// that nobody awaits any more is over soon.
const WAIT_MS: u32 = 1000;
/// The most sent in one call, whatever the other end would take: some announce 4 GiB.
const WRITE_BYTES_MAX: usize = 64 << 10;
/// The least that every instrument takes (VXI-11, rule B.6.3).
const WRITE_BYTES_MIN: usize = 1024;
/// The most asked for in one call.
const READ_BYTES_MAX: u32 = 256 << 10;

/// A link over VXI-11.
pub struct Vxi11Link {
    host: String,
    device: String,
    port: Option<u16>,
    address: String,
    ends_with: String,
    connection: Option<Connection>,
    opened: u64,
    /// Whether every connection takes the lock.
    locks: bool,
}

/// One link on the core channel of an instrument.
struct Connection {
    wire: Wire,
    xid: u32,
    /// The instrument's name for the link; 0 is one.
    id: u32,
    write_max: usize,
    /// A call was made and its reply is not there yet: the other end may still be at it.
    calling: bool,
    /// What has come of an answer.
    answer: Vec<u8>,
}

impl Vxi11Link {
    /// A link to `device` at a host; it is opened by the first `send`.
    pub fn new(
        host: &str,
        device: &str,
        port: Option<u16>,
        address: &str,
        ends_with: &str,
    ) -> Self {
        Self {
            host: host.to_owned(),
            device: device.to_owned(),
            port,
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
            let mut connection = Connection::open(&self.host, self.port, &self.device).await?;
            if self.locks {
                connection.lock().await?;
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

/// Calls a procedure and gives the record of its results; replies to older calls are passed over.
async fn ask(
    wire: &mut Wire,
    xid: &mut u32,
    procedure: Procedure,
    arguments: Arguments,
) -> Result<Vec<u8>, Fault> {
    *xid = xid.wrapping_add(1);
    wire.send(&call(*xid, procedure, arguments)).await?;
    loop {
        match record(wire.buffer())? {
            Record::Needs(bytes) => wire.fill(bytes).await?,
            Record::Whole { bytes, taken } => {
                wire.used(taken);
                if reply(&bytes, *xid)?.is_some() {
                    return Ok(bytes);
                }
            }
        }
    }
}

async fn port_of_core(host: &str, portmapper: u16) -> Result<u16, Fault> {
    let mut wire = Wire::open(host, portmapper).await?;
    let mut xid = 0;
    let arguments = [CORE, CORE_VERSION, TCP, 0]
        .into_iter()
        .fold(Arguments::default(), Arguments::word);
    let record = ask(&mut wire, &mut xid, GET_PORT, arguments).await?;
    match reply(&record, xid)? {
        Some(mut results) => match u16::try_from(results.word()?) {
            Ok(0) => Err(ProtocolError::Refused {
                code: 0,
                said: "its portmapper knows no VXI-11 on TCP".to_owned(),
            }
            .into()),
            Ok(port) => Ok(port),
            Err(_) => Err(ProtocolError::Malformed("a port number above 65535").into()),
        },
        None => Err(ProtocolError::Malformed("a reply to another call").into()),
    }
}

impl Connection {
    async fn open(host: &str, port: Option<u16>, device: &str) -> Result<Self, Fault> {
        let port = match port {
            Some(port) => port,
            None => port_of_core(host, PORTMAPPER).await?,
        };
        let mut connection = Self {
            wire: Wire::open(host, port).await?,
            xid: 0,
            id: 0,
            write_max: 0,
            calling: false,
            answer: Vec::new(),
        };
        let arguments = Arguments::default()
            .word(std::process::id())
            .word(0) // not locked by this: a lock that is refused should be told from a link that is
            .word(0)
            .bytes(device.as_bytes());
        let [id, _abort_port, size] = connection.core(CREATE_LINK, arguments).await?.words()?;
        connection.id = id;
        connection.write_max = (size as usize).clamp(WRITE_BYTES_MIN, WRITE_BYTES_MAX);
        Ok(connection)
    }

    /// Calls a procedure of the core channel; a device error is an error.
    async fn core(&mut self, number: u32, arguments: Arguments) -> Result<Answered, Fault> {
        let answered = self.core_or_error(number, arguments).await?;
        match answered.error {
            0 => Ok(answered),
            code => Err(ProtocolError::Refused {
                code,
                said: meaning(code).to_owned(),
            }
            .into()),
        }
    }

    async fn core_or_error(
        &mut self,
        number: u32,
        arguments: Arguments,
    ) -> Result<Answered, Fault> {
        let procedure = Procedure {
            program: CORE,
            version: CORE_VERSION,
            number,
        };
        self.calling = true;
        let record = ask(&mut self.wire, &mut self.xid, procedure, arguments).await?;
        self.calling = false;
        let answered = Answered {
            xid: self.xid,
            error: 0,
            record,
        };
        let error = answered.results()?.word()?;
        Ok(Answered { error, ..answered })
    }

    async fn send(&mut self, bytes: &[u8]) -> Result<(), Fault> {
        self.answer.clear();
        let mut at = 0;
        while at < bytes.len() {
            let end = bytes.len().min(at + self.write_max);
            let flags = match end == bytes.len() {
                true => END,
                false => 0,
            };
            let arguments = Arguments::default()
                .word(self.id)
                .word(WAIT_MS)
                .word(WAIT_MS)
                .word(flags)
                .bytes(&bytes[at..end]);
            let [taken] = self.core(WRITE, arguments).await?.words()?;
            match taken as usize {
                0 => {
                    return Err(
                        ProtocolError::Malformed("a write of which nothing was taken").into(),
                    );
                }
                taken => at += taken.min(end - at),
            }
        }
        Ok(())
    }

    async fn receive(&mut self) -> Result<Vec<u8>, Fault> {
        loop {
            let arguments = Arguments::default()
                .word(self.id)
                .word(READ_BYTES_MAX)
                .word(WAIT_MS)
                .word(WAIT_MS)
                .word(0)
                .word(0);
            let answered = self.core_or_error(READ, arguments).await?;
            // Nothing yet: whoever waits has the deadline.
            if ![0, TIMED_OUT].contains(&answered.error) {
                return Err(ProtocolError::Refused {
                    code: answered.error,
                    said: meaning(answered.error).to_owned(),
                }
                .into());
            }
            let mut results = answered.results()?;
            results.word()?;
            let reason = results.word()?;
            let data = results.bytes()?;
            if self.answer.len() + data.len() > RESPONSE_BYTES_MAX {
                return Err(Fault::Frame(FrameError::TooLong {
                    limit: RESPONSE_BYTES_MAX,
                }));
            }
            self.answer.extend_from_slice(data);
            if answered.error == 0 && reason & ENDED != 0 {
                let mut answer = std::mem::take(&mut self.answer);
                without_end(&mut answer);
                return Ok(answer);
            }
        }
    }

    /// The arguments that most procedures share.
    fn generic(&self) -> Arguments {
        Arguments::default()
            .word(self.id)
            .word(0)
            .word(WAIT_MS)
            .word(WAIT_MS)
    }

    async fn clear(&mut self) -> Result<(), Fault> {
        self.core(CLEAR, self.generic()).await?;
        self.answer.clear();
        Ok(())
    }

    /// Takes the lock (VXI-11, B.6.12, from memory), which has no shared form.
    async fn lock(&mut self) -> Result<(), Fault> {
        let wait = u32::try_from(super::LOCK_WAIT.as_millis()).unwrap_or(u32::MAX);
        let arguments = Arguments::default()
            .word(self.id)
            .word(WAIT_LOCK)
            .word(wait);
        match self.core_or_error(LOCK, arguments).await?.error {
            0 => Ok(()),
            LOCKED => Err(Fault::Locked),
            code => Err(ProtocolError::Refused {
                code,
                said: meaning(code).to_owned(),
            }
            .into()),
        }
    }

    async fn status(&mut self) -> Result<u8, Fault> {
        let [status] = self.core(READ_STATUS, self.generic()).await?.words()?;
        // Sent as a word; only its low byte is the status byte.
        Ok((status & 0xFF) as u8)
    }

    async fn destroy(&mut self) -> Result<(), Fault> {
        let arguments = Arguments::default().word(self.id);
        self.core(DESTROY_LINK, arguments).await.map(|_| ())
    }
}

/// The results of a call to the core channel; the first of them is a device error.
struct Answered {
    xid: u32,
    error: u32,
    record: Vec<u8>,
}

impl Answered {
    fn results(&self) -> Result<rpc::Results<'_>, ProtocolError> {
        reply(&self.record, self.xid)?.ok_or(ProtocolError::Malformed("a reply to another call"))
    }

    /// The words after the device error.
    fn words<const N: usize>(&self) -> Result<[u32; N], ProtocolError> {
        let mut results = self.results()?;
        results.word()?;
        let mut words = [0; N];
        for word in &mut words {
            *word = results.word()?;
        }
        Ok(words)
    }
}

/// VXI-11, table B.2.
fn meaning(code: u32) -> &'static str {
    match code {
        1 => "syntax error",
        3 => "the instrument is not accessible",
        4 => "no such link",
        5 => "parameter error",
        6 => "no such channel",
        8 => "operation not supported",
        9 => "no room for another client",
        11 => "another client holds the instrument",
        12 => "no lock is held",
        15 => "no answer in time",
        17 => "I/O error",
        21 => "no such instrument behind this host",
        23 => "aborted",
        29 => "the channel is there already",
        _ => "an error the standard does not know",
    }
}

#[async_trait]
impl Link for Vxi11Link {
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
            Some(connection) if !connection.wire.is_cut_off() => match connection.status().await {
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
        // Nothing comes that was not called for.
        false
    }

    async fn clear(&mut self) -> Result<(), LinkError> {
        match &mut self.connection {
            Some(connection) if !connection.wire.is_cut_off() => match connection.clear().await {
                Ok(()) => Ok(()),
                Err(fault) => Err(self.failed(fault)),
            },
            _ => self.open().await,
        }
    }

    async fn reopen(&mut self) -> Result<(), LinkError> {
        // Some keep a link whose connection is gone and have room for few.
        if let Some(mut connection) = self.connection.take()
            && !connection.calling
        {
            let destroyed = connection.destroy();
            let _ = tokio::time::timeout(super::PARTING, destroyed).await;
        }
        self.open().await
    }

    fn opened(&self) -> u64 {
        self.opened
    }

    fn address(&self) -> &str {
        &self.address
    }

    fn hold_lock(&mut self, exclusive: Exclusive) {
        // With a source's lock nobody else could switch it off, the watchdog least of all.
        self.locks = exclusive == Exclusive::Alone;
    }
}

/// Reads arbitrary bytes as records of replies; gives the kind of outcome.
#[cfg(test)]
pub(super) fn fuzz(bytes: &[u8]) -> String {
    let (mut rest, mut kinds) = (bytes, String::new());
    loop {
        match record(rest) {
            Ok(Record::Whole { bytes, taken }) => {
                assert!(taken <= rest.len() && bytes.len() < taken);
                let answered = Answered {
                    xid: 0,
                    error: 0,
                    record: bytes,
                };
                let data = answered
                    .results()
                    .and_then(|mut results| Ok((results.word()?, results.bytes()?.len())));
                let words = answered.words::<3>().is_ok();
                let said = match data {
                    Ok((error, length)) => format!("{} {},", meaning(error), length.min(4)),
                    Err(ProtocolError::Refused { code, .. }) => format!("refused {},", code.min(6)),
                    Err(ProtocolError::Malformed(why)) => format!("{why},"),
                    Err(_) => "other,".to_owned(),
                };
                if kinds.len() < 48 {
                    kinds.push_str(&format!("{said} {words}"));
                }
                rest = &rest[taken..];
            }
            Ok(Record::Needs(more)) => {
                assert!(more > 0);
                return kinds + "part";
            }
            Err(_) => return kinds + "long",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    /// Answers one call with each of `replies`: an xid on from the call's, and a result.
    async fn portmapper(replies: Vec<(u32, u32)>) -> u16 {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
            .await
            .expect("listen");
        let port = listener.local_addr().expect("address").port();
        tokio::spawn(async move {
            let (mut stream, _) = listener.accept().await.expect("client");
            let mut asked = [0; 60];
            stream.read_exact(&mut asked).await.expect("call");
            // RFC 1833, 3: GETPORT of a program, its version and protocol (6, TCP).
            let word = |at: usize| u32::from_be_bytes(asked[at..at + 4].try_into().expect("word"));
            assert_eq!([16, 20, 24].map(word), [100_000, 2, 3]);
            assert_eq!([44, 48, 52, 56].map(word), [CORE, 1, 6, 0]);
            for (off, result) in replies {
                for word in [
                    0x8000_001C,
                    word(4).wrapping_add(off),
                    1,
                    0,
                    0,
                    0,
                    0,
                    result,
                ] {
                    stream.write_u32(word).await.expect("reply");
                }
            }
        });
        port
    }

    #[tokio::test]
    async fn the_portmapper_is_asked_and_a_reply_to_another_call_passed_over() {
        let port = portmapper(vec![(7, 1), (0, 1024)]).await;
        assert_eq!(port_of_core("127.0.0.1", port).await.ok(), Some(1024));
    }

    #[tokio::test]
    async fn a_host_without_vxi11_is_said() {
        for (result, part) in [(0, "knows no VXI-11"), (70_000, "above 65535")] {
            let port = portmapper(vec![(0, result)]).await;
            match port_of_core("127.0.0.1", port).await {
                Err(Fault::Protocol(error)) => assert!(error.to_string().contains(part), "{error}"),
                _ => panic!("{result} is no port"),
            }
        }
    }
}
