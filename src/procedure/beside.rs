//! What a reference sees to besides its readings: that each test frequency is clear of other signals, and, where
//! something compresses, who does.
//!
//! A point keeps the frequency the plan asks for as its name, so that limits, histories and the other runs of the
//! item find it; where its readings were taken stands in their settings (`measured_hz`). A reference
//! decides where that is, and every run that is subtracted from it follows.

use std::collections::HashMap;

use super::{Aim, Event, Procedure, ProcedureError, place_of, reading, steps};
use crate::analysis::AnalysisError;
use crate::config::{Plan, SWEEPS_MAX, Station};
use crate::evaluate::{self, compression, measured_hz};
use crate::instrument::{InstrumentError, ReceiverSettings};
use crate::quantity::Frequency;
use crate::station::StationError;
use crate::store::{NewReading, Point, ReadingKind, ReadingRecord, RunId, StoreError, Trace};

/// Places looked at on each side of a test frequency, at most.
const PLACES_MAX: u32 = 50;
/// A place beside is watched this many times as long as a floor, because a station whose frequency swings is
/// seldom where the filter passes.
const LOOK_SWEEPS: u32 = 5;

/// Where the points of a run are measured instead of the frequency they are named after.
pub(super) struct Moves {
    places: HashMap<(u64, String), Frequency>,
    /// How far away a clear frequency may be looked for; none in a run that follows its reference.
    most: Option<Frequency>,
}

impl Moves {
    pub(super) fn at(&self, point: &Point) -> Frequency {
        let place = self.places.get(&Self::name(point)).copied();
        place.unwrap_or(Frequency::from_hz(point.frequency_hz))
    }

    pub(super) fn insert(&mut self, point: &Point, at: Frequency) {
        self.places.insert(Self::name(point), at);
    }

    pub(super) fn may_search(&self) -> Option<Frequency> {
        self.most
    }

    /// Turning the antennas changes what else they hear; faces and repeats follow the open path.
    fn name(point: &Point) -> (u64, String) {
        (point.frequency_hz.to_bits(), point.polarisation.clone())
    }
}

/// What a place shows with the source off.
enum Look {
    /// Nothing but noise: its floor.
    Clear(NewReading),
    /// Another signal: the reading, of kind `ambient`, that shows it.
    Spoiled(NewReading),
}

impl Procedure {
    /// Where a run measures: as its reference did, or the reference itself so far.
    pub(super) async fn moves(&self, plan: &Plan, run: RunId) -> Result<Moves, StoreError> {
        let mut moves = Moves {
            places: HashMap::new(),
            most: None,
        };
        if plan.move_max.is_none() {
            return Ok(moves);
        }
        let reference = self.store.run(run).await?.reference_run;
        if reference.is_none() {
            moves.most = plan.move_max;
        }
        for reading in self.store.readings(reference.unwrap_or(run)).await? {
            if reading.key.kind == ReadingKind::Floor {
                let at = Frequency::from_hz(measured_hz(&reading));
                moves.insert(&reading.key.point, at);
            }
        }
        Ok(moves)
    }

    /// The floor at the test frequency, or where another signal stands at or near it, at the nearest clear place
    /// up to `most` away, together with what stood in the way. Where no place is clear the floor stays where
    /// it was asked for. Answers with where it was taken.
    pub(super) async fn floor_in_the_clear(
        &self,
        plan: &Plan,
        run: RunId,
        place: &str,
        point: &Point,
        most: Frequency,
    ) -> Result<Frequency, ProcedureError> {
        let asked = Frequency::from_hz(point.frequency_hz);
        let aim = |at| self.aim(plan, steps::key(ReadingKind::Floor, point), at, false);
        let in_the_way = match self.look(plan, run, place, aim(asked)).await? {
            Look::Clear(floor) => {
                self.store.append_reading(run, &floor, None).await?;
                self.tell_of(&floor).await;
                return Ok(asked);
            }
            Look::Spoiled(ambient) => ambient,
        };
        for at in places(plan, &self.station.config, asked, most) {
            let Look::Clear(floor) = self.look(plan, run, place, aim(at)).await? else {
                continue;
            };
            let both = [in_the_way, floor.clone()];
            self.store.append_together(run, &both).await?;
            self.tell(Event::Moved {
                asked_hz: asked.hz(),
                measured_hz: at.hz(),
            })
            .await;
            self.tell_of(&floor).await;
            return Ok(at);
        }
        self.read(plan, run, place, aim(asked)).await?;
        Ok(asked)
    }

    /// Watches a place for longer than a floor takes, then reads the floor there.
    async fn look(
        &self,
        plan: &Plan,
        run: RunId,
        place: &str,
        floor: Aim,
    ) -> Result<Look, ProcedureError> {
        let longer = floor.receiver.sweeps.saturating_mul(LOOK_SWEEPS);
        let receiver = ReceiverSettings {
            sweeps: longer.min(SWEEPS_MAX),
            ..floor.receiver
        };
        let key = steps::key(ReadingKind::Ambient, &floor.key.point);
        let mut watched = Aim {
            key,
            receiver,
            ..floor
        };
        let (mut attempt, mut taken) = self.take_patiently(plan, run, place, &watched).await?;
        if !ambient(&taken.held.trace, &watched.receiver).map_err(refused(place))? {
            (attempt, taken) = self.take_patiently(plan, run, place, &floor).await?;
            if !ambient(&taken.held.trace, &floor.receiver).map_err(refused(place))? {
                return reading(floor, attempt, taken)
                    .map(Look::Clear)
                    .map_err(refused(place));
            }
            watched.receiver = floor.receiver;
        }
        reading(watched, attempt, taken)
            .map(Look::Spoiled)
            .map_err(refused(place))
    }

