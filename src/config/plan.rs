//! The plan file: what to measure, with which settings, against which limit.

use std::collections::BTreeSet;
use std::fmt;
use std::path::Path;
use std::str::FromStr;
use std::time::Duration;

use toml::de::DeValue;

use super::document::{Document, Section, Value};
use super::{ConfigError, Detector, InstrumentEntry, Lone, Station, Tuning, Words, read_file};
use crate::quantity::{Frequency, Level, Ratio, Time, is_unprintable};

/// The most frequencies one plan may name.
pub const FREQUENCIES_MAX: usize = 10_000;
/// The most sweeps a peak may be held over.
pub const SWEEPS_MAX: u32 = 10_000;
/// The most repeats of one placement.
pub const REPEATS_MAX: u32 = 1000;
/// The most points of one trace.
pub const POINTS_MAX: u32 = 100_001;
/// One chip of a marker, unless the plan says otherwise.
const CHIP: Duration = Duration::from_millis(400);
/// For closing an item, unless the plan says otherwise.
const HANDS: Duration = Duration::from_secs(60);
/// How far two clocks are apart that somebody set by hand (common practice, no source).
const CLOCK_UNCERTAINTY: Duration = Duration::from_secs(30);
/// How much two clocks drift against each other: crystals of small computers are within 50 parts in a million
/// or better (data sheets, from memory).
const CLOCK_DRIFT: f64 = 100e-6;
/// Frequencies at which the reference is looked at again, unless it is measured again as a whole: both ends and three
/// between them (common practice, no source).
pub const CHECK_FREQUENCIES: usize = 5;
/// The chance that noise alone is taken for a carrier, where a plan does not say: once in a thousand readings of
/// nothing (common practice in detection, no source),
const FALSE_ALARM: f64 = 1e-3;
/// and within what a plan may say it. Above, the interval of what is then measured would hold no more.
const FALSE_ALARMS: std::ops::RangeInclusive<f64> = 1e-9..=0.05;
/// The longest word for a face.
const FACE_CHARACTERS_MAX: usize = 40;

/// What to measure.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Its name, as it appears with every run.
    pub name: String,
    /// How the receiver listens inside the item.
    pub arrangement: Arrangement,
    /// How long one sweep of a sealed receiver takes, where it cannot be asked.
    pub sweep_time: Option<Time>,
    /// What the timetable of the scheduled arrangement is made by; none in the others.
    pub scheduling: Option<Scheduling>,
    /// The most closings that a sealed run may take for each face, polarisation and repeat; harmonics that
    /// then collide are flagged. As many as it needs when absent.
    pub closings_max: Option<u32>,
    /// Test frequencies, ascending, each once.
    pub frequencies: Vec<Frequency>,
    /// How far a test frequency may be moved off another signal; not at all when absent.
    pub move_max: Option<Frequency>,
    /// How source and receiver are set where no band says otherwise.
    pub settings: Settings,
    /// Where they are set otherwise: rising, none overlapping.
    pub bands: Vec<Band>,
    /// Sides of the item that look at the antenna in turn.
    pub faces: Vec<String>,
    /// Polarisations in turn.
    pub polarisations: Vec<Polarisation>,
    /// How often each face and polarisation is placed and measured anew.
    pub repeats: u32,
    /// After what time a reference is measured again.
    pub reference_max_age: Time,
    /// How much of the reference is measured again after the items, to see how far it drifted.
    pub bracket: Bracket,
    /// Whether a setting that the receiver adjusts is used as it is, and said, instead of refused.
    pub accept_adjusted: bool,
    /// By how much the forward power may differ from the reference's, where the station has a monitor of it.
    pub forward_power_tolerance: Ratio,
    /// The chance with which a reading of noise alone may be taken for a carrier.
    pub false_alarm: f64,
    /// Whether the station may do other work, that needs no hands, while hands are awaited for this one.
    pub meanwhile: bool,
    /// The limit line: required SE at frequencies, ascending; straight over log frequency between them.
    pub limit: Vec<(Frequency, Ratio)>,
    /// How a verdict is reached.
    pub rule: Rule,
    /// What of a frequency's faces, polarisations and repeats is held against the limit.
    pub combine: Combine,
    /// Permissions to radiate in protected bands.
    pub permissions: Vec<Permission>,
    /// The file as it was read.
    pub text: String,
}

/// Frequencies, both ends included, with settings of their own.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// Lowest frequency.
    pub from: Frequency,
    /// Highest frequency.
    pub to: Frequency,
    /// The settings there, whole.
    pub settings: Settings,
}

/// How source and receiver are set for a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Level at the source's output.
    pub source_level: Level,
    /// Width of the trace around the test frequency; sealed, of the part of the one wide trace that its floor
    /// is read from.
    pub span: Frequency,
    /// Points of the trace, unless the receiver's number is fixed.
    pub points: u32,
    /// Resolution bandwidth.
    pub resolution_bandwidth: Frequency,
    /// Video bandwidth; the receiver's own choice when absent.
    pub video_bandwidth: Option<Frequency>,
    /// Input attenuation; the receiver's own choice when absent.
    pub attenuation: Option<Ratio>,
    /// When the preamplifier is in; as the receiver has it after a reset when absent.
    pub preamplifier: Option<PreamplifierUse>,
    /// Detector; the receiver's own choice when absent.
    pub detector: Option<Detector>,
    /// Sweeps the peak is held over.
    pub sweeps: u32,
    /// Wait after the output is switched on.
    pub settle: Time,
}

