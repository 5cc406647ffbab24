//! The carrier is proven in every reading: a source that was not sending as asked makes no item look tight.

use std::sync::atomic::{AtomicU32, Ordering};

use serde_json::json;

use crate::fake::{Air, FakeBench, REFUSED, block};
use crate::support::{Bench, plan, show};

/// An item of 20 dB, in a plan whose limit is 30 dB.
fn trace(air: &Air, unit: &str) -> Option<Vec<u8>> {
    let peak_dbm = if air.item { -50.0 } else { -30.0 };
    (unit == "TRAC:DATA? TRACE1").then(|| block(&air.trace(-110.0, peak_dbm)))
}

/// A bench whose source does something after each of the first `times` emissions at the item was acknowledged.
fn bench(times: u32, fault: impl Fn(&mut Air) + Send + Sync + 'static) -> FakeBench {
    let done = AtomicU32::new(0);
    let source = move |air: &mut Air, unit: &str| {
        // The last unit of the message that switches it on, and not of the one that switches it off.
        let acknowledged = unit == "*ESR?" && air.source_on && air.item;
        if acknowledged && done.fetch_add(1, Ordering::Relaxed) < times {
            fault(air);
            return Some(b"0".to_vec());
        }
        None
    };
    FakeBench::with_source(&plan(&["100 MHz"]), "analyzer-scpi", trace, source)
}

/// Its name, what it does, and the reason that is given.
type Fault = (&'static str, fn(&mut Air), &'static str);

fn trip(air: &mut Air) {
    air.source_on = false;
}

fn reset(air: &mut Air) {
    air.reset_source();
    air.restarted = true;
}

#[test]
fn a_carrier_that_was_gone_states_nothing() {
    let faults: [Fault; 5] = [
        ("trips", trip, "its output was off"),
        (
            "falls",
            |air| air.source_dbm -= 40.0,
            "its level was -50 dBm where -10 dBm was set",
        ),
        (
            "is turned",
            |air| air.source_hz += 5e6,
            "its frequency was 105 MHz where 100 MHz was set",
        ),
        ("resets", reset, "it was switched off and on"),
        (
            "is back on after a reset",
            |air| air.restarted = true,
            "it was switched off and on",
        ),
    ];
    for (name, fault, reason) in faults {
        let bench = bench(u32::MAX, fault);
        let ended = bench.measure("A-1", &["--json"]);
        let said = ended.json();
        let item = &said["runs"][1];
        assert_eq!(item["verdict"], "undecided", "{name}: {item}");
        let point = &item["points"][0];
        assert_eq!(point["kind"], "none", "{name}: {point}");
        let flags = point["flags"].to_string();
        assert!(flags.contains("carrier_lost"), "{name}: {point}");
        assert_eq!(ended.code, Some(2), "{name}: {ended:#?}");
        let again = ended.err.matches("once more").count();
        assert_eq!(again, 2, "{name}: {ended:#?}");
        assert!(ended.err.contains(reason), "{name}: {ended:#?}");
        bench.is_off();
    }
}

#[test]
fn a_carrier_that_was_gone_once_is_read_again() {
    for fault in [trip, reset] {
        let bench = bench(2, fault);
        let ended = bench.measure("A-1", &["--json"]);
        let point = &ended.json()["runs"][1]["points"][0];
        assert_eq!(point["kind"], "measured", "{point}");
        let se_db = point["se_db"].as_f64().expect("a value");
        assert!((se_db - 20.0).abs() < 1e-3, "{point}");
        assert_eq!(ended.code, Some(1), "{ended:#?}");
        bench.is_off();
    }
}

#[test]
fn a_source_that_says_it_is_unlevelled_states_nothing() {
    let source = |air: &mut Air, unit: &str| {
        let tripped = air.source_on && air.item;
        (unit == "STAT:QUES:POW:COND?").then(|| {
            if tripped {
                b"6".to_vec()
            } else {
                b"4".to_vec()
            }
        })
    };
    let bench = FakeBench::with_source(&plan(&["100 MHz"]), "analyzer-scpi", trace, source);
    let ended = bench.measure("A-1", &["--json"]);
    let point = &ended.json()["runs"][1]["points"][0];
    assert_eq!(point["kind"], "none", "{point}");
    assert!(
        ended.err.contains("`STAT:QUES:POW:COND?` gave 6"),
        "{ended:#?}"
    );
    bench.is_off();
}

#[test]
fn a_level_above_what_is_permitted_is_refused_before_anything_is_sent() {
    // It takes tenths of a dBm, and says what it has in dBm.
    let source = |air: &mut Air, unit: &str| {
        (unit == "POW?").then(|| (air.source_dbm / 10.0).to_string().into_bytes())
    };
    let bench = FakeBench::with_source(&plan(&["100 MHz"]), "analyzer-scpi", trace, source);
    let wanted = "its level is -1 dBm where -10 dBm is permitted";
    bench.measure("A-1", &[]).with(4, &[wanted]);
    assert!(!bench.heard().contains(&"OUTP ON".to_owned()));
    bench.is_off();
}

#[test]
fn a_level_that_rises_is_an_error_and_not_a_reading() {
    let bench = bench(u32::MAX, |air| air.source_dbm += 6.0);
    bench
        .measure("A-1", &[])
        .with(4, &["its level is -4 dBm where -10 dBm is permitted"]);
    bench.is_off();
}

