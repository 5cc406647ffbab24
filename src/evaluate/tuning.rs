//! Whether the carriers of a run stand where they were sent.

use super::{EvaluateError, Evaluator, Pair, pair, tuning};
use crate::analysis::AnalysisError;
use crate::analysis::closing::clear_of_harmonics_hz;
use crate::analysis::flag::{Flag, FlagWord};
use crate::analysis::tuning::off_hz;
use crate::store::{Point, ReadingKind, RunId, Store};

impl Evaluator {
    /// A carrier that was not where it should be. The reference's stands out of every floor; an item's may, and is
    /// looked for where it was alone in its trace.
    pub(super) fn off_frequency(
        &self,
        reference: &Pair,
        item: &Pair,
    ) -> Result<Option<Flag>, AnalysisError> {
        let tolerance = self.station.frequency_tolerance;
        let is_alone = item.carriers_hz().is_none_or(|all| all.len() == 1);
        let off_hz = match (reference.off_hz(tolerance)?, is_alone) {
            (None, true) => item.off_hz(tolerance)?,
            (off_hz, _) => off_hz,
        };
        Ok(off_hz.map(|off_hz| Flag::new(FlagWord::OffFrequency, off_hz / 1e3)))
    }
}

impl Pair {
    /// How far its carrier is from where it should be, Hz, where that is more than the instruments' tolerance. It is
    /// looked for over all of its trace, but for what belongs to other carriers of the same closure.
    fn off_hz(&self, tolerance: f64) -> Result<Option<f64>, AnalysisError> {
        let at_hz = self.measured_hz();
        let (signal, floor) = self.traces()?;
        let tuning = tuning(&signal, self.resolution_hz(), tolerance);
        let carriers_hz = self.sent_hz().unwrap_or_default();
        let others_hz = carriers_hz.iter().filter(|hz| **hz != at_hz);
        let nearest_hz = others_hz.map(|hz| (hz - at_hz).abs()).reduce(f64::min);
        let within_hz = nearest_hz.map_or(f64::INFINITY, |nearest_hz| {
            (0.5 * nearest_hz).min(clear_of_harmonics_hz(at_hz, &tuning))
        });
        off_hz(&signal, &floor, at_hz, within_hz, &tuning)
    }
}

/// How far the carrier of a reference stands from where it was sent, Hz, where that is more than the instruments'
/// tolerance by both its signal and the step below it: a burst is not held twice.
///
/// # Errors
/// A reading that cannot be read, or has no trace around its frequency.
pub async fn reference_off_hz(
    store: &Store,
    run: RunId,
    point: &Point,
    tolerance: f64,
) -> Result<Option<f64>, EvaluateError> {
    let off_hz = async |kind| {
        let found = pair(store, run, kind, point).await?.off_hz(tolerance);
        found.map_err(|cause| EvaluateError::Analysis {
            run,
            point: Box::new(point.clone()),
            cause,
        })
    };
    Ok(match off_hz(ReadingKind::Signal).await? {
        Some(signal_hz) => off_hz(ReadingKind::Step).await?.and(Some(signal_hz)),
        None => None,
    })
}
