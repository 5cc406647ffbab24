//! What readings say of the carrier that they were taken of.

use serde_json::Value;

use crate::analysis::flag::{Flag, FlagWord};
use crate::quantity::Ratio;
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
    if readings.iter().any(|it| is_unverified(it)) {
        flags.push(Flag::bare(FlagWord::CarrierUnverified));
    }
    flags
}

/// Whether the source could not be asked. A reading from before carriers were read back says nothing about it.
fn is_unverified(reading: &ReadingRecord) -> bool {
    !is_lost(reading) && reading.settings["carrier"]["verified"] == Value::Bool(false)
}

/// Why the carrier was not read back, as the source's driver says; none where it was.
pub fn why_unverified(readings: &[ReadingRecord]) -> Option<String> {
    let reading = readings.iter().find(|it| is_unverified(it))?;
    let reason = reading.settings["carrier"]["reason"].as_str();
    Some(reason.unwrap_or("no reason is kept").to_owned())
}

/// A forward power that differs from that of the reference's signal by more than the plan allows for what the source
/// sent, in any of the readings, or that only one of the two has.
pub(super) fn forward_flags(
    reference: &ReadingRecord,
    readings: &[&ReadingRecord],
    tolerance: Ratio,
) -> Option<Flag> {
    let word = FlagWord::ForwardPower;
    let before_db = forward_gain_db(reference);
    readings.iter().find_map(|reading| {
        let (off_db, wrong) = match (before_db, forward_gain_db(reading)) {
            (Some(before_db), Some(now_db)) => {
                let off_db = now_db - before_db;
                (Some(off_db), off_db.abs() > tolerance.db())
            }
            (None, None) => (None, false),
            _ => (None, true),
        };
        wrong.then_some(Flag {
            word,
            figure: off_db,
        })
    })
}

/// What the amplifier and the cables added to what the source sent, where the forward power was read.
pub fn forward_gain_db(reading: &ReadingRecord) -> Option<f64> {
    let forward_dbm = reading.settings["forward_dbm"].as_f64()?;
    Some(forward_dbm - sent_dbm(reading))
}

/// By how much more went forward in one reading than in another: by the monitor's word, where both have it, else by the
/// source's. The monitor sees what amplifier and cables did meanwhile, which is thereby corrected (JCGM 100, 3.2.4);
/// the station's drift stays in the budget and covers the monitor's own.
pub(super) fn sent_more_db(one: &ReadingRecord, other: &ReadingRecord) -> f64 {
    let drift_db = match (forward_gain_db(one), forward_gain_db(other)) {
        (Some(one), Some(other)) => one - other,
        _ => 0.0,
    };
    sent_dbm(one) - sent_dbm(other) + drift_db
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
