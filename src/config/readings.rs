//! Readings taken by hand or kept in a spreadsheet, as CSV.
//!
//! One line is one reading: what was read in the open, what inside, and what the receiver shows without a
//! signal. `in the noise` instead of a level says that nothing could be told from the floor. Every fault of a
//! file is reported with line and column before anything is kept.

use super::document::{Fault, Faults};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

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
/// No uncertainty or limit is larger, dB.
const RATIO_MAX_DB: f64 = 200.0;
/// The longest text in a cell, characters.
const CELL_CHARS_MAX: usize = 200;
/// Where a file has no such column: nobody wrote it down.
const UNSTATED: &str = "unstated";

/// The header: every column there is, whether it is needed, and what stands in it.
pub const READING_COLUMNS: [(&str, bool, &str); 14] = [
    ("item", true, "serial of the item"),
    (
        "date",
        true,
        "2019-05-03, or a time like 2019-05-03T14:00:00Z",
    ),
    (
        "frequency_mhz",
        true,
        "frequency; or frequency_hz, frequency_khz, frequency_ghz",
    ),
    ("reference_dbm", true, "level in the open"),
    ("level_dbm", true, "level inside, or `in the noise`"),
    (
        "floor_dbm",
        false,
        "what the receiver shows without a signal; needed where the level is in the noise",
    ),
    (
        "u_db",
        false,
        "expanded uncertainty of the difference, k = 2; a default, marked so, where empty",
    ),
    ("limit_db", false, "required SE"),
    ("face", false, "side of the item; `unstated` where empty"),
    (
        "polarisation",
        false,
        "horizontal or vertical; `unstated` where empty",
    ),
    ("model", false, "model of the item"),
    ("lot", false, "its lot"),
    ("operator", false, "who measured"),
    ("note", false, "anything else"),
];
const FREQUENCY_COLUMNS: [(&str, f64); 4] = [
    ("frequency_mhz", 1e6),
    ("frequency_hz", 1.0),
    ("frequency_khz", 1e3),
    ("frequency_ghz", 1e9),
];
const IN_THE_NOISE: [&str; 2] = ["in the noise", "noise"];

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
    /// Level in the open, dBm.
    pub reference_dbm: f64,
    /// Level inside, dBm; none when it was in the noise.
    pub level_dbm: Option<f64>,
    /// Floor, dBm.
    pub floor_dbm: Option<f64>,
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
}

