//! Old raw traces, moved to a second file and brought back.
//!
//! Results, readings and everything else stay; only the levels of the traces go, and in the place of each stays
//! its checksum with the name of the file it went to. The second file is written, read again and on the disk
//! before the first is changed, in one transaction: at no moment is a trace in neither. The database refuses to
//! remove a trace whose mark is not there, and a mark whose trace is not back.

use super::open::{APPLICATION_ID, application_id, beside, connect, options, sync_folder};
use super::seal::Amendment;
use super::{Levels, Moved, Pruned, RunId, SealReason, Store, StoreError, hex, parsed, stamp};
use jiff::Timestamp;
use serde::Serialize;
use sha2::{Digest, Sha256};
use sqlx::sqlite::{SqliteConnectOptions, SqliteRow};
use sqlx::{ConnectOptions, Connection, Row, SqliteConnection};
use std::path::Path;
use ulid::Ulid;

/// `muft`: tells a file of moved traces from a store.
pub(super) const ARCHIVE_ID: i64 = 0x6d75_6674;
/// Traces that are looked at together.
const TRACES_AT_ONCE: i64 = 256;
/// How many faults an error lists.
const FAULTS_SHOWN: usize = 5;
/// How far a peak may lie from the place of a level, in steps of the trace: what rounding of the axis makes.
const SAME_BIN: f64 = 0.01;
/// How far its level may lie from the reading's, dB: what rounding makes.
const SAME_LEVEL_DB: f64 = 1e-3;

/// A file of moved traces; its tables hold what those of the same name in the store held.
const ARCHIVE_SCHEMA: [&str; 3] = [
    "CREATE TABLE main.archive (id TEXT NOT NULL PRIMARY KEY, name TEXT NOT NULL, made TEXT NOT NULL) STRICT",
    "CREATE TABLE main.trace ( \
        -- Levels over frequency as the receiver gave them, moved here; `.schema trace` of the store says how.\n \
        run TEXT NOT NULL, seq INTEGER NOT NULL, start_hz REAL NOT NULL, stop_hz REAL NOT NULL, \
        points INTEGER NOT NULL, encoding TEXT NOT NULL, unit TEXT NOT NULL, sha256 BLOB NOT NULL, \
        data BLOB NOT NULL, PRIMARY KEY (run, seq)) STRICT",
    "PRAGMA main.application_id = 1836410484",
];

/// The traces to move: of complete runs begun before, whose reference no later run stands on.
const OLD_RUNS: &str = "run IN (SELECT id FROM old.run AS r WHERE r.started < ?1 AND r.state = 'complete' \
    AND NOT EXISTS (SELECT 1 FROM old.run AS user \
        WHERE (user.reference_run = r.id OR user.reference_after = r.id) \
        AND (user.started >= ?1 OR user.state <> 'complete')))";

/// What would be, or was, moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct PrunedCounts {
    /// Runs.
    pub runs: u64,
    /// Traces.
    pub traces: u64,
    /// Their levels, bytes.
    pub bytes: u64,
}

impl Store {
    /// What [`Self::prune`] would move: the traces of complete runs begun before then. The traces of a
    /// reference stay as long as those of a run that was subtracted from it.
    pub async fn prunable(&self, before: Timestamp) -> Result<PrunedCounts, StoreError> {
        let sql = format!(
            "SELECT count(DISTINCT run) AS runs, count(*) AS traces, coalesce(sum(length(data)), 0) AS bytes \
            FROM trace WHERE {}",
            OLD_RUNS.replace("old.", "")
        );
        let row = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(stamp(before))
            .fetch_one(self.readers())
            .await;
        let counts = row.and_then(|row| {
            Ok(PrunedCounts {
                runs: row.try_get("runs")?,
                traces: row.try_get("traces")?,
                bytes: row.try_get("bytes")?,
            })
        });
        counts.map_err(self.fault("count old traces"))
    }

