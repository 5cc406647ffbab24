//! SCPI as an instrument hears it: IEEE 488.2 message units, SCPI-1999 header trees (short and long
//! forms, optional nodes, numeric suffixes, the path rule of `;` and `:`), numbers with units, and the
//! status model with its error queue.

use std::collections::VecDeque;

/// Errors that the queue holds before it says -350 (SCPI-1999, 21.8: at least two).
const QUEUE_MAX: usize = 20;
/// Units in one message.
const UNITS_MAX: usize = 256;

/// An entry of the error queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ScpiError {
    pub code: i16,
    pub detail: String,
}

impl ScpiError {
    pub(super) fn new(code: i16, detail: impl Into<String>) -> Self {
        let detail = detail.into();
        Self { code, detail }
    }

    /// A command error stops the rest of its message (IEEE 488.2, 6.1.9).
    pub(super) fn is_command_error(&self) -> bool {
        (-199..=-100).contains(&self.code)
    }

    /// The bit of the standard event status register (IEEE 488.2, 11.5.1.1).
    fn event_bit(&self) -> u8 {
        match self.code {
            -199..=-100 => 1 << 5,
            -299..=-200 => 1 << 4,
            -499..=-400 => 1 << 2,
            _ => 1 << 3,
        }
    }

    /// As `SYSTem:ERRor?` gives it.
    fn text(&self) -> String {
        let meaning = match self.code {
            0 => "No error",
            -102 => "Syntax error",
            -104 => "Data type error",
            -108 => "Parameter not allowed",
            -109 => "Missing parameter",
            -113 => "Undefined header",
            -114 => "Header suffix out of range",
            -131 => "Invalid suffix",
            -203 => "Command protected",
            -213 => "Init ignored",
            -221 => "Settings conflict",
            -222 => "Data out of range",
            -223 => "Too much data",
            -224 => "Illegal parameter value",
            -350 => "Queue overflow",
            -410 => "Query INTERRUPTED",
            -420 => "Query UNTERMINATED",
            -430 => "Query DEADLOCKED",
            _ => "Device-specific error",
        };
        // 255 characters are the most that SCPI allows; a quote inside is doubled.
        let detail: String = self.detail.chars().take(80).collect();
        let detail = detail.replace('"', "\"\"");
        match detail.is_empty() {
            true => format!("{},\"{meaning}\"", self.code),
            false => format!("{},\"{meaning};{detail}\"", self.code),
        }
    }
}

/// The status registers of one instrument.
#[derive(Debug)]
pub(super) struct Status {
    errors: VecDeque<ScpiError>,
    /// Standard event status register; bit 7, power on, is set at start.
    pub event: u8,
    pub event_enable: u8,
    pub request_enable: u8,
    /// An `*OPC` waits for the operation to end.
    pub completing: bool,
    /// Questionable status enable register.
    pub questionable_enable: u16,
    /// Operation status enable register.
    pub operation_enable: u16,
}

impl Default for Status {
    fn default() -> Self {
        Self {
            errors: VecDeque::new(),
            event: 1 << 7,
            event_enable: 0,
            request_enable: 0,
            completing: false,
            questionable_enable: 0,
            operation_enable: 0,
        }
    }
}

impl Status {
    pub(super) fn push(&mut self, error: ScpiError) {
        self.event |= error.event_bit();
        match self.errors.len() {
            QUEUE_MAX => self.errors[QUEUE_MAX - 1] = ScpiError::new(-350, ""),
            _ => self.errors.push_back(error),
        }
    }

    /// The oldest error, taken out, as text.
    pub(super) fn pop(&mut self) -> String {
        let none = || ScpiError::new(0, "");
        self.errors.pop_front().unwrap_or_else(none).text()
    }

    pub(super) fn error_count(&self) -> usize {
        self.errors.len()
    }

    /// `*CLS`.
    pub(super) fn clear(&mut self) {
        self.errors.clear();
        self.event = 0;
        self.completing = false;
    }

