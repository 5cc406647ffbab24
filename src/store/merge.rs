//! Several stations' files gathered into one.
//!
//! Ids are unique over all stations, so nothing is renumbered: what is there already is left, what is not is
//! added. Readings, traces and emissions are facts, and two files that say different things under one id are
//! refused. What may have been described or computed anew (items, lots, results, verdicts) is settled by a rule
//! that does not ask in which order the files come: the later, and where neither is, the one that sorts last.
//! So merging twice changes nothing, and merging in another order gives the same.
//!
//! The other file is copied first, and the copy is checked whole (structure, schema, checksums, seals) before anything is
//! taken from it: what was checked is what is merged. Everything is one transaction, and a copy of the store as it was
//! before is left beside it.

use super::open::{back_up_beside, beside, connect, copy, known_version, options};
use super::record::SealReason;
use super::seal::Amendment;
use super::{Store, StoreError, prune};
use serde::Serialize;
use sqlx::{Connection, QueryBuilder, Row, Sqlite, SqliteConnection};
use std::path::{Path, PathBuf};
use ulid::Ulid;

/// How many contradictions an error lists.
const FAULTS_SHOWN: usize = 5;
/// How many rows that were settled are named.
const SETTLED_SHOWN: i64 = 20;

/// What happens where both files have a row of one key.
#[derive(Clone, Copy, PartialEq)]
enum Both {
    /// They say the same, or the merge is refused; these columns are not compared, for another says it all.
    Same(&'static [&'static str]),
    /// The same, but for this column, of which the earlier is kept: when it was said is not what was said.
    Earlier(&'static str),
    /// The row that sorts last by these columns, then by all others, is kept whole.
    Last(&'static [&'static str]),
    /// A run: further is later, then the later computation; withdrawn in one is withdrawn.
    Run,
    /// An emission: closed in one is closed.
    Emission,
}

/// A table that is gathered, after those it refers to.
struct Table {
    name: &'static str,
    /// One of its rows, for people.
    row: &'static str,
    key: &'static [&'static str],
    both: Both,
}

/// What is gathered.
const GATHERED: [Table; 19] = [
    Table {
        name: "snapshot",
        row: "the file",
        key: &["sha256"],
        both: Both::Last(&[]),
    },
    Table {
        name: "lot",
        row: "lot",
        key: &["name"],
        both: Both::Last(&[]),
    },
    Table {
        name: "lot_rule",
        row: "the plan of lot",
        key: &["lot"],
        // Fixed before the first unit, and so never settled afterwards.
        both: Both::Earlier("made"),
    },
    Table {
        name: "item",
        row: "item",
        key: &["serial"],
        both: Both::Last(&["described"]),
    },
    Table {
        name: "run",
        row: "run",
        key: &["id"],
        both: Both::Run,
    },
    Table {
        name: "check_item",
        row: "check item",
        key: &["serial"],
        both: Both::Last(&[]),
    },
    Table {
        name: "run_cycles",
        row: "the cycles of run",
        key: &["run"],
        both: Both::Last(&[]),
    },
    Table {
        name: "run_snapshot",
        row: "a driver of run",
        key: &["run", "sha256"],
        both: Both::Same(&[]),
    },
    Table {
        name: "reading",
        row: "a reading of run",
        key: &["run", "seq"],
        both: Both::Same(&[]),
    },
    Table {
        name: "trace",
        row: "a trace of run",
        key: &["run", "seq"],
        both: Both::Same(&["data"]),
    },
    Table {
        name: "archive",
        row: "the file of moved traces",
        key: &["id"],
        both: Both::Last(&[]),
    },
    Table {
        name: "moved_trace",
        row: "a moved trace of run",
        key: &["run", "seq", "archive"],
        both: Both::Same(&[]),
    },
    Table {
        name: "result",
        row: "a result of run",
        key: &[
            "run",
            "frequency_hz",
            "face",
            "polarisation",
            "repeat",
            "analysis",
        ],
        both: Both::Last(&["made"]),
    },
    Table {
        name: "emission",
        row: "emission",
        key: &["id"],
        both: Both::Emission,
    },
    Table {
        name: "recording",
        row: "recording",
        key: &["id"],
        both: Both::Last(&[]),
    },
    Table {
        name: "hold",
        row: "a hold of recording",
        key: &["recording", "seq"],
        both: Both::Same(&["data"]),
    },
    Table {
        name: "pass",
        row: "pass",
        key: &["id"],
        both: Both::Last(&[]),
    },
    Table {
        name: "sending",
        row: "a sending of pass",
        key: &["pass", "seq"],
        both: Both::Same(&[]),
    },
    Table {
        name: "seal",
        row: "the seal of run",
        key: &["sha256"],
        both: Both::Same(&[]),
    },
];

