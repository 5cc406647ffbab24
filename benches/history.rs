//! Size and speed of ten years of history.
//!
//! `cargo bench --bench history` fills a database through the store's own code and asks it the ten questions a
//! practitioner asks most, then keeps the same data as one CSV per run, read by a script, and as one row per
//! trace point, on a sample. `MUFFLE_HISTORY_RUNS=100000` is the full size: 10 million results and 1 million
//! traces of 201 points. `MUFFLE_HISTORY_FILE=path.db` keeps the database for the next time, and a filling
//! that was cut off goes on where it stopped.
//!
//! Every run has 100 results (25 frequencies, 2 faces, 2 polarisations). Every tenth has its readings and
//! traces, one for each result; the others are what is left when readings were imported.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use muffle::store::{
    Item, Levels, NewReading, NewRun, PageOf, Point, Query, ReadingKey, ReadingKind, ResultKind,
    ResultRecord, RunId, RunKind, SnapshotKind, Store, Trace, Verdict,
};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use serde_json::json;
use sqlx::{Connection, Row, SqliteConnection};

/// Without a word about it: enough to see that everything works.
const RUNS: u64 = 1_000;
const FREQUENCIES: u32 = 25;
const FACES: [&str; 2] = ["front", "back"];
const POLARISATIONS: [&str; 2] = ["horizontal", "vertical"];
const TRACED_EVERY: u64 = 10;
const TRACE_POINTS: u32 = 201;
const RUNS_PER_ITEM: u64 = 5;
const ITEMS_PER_LOT: u64 = 50;
const LOTS_PER_MODEL: u64 = 10;
const OPERATORS: [&str; 4] = ["R. Fell", "M. Tarn", "A. Beck", "J. Gill"];
/// Times each question is asked, with other names each time.
const TURNS: u64 = 40;
/// Rows of a first page.
const PAGE_ROWS: u32 = 50;
/// Runs that the other ways of keeping are tried on.
const SAMPLE_RUNS: u64 = 500;
const SAMPLE_TRACES: i64 = 2_000;
/// Readings that are committed one by one, as in measuring.
const SINGLE_READINGS: u32 = 300;

fn started(run: u64) -> Timestamp {
    let first: Timestamp = "2016-01-04T08:00:00Z".parse().expect("a time");
    // Ten years in 100 000 runs.
    first + SignedDuration::from_mins(i64::try_from(run).expect("small") * 52)
}

fn serial(run: u64) -> String {
    format!("P-{:05}", run / RUNS_PER_ITEM)
}

fn lot(run: u64) -> String {
    format!("L-{:03}", run / RUNS_PER_ITEM / ITEMS_PER_LOT)
}

fn model(run: u64) -> String {
    const NAMES: [&str; 8] = [
        "Fell", "Beck", "Tarn", "Scar", "Gill", "Force", "Rigg", "Moss",
    ];
    let number = run / RUNS_PER_ITEM / ITEMS_PER_LOT / LOTS_PER_MODEL;
    let name = NAMES[usize::try_from(number).expect("small") % NAMES.len()];
    format!("{name} pouch {number}")
}

fn frequency_hz(number: u32) -> f64 {
    // 30 MHz to 6 GHz, even on a logarithmic scale, as plans have them.
    (30e6 * 200f64.powf(f64::from(number) / f64::from(FREQUENCIES - 1)) / 1e3).round() * 1e3
}

fn points() -> Vec<Point> {
    let mut points = Vec::new();
    for face in FACES {
        for polarisation in POLARISATIONS {
            points.extend((0..FREQUENCIES).map(|number| Point {
                frequency_hz: frequency_hz(number),
                face: face.to_owned(),
                polarisation: polarisation.to_owned(),
                repeat: 1,
            }));
        }
    }
    points
}