    /// Where the step of a reference did not read as that step: one more reading with as much more attenuation at
    /// the receiver's input, which tells whether the receiver compresses. A clean bench pays nothing for it.
    pub(super) async fn see_who_compresses(
        &self,
        plan: &Plan,
        run: RunId,
        point: &Point,
        at: Frequency,
    ) -> Result<(), ProcedureError> {
        if !self.compresses(run, point).await? {
            return Ok(());
        }
        let key = steps::key(ReadingKind::Pad, point);
        let place = place_of(None, &key);
        let aim = self.aim(plan, key, at, false);
        if aim.receiver.attenuation.is_none() {
            // What the receiver chose itself cannot be raised by a step.
            return Ok(());
        }
        match self.read(plan, run, &place, aim).await {
            Err(error) if is_refusal(&error) => Ok(()),
            read => read,
        }
    }

    /// Whether the step of a reference did not read as that step, and nothing was done about it yet.
    pub(super) async fn compresses(&self, run: RunId, point: &Point) -> Result<bool, StoreError> {
        let read = async |kind| -> Result<Option<ReadingRecord>, StoreError> {
            let key = steps::key(kind, point);
            let found = self.store.reading_with_trace(run, &key).await?;
            Ok(found.map(|(reading, _)| reading))
        };
        let (Some(floor), Some(signal), Some(step), None) = (
            read(ReadingKind::Floor).await?,
            read(ReadingKind::Signal).await?,
            read(ReadingKind::Step).await?,
            read(ReadingKind::Pad).await?,
        ) else {
            return Ok(false);
        };
        Ok(!compression(&signal, &floor, &step, None).is_empty())
    }
}

/// Whether a receiver refused more attenuation than it has to give; then nobody knows who compresses.
pub(super) fn is_refusal(error: &ProcedureError) -> bool {
    let refused = matches!(
        error,
        ProcedureError::Station {
            cause: StationError::Instrument(InstrumentError::Reported { .. }),
            ..
        }
    );
    if refused {
        tracing::warn!(%error, "the receiver's part of the compression is not known");
    }
    refused
}

pub(super) fn refused(place: &str) -> impl FnOnce(AnalysisError) -> ProcedureError {
    let place = place.to_owned();
    move |cause| ProcedureError::Reading { place, cause }
}

/// Whether another signal stands at or near where a trace with the source off was taken.
fn ambient(trace: &Trace, receiver: &ReceiverSettings) -> Result<bool, AnalysisError> {
    evaluate::ambient_within(
        trace,
        receiver.centre,
        // All of the trace, but for its edges.
        Frequency::from_hz(0.45 * receiver.span.hz()),
        receiver.resolution_bandwidth,
        receiver.sweeps,
    )
}

/// Where a point may be measured instead, the nearest first: what the instruments reach, the station's tables
/// know and no protected band forbids.
fn places(plan: &Plan, station: &Station, asked: Frequency, most: Frequency) -> Vec<Frequency> {
    let span_hz = plan.settings_at(asked).span.hz();
    let step_hz = (0.5 * span_hz).max(most.hz() / f64::from(PLACES_MAX));
    let steps = (most.hz() / step_hz + 1e-9).floor() as u32;
    let half_hz = 0.5 * span_hz;
    let (low, high) = station.receiver_frequency;
    let allowed = |at: &Frequency| {
        let tuned = low.hz() <= at.hz() - half_hz && at.hz() + half_hz <= high.hz();
        tuned && may_be_sent(plan, station, *at)
    };
    (1..=steps)
        .flat_map(|step| [1.0, -1.0].map(|side| side * f64::from(step) * step_hz))
        .map(|offset_hz| Frequency::from_hz(asked.hz() + offset_hz))
        .filter(allowed)
        .collect()
}

/// Whether a frequency that the plan does not name may be sent: the source reaches it, the station's tables know it, and
/// no protected band forbids it.
pub(super) fn may_be_sent(plan: &Plan, station: &Station, at: Frequency) -> bool {
    let (low, high) = station.source_range.frequency;
    let tables = station.tables();
    let is_permitted = station
        .protected_band(at)
        .is_none_or(|band| plan.permission(&band.name).is_some());
    let is_known = tables.iter().all(|(_, table)| table.at_db(at).is_some());
    low <= at && at <= high && is_known && is_permitted
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Drivers;
    use std::path::Path;

    #[test]
    fn the_nearest_place_comes_first_and_no_forbidden_one() {
        let text = include_str!("../../config/plan.toml");
        let plan = Plan::read("plan.toml", text).expect("plan");
        let text = include_str!("../../config/station.toml");
        let station = Station::read("station.toml", text, Drivers::Folder(Path::new(".")));
        let station = station.expect("station");
        let places = |hz: f64, most: f64| -> Vec<f64> {
            let at = Frequency::from_hz;
            let found = super::places(&plan, &station, at(hz), at(most));
            found.iter().map(|at| (at.hz() - hz) / 1e3).collect()
        };
        // Half of the plan's 20 kHz.
        assert_eq!(places(100e6, 25e3), [10.0, -10.0, 20.0, -20.0]);
        // 121.4 MHz to 121.6 MHz is protected.
        assert_eq!(places(121.385e6, 20e3), [10.0, -10.0, -20.0]);
        // The receiver begins at 9 kHz, and the trace has to fit.
        assert_eq!(places(25e3, 20e3), [10.0, 20.0]);
        assert_eq!(places(100e6, 5e6).len(), 100);
    }
}
