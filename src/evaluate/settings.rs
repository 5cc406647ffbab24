//! What is kept of the instruments: the settings that the receiver had, and which instruments they were.

use serde_json::Value;

use crate::analysis::flag::{Flag, FlagWord};
use crate::config::same_instrument;
use crate::store::{ReadingRecord, RunRecord};

/// Whether a run and its reference were measured with different instruments; of old runs nobody knows.
pub(super) fn other_instruments(run: &RunRecord, reference: &RunRecord) -> bool {
    match (&run.instruments, &reference.instruments) {
        (Some(run), Some(reference)) => run
            .beside(reference)
            .any(|(_, run, reference)| !same_instrument(run, reference)),
        _ => false,
    }
}

/// Settings that the receiver adjusted, and settings that somebody else changed, in any of the readings of a point.
pub(super) fn receiver_flags(readings: &[&ReadingRecord]) -> Vec<Flag> {
    let changed = FlagWord::SettingsChanged;
    let was_changed =
        |reading: &&ReadingRecord| reading.flags.iter().any(|flag| flag == changed.as_str());
    let mut flags = Vec::new();
    if readings.iter().any(was_changed) {
        flags.push(Flag::bare(changed));
    }
    let adjusted = readings
        .iter()
        .filter_map(|reading| adjusted(&reading.settings));
    let largest = adjusted.reduce(|one, other| match one > other {
        true => one,
        false => other,
    });
    flags.extend(largest.map(|figure| Flag {
        word: FlagWord::SettingsAdjusted,
        figure,
    }));
    flags
}

/// By how much a setting differs from what was asked for, percent, at most; `Some(None)` where it is no number.
fn adjusted(settings: &Value) -> Option<Option<f64>> {
    let asked = settings["asked"].as_object()?;
    let relative = asked.iter().filter_map(|(key, asked)| {
        let (asked, has) = (asked.as_f64()?, settings[key].as_f64()?);
        (asked != 0.0).then(|| 100.0 * ((has - asked) / asked).abs())
    });
    Some(relative.reduce(f64::max))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_largest_relative_difference_is_the_figure() {
        assert_eq!(adjusted(&json!({ "points": 201 })), None);
        let both = json!({
            "resolution_bandwidth_hz": 300.0, "points": 401,
            "asked": { "resolution_bandwidth_hz": 500.0, "points": 201 }
        });
        let figure = adjusted(&both).flatten().expect("a figure");
        assert!((figure - 200.0 / 201.0 * 100.0).abs() < 1e-9, "{figure}");
        let word = json!({ "detector": "NEG", "asked": { "detector": "peak" } });
        assert_eq!(adjusted(&word), Some(None));
    }
}
