//! The instruments over VXI-11: the core channel as remote procedures, without a portmapper, so that it
//! is reached by its port.

use std::collections::HashMap;
use std::io;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;
use tokio_util::task::AbortOnDropHandle;

use super::instrument::status_byte;
use super::scpi::ScpiError;
use super::serve::{Fate, LINE_MAX, new_client, respond_to_line};
use super::world::Port;
use super::{Shared, serve};

/// The longest record that is taken, bytes.
const RECORD_MAX: usize = 128 * 1024;
/// The most one write may bring, bytes, as announced.
const WRITE_MAX: u32 = 16 * 1024;
/// The most one read gives, bytes: longer answers come in several.
const TRANSFER_MAX: usize = 16 * 1024;
/// Links at a time on one connection.
const LINKS_MAX: usize = 8;
/// The longest that a call waits, whatever it asks for.
const WAIT_MAX: Duration = Duration::from_secs(60);
/// Message available, of the status byte (IEEE 488.2, 11.2.1.2).
const MESSAGE_AVAILABLE: u8 = 1 << 4;

/// The core channel and its version (VXI-11, B.6).
const CORE: (u32, u32) = (0x0607AF, 1);

/// Device errors (VXI-11, table B.2).
mod error {
    pub const NONE: u32 = 0;
    pub const NO_SUCH_LINK: u32 = 4;
    pub const NOT_SUPPORTED: u32 = 8;
    pub const NO_ROOM: u32 = 9;
    pub const LOCKED: u32 = 11;
    pub const NO_LOCK: u32 = 12;
    pub const TIME_OUT: u32 = 15;
    pub const NO_SUCH_DEVICE: u32 = 21;
}

/// Words of a call, taken one after the other.
struct Words<'a>(&'a [u8]);

impl<'a> Words<'a> {
    fn next(&mut self) -> io::Result<u32> {
        let short = || io::Error::other("a call that ends too early");
        let (word, rest) = self.0.split_first_chunk::<4>().ok_or_else(short)?;
        self.0 = rest;
        Ok(u32::from_be_bytes(*word))
    }

    fn bytes(&mut self) -> io::Result<&'a [u8]> {
        let count = self.next()? as usize;
        let short = || io::Error::other("a call that ends too early");
        let bytes = self.0.get(..count).ok_or_else(short)?;
        self.0 = self.0.get(count.next_multiple_of(4)..).unwrap_or_default();
        Ok(bytes)
    }
}

async fn read_record(from: &mut TcpStream) -> io::Result<Vec<u8>> {
    let mut record = Vec::new();
    loop {
        let mark = from.read_u32().await?;
        let length = (mark & 0x7FFF_FFFF) as usize;
        if record.len() + length > RECORD_MAX {
            return Err(io::Error::other("a call that is too long"));
        }
        let at = record.len();
        record.resize(at + length, 0);
        from.read_exact(&mut record[at..]).await?;
        if mark & 0x8000_0000 != 0 {
            return Ok(record);
        }
    }
}

fn put(results: &mut Vec<u8>, words: &[u32]) {
    for word in words {
        results.extend_from_slice(&word.to_be_bytes());
    }
}

fn put_bytes(results: &mut Vec<u8>, bytes: &[u8]) {
    put(results, &[bytes.len() as u32]);
    results.extend_from_slice(bytes);
    results.resize(results.len().next_multiple_of(4), 0);
}

/// One client's link to the instrument.
#[derive(Default)]
struct Link {
    input: Vec<u8>,
    /// The message that is being carried out.
    working: Option<AbortOnDropHandle<Fate>>,
    /// What is still to be read of an answer, and whether it ends there.
    output: Vec<u8>,
    ends: bool,
}

impl Link {
    /// Waits for the message in work to be done; false when the time is over first.
    async fn settle(&mut self, wait: Duration) -> io::Result<bool> {
        let Some(working) = &mut self.working else {
            return Ok(true);
        };
        let Ok(done) = tokio::time::timeout(wait, working).await else {
            return Ok(false);
        };
        self.working = None;
        match done {
            Ok(Fate::Send(bytes)) => (self.output, self.ends) = (bytes, true),
            Ok(Fate::Part(bytes)) => (self.output, self.ends) = (bytes, false),
            Ok(Fate::Nothing | Fate::Swallow) => {}
            Ok(Fate::Close) | Err(_) => return Err(io::ErrorKind::ConnectionAborted.into()),
        }
        Ok(true)
    }
}

