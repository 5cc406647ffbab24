//! The open path proves itself: it is looked at again, held against the last one, and tells bursts from compression; and a
//! command that was cut off goes on with all it had to do.

use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::support::{Bench, Ended, muffle, plan};

/// How long anything may take before a test fails.
const PATIENCE: Duration = Duration::from_secs(60);

/// A plan that looks at the reference again, as one does that says nothing about it.
fn looks(frequencies: &[&str]) -> String {
    plan(frequencies).replace("bracket = \"none\"\n", "")
}

fn measured(bench: &Bench, more: &[&str]) -> Ended {
    let mut command = bench.measure_command("X-1");
    let ended = command
        .current_dir(bench.folder.path())
        .arg("--json")
        .args(more);
    ended.output().expect("the program runs").into()
}

fn runs(ended: &Ended) -> Vec<Value> {
    ended.json()["runs"].as_array().expect("runs").clone()
}

fn words(point: &Value) -> String {
    point["flags"].to_string()
}

#[test]
fn a_reference_is_looked_at_again_at_five_frequencies() {
    let bench = Bench::start(101);
    let seven = [
        "110 MHz", "150 MHz", "200 MHz", "300 MHz", "433 MHz", "700 MHz", "1 GHz",
    ];
    bench.write("plan.toml", &looks(&seven));
    bench.shelf("X-1", 40.0);
    let ended = measured(&bench, &[]).with(0, &[]);
    let all = runs(&ended);
    let kinds: Vec<_> = all
        .iter()
        .map(|run| run["kind"].as_str().unwrap_or(""))
        .collect();
    assert_eq!(kinds, ["reference", "item", "reference"]);
    let check = &all[1]["reference_check"];
    assert_eq!(check["run"], all[2]["run"]);
    assert_eq!(check["points"], 5);
    assert!(
        check["largest_change_db"]
            .as_f64()
            .is_some_and(|db| db.abs() < 1.0),
        "{check}"
    );
    let at: Vec<_> = all[2]["points"]
        .as_array()
        .expect("points")
        .iter()
        .map(|point| point["frequency_hz"].as_f64().expect("Hz") / 1e6)
        .collect();
    assert_eq!(at, [110.0, 200.0, 300.0, 700.0, 1000.0]);
    assert!(
        all[1]["notes"].to_string().contains("looked at again"),
        "{}",
        all[1]["notes"]
    );
    // What people ask for as the latest is still the item.
    assert_eq!(bench.latest()["item"], "X-1");
    // A look at a few frequencies is no reference for the next item.
    let again = runs(&measured(&bench, &[]).with(0, &["used again"]));
    assert_eq!(again[0]["reference_run"], all[0]["run"]);
}

#[test]
fn without_a_look_it_is_said() {
    let bench = Bench::start(102);
    bench.write("plan.toml", &plan(&["200 MHz"]));
    bench.shelf("X-1", 40.0);
    let all = runs(&measured(&bench, &[]).with(0, &[]));
    assert_eq!(all.len(), 2);
    assert_eq!(all[1]["reference_check"], Value::Null);
    assert!(
        all[1]["notes"]
            .to_string()
            .contains("was not looked at again")
    );
}

#[test]
fn a_reference_that_changed_by_more_than_three_decibels_leaves_no_verdict() {
    let bench = Bench::start(103);
    // From the second time that the path is open on, the receiver reads several decibels low.
    bench.place_by(
        "put \"$1\" \"$2\"\nif [ \"$2\" = open ]; then echo >> opened; fi\n\
         if [ \"$(wc -l < opened)\" = 2 ]; then \"$muffle\" sim ask $control \
         '{\"do\":\"fault\",\"on\":\"receiver\",\"compression_dbm\":-45}'; fi\n",
    );
    bench.write("plan.toml", &looks(&["200 MHz", "433 MHz"]));
    bench.shelf("X-1", 40.0);
    let ended = measured(&bench, &[]).with(2, &["measure the items again"]);
    let all = runs(&ended);
    let run = &all[1];
    assert_eq!(run["verdict"], "undecided", "{run}");
    for point in run["points"].as_array().expect("points") {
        assert!(words(point).contains("reference_unstable"), "{point}");
        // The number stands.
        assert_eq!(point["kind"], "measured", "{point}");
    }
}

#[test]
fn a_reference_taken_through_an_item_is_refused_before_any_item() {
    let bench = Bench::start(104);
    bench.place_by("if [ -e blocked ]; then put X-1 closed; else put \"$1\" \"$2\"; fi\n");
    bench.write(
        "plan.toml",
        &looks(&["200 MHz", "433 MHz", "700 MHz", "1 GHz"]),
    );
    bench.shelf("X-1", 40.0);
    measured(&bench, &[]).with(0, &[]);
    let before = bench.latest()["run"].clone();
    bench.write("blocked", "");
    let ended = measured(&bench, &["--fresh-reference"])
        .with(4, &["dB below the last one", "is the path open"]);
    assert!(!ended.err.contains("--resume"), "{ended:#?}");
    assert_eq!(
        bench.latest()["run"],
        before,
        "nothing was measured after it"
    );
    // Once the path is open, it goes on as if nothing had been.
    std::fs::remove_file(bench.path("blocked")).expect("removed");
    measured(&bench, &["--fresh-reference"]).with(0, &[]);
}

