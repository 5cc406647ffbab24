//! What the set-up and the reference give away: each planted fault is flagged, and only that.

use serde_json::{Value, json};

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
        .replace("feed_power_max = \"33 dBm\"", "feed_power_max = \"60 dBm\"")
        .replace("damage_level = \"20 dBm\"", "damage_level = \"60 dBm\"");
    bench.write("station.toml", &station);
    let loud = plan(&["200 MHz"]).replace("\"-10 dBm\"", "\"5 dBm\"");
    let loud = loud.replace("attenuation = \"10 dB\"", "attenuation = \"40 dB\"");
    let (run, points) = measured(&bench, &loud, "X-1");
    // More attenuation changes nothing, so it is not the receiver.
    assert!(
        points[0].1.contains(&"amplifier_compression".to_owned()),
        "{points:?}"
    );
    assert!(
        !points[0].1.contains(&"receiver_compression".to_owned()),
        "{points:?}"
    );
    let missing_db = run["points"][0]["flag_figures"]["amplifier_compression"].as_f64();
    assert!(missing_db.is_some_and(|db| db > 1.0), "{run}");
}

#[test]
fn a_receiver_driven_into_compression_is_flagged_as_such() {
    let bench = Bench::start(16);
    // The reference comes in at about -25 dBm, with 10 dB of attenuation before the mixer.
    bench.ask(&json!({ "do": "fault", "on": "receiver", "compression_dbm": -38.0 }));
    let (run, points) = measured(&bench, &plan(&["200 MHz"]), "X-1");
    assert_eq!(points[0].1, ["receiver_compression"], "{run}");
    let missing_db = run["points"][0]["flag_figures"]["receiver_compression"].as_f64();
    assert!(
        missing_db.is_some_and(|db| (0.5..10.0).contains(&db)),
        "{run}"
    );
    // The table has the figure too.
    let table = crate::support::show(&bench.path("muffle.db"), &[]).out;
    assert!(
        table.contains("receiver_compression ") && table.contains(" dB"),
        "{table}"
    );
}