/// What the timetable of the scheduled arrangement is made by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scheduling {
    /// Frequency of the markers: one of the plan's own, so that whatever holds for those holds for it.
    pub marker: Frequency,
    /// How long one chip of a marker lasts.
    pub chip: Time,
    /// Between the first marker, sent with the item open, and the first reading, for closing it; zero when the
    /// markers are to be sent through the closed item.
    pub hands: Time,
    /// By how much the clocks of recorder and source may differ.
    pub clock_uncertainty: Time,
    /// How much they may drift against each other, as a part.
    pub clock_drift: f64,
    /// How long one hold takes at the most, where the rule of thumb is wrong.
    pub hold_time: Option<Time>,
}

/// How much of the reference is measured again after the items.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bracket {
    /// Some frequencies spread over the range ([`Plan::for_reference_check`]).
    Check,
    /// All of it; what is measured then serves as a reference itself.
    All,
    /// Nothing.
    None,
}

impl Bracket {
    /// The word in plan files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Check => "check",
            Self::All => "all",
            Self::None => "none",
        }
    }
}

impl Value for Bracket {
    /// From the word, or from the boolean that it once was.
    fn read(value: &DeValue<'_>) -> Result<Self, String> {
        match (value.as_bool(), value.as_str()) {
            (Some(true), _) | (_, Some("all")) => Ok(Self::All),
            (Some(false), _) | (_, Some("none")) => Ok(Self::None),
            (_, Some("check")) => Ok(Self::Check),
            _ => Err("is none of \"check\", \"all\" and \"none\"".to_owned()),
        }
    }
}

/// How the receiver listens inside the item.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrangement {
    /// It can be talked to while the item is closed.
    Linked,
    /// It lies in the closed item and is read after it was opened.
    Sealed,
    /// It lies in the closed item with a small computer that reads it by a timetable.
    Scheduled,
}

impl Arrangement {
    /// The word in plan files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Linked => "linked",
            Self::Sealed => "sealed",
            Self::Scheduled => "scheduled",
        }
    }
}

impl FromStr for Arrangement {
    type Err = String;
    fn from_str(word: &str) -> Result<Self, String> {
        match word {
            "linked" => Ok(Self::Linked),
            "sealed" => Ok(Self::Sealed),
            "scheduled" => Ok(Self::Scheduled),
            other => Err(format!("`{other}` is none of linked, sealed and scheduled")),
        }
    }
}

/// Which way the antennas stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Polarisation {
    /// Electric field parallel to the floor.
    Horizontal,
    /// Electric field upright.
    Vertical,
}

impl Polarisation {
    /// The word in files, tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Horizontal => "horizontal",
            Self::Vertical => "vertical",
        }
    }
}

impl FromStr for Polarisation {
    type Err = String;
    fn from_str(word: &str) -> Result<Self, String> {
        match word {
            "horizontal" => Ok(Self::Horizontal),
            "vertical" => Ok(Self::Vertical),
            other => Err(format!("`{other}` is neither horizontal nor vertical")),
        }
    }
}

impl fmt::Display for Polarisation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// How a verdict is reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// The value against the limit, whatever its uncertainty.
    Simple,
    /// With a guard band of the expanded uncertainty on both sides of the limit.
    Guarded,
}

impl Rule {
    /// The word in plan files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Simple => "simple",
            Self::Guarded => "guarded",
        }
    }
}

/// What of a frequency's faces, polarisations and repeats is held against the limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Combine {
    /// Each by itself; the worst decides.
    Worst,
    /// The mean of the power that comes through them.
    Average,
}

impl Combine {
    /// The word in plan files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Worst => "worst",
            Self::Average => "average",
        }
    }
}

impl FromStr for Combine {
    type Err = String;
    fn from_str(word: &str) -> Result<Self, String> {
        match word {
            "worst" => Ok(Self::Worst),
            "average" => Ok(Self::Average),
            other => Err(format!("`{other}` is neither worst nor average")),
        }
    }
}

/// When a preamplifier at the receiver's input is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PreamplifierUse {
    /// Never.
    Off,
    /// Always.
    On,
    /// With an item only: the open path is strong enough, and might overload it.
    Item,
}

impl PreamplifierUse {
    /// The word in plan files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Off => "off",
            Self::On => "on",
            Self::Item => "item",
        }
    }

    /// Whether it is in for a reading with an item, or for one of the open path.
    pub fn is_on(self, item: bool) -> bool {
        match self {
            Self::Off => false,
            Self::On => true,
            Self::Item => item,
        }
    }
}

impl FromStr for PreamplifierUse {
    type Err = String;
    fn from_str(word: &str) -> Result<Self, String> {
        match word {
            "off" => Ok(Self::Off),
            "on" => Ok(Self::On),
            "item" => Ok(Self::Item),
            other => Err(format!("`{other}` is none of off, on, item")),
        }
    }
}

