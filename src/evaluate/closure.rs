//! What the readings of one closure of a sealed run say together.

use super::{EvaluateError, Evaluator, Pair};
use serde_json::Value;

use crate::analysis::closing::{HeldLevel, disagree_db, open_carriers};
use crate::analysis::flag::{Flag, FlagWord};
use crate::store::{Point, ReadingKind, ReadingRecord};

impl Evaluator {
    /// Whether anything proves that the receiver went on holding, and whether the item was closed the whole time.
    pub(super) async fn closure_flags(
        &self,
        point: &Point,
        open: &Point,
        pairs: [&Pair; 2],
    ) -> Result<Vec<Flag>, EvaluateError> {
        let unproven = FlagWord::HoldUnproven;
        let is_unproven =
            |reading: &ReadingRecord| reading.flags.iter().any(|flag| flag == unproven.as_str());
        let mut flags = Vec::new();
        if pairs
            .iter()
            .any(|pair| is_unproven(&pair.floor) || is_unproven(&pair.signal))
        {
            flags.push(Flag::bare(unproven));
        }
        let [reference, item] = pairs;
        for (pair, reference) in [(reference, None), (item, Some(reference))] {
            let closure = [&pair.floor, &pair.signal].map(|it| &it.settings);
            let reference = reference.map(|pair| &pair.signal.settings);
            let disagree_db = first_and_last_disagree_db(closure, reference);
            flags.extend(disagree_db.map(|db| Flag::new(FlagWord::ClosureDisagrees, db)));
        }
        let carriers = item.carriers_hz().unwrap_or_default();
        if carriers.len() < 2 {
            return Ok(flags);
        }
        let se_db = self.closure_se_db(point, open, &carriers).await?;
        let levels: Vec<f64> = se_db.iter().map(|(_, se_db)| *se_db).collect();
        let (late, early) = open_carriers(&levels);
        let here = se_db.iter().position(|(hz, _)| *hz == point.frequency_hz);
        let largest = |from: &[f64]| from.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if here.is_some_and(|here| here < late) {
            let largest_db = largest(&levels[..late]);
            flags.push(Flag::new(FlagWord::ClosedLate, largest_db));
        }
        if here.is_some_and(|here| here >= levels.len() - early) {
            let largest_db = largest(&levels[levels.len() - early..]);
            flags.push(Flag::new(FlagWord::OpenedEarly, largest_db));
        }
        Ok(flags)
    }

    /// By how much each carrier of a closure read lower than in the reference, dB, in the order of their emission,
    /// each with its frequency, Hz.
    async fn closure_se_db(
        &self,
        point: &Point,
        open: &Point,
        carriers_hz: &[f64],
    ) -> Result<Vec<(f64, f64)>, EvaluateError> {
        let reference = self.store.readings(self.reference).await?;
        let item = self.store.readings(self.run.id).await?;
        let stands = |at: &Point, reading: &&ReadingRecord| {
            let here = &reading.key.point;
            reading.key.kind == ReadingKind::Signal
                && (&here.face, &here.polarisation, here.repeat)
                    == (&at.face, &at.polarisation, at.repeat)
        };
        let in_the_open = |hz: f64| {
            let there = reference.iter().filter(|it| stands(open, it));
            there
                .filter(|it| it.key.point.frequency_hz == hz)
                .map(|it| it.peak_dbm)
                .next()
        };
        // Readings are kept in the order in which their carriers were sent.
        let sent = item.iter().filter(|it| stands(point, it));
        Ok(sent
            .map(|it| (it.key.point.frequency_hz, it.peak_dbm))
            .filter(|(hz, _)| carriers_hz.contains(hz))
            .filter_map(|(hz, level_dbm)| Some((hz, in_the_open(hz)? - level_dbm)))
            .collect())
    }
}

/// By how much the first carrier of a closure read lower when it was sent again as the last, dB, where both disagree; by
/// the settings of a floor and a reading with a carrier in it, and of its reference, which counts where it was sent at
/// the same two places.
pub fn first_and_last_disagree_db(
    [floor, signal]: [&Value; 2],
    reference: Option<&Value>,
) -> Option<f64> {
    let sent = |settings: &Value, key: &str| settings["sent_again"][key].as_f64();
    let held = |key| {
        Some(HeldLevel {
            level_dbm: sent(signal, key)?,
            floor_dbm: sent(floor, key)?,
        })
    };
    let is_alike = |reference: &&Value| {
        ["first_hz", "again_hz"].map(|key| sent(reference, key))
            == ["first_hz", "again_hz"].map(|key| sent(signal, key))
    };
    let reference_db = reference
        .filter(is_alike)
        .and_then(|it| Some(sent(it, "first_dbm")? - sent(it, "again_dbm")?));
    disagree_db(
        held("first_dbm")?,
        held("again_dbm")?,
        reference_db.unwrap_or_default(),
    )
}
