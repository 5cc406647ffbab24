//! The scheduled arrangement as its users have it: the bench, the source's program and the recorder's program in
//! three processes; the recorder's clock wrong by seconds, and drifting.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Stdio};

use serde_json::Value;

use super::forecast::forecast;
use super::support::{Bench, Ended, muffle, run, within_a_fifth};

/// By how much the recorder's clock is ahead, s, and too fast, parts in a million.
const AHEAD_S: f64 = 7.3;
const PPM: f64 = 200.0;

const SETTINGS: &str = r#"
[settings]
source_level = "-10 dBm"
span = "200 kHz"
points = 201
resolution_bandwidth = "10 kHz"
attenuation = "10 dB"
detector = "peak"
sweeps = 2
settle = "5 ms"
"#;

fn scheduled(frequencies: &str, more: &str) -> String {
    format!(
        "name = \"by the clock\"\narrangement = \"scheduled\"\n[frequencies]\n{frequencies}\n{SETTINGS}\n[schedule]\nclock_uncertainty = \"20 s\"\n{more}\n"
    )
}

/// A recorder in a process of its own.
struct Inside {
    process: Child,
    said: BufReader<std::process::ChildStderr>,
}

impl Inside {
    /// Writes the schedule of the bench's plan and starts a recorder that follows it; returns when it waits for
    /// the marker.
    fn start(bench: &Bench, recordings: u32) -> Self {
        let path = |name: &str| bench.path(name).display().to_string();
        run(&[
            "record",
            "--plan",
            &path("plan.toml"),
            "--write",
            &path("schedule.json"),
        ])
        .with(0, &[]);
        let mut process = muffle()
            .args(["record", &path("schedule.json")])
            .args(["--station", &path("station.toml")])
            .args(["--store", &path("inside.db")])
            .args(["--recordings", &recordings.to_string()])
            .arg(format!("--wrong-clock={AHEAD_S},{PPM}"))
            .stderr(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .expect("the recorder starts");
        let said = BufReader::new(process.stderr.take().expect("piped"));
        let mut inside = Self { process, said };
        inside.until("waiting for the marker");
        inside
    }

    /// Reads what it says until a line has `word` in it.
    fn until(&mut self, word: &str) {
        let mut all = String::new();
        while !all.contains(word) {
            let mut line = String::new();
            let read = self.said.read_line(&mut line).expect("a line");
            assert!(read > 0, "it ended before it said {word:?}: {all}");
            all.push_str(&line);
        }
    }
}

impl Drop for Inside {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn merge(bench: &Bench, more: &[&str]) -> Ended {
    let mut command = muffle();
    command
        .args(["record", "merge"])
        .arg(bench.path("inside.db"))
        .arg("--store")
        .arg(bench.path("muffle.db"))
        .args(more);
    command.output().expect("the program runs").into()
}

/// What the clocks were found to be, against what they were.
fn check_clocks(merged: &Value) {
    let runs = merged["merged"].as_array().expect("runs");
    for pass in runs
        .iter()
        .flat_map(|run| run["passes"].as_array().expect("passes"))
    {
        let number = |name: &str| pass[name].as_f64().expect("a number");
        println!(
            "clock ahead {:.3} s ± {:.3} s, drift {:.0} ± {:.0} ppm, begun {:.3} s from its time at most, guard {:.3} s",
            number("ahead_s"),
            number("ahead_u_s"),
            number("drift_ppm"),
            number("drift_u_ppm"),
            number("misaligned_s"),
            number("guard_s")
        );
        // It was set when the process began, up to minutes before the marker.
        let since_s = 300.0 * PPM / 1e6;
        let off_s = number("ahead_s") - AHEAD_S;
        assert!(off_s > -number("ahead_u_s") - 0.05, "{pass}");
        assert!(off_s < number("ahead_u_s") + 0.05 + since_s, "{pass}");
        assert!(
            (number("drift_ppm") - PPM).abs() <= number("drift_u_ppm"),
            "{pass}"
        );
        assert!(number("misaligned_s") < number("guard_s"), "{pass}");
        assert!(number("chance") < 1e-6, "{pass}");
    }
}

#[test]
fn one_closing_gives_every_frequency_its_own_reading() {
    let bench = Bench::start_in_real_time(5);
    bench.write(
        "plan.toml",
        &scheduled(
            "list = [\"300 MHz\", \"900 MHz\"]",
            "chip = \"300 ms\"\nhands = \"2 s\"\nclock_drift = 300e-6",
        ),
    );
    let mut inside = Inside::start(&bench, 2);
    let text = std::fs::read_to_string(bench.path("plan.toml")).expect("a plan");
    let said = forecast(&bench, &text, &[]);
    let began_s = bench.clock_s();
    let sent = bench.measure("P-0042");
    let took_s = bench.clock_s() - began_s;
    // Nothing is known before the merge.
    sent.with(2, &["waits for its recording", "muffle record merge"]);
    let part = |key: &str| said["duration"][key].as_f64().expect("s");
    within_a_fifth(
        "scheduled, reference and item",
        part("reference_s") + part("item_s"),
        took_s,
    );
    inside.until("item");
    inside.process.wait().expect("it ends after two recordings");
    let latest = bench.latest();
    assert_eq!(latest["state"], "stopped", "{latest}");

    let other = Bench::start_in_real_time(5);
    let run_id = latest["run"].as_str().expect("a run");
    let refused = merge(&bench, &["--run", run_id]);
    refused.with(3, &["its reference", "is not complete"]);
    std::fs::copy(bench.path("muffle.db"), other.path("muffle.db")).expect("copied");
    std::fs::copy(empty(&other), other.path("inside.db")).expect("copied");
    merge(&other, &[]).with(3, &["marker was not found", "hands"]);

    let merged = merge(&bench, &["--json"]);
    let merged = merged.with(0, &[]).json();
    check_clocks(&merged);
    let latest = bench.latest();
    assert_eq!(latest["state"], "complete");
    let points = latest["points"].as_array().expect("points");
    assert_eq!(points.len(), 2);
    let truth = bench.ask(
        &serde_json::json!({ "do": "truth", "item": "P-0042", "face": "front",
        "polarisation": "vertical", "frequency_hz": [300e6, 900e6] }),
    );
    let truth = truth["true_se_db"].as_array().expect("dB");
    for (point, truth) in points.iter().zip(truth) {
        let (se, truth) = (
            point["se_db"].as_f64().expect("SE"),
            truth.as_f64().expect("dB"),
        );
        match point["kind"].as_str() {
            Some("measured") => {
                let allowed = point["u_db"].as_f64().expect("U") + 0.5;
                assert!((se - truth).abs() < allowed, "{se} {truth}");
            }
            _ => assert!(se < truth + 0.5, "{se} {truth}"),
        }
    }
    // Again, it changes nothing.
    merge(&bench, &[]).with(0, &["merged before"]);
    merge(&bench, &["--run", run_id]).with(0, &["complete before"]);
    assert_eq!(bench.latest(), latest);
    bench.is_off();
    // The open path, the item open, closed, and open again: one closing.
    assert_eq!(bench.state()["closings"], 4);
    run(&[
        "store",
        "check",
        "--store",
        &bench.path("muffle.db").display().to_string(),
    ])
    .with(0, &[]);
}

/// A recorder's file without a recording.
fn empty(bench: &Bench) -> std::path::PathBuf {
    let path = bench.path("empty.db");
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        let store = muffle::store::Store::open(Path::new(&path)).await;
        store.expect("a store").close().await;
    });
    path
}

