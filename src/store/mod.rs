//! Everything that was measured, in one SQLite file per station.
//!
//! A reading is on the disk before anybody hears of it, readings and raw traces are never changed or removed
//! (the database itself refuses), and what is derived carries the version of the analysis that made it, so
//! that an answer given today can be given again in ten years. All SQL of the program is in this room and in
//! `migrations/`; the views there serve someone who has only the `sqlite3` shell.
//!
//! - [`Store::open`] creates, backs up and migrates; [`Store::open_read_only`] does none of that.
//! - Runs and what they were made with: [`Store::put_snapshot`], [`Store::put_item`], [`Store::begin_run`].
//! - Readings: [`Store::append_reading`], [`Store::append_together`], and [`Store::reading_keys`] for what a resumed run need not repeat.
//! - Results: [`Store::put_results`], [`Store::results`].
//! - Seals of complete runs: [`Store::seal`]; every change of a complete run appends one.
//! - History: a [`Query`] of text or options; [`Store::points`], [`Store::run_rows`].
//! - The scheduled arrangement: [`Store::begin_recording`], [`Store::append_hold`], [`Store::begin_pass`], [`Store::merge_pass`].
//! - Lots and their rules, cycles of use, check items: [`Store::put_lot`], [`Store::put_cycles`], [`Store::check_items`].
//! - The queue: [`Store::submit`], [`Store::change_job`], [`Store::jobs`]; every change of it appends an event
//!   in the same transaction ([`Store::events_after`]), so that one number tells whether anything is new.
//! - The interlock log: [`Store::note_interlock`], [`Store::interlock_log`].
//! - Who may ask over HTTP: [`Store::make_token`], [`Store::token`], [`Store::revoke_token`].
//! - Many files and years: [`Store::back_up`], [`Store::restore`], [`Store::merge`], [`Store::prune`], [`Store::attach`].
//! - The emission log: [`Store::begin_emission`], [`Store::end_emission`], [`Store::open_emissions`].

mod batch;
mod check;
mod cursor;
mod detail;
mod emission;
mod error;
mod event;
mod export;
mod history;
#[cfg(test)]
mod history_tests;
mod import;
mod interlock;
#[cfg(test)]
mod keeping_tests;
mod lot;
mod merge;
mod open;
mod prune;
mod query;
mod queue;
mod reading;
mod record;
mod recording;
mod restore;
mod result;
mod run;
mod seal;
#[cfg(test)]
mod seal_tests;
#[cfg(test)]
mod tests;
mod token;

pub use batch::{BatchRecord, NewBatch};
pub use cursor::NotACursor;
pub use error::StoreError;
pub use event::{EVENTS_MAX, EventRecord, NewEvent};
pub use export::{Format, UnknownFormat, csv_text};
pub use history::{Cursor, PAGE_ROWS_MAX, Page, PageOf};
pub use import::{ImportedRun, Imports};
pub use interlock::InterlockRecord;
pub use lot::{Lot, LotRule, Remeasured};
pub use merge::{Incoming, Merged};
pub use prune::PrunedCounts;
pub use query::{
    QUERY_BYTES_MAX, QUERY_KEYS, QUERY_VALUES_MAX, Query, QueryFault, QueryFaults, Sort, Withdrawn,
};
pub use queue::{
    ATTEMPTS_MAX, Change, ITEMS_MAX, JobCursor, JobEnd, JobFilter, JobRecord, NewJob, PlanText,
    PromptRecord, QueuePause, Repeat,
};
pub use record::{
    Answer, Asks, BatchId, Counts, EmissionEnd, EmissionId, EmissionRecord, HistoryRow,
    Instruments, Integrity, Item, JobId, JobKind, JobState, Levels, Moved, NewEmission, NewReading,
    NewRun, PassId, Point, PromptId, Pruned, ReadingKey, ReadingKind, ReadingRecord, RecordingId,
    ResultKind, ResultRecord, RunFilter, RunId, RunKind, RunRecord, RunRow, RunState, Scope,
    SealReason, SealRecord, SealStatement, Snapshot, SnapshotKind, Trace, TraceRecord, UnknownWord,
    Verdict, Wanted, check_signature,
};
pub use recording::{
    HoldRecord, NewHold, NewPass, NewRecording, PassMerge, PassRecord, RecordingRecord,
    SendingRecord, SendingWhat,
};
pub use token::TokenRecord;