    /// The status byte: 2 errors, 3 questionable, 5 events, 7 operation, 6 the summary of them all.
    pub(super) fn byte(&self, questionable: u16, operation: u16) -> u8 {
        let mut byte = 0;
        byte |= u8::from(!self.errors.is_empty()) << 2;
        byte |= u8::from(questionable & self.questionable_enable != 0) << 3;
        byte |= u8::from(self.event & self.event_enable != 0) << 5;
        byte |= u8::from(operation & self.operation_enable != 0) << 7;
        byte | u8::from(byte & self.request_enable & !(1 << 6) != 0) << 6
    }
}

/// One node of a header as it was sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Node {
    name: String,
    suffix: u32,
}

/// One message unit: a header and its parameters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Unit {
    /// `*IDN` and the like without the star, or `None`.
    pub common: Option<String>,
    pub header: Vec<Node>,
    pub query: bool,
    pub parameters: Vec<String>,
    /// The header as sent, for error messages.
    pub spelled: String,
}

/// Splits one program message into units. A unit that cannot be read ends the list.
pub(super) fn parse(line: &str) -> Vec<Result<Unit, ScpiError>> {
    let mut units = Vec::new();
    let mut path: Vec<Node> = Vec::new();
    for text in split_outside_quotes(line, ';') {
        let text = text.trim();
        if text.is_empty() {
            continue;
        }
        if units.len() == UNITS_MAX {
            units.push(Err(ScpiError::new(-223, "too many units in one message")));
            break;
        }
        let unit = parse_unit(text, &mut path);
        let failed = unit.is_err();
        units.push(unit);
        if failed {
            break;
        }
    }
    units
}

fn parse_unit(text: &str, path: &mut Vec<Node>) -> Result<Unit, ScpiError> {
    let end = text.find(char::is_whitespace).unwrap_or(text.len());
    let (spelled, rest) = (&text[..end], text[end..].trim());
    let (bare, query) = match spelled.strip_suffix('?') {
        Some(bare) => (bare, true),
        None => (spelled, false),
    };
    let parameters = match rest.is_empty() {
        true => Vec::new(),
        false => split_outside_quotes(rest, ',')
            .map(|one| one.trim().to_owned())
            .collect(),
    };
    let mut unit = Unit {
        common: None,
        header: Vec::new(),
        query,
        parameters,
        spelled: spelled.to_owned(),
    };
    if let Some(name) = bare.strip_prefix('*') {
        unit.common = Some(name.to_ascii_uppercase());
        return Ok(unit);
    }
    // The path rule (SCPI-1999, 6.2.4): a header continues where the last one had its last node,
    // unless it starts with a colon.
    let (from_root, relative) = match bare.strip_prefix(':') {
        Some(relative) => (true, relative),
        None => (false, bare),
    };
    let mut header = match from_root {
        true => Vec::new(),
        false => path.clone(),
    };
    for word in relative.split(':') {
        header.push(parse_node(word, spelled)?);
    }
    if header.len() > 12 {
        return Err(ScpiError::new(-113, spelled));
    }
    *path = header[..header.len() - 1].to_vec();
    unit.header = header;
    Ok(unit)
}

fn parse_node(word: &str, spelled: &str) -> Result<Node, ScpiError> {
    let good = |c: char| c.is_ascii_alphanumeric() || c == '_';
    if word.is_empty() || !word.chars().all(good) || !word.starts_with(|c: char| c.is_alphabetic())
    {
        return Err(ScpiError::new(-102, spelled));
    }
    let name = word.trim_end_matches(|c: char| c.is_ascii_digit());
    let suffix = match &word[name.len()..] {
        "" => 1,
        digits => digits.parse().map_err(|_| ScpiError::new(-114, spelled))?,
    };
    let name = name.to_ascii_uppercase();
    Ok(Node { name, suffix })
}

/// Splits at a separator that is not inside single or double quotes.
fn split_outside_quotes(text: &str, separator: char) -> impl Iterator<Item = &str> {
    let mut quote = None;
    text.split(move |c: char| match quote {
        Some(open) => {
            if c == open {
                quote = None;
            }
            false
        }
        None => {
            if c == '"' || c == '\'' {
                quote = Some(c);
            }
            c == separator
        }
    })
}

/// One node of a pattern: its spellings, short and long, and whether it may be left out.
#[derive(Debug)]
struct PatternNode {
    spellings: Vec<(String, String)>,
    optional: bool,
}

