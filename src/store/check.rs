//! Whether the file is what was written, and how much is in it.

use super::detail::{DICTIONARY, DICTIONARY_ADLER32};
use super::open::MIGRATOR;
use super::{Counts, Integrity, Store, StoreError, reading, seal};
use futures_util::TryStreamExt;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Row, SqliteConnection};
use std::collections::BTreeSet;

/// Traces whose checksums are computed between two looks at the database.
const TRACES_AT_ONCE: i64 = 256;

impl Store {
    /// Checks the whole file: SQLite's own checks, references between tables, the schema, every trace's and kept file's
    /// checksum, that every reading has its trace, what the program keeps to search by, and the seal of every complete
    /// run. Reads everything; minutes for a large file.
    pub async fn integrity(&self) -> Result<Integrity, StoreError> {
        let mut faults = self.structural_faults().await?;
        let mut read = self
            .readers()
            .begin()
            .await
            .map_err(self.fault("check it"))?;
        faults.extend(
            schema_faults(&mut read)
                .await
                .map_err(self.fault("check its schema"))?,
        );
        faults.extend(
            kept_faults(&mut read)
                .await
                .map_err(self.fault("check what it keeps"))?,
        );
        let seals_checked = seal_faults(&mut read, &mut faults)
            .await
            .map_err(self.fault("check the seals"))?;
        drop(read);
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
            seals_checked,
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
        faults.extend(
            word_faults(&mut connection)
                .await
                .map_err(self.fault("check what it is searched by"))?,
        );
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
        let (run, seq): (String, i64) = (row.try_get("run")?, row.try_get("seq")?);
        faults.push(seal::trace_fault(&run, seq));
    }
    row.try_get("place")
}

/// Tables, triggers, views and indexes that are not as this program makes them.
async fn schema_faults(read: &mut SqliteConnection) -> Result<Vec<String>, sqlx::Error> {
    let mut fresh = SqliteConnectOptions::new()
        .in_memory(true)
        .connect()
        .await?;
    let made = MIGRATOR.run_direct(None, &mut fresh, false).await;
    made.map_err(|error| sqlx::Error::Configuration(Box::new(error)))?;
    let (right, found) = (schema(&mut fresh).await?, schema(read).await?);
    let name =
        |(kind, name, _, _): &(String, String, String, Option<String>)| format!("{kind} {name}");
    let missing = right.difference(&found).map(name);
    let mut faults: BTreeSet<String> = missing
        .map(|name| format!("the {name} is not as this program makes it"))
        .collect();
    let known: BTreeSet<String> = right.iter().map(name).collect();
    let strange = found.iter().map(name).filter(|name| !known.contains(name));
    faults.extend(strange.map(|name| format!("the {name} is none that this program makes")));
    let applied: Vec<(i64, Vec<u8>, bool)> =
        sqlx::query_as("SELECT version, checksum, success FROM _sqlx_migrations ORDER BY version")
            .fetch_all(&mut *read)
            .await?;
    let shipped = MIGRATOR.iter();
    let shipped: Vec<_> = shipped
        .map(|it| (it.version, it.checksum.to_vec(), true))
        .collect();
    if applied != shipped {
        faults.insert("the list of migrations is not this program's".to_owned());
    }
    Ok(faults.into_iter().collect())
}

/// SQLite's statistics are its own and may be there or not.
async fn schema(
    connection: &mut SqliteConnection,
) -> Result<BTreeSet<(String, String, String, Option<String>)>, sqlx::Error> {
    let rows = sqlx::query_as(
        "SELECT type, name, tbl_name, sql FROM sqlite_schema WHERE name NOT GLOB 'sqlite_stat*'",
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().collect())
}

