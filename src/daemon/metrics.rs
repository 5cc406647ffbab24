//! The state of the stations as text for Prometheus (its exposition format, version 0.0.4, from memory).

use std::fmt::Write;
use std::ops::Deref;
use std::sync::Arc;

use super::Status;

/// One family of figures: its name, its kind, what it means, and its value for a station.
type Family = (&'static str, &'static str, &'static str, fn(&Status) -> f64);

const FAMILIES: [Family; 6] = [
    (
        "muffle_transmitting",
        "gauge",
        "Whether the output is on.",
        |status| f64::from(u8::from(status.transmitting.is_some())),
    ),
    (
        "muffle_instruments_missing",
        "gauge",
        "Whether an instrument is missing.",
        |status| f64::from(u8::from(status.health.missing.is_some())),
    ),
    (
        "muffle_held",
        "gauge",
        "Whether a person is asked to do something.",
        |status| f64::from(u8::from(status.prompt.is_some())),
    ),
    (
        "muffle_queue_paused",
        "gauge",
        "Whether the queue is paused.",
        |status| f64::from(u8::from(status.paused.is_some())),
    ),
    (
        "muffle_run_readings_done",
        "gauge",
        "Readings made since the job began or went on.",
        |status| status.progress.done as f64,
    ),
    (
        "muffle_run_readings_total",
        "gauge",
        "Readings it had still to make then.",
        |status| status.progress.total as f64,
    ),
];

/// The figures of every station.
pub(super) fn text(stations: impl Iterator<Item: Deref<Target = Arc<Status>>>) -> String {
    let stations: Vec<Arc<Status>> = stations.map(|status| Arc::clone(&status)).collect();
    let mut text = String::new();
    for (name, kind, help, value) in FAMILIES {
        // Writing to a string does not fail.
        let _ = write!(text, "# HELP {name} {help}\n# TYPE {name} {kind}\n");
        for status in &stations {
            let station = label(&status.station);
            let _ = writeln!(text, "{name}{{station=\"{station}\"}} {}", value(status));
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