    /// Moves the traces of old runs to a new file. `at` is now.
    pub async fn prune(
        &self,
        before: Timestamp,
        to: &Path,
        at: Timestamp,
    ) -> Result<Pruned, StoreError> {
        let refused = |problem: &str| StoreError::File {
            path: to.to_owned(),
            problem: problem.to_owned(),
        };
        if to.exists() {
            return Err(refused("there is a file of that name; name another"));
        }
        let name = to
            .file_name()
            .and_then(|name| name.to_str())
            .ok_or_else(|| refused("its name is not UTF-8"))?;
        let id = Ulid::from_parts(
            u64::try_from(at.as_millisecond()).unwrap_or(0),
            rand::random(),
        );
        let archive = Archive {
            id: id.to_string(),
            name: name.to_owned(),
            made: stamp(at),
        };
        let counts = self.prunable(before).await?;
        if counts.traces == 0 {
            return Ok(Pruned { counts, file: None });
        }
        let part = beside(to, ".part");
        let _ = std::fs::remove_file(&part);
        self.write_archive(&part, &archive, before).await?;
        let mut connection = connect(&part, options(&part).read_only(true)).await?;
        let verified = verify(&mut connection, "main", &part).await?;
        connection
            .close()
            .await
            .map_err(self.fault("read what was moved"))?;
        std::fs::File::open(&part)
            .and_then(|file| file.sync_all())
            .and_then(|()| std::fs::rename(&part, to))
            .and_then(|()| sync_folder(to))
            .map_err(|error| refused(&format!("cannot be written ({error})")))?;
        let counts = PrunedCounts {
            traces: verified,
            ..counts
        };
        self.replace_by_marks(to, &archive).await?;
        Ok(Pruned {
            counts,
            file: Some(to.to_owned()),
        })
    }

    async fn write_archive(
        &self,
        part: &Path,
        archive: &Archive,
        before: Timestamp,
    ) -> Result<(), StoreError> {
        let fault = |error| StoreError::from_sqlite(part, "move traces to it".to_owned(), error);
        let mut connection = connect(part, options(part).create_if_missing(true)).await?;
        attach(&mut connection, self.path(), "old")
            .await
            .map_err(fault)?;
        for statement in ARCHIVE_SCHEMA {
            sqlx::query(statement)
                .execute(&mut connection)
                .await
                .map_err(fault)?;
        }
        sqlx::query("INSERT INTO main.archive (id, name, made) VALUES (?1, ?2, ?3)")
            .bind(&archive.id)
            .bind(&archive.name)
            .bind(&archive.made)
            .execute(&mut connection)
            .await
            .map_err(fault)?;
        let copy = format!(
            "INSERT INTO main.trace SELECT * FROM old.trace WHERE {OLD_RUNS} ORDER BY run, seq"
        );
        sqlx::query(sqlx::AssertSqlSafe(copy))
            .bind(stamp(before))
            .execute(&mut connection)
            .await
            .map_err(fault)?;
        connection.close().await.map_err(fault)
    }

    /// In one transaction: a mark for every trace that the other file has, byte for byte, and away with it.
    async fn replace_by_marks(&self, file: &Path, archive: &Archive) -> Result<(), StoreError> {
        let doing = "note where traces were moved to";
        let fault = |error| StoreError::from_sqlite(self.path(), doing.to_owned(), error);
        self.check_writable(&doing)?;
        let mut connection = connect(self.path(), options(self.path())).await?;
        attach(&mut connection, file, "moved")
            .await
            .map_err(fault)?;
        let mut write = connection
            .begin_with("BEGIN IMMEDIATE")
            .await
            .map_err(fault)?;
        sqlx::query("INSERT INTO main.archive (id, name, made) VALUES (?1, ?2, ?3)")
            .bind(&archive.id)
            .bind(&archive.name)
            .bind(&archive.made)
            .execute(&mut *write)
            .await
            .map_err(fault)?;
        sqlx::query(
            "INSERT INTO main.moved_trace (run, seq, points, sha256, archive, start_hz, stop_hz, encoding, unit) \
            SELECT t.run, t.seq, t.points, t.sha256, ?1, t.start_hz, t.stop_hz, t.encoding, t.unit FROM moved.trace AS m \
            JOIN main.trace AS t ON t.run = m.run AND t.seq = m.seq AND t.sha256 = m.sha256 AND t.data = m.data",
        )
        .bind(&archive.id)
        .execute(&mut *write)
        .await
        .map_err(fault)?;
        sqlx::query(
            "DELETE FROM main.trace WHERE EXISTS (SELECT 1 FROM main.moved_trace AS m \
            WHERE m.run = trace.run AND m.seq = trace.seq)",
        )
        .execute(&mut *write)
        .await
        .map_err(fault)?;
        write.commit().await.map_err(fault)?;
        connection.close().await.map_err(fault)
    }

