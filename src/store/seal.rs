//! Complete runs are sealed: a digest over all their rows, chained to the seal that this file made before.
//!
//! A seal is made in the transaction that completes the run. Whatever may change afterwards (results computed anew,
//! withdrawing, the reference looked at again) appends a seal with its reason and never replaces one; where the run did
//! not match its seal before the change, none is appended, so that no amendment makes damage good. A seal is not a
//! signature: who can write the file can seal everything anew.
//!
//! The encoding is of its own and versioned: each part has its name, then of each row its values with type and length.

use super::record::{SealReason, SealRecord, SealStatement};
use super::{RunId, RunState, Store, StoreError, hex, reading, stamp};
use futures_util::TryStreamExt;
use jiff::Timestamp;
use sha2::{Digest, Sha256};
use sqlx::sqlite::SqliteRow;
use sqlx::{Row, SqliteConnection, TypeInfo, ValueRef};

/// How the digests of this program are put together. Another list of columns is another format.
const FORMAT: i64 = 1;
/// The first schema whose runs are all sealed by their completion; those of earlier ones are when they are migrated.
pub(super) const SINCE_SCHEMA: i64 = 17;
const DIGEST_BYTES: usize = 32;

/// Rows of a run that are sealed together, in a fixed order; the run is `?1`.
struct Part {
    /// For people, and in the digest.
    name: &'static str,
    sql: &'static str,
}

/// What never changes once a run is complete.
const FACTS: [Part; 8] = [
    Part {
        name: "row",
        sql: "SELECT id, kind, item, model, lot, plan_sha, station_sha, reference_run, signature, operator, started, \
            finished, state, reason, note, program_version, imported, instruments FROM run WHERE id = ?1",
    },
    Part {
        name: "drivers",
        sql: "SELECT sha256 FROM run_snapshot WHERE run = ?1 ORDER BY sha256",
    },
    Part {
        name: "readings",
        sql: "SELECT seq, kind, frequency_hz, face, polarisation, repeat, attempt, taken, sweeps, peak_dbm, peak_hz, \
            flags, settings, trace_seq FROM reading WHERE run = ?1 ORDER BY seq",
    },
    Part {
        // The levels are in it by their checksum, so that they may be moved to another file.
        name: "traces",
        sql: "SELECT seq, start_hz, stop_hz, points, encoding, unit, sha256 FROM trace WHERE run = ?1 \
            UNION SELECT seq, start_hz, stop_hz, points, encoding, unit, sha256 FROM moved_trace WHERE run = ?1 ORDER BY seq",
    },
    Part {
        name: "transmissions",
        sql: "SELECT id, schedule, face, polarisation, repeat, began, ended, recording, merged FROM pass \
            WHERE run = ?1 ORDER BY id",
    },
    Part {
        name: "emissions of a transmission",
        sql: "SELECT pass, seq, what, frequency_hz, level_dbm, before_s, on_s, off_s, after_s, carrier, forward_dbm \
            FROM sending WHERE pass IN (SELECT id FROM pass WHERE run = ?1) ORDER BY pass, seq",
    },
    Part {
        name: "recordings",
        sql: "SELECT id, schedule, kind, receiver, began, start_marker, end_marker FROM recording \
            WHERE id IN (SELECT recording FROM pass WHERE run = ?1) ORDER BY id",
    },
    Part {
        name: "recorded traces",
        sql: "SELECT recording, seq, frequency_hz, from_s, until_s, overload, start_hz, stop_hz, points, encoding, unit, \
            sha256 FROM hold WHERE recording IN (SELECT recording FROM pass WHERE run = ?1) ORDER BY recording, seq",
    },
];