/// Files that do not match their checksums, and what follows from other rows and is kept only to search by.
async fn kept_faults(read: &mut SqliteConnection) -> Result<Vec<String>, sqlx::Error> {
    let mut faults = Vec::new();
    let mut files = sqlx::query("SELECT sha256, kind, name, text FROM snapshot").fetch(&mut *read);
    while let Some(row) = files.try_next().await? {
        faults.extend(seal::snapshot_fault(&row)?);
    }
    drop(files);
    let dictionary: Vec<(i64, Vec<u8>)> = sqlx::query_as("SELECT adler32, text FROM dictionary")
        .fetch_all(&mut *read)
        .await?;
    if dictionary != [(i64::from(DICTIONARY_ADLER32), DICTIONARY.to_vec())] {
        faults.push("the dictionary of packed details is not this program's".to_owned());
    }
    for (sql, fault) in KEPT_TO_SEARCH {
        let count: i64 = sqlx::query_scalar(sql).fetch_one(&mut *read).await?;
        if count > 0 {
            faults.push(format!("{count} {fault}"));
        }
    }
    Ok(faults)
}

const KEPT_TO_SEARCH: [(&str, &str); 4] = [
    (
        "SELECT count(*) FROM run LEFT JOIN worded ON worded.run = run.id WHERE text IS NOT run.id \
        || coalesce(' ' || run.item, '') || coalesce(' ' || model, '') || coalesce(' ' || lot, '') \
        || coalesce(' ' || operator, '') || coalesce(' ' || note, '') || coalesce(' ' || reason, '') \
        || coalesce(' ' || withdrawn_why, '')",
        "runs are not what was noted to search them by",
    ),
    (
        "SELECT count(*) FROM item LEFT JOIN worded ON worded.item = item.serial WHERE text IS NOT serial \
        || coalesce(' ' || model, '') || coalesce(' ' || lot, '') || coalesce(' ' || size, '') \
        || coalesce(' ' || construction, '') || coalesce(' ' || note, '')",
        "items are not what was noted to search them by",
    ),
    (
        "SELECT count(*) FROM (SELECT value, run, frequency_hz, face, polarisation, repeat, analysis \
        FROM result, json_each(result.flags) EXCEPT \
        SELECT flag, run, frequency_hz, face, polarisation, repeat, analysis FROM flagged)",
        "flags of results are not found by searching",
    ),
    (
        "SELECT count(*) FROM (SELECT flag, run, frequency_hz, face, polarisation, repeat, analysis FROM flagged EXCEPT \
        SELECT value, run, frequency_hz, face, polarisation, repeat, analysis FROM result, json_each(result.flags))",
        "flags are found that no result has",
    ),
];

/// The index of words against one made anew, beside the file.
async fn word_faults(connection: &mut SqliteConnection) -> Result<Vec<String>, sqlx::Error> {
    for step in [
        "CREATE VIRTUAL TABLE temp.anew USING fts5 (text, tokenize = 'unicode61 remove_diacritics 2')",
        "INSERT INTO temp.anew (rowid, text) SELECT id, text FROM main.worded",
        "CREATE VIRTUAL TABLE temp.anew_words USING fts5vocab('temp', 'anew', 'instance')",
        "CREATE VIRTUAL TABLE temp.words USING fts5vocab('main', 'word', 'instance')",
    ] {
        sqlx::query(step).execute(&mut *connection).await?;
    }
    let differing: i64 = sqlx::query_scalar(
        "SELECT (SELECT count(*) FROM (SELECT term, doc, \"offset\" FROM temp.words EXCEPT \
        SELECT term, doc, \"offset\" FROM temp.anew_words)) + (SELECT count(*) FROM (SELECT term, doc, \"offset\" \
        FROM temp.anew_words EXCEPT SELECT term, doc, \"offset\" FROM temp.words))",
    )
    .fetch_one(connection)
    .await?;
    Ok(match differing {
        0 => Vec::new(),
        words => vec![format!(
            "{words} words are not found where they stand, or where they do not stand"
        )],
    })
}

/// Every complete run against its seal, and the seals against each other; answers with how many runs were looked at.
async fn seal_faults(
    read: &mut SqliteConnection,
    faults: &mut Vec<String>,
) -> Result<u64, sqlx::Error> {
    faults.extend(seal::chain_faults(read).await?);
    let runs: Vec<String> = sqlx::query_scalar(
        "SELECT id FROM run WHERE state = 'complete' UNION SELECT run FROM seal ORDER BY 1",
    )
    .fetch_all(&mut *read)
    .await?;
    for run in &runs {
        faults.extend(seal::checked(run, read).await?.1);
    }
    Ok(runs.len() as u64)
}
