//! Readings taken by hand or kept in a spreadsheet, as CSV.
//!
//! One line is one reading: what was read in the open, what inside, and what the receiver shows without a
//! signal; or the SE alone. `in the noise` instead of a level says that nothing could be told from the floor. Every
//! fault of a file is reported with line and column before anything is kept.

mod format;

use super::document::{Fault, Faults};
use crate::quantity::is_unprintable;
pub use format::{DateOrder, DecimalMark, ReadingFormat};
use format::{decimal_mark, may_be_thousands, separator};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use std::cmp::Ordering;

/// The most lines of one file.
const LINES_MAX: usize = 200_000;
/// The most faults that are listed.
const FAULTS_MAX: usize = 100;
/// No level of the trade is further from 0 dBm.
const LEVEL_MAX_DBM: f64 = 200.0;
/// Frequencies that anybody measures at, Hz; outside of them the unit is wrong.
const FREQUENCY_MIN_HZ: f64 = 1e3;
const FREQUENCY_MAX_HZ: f64 = 100e9;
/// More than any receiver's input stands, dBm.
const PLAUSIBLE_MAX_DBM: f64 = 60.0;
/// Thermal noise in 1 Hz at 290 K, dBm (k·T); nothing reads less.
const PLAUSIBLE_MIN_DBM: f64 = -174.0;
/// A level so far above the one in the open says that columns were exchanged, dB (common practice, no source).
const ABOVE_REFERENCE_MAX_DB: f64 = 10.0;
/// A day in the reader's own time may have begun before that of UTC.
const AHEAD_MAX: SignedDuration = SignedDuration::from_hours(24);
/// No uncertainty, limit or SE is larger, dB.
const RATIO_MAX_DB: f64 = 200.0;
/// The longest text in a cell, characters.
const CELL_CHARS_MAX: usize = 200;
/// Where a file has no such column: nobody wrote it down.
const UNSTATED: &str = "unstated";

/// The header: every column there is, when it is needed, and what it holds.
pub const READING_COLUMNS: [(&str, &str, &str); 16] = [
    ("item", NEEDED, "serial of the item"),
    (
        "date",
        NEEDED,
        "2019-05-03, or a time with its zone like 2019-05-03T14:00:00Z",
    ),
    (
        "frequency_mhz",
        NEEDED,
        "frequency; or frequency_hz, frequency_khz, frequency_ghz",
    ),
    ("reference_dbm", NEEDED_OR_SE, "level in the open"),
    ("level_dbm", NEEDED_OR_SE, "level inside, or `in the noise`"),
    (
        "floor_dbm",
        "",
        "what the receiver shows without a signal; needed with `in the noise`",
    ),
    (
        "se_db",
        "instead of the levels",
        "SE, `>= 80`, or `in the noise`",
    ),
    (
        "dynamic_range_db",
        "",
        "with se_db: the largest SE that could have been seen",
    ),
    (
        "u_db",
        "needed with se_db",
        "expanded uncertainty of the difference, k = 2; else a default",
    ),
    ("limit_db", "", "required SE"),
    ("face", "", "side of the item; `unstated` where empty"),
    (
        "polarisation",
        "",
        "horizontal or vertical; `unstated` where empty",
    ),
    ("model", "", "model of the item"),
    ("lot", "", "its lot"),
    ("operator", "", "who measured"),
    ("note", "", "anything else"),
];
const NEEDED: &str = "needed";
const NEEDED_OR_SE: &str = "needed, or se_db";
const FREQUENCY_COLUMNS: [(&str, f64); 4] = [
    ("frequency_mhz", 1e6),
    ("frequency_hz", 1.0),
    ("frequency_khz", 1e3),
    ("frequency_ghz", 1e9),
];
/// Columns of numbers that are all less than a thousand.
const RATIO_COLUMNS: [&str; 7] = [
    "reference_dbm",
    "level_dbm",
    "floor_dbm",
    "se_db",
    "dynamic_range_db",
    "u_db",
    "limit_db",
];
const IN_THE_NOISE: [&str; 2] = ["in the noise", "noise"];
/// What stands before an SE that is a lower bound.
const AT_LEAST: [&str; 3] = [">=", "≥", ">"];