/// A table of header patterns, each with what it stands for.
#[derive(Debug)]
pub(super) struct Tree<C> {
    entries: Vec<(Vec<PatternNode>, C)>,
}

impl<C: Copy> Tree<C> {
    /// Patterns are written as in manuals: `[SENSe]:FREQuency:CENTer`, with `|` between spellings.
    pub(super) fn new(table: &[(&str, C)]) -> Self {
        let entries = table
            .iter()
            .map(|(pattern, command)| (pattern_nodes(pattern), *command))
            .collect();
        Self { entries }
    }

    /// What a header stands for.
    pub(super) fn find(&self, unit: &Unit) -> Result<C, ScpiError> {
        let named = |(nodes, _): &&(Vec<PatternNode>, C)| matches(nodes, &unit.header);
        match self.entries.iter().find(named) {
            None => Err(ScpiError::new(-113, &unit.spelled)),
            Some(_) if unit.header.iter().any(|node| node.suffix != 1) => {
                Err(ScpiError::new(-114, &unit.spelled))
            }
            Some((_, command)) => Ok(*command),
        }
    }
}

fn pattern_nodes(pattern: &str) -> Vec<PatternNode> {
    let mut nodes = Vec::new();
    let mut optional = false;
    let mut word = String::new();
    let mut close = |word: &mut String, optional| {
        if !word.is_empty() {
            nodes.push(pattern_node(word, optional));
            word.clear();
        }
    };
    for c in pattern.chars() {
        match c {
            ':' => close(&mut word, optional),
            '[' => {
                close(&mut word, optional);
                optional = true;
            }
            ']' => {
                close(&mut word, optional);
                optional = false;
            }
            c => word.push(c),
        }
    }
    close(&mut word, optional);
    nodes
}

fn pattern_node(word: &str, optional: bool) -> PatternNode {
    let spellings = word
        .split('|')
        .map(|long| {
            let short = long.chars().filter(|c| !c.is_lowercase()).collect();
            (short, long.to_ascii_uppercase())
        })
        .collect();
    PatternNode {
        spellings,
        optional,
    }
}

fn matches(pattern: &[PatternNode], header: &[Node]) -> bool {
    let Some((first, rest)) = pattern.split_first() else {
        return header.is_empty();
    };
    let taken = header.split_first().is_some_and(|(node, others)| {
        let same = |(short, long): &(String, String)| node.name == *short || node.name == *long;
        first.spellings.iter().any(same) && matches(rest, others)
    });
    taken || (first.optional && matches(rest, header))
}

/// What kind of number a parameter is, and so which units it may carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Frequency,
    Time,
    Level,
    Ratio,
    Plain,
}

/// A numeric parameter with its limits.
#[derive(Debug, Clone, Copy)]
pub(super) struct Number {
    pub kind: Kind,
    pub least: f64,
    pub most: f64,
}

impl Number {
    pub(super) const fn new(kind: Kind, (least, most): (f64, f64)) -> Self {
        Self { kind, least, most }
    }

    /// The only parameter of a unit as a number within its limits.
    pub(super) fn read(&self, unit: &Unit) -> Result<f64, ScpiError> {
        let text = only(unit)?;
        let value = match self.limit(text) {
            Some(value) => value,
            None => with_unit(text, self.kind)?,
        };
        if value < self.least || value > self.most {
            return Err(ScpiError::new(-222, format!("{} {text}", unit.spelled)));
        }
        Ok(value)
    }

    /// What `MINimum` and `MAXimum` stand for.
    pub(super) fn limit(&self, text: &str) -> Option<f64> {
        match text.to_ascii_uppercase().as_str() {
            "MIN" | "MINIMUM" => Some(self.least),
            "MAX" | "MAXIMUM" => Some(self.most),
            _ => None,
        }
    }

    /// The answer to a query: the value, or the limit that was asked for.
    pub(super) fn answer(&self, unit: &Unit, value: f64) -> Result<String, ScpiError> {
        let value = match unit.parameters.as_slice() {
            [] => value,
            [one] => self
                .limit(one)
                .ok_or_else(|| ScpiError::new(-224, &unit.spelled))?,
            _ => return Err(ScpiError::new(-108, &unit.spelled)),
        };
        Ok(number(value))
    }
}

