//! Readings and their raw traces: appended, never altered.

use super::record::{check_finite, check_name};
use super::{
    EmissionEnd, Levels, NewReading, ReadingKey, ReadingRecord, RunId, Store, StoreError,
    TRACE_POINTS_MAX, Trace, TraceRecord, Write, check_point, check_text, emission, hex, json,
    parsed, point, stamp, words_json,
};
use sha2::{Digest, Sha256};
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

impl Store {
    /// Keeps a reading with its trace, and closes the emission it was taken with if one is given, all or
    /// nothing. When this answers, it is on the disk. Answers with the reading's place in the run.
    pub async fn append_reading(
        &self,
        run: RunId,
        reading: &NewReading,
        closes: Option<&EmissionEnd>,
    ) -> Result<u32, StoreError> {
        check_reading(run, reading)?;
        let doing = format!("keep run {run}, {}", reading.key);
        let mut write = self.write(&doing).await?;
        let seq = match insert_reading(run, reading, None, &mut write).await {
            Ok(Some(seq)) => seq,
            Ok(None) => {
                drop(write);
                return Err(self.wrong_state(run, doing).await);
            }
            Err(error) if is_unique_violation(&error) => {
                let key = reading.key.clone();
                return Err(StoreError::AlreadyRead { run, key });
            }
            Err(error) => return Err(self.fault(&doing)(error)),
        };
        insert_trace(run, seq, &reading.trace, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        if let Some(end) = closes {
            let closed = emission::close(end, &mut write).await;
            if !closed.map_err(self.fault(&doing))? {
                return Err(StoreError::NotOpen { id: end.id });
            }
        }
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(seq)
    }

    /// Keeps readings that belong together, all or nothing: those of one closing in the sealed arrangement.
    /// A trace that is the same as that of the reading before is kept once.
    pub async fn append_together(
        &self,
        run: RunId,
        readings: &[NewReading],
    ) -> Result<(), StoreError> {
        for reading in readings {
            check_reading(run, reading)?;
        }
        let doing = format!("keep {} readings of run {run}", readings.len());
        let mut write = self.write(&doing).await?;
        self.insert_together(run, readings, &doing, &mut write)
            .await?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// The readings of [`Self::append_together`], as part of `write`.
    pub(super) async fn insert_together(
        &self,
        run: RunId,
        readings: &[NewReading],
        doing: &str,
        write: &mut Write,
    ) -> Result<(), StoreError> {
        let mut last: Option<(u32, &Trace)> = None;
        for reading in readings {
            let shared = last.filter(|(_, trace)| **trace == reading.trace);
            let trace_seq = shared.map(|(seq, _)| seq);
            let seq = match insert_reading(run, reading, trace_seq, write).await {
                Ok(Some(seq)) => seq,
                Ok(None) => return Err(self.wrong_state(run, doing.to_owned()).await),
                Err(error) if is_unique_violation(&error) => {
                    let key = reading.key.clone();
                    return Err(StoreError::AlreadyRead { run, key });
                }
                Err(error) => return Err(self.fault(doing)(error)),
            };
            if shared.is_none() {
                insert_trace(run, seq, &reading.trace, write)
                    .await
                    .map_err(self.fault(doing))?;
                last = Some((seq, &reading.trace));
            }
        }
        Ok(())
    }

    /// What the run has already, in the order taken.
    pub async fn reading_keys(&self, run: RunId) -> Result<Vec<ReadingKey>, StoreError> {
        let rows = sqlx::query(
            "SELECT kind, frequency_hz, face, polarisation, repeat FROM reading \
            WHERE run = ?1 ORDER BY seq",
        )
        .bind(run.to_string())
        .fetch_all(self.readers())
        .await;
        rows.and_then(|rows| rows.iter().map(key).collect())
            .map_err(self.fault(format_args!("list the readings of run {run}")))
    }

    /// The readings of a run, in the order taken.
    pub async fn readings(&self, run: RunId) -> Result<Vec<ReadingRecord>, StoreError> {
        let rows = sqlx::query("SELECT * FROM reading WHERE run = ?1 ORDER BY seq")
            .bind(run.to_string())
            .fetch_all(self.readers())
            .await;
        rows.and_then(|rows| rows.iter().map(record).collect())
            .map_err(self.fault(format_args!("read the readings of run {run}")))
    }

    /// How many traces a run has, and the SHA-256 (lower-case hex) over their checksums in the order taken:
    /// one line that says whether two files hold the same raw data.
    pub async fn trace_digest(&self, run: RunId) -> Result<(u64, String), StoreError> {
        let sums: Result<Vec<Vec<u8>>, _> =
            // A trace that was moved to another file counts as before.
            sqlx::query_scalar(
                "SELECT sha256 FROM (SELECT seq, sha256 FROM trace WHERE run = ?1 \
                UNION SELECT seq, sha256 FROM moved_trace WHERE run = ?1) ORDER BY seq",
            )
                .bind(run.to_string())
                .fetch_all(self.readers())
                .await;
        let sums = sums.map_err(self.fault(format_args!("read the checksums of run {run}")))?;
        Ok((sums.len() as u64, super::sha256_hex(&sums.concat())))
    }

    /// One reading with its trace, checked against the checksum; `None` when it was not taken (yet).
    pub async fn reading_with_trace(
        &self,
        run: RunId,
        key: &ReadingKey,
    ) -> Result<Option<(ReadingRecord, TraceRecord)>, StoreError> {
        let row = sqlx::query(
            "SELECT reading.*, start_hz, stop_hz, encoding, unit, sha256, data \
            FROM reading JOIN trace ON trace.run = reading.run \
            AND trace.seq = coalesce(reading.trace_seq, reading.seq) \
            WHERE reading.run = ?1 AND kind = ?2 AND frequency_hz = ?3 AND face = ?4 \
            AND polarisation = ?5 AND repeat = ?6",
        )
        .bind(run.to_string())
        .bind(key.kind.as_str())
        .bind(key.point.frequency_hz)
        .bind(&key.point.face)
        .bind(&key.point.polarisation)
        .bind(key.point.repeat)
        .fetch_optional(self.readers())
        .await;
        let fault = || self.fault(format!("read run {run}, {key}"));
        let Some(row) = row.map_err(|error| fault()(error))? else {
            return match self
                .moved_to(run, key)
                .await
                .map_err(|error| fault()(error))?
            {
                None => Ok(None),
                Some(name) => Err(StoreError::TraceMoved {
                    run,
                    key: Box::new(key.clone()),
                    name,
                }),
            };
        };
        let reading = record(&row).map_err(|error| fault()(error))?;
        match trace(&row).map_err(|error| fault()(error))? {
            Some(trace) => Ok(Some((reading, trace))),
            None => Err(StoreError::TraceAltered {
                path: self.path().to_owned(),
                run,
                key: key.clone(),
            }),
        }
    }

    /// The file that a reading's trace was moved to; none when it is here, or was never taken.
    async fn moved_to(&self, run: RunId, key: &ReadingKey) -> Result<Option<String>, sqlx::Error> {
        sqlx::query_scalar(
            "SELECT archive.name FROM reading JOIN moved_trace AS moved ON moved.run = reading.run \
            AND moved.seq = coalesce(reading.trace_seq, reading.seq) \
            JOIN archive ON archive.id = moved.archive \
            WHERE reading.run = ?1 AND kind = ?2 AND frequency_hz = ?3 AND face = ?4 \
            AND polarisation = ?5 AND repeat = ?6 ORDER BY archive.id LIMIT 1",
        )
        .bind(run.to_string())
        .bind(key.kind.as_str())
        .bind(key.point.frequency_hz)
        .bind(&key.point.face)
        .bind(&key.point.polarisation)
        .bind(key.point.repeat)
        .fetch_optional(self.readers())
        .await
    }
}

fn is_unique_violation(error: &sqlx::Error) -> bool {
    error
        .as_database_error()
        .is_some_and(|error| error.is_unique_violation())
}

pub(super) fn check_reading(run: RunId, reading: &NewReading) -> Result<(), StoreError> {
    check_point(run, &reading.key.point)?;
    let trace = &reading.trace;
    check_finite(
        &format_args!("run {run}, {}", reading.key),
        &[
            ("the peak level", Some(reading.peak_dbm)),
            ("the peak frequency", Some(reading.peak_hz)),
            ("the trace's start", Some(trace.start_hz)),
            ("the trace's stop", Some(trace.stop_hz)),
        ],
    )?;
    check_name("the unit of a trace", &trace.unit)?;
    check_text("the settings of a reading", &reading.settings.to_string())?;
    let points = trace.levels.points();
    let problem = if points == 0 {
        "has no levels".to_owned()
    } else if points > TRACE_POINTS_MAX {
        format!("has {points} levels; at most {TRACE_POINTS_MAX} are kept")
    } else if trace.stop_hz < trace.start_hz {
        format!(
            "ends at {} Hz, before it starts at {} Hz",
            trace.stop_hz, trace.start_hz
        )
    } else {
        return Ok(());
    };
    let key = reading.key.clone();
    Err(StoreError::BadTrace { run, key, problem })
}

/// `None` when there is no such run or it is not running.
async fn insert_reading(
    run: RunId,
    reading: &NewReading,
    trace_seq: Option<u32>,
    write: &mut Write,
) -> Result<Option<u32>, sqlx::Error> {
    let point = &reading.key.point;
    sqlx::query_scalar(
        "INSERT INTO reading (run, seq, kind, frequency_hz, face, polarisation, repeat, attempt, taken, \
        sweeps, peak_dbm, peak_hz, flags, settings, trace_seq) \
        SELECT id, 1 + coalesce((SELECT max(seq) FROM reading WHERE run = ?1), 0), \
        ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14 \
        FROM run WHERE id = ?1 AND state = 'running' RETURNING seq",
    )
    .bind(run.to_string())
    .bind(reading.key.kind.as_str())
    .bind(point.frequency_hz)
    .bind(&point.face)
    .bind(&point.polarisation)
    .bind(point.repeat)
    .bind(reading.attempt)
    .bind(stamp(reading.taken))
    .bind(reading.sweeps)
    .bind(reading.peak_dbm)
    .bind(reading.peak_hz)
    .bind(words_json(&reading.flags))
    .bind(reading.settings.to_string())
    .bind(trace_seq)
    .fetch_optional(&mut **write)
    .await
}

async fn insert_trace(
    run: RunId,
    seq: u32,
    trace: &Trace,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    let data = trace.levels.to_bytes();
    sqlx::query(
        "INSERT INTO trace (run, seq, start_hz, stop_hz, points, encoding, unit, sha256, data) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    )
    .bind(run.to_string())
    .bind(seq)
    .bind(trace.start_hz)
    .bind(trace.stop_hz)
    .bind(i64::try_from(trace.levels.points()).unwrap_or(i64::MAX))
    .bind(trace.levels.encoding())
    .bind(&trace.unit)
    .bind(Sha256::digest(&data).to_vec())
    .bind(data)
    .execute(&mut **write)
    .await?;
    Ok(())
}

pub(super) fn key(row: &SqliteRow) -> Result<ReadingKey, sqlx::Error> {
    Ok(ReadingKey {
        kind: parsed(row, "kind")?,
        point: point(row)?,
    })
}

fn record(row: &SqliteRow) -> Result<ReadingRecord, sqlx::Error> {
    Ok(ReadingRecord {
        run: parsed(row, "run")?,
        seq: row.try_get("seq")?,
        key: key(row)?,
        attempt: row.try_get("attempt")?,
        taken: parsed(row, "taken")?,
        sweeps: row.try_get("sweeps")?,
        peak_dbm: row.try_get("peak_dbm")?,
        peak_hz: row.try_get("peak_hz")?,
        flags: json(row, "flags")?,
        settings: json(row, "settings")?,
    })
}

/// `None` when the levels are not what was written.
pub(super) fn trace(row: &SqliteRow) -> Result<Option<TraceRecord>, sqlx::Error> {
    if !is_intact(row)? {
        return Ok(None);
    }
    let Some(levels) = Levels::from_bytes(row.try_get("encoding")?, row.try_get("data")?) else {
        return Ok(None);
    };
    Ok(Some(TraceRecord {
        trace: Trace {
            start_hz: row.try_get("start_hz")?,
            stop_hz: row.try_get("stop_hz")?,
            unit: row.try_get("unit")?,
            levels,
        },
        sha256: hex(row.try_get("sha256")?),
    }))
}

/// Whether the levels still have the checksum they were written with.
pub(super) fn is_intact(row: &SqliteRow) -> Result<bool, sqlx::Error> {
    let data: &[u8] = row.try_get("data")?;
    let written: &[u8] = row.try_get("sha256")?;
    Ok(Sha256::digest(data).as_slice() == written)
}
