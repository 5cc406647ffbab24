//! The store against its promises. No outside source: the checks are the promises themselves.

use super::*;
use jiff::SignedDuration;
use proptest::prelude::*;
use serde_json::json;
use sqlx::migrate::{Migration, MigrationType, Migrator};
use sqlx::{Connection, SqlSafeStr, SqliteConnection};
use tempfile::TempDir;

/// A store in a folder of its own.
pub(super) struct Bench {
    pub(super) store: Store,
    pub(super) folder: TempDir,
}

impl Bench {
    pub(super) async fn new() -> Self {
        let folder = TempDir::new().expect("a temporary folder");
        let store = Store::open(&folder.path().join("muffle.db"))
            .await
            .expect("a new store");
        Self { store, folder }
    }

    /// A second way into the file, as someone with the sqlite3 shell has it.
    pub(super) async fn shell(&self) -> SqliteConnection {
        shell(self.store.path()).await
    }

    pub(super) async fn run_of(&self, serial: &str, minutes: i64) -> RunId {
        self.store
            .put_item(&item(serial))
            .await
            .expect("the item is put in");
        let run = new_run(&self.store, Some(serial), minutes).await;
        self.store.begin_run(&run).await.expect("the run begins")
    }

    pub(super) async fn reference(&self, minutes: i64) -> RunId {
        let run = new_run(&self.store, None, minutes).await;
        self.store.begin_run(&run).await.expect("the run begins")
    }
}

pub(crate) async fn shell(path: &Path) -> SqliteConnection {
    SqliteConnection::connect(&format!("sqlite://{}", path.display()))
        .await
        .expect("the file opens")
}

pub(super) async fn texts(shell: &mut SqliteConnection, query: &'static str) -> Vec<String> {
    sqlx::query_scalar(query)
        .fetch_all(shell)
        .await
        .expect(query)
}

pub(super) fn at(minutes: i64) -> Timestamp {
    let start: Timestamp = "2026-01-31T09:00:00Z".parse().expect("a time");
    start + SignedDuration::from_mins(minutes)
}

pub(super) fn item(serial: &str) -> Item {
    Item {
        serial: serial.to_owned(),
        model: Some("pouch A5".to_owned()),
        lot: Some("L-7".to_owned()),
        size: None,
        construction: Some("two layers, rolled seam".to_owned()),
        note: None,
        first_seen: at(0),
    }
}

pub(super) async fn new_run(store: &Store, serial: Option<&str>, minutes: i64) -> NewRun {
    let kept = |kind, text| store.put_snapshot(kind, "a file", text);
    NewRun {
        kind: serial.map_or(RunKind::Reference, |_| RunKind::Item),
        item: serial.map(str::to_owned),
        model: serial.map(|_| "pouch A5".to_owned()),
        lot: serial.map(|_| "L-7".to_owned()),
        plan_sha: kept(SnapshotKind::Plan, "plan").await.expect("kept"),
        station_sha: kept(SnapshotKind::Station, "station").await.expect("kept"),
        driver_shas: vec![kept(SnapshotKind::Driver, "driver").await.expect("kept")],
        reference_run: None,
        signature: "set-up 1".to_owned(),
        operator: Some("M. Tarn".to_owned()),
        started: at(minutes),
        note: None,
        program_version: "0.1.0".to_owned(),
        instruments: None,
    }
}

pub(super) fn point_at(mhz: f64) -> Point {
    Point {
        frequency_hz: mhz * 1e6,
        face: "front".to_owned(),
        polarisation: "vertical".to_owned(),
        repeat: 1,
    }
}

pub(super) fn reading(kind: ReadingKind, mhz: f64) -> NewReading {
    let levels = (0..201_u16).map(|n| -95.0 + f32::from(n) * 0.01).collect();
    reading_of(kind, mhz, Levels::F32(levels))
}

pub(super) fn reading_of(kind: ReadingKind, mhz: f64, levels: Levels) -> NewReading {
    NewReading {
        key: ReadingKey {
            kind,
            point: point_at(mhz),
        },
        attempt: 1,
        taken: at(1),
        sweeps: 5,
        peak_dbm: -76.0,
        peak_hz: mhz * 1e6 + 10.0,
        flags: vec!["near_floor".to_owned()],
        settings: json!({"resolution_bandwidth_hz": 1000.0, "attenuation_db": 0.0}),
        trace: Trace {
            start_hz: mhz * 1e6 - 5e3,
            stop_hz: mhz * 1e6 + 5e3,
            unit: "dBm".to_owned(),
            levels,
        },
    }
}

pub(super) fn result(
    mhz: f64,
    kind: ResultKind,
    se_db: Option<f64>,
    analysis: u32,
) -> ResultRecord {
    ResultRecord {
        point: point_at(mhz),
        analysis,
        kind,
        se_db,
        u_db: Some(2.1),
        k: Some(2.0),
        limit_db: Some(50.0),
        margin_db: se_db.map(|se| se - 50.0),
        verdict: Some(Verdict::Undecided),
        conformity: Some(0.9),
        reference_dbm: Some(-24.0),
        level_dbm: Some(-76.0),
        floor_dbm: Some(-95.0),
        flags: vec!["near_floor".to_owned()],
        made: at(2),
        detail: json!({"budget": [{"name": "mismatch", "u_db": 0.4}]}),
    }
}