/// A permission to radiate in a protected band.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Permission {
    /// The protected band's name in the station file.
    pub band: String,
    /// What the permission is: licence number, date, whoever gave it.
    pub text: String,
}

impl Plan {
    /// Reads a plan file.
    pub fn load(path: &Path) -> Result<Self, ConfigError> {
        let text = read_file(path)?;
        Ok(Self::read(&path.display().to_string(), &text)?)
    }

    /// This plan's text with other frequencies, faces and polarisations, under another name; comments are lost.
    ///
    /// # Errors
    /// Where the plan was not read from a text.
    pub fn rewritten(
        &self,
        name: &str,
        frequencies: &[Frequency],
        faces: &[String],
        polarisations: &[Polarisation],
    ) -> Result<String, toml::de::Error> {
        let mut table: toml::Table = self.text.parse()?;
        let list = |words: Vec<String>| {
            toml::Value::Array(words.into_iter().map(toml::Value::String).collect())
        };
        let written = frequencies.iter().map(Frequency::to_string).collect();
        let only = toml::Table::from_iter([("list".to_owned(), list(written))]);
        table.insert("name".to_owned(), toml::Value::String(name.to_owned()));
        table.insert("frequencies".to_owned(), toml::Value::Table(only));
        table.insert("faces".to_owned(), list(faces.to_vec()));
        let words = polarisations.iter().map(|p| p.word().to_owned()).collect();
        table.insert("polarisations".to_owned(), list(words));
        Ok(table.to_string())
    }

    /// Reads the text of a plan file; `file` is only for the faults.
    pub fn read(file: &str, text: &str) -> Result<Self, super::Faults> {
        Document::read(file, text, |root| {
            let name = root.required("name");
            let frequencies = root.required_section("frequencies", frequencies);
            let arrangement =
                root.checked("arrangement", Some("linked".to_owned()), |word: String| {
                    word.parse::<Arrangement>()
                });
            let sealed = arrangement == Some(Arrangement::Sealed);
            let sweep_time = root.optional::<Time>("sweep_time");
            if sweep_time.is_some() && !sealed {
                root.fault(
                    "sweep_time",
                    "is for `arrangement = \"sealed\"`; leave it out",
                );
            }
            let (closings_max, move_max) = for_one_arrangement(root, arrangement);
            let settings = root.required_section("settings", |section| {
                let settings = settings(section, None, sealed)?;
                let bands = bands(section, &settings, sealed)?;
                Some((settings, bands))
            });
            let faces = root.checked("faces", Some(vec!["front".to_owned()]), faces);
            let polarisations = root.checked(
                "polarisations",
                Some(vec!["vertical".to_owned()]),
                polarisations,
            );
            let repeats = root.checked("repeats", Some(1), |n| within(n, 1, REPEATS_MAX));
            let reference_max_age = root.or(
                "reference_max_age",
                Time::from_duration(Duration::from_secs(12 * 3600)),
            );
            let bracket = bracket(root, arrangement);
            let schedule = scheduling(root, arrangement, frequencies.as_deref());
            let accept_adjusted = root.or("accept_adjusted", false);
            let forward_power_tolerance = root.checked(
                "forward_power_tolerance",
                Some(Ratio::from_db(1.0)),
                |it: Ratio| match it > Ratio::ZERO {
                    true => Ok(it),
                    false => Err("must be more than nothing".to_owned()),
                },
            );
            let false_alarm =
                root.checked(
                    "false_alarm",
                    Some(FALSE_ALARM),
                    |chance: f64| match FALSE_ALARMS.contains(&chance) {
                        true => Ok(chance),
                        false => Err("is not between 1e-9 and 0.05".to_owned()),
                    },
                );
            if accept_adjusted == Some(true) && arrangement == Some(Arrangement::Scheduled) {
                root.fault(
                    "accept_adjusted",
                    "is not for `arrangement = \"scheduled\"`: a recording has no place for what the receiver made of its settings; ask for what it has",
                );
            }
            let meanwhile = root.or("meanwhile", false);
            if meanwhile == Some(true) && arrangement != Some(Arrangement::Linked) {
                root.fault(
                    "meanwhile",
                    "is for `arrangement = \"linked\"`: in the others the receiver waits in the item; leave it out",
                );
            }
            let limit = match root.has("limit") {
                true => root.section("limit", limit),
                false => Some(Limit {
                    line: Vec::new(),
                    rule: Rule::Guarded,
                    combine: Combine::Worst,
                }),
            };
            let permissions = root.sections("permission", |section| {
                let band = section.required("band");
                let text =
                    section.checked("text", None, |text: String| match text.trim().is_empty() {
                        true => Err("is empty; say what the permission is".to_owned()),
                        false => Ok(text),
                    });
                Some(Permission {
                    band: band?,
                    text: text?,
                })
            });
            let limit = limit?;
            let (settings, bands) = settings?;
            Some(Self {
                name: name?,
                arrangement: arrangement?,
                sweep_time,
                scheduling: schedule?,
                closings_max: closings_max?,
                frequencies: frequencies?,
                move_max: move_max?,
                settings,
                bands,
                faces: faces?,
                polarisations: polarisations?,
                repeats: repeats?,
                reference_max_age: reference_max_age?,
                bracket: bracket?,
                accept_adjusted: accept_adjusted?,
                forward_power_tolerance: forward_power_tolerance?,
                false_alarm: false_alarm?,
                meanwhile: meanwhile?,
                limit: limit.line,
                rule: limit.rule,
                combine: limit.combine,
                permissions,
                text: text.to_owned(),
            })
        })
    }

