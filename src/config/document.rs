//! Reads a TOML file key by key and collects every fault with its place.
//!
//! A derive would stop at the first mistake; someone who has just written a station file wants them all,
//! with line and key, in one go. The `toml` crate parses and keeps the spans; this walks its tree, asks
//! for each key by name, and at the end names every key nobody asked for.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::quantity::{Frequency, Length, Level, Ratio, Time};

/// One mistake in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The file as it was named.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key, with the tables it lies in (`settings.span`); empty for the whole file.
    pub key: String,
    /// What is wrong and what to do.
    pub reason: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: ", self.file, self.line, self.column)?;
        if !self.key.is_empty() {
            write!(f, "`{}`: ", self.key)?;
        }
        f.write_str(&self.reason)
    }
}

/// All mistakes found in one file, in the order of their lines; never empty when it is an error.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Faults(pub Vec<Fault>);

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.0.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

/// A value that a key can hold.
pub(super) trait Value: Sized {
    /// From the parsed value, or what was wrong with it.
    fn read(value: &DeValue<'_>) -> Result<Self, String>;
}

fn text<'v>(value: &'v DeValue<'_>, wanted: &str) -> Result<&'v str, String> {
    value
        .as_str()
        .ok_or_else(|| format!("must be {wanted}, not {}", kind(value)))
}

fn kind(value: &DeValue<'_>) -> String {
    match value {
        DeValue::Integer(number) => {
            format!(
                "the bare number {} (write it with its unit, in quotes)",
                number.as_str()
            )
        }
        DeValue::Float(number) => {
            format!(
                "the bare number {} (write it with its unit, in quotes)",
                number.as_str()
            )
        }
        other => format!("a {}", other.type_str()),
    }
}

/// Quantities are written as text with their unit.
macro_rules! quantity_value {
    ($($type:ty: $wanted:literal),*) => {$(
        impl Value for $type {
            fn read(value: &DeValue<'_>) -> Result<Self, String> {
                text(value, $wanted)?.parse().map_err(|error: crate::quantity::QuantityError| error.to_string())
            }
        }
    )*};
}

quantity_value!(
    Frequency: "a frequency such as \"100 MHz\"",
    Level: "a level such as \"-31 dBm\"",
    Ratio: "a ratio such as \"50 dB\"",
    Length: "a length such as \"1 m\"",
    Time: "a time such as \"30 s\""
);

impl Value for String {
    fn read(value: &DeValue<'_>) -> Result<Self, String> {
        match value.as_str() {
            Some(text) => Ok(text.to_owned()),
            None => Err(format!(
                "must be text in quotes, not a {}",
                value.type_str()
            )),
        }
    }
}

impl Value for bool {
    fn read(value: &DeValue<'_>) -> Result<Self, String> {
        value
            .as_bool()
            .ok_or_else(|| format!("must be true or false, not a {}", value.type_str()))
    }
}

impl Value for f64 {
    fn read(value: &DeValue<'_>) -> Result<Self, String> {
        let number = match value {
            DeValue::Integer(number) => number.as_str(),
            DeValue::Float(number) => number.as_str(),
            other => return Err(format!("must be a number, not a {}", other.type_str())),
        };
        match number.parse::<Self>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(format!("`{number}` is not a finite number")),
        }
    }
}

impl Value for u32 {
    fn read(value: &DeValue<'_>) -> Result<Self, String> {
        value
            .as_integer()
            .and_then(|number| Self::from_str_radix(number.as_str(), number.radix()).ok())
            .ok_or_else(|| "must be a whole number from 0 to 4294967295".to_owned())
    }
}

impl<T: Value> Value for Vec<T> {
    fn read(value: &DeValue<'_>) -> Result<Self, String> {
        let array = value
            .as_array()
            .ok_or_else(|| format!("must be a list in [ ], not a {}", value.type_str()))?;
        array
            .iter()
            .enumerate()
            .map(|(index, entry)| {
                T::read(entry.get_ref()).map_err(|reason| format!("entry {}: {reason}", index + 1))
            })
            .collect()
    }
}