pub(super) fn emission(run: Option<RunId>) -> NewEmission {
    NewEmission {
        run,
        station: "Tarn End".to_owned(),
        frequency_hz: 250e6,
        level_dbm: -10.0,
        radiated_dbm: Some(30.0),
        why: "signal reading".to_owned(),
        began: at(1),
    }
}

fn assert_send<T: Send>(value: T) -> T {
    value
}

#[tokio::test]
async fn what_was_appended_survives_without_closing() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-0042", 0).await;
    let emission = bench
        .store
        .begin_emission(&emission(Some(run)))
        .await
        .expect("noted");
    assert_eq!(
        bench
            .store
            .open_emissions("Tarn End")
            .await
            .expect("read")
            .len(),
        1
    );
    let end = EmissionEnd {
        id: emission,
        ended: at(2),
        how: "read".to_owned(),
    };
    let signal = reading(ReadingKind::Signal, 250.0);
    let appended = bench.store.append_reading(run, &signal, Some(&end));
    assert_eq!(assert_send(appended).await.expect("kept"), 1);
    let path = bench.store.path().to_owned();
    // As a kill would leave it: the log is not merged, the connections are not closed.
    let copy = bench.folder.path().join("after-kill.db");
    std::fs::copy(&path, &copy).expect("copied");
    std::fs::copy(path.with_extension("db-wal"), copy.with_extension("db-wal")).expect("copied");
    drop(bench.store);

    for path in [path, copy] {
        let again = Store::open(&path).await.expect("opens clean");
        let keys = again.reading_keys(run).await.expect("read");
        assert_eq!(keys, std::slice::from_ref(&signal.key));
        let (record, trace) = again
            .reading_with_trace(run, &signal.key)
            .await
            .expect("read")
            .expect("there");
        assert_eq!(trace.trace, signal.trace);
        assert_eq!(trace.sha256, sha256_hex(&signal.trace.levels.to_bytes()));
        assert_eq!(record.settings, signal.settings);
        assert_eq!(record.flags, signal.flags);
        assert_eq!((record.seq, record.taken), (1, signal.taken));
        assert_eq!(again.readings(run).await.expect("read"), [record]);
        assert_eq!(again.open_emissions("Tarn End").await.expect("read"), []);
        let log = again.emissions(run).await.expect("read");
        assert_eq!(log[0].how_ended.as_deref(), Some("read"));
        let integrity = again.integrity().await.expect("checked");
        assert_eq!((integrity.traces_checked, integrity.faults), (1, vec![]));
    }
}

#[tokio::test]
async fn readings_and_traces_are_never_altered() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-0042", 0).await;
    let signal = reading(ReadingKind::Signal, 250.0);
    bench
        .store
        .append_reading(run, &signal, None)
        .await
        .expect("kept");
    let log = bench
        .store
        .begin_emission(&emission(None))
        .await
        .expect("noted");
    let mut shell = bench.shell().await;
    for change in [
        "UPDATE reading SET peak_dbm = 0",
        "DELETE FROM reading",
        "UPDATE trace SET unit = 'dBuV'",
        "DELETE FROM trace",
        "DELETE FROM emission",
        "UPDATE emission SET level_dbm = 0",
    ] {
        let refused = sqlx::query(change).execute(&mut shell).await;
        let said = refused.expect_err(change).to_string();
        assert!(
            said.contains("never") || said.contains("only closed"),
            "{said}"
        );
    }
    let again = bench.store.append_reading(run, &signal, None).await;
    let said = again.expect_err("a second one").to_string();
    assert!(
        said.contains("already") && said.contains("250 MHz, front"),
        "{said}"
    );

    let end = EmissionEnd {
        id: log,
        ended: at(3),
        how: "stopped".to_owned(),
    };
    bench.store.end_emission(&end).await.expect("closed");
    let twice = bench.store.end_emission(&end).await;
    assert!(
        matches!(twice, Err(StoreError::NotOpen { .. })),
        "{twice:?}"
    );
    // A reading whose emission cannot be closed is not kept either.
    let other = reading(ReadingKind::Signal, 300.0);
    let half = bench.store.append_reading(run, &other, Some(&end)).await;
    assert!(matches!(half, Err(StoreError::NotOpen { .. })), "{half:?}");
    assert_eq!(bench.store.counts().await.expect("counted").readings, 1);
}

