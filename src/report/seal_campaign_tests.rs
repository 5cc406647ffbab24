//! Two campaigns against the seals, from a seed: a bit flipped anywhere in the file, and another station's file that was
//! altered before it is merged. Both on a database as measured at a simulated bench, its results recomputed.

use super::RunDocument;
use crate::evaluate;
use crate::store::{RunFilter, RunKind, Store, alter, golden, run_sql, shell};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use sqlx::AssertSqlSafe;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const SEED: u64 = 1_300_713;

/// A database of six measured runs with their references, by this program's analysis.
async fn measured(folder: &TempDir) -> PathBuf {
    let path = golden(folder, 2).await;
    let store = Store::open(&path).await.expect("migrated");
    for run in store.runs(&RunFilter::default()).await.expect("runs") {
        if run.kind == RunKind::Item {
            let results = evaluate::computed(&store, &run).await.expect("computed");
            store.put_results(run.id, &results).await.expect("kept");
            let verdict = evaluate::verdict_of(&store, &run, &results).await;
            let set = store.set_verdict(run.id, verdict.expect("a plan"));
            set.await.expect("set");
        }
    }
    assert_eq!(faults_of(&path).await, Ok(Vec::new()));
    store.close().await;
    path
}

/// The file and what SQLite had beside it, where they are there.
fn remove(path: &Path) {
    for extension in ["db", "db-wal", "db-shm"] {
        let _ = std::fs::remove_file(path.with_extension(extension));
    }
}

/// What `muffle store check` finds; an error is a finding, too.
async fn faults_of(path: &Path) -> Result<Vec<String>, String> {
    let store = Store::open_read_only(path)
        .await
        .map_err(|error| error.to_string())?;
    let found = store.integrity().await.map_err(|error| error.to_string());
    let recomputed = match &found {
        Ok(found) if found.faults.is_empty() => evaluate::recomputed(&store)
            .await
            .map(|found| found.faults)
            .map_err(|error| error.to_string()),
        _ => Ok(Vec::new()),
    };
    store.close().await;
    let mut faults = found?.faults;
    faults.extend(recomputed?);
    Ok(faults)
}

/// Everything that a query can read, and nothing of how the pages hold it.
async fn content(path: &Path) -> Result<Vec<String>, sqlx::Error> {
    let mut shell = shell(path).await;
    let mut all: Vec<String> =
        sqlx::query_scalar("SELECT quote(type) || quote(name) || quote(tbl_name) || quote(sql) FROM sqlite_schema ORDER BY 1")
            .fetch_all(&mut shell)
            .await?;
    for pragma in ["application_id", "user_version", "encoding"] {
        let sql = format!("SELECT quote({pragma}) FROM pragma_{pragma}");
        all.extend(
            sqlx::query_scalar::<_, String>(AssertSqlSafe(sql))
                .fetch_all(&mut shell)
                .await?,
        );
    }
    let tables: Vec<String> = sqlx::query_scalar(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND sql NOT LIKE 'CREATE VIRTUAL%' ORDER BY name",
    )
    .fetch_all(&mut shell)
    .await?;
    for table in tables {
        let columns: Vec<String> = sqlx::query_scalar(
            "SELECT 'quote(' || name || ')' FROM pragma_table_info(?1) ORDER BY cid",
        )
        .bind(&table)
        .fetch_all(&mut shell)
        .await?;
        // By the table itself, whatever its indexes say.
        let sql = format!(
            "SELECT '{table}|' || {} FROM {table} NOT INDEXED",
            columns.join(" || '|' || ")
        );
        let mut rows: Vec<String> = sqlx::query_scalar(AssertSqlSafe(sql))
            .fetch_all(&mut shell)
            .await?;
        rows.sort();
        all.extend(rows);
    }
    sqlx::Connection::close(shell).await?;
    Ok(all)
}

