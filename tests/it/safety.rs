//! Nothing stays on: not when the program is killed, hangs or is stopped by force, not when a person calls for a
//! stop, not when the interlock opens.
//!
//! When the output went off is read from the bench's own clock, through its control port.

use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use muffle::station::{Owner, owners, stop_owner};
use muffle::store::{RunFilter, RunRecord, RunState, Store};
use rustix::process::{Pid, Signal, getpgid, kill_process};
use serde_json::{Value, json};
use tokio::runtime::Runtime;

use crate::support::{Bench, Ended, Tap, muffle, plan};

/// How long each answer of the receiver takes, so that the output is on most of the time.
const DELAY_MS: u64 = 250;
/// The longest that anything here may take.
const PATIENCE: Duration = Duration::from_secs(60);
/// The station's name in the file that the bench writes.
const STATION: &str = "simulated bench at Tarn End";

/// A bench with a slow receiver, so that the output is on for long enough to be met.
struct Site {
    bench: Bench,
    runtime: Runtime,
}

impl Site {
    fn new() -> Self {
        Self::with(str::to_owned)
    }

    /// `edit` changes the station file.
    fn with(edit: impl Fn(&str) -> String) -> Self {
        Self::at(Bench::start(11), edit)
    }

    fn at(bench: Bench, edit: impl Fn(&str) -> String) -> Self {
        bench.write("station.toml", &edit(&bench.station_text));
        bench.write("plan.toml", &plan(&["100 MHz", "200 MHz"]));
        bench.shelf("B-1", 40.0);
        let slow = json!({ "do": "fault", "on": "receiver", "delay_ms": DELAY_MS });
        bench.ask(&slow);
        Self {
            bench,
            runtime: Runtime::new().expect("a runtime"),
        }
    }

    /// `muffle measure` with a new reference.
    fn begin(&self) -> Child {
        self.bench
            .measure_command("B-1")
            .arg("--fresh-reference")
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs")
    }

    /// Begins and waits until the output is on.
    fn transmit(&self) -> Child {
        let mut process = self.begin();
        self.wait_until_on(&mut process);
        process
    }

    fn wait_until_on(&self, process: &mut Child) {
        wait_until("on", || {
            assert!(process.try_wait().expect("a child").is_none(), "it ended");
            self.is_on()
        });
    }

    fn is_on(&self) -> bool {
        self.bench.state()["source"]["on"] == true
    }

    /// Waits until the output is off; gives the time from `since` until it went off by the bench's clock.
    fn off_after_ms(&self, since: Instant) -> f64 {
        loop {
            let state = self.bench.state();
            let asked_ms = since.elapsed().as_secs_f64() * 1e3;
            if state["source"]["on"] == false {
                let ago_ms = state["source"]["switched_ms_ago"].as_f64().expect("a time");
                return asked_ms - ago_ms;
            }
            assert!(since.elapsed() < PATIENCE, "the source stays on");
            std::thread::sleep(Duration::from_millis(2));
        }
    }

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

    fn latest(&self) -> RunRecord {
        let filter = RunFilter {
            limit: Some(1),
            ..RunFilter::default()
        };
        let runs = self.look(async |store| store.runs(&filter).await.expect("runs"));
        runs.into_iter().next().expect("a run")
    }

    /// How the last emission of the latest run ended.
    fn how_the_last_ended(&self) -> Option<String> {
        let run = self.latest().id;
        let all = self.look(async |store| store.emissions(run).await.expect("a log"));
        all.last().expect("an emission").how_ended.clone()
    }

