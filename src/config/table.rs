//! Correction tables: gains, losses and antenna factors over frequency, as CSV.
//!
//! A calibration certificate is a table; it is copied into a file as it stands and named in the station
//! file. When the station is loaded the texts of its tables join the station's own text, so that what is
//! kept with a run is whole, and a changed table is a changed station.

use crate::quantity::Frequency;

/// The most lines of one table.
const LINES_MAX: usize = 100_000;
/// No gain, loss or factor of the trade is larger, dB.
const VALUE_MAX_DB: f64 = 200.0;
/// What the first column may be called, and its unit in hertz.
const FREQUENCY_COLUMNS: [(&str, f64); 4] = [
    ("frequency_hz", 1.0),
    ("frequency_khz", 1e3),
    ("frequency_mhz", 1e6),
    ("frequency_ghz", 1e9),
];

/// What a table's second column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// A gain, dB (of an antenna: dBi).
    Gain,
    /// A loss, dB; never negative.
    Loss,
    /// An antenna factor, dB/m.
    Factor,
}

impl Column {
    /// Its name in the first line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Gain => "gain_db",
            Self::Loss => "loss_db",
            Self::Factor => "factor_db_per_m",
        }
    }
}

/// A correction over frequency: straight in dB over the logarithm of the frequency between its points.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// The file as the station file names it.
    pub name: String,
    /// Hz and dB, rising; at least two.
    points: Vec<(f64, f64)>,
}

impl Table {
    /// Reads the text of a table; every fault with its line, one to a line of the error.
    pub fn read(name: &str, text: &str, column: Column) -> Result<Self, String> {
        let mut reader = csv::ReaderBuilder::new()
            .trim(csv::Trim::All)
            .comment(Some(b'#'))
            .from_reader(text.as_bytes());
        let unit_hz = match reader.headers() {
            Ok(header) => heading(header, column),
            Err(error) => Err(error.to_string()),
        };
        let unit_hz = unit_hz.map_err(|reason| {
            let line = reader
                .headers()
                .ok()
                .and_then(|header| header.position())
                .map_or(1, csv::Position::line);
            format!("{name}:{line}: {reason}")
        })?;
        let (mut points, mut faults) = (Vec::<(f64, f64)>::new(), Vec::new());
        for record in reader.records().take(LINES_MAX) {
            let (line, point) = match &record {
                Ok(record) => (
                    record.position().map_or(0, csv::Position::line),
                    point(record, unit_hz, column),
                ),
                Err(error) => (
                    error.position().map_or(0, csv::Position::line),
                    Err("a line has a frequency and a value, and no more".to_owned()),
                ),
            };
            let point = point.and_then(|point| match points.last() {
                Some(last) if last.0 >= point.0 => {
                    Err("its frequency is not above the one before it".to_owned())
                }
                _ => Ok(point),
            });
            match point {
                Ok(point) => points.push(point),
                Err(reason) => faults.push(format!("{name}:{line}: {reason}")),
            }
        }
        match (faults.is_empty(), points.len()) {
            (true, 0 | 1) => Err(format!(
                "{name}: a table needs two lines of values at least"
            )),
            (true, _) => Ok(Self {
                name: name.to_owned(),
                points,
            }),
            (false, _) => Err(faults.join("\n")),
        }
    }

    /// The value at a frequency, dB; `None` outside of the table, where nobody measured anything.
    pub fn at_db(&self, frequency: Frequency) -> Option<f64> {
        let (hz, points) = (frequency.hz(), &self.points);
        let above = points.partition_point(|point| point.0 < hz);
        let &(high_hz, high_db) = points.get(above)?;
        if high_hz == hz {
            return Some(high_db);
        }
        let &(low_hz, low_db) = points.get(above.checked_sub(1)?)?;
        let along = (hz / low_hz).ln() / (high_hz / low_hz).ln();
        Some(low_db + along * (high_db - low_db))
    }

    /// The largest value of the points around a frequency, dB: never less than the value there. Outside
    /// of the table, the largest of all.
    pub fn largest_near_db(&self, frequency: Frequency) -> f64 {
        let values = self.around(Some(frequency)).iter().map(|point| point.1);
        values.fold(f64::NEG_INFINITY, f64::max)
    }

    /// The largest value of all, dB.
    pub fn largest_db(&self) -> f64 {
        let values = self.points.iter().map(|point| point.1);
        values.fold(f64::NEG_INFINITY, f64::max)
    }

    /// The smallest value of the points around a frequency, dB: never more than the value there. Outside of the
    /// table and for no frequency, the smallest of all.
    pub fn smallest_near_db(&self, frequency: Option<Frequency>) -> f64 {
        let values = self.around(frequency).iter().map(|point| point.1);
        values.fold(f64::INFINITY, f64::min)
    }

    /// The points between which a frequency lies; all of them outside of the table and for no frequency.
    fn around(&self, frequency: Option<Frequency>) -> &[(f64, f64)] {
        let Some(hz) = frequency
            .filter(|at| self.at_db(*at).is_some())
            .map(|at| at.hz())
        else {
            return &self.points;
        };
        let below = self.points.partition_point(|point| point.0 < hz);
        let above = self.points.partition_point(|point| point.0 <= hz);
        let last = self.points.len() - 1;
        &self.points[below.saturating_sub(1)..=above.min(last)]
    }