/// Verdict and numbers of every run, as `muffle show --json` gives them, and whether it says that the run was altered.
async fn shown(path: &Path) -> Vec<(String, serde_json::Value, bool)> {
    let mut all = Vec::new();
    let Ok(store) = Store::open_read_only(path).await else {
        return all;
    };
    for run in store.runs(&RunFilter::default()).await.unwrap_or_default() {
        if let Ok(document) = RunDocument::read(&store, &run).await {
            let said = serde_json::json!([document.verdict, document.points, document.averages]);
            all.push((document.run.clone(), said, document.is_altered()));
        }
    }
    store.close().await;
    all
}

#[derive(Debug, Default)]
struct Flips {
    noticed: usize,
    /// Bits that nothing reads: free pages, gaps within pages, counters of the file's header.
    unused: usize,
    missed: Vec<String>,
    /// Another verdict or number, shown without a word.
    silent: Vec<String>,
}

/// In small pages, so that more of the file is used: the tables of a few runs fill none of the pages that a store has.
async fn densely(path: &Path) -> PathBuf {
    let mut shell = shell(path).await;
    for step in [
        "PRAGMA journal_mode = DELETE",
        "PRAGMA page_size = 512",
        "VACUUM",
    ] {
        sqlx::query(step).execute(&mut shell).await.expect(step);
    }
    sqlx::Connection::close(shell).await.expect("closed");
    path.to_owned()
}

async fn flip_bits(cases: usize) -> Flips {
    let folder = TempDir::new().expect("a folder");
    let path = match std::env::var_os("MUFFLE_FLIPS_STORE") {
        Some(given) => {
            let path = folder.path().join("given.db");
            std::fs::copy(given, &path).expect("copied");
            path
        }
        None => densely(&measured(&folder).await).await,
    };
    let bytes = std::fs::read(&path).expect("read");
    let (before, shown_before) = (content(&path).await.expect("read"), shown(&path).await);
    assert!(shown_before.iter().all(|(_, _, altered)| !altered));
    let mut random = StdRng::seed_from_u64(SEED);
    let mut flips = Flips::default();
    let flipped = folder.path().join("flipped.db");
    for case in 0..cases {
        let (at, bit) = (
            random.random_range(0..bytes.len()),
            random.random_range(0..8),
        );
        let mut copy = bytes.clone();
        copy[at] ^= 1 << bit;
        remove(&flipped);
        std::fs::write(&flipped, &copy).expect("written");
        let is_noticed = faults_of(&flipped).await != Ok(Vec::new());
        let place = format!("case {case}: byte {at}, bit {bit}");
        for (run, said, is_altered) in shown(&flipped).await {
            let as_before = shown_before
                .iter()
                .any(|(id, then, _)| *id == run && *then == said);
            if !as_before && !is_altered {
                flips.silent.push(format!("{place}: run {run}"));
            }
        }
        if is_noticed {
            flips.noticed += 1;
            continue;
        }
        match content(&flipped).await {
            Ok(after) if after == before => flips.unused += 1,
            Ok(after) => {
                let other = after.iter().find(|row| !before.contains(row));
                let row = other.map(|row| row.chars().take(120).collect::<String>());
                flips.missed.push(format!("{place}: {row:?}"));
            }
            Err(error) => flips.missed.push(format!("{place}: {error}")),
        }
    }
    flips
}

#[tokio::test]
async fn a_flipped_bit_is_noticed_and_never_gives_another_verdict_silently() {
    let flips = flip_bits(40).await;
    assert_eq!(
        (&flips.missed, &flips.silent),
        (&Vec::new(), &Vec::new()),
        "{flips:?}"
    );
    assert!(flips.noticed > 20, "{flips:?}");
}

/// The long one, of the store named by `MUFFLE_FLIPS_STORE` or of that of the short one: `MUFFLE_FLIPS=500 cargo test --lib many_flipped -- --ignored --nocapture`.
#[tokio::test]
#[ignore = "minutes"]
async fn many_flipped_bits() {
    let cases = std::env::var("MUFFLE_FLIPS")
        .ok()
        .and_then(|cases| cases.parse().ok());
    let cases = cases.unwrap_or(500);
    let flips = flip_bits(cases).await;
    println!("seed {SEED}: {flips:#?}");
    assert_eq!(flips.silent, Vec::<String>::new());
    let counted = flips.noticed + flips.missed.len();
    assert!(
        flips.noticed * 1000 >= counted * 995,
        "{} of {counted} noticed",
        flips.noticed
    );
}

