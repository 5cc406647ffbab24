//! Seals: whatever of a complete run is changed is noticed, and no amendment makes a change good.

use super::tests::{Bench, at, emission, item, reading, result, shell, texts};
use super::*;
use sqlx::{AssertSqlSafe, SqliteConnection};

/// A complete run of an item with its reference, results and a closed emission.
async fn sealed_run(store: &Store, serial: &str, minutes: i64) -> RunId {
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
            let reading = reading(kind, 250.0);
            let kept = store.append_reading(id, &reading, None);
            kept.await.expect("kept");
        }
    }
    let results = [result(250.0, ResultKind::Measured, Some(52.0), 1)];
    store.put_results(run, &results).await.expect("kept");
    store.put_cycles(run, 3).await.expect("noted");
    let id = store.begin_emission(&emission(Some(run))).await;
    let end = EmissionEnd {
        id: id.expect("noted"),
        ended: at(minutes + 2),
        how: "read".to_owned(),
    };
    store.end_emission(&end).await.expect("closed");
    for (id, verdict) in [(reference, None), (run, Some(Verdict::Undecided))] {
        let finished = store.finish(id, verdict, at(minutes + 3));
        finished.await.expect("complete");
    }
    run
}

/// Someone with the sqlite3 shell who knows how to get past triggers and checks.
pub(crate) async fn alter(path: &Path, changes: &[&str]) {
    let mut shell = shell(path).await;
    let triggers = "SELECT name FROM sqlite_schema WHERE type = 'trigger'";
    for pragma in [
        "PRAGMA foreign_keys = OFF",
        "PRAGMA ignore_check_constraints = ON",
    ] {
        sqlx::query(pragma).execute(&mut shell).await.expect(pragma);
    }
    let made = "SELECT sql FROM sqlite_schema WHERE type = 'trigger' ORDER BY name";
    let (names, made) = (
        texts(&mut shell, triggers).await,
        texts(&mut shell, made).await,
    );
    for name in names {
        run_sql(&mut shell, format!("DROP TRIGGER {name}")).await;
    }
    for change in changes {
        run_sql(&mut shell, (*change).to_owned()).await;
    }
    for trigger in made {
        run_sql(&mut shell, trigger).await;
    }
}

pub(crate) async fn run_sql(shell: &mut SqliteConnection, sql: String) {
    let done = sqlx::query(AssertSqlSafe(sql.clone())).execute(shell).await;
    done.expect(&sql);
}

async fn faults(store: &Store) -> Vec<String> {
    store.integrity().await.expect("checked").faults
}

async fn statement(store: &Store, run: RunId) -> SealStatement {
    store.seal(run).await.expect("read").expect("sealed")
}

