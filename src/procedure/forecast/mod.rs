//! What a plan can see at a station, how long it takes, and which settings would do better: worked out
//! before anything is switched on.
//!
//! The level that arrives comes from the last reference measured at the station as it is now, else from
//! the link budget of the station file, with defaults that are named. Times are those that source,
//! receiver and hands need; a station's own habits may add to them.

mod choose;
mod exposure;
mod link;

use jiff::Timestamp;
use serde::Serialize;

use super::steps::stands;
use crate::analysis::budget::{Budget, PointScatter, station_rows};
use crate::analysis::forecast::{Sweep, cascade_figure_db, figure_db, noise_dbm_per_hz};
use crate::analysis::limit::LimitLine;
use crate::config::{Plan, Settings, Station};
use crate::evaluate::{EvaluateError, budget_input};
use crate::quantity::{Frequency, Level};
use crate::station::allowed;
use crate::store::{RunId, Store};

pub use choose::{Chosen, Comparison, with_bands};
pub use exposure::{Exposure, exposure};
pub use link::{Basis, Link, Links};

/// What a wave of hands needs where the station file gives no `placement_time`, s: a person, a command.
const PLACEMENT_S: (f64, f64) = (60.0, 10.0);
/// The round trips of one reading and the pick, s (common practice, no source).
const READING_S: f64 = 0.1;
/// Retrace and hold of one sweep, s (common practice, no source).
const SWEEP_REST_S: f64 = 0.01;
/// More than this at the mixer is not asked for: a receiver bends from some -10 dBm (common practice, no
/// source), dBm.
const MIXER_MAX_DBM: f64 = -10.0;
/// A preamplifier as anybody can buy it: gain and noise figure, dB (common practice, no source).
const PREAMPLIFIER_DB: (f64, f64) = (20.0, 5.0);

/// What a plan can see at a station.
#[derive(Debug, Clone, Serialize)]
pub struct Forecast {
    /// The plan's name.
    pub plan: String,
    /// The station's name.
    pub station: String,
    /// The reference the levels come from, if there is one.
    pub reference: Option<RunId>,
    /// When it was begun.
    pub reference_started: Option<Timestamp>,
    /// What nobody gave and was assumed, in words.
    pub assumed: Vec<String>,
    /// One entry per frequency.
    pub points: Vec<PointForecast>,
    /// What the plan takes as it is written.
    pub duration: Duration,
    /// The same with the chosen settings, and with one setting for all.
    pub comparison: Option<Comparison>,
    /// What people are exposed to.
    pub exposure: Option<Exposure>,
}

/// One frequency of a forecast.
#[derive(Debug, Clone, Serialize)]
pub struct PointForecast {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// What the level comes from.
    pub basis: Basis,
    /// Distance below λ/2π, so that the link budget says little.
    pub near_field: bool,
    /// What the plan's own settings show.
    #[serde(flatten)]
    pub view: View,
    /// The required SE, dB.
    pub limit_db: Option<f64>,
    /// The guard band, dB: the expanded uncertainty far above the floor; none with the rule `simple`.
    pub guard_db: f64,
    /// What is kept back because a forecast is none, dB.
    pub reserve_db: f64,
    /// What must be visible: limit, guard band and reserve, dB.
    pub needed_db: Option<f64>,
    /// What is missing, dB.
    pub short_db: Option<f64>,
    /// What would help, most first.
    pub help: Vec<Help>,
    /// The settings that show enough in the least time.
    pub chosen: Option<Chosen>,
}

/// What given settings show.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct View {
    /// Level at the source's output, after it is held back, dBm.
    pub source_dbm: f64,
    /// The open path's level, dBm.
    pub reference_dbm: f64,
    /// The floor as shown, dBm.
    pub floor_dbm: f64,
    /// Reference minus floor, dB.
    pub dynamic_range_db: f64,
    /// The largest SE that is measured as such in 95 of 100 readings, dB.
    pub visible_se_db: f64,
    /// Resolution bandwidth, Hz.
    pub resolution_bandwidth_hz: f64,
    /// Sweeps.
    pub sweeps: u32,
    /// Floor and signal of one point, s.
    pub seconds: f64,
}

/// Something that would show more.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Help {
    /// By how much, dB.
    pub gain_db: f64,
    /// What, with its figures.
    pub what: String,
}