#[tokio::test]
async fn references_between_tables_hold() {
    let bench = Bench::new().await;
    let mut run = new_run(&bench.store, Some("never put in"), 0).await;
    let refused = bench.store.begin_run(&run).await;
    assert!(
        matches!(refused, Err(StoreError::UnknownItem { .. })),
        "{refused:?}"
    );
    bench.store.put_item(&item("P-1")).await.expect("put in");
    run.item = Some("P-1".to_owned());
    run.plan_sha = "0".repeat(64);
    let refused = bench.store.begin_run(&run).await;
    assert!(
        matches!(refused, Err(StoreError::Dangling { .. })),
        "{refused:?}"
    );
    let nowhere = RunId::at(at(0));
    let refused = bench
        .store
        .append_reading(nowhere, &reading(ReadingKind::Floor, 1.0), None)
        .await;
    assert!(
        matches!(refused, Err(StoreError::UnknownRun { .. })),
        "{refused:?}"
    );
    let refused = bench
        .store
        .put_results(nowhere, &[result(1.0, ResultKind::None, None, 1)])
        .await;
    assert!(
        matches!(refused, Err(StoreError::Dangling { .. })),
        "{refused:?}"
    );
}

#[tokio::test]
async fn runs_go_from_running_to_complete_and_stay_there() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let run = bench.run_of("P-1", 0).await;
    store
        .set_state(run, RunState::Stopped, Some("Ctrl-C"))
        .await
        .expect("stopped");
    let refused = store
        .append_reading(run, &reading(ReadingKind::Floor, 1.0), None)
        .await;
    let said = refused.expect_err("not running").to_string();
    assert!(said.contains("stopped"), "{said}");
    let refused = store.finish(run, None, at(9)).await;
    assert!(
        matches!(refused, Err(StoreError::WrongState { .. })),
        "{refused:?}"
    );
    store
        .set_state(run, RunState::Running, None)
        .await
        .expect("resumed");
    store
        .append_reading(run, &reading(ReadingKind::Floor, 1.0), None)
        .await
        .expect("kept");
    store
        .finish(run, Some(Verdict::Pass), at(9))
        .await
        .expect("complete");
    let record = store.run(run).await.expect("there");
    assert_eq!(record.state, RunState::Complete);
    assert_eq!(
        (record.verdict, record.finished),
        (Some(Verdict::Pass), Some(at(9)))
    );
    assert_eq!((record.reason, record.driver_shas.len()), (None, 1));
    for state in [RunState::Running, RunState::Complete] {
        let refused = store.set_state(run, state, None).await;
        assert!(
            matches!(refused, Err(StoreError::WrongState { .. })),
            "{refused:?}"
        );
    }
    store
        .set_verdict(run, Some(Verdict::Fail))
        .await
        .expect("recomputed");
    assert_eq!(
        store.run(run).await.expect("there").verdict,
        Some(Verdict::Fail)
    );
}

#[tokio::test]
async fn a_run_is_found_by_the_beginning_of_its_id() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let first = bench.reference(0).await;
    // Ten days later: the first characters of the id, its date, still agree.
    let second = bench.reference(14_400).await;
    let (one, two) = (first.to_string(), second.to_string());
    let common = one
        .bytes()
        .zip(two.bytes())
        .take_while(|(a, b)| a == b)
        .count();
    let found = store
        .find_run(&two[..=common].to_lowercase())
        .await
        .expect("one fits");
    assert_eq!(found.id, second);
    match store.find_run(&one[..common]).await {
        Err(StoreError::AmbiguousRun { candidates, .. }) => assert_eq!(candidates, [second, first]),
        other => panic!("{other:?}"),
    }
    for nonsense in ["", "0", "%", "'; DROP TABLE run", "01J~"] {
        let refused = store.find_run(nonsense).await;
        match nonsense {
            "0" => assert!(
                matches!(refused, Err(StoreError::AmbiguousRun { .. })),
                "{refused:?}"
            ),
            _ => assert!(
                matches!(refused, Err(StoreError::UnknownRun { .. })),
                "{refused:?}"
            ),
        }
    }
}

#[tokio::test]
async fn a_reference_is_reused_only_when_complete_recent_and_the_same() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let (old, newer, unfinished) = (
        bench.reference(0).await,
        bench.reference(60).await,
        bench.reference(120).await,
    );
    for run in [old, newer] {
        store.finish(run, None, at(180)).await.expect("complete");
    }
    let found = store
        .latest_reference("set-up 1", at(0)..=at(9_000))
        .await
        .expect("read");
    assert_eq!(found.map(|run| run.id), Some(newer));
    // By a clock that was put back, the newer one lies in the future.
    let found = store.latest_reference("set-up 1", at(0)..=at(59)).await;
    assert_eq!(found.expect("read").map(|run| run.id), Some(old));
    assert_eq!(
        store
            .latest_reference("set-up 1", at(61)..=at(9_000))
            .await
            .expect("read"),
        None
    );
    assert_eq!(
        store
            .latest_reference("set-up 2", at(0)..=at(9_000))
            .await
            .expect("read"),
        None
    );
    store
        .finish(unfinished, None, at(180))
        .await
        .expect("complete");
    let found = store
        .latest_reference("set-up 1", at(61)..=at(9_000))
        .await
        .expect("read");
    assert_eq!(found.map(|run| run.id), Some(unfinished));
}

