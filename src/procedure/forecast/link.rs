//! The way from the source's output to the receiver's input, and the receiver's own noise: from the last
//! reference, else from the station file.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Serialize;

use super::pace::Pace;
use super::{PREAMPLIFIER_DB, PointForecast};
use crate::analysis::forecast::{
    Sweep, cascade_figure_db, figure_db, free_space_loss_db, noise_dbm_per_hz,
};
use crate::analysis::noise::HeldNoise;
use crate::analysis::trace::Trace as Levels;
use crate::config::{Arrangement, Preamplifier, Station};
use crate::evaluate::{ANTENNA_DBI, EvaluateError, budget_db, tuning, window};
use crate::quantity::{Frequency, Ratio};
use crate::store::{
    ReadingKey, ReadingKind, RunFilter, RunId, RunKind, RunRecord, RunState, Store, StoreError,
    sha256_hex,
};

/// The noise figure of a spectrum analyzer without a preamplifier that nobody measured, dB (from memory).
const FIGURE_DB: f64 = 25.0;
/// The attenuation of a receiver that chooses itself, dB (usual after a reset; from memory).
const ATTENUATION_DB: f64 = 10.0;
/// How many references are looked through for one of the same station.
const REFERENCES_MAX: u32 = 100;

/// What a level comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Measured at this frequency.
    Reference,
    /// Measured at the frequencies on both sides; straight between them over log frequency.
    Between,
    /// Worked out.
    LinkBudget,
}

impl Basis {
    /// What is kept back: a reference comes back within a few decibels, a link budget is worse (common
    /// practice, no source).
    pub(super) fn reserve_db(self) -> f64 {
        match self {
            Self::Reference => 3.0,
            Self::Between | Self::LinkBudget => 6.0,
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Reference => "reference",
            Self::Between => "between",
            Self::LinkBudget => "budget",
        }
    }
}

/// The way at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Link {
    /// Level at the receiver's input over level at the source's output, dB.
    pub path_gain_db: f64,
    /// What both come from.
    pub basis: Basis,
    /// Closer than λ/2π.
    pub near_field: bool,
    /// Noise in one hertz, dBm, with this attenuation.
    noise_dbm_per_hz: f64,
    attenuation_db: f64,
}

impl Link {
    /// The receiver's noise in one hertz of bandwidth with an attenuation, dBm.
    pub fn noise_dbm_per_hz(&self, attenuation: Option<Ratio>) -> f64 {
        self.noise_dbm_per_hz + self.attenuation_db(attenuation) - self.attenuation_db
    }

    /// The same with a preamplifier in; levels are taken to be those at the input. The station's
    /// noise figure is that of both together, without attenuation.
    pub(super) fn preamplified_dbm_per_hz(
        &self,
        attenuation: Option<Ratio>,
        preamplifier: &Preamplifier,
        frequency: Frequency,
    ) -> f64 {
        let without_dbm = self.noise_dbm_per_hz(attenuation);
        let with_dbm = match preamplifier.noise_figure {
            Some(figure) => noise_dbm_per_hz(figure.db()) + self.attenuation_db(attenuation),
            None => {
                let gain_db = preamplifier.gain.at(frequency).map_or(0.0, Ratio::db);
                let behind_db = figure_db(without_dbm);
                noise_dbm_per_hz(cascade_figure_db(PREAMPLIFIER_DB.1, gain_db, behind_db))
            }
        };
        with_dbm.min(without_dbm)
    }

    /// An attenuation, or what it is taken for when the receiver chooses itself.
    pub(super) fn attenuation_db(&self, attenuation: Option<Ratio>) -> f64 {
        attenuation.map_or(self.attenuation_db, Ratio::db)
    }
}

/// What a reference showed at one frequency, the worst of its polarisations.
#[derive(Debug, Clone, Copy)]
struct Shown {
    path_gain_db: f64,
    noise_dbm_per_hz: f64,
    attenuation_db: f64,
}

/// The last reference of a station.
#[derive(Debug)]
pub(super) struct Reference {
    pub run: RunId,
    pub started: Timestamp,
    /// How long its readings took, where they tell.
    pace: Option<Pace>,
    /// By the bits of the frequency, which sort as it does.
    shown: BTreeMap<u64, Shown>,
}

