//! Settings chosen for each frequency, so that limit and guard band are visible in the least time.
//!
//! A resolution bandwidth ten times narrower shows ten decibels more and takes a hundred times longer
//! for each hertz of span, ten times longer for a span that shrinks with it. So most frequencies can be
//! swept fast, and only the few where little arrives need to be slow. The plan's own bandwidth is the
//! widest used: its author knows the neighbourhood.

use serde::Serialize;

use super::{Bench, Duration, Link, PointForecast, View};
use crate::config::{Plan, PreamplifierUse, Settings};
use crate::quantity::{Frequency, Level};

/// Bandwidths that receivers have: one and three times the powers of ten (common practice, no source), Hz.
const BANDWIDTHS_HZ: [f64; 11] = [10.0, 30.0, 100.0, 300.0, 1e3, 3e3, 1e4, 3e4, 1e5, 3e5, 1e6];
/// Sweeps the peak may be held over. Three at least, so that a disturbed one is not all there is
/// (common practice, no source).
const SWEEPS: [u32; 5] = [3, 5, 10, 20, 50];

/// Settings chosen for a frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chosen {
    /// What they show.
    #[serde(flatten)]
    pub view: View,
    /// Whether that is enough.
    pub enough: bool,
    /// The settings.
    #[serde(skip)]
    pub settings: Settings,
}

/// The whole plan with chosen settings, and with one setting good enough for its worst point.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison {
    /// With the chosen settings.
    pub chosen: Duration,
    /// With one setting for all frequencies; none when no single one would do.
    pub fixed: Option<Fixed>,
    /// Frequencies that no setting can show the limit at.
    pub hopeless: usize,
}

/// One setting for all frequencies.
#[derive(Debug, Clone, Serialize)]
pub struct Fixed {
    /// Resolution bandwidth, Hz.
    pub resolution_bandwidth_hz: f64,
    /// Sweeps.
    pub sweeps: u32,
    /// What the plan takes.
    pub duration: Duration,
}

impl Bench<'_> {
    /// The bandwidths a frequency may be read with, narrowest first: in those narrower the signal may be missed, or
    /// the span has no room for its window.
    fn bandwidths(&self, frequency: Frequency, settings: &Settings) -> Vec<f64> {
        let tolerance = self.station.frequency_tolerance;
        let widest_hz = settings.resolution_bandwidth.hz();
        let has_room = |hz: f64| {
            let narrow = with_bandwidth(settings, hz);
            narrow.span >= narrow.span_needed(frequency, tolerance)
        };
        let mut all: Vec<f64> = BANDWIDTHS_HZ
            .into_iter()
            .filter(|hz| *hz >= tolerance * frequency.hz() && *hz < widest_hz)
            .filter(|hz| has_room(*hz))
            .collect();
        all.push(widest_hz);
        all
    }

    /// The settings with the narrowest bandwidth that still finds the signal; none if they have it.
    pub(super) fn narrowest(&self, frequency: Frequency, settings: &Settings) -> Option<Settings> {
        let narrow_hz = *self.bandwidths(frequency, settings).first()?;
        (narrow_hz < settings.resolution_bandwidth.hz())
            .then(|| with_bandwidth(settings, narrow_hz))
    }

    /// The settings that show `needed_db` in the least time, with the level raised only as far as they
    /// need; where none do, those that show the most.
    pub(super) fn choose(&self, link: &Link, frequency: Frequency, needed_db: f64) -> Chosen {
        let default = &self.plan.settings;
        let mut best: Option<Chosen> = None;
        for rbw_hz in self.bandwidths(frequency, default) {
            for sweeps in sweeps_of(default) {
                for preamplifier in self.preamplifiers() {
                    let settings = Settings {
                        sweeps,
                        preamplifier,
                        ..with_bandwidth(default, rbw_hz)
                    };
                    let found = self.raised(link, frequency, needed_db, settings);
                    if best.as_ref().is_none_or(|best| better(&found, best)) {
                        best = Some(found);
                    }
                }
            }
        }
        // The plan's own bandwidth is always among them.
        best.unwrap_or_else(|| self.raised(link, frequency, needed_db, default.clone()))
    }

    /// As the plan has it, and with the preamplifier in for items where there is one.
    fn preamplifiers(&self) -> impl Iterator<Item = Option<PreamplifierUse>> {
        let own = self.plan.settings.preamplifier;
        let switched = self.can_preamplify() && own.is_none();
        std::iter::once(own).chain(switched.then_some(Some(PreamplifierUse::Item)))
    }

    /// With the source raised as far as it has to be and may be.
    fn raised(
        &self,
        link: &Link,
        frequency: Frequency,
        needed_db: f64,
        mut settings: Settings,
    ) -> Chosen {
        let before = self.view(link, frequency, &settings);
        let short_db = needed_db - before.visible_se_db;
        if short_db > 0.0 {
            // Up to whole decibels: nobody reads a plan with more.
            let wanted = (before.source_dbm + short_db).ceil();
            let most = self.source_max(link, frequency, &settings);
            settings.source_level = Level::from_dbm(wanted).min(most);
        }
        let view = self.view(link, frequency, &settings);
        Chosen {
            view,
            enough: view.visible_se_db >= needed_db,
            settings,
        }
    }
}

