//! Backups, pruning, merging, importing and old files: what is kept stays kept.

use super::tests::{Bench, at, emission, item, point_at, reading, result, shell, texts};
use super::*;
use proptest::prelude::*;
use sqlx::migrate::Migrator;
use sqlx::{AssertSqlSafe, SqliteConnection};
use tempfile::TempDir;

/// Everything that is gathered, row by row, as text that sorts.
async fn content(path: &Path) -> Vec<String> {
    let mut shell = shell(path).await;
    let mut all = Vec::new();
    for table in merge::gathered() {
        let columns: Vec<String> = sqlx::query_scalar("SELECT name FROM pragma_table_info(?1)")
            .bind(table)
            .fetch_all(&mut shell)
            .await
            .expect("columns");
        let columns: Vec<String> = columns
            .iter()
            .map(|column| format!("quote({column})"))
            .collect();
        let sql = format!(
            "SELECT '{table}|' || {} FROM {table}",
            columns.join(" || '|' || ")
        );
        let rows: Vec<String> = sqlx::query_scalar(AssertSqlSafe(sql))
            .fetch_all(&mut shell)
            .await
            .expect("rows");
        all.extend(rows);
    }
    // What is found by flags and words must come along.
    for sql in [
        "SELECT 'flagged|' || flag || run || frequency_hz || analysis FROM flagged",
        "SELECT 'worded|' || coalesce(run, item) || '|' || text FROM worded",
    ] {
        all.extend(texts(&mut shell, sql).await);
    }
    // What a merge sealed is of the file that merged.
    all.retain(|row| !(row.starts_with("seal|") && row.contains("'merged'")));
    all.sort();
    all
}

/// A complete run with a reference before it, two readings each, an emission and a result.
async fn run_with_reference(store: &Store, serial: &str, minutes: i64) -> RunId {
    store.put_item(&item(serial)).await.expect("put in");
    let reference = super::tests::new_run(store, None, minutes).await;
    let reference = store.begin_run(&reference).await.expect("begun");
    let run = NewRun {
        reference_run: Some(reference),
        ..super::tests::new_run(store, Some(serial), minutes + 1).await
    };
    let run = store.begin_run(&run).await.expect("begun");
    for id in [reference, run] {
        for kind in [ReadingKind::Floor, ReadingKind::Signal] {
            store
                .append_reading(id, &reading(kind, 250.0), None)
                .await
                .expect("kept");
        }
    }
    store
        .put_results(run, &[result(250.0, ResultKind::Measured, Some(52.0), 1)])
        .await
        .expect("kept");
    store
        .begin_emission(&emission(Some(run)))
        .await
        .expect("noted");
    store
        .finish(reference, None, at(minutes + 2))
        .await
        .expect("complete");
    store
        .finish(run, Some(Verdict::Undecided), at(minutes + 2))
        .await
        .expect("complete");
    run
}

async fn copy_of(store: &Store, name: &str) -> Store {
    let to = store.path().with_file_name(name);
    store.back_up(&to).await.expect("copied");
    Store::open(&to).await.expect("opens")
}