/// What was read at one point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HandLevels {
    /// The levels.
    Levels {
        /// Level in the open, dBm.
        reference_dbm: f64,
        /// Level inside, dBm; none when it was in the noise.
        level_dbm: Option<f64>,
        /// Floor, dBm.
        floor_dbm: Option<f64>,
    },
    /// Their difference alone.
    Difference {
        /// SE, dB; none when the level inside was in the noise.
        se_db: Option<f64>,
        /// The largest SE that could have been seen, dB.
        dynamic_range_db: Option<f64>,
    },
}

/// One line.
#[derive(Debug, Clone, PartialEq)]
pub struct HandReading {
    /// Where it stands, from 1.
    pub line: usize,
    /// Serial of the item.
    pub item: String,
    /// When it was read; midnight UTC where only a day is written.
    pub taken: Timestamp,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// What was read.
    pub levels: HandLevels,
    /// Expanded uncertainty, dB.
    pub u_db: Option<f64>,
    /// Required SE, dB.
    pub limit_db: Option<f64>,
    /// Side of the item.
    pub face: String,
    /// `horizontal`, `vertical` or `unstated`.
    pub polarisation: String,
    /// Model.
    pub model: Option<String>,
    /// Lot.
    pub lot: Option<String>,
    /// Who measured.
    pub operator: Option<String>,
    /// Anything else.
    pub note: Option<String>,
}

/// Where the known columns stand.
struct Header {
    /// Place in a line by name, for the names of [`READING_COLUMNS`]; the first is the frequency's.
    places: Vec<(&'static str, usize)>,
    unit_hz: f64,
}

impl Header {
    fn place(&self, name: &str) -> Option<usize> {
        self.places
            .iter()
            .find(|(known, _)| *known == name)
            .map(|(_, place)| *place)
    }

    fn cell<'a>(&self, record: &'a csv::StringRecord, name: &str) -> Option<&'a str> {
        let cell = record.get(self.place(name)?)?;
        (!cell.is_empty()).then_some(cell)
    }
}

/// How the cells of a file are to be understood.
struct Rules<'a> {
    header: &'a Header,
    dates: DateOrder,
    /// None where no number tells it.
    decimal: Option<DecimalMark>,
    /// When the file is read in for the first time.
    now: Option<Timestamp>,
}

/// Collects the faults of a file.
struct FaultList<'a> {
    name: &'a str,
    faults: Vec<Fault>,
}

impl FaultList<'_> {
    fn add(&mut self, line: usize, column: usize, key: &str, reason: String) {
        self.faults.push(Fault {
            file: self.name.to_owned(),
            line,
            column,
            key: key.to_owned(),
            reason,
        });
    }
}

/// Reads the text of a file; all faults, up to a hundred. With `now`, when it is read in for the first time, what cannot
/// be is refused as well; a file that is kept is read again as it was.
pub fn read_readings(
    name: &str,
    text: &str,
    now: Option<Timestamp>,
) -> Result<Vec<HandReading>, Faults> {
    let (format, text) = ReadingFormat::split(text);
    // A spreadsheet may put this mark before the first letter, and end its lines in ways of its own.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    let mut list = FaultList {
        name,
        faults: Vec::new(),
    };
    let separator = separator(&text).map_err(|(line, reason)| {
        list.add(line, 1, "", reason);
        Faults(std::mem::take(&mut list.faults))
    })?;
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator as u8)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .flexible(true)
        .from_reader(text.as_bytes());
    let header = match reader.headers() {
        Ok(header) => header.clone(),
        Err(error) => {
            list.add(1, 1, "", error.to_string());
            return Err(Faults(list.faults));
        }
    };
    let head_line = header.position().map_or(1, line_of);
    let header = match header_of(&header) {
        Ok(header) => header,
        Err(reasons) => {
            for (place, reason) in reasons {
                list.add(head_line, place, "", reason);
            }
            return Err(Faults(list.faults));
        }
    };
    let records = records(&mut reader, &mut list);
    let rules = Rules {
        header: &header,
        dates: format.dates,
        decimal: decimal_of(&header, &records, format.decimal, separator),
        now,
    };
    let mut readings = Vec::new();
    for record in &records {
        if list.faults.len() >= FAULTS_MAX {
            break;
        }
        let line = record.position().map_or(1, line_of);
        match rules.reading(record, line) {
            Ok(reading) => readings.push(reading),
            Err(wrong) => {
                for Wrong {
                    place,
                    name,
                    reason,
                } in wrong
                {
                    let column = place.map_or(1, |place| column(record, place));
                    list.add(line, column, name, reason);
                }
            }
        }
    }
    if readings.is_empty() && list.faults.is_empty() {
        let reason = "the file has a header and no readings";
        list.add(head_line, 1, "", reason.to_owned());
    }
    match list.faults.is_empty() {
        true => Ok(readings),
        false => Err(Faults(list.faults)),
    }
}