#[tokio::test]
async fn whatever_is_changed_of_a_sealed_run_is_noticed_and_named() {
    let bench = Bench::new().await;
    let run = sealed_run(&bench.store, "P-1", 0).await;
    assert_eq!(faults(&bench.store).await, Vec::<String>::new());
    let sealed = statement(&bench.store, run).await;
    assert!(sealed.holds);
    assert_eq!(sealed.seal.expect("a seal").reason, SealReason::Completed);
    bench.store.close().await;
    let changes = [
        (
            "UPDATE run SET verdict = 'pass' WHERE verdict = 'undecided'",
            "verdict",
        ),
        ("UPDATE run SET operator = 'nobody'", "row"),
        (
            "UPDATE run SET state = 'stopped' WHERE kind = 'item'",
            "row",
        ),
        (
            "UPDATE run SET withdrawn = started, withdrawn_why = 'x'",
            "withdrawal",
        ),
        ("UPDATE reading SET peak_dbm = peak_dbm + 1e-12", "readings"),
        (
            "UPDATE reading SET settings = '{}' WHERE seq = 2",
            "readings",
        ),
        ("DELETE FROM reading WHERE seq = 2", "readings"),
        ("UPDATE trace SET start_hz = start_hz + 1", "traces"),
        ("UPDATE trace SET unit = 'dBV'", "traces"),
        (
            "UPDATE trace SET data = zeroblob(length(data)) WHERE seq = 1",
            "checksum",
        ),
        ("UPDATE result SET se_db = 53.0", "results"),
        ("UPDATE result SET superseded = 1", "results"),
        ("DELETE FROM result", "results"),
        ("UPDATE run_cycles SET cycles = 4", "cycles"),
        ("UPDATE emission SET level_dbm = 0", "emissions"),
        ("DELETE FROM emission", "emissions"),
        (
            "UPDATE snapshot SET text = text || ' ' WHERE kind = 'plan'",
            "the plan file",
        ),
        ("DELETE FROM run_snapshot", "drivers"),
        ("DELETE FROM seal", "has no seal"),
        (
            "UPDATE seal SET made = '2020-01-01T00:00:00.000Z'",
            "altered",
        ),
    ];
    for (number, (change, named)) in changes.into_iter().enumerate() {
        // Each under a name of its own: a log that the one before left behind would be taken for its.
        let copy = bench.folder.path().join(format!("copy-{number}.db"));
        std::fs::copy(bench.store.path(), &copy).expect("copied");
        alter(&copy, &[change]).await;
        let store = Store::open_read_only(&copy).await.expect("opens");
        let found = faults(&store).await;
        assert!(
            found.iter().any(|fault| fault.contains(named)),
            "{change}: {found:?}"
        );
        let said = statement(&store, run).await;
        assert!(
            !said.holds && said.faults.iter().any(|fault| fault.contains(named)),
            "{change}: {said:?}"
        );
    }
}

#[tokio::test]
async fn a_reference_that_was_changed_is_said_of_the_run_that_rests_on_it() {
    let bench = Bench::new().await;
    let run = sealed_run(&bench.store, "P-1", 0).await;
    let change =
        "UPDATE reading SET peak_dbm = 0 WHERE run = (SELECT id FROM run WHERE kind = 'reference')";
    alter(bench.store.path(), &[change]).await;
    let said = statement(&bench.store, run).await;
    assert!(
        !said.holds && said.faults[0].contains("readings"),
        "{said:?}"
    );
}

#[tokio::test]
async fn amendments_append_seals_and_make_no_change_good() {
    let bench = Bench::new().await;
    let store = &bench.store;
    let run = sealed_run(store, "P-1", 0).await;
    let anew = [result(250.0, ResultKind::Measured, Some(51.0), 2)];
    store.put_results(run, &anew).await.expect("kept");
    store
        .set_verdict(run, Some(Verdict::Fail))
        .await
        .expect("set");
    store
        .set_verdict(run, Some(Verdict::Fail))
        .await
        .expect("nothing new");
    store.withdraw(run, "ajar", at(9)).await.expect("withdrawn");
    store.reinstate(run).await.expect("reinstated");
    let mut shell = bench.shell().await;
    let reasons = "SELECT seal.reason FROM seal JOIN run ON run.id = seal.run WHERE kind = 'item' ORDER BY generation";
    assert_eq!(
        texts(&mut shell, reasons).await,
        [
            "completed",
            "recomputed",
            "judged",
            "withdrawn",
            "reinstated"
        ]
    );
    assert_eq!(faults(store).await, Vec::<String>::new());
    for refused in ["DELETE FROM seal", "UPDATE seal SET number = 9"] {
        let said = sqlx::query(refused)
            .execute(&mut shell)
            .await
            .expect_err(refused);
        assert!(said.to_string().contains("never"), "{said}");
    }
    alter(
        store.path(),
        &["UPDATE result SET se_db = 60 WHERE analysis = 2"],
    )
    .await;
    store
        .withdraw(run, "again", at(10))
        .await
        .expect("can still be withdrawn");
    store.put_results(run, &anew).await.expect("kept");
    let said = statement(store, run).await;
    assert!(!said.holds, "the change was made good: {said:?}");
    assert_eq!(said.seal.expect("a seal").reason, SealReason::Reinstated);
}