#[tokio::test]
async fn old_traces_move_to_a_second_file_and_come_back() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let old = run_with_reference(store, "P-1", 0).await;
    let new = run_with_reference(store, "P-2", 10_000).await;
    // A new run that was subtracted from an old reference keeps it.
    let kept = bench.reference(20).await;
    store
        .append_reading(kept, &reading(ReadingKind::Signal, 250.0), None)
        .await
        .expect("kept");
    store.finish(kept, None, at(21)).await.expect("complete");
    let user = NewRun {
        reference_run: Some(kept),
        ..super::tests::new_run(store, Some("P-2"), 10_010).await
    };
    store.begin_run(&user).await.expect("begun");
    let before = content(store.path()).await;
    let results = store.results(old).await.expect("read");

    let archive = bench.folder.path().join("old traces.db");
    let pruned = store
        .prune(at(5_000), &archive, at(20_000))
        .await
        .expect("pruned");
    assert_eq!((pruned.counts.runs, pruned.counts.traces), (2, 4));
    assert_eq!(store.results(old).await.expect("read"), results);
    assert_eq!(store.readings(old).await.expect("read").len(), 2);
    let key = reading(ReadingKind::Signal, 250.0).key;
    let said = store
        .reading_with_trace(old, &key)
        .await
        .expect_err("moved")
        .to_string();
    assert!(
        said.contains("`old traces.db`") && said.contains("store attach"),
        "{said}"
    );
    for run in [new, kept] {
        assert!(
            store
                .reading_with_trace(run, &key)
                .await
                .expect("read")
                .is_some()
        );
    }
    let moved = store.moved_traces(old).await.expect("read");
    assert_eq!(
        (moved[0].name.as_str(), moved[0].traces),
        ("old traces.db", 2)
    );
    let counts = store.counts().await.expect("counted");
    assert_eq!((counts.traces, counts.moved_traces), (5, 4));
    assert_eq!(
        store.integrity().await.expect("checked").faults,
        Vec::<String>::new()
    );
    store.compact().await.expect("compacted");
    let again = store
        .prune(at(5_000), &archive.with_extension("2"), at(20_001))
        .await
        .expect("nothing");
    assert_eq!((again.counts.traces, again.file), (0, None));
    assert!(
        store.prune(at(30_000), &archive, at(20_002)).await.is_err(),
        "the file is there"
    );

    // Neither the mark nor a trace can be taken away by hand.
    let mut shell = bench.shell().await;
    for change in [
        "DELETE FROM moved_trace",
        "UPDATE moved_trace SET seq = 9",
        "DELETE FROM trace",
    ] {
        let said = sqlx::query(change)
            .execute(&mut shell)
            .await
            .expect_err(change)
            .to_string();
        assert!(said.contains("never"), "{said}");
    }
    assert_eq!(store.attach(&archive).await.expect("back"), 4);
    let after: Vec<String> = content(store.path())
        .await
        .into_iter()
        .filter(|row| !row.starts_with("archive|"))
        .collect();
    assert_eq!(after, before);
    assert_eq!(store.attach(&archive).await.expect("nothing more"), 0);
}

#[tokio::test]
async fn a_spoilt_file_of_traces_is_refused_and_changes_nothing() {
    let bench = Bench::new().await;
    let store = &bench.store;
    run_with_reference(store, "P-1", 0).await;
    let archive = bench.folder.path().join("old.db");
    store
        .prune(at(5_000), &archive, at(9_000))
        .await
        .expect("pruned");
    let mut other = shell(&archive).await;
    sqlx::query("UPDATE trace SET data = zeroblob(length(data)) WHERE seq = 2")
        .execute(&mut other)
        .await
        .expect("spoilt");
    let before = content(store.path()).await;
    let said = store
        .attach(&archive)
        .await
        .expect_err("spoilt")
        .to_string();
    assert!(said.contains("does not match its checksum"), "{said}");
    assert_eq!(content(store.path()).await, before);
    let said = store
        .attach(store.path())
        .await
        .expect_err("a store")
        .to_string();
    assert!(
        said.contains("not a file that traces were moved to"),
        "{said}"
    );
    for refused in [
        store.merge(&archive).await.map(drop),
        Store::restore(&archive.with_extension("x"), &archive, false)
            .await
            .map(drop),
    ] {
        assert!(
            refused
                .expect_err("an archive")
                .to_string()
                .contains("store attach")
        );
    }
}