    /// This plan with only the frequencies at which the reference is looked at again by `bracket = "check"`: at most
    /// `CHECK_FREQUENCIES`, spread over the range as evenly over log frequency as the plan's own allow.
    pub fn for_reference_check(&self) -> Self {
        let all = &self.frequencies;
        let mut frequencies: Vec<Frequency> = match (all.first(), all.last()) {
            (Some(first), Some(last)) if all.len() > CHECK_FREQUENCIES => (0..CHECK_FREQUENCIES)
                .filter_map(|index| {
                    let along = index as f64 / (CHECK_FREQUENCIES - 1) as f64;
                    let wanted = first.hz().ln() + along * (last.hz() / first.hz()).ln();
                    let off = |at: &&Frequency| (at.hz().ln() - wanted).abs();
                    all.iter().min_by(|a, b| off(a).total_cmp(&off(b))).copied()
                })
                .collect(),
            _ => all.clone(),
        };
        // Two of them may be nearest to the same.
        frequencies.dedup();
        Self {
            frequencies,
            ..self.clone()
        }
    }

    /// The settings at a frequency.
    pub fn settings_at(&self, frequency: Frequency) -> &Settings {
        self.bands
            .iter()
            .find(|band| band.from <= frequency && frequency <= band.to)
            .map_or(&self.settings, |band| &band.settings)
    }

    /// The settings the plan names, each with the words that lead to it.
    fn all_settings(&self) -> impl Iterator<Item = (String, &Settings)> {
        let bands = self.bands.iter().map(|band| {
            let place = format!("[[settings.band]] from {} to {}", band.from, band.to);
            (place, &band.settings)
        });
        std::iter::once(("[settings]".to_owned(), &self.settings)).chain(bands)
    }

    /// Whether the station can do what the plan asks; every reason why not.
    pub fn check(&self, station: &Station) -> Result<(), ConfigError> {
        let mut reasons = Vec::new();
        let ranges = [
            ("source", station.source_range.frequency),
            ("receiver", station.receiver_frequency),
        ];
        for (role, (low, high)) in ranges {
            reasons.extend(
                self.frequencies
                    .iter()
                    .filter(|f| **f < low || **f > high)
                    .map(|f| format!("{f} is outside the {role}'s range of {low} to {high}")),
            );
        }
        let (low, high) = station.source_range.level;
        for (place, settings) in self.all_settings() {
            let level = settings.source_level;
            if level < low || level > high {
                reasons.push(format!(
                    "{place}: source_level {level} is outside the source's range of {low} to {high}"
                ));
            }
            check_receiver(settings, &station.receiver, &mut reasons);
            check_preamplifier(settings, station, &mut reasons);
            match self.arrangement {
                Arrangement::Sealed => self.check_sealed(settings, station, &mut reasons),
                Arrangement::Linked | Arrangement::Scheduled => {
                    reasons.extend(self.span_too_narrow(&place, settings, station));
                }
            }
        }
        for (what, table) in station.tables() {
            let (low, high) = table.range();
            let outside = |f: &&Frequency| **f < low || **f > high;
            if let Some(frequency) = self.frequencies.iter().find(outside) {
                reasons.push(format!(
                    "{frequency} is outside the table `{}` of {what}, which runs from {low} to {high}; nothing is known there",
                    table.name
                ));
            }
        }
        // Several bands may lack the same word.
        let mut said = BTreeSet::new();
        reasons.retain(|reason| said.insert(reason.clone()));
        for frequency in &self.frequencies {
            if let Some(band) = station.protected_band(*frequency)
                && self.permission(&band.name).is_none()
            {
                reasons.push(format!(
                    "{frequency} lies in the protected band `{}` ({} to {}); leave it out, or name the permission under [[permission]] band = \"{}\"",
                    band.name, band.band.0, band.band.1, band.name
                ));
            }
        }
        for permission in &self.permissions {
            if !station
                .protected
                .iter()
                .any(|band| band.name == permission.band)
            {
                reasons.push(format!(
                    "the plan names a permission for `{}`, which is not a protected band of this station",
                    permission.band
                ));
            }
        }
        match reasons.is_empty() {
            true => Ok(()),
            false => Err(ConfigError::Unfit {
                plan: format!("plan `{}`", self.name),
                station: format!("station `{}`", station.name),
                reasons,
            }),
        }
    }