#[test]
fn a_question_that_is_refused_does_not_delay_off() {
    // The message ends at the question, so that the off behind it is never heard.
    let source = |air: &mut Air, unit: &str| {
        let refuses = unit == "FREQ?" && air.source_on && air.item;
        refuses.then(|| REFUSED.to_vec())
    };
    let bench = FakeBench::with_source(&plan(&["100 MHz"]), "analyzer-scpi", trace, source);
    bench
        .measure("A-1", &[])
        .with(4, &["one answer for each question"]);
    let heard = bench.heard();
    let refused: Vec<_> = (1..heard.len() - 1)
        .filter(|at| heard[at - 1] == "OUTP?" && heard[*at] == "FREQ?")
        .filter(|at| heard[at + 1] != "POW?")
        .map(|at| heard[at + 1].as_str())
        .collect();
    assert_eq!(refused, ["OUTP OFF"; 3], "{heard:?}");
    bench.is_off();
}

#[test]
fn a_source_that_cannot_be_asked_is_said_to_be_unverified() {
    let bench = bench(0, |_| ());
    let text = include_str!("../../drivers/source-scpi.toml");
    let queries = text.split("[readback]\n").nth(1).expect("the last table");
    bench.change_source_driver(queries, "none = \"its dialect has no queries\"");
    let ended = bench.measure("A-1", &["--json"]);
    let point = &ended.json()["runs"][1]["points"][0];
    assert_eq!(point["kind"], "measured", "{point}");
    let flags = point["flags"].to_string();
    assert!(flags.contains("carrier_unverified"), "{point}");
    let line = "the carrier was not read back: its dialect has no queries\n";
    let shown = show(&bench.path("muffle.db"), &[]);
    assert!(shown.out.contains(line), "{shown:#?}");
    let asked = ["FREQ?", "POW?"].map(str::to_owned);
    assert!(!bench.heard().iter().any(|unit| asked.contains(unit)));
    bench.is_off();
}

/// At a coupled port 30 dB below the line, behind an amplifier of 20 dB.
fn coupled(air: &Air, unit: &str) -> Option<Vec<u8>> {
    let dbm = match air.source_on {
        true => air.source_dbm + 20.0 + air.amplifier_db - 30.0,
        false => -70.0,
    };
    (unit == "READ?").then(|| dbm.to_string().into_bytes())
}

#[test]
fn an_amplifier_that_sags_states_nothing() {
    let bench = bench(u32::MAX, |air| air.amplifier_db = -15.0);
    bench.add_monitor(coupled);
    let ended = bench.measure("A-1", &["--json"]);
    let said = ended.json();
    let point = &said["runs"][1]["points"][0];
    assert_eq!(point["kind"], "none", "{point}");
    assert_eq!(point["flag_figures"]["forward_power"], -15.0, "{point}");
    assert_eq!(said["runs"][1]["verdict"], "undecided");
    assert_eq!(ended.err.matches("once more").count(), 2, "{ended:#?}");
    bench.is_off();
}

#[test]
fn a_small_change_of_the_forward_power_is_corrected() {
    let bench = bench(u32::MAX, |air| air.amplifier_db = -0.5);
    bench.add_monitor(coupled);
    let said = bench.measure("A-1", &["--json"]).json();
    let run = &said["runs"][1];
    assert_eq!(
        run["instruments"]["power_monitor"], "Nobody,Fake,0,0",
        "{run}"
    );
    let se_db = run["points"][0]["se_db"].as_f64();
    let se_db = se_db.unwrap_or_else(|| panic!("{run}"));
    assert!((se_db - 20.0).abs() < 0.01, "{run}");
    bench.is_off();
}

#[test]
fn a_monitor_that_gives_no_power_is_an_error() {
    let bench = bench(0, |_| ());
    bench.add_monitor(|_, unit| (unit == "READ?").then(|| b"9.91E37".to_vec()));
    bench
        .measure("A-1", &[])
        .with(4, &["power monitor: `READ?` gave", "not a power in dBm"]);
    bench.is_off();
}

#[test]
fn the_monitor_of_the_simulated_bench_sees_its_amplifier_sag() {
    let bench = Bench::start_monitored(3);
    bench.write("plan.toml", &plan(&["100 MHz"]));
    for serial in ["A-1", "A-2"] {
        bench.shelf(serial, 45.0);
    }
    bench.measure("A-1");
    let run = bench.latest();
    assert_eq!(run["points"][0]["kind"], "measured", "{run}");
    let monitor = "Tarn End,Simulated power monitor,0003,1.0";
    assert_eq!(run["instruments"]["power_monitor"], monitor, "{run}");
    let sag = json!({ "fault": "amplifier_sags", "db": 6.0 });
    bench.ask(&json!({ "do": "plant", "faults": [sag] }));
    bench.measure("A-2");
    let run = bench.latest();
    assert_eq!(run["item"], "A-2");
    assert_eq!(run["points"][0]["kind"], "none", "{run}");
    let off_db = run["points"][0]["flag_figures"]["forward_power"].as_f64();
    assert!(off_db.is_some_and(|db| (db + 6.0).abs() < 0.2), "{run}");
    bench.is_off();
}
