//! How a file of readings is written: what separates its cells, its decimal mark, the order of its dates.
//!
//! The separator is seen in the header, the decimal mark in the numbers. Where neither can be seen without
//! doubt nothing is guessed. What somebody had to say is kept as a comment line before the text, so that a file
//! that is kept is read as it was.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;

/// What begins the line that says how a text is to be read.
const SAID: &str = "# read with ";
/// What may stand between two cells.
const SEPARATORS: [char; 3] = [',', ';', '\t'];

/// Which part of a date comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DateOrder {
    /// Year, month, day.
    #[default]
    Ymd,
    /// Day, month, year.
    Dmy,
    /// Month, day, year.
    Mdy,
}

impl FromStr for DateOrder {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "ymd" => Ok(Self::Ymd),
            "dmy" => Ok(Self::Dmy),
            "mdy" => Ok(Self::Mdy),
            _ => Err(
                "must be `ymd` (2019-05-03), `dmy` (03.05.2019) or `mdy` (05/03/2019)".to_owned(),
            ),
        }
    }
}

impl DateOrder {
    /// The day that a text names. A year in front says its order by itself.
    pub(super) fn day(self, text: &str) -> Option<Date> {
        let mark = text
            .chars()
            .find(|letter| ['-', '.', '/'].contains(letter))?;
        let parts: Vec<&str> = text.split(mark).collect();
        let [first, second, third] = parts[..] else {
            return None;
        };
        let (year, month, day) = match (first.len(), self) {
            (4, _) => (first, second, third),
            (_, Self::Ymd) => return None,
            (_, Self::Dmy) => (third, second, first),
            (_, Self::Mdy) => (third, first, second),
        };
        let is_number = |part: &str, lengths: [usize; 2]| {
            lengths.contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit())
        };
        if !is_number(year, [4, 4]) || ![month, day].iter().all(|part| is_number(part, [1, 2])) {
            return None;
        }
        Date::new(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?).ok()
    }

    /// Why a text is no date, and what to do.
    pub(super) fn refusal(self, text: &str) -> String {
        let example = match self {
            Self::Ymd
                if [Self::Dmy, Self::Mdy]
                    .iter()
                    .any(|order| order.day(text).is_some()) =>
            {
                return format!(
                    "`{text}`: say with --dates dmy or --dates mdy whether the day or the month comes first, or \
                    write 2019-05-03"
                );
            }
            Self::Ymd => "a date like 2019-05-03",
            Self::Dmy => "a date with the day first like 03.05.2019 (--dates dmy)",
            Self::Mdy => "a date with the month first like 05/03/2019 (--dates mdy)",
        };
        format!(
            "`{text}` is not {example} or a time with its zone like 2019-05-03T14:00:00Z or 2019-05-03T14:00:00+02:00"
        )
    }
}

/// What stands before the decimals.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DecimalMark {
    /// 1.5
    Point,
    /// 1,5
    Comma,
}

impl FromStr for DecimalMark {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "point" => Ok(Self::Point),
            "comma" => Ok(Self::Comma),
            _ => Err("must be `point` or `comma`".to_owned()),
        }
    }
}

impl DecimalMark {
    pub(super) const fn letter(self) -> char {
        match self {
            Self::Point => '.',
            Self::Comma => ',',
        }
    }

    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Point => "point",
            Self::Comma => "comma",
        }
    }

    /// The mark in a number; none where it has none, or more than one.
    fn of(cell: &str) -> Option<Self> {
        let marks: Vec<char> = cell.chars().filter(|it| ['.', ','].contains(it)).collect();
        match marks[..] {
            ['.'] => Some(Self::Point),
            [','] => Some(Self::Comma),
            _ => None,
        }
    }
}

/// Whether the mark of such a number may also separate thousands: `1.200`, but neither `0.400` nor `12.5`.
pub(super) fn may_be_thousands(cell: &str) -> bool {
    let mut parts = cell.splitn(2, ['.', ',']);
    let (Some(whole), Some(rest)) = (parts.next(), parts.next()) else {
        return false;
    };
    (1..=3).contains(&whole.len())
        && !whole.starts_with('0')
        && rest.len() == 3
        && [whole, rest]
            .iter()
            .all(|part| part.bytes().all(|byte| byte.is_ascii_digit()))
}

/// The mark that the numbers of a file have, by the first that can be nothing else. `doubtful` are those that may also
/// be thousands; all others are too large for that.
pub(super) fn decimal_mark<'a>(
    mut sure: impl Iterator<Item = &'a str>,
    mut doubtful: impl Iterator<Item = &'a str>,
) -> Option<DecimalMark> {
    sure.find_map(DecimalMark::of).or_else(|| {
        let certain =
            doubtful.find(|cell| !may_be_thousands(cell) && DecimalMark::of(cell).is_some());
        certain.and_then(DecimalMark::of)
    })
}

/// What separates the cells, by the header: no name of a column has such a letter.
pub(super) fn separator(text: &str) -> Result<char, (usize, String)> {
    let mut lines = text.lines().enumerate();
    let header = lines.find(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let Some((at, header)) = header else {
        return Ok(',');
    };
    let there: Vec<char> = SEPARATORS
        .into_iter()
        .filter(|mark| header.contains(*mark))
        .collect();
    match there[..] {
        [] => Ok(','),
        [one] => Ok(one),
        _ => {
            let there: Vec<String> = there.iter().map(|mark| format!("{mark:?}")).collect();
            Err((
                at + 1,
                format!(
                    "the header is separated by {}; use one of them in the whole file",
                    there.join(" and by ")
                ),
            ))
        }
    }
}

/// What somebody said of a file that it does not show by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ReadingFormat {
    /// Which part of its dates comes first.
    pub dates: DateOrder,
    /// Its decimal mark; seen in its numbers where nobody said.
    pub decimal: Option<DecimalMark>,
}

impl fmt::Display for ReadingFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let dates = match self.dates {
            DateOrder::Ymd => None,
            DateOrder::Dmy => Some("--dates dmy".to_owned()),
            DateOrder::Mdy => Some("--dates mdy".to_owned()),
        };
        let decimal = self
            .decimal
            .map(|mark| format!("--decimal {}", mark.name()));
        let said: Vec<String> = dates.into_iter().chain(decimal).collect();
        f.write_str(&said.join(" "))
    }
}

impl ReadingFormat {
    /// The text as it is read and kept: after a line with what was said of it, if anything was.
    pub fn said_before(self, text: &str) -> String {
        if self == Self::default() {
            return text.to_owned();
        }
        format!("{SAID}{self}\n{text}")
    }

    /// What was said of a text, and the text.
    pub(super) fn split(text: &str) -> (Self, &str) {
        let said = text
            .strip_prefix(SAID)
            .and_then(|rest| rest.split_once('\n'));
        said.and_then(|(said, rest)| Some((Self::parse(said)?, rest)))
            .unwrap_or((Self::default(), text))
    }

    fn parse(said: &str) -> Option<Self> {
        let mut format = Self::default();
        let words: Vec<&str> = said.split_whitespace().collect();
        for pair in words.chunks(2) {
            match pair {
                ["--dates", order] => format.dates = order.parse().ok()?,
                ["--decimal", mark] => format.decimal = Some(mark.parse().ok()?),
                _ => return None,
            }
        }
        Some(format)
    }
}