#[cfg(test)]
pub(crate) use keeping_tests::golden;
#[cfg(test)]
pub(crate) use seal_tests::{alter, run_sql};
#[cfg(test)]
pub(crate) use tests::shell;

use jiff::Timestamp;
use sha2::{Digest, Sha256};
use sqlx::sqlite::SqliteRow;
use sqlx::{Row, Sqlite, SqlitePool, Transaction};
use std::fmt;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::Arc;
use std::time::Duration;

/// The longest serial, model, lot, face, polarisation, station or operator name.
pub const NAME_CHARS_MAX: usize = 200;
/// The longest snapshot, note, reason, settings or detail.
pub const TEXT_BYTES_MAX: usize = 4 << 20;
/// The most levels in one trace.
pub const TRACE_POINTS_MAX: usize = 1 << 20;
/// How long to wait for another process to let go of the file.
pub const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// The open database; clones share it.
///
/// A call whose future is dropped half-way has either committed or leaves no trace. Times are kept to the
/// millisecond.
#[derive(Debug, Clone)]
pub struct Store {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    path: PathBuf,
    /// One connection, because SQLite has one writer; none when opened to read only.
    writer: Option<SqlitePool>,
    readers: SqlitePool,
    /// Device and inode of the file when it was opened; none where it could not be asked.
    identity: Option<(u64, u64)>,
}

impl Store {
    /// The database file.
    pub fn path(&self) -> &Path {
        &self.inner.path
    }

    /// Lets go of the file once calls under way are done. Skipping it loses nothing.
    pub async fn close(&self) {
        self.inner.readers.close().await;
        if let Some(writer) = &self.inner.writer {
            writer.close().await;
        }
    }

    /// Takes the write lock at once: a transaction that reads first and locks later can fail at the worst time.
    async fn write(&self, doing: &impl fmt::Display) -> Result<Write, StoreError> {
        let Some(writer) = &self.inner.writer else {
            let (path, doing) = (self.inner.path.clone(), doing.to_string());
            return Err(StoreError::ReadOnly { path, doing });
        };
        self.check_in_place(doing)?;
        let begun = writer.begin_with("BEGIN IMMEDIATE").await;
        begun.map_err(|error| self.fault(doing)(error))
    }

    /// An error when the file of this name is not the one that was opened, or was emptied: SQLite goes on writing to a file
    /// that nobody finds any more.
    pub fn check_in_place(&self, doing: &impl fmt::Display) -> Result<(), StoreError> {
        let problem = match std::fs::metadata(&self.inner.path) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => "was removed",
            Ok(file) if file.len() == 0 => "was emptied",
            Ok(file)
                if self
                    .inner
                    .identity
                    .is_some_and(|then| then != identity(&file)) =>
            {
                "was replaced by another file"
            }
            // What else the system says, SQLite will say.
            _ => return Ok(()),
        };
        Err(StoreError::Gone {
            path: self.inner.path.clone(),
            doing: doing.to_string(),
            problem,
        })
    }

    /// An error when opened to read only, before a connection of its own is made for writing.
    fn check_writable(&self, doing: &impl fmt::Display) -> Result<(), StoreError> {
        match self.inner.writer {
            Some(_) => Ok(()),
            None => Err(StoreError::ReadOnly {
                path: self.inner.path.clone(),
                doing: doing.to_string(),
            }),
        }
    }

    fn readers(&self) -> &SqlitePool {
        &self.inner.readers
    }

    /// Turns what SQLite says into an error that names the file and what was being done.
    fn fault<'a>(
        &'a self,
        doing: impl fmt::Display + 'a,
    ) -> impl FnOnce(sqlx::Error) -> StoreError + 'a {
        move |error| StoreError::from_sqlite(&self.inner.path, doing.to_string(), error)
    }
}