/// The detail of a result, as `evaluate` writes it: the numbers differ from row to row, the words do not.
fn detail(rng: &mut StdRng, kind: ResultKind, flags: &[String]) -> serde_json::Value {
    let row = |cause: &str, distribution: &str, origin: &str, value_db: f64, divisor: f64| {
        json!({ "cause": cause, "distribution": distribution, "dof": null, "origin": origin,
            "u_db": value_db / divisor, "value_db": value_db })
    };
    let noise_db: f64 = 10f64.powf(rng.random_range(-4.0..0.0));
    let item_noise_db: f64 = 10f64.powf(rng.random_range(-3.0..0.0));
    let mut components = vec![
        row("repeatability", "normal", "station", 0.3, 1.0),
        row(
            "receiver_linearity",
            "rectangular",
            "station",
            0.5,
            3f64.sqrt(),
        ),
        row(
            "mismatch",
            "u_shaped",
            "station",
            0.157_942_671_832_318_8,
            2f64.sqrt(),
        ),
        row("source_drift", "rectangular", "station", 0.3, 3f64.sqrt()),
        row("position", "rectangular", "station", 0.5, 3f64.sqrt()),
        row("reference_noise", "normal", "measured", noise_db, 1.0),
    ];
    if kind == ResultKind::Measured {
        components.push(row("item_noise", "normal", "measured", item_noise_db, 1.0));
    }
    let combined_db = (0.29 + noise_db * noise_db + item_noise_db * item_noise_db).sqrt();
    let figures: Vec<_> = flags
        .iter()
        .map(|flag| json!({ "word": flag, "figure": rng.random_range(0.0..20.0) }))
        .collect();
    json!({
        "noise_correction_db": if kind == ResultKind::Measured { Some(rng.random_range(0.0..0.5)) } else { None },
        "dynamic_range_db": rng.random_range(60.0..90.0),
        "flags": figures,
        "budget": { "components": components, "combined_db": combined_db, "dof": null, "k": 2.000_002_443_899_603,
            "expanded_db": 2.0 * combined_db },
    })
}

fn result(rng: &mut StdRng, point: Point, made: Timestamp) -> ResultRecord {
    let share: f64 = rng.random();
    let (kind, verdict) = match share {
        s if s < 0.000_1 => (ResultKind::None, None),
        s if s < 0.004 => (ResultKind::Measured, Some(Verdict::Fail)),
        s if s < 0.024 => (ResultKind::Measured, Some(Verdict::Undecided)),
        s if s < 0.36 => (ResultKind::AtLeast, Some(Verdict::Pass)),
        _ => (ResultKind::Measured, Some(Verdict::Pass)),
    };
    let margin_db = match verdict {
        Some(Verdict::Fail) => rng.random_range(-20.0..-2.0),
        Some(Verdict::Undecided) => rng.random_range(-2.0..2.0),
        _ => rng.random_range(2.0..35.0),
    };
    let margin_db = (kind != ResultKind::None).then_some(margin_db);
    let mut flags = Vec::new();
    for (flag, share) in [
        ("near_floor", 0.14),
        ("small_item", 0.25),
        ("ambient", 0.003),
        ("overload", 0.000_1),
    ] {
        if rng.random::<f64>() < share {
            flags.push(flag.to_owned());
        }
    }
    let reference_dbm: f64 = rng.random_range(-30.0..-20.0);
    let se_db = margin_db.map(|margin| 50.0 + margin);
    let is_measured = kind == ResultKind::Measured;
    ResultRecord {
        point,
        analysis: 1,
        kind,
        se_db,
        u_db: is_measured.then(|| rng.random_range(1.0..3.0)),
        k: is_measured.then_some(2.000_002_443_899_603),
        limit_db: Some(50.0),
        margin_db,
        verdict,
        conformity: is_measured.then(|| rng.random_range(0.0..1.0)),
        reference_dbm: Some(reference_dbm),
        level_dbm: Some(reference_dbm - se_db.unwrap_or(0.0)),
        floor_dbm: Some(rng.random_range(-120.0..-110.0)),
        detail: detail(rng, kind, &flags),
        flags,
        made,
    }
}

fn reading(rng: &mut StdRng, point: &Point, taken: Timestamp) -> NewReading {
    let levels = (0..TRACE_POINTS)
        .map(|_| rng.random_range(-112.0_f32..-108.0))
        .collect();
    NewReading {
        key: ReadingKey {
            kind: ReadingKind::Signal,
            point: point.clone(),
        },
        attempt: 1,
        taken,
        sweeps: 10,
        peak_dbm: rng.random_range(-110.0..-60.0),
        peak_hz: point.frequency_hz,
        flags: Vec::new(),
        settings: json!({ "attenuation_db": 10.0, "detector": "peak", "points": TRACE_POINTS,
            "resolution_bandwidth_hz": 1000.0, "source_level_dbm": -10.0, "span_hz": 20000.0,
            "video_bandwidth_hz": null }),
        trace: Trace {
            start_hz: point.frequency_hz - 10e3,
            stop_hz: point.frequency_hz + 10e3,
            unit: "dBm".to_owned(),
            levels: Levels::F32(levels),
        },
    }
}

struct Filling {
    results: u64,
    traces: u64,
    took: Duration,
    in_readings: Duration,
}