/// One client.
struct Client {
    shared: Arc<Shared>,
    port: Port,
    /// By which it holds a lock.
    client: u64,
    links: HashMap<u32, Link>,
    last: u32,
    /// Links of all clients, for an instrument that serves one alone.
    count: Arc<AtomicUsize>,
    number: usize,
    /// The client and the link that hold the instrument's lock.
    lock: Holder,
}

type Holder = Arc<Mutex<Option<(usize, u32)>>>;

impl Drop for Client {
    fn drop(&mut self) {
        self.count.fetch_sub(self.links.len(), Ordering::AcqRel);
        self.shared.world().unlock(self.port, self.client);
        self.holder().take_if(|(client, _)| *client == self.number);
    }
}

/// Serves an instrument over VXI-11.
pub(super) fn instrument(shared: &Arc<Shared>, port: Port, listener: TcpListener) {
    let count = Arc::new(AtomicUsize::new(0));
    let (clients, lock) = (AtomicUsize::new(0), Holder::default());
    serve::accept(shared, port, listener, move |shared, stream| {
        let client = Client {
            shared,
            port,
            client: new_client(),
            links: HashMap::new(),
            last: 0,
            count: Arc::clone(&count),
            number: clients.fetch_add(1, Ordering::Relaxed),
            lock: Arc::clone(&lock),
        };
        client.talk(stream)
    });
}

impl Client {
    async fn talk(mut self, mut stream: TcpStream) -> io::Result<()> {
        loop {
            let record = read_record(&mut stream).await?;
            let mut call = Words(&record);
            let (xid, kind) = (call.next()?, call.next()?);
            if kind != 0 {
                return Err(io::Error::other("not a call"));
            }
            let results = self.reply(&mut call).await?;
            let mut reply = Vec::new();
            put(&mut reply, &[0, xid, 1, 0, 0, 0]);
            reply.extend(results);
            let mark = (reply.len() - 4) as u32 | 0x8000_0000;
            reply[..4].copy_from_slice(&mark.to_be_bytes());
            stream.write_all(&reply).await?;
        }
    }

    /// From the state of acceptance on.
    async fn reply(&mut self, call: &mut Words<'_>) -> io::Result<Vec<u8>> {
        let mut results = Vec::new();
        call.next()?;
        let program = (call.next()?, call.next()?);
        let procedure = call.next()?;
        for _ in 0..2 {
            call.next()?;
            call.bytes()?;
        }
        if program != CORE {
            put(&mut results, &[1]);
            return Ok(results);
        }
        put(&mut results, &[0]);
        match procedure {
            0 => {}
            10 => self.create(call, &mut results)?,
            11 => self.write(call, &mut results).await?,
            12 => self.read(call, &mut results).await?,
            13 => self.status(call, &mut results).await?,
            15 => self.clear(call, &mut results)?,
            18 => self.take_lock(call, &mut results).await?,
            19 => {
                let holder = Some((self.number, call.next()?));
                let error = match *self.holder() == holder {
                    true => error::NONE,
                    false => error::NO_LOCK,
                };
                self.holder().take_if(|held| Some(*held) == holder);
                put(&mut results, &[error]);
            }
            // Trigger, remote, local: taken and of no effect.
            14 | 16 | 17 => {
                let known = self.links.contains_key(&call.next()?);
                put(
                    &mut results,
                    &[if known {
                        error::NONE
                    } else {
                        error::NO_SUCH_LINK
                    }],
                );
            }
            20 | 22 | 25 | 26 => put(&mut results, &[error::NOT_SUPPORTED, 0]),
            23 => {
                let id = call.next()?;
                self.holder().take_if(|held| *held == (self.number, id));
                let error = match self.links.remove(&id) {
                    Some(_) => {
                        self.count.fetch_sub(1, Ordering::AcqRel);
                        error::NONE
                    }
                    None => error::NO_SUCH_LINK,
                };
                put(&mut results, &[error]);
            }
            _ => {
                results.clear();
                put(&mut results, &[3]);
            }
        }
        Ok(results)
    }

    fn holder(&self) -> MutexGuard<'_, Option<(usize, u32)>> {
        self.lock.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn is_kept_out(&self, id: u32) -> bool {
        self.holder().is_some_and(|held| held != (self.number, id))
    }