#[tokio::test]
async fn a_run_that_was_removed_whole_is_missed_in_the_chain() {
    let bench = Bench::new().await;
    for (n, serial) in ["P-1", "P-2", "P-3"].into_iter().enumerate() {
        sealed_run(&bench.store, serial, 10 * n as i64).await;
    }
    let of = |serial: &str, table: &str| {
        format!("DELETE FROM {table} WHERE run = (SELECT id FROM run WHERE item = '{serial}')")
    };
    for serial in ["P-2", "P-3"] {
        let copy = bench.folder.path().join(format!("{serial}.db"));
        bench.store.back_up(&copy).await.expect("copied");
        let tables = [
            "seal",
            "result",
            "emission",
            "trace",
            "reading",
            "run_snapshot",
            "run_cycles",
            "worded",
            "flagged",
        ];
        let mut steps: Vec<String> = tables.iter().map(|table| of(serial, table)).collect();
        steps.push(format!("DELETE FROM run WHERE item = '{serial}'"));
        let steps: Vec<&str> = steps.iter().map(String::as_str).collect();
        alter(&copy, &steps).await;
        let store = Store::open(&copy).await.expect("opens");
        let found = faults(&store).await;
        assert!(
            found
                .iter()
                .any(|fault| fault.contains("sealed run was removed")),
            "{serial}: {found:?}"
        );
        // Measuring goes on, and the gap stays.
        sealed_run(&store, "P-4", 100).await;
        let found = faults(&store).await;
        assert!(
            found
                .iter()
                .any(|fault| fault.contains("sealed run was removed")),
            "{serial}: {found:?}"
        );
    }
}

#[tokio::test]
async fn another_schema_is_noticed() {
    for (change, named) in [
        (
            "DROP TRIGGER reading_is_never_changed",
            "trigger reading_is_never_changed",
        ),
        ("DROP VIEW worst", "view worst"),
        ("CREATE TABLE more (a)", "table more"),
        (
            "CREATE TRIGGER sly AFTER INSERT ON run BEGIN DELETE FROM event; END",
            "trigger sly",
        ),
        ("DROP INDEX run_by_item", "index run_by_item"),
        (
            "UPDATE dictionary SET text = CAST('x' AS BLOB)",
            "dictionary",
        ),
        (
            "UPDATE _sqlx_migrations SET checksum = zeroblob(3) WHERE version = 1",
            "migrations",
        ),
        ("UPDATE worded SET text = 'x'", "items are not"),
        ("DELETE FROM flagged", "flags of results"),
    ] {
        let bench = Bench::new().await;
        let mut one = result(250.0, ResultKind::Measured, Some(52.0), 1);
        one.flags = vec!["near_floor".to_owned()];
        let run = sealed_run(&bench.store, "P-1", 0).await;
        bench.store.put_results(run, &[one]).await.expect("kept");
        assert_eq!(faults(&bench.store).await, Vec::<String>::new());
        run_sql(&mut bench.shell().await, change.to_owned()).await;
        let found = faults(&bench.store).await;
        assert!(
            found.iter().any(|fault| fault.contains(named)),
            "{change}: {found:?}"
        );
    }
}