#[tokio::test]
async fn names_are_kept_as_they_are_or_refused() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let longest = "ß".repeat(NAME_CHARS_MAX);
    for serial in ["O'Brien \"7\"; --", "📦 ≥ 64", " padded ", longest.as_str()] {
        let run = bench.run_of(serial, 0).await;
        assert_eq!(store.item(serial).await.expect("read"), Some(item(serial)));
        let filter = RunFilter {
            item: Some(serial.to_owned()),
            ..RunFilter::default()
        };
        let found = store.runs(&filter).await.expect("read");
        assert_eq!(found.iter().map(|run| run.id).collect::<Vec<_>>(), [run]);
    }
    let ten_kilobytes = "x".repeat(10_240);
    for (serial, why) in [
        ("", "empty"),
        ("  ", "empty"),
        ("a\nb", "control"),
        (&ten_kilobytes, "10240"),
    ] {
        let said = store
            .put_item(&item(serial))
            .await
            .expect_err("refused")
            .to_string();
        assert!(said.contains(why) && said.contains("serial"), "{said}");
    }
}

#[tokio::test]
async fn an_item_described_anew_keeps_its_first_date() {
    let bench = Bench::new().await;
    bench.store.put_item(&item("P-1")).await.expect("put in");
    let later = Item {
        note: Some("washed".to_owned()),
        lot: None,
        first_seen: at(999),
        ..item("P-1")
    };
    bench.store.put_item(&later).await.expect("put in");
    let kept = bench.store.item("P-1").await.expect("read").expect("there");
    assert_eq!(
        kept,
        Item {
            first_seen: at(0),
            ..later
        }
    );
}

#[tokio::test]
async fn numbers_that_are_none_are_refused() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let mut bad = reading(ReadingKind::Signal, 250.0);
    bad.peak_dbm = f64::NAN;
    let said = bench
        .store
        .append_reading(run, &bad, None)
        .await
        .expect_err("NaN")
        .to_string();
    assert!(
        said.contains("peak level") && said.contains("250 MHz") && said.contains(&run.to_string()),
        "{said}"
    );
    let bad = reading_of(ReadingKind::Signal, 250.0, Levels::F64(vec![]));
    let said = bench
        .store
        .append_reading(run, &bad, None)
        .await
        .expect_err("empty")
        .to_string();
    assert!(said.contains("no levels"), "{said}");
    for mhz in [-1.0, 0.0, f64::NAN] {
        let bad = result(mhz, ResultKind::None, None, 1);
        let refused = bench.store.put_results(run, &[bad]).await;
        assert!(
            matches!(refused, Err(StoreError::NotFinite { .. })),
            "{refused:?}"
        );
    }
    let bad = result(1.0, ResultKind::Measured, Some(f64::INFINITY), 1);
    let refused = bench.store.put_results(run, &[bad]).await;
    assert!(
        matches!(refused, Err(StoreError::NotFinite { .. })),
        "{refused:?}"
    );
}

#[tokio::test]
async fn a_newer_analysis_stands_beside_the_older() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let run = bench.run_of("P-1", 0).await;
    let first = [
        result(250.0, ResultKind::Measured, Some(52.0), 1),
        result(100.0, ResultKind::AtLeast, Some(64.0), 1),
    ];
    store.put_results(run, &first).await.expect("kept");
    let again = result(250.0, ResultKind::Measured, Some(52.5), 1);
    store
        .put_results(run, std::slice::from_ref(&again))
        .await
        .expect("replaced");
    assert_eq!(
        store.results(run).await.expect("read"),
        [first[1].clone(), again]
    );
    let newer = result(250.0, ResultKind::Measured, Some(53.0), 2);
    store
        .put_results(run, std::slice::from_ref(&newer))
        .await
        .expect("kept");
    assert_eq!(
        store.results(run).await.expect("read"),
        [first[1].clone(), newer]
    );
    assert_eq!(store.counts().await.expect("counted").results, 3);
    let history = store
        .points(
            &Query::default(),
            &PageOf {
                rows_max: 9,
                after: None,
            },
        )
        .await
        .expect("read")
        .rows;
    assert_eq!(
        history.iter().map(|row| row.se_db).collect::<Vec<_>>(),
        [Some(64.0), Some(53.0)]
    );
}

