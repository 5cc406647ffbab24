//! Station, plan, item and driver files: read, check, point at the wrong line.
//!
//! A file is read whole and every fault in it is reported with line, key and reason, before an
//! instrument is touched. What comes out are checked types: the rooms below never see a raw value.

mod address;
mod calibration;
mod daemon;
mod document;
mod driver;
mod identity;
mod interlock;
mod items;
mod lot;
mod plan;
mod readings;
mod station;
mod table;
mod template;
mod tuning;

use std::fs::OpenOptions;
use std::io::{self, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

pub use address::{Address, Flow, Parity, SerialLine};
pub use calibration::Calibration;
pub use daemon::{Daemon, Notify};
pub use document::{Fault, Faults};
pub use driver::{
    Argument, ByteOrder, CarrierQueries, CarrierReadback, CarrierTolerance, Command, Detector,
    DetectorWords, Dialect, Driver, Encoding, LockWords, Pattern, PollWords, PowerMonitorWords,
    PreamplifierWords, Readback, ReadbackWords, ReceiverWords, RegisterBits, SealedWords,
    SerialClear, Setting, SourceWords, Tolerance, TraceWords, Words, built_in_drivers,
};
pub use identity::{Identity, same_instrument};
pub use interlock::{Contact, ModemLine};
pub use items::{ItemEntry, load_items};
pub use lot::{LotEntry, load_lot};
pub use plan::{
    Arrangement, Bracket, Combine, Permission, Plan, Polarisation, PreamplifierUse, Rule,
    SWEEPS_MAX, Scheduling, Settings, decades,
};
pub use readings::{
    DateOrder, DecimalMark, HandLevels, HandReading, READING_COLUMNS, ReadingFormat, read_readings,
};
pub use station::{
    Amplifier, Antenna, AntennaFigure, Correction, Drivers, InstrumentEntry, Lone, PowerMonitor,
    Preamplifier, ProtectedBand, Safety, SourceRange, Station, Uncertainties,
};
pub use table::{Column, Table};
pub use template::{LogoFile, Template, texts};
pub use tuning::{FREQUENCY_TOLERANCE, Tuning};

/// Why a configuration cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error("cannot read {}: {cause}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        cause: std::io::Error,
    },
    /// The file has faults; all of them.
    #[error("{0}")]
    Faults(#[from] Faults),
    /// A driver that is neither built in nor a file.
    #[error(
        "there is no driver `{name}`; built in: {known}; a driver of your own is named by its path, ending in .toml"
    )]
    NoSuchDriver {
        /// What was asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// Plan and station do not fit together; every reason.
    #[error("{plan} cannot run on {station}:\n{}", reasons.join("\n"))]
    Unfit {
        /// The plan's name.
        plan: String,
        /// The station's name.
        station: String,
        /// One line per reason.
        reasons: Vec<String>,
    },
    /// A calibration is over, and the station is not to be used without.
    #[error("{station} refuses to measure, because its file says `refuse_overdue`:\n{}\nCalibrate and write the new day into the station file.", reasons.join("\n"))]
    Overdue {
        /// The station's name.
        station: String,
        /// One line per calibration.
        reasons: Vec<String>,
    },
}

/// The longest text of a station, a plan, a driver or a table, bytes.
const TEXT_BYTES_MAX: u64 = 4 << 20;

pub(crate) fn read_file(path: &Path) -> Result<String, ConfigError> {
    let bytes = read_bounded(path, TEXT_BYTES_MAX);
    let text = bytes.and_then(|bytes| String::from_utf8(bytes).map_err(io::Error::other));
    text.map_err(|cause| ConfigError::Unreadable {
        path: path.to_owned(),
        cause,
    })
}