/// The lines after the header, without those that a spreadsheet leaves empty.
fn records(reader: &mut csv::Reader<&[u8]>, list: &mut FaultList) -> Vec<csv::StringRecord> {
    let mut records = Vec::new();
    for record in reader.records() {
        match record {
            Ok(record) if record.iter().all(str::is_empty) => {}
            Ok(record) if records.len() == LINES_MAX => {
                let line = record.position().map_or(1, line_of);
                list.add(
                    line,
                    1,
                    "",
                    format!("more than {LINES_MAX} lines; split the file"),
                );
                break;
            }
            Ok(record) => records.push(record),
            Err(error) => {
                let line = error.position().map_or(1, line_of);
                list.add(line, 1, "", error.to_string());
            }
        }
    }
    records
}

/// The decimal mark: as somebody said, or a point where commas separate the cells, or as the numbers show it.
fn decimal_of(
    header: &Header,
    records: &[csv::StringRecord],
    said: Option<DecimalMark>,
    separator: char,
) -> Option<DecimalMark> {
    let by_separator = (separator == ',').then_some(DecimalMark::Point);
    said.or(by_separator).or_else(|| {
        let ratios = records
            .iter()
            .flat_map(|record| RATIO_COLUMNS.map(|name| header.cell(record, name)));
        let frequencies = records
            .iter()
            .filter_map(|record| header.cell(record, "frequency_mhz"));
        decimal_mark(ratios.flatten(), frequencies)
    })
}

fn line_of(position: &csv::Position) -> usize {
    usize::try_from(position.line()).unwrap_or(usize::MAX)
}

/// The character where a cell begins, from 1, where nothing is quoted and no blanks pad it.
fn column(record: &csv::StringRecord, place: usize) -> usize {
    let before: usize = record
        .iter()
        .take(place)
        .map(|cell| cell.chars().count() + 1)
        .sum();
    before + 1
}

fn header_of(header: &csv::StringRecord) -> Result<Header, Vec<(usize, String)>> {
    let (mut places, mut reasons, mut unit_hz) = (Vec::new(), Vec::new(), None);
    for (place, name) in header.iter().enumerate() {
        let at = column(header, place);
        if let Some((_, hz)) = FREQUENCY_COLUMNS.iter().find(|(known, _)| *known == name) {
            match unit_hz.replace(*hz) {
                None => places.push(("frequency_mhz", place)),
                Some(_) => reasons.push((at, "a second column of frequencies".to_owned())),
            }
        } else if let Some((known, _, _)) =
            READING_COLUMNS.iter().find(|(known, _, _)| *known == name)
        {
            match places.iter().any(|(there, _)| there == known) {
                false => places.push((*known, place)),
                true => reasons.push((at, format!("a second column `{name}`"))),
            }
        } else {
            let known: Vec<_> = READING_COLUMNS.iter().map(|(known, _, _)| *known).collect();
            let known = known.join(", ");
            reasons.push((
                at,
                format!("`{name}` is not a known column; there are {known}"),
            ));
        }
    }
    let place = |name: &str| places.iter().find(|(known, _)| *known == name);
    let has_se = place("se_db").is_some();
    for (name, needed, what) in READING_COLUMNS {
        let is_needed =
            needed == NEEDED || needed == NEEDED_OR_SE && !has_se || name == "u_db" && has_se;
        let is_of_the_other = match name {
            "reference_dbm" | "level_dbm" | "floor_dbm" => has_se,
            "dynamic_range_db" => !has_se,
            _ => false,
        };
        match place(name) {
            None if is_needed => {
                reasons.push((1, format!("the column `{name}` is missing ({what})")));
            }
            Some((_, place)) if is_of_the_other => reasons.push((
                column(header, *place),
                format!(
                    "`{name}` cannot stand here: give either reference_dbm, level_dbm and floor_dbm, or se_db and \
                    dynamic_range_db; the SE of levels is worked out"
                ),
            )),
            _ => {}
        }
    }
    match (reasons.is_empty(), unit_hz) {
        (true, Some(unit_hz)) => Ok(Header { places, unit_hz }),
        _ => Err(reasons),
    }
}

