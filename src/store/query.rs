//! The query: which runs and which points of the history. One language for the command line, the API and the
//! page.
//!
//! A query is words parted by blanks. `key:value` narrows, `key:a,b` takes either, quotes hold blanks, and
//! what has no key is looked for in the words of runs and items:
//!
//! `model:"Fell pouch" freq:100MHz..1GHz verdict:fail since:2026-01 "rolled seam"`
//!
//! It becomes typed values here and bound parameters in [`super::history`]; it never becomes SQL text.

use super::record::check_name;
use super::{ResultKind, RunKind, RunState, Verdict};
use crate::analysis::flag::FlagWord;
use crate::quantity::Frequency;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use std::fmt;

/// The longest query, bytes.
pub const QUERY_BYTES_MAX: usize = 4096;
/// The most values of one key, and the most words.
pub const QUERY_VALUES_MAX: usize = 64;
/// A frequency without a range means this part of itself to either side: what rounding to hertz may do.
const SAME_FREQUENCY: f64 = 1e-9;
/// Beyond this two words are not alike (0 to 1, by Jaro and Winkler).
const ALIKE: f64 = 0.75;

/// Every key with its values, as errors and help texts list them.
pub const QUERY_KEYS: [(&str, &str); 17] = [
    ("item", "a serial"),
    ("model", "a model"),
    ("lot", "a lot"),
    ("operator", "who measured"),
    ("run", "a run's id or its beginning"),
    ("of", "item or reference: what the run was of"),
    (
        "since",
        "2026, 2026-01, 2026-01-31 or a time: begun then or later",
    ),
    ("until", "as since: begun before its end"),
    ("freq", "400MHz, 100MHz..1GHz, 100MHz.. or ..1GHz"),
    ("face", "a face"),
    ("polarisation", "horizontal or vertical"),
    (
        "verdict",
        "pass, fail or undecided: of runs, or of points where points are listed",
    ),
    ("kind", "measured, at_least or none"),
    ("flag", "a flag of a point"),
    ("state", "running, stopped, complete or failed"),
    ("withdrawn", "no (if not given), yes or any"),
    (
        "sort",
        "newest (if not given), oldest, or worst: points by margin",
    ),
];

/// In which order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Sort {
    /// Newest run first, then by frequency, face, polarisation, repeat.
    #[default]
    Newest,
    /// Oldest run first.
    Oldest,
    /// Points with the least margin first.
    Worst,
}

/// Whether withdrawn runs count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Withdrawn {
    /// Left out.
    #[default]
    No,
    /// Only they.
    Yes,
    /// Either.
    Any,
}

/// Which part of the history; every part that is given must fit, of a list any one.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Query {
    /// Serials.
    pub items: Vec<String>,
    /// Models as they were.
    pub models: Vec<String>,
    /// Lots as they were.
    pub lots: Vec<String>,
    /// Who measured.
    pub operators: Vec<String>,
    /// Beginnings of run ids, in capitals.
    pub runs: Vec<String>,
    /// What the run was of.
    pub of: Option<RunKind>,
    /// Begun then or later.
    pub since: Option<Timestamp>,
    /// Begun before.
    pub until: Option<Timestamp>,
    /// From and to, both included, Hz.
    pub frequency_hz: Option<(f64, f64)>,
    /// Sides of the item.
    pub faces: Vec<String>,
    /// `horizontal`, `vertical`.
    pub polarisations: Vec<String>,
    /// Judgements.
    pub verdicts: Vec<Verdict>,
    /// What is stated.
    pub kinds: Vec<ResultKind>,
    /// What is to be known.
    pub flags: Vec<FlagWord>,
    /// How far the run has come.
    pub states: Vec<RunState>,
    /// Whether withdrawn runs count.
    pub withdrawn: Withdrawn,
    /// Words of the run or its item; all must be there. `pou*` is the beginning of a word.
    pub words: Vec<String>,
    /// In which order.
    pub sort: Sort,
}

/// One thing wrong with a query.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("column {column}, `{word}`: {reason}")]
pub struct QueryFault {
    /// Where, in characters from 1.
    pub column: usize,
    /// The word as written.
    pub word: String,
    /// What is wrong, and what there is.
    pub reason: String,
}