#[tokio::test]
async fn a_restore_checks_keeps_the_old_file_and_never_overwrites() {
    let bench = Bench::new().await;
    let store = &bench.store;
    run_with_reference(store, "P-1", 0).await;
    let backup = bench.folder.path().join("backup.db");
    store.back_up(&backup).await.expect("copied");
    let path = store.path().to_owned();
    let whole = content(&backup).await;
    run_with_reference(store, "P-2", 100).await;
    let newer = content(&path).await;

    let said = Store::restore(&path, &backup, false)
        .await
        .expect_err("there")
        .to_string();
    assert!(said.contains("--replace"), "{said}");
    let said = Store::restore(&path, &backup, true)
        .await
        .expect_err("in use")
        .to_string();
    assert!(said.contains("another process holds"), "{said}");
    store.close().await;
    let aside = Store::restore(&path, &backup, true)
        .await
        .expect("restored")
        .expect("kept");
    assert_eq!(
        (content(&path).await, content(&aside).await),
        (whole.clone(), newer)
    );
    let fresh = bench.folder.path().join("fresh.db");
    assert_eq!(
        Store::restore(&fresh, &backup, false)
            .await
            .expect("restored"),
        None
    );
    assert_eq!(content(&fresh).await, whole);

    let mut spoilt = shell(&backup).await;
    for step in [
        "DROP TRIGGER trace_is_never_changed",
        "UPDATE trace SET data = zeroblob(length(data))",
    ] {
        sqlx::query(step).execute(&mut spoilt).await.expect(step);
    }
    let said = Store::restore(&path, &backup, true)
        .await
        .expect_err("spoilt")
        .to_string();
    assert!(said.contains("has 5 faults"), "{said}");
    assert_eq!(content(&path).await, whole);
}

#[tokio::test]
async fn every_table_is_gathered_or_left_on_purpose() {
    let bench = Bench::new().await;
    let mut shell = bench.shell().await;
    let tables = texts(
        &mut shell,
        "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND name NOT LIKE 'sqlite!_%' ESCAPE '!'",
    )
    .await;
    let known: Vec<&str> = merge::gathered().into_iter().chain(merge::LEFT).collect();
    for table in tables {
        assert!(
            known.contains(&table.as_str()),
            "`{table}`: say in store::merge whether it is gathered"
        );
    }
}

#[tokio::test]
async fn files_that_contradict_each_other_are_not_merged() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let run = run_with_reference(store, "P-1", 0).await;
    let other = copy_of(store, "other.db").await;
    let mut spoilt = shell(other.path()).await;
    for step in [
        "DROP TRIGGER reading_is_never_changed",
        "UPDATE reading SET peak_dbm = -1 WHERE kind = 'signal'",
    ] {
        sqlx::query(step).execute(&mut spoilt).await.expect(step);
    }
    let before = content(store.path()).await;
    for (into, from) in [(store, &other), (&other, store)] {
        let said = into
            .merge(from.path())
            .await
            .expect_err("they differ")
            .to_string();
        assert!(
            said.contains(&run.to_string()) && said.contains("nothing was"),
            "{said}"
        );
    }
    assert_eq!(content(store.path()).await, before);
    let said = store
        .merge(store.path())
        .await
        .expect_err("itself")
        .to_string();
    assert!(said.contains("this store itself"), "{said}");
    let said = store
        .merge(&bench.folder.path().join("nothing.db"))
        .await
        .expect_err("missing")
        .to_string();
    assert!(said.contains("no such file"), "{said}");
}

