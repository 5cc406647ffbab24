//! The instruments over HiSLIP (IVI-6.1, version 1.0, synchronised mode), as an instrument speaks it.
//!
//! Two connections make a session: messages and answers on the first, device clear and the status byte
//! on the second.

use std::collections::{HashMap, HashSet};
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU16, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

use super::instrument::status_byte;
use super::scpi::ScpiError;
use super::serve::{Fate, LINE_MAX, respond_to_line};
use super::world::Port;
use super::{Shared, serve};

/// The most one message to the instrument may carry, bytes.
const PAYLOAD_MAX: usize = 16 * 1024;
/// The most one message of the instrument carries, bytes: longer answers come in several.
const TRANSFER_MAX: usize = 16 * 1024;
/// Sessions at a time.
const SESSIONS_MAX: usize = 16;
/// The longest that a lock is waited for, whatever is asked.
const LOCK_MAX: Duration = Duration::from_secs(60);
/// The wait between two looks at a lock that others hold.
const LOCK_POLL: Duration = Duration::from_millis(5);
/// The vendor number of the server, two letters.
const VENDOR: u32 = 0x5445;
/// On parts of an answer whose last part carries the number of the question.
const ANY_ID: u32 = 0xFFFF_FFFF;
/// Message available, of the status byte (IEEE 488.2, 11.2.1.2).
const MESSAGE_AVAILABLE: u8 = 1 << 4;

#[derive(Debug)]
struct Message {
    kind: u8,
    control: u8,
    parameter: u32,
    payload: Vec<u8>,
}

async fn read_message(from: &mut OwnedReadHalf) -> io::Result<Message> {
    let mut head = [0; 16];
    from.read_exact(&mut head).await?;
    let word = |at: usize| u32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
    let length = word(12) as usize;
    if &head[..2] != b"HS" || word(8) != 0 || length > PAYLOAD_MAX {
        return Err(io::Error::other("not a HiSLIP message that fits"));
    }
    let mut payload = vec![0; length];
    from.read_exact(&mut payload).await?;
    Ok(Message {
        kind: head[2],
        control: head[3],
        parameter: word(4),
        payload,
    })
}

async fn write_message(
    to: &mut OwnedWriteHalf,
    (kind, control, parameter): (u8, u8, u32),
    payload: &[u8],
) -> io::Result<()> {
    let mut bytes = vec![b'H', b'S', kind, control];
    bytes.extend_from_slice(&parameter.to_be_bytes());
    bytes.extend_from_slice(&(payload.len() as u64).to_be_bytes());
    bytes.extend_from_slice(payload);
    to.write_all(&bytes).await
}

/// What the two connections of a session share.
#[derive(Debug)]
struct Session {
    /// A device clear has begun on the second connection and not ended on the first.
    clearing: watch::Sender<bool>,
    /// By which it holds a lock.
    client: u64,
    /// The session has ended.
    over: watch::Sender<bool>,
    /// An answer was sent that the client has not said to have received.
    answered: AtomicBool,
    /// The second connection's way out, once it is there.
    asynchronous: tokio::sync::Mutex<Option<OwnedWriteHalf>>,
}

#[derive(Debug, Default)]
struct Sessions {
    open: Mutex<HashMap<u16, Arc<Session>>>,
    last: AtomicU16,
    lock: Mutex<Lock>,
}

/// Who may speak (IVI-6.1, 6.6, from memory): one alone, those who share a key, or all.
#[derive(Debug, Default)]
struct Lock {
    alone: Option<u16>,
    shared: Option<(Vec<u8>, HashSet<u16>)>,
}

impl Lock {
    fn take(&mut self, id: u16, key: &[u8]) -> bool {
        if self.alone.is_some_and(|holder| holder != id) {
            return false;
        }
        match (&mut self.shared, key.is_empty()) {
            (Some((known, holders)), false) if known.as_slice() == key => holders.insert(id),
            (Some(_), false) => return false,
            (Some((_, holders)), true) if !holders.contains(&id) => return false,
            (_, true) => {
                self.alone = Some(id);
                true
            }
            (None, false) => {
                self.shared = Some((key.to_vec(), HashSet::from([id])));
                true
            }
        };
        true
    }

    /// Whether there was something to give back.
    fn give_back(&mut self, id: u16) -> bool {
        let alone = self.alone.take_if(|holder| *holder == id).is_some();
        let mut shared = false;
        if let Some((_, holders)) = &mut self.shared {
            shared = holders.remove(&id);
            if holders.is_empty() {
                self.shared = None;
            }
        }
        alone || shared
    }

