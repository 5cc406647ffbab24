//! Bytes in, bytes out: the sockets and terminals of the instruments, and their misbehaviour.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, oneshot};

use super::fault::{Fault, Happening};
use super::instrument::Answer;
use super::pty::Pty;
use super::scpi::{ScpiError, parse};
use super::world::{Port, Role};
use super::{Shared, handheld};

/// Longest line that an instrument takes, bytes.
pub(super) const LINE_MAX: usize = 64 * 1024;
/// Longest answer to one message, bytes; a longer one is a deadlock of both buffers (-430).
const ANSWER_MAX: usize = 4 * 1024 * 1024;
/// Shortest and longest wait between two looks at whether an instrument is idle: simulated time can
/// leap, and a change of settings can start a sweep anew.
const IDLE_POLL: (Duration, Duration) = (Duration::from_micros(200), Duration::from_millis(50));
/// Ctrl-C clears a serial line: what was sent is forgotten, what is being answered is broken off.
const CLEAR: u8 = 3;
/// What a garbled answer looks like.
const GARBAGE: &[u8] = b"\x00\xff#)\x7f\x80;\xfe\n";

/// Splits incoming bytes into lines.
struct Lines<R> {
    from: R,
    buffer: Vec<u8>,
    /// Of a line that was too long; its rest is thrown away.
    skipping: bool,
    /// A clear byte is heeded.
    serial: bool,
}

/// What came in.
#[derive(Debug, PartialEq, Eq)]
enum Line {
    Text(String),
    TooLong,
}

impl<R: AsyncRead + Unpin> Lines<R> {
    fn new(from: R, serial: bool) -> Self {
        Self {
            from,
            buffer: Vec::new(),
            skipping: false,
            serial,
        }
    }

    /// The next line; `None` at the end. Safe to be dropped while it waits.
    async fn next(&mut self) -> io::Result<Option<Line>> {
        loop {
            if let Some(line) = self.take() {
                return Ok(Some(line));
            }
            if !self.fill().await? {
                return Ok(None);
            }
        }
    }

    /// Waits for more bytes; false at the end.
    async fn fill(&mut self) -> io::Result<bool> {
        let mut chunk = [0; 4096];
        let count = self.from.read(&mut chunk).await?;
        self.buffer.extend_from_slice(&chunk[..count]);
        Ok(count > 0)
    }

    fn take(&mut self) -> Option<Line> {
        if self.serial
            && let Some(clear) = self.buffer.iter().rposition(|byte| *byte == CLEAR)
        {
            self.buffer.drain(..=clear);
            self.skipping = false;
        }
        loop {
            let end = self.buffer.iter().position(|byte| *byte == b'\n');
            let Some(end) = end else {
                if self.buffer.len() <= LINE_MAX {
                    return None;
                }
                self.buffer.clear();
                let first = !self.skipping;
                self.skipping = true;
                match first {
                    true => return Some(Line::TooLong),
                    false => return None,
                }
            };
            let line: Vec<u8> = self.buffer.drain(..=end).collect();
            if std::mem::take(&mut self.skipping) {
                continue;
            }
            let text = String::from_utf8_lossy(&line);
            return Some(Line::Text(text.trim_end_matches(['\r', '\n']).to_owned()));
        }
    }
}

/// Carries out one program message; the response message without its terminator, if there is one.
async fn respond(shared: &Shared, (port, client): (Port, u64), line: &str) -> Option<Vec<u8>> {
    let mut response: Vec<Vec<u8>> = Vec::new();
    for unit in parse(line) {
        let done = unit.and_then(|unit| {
            let mut world = shared.world();
            shared.tables.execute(&mut world, (port, client), &unit)
        });
        match done {
            Ok(Answer::Nothing) => {}
            Ok(Answer::Data(data)) => response.push(data),
            Ok(Answer::Wait) => idle(shared, port).await,
            Ok(Answer::DataWhenIdle(data)) => {
                idle(shared, port).await;
                response.push(data);
            }
            Err(error) => {
                let stops = error.is_command_error();
                shared.world().status(port).push(error);
                if stops {
                    break;
                }
            }
        }
        if response.iter().map(Vec::len).sum::<usize>() > ANSWER_MAX {
            let error = ScpiError::new(-430, "answer too long");
            shared.world().status(port).push(error);
            return None;
        }
    }
    (!response.is_empty()).then(|| response.join(&b';'))
}

/// Waits until the instrument has nothing pending.
pub(super) async fn idle(shared: &Shared, port: Port) {
    loop {
        let pending = shared.world().pending(port);
        match pending {
            None => return,
            Some(left) => tokio::time::sleep(left.clamp(IDLE_POLL.0, IDLE_POLL.1)).await,
        }
    }
}