    /// Waits for the lock if that is asked for (flag 1), as long as that is.
    async fn take_lock(&mut self, call: &mut Words<'_>, results: &mut Vec<u8>) -> io::Result<()> {
        let (id, flags) = (call.next()?, call.next()?);
        let wait = Duration::from_millis(u64::from(call.next()?)).min(WAIT_MAX);
        let begun = Instant::now();
        while self.is_kept_out(id) {
            if flags & 1 == 0 || begun.elapsed() >= wait {
                put(results, &[error::LOCKED]);
                return Ok(());
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        let known = self.links.contains_key(&id);
        if known {
            *self.holder() = Some((self.number, id));
        }
        put(
            results,
            &[if known {
                error::NONE
            } else {
                error::NO_SUCH_LINK
            }],
        );
        Ok(())
    }

    fn create(&mut self, call: &mut Words<'_>, results: &mut Vec<u8>) -> io::Result<()> {
        for _ in 0..3 {
            call.next()?;
        }
        let device = call.bytes()?;
        let alone = self.shared.one_client && self.count.load(Ordering::Acquire) > 0;
        let error = match device {
            _ if alone || self.links.len() >= LINKS_MAX => error::NO_ROOM,
            b"inst0" => error::NONE,
            _ => error::NO_SUCH_DEVICE,
        };
        let id = self.last;
        if error == error::NONE {
            self.links.insert(id, Link::default());
            self.last += 1;
            self.count.fetch_add(1, Ordering::AcqRel);
        }
        put(results, &[error, id, 0, WRITE_MAX]);
        Ok(())
    }

    async fn write(&mut self, call: &mut Words<'_>, results: &mut Vec<u8>) -> io::Result<()> {
        let id = call.next()?;
        let wait = Duration::from_millis(u64::from(call.next()?)).min(WAIT_MAX);
        call.next()?;
        let ends = call.next()? & 8 != 0;
        let data = call.bytes()?;
        let (shared, way) = (Arc::clone(&self.shared), (self.port, self.client));
        if self.is_kept_out(id) {
            put(results, &[error::LOCKED, 0]);
            return Ok(());
        }
        let Some(link) = self.links.get_mut(&id) else {
            put(results, &[error::NO_SUCH_LINK, 0]);
            return Ok(());
        };
        if !link.settle(wait).await? {
            put(results, &[error::TIME_OUT, 0]);
            return Ok(());
        }
        if !link.output.is_empty() {
            link.output.clear();
            shared.world().status(way.0).push(ScpiError::new(-410, ""));
        }
        link.input.extend_from_slice(data);
        if ends || link.input.len() > LINE_MAX {
            let line = std::mem::take(&mut link.input);
            // Carried out beside the call: the answer is fetched by reads.
            let working: JoinHandle<Fate> = self
                .shared
                .tasks
                .spawn(async move { respond_to_line(&shared, way, &line).await });
            link.working = Some(AbortOnDropHandle::new(working));
        }
        put(results, &[error::NONE, data.len() as u32]);
        Ok(())
    }

    async fn read(&mut self, call: &mut Words<'_>, results: &mut Vec<u8>) -> io::Result<()> {
        let id = call.next()?;
        let size = (call.next()? as usize).min(TRANSFER_MAX);
        let wait = Duration::from_millis(u64::from(call.next()?)).min(WAIT_MAX);
        let Some(link) = self.links.get_mut(&id) else {
            put(results, &[error::NO_SUCH_LINK, 0, 0]);
            return Ok(());
        };
        let settled = link.settle(wait).await?;
        if link.output.is_empty() || size == 0 {
            if settled {
                // Nothing is on its way: the time runs out all the same.
                tokio::time::sleep(wait).await;
            }
            put(results, &[error::TIME_OUT, 0, 0]);
            return Ok(());
        }
        let part: Vec<u8> = link.output.drain(..size.min(link.output.len())).collect();
        // 4: the message ends here; 1: as much as was asked for.
        let reason = match link.output.is_empty() && link.ends {
            true => 4,
            false => u32::from(part.len() == size),
        };
        put(results, &[error::NONE, reason]);
        put_bytes(results, &part);
        Ok(())
    }

    async fn status(&mut self, call: &mut Words<'_>, results: &mut Vec<u8>) -> io::Result<()> {
        let Some(link) = self.links.get_mut(&call.next()?) else {
            put(results, &[error::NO_SUCH_LINK, 0]);
            return Ok(());
        };
        link.settle(Duration::ZERO).await?;
        let mut status = status_byte(&mut self.shared.world(), self.port);
        if !link.output.is_empty() {
            status |= MESSAGE_AVAILABLE;
        }
        put(results, &[error::NONE, u32::from(status)]);
        Ok(())
    }

    fn clear(&mut self, call: &mut Words<'_>, results: &mut Vec<u8>) -> io::Result<()> {
        let error = match self.links.get_mut(&call.next()?) {
            Some(link) => {
                *link = Link::default();
                error::NONE
            }
            None => error::NO_SUCH_LINK,
        };
        put(results, &[error]);
        Ok(())
    }
}