    fn keeps_out(&self, id: u16) -> bool {
        match (self.alone, &self.shared) {
            (Some(holder), _) => holder != id,
            (None, Some((_, holders))) => !holders.contains(&id),
            (None, None) => false,
        }
    }
}

impl Sessions {
    fn begin(&self, only_one: bool) -> Option<(u16, Arc<Session>)> {
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let room = match only_one {
            true => 1,
            false => SESSIONS_MAX,
        };
        if open.len() >= room {
            return None;
        }
        let session = Arc::new(Session {
            clearing: watch::Sender::new(false),
            client: serve::new_client(),
            over: watch::Sender::new(false),
            answered: AtomicBool::new(false),
            asynchronous: tokio::sync::Mutex::new(None),
        });
        let id = self.last.fetch_add(1, Ordering::Relaxed).wrapping_add(1);
        open.insert(id, Arc::clone(&session));
        Some((id, session))
    }

    fn find(&self, id: u32) -> Option<Arc<Session>> {
        let open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        u16::try_from(id).ok().and_then(|id| open.get(&id).cloned())
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Lock> {
        self.lock.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes the lock within the time given.
    async fn take_lock(&self, id: u16, key: &[u8], wait: Duration) -> bool {
        let begun = Instant::now();
        loop {
            if self.lock().take(id, key) {
                return true;
            }
            if begun.elapsed() >= wait {
                return false;
            }
            tokio::time::sleep(LOCK_POLL).await;
        }
    }

    /// Returns when nobody keeps this session out.
    async fn let_in(&self, id: u16) {
        while self.lock().keeps_out(id) {
            tokio::time::sleep(LOCK_POLL).await;
        }
    }

    fn end(&self, id: u16) {
        self.lock().give_back(id);
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(session) = open.remove(&id) {
            session.over.send_replace(true);
        }
    }
}

/// Serves an instrument over HiSLIP.
pub(super) fn instrument(shared: &Arc<Shared>, port: Port, listener: TcpListener) {
    let sessions = Arc::new(Sessions::default());
    serve::accept(shared, port, listener, move |shared, stream| {
        let sessions = Arc::clone(&sessions);
        async move { client(&shared, port, &sessions, stream).await }
    });
}

/// The first message says which of the two connections this is.
async fn client(
    shared: &Shared,
    port: Port,
    sessions: &Sessions,
    stream: TcpStream,
) -> io::Result<()> {
    let (mut reader, mut writer) = stream.into_split();
    let first = read_message(&mut reader).await?;
    match first.kind {
        0 => {
            let Some((id, session)) = sessions.begin(shared.one_client) else {
                // Fatal error 4 (IVI-6.1, table 12): maximum clients exceeded.
                return write_message(&mut writer, (2, 4, 0), b"another client is served").await;
            };
            let of = (sessions, &*session, id);
            let ended = synchronous(shared, port, of, (reader, writer)).await;
            sessions.end(id);
            shared.world().unlock(port, session.client);
            ended
        }
        17 => match sessions.find(first.parameter) {
            Some(session) => {
                let id = first.parameter as u16;
                asynchronous(shared, port, (sessions, &session, id), (reader, writer)).await
            }
            None => write_message(&mut writer, (2, 3, 0), b"no such session").await,
        },
        _ => write_message(&mut writer, (2, 3, 0), b"no session was begun").await,
    }
}

async fn synchronous(
    shared: &Shared,
    port: Port,
    (sessions, session, id): (&Sessions, &Session, u16),
    (mut reader, mut writer): (OwnedReadHalf, OwnedWriteHalf),
) -> io::Result<()> {
    let version_and_session = (0x0100 << 16) | u32::from(id);
    write_message(&mut writer, (1, 0, version_and_session), b"").await?;
    let mut line = Vec::new();
    loop {
        let message = read_message(&mut reader).await?;
        let clearing = *session.clearing.borrow();
        match message.kind {
            8 => {
                line.clear();
                session.answered.store(false, Ordering::Release);
                session.clearing.send_replace(false);
                write_message(&mut writer, (9, 0, 0), b"").await?;
            }
            _ if clearing => {}
            6 | 7 => {
                if line.is_empty() {
                    interrupt(shared, port, session, &message, &mut writer).await?;
                }
                line.extend_from_slice(&message.payload);
                if message.kind == 7 || line.len() > LINE_MAX {
                    sessions.let_in(id).await;
                    let said = std::mem::take(&mut line);
                    if !answer(shared, port, session, &said, message.parameter, &mut writer).await?
                    {
                        return Ok(());
                    }
                }
            }
            // A trigger does nothing here.
            12 => {}
            _ => write_message(&mut writer, (3, 1, 0), b"unrecognised message type").await?,
        }
    }
}

/// A new message before the last answer was received throws that answer away (-410).
async fn interrupt(
    shared: &Shared,
    port: Port,
    session: &Session,
    message: &Message,
    writer: &mut OwnedWriteHalf,
) -> io::Result<()> {
    let unread = session.answered.swap(false, Ordering::AcqRel);
    if !unread || message.control & 1 == 1 {
        return Ok(());
    }
    shared.world().status(port).push(ScpiError::new(-410, ""));
    if let Some(asynchronous) = session.asynchronous.lock().await.as_mut() {
        write_message(asynchronous, (14, 0, message.parameter), b"").await?;
    }
    write_message(writer, (13, 0, message.parameter), b"").await
}

/// Carries a message out and sends its answer, if there is one; false when the connection is to close.
async fn answer(
    shared: &Shared,
    port: Port,
    session: &Session,
    line: &[u8],
    id: u32,
    writer: &mut OwnedWriteHalf,
) -> io::Result<bool> {
    let mut clearing = session.clearing.subscribe();
    let fate = tokio::select! {
        biased;
        _ = clearing.wait_for(|clearing| *clearing) => return Ok(true),
        fate = respond_to_line(shared, (port, session.client), line) => fate,
    };
    let (bytes, ends) = match fate {
        Fate::Nothing | Fate::Swallow => return Ok(true),
        Fate::Close => return Ok(false),
        Fate::Send(bytes) => (bytes, true),
        Fate::Part(bytes) => (bytes, false),
    };
    session.answered.store(ends, Ordering::Release);
    let parts = bytes.len().div_ceil(TRANSFER_MAX).max(1);
    for (index, part) in bytes.chunks(TRANSFER_MAX).enumerate() {
        let head = match ends && index + 1 == parts {
            true => (7, 0, id),
            false => (6, 0, ANY_ID),
        };
        write_message(writer, head, part).await?;
    }
    Ok(true)
}

async fn asynchronous(
    shared: &Shared,
    port: Port,
    (sessions, session, id): (&Sessions, &Session, u16),
    (mut reader, mut writer): (OwnedReadHalf, OwnedWriteHalf),
) -> io::Result<()> {
    write_message(&mut writer, (18, 0, VENDOR), b"").await?;
    *session.asynchronous.lock().await = Some(writer);
    let mut over = session.over.subscribe();
    loop {
        let message = tokio::select! {
            _ = over.wait_for(|over| *over) => return Ok(()),
            message = read_message(&mut reader) => message?,
        };
        let mut writer = session.asynchronous.lock().await;
        let Some(writer) = writer.as_mut() else {
            return Ok(());
        };
        match message.kind {
            15 => {
                let size = (PAYLOAD_MAX as u64).to_be_bytes();
                write_message(writer, (16, 0, 0), &size).await?;
            }
            19 => {
                session.clearing.send_replace(true);
                write_message(writer, (23, 0, 0), b"").await?;
            }
            21 => {
                if message.control & 1 == 1 {
                    session.answered.store(false, Ordering::Release);
                }
                let mut status = status_byte(&mut shared.world(), port);
                if session.answered.load(Ordering::Acquire) {
                    status |= MESSAGE_AVAILABLE;
                }
                write_message(writer, (22, status, 0), b"").await?;
            }
            4 if message.control & 1 == 1 => {
                let wait = Duration::from_millis(u64::from(message.parameter)).min(LOCK_MAX);
                let taken = sessions.take_lock(id, &message.payload, wait).await;
                write_message(writer, (5, u8::from(taken), 0), b"").await?;
            }
            // 3: there was none to give back.
            4 => {
                let given = sessions.lock().give_back(id);
                write_message(writer, (5, if given { 1 } else { 3 }, 0), b"").await?;
            }
            10 => write_message(writer, (11, 0, 0), b"").await?,
            _ => write_message(writer, (3, 1, 0), b"unrecognised message type").await?,
        }
    }
}