/// The newest complete reference measured with the station file as it is now.
pub(super) async fn last_reference(
    store: &Store,
    station: &Station,
) -> Result<Option<Reference>, EvaluateError> {
    let sha = sha256_hex(station.text.as_bytes());
    let filter = RunFilter {
        kind: Some(RunKind::Reference),
        state: Some(RunState::Complete),
        limit: Some(REFERENCES_MAX),
        ..RunFilter::default()
    };
    let runs = store.runs(&filter).await?;
    // One that looked at another again knows a few frequencies only.
    let fits = |run: &RunRecord| run.station_sha == sha && !run.is_reference_check();
    let Some(run) = runs.into_iter().find(fits) else {
        return Ok(None);
    };
    let mut shown = BTreeMap::new();
    for key in store.reading_keys(run.id).await? {
        if key.kind == ReadingKind::Signal
            && let Some(new) = read(store, run.id, &key, station.frequency_tolerance).await?
        {
            shown
                .entry(key.point.frequency_hz.to_bits())
                .and_modify(|old: &mut Shown| {
                    old.path_gain_db = old.path_gain_db.min(new.path_gain_db);
                    old.noise_dbm_per_hz = old.noise_dbm_per_hz.max(new.noise_dbm_per_hz);
                })
                .or_insert(new);
        }
    }
    Ok(Some(Reference {
        run: run.id,
        started: run.started,
        pace: Pace::of(&store.readings(run.id).await?),
        shown,
    }))
}

/// One signal of a reference and its floor; none when the floor is not that of a receiver's noise.
async fn read(
    store: &Store,
    run: RunId,
    key: &ReadingKey,
    tolerance: f64,
) -> Result<Option<Shown>, EvaluateError> {
    let floor_key = ReadingKey {
        kind: ReadingKind::Floor,
        ..key.clone()
    };
    // A trace that was moved to another file tells nothing here.
    let there = |read| match read {
        Err(StoreError::TraceMoved { .. }) => Ok(None),
        read => read,
    };
    let (Some((signal, _)), Some((floor, trace))) = (
        there(store.reading_with_trace(run, key).await)?,
        there(store.reading_with_trace(run, &floor_key).await)?,
    ) else {
        return Ok(None);
    };
    let number = |name: &str| signal.settings[name].as_f64();
    let (Some(source_dbm), Some(rbw_hz)) = (
        number("source_level_dbm"),
        number("resolution_bandwidth_hz"),
    ) else {
        return Ok(None);
    };
    if !signal.settings["closing_frequencies_hz"].is_null() {
        // The one trace of a sealed receiver was held over all of its closing.
        return Ok(None);
    }
    let trace = &trace.trace;
    let levels = trace.levels.to_f64();
    let sweep = Sweep {
        span_hz: trace.stop_hz - trace.start_hz,
        points: u32::try_from(levels.len()).unwrap_or(u32::MAX),
        rbw_hz,
        vbw_hz: number("video_bandwidth_hz"),
        sweeps: floor.sweeps,
        with_carrier: floor.sweeps,
        floor_hz: trace.stop_hz - trace.start_hz,
    };
    let is_noise = Levels::new(trace.start_hz, trace.stop_hz, &levels)
        .and_then(|trace| {
            let window = window(key.point.frequency_hz, &tuning(&trace, rbw_hz, tolerance));
            HeldNoise::estimate(&trace, window, signal.peak_hz, floor.sweeps, rbw_hz)
        })
        .is_ok_and(|noise| noise.is_some());
    let Some(noise_dbm_per_hz) = sweep.shown_dbm_per_hz(&levels).filter(|_| is_noise) else {
        return Ok(None);
    };
    Ok(Some(Shown {
        path_gain_db: signal.peak_dbm - source_dbm,
        noise_dbm_per_hz,
        attenuation_db: number("attenuation_db").unwrap_or(ATTENUATION_DB),
    }))
}

/// Ways at all frequencies.
#[derive(Debug)]
pub struct Links {
    reference: Option<Reference>,
}

impl Links {
    pub(super) fn new(reference: Option<Reference>) -> Self {
        Self { reference }
    }

    /// How long readings take.
    pub(super) fn pace(&self, arrangement: Arrangement) -> Pace {
        let measured = self.reference.as_ref().and_then(|reference| reference.pace);
        let pace = measured.unwrap_or_else(|| Pace::usual(arrangement));
        match pace.sealed == (arrangement == Arrangement::Sealed) {
            true => pace,
            false => pace.with_rest_of(Pace::usual(arrangement)),
        }
    }