/// The recorder dies in the middle: what it kept is there, refused as a whole, taken in part, and the rest is
/// sent again.
#[test]
fn a_recording_that_was_cut_off_gives_what_it_has() {
    let bench = Bench::start_in_real_time(6);
    bench.write(
        "plan.toml",
        &scheduled(
            "list = [\"300 MHz\", \"500 MHz\", \"900 MHz\"]",
            "chip = \"300 ms\"\nhands = \"0 s\"\nclock_drift = 300e-6",
        ),
    );
    let inside = Inside::start(&bench, 2);
    let mut outside = bench
        .measure_command("P-0042")
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    let mut said = BufReader::new(outside.stderr.take().expect("piped"));
    // The battery ends after the item's first frequency.
    wait_for_holds(&bench, 3);
    drop(inside);
    let mut all = String::new();
    while said.read_line(&mut all).expect("a line") > 0 {}
    assert_eq!(outside.wait().expect("it ends").code(), Some(2), "{all}");

    merge(&bench, &[]).with(3, &["second marker is missing", "--partial"]);
    let merged = merge(&bench, &["--partial", "--json"]).with(2, &["still lacks"]);
    let missing = merged.json()["merged"]
        .as_array()
        .expect("runs")
        .last()
        .expect("one")["missing"]
        .clone();
    assert!(
        (1..6).contains(&missing.as_u64().expect("a count")),
        "{missing}"
    );
    let latest = bench.latest();
    assert_eq!(latest["state"], "stopped", "{latest}");

    let mut inside = Inside::start(&bench, 1);
    bench.resume().with(2, &["waits for its recording"]);
    inside.process.wait().expect("it ends after one recording");
    merge(&bench, &[]).with(0, &[]);
    let latest = bench.latest();
    assert_eq!(latest["state"], "complete");
    assert_eq!(latest["points"].as_array().expect("points").len(), 3);
}