    /// Whether a receiver by itself can do what the plan asks; every reason why not.
    pub fn check_lone(&self, lone: &Lone) -> Result<(), ConfigError> {
        let (low, high) = lone.frequency;
        let outside = |f: &&Frequency| **f < low || **f > high;
        let outside = self.frequencies.iter().filter(outside);
        let mut reasons: Vec<String> = outside
            .map(|f| format!("{f} is outside the receiver's range of {low} to {high}"))
            .collect();
        for (_, settings) in self.all_settings() {
            check_receiver(settings, &lone.receiver, &mut reasons);
        }
        let mut said = BTreeSet::new();
        reasons.retain(|reason| said.insert(reason.clone()));
        match reasons.is_empty() {
            true => Ok(()),
            false => Err(ConfigError::Unfit {
                plan: format!("plan `{}`", self.name),
                station: format!("receiver `{}`", lone.name),
                reasons,
            }),
        }
    }

    /// Whether a trace leaves room for its floor beside the window, at the frequency where that is the widest; the one
    /// trace of a sealed receiver is planned so that it does.
    fn span_too_narrow(
        &self,
        place: &str,
        settings: &Settings,
        station: &Station,
    ) -> Option<String> {
        let of_these = |f: &&Frequency| std::ptr::eq(self.settings_at(**f), settings);
        let highest = self.frequencies.iter().rfind(of_these)?;
        let tolerance = station.frequency_tolerance;
        let needed = settings.span_needed(*highest, tolerance);
        (settings.span < needed).then(|| {
            format!(
                "{place}: a span of {} is too narrow at {highest}: with the station's `frequency_tolerance` of {tolerance:e} source and receiver may be {} apart there, and the floor is read beside that; give at least {needed}, or connect both instruments to one frequency reference and state what is left",
                settings.span,
                Frequency::from_hz(tolerance * highest.hz()),
            )
        })
    }

    fn check_sealed(&self, settings: &Settings, station: &Station, reasons: &mut Vec<String>) {
        let Words::Receiver(words) = &station.receiver.driver.words else {
            return;
        };
        let driver = &station.receiver.driver.name;
        let Some(sealed) = &words.sealed else {
            reasons.push(format!(
                "the receiver's driver `{driver}` has no table [sealed]: it cannot sweep by itself; use `arrangement = \"linked\"`, or add the table"
            ));
            return;
        };
        if sealed.sweep_time.is_none() && self.sweep_time.is_none() {
            reasons.push(format!(
                "the receiver's driver `{driver}` cannot ask how long a sweep takes; write it down from its screen as `sweep_time`"
            ));
        }
        if words.detector.is_some() && settings.detector != Some(Detector::Peak) {
            reasons.push(
                "a sealed receiver needs `detector = \"peak\"` in [settings]: any other would miss a carrier between two bins of its wide trace".to_owned(),
            );
        }
    }

    /// The permission the plan names for a protected band.
    pub fn permission(&self, band: &str) -> Option<&Permission> {
        self.permissions.iter().find(|entry| entry.band == band)
    }
}

fn check_receiver(settings: &Settings, receiver: &InstrumentEntry, reasons: &mut Vec<String>) {
    let Words::Receiver(words) = &receiver.driver.words else {
        return;
    };
    let driver = &receiver.driver.name;
    let mut cannot = |what: &str| {
        reasons.push(format!(
            "the receiver's driver `{driver}` cannot set {what}; leave it out of [settings]"
        ));
    };
    if settings.attenuation.is_some() && words.attenuation.is_none() {
        cannot("the attenuation");
    }
    if settings.video_bandwidth.is_some() && words.video_bandwidth.is_none() {
        cannot("the video bandwidth");
    }
    if settings.preamplifier.is_some() && words.preamplifier.is_none() {
        cannot("a preamplifier");
    }
    if let Some(detector) = settings.detector
        && words
            .detector
            .as_ref()
            .and_then(|d| d.name(detector))
            .is_none()
    {
        cannot(&format!("the detector `{}`", detector.word()));
    }
    if let Some(fixed) = words.fixed_points
        && fixed != settings.points
    {
        reasons.push(format!(
            "the receiver's driver `{driver}` always gives {fixed} points; write `points = {fixed}`"
        ));
    }
}

/// Whether the gain of a preamplifier that is in for items only is known.
fn check_preamplifier(settings: &Settings, station: &Station, reasons: &mut Vec<String>) {
    let Words::Receiver(words) = &station.receiver.driver.words else {
        return;
    };
    if let (Some(used), Some(preamplifier)) = (settings.preamplifier, &words.preamplifier)
        && used == PreamplifierUse::Item
        && !preamplifier.compensated
        && station.preamplifier.is_none()
    {
        reasons.push(format!(
            "the levels that the receiver's driver `{}` gives contain the preamplifier's gain, and the station has no [preamplifier] to say how much it is",
            station.receiver.driver.name
        ));
    }
}