/// What is wrong with a cell; without a place, with the line.
struct Wrong {
    place: Option<usize>,
    name: &'static str,
    reason: String,
}

/// Takes the cells of one line, and notes what is wrong with them.
struct Cells<'a> {
    rules: &'a Rules<'a>,
    record: &'a csv::StringRecord,
    wrong: Vec<Wrong>,
}

impl<'a> Cells<'a> {
    fn cell(&self, name: &str) -> Option<&'a str> {
        self.rules.header.cell(self.record, name)
    }

    fn refuse(&mut self, name: &'static str, reason: String) {
        let place = self.rules.header.place(name);
        self.wrong.push(Wrong {
            place,
            name,
            reason,
        });
    }

    fn name(&mut self, name: &'static str) -> Option<String> {
        let cell = self.cell(name)?.to_owned();
        if cell.chars().count() > CELL_CHARS_MAX || cell.chars().any(is_unprintable) {
            self.refuse(
                name,
                format!("use 1 to {CELL_CHARS_MAX} characters without control characters"),
            );
        }
        Some(cell)
    }

    fn needed(&mut self, name: &'static str) -> String {
        match self.name(name) {
            Some(cell) => cell,
            None => {
                self.refuse(name, "is empty".to_owned());
                String::new()
            }
        }
    }

    fn number(&mut self, name: &'static str, from: f64, to: f64) -> Option<f64> {
        self.number_of(self.cell(name)?, name, from, to)
    }

    /// What stands in a cell, or in a part of it, as a number.
    fn number_of(&mut self, cell: &str, name: &'static str, from: f64, to: f64) -> Option<f64> {
        let reason = match self.rules.parse(cell, name) {
            Ok(number) if number >= from && number <= to => return Some(number),
            Ok(_) => format!("`{cell}` must be from {from} to {to}"),
            Err(reason) => reason,
        };
        self.refuse(name, reason);
        None
    }

    fn needed_number(&mut self, name: &'static str, from: f64, to: f64) -> f64 {
        if self.cell(name).is_none() {
            self.refuse(name, "is empty".to_owned());
        }
        self.number(name, from, to).unwrap_or(0.0)
    }

    fn is_in_noise(&self, name: &str) -> bool {
        self.cell(name)
            .is_some_and(|cell| IN_THE_NOISE.contains(&cell.to_lowercase().as_str()))
    }

    fn levels(&mut self) -> HandLevels {
        let is_in_noise = self.is_in_noise("level_dbm");
        let levels = HandLevels::Levels {
            reference_dbm: self.needed_number("reference_dbm", -LEVEL_MAX_DBM, LEVEL_MAX_DBM),
            level_dbm: (!is_in_noise)
                .then(|| self.needed_number("level_dbm", -LEVEL_MAX_DBM, LEVEL_MAX_DBM)),
            floor_dbm: self.number("floor_dbm", -LEVEL_MAX_DBM, LEVEL_MAX_DBM),
        };
        if is_in_noise && self.cell("floor_dbm").is_none() {
            self.refuse(
                "level_dbm",
                "is in the noise, but no floor says how low that is; fill in floor_dbm".to_owned(),
            );
        }
        if let HandLevels::Levels {
            level_dbm: Some(level_dbm),
            floor_dbm: Some(floor_dbm),
            ..
        } = levels
            && self.wrong.is_empty()
            && level_dbm <= floor_dbm
        {
            self.refuse(
                "level_dbm",
                "is not above the floor; write `in the noise`".to_owned(),
            );
        }
        levels
    }

    fn difference(&mut self) -> HandLevels {
        if self.cell("u_db").is_none() {
            let reason = "is empty; an SE without its levels needs a stated uncertainty".to_owned();
            self.refuse("u_db", reason);
        }
        let least = self.cell("se_db").and_then(|cell| {
            let marks = AT_LEAST.iter();
            marks.filter_map(|mark| cell.strip_prefix(mark)).next()
        });
        let range_db = self.number("dynamic_range_db", f64::MIN_POSITIVE, RATIO_MAX_DB);
        let (se_db, dynamic_range_db) = match least {
            Some(least) => {
                let least = self.number_of(least.trim(), "se_db", -RATIO_MAX_DB, RATIO_MAX_DB);
                (None, least)
            }
            None if self.is_in_noise("se_db") => (None, range_db),
            None => {
                let se_db = self.needed_number("se_db", -RATIO_MAX_DB, RATIO_MAX_DB);
                (Some(se_db), range_db)
            }
        };
        if self.wrong.is_empty() {
            let range_db = range_db.unwrap_or(f64::INFINITY);
            if se_db.or(dynamic_range_db).is_none() {
                let reason =
                    "is in the noise, but nothing says how low that is; fill in dynamic_range_db";
                self.refuse("se_db", reason.to_owned());
            } else if se_db.is_some_and(|se_db| se_db >= range_db) {
                let reason = "is not below the dynamic range; write `in the noise`";
                self.refuse("se_db", reason.to_owned());
            } else if least.is_some() && dynamic_range_db > Some(range_db) {
                let reason = "is above the dynamic range, so it could not have been seen";
                self.refuse("se_db", reason.to_owned());
            }
        }
        HandLevels::Difference {
            se_db,
            dynamic_range_db,
        }
    }

    fn date(&mut self) -> Timestamp {
        let text = self.needed("date");
        // What was read once without a look at its zone is read so again.
        let as_it_was = || {
            text.parse::<Date>()
                .ok()
                .filter(|_| self.rules.now.is_none())
        };
        let day = || {
            let date = self.rules.dates.day(&text).or_else(as_it_was)?;
            TimeZone::UTC.to_timestamp(date.at(0, 0, 0, 0)).ok()
        };
        match text.parse::<Timestamp>().ok().or_else(day) {
            Some(time) if time >= Timestamp::UNIX_EPOCH => return time,
            Some(_) => self.refuse("date", format!("`{text}` is before 1970")),
            None if text.is_empty() => {}
            None => self.refuse("date", self.rules.dates.refusal(&text)),
        }
        Timestamp::UNIX_EPOCH
    }
}

