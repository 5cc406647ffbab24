//! The station file: one place with its instruments, amplifier, antennas and limits.

use std::time::Duration;

use std::cell::RefCell;
use std::path::Path;

use super::document::{Document, Section};
use super::table::{Column, Table};
use super::{
    Address, Calibration, ConfigError, Contact, Driver, FREQUENCY_TOLERANCE, Pattern, calibration,
    read_file,
};
use crate::quantity::{Frequency, Length, Level, Ratio, Time};

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
    /// The receiver's noise figure, if anybody measured it.
    pub noise_figure: Option<Ratio>,
    /// The power sensor at a coupled port behind the amplifier, if there is one.
    pub power_monitor: Option<PowerMonitor>,
    /// The preamplifier at the receiver's input, if there is one that can be switched.
    pub preamplifier: Option<Preamplifier>,
    /// The power amplifier, if there is one.
    pub amplifier: Option<Amplifier>,
    /// The antenna that radiates, and the cable to it.
    pub transmit_antenna: Antenna,
    /// The antenna that receives, and the cable from it.
    pub receive_antenna: Antenna,
    /// How far source and receiver may disagree about a frequency, as a part of it: the sum of what each may be off.
    pub frequency_tolerance: f64,
    /// How long placing something takes.
    pub placement_time: Option<Time>,
    /// Limits that protect people and instruments.
    pub safety: Safety,
    /// The contact that has to be closed while anything is emitted, if there is one.
    pub interlock: Option<Contact>,
    /// Bands that are not radiated in without a permission.
    pub protected: Vec<ProtectedBand>,
    /// The command that moves items about, with its arguments; without one, a person is asked.
    pub placement: Option<Vec<String>>,
    /// From the transmit antenna to the receive antenna.
    pub distance: Length,
    /// What the station knows of its own uncertainty.
    pub uncertainty: Uncertainties,
    /// What is calibrated, and until when.
    pub calibrations: Vec<Calibration>,
    /// Whether nothing is measured once a calibration is overdue.
    pub refuse_overdue: bool,
    /// The file as it was read, with the texts of the tables it names: whole in itself.
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

/// A power sensor at a coupled port between amplifier and antenna.
#[derive(Debug, Clone)]
pub struct PowerMonitor {
    /// The sensor.
    pub entry: InstrumentEntry,
    /// By how much its port is below the line.
    pub coupling: Ratio,
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
#[derive(Debug, Clone)]
pub struct Amplifier {
    /// Nominal gain.
    pub gain: Ratio,
    /// Its gain as calibrated.
    pub gain_table: Option<Table>,
    /// The most its input stands.
    pub input_max: Level,
}

/// A preamplifier at the receiver's input that can be switched.
#[derive(Debug, Clone, PartialEq)]
pub struct Preamplifier {
    /// Its gain.
    pub gain: Correction,
    /// The receiver's noise figure with it, if known.
    pub noise_figure: Option<Ratio>,
}

/// A value that is the same everywhere, or a table of it.
#[derive(Debug, Clone, PartialEq)]
pub enum Correction {
    /// The same at every frequency.
    Same(Ratio),
    /// Over frequency.
    Over(Table),
}

impl Correction {
    /// The value at a frequency; `None` outside of its table.
    pub fn at(&self, frequency: Frequency) -> Option<Ratio> {
        match self {
            Self::Same(ratio) => Some(*ratio),
            Self::Over(table) => table.at_db(frequency).map(Ratio::from_db),
        }
    }
}

/// What an antenna makes of a field, or of a level.
#[derive(Debug, Clone, PartialEq)]
pub enum AntennaFigure {
    /// Its gain over an isotropic antenna.
    Gain(Correction),
    /// Its antenna factor, dB/m.
    Factor(Table),
}

/// An antenna and its cable.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Antenna {
    /// Gain or antenna factor, if known.
    pub figure: Option<AntennaFigure>,
    /// Loss of the cable, if known.
    pub cable_loss: Option<Correction>,
}