/// What may be amended.
const DERIVED: [Part; 5] = [
    Part {
        name: "verdict or withdrawal",
        sql: "SELECT verdict, reference_after, withdrawn, withdrawn_why FROM run WHERE id = ?1",
    },
    Part {
        // Their texts are held by their checksums. What they are called may be settled by a merge.
        name: "names of files",
        sql: "SELECT sha256, kind, name FROM snapshot WHERE sha256 IN (SELECT plan_sha FROM run WHERE id = ?1 \
            UNION SELECT station_sha FROM run WHERE id = ?1 UNION SELECT sha256 FROM run_snapshot WHERE run = ?1) \
            ORDER BY sha256",
    },
    Part {
        name: "cycles",
        sql: "SELECT cycles FROM run_cycles WHERE run = ?1",
    },
    Part {
        name: "results",
        sql: "SELECT frequency_hz, face, polarisation, repeat, analysis, kind, se_db, u_db, k, limit_db, margin_db, \
            verdict, conformity, reference_dbm, level_dbm, floor_dbm, flags, made, detail, packed, superseded FROM result \
            WHERE run = ?1 ORDER BY frequency_hz, face, polarisation, repeat, analysis",
    },
    Part {
        name: "emissions",
        sql: "SELECT id, station, frequency_hz, level_dbm, radiated_dbm, why, began, ended, how_ended FROM emission \
            WHERE run = ?1 ORDER BY id",
    },
];

impl Store {
    /// What a forger would do: forgets every seal and makes new ones.
    #[cfg(test)]
    pub(crate) async fn forge_seals(&self) {
        let mut write = self.write(&"forge").await.expect("a transaction");
        for step in [
            "DROP TRIGGER seal_is_never_removed",
            "UPDATE origin SET head = NULL",
            "DELETE FROM seal",
            "CREATE TRIGGER seal_is_never_removed BEFORE DELETE ON seal\nBEGIN SELECT RAISE(ABORT, 'seals are never removed'); END",
        ] {
            sqlx::query(step).execute(&mut *write).await.expect(step);
        }
        seal_migrated(&mut write).await.expect("sealed");
        write.commit().await.expect("committed");
    }

    /// Whether a run still is what was sealed, with the levels of its traces and the files it was made with; and so the
    /// references that its results rest on. `None` where it is not complete, and so not sealed.
    pub async fn seal(&self, run: RunId) -> Result<Option<SealStatement>, StoreError> {
        let doing = format!("check the seal of run {run}");
        let mut read = self.readers().begin().await.map_err(self.fault(&doing))?;
        statement(run, &mut read).await.map_err(self.fault(&doing))
    }
}

async fn statement(
    run: RunId,
    read: &mut SqliteConnection,
) -> Result<Option<SealStatement>, sqlx::Error> {
    let (seal, mut faults) = checked(&run.to_string(), read).await?;
    if seal.is_none() && faults.is_empty() {
        return Ok(None);
    }
    faults.extend(content_faults(&run.to_string(), read).await?);
    let references: Vec<String> = sqlx::query_scalar(
        "SELECT reference_run FROM run WHERE id = ?1 AND reference_run IS NOT NULL \
        UNION SELECT reference_after FROM run WHERE id = ?1 AND reference_after IS NOT NULL",
    )
    .bind(run.to_string())
    .fetch_all(&mut *read)
    .await?;
    for reference in references {
        faults.extend(checked(&reference, read).await?.1);
        faults.extend(content_faults(&reference, read).await?);
    }
    Ok(Some(SealStatement {
        holds: faults.is_empty(),
        seal,
        faults,
    }))
}

/// The newest seal of a run, and how the run's rows differ from it.
pub(super) async fn checked(
    run: &str,
    read: &mut SqliteConnection,
) -> Result<(Option<SealRecord>, Vec<String>), sqlx::Error> {
    let is_complete = is_complete(run, read).await?;
    let newest = newest(run, read).await?;
    let Some(first) = newest.first() else {
        let faults = is_complete.then(|| format!("run {run} is complete and has no seal"));
        return Ok((None, faults.into_iter().collect()));
    };
    let mut faults = Vec::new();
    let now = Digests::of(run, read).await?;
    let holding = newest.iter().find(|seal| seal.differing(&now).is_empty());
    let seal = holding.unwrap_or(first);
    if seal.format != FORMAT {
        faults.push(format!(
            "run {run} was sealed by format {}, which this program does not know",
            seal.format
        ));
    } else if seal.sha256 != seal.computed() {
        faults.push(format!("the seal of run {run} was altered"));
    }
    let differing = seal.differing(&now);
    if !differing.is_empty() {
        faults.push(format!(
            "run {run} is not what was sealed at {}: {} differ",
            seal.made,
            differing.join(", ")
        ));
    }
    Ok((seal.record(), faults))
}

