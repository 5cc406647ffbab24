//! What the readings of one closure of a sealed run say together.

use super::{EvaluateError, Evaluator, Pair};
use crate::analysis::closing::open_carriers;
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
        let [_, item] = pairs;
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