/// What is to happen to an answer.
pub(super) enum Fate {
    /// There is none.
    Nothing,
    /// All of it is sent.
    Send(Vec<u8>),
    /// This much is sent and never the rest.
    Part(Vec<u8>),
    Swallow,
    Close,
}

/// Carries out one program message that came whole, and lets the faults take their effect.
pub(super) async fn respond_to_line(
    shared: &Shared,
    (port, client): (Port, u64),
    line: &[u8],
) -> Fate {
    if shared.world().is_shut_away(port) {
        return Fate::Swallow;
    }
    if line.len() > LINE_MAX {
        let error = ScpiError::new(-223, "line too long");
        shared.world().status(port).push(error);
        return Fate::Nothing;
    }
    let text = String::from_utf8_lossy(line);
    let text = text.trim_end_matches(['\r', '\n']);
    match respond(shared, (port, client), text).await {
        None => Fate::Nothing,
        Some(mut answer) => {
            answer.push(b'\n');
            spoil(shared, port, answer).await
        }
    }
}

/// Lets the faults that were asked for take their effect on an answer.
async fn spoil(shared: &Shared, port: Port, answer: Vec<u8>) -> Fate {
    let delay = shared.world().traffic(port).delay;
    if !delay.is_zero() {
        tokio::time::sleep(delay).await;
    }
    let mut world = shared.world();
    if port.role() == Role::Source {
        world.happens(Happening::Answered);
    }
    let traffic = world.traffic(port);
    traffic.answers += 1;
    if traffic.silent > 0 {
        traffic.silent -= 1;
        return Fate::Swallow;
    }
    if traffic.take(Fault::Drop) {
        return Fate::Close;
    }
    if traffic.take(Fault::Garbage) {
        return Fate::Send(GARBAGE.to_vec());
    }
    if answer.starts_with(b"#") && traffic.take(Fault::HalfBlock) {
        let half = answer.len() / 2;
        return Fate::Part(answer[..half].to_vec());
    }
    Fate::Send(answer)
}

/// The number of a new connection, by which it holds a lock.
pub(super) fn new_client() -> u64 {
    static LAST: AtomicU64 = AtomicU64::new(0);
    LAST.fetch_add(1, Ordering::Relaxed)
}

/// Talks with one client until it leaves; what it had locked is free then.
async fn talk<R: AsyncRead + Unpin, W: AsyncWrite + Unpin>(
    shared: &Shared,
    port: Port,
    reader: R,
    writer: W,
) -> io::Result<()> {
    let client = new_client();
    let ended = converse(shared, (port, client), reader, writer).await;
    shared.world().unlock(port, client);
    ended
}

async fn converse<R: AsyncRead + Unpin, W: AsyncWrite + Unpin>(
    shared: &Shared,
    (port, client): (Port, u64),
    reader: R,
    mut writer: W,
) -> io::Result<()> {
    let serial = matches!(port, Port::SourceSerial | Port::Serial | Port::Handheld);
    let mut lines = Lines::new(reader, serial);
    while let Some(line) = lines.next().await? {
        if shared.world().is_shut_away(port) {
            continue;
        }
        let answer = match (line, port) {
            (Line::TooLong, _) => {
                let error = ScpiError::new(-223, "line too long");
                shared.world().status(port).push(error);
                None
            }
            (Line::Text(text), Port::Handheld) => Some(handheld::answer(shared, &text).await),
            (Line::Text(text), _) => {
                let answer = respond(shared, (port, client), &text).await;
                answer.map(|mut answer| {
                    answer.push(b'\n');
                    answer
                })
            }
        };
        let Some(answer) = answer else { continue };
        match spoil(shared, port, answer).await {
            Fate::Close => return Ok(()),
            Fate::Nothing | Fate::Swallow => {}
            Fate::Send(bytes) | Fate::Part(bytes) if serial => {
                send_unless_interrupted(shared, port, &mut lines, &mut writer, &bytes).await?;
            }
            Fate::Send(bytes) | Fate::Part(bytes) => writer.write_all(&bytes).await?,
        }
    }
    Ok(())
}

/// A serial line blocks while nobody reads. Whoever sends again instead has lost the rest (-410).
async fn send_unless_interrupted<R: AsyncRead + Unpin, W: AsyncWrite + Unpin>(
    shared: &Shared,
    port: Port,
    lines: &mut Lines<R>,
    writer: &mut W,
    bytes: &[u8],
) -> io::Result<()> {
    tokio::select! {
        biased;
        sent = writer.write_all(bytes) => sent,
        more = lines.fill() => {
            more?;
            shared.world().status(port).push(ScpiError::new(-410, ""));
            Ok(())
        }
    }
}

