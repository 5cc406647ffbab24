//! The station file: one place with its instruments, amplifier, antennas and limits.

use std::path::Path;

use super::document::{Document, Section};
use super::{Address, ConfigError, Driver, Pattern, Words, read_file};
use crate::quantity::{Frequency, Length, Level, Ratio};

/// One place with its instruments.
#[derive(Debug, Clone)]
pub struct Station {
    /// Its name, as it appears with every run.
    pub name: String,
    /// The signal source.
    pub source: InstrumentEntry,
    /// What the source can do.
    pub source_range: SourceRange,
    /// The receiver.
    pub receiver: InstrumentEntry,
    /// What the receiver can tune to.
    pub receiver_frequency: (Frequency, Frequency),
    /// The power amplifier, if there is one.
    pub amplifier: Option<Amplifier>,
    /// Limits that protect people and instruments.
    pub safety: Safety,
    /// Bands that are not radiated in without a permission.
    pub protected: Vec<ProtectedBand>,
    /// The command that moves items about, with its arguments; without one, a person is asked.
    pub placement: Option<Vec<String>>,
    /// From the transmit antenna to the receive antenna.
    pub distance: Length,
    /// What the station knows of its own uncertainty.
    pub uncertainty: Uncertainties,
    /// The file as it was read.
    pub text: String,
}

/// An instrument and how it is reached.
#[derive(Debug, Clone)]
pub struct InstrumentEntry {
    /// The driver as the station file names it.
    pub driver_name: String,
    /// How it is spoken to.
    pub driver: Driver,
    /// Where it is.
    pub address: Address,
    /// Where else it may be found when it comes back after its link was cut; a serial device's name may
    /// hold `*`. Only what its identity tells to be the same instrument is used.
    pub found_at: Vec<Address>,
    /// What its identification must match; before the driver's own pattern.
    pub identity: Option<Pattern>,
}

/// What a source can do.
#[derive(Debug, Clone, Copy)]
pub struct SourceRange {
    /// Lowest and highest frequency.
    pub frequency: (Frequency, Frequency),
    /// Lowest and highest level.
    pub level: (Level, Level),
}

/// A power amplifier between source and antenna.
#[derive(Debug, Clone, Copy)]
pub struct Amplifier {
    /// Nominal gain.
    pub gain: Ratio,
    /// The most its input stands.
    pub input_max: Level,
}

/// Limits that protect people and instruments.
#[derive(Debug, Clone, Copy)]
pub struct Safety {
    /// The most this station may feed to the antenna.
    pub level_max: Level,
    /// The most the receiver's input stands.
    pub receiver_damage: Level,
    /// The least loss between antenna feed and receiver input that can be relied on.
    pub path_loss_min: Ratio,
    /// The longest a single emission may last.
    pub emission_max: crate::quantity::Time,
}

/// A band that is not radiated in without a permission.
#[derive(Debug, Clone)]
pub struct ProtectedBand {
    /// What plans call it when they name a permission.
    pub name: String,
    /// Lowest and highest frequency.
    pub band: (Frequency, Frequency),
}

/// What the station knows of its own uncertainty; each absent value has a default in `analysis`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Uncertainties {
    /// Half-width of the receiver's linearity error between two levels.
    pub receiver_linearity: Option<Ratio>,
    /// Half-width of the error of switching the attenuator.
    pub attenuator_step: Option<Ratio>,
    /// Voltage standing wave ratio of the antenna.
    pub antenna_vswr: Option<f64>,
    /// Voltage standing wave ratio of the receiver's input.
    pub receiver_vswr: Option<f64>,
    /// Half-width of the source's and amplifier's drift between reference and item.
    pub source_drift: Option<Ratio>,
    /// Half-width of the effect of placing antennas and item.
    pub position: Option<Ratio>,
    /// Standard deviation of closing the item anew.
    pub repeatability: Option<Ratio>,
}