async fn new_run(store: &Store, number: u64) -> RunId {
    let item = Item {
        serial: serial(number),
        model: Some(model(number)),
        lot: Some(lot(number)),
        size: Some("220 x 140 mm".to_owned()),
        construction: Some("two layers of silvered nylon, rolled seam".to_owned()),
        note: None,
        first_seen: started(number),
    };
    if number.is_multiple_of(RUNS_PER_ITEM) {
        store.put_item(&item).await.expect("put in");
    }
    let kept = async |kind, text: &str| {
        store
            .put_snapshot(kind, "a file", text)
            .await
            .expect("kept")
    };
    let run = NewRun {
        kind: RunKind::Item,
        item: Some(item.serial),
        model: item.model,
        lot: item.lot,
        plan_sha: kept(SnapshotKind::Plan, "plan").await,
        station_sha: kept(SnapshotKind::Station, "station").await,
        driver_shas: Vec::new(),
        reference_run: None,
        signature: "one set-up".to_owned(),
        operator: Some(OPERATORS[usize::try_from(number % 4).expect("small")].to_owned()),
        started: started(number),
        note: number
            .is_multiple_of(997)
            .then(|| "zip torn at the corner".to_owned()),
        program_version: "0.1.0".to_owned(),
        instruments: None,
    };
    store.begin_run(&run).await.expect("begun")
}

async fn fill(store: &Store, runs: u64) -> Filling {
    let begun = Instant::now();
    let mut filling = Filling {
        results: 0,
        traces: 0,
        took: Duration::ZERO,
        in_readings: Duration::ZERO,
    };
    let there = store.counts().await.expect("counted").runs;
    // The last of what is there may have been cut off half-way: it is left as it is.
    for number in there..runs {
        let mut rng = StdRng::seed_from_u64(number);
        let run = new_run(store, number).await;
        let at = started(number);
        if number.is_multiple_of(TRACED_EVERY) {
            let readings: Vec<_> = points()
                .iter()
                .map(|point| reading(&mut rng, point, at))
                .collect();
            let appending = Instant::now();
            store.append_together(run, &readings).await.expect("kept");
            filling.in_readings += appending.elapsed();
            filling.traces += readings.len() as u64;
        }
        let results: Vec<_> = points()
            .into_iter()
            .map(|point| result(&mut rng, point, at))
            .collect();
        store.put_results(run, &results).await.expect("kept");
        let verdict = results.iter().filter_map(|result| result.verdict).max();
        store.finish(run, verdict, at).await.expect("complete");
        filling.results += results.len() as u64;
        if number % 2_000 == 1_999 {
            eprintln!(
                "{} runs, {:.0} s",
                number + 1,
                begun.elapsed().as_secs_f64()
            );
        }
    }
    filling.took = begun.elapsed();
    filling
}

/// The questions; `{…}` are names that differ from turn to turn.
const QUESTIONS: [(&str, bool, &str); 10] = [
    ("what was measured last", false, ""),
    ("everything about one item", true, "item:{item}"),
    (
        "one item between two frequencies",
        true,
        "item:{item} freq:100MHz..1GHz",
    ),
    ("a lot, worst points first", true, "lot:{lot} sort:worst"),
    (
        "which runs failed this year",
        false,
        "verdict:fail since:2025",
    ),
    (
        "points of one model that failed",
        true,
        "model:\"{model}\" verdict:fail",
    ),
    ("the newest failing points of all", true, "verdict:fail"),
    (
        "points with an ambient signal, one month",
        true,
        "flag:ambient since:{month} until:{month}",
    ),
    (
        "bounds on one face of a lot",
        true,
        "lot:{lot} kind:at_least face:front",
    ),
    ("a word in the notes", false, "\"zip torn\""),
];

fn question(text: &str, turn: u64, runs: u64) -> Query {
    // Far apart, so that no page of the file is warm from the turn before.
    let run = (turn * 7_919 + 13) * 31 % runs;
    let month = started(run).strftime("%Y-%m").to_string();
    let text = text
        .replace("{item}", &serial(run))
        .replace("{lot}", &lot(run))
        .replace("{model}", &model(run))
        .replace("{month}", &month);
    Query::parse(&text).expect("a query")
}