#[test]
fn a_first_reference_taken_through_an_item_leaves_no_verdict() {
    let bench = Bench::start(105);
    bench.place_by("put X-1 closed\n");
    bench.write("plan.toml", &looks(&["433 MHz", "700 MHz", "1 GHz"]));
    bench.shelf("X-1", 55.0);
    let ended = measured(&bench, &[]).with(2, &["is the path open"]);
    let all = runs(&ended);
    for point in all[1]["points"].as_array().expect("points") {
        assert!(words(point).contains("reference_implausible"), "{point}");
        assert_ne!(point["verdict"], "pass", "{point}");
    }
    // And the item is as good as none.
    assert!(
        all[1]["notes"].to_string().contains("in place and closed"),
        "{}",
        all[1]["notes"]
    );
}

/// Waits until the events file has a line with all of `words`.
fn await_event(file: &Path, words: &[&str], count: usize) {
    let begun = Instant::now();
    loop {
        let text = std::fs::read_to_string(file).unwrap_or_default();
        let found = text
            .lines()
            .filter(|line| words.iter().all(|word| line.contains(word)));
        if found.count() >= count {
            return;
        }
        assert!(
            begun.elapsed() < PATIENCE,
            "{words:?} did not happen: {text}"
        );
        std::thread::sleep(Duration::from_millis(1));
    }
}

#[test]
fn another_signal_that_begins_after_the_floor_is_not_taken_for_compression() {
    let bench = Bench::start_in_real_time(106);
    // The signal waits long enough after the floor for the station to begin.
    let slow = plan(&["433 MHz"]).replace("settle = \"1 ms\"", "settle = \"400 ms\"");
    bench.write("plan.toml", &slow);
    bench.shelf("X-1", 40.0);
    let events = bench.path("events.jsonl");
    let mut command = bench.measure_command("X-1");
    let measuring = command
        .arg("--json")
        .arg("--events")
        .arg(&events)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    await_event(&events, &["\"reading\"", "\"floor\""], 1);
    let station = json!({ "frequency_hz": 433e6, "level_dbm": -8.0, "deviation_hz": 100.0 });
    bench.ask(&json!({ "do": "ambient", "plant": station }));
    let ended: Ended = measuring.wait_with_output().expect("ended").into();
    let all = runs(&ended);
    let run = all
        .iter()
        .find(|run| run["kind"] == "item")
        .expect("an item");
    let flags = words(&run["points"][0]);
    assert!(flags.contains("transient_in_hold"), "{run}");
    assert!(!flags.contains("compression"), "{run}");
    assert_ne!(run["verdict"], "pass", "{run}");
}

fn three_items(bench: &Bench) -> std::process::Command {
    let mut items = String::new();
    for serial in ["A-1", "A-2", "A-3"] {
        bench.shelf(serial, 40.0);
        items += &format!("[[item]]\nserial = \"{serial}\"\n");
    }
    bench.write("items.toml", &items);
    bench.write("plan.toml", &looks(&["200 MHz", "433 MHz", "700 MHz"]));
    let mut command = muffle();
    command
        .arg("measure")
        .arg(bench.path("plan.toml"))
        .arg("--items")
        .arg(bench.path("items.toml"))
        .arg("--station")
        .arg(bench.path("station.toml"))
        .arg("--store")
        .arg(bench.path("muffle.db"));
    command
}

#[test]
fn a_batch_that_was_killed_goes_on_as_a_batch() {
    let bench = Bench::start(107);
    let events = bench.path("events.jsonl");
    let mut command = three_items(&bench);
    let mut measuring = command
        .arg("--events")
        .arg(&events)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program runs");
    // The reference, the first item, and one reading of the second.
    await_event(&events, &["\"finished\"", "A-1"], 1);
    await_event(&events, &["\"run\"", "A-2"], 1);
    measuring.kill().expect("killed");
    measuring.wait().expect("gone");
    let mut command = muffle();
    let ended: Ended = command
        .args(["measure", "--json", "--resume", "latest", "--station"])
        .arg(bench.path("station.toml"))
        .arg("--store")
        .arg(bench.path("muffle.db"))
        .output()
        .expect("the program runs")
        .into();
    let ended = ended.with(
        0,
        &["Left to measure: 2 of 3 items (A-2, A-3) and the look at the reference"],
    );
    let all = runs(&ended);
    let items: Vec<_> = all.iter().filter_map(|run| run["item"].as_str()).collect();
    assert_eq!(items, ["A-1", "A-2", "A-3"]);
    assert_eq!(all.len(), 5);
    let after = &all[4]["run"];
    for run in &all {
        assert_eq!(run["state"], "complete");
        if run["kind"] == "item" {
            assert_eq!(&run["reference_check"]["run"], after);
            assert_eq!(run["reference_run"], all[0]["run"]);
        }
    }
    bench.resume().with(3, &["nothing to go on with"]);
}

#[test]
fn a_refused_start_offers_nobody_elses_run() {
    let bench = Bench::start(108);
    let mut command = three_items(&bench);
    let mut measuring = command
        .arg("--events")
        .arg(bench.path("events.jsonl"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program runs");
    await_event(&bench.path("events.jsonl"), &["\"run\"", "A-1"], 1);
    measuring.kill().expect("killed");
    measuring.wait().expect("gone");
    // Another plan, at a station whose source does not answer.
    let station = bench.station_text.replace(
        bench.addresses["source"]["tcp"]
            .as_str()
            .expect("an address"),
        "tcp://127.0.0.1:9",
    );
    assert_ne!(station, bench.station_text);
    bench.write("station.toml", &station);
    let ended = bench.measure("X-9");
    assert_eq!(ended.code, Some(4), "{ended:#?}");
    assert!(!ended.err.contains("--resume"), "{ended:#?}");
}