fn sweeps_of(default: &Settings) -> impl Iterator<Item = u32> {
    let own = default.sweeps.min(SWEEPS[0]);
    std::iter::once(own).chain(SWEEPS.into_iter().filter(move |sweeps| *sweeps > own))
}

/// Enough before not enough. Of what is enough, the least time, then the lowest level. Of what is not,
/// the most that is seen, as far as a decibel costs no more than two of time: a narrower bandwidth does,
/// yet more sweeps hardly show anything.
fn better(one: &Chosen, other: &Chosen) -> bool {
    if one.enough != other.enough {
        return one.enough;
    }
    let key = |it: &Chosen| match it.enough {
        true => (it.view.seconds, it.view.source_dbm),
        false => {
            let worth_db = it.view.visible_se_db - 5.0 * it.view.seconds.log10();
            (-worth_db, it.view.source_dbm)
        }
    };
    key(one) < key(other)
}

/// The same settings, everything narrower by the same factor.
fn with_bandwidth(settings: &Settings, rbw_hz: f64) -> Settings {
    let factor = rbw_hz / settings.resolution_bandwidth.hz();
    // To thousandths of a hertz, as frequencies are written.
    let scaled =
        |frequency: Frequency| Frequency::from_hz((frequency.hz() * factor * 1e3).round() / 1e3);
    Settings {
        resolution_bandwidth: Frequency::from_hz(rbw_hz),
        span: scaled(settings.span),
        video_bandwidth: settings.video_bandwidth.map(scaled),
        ..settings.clone()
    }
}

/// Both ways over the whole plan; `None` without a limit.
pub(super) fn compare(bench: &Bench<'_>, points: &[PointForecast]) -> Option<Comparison> {
    points.iter().find_map(|point| point.chosen.as_ref())?;
    let chosen = points.iter().map(|point| match &point.chosen {
        Some(chosen) => &chosen.settings,
        None => bench
            .plan
            .settings_at(Frequency::from_hz(point.frequency_hz)),
    });
    let hopeless = points
        .iter()
        .filter(|point| point.chosen.as_ref().is_some_and(|chosen| !chosen.enough))
        .count();
    Some(Comparison {
        chosen: bench.duration(chosen),
        fixed: fixed(bench, points),
        hopeless,
    })
}