async fn ask(store: &Store, runs: u64) {
    println!("\n{TURNS} turns each, other names each time, pages of {PAGE_ROWS} rows\n");
    println!(
        "{:<42} {:>8} {:>8} {:>8} {:>6}",
        "question", "p50 ms", "p95 ms", "max ms", "rows"
    );
    let page = PageOf {
        rows_max: PAGE_ROWS,
        after: None,
    };
    for (name, of_points, text) in QUESTIONS {
        let (mut times, mut rows) = (Vec::new(), 0);
        for turn in 0..TURNS {
            let query = question(text, turn, runs);
            let begun = Instant::now();
            rows += match of_points {
                true => store.points(&query, &page).await.expect(text).rows.len(),
                false => store.run_rows(&query, &page).await.expect(text).rows.len(),
            };
            times.push(begun.elapsed());
        }
        times.sort();
        let ms = |share: f64| {
            let at = ((times.len() - 1) as f64 * share).round();
            times[at as usize].as_secs_f64() * 1e3
        };
        let mean = rows as f64 / TURNS as f64;
        println!(
            "{name:<42} {:>8.2} {:>8.2} {:>8.2} {mean:>6.1}",
            ms(0.5),
            ms(0.95),
            ms(1.0)
        );
    }
}

async fn single_readings(folder: &Path) {
    let store = Store::open(&folder.join("single.db"))
        .await
        .expect("a store");
    let run = new_run(&store, 0).await;
    let mut rng = StdRng::seed_from_u64(1);
    let begun = Instant::now();
    for number in 0..SINGLE_READINGS {
        let point = Point {
            frequency_hz: f64::from(number + 1) * 1e6,
            ..points()[0].clone()
        };
        let reading = reading(&mut rng, &point, started(0));
        store
            .append_reading(run, &reading, None)
            .await
            .expect("kept");
    }
    let rate = f64::from(SINGLE_READINGS) / begun.elapsed().as_secs_f64();
    println!("one reading a commit, as in measuring: {rate:.0} readings/s");
    store.close().await;
}

/// The same results as one CSV per run, and a script that looks through them as a folder of files is looked
/// through; the same question, asked of both.
async fn against_csv(store: &Store, folder: &Path, runs: u64) {
    let sample = runs.min(SAMPLE_RUNS);
    let csv = folder.join("csv");
    std::fs::create_dir_all(&csv).expect("a folder");
    let newest = PageOf {
        rows_max: u32::try_from(sample).expect("small"),
        after: None,
    };
    let found = store
        .run_rows(&Query::default(), &newest)
        .await
        .expect("runs");
    let mut bytes = 0;
    for row in &found.rows {
        let query = Query::parse(&format!("run:{}", row.run.id)).expect("a query");
        let path = csv.join(format!("{}.csv", row.run.id));
        store
            .export_points(&query, &path, muffle::store::Format::Csv)
            .await
            .expect("written");
        bytes += path.metadata().expect("there").len();
    }
    let script = "import csv, glob, sys\n\
        rows = [r for f in sorted(glob.glob(sys.argv[1] + '/*.csv'), reverse=True) \
        for r in csv.DictReader(open(f)) if r['verdict'] == 'fail']\nprint(len(rows))\n";
    let begun = Instant::now();
    let said = Command::new("python3")
        .args(["-c", script])
        .arg(&csv)
        .output();
    let took = begun.elapsed().as_secs_f64();
    let Ok(said) = said else {
        println!("no python3 here: the folder of files was not looked through");
        return;
    };
    let begun = Instant::now();
    let page = PageOf {
        rows_max: PAGE_ROWS,
        after: None,
    };
    store
        .points(&Query::parse("verdict:fail").expect("a query"), &page)
        .await
        .expect("read");
    let ours = begun.elapsed().as_secs_f64();
    let scale = runs as f64 / sample as f64;
    println!(
        "one CSV per run, a script: {sample} runs {:.0} ms ({} fails), so {:.1} s for {runs} by proportion; here {:.1} ms",
        took * 1e3,
        String::from_utf8_lossy(&said.stdout).trim(),
        took * scale,
        ours * 1e3
    );
    println!(
        "one CSV per run: {:.0} bytes a result, without detail and traces",
        bytes as f64 / (sample * 100) as f64
    );
}

