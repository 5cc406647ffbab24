//! What is known of a run's reference besides its readings: how far it had changed when it was looked at again, and
//! whether it is where the station's gains let it be.

use std::collections::BTreeMap;

use super::{measured_hz, source_level_dbm};
use crate::analysis::flag::{Flag, FlagWord};
use crate::analysis::forecast::{free_space_loss_db, gain_of_factor_dbi};
use crate::analysis::median;
use crate::config::{Antenna, AntennaFigure, Correction, Station};
use crate::quantity::{Frequency, Ratio};
use crate::store::{Point, ReadingKind, ReadingRecord, RunId, Store, StoreError};

/// Measurements between two references that differ by more than this are to be repeated, dB (IEEE 299-2006, 4.4, by
/// what is publicly known of it).
pub const UNSTABLE_DB: f64 = 3.0;
/// A reference further from its link budget than this is implausible, dB: antennas, cables and reflections leave a
/// budget in the far field wrong by less (common practice, no source).
const REFERENCE_ALLOWED_DB: f64 = 20.0;
/// The same where nobody described an antenna: a short one may be 40 dB less than the dipole that it is taken for.
const REFERENCE_ALLOWED_UNDESCRIBED_DB: f64 = 45.0;
/// A reading may be so much higher than source and gains can give, dB: errors of levels and gains (common practice, no
/// source).
const LEVEL_ALLOWED_DB: f64 = 6.0;
/// The gain of a half-wave dipole, dBi: what an antenna is taken for that nobody described.
pub const ANTENNA_DBI: f64 = 2.15;

/// Whether a reference changed by so much that what was measured meanwhile cannot be relied on.
pub fn is_unstable(change_db: f64) -> bool {
    change_db.abs() > UNSTABLE_DB
}

/// How far a reference had changed when it was looked at again, point by point.
#[derive(Debug, Clone)]
pub struct ReferenceChange {
    at: BTreeMap<(u64, String), f64>,
}

impl ReferenceChange {
    /// Between two references, or a reference and a look at it.
    pub async fn between(store: &Store, before: RunId, after: RunId) -> Result<Self, StoreError> {
        let before = path_gains_db(&store.readings(before).await?);
        let after = path_gains_db(&store.readings(after).await?);
        let change = |(at, now): (_, f64)| before.get(&at).map(|then| (at, now - then));
        Ok(Self {
            at: after.into_iter().filter_map(change).collect(),
        })
    }

    /// Points that both have.
    pub fn points(&self) -> usize {
        self.at.len()
    }

    /// The largest change, dB, with its sign.
    pub fn largest_db(&self) -> Option<f64> {
        let changes = self.at.values().copied();
        changes.max_by(|a, b| a.abs().total_cmp(&b.abs()))
    }

    /// What a point's uncertainty has to allow for: its own change, where it was looked at again. Elsewhere nobody saw
    /// it, so it is the largest change anywhere, and none (so that the station's own figure counts) if that is smaller
    /// than what the station allows for.
    pub(super) fn at(&self, point: &Point, station_db: f64) -> Option<f64> {
        let own = (point.frequency_hz.to_bits(), point.polarisation.clone());
        let elsewhere = || self.largest_db().filter(|db| db.abs() > station_db);
        self.at.get(&own).copied().or_else(elsewhere)
    }

    pub(super) fn flag(&self) -> Option<Flag> {
        let largest_db = self.largest_db()?;
        is_unstable(largest_db).then(|| Flag::new(FlagWord::ReferenceUnstable, largest_db.abs()))
    }
}

/// The signals of a reference over what was sent for them, dB, by the bits of their frequency and their polarisation.
pub fn path_gains_db(readings: &[ReadingRecord]) -> BTreeMap<(u64, String), f64> {
    readings
        .iter()
        .filter(|reading| reading.key.kind == ReadingKind::Signal)
        .map(|reading| {
            let point = &reading.key.point;
            let at = (point.frequency_hz.to_bits(), point.polarisation.clone());
            (at, reading.peak_dbm - source_level_dbm(reading))
        })
        .collect()
}

/// By how much a reference is above its link budget (negative: below), dB: the median over its frequencies in the far
/// field, where that is more than can be explained; none where it is plausible or nothing can be said.
pub fn off_budget_db(station: &Station, readings: &[ReadingRecord]) -> Option<f64> {
    let off = readings
        .iter()
        .filter(|reading| reading.key.kind == ReadingKind::Signal)
        .filter_map(|reading| {
            let at = Frequency::from_hz(measured_hz(reading));
            let (loss_db, far) = free_space_loss_db(at.hz(), station.distance.m());
            let gain_db = reading.peak_dbm
                - source_level_dbm(reading)
                - preamplifier_db(station, reading, at);
            far.then(|| gain_db - budget_db(station, at, loss_db))
        });
    let median = median(off)?;
    let described = [&station.transmit_antenna, &station.receive_antenna]
        .iter()
        .all(|antenna| antenna.figure.is_some());
    let allowed_db = match described {
        true => REFERENCE_ALLOWED_DB,
        false => REFERENCE_ALLOWED_UNDESCRIBED_DB,
    };
    (median.abs() > allowed_db).then_some(median)
}

