//! Frequency, level and ratio as types that cannot be mixed up.
//!
//! Everything a person writes carries its unit (`"100 MHz"`, `"-31 dBm"`, `"50 dB"`, `"1.5 m"`), and a
//! number without one is refused: a level typed where a ratio was meant is the easiest way to a wrong
//! result. Inside, one unit per quantity: hertz, dBm, decibel, metre, second.

use std::fmt;
use std::ops::{Add, Neg, Sub};
use std::str::FromStr;
use std::time::Duration;

/// Why a text is not a quantity.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum QuantityError {
    /// Nothing before the unit, or nothing at all.
    #[error("`{given}` is not a number with a unit; write it like `{example}`")]
    NotANumber {
        /// What was written.
        given: String,
        /// How it would look right.
        example: &'static str,
    },
    /// A bare number.
    #[error("`{given}` has no unit; write it like `{example}`")]
    MissingUnit {
        /// What was written.
        given: String,
        /// How it would look right.
        example: &'static str,
    },
    /// A unit that does not belong to this quantity.
    #[error("`{given}`: `{unit}` is not a unit of {quantity}; use {expected}{hint}")]
    WrongUnit {
        /// What was written.
        given: String,
        /// The part taken for the unit.
        unit: String,
        /// What the number is for.
        quantity: &'static str,
        /// The units that are understood.
        expected: &'static str,
        /// A likely slip, spelled out, or empty.
        hint: String,
    },
    /// NaN or infinity.
    #[error("`{given}` is not a finite number")]
    NotFinite {
        /// What was written.
        given: String,
    },
    /// A negative value of something that has none.
    #[error("`{given}`: {quantity} cannot be negative")]
    Negative {
        /// What was written.
        given: String,
        /// What the number is for.
        quantity: &'static str,
    },
}

/// The units of one quantity and how to name it in an error.
struct Units {
    quantity: &'static str,
    expected: &'static str,
    example: &'static str,
    /// Spelling and factor to the base unit.
    table: &'static [(&'static str, f64)],
    signed: bool,
}