#[test]
fn a_test_frequency_is_moved_off_a_station_and_the_item_follows() {
    let bench = Bench::start(17);
    let station = json!({ "frequency_hz": 433e6, "level_dbm": -55.0, "deviation_hz": 5e3 });
    bench.ask(&json!({ "do": "ambient", "plant": station }));
    // A broadcast station's swing: seldom in the filter, and a floor may miss it.
    let wide = json!({ "frequency_hz": 610e6, "level_dbm": -55.0, "deviation_hz": 75e3 });
    bench.ask(&json!({ "do": "ambient", "plant": wide }));
    let stay = plan(&["200 MHz", "433 MHz", "610 MHz"]).replace("sweeps = 2", "sweeps = 10");
    let (_, points) = measured(&bench, &stay, "X-1");
    // It swings over half of the trace, so that no noise is left to be read there.
    assert_eq!(points[1].1, ["ambient", "noise_unmodelled"], "{points:?}");
    let moving = format!("move_max = \"200 kHz\"\n{stay}").replace("\"none\"", "true");
    let (run, points) = measured(&bench, &moving, "X-1");
    assert!(points[0].1.is_empty(), "{points:?}");
    assert_eq!(points[1].1, ["moved"], "{points:?}");
    assert_eq!(points[2].1, ["moved"], "{points:?}");
    let wide_hz = run["points"][2]["measured_hz"].as_f64().expect("Hz") - 610e6;
    assert!((60e3..=200e3).contains(&wide_hz.abs()), "{wide_hz}");
    let point = &run["points"][1];
    let moved_hz = point["measured_hz"].as_f64().expect("Hz") - 433e6;
    assert!((10e3..=200e3).contains(&moved_hz.abs()), "{moved_hz}");
    assert_eq!(point["frequency_hz"], 433e6);
    assert_eq!(point["flag_figures"]["moved"], moved_hz / 1e3);
    // The reference before, and the one after, stand at the same place.
    let after = bench.latest();
    assert_eq!(after["kind"], "reference");
    assert_eq!(after["points"][1]["measured_hz"], point["measured_hz"]);
    assert_eq!(after["points"][1]["flags"], json!(["moved"]));
    let truth = point["se_db"].as_f64().expect("measured");
    assert!((truth - 40.0).abs() < 3.0, "{point}");
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
        &plan(&["200 MHz", "1 GHz"]).replace("\"none\"", "true"),
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

#[test]
fn the_average_is_judged_where_a_plan_asks_for_it() {
    let bench = Bench::start(18);
    let both = format!(
        "faces = [\"front\", \"back\"]\n{}combine = \"average\"\n",
        plan(&["200 MHz", "433 MHz"])
    );
    let (run, _) = measured(&bench, &both, "X-1");
    let means = run["averages"].as_array().expect("averages");
    assert_eq!(means.len(), 2);
    for (index, mean) in means.iter().enumerate() {
        let se = |point: &Value| point["se_db"].as_f64().expect("dB");
        let through = |db: f64| 10f64.powf(-db / 10.0);
        let points = [&run["points"][2 * index], &run["points"][2 * index + 1]];
        let expected = -10.0 * (points.map(se).map(through).iter().sum::<f64>() / 2.0).log10();
        assert!((se(mean) - expected).abs() < 1e-9, "{mean}");
        assert_eq!(
            (&mean["parts"], &mean["verdict"]),
            (&json!(2), &json!("pass"))
        );
        let u = |it: &Value| it["u_db"].as_f64().expect("dB");
        assert!(
            u(mean) < u(points[0]),
            "two closings are better than one: {mean}"
        );
    }
    assert_eq!(run["verdict"], "pass");
    let shown = crate::support::show(&bench.path("muffle.db"), &[]).out;
    assert!(shown.contains("the mean of 2 points at"), "{shown}");
}

#[test]
fn a_preamplifier_for_the_item_alone_lowers_the_floor_and_not_the_se() {
    let bench = Bench::start(19);
    let without = plan(&["200 MHz"]);
    let (plain, _) = measured(&bench, &without, "X-1");
    let with = without.replace("[settings]", "[settings]\npreamplifier = \"item\"");
    let (run, words) = measured(&bench, &with, "X-1");
    assert!(words[0].1.is_empty(), "{run}");
    let of = |run: &Value, key: &str| run["points"][0][key].as_f64().expect("dB");
    let lower_db = of(&plain, "floor_dbm") - of(&run, "floor_dbm");
    // Noise figures of 18 dB and 8 dB.
    assert!((6.0..14.0).contains(&lower_db), "{lower_db}");
    assert!(
        (of(&plain, "se_db") - of(&run, "se_db")).abs() < 1.5,
        "{run}"
    );
    // Switching it is in the budget.
    let budget = crate::support::run(&[
        "show",
        run["run"].as_str().expect("an id"),
        "--budget",
        "--store",
        &bench.path("muffle.db").display().to_string(),
    ]);
    assert!(budget.out.contains("attenuator step"), "{}", budget.out);
    assert!(budget.out.contains("dBµV/m"), "{}", budget.out);
    // A receiver without one is not asked to switch it.
    bench.write(
        "station.toml",
        &bench
            .station_text
            .replace("analyzer-scpi", "handheld-prompt"),
    );
    crate::support::run(&[
        "bench",
        "forecast",
        &bench.path("plan.toml").display().to_string(),
        "--station",
        &bench.path("station.toml").display().to_string(),
    ])
    .with(3, &["cannot set a preamplifier"]);
}

#[test]
fn an_old_reference_and_a_limit_out_of_sight_are_flagged() {
    let bench = Bench::start(17);
    // Older than a millisecond it always is when the item is read; and no bench of ours sees 150 dB.
    let wanted = plan(&["200 MHz"]).replace("\"30 dB\"", "\"150 dB\"");
    let wanted = format!("reference_max_age = \"1 ms\"\n{wanted}");
    let (_, points) = measured(&bench, &wanted, "X-1");
    for word in ["stale_reference", "cannot_see_limit"] {
        assert!(points[0].1.iter().any(|it| it == word), "{points:?}");
    }
}

#[test]
fn a_reference_that_moved_is_flagged() {
    let bench = Bench::start(18);
    // Whoever places things knocks the receiver about before the reference after the item: it compresses from then on.
    bench.place_by(
        "put \"$1\" \"$2\"\nif [ \"$2\" = open ]; then echo >> opened; fi\n\
         if [ \"$(wc -l < opened)\" = 2 ]; then \"$muffle\" sim ask $control \
         '{\"do\":\"fault\",\"on\":\"receiver\",\"compression_dbm\":-36}'; fi\n",
    );
    let looks = plan(&["200 MHz"]).replace("\"none\"", "\"check\"");
    bench.write("plan.toml", &looks);
    bench.shelf("X-1", 40.0);
    let mut command = bench.measure_command("X-1");
    let ended = command
        .current_dir(bench.folder.path())
        .arg("--json")
        .output()
        .expect("the program runs");
    let document: Value = serde_json::from_slice(&ended.stdout)
        .unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&ended.stderr)));
    let runs = document["runs"].as_array().expect("runs");
    let run = runs
        .iter()
        .find(|run| run["kind"] == "item")
        .expect("an item");
    let flags = run["points"][0]["flags"].to_string();
    // Over 3 dB there is no verdict: IEEE 299-2006, 4.4, as far as its public text goes.
    assert!(flags.contains("reference_unstable"), "{run}");
    assert_eq!(run["verdict"], "undecided");
}