#[tokio::test]
async fn history_is_filtered_and_paged() {
    let bench = Bench::new().await;
    let store = &bench.store;
    for (n, serial) in ["A", "B", "A"].into_iter().enumerate() {
        let run = bench.run_of(serial, i64::try_from(n).expect("small")).await;
        let results: Vec<_> = [100.0, 200.0, 300.0]
            .map(|mhz| result(mhz, ResultKind::Measured, Some(mhz / 10.0), 1))
            .into();
        store.put_results(run, &results).await.expect("kept");
    }
    let asked = |text: &str| Query::parse(text).expect("a query");
    let all = PageOf {
        rows_max: 100,
        after: None,
    };
    let of_a = asked("item:A freq:150MHz..300MHz");
    let rows = store.points(&of_a, &all).await.expect("read").rows;
    let seen: Vec<_> = rows
        .iter()
        .map(|row| (row.started, row.point.frequency_hz))
        .collect();
    assert_eq!(
        seen,
        [
            (at(2), 200e6),
            (at(2), 300e6),
            (at(0), 200e6),
            (at(0), 300e6)
        ]
    );
    let none = store
        .points(&asked("verdict:fail"), &all)
        .await
        .expect("read");
    assert_eq!((none.rows, none.next), (vec![], None));
    let since = RunFilter {
        since: Some(at(1)),
        until: Some(at(2)),
        ..RunFilter::default()
    };
    let runs = store.runs(&since).await.expect("read");
    assert_eq!(
        runs.iter()
            .map(|run| run.item.as_deref())
            .collect::<Vec<_>>(),
        [Some("B")]
    );
}

/// Reading or sorting every result to answer about a few would not last ten years.
#[tokio::test]
async fn no_question_about_a_few_results_reads_or_sorts_them_all() {
    let bench = Bench::new().await;
    let of = |item: Option<&str>, lot: Option<&str>, model: Option<&str>| RunFilter {
        item: item.map(str::to_owned),
        lot: lot.map(str::to_owned),
        model: model.map(str::to_owned),
        limit: Some(50),
        ..RunFilter::default()
    };
    for runs in [
        of(None, None, None),
        of(Some("A"), None, None),
        of(None, Some("L"), None),
        of(None, None, Some("M")),
    ] {
        let listed = run::runs_query(&runs).sql().as_str().to_owned();
        let steps = plan(&bench, &listed).await;
        assert!(!steps.contains("TEMP B-TREE"), "{listed}: {steps}");
        assert!(
            steps.contains("run USING INDEX run_by"),
            "{listed}: {steps}"
        );
    }
    for question in [
        "SELECT se_text FROM se WHERE serial = 'A' AND frequency_mhz = 100",
        "SELECT * FROM worst WHERE serial = 'A'",
        "SELECT * FROM worst WHERE lot = 'L'",
    ] {
        let steps = plan(&bench, question).await;
        assert!(!steps.contains("SCAN r\n"), "{question}: {steps}");
        assert!(
            steps.contains("SEARCH run USING INDEX run_by"),
            "{question}: {steps}"
        );
        assert!(
            steps.contains("SEARCH r USING PRIMARY KEY"),
            "{question}: {steps}"
        );
    }
}

/// The steps of SQLite's plan, one a line.
pub(super) async fn plan(bench: &Bench, question: &str) -> String {
    let query = format!("EXPLAIN QUERY PLAN {question}");
    let rows = sqlx::query(sqlx::AssertSqlSafe(query))
        .fetch_all(bench.store.readers())
        .await
        .expect("explained");
    let steps = rows.iter().map(|row| row.get::<String, _>("detail") + "\n");
    steps.collect()
}

/// The procedure and the daemon run these in tasks of their own.
#[tokio::test]
async fn calls_can_be_spawned() {
    let bench = Bench::new().await;
    let path = bench.store.path();
    let run = RunId::at(at(0));
    drop(assert_send(Store::open(path)));
    drop(assert_send(Store::open_read_only(path)));
    drop(assert_send(bench.store.find_run("0")));
    drop(assert_send(
        bench.store.points(&Query::default(), &PageOf::default()),
    ));
    drop(assert_send(bench.store.put_results(run, &[])));
    drop(assert_send(bench.store.set_state(
        run,
        RunState::Stopped,
        None,
    )));
    drop(assert_send(bench.store.integrity()));
    drop(assert_send(bench.store.back_up(path)));
}

#[tokio::test]
async fn the_views_read_like_a_table_on_paper() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-0042", 0).await;
    let results = [
        result(250.0, ResultKind::Measured, Some(52.0), 1),
        // Never rounded up: the bound was not reached.
        result(300.0, ResultKind::AtLeast, Some(63.96), 1),
        result(400.0, ResultKind::AtLeast, Some(64.0), 1),
        result(500.0, ResultKind::None, None, 1),
        result(250.0, ResultKind::Measured, Some(51.0), 2),
    ];
    bench.store.put_results(run, &results).await.expect("kept");
    let log = bench
        .store
        .begin_emission(&emission(Some(run)))
        .await
        .expect("noted");
    let end = EmissionEnd {
        id: log,
        ended: at(2),
        how: "read".to_owned(),
    };
    bench.store.end_emission(&end).await.expect("closed");
    let mut shell = bench.shell().await;
    assert_eq!(
        texts(
            &mut shell,
            "SELECT frequency_mhz || ' ' || se_text FROM se WHERE serial = 'P-0042'"
        )
        .await,
        ["250.0 51.0", "300.0 ≥ 63.9", "400.0 ≥ 64.0", "500.0 —"]
    );
    assert_eq!(
        texts(
            &mut shell,
            "SELECT frequency_mhz || ' ' || margin_db FROM worst"
        )
        .await,
        ["250.0 1.0"]
    );
    assert_eq!(
        texts(
            &mut shell,
            "SELECT began || ' ' || duration_s || ' ' || frequency_mhz FROM emissions"
        )
        .await,
        ["2026-01-31T09:01:00.000Z 60.0 250.0"]
    );
}