const FREQUENCY: Units = Units {
    quantity: "frequency",
    expected: "Hz, kHz, MHz or GHz",
    example: "100 MHz",
    table: &[("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6), ("GHz", 1e9)],
    signed: false,
};
const LEVEL: Units = Units {
    quantity: "level",
    expected: "dBm",
    example: "-31 dBm",
    table: &[("dBm", 1.0)],
    signed: true,
};
const RATIO: Units = Units {
    quantity: "a ratio",
    expected: "dB",
    example: "50 dB",
    table: &[("dB", 1.0)],
    signed: true,
};
const LENGTH: Units = Units {
    quantity: "length",
    expected: "µm (or um), mm, cm, m or km",
    example: "1.5 m",
    table: &[
        ("µm", 1e-6),
        ("um", 1e-6),
        ("mm", 1e-3),
        ("cm", 1e-2),
        ("m", 1.0),
        ("km", 1e3),
    ],
    signed: false,
};
const TIME: Units = Units {
    quantity: "time",
    expected: "us, ms, s, min, h or d",
    example: "30 s",
    table: &[
        ("us", 1e-6),
        ("ms", 1e-3),
        ("s", 1.0),
        ("min", 60.0),
        ("h", 3600.0),
        ("d", 86400.0),
    ],
    signed: false,
};

/// Splits `"-31 dBm"` into number and unit and converts to the base unit.
fn parse(text: &str, units: &Units) -> Result<f64, QuantityError> {
    let given = text.trim().to_owned();
    // People copy the typographic minus from printed tables.
    let plain = given.replace('\u{2212}', "-");
    let split = number_end(&plain);
    let (number, unit) = (plain[..split].trim(), plain[split..].trim());
    let lower = plain.to_ascii_lowercase();
    if ["nan", "inf", "-inf", "+inf"]
        .iter()
        .any(|word| lower.starts_with(word))
    {
        return Err(QuantityError::NotFinite { given });
    }
    let example = units.example;
    let value: f64 = match number.parse() {
        Ok(value) => value,
        Err(_) => return Err(QuantityError::NotANumber { given, example }),
    };
    if unit.is_empty() {
        return Err(QuantityError::MissingUnit { given, example });
    }
    let Some((_, factor)) = units.table.iter().find(|(name, _)| *name == unit) else {
        return Err(wrong_unit(given, number, unit, units));
    };
    let value = value * factor;
    if !value.is_finite() {
        return Err(QuantityError::NotFinite { given });
    }
    if value < 0.0 && !units.signed {
        let quantity = units.quantity;
        return Err(QuantityError::Negative { given, quantity });
    }
    Ok(value)
}

/// Where the number ends. An `e` belongs to it only when digits follow (`1e6 Hz`).
fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut end = 0;
    while end < bytes.len() {
        match bytes[end] {
            b'0'..=b'9' | b'.' | b'+' | b'-' => end += 1,
            b'e' | b'E'
                if end > 0
                    && bytes[end + 1..]
                        .iter()
                        .find(|b| !matches!(b, b'+' | b'-'))
                        .is_some_and(u8::is_ascii_digit) =>
            {
                end += 1;
            }
            _ => break,
        }
    }
    end
}

fn wrong_unit(given: String, number: &str, unit: &str, units: &Units) -> QuantityError {
    let near = units
        .table
        .iter()
        .map(|(name, _)| *name)
        .find(|name| name.eq_ignore_ascii_case(unit));
    let hint = match (near, unit) {
        (Some(name), "mHz") => {
            format!(" (mHz is millihertz; `{number} {name}` was surely meant)")
        }
        (Some(name), _) => format!(" (did you mean `{number} {name}`?)"),
        (None, "dB") => " (dB is a ratio; a level is in dBm)".to_owned(),
        (None, "dBm") => " (dBm is a level; a ratio is in dB)".to_owned(),
        _ => String::new(),
    };
    QuantityError::WrongUnit {
        given,
        unit: unit.to_owned(),
        quantity: units.quantity,
        expected: units.expected,
        hint,
    }
}

/// A frequency in hertz; finite, never negative.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Frequency(f64);

impl Frequency {
    /// From hertz, where the number is the program's own.
    ///
    /// # Panics
    /// In debug builds, on a negative or non-finite number.
    pub fn from_hz(hz: f64) -> Self {
        debug_assert!(hz.is_finite() && hz >= 0.0, "not a frequency: {hz}");
        Self(hz)
    }

    /// The number of hertz.
    pub fn hz(self) -> f64 {
        self.0
    }

    /// The free-space wavelength in metres (c = 299 792 458 m/s, exact by definition of the metre).
    pub fn wavelength_m(self) -> f64 {
        299_792_458.0 / self.0
    }
}

impl fmt::Display for Frequency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (scaled, unit) = match self.0 {
            hz if hz >= 1e9 => (hz / 1e9, "GHz"),
            hz if hz >= 1e6 => (hz / 1e6, "MHz"),
            hz if hz >= 1e3 => (hz / 1e3, "kHz"),
            hz => (hz, "Hz"),
        };
        f.pad(&format!("{} {unit}", trimmed(scaled, 9)))
    }
}

/// A number with at most `places` decimals and no trailing zeros; never with a locale or an exponent.
pub(crate) fn trimmed(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

/// The decimals that show so many significant digits of a value; negative ones are tens and hundreds.
pub(crate) fn decimals(value: f64, digits: i32) -> i32 {
    match value != 0.0 && value.is_finite() {
        true => digits - 1 - value.abs().log10().floor() as i32,
        false => 0,
    }
}

/// The same, with none of the digits before the point left out.
pub(crate) fn places(value: f64, digits: i32) -> usize {
    usize::try_from(decimals(value, digits)).unwrap_or(0)
}

/// To one decimal, as tables have it; never `-0.0`.
pub fn one_decimal(number: f64) -> String {
    format!("{:.1}", (number * 10.0).round() / 10.0 + 0.0)
}

/// An absolute power level in dBm.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Level(f64);

impl Level {
    /// From dBm.
    pub fn from_dbm(dbm: f64) -> Self {
        Self(dbm)
    }

    /// The number of dBm.
    pub fn dbm(self) -> f64 {
        self.0
    }

    /// From a power in milliwatts.
    pub fn from_milliwatts(power: f64) -> Self {
        Self(10.0 * power.log10())
    }

    /// The power in milliwatts.
    pub fn milliwatts(self) -> f64 {
        10f64.powf(self.0 / 10.0)
    }

    /// The lower of two levels.
    pub fn min(self, other: Self) -> Self {
        Self(self.0.min(other.0))
    }

    /// The higher of two levels.
    pub fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{} dBm", trimmed(self.0, 2)))
    }
}