/// What a file holds. A device, a pipe or a file without an end is refused: it would be read for ever, or until the
/// memory is full.
pub(crate) fn read_bounded(path: &Path, bytes_max: u64) -> io::Result<Vec<u8>> {
    let mut options = OpenOptions::new();
    // Opening a pipe would wait for whoever writes to it.
    let no_wait = rustix::fs::OFlags::NONBLOCK.bits().cast_signed();
    let file = options.read(true).custom_flags(no_wait).open(path)?;
    if !file.metadata()?.is_file() {
        return Err(io::Error::other("it is not a regular file"));
    }
    let mut bytes = Vec::new();
    file.take(bytes_max + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > bytes_max {
        return Err(io::Error::other(format!(
            "it is longer than {bytes_max} bytes"
        )));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    const STATION: &str = include_str!("../../config/station.toml");
    const PLAN: &str = include_str!("../../config/plan.toml");

    fn station(text: &str) -> Result<Station, String> {
        Station::read("station.toml", text, Drivers::Folder(Path::new(".")))
            .map_err(|error| error.to_string())
    }

    fn plan(text: &str) -> Result<Plan, String> {
        Plan::read("plan.toml", text).map_err(|error| error.to_string())
    }

    #[test]
    fn the_files_that_ship_fit_together() {
        let (plan, station) = (
            plan(PLAN).expect("plan"),
            station(STATION).expect("station"),
        );
        plan.check(&station).expect("fit");
        assert_eq!(plan.frequencies.len(), 21);
        assert_eq!(plan.frequencies[1].hz(), 158_500.0);
        load_items(Path::new("config/items.toml")).expect("items");
        load_lot(Path::new("config/lot.toml")).expect("lot");
    }

    #[test]
    fn what_has_no_end_is_not_read() {
        let folder = tempfile::tempdir().expect("a folder");
        let refused = |path: &Path| read_bounded(path, 10).expect_err("refused").to_string();
        for device in ["/dev/zero", "/dev/tty"].map(Path::new) {
            if device.exists() {
                refused(device);
            }
        }
        assert!(refused(folder.path()).contains("regular"), "a folder");
        let pipe = folder.path().join("pipe");
        let made = std::process::Command::new("mkfifo").arg(&pipe).status();
        if made.is_ok_and(|made| made.success()) {
            assert!(refused(&pipe).contains("regular"));
        }
        let file = folder.path().join("plan.toml");
        std::fs::write(&file, "0123456789").expect("written");
        assert_eq!(read_bounded(&file, 10).expect("short enough").len(), 10);
        std::fs::write(&file, "0123456789+").expect("written");
        assert!(refused(&file).contains("longer than 10 bytes"));
    }

    #[test]
    fn the_drivers_that_ship_are_right() {
        for name in built_in_drivers() {
            let driver =
                Driver::load(name, Path::new(".")).unwrap_or_else(|error| panic!("{error}"));
            assert_eq!(driver.name, name);
        }
    }

    #[test]
    fn every_fault_is_reported_with_line_and_key() {
        let text = PLAN
            .replace("span = \"20 kHz\"", "spam = \"20 kHz\"")
            .replace("\"1 GHz\"\nper", "\"1 gHz\"\nper")
            .replace("sweeps = 10", "sweeps = 0");
        let said = plan(&text).expect_err("three faults");
        let before = text.find("\"1 gHz\"").expect("planted");
        let line = text[..before].lines().count();
        let place = format!("plan.toml:{line}:8: `frequencies.stop`: `1 gHz`");
        assert!(said.contains(&place), "{said}");
        assert!(said.contains("`settings.span`: is missing"), "{said}");
        assert!(
            said.contains("`settings.spam`: is not a known key; did you mean `span`?"),
            "{said}"
        );
        assert!(
            said.contains("`settings.sweeps`: must be from 1 to 10000, not 0"),
            "{said}"
        );
    }

    #[test]
    fn others_may_work_meanwhile_only_where_the_receiver_can_be_reached() {
        let with = |arrangement: &str| {
            plan(&format!(
                "meanwhile = true\narrangement = \"{arrangement}\"\n{PLAN}"
            ))
        };
        assert!(with("linked").expect("a plan").meanwhile);
        let said = with("sealed").expect_err("the receiver waits").to_string();
        assert!(said.contains("`meanwhile`: is for `arrangement"), "{said}");
    }

    #[test]
    fn a_bare_number_is_told_to_carry_its_unit() {
        let said = plan(&PLAN.replace("\"20 kHz\"", "20000")).expect_err("no unit");
        assert!(said.contains("the bare number 20000"), "{said}");
    }

    #[test]
    fn a_driver_with_a_slip_is_refused_with_its_line() {
        let text = include_str!("../../drivers/analyzer-scpi.toml")
            .replace("{span}", "{spn}")
            .replace("run = \"INIT\"", "ruin = \"INIT\"");
        let said = Driver::read("mine.toml", &text)
            .expect_err("slips")
            .to_string();
        assert!(
            said.contains(
                "mine.toml:19:8: `set.span`: `FREQ:SPAN {spn}` `{spn}` is not a variable"
            ),
            "{said}"
        );
        assert!(
            said.contains("`sweep.ruin`: is not a known key; did you mean `run`?"),
            "{said}"
        );
        assert!(said.contains("the command `run` is missing"), "{said}");
    }

    #[test]
    fn a_source_says_how_its_carrier_is_read_back_or_why_not() {
        let text = include_str!("../../drivers/source-scpi.toml");
        let (rest, _) = text.split_once("[readback]").expect("has one");
        let read = |table: &str| {
            Driver::read("mine.toml", &format!("{rest}{table}")).map_err(|it| it.to_string())
        };
        let said = read("").expect_err("silent");
        assert!(
            said.contains("`readback`: the table [readback] is missing"),
            "{said}"
        );
        let said = read("[readback]\nfrequency = \"FREQ?\"").expect_err("half");
        assert!(said.contains("`readback.level`: is missing"), "{said}");
        let said = read("[readback]\nnone = \"no\"\nlevel = \"POW?\"").expect_err("both");
        assert!(said.contains("`readback.none`: says that"), "{said}");
        assert!(read("[readback]\nnone = \"a generator of pulses\"").is_ok());
        // A run of before keeps its driver.
        assert!(Driver::read_kept("kept.toml", rest).is_ok());
    }

    #[test]
    fn a_missing_driver_names_those_there_are() {
        let said =
            station(&STATION.replace("analyzer-scpi", "analyser-scpi")).expect_err("unknown");
        assert!(
            said.contains("built in: source-scpi, analyzer-scpi"),
            "{said}"
        );
        let said =
            station(&STATION.replace("analyzer-scpi", "none/here.toml")).expect_err("no file");
        assert!(said.contains("cannot read ./none/here.toml"), "{said}");
        let said =
            station(&STATION.replace("analyzer-scpi", "source-scpi")).expect_err("wrong role");
        assert!(
            said.contains("is a driver for a source, not for a receiver"),
            "{said}"
        );
    }

    #[test]
    fn a_plan_outside_the_station_is_refused_before_anything_is_sent() {
        let station = station(STATION).expect("station");
        let check = |text: &str| {
            plan(text)
                .expect("plan")
                .check(&station)
                .expect_err("unfit")
                .to_string()
        };
        let said = check(&PLAN.replace("\"1 GHz\"\nper", "\"10 GHz\"\nper"));
        assert!(
            said.contains("10 GHz is outside the source's range of 9 kHz to 3 GHz"),
            "{said}"
        );
        let said = check(&PLAN.replace("[frequencies]", "[frequencies]\nlist = [\"1420 MHz\"]"));
        assert!(
            said.contains("1.42 GHz lies in the protected band `hydrogen line`"),
            "{said}"
        );
        let said = check(&PLAN.replace("-10 dBm", "30 dBm"));
        assert!(said.contains("source_level 30 dBm is outside"), "{said}");
    }

    #[test]
    fn a_named_permission_opens_its_band_and_no_other() {
        let text = PLAN.replace("[frequencies]", "[frequencies]\nlist = [\"1420 MHz\"]")
            + "[[permission]]\nband = \"hydrogen line\"\ntext = \"chamber 2 is screened\"\n";
        let plan = plan(&text).expect("plan");
        plan.check(&station(STATION).expect("station"))
            .expect("permitted");
        assert_eq!(
            plan.permission("hydrogen line").map(|p| p.text.as_str()),
            Some("chamber 2 is screened")
        );
        assert_eq!(plan.permission("aircraft distress"), None);
    }

    const BANDS: &str = r#"
[[settings.band]]
from = "100 kHz"
to = "1 MHz"
resolution_bandwidth = "100 Hz"
span = "2 kHz"
video_bandwidth = "300 Hz"

[[settings.band]]
from = "500 MHz"
to = "1 GHz"
source_level = "-20 dBm"
sweeps = 3
"#;

    #[test]
    fn a_band_changes_what_it_names_and_nothing_else() {
        let plan = plan(&(PLAN.to_owned() + BANDS)).expect("plan");
        let at = |hz| plan.settings_at(crate::quantity::Frequency::from_hz(hz));
        let low = at(1e6);
        assert_eq!(low.resolution_bandwidth.hz(), 100.0);
        assert_eq!(
            (low.sweeps, low.source_level),
            (10, plan.settings.source_level)
        );
        assert_eq!(at(1.001e6), &plan.settings);
        let high = at(1e9);
        assert_eq!((high.sweeps, high.source_level.dbm()), (3, -20.0));
        assert_eq!(high.span, plan.settings.span);
        plan.check(&station(STATION).expect("station"))
            .expect("fit");
    }

    #[test]
    fn every_fault_of_a_band_is_reported_with_its_place() {
        let said = |text: String| plan(&(PLAN.to_owned() + &text)).expect_err("faults");
        let overlapping = said(BANDS.replace("500 MHz", "1 MHz"));
        assert!(
            overlapping
                .contains("`settings.band[2].from`: 1 MHz is not above the end of the band before"),
            "{overlapping}"
        );
        let two = said(
            BANDS
                .replace("\"2 kHz\"", "\"200 Hz\"")
                .replace("sweeps = 3", "sweep = 3"),
        );
        assert!(
            two.contains("`settings.band[1].span`: 200 Hz leaves no room"),
            "{two}"
        );
        assert!(
            two.contains("`settings.band[2].sweep`: is not a known key"),
            "{two}"
        );
        let reversed = said(BANDS.replace("\"1 GHz\"", "\"1 MHz\""));
        assert!(
            reversed.contains("1 MHz is below the band's beginning"),
            "{reversed}"
        );
        let loud = plan(&(PLAN.to_owned() + &BANDS.replace("-20 dBm", "30 dBm")))
            .expect("plan")
            .check(&station(STATION).expect("station"))
            .expect_err("too loud")
            .to_string();
        assert!(
            loud.contains(
                "[[settings.band]] from 500 MHz to 1 GHz: source_level 30 dBm is outside"
            ),
            "{loud}"
        );
    }

    /// A station file with two tables beside it.
    fn with_tables(gain: &str) -> (tempfile::TempDir, std::path::PathBuf) {
        let folder = tempfile::tempdir().expect("folder");
        std::fs::write(folder.path().join("amplifier.csv"), gain).expect("table");
        // As a spreadsheet saves it.
        let factor = "\u{feff}frequency_mhz,factor_db_per_m\r\n0.1,20\r\n1000,30\r\n";
        std::fs::write(folder.path().join("antenna.csv"), factor).expect("table");
        let text = STATION.replace(
            "gain = \"40 dB\"",
            "gain = \"40 dB\"\ngain_table = \"amplifier.csv\"",
        ) + "[receive_antenna]\nfactor_table = \"antenna.csv\"\ncable_loss = \"1 dB\"\n";
        let path = folder.path().join("station.toml");
        std::fs::write(&path, text).expect("station");
        (folder, path)
    }

    #[test]
    fn a_station_with_tables_is_whole_in_its_text() {
        let (_folder, path) = with_tables("frequency_hz,gain_db\n9e3,39\n1e9,41\n");
        let station = Station::load(&path).expect("station");
        let at = |station: &Station, hz| station.gain(crate::quantity::Frequency::from_hz(hz));
        assert_eq!(at(&station, 1e9).map(|gain| gain.db()), Some(41.0));
        assert_eq!(at(&station, 2e9), None);
        // From the text alone, as an old run has it, with no folder to look into.
        let drivers = [&station.source, &station.receiver]
            .map(|entry| (entry.driver_name.clone(), entry.driver.text.clone()));
        let again = Station::read("kept", &station.text, Drivers::Kept(&drivers)).expect("kept");
        assert_eq!(again.text, station.text);
        assert_eq!(again.receive_antenna, station.receive_antenna);
        assert_eq!(at(&again, 1e9), at(&station, 1e9));
        let bare = std::fs::read_to_string(&path).expect("text");
        let lost = Station::read("kept", &bare, Drivers::Kept(&drivers)).expect_err("no tables");
        assert!(
            lost.to_string().contains("no [[table]] `amplifier.csv`"),
            "{lost}"
        );
        // A frequency that no table covers is refused before anything is sent.
        let said = plan(&PLAN.replace("\"1 GHz\"\nper", "\"2 GHz\"\nper"))
            .expect("plan")
            .check(&station)
            .expect_err("outside")
            .to_string();
        assert!(
            said.contains("is outside the table `amplifier.csv` of the amplifier's gain, which runs from 9 kHz to 1 GHz"),
            "{said}"
        );
    }

    #[test]
    fn a_fault_in_a_table_is_reported_with_the_tables_own_line() {
        let (_folder, path) = with_tables("frequency_hz,gain_db\n9e3,39\n1e9,4l\n1e8,40\n");
        let said = Station::load(&path).expect_err("faults").to_string();
        assert!(
            said.contains("`amplifier.gain_table`: amplifier.csv:3: `4l` is not a number"),
            "{said}"
        );
        let both =
            STATION.to_owned() + "[transmit_antenna]\ngain = \"2 dB\"\ngain_table = \"none.csv\"\n";
        let said = station(&both).expect_err("no file");
        assert!(said.contains("cannot read ./none.csv"), "{said}");
        let inline =
            "[[table]]\nname = \"none.csv\"\ntext = \"frequency_hz,gain_db\\n1,1\\n2,2\"\n";
        let said = station(&(both + inline)).expect_err("both");
        assert!(said.contains("give one of `gain`, `gain_table`"), "{said}");
    }

    #[test]
    fn commands_print_numbers_that_instruments_read() {
        let driver = Driver::load("source-scpi", Path::new(".")).expect("built in");
        let Words::Source(words) = driver.words else {
            panic!("a source");
        };
        let frequency = Argument::Frequency(crate::quantity::Frequency::from_hz(1.5e9));
        assert_eq!(
            words.frequency[0].fill(&[("frequency", frequency)]),
            "FREQ 1500000000"
        );
        let level = Argument::Level(crate::quantity::Level::from_dbm(-10.5));
        assert_eq!(words.level[0].fill(&[("level", level)]), "POW -10.5");
    }

    proptest::proptest! {
        #[test]
        fn reading_never_panics(text in "\\PC{0,200}") {
            let _ = plan(&text);
            let _ = station(&text);
            let _ = Driver::read("x", &text);
        }
    }
}