/// A daemon that serves the station, until it is dropped.
struct Served(Child);

impl Served {
    fn start(bench: &Bench) -> Self {
        let store = bench.path("muffle.db");
        let process = muffle()
            .args(["serve", "--store"])
            .arg(&store)
            .arg("--station")
            .arg(bench.path("station.toml"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the daemon starts");
        let served = Self(process);
        // A minute: far longer than a process takes to start.
        for _ in 0..600 {
            if muffle::daemon::Presence::of(&store).is_some() {
                return served;
            }
            std::thread::sleep(std::time::Duration::from_millis(100));
        }
        panic!("the daemon never served");
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The recorder has the receiver before the daemon looks for it, and keeps it.
#[test]
fn a_daemon_sends_what_a_recorder_hears() {
    let bench = Bench::start_in_real_time(7);
    let by = "chip = \"300 ms\"\nhands = \"0 s\"\nclock_drift = 300e-6";
    bench.write("plan.toml", &scheduled("list = [\"300 MHz\"]", by));
    let mut inside = Inside::start(&bench, 2);
    let daemon = Served::start(&bench);
    let sent = bench.measure("P-0042");
    sent.with(2, &["serves this station", "waits for its recording"]);
    inside.process.wait().expect("it ends after two recordings");
    drop(daemon);
    let merged = merge(&bench, &["--json"]);
    check_clocks(&merged.with(0, &[]).json());
    assert_eq!(bench.latest()["state"], "complete");
    bench.is_off();
}

fn wait_for_holds(bench: &Bench, count: u32) {
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        let path = bench.path("inside.db");
        let store = muffle::store::Store::open_read_only(&path)
            .await
            .expect("a store");
        // Two minutes: far longer than the reference and the beginning of the item.
        for _ in 0..6000 {
            let recordings = store.recordings().await.expect("recordings");
            if recordings.get(1).is_some_and(|item| item.holds >= count) {
                return;
            }
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
        panic!("the recorder kept no {count} holds");
    });
}

#[test]
#[ignore = "takes five minutes of real time; prints a table"]
fn thirty_one_frequencies_in_one_closing_agree_with_the_linked_run() {
    let bench = Bench::start_in_real_time(11);
    let frequencies = "start = \"30 MHz\"\nstop = \"1 GHz\"\nper_decade = 20";
    let more = "hands = \"3 s\"\nclock_drift = 300e-6";
    bench.write("plan.toml", &scheduled(frequencies, more));
    let _inside = Inside::start(&bench, 2);
    let sent: Ended = bench
        .measure_command("P-0043")
        .arg("--recording")
        .arg(bench.path("inside.db"))
        .output()
        .expect("the program runs")
        .into();
    sent.with(0, &[]);
    let by_schedule = bench.latest();
    let linked = format!("name = \"linked\"\n[frequencies]\n{frequencies}\n{SETTINGS}");
    bench.write("plan.toml", &linked);
    let measured = bench.measure("P-0043");
    measured.with(0, &[]);
    agree(&by_schedule, &bench.latest());
}

fn agree(by_schedule: &Value, linked: &Value) {
    let points = |run: &Value| run["points"].as_array().expect("points").clone();
    let (a, b) = (points(by_schedule), points(linked));
    assert_eq!((a.len(), b.len()), (31, 31));
    let (mut compared, mut beyond) = (0, 0);
    println!(
        "{:>9} {:>8} {:>8} {:>7} {:>5}",
        "MHz", "scheduled", "linked", "apart", "U"
    );
    for (a, b) in a.iter().zip(&b) {
        assert_eq!(a["frequency_hz"], b["frequency_hz"]);
        let number = |point: &Value, name: &str| point[name].as_f64();
        let apart = number(a, "se_db").expect("SE") - number(b, "se_db").expect("SE");
        let u = |point| number(point, "u_db").unwrap_or(0.0);
        let u = f64::hypot(u(a), u(b));
        let is = |point: &Value| point["kind"] == "measured";
        compared += u32::from(is(a) && is(b));
        let agree = match (is(a), is(b)) {
            (true, true) => apart.abs() <= u,
            (false, true) => apart <= u,
            (true, false) => -apart <= u,
            (false, false) => true,
        };
        beyond += u32::from(!agree);
        println!(
            "{:>9.3} {:>8.2} {:>8.2} {:>7.2} {:>5.2} {}",
            number(a, "frequency_hz").expect("Hz") / 1e6,
            number(a, "se_db").expect("SE"),
            number(b, "se_db").expect("SE"),
            apart,
            u,
            if agree { "" } else { "BEYOND" }
        );
    }
    println!(
        "one closing; {compared} measured in both; {beyond} of 31 further apart than their uncertainty"
    );
    assert!(compared >= 20, "{compared}");
    // Intervals of 95 %: two of 31 may miss.
    assert!(beyond <= 2, "{beyond}");
}

#[test]
fn a_recorder_beside_the_frequency_is_heard_in_two_closures_of_five_presses() {
    let bench = Bench::start_in_real_time(8);
    bench.shelf("LEAKY", 25.0);
    // Five parts in a million of 2.4 GHz are 12 kHz, more than a filter of 3 kHz lets through.
    let fault = serde_json::json!({ "fault": "receiver_clock", "ppm": 5.0 });
    bench.ask(&serde_json::json!({ "do": "plant", "faults": [fault] }));
    let text = scheduled(
        "list = [\"2.4 GHz\"]",
        "chip = \"300 ms\"\nhands = \"1 s\"\nclock_drift = 300e-6",
    );
    let text = text.replace("\"10 kHz\"", "\"3 kHz\"");
    bench.write("plan.toml", &format!("repeats = 2\n{text}"));
    let text = &bench.station_text;
    let stated = "frequency_tolerance = 6e-6";
    let text = text.replace("frequency_tolerance = 1e-6", stated);
    bench.write("station.toml", &text);
    let mut inside = Inside::start(&bench, 3);
    bench.measure("LEAKY").with(2, &["waits for its recording"]);
    inside
        .process
        .wait()
        .expect("it ends after three recordings");
    // The open path; the item open, closed, open, closed, open.
    assert_eq!(bench.state()["closings"], 6);
    let inside = std::fs::read(bench.path("inside.db")).expect("the recorder's file");
    merge(&bench, &[]).with(0, &[]);
    let run = bench.latest();
    let number = |key: &str| run["points"][0][key].as_f64().expect("a number");
    assert!((number("se_db") - 25.0).abs() < number("u_db"), "{run}");
    // Each recording is named, with its file and its clock.
    let merges = run["merges"].as_array().expect("merges");
    assert_eq!(merges.len(), 2, "{run}");
    let digest = muffle::store::sha256_hex(&inside);
    for merge in merges {
        assert_eq!(
            (&merge["file"], &merge["sha256"]),
            (&"inside.db".into(), &digest.clone().into())
        );
        let drift = merge["clock_drift_ppm"].as_f64().expect("a drift");
        assert!(
            (drift - PPM).abs() <= merge["clock_drift_u_ppm"].as_f64().expect("its u"),
            "{merge}"
        );
    }
    let said = crate::support::show(&bench.path("muffle.db"), &[]).out;
    assert!(
        said.contains("recorded front, vertical, repeat 2: inside.db (SHA-256"),
        "{said}"
    );
}