/// Limits that protect people and instruments.
#[derive(Debug, Clone, Copy)]
pub struct Safety {
    /// The most this station may feed to the antenna, conducted.
    pub feed_power_max: Level,
    /// The most it may radiate, as equivalent isotropically radiated power.
    pub eirp_max: Option<Level>,
    /// The most it may radiate, as effective radiated power (over a half-wave dipole).
    pub erp_max: Option<Level>,
    /// The most the receiver's input stands.
    pub receiver_damage: Level,
    /// The least loss between antenna feed and receiver input that can be relied on.
    pub path_loss_min: Ratio,
    /// The longest a single emission may last.
    pub emission_max: Time,
    /// The longest that the output stays on without a sign of life from the measuring.
    pub beat_max: Time,
}

impl Safety {
    /// The longest that it may take to reach the source: so much earlier than `emission_max` each watch acts.
    fn reach(&self) -> Duration {
        (self.emission_max.duration() / 10).min(REACH_MAX)
    }

    /// How long after its beginning the program ends an emission: as long as an emission may be planned.
    pub fn watch_acts(&self) -> Duration {
        self.emission_max.duration() - 2 * self.reach()
    }

    /// How long after its beginning the watchdog process ends an emission that the program has not.
    pub fn watchdog_acts(&self) -> Duration {
        self.emission_max.duration() - self.reach()
    }
}

/// The most time that is set aside for reaching the source once.
const REACH_MAX: Duration = Duration::from_millis(500);

/// The usual longest time without a sign of life: there is one every few milliseconds when all is well.
const BEAT_MAX: Time = Time::from_duration(Duration::from_secs(5));
/// A busy machine may leave a process out for as long as this.
const BEAT_MAX_LEAST: Time = Time::from_duration(std::time::Duration::from_millis(200));

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

/// Where the drivers and tables that a station file names are to be had. Kept tables are in the text itself.
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
                Some((_, text)) => Ok(Driver::read_kept(name, text)?),
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

/// A receiver by itself, as a recorder in a closed item has it.
#[derive(Debug, Clone)]
pub struct Lone {
    /// The station file's name for the place.
    pub name: String,
    /// The receiver.
    pub receiver: InstrumentEntry,
    /// What it can tune to.
    pub frequency: (Frequency, Frequency),
    /// As of a [`Station`].
    pub frequency_tolerance: f64,
}