/// What tells a file from another of its name.
fn identity(file: &std::fs::Metadata) -> (u64, u64) {
    use std::os::unix::fs::MetadataExt;
    (file.dev(), file.ino())
}

type Write = Transaction<'static, Sqlite>;

/// A time as the tables have it: RFC 3339, UTC, milliseconds (so that text sorts by time).
fn stamp(at: Timestamp) -> String {
    format!("{at:.3}")
}

/// Lower-case hex of the SHA-256, by which a snapshot is named.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn check_text(what: &str, text: &str) -> Result<(), StoreError> {
    match text.len() {
        bytes if bytes > TEXT_BYTES_MAX => Err(StoreError::TooLong {
            what: what.to_owned(),
            bytes,
        }),
        _ => Ok(()),
    }
}

/// Reads a text column into whatever can be parsed from it.
fn parsed<T>(row: &SqliteRow, column: &'static str) -> Result<T, sqlx::Error>
where
    T: FromStr<Err: std::error::Error + Send + Sync + 'static>,
{
    let text: &str = row.try_get(column)?;
    text.parse().map_err(|error| undecodable(column, error))
}

fn parsed_optional<T>(row: &SqliteRow, column: &'static str) -> Result<Option<T>, sqlx::Error>
where
    T: FromStr<Err: std::error::Error + Send + Sync + 'static>,
{
    let text: Option<&str> = row.try_get(column)?;
    let value = text.map(str::parse).transpose();
    value.map_err(|error| undecodable(column, error))
}

/// SHA-256 of a file, as any tool for checksums prints it.
pub async fn file_sha256(path: &Path) -> std::io::Result<String> {
    use tokio::io::AsyncReadExt;
    let mut file = tokio::fs::File::open(path).await?;
    let mut digest = Sha256::new();
    let mut part = vec![0; 1 << 20];
    loop {
        match file.read(&mut part).await? {
            0 => return Ok(hex(&digest.finalize())),
            read => digest.update(&part[..read]),
        }
    }
}

fn json<T: serde::de::DeserializeOwned>(
    row: &SqliteRow,
    column: &'static str,
) -> Result<T, sqlx::Error> {
    let text: &str = row.try_get(column)?;
    serde_json::from_str(text).map_err(|error| undecodable(column, error))
}

fn undecodable<E>(column: &str, source: E) -> sqlx::Error
where
    E: std::error::Error + Send + Sync + 'static,
{
    sqlx::Error::ColumnDecode {
        index: column.to_owned(),
        source: Box::new(source),
    }
}

/// A list of words as JSON.
fn words_json(words: &[String]) -> String {
    serde_json::Value::from(words).to_string()
}

fn point(row: &SqliteRow) -> Result<Point, sqlx::Error> {
    Ok(Point {
        frequency_hz: row.try_get("frequency_hz")?,
        face: row.try_get("face")?,
        polarisation: row.try_get("polarisation")?,
        repeat: row.try_get("repeat")?,
    })
}

/// A point that can be kept: a positive frequency and names.
fn check_point(run: RunId, point: &Point) -> Result<(), StoreError> {
    let hz = point.frequency_hz;
    if !(hz.is_finite() && hz > 0.0) {
        return Err(StoreError::NotFinite {
            place: format!("run {run}, {point}"),
            what: "the frequency (Hz, positive)",
            value: hz,
        });
    }
    record::check_name("face", &point.face)?;
    record::check_name("polarisation", &point.polarisation)
}