/// The table `[schedule]`; `Some(None)` where the arrangement has none.
fn scheduling(
    root: &mut Section<'_, '_>,
    arrangement: Option<Arrangement>,
    frequencies: Option<&[Frequency]>,
) -> Option<Option<Scheduling>> {
    let had = root.has("schedule");
    if arrangement != Some(Arrangement::Scheduled) {
        root.section("schedule", |_| Some(()));
        if had {
            root.fault(
                "schedule",
                "is for `arrangement = \"scheduled\"`; leave it out",
            );
        }
        return Some(None);
    }
    let frequencies = frequencies?;
    let middle = *frequencies.get(frequencies.len() / 2)?;
    let mut read = Some(Scheduling {
        marker: middle,
        chip: Time::from_duration(CHIP),
        hands: Time::from_duration(HANDS),
        clock_uncertainty: Time::from_duration(CLOCK_UNCERTAINTY),
        clock_drift: CLOCK_DRIFT,
        hold_time: None,
    });
    if had {
        read = root.section("schedule", |section| {
            scheduling_keys(section, read?, frequencies)
        });
    }
    read.map(Some)
}

fn scheduling_keys(
    section: &mut Section<'_, '_>,
    defaults: Scheduling,
    frequencies: &[Frequency],
) -> Option<Scheduling> {
    let marker =
        section.checked(
            "marker",
            Some(defaults.marker),
            |marker: Frequency| match frequencies.contains(&marker) {
                true => Ok(marker),
                false => Err(format!("{marker} is none of the plan's frequencies")),
            },
        );
    let chip = section.checked("chip", Some(defaults.chip), |chip: Time| {
        match (0.05..=10.0).contains(&chip.s()) {
            true => Ok(chip),
            false => Err("must be from 50 ms to 10 s".to_owned()),
        }
    });
    let limited = |time: Time, most_s: f64| match time.s() <= most_s {
        true => Ok(time),
        false => Err(format!("{time} is longer than {most_s} s")),
    };
    let hands = section.checked("hands", Some(defaults.hands), |time| limited(time, 3600.0));
    let uncertainty = section.checked(
        "clock_uncertainty",
        Some(defaults.clock_uncertainty),
        |time| limited(time, 3600.0),
    );
    let drift = section.checked("clock_drift", Some(CLOCK_DRIFT), |part: f64| {
        match (0.0..=1e-2).contains(&part) {
            true => Ok(part),
            false => Err("must be a small part, such as 100e-6".to_owned()),
        }
    });
    let hold_time = section.optional::<Time>("hold_time");
    Some(Scheduling {
        marker: marker?,
        chip: chip?,
        hands: hands?,
        clock_uncertainty: uncertainty?,
        clock_drift: drift?,
        hold_time,
    })
}

/// How much of the reference is measured again. Where the receiver lies in the item by itself, it has to be taken out,
/// armed and read once more, so that is only done where the plan says so.
fn bracket(root: &mut Section<'_, '_>, arrangement: Option<Arrangement>) -> Option<Bracket> {
    let usual = match arrangement {
        Some(Arrangement::Linked) | None => Bracket::Check,
        Some(Arrangement::Sealed | Arrangement::Scheduled) => Bracket::None,
    };
    let bracket = root.or("bracket", usual);
    if bracket.is_some_and(|it| it != Bracket::None) && arrangement == Some(Arrangement::Scheduled)
    {
        root.fault(
            "bracket",
            "is not for `arrangement = \"scheduled\"`: there the reference is judged only when its recording is merged; leave it out",
        );
    }
    bracket
}

/// What only a sealed or only a linked run knows: the most closings, and how far to move off other signals.
/// `None` where it is wrong, `Some(None)` where it is left out.
fn for_one_arrangement(
    root: &mut Section<'_, '_>,
    arrangement: Option<Arrangement>,
) -> (Option<Option<u32>>, Option<Option<Frequency>>) {
    let mut closings_max = Some(None);
    if root.has("closings_max") {
        closings_max = root
            .checked("closings_max", None, |n| match arrangement {
                Some(Arrangement::Sealed) => within(n, 1, FREQUENCIES_MAX as u32),
                _ => Err("is for `arrangement = \"sealed\"`; leave it out".to_owned()),
            })
            .map(Some);
    } else {
        root.optional::<u32>("closings_max");
    }
    let mut move_max = Some(None);
    if root.has("move_max") {
        move_max = root
            .checked("move_max", None, |most: Frequency| match arrangement {
                Some(Arrangement::Sealed) => Err(
                    "is for `arrangement = \"linked\"`: what a sealed receiver hears is known after the closing; leave it out".to_owned(),
                ),
                Some(Arrangement::Scheduled) => Err(
                    "is for `arrangement = \"linked\"`: a timetable that two sides follow cannot change on the way; leave it out".to_owned(),
                ),
                _ if most.hz() <= 0.0 => Err("must be above 0 Hz; leave it out to stay".to_owned()),
                _ => Ok(most),
            })
            .map(Some);
    } else {
        root.optional::<Frequency>("move_max");
    }
    (closings_max, move_max)
}

fn within(number: u32, low: u32, high: u32) -> Result<u32, String> {
    match (low..=high).contains(&number) {
        true => Ok(number),
        false => Err(format!("must be from {low} to {high}, not {number}")),
    }
}