/// What a plan takes, s.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Duration {
    /// The reference.
    pub reference_s: f64,
    /// Every item.
    pub item_s: f64,
    /// Of which hands.
    pub placing_s: f64,
}

impl Duration {
    /// Reference and one item, s.
    pub fn total_s(&self) -> f64 {
        self.reference_s + self.item_s
    }
}

/// A plan at a station.
struct Bench<'a> {
    plan: &'a Plan,
    station: &'a Station,
    links: Links,
    limit: Option<LimitLine>,
    guard_db: f64,
}

/// What `plan` can see at `station`; from the last reference in `store` where there is one.
pub async fn forecast(
    plan: &Plan,
    station: &Station,
    store: Option<&Store>,
) -> Result<Forecast, EvaluateError> {
    let reference = match store {
        Some(store) => link::last_reference(store, station).await?,
        None => None,
    };
    Ok(forecast_with(plan, station, reference))
}

/// As [`forecast`], with a reference already read.
fn forecast_with(plan: &Plan, station: &Station, reference: Option<link::Reference>) -> Forecast {
    let run = reference.as_ref().map(|reference| reference.run);
    let reference_started = reference.as_ref().map(|reference| reference.started);
    let bench = Bench::of(plan, station, reference);
    let points: Vec<_> = plan.frequencies.iter().map(|f| bench.point(*f)).collect();
    let as_written: Vec<_> = points.iter().map(|point| point.view.seconds).collect();
    let mut assumed = bench.links.assumed(station, &points);
    if station.placement_time.is_none() {
        let placement_s = bench.placement_s();
        assumed.push(format!(
            "placing: {placement_s} s each (no `placement_time`)"
        ));
    }
    Forecast {
        plan: plan.name.clone(),
        station: station.name.clone(),
        reference: run,
        reference_started,
        assumed,
        duration: bench.duration(&as_written),
        comparison: choose::compare(&bench, &points),
        exposure: exposure(station, plan),
        points,
    }
}

impl<'a> Bench<'a> {
    fn of(plan: &'a Plan, station: &'a Station, reference: Option<link::Reference>) -> Self {
        let line: Vec<_> = plan.limit.iter().map(|(f, se)| (f.hz(), se.db())).collect();
        let rows = station_rows(
            &budget_input(&station.uncertainty),
            &PointScatter::default(),
        );
        Self {
            plan,
            station,
            links: Links::new(reference),
            limit: LimitLine::new(line).ok(),
            guard_db: match plan.rule {
                crate::config::Rule::Guarded => Budget::of(rows).expanded_db,
                crate::config::Rule::Simple => 0.0,
            },
        }
    }

    fn point(&self, frequency: Frequency) -> PointForecast {
        let link = self.links.at(self.station, frequency);
        let settings = self.plan.settings_at(frequency);
        let view = self.view(&link, frequency, settings);
        let limit_db = self
            .limit
            .as_ref()
            .and_then(|line| line.at_db(frequency.hz()));
        let reserve_db = link.basis.reserve_db();
        let needed_db = limit_db.map(|db| db + self.guard_db + reserve_db);
        let short_db = needed_db
            .map(|needed| needed - view.visible_se_db)
            .filter(|short| *short > 0.0);
        PointForecast {
            frequency_hz: frequency.hz(),
            basis: link.basis,
            near_field: link.near_field,
            view,
            limit_db,
            guard_db: self.guard_db,
            reserve_db,
            needed_db,
            short_db,
            help: match short_db {
                Some(_) => self.help(&link, frequency, settings),
                None => Vec::new(),
            },
            chosen: needed_db.map(|needed| self.choose(&link, frequency, needed)),
        }
    }

    /// What settings show over a link.
    fn view(&self, link: &Link, frequency: Frequency, settings: &Settings) -> View {
        let source = allowed(self.station, frequency, settings.source_level).level;
        let reference_dbm = source.dbm() + link.path_gain_db;
        let sweep = sweep(settings);
        let outlook = sweep.outlook(link.noise_dbm_per_hz(settings.attenuation));
        View {
            source_dbm: source.dbm(),
            reference_dbm,
            floor_dbm: outlook.floor_dbm,
            dynamic_range_db: reference_dbm - outlook.floor_dbm,
            visible_se_db: reference_dbm - outlook.seen_dbm,
            resolution_bandwidth_hz: sweep.rbw_hz,
            sweeps: sweep.sweeps,
            seconds: point_s(settings),
        }
    }