    /// The way at a frequency.
    pub fn at(&self, station: &Station, frequency: Frequency) -> Link {
        let (loss_db, far) = free_space_loss_db(frequency.hz(), station.distance.m());
        match self.shown(frequency.hz()) {
            Some((shown, basis)) => Link {
                path_gain_db: shown.path_gain_db,
                basis,
                near_field: !far,
                noise_dbm_per_hz: shown.noise_dbm_per_hz,
                attenuation_db: shown.attenuation_db,
            },
            None => Link {
                path_gain_db: budget_db(station, frequency, loss_db),
                basis: Basis::LinkBudget,
                near_field: !far,
                noise_dbm_per_hz: ATTENUATION_DB
                    + noise_dbm_per_hz(station.noise_figure.map_or(FIGURE_DB, Ratio::db)),
                attenuation_db: ATTENUATION_DB,
            },
        }
    }

    fn shown(&self, frequency_hz: f64) -> Option<(Shown, Basis)> {
        let shown = &self.reference.as_ref()?.shown;
        let bits = frequency_hz.to_bits();
        if let Some(here) = shown.get(&bits) {
            return Some((*here, Basis::Reference));
        }
        let (low_bits, low) = shown.range(..bits).next_back()?;
        let (high_bits, high) = shown.range(bits..).next()?;
        let (low_hz, high_hz) = (f64::from_bits(*low_bits), f64::from_bits(*high_bits));
        let along = (frequency_hz / low_hz).ln() / (high_hz / low_hz).ln();
        let between = |a: f64, b: f64| a + along * (b - a);
        let high_noise = high.noise_dbm_per_hz + low.attenuation_db - high.attenuation_db;
        let shown = Shown {
            path_gain_db: between(low.path_gain_db, high.path_gain_db),
            noise_dbm_per_hz: between(low.noise_dbm_per_hz, high_noise),
            attenuation_db: low.attenuation_db,
        };
        Some((shown, Basis::Between))
    }

    /// What the link budget took for granted, in words.
    pub(super) fn assumed(&self, station: &Station, points: &[PointForecast]) -> Vec<String> {
        let mut assumed = Vec::new();
        let budget = |point: &&PointForecast| point.basis == Basis::LinkBudget;
        if points.iter().any(|point| budget(&point)) {
            let antennas = [
                ("transmit", &station.transmit_antenna),
                ("receive", &station.receive_antenna),
            ];
            for (name, antenna) in antennas {
                if antenna.figure.is_none() {
                    assumed.push(format!(
                        "{name} antenna: {ANTENNA_DBI} dBi, a half-wave dipole ([{name}_antenna] gives no gain)"
                    ));
                }
                if antenna.cable_loss.is_none() {
                    assumed.push(format!(
                        "{name} cable: no loss ([{name}_antenna] gives none)"
                    ));
                }
            }
            if station.noise_figure.is_none() {
                assumed.push(format!(
                    "noise figure: {FIGURE_DB} dB ([receiver] gives none)"
                ));
            }
        }
        let near = points.iter().filter(budget).filter(|p| p.near_field);
        if let Some(highest) = near.map(|point| point.frequency_hz).reduce(f64::max) {
            assumed.push(format!(
                "up to {}: 6 dB between the antennas (`near` above), because they stand closer than λ/2π and free space does not hold; it may be wrong by tens of decibels: measure a reference",
                Frequency::from_hz(highest)
            ));
        }
        assumed
    }
}

#[cfg(test)]
impl Reference {
    /// Frequency in hertz, path gain in dB, noise in one hertz in dBm with an attenuation of 10 dB.
    pub(super) fn of_test(shown: &[(f64, f64, f64)]) -> Self {
        let shown = shown.iter().map(|&(hz, path_gain_db, noise_dbm_per_hz)| {
            let shown = Shown {
                path_gain_db,
                noise_dbm_per_hz,
                attenuation_db: 10.0,
            };
            (hz.to_bits(), shown)
        });
        Self {
            run: RunId::at(Timestamp::UNIX_EPOCH),
            started: Timestamp::UNIX_EPOCH,
            pace: None,
            shown: shown.collect(),
        }
    }
}