impl Rules<'_> {
    fn parse(&self, cell: &str, name: &str) -> Result<f64, String> {
        let other = match self.decimal {
            Some(DecimalMark::Point) => ",",
            Some(DecimalMark::Comma) => ".",
            None if may_be_thousands(cell) => {
                return Err(format!(
                    "the mark in `{cell}` may stand before decimals or between thousands, and no other number of the \
                    file tells which; say --decimal comma or --decimal point"
                ));
            }
            None => ",.",
        };
        let mark = self.decimal.unwrap_or(DecimalMark::Point);
        // Spreadsheets may write the typographic minus.
        let plain = cell.replace('\u{2212}', "-");
        // A slipped `e` makes another number of a level; frequencies may need one.
        let is_plain = self.now.is_none() || name == "frequency_mhz" || !cell.contains(['e', 'E']);
        let number = plain.replace(mark.letter(), ".").parse::<f64>();
        match number {
            Ok(number) if is_plain && !cell.contains(|it| other.contains(it)) => Ok(number),
            _ if cell.contains(|it| other.contains(it)) => Err(format!(
                "`{cell}` is not a number; write a decimal {}, and nothing between thousands",
                mark.name()
            )),
            _ => Err(format!(
                "`{cell}` is not a number; the unit stands in the header"
            )),
        }
    }

    fn reading(&self, record: &csv::StringRecord, line: usize) -> Result<HandReading, Vec<Wrong>> {
        let mut cells = Cells {
            rules: self,
            record,
            wrong: Vec::new(),
        };
        let expected = self.header.places.len();
        let advice = match record.len().cmp(&expected) {
            Ordering::Greater => Some("quote cells that hold a separator"),
            Ordering::Less if self.now.is_some() => Some("is the line cut off?"),
            _ => None,
        };
        if let Some(advice) = advice {
            cells.wrong.push(Wrong {
                place: None,
                name: "",
                reason: format!(
                    "{} cells, but the header has {expected}; {advice}",
                    record.len()
                ),
            });
        }
        let reading = HandReading {
            line,
            item: cells.needed("item"),
            taken: cells.date(),
            frequency_hz: cells.needed_number("frequency_mhz", f64::MIN_POSITIVE, 1e12)
                * self.header.unit_hz,
            levels: match self.header.place("se_db") {
                Some(_) => cells.difference(),
                None => cells.levels(),
            },
            u_db: cells.number("u_db", 0.0, RATIO_MAX_DB),
            limit_db: cells.number("limit_db", -RATIO_MAX_DB, RATIO_MAX_DB),
            face: cells.name("face").unwrap_or_else(|| UNSTATED.to_owned()),
            polarisation: cells
                .name("polarisation")
                .unwrap_or_else(|| UNSTATED.to_owned()),
            model: cells.name("model"),
            lot: cells.name("lot"),
            operator: cells.name("operator"),
            note: cells.name("note"),
        };
        if !["horizontal", "vertical", UNSTATED].contains(&reading.polarisation.as_str()) {
            cells.refuse(
                "polarisation",
                format!(
                    "`{}` is neither horizontal nor vertical",
                    reading.polarisation
                ),
            );
        }
        if let Some(now) = self.now.filter(|_| cells.wrong.is_empty()) {
            refuse_implausible(&mut cells, &reading, now);
        }
        match cells.wrong.is_empty() {
            true => Ok(reading),
            false => Err(cells.wrong),
        }
    }
}

