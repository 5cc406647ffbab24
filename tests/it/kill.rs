//! The program is killed at random moments, or told to stop: nothing that was announced is lost, the run
//! goes on to its end, and the source is switched off before anything else is said to it.

use std::fs;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use muffle::store::{ReadingKey, RunFilter, RunId, RunKind, RunRecord, RunState, Store};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection};
use tokio::runtime::Runtime;

use crate::support::{Bench, Ended, Tap, muffle, plan};

/// How often the program is killed.
const KILLS: u32 = 50;
/// Changes every moment of killing.
const SEED: u64 = 0x6d75_666c;
/// Readings of an item's run: floor and signal at four frequencies.
const OF_ITEM: usize = 2 * 4;
/// Readings of a reference: at each frequency also one with the source a step lower.
const OF_REFERENCE: usize = 3 * 4;
/// Events of an undisturbed measuring: of each run its beginning, its placing, its readings and its end;
/// of the item also its points.
const EVENTS: usize = (3 + OF_REFERENCE) + (3 + OF_ITEM + 4);
/// The longest that anything here may take.
const PATIENCE: Duration = Duration::from_secs(60);

/// How long a keeper may take to close the log once the source is off.
const CLOSED_WITHIN: Duration = Duration::from_secs(2);

/// A bench whose source is reached through a tap.
struct Site {
    bench: Bench,
    tap: Tap,
    runtime: Runtime,
}

impl Site {
    fn new(frequencies: &[&str]) -> Self {
        let bench = Bench::start(7);
        let there = bench.addresses["source"]["tcp"]
            .as_str()
            .expect("an address");
        let tap = Tap::before(there);
        let station = bench.station_text.replace(there, &tap.address);
        bench.write("station.toml", &station);
        bench.write("plan.toml", &plan(frequencies));
        bench.shelf("B-1", 40.0);
        Self {
            bench,
            tap,
            runtime: Runtime::new().expect("a runtime"),
        }
    }

    /// `muffle measure` with a new reference, its events in a file of their own.
    fn begin(&self, events: &Path) -> Child {
        self.bench
            .measure_command("B-1")
            .arg("--fresh-reference")
            .arg("--events")
            .arg(events)
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs")
    }

    /// Looks into the database.
    fn look<R>(&self, look: impl AsyncFnOnce(&Store) -> R) -> R {
        self.runtime.block_on(async {
            let store = Store::open(&self.bench.path("muffle.db"))
                .await
                .expect("the database opens clean");
            let seen = look(&store).await;
            store.close().await;
            seen
        })
    }

    fn latest(&self) -> Option<RunRecord> {
        self.look(async |store| {
            let filter = RunFilter {
                limit: Some(1),
                ..RunFilter::default()
            };
            store.runs(&filter).await.expect("runs").pop()
        })
    }

    /// Every line that was announced is in the database, and the database is whole.
    fn nothing_is_lost(&self, announced: &[Value]) -> usize {
        self.look(async |store| {
            let integrity = store.integrity().await.expect("checked");
            assert!(integrity.faults.is_empty(), "{:?}", integrity.faults);
            let mut run: Option<RunId> = None;
            let mut readings = 0;
            for event in announced {
                match event["event"].as_str() {
                    Some("run") => {
                        let id = event["run"].as_str().expect("an id");
                        run = Some(id.parse().expect("an id"));
                    }
                    Some("reading") => {
                        let key: ReadingKey =
                            serde_json::from_value(event["key"].clone()).expect("a key");
                        let kept = store
                            .reading_with_trace(run.expect("a run before its readings"), &key)
                            .await
                            .expect("its trace is whole")
                            .unwrap_or_else(|| panic!("{key} was announced and is lost"));
                        assert_eq!(Some(kept.0.peak_dbm), event["level_dbm"].as_f64());
                        readings += 1;
                    }
                    _ => {}
                }
            }
            readings
        })
    }

    /// Emissions that the log has no end of.
    fn open_emissions(&self) -> usize {
        let open = async |store: &Store| store.open_emissions("simulated bench at Tarn End").await;
        self.look(open).expect("a log").len()
    }