#[tokio::test]
async fn every_table_is_strict() {
    let bench = Bench::new().await;
    let mut shell = bench.shell().await;
    // The migrator's own table is not ours to shape.
    let loose = texts(
        &mut shell,
        "SELECT name FROM pragma_table_list WHERE type = 'table' AND schema = 'main' \
        AND NOT strict AND name NOT LIKE 'sqlite!_%' ESCAPE '!' AND name <> '_sqlx_migrations'",
    )
    .await;
    assert_eq!(loose, Vec::<String>::new());
    assert_eq!(texts(&mut shell, "PRAGMA journal_mode").await, ["wal"]);
}

#[tokio::test]
async fn a_trace_that_rotted_is_noticed() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let signal = reading(ReadingKind::Signal, 250.0);
    bench
        .store
        .append_reading(run, &signal, None)
        .await
        .expect("kept");
    let mut shell = bench.shell().await;
    for step in [
        "DROP TRIGGER trace_is_never_changed",
        "UPDATE trace SET data = zeroblob(length(data))",
    ] {
        sqlx::query(step).execute(&mut shell).await.expect(step);
    }
    let read = bench.store.reading_with_trace(run, &signal.key).await;
    assert!(
        matches!(read, Err(StoreError::TraceAltered { .. })),
        "{read:?}"
    );
    let faults = bench.store.integrity().await.expect("checked").faults;
    assert!(
        faults.len() == 2 && faults[1].contains(&run.to_string()),
        "{faults:?}"
    );
}

/// SQLite itself would go on writing to the file that is gone.
#[tokio::test]
async fn a_file_that_is_taken_away_takes_no_emission_and_no_reading() {
    for (way, said) in [
        ("removed", "was removed"),
        ("replaced", "was replaced"),
        ("emptied", "was emptied"),
    ] {
        let bench = Bench::new().await;
        let run = bench.run_of("P-1", 0).await;
        let path = bench.store.path();
        let aside = path.with_extension("aside");
        std::fs::copy(path, &aside).expect("copied");
        let done = match way {
            "removed" => std::fs::remove_file(path),
            "replaced" => std::fs::rename(&aside, path),
            _ => std::fs::write(path, ""),
        };
        done.expect(way);
        let on = bench.store.begin_emission(&emission(Some(run))).await;
        let signal = reading(ReadingKind::Signal, 250.0);
        let kept = bench.store.append_reading(run, &signal, None).await;
        for refused in [on.map(drop), kept.map(drop)] {
            let error = refused.expect_err(way).to_string();
            assert!(
                error.contains(said) && error.contains("restore a backup"),
                "{error}"
            );
        }
    }
}

#[tokio::test]
async fn a_full_disk_loses_nothing_and_says_so() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let writer = bench.store.inner.writer.as_ref().expect("writable");
    let pages: i64 = sqlx::query_scalar("PRAGMA page_count")
        .fetch_one(writer)
        .await
        .expect("read");
    let limit = format!("PRAGMA max_page_count = {}", pages + 4);
    sqlx::query(sqlx::AssertSqlSafe(limit))
        .execute(writer)
        .await
        .expect("set");
    let mut kept = 0;
    let said = loop {
        let reading = reading(ReadingKind::Signal, f64::from(kept + 1));
        match bench.store.append_reading(run, &reading, None).await {
            Ok(_) => kept += 1,
            Err(error) => break error,
        }
    };
    assert!(matches!(said, StoreError::Full { .. }), "{said:?}");
    assert!(said.to_string().contains("disk is full"), "{said}");
    assert!(kept > 0);
    assert_eq!(
        bench.store.reading_keys(run).await.expect("read").len(),
        usize::try_from(kept).expect("small")
    );
    // The limit went with the connection that met it.
    let next = reading(ReadingKind::Signal, f64::from(kept + 1));
    bench
        .store
        .append_reading(run, &next, None)
        .await
        .expect("goes on when there is room");
}

