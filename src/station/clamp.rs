//! The one place where a level is held back.

use serde::Serialize;

use crate::analysis::forecast::gain_of_factor_dbi;
use crate::config::{AntennaFigure, Correction, Station};
use crate::quantity::{Frequency, Level, Ratio};

/// The gain of a half-wave dipole, which ERP refers to (ITU Radio Regulations 1.161 and 1.162 define EIRP and ERP; 10 lg
/// of 1.64).
const DIPOLE: Ratio = Ratio::from_db(2.15);

/// What may be sent for what was asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowed {
    /// Level at the source's output.
    pub level: Level,
    /// Conducted level at the antenna feed, after the largest gain the amplifier may have; no cable takes any away.
    pub feed: Level,
    /// Equivalent isotropically radiated power, by the largest gain that the antenna may have; none where the station
    /// file gives no gain.
    pub eirp: Option<Level>,
    /// By how much the level was held back, and by which limit; none when it was not.
    pub held_back: Option<(Ratio, HeldBackBy)>,
}

/// A limit that holds a level back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum HeldBackBy {
    /// The most the amplifier's input stands.
    AmplifierInput,
    /// The most the receiver's input stands, after the least loss of the path.
    ReceiverDamage,
    /// The most the station may feed to the antenna, conducted.
    StationMaximum,
    /// The most the station may radiate, EIRP.
    EirpMaximum,
    /// The most the station may radiate, ERP.
    ErpMaximum,
}

impl HeldBackBy {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::AmplifierInput => "the amplifier's input",
            Self::ReceiverDamage => "the receiver's damage level",
            Self::StationMaximum => "the station's maximum feed power",
            Self::EirpMaximum => "the station's maximum EIRP",
            Self::ErpMaximum => "the station's maximum ERP",
        }
    }
}

/// The highest level up to `asked` that harms neither amplifier nor receiver and stays within the
/// station's own maximum, at a frequency.
///
/// The gain is the larger of the nominal one and the table's around the frequency, and no loss of a
/// cable is counted: a table never lets more through than the station had without it.
pub fn allowed(station: &Station, frequency: Frequency, asked: Level) -> Allowed {
    let antenna = antenna_gain_max(station, Some(frequency));
    held_back(station, station.gain_max(Some(frequency)), antenna, asked)
}

/// As [`allowed`], at whatever frequency.
pub fn allowed_anywhere(station: &Station, asked: Level) -> Allowed {
    let antenna = antenna_gain_max(station, None);
    held_back(station, station.gain_max(None), antenna, asked)
}

/// The largest gain that the transmit antenna may have around a frequency (`None`: anywhere), as for the amplifier.
fn antenna_gain_max(station: &Station, frequency: Option<Frequency>) -> Option<Ratio> {
    let gain_db = match station.transmit_antenna.figure.as_ref()? {
        AntennaFigure::Gain(Correction::Same(gain)) => gain.db(),
        AntennaFigure::Gain(Correction::Over(table)) => match frequency {
            Some(frequency) => table.largest_near_db(frequency),
            None => table.largest_db(),
        },
        // The smaller the factor and the higher the frequency, the larger the gain.
        AntennaFigure::Factor(table) => {
            let highest = frequency.unwrap_or(station.source_range.frequency.1);
            gain_of_factor_dbi(table.smallest_near_db(frequency), highest.hz())
        }
    };
    Some(Ratio::from_db(gain_db))
}