#[tokio::test]
async fn plans_of_lots_cycles_and_check_items_come_along_and_a_plan_is_never_settled() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let run = run_with_reference(store, "P-1", 0).await;
    let other = copy_of(store, "other.db").await;
    let lot = |accept| super::Lot {
        name: "L-9".to_owned(),
        model: None,
        note: None,
        first_seen: at(0),
        rule: Some(super::LotRule {
            size: None,
            sample: 13,
            accept: Some(accept),
            content: None,
            confidence: 0.95,
            guard_db: None,
            counts: super::Remeasured::Latest,
            plan_sha: None,
            made: at(0),
        }),
    };
    other.put_lot(&lot(0)).await.expect("a lot");
    other.put_cycles(run, 20).await.expect("counted");
    other.put_check_item("P-1", at(0)).await.expect("marked");
    store.put_cycles(run, 3).await.expect("counted");

    let merged = store.merge(other.path()).await.expect("merged");
    assert_eq!(merged.settled.len(), 1, "{:?}", merged.settled);
    assert!(merged.settled[0].starts_with("the cycles of run"));
    other.merge(store.path()).await.expect("merged");
    assert_eq!(content(store.path()).await, content(other.path()).await);
    assert_eq!(store.lot("L-9").await.expect("read"), Some(lot(0)));
    assert_eq!(store.check_items().await.expect("read"), ["P-1"]);

    // The same plan, put in at another time: the earlier counts, in either order.
    let twin = copy_of(store, "twin.db").await;
    sqlx::query("UPDATE lot_rule SET made = '2020-01-01T00:00:00.000Z'")
        .execute(&mut shell(twin.path()).await)
        .await
        .expect("put in earlier");
    twin.merge(store.path()).await.expect("merged");
    store.merge(twin.path()).await.expect("merged");
    assert_eq!(content(store.path()).await, content(twin.path()).await);
    let made = store
        .lot("L-9")
        .await
        .expect("read")
        .and_then(|lot| lot.rule);
    assert_eq!(
        made.expect("a plan").made.to_string(),
        "2020-01-01T00:00:00Z"
    );

    let third = copy_of(store, "third.db").await;
    third.put_lot(&lot(1)).await.expect("another plan");
    let said = store.merge(third.path()).await.expect_err("two plans");
    assert!(
        said.to_string()
            .contains("the plan of lot L-9 is not the same in both"),
        "{said}"
    );
}

/// What a station may do between two merges.
#[derive(Debug, Clone, Copy)]
enum Deed {
    Measure(i64),
    DescribeAnew(i64),
    Recompute(i64, f64),
    NewerAnalysis(f64),
    Withdraw(i64),
    CloseEmission,
    Bracket,
    Prune,
}

fn deed() -> impl Strategy<Value = Deed> {
    prop_oneof![
        (0i64..3).prop_map(Deed::Measure),
        (1i64..4).prop_map(Deed::DescribeAnew),
        (1i64..4, 40.0f64..60.0).prop_map(|(minutes, se_db)| Deed::Recompute(minutes, se_db)),
        (40.0f64..60.0).prop_map(Deed::NewerAnalysis),
        (1i64..4).prop_map(Deed::Withdraw),
        Just(Deed::CloseEmission),
        Just(Deed::Bracket),
        Just(Deed::Prune),
    ]
}

async fn do_it(store: &Store, run: RunId, number: usize, deed: Deed) {
    match deed {
        Deed::Measure(day) => {
            run_with_reference(store, "P-9", 1_000 + day * 1_440).await;
        }
        Deed::DescribeAnew(minutes) => {
            let described = Item {
                note: Some(format!("described {number}, {minutes}")),
                first_seen: at(minutes),
                ..item("P-1")
            };
            store.put_item(&described).await.expect("put in");
        }
        Deed::Recompute(minutes, se_db) => {
            let anew = ResultRecord {
                made: at(minutes),
                ..result(250.0, ResultKind::Measured, Some(se_db), 1)
            };
            store.put_results(run, &[anew]).await.expect("kept");
        }
        Deed::NewerAnalysis(se_db) => {
            let verdict = if se_db < 50.0 {
                Verdict::Fail
            } else {
                Verdict::Pass
            };
            let anew = result(250.0, ResultKind::Measured, Some(se_db), 2);
            store.put_results(run, &[anew]).await.expect("kept");
            store.set_verdict(run, Some(verdict)).await.expect("set");
        }
        Deed::Withdraw(minutes) => store
            .withdraw(run, &format!("why {number}"), at(minutes))
            .await
            .expect("withdrawn"),
        Deed::CloseEmission => {
            let open = store.open_emissions("Tarn End").await.expect("read");
            if let Some(first) = open.first() {
                let end = EmissionEnd {
                    id: first.id,
                    ended: at(3),
                    how: "read".to_owned(),
                };
                store.end_emission(&end).await.expect("closed");
            }
        }
        Deed::Bracket => {
            let after = store
                .run(run)
                .await
                .expect("there")
                .reference_run
                .expect("it has one");
            store.set_reference_after(run, after).await.expect("noted");
        }
        Deed::Prune => {
            let to = store.path().with_extension(format!("traces-{number}.db"));
            store.prune(at(500), &to, at(20_000)).await.expect("pruned");
        }
    }
}