/// What stays with its station, or is made anew from what is gathered.
#[cfg(test)]
pub(super) const LEFT: [&str; 15] = [
    "_sqlx_migrations",
    "batch",
    "batch_run",
    "dictionary",
    "event",
    "flagged",
    "interlock",
    "job",
    "job_run",
    "origin",
    "prompt",
    "queue",
    "standing",
    "token",
    "worded",
];

#[cfg(test)]
pub(super) fn gathered() -> Vec<&'static str> {
    GATHERED.iter().map(|table| table.name).collect()
}

/// Columns that are settled by themselves, or follow from others.
const APART: [&str; 4] = ["first_seen", "withdrawn", "withdrawn_why", "superseded"];
/// The columns of a run that never change.
const RUN_FIXED: &str = "kind, item, model, lot, plan_sha, station_sha, reference_run, signature, operator, \
    started, note, imported";

/// Once a run is complete in both files, these never change either.
const RUN_COMPLETE_OTHERWISE: &str = "(m.state = 'complete' AND o.state = 'complete' \
    AND (m.finished, m.program_version, m.instruments) IS NOT (o.finished, o.program_version, o.instruments))";

/// What a merge did.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Merged {
    /// Runs that were not there before.
    pub runs: u64,
    /// Readings that were not there before.
    pub readings: u64,
    /// Traces that were not there before.
    pub traces: u64,
    /// Results that were not there before.
    pub results: u64,
    /// Emissions that were not there before.
    pub emissions: u64,
    /// Where both files had a row and did not say the same, one sentence each; which of them counts, too.
    pub settled: Vec<String>,
    /// A copy of the store as it was before; none where nothing was new.
    pub backup: Option<PathBuf>,
}

/// A copy of another store, checked whole and about to be taken in; removed when it is dropped.
#[derive(Debug)]
pub struct Incoming {
    from: PathBuf,
    copied: Temporary,
    store: Store,
}

/// A database file of our own that is removed with this.
#[derive(Debug)]
struct Temporary(PathBuf);

impl Drop for Temporary {
    fn drop(&mut self) {
        for suffix in ["", "-wal", "-shm"] {
            let _ = std::fs::remove_file(beside(&self.0, suffix));
        }
    }
}

impl Incoming {
    /// The copy, to read only.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// The error that refuses it for these reasons.
    pub fn refused(&self, faults: &[String]) -> StoreError {
        StoreError::Unsound {
            path: self.from.clone(),
            count: faults.len(),
            faults: faults.iter().take(FAULTS_SHOWN).cloned().collect(),
        }
    }
}

impl Store {
    /// [`Self::incoming`] and [`Self::take_in`]. Does not see whether results follow from their readings, which
    /// `evaluate::merge` does.
    pub async fn merge(&self, from: &Path) -> Result<Merged, StoreError> {
        self.take_in(&self.incoming(from).await?).await
    }

    /// Copies another store beside this one and checks the copy as [`Self::integrity`] checks. The other file is only
    /// read.
    pub async fn incoming(&self, from: &Path) -> Result<Incoming, StoreError> {
        let doing = format!("merge {}", from.display());
        self.check_writable(&doing)?;
        if !from.exists() {
            return Err(StoreError::Missing {
                path: from.to_owned(),
            });
        }
        prune::refuse_archive(from).await?;
        known_version(from).await?;
        if same_file(from, self.path()) {
            return Err(StoreError::File {
                path: from.to_owned(),
                problem: "is this store itself; name another".to_owned(),
            });
        }
        let copied = beside(self.path(), &format!(".merging-{}", Ulid::generate()));
        let copied = Temporary(copied);
        let mut connection = connect(from, options(from).read_only(true)).await?;
        copy(from, &copied.0, &mut connection).await?;
        connection.close().await.map_err(self.fault(&doing))?;
        let incoming = Incoming {
            from: from.to_owned(),
            store: Self::open_read_only(&copied.0).await?,
            copied,
        };
        let faults = incoming.store.integrity().await?.faults;
        match faults.is_empty() {
            true => Ok(incoming),
            false => Err(incoming.refused(&faults)),
        }
    }