/// Higher than what source, amplifier and the loss that the station relies on can give at the receiver, so that the
/// trace cannot be what it is taken for.
pub(super) fn too_high(station: &Station, reading: &ReadingRecord) -> Option<Flag> {
    let at = Frequency::from_hz(measured_hz(reading));
    let most_dbm = source_level_dbm(reading) + station.gain_max(Some(at)).db()
        - station.safety.path_loss_min.db()
        + preamplifier_db(station, reading, at);
    let over_db = reading.peak_dbm - most_dbm;
    (over_db > LEVEL_ALLOWED_DB).then(|| Flag::new(FlagWord::LevelImplausible, over_db))
}

/// What the preamplifier may have added to a level as it was shown.
fn preamplifier_db(station: &Station, reading: &ReadingRecord, at: Frequency) -> f64 {
    let gain = super::shown_gain(station).filter(|_| reading.settings["preamplifier"] == true);
    gain.and_then(|gain| gain.at(at)).map_or(0.0, Ratio::db)
}

/// A burst, or another signal, that was held in a reference.
pub(super) fn transient(signal: &ReadingRecord) -> Option<Flag> {
    let word = FlagWord::TransientInHold;
    let is_noted = signal.flags.iter().any(|flag| flag == word.as_str());
    is_noted.then(|| Flag {
        word,
        figure: signal.settings["transient_db"].as_f64(),
    })
}

/// Amplifier, cables, antennas and the air between them, dB; never less loss than the station relies on.
pub fn budget_db(station: &Station, frequency: Frequency, loss_db: f64) -> f64 {
    let amplifier = station
        .gain(frequency)
        .unwrap_or_else(|| station.gain_max(Some(frequency)));
    let antennas = [&station.transmit_antenna, &station.receive_antenna];
    let gains_db: f64 = antennas
        .map(|antenna| antenna_dbi(antenna, frequency) - cable_db(antenna, frequency))
        .iter()
        .sum();
    amplifier.db() - (loss_db - gains_db).max(station.safety.path_loss_min.db())
}

/// The gain of an antenna, dBi; that of a dipole where nobody gave one.
pub fn antenna_dbi(antenna: &Antenna, frequency: Frequency) -> f64 {
    match &antenna.figure {
        None => None,
        Some(AntennaFigure::Gain(gain)) => gain.at(frequency).map(Ratio::db),
        Some(AntennaFigure::Factor(table)) => table
            .at_db(frequency)
            .map(|factor| gain_of_factor_dbi(factor, frequency.hz())),
    }
    .unwrap_or(ANTENNA_DBI)
}

/// The loss of a cable, dB; none where nobody gave any.
pub fn cable_db(antenna: &Antenna, frequency: Frequency) -> f64 {
    let loss: Option<&Correction> = antenna.cable_loss.as_ref();
    loss.and_then(|loss| loss.at(frequency))
        .map_or(0.0, Ratio::db)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(frequency_hz: f64) -> Point {
        Point {
            frequency_hz,
            face: "front".to_owned(),
            polarisation: "vertical".to_owned(),
            repeat: 1,
        }
    }

    fn change(of: &[(f64, f64)]) -> ReferenceChange {
        let at = of
            .iter()
            .map(|(hz, db)| ((hz.to_bits(), "vertical".to_owned()), *db));
        ReferenceChange { at: at.collect() }
    }

    #[test]
    fn a_point_that_nobody_looked_at_again_allows_for_the_largest_change() {
        let seen = change(&[(1e6, 0.2), (1e9, -1.4)]);
        assert_eq!(seen.at(&point(1e6), 0.5), Some(0.2));
        assert_eq!(seen.at(&point(1e7), 0.5), Some(-1.4));
        // The station's own figure is more.
        assert_eq!(seen.at(&point(1e7), 2.0), None);
        assert_eq!(seen.flag(), None);
    }

    #[test]
    fn more_than_three_decibels_anywhere_is_unstable_everywhere() {
        let seen = change(&[(1e6, 0.2), (1e9, -3.1)]);
        let flag = Flag::new(FlagWord::ReferenceUnstable, 3.1);
        assert_eq!(seen.flag(), Some(flag));
        assert_eq!(change(&[(1e6, 3.0)]).flag(), None);
    }
}