/// The quickest single setting that shows enough wherever any does, each frequency at whatever level it
/// needs. Frequency references are taken to be shared: else a narrow setting would miss high frequencies.
fn fixed(bench: &Bench<'_>, points: &[PointForecast]) -> Option<Fixed> {
    let default = &bench.plan.settings;
    let widest_hz = default.resolution_bandwidth.hz();
    let seen: Vec<_> = points
        .iter()
        .filter(|point| point.chosen.as_ref().is_some_and(|chosen| chosen.enough))
        .map(|point| {
            let frequency = Frequency::from_hz(point.frequency_hz);
            let link = bench.links.at(bench.station, frequency);
            (frequency, link, point.needed_db.unwrap_or_default())
        })
        .collect();
    if seen.is_empty() {
        return None;
    }
    let pace = bench.pace();
    let narrower = BANDWIDTHS_HZ.into_iter().filter(|hz| *hz < widest_hz);
    narrower
        .chain([widest_hz])
        .flat_map(|rbw_hz| {
            sweeps_of(default).map(move |sweeps| Settings {
                sweeps,
                ..with_bandwidth(default, rbw_hz)
            })
        })
        .filter(|settings| {
            seen.iter().all(|(frequency, link, needed_db)| {
                bench
                    .raised(link, *frequency, *needed_db, settings.clone())
                    .enough
            })
        })
        .min_by(|a, b| pace.point_s(a).total_cmp(&pace.point_s(b)))
        .map(|settings| Fixed {
            resolution_bandwidth_hz: settings.resolution_bandwidth.hz(),
            sweeps: settings.sweeps,
            duration: bench.duration(std::iter::repeat_n(&settings, points.len())),
        })
}

/// The text of a plan with the chosen settings as `[[settings.band]]`, one for each run of neighbouring
/// frequencies that have the same. `None` when the plan's own settings were chosen everywhere.
pub fn with_bands(plan: &Plan, points: &[PointForecast]) -> Option<String> {
    let mut bands: Vec<(Frequency, Frequency, &Settings)> = Vec::new();
    let mut last_chosen = None;
    for point in points {
        let chosen = point.chosen.as_ref().map(|chosen| &chosen.settings);
        let differs = chosen.filter(|settings| **settings != plan.settings);
        let at = Frequency::from_hz(point.frequency_hz);
        match (differs, bands.last_mut()) {
            (Some(settings), Some(band)) if last_chosen == Some(settings) => band.1 = at,
            (Some(settings), _) => bands.push((at, at, settings)),
            (None, _) => {}
        }
        last_chosen = chosen;
    }
    let mut text = plan.text.trim_end().to_owned();
    text.push_str("\n\n# Chosen by `muffle bench forecast`: limit and guard band visible in the least time.\n");
    for (from, to, settings) in &bands {
        text.push_str(&band(*from, *to, settings, &plan.settings));
    }
    (!bands.is_empty()).then_some(text)
}

/// One band, with only what differs.
fn band(from: Frequency, to: Frequency, settings: &Settings, default: &Settings) -> String {
    let mut text = format!("\n[[settings.band]]\nfrom = \"{from}\"\nto = \"{to}\"\n");
    let mut line = |key: &str, value: String, differs: bool| {
        if differs {
            text.push_str(&format!("{key} = {value}\n"));
        }
    };
    let quoted = |value: &dyn std::fmt::Display| format!("\"{value}\"");
    line(
        "source_level",
        quoted(&settings.source_level),
        settings.source_level != default.source_level,
    );
    let narrower = settings.resolution_bandwidth != default.resolution_bandwidth;
    line(
        "resolution_bandwidth",
        quoted(&settings.resolution_bandwidth),
        narrower,
    );
    line("span", quoted(&settings.span), narrower);
    if let Some(video) = &settings.video_bandwidth {
        line("video_bandwidth", quoted(video), narrower);
    }
    line(
        "sweeps",
        settings.sweeps.to_string(),
        settings.sweeps != default.sweeps,
    );
    let preamplifier = settings.preamplifier.map(PreamplifierUse::word);
    if let Some(word) = preamplifier {
        let differs = settings.preamplifier != default.preamplifier;
        line("preamplifier", quoted(&word), differs);
    }
    text
}
