//! What can go wrong with the store, each fault with its place and what to do about it.

use super::{EmissionId, JobId, ReadingKey, RunId, RunState};
use std::path::{Path, PathBuf};

/// Why the store could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The folder that should hold the file is not there.
    #[error("{}: `{}` is not a folder; create it or name another path", path.display(), folder.display())]
    NoFolder {
        /// The database file.
        path: PathBuf,
        /// What should be a folder.
        folder: PathBuf,
    },
    /// There is no such file, and reading must not create one.
    #[error("{}: no such file; measure something first or name another path", path.display())]
    Missing {
        /// The database file.
        path: PathBuf,
    },
    /// The operating system refused.
    #[error("{}: cannot be opened ({detail}); check the permissions of the file and its folder", path.display())]
    CannotOpen {
        /// The database file.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
    /// Something was to be written where nothing can be.
    #[error("{}: cannot {doing}: the file or its folder is read-only; make both writable or use another path", path.display())]
    ReadOnly {
        /// The database file.
        path: PathBuf,
        /// What was being done.
        doing: String,
    },
    /// The file was taken away under a running program.
    #[error("{}: cannot {doing}: the file {problem} while the program used it; end the program, put the file back or restore a backup, then start it again", path.display())]
    Gone {
        /// The database file.
        path: PathBuf,
        /// What was being done.
        doing: String,
        /// What happened to the file.
        problem: &'static str,
    },
    /// No room left.
    #[error("{}: cannot {doing}: the disk is full; what was kept before is safe; free some space and resume", path.display())]
    Full {
        /// The database file.
        path: PathBuf,
        /// What was being done.
        doing: String,
    },
    /// Another process kept the file for longer than [`super::BUSY_TIMEOUT`].
    #[error("{}: cannot {doing}: another process holds the file locked; wait for it or stop it, then try again", path.display())]
    Locked {
        /// The database file.
        path: PathBuf,
        /// What was being done.
        doing: String,
    },
    /// Not an SQLite file at all.
    #[error("{}: not a database; name the right file (this one was left as it was)", path.display())]
    NotADatabase {
        /// The file.
        path: PathBuf,
    },
    /// An SQLite file of another program.
    #[error("{}: a database of another program; name the right file (this one was left as it was)", path.display())]
    NotAStore {
        /// The file.
        path: PathBuf,
    },
    /// SQLite found the file damaged.
    #[error("{}: cannot {doing}: the file is damaged ({detail}); keep a copy, then restore a backup", path.display())]
    Corrupt {
        /// The database file.
        path: PathBuf,
        /// What was being done.
        doing: String,
        /// What SQLite said.
        detail: String,
    },
    /// The device under the file failed.
    #[error("{}: cannot {doing}: the disk reports an error ({detail}); check it before going on", path.display())]
    Disk {
        /// The database file.
        path: PathBuf,
        /// What was being done.
        doing: String,
        /// What SQLite said.
        detail: String,
    },
    /// Written by a later program.
    #[error("{}: schema {found} is newer than this program's {known}; use the newer program", path.display())]
    TooNew {
        /// The database file.
        path: PathBuf,
        /// Its schema version.
        found: i64,
        /// The newest this program knows.
        known: i64,
    },
    /// Written by an earlier program, and it cannot be migrated where it is.
    #[error("{}: schema {found} is older than this program's {known}, and it cannot be written there; copy it to where it can, and ask again: it is then backed up and migrated", path.display())]
    TooOld {
        /// The database file.
        path: PathBuf,
        /// Its schema version.
        found: i64,
        /// The newest this program knows.
        known: i64,
    },
    /// A lot's rule was to be changed once results are known.
    #[error("lot {lot} has been measured, so its plan is fixed; make a new lot for another plan")]
    LotFixed {
        /// The lot.
        lot: String,
    },
    /// A migration failed and was undone.
    #[error("{}: migrating from schema {found} to {known} failed and was undone; the file is as it was", path.display())]
    Migration {
        /// The database file.
        path: PathBuf,
        /// Its schema version.
        found: i64,
        /// The newest this program knows.
        known: i64,
        /// What SQLite said.
        source: Box<sqlx::migrate::MigrateError>,
    },
    /// The copy before a migration could not be made, so nothing was migrated.
    #[error("{}: the backup `{}` could not be written ({detail}), so nothing was changed; make room for it, or look at the file with `muffle store check`", path.display(), backup.display())]
    Backup {
        /// The database file.
        path: PathBuf,
        /// The copy.
        backup: PathBuf,
        /// What went wrong.
        detail: String,
    },
    /// A name that cannot be stored.
    #[error("{what} {problem}; use 1 to {max} characters without control characters", max = super::NAME_CHARS_MAX)]
    BadName {
        /// Whose name.
        what: &'static str,
        /// What is wrong with it.
        problem: String,
    },
    /// A text beyond its limit.
    #[error("{what} has {bytes} bytes; at most {max} are kept", max = super::TEXT_BYTES_MAX)]
    TooLong {
        /// Which text.
        what: String,
        /// How long it is.
        bytes: usize,
    },
    /// NaN or infinity where a number is needed.
    #[error(
        "{place}: {what} is {value}, not a number that can be kept; the instrument's answer should have been refused"
    )]
    NotFinite {
        /// Run or emission, and point.
        place: String,
        /// Which number.
        what: &'static str,
        /// What it was.
        value: f64,
    },
    /// A trace without levels, with more than [`super::TRACE_POINTS_MAX`], or backwards.
    #[error("run {run}, {key}: the trace {problem}")]
    BadTrace {
        /// The run.
        run: RunId,
        /// The reading it belongs to.
        key: ReadingKey,
        /// What is wrong with it.
        problem: String,
    },
    /// A question that cannot be answered so.
    #[error("{reason}")]
    BadQuery {
        /// Why, and what to ask instead.
        reason: String,
    },
    /// A file that somebody asked for could not be written or read.
    #[error("{}: {problem}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What is wrong, and what to do.
        problem: String,
    },
    /// Two files say different things under one id.
    #[error("{}: contradicts this store, so nothing was merged; one of the files was altered, find out which:\n  {}", path.display(), faults.join("\n  "))]
    Contradiction {
        /// The other file.
        path: PathBuf,
        /// The first of what differs.
        faults: Vec<String>,
    },
    /// Another file is not what its own checksums and seals say.
    #[error("{}: has {count} faults, so nothing was changed here; find out how they came into that file, or use a backup of it:\n  {}", path.display(), faults.join("\n  "))]
    Unsound {
        /// The other file.
        path: PathBuf,
        /// How many.
        count: usize,
        /// The first of them.
        faults: Vec<String>,
    },
    /// The trace was moved to another file.
    #[error(
        "the trace of run {run}, {key} was moved to `{name}`; `muffle store attach {name}` brings it back"
    )]
    TraceMoved {
        /// The run.
        run: RunId,
        /// The reading.
        key: Box<ReadingKey>,
        /// The file's name when it was written.
        name: String,
    },
    /// No run of that name.
    #[error("no run `{given}`; `muffle history` lists them")]
    UnknownRun {
        /// What was asked for.
        given: String,
    },
    /// The beginning of more than one run's id.
    #[error(
        "`{given}` fits more than one run: {}; give more characters",
        list(candidates)
    )]
    AmbiguousRun {
        /// What was asked for.
        given: String,
        /// The first of those that fit, newest first.
        candidates: Vec<RunId>,
    },
    /// A run of an item that was never put in.
    #[error("item `{serial}` is not in the store; put it in before its run")]
    UnknownItem {
        /// Its serial.
        serial: String,
    },
    /// A reference to something that is not there.
    #[error("cannot {doing}: it refers to a snapshot, run or reading that is not in the store")]
    Dangling {
        /// What was being done.
        doing: String,
    },
    /// Readings go into running runs only, and a complete run stays complete.
    #[error("cannot {doing}: run {run} is {state}")]
    WrongState {
        /// What was being done.
        doing: String,
        /// The run.
        run: RunId,
        /// Its state.
        state: RunState,
    },
    /// There is a reading of that point; readings are never replaced.
    #[error(
        "run {run} has a {key} already; readings are never replaced: start a new run to measure again"
    )]
    AlreadyRead {
        /// The run.
        run: RunId,
        /// The reading.
        key: ReadingKey,
    },
    /// An emission that is not open.
    #[error("emission {id} is not open: it never began or has ended already")]
    NotOpen {
        /// The emission.
        id: EmissionId,
    },
    /// A recording or a pass that is not there, or not to be changed any more.
    #[error("cannot {doing}: it is not in {}, or it was closed before", path.display())]
    Closed {
        /// The database file.
        path: PathBuf,
        /// What was being done.
        doing: String,
    },
    /// A held trace that is not what was written.
    #[error("{}: trace {seq} of recording {recording} does not match its checksum: the file was altered or its disk has failed; fetch the recorder's file again", path.display())]
    HoldAltered {
        /// The database file.
        path: PathBuf,
        /// The recording.
        recording: super::RecordingId,
        /// Its place in it.
        seq: u32,
    },
    /// A trace that is not what was written.
    #[error("{}: the trace of run {run}, {key} does not match its checksum: the file was altered or the disk has failed; restore a backup", path.display())]
    TraceAltered {
        /// The database file.
        path: PathBuf,
        /// The run.
        run: RunId,
        /// The reading.
        key: ReadingKey,
    },
    /// No such job.
    #[error("there is no job `{given}`; `muffle queue` lists them")]
    UnknownJob {
        /// What was asked for.
        given: String,
    },
    /// The beginning of an id that several jobs have.
    #[error("`{given}` could be any of {}; give more of the id", list(candidates))]
    AmbiguousJob {
        /// What was asked for.
        given: String,
        /// Some of those it could be.
        candidates: Vec<JobId>,
    },
    /// The queue cannot do what was asked.
    #[error("cannot {doing}: {reason}")]
    Refused {
        /// What was being done.
        doing: String,
        /// Why not.
        reason: String,
    },
    /// A token of that name was made before.
    #[error(
        "there is a token for `{name}` already, or was; names are not used again: choose another"
    )]
    TokenExists {
        /// The name.
        name: String,
    },
    /// No token of that name counts.
    #[error("there is no token for `{name}` to revoke; `muffle serve token --list` lists them")]
    NoToken {
        /// The name.
        name: String,
    },
    /// Anything else SQLite says.
    #[error("{}: cannot {doing}: {source}", path.display())]
    Database {
        /// The database file.
        path: PathBuf,
        /// What was being done.
        doing: String,
        /// What SQLite said.
        source: sqlx::Error,
    },
}

