//! What the set-up and the reference give away: each planted fault is flagged, and only that.

use serde_json::Value;

use crate::support::{Bench, plan};

/// The words and the run of each item point of `measure --json`.
fn measured(bench: &Bench, plan: &str, item: &str) -> (Value, Vec<(f64, Vec<String>)>) {
    bench.write("plan.toml", plan);
    bench.shelf(item, 40.0);
    let ended = bench
        .measure_command(item)
        .arg("--json")
        .output()
        .expect("the program runs");
    let document: Value = serde_json::from_slice(&ended.stdout)
        .unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&ended.stderr)));
    let runs = document["runs"].as_array().expect("runs").clone();
    let run = runs
        .into_iter()
        .find(|run| run["kind"] == "item")
        .expect("an item");
    let points = run["points"].as_array().expect("points");
    let words = points
        .iter()
        .map(|point| {
            let flags = point["flags"].as_array().expect("flags").iter();
            let words = flags.map(|flag| flag.as_str().expect("a word").to_owned());
            (
                point["frequency_hz"].as_f64().expect("a frequency"),
                words.collect(),
            )
        })
        .collect();
    (run, words)
}

#[test]
fn a_clean_bench_raises_no_flag() {
    let bench = Bench::start(11);
    let (_, points) = measured(&bench, &plan(&["200 MHz", "433 MHz", "1 GHz"]), "X-1");
    assert_eq!(points.len(), 3);
    assert!(
        points.iter().all(|(_, words)| words.is_empty()),
        "{points:?}"
    );
}

#[test]
fn an_amplifier_driven_into_compression_is_flagged() {
    let bench = Bench::start(12);
    // A station that holds nothing back: 5 dBm and 40 dB are more than the 42 dBm the amplifier gives.
    let station = std::fs::read_to_string(bench.path("station.toml")).expect("station");
    let station = station
        .replace("input_max = \"0 dBm\"", "input_max = \"10 dBm\"")
        .replace("level_max = \"33 dBm\"", "level_max = \"60 dBm\"")
        .replace("damage_level = \"20 dBm\"", "damage_level = \"60 dBm\"");
    bench.write("station.toml", &station);
    let loud = plan(&["200 MHz"]).replace("\"-10 dBm\"", "\"5 dBm\"");
    let loud = loud.replace("attenuation = \"10 dB\"", "attenuation = \"40 dB\"");
    let (_, points) = measured(&bench, &loud, "X-1");
    assert!(
        points[0].1.iter().any(|word| word == "compression"),
        "{points:?}"
    );
}

#[test]
fn antennas_in_the_near_field_are_flagged_where_they_are() {
    let bench = Bench::start(13);
    // The wavelength over 2 pi is 1.59 m at 30 MHz and 0.48 m at 100 MHz (ORACLES C15); they stand 1 m apart.
    let (_, points) = measured(&bench, &plan(&["30 MHz", "110 MHz"]), "X-1");
    assert_eq!(points[0].1, ["near_field"]);
    assert!(points[1].1.is_empty(), "{points:?}");
}

#[test]
fn a_small_item_and_its_resonance_are_flagged_where_they_are() {
    let bench = Bench::start(14);
    bench.shelf("X-1", 40.0);
    bench.write(
        "items.toml",
        "[[item]]\nserial = \"X-1\"\nsize = \"300 x 400 x 500 mm\"\n",
    );
    // The first resonance of that box is at 479.9 MHz (ORACLES C13); half a metre is the wavelength over
    // 2 pi at 95 MHz.
    bench.write("plan.toml", &plan(&["80 MHz", "300 MHz", "482 MHz"]));
    let mut command = crate::support::muffle();
    let ended = command
        .arg("measure")
        .arg(bench.path("plan.toml"))
        .arg("--station")
        .arg(bench.path("station.toml"))
        .arg("--store")
        .arg(bench.path("muffle.db"))
        .arg("--items")
        .arg(bench.path("items.toml"))
        .output()
        .expect("the program runs");
    assert_eq!(ended.status.code(), Some(0), "{ended:?}");
    let run = bench.latest();
    let flags: Vec<&Value> = run["points"]
        .as_array()
        .expect("points")
        .iter()
        .map(|point| &point["flags"])
        .collect();
    assert_eq!(flags[0], &serde_json::json!(["small_item"]));
    assert_eq!(flags[1], &serde_json::json!([]));
    assert_eq!(flags[2], &serde_json::json!(["cavity_resonance"]));
}

#[test]
fn a_bracketed_run_knows_how_far_the_reference_drifted() {
    let bench = Bench::start(15);
    let (run, points) = measured(
        &bench,
        &format!("bracket = true\n{}", plan(&["200 MHz", "1 GHz"])),
        "X-1",
    );
    assert!(
        points.iter().all(|(_, words)| words.is_empty()),
        "{points:?}"
    );
    let id = run["run"].as_str().expect("an id");
    let ended = crate::support::run(&[
        "show",
        id,
        "--budget",
        "--store",
        &bench.path("muffle.db").display().to_string(),
    ]);
    let drift = ended
        .out
        .lines()
        .find(|line| line.trim_start().starts_with("source drift"))
        .unwrap_or_else(|| panic!("{ended:#?}"));
    // As it was measured, and not as the station supposes.
    assert!(drift.ends_with("measured"), "{drift}");
}
