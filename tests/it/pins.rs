//! Instruments are pinned: what one has measured is not gone on with by another.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use crate::fake::{Air, FakeBench, HANG_UP, block};
use crate::support::{plan, show};

const FIRST: &str = "Nobody,Fake analyzer,0042,1.0";
const OTHER: &str = "Nobody,Fake analyzer,0043,1.0";

/// A receiver that says who it is, and may be broken at 200 MHz while an item stands there.
#[derive(Clone)]
struct Analyzer {
    identity: Arc<Mutex<&'static str>>,
    broken: Arc<AtomicBool>,
    /// It closes the connection once, in the middle of an item's reading, and another stands there from then on.
    is_swapped: Arc<AtomicBool>,
}

impl Analyzer {
    fn new() -> Self {
        Self {
            identity: Arc::new(Mutex::new(FIRST)),
            broken: Arc::default(),
            is_swapped: Arc::default(),
        }
    }

    fn answer(&self, air: &Air, unit: &str) -> Option<Vec<u8>> {
        match unit {
            "*IDN?" => Some(self.identity.lock().expect("whole").as_bytes().to_vec()),
            "TRAC:DATA? TRACE1" if air.item && self.is_swapped.swap(false, Ordering::Relaxed) => {
                *self.identity.lock().expect("whole") = OTHER;
                Some(HANG_UP.to_vec())
            }
            "TRAC:DATA? TRACE1" => {
                let broken = self.broken.load(Ordering::Relaxed);
                let levels = air.trace(-110.0, if air.item { -70.0 } else { -30.0 });
                let short = broken && air.item && air.centre_hz == 200e6;
                Some(block(if short { &levels[..150] } else { &levels }))
            }
            _ => None,
        }
    }

    fn bench(&self) -> FakeBench {
        let plan = plan(&["100 MHz", "200 MHz"]);
        let analyzer = self.clone();
        FakeBench::start(&plan, "analyzer-scpi", move |air, unit| {
            analyzer.answer(air, unit)
        })
    }
}

#[test]
fn a_run_is_not_resumed_with_another_analyzer() {
    let analyzer = Analyzer::new();
    analyzer.broken.store(true, Ordering::Relaxed);
    let bench = analyzer.bench();
    bench.measure("P-1", &[]).with(4, &["150 points"]);
    let store = bench.path("muffle.db");
    let latest = show(&store, &["--json"]).json();
    assert_eq!(latest["instruments"]["receiver"], FIRST, "{latest}");
    assert_eq!(
        latest["instruments"]["source"], "Nobody,Fake,0,0",
        "{latest}"
    );
    assert!(show(&store, &[]).out.contains(FIRST));

    analyzer.broken.store(false, Ordering::Relaxed);
    *analyzer.identity.lock().expect("whole") = OTHER;
    let run = latest["run"].as_str().expect("an id");
    let resumed = bench.resume(run);
    resumed.with(3, &["serial number 0042", "serial number 0043"]);
    let after = show(&store, &["--json"]).json();
    assert_eq!(after["points"].as_array().map(Vec::len), Some(1), "{after}");
    bench.is_off();

    *analyzer.identity.lock().expect("whole") = "Nobody,Fake analyzer,0042,2.0";
    bench
        .resume(run)
        .with(0, &["the same instrument with other firmware"]);
}

#[test]
fn a_reconnection_to_another_analyzer_ends_the_run() {
    let analyzer = Analyzer::new();
    let bench = analyzer.bench();
    analyzer.is_swapped.store(true, Ordering::Relaxed);
    bench
        .measure("P-2", &[])
        .with(4, &["serial number 0042", "serial number 0043"]);
    let latest = show(&bench.path("muffle.db"), &["--json"]).json();
    assert_eq!(latest["state"], "failed", "{latest}");
    assert_eq!(
        latest["points"].as_array().map(Vec::len),
        Some(0),
        "{latest}"
    );
    bench.is_off();
}

#[test]
fn a_reference_of_another_analyzer_is_measured_again() {
    let analyzer = Analyzer::new();
    let bench = analyzer.bench();
    let runs = |ended: crate::support::Ended| {
        let said = ended.with(0, &[]).json();
        said["runs"].as_array().map(Vec::len)
    };
    assert_eq!(runs(bench.measure("P-3", &["--json"])), Some(2));
    assert_eq!(runs(bench.measure("P-4", &["--json"])), Some(1));
    *analyzer.identity.lock().expect("whole") = OTHER;
    assert_eq!(runs(bench.measure("P-5", &["--json"])), Some(2));
}