    /// Waits until the keeper of the killed program has done its work; whether there was some.
    ///
    /// Where the program had seen the output off and was killed before it kept the reading, there is none, and
    /// the next start closes the log.
    fn is_off_and_closed(&self) -> bool {
        let begun = Instant::now();
        while self.bench.state()["source"]["on"] == true {
            assert!(begun.elapsed() < PATIENCE, "the source stays on");
            std::thread::sleep(Duration::from_millis(2));
        }
        let begun = Instant::now();
        while self.open_emissions() > 0 && begun.elapsed() < CLOSED_WITHIN {
            std::thread::sleep(Duration::from_millis(10));
        }
        let Some(run) = self.latest() else {
            return false;
        };
        let all = self.look(async |store| store.emissions(run.id).await.expect("a log"));
        let how = all.last().and_then(|emission| emission.how_ended.clone());
        how.is_some_and(|how| how.contains("switched off by the keeper"))
    }

    /// Goes on until an item is complete, as a person would; gives how many commands that took.
    fn go_on(&self) -> u32 {
        for command in 1..=3 {
            let ended = match self.latest() {
                Some(run) if run.state != RunState::Complete => self.bench.resume(),
                _ => self.bench.measure("B-1"),
            };
            assert_eq!(ended.code, Some(0), "{ended:#?}");
            let latest = self.latest().expect("a run");
            assert_eq!(latest.state, RunState::Complete);
            let keys = self.look(async |store| store.reading_keys(latest.id).await);
            let wanted = match latest.kind {
                RunKind::Item => OF_ITEM,
                RunKind::Reference => OF_REFERENCE,
            };
            assert_eq!(keys.expect("keys").len(), wanted);
            if latest.kind == RunKind::Item {
                return command;
            }
        }
        panic!("three commands did not lead to a complete item");
    }

    /// Nothing is on, nothing is open in the log, and off came first on every connection.
    fn is_at_rest(&self) {
        self.bench.is_off();
        assert_eq!(self.open_emissions(), 0);
        for first in self.tap.first_lines() {
            assert!(
                first.starts_with("OUTP OFF"),
                "the source first heard {first}"
            );
        }
    }
}

/// The whole lines of an events file.
fn events(path: &Path) -> Vec<Value> {
    let text = fs::read_to_string(path).unwrap_or_default();
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    let lines = whole.lines().map(serde_json::from_str);
    lines
        .collect::<Result<_, _>>()
        .expect("one JSON object a line")
}

/// Waits until so many events were announced, or the process has ended.
fn wait_for_events(process: &mut Child, path: &Path, count: usize) {
    let begun = Instant::now();
    while events(path).len() < count {
        assert!(begun.elapsed() < PATIENCE, "{count} events never came");
        if process.try_wait().expect("a child").is_some() {
            return;
        }
        std::thread::sleep(Duration::from_micros(500));
    }
}

#[test]
fn killed_at_any_moment_nothing_announced_is_lost() {
    let site = Site::new(&["100 MHz", "200 MHz", "300 MHz", "400 MHz"]);
    let mut random = StdRng::seed_from_u64(SEED);
    let (mut in_mid_run, mut in_an_emission, mut announced, mut commands) = (0, 0, 0, 0);
    for kill in 0..KILLS {
        let path = site.bench.path(&format!("events-{kill}"));
        let mut process = site.begin(&path);
        // Anywhere: before the first event, between any two, and a moment after the last.
        wait_for_events(&mut process, &path, random.random_range(0..=EVENTS));
        std::thread::sleep(Duration::from_micros(random.random_range(0..12_000)));
        process.kill().expect("killed");
        process.wait().expect("ended");

        announced += site.nothing_is_lost(&events(&path));
        in_an_emission += u32::from(site.is_off_and_closed());
        let latest = site.latest();
        in_mid_run += u32::from(latest.is_some_and(|run| run.state == RunState::Running));
        commands += site.go_on();
        site.nothing_is_lost(&events(&path));
        site.is_at_rest();
    }
    println!(
        "{KILLS} kills (seed {SEED:#x}): {in_mid_run} in the middle of a run, {in_an_emission} in an emission; \
        {announced} announced readings, none lost; all complete after {commands} further commands"
    );
    assert!(
        in_mid_run > KILLS / 4,
        "{in_mid_run} kills in the middle of a run"
    );
    assert!(in_an_emission > 0, "never killed while the source was on");
    assert!(announced > 100);
}