/// Everything that is wrong with a query.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct QueryFaults {
    /// The query.
    pub text: String,
    /// One or more.
    pub faults: Vec<QueryFault>,
}

impl fmt::Display for QueryFaults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let clean = |c: char| if c.is_control() { ' ' } else { c };
        write!(
            f,
            "the query cannot be read:\n  {}",
            self.text.chars().map(clean).collect::<String>()
        )?;
        for fault in &self.faults {
            let blanks = " ".repeat(fault.column - 1);
            write!(f, "\n  {blanks}^ {fault}")?;
        }
        Ok(())
    }
}

/// A value and where it stands.
struct Value {
    column: usize,
    text: String,
}

/// `key:values`, or values alone.
struct Word {
    column: usize,
    key: Option<String>,
    values: Vec<Value>,
}

impl Query {
    /// Reads a query; every fault with its column.
    pub fn parse(text: &str) -> Result<Self, QueryFaults> {
        let mut query = Self::default();
        let mut faults = Vec::new();
        let whole = |faults| QueryFaults {
            text: text.to_owned(),
            faults,
        };
        if text.len() > QUERY_BYTES_MAX {
            let reason = format!(
                "the query has {} bytes; at most {QUERY_BYTES_MAX} are read",
                text.len()
            );
            let word = text.chars().take(20).collect();
            let fault = QueryFault {
                column: 1,
                word,
                reason,
            };
            return Err(QueryFaults {
                text: String::new(),
                faults: vec![fault],
            });
        }
        let words = match split(text) {
            Ok(words) => words,
            Err(fault) => return Err(whole(vec![fault])),
        };
        for word in words {
            for value in word.values {
                let taken = match &word.key {
                    None => query.add_word(&value.text),
                    Some(key) => query.narrow(key, &value.text),
                };
                if let Err(wrong) = taken {
                    let (column, word) = match wrong.is_key {
                        true => (word.column, word.key.clone().unwrap_or_default()),
                        false => (value.column, value.text),
                    };
                    faults.push(QueryFault {
                        column,
                        word,
                        reason: wrong.reason,
                    });
                }
            }
        }
        match faults.is_empty() {
            true => Ok(query),
            false => Err(whole(faults)),
        }
    }

    /// Narrows by one key and one value, as `key:value` in the text does.
    pub fn set(&mut self, key: &str, value: &str) -> Result<(), String> {
        self.narrow(key, value).map_err(|wrong| wrong.reason)
    }

    fn add_word(&mut self, word: &str) -> Result<(), Wrong> {
        if word.chars().all(|c| !c.is_alphanumeric()) {
            return Err(Wrong::value(
                "has no letter or digit to look for".to_owned(),
            ));
        }
        keep(&mut self.words, word.to_owned())
    }