/// A ratio of two powers in dB: a gain, a loss, a shielding effectiveness, a margin.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Ratio(f64);

impl Ratio {
    /// No difference at all.
    pub const ZERO: Self = Self(0.0);

    /// From decibels.
    pub const fn from_db(db: f64) -> Self {
        Self(db)
    }

    /// The number of decibels.
    pub fn db(self) -> f64 {
        self.0
    }
}

impl fmt::Display for Ratio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{} dB", trimmed(self.0, 2)))
    }
}

impl Sub for Level {
    type Output = Ratio;
    fn sub(self, other: Self) -> Ratio {
        Ratio(self.0 - other.0)
    }
}

impl Sub<Ratio> for Level {
    type Output = Self;
    fn sub(self, ratio: Ratio) -> Self {
        Self(self.0 - ratio.0)
    }
}

impl Add<Ratio> for Level {
    type Output = Self;
    fn add(self, ratio: Ratio) -> Self {
        Self(self.0 + ratio.0)
    }
}

impl Add for Ratio {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl Sub for Ratio {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Neg for Ratio {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

/// A length in metres; finite, never negative.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Length(f64);

impl Length {
    /// From metres.
    pub fn from_m(m: f64) -> Self {
        Self(m)
    }

    /// The number of metres.
    pub fn m(self) -> f64 {
        self.0
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (scaled, unit) = match self.0 {
            m if m >= 1.0 || m == 0.0 => (m, "m"),
            m if m >= 0.01 => (m * 1e2, "cm"),
            m => (m * 1e3, "mm"),
        };
        f.pad(&format!("{} {unit}", trimmed(scaled, 4)))
    }
}

/// The sides of a thing written as people write them: `300 x 200 x 30 mm`. None when it is written
/// otherwise: a size is the user's own words and may say anything.
pub fn sides(text: &str) -> Option<Vec<Length>> {
    let plain = text.trim().replace(['×', 'X', '*'], "x");
    let unit_at = plain.rfind(|c: char| c.is_ascii_digit())? + 1;
    let (numbers, unit) = plain.split_at(unit_at);
    numbers
        .split('x')
        .map(|number| format!("{} {}", number.trim(), unit.trim()).parse().ok())
        .collect()
}

/// A length of time, written with one unit (`"12 h"`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Time(Duration);

impl Time {
    /// From a duration of the standard library.
    pub const fn from_duration(duration: Duration) -> Self {
        Self(duration)
    }

    /// As the standard library's duration.
    pub const fn duration(self) -> Duration {
        self.0
    }

    /// The number of seconds.
    pub fn s(self) -> f64 {
        self.0.as_secs_f64()
    }
}

impl fmt::Display for Time {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (scaled, unit) = match self.s() {
            s if s >= 172_800.0 => (s / 86_400.0, "d"),
            s if s >= 7200.0 => (s / 3600.0, "h"),
            s if s >= 120.0 => (s / 60.0, "min"),
            s if s >= 1.0 || s == 0.0 => (s, "s"),
            s => (s * 1e3, "ms"),
        };
        f.pad(&format!("{} {unit}", trimmed(scaled, 3)))
    }
}

impl FromStr for Time {
    type Err = QuantityError;
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        let seconds = parse(text, &TIME)?;
        match Duration::try_from_secs_f64(seconds) {
            Ok(duration) => Ok(Self(duration)),
            Err(_) => Err(QuantityError::NotFinite {
                given: text.trim().to_owned(),
            }),
        }
    }
}

impl FromStr for Frequency {
    type Err = QuantityError;
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        parse(text, &FREQUENCY).map(Self)
    }
}

impl FromStr for Level {
    type Err = QuantityError;
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        parse(text, &LEVEL).map(Self)
    }
}

impl FromStr for Ratio {
    type Err = QuantityError;
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        parse(text, &RATIO).map(Self)
    }
}

impl FromStr for Length {
    type Err = QuantityError;
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        parse(text, &LENGTH).map(Self)
    }
}

