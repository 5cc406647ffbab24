//! What readings say of the carrier that they were taken of.

use serde_json::Value;

use crate::analysis::flag::{Flag, FlagWord};
use crate::store::ReadingRecord;

/// Whether the carrier was gone while a reading was taken, so that it proves nothing.
pub(super) fn is_lost(reading: &ReadingRecord) -> bool {
    let word = FlagWord::CarrierLost.as_str();
    reading.flags.iter().any(|flag| flag == word)
}

/// A carrier that was lost, or that nobody could ask for, in any of the readings that a point rests on.
pub(super) fn carrier_flags(readings: &[&ReadingRecord]) -> Vec<Flag> {
    let lost: Vec<_> = readings.iter().filter(|it| is_lost(it)).collect();
    let mut flags = Vec::new();
    if !lost.is_empty() {
        let level_off_db = lost
            .iter()
            .find_map(|it| it.settings["carrier"]["level_off_db"].as_f64());
        flags.push(Flag {
            word: FlagWord::CarrierLost,
            figure: level_off_db,
        });
    }
    // A reading from before carriers were read back says nothing about it.
    let unverified = |it: &&&ReadingRecord| {
        !is_lost(it) && it.settings["carrier"]["verified"] == Value::Bool(false)
    };
    if readings.iter().any(|it| unverified(&it)) {
        flags.push(Flag::bare(FlagWord::CarrierUnverified));
    }
    flags
}

/// The level at the source's output: as the source said, where it could be asked, else as it was told.
pub(super) fn sent_dbm(reading: &ReadingRecord) -> f64 {
    let carrier = &reading.settings["carrier"];
    let said = match &carrier["verified"] {
        Value::Bool(true) => carrier["level_dbm"].as_f64(),
        _ => None,
    };
    said.or_else(|| reading.settings["source_level_dbm"].as_f64())
        .unwrap_or_default()
}
