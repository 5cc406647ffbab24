//! The one place where a level is held back.

use serde::Serialize;

use crate::config::Station;
use crate::quantity::{Level, Ratio};

/// What may be sent for what was asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowed {
    /// Level at the source's output.
    pub level: Level,
    /// Level at the antenna feed, after the amplifier's nominal gain.
    pub radiated: Level,
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
    /// The most the station may feed to the antenna.
    StationMaximum,
}

impl HeldBackBy {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::AmplifierInput => "the amplifier's input",
            Self::ReceiverDamage => "the receiver's damage level",
            Self::StationMaximum => "the station's own maximum",
        }
    }
}

/// The highest level up to `asked` that harms neither amplifier nor receiver and stays within the
/// station's own maximum.
pub fn allowed(station: &Station, asked: Level) -> Allowed {
    let gain = station.gain();
    let safety = &station.safety;
    let mut limits = vec![
        (safety.level_max - gain, HeldBackBy::StationMaximum),
        (
            safety.receiver_damage + safety.path_loss_min - gain,
            HeldBackBy::ReceiverDamage,
        ),
    ];
    limits.extend(
        station
            .amplifier
            .map(|amplifier| (amplifier.input_max, HeldBackBy::AmplifierInput)),
    );
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
        radiated: level + gain,
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
                "level_max = \"33 dBm\"",
                &format!("level_max = \"{maximum} dBm\""),
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
            let allowed = allowed(station, Level::from_dbm(asked));
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

    proptest! {
        #[test]
        fn no_limit_is_ever_passed(
            asked in -100.0f64..50.0, input in -50.0f64..20.0, maximum in -50.0f64..60.0,
            damage in -10.0f64..40.0, loss in 0.0f64..60.0,
        ) {
            let [input, maximum, damage, loss] = [input, maximum, damage, loss].map(|x| (x * 10.0).round() / 10.0);
            let station = station(input, maximum, damage, loss);
            let level = allowed(&station, Level::from_dbm(asked)).level.dbm();
            prop_assert!(level <= asked);
            prop_assert!(level <= input + 1e-9);
            prop_assert!(level + 40.0 <= maximum + 1e-9);
            prop_assert!(level + 40.0 - loss <= damage + 1e-9);
        }
    }
}