    fn narrow(&mut self, key: &str, value: &str) -> Result<(), Wrong> {
        match key {
            "item" => name(&mut self.items, value),
            "model" => name(&mut self.models, value),
            "lot" => name(&mut self.lots, value),
            "operator" => name(&mut self.operators, value),
            "face" => name(&mut self.faces, value),
            "polarisation" => {
                let word = one_of(value, &["horizontal", "vertical"])?;
                keep(&mut self.polarisations, word.to_owned())
            }
            "run" => {
                let beginning = value.to_ascii_uppercase();
                match !beginning.is_empty() && beginning.bytes().all(|b| b.is_ascii_alphanumeric())
                {
                    true => keep(&mut self.runs, beginning),
                    false => Err(Wrong::value(
                        "is not the beginning of a run's id".to_owned(),
                    )),
                }
            }
            "of" => once(
                &mut self.of,
                word_of(value, &[RunKind::Item, RunKind::Reference], |k| k.as_str())?,
            ),
            "since" => once(&mut self.since, period(value)?.0),
            "until" => once(&mut self.until, period(value)?.1),
            "freq" => once(&mut self.frequency_hz, range(value)?),
            "verdict" => keep(
                &mut self.verdicts,
                word_of(
                    value,
                    &[Verdict::Pass, Verdict::Fail, Verdict::Undecided],
                    |v| v.as_str(),
                )?,
            ),
            "kind" => keep(
                &mut self.kinds,
                word_of(
                    value,
                    &[ResultKind::Measured, ResultKind::AtLeast, ResultKind::None],
                    |k| k.as_str(),
                )?,
            ),
            "flag" => keep(
                &mut self.flags,
                word_of(value, &FlagWord::ALL, |flag| flag.as_str())?,
            ),
            "state" => keep(
                &mut self.states,
                word_of(
                    value,
                    &[
                        RunState::Running,
                        RunState::Stopped,
                        RunState::Complete,
                        RunState::Failed,
                    ],
                    |s| s.as_str(),
                )?,
            ),
            "withdrawn" => {
                self.withdrawn = word_of(
                    value,
                    &[Withdrawn::No, Withdrawn::Yes, Withdrawn::Any],
                    Withdrawn::as_str,
                )?;
                Ok(())
            }
            "sort" => {
                self.sort = word_of(
                    value,
                    &[Sort::Newest, Sort::Oldest, Sort::Worst],
                    Sort::as_str,
                )?;
                Ok(())
            }
            other => Err(Wrong::key(other)),
        }
    }

    /// Whether it asks for something that only points have.
    pub fn names_points(&self) -> bool {
        self.frequency_hz.is_some()
            || !(self.faces.is_empty()
                && self.polarisations.is_empty()
                && self.kinds.is_empty()
                && self.flags.is_empty())
    }
}

impl Sort {
    fn as_str(self) -> &'static str {
        match self {
            Self::Newest => "newest",
            Self::Oldest => "oldest",
            Self::Worst => "worst",
        }
    }
}

impl Withdrawn {
    fn as_str(self) -> &'static str {
        match self {
            Self::No => "no",
            Self::Yes => "yes",
            Self::Any => "any",
        }
    }
}

/// The query as text that reads back to the same.
impl fmt::Display for Query {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut words: Vec<String> = Vec::new();
        let mut list = |key: &str, values: Vec<String>| {
            if !values.is_empty() {
                let values: Vec<_> = values.iter().map(|value| quoted(value)).collect();
                words.push(format!("{key}:{}", values.join(",")));
            }
        };
        let texts = |values: &[&'static str]| values.iter().map(|&word| word.to_owned()).collect();
        list("item", self.items.clone());
        list("model", self.models.clone());
        list("lot", self.lots.clone());
        list("operator", self.operators.clone());
        list("run", self.runs.clone());
        list(
            "of",
            texts(&self.of.iter().map(|k| k.as_str()).collect::<Vec<_>>()),
        );
        list(
            "since",
            self.since.iter().map(Timestamp::to_string).collect(),
        );
        list(
            "until",
            self.until.iter().map(Timestamp::to_string).collect(),
        );
        list(
            "freq",
            self.frequency_hz
                .iter()
                .map(|(from, to)| range_text(*from, *to))
                .collect(),
        );
        list("face", self.faces.clone());
        list("polarisation", self.polarisations.clone());
        list(
            "verdict",
            texts(&self.verdicts.iter().map(|v| v.as_str()).collect::<Vec<_>>()),
        );
        list(
            "kind",
            texts(&self.kinds.iter().map(|k| k.as_str()).collect::<Vec<_>>()),
        );
        list(
            "flag",
            texts(
                &self
                    .flags
                    .iter()
                    .map(|flag| flag.as_str())
                    .collect::<Vec<_>>(),
            ),
        );
        list(
            "state",
            texts(&self.states.iter().map(|s| s.as_str()).collect::<Vec<_>>()),
        );
        if self.withdrawn != Withdrawn::No {
            list("withdrawn", texts(&[self.withdrawn.as_str()]));
        }
        if self.sort != Sort::Newest {
            list("sort", texts(&[self.sort.as_str()]));
        }
        words.extend(self.words.iter().map(|word| quoted(word)));
        f.write_str(&words.join(" "))
    }
}