fn block_on(work: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime");
    runtime.block_on(work);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn merging_is_idempotent_and_commutative(
        here in proptest::collection::vec(deed(), 0..5),
        there in proptest::collection::vec(deed(), 0..5),
    ) {
        block_on(async {
            let bench = Bench::new().await;
            let run = run_with_reference(&bench.store, "P-1", 0).await;
            let a = copy_of(&bench.store, "a.db").await;
            let b = copy_of(&bench.store, "b.db").await;
            for (number, deed) in here.iter().enumerate() {
                do_it(&a, run, number, *deed).await;
            }
            for (number, deed) in there.iter().enumerate() {
                do_it(&b, run, number, *deed).await;
            }
            let ab = copy_of(&a, "ab.db").await;
            let ba = copy_of(&b, "ba.db").await;
            ab.merge(b.path()).await.expect("merged");
            ba.merge(a.path()).await.expect("merged");
            let merged = content(ab.path()).await;
            assert_eq!(merged, content(ba.path()).await, "the order counts");
            for again in [&a, &b, &ba] {
                let said = ab.merge(again.path()).await.expect("merged again");
                assert_eq!((said.runs, said.readings, said.traces, said.results), (0, 0, 0, 0));
                assert_eq!(merged, content(ab.path()).await, "merging again changes something");
            }
            assert_eq!(ab.integrity().await.expect("checked").faults, Vec::<String>::new());
            let counts = ab.counts().await.expect("counted");
            for one in [&a, &b] {
                let one = one.counts().await.expect("counted");
                assert!(counts.runs >= one.runs && counts.readings >= one.readings);
                assert!(counts.traces + counts.moved_traces >= one.traces + one.moved_traces);
            }
        });
    }

    #[test]
    fn pruning_and_bringing_back_lose_nothing(
        starts in proptest::collection::vec(0i64..5_000, 1..5),
        cuts in proptest::collection::vec(0i64..6_000, 1..4),
        withdrawn in any::<bool>(),
    ) {
        block_on(async {
            let bench = Bench::new().await;
            let store = &bench.store;
            let mut runs = Vec::new();
            for (n, minutes) in starts.iter().enumerate() {
                runs.push(run_with_reference(store, &format!("P-{n}"), *minutes).await);
            }
            if withdrawn {
                store.withdraw(runs[0], "ajar", at(9_000)).await.expect("withdrawn");
            }
            let rest = |rows: Vec<String>| -> Vec<String> {
                rows.into_iter().filter(|row| !row.starts_with("archive|")).collect()
            };
            let promised = |rows: &[String]| -> Vec<String> {
                rows.iter().filter(|row| !row.starts_with("trace|") && !row.starts_with("moved_trace|")).cloned().collect()
            };
            let before = rest(content(store.path()).await);
            let mut files = Vec::new();
            for (n, cut) in cuts.iter().enumerate() {
                let to = bench.folder.path().join(format!("traces-{n}.db"));
                files.extend(store.prune(at(*cut), &to, at(10_000)).await.expect("pruned").file);
                let now = rest(content(store.path()).await);
                assert_eq!(promised(&now), promised(&before), "more than traces has gone");
                assert_eq!(store.integrity().await.expect("checked").faults, Vec::<String>::new());
            }
            // A backup of the pruned store does as well as the store itself.
            let restored = bench.folder.path().join("restored.db");
            let backup = copy_of(store, "backup.db").await;
            backup.close().await;
            Store::restore(&restored, backup.path(), false).await.expect("restored");
            let restored = Store::open(&restored).await.expect("opens");
            for file in &files {
                restored.attach(file).await.expect("back");
            }
            assert_eq!(rest(content(restored.path()).await), before);
        });
    }
}

