//! The state of the stations as text for Prometheus (its exposition format, version 0.0.4, from memory).

use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::Arc;

use super::place::Place;
use crate::station::Output;

/// One family of figures: its name, its kind, what it means, and its value at a station.
type Family = (&'static str, &'static str, &'static str, fn(&Place) -> f64);

fn flag(is_set: bool) -> f64 {
    f64::from(u8::from(is_set))
}

const FAMILIES: [Family; 13] = [
    (
        "muffle_transmitting",
        "gauge",
        "Whether the output is on.",
        |place| flag(place.status.borrow().output.transmitting().is_some()),
    ),
    (
        "muffle_output_unknown",
        "gauge",
        "Whether nobody knows if the output is off: treat it as on.",
        |place| {
            flag(matches!(
                place.status.borrow().output,
                Output::Unknown { .. }
            ))
        },
    ),
    (
        "muffle_instruments_missing",
        "gauge",
        "Whether an instrument is missing.",
        |place| flag(place.status.borrow().health.missing.is_some()),
    ),
    (
        "muffle_held",
        "gauge",
        "Whether a person is asked to do something.",
        |place| flag(place.status.borrow().prompt.is_some()),
    ),
    (
        "muffle_queue_paused",
        "gauge",
        "Whether the queue is paused.",
        |place| flag(place.status.borrow().paused.is_some()),
    ),
    (
        "muffle_run_readings_done",
        "gauge",
        "Readings of the run made so far.",
        |place| place.status.borrow().progress.done as f64,
    ),
    (
        "muffle_run_readings_total",
        "gauge",
        "Readings the run had to make.",
        |place| place.status.borrow().progress.total as f64,
    ),
    (
        "muffle_readings_total",
        "counter",
        "Readings kept.",
        |place| place.counts.readings.get() as f64,
    ),
    (
        "muffle_attempts_again_total",
        "counter",
        "Readings tried again.",
        |place| place.counts.attempts_again.get() as f64,
    ),
    ("muffle_jobs_done_total", "counter", "Jobs done.", |place| {
        place.counts.jobs_done.get() as f64
    }),
    (
        "muffle_jobs_failed_total",
        "counter",
        "Attempts at jobs that failed.",
        |place| place.counts.jobs_failed.get() as f64,
    ),
    (
        "muffle_crashes_total",
        "counter",
        "Faults in the program that ended a task.",
        |place| place.counts.crashes.get() as f64,
    ),
    (
        "muffle_openings_total",
        "counter",
        "Times the instruments were opened.",
        |place| place.counts.openings.get() as f64,
    ),
];

/// The figures of every station since the daemon was started.
pub(super) fn text(places: &BTreeMap<String, Arc<Place>>) -> String {
    let mut text = String::new();
    for (name, kind, help, value) in FAMILIES {
        // Writing to a string does not fail.
        let _ = write!(text, "# HELP {name} {help}\n# TYPE {name} {kind}\n");
        for place in places.values() {
            let station = label(&place.name);
            let _ = writeln!(text, "{name}{{station=\"{station}\"}} {}", value(place));
        }
    }
    text
}

/// Escaped as label values are.
fn label(text: &str) -> String {
    text.replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace('\n', "\\n")
}
