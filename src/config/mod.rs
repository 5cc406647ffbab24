//! Station, plan, item and driver files: read, check, point at the wrong line.
//!
//! A file is read whole and every fault in it is reported with line, key and reason, before an
//! instrument is touched. What comes out are checked types: the rooms below never see a raw value.

mod address;
mod document;
mod driver;
mod items;
mod plan;
mod station;

use std::path::{Path, PathBuf};

pub use address::{Address, Flow, Parity, SerialLine};
pub use document::{Fault, Faults};
pub use driver::{
    Argument, ByteOrder, Command, Detector, Dialect, Driver, Encoding, OverloadWords, Pattern,
    ReceiverWords, SealedWords, SourceWords, TraceWords, Words, built_in_drivers,
};
pub use items::{ItemEntry, load_items};
pub use plan::{Arrangement, Permission, Plan, Polarisation, Rule, Settings};
pub use station::{
    Amplifier, Drivers, InstrumentEntry, ProtectedBand, Safety, SourceRange, Station, Uncertainties,
};

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
}

fn read_file(path: &Path) -> Result<String, ConfigError> {
    std::fs::read_to_string(path).map_err(|cause| ConfigError::Unreadable {
        path: path.to_owned(),
        cause,
    })
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
        assert!(
            said.contains("plan.toml:14:8: `frequencies.stop`: `1 gHz`"),
            "{said}"
        );
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
                "mine.toml:18:8: `set.span`: `FREQ:SPAN {spn}` `{spn}` is not a variable"
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