    /// Waits until the log says how the last emission ended.
    fn ended_in_the_log(&self) -> String {
        let begun = Instant::now();
        loop {
            if let Some(how) = self.how_the_last_ended() {
                return how;
            }
            assert!(begun.elapsed() < PATIENCE, "the emission stays open");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn owner(&self, process: &Child) -> Owner {
        let all = owners();
        let own = all.into_iter().find(|owner| owner.pid == process.id());
        own.expect("an owner")
    }

    /// Calls for a stop as `muffle stop` does; gives when the output went off, and what was answered.
    fn stop(&self, process: &Child) -> (f64, Value) {
        let owner = self.owner(process);
        let begun = Instant::now();
        let report = self.runtime.block_on(stop_owner(&owner, "a test"));
        let report = serde_json::to_value(report.expect("a keeper")).expect("JSON");
        (self.off_after_ms(begun), report)
    }
}

fn signal(process: &Child, signal: Signal) {
    kill_process(Pid::from_child(process), signal).expect("told");
}

fn ended(process: Child) -> Ended {
    process.wait_with_output().expect("it ends").into()
}

/// The keeper beside a process: its only child that runs `keeper`.
fn keeper_of(process: &Child) -> Pid {
    let id = process.id();
    let mut all: Vec<i32> = Vec::new();
    for task in std::fs::read_dir(format!("/proc/{id}/task")).expect("tasks") {
        let children = task.expect("a task").path().join("children");
        let text = std::fs::read_to_string(children).unwrap_or_default();
        all.extend(
            text.split_whitespace()
                .filter_map(|pid| pid.parse::<i32>().ok()),
        );
    }
    let is_keeper = |pid: &i32| {
        let words = std::fs::read(format!("/proc/{pid}/cmdline")).unwrap_or_default();
        words.ends_with(b"\0keeper\0")
    };
    let pid = all.into_iter().find(is_keeper).expect("a keeper");
    Pid::from_raw(pid).expect("a process id")
}

fn quantiles(name: &str, mut times_ms: Vec<f64>) -> f64 {
    times_ms.sort_by(f64::total_cmp);
    let at = |part: f64| times_ms[((times_ms.len() - 1) as f64 * part).round() as usize];
    println!(
        "{name}, {} times: median {:.1} ms, 90 % {:.1} ms, longest {:.1} ms",
        times_ms.len(),
        at(0.5),
        at(0.9),
        at(1.0)
    );
    at(1.0)
}

/// The program is killed while it transmits, `times` times.
fn kills(times: usize) {
    let site = Site::new();
    let mut off_ms = Vec::new();
    for _ in 0..times {
        let mut process = site.transmit();
        let killed = Instant::now();
        process.kill().expect("killed");
        off_ms.push(site.off_after_ms(killed));
        process.wait().expect("ended");
        let how = site.ended_in_the_log();
        assert!(how.contains("switched off by the keeper"), "{how}");
    }
    let longest = quantiles("kill -9 to output off", off_ms);
    assert!(longest < 1000.0, "{longest} ms");
}

#[test]
fn a_killed_program_leaves_the_source_off() {
    kills(5);
}

/// The last word of a killed program comes after its keeper has seen the source off.
#[test]
fn a_word_that_comes_late_is_undone() {
    let site = Site::new();
    let source = site.bench.addresses["source"]["tcp"].as_str().expect("TCP");
    let tap = Tap::holding(source, "OUTP ON");
    let station = site.bench.station_text.replace(source, &tap.address);
    site.bench.write("station.toml", &station);
    let mut process = site.begin();
    wait_until("an output is about to go on", || tap.has_held());
    process.kill().expect("killed");
    process.wait().expect("ended");
    let how = site.ended_in_the_log();
    assert!(how.contains("switched off by the keeper"), "{how}");
    assert!(!site.is_on());
    tap.let_go();
    wait_until("the word has come", || site.is_on());
    let on = Instant::now();
    let off_ms = site.off_after_ms(on);
    println!("a late word to output off: {off_ms:.0} ms");
    assert!(off_ms < 4000.0, "{off_ms} ms");
}

#[test]
fn a_word_that_comes_late_to_the_next_program_is_undone() {
    let site = Site::new();
    let source = site.bench.addresses["source"]["tcp"].as_str().expect("TCP");
    let tap = Tap::holding(source, "OUTP ON");
    let station = site.bench.station_text.replace(source, &tap.address);
    site.bench.write("station.toml", &station);
    let mut process = site.begin();
    wait_until("an output is about to go on", || tap.has_held());
    process.kill().expect("killed");
    process.wait().expect("ended");
    let mut next = muffle()
        .args(["bench", "check", "--station"])
        .arg(site.bench.path("station.toml"))
        .arg("--store")
        .arg(site.bench.path("muffle.db"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program runs");
    wait_until("it owns the source", || {
        owners().iter().any(|owner| owner.pid == next.id())
    });
    // Until it has relieved the keeper and said off for the first time, and before it does so for the last.
    std::thread::sleep(Duration::from_millis(500));
    tap.let_go();
    wait_until("the word has come", || site.is_on());
    let on = Instant::now();
    let off_ms = site.off_after_ms(on);
    println!("a late word to output off, by the next program: {off_ms:.0} ms");
    assert!(off_ms < 2000.0, "{off_ms} ms");
    next.wait().expect("ended");
}

fn wait_until(what: &str, mut is: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !is() {
        assert!(begun.elapsed() < PATIENCE, "never: {what}");
        std::thread::sleep(Duration::from_millis(2));
    }
}

#[test]
#[ignore = "a hundred kills take minutes"]
fn a_hundred_kills() {
    kills(100);
}

/// A person calls for a stop while the program transmits.
fn stops(times: usize) {
    let site = Site::new();
    let mut off_ms = Vec::new();
    for _ in 0..times {
        let process = site.transmit();
        let (after_ms, report) = site.stop(&process);
        assert_eq!(report["confirmed_off"], true, "{report}");
        off_ms.push(after_ms);
        ended(process).with(4, &["muffle: stopped", "Go on with:"]);
        assert_eq!(site.latest().state, RunState::Stopped);
        let how = site.ended_in_the_log();
        assert!(how.contains("stop"), "{how}");
    }
    let longest = quantiles("stop to output off", off_ms);
    assert!(longest < 1000.0, "{longest} ms");
}

#[test]
fn a_call_to_stop_is_obeyed() {
    stops(3);
}

#[test]
#[ignore = "fifty runs take a minute"]
fn fifty_stops() {
    stops(50);
}

/// A person calls for a stop while the program cannot do anything.
fn stops_of_the_hung(times: usize) {
    let site = Site::new();
    let mut off_ms = Vec::new();
    for _ in 0..times {
        let process = site.transmit();
        signal(&process, Signal::STOP);
        let (after_ms, report) = site.stop(&process);
        assert_eq!(report["by"], "the keeper", "{report}");
        off_ms.push(after_ms);
        signal(&process, Signal::CONT);
        ended(process).with(4, &["muffle: "]);
        let how = site.ended_in_the_log();
        assert!(how.contains("stop"), "{how}");
        assert!(!site.is_on());
    }
    let longest = quantiles("stop of a hung program to output off", off_ms);
    assert!(longest < 1000.0, "{longest} ms");
}

#[test]
fn a_hung_program_is_stopped_all_the_same() {
    stops_of_the_hung(2);
}

/// A hung program holds the only connection that its source takes: nobody reaches the source, and whoever calls for
/// a stop is told what helps.
#[test]
fn a_hung_program_that_holds_the_source_is_named() {
    let site = Site::at(Bench::start_for_one_client(11), str::to_owned);
    let mut process = site.transmit();
    signal(&process, Signal::STOP);
    let station = site.bench.path("station.toml").display().to_string();
    let stop = muffle().args(["stop", "--station", &station]).output();
    let said = Ended::from(stop.expect("it runs")).with(4, &[]);
    let kill = format!("kill -9 {}", process.id());
    for words in ["SWITCH THE SOURCE OFF BY HAND", &kill] {
        assert!(said.out.contains(words), "{words}: {said:?}");
    }
    assert!(site.is_on());
    let killed = Instant::now();
    process.kill().expect("killed");
    let off_ms = site.off_after_ms(killed);
    println!("kill -9 of the one that held the source to output off: {off_ms:.0} ms");
    assert!(off_ms < 1000.0, "{off_ms} ms");
    process.wait().expect("ended");
    let how = site.ended_in_the_log();
    assert!(how.contains("switched off by the keeper"), "{how}");
}

#[test]
#[ignore = "fifty runs take a minute"]
fn fifty_stops_of_the_hung() {
    stops_of_the_hung(50);
}

#[test]
fn the_command_stops_by_name_by_file_and_says_what_it_did() {
    let site = Site::with(|text| text.replace(STATION, "bench for stopping"));
    let process = site.transmit();
    let pid = process.id().to_string();
    let stop = |arguments: &[&str]| -> Ended {
        let mut command = muffle();
        command.arg("stop").args(arguments);
        command.output().expect("it runs").into()
    };
    stop(&["no such bench"]).with(3, &["`no such bench`", "--station"]);
    let said = stop(&["bench for stopping"]).with(0, &[]);
    assert!(said.out.contains("output confirmed off after"), "{said:?}");
    assert!(said.out.contains(&pid), "{said:?}");
    ended(process).with(4, &["muffle: stopped"]);

    // Nobody owns it any more, and somebody has switched it on at its front panel.
    let station = site.bench.path("station.toml").display().to_string();
    let source = site.bench.addresses["source"]["tcp"].as_str().expect("TCP");
    let source = source.strip_prefix("tcp://").expect("TCP");
    let mut panel = std::net::TcpStream::connect(source).expect("the source");
    std::io::Write::write_all(&mut panel, b"OUTP ON\n").expect("said");
    let begun = Instant::now();
    while !site.is_on() {
        assert!(begun.elapsed() < PATIENCE);
    }
    let said = stop(&["--json", "--station", &station]).with(0, &[]).json();
    assert_eq!(said["stopped"][0]["confirmed_off"], true, "{said}");
    assert_eq!(said["stopped"][0]["by"], "this command", "{said}");
    assert!(!site.is_on());

    site.bench.ask(&json!({ "do": "stop" }));
    let said = stop(&["--station", &station]).with(4, &[]);
    assert!(
        said.out.contains("SWITCH THE SOURCE OFF BY HAND"),
        "{said:?}"
    );
}

#[test]
fn a_hung_program_is_noticed_by_its_keeper() {
    let site = Site::with(|text| text.replace("[safety]\n", "[safety]\nbeat_max = \"300 ms\"\n"));
    let process = site.transmit();
    let hung = Instant::now();
    signal(&process, Signal::STOP);
    let after_ms = site.off_after_ms(hung);
    println!("hung to output off: {after_ms:.0} ms");
    // The limit, and the second that the program has to act by itself.
    assert!(after_ms < 5000.0, "{after_ms} ms");
    signal(&process, Signal::CONT);
    // The reading that went on without its signal is not kept.
    let before = site.latest();
    let said = ended(process);
    assert_eq!(said.code, Some(4), "{said:#?}");
    assert_eq!(site.latest().id, before.id);
    assert_ne!(site.ended_in_the_log(), "measured");
}

#[test]
fn without_a_keeper_nothing_is_emitted_until_there_is_another() {
    let site = Site::new();
    let process = site.transmit();
    let keeper = keeper_of(&process);
    let program = Pid::from_child(&process);
    let group = |pid| getpgid(Some(pid)).expect("a group");
    assert_ne!(group(keeper), group(program), "Ctrl-C would reach both");
    // What the terminal or the service manager says is for the program.
    for word in [Signal::INT, Signal::TERM, Signal::HUP, Signal::QUIT] {
        kill_process(keeper, word).expect("told");
    }
    std::thread::sleep(Duration::from_millis(50));
    assert_eq!(keeper_of(&process), keeper, "it is still there");

    kill_process(keeper, Signal::KILL).expect("told");
    let said = ended(process);
    said.with(
        0,
        &["once more, because the keeper beside this process ended"],
    );
    assert!(!site.is_on());
    assert_eq!(site.latest().state, RunState::Complete);
}

#[test]
fn two_programs_cannot_own_one_station() {
    let site = Site::new();
    let process = site.transmit();
    let pid = format!("process {}", process.id());
    let refused = site.bench.measure("B-1");
    refused.with(4, &["the source at tcp://", &pid, "measure", "muffle stop"]);
    signal(&process, Signal::KILL);
    ended(process);
    // The lock has gone with it.
    site.bench
        .ask(&json!({ "do": "fault", "on": "receiver", "delay_ms": 0 }));
    site.bench.measure("B-1").with(0, &[]);
}

/// The station with a contact that is a file.
fn with_contact(name: &Path) -> impl Fn(&str) -> String {
    let contact = format!("\n[interlock]\ncontact = \"file://{}\"\n", name.display());
    move |text| format!("{text}{contact}")
}

/// The interlock opens while the program transmits.
fn interlocks(times: usize) {
    let folder = tempfile::TempDir::new().expect("a folder");
    let door = folder.path().join("door");
    std::fs::write(&door, "1").expect("closed");
    let site = Site::with(with_contact(&door));
    let mut off_ms = Vec::new();
    for _ in 0..times {
        std::fs::write(&door, "1").expect("closed");
        let process = site.transmit();
        let opened = Instant::now();
        std::fs::write(&door, "0").expect("open");
        off_ms.push(site.off_after_ms(opened));
        ended(process).with(4, &["the interlock is open", "Go on with:"]);
        assert_eq!(site.latest().state, RunState::Stopped);
        let how = site.ended_in_the_log();
        assert!(how.contains("the interlock is open"), "{how}");
    }
    let longest = quantiles("interlock to output off", off_ms);
    assert!(longest < 1000.0, "{longest} ms");

    // Nothing goes on while it is open, and all goes on once it is closed.
    let before = site.bench.state()["emissions"].clone();
    site.bench.resume().with(4, &["the interlock is open"]);
    std::fs::remove_file(&door).expect("removed");
    site.bench.resume().with(4, &["counts as open"]);
    assert_eq!(site.bench.state()["emissions"], before);
    std::fs::write(&door, "1").expect("closed");
    site.bench
        .ask(&json!({ "do": "fault", "on": "receiver", "delay_ms": 0 }));
    site.bench.resume().with(0, &[]);
    assert_eq!(site.latest().state, RunState::Complete);
    let log = site.look(async |store| store.interlock_log(STATION, 1000).await.expect("a log"));
    assert!(log.iter().filter(|change| !change.closed).count() >= times);
    assert!(log.iter().filter(|change| change.closed).count() >= times);
}

#[test]
fn an_open_interlock_ends_an_emission() {
    interlocks(2);
}

#[test]
#[ignore = "fifty runs take a minute"]
fn fifty_interlocks() {
    interlocks(50);
}

#[test]
fn off_is_said_first_on_every_connection_that_takes_the_place_of_another() {
    let bench = Bench::start(12);
    let there = bench.addresses["source"]["tcp"].as_str().expect("TCP");
    let tap = Tap::before(there);
    bench.write(
        "station.toml",
        &bench.station_text.replace(there, &tap.address),
    );
    let many: Vec<_> = (1..=30).map(|n| format!("{n} MHz")).collect();
    let many: Vec<_> = many.iter().map(String::as_str).collect();
    bench.write("plan.toml", &plan(&many));
    bench.shelf("B-1", 40.0);
    let mut process = bench
        .measure_command("B-1")
        .stderr(Stdio::null())
        .stdout(Stdio::null())
        .spawn()
        .expect("the program runs");
    let begun = Instant::now();
    let mut drops = 0;
    while process.try_wait().expect("a child").is_none() {
        assert!(begun.elapsed() < PATIENCE);
        // Not while the station is opened, which a lost connection ends, and seldom enough for each reading to
        // have attempts left.
        if bench.state()["emissions"].as_u64() > Some(10 * (drops + 1)) {
            bench.ask(&json!({ "do": "fault", "on": "source", "drop": true }));
            drops += 1;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    bench.is_off();
    let first = tap.first_lines();
    assert!(
        drops > 2 && first.len() > 3,
        "{drops} drops, {} connections",
        first.len()
    );
    for line in first {
        assert!(
            line.starts_with("OUTP OFF"),
            "the source first heard {line}"
        );
    }
}
