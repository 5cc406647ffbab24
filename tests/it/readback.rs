//! The receiver's settings are read back: what it has counts, not what it was sent.

use std::sync::atomic::{AtomicU32, Ordering};

use crate::fake::{Air, FakeBench, POINTS, block};
use crate::support::{plan, show};

/// An item of 20 dB, in a plan whose limit is 30 dB or more.
fn levels(air: &Air) -> Vec<f32> {
    air.trace(-110.0, if air.item { -50.0 } else { -30.0 })
}

fn trace(air: &Air, unit: &str) -> Option<Vec<u8>> {
    (unit == "TRAC:DATA? TRACE1").then(|| block(&levels(air)))
}

fn bench(answer: impl Fn(&Air, &str) -> Option<Vec<u8>> + Send + Sync + 'static) -> FakeBench {
    FakeBench::start(&plan(&["100 MHz"]), "analyzer-scpi", move |air, unit| {
        answer(air, unit).or_else(|| trace(air, unit))
    })
}

#[test]
fn a_bandwidth_that_is_quietly_another_is_refused_or_used_and_said() {
    let quietly = |_: &Air, unit: &str| (unit == "BAND?").then(|| b"3.00E+02".to_vec());
    let refusing = bench(quietly);
    refusing.measure("A-1", &[]).with(
        4,
        &[
            "resolution bandwidth 300 Hz instead of 1 kHz",
            "accept_adjusted = true",
        ],
    );
    refusing.is_off();

    let accepting = bench(quietly);
    let text = format!("accept_adjusted = true\n{}", plan(&["100 MHz"]));
    std::fs::write(accepting.path("plan.toml"), text).expect("written");
    let said = accepting.measure("A-1", &["--json"]).json();
    let point = &said["runs"][1]["points"][0];
    let flags = point["flags"].to_string();
    assert!(flags.contains("settings_adjusted"), "{point}");
    let figure = point["flag_figures"]["settings_adjusted"].as_f64();
    assert_eq!(figure, Some(70.0), "{point}");
}

#[test]
fn a_reading_during_which_somebody_else_retunes_is_made_again() {
    // The second question is the one that comes with the trace.
    let asked = AtomicU32::new(0);
    let bench = bench(move |air, unit| {
        let once = unit == "FREQ:CENT?" && air.item && asked.fetch_add(1, Ordering::Relaxed) == 1;
        once.then(|| b"1.02E+08".to_vec())
    });
    let ended = bench.measure("R-1", &["--json"]);
    let said = ended.json();
    assert_eq!(ended.err.matches("once more").count(), 1, "{ended:#?}");
    assert!(
        ended.err.contains("centre 102 MHz instead of 100 MHz"),
        "{ended:#?}"
    );
    let point = &said["runs"][1]["points"][0];
    assert_eq!(point["kind"], "measured", "{point}");
    let se_db = point["se_db"].as_f64().expect("a value");
    assert!((se_db - 20.0).abs() < 1e-3, "{point}");
    bench.is_off();
}

#[test]
fn readings_that_somebody_else_retunes_each_time_state_nothing() {
    let asked = AtomicU32::new(0);
    let bench = bench(move |air, unit| {
        let with_the_trace =
            unit == "FREQ:CENT?" && air.item && asked.fetch_add(1, Ordering::Relaxed) % 2 == 1;
        with_the_trace.then(|| b"1.02E+08".to_vec())
    });
    let ended = bench.measure("R-1", &["--json"]);
    let said = ended.json();
    let item = &said["runs"][1];
    assert_eq!(item["verdict"], "undecided", "{item}");
    let point = &item["points"][0];
    assert_eq!(point["kind"], "none", "{point}");
    assert!(
        point["flags"].to_string().contains("settings_changed"),
        "{point}"
    );
    // Two readings, each made again twice.
    assert_eq!(ended.err.matches("once more").count(), 4, "{ended:#?}");
    bench.is_off();
}

#[test]
fn levels_in_another_unit_are_not_taken_for_dbm() {
    let bench = bench(|_, unit| (unit == "UNIT:POW?").then(|| b"DBUV".to_vec()));
    bench
        .measure("U-1", &[])
        .with(4, &["its levels are in DBUV, and not in dBm"]);
    bench.is_off();
    let runs = show(&bench.path("muffle.db"), &["--json"]).json();
    assert_eq!(runs["points"].as_array().map(Vec::len), Some(0), "{runs}");
}

#[test]
fn a_hold_begun_anew_before_its_trace_is_fetched_states_nothing() {
    // As an instrument shows a hold that has no sweep in it yet; every setting reads as it should.
    let bench = bench(|air, unit| {
        let is_empty = unit == "TRAC:DATA? TRACE1" && air.item && air.source_on;
        is_empty.then(|| block(&[-140.0; POINTS]))
    });
    let said = bench.measure("R-1", &["--json"]).json();
    let item = &said["runs"][1];
    assert_eq!(item["verdict"], "undecided", "{item}");
    let point = &item["points"][0];
    assert_eq!(point["kind"], "none", "{point}");
    let below_db = &point["flag_figures"]["noise_unmodelled"];
    assert_eq!(below_db, -30.0, "{point}");
    bench.is_off();
}