fn frequencies(section: &mut Section<'_, '_>) -> Option<Vec<Frequency>> {
    let list = section.optional::<Vec<Frequency>>("list");
    let start: Option<Frequency> = section.optional("start");
    let stop: Option<Frequency> = section.optional("stop");
    let per_decade: Option<u32> = section.optional("per_decade");
    let step: Option<Frequency> = section.optional("step");
    let mut all = list.unwrap_or_default();
    if section.has("start") || section.has("stop") {
        let (start, stop) = (start?, stop?);
        if start.hz() <= 0.0 || stop <= start {
            section.fault("stop", format!("{stop} is not above the start, {start}"));
            return None;
        }
        match (per_decade, step) {
            (Some(count), None) if count > 0 => all.extend(decades(start, stop, count)),
            (None, Some(step)) if step.hz() > 0.0 => all.extend(steps(start, stop, step)),
            _ => {
                section.fault(
                    "start",
                    "give one of `per_decade` and `step` with `start` and `stop`",
                );
                return None;
            }
        }
    }
    if all.iter().any(|frequency| frequency.hz() <= 0.0) {
        section.fault("list", "0 Hz cannot be radiated");
        return None;
    }
    if all.is_empty() || all.len() > FREQUENCIES_MAX {
        let found = all.len();
        section.fault(
            "list",
            format!(
                "{found} frequencies; give 1 to {FREQUENCIES_MAX}, by `list`, by `start`, `stop` and `per_decade`, or by `start`, `stop` and `step`"
            ),
        );
        return None;
    }
    let unique: BTreeSet<u64> = all.iter().map(|f| f.hz().to_bits()).collect();
    // Positive floats order as their bits do.
    Some(
        unique
            .into_iter()
            .map(|bits| Frequency::from_hz(f64::from_bits(bits)))
            .collect(),
    )
}

/// Evenly spaced over log frequency, rounded to four figures so that tables stay readable.
pub fn decades(start: Frequency, stop: Frequency, count: u32) -> Vec<Frequency> {
    let span = (stop.hz() / start.hz()).log10();
    let intervals = ((span * f64::from(count)).round() as usize).clamp(1, FREQUENCIES_MAX + 1);
    (0..=intervals)
        .map(|index| match index {
            0 => start,
            last if last == intervals => stop,
            index => {
                let exact = start.hz() * 10f64.powf(span * index as f64 / intervals as f64);
                let unit = 10f64.powf(exact.log10().floor() - 3.0);
                // Through text, so that 1.259 MHz is 1259000 Hz and not a hair beside it.
                let rounded = (exact / unit).round() * unit;
                Frequency::from_hz((rounded * 1e3).round() / 1e3)
            }
        })
        .collect()
}

fn steps(start: Frequency, stop: Frequency, step: Frequency) -> Vec<Frequency> {
    let count = ((stop.hz() - start.hz()) / step.hz() + 1e-9)
        .floor()
        .min(FREQUENCIES_MAX as f64 + 1.0);
    (0..=count as usize)
        .map(|index| Frequency::from_hz(start.hz() + index as f64 * step.hz()))
        .collect()
}

/// The settings of a table: all of them, or those that differ from `default`.
fn settings(
    section: &mut Section<'_, '_>,
    default: Option<&Settings>,
    sealed: bool,
) -> Option<Settings> {
    fn value<T: Value>(
        section: &mut Section<'_, '_>,
        key: &'static str,
        default: Option<T>,
    ) -> Option<T> {
        match default {
            Some(default) => section.or(key, default),
            None => section.required(key),
        }
    }
    let source_level = value(section, "source_level", default.map(|d| d.source_level));
    let span: Option<Frequency> = value(section, "span", default.map(|d| d.span));
    let points = section.checked("points", Some(default.map_or(201, |d| d.points)), |n| {
        within(n, 11, POINTS_MAX)
    });
    let resolution_bandwidth: Option<Frequency> = value(
        section,
        "resolution_bandwidth",
        default.map(|d| d.resolution_bandwidth),
    );
    let video_bandwidth = section.optional("video_bandwidth");
    let attenuation = section.optional("attenuation");
    let preamplifier = section.optional::<String>("preamplifier");
    let preamplifier = preamplifier.and_then(|word| {
        word.parse::<PreamplifierUse>()
            .map_err(|reason| section.fault("preamplifier", reason))
            .ok()
    });
    let detector = section.optional::<String>("detector");
    let detector = detector.and_then(|word| {
        Detector::from_word(&word)
            .map_err(|reason| section.fault("detector", reason))
            .ok()
    });
    let sweeps = section.checked("sweeps", Some(default.map_or(5, |d| d.sweeps)), |n| {
        within(n, 1, SWEEPS_MAX)
    });
    let settle = Time::from_duration(Duration::from_millis(20));
    let settle = default.map_or(settle, |d| d.settle);
    let settle = section.checked("settle", Some(settle), |time: Time| {
        if time <= SETTLE_MAX {
            Ok(time)
        } else {
            Err(format!(
                "must be at most {SETTLE_MAX}: the output is on all the while"
            ))
        }
    });
    let settings = Settings {
        source_level: source_level?,
        span: span?,
        points: points?,
        resolution_bandwidth: resolution_bandwidth?,
        video_bandwidth: video_bandwidth.or(default.and_then(|d| d.video_bandwidth)),
        attenuation: attenuation.or(default.and_then(|d| d.attenuation)),
        preamplifier: preamplifier.or(default.and_then(|d| d.preamplifier)),
        detector: detector.or(default.and_then(|d| d.detector)),
        sweeps: sweeps?,
        settle: settle?,
    };
    match settings.fault(sealed) {
        None => Some(settings),
        Some((key, reason)) => {
            section.fault(key, reason);
            None
        }
    }
}