/// Where the drivers that a station file names are to be had.
#[derive(Debug, Clone, Copy)]
pub enum Drivers<'a> {
    /// Inside the program, or files relative to this folder.
    Folder(&'a Path),
    /// Kept with a run: the name in the station file and the text.
    Kept(&'a [(String, String)]),
}

impl Drivers<'_> {
    fn load(&self, name: &str) -> Result<Driver, ConfigError> {
        match self {
            Self::Folder(folder) => Driver::load(name, folder),
            Self::Kept(kept) => match kept.iter().find(|(known, _)| known == name) {
                Some((_, text)) => Ok(Driver::read(name, text)?),
                None => Err(ConfigError::NoSuchDriver {
                    name: name.to_owned(),
                    known: kept
                        .iter()
                        .map(|(name, _)| name.as_str())
                        .collect::<Vec<_>>()
                        .join(", "),
                }),
            },
        }
    }
}

impl Station {
    /// Reads a station file and the drivers it names.
    pub fn load(path: &Path) -> Result<Self, ConfigError> {
        let text = read_file(path)?;
        let folder = path.parent().unwrap_or(Path::new("."));
        Self::read(&path.display().to_string(), &text, Drivers::Folder(folder))
    }

    /// Reads the text of a station file; `file` is only for the faults.
    pub fn read(file: &str, text: &str, drivers: Drivers<'_>) -> Result<Self, ConfigError> {
        let station = Document::read(file, text, |root| {
            let name = root.required("name");
            let source = root.required_section("source", |section| {
                let entry = instrument(section, drivers, "source");
                let frequency = band(section, "frequency");
                let level = section.checked("level", None, ordered);
                Some((
                    entry?,
                    SourceRange {
                        frequency: frequency?,
                        level: level?,
                    },
                ))
            });
            let receiver = root.required_section("receiver", |section| {
                let entry = instrument(section, drivers, "receiver");
                let frequency = band(section, "frequency");
                let damage = section.required("damage_level");
                Some((entry?, frequency?, damage?))
            });
            let had_amplifier = root.has("amplifier");
            let amplifier = root.section("amplifier", |section| {
                let gain = section.required("gain");
                let input_max = section.required("input_max");
                Some(Amplifier {
                    gain: gain?,
                    input_max: input_max?,
                })
            });
            let safety = root.required_section("safety", safety);
            let protected = root.sections("protected", |section| {
                let name = section.required("name");
                let band = band(section, "band");
                Some(ProtectedBand {
                    name: name?,
                    band: band?,
                })
            });
            let placement = root.section("placement", |section| {
                section.checked("command", None, |words: Vec<String>| {
                    match words.is_empty() {
                        true => Err("is empty; give the program and its arguments".to_owned()),
                        false => Ok(words),
                    }
                })
            });
            let distance = root.required("distance");
            let uncertainty = match root.has("uncertainty") {
                true => root.section("uncertainty", uncertainties),
                false => Some(Uncertainties::default()),
            };
            if had_amplifier {
                amplifier?;
            }
            let (source, source_range) = source?;
            let (receiver, receiver_frequency, receiver_damage) = receiver?;
            let (level_max, path_loss_min, emission_max) = safety?;
            Some(Self {
                name: name?,
                source,
                source_range,
                receiver,
                receiver_frequency,
                amplifier,
                safety: Safety {
                    level_max,
                    receiver_damage,
                    path_loss_min,
                    emission_max,
                },
                protected,
                placement,
                distance: distance?,
                uncertainty: uncertainty?,
                text: text.to_owned(),
            })
        })?;
        Ok(station)
    }

    /// Nominal gain between the source's output and the antenna feed.
    pub fn gain(&self) -> Ratio {
        self.amplifier
            .map_or(Ratio::ZERO, |amplifier| amplifier.gain)
    }

    /// The protected band a frequency lies in.
    pub fn protected_band(&self, frequency: Frequency) -> Option<&ProtectedBand> {
        self.protected
            .iter()
            .find(|entry| entry.band.0 <= frequency && frequency <= entry.band.1)
    }
}