/// What can be written but not measured: a wrong unit, a slipped digit, exchanged columns.
fn refuse_implausible(cells: &mut Cells, reading: &HandReading, now: Timestamp) {
    let shown = |cells: &Cells, name| cells.cell(name).unwrap_or_default().to_owned();
    if !(FREQUENCY_MIN_HZ..=FREQUENCY_MAX_HZ).contains(&reading.frequency_hz) {
        let cell = shown(cells, "frequency_mhz");
        let reason = format!(
            "`{cell}` is {:e} Hz, outside of 1 kHz to 100 GHz; does the header name its unit?",
            reading.frequency_hz
        );
        cells.refuse("frequency_mhz", reason);
    }
    match reading.levels {
        HandLevels::Levels {
            reference_dbm,
            level_dbm,
            floor_dbm,
        } => refuse_implausible_levels(cells, reference_dbm, level_dbm, floor_dbm),
        HandLevels::Difference { se_db, .. } => {
            if let Some(se_db) = se_db.filter(|se_db| *se_db < -ABOVE_REFERENCE_MAX_DB) {
                let reason = format!(
                    "{se_db} dB would be much more inside than in the open; write an SE as a positive number"
                );
                cells.refuse("se_db", reason);
            }
        }
    }
    if reading.taken > now + AHEAD_MAX {
        let cell = shown(cells, "date");
        cells.refuse("date", format!("`{cell}` is in the future"));
    }
}

fn refuse_implausible_levels(
    cells: &mut Cells,
    reference_dbm: f64,
    level_dbm: Option<f64>,
    floor_dbm: Option<f64>,
) {
    let shown = |cells: &Cells, name| cells.cell(name).unwrap_or_default().to_owned();
    for (name, level_dbm) in [
        ("reference_dbm", Some(reference_dbm)),
        ("level_dbm", level_dbm),
        ("floor_dbm", floor_dbm),
    ] {
        let is_plausible = |dbm: &f64| (PLAUSIBLE_MIN_DBM..=PLAUSIBLE_MAX_DBM).contains(dbm);
        if level_dbm.is_some_and(|dbm| !is_plausible(&dbm)) {
            let cell = shown(cells, name);
            let reason = format!(
                "`{cell}` dBm is no level that a receiver shows ({PLAUSIBLE_MIN_DBM} to {PLAUSIBLE_MAX_DBM}); is it in another unit?"
            );
            cells.refuse(name, reason);
        }
    }
    let above_db = level_dbm.map(|dbm| dbm - reference_dbm);
    if let Some(above_db) = above_db.filter(|db| *db > ABOVE_REFERENCE_MAX_DB) {
        let cell = shown(cells, "level_dbm");
        let reason = format!(
            "`{cell}` is {above_db:.1} dB above the level in the open; were the columns exchanged?"
        );
        cells.refuse("level_dbm", reason);
    }
    if floor_dbm.is_some_and(|dbm| dbm >= reference_dbm) {
        let cell = shown(cells, "floor_dbm");
        let reason = format!("`{cell}` is not below the level in the open, so nothing was seen");
        cells.refuse("floor_dbm", reason);
    }
}

#[cfg(test)]
mod tests;
