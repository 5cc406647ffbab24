//! The interlock: a contact that has to be closed while anything is emitted.
//!
//! Fail safe: what cannot be read is open, and so is what has not been heard of for a while. It opens at once and
//! closes only after it has been closed for a moment, so that a chattering contact counts as open. Every change is
//! kept in the store, by a task of its own: stopping an emission waits for no disk.
//!
//! Over TCP the contact is a server that says `closed` or `open`, a line each, whenever it changes and at least
//! once a second. Anything else it says, its silence, and the end of the connection count as open.

use std::io::Read;
use std::time::Duration;

use jiff::Timestamp;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, BufReader};
use tokio::net::TcpStream;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;

use crate::config::{Contact, ModemLine};
use crate::store::{InterlockRecord, Store};

/// Between two looks at a file or a serial line.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// A file or a line that was not read for so long counts as open: the reading itself may hang.
const LOOK_MAX: Duration = Duration::from_millis(500);
/// A server that said nothing for so long counts as open.
const SILENCE_MAX: Duration = Duration::from_millis(2500);
/// How long a contact must be closed before it counts.
const CLOSED_FOR: Duration = Duration::from_millis(100);
/// How long opening a station waits for the contact to be read for the first time.
const FIRST_LOOK_MAX: Duration = Duration::from_secs(2);
/// The wait before a lost contact is connected to again, or a port opened.
const AGAIN: Duration = Duration::from_millis(250);
/// The longest line that a server may say.
const LINE_BYTES_MAX: u64 = 64;
/// Looks that may wait to be judged.
const LOOKS_MAX: usize = 64;
/// Changes that may wait to be kept.
const CHANGES_MAX: usize = 256;
/// Any rate will do: no character is exchanged.
const BAUD: u32 = 9600;

/// The interlock as it is.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum InterlockState {
    /// The station has none.
    Absent,
    /// Closed: emission is possible.
    Closed {
        /// Since when.
        since: Timestamp,
    },
    /// Open, or not to be read: nothing may be emitted.
    Open {
        /// Since when.
        since: Timestamp,
        /// What was seen.
        reason: String,
    },
}

impl InterlockState {
    /// Why nothing may be emitted; none when it may.
    pub fn opened(&self) -> Option<&str> {
        match self {
            Self::Open { reason, .. } => Some(reason),
            Self::Absent | Self::Closed { .. } => None,
        }
    }
}

/// One look at the contact: closed or not, or why it cannot be read.
type Look = Result<bool, String>;

/// Begins to watch a contact; without one, a state that never changes.
///
/// Returns once the contact was read, or has been found unreadable for [`FIRST_LOOK_MAX`].
pub(super) async fn watch_over(
    contact: Option<&Contact>,
    station: &str,
    store: &Store,
) -> watch::Receiver<InterlockState> {
    let Some(contact) = contact.cloned() else {
        return watch::channel(InterlockState::Absent).1;
    };
    let (looks, seen) = mpsc::channel(LOOKS_MAX);
    let silence_max = match &contact {
        Contact::Tcp { .. } => SILENCE_MAX,
        Contact::File { .. } | Contact::Serial { .. } => LOOK_MAX,
    };
    let (state, mut watched) = watch::channel(InterlockState::Open {
        since: Timestamp::now(),
        reason: "it has not been read yet".to_owned(),
    });
    match contact.clone() {
        Contact::Tcp { host, port } => {
            tokio::spawn(listen(host, port, looks));
        }
        Contact::File { path, closed } => {
            std::thread::spawn(move || look_again_and_again(&looks, || file_is(&path, closed)));
        }
        Contact::Serial { path, line } => {
            std::thread::spawn(move || read_lines(&path, line, &looks));
        }
    }
    let (changes, kept) = mpsc::channel(CHANGES_MAX);
    tokio::spawn(keep(kept, station.to_owned(), store.clone()));
    let judgement = Judgement::new(silence_max, Instant::now());
    tokio::spawn(judge(seen, contact.to_string(), judgement, state, changes));
    let closed = watched.wait_for(|state| state.opened().is_none());
    // What is still open then is for the first emission to say.
    let _ = tokio::time::timeout(FIRST_LOOK_MAX, closed).await;
    watched
}

