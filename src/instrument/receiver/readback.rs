//! What a receiver says it has, held against what it was told to have.
//!
//! A setting that was sent is a wish: instruments round, couple settings to each other, and have other clients.
//! So the settings are asked for in the message that sets them, and again in the one that fetches the trace.

use std::collections::BTreeMap;
use std::fmt;
use std::time::Duration;

use serde_json::{Value, json};

use super::ReceiverSettings;
use crate::config::{Detector, DetectorWords, ReadbackWords, Setting, Tolerance};
use crate::quantity::{Frequency, Level, Ratio, Time};

/// Two answers to one query are the same if they differ by no more than this share: numbers in other formats.
const SAME: f64 = 1e-6;
/// A sweep time that is chosen by the instrument itself may be measured anew; by so much it may differ.
const SAME_SWEEP_TIME: f64 = 0.05;
/// Beyond this a number is SCPI's word for "none" (SCPI-1999 volume 1, 7.2.1: 9.9E37 and 9.91E37).
const NUMBER_MAX: f64 = 1e30;

/// The value of a setting.
#[derive(Debug, Clone, PartialEq)]
pub enum Figure {
    /// A frequency or a bandwidth.
    Frequency(Frequency),
    /// A number of points.
    Count(u32),
    /// An attenuation.
    Ratio(Ratio),
    /// A level.
    Level(Level),
    /// A time.
    Time(Time),
    /// On or off.
    Switch(bool),
    /// A word: of a detector as plans have it, else as it was answered.
    Word(String),
}

impl Figure {
    fn number(&self) -> Option<f64> {
        match self {
            Self::Frequency(frequency) => Some(frequency.hz()),
            Self::Count(count) => Some(f64::from(*count)),
            Self::Ratio(ratio) => Some(ratio.db()),
            Self::Level(level) => Some(level.dbm()),
            Self::Time(time) => Some(time.s()),
            Self::Switch(_) | Self::Word(_) => None,
        }
    }

    fn json(&self) -> Value {
        match self {
            Self::Count(count) => json!(count),
            Self::Switch(on) => json!(on),
            Self::Word(word) => json!(word),
            other => json!(other.number()),
        }
    }
}

impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Frequency(frequency) => frequency.fmt(f),
            Self::Count(count) => count.fmt(f),
            Self::Ratio(ratio) => ratio.fmt(f),
            Self::Level(level) => level.fmt(f),
            Self::Time(time) => time.fmt(f),
            Self::Switch(true) => f.write_str("on"),
            Self::Switch(false) => f.write_str("off"),
            Self::Word(word) => f.write_str(word),
        }
    }
}

/// A setting that is not as it should be.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// Which.
    pub setting: Setting,
    /// What was asked for, or what it was before.
    pub wanted: Figure,
    /// What the receiver has.
    pub has: Figure,
}

impl Difference {
    /// Something is off that must be on.
    pub(super) fn switched_off(setting: Setting) -> Self {
        Self {
            setting,
            wanted: Figure::Switch(true),
            has: Figure::Switch(false),
        }
    }
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            setting,
            wanted,
            has,
        } = self;
        write!(f, "{} {has} instead of {wanted}", setting.name())
    }
}

/// Several differences as one text.
pub(in crate::instrument) fn listed(differences: &[Difference]) -> String {
    let each: Vec<String> = differences.iter().map(Difference::to_string).collect();
    each.join(", ")
}

/// What a receiver says it has; only what its driver can ask for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReceiverState {
    figures: BTreeMap<Setting, Figure>,
    /// What differs from what was asked for by more than the driver tolerates, where a plan accepts that.
    pub adjusted: Vec<Difference>,
}

