//! One unit's results as a value at each frequency, and what of its uncertainty others share.
//!
//! A unit is as good as its worst side, so its value at a frequency is the least over faces and
//! polarisations. Closings of it are kept apart: their scatter is how well a closing repeats.

use std::collections::{BTreeMap, BTreeSet};

use crate::analysis::budget::{Budget, Cause, root_sum_square};
use crate::analysis::censored::Value;
use crate::store::{ResultKind, ResultRecord, RunId, RunRecord, Store};

use super::EvaluateError;

/// A face and a polarisation.
pub(super) type Place = (String, String);

/// A complete run of an item with its results.
#[derive(Debug, Clone)]
pub(super) struct Measured {
    pub(super) run: RunRecord,
    pub(super) serial: String,
    /// After how many cycles of use, where somebody counted.
    pub(super) cycles: Option<u32>,
    pub(super) results: Vec<ResultRecord>,
}

impl Measured {
    pub(super) async fn read(
        store: &Store,
        run: RunRecord,
        cycles: &BTreeMap<RunId, u32>,
    ) -> Result<Self, EvaluateError> {
        Ok(Self {
            serial: run.item.clone().unwrap_or_default(),
            cycles: cycles.get(&run.id).copied(),
            results: store.results(run.id).await?,
            run,
        })
    }

    /// Frequencies at which something was measured, as bits (which sort, being positive), each with its places.
    pub(super) fn places(&self) -> BTreeMap<u64, BTreeSet<Place>> {
        let mut places: BTreeMap<u64, BTreeSet<Place>> = BTreeMap::new();
        for result in &self.results {
            let point = &result.point;
            let place = (point.face.clone(), point.polarisation.clone());
            let at = point.frequency_hz.to_bits();
            places.entry(at).or_default().insert(place);
        }
        places
    }

    /// At a frequency, the least of these places in each closing that has a result at all of them.
    pub(super) fn closings(&self, frequency_hz: f64, places: &BTreeSet<Place>) -> Vec<Value> {
        let mut closings: BTreeMap<u32, Vec<Option<Value>>> = BTreeMap::new();
        for result in self.at(frequency_hz, places) {
            let closing = closings.entry(result.point.repeat).or_default();
            closing.push(value(result));
        }
        closings
            .into_values()
            .filter(|values| values.len() == places.len())
            .filter_map(|values| Value::least(values.into_iter().collect::<Option<Vec<_>>>()?))
            .collect()
    }

    /// The standard uncertainties of the point that decides at a frequency.
    pub(super) fn parts(&self, frequency_hz: f64, places: &BTreeSet<Place>) -> Option<Parts> {
        self.at(frequency_hz, places)
            .filter(|result| result.se_db.is_some())
            .min_by(|a, b| a.se_db.unwrap_or(0.0).total_cmp(&b.se_db.unwrap_or(0.0)))
            .and_then(Parts::of)
    }

    fn at<'a>(
        &'a self,
        frequency_hz: f64,
        places: &'a BTreeSet<Place>,
    ) -> impl Iterator<Item = &'a ResultRecord> {
        self.results.iter().filter(move |result| {
            let point = &result.point;
            let among = |(face, polarisation): &Place| {
                *face == point.face && *polarisation == point.polarisation
            };
            point.frequency_hz == frequency_hz && places.iter().any(among)
        })
    }
}

/// A result as a value; none where nothing can be said.
pub(super) fn value(result: &ResultRecord) -> Option<Value> {
    match (result.kind, result.se_db) {
        (ResultKind::Measured, Some(se_db)) => Some(Value::measured(se_db)),
        (ResultKind::AtLeast, Some(se_db)) => Some(Value::at_least(se_db)),
        _ => None,
    }
}

/// Several closings as one value: their mean, which bounds alone make a bound too, since each closing reaches at
/// least its own. `None` of none.
pub(super) fn mean(closings: &[Value]) -> Option<Value> {
    let mean_db =
        closings.iter().map(|value| value.reached_db()).sum::<f64>() / closings.len() as f64;
    match closings.iter().any(|value| value.is_bound()) {
        _ if closings.is_empty() => None,
        true => Some(Value::at_least(mean_db)),
        false => Some(Value::measured(mean_db)),
    }
}

/// The standard uncertainties of one SE, sorted by who shares them, dB.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Parts {
    /// New with every placing: shown by the scatter of units or closings.
    pub(super) own_db: f64,
    /// The same for all units of one kind, and another for another kind.
    pub(super) side_db: f64,
    /// The reference's own: the same for all that were subtracted from it.
    pub(super) reference_db: f64,
    /// The receiver's scale between two levels: of two SE under one reference it counts once, between the two
    /// readings with an item.
    pub(super) scale_db: f64,
}

impl Parts {
    fn of(result: &ResultRecord) -> Option<Self> {
        let budget: Budget = serde_json::from_value(result.detail["budget"].clone()).ok()?;
        let mut squares = [0.0; 4];
        for row in &budget.components {
            let part = match row.cause {
                Cause::Repeatability | Cause::Position | Cause::ItemNoise | Cause::Ambient => 0,
                Cause::ReferenceNoise | Cause::AttenuatorStep => 2,
                Cause::ReceiverLinearity => 3,
                // Whatever is not known to cancel does not.
                _ => 1,
            };
            squares[part] += row.u_db * row.u_db;
        }
        let [own_db, side_db, reference_db, scale_db] = squares.map(f64::sqrt);
        Some(Self {
            own_db,
            side_db,
            reference_db,
            scale_db,
        })
    }

    /// What the scatter of units measured under one reference does not show.
    pub(super) fn shared_db(&self) -> f64 {
        root_sum_square([self.side_db, self.reference_db, self.scale_db])
    }

    /// The root mean square of each part over several units.
    pub(super) fn over(all: &[Self]) -> Self {
        let n = all.len().max(1) as f64;
        let of = |part: &dyn Fn(&Self) -> f64| {
            (all.iter().map(|parts| part(parts).powi(2)).sum::<f64>() / n).sqrt()
        };
        Self {
            own_db: of(&|p| p.own_db),
            side_db: of(&|p| p.side_db),
            reference_db: of(&|p| p.reference_db),
            scale_db: of(&|p| p.scale_db),
        }
    }
}