    /// Gives the room of what was moved back to the file system. Needs as much free space as the file has.
    pub async fn compact(&self) -> Result<(), StoreError> {
        let doing = "compact it";
        self.check_writable(&doing)?;
        let mut connection = connect(self.path(), options(self.path())).await?;
        let done = sqlx::query("VACUUM").execute(&mut connection).await;
        done.map_err(self.fault(doing))?;
        connection.close().await.map_err(self.fault(doing))
    }

    /// Brings traces back from a file they were moved to; those that are not this store's are left. Answers
    /// with how many came back. The other file stays as it is.
    pub async fn attach(&self, file: &Path) -> Result<u64, StoreError> {
        let doing = "bring traces back";
        self.check_writable(&doing)?;
        if application_id(file).await? != ARCHIVE_ID {
            return Err(StoreError::File {
                path: file.to_owned(),
                problem: "is not a file that traces were moved to; `muffle store restore` and `merge` take stores"
                    .to_owned(),
            });
        }
        let fault = |error| StoreError::from_sqlite(self.path(), doing.to_owned(), error);
        let mut connection = connect(self.path(), options(self.path())).await?;
        attach(&mut connection, file, "moved")
            .await
            .map_err(fault)?;
        let mut write = connection
            .begin_with("BEGIN IMMEDIATE")
            .await
            .map_err(fault)?;
        // In the transaction that takes them: what was looked at is what comes.
        let mut faults = archive_schema_faults(&mut write).await.map_err(fault)?;
        if faults.is_empty() {
            faults = other_traces(&mut write).await.map_err(fault)?;
        }
        if !faults.is_empty() {
            return Err(StoreError::Unsound {
                path: file.to_owned(),
                count: faults.len(),
                faults: faults.into_iter().take(FAULTS_SHOWN).collect(),
            });
        }
        verify(&mut write, "moved", file).await?;
        let runs: Vec<String> = sqlx::query_scalar(
            "SELECT DISTINCT run FROM main.moved_trace WHERE (run, seq) IN (SELECT run, seq FROM moved.trace)",
        )
        .fetch_all(&mut *write)
        .await
        .map_err(fault)?;
        let mut amendments = Vec::with_capacity(runs.len());
        for run in &runs {
            amendments.push(Amendment::begin(run, &mut write).await.map_err(fault)?);
        }
        let back = sqlx::query(
            "INSERT INTO main.trace (run, seq, start_hz, stop_hz, points, encoding, unit, sha256, data) \
            SELECT run, seq, start_hz, stop_hz, points, encoding, unit, sha256, data FROM moved.trace AS t \
            WHERE EXISTS (SELECT 1 FROM main.moved_trace AS m \
            WHERE m.run = t.run AND m.seq = t.seq AND m.sha256 = t.sha256)",
        )
        .execute(&mut *write)
        .await
        .map_err(fault)?;
        sqlx::query(
            "DELETE FROM main.moved_trace WHERE EXISTS (SELECT 1 FROM main.trace AS t \
            WHERE t.run = moved_trace.run AND t.seq = moved_trace.seq)",
        )
        .execute(&mut *write)
        .await
        .map_err(fault)?;
        for amendment in amendments {
            amendment
                .seal(SealReason::Attached, &mut write)
                .await
                .map_err(fault)?;
        }
        write.commit().await.map_err(fault)?;
        connection.close().await.map_err(fault)?;
        Ok(back.rows_affected())
    }