/// A stop request may drop a call at any of its awaits.
#[tokio::test]
async fn a_call_dropped_half_way_keeps_all_or_nothing() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let mut done = vec![];
    for polls in 0..40_u32 {
        let reading = reading(ReadingKind::Signal, f64::from(polls + 1));
        let mut append = Box::pin(bench.store.append_reading(run, &reading, None));
        for _ in 0..polls {
            let polled =
                std::future::poll_fn(|cx| std::task::Poll::Ready(append.as_mut().poll(cx)));
            if polled.await.is_ready() {
                done.push(reading.key.clone());
                break;
            }
            // Long enough, mostly, for the connection's thread to have answered.
            tokio::time::sleep(std::time::Duration::from_millis(1)).await;
        }
    }
    let next = reading(ReadingKind::Floor, 1.0);
    bench
        .store
        .append_reading(run, &next, None)
        .await
        .expect("goes on");
    let kept = bench.store.reading_keys(run).await.expect("read");
    assert!(!done.is_empty() && done.len() < 40);
    assert!(done.iter().all(|key| kept.contains(key)));
    let integrity = bench.store.integrity().await.expect("checked");
    assert_eq!(integrity.faults, Vec::<String>::new());
    assert_eq!(integrity.traces_checked, kept.len() as u64);
}

#[tokio::test]
async fn a_locked_file_is_its_own_error() {
    let bench = Bench::new().await;
    let mut shell = bench.shell().await;
    sqlx::query("BEGIN IMMEDIATE")
        .execute(&mut shell)
        .await
        .expect("locked");
    let writer = bench.store.inner.writer.as_ref().expect("writable");
    sqlx::query("PRAGMA busy_timeout = 10")
        .execute(writer)
        .await
        .expect("set");
    let refused = bench.store.put_item(&item("P-1")).await;
    assert!(
        matches!(refused, Err(StoreError::Locked { .. })),
        "{refused:?}"
    );
    // Reading goes on beside a writer.
    assert_eq!(bench.store.counts().await.expect("counted").items, 0);
}

#[tokio::test]
async fn places_that_cannot_hold_a_store_are_told_apart() {
    let folder = TempDir::new().expect("a temporary folder");
    let file = folder.path().join("notes.txt");
    let notes =
        "not a database, but long enough to look like one to a careless reader. ".repeat(20);
    std::fs::write(&file, &notes).expect("written");
    let opened = Store::open(&file).await;
    assert!(
        matches!(opened, Err(StoreError::NotADatabase { .. })),
        "{opened:?}"
    );
    assert_eq!(std::fs::read_to_string(&file).expect("read"), notes);

    let below_a_file = Store::open(&file.join("muffle.db")).await;
    assert!(
        matches!(below_a_file, Err(StoreError::NoFolder { .. })),
        "{below_a_file:?}"
    );
    let nowhere = Store::open(&folder.path().join("no/such/muffle.db")).await;
    assert!(
        matches!(nowhere, Err(StoreError::NoFolder { .. })),
        "{nowhere:?}"
    );
    // Not even root can create files here.
    let proc = Store::open(Path::new("/proc/muffle.db")).await;
    assert!(
        matches!(proc, Err(StoreError::CannotOpen { .. })),
        "{proc:?}"
    );

    let missing = Store::open_read_only(&folder.path().join("missing.db")).await;
    assert!(
        matches!(missing, Err(StoreError::Missing { .. })),
        "{missing:?}"
    );
    assert!(!folder.path().join("missing.db").exists());

    let foreign = folder.path().join("foreign.db");
    let options = sqlx::sqlite::SqliteConnectOptions::new()
        .filename(&foreign)
        .create_if_missing(true);
    let mut theirs = SqliteConnection::connect_with(&options)
        .await
        .expect("created");
    sqlx::query("CREATE TABLE theirs (a)")
        .execute(&mut theirs)
        .await
        .expect("created");
    theirs.close().await.expect("closed");
    let before = std::fs::read(&foreign).expect("read");
    let opened = Store::open(&foreign).await;
    assert!(
        matches!(opened, Err(StoreError::NotAStore { .. })),
        "{opened:?}"
    );
    assert_eq!(std::fs::read(&foreign).expect("read"), before);
}

#[tokio::test]
async fn several_may_open_a_new_file_at_once() {
    for _ in 0..10 {
        let folder = TempDir::new().expect("a temporary folder");
        let path = folder.path().join("muffle.db");
        let opened = tokio::join!(Store::open(&path), Store::open(&path), Store::open(&path));
        for store in [opened.0, opened.1, opened.2] {
            let store = store.expect("waits for the others");
            store.counts().await.expect("counted");
        }
    }
}

#[tokio::test]
async fn reading_only_reads() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let reader = Store::open_read_only(bench.store.path())
        .await
        .expect("beside the writer");
    assert_eq!(reader.run(run).await.expect("read").id, run);
    let refused = reader.put_item(&item("P-2")).await;
    assert!(
        matches!(refused, Err(StoreError::ReadOnly { .. })),
        "{refused:?}"
    );
    // Root may write anywhere, so a file that may not be written is stood in for by one opened that way.
    let proof = open::prove_writable(reader.path(), reader.readers()).await;
    assert!(
        matches!(proof, Err(StoreError::ReadOnly { .. })),
        "{proof:?}"
    );
    let again = bench.run_of("P-3", 1).await;
    assert_eq!(
        reader
            .run(again)
            .await
            .expect("what was written meanwhile")
            .id,
        again
    );
}