fn held_back(station: &Station, gain: Ratio, antenna: Option<Ratio>, asked: Level) -> Allowed {
    let safety = &station.safety;
    let mut limits = vec![
        (safety.feed_power_max - gain, HeldBackBy::StationMaximum),
        (
            safety.receiver_damage + safety.path_loss_min - gain,
            HeldBackBy::ReceiverDamage,
        ),
    ];
    limits.extend(
        station
            .amplifier
            .as_ref()
            .map(|amplifier| (amplifier.input_max, HeldBackBy::AmplifierInput)),
    );
    // The station file is refused where it has such a limit and no antenna gain.
    if let Some(antenna) = antenna {
        let to_source = |eirp: Level| eirp - antenna - gain;
        limits.extend(
            safety
                .eirp_max
                .map(|eirp| (to_source(eirp), HeldBackBy::EirpMaximum)),
        );
        let erp = safety.erp_max.map(|erp| to_source(erp + DIPOLE));
        limits.extend(erp.map(|level| (level, HeldBackBy::ErpMaximum)));
    }
    let mut level = asked;
    let mut by = None;
    for (limit, what) in limits {
        if limit < level {
            level = limit;
            by = Some(what);
        }
    }
    Allowed {
        level,
        feed: level + gain,
        eirp: antenna.map(|antenna| level + gain + antenna),
        held_back: by.map(|what| (asked - level, what)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Drivers;
    use proptest::prelude::*;
    use std::path::Path;

    fn station(amplifier_input: f64, maximum: f64, damage: f64, loss: f64) -> Station {
        let text = include_str!("../../config/station.toml")
            .replace(
                "input_max = \"0 dBm\"",
                &format!("input_max = \"{amplifier_input} dBm\""),
            )
            .replace(
                "feed_power_max = \"33 dBm\"",
                &format!("feed_power_max = \"{maximum} dBm\""),
            )
            .replace(
                "damage_level = \"20 dBm\"",
                &format!("damage_level = \"{damage} dBm\""),
            )
            .replace(
                "path_loss_min = \"12 dB\"",
                &format!("path_loss_min = \"{loss} dB\""),
            );
        Station::read("station.toml", &text, Drivers::Folder(Path::new("."))).expect("station")
    }

    #[test]
    fn each_limit_holds_back_when_it_is_the_lowest() {
        let by = |station: &Station, asked| {
            let allowed = allowed(station, Frequency::from_hz(1e8), Level::from_dbm(asked));
            (allowed.level.dbm(), allowed.held_back.map(|(_, by)| by))
        };
        // Gain 40 dB throughout.
        let amplifier = station(-20.0, 100.0, 100.0, 0.0);
        assert_eq!(
            by(&amplifier, 0.0),
            (-20.0, Some(HeldBackBy::AmplifierInput))
        );
        let maximum = station(0.0, 30.0, 100.0, 0.0);
        assert_eq!(by(&maximum, 0.0), (-10.0, Some(HeldBackBy::StationMaximum)));
        let receiver = station(0.0, 100.0, 20.0, 5.0);
        assert_eq!(
            by(&receiver, 0.0),
            (-15.0, Some(HeldBackBy::ReceiverDamage))
        );
        assert_eq!(by(&receiver, -15.0), (-15.0, None));
    }

    #[test]
    fn a_table_of_the_amplifier_never_lets_more_through() {
        let station = |rows: &str| {
            let text = include_str!("../../config/station.toml").replace(
                "gain = \"40 dB\"",
                "gain = \"40 dB\"\ngain_table = \"a.csv\"",
            ) + "[[table]]\nname = \"a.csv\"\ntext = '''\nfrequency_mhz,gain_db\n"
                + rows
                + "'''\n";
            Station::read("station.toml", &text, Drivers::Kept(&drivers())).expect("station")
        };
        let at = |station: &Station, mhz: f64| {
            allowed(station, Frequency::from_hz(mhz * 1e6), Level::from_dbm(0.0))
        };
        // The receiver stands 20 dBm behind 12 dB of path: at 40 dB the source may give -8 dBm, and no more
        // where the table has less.
        let weaker = station("1,30\n10,38\n1000,35\n");
        assert_eq!(at(&weaker, 5.0).level.dbm(), -8.0);
        // Where it has more, the larger neighbour counts, not what lies between.
        let stronger = station("1,30\n10,44\n1000,35\n");
        assert_eq!(at(&stronger, 2.0).level.dbm(), -12.0);
        assert_eq!(at(&stronger, 2.0).feed.dbm(), 32.0);
        assert_eq!(at(&stronger, 999.0).level.dbm(), -12.0);
        // Outside of the table nobody knows: the largest of all.
        assert_eq!(at(&stronger, 2000.0).level.dbm(), -12.0);
        assert_eq!(
            allowed_anywhere(&stronger, Level::from_dbm(0.0))
                .level
                .dbm(),
            -12.0
        );
    }

    #[test]
    fn radiated_power_is_clamped_by_the_antenna_as_well() {
        let station = |limit: &str, antenna: &str| {
            let text = include_str!("../../config/station.toml").replace(
                "feed_power_max = \"33 dBm\"",
                &format!("feed_power_max = \"33 dBm\"\n{limit}"),
            ) + antenna;
            Station::read("station.toml", &text, Drivers::Kept(&drivers()))
        };
        let flat = "[transmit_antenna]\ngain = \"6 dB\"\n";
        let at = |station: &Station, mhz: f64| {
            let sent = allowed(station, Frequency::from_hz(mhz * 1e6), Level::from_dbm(0.0));
            (sent.level.dbm(), sent.held_back.map(|(_, by)| by))
        };
        // 40 dB of amplifier and 6 dBi of antenna: 20 dBm EIRP is -26 dBm at the source, 20 dBm ERP 2.15 dB more.
        let eirp = station("eirp_max = \"20 dBm\"", flat).expect("a station");
        assert_eq!(at(&eirp, 100.0), (-26.0, Some(HeldBackBy::EirpMaximum)));
        let erp = station("erp_max = \"20 dBm\"", flat).expect("a station");
        let (level, by) = at(&erp, 100.0);
        assert!((level + 23.85).abs() < 1e-9 && by == Some(HeldBackBy::ErpMaximum));
        // Of a table the larger neighbour counts, outside of it the largest.
        let table = "[transmit_antenna]\ngain_table = \"g.csv\"\n[[table]]\nname = \"g.csv\"\ntext = '''\nfrequency_mhz,gain_db\n100,0\n200,10\n300,4\n'''\n";
        let tabled = station("eirp_max = \"20 dBm\"", table).expect("a station");
        assert_eq!(at(&tabled, 150.0).0, -30.0);
        assert_eq!(at(&tabled, 2000.0).0, -30.0);
        // Without a gain nobody can hold such a limit.
        let error = station("eirp_max = \"20 dBm\"", "")
            .expect_err("no gain")
            .to_string();
        assert!(
            error.contains("eirp_max") && error.contains("[transmit_antenna]"),
            "{error}"
        );
    }

    #[test]
    fn an_antenna_factor_is_a_gain() {
        let text = include_str!("../../config/station.toml").replace(
            "feed_power_max = \"33 dBm\"",
            "feed_power_max = \"33 dBm\"\neirp_max = \"20 dBm\"",
        ) + "[transmit_antenna]\nfactor_table = \"f.csv\"\n[[table]]\nname = \"f.csv\"\ntext = '''\nfrequency_mhz,factor_db_per_m\n100,8\n300,20\n'''\n";
        let station =
            Station::read("station.toml", &text, Drivers::Kept(&drivers())).expect("a station");
        // 20 lg 100 - 29.78 - 8 = 2.22 dBi (the usual antenna-factor relation, 50 ohm).
        let sent = allowed(&station, Frequency::from_hz(1e8), Level::from_dbm(0.0));
        assert!((sent.level.dbm() + 22.22).abs() < 0.02, "{}", sent.level);
    }

    fn drivers() -> Vec<(String, String)> {
        let text = |name: &str| std::fs::read_to_string(format!("drivers/{name}.toml"));
        ["source-scpi", "analyzer-scpi"]
            .map(|name| (name.to_owned(), text(name).expect("a built-in driver")))
            .into()
    }

    proptest! {
        #[test]
        fn no_limit_is_ever_passed(
            asked in -100.0f64..50.0, input in -50.0f64..20.0, maximum in -50.0f64..60.0,
            damage in -10.0f64..40.0, loss in 0.0f64..60.0,
        ) {
            let [input, maximum, damage, loss] = [input, maximum, damage, loss].map(|x| (x * 10.0).round() / 10.0);
            let station = station(input, maximum, damage, loss);
            let asked_level = Level::from_dbm(asked);
            let level = allowed(&station, Frequency::from_hz(1e8), asked_level).level.dbm();
            prop_assert!(level <= asked);
            prop_assert!(level <= input + 1e-9);
            prop_assert!(level + 40.0 <= maximum + 1e-9);
            prop_assert!(level + 40.0 - loss <= damage + 1e-9);
        }
    }
}