fn instrument(
    section: &mut Section<'_, '_>,
    drivers: Drivers<'_>,
    role: &str,
) -> Option<InstrumentEntry> {
    let driver = section.checked("driver", None, |name: String| {
        let driver = drivers.load(&name).map_err(|error| error.to_string())?;
        let is = match driver.words {
            Words::Source(_) => "source",
            Words::Receiver(_) => "receiver",
        };
        match is == role {
            true => Ok((name, driver)),
            false => Err(format!("`{name}` is a driver for a {is}, not for a {role}")),
        }
    });
    let address = section.required("address");
    let identity = match section.has("identity") {
        true => Some(section.checked("identity", None, |pattern: String| Pattern::new(&pattern))?),
        false => {
            section.optional::<String>("identity");
            None
        }
    };
    let found_at = found_at(section, role, identity.is_some() || has_identity(&driver));
    let (driver_name, driver) = driver?;
    Some(InstrumentEntry {
        driver_name,
        driver,
        address: address?,
        found_at: found_at?,
        identity,
    })
}

fn has_identity(driver: &Option<(String, Driver)>) -> bool {
    driver.as_ref().is_none_or(|(_, it)| it.identity.is_some())
}

fn found_at(section: &mut Section<'_, '_>, role: &str, identified: bool) -> Option<Vec<Address>> {
    let listed = section.has("found_at");
    section.checked("found_at", Some(Vec::new()), |all: Vec<Address>| {
        match (role, listed && !identified) {
            ("source", _) if !all.is_empty() => {
                Err("is for the receiver: the source is never looked for".to_owned())
            }
            (_, true) => Err(
                "needs `identity`: an instrument found elsewhere must be known to be the same"
                    .to_owned(),
            ),
            _ => Ok(all),
        }
    })
}

fn band(section: &mut Section<'_, '_>, key: &'static str) -> Option<(Frequency, Frequency)> {
    section.checked(key, None, ordered)
}

fn ordered<T: PartialOrd + std::fmt::Display>((low, high): (T, T)) -> Result<(T, T), String> {
    match low < high {
        true => Ok((low, high)),
        false => Err(format!("{low} is not below {high}")),
    }
}

fn safety(section: &mut Section<'_, '_>) -> Option<(Level, Ratio, crate::quantity::Time)> {
    let level_max = section.required("level_max");
    let path_loss = section.checked("path_loss_min", Some(Ratio::ZERO), |loss: Ratio| {
        match loss >= Ratio::ZERO {
            true => Ok(loss),
            false => Err("a loss cannot be negative".to_owned()),
        }
    });
    let emission_max = section.checked(
        "emission_max",
        Some(crate::quantity::Time::from_duration(
            std::time::Duration::from_secs(60),
        )),
        |time: crate::quantity::Time| match time.s() > 0.0 {
            true => Ok(time),
            false => Err("must be longer than nothing".to_owned()),
        },
    );
    Some((level_max?, path_loss?, emission_max?))
}

fn uncertainties(section: &mut Section<'_, '_>) -> Option<Uncertainties> {
    let mut ratio = |key| {
        given(section, key, |ratio: Ratio| match ratio >= Ratio::ZERO {
            true => Ok(ratio),
            false => Err("cannot be negative".to_owned()),
        })
    };
    let receiver_linearity = ratio("receiver_linearity");
    let attenuator_step = ratio("attenuator_step");
    let source_drift = ratio("source_drift");
    let position = ratio("position");
    let repeatability = ratio("repeatability");
    let mut vswr = |key| {
        given(section, key, |vswr: f64| match vswr >= 1.0 {
            true => Ok(vswr),
            false => Err("a standing wave ratio is 1 or more".to_owned()),
        })
    };
    let antenna_vswr = vswr("antenna_vswr");
    let receiver_vswr = vswr("receiver_vswr");
    Some(Uncertainties {
        receiver_linearity: receiver_linearity?,
        attenuator_step: attenuator_step?,
        antenna_vswr: antenna_vswr?,
        receiver_vswr: receiver_vswr?,
        source_drift: source_drift?,
        position: position?,
        repeatability: repeatability?,
    })
}

/// A checked value that may be absent: none when it is wrong, some of none when it is not there.
fn given<A: super::document::Value, B>(
    section: &mut Section<'_, '_>,
    key: &'static str,
    check: impl FnOnce(A) -> Result<B, String>,
) -> Option<Option<B>> {
    match section.has(key) {
        true => section.checked(key, None, check).map(Some),
        false => {
            section.optional::<A>(key);
            Some(None)
        }
    }
}