impl Lone {
    /// Reads a station file for its receiver alone. The file may have no source; where it has one, it is
    /// checked as a whole, and nothing but the receiver is taken from it.
    pub fn load(path: &Path) -> Result<Self, ConfigError> {
        let text = read_file(path)?;
        let file = path.display().to_string();
        let drivers = Drivers::Folder(path.parent().unwrap_or(Path::new(".")));
        let mut has_source = false;
        let alone = Document::read(&file, &text, |root| {
            has_source = root.has("source");
            let name = root.required("name");
            root.optional::<Length>("distance");
            let frequency_tolerance = frequency_tolerance(root);
            let receiver = root.required_section("receiver", |section| {
                let entry = instrument(section, drivers, "receiver");
                let frequency = band(section, "frequency");
                section.optional::<Level>("damage_level");
                section.optional::<Ratio>("noise_figure");
                Some((entry?, frequency?))
            });
            let (receiver, frequency) = receiver?;
            Some(Self {
                name: name?,
                receiver,
                frequency,
                frequency_tolerance: frequency_tolerance?,
            })
        });
        match has_source {
            true => {
                let station = Station::read(&file, &text, drivers)?;
                Ok(Self {
                    name: station.name,
                    receiver: station.receiver,
                    frequency: station.receiver_frequency,
                    frequency_tolerance: station.frequency_tolerance,
                })
            }
            false => Ok(alone?),
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
        let tables = Tables::new(drivers);
        let mut station = Document::read(file, text, |root| {
            let name = root.required("name");
            tables.take_inline(root.sections("table", |section| {
                let name = section.required("name");
                let text = section.required("text");
                Some((name?, text?))
            }));
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
                let noise_figure = given(section, "noise_figure", not_negative);
                Some((entry?, frequency?, damage?, noise_figure?))
            });
            let had_amplifier = root.has("amplifier");
            let amplifier = root.section("amplifier", |section| {
                let gain = section.required("gain");
                let input_max = section.required("input_max");
                let gain_table = tables.optional(section, "gain_table", Column::Gain);
                Some(Amplifier {
                    gain: gain?,
                    gain_table: gain_table?,
                    input_max: input_max?,
                })
            });
            let power_monitor = match root.has("power_monitor") {
                true => root
                    .section("power_monitor", |section| {
                        let entry = instrument(section, drivers, "power_monitor");
                        let coupling = section.checked("coupling", Some(Ratio::ZERO), not_negative);
                        Some(PowerMonitor {
                            entry: entry?,
                            coupling: coupling?,
                        })
                    })
                    .map(Some),
                false => {
                    root.section("power_monitor", |_| Some(()));
                    Some(None)
                }
            };
            let preamplifier = match root.has("preamplifier") {
                true => root
                    .section("preamplifier", |section| preamplifier(section, &tables))
                    .map(Some),
                false => {
                    root.section("preamplifier", |_| Some(()));
                    Some(None)
                }
            };
            let mut antenna = |key| match root.has(key) {
                true => root.section(key, |section| antenna(section, &tables)),
                false => {
                    root.section(key, |_| Some(()));
                    Some(Antenna::default())
                }
            };
            let transmit_antenna = antenna("transmit_antenna");
            let receive_antenna = antenna("receive_antenna");
            let frequency_tolerance = frequency_tolerance(root);
            let placement_time = given(root, "placement_time", Ok::<Time, String>);
            let has_gain = transmit_antenna
                .as_ref()
                .is_none_or(|it| it.figure.is_some());
            let safety = root.required_section("safety", |section| safety(section, has_gain));
            let had_interlock = root.has("interlock");
            let interlock = root.section("interlock", |section| {
                section.checked("contact", None, |text: String| text.parse::<Contact>())
            });
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
            let calibrations = root.sections("calibration", calibration::read);
            let refuse_overdue = root.or("refuse_overdue", false);
            let distance = root.required("distance");
            let uncertainty = match root.has("uncertainty") {
                true => root.section("uncertainty", uncertainties),
                false => Some(Uncertainties::default()),
            };
            if had_amplifier && amplifier.is_none() || had_interlock && interlock.is_none() {
                return None;
            }
            let (source, source_range) = source?;
            let (receiver, receiver_frequency, receiver_damage, noise_figure) = receiver?;
            let limits = safety?;
            Some(Self {
                name: name?,
                source,
                source_range,
                receiver,
                receiver_frequency,
                noise_figure,
                power_monitor: power_monitor?,
                preamplifier: preamplifier?,
                amplifier,
                transmit_antenna: transmit_antenna?,
                receive_antenna: receive_antenna?,
                frequency_tolerance: frequency_tolerance?,
                placement_time: placement_time?,
                safety: Safety {
                    receiver_damage,
                    ..limits
                },
                interlock,
                protected,
                placement,
                distance: distance?,
                uncertainty: uncertainty?,
                calibrations,
                refuse_overdue: refuse_overdue?,
                text: text.to_owned(),
            })
        })?;
        station.text.push_str(&tables.appendix());
        Ok(station)
    }

    /// Gain between the source's output and the amplifier's, as far as it is known; `None` outside of its
    /// table.
    pub fn gain(&self, frequency: Frequency) -> Option<Ratio> {
        match &self.amplifier {
            None => Some(Ratio::ZERO),
            Some(Amplifier {
                gain, gain_table, ..
            }) => match gain_table {
                None => Some(*gain),
                Some(table) => table.at_db(frequency).map(Ratio::from_db),
            },
        }
    }

    /// The largest gain that the amplifier may have around a frequency (`None`: anywhere), by its nominal
    /// gain and its table: what limits are held against.
    pub fn gain_max(&self, frequency: Option<Frequency>) -> Ratio {
        let Some(amplifier) = &self.amplifier else {
            return Ratio::ZERO;
        };
        let table_db = match (&amplifier.gain_table, frequency) {
            (None, _) => f64::NEG_INFINITY,
            (Some(table), Some(frequency)) => table.largest_near_db(frequency),
            (Some(table), None) => table.largest_db(),
        };
        Ratio::from_db(amplifier.gain.db().max(table_db))
    }

    /// The tables the station uses, and what each is about.
    pub fn tables(&self) -> Vec<(&'static str, &Table)> {
        let mut all = Vec::new();
        let amplifier = self.amplifier.as_ref();
        all.extend(
            amplifier
                .and_then(|amplifier| amplifier.gain_table.as_ref())
                .map(|table| ("the amplifier's gain", table)),
        );
        all.extend(match &self.preamplifier {
            Some(Preamplifier {
                gain: Correction::Over(table),
                ..
            }) => Some(("the preamplifier's gain", table)),
            _ => None,
        });
        let antennas = [
            (
                "the transmit antenna",
                "the transmit cable",
                &self.transmit_antenna,
            ),
            (
                "the receive antenna",
                "the receive cable",
                &self.receive_antenna,
            ),
        ];
        for (antenna, cable, entry) in antennas {
            all.extend(match &entry.figure {
                Some(
                    AntennaFigure::Gain(Correction::Over(table)) | AntennaFigure::Factor(table),
                ) => Some((antenna, table)),
                _ => None,
            });
            all.extend(match &entry.cable_loss {
                Some(Correction::Over(table)) => Some((cable, table)),
                _ => None,
            });
        }
        all
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
        let is = driver.words.role();
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
            ("source" | "power_monitor", _) if !all.is_empty() => {
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

/// The texts of the tables a station file names: inline in it, or files beside it.
struct Tables<'a> {
    drivers: Drivers<'a>,
    inline: RefCell<Vec<(String, String)>>,
    read: RefCell<Vec<(String, String)>>,
}

impl<'a> Tables<'a> {
    fn new(drivers: Drivers<'a>) -> Self {
        Self {
            drivers,
            inline: RefCell::default(),
            read: RefCell::default(),
        }
    }

    fn take_inline(&self, tables: Vec<(String, String)>) {
        *self.inline.borrow_mut() = tables;
    }

    /// The table that `key` names, if the key is there.
    fn optional(
        &self,
        section: &mut Section<'_, '_>,
        key: &'static str,
        column: Column,
    ) -> Option<Option<Table>> {
        given(section, key, |name: String| {
            Table::read(&name, &self.text(&name)?, column)
        })
    }

    fn text(&self, name: &str) -> Result<String, String> {
        let known = |list: &RefCell<Vec<(String, String)>>| {
            let list = list.borrow();
            list.iter()
                .find(|(known, _)| known == name)
                .map(|(_, text)| text.clone())
        };
        if let Some(text) = known(&self.inline).or_else(|| known(&self.read)) {
            return Ok(text);
        }
        let Drivers::Folder(folder) = self.drivers else {
            return Err(format!("there is no [[table]] `{name}` in what was kept"));
        };
        let text = read_file(&folder.join(name)).map_err(|error| error.to_string())?;
        // Spreadsheets write a byte order mark and two characters at a line's end.
        let text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n");
        let odd = |c: char| c.is_control() && c != '\n' && c != '\t';
        if text.contains(odd) || text.contains("'''") {
            return Err(format!("{name}: is not a table of numbers"));
        }
        self.read.borrow_mut().push((name.to_owned(), text.clone()));
        Ok(text)
    }

    /// The tables read from files, as a station file holds them inline.
    fn appendix(&self) -> String {
        let mut appendix = String::new();
        for (name, text) in self.read.borrow().iter() {
            // JSON's strings are TOML's basic strings too.
            let name = serde_json::Value::from(name.as_str());
            let end = if text.ends_with('\n') { "" } else { "\n" };
            appendix.push_str(&format!(
                "\n# As read from the file of that name.\n[[table]]\nname = {name}\ntext = '''\n{text}{end}'''\n"
            ));
        }
        appendix
    }
}

fn preamplifier(section: &mut Section<'_, '_>, tables: &Tables<'_>) -> Option<Preamplifier> {
    let gain = given(section, "gain", not_negative);
    let gain_table = tables.optional(section, "gain_table", Column::Gain);
    let noise_figure = given(section, "noise_figure", not_negative);
    let gain = match (gain?, gain_table?) {
        (Some(gain), None) => Correction::Same(gain),
        (None, Some(table)) => Correction::Over(table),
        _ => {
            section.fault("gain", "give one of `gain` and `gain_table`");
            return None;
        }
    };
    Some(Preamplifier {
        gain,
        noise_figure: noise_figure?,
    })
}

fn antenna(section: &mut Section<'_, '_>, tables: &Tables<'_>) -> Option<Antenna> {
    let gain = given(section, "gain", Ok::<Ratio, String>);
    let gain_table = tables.optional(section, "gain_table", Column::Gain);
    let factor_table = tables.optional(section, "factor_table", Column::Factor);
    let cable_loss = given(section, "cable_loss", not_negative);
    let cable_loss_table = tables.optional(section, "cable_loss_table", Column::Loss);
    let figure = match (gain?, gain_table?, factor_table?) {
        (None, None, None) => None,
        (Some(gain), None, None) => Some(AntennaFigure::Gain(Correction::Same(gain))),
        (None, Some(table), None) => Some(AntennaFigure::Gain(Correction::Over(table))),
        (None, None, Some(table)) => Some(AntennaFigure::Factor(table)),
        _ => {
            let key = if section.has("factor_table") {
                "factor_table"
            } else {
                "gain_table"
            };
            section.fault(key, "give one of `gain`, `gain_table` and `factor_table`");
            return None;
        }
    };
    let cable_loss = match (cable_loss?, cable_loss_table?) {
        (Some(_), Some(_)) => {
            section.fault(
                "cable_loss_table",
                "give one of `cable_loss` and `cable_loss_table`",
            );
            return None;
        }
        (Some(loss), None) => Some(Correction::Same(loss)),
        (None, table) => table.map(Correction::Over),
    };
    Some(Antenna { figure, cable_loss })
}

fn frequency_tolerance(root: &mut Section<'_, '_>) -> Option<f64> {
    let small = |part: f64| match (0.0..1e-2).contains(&part) {
        true => Ok(part),
        false => Err("must be a small part of the frequency, such as 1e-6".to_owned()),
    };
    root.checked("frequency_tolerance", Some(FREQUENCY_TOLERANCE), small)
}

fn not_negative(ratio: Ratio) -> Result<Ratio, String> {
    match ratio >= Ratio::ZERO {
        true => Ok(ratio),
        false => Err("cannot be negative".to_owned()),
    }
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

/// All but `receiver_damage`, which stands with the receiver.
fn safety(section: &mut Section<'_, '_>, has_gain: bool) -> Option<Safety> {
    // Stations that were kept with earlier runs say `level_max`.
    let key = if section.has("level_max") && !section.has("feed_power_max") {
        "level_max"
    } else {
        "feed_power_max"
    };
    let feed_power_max = section.required(key);
    let mut radiated = |key| {
        given(section, key, |level: Level| {
            if has_gain {
                Ok(level)
            } else {
                Err("needs the antenna's gain: give [transmit_antenna] `gain`, `gain_table` or `factor_table`".to_owned())
            }
        })
    };
    let eirp_max = radiated("eirp_max");
    let erp_max = radiated("erp_max");
    let path_loss = section.checked("path_loss_min", Some(Ratio::ZERO), |loss: Ratio| {
        match loss >= Ratio::ZERO {
            true => Ok(loss),
            false => Err("a loss cannot be negative".to_owned()),
        }
    });
    let emission_max = section.checked(
        "emission_max",
        Some(Time::from_duration(Duration::from_secs(60))),
        |time: Time| match time.s() > 0.0 {
            true => Ok(time),
            false => Err("must be longer than nothing".to_owned()),
        },
    );
    let beat_max = section.checked("beat_max", Some(BEAT_MAX), |time: Time| {
        match time >= BEAT_MAX_LEAST {
            true => Ok(time),
            false => Err(format!("must be at least {BEAT_MAX_LEAST}")),
        }
    });
    Some(Safety {
        feed_power_max: feed_power_max?,
        eirp_max: eirp_max?,
        erp_max: erp_max?,
        receiver_damage: Level::from_dbm(f64::NEG_INFINITY),
        path_loss_min: path_loss?,
        emission_max: emission_max?,
        beat_max: beat_max?,
    })
}

fn uncertainties(section: &mut Section<'_, '_>) -> Option<Uncertainties> {
    let mut ratio = |key| given(section, key, not_negative);
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
