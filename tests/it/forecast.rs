//! What `bench forecast` says beforehand against what the simulated bench then shows.

use serde_json::{Value, json};

use crate::support::{Bench, plan, run, within_a_fifth};

pub fn forecast(bench: &Bench, plan: &str, more: &[&str]) -> Value {
    let path = bench.write("plan.toml", plan).display().to_string();
    let station = bench.path("station.toml").display().to_string();
    let store = bench.path("muffle.db").display().to_string();
    let mut words = vec![
        "bench",
        "forecast",
        &path,
        "--station",
        &station,
        "--store",
        &store,
        "--json",
    ];
    words.extend(more);
    run(&words).with(0, &[]).json()
}

const ALL: [&str; 9] = [
    "100 kHz", "1 MHz", "10 MHz", "30 MHz", "60 MHz", "150 MHz", "300 MHz", "610 MHz", "1 GHz",
];

#[test]
fn the_link_budget_of_the_simulated_bench_is_right_within_a_few_decibels() {
    let (mut count, mut squares) = (0.0, 0.0);
    for seed in [31, 32, 33] {
        let bench = Bench::start(seed);
        let plan = plan(&ALL);
        let before = forecast(&bench, &plan, &["--link-budget"]);
        bench.shelf("X-1", 40.0);
        bench.measure("X-1").with(0, &[]);
        let run = bench.latest();
        for (told, seen) in before["points"]
            .as_array()
            .expect("points")
            .iter()
            .zip(run["points"].as_array().expect("points"))
        {
            assert_eq!(told["frequency_hz"], seen["frequency_hz"]);
            let off = |key: &str| told[key].as_f64().expect("dB") - seen[key].as_f64().expect("dB");
            // The bench's path ripples by 2.5 dB, its amplifier and source by 1.5 dB, its receiver by 0.8 dB.
            assert!(
                off("reference_dbm").abs() < 5.0,
                "seed {seed}: {told} {seen}"
            );
            // One floor, the peak of some bins, moves by a decibel and more.
            assert!(off("floor_dbm").abs() < 6.0, "seed {seed}: {told} {seen}");
            count += 1.0;
            squares += off("reference_dbm").powi(2);
        }
    }
    let off_db = f64::sqrt(squares / count);
    println!(
        "{count} references, forecast by link budget, off by {off_db:.2} dB (root mean square)"
    );
    assert!(off_db < 2.5, "{off_db}");
}

#[test]
fn a_sealed_plan_is_forecast() {
    let bench = Bench::start(34);
    let sealed = plan(&["100 MHz", "200 MHz", "610 MHz"])
        .replace("name =", "arrangement = \"sealed\"\nname =")
        .replace("span = \"20 kHz\"", "span = \"20 MHz\"")
        .replace("points = 201", "points = 10001")
        .replace("\"1 kHz\"", "\"300 kHz\"");
    let told = forecast(&bench, &sealed, &[]);
    let closings = told["closings"].as_array().expect("closings");
    assert_eq!(closings.len(), 2, "{told}");
    assert!(closings.iter().all(|closing| {
        closing["dynamic_range_db"]
            .as_f64()
            .is_some_and(|db| db > 30.0)
    }));
    assert!(told["duration"]["item_s"].as_f64().is_some_and(|s| s > 0.0));
    // In one closing the second harmonic of 100 MHz may fall where it likes.
    let one = sealed.replace("name =", "closings_max = 1\nname =");
    assert_eq!(
        forecast(&bench, &one, &[])["closings"]
            .as_array()
            .expect("closings")
            .len(),
        1
    );
}

/// By the bench's own clock, in which only sweeps and settling take time, so that it is the count of readings that is
/// checked: those of the reference, of the item, and of the look at the reference after it.
#[test]
fn a_linked_plan_takes_as_long_as_was_said() {
    let bench = Bench::start(36);
    let plan = plan(&[
        "1 MHz", "2 MHz", "5 MHz", "10 MHz", "15 MHz", "20 MHz", "30 MHz",
    ])
    .replace("bracket = \"none\"\n", "")
    .replace("\"20 kHz\"", "\"2 kHz\"")
    .replace("\"1 kHz\"", "\"100 Hz\"")
    .replace("sweeps = 2", "sweeps = 4");
    let said = forecast(&bench, &plan, &[]);
    bench.shelf("X-1", 40.0);
    let began_s = bench.clock_s();
    bench.measure("X-1").with(0, &[]);
    let took_s = bench.clock_s() - began_s;
    let part = |key: &str| said["duration"][key].as_f64().expect("s");
    let all_s = part("reference_s") + part("item_s") + part("check_s");
    within_a_fifth(
        "linked, reference, item and look",
        all_s - part("placing_s"),
        took_s,
    );
    // Ten of its 45 readings.
    assert!(part("check_s") > 0.2 * took_s, "{said}");
}

/// Eight times as slow as sweeps need be: known from the reference, which is read as slowly.
#[test]
fn a_slow_instrument_is_forecast_from_its_reference() {
    let bench = Bench::start_in_real_time(37);
    let slow = json!({ "fault": "receiver_slow", "factor": 8 });
    bench.ask(&json!({ "do": "plant", "faults": [slow] }));
    bench.shelf("X-1", 40.0);
    let plan = plan(&["100 MHz", "200 MHz", "433 MHz"]);
    bench.write("plan.toml", &plan);
    bench.measure("X-1").with(0, &[]);
    let (run, said) = (bench.latest(), forecast(&bench, &plan, &[]));
    let at = |key: &str| -> jiff::Timestamp {
        run[key]
            .as_str()
            .expect("a time")
            .parse()
            .expect("RFC 3339")
    };
    let took_s = at("finished").duration_since(at("started")).as_secs_f64();
    let said_s = said["duration"]["item_s"].as_f64().expect("s");
    within_a_fifth("linked, slow instrument, item", said_s, took_s);
    let points = run["points"].as_array().expect("points");
    let off_db: f64 = said["points"]
        .as_array()
        .expect("points")
        .iter()
        .zip(points)
        .map(|(said, seen)| {
            let db = |of: &Value, key: &str| of[key].as_f64().expect("dB");
            let range_db = db(seen, "reference_dbm") - db(seen, "floor_dbm");
            (db(said, "dynamic_range_db") - range_db) / points.len() as f64
        })
        .sum();
    println!("its dynamic range: {off_db:+.1} dB more than was seen");
    assert!(off_db.abs() < 2.0, "{said} {run}");
}