/// What of a run is held by checksums of its own: the levels of its traces, and the files it was made with.
async fn content_faults(
    run: &str,
    read: &mut SqliteConnection,
) -> Result<Vec<String>, sqlx::Error> {
    let mut faults = Vec::new();
    let mut traces = sqlx::query("SELECT seq, sha256, data FROM trace WHERE run = ?1 ORDER BY seq")
        .bind(run)
        .fetch(&mut *read);
    while let Some(row) = traces.try_next().await? {
        if !reading::is_intact(&row)? {
            let seq: i64 = row.try_get("seq")?;
            faults.push(trace_fault(run, seq));
        }
    }
    drop(traces);
    let files = sqlx::query(
        "SELECT sha256, kind, name, text FROM snapshot WHERE sha256 IN (SELECT plan_sha FROM run WHERE id = ?1 \
        UNION SELECT station_sha FROM run WHERE id = ?1 UNION SELECT sha256 FROM run_snapshot WHERE run = ?1)",
    )
    .bind(run)
    .fetch_all(read)
    .await?;
    for file in &files {
        faults.extend(snapshot_fault(file)?);
    }
    Ok(faults)
}

pub(super) fn trace_fault(run: &str, seq: i64) -> String {
    format!("the trace of run {run}, reading {seq} does not match its checksum")
}

/// What is wrong with a file that was kept, if anything.
pub(super) fn snapshot_fault(row: &SqliteRow) -> Result<Option<String>, sqlx::Error> {
    let sha256: String = row.try_get("sha256")?;
    let text: &[u8] = row.try_get_unchecked("text")?;
    if super::sha256_hex(text) == sha256 {
        return Ok(None);
    }
    let (kind, name): (String, String) = (row.try_get("kind")?, row.try_get("name")?);
    Ok(Some(format!(
        "the {kind} file `{name}` does not match its checksum {sha256}"
    )))
}

/// A change of a run that is about to be made.
pub(super) struct Amendment {
    run: String,
    /// The run was not complete before, or it matched its seal.
    may_seal: bool,
}

impl Amendment {
    /// Before the change.
    pub(super) async fn begin(
        run: &str,
        write: &mut SqliteConnection,
    ) -> Result<Self, sqlx::Error> {
        let run = run.to_owned();
        let may_seal = match is_complete(&run, write).await? {
            true => {
                let (seal, faults) = checked(&run, write).await?;
                seal.is_some() && faults.is_empty()
            }
            false => newest(&run, write).await?.is_empty(),
        };
        Ok(Self { run, may_seal })
    }

    /// After it: appends a seal where the run is complete and something has changed.
    pub(super) async fn seal(
        self,
        reason: SealReason,
        write: &mut SqliteConnection,
    ) -> Result<(), sqlx::Error> {
        if !self.may_seal || !is_complete(&self.run, write).await? {
            return Ok(());
        }
        append(&self.run, reason, Timestamp::now(), write).await
    }
}

/// Seals every complete run of a file that had no seals.
pub(super) async fn seal_migrated(write: &mut SqliteConnection) -> Result<(), sqlx::Error> {
    let runs: Vec<String> =
        sqlx::query_scalar("SELECT id FROM run WHERE state = 'complete' ORDER BY started, id")
            .fetch_all(&mut *write)
            .await?;
    let now = Timestamp::now();
    for run in runs {
        append(&run, SealReason::Migrated, now, write).await?;
    }
    Ok(())
}