    /// Takes in everything of a store that was checked, all or nothing.
    pub async fn take_in(&self, incoming: &Incoming) -> Result<Merged, StoreError> {
        let doing = format!("merge {}", incoming.from.display());
        let fault = |error| StoreError::from_sqlite(self.path(), doing.clone(), error);
        let mut connection = connect(self.path(), options(self.path())).await?;
        prune::attach(&mut connection, &incoming.copied.0, "other")
            .await
            .map_err(fault)?;
        let mut write = connection
            .begin_with("BEGIN IMMEDIATE")
            .await
            .map_err(fault)?;
        let faults = all_contradictions(&mut write).await.map_err(fault)?;
        if !faults.is_empty() {
            return Err(StoreError::Contradiction {
                path: incoming.from.clone(),
                faults,
            });
        }
        let mut merged = merge(&mut write).await.map_err(fault)?;
        let is_changed: bool = sqlx::query_scalar("SELECT total_changes() > 0")
            .fetch_one(&mut *write)
            .await
            .map_err(fault)?;
        if is_changed {
            // Who reads sees the store as it was until the merge is committed.
            let mut before = self.readers().acquire().await.map_err(fault)?;
            merged.backup = Some(back_up_beside(self.path(), ".before-merge", &mut before).await?);
        }
        write.commit().await.map_err(fault)?;
        connection.close().await.map_err(fault)?;
        Ok(merged)
    }
}

fn same_file(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a == b,
    }
}

/// Everything in which the files contradict each other; nothing is written before.
async fn all_contradictions(write: &mut SqliteConnection) -> Result<Vec<String>, sqlx::Error> {
    let mut faults = Vec::new();
    for table in &GATHERED {
        let columns = columns(write, table.name).await?;
        faults.extend(contradictions(write, table, &differing(table, &columns)).await?);
    }
    Ok(faults)
}

async fn merge(write: &mut SqliteConnection) -> Result<Merged, sqlx::Error> {
    let mut merged = Merged::default();
    // What is settled may refer to what is added only afterwards.
    for prepare in ["PRAGMA defer_foreign_keys = ON", LOOKED_AGAIN] {
        sqlx::query(prepare).execute(&mut *write).await?;
    }
    let touched: Vec<String> = sqlx::query_scalar(TOUCHED).fetch_all(&mut *write).await?;
    let mut amendments = Vec::with_capacity(touched.len());
    for run in &touched {
        amendments.push(Amendment::begin(run, write).await?);
    }
    for table in &GATHERED {
        let columns = columns(write, table.name).await?;
        settle_or_say(write, table, &columns, &mut merged.settled).await?;
        let added = add(write, table, &columns).await?;
        match table.name {
            "run" => merged.runs = added,
            "reading" => merged.readings = added,
            "trace" => merged.traces = added,
            "result" => merged.results = added,
            "emission" => merged.emissions = added,
            _ => {}
        }
    }
    // A trace that is here need not be looked for elsewhere.
    sqlx::query(
        "DELETE FROM main.moved_trace WHERE EXISTS (SELECT 1 FROM main.trace AS t \
        WHERE t.run = moved_trace.run AND t.seq = moved_trace.seq)",
    )
    .execute(&mut *write)
    .await?;
    for amendment in amendments {
        amendment.seal(SealReason::Merged, write).await?;
    }
    sqlx::query("DROP TABLE temp.looked_again")
        .execute(write)
        .await?;
    Ok(merged)
}