/// The shipped migrations and one more, as a later program would have them.
fn later(sql: &'static str) -> Migrator {
    let next = Migration::new(
        9999,
        "later".into(),
        MigrationType::Simple,
        sql.into_sql_str(),
        false,
    );
    let shipped = open::MIGRATOR.iter().cloned();
    Migrator::with_migrations(shipped.chain([next]).collect())
}

#[tokio::test]
async fn an_older_file_is_backed_up_and_migrated_and_a_newer_refused() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let path = bench.store.path().to_owned();
    bench.store.close().await;
    let later = later("ALTER TABLE item ADD COLUMN weight_kg REAL;");
    let reader = Store::open_read_only_with(&path, &later).await;
    assert!(
        matches!(reader, Err(StoreError::TooOld { .. })),
        "{reader:?}"
    );

    let migrated = Store::open_with(&path, &later).await.expect("migrated");
    assert_eq!(migrated.run(run).await.expect("still there").id, run);
    migrated.close().await;
    let backup = path.with_extension("db.before-9999");
    let kept = Store::open_read_only(&backup)
        .await
        .expect("the old file, by the old program");
    assert_eq!(kept.run(run).await.expect("still there").id, run);

    for refused in [Store::open(&path).await, Store::open_read_only(&path).await] {
        let said = refused.expect_err("newer").to_string();
        assert!(
            said.contains("9999") && said.contains("newer program"),
            "{said}"
        );
    }
    Store::open_with(&path, &later)
        .await
        .expect("nothing more to do")
        .close()
        .await;
    assert!(!path.with_extension("db.before-9999-2").exists());
}

#[tokio::test]
async fn a_migration_that_fails_leaves_the_file_whole() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let path = bench.store.path().to_owned();
    bench.store.close().await;
    let broken = later(
        "ALTER TABLE item ADD COLUMN weight_kg REAL; DROP TABLE run_snapshot; DROP TABLE nothing;",
    );
    let failed = Store::open_with(&path, &broken).await;
    assert!(
        matches!(failed, Err(StoreError::Migration { .. })),
        "{failed:?}"
    );
    let again = Store::open(&path).await.expect("as it was");
    assert_eq!(again.run(run).await.expect("there").driver_shas.len(), 1);
    assert_eq!(
        again.integrity().await.expect("checked").faults,
        Vec::<String>::new()
    );
}

#[tokio::test]
async fn a_backup_is_whole_and_never_overwrites() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let to = bench.folder.path().join("it's a copy.db");
    bench.store.back_up(&to).await.expect("copied");
    let copy = Store::open_read_only(&to).await.expect("opens");
    assert_eq!(copy.run(run).await.expect("there").id, run);
    let refused = bench.store.back_up(&to).await;
    assert!(
        matches!(refused, Err(StoreError::Backup { .. })),
        "{refused:?}"
    );
}

#[tokio::test]
async fn a_snapshot_is_named_by_its_content() {
    let bench = Bench::new().await;
    // FIPS 180-4's example: SHA-256 of "abc".
    let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    for name in ["plan.toml", "copy.toml"] {
        let sha = bench
            .store
            .put_snapshot(SnapshotKind::Plan, name, "abc")
            .await
            .expect("kept");
        assert_eq!(sha, abc);
    }
    let kept = bench
        .store
        .snapshot(abc)
        .await
        .expect("read")
        .expect("there");
    assert_eq!(
        (kept.name.as_str(), kept.text.as_str()),
        ("plan.toml", "abc")
    );
    assert_eq!(
        bench.store.snapshot(&"0".repeat(64)).await.expect("read"),
        None
    );
    assert_eq!(bench.store.counts().await.expect("counted").snapshots, 1);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any bits come back, NaN with payload and infinities too.
    #[test]
    fn traces_come_back_bit_for_bit(
        wide in any::<bool>(),
        bits in proptest::collection::vec(any::<u64>(), 1..400),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let bench = Bench::new().await;
            let run = bench.run_of("P-1", 0).await;
            let levels = match wide {
                true => Levels::F64(bits.iter().copied().chain([f64::NAN.to_bits(), f64::INFINITY.to_bits()])
                    .map(f64::from_bits).collect()),
                false => Levels::F32(bits.iter().map(|bits| f32::from_bits(*bits as u32))
                    .chain([f32::NAN, f32::NEG_INFINITY]).collect()),
            };
            let written = reading_of(ReadingKind::Signal, 250.0, levels);
            bench.store.append_reading(run, &written, None).await.expect("kept");
            let (_, trace) = bench.store.reading_with_trace(run, &written.key).await.expect("read").expect("there");
            assert_eq!(trace.trace.levels.to_bytes(), written.trace.levels.to_bytes());
            assert_eq!(trace.trace.levels.encoding(), written.trace.levels.encoding());
        });
    }
}