/// The longest that a source may be given to settle.
const SETTLE_MAX: Time = Time::from_duration(Duration::from_secs(60));

impl Settings {
    /// The least span that shows the window and the floor at a frequency.
    pub fn span_needed(&self, frequency: Frequency, tolerance: f64) -> Frequency {
        let tuning = Tuning {
            rbw_hz: self.resolution_bandwidth.hz(),
            bin_hz: self.span.hz() / f64::from(self.points.max(2) - 1),
            tolerance,
        };
        // Up to whole hertz, as a person writes it.
        Frequency::from_hz((tuning.span_needed_hz(frequency.hz()) - 1e-6).ceil())
    }

    /// What cannot be right about bandwidth, span and points together, and at which key.
    fn fault(&self, sealed: bool) -> Option<(&'static str, String)> {
        let Self {
            span,
            points,
            resolution_bandwidth,
            ..
        } = self;
        if resolution_bandwidth.hz() <= 0.0 {
            return Some(("resolution_bandwidth", "must be above 0 Hz".to_owned()));
        }
        // The floor is taken from the same trace's own noise: it needs room beside the peak.
        if span.hz() < 10.0 * resolution_bandwidth.hz() {
            return Some((
                "span",
                format!(
                    "{span} leaves no room beside the peak; make it at least ten times the resolution bandwidth of {resolution_bandwidth}"
                ),
            ));
        }
        // Sealed, the points are those of one wide trace, held with the peak detector.
        let apart = span.hz() / f64::from(points - 1) > resolution_bandwidth.hz();
        (apart && !sealed).then(|| {
            (
                "points",
                format!(
                    "{points} points over {span} lie further apart than the resolution bandwidth of {resolution_bandwidth}: a signal could fall between them"
                ),
            )
        })
    }
}

/// The bands with settings of their own.
fn bands(section: &mut Section<'_, '_>, default: &Settings, sealed: bool) -> Option<Vec<Band>> {
    let mut last: Option<Frequency> = None;
    let wanted = section.count("band");
    let bands = section.sections("band", |section| {
        let from: Option<Frequency> = section.required("from");
        let to: Option<Frequency> = section.required("to");
        let settings = settings(section, Some(default), sealed);
        let (from, to) = (from?, to?);
        if to < from {
            section.fault("to", format!("{to} is below the band's beginning, {from}"));
            return None;
        }
        if let Some(last) = last.filter(|last| from <= *last) {
            section.fault(
                "from",
                format!("{from} is not above the end of the band before, {last}; bands rise and do not overlap"),
            );
            return None;
        }
        last = Some(to);
        Some(Band {
            from,
            to,
            settings: settings?,
        })
    });
    (bands.len() == wanted).then_some(bands)
}

fn faces(words: Vec<String>) -> Result<Vec<String>, String> {
    distinct(&words)?;
    match words.iter().find(|word| {
        word.trim().is_empty()
            || word.chars().count() > FACE_CHARACTERS_MAX
            || word.chars().any(is_unprintable)
    }) {
        Some(word) => Err(format!(
            "{word:?} is not a face; use a word of at most {FACE_CHARACTERS_MAX} characters"
        )),
        None => Ok(words),
    }
}

fn polarisations(words: Vec<String>) -> Result<Vec<Polarisation>, String> {
    distinct(&words)?;
    words.iter().map(|word| word.parse()).collect()
}

fn distinct(words: &[String]) -> Result<(), String> {
    let unique: BTreeSet<&String> = words.iter().collect();
    match (words.is_empty(), unique.len() == words.len()) {
        (true, _) => Err("is empty; name at least one".to_owned()),
        (false, false) => Err("names one twice".to_owned()),
        (false, true) => Ok(()),
    }
}

/// What is required, and how it is held against what was measured.
struct Limit {
    line: Vec<(Frequency, Ratio)>,
    rule: Rule,
    combine: Combine,
}

fn limit(section: &mut Section<'_, '_>) -> Option<Limit> {
    let line = section.checked("line", None, |line: Vec<(Frequency, Ratio)>| {
        match line.is_empty() || line.windows(2).any(|pair| pair[0].0 >= pair[1].0) {
            true => Err("needs points with rising frequency, such as [[\"100 kHz\", \"50 dB\"], [\"1 GHz\", \"50 dB\"]]".to_owned()),
            false => Ok(line),
        }
    });
    let rule = section.checked(
        "rule",
        Some("guarded".to_owned()),
        |word: String| match word.as_str() {
            "simple" => Ok(Rule::Simple),
            "guarded" => Ok(Rule::Guarded),
            other => Err(format!("`{other}` is neither simple nor guarded")),
        },
    );
    let combine = section.checked("combine", Some("worst".to_owned()), |word: String| {
        word.parse::<Combine>()
    });
    Some(Limit {
        line: line?,
        rule: rule?,
        combine: combine?,
    })
}