impl ReceiverState {
    /// From the answers to the queries of a driver, in their order; else the query whose answer means nothing.
    pub(in crate::instrument) fn read<'q>(
        words: &'q ReadbackWords,
        detectors: Option<&DetectorWords>,
        answers: &[Vec<u8>],
    ) -> Result<Self, (&'q crate::config::Command, Vec<u8>)> {
        let mut figures = BTreeMap::new();
        for ((setting, query), answer) in words.queries.iter().zip(answers) {
            let bad = || (query, answer.clone());
            let text = String::from_utf8_lossy(answer).trim().to_owned();
            let Some(figure) = figure(words, detectors, *setting, &text).ok_or_else(bad)? else {
                continue;
            };
            // Of several queries each must say yes.
            match (figures.get(setting), &figure) {
                (Some(Figure::Switch(false)), Figure::Switch(_)) => {}
                _ => drop(figures.insert(*setting, figure)),
            }
        }
        if let (Some(Figure::Frequency(start)), Some(Figure::Frequency(stop))) = (
            figures.remove(&Setting::Start),
            figures.remove(&Setting::Stop),
        ) {
            let hz = Frequency::from_hz;
            let centre = Figure::Frequency(hz((start.hz() + stop.hz()) / 2.0));
            figures.entry(Setting::Centre).or_insert(centre);
            let span = Figure::Frequency(hz(stop.hz() - start.hz()));
            figures.entry(Setting::Span).or_insert(span);
        }
        Ok(Self {
            figures,
            adjusted: Vec::new(),
        })
    }

    /// A frequency or bandwidth that it has, if it was asked for it.
    pub fn frequency(&self, setting: Setting) -> Option<Frequency> {
        match self.figures.get(&setting) {
            Some(Figure::Frequency(frequency)) => Some(*frequency),
            _ => None,
        }
    }

    /// Whether something is on, if it was asked for it.
    pub fn is_on(&self, setting: Setting) -> Option<bool> {
        match self.figures.get(&setting) {
            Some(Figure::Switch(on)) => Some(*on),
            _ => None,
        }
    }

    /// How many points its traces have, if it was asked for it.
    pub fn points(&self) -> Option<u32> {
        match self.figures.get(&Setting::Points) {
            Some(Figure::Count(points)) => Some(*points),
            _ => None,
        }
    }

    /// How long a sweep takes, if it was asked for it.
    pub fn sweep_time(&self) -> Option<Time> {
        match self.figures.get(&Setting::SweepTime) {
            Some(Figure::Time(time)) => Some(*time),
            _ => None,
        }
    }

    /// The unit of its levels where that is not dBm.
    pub(super) fn other_unit(&self) -> Option<&str> {
        match self.figures.get(&Setting::TraceUnit) {
            Some(Figure::Word(unit)) if unit != "dBm" => Some(unit),
            _ => None,
        }
    }

    /// What differs from what was asked for by more than `tolerance`.
    pub fn differences(&self, asked: &ReceiverSettings, tolerance: &Tolerance) -> Vec<Difference> {
        let share = |share: f64, of: &Figure| share * of.number().unwrap_or(0.0);
        let span = Figure::Frequency(asked.span);
        self.compare(asked_for(asked), |setting, wanted| match setting {
            Setting::Centre | Setting::Span => share(tolerance.frequency, &span),
            Setting::ResolutionBandwidth | Setting::VideoBandwidth => {
                share(tolerance.bandwidth, wanted)
            }
            Setting::Attenuation => tolerance.attenuation.db(),
            _ => 0.0,
        })
    }

    /// What somebody else has changed since it was `before`.
    pub fn changes(&self, before: &Self) -> Vec<Difference> {
        let before = before.figures.clone().into_iter().collect();
        self.compare(before, |setting, was| {
            let share = match setting {
                Setting::SweepTime => SAME_SWEEP_TIME,
                _ => SAME,
            };
            share * was.number().unwrap_or(0.0).abs()
        })
    }

    fn compare(
        &self,
        wanted: Vec<(Setting, Figure)>,
        allowed: impl Fn(Setting, &Figure) -> f64,
    ) -> Vec<Difference> {
        let differs = |(setting, wanted): (Setting, Figure)| {
            let has = self.figures.get(&setting)?;
            let same = match (wanted.number(), has.number()) {
                (Some(one), Some(other)) => {
                    (one - other).abs() <= allowed(setting, &wanted) * (1.0 + SAME)
                }
                _ => wanted == *has,
            };
            (!same).then(|| Difference {
                setting,
                has: has.clone(),
                wanted,
            })
        };
        wanted.into_iter().filter_map(differs).collect()
    }

    /// Writes what it has over what was asked for in the settings kept with a reading; what it adjusted stands
    /// under `asked` too.
    pub fn write_over(&self, settings: &mut Value) {
        for (setting, figure) in &self.figures {
            if let Some(key) = stored_key(*setting) {
                settings[key] = figure.json();
            }
        }
        for difference in &self.adjusted {
            if let Some(key) = stored_key(difference.setting) {
                settings["asked"][key] = difference.wanted.json();
            }
        }
    }

    /// What somebody else made of the settings, as it is kept with a reading.
    pub fn changed_json(changed: &[Difference]) -> Value {
        let pair = |it: &Difference| {
            let key = stored_key(it.setting).unwrap_or(it.setting.key());
            (key.to_owned(), it.has.json())
        };
        Value::Object(changed.iter().map(pair).collect())
    }
}

/// The key of a setting in what is kept with a reading.
fn stored_key(setting: Setting) -> Option<&'static str> {
    Some(match setting {
        Setting::Centre => "centre_hz",
        Setting::Span => "span_hz",
        Setting::Points => "points",
        Setting::ResolutionBandwidth => "resolution_bandwidth_hz",
        Setting::VideoBandwidth => "video_bandwidth_hz",
        Setting::Attenuation => "attenuation_db",
        Setting::Detector => "detector",
        Setting::ReferenceLevel => "reference_level_dbm",
        Setting::Preamplifier => "preamplifier",
        Setting::SweepTime => "sweep_time_s",
        // Start and stop were turned into centre and span; the others are not settings of a reading.
        Setting::Start
        | Setting::Stop
        | Setting::TraceUnit
        | Setting::Holding
        | Setting::Sweeping => return None,
    })
}