/// The runs that a merge may change: those of the other file, and those here that were made with a file of another name
/// there.
const TOUCHED: &str = "WITH renamed AS (SELECT m.sha256 FROM main.snapshot AS m JOIN other.snapshot AS o \
    ON o.sha256 = m.sha256 WHERE (m.kind, m.name) IS NOT (o.kind, o.name)) \
    SELECT id FROM other.run UNION SELECT id FROM main.run WHERE plan_sha IN renamed OR station_sha IN renamed \
    UNION SELECT run FROM main.run_snapshot WHERE sha256 IN renamed ORDER BY 1";

/// In which file the reference of a run was looked at again: noted before runs are settled, for their results.
const LOOKED_AGAIN: &str = "CREATE TEMP TABLE looked_again AS SELECT m.id AS run, m.reference_after IS NOT NULL AS m, \
    o.reference_after IS NOT NULL AS o FROM main.run AS m JOIN other.run AS o ON o.id = m.id";

async fn columns(
    connection: &mut SqliteConnection,
    table: &str,
) -> Result<Vec<String>, sqlx::Error> {
    sqlx::query_scalar("SELECT name FROM pragma_table_info(?1) ORDER BY cid")
        .bind(table)
        .fetch_all(connection)
        .await
}

/// What names a row for people.
fn shown_key(table: &Table) -> String {
    match table.name {
        "seal" => "m.run".to_owned(),
        _ => format!("m.{}", table.key[0]),
    }
}

/// `m.key = o.key`, for here (`m`) and the other file (`o`).
fn same_key(table: &Table) -> String {
    let equal = table.key.iter().map(|key| format!("m.{key} = o.{key}"));
    equal.collect::<Vec<_>>().join(" AND ")
}

/// The columns that must agree; empty where a rule settles all.
fn differing(table: &Table, columns: &[String]) -> Vec<String> {
    match table.both {
        Both::Same(apart) => columns
            .iter()
            .filter(|column| !apart.contains(&column.as_str()))
            .cloned()
            .collect(),
        Both::Earlier(apart) => columns
            .iter()
            .filter(|column| *column != apart)
            .cloned()
            .collect(),
        Both::Run => RUN_FIXED.split(", ").map(str::to_owned).collect(),
        Both::Emission => [
            "run",
            "station",
            "frequency_hz",
            "level_dbm",
            "radiated_dbm",
            "why",
            "began",
        ]
        .map(str::to_owned)
        .to_vec(),
        // What is named by its checksum is one text.
        Both::Last(_) if table.name == "snapshot" => vec!["text".to_owned()],
        Both::Last(_) => Vec::new(),
    }
}

/// Facts of one key that are not the same in both files.
async fn contradictions(
    connection: &mut SqliteConnection,
    table: &Table,
    differing: &[String],
) -> Result<Vec<String>, sqlx::Error> {
    let Table { name, row, .. } = table;
    let mut faults = Vec::new();
    if !differing.is_empty() {
        let side = |side: &str| {
            let columns = differing.iter().map(|column| format!("{side}.{column}"));
            columns.collect::<Vec<_>>().join(", ")
        };
        let mut condition = format!("({}) IS NOT ({})", side("m"), side("o"));
        if table.both == Both::Emission {
            condition.push_str(
                " OR (m.ended IS NOT NULL AND o.ended IS NOT NULL AND (m.ended, m.how_ended) IS NOT (o.ended, o.how_ended))",
            );
        }
        if table.both == Both::Run {
            // One book imported at two stations is the same run, whichever copy of the book it came from.
            condition = format!(
                "(m.imported = 0 OR o.imported = 0) AND ({condition} OR {RUN_COMPLETE_OTHERWISE} \
                OR m.reference_after <> o.reference_after)"
            );
        }
        let sql = format!(
            "SELECT {} FROM main.{name} AS m JOIN other.{name} AS o ON {} WHERE {condition} LIMIT {FAULTS_SHOWN}",
            shown_key(table),
            same_key(table)
        );
        let keys: Vec<String> = sqlx::query_scalar(sqlx::AssertSqlSafe(sql))
            .fetch_all(&mut *connection)
            .await?;
        faults.extend(
            keys.iter()
                .map(|key| format!("{row} {key} is not the same in both")),
        );
    }
    if *name == "reading" {
        // One point read twice, under two numbers.
        let sql = format!(
            "SELECT m.run FROM main.reading AS m JOIN other.reading AS o ON m.run = o.run AND m.kind = o.kind \
            AND m.frequency_hz = o.frequency_hz AND m.face = o.face AND m.polarisation = o.polarisation \
            AND m.repeat = o.repeat WHERE m.seq <> o.seq LIMIT {FAULTS_SHOWN}"
        );
        let runs: Vec<String> = sqlx::query_scalar(sqlx::AssertSqlSafe(sql))
            .fetch_all(&mut *connection)
            .await?;
        faults.extend(
            runs.iter()
                .map(|run| format!("run {run} went on in both, separately")),
        );
    }
    if *name == "moved_trace" {
        let sql = format!(
            "SELECT m.run FROM main.trace AS m JOIN other.moved_trace AS o ON m.run = o.run AND m.seq = o.seq \
            WHERE m.sha256 <> o.sha256 OR o.start_hz IS NOT NULL \
            AND (m.start_hz, m.stop_hz, m.encoding, m.unit) IS NOT (o.start_hz, o.stop_hz, o.encoding, o.unit) \
            LIMIT {FAULTS_SHOWN}"
        );
        let runs: Vec<String> = sqlx::query_scalar(sqlx::AssertSqlSafe(sql))
            .fetch_all(&mut *connection)
            .await?;
        faults.extend(
            runs.iter()
                .map(|run| format!("a trace of run {run} is not the one that was moved")),
        );
    }
    Ok(faults)
}