    /// The most the source may give: the guard's limits, and what the receiver shows undistorted.
    fn source_max(&self, link: &Link, frequency: Frequency, settings: &Settings) -> Level {
        let most = allowed(self.station, frequency, self.station.source_range.level.1).level;
        let mixer_dbm = MIXER_MAX_DBM + link.attenuation_db(settings.attenuation);
        let undistorted = Level::from_dbm(mixer_dbm - link.path_gain_db);
        // What the plan asks for itself is its author's own affair.
        let asked = allowed(self.station, frequency, settings.source_level).level;
        most.min(undistorted).max(asked)
    }

    /// What would help at a frequency, each by itself.
    fn help(&self, link: &Link, frequency: Frequency, settings: &Settings) -> Vec<Help> {
        let now = self.view(link, frequency, settings);
        let mut help = Vec::new();
        let mut add = |gain_db: f64, what: String| {
            if gain_db >= 0.5 {
                help.push(Help { gain_db, what });
            }
        };
        let most = self.source_max(link, frequency, settings).dbm();
        add(
            most - now.source_dbm,
            format!("source level {most:.1} dBm, the most that is allowed"),
        );
        if let Some(narrow) = self.narrowest(frequency, settings) {
            let then = self.view(link, frequency, &narrow);
            let bandwidth = narrow.resolution_bandwidth;
            add(
                then.visible_se_db - now.visible_se_db,
                format!(
                    "resolution bandwidth {bandwidth}, {:.1} s a point",
                    then.seconds
                ),
            );
        }
        let half_m = self.station.distance.m() / 2.0;
        if !link.near_field && half_m * 2.0 * std::f64::consts::PI > frequency.wavelength_m() {
            add(20.0 * 2f64.log10(), format!("distance {half_m} m"));
        }
        let attenuation_db = link.attenuation_db(settings.attenuation);
        if now.reference_dbm < MIXER_MAX_DBM {
            let least_db = (now.reference_dbm - MIXER_MAX_DBM).max(0.0);
            add(
                attenuation_db - least_db,
                format!("attenuation {least_db:.0} dB instead of {attenuation_db:.0} dB"),
            );
        }
        let behind_db = figure_db(link.noise_dbm_per_hz(settings.attenuation));
        let (gain_db, own_db) = PREAMPLIFIER_DB;
        let before_db = cascade_figure_db(own_db, gain_db, behind_db);
        if now.reference_dbm + gain_db - attenuation_db < MIXER_MAX_DBM {
            add(
                noise_dbm_per_hz(behind_db) - noise_dbm_per_hz(before_db),
                format!(
                    "a preamplifier of {gain_db} dB gain and {own_db} dB noise figure before the receiver"
                ),
            );
        }
        help.sort_by(|a, b| b.gain_db.total_cmp(&a.gain_db));
        help
    }

    fn placement_s(&self) -> f64 {
        let (person_s, command_s) = PLACEMENT_S;
        match (self.station.placement_time, &self.station.placement) {
            (Some(time), _) => time.s(),
            (None, None) => person_s,
            (None, Some(_)) => command_s,
        }
    }

    /// What the plan takes, from the seconds of each frequency's floor and signal.
    fn duration(&self, seconds: &[f64]) -> Duration {
        let sweep_s: f64 = seconds.iter().sum();
        let (open, closed) = (
            stands(self.plan, None).len(),
            stands(self.plan, Some("")).len(),
        );
        let placement_s = self.placement_s();
        let (open, closed) = (open as f64, closed as f64);
        Duration {
            reference_s: open * (placement_s + sweep_s),
            item_s: closed * (placement_s + sweep_s),
            placing_s: (open + closed) * placement_s,
        }
    }
}

fn sweep(settings: &Settings) -> Sweep {
    Sweep {
        span_hz: settings.span.hz(),
        points: settings.points,
        rbw_hz: settings.resolution_bandwidth.hz(),
        vbw_hz: settings.video_bandwidth.map(Frequency::hz),
        sweeps: settings.sweeps,
    }
}

/// Floor and signal of one point.
fn point_s(settings: &Settings) -> f64 {
    let reading_s = f64::from(settings.sweeps) * (sweep(settings).sweep_s() + SWEEP_REST_S);
    2.0 * (reading_s + READING_S) + settings.settle.s()
}

#[cfg(test)]
mod tests;