/// Two values of different kinds, such as a point of a limit line.
impl<A: Value, B: Value> Value for (A, B) {
    fn read(value: &DeValue<'_>) -> Result<Self, String> {
        match value.as_array().map(|array| array.len()) {
            Some(2) => {}
            _ => return Err("must be a pair in [ ]".to_owned()),
        }
        let entry = |index: usize| value.get(index).map(Spanned::get_ref);
        match (entry(0), entry(1)) {
            (Some(first), Some(second)) => Ok((A::read(first)?, B::read(second)?)),
            _ => Err("must be a pair in [ ]".to_owned()),
        }
    }
}

/// One file being read.
pub(super) struct Document<'t> {
    file: &'t str,
    text: &'t str,
    faults: RefCell<Vec<Fault>>,
}

impl<'t> Document<'t> {
    /// Parses `text` and lets `build` take the keys it knows; every fault is reported together.
    pub(super) fn read<T>(
        file: &'t str,
        text: &'t str,
        build: impl FnOnce(&mut Section<'_, 't>) -> Option<T>,
    ) -> Result<T, Faults> {
        let document = Self {
            file,
            text,
            faults: RefCell::new(Vec::new()),
        };
        let (table, errors) = DeTable::parse_recoverable(text);
        for error in &errors {
            let span = error.span().unwrap_or(0..0);
            document.fault(&span, "", format!("not valid TOML: {}", error.message()));
        }
        let mut built = None;
        if errors.is_empty() {
            let span = 0..0;
            let mut root = Section {
                document: &document,
                path: String::new(),
                span,
                table: table.into_inner(),
                known: Vec::new(),
            };
            built = build(&mut root);
            root.finish();
        }
        let mut faults = document.faults.into_inner();
        faults.sort_by_key(|fault| (fault.line, fault.column));
        match built {
            Some(built) if faults.is_empty() => Ok(built),
            _ => Err(Faults(faults)),
        }
    }

    fn fault(&self, span: &Range<usize>, key: &str, reason: String) {
        let before = self.text.get(..span.start).unwrap_or(self.text);
        let line = before.matches('\n').count() + 1;
        let column = before
            .rsplit('\n')
            .next()
            .map_or(0, |tail| tail.chars().count())
            + 1;
        self.faults.borrow_mut().push(Fault {
            file: self.file.to_owned(),
            line,
            column,
            key: key.to_owned(),
            reason,
        });
    }
}

/// One table of a file; `finish` it so that unknown keys are found.
pub(super) struct Section<'d, 't> {
    document: &'d Document<'t>,
    path: String,
    span: Range<usize>,
    table: DeTable<'t>,
    known: Vec<&'static str>,
}

impl<'d, 't> Section<'d, 't> {
    fn key_path(&self, key: &str) -> String {
        match self.path.is_empty() {
            true => key.to_owned(),
            false => format!("{}.{key}", self.path),
        }
    }

    /// Reports a fault at `key`, or at the section when the key is not there.
    pub(super) fn fault(&self, key: &str, reason: impl Into<String>) {
        let span = self.table.get(key).map_or(self.span.clone(), Spanned::span);
        self.document
            .fault(&span, &self.key_path(key), reason.into());
    }

    /// Whether the key is written in the file.
    pub(super) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// The value of `key`, if it is there and right.
    pub(super) fn optional<T: Value>(&mut self, key: &'static str) -> Option<T> {
        self.known.push(key);
        let value = self.table.get(key)?;
        match T::read(value.get_ref()) {
            Ok(read) => Some(read),
            Err(reason) => {
                self.fault(key, reason);
                None
            }
        }
    }

    /// The value of `key`; a fault if it is missing.
    pub(super) fn required<T: Value>(&mut self, key: &'static str) -> Option<T> {
        if !self.has(key) {
            self.known.push(key);
            self.fault(key, "is missing");
            return None;
        }
        self.optional(key)
    }

    /// The value of `key`, or `default` when it is not there.
    pub(super) fn or<T: Value>(&mut self, key: &'static str, default: T) -> Option<T> {
        match self.has(key) {
            true => self.optional(key),
            false => {
                self.known.push(key);
                Some(default)
            }
        }
    }

    /// The value of `key` after a check that may refuse it.
    pub(super) fn checked<A: Value, B>(
        &mut self,
        key: &'static str,
        default: Option<A>,
        check: impl FnOnce(A) -> Result<B, String>,
    ) -> Option<B> {
        let value = match default {
            Some(default) => self.or(key, default)?,
            None => self.required(key)?,
        };
        check(value).map_err(|reason| self.fault(key, reason)).ok()
    }