/// What somebody did to a file before it is merged. `{run}` is one of its items' runs.
struct Attack {
    what: &'static str,
    sql: &'static str,
    /// Whether it is found in a file whose seals were all forged and of which this store knows nothing: results must follow
    /// from readings, and files be what their checksums say. Readings of somebody's own are not found; a seal is no
    /// signature.
    found_when_forged: bool,
}

const fn attack(what: &'static str, sql: &'static str, found_when_forged: bool) -> Attack {
    Attack {
        what,
        sql,
        found_when_forged,
    }
}

const ATTACKS: [Attack; 20] = [
    attack(
        "the limit changed under the plan's checksum",
        "UPDATE snapshot SET text = replace(text, '50', '20') || ' ' WHERE sha256 = (SELECT plan_sha FROM run WHERE id = '{run}')",
        true,
    ),
    attack(
        "the station changed under its checksum",
        "UPDATE snapshot SET text = text || '\n' WHERE sha256 = (SELECT station_sha FROM run WHERE id = '{run}')",
        true,
    ),
    attack(
        "an axis moved",
        "UPDATE trace SET start_hz = start_hz + 1e6, stop_hz = stop_hz + 1e6 WHERE run = '{run}'",
        false,
    ),
    attack(
        "another unit",
        "UPDATE trace SET unit = 'dBmV' WHERE run = '{run}'",
        false,
    ),
    attack(
        "levels damaged",
        "UPDATE trace SET data = zeroblob(length(data)) WHERE run = '{run}' AND seq = 1",
        true,
    ),
    attack(
        "levels exchanged with those of another reading, with their checksum",
        "UPDATE trace SET (data, sha256) = (SELECT t.data, t.sha256 FROM trace AS t JOIN reading AS r ON r.run = t.run \
        AND r.seq = t.seq WHERE t.run = trace.run AND t.points = trace.points AND r.kind = 'floor' LIMIT 1) \
        WHERE run = '{run}'",
        true,
    ),
    attack(
        "a better result, and a newer one",
        "UPDATE result SET se_db = se_db + 10, made = '2999-01-01T00:00:00.000Z' WHERE run = '{run}'",
        true,
    ),
    attack(
        "a point that passes",
        "UPDATE result SET verdict = iif(verdict = 'pass', 'fail', 'pass') WHERE run = '{run}'",
        true,
    ),
    attack(
        "a result removed",
        "DELETE FROM result WHERE run = '{run}' AND frequency_hz = (SELECT max(frequency_hz) FROM result WHERE run = '{run}')",
        true,
    ),
    attack(
        "results of an analysis to come",
        "UPDATE result SET analysis = 9999, se_db = 99 WHERE run = '{run}' AND superseded = 0",
        true,
    ),
    attack(
        "another verdict",
        "UPDATE run SET verdict = iif(verdict = 'pass', 'fail', 'pass') WHERE id = '{run}'",
        true,
    ),
    attack(
        "another instrument",
        "UPDATE run SET instruments = '{\"source\":\"x\"}' WHERE id = '{run}'",
        false,
    ),
    attack(
        "another time",
        "UPDATE run SET finished = '2999-01-01T00:00:00.000Z' WHERE id = '{run}'",
        false,
    ),
    attack(
        "another item",
        "UPDATE run SET item = (SELECT max(serial) FROM item WHERE serial <> run.item) WHERE id = '{run}'",
        false,
    ),
    attack(
        "a peak changed",
        "UPDATE reading SET peak_dbm = peak_dbm - 5 WHERE run = '{run}'",
        false,
    ),
    attack(
        "an emission removed",
        "DELETE FROM emission WHERE run = '{run}'",
        false,
    ),
    attack(
        "readings under a foreign id",
        "UPDATE reading SET run = '01ARZ3NDEKTSV4RRFFQ69G5FAV' WHERE run = '{run}'",
        true,
    ),
    attack(
        "a result of no run",
        "INSERT INTO result SELECT '01ARZ3NDEKTSV4RRFFQ69G5FAV', frequency_hz, face, polarisation, repeat, analysis, kind, \
        se_db, u_db, k, limit_db, margin_db, verdict, conformity, reference_dbm, level_dbm, floor_dbm, flags, made, detail, \
        packed, superseded FROM result WHERE run = '{run}' LIMIT 1",
        true,
    ),
    attack(
        "a trigger",
        "CREATE TRIGGER sly AFTER INSERT ON run BEGIN UPDATE run SET verdict = 'pass'; END",
        true,
    ),
    attack(
        "a run removed, its rows left",
        "DELETE FROM run WHERE id = '{run}'",
        true,
    ),
];

