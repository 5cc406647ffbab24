//! Whether the file is what was written, and how much is in it.

use super::{Counts, Integrity, Store, StoreError, parsed, reading};
use sqlx::{ConnectOptions, Row};

/// Traces whose checksums are computed between two looks at the database.
const TRACES_AT_ONCE: i64 = 256;

impl Store {
    /// Checks the whole file: SQLite's own checks, references between tables, every trace's checksum, and
    /// that every reading has its trace. Reads everything; minutes for a large file.
    pub async fn integrity(&self) -> Result<Integrity, StoreError> {
        let mut faults = self.structural_faults().await?;
        let orphans: i64 = self
            .number(
                "SELECT count(*) FROM reading WHERE NOT EXISTS \
                (SELECT 1 FROM trace WHERE trace.run = reading.run \
                AND trace.seq = coalesce(reading.trace_seq, reading.seq)) \
                AND NOT EXISTS (SELECT 1 FROM moved_trace AS moved WHERE moved.run = reading.run \
                AND moved.seq = coalesce(reading.trace_seq, reading.seq))",
            )
            .await?;
        if orphans > 0 {
            faults.push(format!("{orphans} readings have no trace"));
        }
        let traces_checked = self.check_traces(&mut faults).await?;
        Ok(Integrity {
            traces_checked,
            faults,
        })
    }

    /// Rows per table.
    pub async fn counts(&self) -> Result<Counts, StoreError> {
        let row = sqlx::query(
            "SELECT (SELECT count(*) FROM item) AS items, (SELECT count(*) FROM run) AS runs, \
            (SELECT count(*) FROM reading) AS readings, (SELECT count(*) FROM trace) AS traces, \
            (SELECT count(*) FROM (SELECT DISTINCT run, seq FROM moved_trace)) AS moved_traces, \
            (SELECT count(*) FROM result) AS results, (SELECT count(*) FROM emission) AS emissions, \
            (SELECT count(*) FROM snapshot) AS snapshots",
        )
        .fetch_one(self.readers())
        .await;
        let counts = row.and_then(|row| {
            Ok(Counts {
                items: row.try_get("items")?,
                runs: row.try_get("runs")?,
                readings: row.try_get("readings")?,
                traces: row.try_get("traces")?,
                moved_traces: row.try_get("moved_traces")?,
                results: row.try_get("results")?,
                emissions: row.try_get("emissions")?,
                snapshots: row.try_get("snapshots")?,
            })
        });
        counts.map_err(self.fault("count rows"))
    }

    async fn number(&self, query: &'static str) -> Result<i64, StoreError> {
        let number = sqlx::query_scalar(query).fetch_one(self.readers()).await;
        number.map_err(self.fault("check it"))
    }

    async fn structural_faults(&self) -> Result<Vec<String>, StoreError> {
        // On a connection of its own: one that has looked at the words before keeps their index's outline, and
        // calls what another process has written since corrupt.
        let fresh = self.readers().connect_options();
        let mut connection = fresh.connect().await.map_err(self.fault("check it"))?;
        let said: Vec<String> = sqlx::query_scalar("PRAGMA integrity_check")
            .fetch_all(&mut connection)
            .await
            .map_err(self.fault("check it"))?;
        let mut faults: Vec<String> = said.into_iter().filter(|line| line != "ok").collect();
        let dangling = sqlx::query("PRAGMA foreign_key_check")
            .fetch_all(self.readers())
            .await
            .and_then(|rows| {
                let names = rows.iter().map(|row| {
                    let (from, to): (String, String) =
                        (row.try_get("table")?, row.try_get("parent")?);
                    Ok(format!(
                        "a row of {from} refers to a row of {to} that is not there"
                    ))
                });
                names.collect::<Result<Vec<_>, sqlx::Error>>()
            });
        faults.extend(dangling.map_err(self.fault("check it"))?);
        Ok(faults)
    }

    async fn check_traces(&self, faults: &mut Vec<String>) -> Result<u64, StoreError> {
        let (mut checked, mut after) = (0, 0_i64);
        loop {
            let rows = sqlx::query(
                "SELECT trace.rowid AS place, run, seq, sha256, data FROM trace \
                WHERE trace.rowid > ?1 ORDER BY trace.rowid LIMIT ?2",
            )
            .bind(after)
            .bind(TRACES_AT_ONCE)
            .fetch_all(self.readers())
            .await
            .map_err(self.fault("check the traces"))?;
            if rows.is_empty() {
                return Ok(checked);
            }
            for row in &rows {
                let looked = check_trace(row, faults);
                after = looked.map_err(self.fault("check the traces"))?;
                checked += 1;
            }
        }
    }
}

/// Adds a fault if the trace is not what was written; answers with its rowid.
fn check_trace(
    row: &sqlx::sqlite::SqliteRow,
    faults: &mut Vec<String>,
) -> Result<i64, sqlx::Error> {
    if !reading::is_intact(row)? {
        let (run, seq): (super::RunId, i64) = (parsed(row, "run")?, row.try_get("seq")?);
        faults.push(format!(
            "the trace of run {run}, reading {seq} does not match its checksum"
        ));
    }
    row.try_get("place")
}