    /// Where traces of a run were moved to: files, and how many are there.
    pub async fn moved_traces(&self, run: RunId) -> Result<Vec<Moved>, StoreError> {
        let rows = sqlx::query(
            "SELECT archive.id, name, made, count(*) AS traces FROM moved_trace \
            JOIN archive ON archive.id = moved_trace.archive WHERE run = ?1 GROUP BY archive.id ORDER BY archive.id",
        )
        .bind(run.to_string())
        .fetch_all(self.readers())
        .await;
        let moved = rows.and_then(|rows| {
            let read = rows.iter().map(|row| {
                Ok(Moved {
                    name: row.try_get("name")?,
                    made: parsed(row, "made")?,
                    traces: row.try_get("traces")?,
                })
            });
            read.collect::<Result<Vec<_>, sqlx::Error>>()
        });
        moved.map_err(self.fault(format_args!("look where traces of run {run} are")))
    }
}

/// A file of moved traces, as both files name it.
struct Archive {
    id: String,
    name: String,
    made: String,
}

/// Attaches another file to a connection.
pub(super) async fn attach(
    connection: &mut SqliteConnection,
    file: &Path,
    name: &'static str,
) -> Result<(), sqlx::Error> {
    let text = file.to_str().ok_or_else(|| {
        let reason = format!("{}: its name is not UTF-8", file.display());
        sqlx::Error::Configuration(reason.into())
    })?;
    sqlx::query(sqlx::AssertSqlSafe(format!("ATTACH ?1 AS {name}")))
        .bind(text)
        .execute(connection)
        .await
        .map(drop)
}

/// What of an attached file of moved traces is not as this program makes it.
async fn archive_schema_faults(
    connection: &mut SqliteConnection,
) -> Result<Vec<String>, sqlx::Error> {
    let mut fresh = SqliteConnectOptions::new()
        .in_memory(true)
        .connect()
        .await?;
    for statement in ARCHIVE_SCHEMA {
        sqlx::query(statement).execute(&mut fresh).await?;
    }
    const SCHEMA: &str =
        "SELECT type || ' ' || name, coalesce(sql, '') FROM {}.sqlite_schema ORDER BY 1";
    let of = |name: &str| sqlx::AssertSqlSafe(SCHEMA.replace("{}", name));
    let right: Vec<(String, String)> = sqlx::query_as(of("main")).fetch_all(&mut fresh).await?;
    let found: Vec<(String, String)> = sqlx::query_as(of("moved")).fetch_all(connection).await?;
    let strange = found.into_iter().filter(|one| !right.contains(one));
    Ok(strange
        .map(|(name, _)| format!("the {name} is not as this program makes it"))
        .collect())
}