/// Appends a seal of the run as it is, unless the newest says the same.
pub(super) async fn append(
    run: &str,
    reason: SealReason,
    made: Timestamp,
    write: &mut SqliteConnection,
) -> Result<(), sqlx::Error> {
    let digests = Digests::of(run, write).await?;
    let newest = newest(run, write).await?;
    if newest
        .iter()
        .any(|seal| seal.differing(&digests).is_empty())
    {
        return Ok(());
    }
    let (origin, previous, before) = own_head(write).await?;
    let mut seal = Seal {
        sha256: Vec::new(),
        run: run.to_owned(),
        generation: 1 + newest.first().map_or(0, |seal| seal.generation),
        reason: reason.as_str().to_owned(),
        made: stamp(made),
        format: FORMAT,
        facts: digests.facts,
        derived: digests.derived,
        origin,
        number: 1 + before,
        previous,
    };
    seal.sha256 = seal.computed();
    seal.insert(write).await?;
    sqlx::query("UPDATE origin SET head = ?1 WHERE id = ?2")
        .bind(&seal.sha256)
        .bind(&seal.origin)
        .execute(write)
        .await
        .map(drop)
}

/// This file's name, the last seal it made and that one's number. Where that seal is gone, a new name: the old one stays,
/// and with it the sign that a seal was removed.
async fn own_head(
    write: &mut SqliteConnection,
) -> Result<(String, Option<Vec<u8>>, i64), sqlx::Error> {
    let own: (String, Option<Vec<u8>>, Option<i64>) = sqlx::query_as(
        "SELECT origin.id, head, seal.number FROM origin LEFT JOIN seal ON seal.sha256 = head \
        ORDER BY origin.number DESC LIMIT 1",
    )
    .fetch_one(&mut *write)
    .await?;
    match own {
        (id, None, _) => Ok((id, None, 0)),
        (id, head, Some(number)) => Ok((id, head, number)),
        (_, Some(_), None) => {
            let insert = "INSERT INTO origin (id) VALUES (lower(hex(randomblob(16)))) RETURNING id";
            let id = sqlx::query_scalar(insert).fetch_one(write).await?;
            Ok((id, None, 0))
        }
    }
}

/// What is wrong with the chains: a seal that was altered, one whose predecessor is not there or not its predecessor, and
/// a last one that is missing.
pub(super) async fn chain_faults(read: &mut SqliteConnection) -> Result<Vec<String>, sqlx::Error> {
    let mut faults = Vec::new();
    let mut seals = sqlx::query("SELECT * FROM seal").fetch(&mut *read);
    while let Some(row) = seals.try_next().await? {
        let seal = Seal::of_row(&row)?;
        if seal.sha256 != seal.computed() {
            faults.push(format!(
                "the seal of run {}, generation {}, was altered",
                seal.run, seal.generation
            ));
        }
    }
    drop(seals);
    let loose: Vec<String> = sqlx::query_scalar(
        "SELECT s.run FROM seal AS s LEFT JOIN seal AS p ON p.sha256 = s.previous WHERE s.previous IS NOT NULL \
        AND (p.sha256 IS NULL OR p.origin <> s.origin OR p.number <> s.number - 1)",
    )
    .fetch_all(&mut *read)
    .await?;
    faults.extend(loose.iter().map(|run| {
        format!("the seal before that of run {run} is missing: a sealed run was removed or its seal altered")
    }));
    let lost: Vec<bool> = sqlx::query_scalar(
        "SELECT CASE WHEN head IS NULL THEN EXISTS (SELECT 1 FROM seal AS s WHERE s.origin = o.id) \
        ELSE NOT EXISTS (SELECT 1 FROM seal AS s WHERE s.sha256 = o.head AND s.origin = o.id) END FROM origin AS o",
    )
    .fetch_all(read)
    .await?;
    if lost.is_empty() || lost.contains(&true) {
        faults.push(
            "the last seal that this file made is missing: a sealed run was removed".to_owned(),
        );
    }
    Ok(faults)
}

async fn is_complete(run: &str, read: &mut SqliteConnection) -> Result<bool, sqlx::Error> {
    let state: Option<String> = sqlx::query_scalar("SELECT state FROM run WHERE id = ?1")
        .bind(run)
        .fetch_optional(read)
        .await?;
    Ok(state.as_deref() == Some(RunState::Complete.as_str()))
}