#[tokio::test]
async fn an_archive_with_another_axis_or_another_trace_is_refused() {
    for (change, named) in [
        (
            "UPDATE trace SET start_hz = start_hz + 1, stop_hz = stop_hz + 1 WHERE seq = 2",
            "reading 2 is not the one",
        ),
        ("UPDATE trace SET unit = 'dBV'", "is not the one"),
        (
            "CREATE TRIGGER sly AFTER INSERT ON trace BEGIN DELETE FROM trace; END",
            "trigger sly",
        ),
    ] {
        let bench = Bench::new().await;
        let run = sealed_run(&bench.store, "P-1", 0).await;
        let archive = bench.folder.path().join("old.db");
        let pruned = bench.store.prune(at(5_000), &archive, at(9_000));
        assert_eq!(pruned.await.expect("pruned").counts.traces, 4);
        assert!(
            statement(&bench.store, run).await.holds,
            "what was moved is sealed as before"
        );
        run_sql(&mut shell(&archive).await, change.to_owned()).await;
        let said = bench
            .store
            .attach(&archive)
            .await
            .expect_err(change)
            .to_string();
        assert!(said.contains(named), "{change}: {said}");
        assert_eq!(bench.store.counts().await.expect("counted").moved_traces, 4);
    }
}

#[tokio::test]
async fn an_old_mark_without_an_axis_takes_only_a_trace_with_the_peak_of_its_reading() {
    for (moved_by, comes_back) in [(0.0, true), (1e5, false)] {
        let bench = Bench::new().await;
        let run = bench.run_of("P-1", 0).await;
        let levels = Levels::F32(
            (0..201_u8)
                .map(|n| if n == 100 { -76.0 } else { -95.0 })
                .collect(),
        );
        let mut one = super::tests::reading_of(ReadingKind::Signal, 250.0, levels);
        one.peak_hz = (one.trace.start_hz + one.trace.stop_hz) / 2.0;
        bench
            .store
            .append_reading(run, &one, None)
            .await
            .expect("kept");
        bench
            .store
            .finish(run, None, at(2))
            .await
            .expect("complete");
        let archive = bench.folder.path().join("old.db");
        bench
            .store
            .prune(at(5_000), &archive, at(9_000))
            .await
            .expect("pruned");
        alter(
            bench.store.path(),
            &["UPDATE moved_trace SET start_hz = NULL, stop_hz = NULL, encoding = NULL, unit = NULL"],
        )
        .await;
        bench.store.forge_seals().await;
        let change = format!(
            "UPDATE trace SET start_hz = start_hz + {moved_by}, stop_hz = stop_hz + {moved_by}"
        );
        run_sql(&mut shell(&archive).await, change).await;
        let back = bench.store.attach(&archive).await;
        assert_eq!(back.is_ok(), comes_back, "{back:?}");
        let said = statement(&bench.store, run).await;
        assert!(said.holds, "{said:?}");
        let reason = if comes_back {
            SealReason::Attached
        } else {
            SealReason::Migrated
        };
        assert_eq!(said.seal.expect("a seal").reason, reason);
    }
}

#[tokio::test]
async fn a_merge_leaves_the_store_as_it_was_beside_it() {
    let bench = Bench::new().await;
    sealed_run(&bench.store, "P-1", 0).await;
    let other = Store::open(&bench.folder.path().join("other.db"))
        .await
        .expect("opens");
    sealed_run(&other, "P-2", 100).await;
    let merged = bench.store.merge(other.path()).await.expect("merged");
    let backup = merged.backup.expect("a copy of before");
    assert_eq!(faults(&bench.store).await, Vec::<String>::new());
    assert_eq!(bench.store.counts().await.expect("counted").runs, 4);
    let again = bench.store.merge(other.path()).await.expect("merged again");
    assert_eq!(again.backup, None);
    let path = bench.store.path().to_owned();
    bench.store.close().await;
    Store::restore(&path, &backup, true).await.expect("undone");
    let store = Store::open(&path).await.expect("opens");
    assert_eq!(store.counts().await.expect("counted").runs, 2);
    assert_eq!(faults(&store).await, Vec::<String>::new());
    let left: Vec<_> = std::fs::read_dir(bench.folder.path())
        .expect("a folder")
        .flatten()
        .collect();
    assert!(
        left.iter()
            .all(|file| !file.file_name().to_string_lossy().contains(".merging")),
        "{left:?}"
    );
}