async fn attacked(
    base: &Path,
    folder: &TempDir,
    attack: &Attack,
    run: &str,
    forged: bool,
) -> PathBuf {
    let path = folder.path().join("other.db");
    remove(&path);
    std::fs::copy(base, &path).expect("copied");
    let sql = attack.sql.replace("{run}", run);
    match sql.starts_with("CREATE TRIGGER") {
        true => run_sql(&mut shell(&path).await, sql).await,
        false => alter(&path, &[&sql]).await,
    }
    if forged {
        let store = Store::open(&path).await.expect("opens");
        store.forge_seals().await;
        store.close().await;
    }
    path
}

#[tokio::test]
async fn a_hostile_file_is_merged_without_effect() {
    let folder = TempDir::new().expect("a folder");
    let base = measured(&folder).await;
    let known = Store::open_read_only(&base).await.expect("opens");
    let runs: Vec<String> = known
        .runs(&RunFilter::default())
        .await
        .expect("runs")
        .iter()
        .filter(|run| run.kind == RunKind::Item)
        .map(|run| run.id.to_string())
        .collect();
    known.close().await;
    let mut random = StdRng::seed_from_u64(SEED);
    let (mut refused, mut without_effect) = (0, 0);
    for attack in &ATTACKS {
        // The whole matrix; which run it is about is drawn.
        for (knows, forged) in [(false, false), (true, false), (true, true), (false, true)] {
            if forged && !knows && !attack.found_when_forged {
                continue;
            }
            let run = &runs[random.random_range(0..runs.len())];
            let place = format!(
                "{} ({run}, known here {knows}, forged {forged})",
                attack.what
            );
            let other = attacked(&base, &folder, attack, run, forged).await;
            let here = folder
                .path()
                .join(format!("here-{refused}-{without_effect}.db"));
            if knows {
                std::fs::copy(&base, &here).expect("copied");
            }
            let store = Store::open(&here).await.expect("opens");
            let before = content(&here).await.expect("read");
            let outcome = evaluate::merge(&store, &other, false).await;
            let after = content(&here).await.expect("read");
            match outcome {
                Err(error) => {
                    assert_eq!(before, after, "{place}: refused, and changed");
                    let said = error.to_string();
                    assert!(said.contains("nothing was"), "{place}: {said}");
                    refused += 1;
                }
                Ok(_) => {
                    // What is missing there stays here; all that comes is what seals were made there.
                    assert!(knows && forged, "{place}: taken in");
                    let facts = |rows: &[String]| -> Vec<String> {
                        rows.iter()
                            .filter(|row| !row.starts_with("seal|"))
                            .cloned()
                            .collect()
                    };
                    assert_eq!(facts(&before), facts(&after), "{place}: has an effect");
                    without_effect += 1;
                }
            }
            store.close().await;
        }
    }
    assert!(
        refused >= 60,
        "{refused} refused, {without_effect} without effect"
    );
    // And the file itself, not altered, is welcome.
    let store = Store::open(&folder.path().join("new.db"))
        .await
        .expect("opens");
    let merged = evaluate::merge(&store, &base, false).await.expect("merged");
    assert!(merged.runs >= 6);
    assert_eq!(faults_of(store.path()).await, Ok(Vec::new()));
}
