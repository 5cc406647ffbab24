//! What a plan can see at a station, how long it takes, and which settings would do better: worked out
//! before anything is switched on.
//!
//! The level that arrives comes from the last reference measured at the station as it is now, else from
//! the link budget of the station file, with defaults that are named. Times are those that source,
//! receiver and hands need; a station's own habits may add to them.

mod choose;
mod exposure;
mod link;
mod pace;
mod sealed;

use jiff::Timestamp;
use serde::Serialize;

use super::ProcedureError;
use super::closings::Planned;
use super::scheduled::Schedule;
use super::steps::stands;
use crate::analysis::budget::{Budget, PointScatter, station_rows};
use crate::analysis::forecast::{Sweep, cascade_figure_db, figure_db, noise_dbm_per_hz};
use crate::analysis::limit::LimitLine;
use crate::config::{Arrangement, Bracket, Plan, Settings, Station, Words};
use crate::evaluate::budget_input;
use crate::quantity::{Frequency, Level};
use crate::station::allowed;
use crate::store::{RunId, RunKind, Store};

pub use choose::{Chosen, Comparison, with_bands};
pub use exposure::{Exposure, exposure};
pub use link::{Basis, Link, Links};
use pace::Pace;
pub use sealed::ClosingForecast;
use sealed::holding;

/// What a wave of hands needs where the station file gives no `placement_time`, s: a person, a command.
const PLACEMENT_S: (f64, f64) = (60.0, 10.0);
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
    /// The closings of a sealed item, for each face, polarisation and repeat.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub closings: Vec<ClosingForecast>,
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
    /// The reference looked at again, after the last item.
    pub check_s: f64,
    /// Of which hands.
    pub placing_s: f64,
}