/// A database as an earlier program wrote it.
pub(crate) async fn golden(folder: &TempDir, schema: i64) -> PathBuf {
    let text = match schema {
        1 => include_str!("../../tests/golden/schema-1.sql"),
        _ => include_str!("../../tests/golden/schema-2.sql"),
    };
    let path = folder.path().join(format!("schema-{schema}.db"));
    let options = sqlx::sqlite::SqliteConnectOptions::new()
        .filename(&path)
        .create_if_missing(true)
        .foreign_keys(false);
    let mut made = sqlx::ConnectOptions::connect(&options).await.expect("made");
    sqlx::raw_sql(text)
        .execute(&mut made)
        .await
        .expect("the rows");
    sqlx::Connection::close(made).await.expect("closed");
    if schema > 2 {
        // As the program of that schema left it: migrated so far and no further.
        let migrations = open::MIGRATOR.iter();
        let known = migrations.filter(|migration| migration.version <= schema);
        let migrator = Migrator::with_migrations(known.cloned().collect());
        let store = Store::open_with(&path, &migrator).await;
        store.expect("migrated so far").close().await;
        for backup in std::fs::read_dir(folder.path()).expect("a folder") {
            let backup = backup.expect("a file").path();
            if backup.to_string_lossy().contains(".before-") {
                std::fs::remove_file(backup).expect("removed");
            }
        }
    }
    path
}

async fn answers(shell: &mut SqliteConnection) -> Vec<String> {
    texts(
        shell,
        "SELECT serial || '|' || model || '|' || lot || '|' || frequency_mhz || '|' || face || '|' || polarisation \
        || '|' || repeat || '|' || se_text || '|' || quote(se_db) || '|' || kind || '|' || quote(u_db) || '|' \
        || limit_db || '|' || quote(margin_db) || '|' || verdict || '|' || run || '|' || started \
        FROM se ORDER BY serial, frequency_mhz",
    )
    .await
}

#[tokio::test]
async fn a_database_of_every_earlier_schema_gives_the_same_answers() {
    let newest = open::MIGRATOR
        .iter()
        .map(|migration| migration.version)
        .max();
    for schema in 1..newest.expect("migrations") {
        let folder = TempDir::new().expect("a folder");
        let path = golden(&folder, schema).await;
        let before = answers(&mut shell(&path).await).await;
        assert_eq!(before.len(), 18);
        // What its own program answered.
        for (answer, kept) in before
            .iter()
            .zip(include_str!("../../tests/golden/se.txt").lines())
        {
            let (answer, kept): (Vec<_>, Vec<_>) =
                (answer.split('|').collect(), kept.split('|').collect());
            assert_eq!(answer[..8], kept[..8]);
            assert_eq!(
                answer[8].parse::<f64>().expect("SE"),
                kept[8].parse::<f64>().expect("SE")
            );
        }
        // Who only reads gets his answers too, by every second schema.
        if schema % 2 == 0 {
            let reader = Store::open_read_only(&path).await;
            reader.expect("migrated to be read").close().await;
        }
        let store = Store::open(&path).await.expect("migrated");
        assert_eq!(
            answers(&mut shell(&path).await).await,
            before,
            "schema {schema}"
        );
        assert_eq!(
            store.integrity().await.expect("checked").faults,
            Vec::<String>::new()
        );
        let reasons = "SELECT DISTINCT reason FROM seal ORDER BY reason";
        assert_eq!(texts(&mut shell(&path).await, reasons).await, ["migrated"]);
        let page = PageOf {
            rows_max: 100,
            after: None,
        };
        let all = store
            .points(&Query::default(), &page)
            .await
            .expect("read")
            .rows;
        assert_eq!(all.len(), 18);
        let fails = store
            .points(&Query::parse("verdict:fail woven").expect("a query"), &page)
            .await
            .expect("read");
        let near = store
            .points(&Query::parse("flag:near_floor").expect("a query"), &page)
            .await
            .expect("read");
        let flagged = all
            .iter()
            .filter(|row| row.flags.iter().any(|flag| flag == "near_floor"));
        assert_eq!(near.rows.len(), flagged.count());
        assert!(
            fails
                .rows
                .iter()
                .all(|row| row.verdict == Some(Verdict::Fail))
        );
        // The details of before are read as they are.
        let details = store.results(all[0].run).await.expect("read");
        assert!(
            details
                .iter()
                .all(|one| one.detail["dynamic_range_db"].is_f64())
        );
        store.close().await;
        let mut backups = std::fs::read_dir(folder.path())
            .expect("a folder")
            .filter_map(|entry| {
                let name = entry.ok()?.file_name().into_string().ok()?;
                name.contains(".before-").then_some(name)
            });
        let backup = folder.path().join(backups.next().expect("a backup"));
        assert_eq!(answers(&mut shell(&backup).await).await, before);
    }
}