#[test]
fn told_to_stop_it_leaves_the_output_off_and_the_run_resumable() {
    let many: Vec<_> = (1..=60).map(|n| format!("{n} MHz")).collect();
    let many: Vec<_> = many.iter().map(String::as_str).collect();
    for signal in [Signal::INT, Signal::TERM, Signal::HUP] {
        let site = Site::new(&many);
        let path = site.bench.path("events");
        let mut process = site.begin(&path);
        wait_for_events(&mut process, &path, 9);
        kill_process(Pid::from_child(&process), signal).expect("told");
        let ended: Ended = process.wait_with_output().expect("it ends").into();
        ended.with(
            4,
            &["muffle: stopped", "Go on with:\n  muffle measure --resume "],
        );
        site.is_at_rest();
        let before = site.latest().expect("a run");
        assert_eq!(before.state, RunState::Stopped, "{signal:?}");
        let kept = site.nothing_is_lost(&events(&path));
        assert!((6..180).contains(&kept), "{kept} readings");

        site.bench
            .resume()
            .with(0, &[&format!("{} readings", 180 - kept)]);
        // Everything that was ordered is measured, what was stopped first.
        let after = site.look(async |store| store.run(before.id).await.expect("the run"));
        assert_eq!(after.state, RunState::Complete);
        site.nothing_is_lost(&events(&path));
        site.is_at_rest();
    }
}

/// Kills while a file of an earlier program is being migrated.
const KILLS_WHILE_MIGRATING: u32 = 40;

/// A database as the program of schema 2 left it.
fn of_schema_2(runtime: &Runtime, path: &Path) {
    let make = async {
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .foreign_keys(false);
        let mut made = options.connect().await?;
        sqlx::raw_sql(include_str!("../golden/schema-2.sql"))
            .execute(&mut made)
            .await?;
        made.close().await
    };
    runtime.block_on(make).expect("an old database");
}

fn schema_of(runtime: &Runtime, path: &Path) -> i64 {
    let look = async {
        let mut shell = SqliteConnectOptions::new().filename(path).connect().await?;
        let version = sqlx::query_scalar("SELECT max(version) FROM _sqlx_migrations")
            .fetch_one(&mut shell)
            .await?;
        shell.close().await?;
        Ok::<i64, sqlx::Error>(version)
    };
    runtime.block_on(look).expect("whole")
}

#[test]
fn killed_while_migrating_the_file_is_the_old_one_or_the_new_one() {
    let runtime = Runtime::new().expect("a runtime");
    let folder = tempfile::TempDir::new().expect("a folder");
    let ask = |path: &Path| {
        let mut command = muffle();
        command.args(["history", "--json", "--store"]).arg(path);
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    };
    let undisturbed = folder.path().join("undisturbed.db");
    of_schema_2(&runtime, &undisturbed);
    let begun = Instant::now();
    let wanted: Ended = ask(&undisturbed).output().expect("it runs").into();
    let took = begun.elapsed();
    let wanted = wanted.with(0, &[]).json();
    let newest = schema_of(&runtime, &undisturbed);

    let (mut still_old, mut backed_up) = (0, 0);
    for kill in 0..KILLS_WHILE_MIGRATING {
        let path = folder.path().join(format!("{kill}.db"));
        of_schema_2(&runtime, &path);
        let mut process = ask(&path).spawn().expect("it runs");
        std::thread::sleep(took * kill / KILLS_WHILE_MIGRATING);
        process.kill().expect("killed");
        process.wait().expect("ended");

        let found = schema_of(&runtime, &path);
        assert!([2, newest].contains(&found), "schema {found}");
        still_old += u32::from(found == 2);
        let backup = folder.path().join(format!("{kill}.db.before-{newest}"));
        if backup.exists() {
            backed_up += 1;
            assert_eq!(schema_of(&runtime, &backup), 2);
        } else {
            assert_eq!(found, 2, "migrated without a backup");
        }
        let said: Ended = ask(&path).output().expect("it runs").into();
        assert_eq!(said.with(0, &[]).json(), wanted);
        let integrity = runtime.block_on(async {
            let store = Store::open(&path).await.expect("opens");
            store.integrity().await.expect("checked")
        });
        assert!(integrity.faults.is_empty(), "{:?}", integrity.faults);
    }
    println!(
        "{KILLS_WHILE_MIGRATING} kills within {} ms: {still_old} files still of schema 2, {backed_up} backed up",
        took.as_millis()
    );
    assert!(still_old > 0, "never killed before it was done");
}