    /// What `build` makes of the table under `key`, if there is one.
    pub(super) fn section<T>(
        &mut self,
        key: &'static str,
        build: impl FnOnce(&mut Section<'d, 't>) -> Option<T>,
    ) -> Option<T> {
        self.known.push(key);
        let value = self.table.get(key)?;
        match value.get_ref() {
            DeValue::Table(table) => {
                let mut section = self.inner(self.key_path(key), value.span(), table.clone());
                let built = build(&mut section);
                section.finish();
                built
            }
            other => {
                self.fault(key, format!("must be a table, not a {}", other.type_str()));
                None
            }
        }
    }

    /// What `build` makes of the table under `key`; a fault if it is missing.
    pub(super) fn required_section<T>(
        &mut self,
        key: &'static str,
        build: impl FnOnce(&mut Section<'d, 't>) -> Option<T>,
    ) -> Option<T> {
        if !self.has(key) {
            let table = self.key_path(key);
            self.fault(key, format!("the table [{table}] is missing"));
        }
        self.section(key, build)
    }

    /// Every text in this table and the tables within it, by key (`setup.title`); anything else is a fault.
    pub(super) fn all_texts(&mut self) -> BTreeMap<String, String> {
        let mut texts = BTreeMap::new();
        let table = std::mem::take(&mut self.table);
        self.gather_texts(&table, "", &mut texts);
        texts
    }

    fn gather_texts(
        &self,
        table: &DeTable<'t>,
        within: &str,
        texts: &mut BTreeMap<String, String>,
    ) {
        for (key, value) in table {
            let path = format!("{within}{}", key.get_ref());
            match value.get_ref() {
                DeValue::Table(inner) => self.gather_texts(inner, &format!("{path}."), texts),
                other => match String::read(other) {
                    Ok(text) => {
                        texts.insert(path, text);
                    }
                    Err(reason) => self.document.fault(&value.span(), &path, reason),
                },
            }
        }
    }

    /// How many tables are written as `[[key]]`.
    pub(super) fn count(&self, key: &str) -> usize {
        self.table
            .get(key)
            .and_then(|value| value.get_ref().as_array())
            .map_or(0, |array| array.len())
    }

    /// What `build` makes of each of the tables written as `[[key]]`; empty when there is none.
    pub(super) fn sections<T>(
        &mut self,
        key: &'static str,
        mut build: impl FnMut(&mut Section<'d, 't>) -> Option<T>,
    ) -> Vec<T> {
        self.known.push(key);
        let Some(value) = self.table.get(key) else {
            return Vec::new();
        };
        let wanted = || self.fault(key, format!("must be tables written as [[{key}]]"));
        let Some(array) = value.get_ref().as_array() else {
            wanted();
            return Vec::new();
        };
        let mut built = Vec::new();
        for (index, entry) in array.iter().enumerate() {
            match entry.get_ref() {
                DeValue::Table(table) => {
                    let path = format!("{}[{}]", self.key_path(key), index + 1);
                    let mut section = self.inner(path, entry.span(), table.clone());
                    built.extend(build(&mut section));
                    section.finish();
                }
                _ => wanted(),
            }
        }
        built
    }

    fn inner(&self, path: String, span: Range<usize>, table: DeTable<'t>) -> Section<'d, 't> {
        Section {
            document: self.document,
            path,
            span,
            table,
            known: Vec::new(),
        }
    }

    /// Names every key nobody asked for.
    fn finish(&self) {
        for key in self.table.keys() {
            let name = key.get_ref().as_ref();
            if self.known.contains(&name) {
                continue;
            }
            let near = self
                .known
                .iter()
                .map(|known| (strsim::osa_distance(known, name), *known))
                .min()
                .filter(|(distance, known)| *distance <= known.len() / 3 + 1);
            let advice = match near {
                Some((_, known)) => format!("did you mean `{known}`?"),
                None => format!("known here: {}", self.known.join(", ")),
            };
            self.document.fault(
                &key.span(),
                &self.key_path(name),
                format!("is not a known key; {advice}"),
            );
        }
    }
}