/// A number as the bench prints it.
pub(super) fn number(value: f64) -> String {
    let text = format!("{value:.9E}");
    match text.split_once('E') {
        Some((mantissa, exponent)) => match exponent.strip_prefix('-') {
            Some(digits) => format!("{mantissa}E-{digits:0>2}"),
            None => format!("{mantissa}E+{exponent:0>2}"),
        },
        None => text,
    }
}

/// The only parameter of a unit.
pub(super) fn only(unit: &Unit) -> Result<&str, ScpiError> {
    match unit.parameters.as_slice() {
        [] => Err(ScpiError::new(-109, &unit.spelled)),
        [one] if one.is_empty() => Err(ScpiError::new(-109, &unit.spelled)),
        [one] => Ok(one),
        _ => Err(ScpiError::new(-108, &unit.spelled)),
    }
}

/// The only parameter as a boolean.
pub(super) fn boolean(unit: &Unit) -> Result<bool, ScpiError> {
    match only(unit)?.to_ascii_uppercase().as_str() {
        "ON" => Ok(true),
        "OFF" => Ok(false),
        other => match other.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value.round() != 0.0),
            _ => Err(ScpiError::new(-224, format!("{} {other}", unit.spelled))),
        },
    }
}

/// A word among several, given as in manuals (`POSitive`).
pub(super) fn keyword<C: Copy>(text: &str, table: &[(&str, C)]) -> Result<C, ScpiError> {
    let upper = text.to_ascii_uppercase();
    let same = |long: &str| {
        let short: String = long.chars().filter(|c| !c.is_lowercase()).collect();
        upper == short || upper == long.to_ascii_uppercase()
    };
    let found = table.iter().find(|(long, _)| same(long));
    found
        .map(|(_, value)| *value)
        .ok_or_else(|| ScpiError::new(-224, text))
}

/// A number, with or without a unit, in the base unit of its kind.
fn with_unit(text: &str, kind: Kind) -> Result<f64, ScpiError> {
    let upper = text.to_ascii_uppercase();
    let (value, unit) = longest_number(upper.trim()).ok_or_else(|| ScpiError::new(-104, text))?;
    if !value.is_finite() {
        return Err(ScpiError::new(-222, text));
    }
    let factor = match (kind, unit.trim()) {
        (_, "") => 1.0,
        (Kind::Frequency, "HZ") | (Kind::Time, "S") => 1.0,
        (Kind::Level, "DBM") | (Kind::Ratio, "DB") => 1.0,
        (Kind::Frequency, "KHZ") => 1e3,
        // SCPI reads MHZ as mega, against its own rule for M (SCPI-1999, vol. 1, 7.4).
        (Kind::Frequency, "MHZ" | "MAHZ") => 1e6,
        (Kind::Frequency, "GHZ") => 1e9,
        (Kind::Time, "MS") => 1e-3,
        (Kind::Time, "US") => 1e-6,
        _ => return Err(ScpiError::new(-131, text)),
    };
    Ok(value * factor)
}

