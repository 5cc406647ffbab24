//! A receiver whose clock is off makes no item look tight: the window follows the stated tolerance, and a carrier that
//! stands farther off states nothing.

use serde_json::{Value, json};

use crate::support::{Bench, Ended, plan};

/// Five parts in a million: 12 kHz at 2.4 GHz.
const OFF: f64 = 5.0;

/// A bench with an item of 25 dB on its shelf, and a plan for 2.4 GHz with a limit of 30 dB.
fn bench(seed: u64, tolerance: &str, span: &str) -> Bench {
    let bench = Bench::start(seed);
    bench.shelf("LEAKY", 25.0);
    let text = plan(&["2.4 GHz"]).replace("20 kHz", span);
    bench.write("plan.toml", &text);
    let stated = format!("frequency_tolerance = {tolerance}");
    let station = bench
        .station_text
        .replace("frequency_tolerance = 1e-6", &stated);
    assert!(station.contains(&stated), "{station}");
    bench.write("station.toml", &station);
    bench
}

/// From the placement of this number on the receiver's clock is off.
fn off_from(bench: &Bench, placement: u32) {
    let fault =
        json!({ "fault": "receiver_clock", "ppm": OFF, "when": "placed", "nth": placement });
    bench.ask(&json!({ "do": "plant", "faults": [fault] }));
}

fn point(run: &Value) -> &Value {
    &run["points"][0]
}

#[test]
fn a_reference_beside_its_frequency_is_refused() {
    let bench = bench(51, "1e-6", "40 kHz");
    off_from(&bench, 1);
    let Ended { code, err, .. } = bench.measure("LEAKY");
    assert_eq!(code, Some(4), "{err}");
    for word in ["above 2.4 GHz", "allows 1.0 parts", "frequency_tolerance"] {
        assert!(err.contains(word), "{word}: {err}");
    }
    bench.is_off();
    // It is not used again.
    bench.ask(&json!({ "do": "plant", "clear": true }));
    bench.measure("LEAKY").with(1, &[]);
}

#[test]
fn a_receiver_that_goes_off_after_the_reference_states_nothing() {
    let bench = bench(52, "1e-6", "40 kHz");
    off_from(&bench, 2);
    bench.measure("LEAKY").with(2, &[]);
    let run = bench.latest();
    assert_eq!(point(&run)["kind"], "none", "{run}");
    let flags = point(&run)["flags"].to_string();
    assert!(flags.contains("off_frequency"), "{flags}");
}

#[test]
fn the_window_is_as_wide_as_the_stated_tolerance() {
    let bench = bench(53, "6e-6", "60 kHz");
    // The reference as it should be, and the item 12 kHz beside.
    off_from(&bench, 2);
    bench.measure("LEAKY").with(1, &[]);
    let run = bench.latest();
    let number = |key: &str| point(&run)[key].as_f64().expect("a number");
    assert!((number("se_db") - 25.0).abs() < number("u_db"), "{run}");
}

#[test]
fn a_span_without_room_for_the_window_is_refused() {
    let bench = bench(54, "6e-6", "20 kHz");
    // 14.4 kHz, half a bandwidth and four of them for the floor, to both sides.
    let needed = "a span of 20 kHz is too narrow at 2.4 GHz";
    bench
        .measure("LEAKY")
        .with(3, &[needed, "6e-6", "at least 37.8 kHz"]);
    bench.never_on();
}