/// Traces of an attached file that are not those that were moved. A mark from before axes were noted in it is held
/// against its reading: the trace must have the peak where the reading says.
async fn other_traces(connection: &mut SqliteConnection) -> Result<Vec<String>, sqlx::Error> {
    let rows: Vec<(String, i64)> = sqlx::query_as(
        "SELECT DISTINCT t.run, t.seq FROM main.moved_trace AS m JOIN moved.trace AS t ON t.run = m.run AND t.seq = m.seq \
        WHERE (m.sha256, m.points) IS NOT (t.sha256, t.points) OR m.start_hz IS NOT NULL \
        AND (m.start_hz, m.stop_hz, m.encoding, m.unit) IS NOT (t.start_hz, t.stop_hz, t.encoding, t.unit)",
    )
    .fetch_all(&mut *connection)
    .await?;
    let mut faults: Vec<String> = rows
        .iter()
        .map(|(run, seq)| {
            format!("the trace of run {run}, reading {seq} is not the one that was moved: its checksum, axis, unit or encoding differs")
        })
        .collect();
    let rows = sqlx::query(
        "SELECT r.run, r.seq, peak_dbm, peak_hz, t.start_hz, t.stop_hz, t.encoding, t.data FROM main.moved_trace AS m \
        JOIN moved.trace AS t ON t.run = m.run AND t.seq = m.seq \
        JOIN main.reading AS r ON r.run = m.run AND coalesce(r.trace_seq, r.seq) = m.seq WHERE m.start_hz IS NULL",
    )
    .fetch_all(connection)
    .await?;
    for row in &rows {
        if !has_its_peak(row)? {
            let (run, seq): (String, i64) = (row.try_get("run")?, row.try_get("seq")?);
            faults.push(format!(
                "the trace of run {run}, reading {seq} has no peak where the reading says"
            ));
        }
    }
    Ok(faults)
}

fn has_its_peak(row: &SqliteRow) -> Result<bool, sqlx::Error> {
    let levels = Levels::from_bytes(row.try_get("encoding")?, row.try_get("data")?);
    let levels = levels.map(|levels| levels.to_f64()).unwrap_or_default();
    let (start_hz, stop_hz): (f64, f64) = (row.try_get("start_hz")?, row.try_get("stop_hz")?);
    let (peak_hz, peak_dbm): (f64, f64) = (row.try_get("peak_hz")?, row.try_get("peak_dbm")?);
    let step_hz = (stop_hz - start_hz) / (levels.len() as f64 - 1.0).max(1.0);
    let at = (peak_hz - start_hz) / step_hz.max(f64::MIN_POSITIVE);
    let level = levels.get(at.round().max(0.0) as usize);
    Ok((at - at.round()).abs() < SAME_BIN
        && level.is_some_and(|level| (level - peak_dbm).abs() < SAME_LEVEL_DB))
}

/// Reads every trace of a file again and computes its checksum; answers with how many there are.
pub(super) async fn verify(
    connection: &mut SqliteConnection,
    schema: &str,
    file: &Path,
) -> Result<u64, StoreError> {
    let fault = |error| StoreError::from_sqlite(file, "read it again".to_owned(), error);
    let (mut verified, mut after) = (0, 0_i64);
    let sql = format!(
        "SELECT rowid AS place, run, seq, sha256, data FROM {schema}.trace WHERE rowid > ?1 ORDER BY rowid LIMIT ?2"
    );
    loop {
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql.clone()))
            .bind(after)
            .bind(TRACES_AT_ONCE)
            .fetch_all(&mut *connection)
            .await
            .map_err(fault)?;
        for row in &rows {
            let data: &[u8] = row.try_get("data").map_err(fault)?;
            let written: &[u8] = row.try_get("sha256").map_err(fault)?;
            if Sha256::digest(data).as_slice() != written {
                let (run, seq): (String, i64) = (
                    row.try_get("run").map_err(fault)?,
                    row.try_get("seq").map_err(fault)?,
                );
                return Err(StoreError::File {
                    path: file.to_owned(),
                    problem: format!(
                        "the trace of run {run}, reading {seq} does not match its checksum {}; nothing was changed",
                        hex(written)
                    ),
                });
            }
            after = row.try_get("place").map_err(fault)?;
            verified += 1;
        }
        if rows.is_empty() {
            return Ok(verified);
        }
    }
}

/// A store is not a file of moved traces.
pub(super) async fn refuse_archive(file: &Path) -> Result<(), StoreError> {
    match application_id(file).await? {
        APPLICATION_ID => Ok(()),
        ARCHIVE_ID => Err(StoreError::File {
            path: file.to_owned(),
            problem: "is a file that traces were moved to; `muffle store attach` brings them back"
                .to_owned(),
        }),
        _ => Err(StoreError::NotAStore {
            path: file.to_owned(),
        }),
    }
}