fn quoted(text: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "-_.+/#*".contains(c);
    match !text.is_empty() && text.chars().all(plain) {
        true => text.to_owned(),
        false => format!("\"{}\"", text.replace('"', "\"\"")),
    }
}

fn range_text(from_hz: f64, to_hz: f64) -> String {
    let hz = |hz: f64| format!("{hz}Hz");
    match (from_hz > 0.0, to_hz.is_finite()) {
        (true, true) => format!("{}..{}", hz(from_hz), hz(to_hz)),
        (true, false) => format!("{}..", hz(from_hz)),
        (false, _) => format!("..{}", hz(to_hz)),
    }
}

/// Why a word is not taken; either its key or its value is wrong.
struct Wrong {
    is_key: bool,
    reason: String,
}

impl Wrong {
    fn value(reason: String) -> Self {
        Self {
            is_key: false,
            reason,
        }
    }

    fn key(given: &str) -> Self {
        let keys = QUERY_KEYS.map(|(key, _)| key);
        let reason = format!(
            "is not a key{}; there are {}; put quotes around it to look for it as a word",
            did_you_mean(given, &keys),
            keys.join(", ")
        );
        Self {
            is_key: true,
            reason,
        }
    }
}

/// `; did you mean …?`, where something is alike.
pub(super) fn did_you_mean(given: &str, known: &[&str]) -> String {
    let alike = known
        .iter()
        .map(|word| (strsim::jaro_winkler(given, word), word))
        .filter(|(alike, _)| *alike > ALIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0));
    alike.map_or(String::new(), |(_, word)| format!("; did you mean {word}?"))
}

fn one_of<'a>(value: &str, known: &[&'a str]) -> Result<&'a str, Wrong> {
    let found = known.iter().find(|word| **word == value).copied();
    found.ok_or_else(|| {
        Wrong::value(format!(
            "is not there to choose{}; there are {}",
            did_you_mean(value, known),
            known.join(", ")
        ))
    })
}

fn word_of<T: Copy>(
    value: &str,
    all: &[T],
    as_str: impl Fn(T) -> &'static str,
) -> Result<T, Wrong> {
    let words: Vec<_> = all.iter().map(|one| as_str(*one)).collect();
    let word = one_of(value, &words)?;
    let found = all.iter().copied().find(|one| as_str(*one) == word);
    found.ok_or_else(|| Wrong::value("is not there to choose".to_owned()))
}

fn keep<T>(list: &mut Vec<T>, value: T) -> Result<(), Wrong> {
    if list.len() == QUERY_VALUES_MAX {
        return Err(Wrong::value(format!(
            "is one too many; at most {QUERY_VALUES_MAX} of a kind are taken"
        )));
    }
    list.push(value);
    Ok(())
}

fn once<T>(place: &mut Option<T>, value: T) -> Result<(), Wrong> {
    match place.replace(value) {
        None => Ok(()),
        Some(_) => Err(Wrong::value(
            "is the second of its key; give one".to_owned(),
        )),
    }
}

fn name(list: &mut Vec<String>, value: &str) -> Result<(), Wrong> {
    match check_name("it", value) {
        Ok(()) => keep(list, value.to_owned()),
        Err(error) => Err(Wrong::value(error.to_string())),
    }
}

/// From and to (included), Hz.
fn range(value: &str) -> Result<(f64, f64), Wrong> {
    let read = |text: &str| {
        text.parse::<Frequency>()
            .map(Frequency::hz)
            .map_err(|error| Wrong::value(error.to_string()))
    };
    let (from, to) = match value.split_once("..") {
        None => {
            let hz = read(value)?;
            return Ok((hz * (1.0 - SAME_FREQUENCY), hz * (1.0 + SAME_FREQUENCY)));
        }
        Some(ends) => ends,
    };
    let from_hz = if from.is_empty() { 0.0 } else { read(from)? };
    let to_hz = if to.is_empty() {
        f64::INFINITY
    } else {
        read(to)?
    };
    match from_hz <= to_hz && value != ".." {
        true => Ok((from_hz, to_hz)),
        false => Err(Wrong::value("is not a range that rises".to_owned())),
    }
}