/// What of a row sorts: the columns in this order, absent ones first.
fn rank(table: &Table, columns: &[String], side: &str) -> String {
    let quoted = |column: &str| {
        format!("CASE WHEN {side}.{column} IS NULL THEN '' ELSE quote({side}.{column}) END")
    };
    let schema = if side == "m" { "main" } else { "other" };
    let first: Vec<String> = match table.both {
        Both::Last(first) => {
            let columns = first.iter().map(|column| quoted(column));
            let looked_again = (table.name == "result").then(|| {
                // Results that know how far the reference had changed count before those that do not.
                format!("(SELECT {side} FROM temp.looked_again AS l WHERE l.run = {side}.run)")
            });
            looked_again.into_iter().chain(columns).collect()
        }
        _ => vec![
            format!(
                "CASE {side}.state WHEN 'complete' THEN 3 WHEN 'failed' THEN 2 WHEN 'stopped' THEN 1 ELSE 0 END"
            ),
            format!("({side}.reference_after IS NOT NULL)"),
            format!(
                "coalesce((SELECT max(printf('%08d', r.analysis) || r.made) FROM {schema}.result AS r WHERE r.run = {side}.id), '')"
            ),
        ],
    };
    let rest = columns
        .iter()
        .filter(|column| !APART.contains(&column.as_str()))
        .map(|column| quoted(column));
    let parts: Vec<String> = first.into_iter().chain(rest).collect();
    // U+0001 sorts before anything that a quoted value holds.
    parts.join(" || char(1) || ")
}

