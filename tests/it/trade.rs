//! The subtraction itself, against hand arithmetic that is common practice in the trade (no source needed:
//! levels in dBm are subtracted).

use serde_json::Value;

use crate::fake::{Air, FakeBench, block};
use crate::support::{plan, show};

/// At 250 MHz the open path gives -24 dBm and the item -76 dBm; at 400 MHz the open path gives -31 dBm and
/// nothing comes through the item. The floor lies at -95 dBm throughout.
fn levels(air: &Air) -> Vec<f32> {
    let (reference, inside) = match air.centre_hz {
        250e6 => (-24.0, -76.0),
        400e6 => (-31.0, -95.0),
        other => panic!("not in the plan: {other} Hz"),
    };
    air.trace(-95.0, if air.item { inside } else { reference })
}

#[test]
fn a_reading_is_subtracted_and_a_floor_only_bounds() {
    let bench = FakeBench::start(
        &plan(&["250 MHz", "400 MHz"]),
        "analyzer-scpi",
        |air, unit| (unit == "TRAC:DATA? TRACE1").then(|| block(&levels(air))),
    );
    let document = bench.measure("H-1", &["--json"]).with(0, &[]).json();
    let item = &document["runs"][1];
    let number = |point: &Value, key: &str| point[key].as_f64().expect("a number");

    let measured = &item["points"][0];
    assert_eq!(measured["kind"], "measured");
    assert_eq!(number(measured, "reference_dbm"), -24.0);
    assert_eq!(number(measured, "level_dbm"), -76.0);
    assert_eq!(number(measured, "floor_dbm"), -95.0);
    // Noise 19 dB below adds nothing or, where powers add, 0.055 dB.
    let se_db = number(measured, "se_db");
    assert!((52.0..52.055).contains(&se_db), "{measured}");

    let bounded = &item["points"][1];
    assert_eq!(bounded["kind"], "at_least");
    assert_eq!(number(bounded, "reference_dbm"), -31.0);
    assert_eq!(number(bounded, "floor_dbm"), -95.0);
    // 64 dB less one-sided 95 % of the station's own uncertainty, whose defaults are 1.2 dB.
    let bound_db = number(bounded, "se_db");
    assert!((61.8..61.9).contains(&bound_db), "{bounded}");
    assert_eq!(bounded["u_db"], Value::Null, "a bound has no interval");

    let table = show(&bench.path("muffle.db"), &[]).with(0, &[]).out;
    let row = |frequency: &str| {
        let found = table.lines().find(|line| line.contains(frequency));
        found.unwrap_or_else(|| panic!("no {frequency} in {table}"))
    };
    assert!(row("250 MHz").contains(" 52.0 "), "{table}");
    assert!(!row("250 MHz").contains('≥'), "{table}");
    assert!(row("400 MHz").contains("≥ 61.8 "), "{table}");
    let bare = table.replace("≥ 61.8", "");
    assert!(
        !bare.contains("61.8"),
        "61.8 stands without its sign: {table}"
    );
    bench.is_off();
}