/// The beginning and the end of a year, month, day or moment.
fn period(value: &str) -> Result<(Timestamp, Timestamp), Wrong> {
    let wrong = || {
        Wrong::value(
            "is not a date; write 2026, 2026-01, 2026-01-31 or 2026-01-31T09:00:00Z".to_owned(),
        )
    };
    if let Ok(moment) = value.parse::<Timestamp>() {
        return Ok((moment, moment));
    }
    let number = |text: &str, digits: usize| match text.len() == digits {
        true => text.parse::<i16>().map_err(|_| wrong()),
        false => Err(wrong()),
    };
    let small = |number: i16| i8::try_from(number).map_err(|_| wrong());
    let parts: Vec<_> = value.split('-').collect();
    let day = |year, month, day| Date::new(year, month, day).map_err(|_| wrong());
    let (from, to) = match parts.as_slice() {
        [year] => {
            let year = number(year, 4)?;
            (day(year, 1, 1)?, day(year.saturating_add(1), 1, 1)?)
        }
        [year, month] => {
            let from = day(number(year, 4)?, small(number(month, 2)?)?, 1)?;
            (from, from.last_of_month().tomorrow().map_err(|_| wrong())?)
        }
        [year, month, of_month] => {
            let from = day(
                number(year, 4)?,
                small(number(month, 2)?)?,
                small(number(of_month, 2)?)?,
            )?;
            (from, from.tomorrow().map_err(|_| wrong())?)
        }
        _ => return Err(wrong()),
    };
    let start = |date: Date| {
        TimeZone::UTC
            .to_timestamp(date.at(0, 0, 0, 0))
            .map_err(|_| wrong())
    };
    Ok((start(from)?, start(to)?))
}

/// Takes the text apart: blanks part words, commas part values, quotes hold either (`""` is one quote).
fn split(text: &str) -> Result<Vec<Word>, QueryFault> {
    let letters: Vec<char> = text.chars().collect();
    let (mut at, mut words) = (0, Vec::new());
    while at < letters.len() {
        if letters[at].is_whitespace() {
            at += 1;
            continue;
        }
        let column = at + 1;
        let key = key_at(&letters[at..]);
        at += key.as_ref().map_or(0, |key| key.len() + 1);
        let mut values = Vec::new();
        loop {
            let (value, next) = value_at(&letters, at, key.is_some())?;
            let has_more = key.is_some() && letters.get(next) == Some(&',');
            if value.text.is_empty() {
                let word = letters[column - 1..next].iter().collect();
                let reason = "a value is missing here".to_owned();
                return Err(QueryFault {
                    column: value.column,
                    word,
                    reason,
                });
            }
            values.push(value);
            at = next + usize::from(has_more);
            if !has_more {
                break;
            }
        }
        words.push(Word {
            column,
            key,
            values,
        });
    }
    Ok(words)
}

/// `model` of `model:"Fell pouch"`; lower-case letters up to a colon.
fn key_at(letters: &[char]) -> Option<String> {
    let end = letters.iter().position(|c| *c == ':')?;
    let key = &letters[..end];
    let fits = !key.is_empty() && key.iter().all(|c| c.is_ascii_lowercase() || *c == '_');
    fits.then(|| key.iter().collect())
}

/// The value that begins there, and where it ends.
fn value_at(letters: &[char], begin: usize, in_list: bool) -> Result<(Value, usize), QueryFault> {
    let (mut at, mut text, mut is_open) = (begin, String::new(), false);
    while let Some(&letter) = letters.get(at) {
        match letter {
            '"' if is_open && letters.get(at + 1) == Some(&'"') => {
                text.push('"');
                at += 1;
            }
            '"' => is_open = !is_open,
            letter if !is_open && letter.is_whitespace() => break,
            ',' if !is_open && in_list => break,
            letter => text.push(letter),
        }
        at += 1;
    }
    match is_open {
        false => Ok((
            Value {
                column: begin + 1,
                text,
            },
            at,
        )),
        true => Err(QueryFault {
            column: begin + 1,
            word: letters[begin..].iter().collect(),
            reason: "the quote is not closed".to_owned(),
        }),
    }
}