fn list(candidates: &[impl ToString]) -> String {
    let names: Vec<String> = candidates.iter().map(ToString::to_string).collect();
    names.join(", ")
}

/// SQLite's primary result codes (`https://www.sqlite.org/rescode.html`) that have a remedy of their own.
mod code {
    pub const BUSY: i32 = 5;
    pub const LOCKED: i32 = 6;
    pub const READONLY: i32 = 8;
    pub const IOERR: i32 = 10;
    pub const CORRUPT: i32 = 11;
    pub const FULL: i32 = 13;
    pub const CANTOPEN: i32 = 14;
    pub const NOTADB: i32 = 26;
}

/// The primary result code of what SQLite answered; extended codes carry it in their low byte.
fn primary_code(error: &sqlx::Error) -> Option<i32> {
    let code: i32 = error.as_database_error()?.code()?.parse().ok()?;
    Some(code & 0xff)
}

impl StoreError {
    /// Sorts what SQLite says about the file at `path` by what can be done about it.
    pub(super) fn from_sqlite(path: &Path, doing: String, source: sqlx::Error) -> Self {
        let path = path.to_owned();
        let detail = || match source.as_database_error() {
            Some(error) => error.message().to_owned(),
            None => source.to_string(),
        };
        match primary_code(&source) {
            Some(code::FULL) => Self::Full { path, doing },
            Some(code::BUSY | code::LOCKED) => Self::Locked { path, doing },
            Some(code::READONLY) => Self::ReadOnly { path, doing },
            Some(code::NOTADB) => Self::NotADatabase { path },
            Some(code::CORRUPT) => Self::Corrupt {
                path,
                doing,
                detail: detail(),
            },
            Some(code::IOERR) => Self::Disk {
                path,
                doing,
                detail: detail(),
            },
            Some(code::CANTOPEN) => cannot_open(path, detail()),
            _ => match source.as_database_error() {
                Some(error) if error.is_foreign_key_violation() => Self::Dangling { doing },
                _ => Self::Database {
                    path,
                    doing,
                    source,
                },
            },
        }
    }

    /// Whether SQLite's answer is about the file or the disk, and not about what was asked of it.
    pub(super) fn has_remedy(error: &sqlx::Error) -> bool {
        use code::{BUSY, CANTOPEN, CORRUPT, FULL, IOERR, LOCKED, NOTADB, READONLY};
        let known = [
            BUSY, CANTOPEN, CORRUPT, FULL, IOERR, LOCKED, NOTADB, READONLY,
        ];
        primary_code(error).is_some_and(|code| known.contains(&code))
    }

    /// Whether the file could not be reached at all, which for an archive on read-only media has another way in.
    pub(super) fn is_about_access(&self) -> bool {
        matches!(self, Self::CannotOpen { .. } | Self::ReadOnly { .. })
    }
}

fn cannot_open(path: PathBuf, detail: String) -> StoreError {
    let folder = match path.parent() {
        Some(folder) if folder.as_os_str().is_empty() => Path::new("."),
        Some(folder) => folder,
        None => Path::new("/"),
    };
    match folder.is_dir() {
        true => StoreError::CannotOpen { path, detail },
        false => StoreError::NoFolder {
            folder: folder.to_owned(),
            path,
        },
    }
}