impl Duration {
    /// Reference, one item and the look at the reference after it, s.
    pub fn total_s(&self) -> f64 {
        self.reference_s + self.item_s + self.check_s
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
) -> Result<Forecast, ProcedureError> {
    let reference = match store {
        Some(store) => link::last_reference(store, station).await?,
        None => None,
    };
    forecast_with(plan, station, reference)
}

/// As [`forecast`], with a reference already read.
fn forecast_with(
    plan: &Plan,
    station: &Station,
    reference: Option<link::Reference>,
) -> Result<Forecast, ProcedureError> {
    let run = reference.as_ref().map(|reference| reference.run);
    let reference_started = reference.as_ref().map(|reference| reference.started);
    let bench = Bench::of(plan, station, reference);
    let sealed = match plan.arrangement {
        Arrangement::Linked | Arrangement::Scheduled => None,
        Arrangement::Sealed => {
            let sealed = bench.sealed();
            Some(sealed.map_err(|cause| ProcedureError::Closings {
                plan: plan.name.clone(),
                cause,
            })?)
        }
    };
    let point = |frequency: &Frequency| {
        let closings = sealed.as_ref().map(|sealed| sealed.item.as_slice());
        bench.point(*frequency, closings)
    };
    let points: Vec<_> = plan.frequencies.iter().map(point).collect();
    let mut assumed = bench.links.assumed(station, &points);
    if station.placement_time.is_none() {
        let placement_s = bench.placement_s();
        assumed.push(format!(
            "placing: {placement_s} s each (no `placement_time`)"
        ));
    }
    Ok(Forecast {
        plan: plan.name.clone(),
        station: station.name.clone(),
        reference: run,
        reference_started,
        assumed,
        duration: match (&sealed, plan.arrangement) {
            (Some(sealed), _) => bench.sealed_duration(sealed),
            (None, Arrangement::Scheduled) => bench.scheduled_duration()?,
            (None, _) => bench.duration(plan.frequencies.iter().map(|f| plan.settings_at(*f))),
        },
        closings: match &sealed {
            Some(sealed) => bench.closing_forecasts(sealed, &points),
            None => Vec::new(),
        },
        comparison: match plan.arrangement {
            // Its time is the timetable's, whatever is chosen for one frequency.
            Arrangement::Scheduled => None,
            _ => choose::compare(&bench, &points),
        },
        exposure: exposure(station, plan),
        points,
    })
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

    /// A frequency, in one of the closings where there are any.
    fn point(&self, frequency: Frequency, closings: Option<&[Planned]>) -> PointForecast {
        let link = self.links.at(self.station, frequency);
        let settings = self.plan.settings_at(frequency);
        let view = match closings.and_then(|all| holding(all, frequency)) {
            Some(closing) => self.sealed_view(&link, frequency, settings, closing),
            None => self.view(&link, frequency, settings),
        };
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
                Some(_) => self.help(&link, frequency, settings, &view),
                None => Vec::new(),
            },
            // What a closing or a timetable shares is not chosen for one frequency.
            chosen: needed_db
                .filter(|_| self.plan.arrangement == Arrangement::Linked)
                .map(|needed| self.choose(&link, frequency, needed)),
        }
    }

    /// What settings show over a link.
    fn view(&self, link: &Link, frequency: Frequency, settings: &Settings) -> View {
        self.view_of(
            link,
            frequency,
            settings,
            &sweep(settings),
            self.pace().point_s(settings),
        )
    }

    /// What a trace shows over a link, and what it takes.
    fn view_of(
        &self,
        link: &Link,
        frequency: Frequency,
        settings: &Settings,
        sweep: &Sweep,
        seconds: f64,
    ) -> View {
        let source = allowed(self.station, frequency, settings.source_level).level;
        let reference_dbm = source.dbm() + link.path_gain_db;
        let preamplified = settings.preamplifier.is_some_and(|it| it.is_on(true));
        let noise_dbm = match &self.station.preamplifier {
            Some(preamplifier) if preamplified => {
                link.preamplified_dbm_per_hz(settings.attenuation, preamplifier, frequency)
            }
            _ => link.noise_dbm_per_hz(settings.attenuation),
        };
        let outlook = sweep.outlook(noise_dbm, self.plan.false_alarm);
        View {
            source_dbm: source.dbm(),
            reference_dbm,
            floor_dbm: outlook.floor_dbm,
            dynamic_range_db: reference_dbm - outlook.floor_dbm,
            visible_se_db: reference_dbm - outlook.seen_dbm,
            resolution_bandwidth_hz: sweep.rbw_hz,
            sweeps: sweep.sweeps,
            seconds,
        }
    }

    /// Whether a preamplifier can be switched in at this station.
    fn can_preamplify(&self) -> bool {
        let words = match &self.station.receiver.driver.words {
            Words::Receiver(words) => words.preamplifier.is_some(),
            Words::Source(_) | Words::PowerMonitor(_) => false,
        };
        words && self.station.preamplifier.is_some()
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
    fn help(
        &self,
        link: &Link,
        frequency: Frequency,
        settings: &Settings,
        now: &View,
    ) -> Vec<Help> {
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
        let linked = self.plan.arrangement == Arrangement::Linked;
        if let Some(narrow) = self.narrowest(frequency, settings).filter(|_| linked) {
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
        if settings.preamplifier.is_none() {
            let room_db = MIXER_MAX_DBM - now.reference_dbm + attenuation_db;
            help.extend(self.preamplifier_help(link, frequency, settings, room_db));
        }
        help.sort_by(|a, b| b.gain_db.total_cmp(&a.gain_db));
        help
    }

    /// What the station's preamplifier would show more, or one as anybody can buy it.
    fn preamplifier_help(
        &self,
        link: &Link,
        frequency: Frequency,
        settings: &Settings,
        room_db: f64,
    ) -> Option<Help> {
        let without_dbm = link.noise_dbm_per_hz(settings.attenuation);
        let (gain_db, own_db) = PREAMPLIFIER_DB;
        let (with_dbm, what) = match &self.station.preamplifier {
            Some(own) if self.can_preamplify() => (
                link.preamplified_dbm_per_hz(settings.attenuation, own, frequency),
                "`preamplifier = \"item\"`".to_owned(),
            ),
            _ if room_db <= gain_db => return None,
            _ => (
                noise_dbm_per_hz(cascade_figure_db(own_db, gain_db, figure_db(without_dbm))),
                format!(
                    "a preamplifier of {gain_db} dB gain and {own_db} dB noise figure before the receiver"
                ),
            ),
        };
        let gain_db = without_dbm - with_dbm;
        (gain_db >= 0.5).then_some(Help { gain_db, what })
    }

    /// How long the plan's readings take.
    fn pace(&self) -> Pace {
        self.links.pace(self.plan.arrangement)
    }

    fn placement_s(&self) -> f64 {
        let (person_s, command_s) = PLACEMENT_S;
        match (self.station.placement_time, &self.station.placement) {
            (Some(time), _) => time.s(),
            (None, None) => person_s,
            (None, Some(_)) => command_s,
        }
    }

    /// What its timetable takes, with hands at both ends of each pass through it.
    fn scheduled_duration(&self) -> Result<Duration, ProcedureError> {
        let schedule = Schedule::of(self.plan)?;
        let open = stands(self.plan, None).len() as f64;
        let closed = stands(self.plan, Some("")).len() as f64;
        let placement_s = self.placement_s();
        // The time for closing the item is the timetable's own.
        let of_item_s = 2.0 * placement_s;
        Ok(Duration {
            reference_s: open * (placement_s + schedule.length_s(RunKind::Reference)),
            item_s: closed * (of_item_s + schedule.length_s(RunKind::Item)),
            check_s: 0.0,
            placing_s: open * placement_s + closed * of_item_s,
        })
    }

    /// What the plan takes with these settings, one for each of its frequencies.
    fn duration<'s>(&self, settings: impl Iterator<Item = &'s Settings>) -> Duration {
        let (pace, placement_s) = (self.pace(), self.placement_s());
        let checked = self.plan.for_reference_check().frequencies;
        let (mut reference_s, mut item_s, mut check_s) = (0.0, 0.0, 0.0);
        for (frequency, settings) in self.plan.frequencies.iter().zip(settings) {
            item_s += pace.point_s(settings);
            // A reference is read a step lower as well.
            reference_s += pace.point_s(settings) + pace.sent_s(settings);
            if checked.contains(frequency) {
                check_s += pace.point_s(settings);
            }
        }
        let open = stands(self.plan, None).len() as f64;
        let closed = stands(self.plan, Some("")).len() as f64;
        let checks = f64::from(self.plan.bracket != Bracket::None);
        if self.plan.bracket == Bracket::All {
            check_s = reference_s;
        }
        Duration {
            reference_s: open * (placement_s + reference_s),
            item_s: closed * (placement_s + item_s),
            check_s: checks * open * (placement_s + check_s),
            placing_s: (open + closed + checks * open) * placement_s,
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
        with_carrier: settings.sweeps,
        floor_hz: settings.span.hz(),
    }
}

#[cfg(test)]
mod tests;