/// Reads a quantity from its text with unit, and writes it so, in any serde format.
macro_rules! serde_as_text {
    ($($type:ty),*) => {$(
        impl serde::Serialize for $type {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }
        impl<'de> serde::Deserialize<'de> for $type {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
            }
        }
    )*};
}

serde_as_text!(Frequency, Level, Ratio, Length, Time);

/// Whether a character has no picture of its own: control characters, and those that reorder a line so that a name reads
/// as another (Unicode Standard Annex 9, 2).
pub fn is_unprintable(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{061C}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn refusal<T: FromStr<Err = QuantityError> + fmt::Debug>(text: &str) -> String {
        text.parse::<T>().expect_err(text).to_string()
    }

    #[test]
    fn reads_what_people_write() {
        assert_eq!("100 MHz".parse(), Ok(Frequency(100e6)));
        assert_eq!("1e5 Hz".parse(), Ok(Frequency(1e5)));
        assert_eq!(" 2.4GHz ".parse(), Ok(Frequency(2.4e9)));
        assert_eq!("-31 dBm".parse(), Ok(Level(-31.0)));
        assert_eq!("\u{2212}31 dBm".parse(), Ok(Level(-31.0)));
        assert_eq!("50 dB".parse(), Ok(Ratio(50.0)));
        assert_eq!("30 cm".parse(), Ok(Length(0.3)));
        assert_eq!(
            "12 h".parse(),
            Ok(Time::from_duration(Duration::from_secs(43_200)))
        );
    }

    #[test]
    fn says_what_was_meant_by_millihertz() {
        let said = refusal::<Frequency>("100 mHz");
        assert!(said.contains("millihertz"), "{said}");
        assert!(said.contains("100 MHz"), "{said}");
    }

    #[test]
    fn refuses_what_is_not_a_quantity() {
        assert!(refusal::<Frequency>("100").contains("no unit"));
        assert!(refusal::<Frequency>("NaN MHz").contains("not a finite"));
        assert!(refusal::<Frequency>("inf MHz").contains("not a finite"));
        assert!(refusal::<Level>("-inf dBm").contains("not a finite"));
        assert!(refusal::<Level>("1e400 dBm").contains("not a finite"));
        assert!(refusal::<Frequency>("-5 MHz").contains("negative"));
        assert!(refusal::<Frequency>("").contains("not a number"));
        assert!(refusal::<Frequency>("MHz").contains("not a number"));
        assert!(refusal::<Frequency>("1,5 MHz").contains("unit"));
        assert!(refusal::<Level>("50 dB").contains("dB is a ratio"));
        assert!(refusal::<Ratio>("50 dBm").contains("dBm is a level"));
        assert!(refusal::<Frequency>("1 khz").contains("did you mean `1 kHz`"));
        assert!(refusal::<Time>("1e300 d").contains("not a finite"));
    }

    #[test]
    fn sizes_are_read_where_they_can_be() {
        let metres =
            |text| sides(text).map(|sides| sides.iter().map(|s| s.m()).collect::<Vec<_>>());
        assert_eq!(metres("300 x 200 mm"), Some(vec![0.3, 0.2]));
        assert_eq!(metres("0.5×0.4×0.3 m"), Some(vec![0.5, 0.4, 0.3]));
        assert_eq!(metres("large"), None);
        assert_eq!(metres("A4"), None);
        assert_eq!(metres(""), None);
    }

    #[test]
    fn the_subtraction_of_the_trade() {
        // Hand arithmetic, common practice, no source.
        assert_eq!(
            (Level::from_dbm(-24.0) - Level::from_dbm(-76.0)).to_string(),
            "52 dB"
        );
    }

    proptest! {
        #[test]
        fn never_panics(text in ".{0,40}") {
            let _ = text.parse::<Frequency>();
            let _ = text.parse::<Time>();
        }

        #[test]
        fn what_is_printed_reads_back(hz in 1.0f64..4e10, dbm in -200.0f64..60.0) {
            let frequency = Frequency(hz);
            let again: Frequency = frequency.to_string().parse().expect("own print");
            prop_assert!((again.hz() - hz).abs() <= 1e-6 * hz.max(1.0));
            let level: Level = Level(dbm).to_string().parse().expect("own print");
            prop_assert!((level.dbm() - dbm).abs() <= 0.0051);
        }
    }
}