/// What looks at a contact mean, by the time at which they were made.
struct Judgement {
    silence_max: Duration,
    last_look: Instant,
    /// Since when the contact has been seen closed without a break.
    closed: Option<Instant>,
    /// It has been closed for long enough.
    counts: bool,
}

impl Judgement {
    fn new(silence_max: Duration, now: Instant) -> Self {
        Self {
            silence_max,
            last_look: now,
            closed: None,
            counts: false,
        }
    }

    /// When something follows although nothing is seen.
    fn wakes(&self) -> Instant {
        let silent = self.last_look + self.silence_max;
        match self.closed {
            Some(since) if !self.counts => silent.min(since + CLOSED_FOR),
            _ => silent,
        }
    }

    /// What a look at `now` means: closed (`Ok`), open and why, or nothing yet.
    fn look(&mut self, look: Look, now: Instant) -> Option<Result<(), String>> {
        self.last_look = now;
        let why = match look {
            Ok(true) => return self.closed_until(now),
            Ok(false) => "is open".to_owned(),
            Err(why) => format!("counts as open: {why}"),
        };
        self.closed = None;
        self.counts = false;
        Some(Err(why))
    }

    /// What it means that nothing was seen until `now`.
    fn silence(&mut self, now: Instant) -> Option<Result<(), String>> {
        let silence_max = self.silence_max;
        match (now < self.last_look + silence_max, self.closed) {
            (true, Some(_)) => self.closed_until(now),
            (true, None) => None,
            (false, _) => {
                let why = format!("nothing was heard of it for {silence_max:?}");
                self.look(Err(why), now)
            }
        }
    }

    fn closed_until(&mut self, now: Instant) -> Option<Result<(), String>> {
        let since = *self.closed.get_or_insert(now);
        self.counts = now >= since + CLOSED_FOR;
        self.counts.then_some(Ok(()))
    }
}

/// Makes of looks what the guard goes by. Ends when nobody watches any more.
async fn judge(
    mut looks: mpsc::Receiver<Look>,
    contact: String,
    mut judgement: Judgement,
    state: watch::Sender<InterlockState>,
    changes: mpsc::Sender<InterlockState>,
) {
    loop {
        let meaning = tokio::select! {
            biased;
            () = state.closed() => return,
            look = looks.recv() => {
                let look = look.unwrap_or_else(|| Err("its reader has ended".to_owned()));
                judgement.look(look, Instant::now())
            }
            () = tokio::time::sleep_until(judgement.wakes()) => judgement.silence(Instant::now()),
        };
        let since = Timestamp::now();
        let new = match meaning {
            None => continue,
            Some(Ok(())) => InterlockState::Closed { since },
            Some(Err(why)) => open(since, format!("{contact} {why}")),
        };
        let told = state.send_if_modified(|now| {
            let changed = now.opened() != new.opened();
            if changed {
                *now = new.clone();
            }
            changed
        });
        if told && changes.try_send(new).is_err() {
            tracing::error!("a change of the interlock is not in the log: the store is too slow");
        }
        // A reader that has ended would be asked again at once.
        if looks.is_closed() {
            return;
        }
    }
}

fn open(since: Timestamp, reason: String) -> InterlockState {
    InterlockState::Open { since, reason }
}

/// Keeps every change.
async fn keep(mut changes: mpsc::Receiver<InterlockState>, station: String, store: Store) {
    while let Some(change) = changes.recv().await {
        let (at, closed, reason) = match change {
            InterlockState::Absent => continue,
            InterlockState::Closed { since } => (since, true, "closed".to_owned()),
            InterlockState::Open { since, reason } => (since, false, reason),
        };
        let record = InterlockRecord {
            at,
            station: station.clone(),
            closed,
            reason,
        };
        if let Err(error) = store.note_interlock(&record).await {
            tracing::error!(%error, ?record, "a change of the interlock is not in the log");
        }
    }
}