    /// First and last frequency.
    pub fn range(&self) -> (Frequency, Frequency) {
        let at = |point: Option<&(f64, f64)>| Frequency::from_hz(point.map_or(0.0, |p| p.0));
        (at(self.points.first()), at(self.points.last()))
    }
}

/// What one step of the frequency column is in hertz.
fn heading(header: &csv::StringRecord, column: Column) -> Result<f64, String> {
    let unit = FREQUENCY_COLUMNS
        .iter()
        .find(|(name, _)| header.get(0) == Some(name));
    match unit {
        Some((_, hz)) if header.get(1) == Some(column.name()) && header.len() == 2 => Ok(*hz),
        _ => Err(format!(
            "the first line must name the columns and their units: `frequency_hz,{}` (or frequency_khz, _mhz, _ghz), not `{}`",
            column.name(),
            header.iter().collect::<Vec<_>>().join(",")
        )),
    }
}

fn point(record: &csv::StringRecord, unit_hz: f64, column: Column) -> Result<(f64, f64), String> {
    let number = |index: usize| -> Result<f64, String> {
        let text = record.get(index).unwrap_or_default();
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(format!("`{text}` is not a number")),
        }
    };
    let (hz, db) = (number(0)? * unit_hz, number(1)?);
    if !(hz > 0.0 && hz.is_finite()) {
        return Err("a frequency must be above zero".to_owned());
    }
    if db.abs() > VALUE_MAX_DB {
        return Err(format!("{db} dB cannot be right"));
    }
    if column == Column::Loss && db < 0.0 {
        return Err("a loss cannot be negative; a gain is written as gain_db".to_owned());
    }
    // Through thousandths of a hertz, so that 1.259 MHz is 1259000 Hz and not a hair beside it.
    Ok(((hz * 1e3).round() / 1e3, db))
}

#[cfg(test)]
mod tests {
    use super::*;

    const GAIN: &str = "frequency_mhz,gain_db\n# as calibrated\n1,40\n10, 38.0\n100,41\n";

    fn hz(f: f64) -> Frequency {
        Frequency::from_hz(f)
    }

    #[test]
    fn values_lie_straight_over_log_frequency_and_nowhere_outside() {
        let table = Table::read("a.csv", GAIN, Column::Gain).expect("a table");
        // Hand arithmetic: half way from 1 to 10 MHz over the logarithm is 3.1623 MHz.
        let half = table.at_db(hz(1e6 * 10f64.sqrt())).expect("inside");
        assert!((half - 39.0).abs() < 1e-9, "{half}");
        assert_eq!(table.at_db(hz(1e6)), Some(40.0));
        assert_eq!(table.at_db(hz(1e8)), Some(41.0));
        assert_eq!(
            (table.at_db(hz(0.99e6)), table.at_db(hz(1.01e8))),
            (None, None)
        );
        assert_eq!(table.range(), (hz(1e6), hz(1e8)));
    }

    #[test]
    fn every_fault_of_a_table_names_file_and_line() {
        let text = "frequency_hz,gain_db\n1e6,4o\n2e6,1\n2e6,1\n-1,0\n3e6,1,1\n4e6,999\n";
        let said = Table::read("a.csv", text, Column::Gain).expect_err("faults");
        for part in [
            "a.csv:2: `4o` is not a number",
            "a.csv:4: its frequency is not above",
            "a.csv:5: a frequency must be above zero",
            "a.csv:6: a line has a frequency and a value",
            "a.csv:7: 999 dB cannot be right",
        ] {
            assert!(said.contains(part), "{part} in\n{said}");
        }
        let said = Table::read("a.csv", GAIN, Column::Loss).expect_err("column");
        assert!(
            said.contains("a.csv:1: ") && said.contains("`frequency_hz,loss_db`"),
            "{said}"
        );
        let said = Table::read("a.csv", "frequency_hz,loss_db\n1,-1\n", Column::Loss);
        assert!(said.expect_err("negative").contains("a.csv:2: a loss"));
        assert!(Table::read("a.csv", "", Column::Gain).is_err());
        assert!(Table::read("a.csv", "frequency_hz,gain_db\n1,1\n", Column::Gain).is_err());
    }

    proptest::proptest! {
        #[test]
        fn the_largest_near_is_never_less_than_the_value(
            values in proptest::collection::vec(-60.0f64..60.0, 2..20), place in 0.0f64..1.0,
        ) {
            let lines: String = values.iter().enumerate()
                .map(|(i, db)| format!("{},{db}\n", 1e6 * 1.7f64.powi(i as i32))).collect();
            let text = format!("frequency_hz,gain_db\n{lines}");
            let table = Table::read("a.csv", &text, Column::Gain).expect("a table");
            let (low, high) = table.range();
            let at = hz(low.hz() * (high.hz() / low.hz()).powf(place));
            if let Some(db) = table.at_db(at) {
                proptest::prop_assert!(table.largest_near_db(at) >= db - 1e-9);
            }
            proptest::prop_assert_eq!(table.largest_near_db(hz(high.hz() * 2.0)), table.largest_db());
        }

        #[test]
        fn reading_never_panics(text in "\\PC{0,200}") {
            let _ = Table::read("x", &text, Column::Factor);
        }
    }
}