/// The seals of a run with the highest generation: one, but where two copies of a file were amended apart and merged.
async fn newest(run: &str, read: &mut SqliteConnection) -> Result<Vec<Seal>, sqlx::Error> {
    let rows = sqlx::query(
        "SELECT * FROM seal WHERE run = ?1 AND generation = (SELECT max(generation) FROM seal WHERE run = ?1) \
        ORDER BY sha256",
    )
    .bind(run)
    .fetch_all(read)
    .await?;
    rows.iter().map(Seal::of_row).collect()
}

/// A row of the table.
struct Seal {
    sha256: Vec<u8>,
    run: String,
    generation: i64,
    reason: String,
    made: String,
    format: i64,
    facts: Vec<u8>,
    derived: Vec<u8>,
    origin: String,
    number: i64,
    previous: Option<Vec<u8>>,
}

impl Seal {
    fn of_row(row: &SqliteRow) -> Result<Self, sqlx::Error> {
        Ok(Self {
            sha256: row.try_get("sha256")?,
            run: row.try_get("run")?,
            generation: row.try_get("generation")?,
            reason: row.try_get("reason")?,
            made: row.try_get("made")?,
            format: row.try_get("format")?,
            facts: row.try_get("facts")?,
            derived: row.try_get("derived")?,
            origin: row.try_get("origin")?,
            number: row.try_get("number")?,
            previous: row.try_get("previous")?,
        })
    }

    /// `None` where it was altered.
    fn record(&self) -> Option<SealRecord> {
        Some(SealRecord {
            sha256: hex(&self.sha256),
            generation: u32::try_from(self.generation).ok()?,
            reason: self.reason.parse().ok()?,
            made: self.made.parse().ok()?,
        })
    }

    /// The checksum of the other columns.
    fn computed(&self) -> Vec<u8> {
        let mut canon = Canon::new("seal");
        canon.integer(self.format);
        canon.text(&self.run);
        canon.integer(self.generation);
        canon.text(&self.reason);
        canon.text(&self.made);
        canon.blob(&self.facts);
        canon.blob(&self.derived);
        canon.text(&self.origin);
        canon.integer(self.number);
        match &self.previous {
            Some(previous) => canon.blob(previous),
            None => canon.null(),
        }
        canon.digest()
    }

    /// The names of the parts that are not as sealed.
    fn differing(&self, now: &Digests) -> Vec<&'static str> {
        let of = |parts: &[Part], then: &[u8], now: &[u8]| -> Vec<&'static str> {
            let named = parts.iter().enumerate().filter(|(at, _)| {
                let range = at * DIGEST_BYTES..(at + 1) * DIGEST_BYTES;
                then.get(range.clone()) != now.get(range)
            });
            named.map(|(_, part)| part.name).collect()
        };
        let mut differing = of(&FACTS, &self.facts, &now.facts);
        differing.extend(of(&DERIVED, &self.derived, &now.derived));
        differing
    }

    async fn insert(&self, write: &mut SqliteConnection) -> Result<(), sqlx::Error> {
        sqlx::query(
            "INSERT INTO seal (sha256, run, generation, reason, made, format, facts, derived, origin, number, previous) \
            VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        )
        .bind(&self.sha256)
        .bind(&self.run)
        .bind(self.generation)
        .bind(&self.reason)
        .bind(&self.made)
        .bind(self.format)
        .bind(&self.facts)
        .bind(&self.derived)
        .bind(&self.origin)
        .bind(self.number)
        .bind(&self.previous)
        .execute(write)
        .await
        .map(drop)
    }
}

/// The digests of a run's parts, one behind the other.
struct Digests {
    facts: Vec<u8>,
    derived: Vec<u8>,
}

impl Digests {
    async fn of(run: &str, read: &mut SqliteConnection) -> Result<Self, sqlx::Error> {
        Ok(Self {
            facts: of_parts(&FACTS, run, read).await?,
            derived: of_parts(&DERIVED, run, read).await?,
        })
    }
}