/// Serves an instrument on a socket.
pub(super) fn instrument(shared: &Arc<Shared>, port: Port, listener: TcpListener) {
    let state = Arc::clone(shared);
    shared.tasks.spawn(async move {
        let busy = Arc::new(AtomicBool::new(false));
        loop {
            let accepted = tokio::select! {
                () = state.stop.cancelled() => return,
                accepted = listener.accept() => accepted,
            };
            // A connection that failed before it was accepted is the client's affair.
            let Ok((stream, _)) = accepted else { continue };
            let refused = state.world().traffic(port).refusing;
            if refused || (state.one_client && busy.swap(true, Ordering::AcqRel)) {
                continue;
            }
            state
                .tasks
                .spawn(client(Arc::clone(&state), port, stream, Arc::clone(&busy)));
        }
    });
}

/// Takes clients of an instrument on another socket than its raw one, and serves each until it leaves.
pub(super) fn accept<F>(
    shared: &Arc<Shared>,
    port: Port,
    listener: TcpListener,
    serve: impl Fn(Arc<Shared>, TcpStream) -> F + Send + Sync + 'static,
) where
    F: Future<Output = io::Result<()>> + Send + 'static,
{
    let state = Arc::clone(shared);
    shared.tasks.spawn(async move {
        loop {
            let accepted = tokio::select! {
                () = state.stop.cancelled() => return,
                accepted = listener.accept() => accepted,
            };
            let Ok((stream, _)) = accepted else { continue };
            if state.world().traffic(port).refusing {
                continue;
            }
            // Without it small answers wait for acknowledgements; if it fails they are only slower.
            let _ = stream.set_nodelay(true);
            let client = serve(Arc::clone(&state), stream);
            let stop = state.stop.clone();
            state.tasks.spawn(async move {
                tokio::select! {
                    () = stop.cancelled() => {}
                    ended = client => {
                        if let Err(error) = ended {
                            tracing::debug!(port = port.name(), %error, "client lost");
                        }
                    }
                }
            });
        }
    });
}

async fn client(shared: Arc<Shared>, port: Port, stream: TcpStream, busy: Arc<AtomicBool>) {
    // Without it small answers wait for acknowledgements; if it fails they are only slower.
    let _ = stream.set_nodelay(true);
    let (reader, writer) = stream.into_split();
    tokio::select! {
        () = shared.stop.cancelled() => {}
        ended = talk(&shared, port, reader, writer) => {
            if let Err(error) = ended {
                tracing::debug!(port = port.name(), %error, "client lost");
            }
        }
    }
    busy.store(false, Ordering::Release);
}

/// What can be done to a terminal from the control port.
pub(super) enum Plug {
    /// Pull it out: the device is gone.
    Pull(oneshot::Sender<Result<String, String>>),
    /// Plug it in again: a new device, perhaps of another name.
    Replug(oneshot::Sender<Result<String, String>>),
}

/// Handles to the terminals.
#[derive(Debug, Clone)]
pub(super) struct Terminals {
    pub source: mpsc::Sender<Plug>,
    pub serial: mpsc::Sender<Plug>,
    pub handheld: mpsc::Sender<Plug>,
}

/// Serves an instrument on a terminal.
pub(super) fn terminal(shared: &Arc<Shared>, port: Port, first: Pty) -> mpsc::Sender<Plug> {
    let (sender, mut plugs) = mpsc::channel(4);
    let state = Arc::clone(shared);
    shared.tasks.spawn(async move {
        let mut line = Some(first);
        loop {
            let plug = tokio::select! {
                () = state.stop.cancelled() => return,
                plug = plugs.recv() => plug,
                () = keep_talking(&state, port, line.take()) => None,
            };
            let answered = match plug {
                None => return,
                // The line was dropped with the conversation that `select` gave up.
                Some(Plug::Pull(reply)) => reply.send(Ok("pulled".into())),
                Some(Plug::Replug(reply)) => match Pty::open() {
                    Ok(new) => {
                        let address = new.address();
                        line = Some(new);
                        reply.send(Ok(address))
                    }
                    Err(error) => reply.send(Err(error.to_string())),
                },
            };
            if answered.is_err() {
                tracing::debug!(port = port.name(), "nobody waits for the plug any more");
            }
        }
    });
    sender
}

/// Talks on a terminal, or waits for ever when there is none.
async fn keep_talking(shared: &Shared, port: Port, line: Option<Pty>) {
    if let Some(line) = line {
        let (reader, writer, _far_end) = line.into_parts();
        if let Err(error) = talk(shared, port, reader, writer).await {
            tracing::debug!(port = port.name(), %error, "terminal lost");
        }
    }
    std::future::pending().await
}