/// The number at the start of a text and what follows it.
fn longest_number(text: &str) -> Option<(f64, &str)> {
    let number = |end: usize| {
        let head = text.get(..end)?;
        // Rust also reads words such as `inf`; an instrument does not.
        if !head
            .bytes()
            .all(|b| b.is_ascii_digit() || b"+-.E".contains(&b))
        {
            return None;
        }
        Some((head.parse().ok()?, &text[end..]))
    };
    (1..=text.len().min(40)).rev().find_map(number)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tree() -> Tree<u8> {
        Tree::new(&[
            ("[SENSe]:FREQuency:CENTer", 1),
            ("[SENSe]:FREQuency:SPAN", 2),
            ("[SENSe]:BANDwidth|BWIDth[:RESolution]", 3),
            ("[SENSe]:BANDwidth|BWIDth:VIDeo", 4),
            ("TRACe[:DATA]", 5),
            ("SYSTem:ERRor[:NEXT]", 6),
        ])
    }

    fn found(line: &str) -> Vec<Result<u8, i16>> {
        let find = |unit: Result<Unit, ScpiError>| unit.and_then(|unit| tree().find(&unit));
        let code = |found: Result<u8, ScpiError>| found.map_err(|error| error.code);
        parse(line).into_iter().map(find).map(code).collect()
    }

    #[test]
    fn short_long_and_optional() {
        // SCPI-1999, vol. 1, 6.2: only the short and the long form are accepted.
        for good in [
            "FREQ:CENT 1",
            "sens:frequency:cent 1",
            ":SENSE1:FREQ:CENTER 1",
        ] {
            assert_eq!(found(good), [Ok(1)], "{good}");
        }
        assert_eq!(found("BWID 1;BAND:RES 1"), [Ok(3), Ok(3)]);
        assert_eq!(found("FREQU:CENT 1"), [Err(-113)]);
        assert_eq!(found("TRAC2?"), [Err(-114)]);
        assert_eq!(found("FREQ::CENT 1"), [Err(-102)]);
    }

    #[test]
    fn the_path_rule() {
        assert_eq!(found("SENS:FREQ:CENT 1;SPAN 2"), [Ok(1), Ok(2)]);
        assert_eq!(found("FREQ:CENT 1;*CLS;SPAN 2").len(), 3);
        assert_eq!(found("FREQ:CENT 1;:BWID 3"), [Ok(1), Ok(3)]);
        assert_eq!(found("FREQ:CENT 1;FREQ:SPAN 3"), [Ok(1), Err(-113)]);
        assert_eq!(found("BAND:RES 1;VID 1"), [Ok(3), Ok(4)]);
    }

    #[test]
    fn numbers_with_units() {
        let read = |text: &str, kind| with_unit(text, kind).map_err(|error| error.code);
        assert_eq!(read("100 MHZ", Kind::Frequency), Ok(100e6));
        assert_eq!(read("100E6", Kind::Frequency), Ok(100e6));
        assert_eq!(read("1e8HZ", Kind::Frequency), Ok(1e8));
        assert_eq!(read("-10 DBM", Kind::Level), Ok(-10.0));
        assert_eq!(read("5 ms", Kind::Time), Ok(5e-3));
        assert_eq!(read("5 DBM", Kind::Frequency), Err(-131));
        assert_eq!(read("lots", Kind::Frequency), Err(-104));
        assert_eq!(read("inf", Kind::Frequency), Err(-104));
        assert_eq!(read("1 0", Kind::Frequency), Err(-131));
        assert_eq!(read("1e999", Kind::Frequency), Err(-222));
    }

    #[test]
    fn numbers_are_printed_as_nr3() {
        assert_eq!(number(100e6), "1.000000000E+08");
        assert_eq!(number(-0.015), "-1.500000000E-02");
    }

    #[test]
    fn the_queue_says_when_it_overflows() {
        // SCPI-1999, 21.8.1: the last entry is replaced by -350.
        let mut status = Status::default();
        for _ in 0..25 {
            status.push(ScpiError::new(-113, "X"));
        }
        let all: Vec<String> = (0..20).map(|_| status.pop()).collect();
        assert_eq!(all[0], "-113,\"Undefined header;X\"");
        assert_eq!(all[19], "-350,\"Queue overflow\"");
        assert_eq!(status.pop(), "0,\"No error\"");
    }

    proptest! {
        #[test]
        fn nothing_sent_makes_it_panic(line in ".{0,200}") {
            for unit in parse(&line).into_iter().flatten() {
                let _ = tree().find(&unit);
                let _ = Number::new(Kind::Frequency, (0.0, 1.0)).read(&unit);
                let _ = boolean(&unit);
            }
        }

        #[test]
        fn any_case_of_a_good_header_is_found(upper in proptest::collection::vec(any::<bool>(), 19)) {
            let header: String = "sense:frequency:span"
                .chars()
                .zip(upper.into_iter().chain([false]))
                .map(|(c, up)| if up { c.to_ascii_uppercase() } else { c })
                .collect();
            prop_assert_eq!(found(&header), vec![Ok(2)]);
        }

        #[test]
        fn a_printed_number_reads_back(value in -1e12f64..1e12) {
            let again = with_unit(&number(value), Kind::Plain).expect("own print");
            prop_assert!((again - value).abs() <= 1e-9 * value.abs());
        }
    }
}