/// Looks until nobody wants to know any more.
fn look_again_and_again(looks: &mpsc::Sender<Look>, mut look: impl FnMut() -> Look) {
    while looks.blocking_send(look()).is_ok() {
        std::thread::sleep(LOOK_EVERY);
    }
}

fn file_is(path: &str, closed: u8) -> Look {
    let mut first = [0];
    let read = std::fs::File::open(path).and_then(|mut file| file.read(&mut first));
    match read {
        Ok(0) => Err("the file is empty".to_owned()),
        Ok(_) => Ok(first[0] == closed),
        Err(error) => Err(error.to_string()),
    }
}

/// Opens the port, and opens it again when it was lost: an adapter may be unplugged.
fn read_lines(path: &str, line: ModemLine, looks: &mpsc::Sender<Look>) {
    let mut port: Option<serialport::TTYPort> = None;
    let look = || -> Look {
        if port.is_none() {
            port = Some(open_port(path).inspect_err(|_| std::thread::sleep(AGAIN))?);
        }
        let read = port.as_mut().map(|port| read_line(port, line));
        let read = read.unwrap_or_else(|| Err("the port is closed".to_owned()));
        if read.is_err() {
            port = None;
        }
        read
    };
    look_again_and_again(looks, look);
}

fn open_port(path: &str) -> Result<serialport::TTYPort, String> {
    use serialport::SerialPort;
    let mut port = serialport::new(path, BAUD)
        .open_native()
        .map_err(|error| error.to_string())?;
    let held_on = port
        .write_data_terminal_ready(true)
        .and_then(|()| port.write_request_to_send(true));
    match held_on {
        Ok(()) => Ok(port),
        Err(error) => Err(format!("it cannot hold DTR and RTS on: {error}")),
    }
}

fn read_line(port: &mut serialport::TTYPort, line: ModemLine) -> Look {
    use serialport::SerialPort;
    let on = match line {
        ModemLine::Cts => port.read_clear_to_send(),
        ModemLine::Dsr => port.read_data_set_ready(),
        ModemLine::Dcd => port.read_carrier_detect(),
        ModemLine::Ri => port.read_ring_indicator(),
    };
    on.map_err(|error| error.to_string())
}

/// Listens to a server, and connects again when it is lost.
async fn listen(host: String, port: u16, looks: mpsc::Sender<Look>) {
    loop {
        let why = tokio::select! {
            () = looks.closed() => return,
            why = listen_once(&host, port, &looks) => why,
        };
        if looks.send(Err(why)).await.is_err() {
            return;
        }
        tokio::time::sleep(AGAIN).await;
    }
}