async fn of_parts(
    parts: &[Part],
    run: &str,
    read: &mut SqliteConnection,
) -> Result<Vec<u8>, sqlx::Error> {
    let mut digests = Vec::with_capacity(parts.len() * DIGEST_BYTES);
    for part in parts {
        let mut canon = Canon::new(part.name);
        let mut rows = sqlx::query(part.sql).bind(run).fetch(&mut *read);
        while let Some(row) = rows.try_next().await? {
            canon.row(&row)?;
        }
        digests.extend(canon.digest());
    }
    Ok(digests)
}

/// Values in an order, as bytes that nothing else gives: a tag for the type, the length where it varies, the value.
struct Canon(Sha256);

impl Canon {
    fn new(name: &str) -> Self {
        let mut canon = Self(Sha256::new());
        canon.text("muffle");
        canon.integer(FORMAT);
        canon.text(name);
        canon
    }

    fn null(&mut self) {
        self.0.update([0]);
    }

    fn integer(&mut self, value: i64) {
        self.0.update([1]);
        self.0.update(value.to_be_bytes());
    }

    /// Bit for bit.
    fn real(&mut self, value: f64) {
        self.0.update([2]);
        self.0.update(value.to_bits().to_be_bytes());
    }

    fn text(&mut self, value: &str) {
        self.bytes(3, value.as_bytes());
    }

    fn blob(&mut self, value: &[u8]) {
        self.bytes(4, value);
    }

    fn bytes(&mut self, tag: u8, value: &[u8]) {
        self.0.update([tag]);
        self.0.update((value.len() as u64).to_be_bytes());
        self.0.update(value);
    }

    fn row(&mut self, row: &SqliteRow) -> Result<(), sqlx::Error> {
        self.0.update([5]);
        self.0.update((row.len() as u64).to_be_bytes());
        for at in 0..row.len() {
            let value = row.try_get_raw(at)?;
            let (is_null, name) = (value.is_null(), value.type_info().name().to_owned());
            match name.as_str() {
                _ if is_null => self.null(),
                "INTEGER" => self.integer(row.try_get_unchecked(at)?),
                "REAL" => self.real(row.try_get_unchecked(at)?),
                // Whatever bytes are there, also where a fault has made them no text.
                "TEXT" => self.bytes(3, row.try_get_unchecked(at)?),
                _ => self.blob(row.try_get_unchecked(at)?),
            }
        }
        Ok(())
    }

    fn digest(self) -> Vec<u8> {
        self.0.finalize().to_vec()
    }
}

#[cfg(test)]
mod tests {
    use super::{DERIVED, FACTS};
    use crate::store::tests::{Bench, texts};

    /// Of the tables of a run, what is not in its digests: what names the run, and what may move.
    const LEFT_OUT: [&str; 5] = [
        "trace.data",
        "moved_trace.archive",
        "hold.data",
        "pass.run",
        "run_snapshot.run",
    ];

    #[tokio::test]
    async fn every_column_of_a_run_is_sealed_or_left_out_on_purpose() {
        let bench = Bench::new().await;
        let mut shell = bench.shell().await;
        let columns = texts(
            &mut shell,
            "SELECT t.name || '.' || c.name FROM pragma_table_list AS t, pragma_table_info(t.name) AS c \
            WHERE t.schema = 'main' AND t.name IN ('run', 'run_snapshot', 'reading', 'trace', 'moved_trace', 'pass', \
            'sending', 'recording', 'hold', 'run_cycles', 'result', 'emission')",
        )
        .await;
        assert!(columns.len() > 100, "{}", columns.len());
        for column in columns {
            let (table, name) = column.split_once('.').expect("a column");
            let sealed = FACTS.iter().chain(&DERIVED).any(|part| {
                let mut words = part.sql.split(|c: char| !(c.is_alphanumeric() || c == '_'));
                part.sql.contains(&format!("FROM {table} ")) && words.any(|word| word == name)
            });
            assert!(
                sealed || name == "run" || LEFT_OUT.contains(&column.as_str()),
                "`{column}`: say in store::seal whether it is sealed"
            );
        }
    }
}