/// The same traces with one row per point, in SQLite too.
async fn against_rows(path: &Path, folder: &Path) {
    let rows_path = folder.join("rows.db");
    let mut rows = connect(&rows_path).await;
    for statement in [
        "PRAGMA page_size = 8192",
        "CREATE TABLE level (run TEXT NOT NULL, seq INTEGER NOT NULL, n INTEGER NOT NULL, frequency_hz REAL NOT NULL, \
            level_dbm REAL NOT NULL, PRIMARY KEY (run, seq, n)) STRICT, WITHOUT ROWID",
    ] {
        sqlx::query(statement)
            .execute(&mut rows)
            .await
            .expect(statement);
    }
    let mut ours = connect(path).await;
    let traces = sqlx::query(
        "SELECT run, seq, start_hz, stop_hz, points, data FROM trace ORDER BY run, seq LIMIT ?1",
    )
    .bind(SAMPLE_TRACES)
    .fetch_all(&mut ours)
    .await
    .expect("traces");
    let begun = Instant::now();
    let mut transaction = rows.begin().await.expect("begun");
    let mut points = 0_u64;
    for trace in &traces {
        let (run, seq): (String, i64) = (trace.get("run"), trace.get("seq"));
        let (start, stop, count): (f64, f64, i64) = (
            trace.get("start_hz"),
            trace.get("stop_hz"),
            trace.get("points"),
        );
        let data: Vec<u8> = trace.get("data");
        for (n, level) in data.as_chunks::<4>().0.iter().enumerate() {
            let hz = start + (stop - start) * n as f64 / (count - 1) as f64;
            sqlx::query("INSERT INTO level VALUES (?1, ?2, ?3, ?4, ?5)")
                .bind(&run)
                .bind(seq)
                .bind(i64::try_from(n).expect("small"))
                .bind(hz)
                .bind(f64::from(f32::from_le_bytes(*level)))
                .execute(&mut *transaction)
                .await
                .expect("kept");
            points += 1;
        }
    }
    transaction.commit().await.expect("kept");
    let rate = traces.len() as f64 / begun.elapsed().as_secs_f64();
    rows.close().await.expect("closed");
    let per_point = rows_path.metadata().expect("there").len() as f64 / points as f64;
    println!(
        "one row per trace point ({} traces): {per_point:.1} bytes a point, {rate:.0} traces/s in one transaction",
        traces.len()
    );
}

async fn connect(path: &Path) -> SqliteConnection {
    let options = sqlx::sqlite::SqliteConnectOptions::new()
        .filename(path)
        .create_if_missing(true);
    SqliteConnection::connect_with(&options)
        .await
        .expect("opens")
}

/// Bytes per table, from SQLite's own count of pages where the build has it, else from a copy of the traces.
async fn sizes(store: &Store, path: &Path, folder: &Path) {
    let counts = store.counts().await.expect("counted");
    let file_bytes = path.metadata().expect("there").len();
    println!(
        "\n{} runs, {} results, {} readings, {} traces: {:.2} GB",
        counts.runs,
        counts.results,
        counts.readings,
        counts.traces,
        file_bytes as f64 / 1e9
    );
    let copy = folder.join("traces.db");
    let mut ours = connect(path).await;
    sqlx::query("ATTACH ?1 AS copy")
        .bind(copy.to_str().expect("UTF-8"))
        .execute(&mut ours)
        .await
        .expect("attached");
    for statement in [
        "PRAGMA copy.page_size = 8192",
        "CREATE TABLE copy.trace (run TEXT NOT NULL, seq INTEGER NOT NULL, start_hz REAL, stop_hz REAL, points INTEGER, \
            encoding TEXT, unit TEXT, sha256 BLOB, data BLOB, PRIMARY KEY (run, seq))",
        "INSERT INTO copy.trace SELECT * FROM main.trace LIMIT 100000",
    ] {
        sqlx::query(statement)
            .execute(&mut ours)
            .await
            .expect(statement);
    }
    let copied: i64 = sqlx::query_scalar("SELECT sum(points) FROM copy.trace")
        .fetch_one(&mut ours)
        .await
        .expect("counted");
    ours.close().await.expect("closed");
    let per_point = copy.metadata().expect("there").len() as f64 / copied as f64;
    println!(
        "{per_point:.2} bytes a stored trace point (4 of them the level), with key, checksum and index"
    );
    std::fs::remove_file(copy).expect("removed");
}

fn main() {
    let runs = std::env::var("MUFFLE_HISTORY_RUNS")
        .map_or(RUNS, |text| text.parse().expect("a number of runs"));
    let folder = tempfile::tempdir().expect("a folder");
    let path = std::env::var_os("MUFFLE_HISTORY_FILE")
        .map_or(folder.path().join("history.db"), PathBuf::from);
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        let store = Store::open(&path).await.expect("a store");
        let filled = fill(&store, runs).await;
        if filled.results > 0 {
            let seconds = filled.took.as_secs_f64();
            println!(
                "filled in {seconds:.0} s: {:.0} results/s over all, {:.0} readings with their traces/s, 100 a commit",
                filled.results as f64 / seconds,
                filled.traces as f64 / filled.in_readings.as_secs_f64()
            );
        }
        store.close().await;
        let store = Store::open_read_only(&path).await.expect("a store");
        sizes(&store, &path, folder.path()).await;
        single_readings(folder.path()).await;
        ask(&store, runs).await;
        println!();
        against_csv(&store, folder.path(), runs).await;
        against_rows(&path, folder.path()).await;
    });
}