/// What a receiver was told to have.
fn asked_for(asked: &ReceiverSettings) -> Vec<(Setting, Figure)> {
    let frequency = |frequency| Some(Figure::Frequency(frequency));
    let all = [
        (Setting::Centre, frequency(asked.centre)),
        (Setting::Span, frequency(asked.span)),
        (Setting::Points, Some(Figure::Count(asked.points))),
        (
            Setting::ResolutionBandwidth,
            frequency(asked.resolution_bandwidth),
        ),
        (
            Setting::VideoBandwidth,
            asked.video_bandwidth.map(Figure::Frequency),
        ),
        (Setting::Attenuation, asked.attenuation.map(Figure::Ratio)),
        (
            Setting::Detector,
            asked
                .detector
                .map(|detector| Figure::Word(detector.word().to_owned())),
        ),
        (
            Setting::Preamplifier,
            asked.preamplifier.map(Figure::Switch),
        ),
        (Setting::Holding, Some(Figure::Switch(true))),
    ];
    all.into_iter()
        .filter_map(|(setting, figure)| Some((setting, figure?)))
        .collect()
}

/// What an answer says; `Some(None)` where it says that there is no such value, none where it says nothing.
fn figure(
    words: &ReadbackWords,
    detectors: Option<&DetectorWords>,
    setting: Setting,
    text: &str,
) -> Option<Option<Figure>> {
    let number = || number(text);
    let known = |reads: &[String]| reads.iter().any(|word| same_word(word, text));
    // Exactly: dBmV begins as dBm does.
    let is_dbm = |word: &String| plain(word) == plain(text);
    let value = match setting {
        Setting::Centre
        | Setting::Span
        | Setting::Start
        | Setting::Stop
        | Setting::ResolutionBandwidth
        | Setting::VideoBandwidth => match number()? {
            none if none.abs() > NUMBER_MAX => return Some(None),
            hz => Figure::Frequency(Frequency::from_hz(hz)),
        },
        Setting::Points => {
            let count = number()?;
            let whole = count.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&count);
            Figure::Count(whole.then_some(count as u32)?)
        }
        Setting::Attenuation => Figure::Ratio(Ratio::from_db(number()?)),
        Setting::ReferenceLevel => Figure::Level(Level::from_dbm(number()?)),
        Setting::SweepTime => {
            let time = Duration::try_from_secs_f64(number()?).ok()?;
            Figure::Time(Time::from_duration(time))
        }
        Setting::Preamplifier => Figure::Switch(match text.to_ascii_uppercase().as_str() {
            "ON" => true,
            "OFF" => false,
            _ => number()? != 0.0,
        }),
        Setting::TraceUnit => Figure::Word(match words.trace_unit_reads.iter().any(is_dbm) {
            true => "dBm".to_owned(),
            false if text.is_empty() => return None,
            false => text.to_owned(),
        }),
        Setting::Holding => Figure::Switch(known(&words.holding_reads)),
        Setting::Sweeping => Figure::Switch(known(&words.sweeping_reads)),
        Setting::Detector => {
            let named = |detector: &Detector| {
                let name = detectors.and_then(|words| words.name(*detector));
                name.is_some_and(|name| same_word(name, text))
            };
            let all = [Detector::Peak, Detector::Sample, Detector::Rms];
            let word = all.into_iter().find(named).map(Detector::word);
            Figure::Word(word.unwrap_or(text).to_owned())
        }
    };
    Some(Some(value))
}

/// Whether two words are one, be it in the short form and in the long one (SCPI-1999 volume 1, 6.2.1), or in
/// quotes.
fn same_word(one: &str, other: &str) -> bool {
    let (one, other) = (plain(one), plain(other));
    let (short, long) = match one.len() < other.len() {
        true => (one, other),
        false => (other, one),
    };
    // Three letters at least: a digit is not the short form of a number.
    short == long || (short.len() >= 3 && long.starts_with(&short))
}

fn plain(word: &str) -> String {
    word.trim_matches(['"', '\'', ' ']).to_ascii_uppercase()
}

/// A number with or without its unit.
pub(in crate::instrument) fn number(text: &str) -> Option<f64> {
    let upper = text.trim().to_ascii_uppercase();
    let end = upper.find(|c: char| c.is_ascii_alphabetic() && c != 'E');
    let (value, unit) = upper.split_at(end.unwrap_or(upper.len()));
    let factor = match unit {
        "" | "HZ" | "DB" | "DBM" | "S" => 1.0,
        "KHZ" => 1e3,
        "MHZ" => 1e6,
        "GHZ" => 1e9,
        "MS" => 1e-3,
        "US" => 1e-6,
        _ => return None,
    };
    let value: f64 = value.trim().parse().ok()?;
    value.is_finite().then_some(value * factor)
}