/// Settles the rows that both files have, and says which were not the same.
async fn settle_or_say(
    connection: &mut SqliteConnection,
    table: &Table,
    columns: &[String],
    settled: &mut Vec<String>,
) -> Result<(), sqlx::Error> {
    let Table { name, row, key, .. } = table;
    let same_key = same_key(table);
    match table.both {
        Both::Same(_) => return Ok(()),
        Both::Earlier(column) => {
            let sql = format!(
                "UPDATE main.{name} AS m SET {column} = o.{column} FROM other.{name} AS o \
                WHERE {same_key} AND o.{column} < m.{column}"
            );
            let sql = sqlx::AssertSqlSafe(sql);
            return sqlx::query(sql).execute(connection).await.map(drop);
        }
        Both::Emission => {
            let sql = "UPDATE main.emission AS m SET ended = o.ended, how_ended = o.how_ended \
                FROM other.emission AS o WHERE m.id = o.id AND m.ended IS NULL AND o.ended IS NOT NULL";
            return sqlx::query(sql).execute(connection).await.map(drop);
        }
        Both::Last(_) | Both::Run => {}
    }
    let (here, there) = (rank(table, columns, "m"), rank(table, columns, "o"));
    // When it was said is not what was said.
    let when: &[&str] = match table.both {
        Both::Last(first) => first,
        _ => &[],
    };
    let said: Vec<&String> = columns
        .iter()
        .filter(|column| {
            ![key, when, &APART]
                .iter()
                .any(|list| list.contains(&column.as_str()))
        })
        .collect();
    let of = |side: &str| {
        let columns = said.iter().map(|column| format!("{side}.{column}"));
        columns.collect::<Vec<_>>().join(", ")
    };
    let sql = format!(
        "SELECT m.{} AS name, sum(({there}) > ({here})) AS theirs FROM main.{name} AS m \
        JOIN other.{name} AS o ON {same_key} WHERE ({}) IS NOT ({}) GROUP BY m.{0} LIMIT {SETTLED_SHOWN}",
        key[0],
        of("m"),
        of("o")
    );
    let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
        .fetch_all(&mut *connection)
        .await?;
    for found in rows {
        let (name, theirs): (String, i64) = (found.try_get("name")?, found.try_get("theirs")?);
        let side = if theirs > 0 {
            "the other file's counts"
        } else {
            "this file's counts"
        };
        settled.push(format!("{row} {name} is not the same in both: {side}"));
    }
    let has = |column: &str| columns.iter().any(|known| known == column);
    let changing: Vec<&String> = columns
        .iter()
        .filter(|column| !key.contains(&column.as_str()))
        .filter(|column| !APART.contains(&column.as_str()))
        .collect();
    let assignments: Vec<String> = changing
        .iter()
        .map(|column| format!("{column} = o.{column}"))
        .collect();
    if !assignments.is_empty() {
        let sql = format!(
            "UPDATE main.{name} AS m SET {} FROM other.{name} AS o WHERE {same_key} AND ({there}) > ({here})",
            assignments.join(", ")
        );
        sqlx::query(sqlx::AssertSqlSafe(sql))
            .execute(&mut *connection)
            .await?;
    }
    if has("first_seen") {
        let sql = format!(
            "UPDATE main.{name} AS m SET first_seen = o.first_seen FROM other.{name} AS o \
            WHERE {same_key} AND o.first_seen < m.first_seen"
        );
        sqlx::query(sqlx::AssertSqlSafe(sql))
            .execute(&mut *connection)
            .await?;
    }
    if has("withdrawn") {
        let withdrawn: Vec<(String, String)> = sqlx::query_as(
            "SELECT m.id, o.withdrawn_why FROM main.run AS m JOIN other.run AS o ON o.id = m.id \
            WHERE m.withdrawn IS NULL AND o.withdrawn IS NOT NULL LIMIT ?1",
        )
        .bind(SETTLED_SHOWN)
        .fetch_all(&mut *connection)
        .await?;
        let said = withdrawn.iter();
        settled.extend(said.map(|(run, why)| {
            format!("run {run} is withdrawn in the other file ({why}), and so here")
        }));
        let sql = "UPDATE main.run AS m SET withdrawn = o.withdrawn, withdrawn_why = o.withdrawn_why \
            FROM other.run AS o WHERE m.id = o.id AND o.withdrawn IS NOT NULL \
            AND o.withdrawn || o.withdrawn_why > coalesce(m.withdrawn || m.withdrawn_why, '')";
        sqlx::query(sql).execute(&mut *connection).await?;
    }
    Ok(())
}

/// Adds the rows whose key is not there; answers with how many.
async fn add(
    connection: &mut SqliteConnection,
    table: &Table,
    columns: &[String],
) -> Result<u64, sqlx::Error> {
    let Table { name, key, .. } = table;
    let mut sql = QueryBuilder::<Sqlite>::new("");
    sql.push(format_args!(
        "INSERT INTO main.{name} ({0}) SELECT {0} FROM other.{name} AS o WHERE NOT EXISTS \
        (SELECT 1 FROM main.{name} AS m WHERE {1})",
        columns.join(", "),
        same_key(table)
    ));
    if *name == "moved_trace" {
        sql.push(
            " AND NOT EXISTS (SELECT 1 FROM main.trace AS t WHERE t.run = o.run AND t.seq = o.seq)",
        );
    }
    sql.push(format_args!(" ORDER BY {}", key.join(", ")));
    let done = sql.build().execute(connection).await?;
    Ok(done.rows_affected())
}