#[tokio::test]
async fn a_migration_cut_off_at_any_statement_leaves_an_old_file_whole() {
    let shipped = open::MIGRATOR
        .iter()
        .find(|migration| migration.version == 5)
        .expect("shipped");
    let text = shipped.sql.as_str().to_owned();
    // After each of these the process may have been killed: the same statements, then one that fails.
    for cut in [
        "CREATE TABLE flagged",
        "CREATE VIRTUAL TABLE word",
        "CREATE VIEW se",
    ] {
        let begin = text.find(cut).expect(cut);
        let broken = format!("{} DROP TABLE nothing;", &text[..begin]);
        let folder = TempDir::new().expect("a folder");
        let path = golden(&folder, 2).await;
        let before = answers(&mut shell(&path).await).await;
        let migrations = open::MIGRATOR.iter().map(|migration| {
            let mut migration = migration.clone();
            if migration.version == 5 {
                migration.sql = sqlx::SqlSafeStr::into_sql_str(AssertSqlSafe(broken.clone()));
            }
            migration
        });
        let migrator = sqlx::migrate::Migrator::with_migrations(migrations.collect());
        let failed = Store::open_with(&path, &migrator).await;
        assert!(
            matches!(failed, Err(StoreError::Migration { .. })),
            "{cut}: {failed:?}"
        );
        assert_eq!(answers(&mut shell(&path).await).await, before, "{cut}");
        let store = Store::open(&path)
            .await
            .expect("whole, so it can be migrated");
        assert_eq!(
            store.integrity().await.expect("checked").faults,
            Vec::<String>::new()
        );
    }
}

#[tokio::test]
async fn details_are_packed_and_the_database_says_how() {
    let bench = Bench::new().await;
    let run = bench.run_of("P-1", 0).await;
    let one = result(250.0, ResultKind::Measured, Some(52.0), 1);
    bench
        .store
        .put_results(run, std::slice::from_ref(&one))
        .await
        .expect("kept");
    assert_eq!(
        bench.store.results(run).await.expect("read")[0].detail,
        one.detail
    );
    let mut shell = bench.shell().await;
    let row: (i64, Vec<u8>) = sqlx::query_as("SELECT adler32, text FROM dictionary")
        .fetch_one(&mut shell)
        .await
        .expect("there");
    assert_eq!(
        (row.0, row.1.as_slice()),
        (i64::from(detail::DICTIONARY_ADLER32), detail::DICTIONARY)
    );
    // RFC 1950: the stream names its dictionary after two bytes.
    let named: Vec<u8> = sqlx::query_scalar("SELECT substr(packed, 3, 4) FROM result")
        .fetch_one(&mut shell)
        .await
        .expect("packed");
    assert_eq!(named, detail::DICTIONARY_ADLER32.to_be_bytes());
    assert_eq!(point_at(250.0), one.point);
}