/// Until the connection is lost; why it was.
async fn listen_once(host: &str, port: u16, looks: &mpsc::Sender<Look>) -> String {
    let stream = match TcpStream::connect((host, port)).await {
        Ok(stream) => stream,
        Err(error) => return error.to_string(),
    };
    let mut lines = BufReader::new(stream);
    loop {
        let mut line = Vec::new();
        let mut limited = (&mut lines).take(LINE_BYTES_MAX);
        let read = limited.read_until(b'\n', &mut line);
        match tokio::time::timeout(SILENCE_MAX, read).await {
            Ok(Ok(0)) => return "the connection was closed".to_owned(),
            Ok(Ok(_)) => {}
            Ok(Err(error)) => return error.to_string(),
            Err(_elapsed) => return format!("it said nothing for {SILENCE_MAX:?}"),
        }
        let look = match line.trim_ascii() {
            b"closed" => Ok(true),
            b"open" => Ok(false),
            other => Err(format!("it said {:?}", String::from_utf8_lossy(other))),
        };
        if looks.send(look).await.is_err() {
            return "nobody wants to know".to_owned();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::AsyncWriteExt;

    const MS: Duration = Duration::from_millis(1);

    #[test]
    fn it_closes_after_a_moment_and_opens_at_once() {
        let begun = Instant::now();
        let mut door = Judgement::new(LOOK_MAX, begun);
        assert_eq!(door.look(Ok(true), begun), None, "closed too soon");
        assert_eq!(door.wakes(), begun + CLOSED_FOR);
        assert_eq!(door.silence(begun + CLOSED_FOR - MS), None);
        assert_eq!(door.silence(begun + CLOSED_FOR), Some(Ok(())));
        assert_eq!(door.wakes(), begun + LOOK_MAX, "nothing more to wait for");
        assert_eq!(door.look(Ok(true), begun + CLOSED_FOR + MS), Some(Ok(())));
        let opened = door.look(Ok(false), begun + CLOSED_FOR + MS);
        assert_eq!(opened, Some(Err("is open".to_owned())));
        // It chatters: never closed for long enough.
        for n in 1..20 {
            let at = begun + CLOSED_FOR * n;
            assert_eq!(door.look(Ok(true), at), None);
            assert_eq!(door.look(Ok(true), at + CLOSED_FOR / 2), None);
            assert!(matches!(
                door.look(Ok(false), at + CLOSED_FOR - MS),
                Some(Err(_))
            ));
        }
    }

    #[test]
    fn what_is_not_heard_of_is_open() {
        let begun = Instant::now();
        let mut door = Judgement::new(LOOK_MAX, begun);
        assert_eq!(door.look(Ok(true), begun), None);
        assert_eq!(door.look(Ok(true), begun + CLOSED_FOR), Some(Ok(())));
        assert_eq!(door.silence(begun + LOOK_MAX), Some(Ok(())));
        let said = door.silence(begun + CLOSED_FOR + LOOK_MAX);
        let said = said.expect("a meaning").expect_err("open");
        assert!(said.contains("nothing was heard"), "{said}");
        let again = begun + CLOSED_FOR + LOOK_MAX + MS;
        assert_eq!(door.look(Ok(true), again), None, "it has to settle again");
        let unplugged = door.look(Err("unplugged".to_owned()), again + CLOSED_FOR);
        assert!(matches!(unplugged, Some(Err(_))));
        assert_eq!(door.silence(again + CLOSED_FOR + MS), None);
    }

    #[test]
    fn a_file_is_closed_by_its_first_byte() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("door");
        let path = path.to_str().expect("UTF-8");
        assert!(file_is(path, b'1').is_err(), "not there");
        for (text, look) in [("1\n", Ok(true)), ("0\n", Ok(false)), ("x", Ok(false))] {
            std::fs::write(path, text).expect("written");
            assert_eq!(file_is(path, b'1'), look, "{text:?}");
        }
        std::fs::write(path, "").expect("written");
        assert!(file_is(path, b'1').is_err(), "empty");
        let folder = folder.path().to_str().expect("UTF-8");
        assert!(file_is(folder, b'1').is_err(), "a folder");
    }

    #[test]
    fn a_port_without_the_lines_counts_as_open() {
        let terminal = rustix::pty::openpt(rustix::pty::OpenptFlags::RDWR).expect("a terminal");
        rustix::pty::unlockpt(&terminal).expect("unlocked");
        let name = rustix::pty::ptsname(&terminal, Vec::new()).expect("a name");
        let name = name.to_str().expect("UTF-8");
        let said = open_port(name).and_then(|mut port| read_line(&mut port, ModemLine::Cts));
        assert!(said.is_err(), "{said:?}");
        assert!(open_port("/nowhere/ttyUSB0").is_err());
    }

    #[tokio::test]
    async fn a_server_says_so_line_by_line() {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
            .await
            .expect("a socket");
        let port = listener.local_addr().expect("bound").port();
        let (looks, mut seen) = mpsc::channel(LOOKS_MAX);
        let listening = tokio::spawn(listen("127.0.0.1".to_owned(), port, looks));
        let (mut server, _) = listener.accept().await.expect("a client");
        server
            .write_all(b"closed\r\nopen\nclo")
            .await
            .expect("said");
        assert_eq!(seen.recv().await, Some(Ok(true)));
        assert_eq!(seen.recv().await, Some(Ok(false)));
        drop(server);
        assert!(seen.recv().await.expect("an end").is_err());
        listening.abort();
    }
}