/// Reads the text of a file; all faults, up to a hundred. With `now`, when it is read in for the first time, what cannot
/// be is refused as well; a file that is kept is read again as it was.
pub fn read_readings(
    name: &str,
    text: &str,
    now: Option<Timestamp>,
) -> Result<Vec<HandReading>, Faults> {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .flexible(true)
        // A spreadsheet may put this mark before the first letter.
        .from_reader(text.strip_prefix('\u{feff}').unwrap_or(text).as_bytes());
    let fault = |line: usize, column: usize, key: &str, reason: String| Fault {
        file: name.to_owned(),
        line,
        column,
        key: key.to_owned(),
        reason,
    };
    let header = match reader.headers() {
        Ok(header) => header.clone(),
        Err(error) => return Err(Faults(vec![fault(1, 1, "", error.to_string())])),
    };
    let head_line = header.position().map_or(1, line_of);
    let header = header_of(&header).map_err(|reasons| {
        Faults(
            reasons
                .into_iter()
                .map(|(place, reason)| fault(head_line, place, "", reason))
                .collect(),
        )
    })?;
    let (mut readings, mut faults) = (Vec::new(), Vec::new());
    for record in reader.records() {
        if faults.len() >= FAULTS_MAX {
            break;
        }
        match record {
            Err(error) => {
                let line = error.position().map_or(1, line_of);
                faults.push(fault(line, 1, "", error.to_string()));
            }
            Ok(record) => {
                let line = record.position().map_or(1, line_of);
                if readings.len() == LINES_MAX {
                    let reason = format!("more than {LINES_MAX} lines; part the file");
                    faults.push(fault(line, 1, "", reason));
                    break;
                }
                match reading(&header, &record, line, now) {
                    Ok(reading) => readings.push(reading),
                    Err(wrong) => faults.extend(wrong.into_iter().map(|wrong| {
                        fault(
                            line,
                            wrong.place.map_or(1, |place| column(&record, place)),
                            wrong.name,
                            wrong.reason,
                        )
                    })),
                }
            }
        }
    }
    if readings.is_empty() && faults.is_empty() {
        faults.push(fault(
            head_line,
            1,
            "",
            "the file has a header and no readings".to_owned(),
        ));
    }
    match faults.is_empty() {
        true => Ok(readings),
        false => Err(Faults(faults)),
    }
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
    for (needed, _, what) in READING_COLUMNS
        .iter()
        .filter(|(_, is_needed, _)| *is_needed)
    {
        if !places.iter().any(|(there, _)| there == needed) {
            reasons.push((1, format!("the column `{needed}` is missing ({what})")));
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
    header: &'a Header,
    record: &'a csv::StringRecord,
    wrong: Vec<Wrong>,
}

impl Cells<'_> {
    fn cell(&self, name: &str) -> Option<&str> {
        let cell = self.record.get(self.header.place(name)?)?;
        (!cell.is_empty()).then_some(cell)
    }

    fn refuse(&mut self, name: &'static str, reason: String) {
        let place = self.header.place(name);
        self.wrong.push(Wrong {
            place,
            name,
            reason,
        });
    }

    fn name(&mut self, name: &'static str) -> Option<String> {
        let cell = self.cell(name)?.to_owned();
        if cell.chars().count() > CELL_CHARS_MAX || cell.chars().any(char::is_control) {
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
        let cell = self.cell(name)?;
        // Spreadsheets may write the typographic minus.
        let number = cell.replace('\u{2212}', "-").parse::<f64>();
        match number {
            Ok(number) if number >= from && number <= to => Some(number),
            Ok(_) => {
                let reason = format!("`{cell}` must be from {from} to {to}");
                self.refuse(name, reason);
                None
            }
            Err(_) => {
                let hint = if cell.contains(',') {
                    "; write a decimal point"
                } else {
                    ""
                };
                let reason =
                    format!("`{cell}` is not a number{hint}; the unit stands in the header");
                self.refuse(name, reason);
                None
            }
        }
    }

    fn needed_number(&mut self, name: &'static str, from: f64, to: f64) -> f64 {
        if self.cell(name).is_none() {
            self.refuse(name, "is empty".to_owned());
        }
        self.number(name, from, to).unwrap_or(0.0)
    }
}

fn reading(
    header: &Header,
    record: &csv::StringRecord,
    line: usize,
    now: Option<Timestamp>,
) -> Result<HandReading, Vec<Wrong>> {
    let mut cells = Cells {
        header,
        record,
        wrong: Vec::new(),
    };
    if record.len() > header.places.len() {
        let reason = format!(
            "{} cells, but the header has {}; quote cells that hold a comma",
            record.len(),
            header.places.len()
        );
        cells.wrong.push(Wrong {
            place: None,
            name: "",
            reason,
        });
    }
    let is_in_noise = cells
        .cell("level_dbm")
        .is_some_and(|cell| IN_THE_NOISE.contains(&cell.to_lowercase().as_str()));
    let level_dbm = match is_in_noise {
        true => None,
        false => Some(cells.needed_number("level_dbm", -LEVEL_MAX_DBM, LEVEL_MAX_DBM)),
    };
    let reading = HandReading {
        line,
        item: cells.needed("item"),
        taken: date(&mut cells),
        frequency_hz: cells.needed_number("frequency_mhz", f64::MIN_POSITIVE, 1e12)
            * header.unit_hz,
        reference_dbm: cells.needed_number("reference_dbm", -LEVEL_MAX_DBM, LEVEL_MAX_DBM),
        level_dbm,
        floor_dbm: cells.number("floor_dbm", -LEVEL_MAX_DBM, LEVEL_MAX_DBM),
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
    if is_in_noise && cells.cell("floor_dbm").is_none() {
        cells.refuse(
            "level_dbm",
            "is in the noise, but no floor says how low that is; fill in floor_dbm".to_owned(),
        );
    }
    if let (Some(level_dbm), Some(floor_dbm)) = (reading.level_dbm, reading.floor_dbm)
        && cells.wrong.is_empty()
        && level_dbm <= floor_dbm
    {
        cells.refuse(
            "level_dbm",
            "is not above the floor; write `in the noise`".to_owned(),
        );
    }
    if let Some(now) = now.filter(|_| cells.wrong.is_empty()) {
        refuse_implausible(&mut cells, &reading, now);
    }
    match cells.wrong.is_empty() {
        true => Ok(reading),
        false => Err(cells.wrong),
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
    for (name, level_dbm) in [
        ("reference_dbm", Some(reading.reference_dbm)),
        ("level_dbm", reading.level_dbm),
        ("floor_dbm", reading.floor_dbm),
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
    let above_db = reading.level_dbm.map(|dbm| dbm - reading.reference_dbm);
    if let Some(above_db) = above_db.filter(|db| *db > ABOVE_REFERENCE_MAX_DB) {
        let cell = shown(cells, "level_dbm");
        let reason = format!(
            "`{cell}` is {above_db:.1} dB above the level in the open; were the columns exchanged?"
        );
        cells.refuse("level_dbm", reason);
    }
    if reading
        .floor_dbm
        .is_some_and(|dbm| dbm >= reading.reference_dbm)
    {
        let cell = shown(cells, "floor_dbm");
        let reason = format!("`{cell}` is not below the level in the open, so nothing was seen");
        cells.refuse("floor_dbm", reason);
    }
    if reading.taken > now + AHEAD_MAX {
        let cell = shown(cells, "date");
        cells.refuse("date", format!("`{cell}` is in the future"));
    }
}

fn date(cells: &mut Cells) -> Timestamp {
    let text = cells.needed("date");
    let day = || {
        let date = text.parse::<Date>().ok()?;
        TimeZone::UTC.to_timestamp(date.at(0, 0, 0, 0)).ok()
    };
    match text.parse::<Timestamp>().ok().or_else(day) {
        Some(time) if time >= Timestamp::UNIX_EPOCH => return time,
        Some(_) => cells.refuse("date", "is before 1970".to_owned()),
        None if text.is_empty() => {}
        None => cells.refuse(
            "date",
            format!("`{text}` is not a date like 2019-05-03 or a time like 2019-05-03T14:00:00Z"),
        ),
    }
    Timestamp::UNIX_EPOCH
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_of_a_spreadsheet_are_read() {
        let text = "\u{feff}item,date,frequency_ghz,reference_dbm,level_dbm,floor_dbm,note\n\
            # bench book 3\n\
            P-1,2019-05-03,0.4,-24.0,\u{2212}76.5,-98,\n\
            P-1,2019-05-03,1.2,-25.0,In the noise,-98,\"lid, second try\"\n";
        let readings = read_readings("book.csv", text, None).expect("readings");
        assert_eq!(readings.len(), 2);
        assert_eq!(
            (readings[0].frequency_hz, readings[0].level_dbm),
            (400e6, Some(-76.5))
        );
        assert_eq!((readings[1].level_dbm, readings[1].line), (None, 4));
        assert_eq!(readings[1].note.as_deref(), Some("lid, second try"));
        assert_eq!(
            (readings[0].face.as_str(), readings[0].note.clone()),
            (UNSTATED, None)
        );
    }

    #[test]
    fn every_fault_has_its_line_and_column() {
        let text = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm\n\
            ,2019-05-03,400,-24,-76,-98\n\
            P-1,3 May,400,-24,\"-76,5\",-98\n\
            P-1,2019-05-03,400,-24,in the noise,\n\
            P-1,2019-05-03,400,-24,-99,-98\n\
            P-1,2019-05-03,400,-24,-76,-98,what\n";
        let said = read_readings("book.csv", text, None)
            .expect_err("faults")
            .to_string();
        for part in [
            "book.csv:2:1: `item`: is empty",
            "book.csv:3:5: `date`: `3 May` is not a date",
            "book.csv:3:19: `level_dbm`: `-76,5` is not a number; write a decimal point",
            "book.csv:4:24: `level_dbm`: is in the noise, but no floor",
            "book.csv:5:24: `level_dbm`: is not above the floor",
            "book.csv:6:1: 7 cells, but the header has 6",
        ] {
            assert!(said.contains(part), "{part}\n{said}");
        }
        let said = read_readings("book.csv", "item,day\nP-1,2019\n", None)
            .expect_err("header")
            .to_string();
        assert!(
            said.contains("book.csv:1:6: `day` is not a known column"),
            "{said}"
        );
        assert!(said.contains("the column `level_dbm` is missing"), "{said}");
    }

    #[test]
    fn what_cannot_be_is_refused_with_its_cell_and_a_kept_file_is_read_as_it_was() {
        let text = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm\n\
            P-1,2019-05-03,400000000,-24,-76,-98\n\
            P-1,2019-05-03,400,77,-76,-98\n\
            P-1,2019-05-03,400,-24,-76,-198\n\
            P-1,2019-05-03,400,-76,-24,-98\n\
            P-1,2019-05-03,400,-99,in the noise,-98\n\
            P-1,2091-05-03,400,-24,-76,-98\n";
        let now = "2026-01-31T09:00:00Z".parse().expect("a time");
        let said = read_readings("book.csv", text, Some(now))
            .expect_err("faults")
            .to_string();
        for part in [
            "book.csv:2:16: `frequency_mhz`: `400000000` is 4e14 Hz, outside of 1 kHz to 100 GHz",
            "book.csv:3:20: `reference_dbm`: `77` dBm is no level",
            "book.csv:4:28: `floor_dbm`: `-198` dBm is no level",
            "book.csv:5:24: `level_dbm`: `-24` is 52.0 dB above the level in the open",
            "book.csv:6:37: `floor_dbm`: `-98` is not below the level in the open",
            "book.csv:7:5: `date`: `2091-05-03` is in the future",
        ] {
            assert!(said.contains(part), "{part}\n{said}");
        }
        assert_eq!(said.lines().count(), 6, "{said}");
        let kept = text.replace("400000000", "400");
        assert_eq!(
            read_readings("book.csv", &kept, None).map(|all| all.len()),
            Ok(6)
        );
    }
}
