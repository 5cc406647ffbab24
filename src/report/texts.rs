//! What reports say, by key and language.
//!
//! English is complete and is the language of record; German is built in as proof that another can be. A
//! template may bring a third, or change single texts. What a language lacks is taken from English and named
//! with its key, so that nobody finds a half-translated report by reading it.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

use crate::analysis::flag::FlagWord;
use crate::config::{Template, texts};
use crate::quantity::{Frequency, places};

type Catalogue = BTreeMap<String, String>;

/// The built-in languages and their texts as files, to be translated from.
pub const BUILT_IN: [(&str, &str); 2] = [
    ("en", include_str!("texts/en.toml")),
    ("de", include_str!("texts/de.toml")),
];

static CATALOGUES: LazyLock<BTreeMap<&str, Catalogue>> = LazyLock::new(|| {
    let read = |(language, text): (&'static str, &str)| {
        let mut catalogue = texts(language, text).expect("the embedded texts are tested");
        if language == "en" {
            // What a flag means is said in one place of the program.
            let flags = FlagWord::ALL.into_iter();
            catalogue
                .extend(flags.map(|word| (format!("flag.{word}"), word.sentence().to_owned())));
        }
        (language, catalogue)
    };
    BUILT_IN.into_iter().map(read).collect()
});

/// The texts of one report.
#[derive(Debug)]
pub struct Texts {
    language: String,
    own: Catalogue,
    /// Words of other rooms that were asked for and not found.
    wanted: RefCell<BTreeSet<String>>,
}

impl Texts {
    /// Those of a language: the template's texts before the built-in ones.
    pub fn of(language: Option<&str>, template: &Template) -> Self {
        let language = language.or(template.language.as_deref()).unwrap_or("en");
        let mut own = CATALOGUES.get(language).cloned().unwrap_or_default();
        own.extend(template.texts.clone());
        Self {
            language: language.to_owned(),
            own,
            wanted: RefCell::default(),
        }
    }

    /// Such as `en`.
    pub fn language(&self) -> &str {
        &self.language
    }

    /// The keys this language lacks, whose English was or would be used.
    pub fn missing(&self) -> Vec<String> {
        let known = CATALOGUES["en"].keys();
        let lacking = known.filter(|key| !self.own.contains_key(*key)).cloned();
        lacking
            .chain(self.wanted.borrow().iter().cloned())
            .collect()
    }

    /// The keys that no report asks for: slips of the pen in a template.
    pub fn unknown(&self) -> Vec<String> {
        let known = |key: &str| {
            CATALOGUES
                .values()
                .any(|catalogue| catalogue.contains_key(key))
                || key.starts_with("word.")
        };
        let unknown = self.own.keys().filter(|key| !known(key));
        unknown.cloned().collect()
    }

    /// The text of a key.
    pub fn say(&self, key: &str) -> &str {
        let found = self.own.get(key).or_else(|| CATALOGUES["en"].get(key));
        debug_assert!(found.is_some(), "no text {key}");
        found.map_or("", String::as_str)
    }

    /// The text of a key with its `{places}` filled.
    pub fn fill(&self, key: &str, places: &[(&str, &str)]) -> String {
        let mut text = String::new();
        let mut rest = self.say(key);
        // Once through, so that a `{` in what is filled in is not taken for a place.
        while let Some((before, after)) = rest.split_once('{') {
            text.push_str(before);
            let (name, behind) = after.split_once('}').unwrap_or((after, ""));
            let value = places.iter().find(|(place, _)| *place == name);
            debug_assert!(value.is_some(), "{key}: nothing for {{{name}}}");
            text.push_str(value.map_or("", |(_, value)| value));
            rest = behind;
        }
        text + rest
    }

    /// A word that another room of the program owns and says in English, such as a cause of uncertainty.
    pub fn word(&self, kind: &str, word: &str) -> String {
        let key = format!("word.{kind}.{}", word.replace(' ', "_"));
        match self.own.get(&key) {
            Some(text) => text.clone(),
            None => {
                if self.language != "en" {
                    self.wanted.borrow_mut().insert(key);
                }
                word.to_owned()
            }
        }
    }

    /// A number written for people, with so many decimals; never `-0`.
    pub fn number(&self, value: f64, decimals: usize) -> String {
        let text = format!("{value:.decimals$}");
        let zero = !text.contains(|c: char| matches!(c, '1'..='9'));
        let text = match text.strip_prefix('-') {
            Some(text) if zero => text.to_owned(),
            Some(text) => format!("−{text}"),
            None => text,
        };
        self.decimal(&text)
    }

    /// The same with so many significant digits; none of those before the point is left out.
    pub fn significant(&self, value: f64, digits: i32) -> String {
        self.number(value, places(value, digits))
    }

    /// The number with its sign.
    pub fn signed(&self, value: f64, decimals: usize) -> String {
        let text = self.number(value, decimals);
        match text.starts_with('−') {
            true => text,
            false => format!("+{text}"),
        }
    }

    /// What prints itself with a point, such as `2.5 MHz`, as this language writes it.
    pub fn quantity(&self, quantity: impl std::fmt::Display) -> String {
        let text = quantity.to_string();
        let minus = text.strip_prefix('-').map(|text| format!("−{text}"));
        // The space before a unit is no place to break a line.
        self.decimal(&minus.unwrap_or(text)).replace(' ', "\u{a0}")
    }

    /// A frequency as its multiple of hertz.
    pub fn hertz(&self, hz: f64) -> String {
        self.quantity(Frequency::from_hz(hz))
    }

    fn decimal(&self, text: &str) -> String {
        text.replace('.', self.say("decimal"))
    }
}

#[cfg(test)]
mod tests {
    use super::super::text::has_glyph;
    use super::*;

    fn places(text: &str) -> BTreeSet<&str> {
        let opened = text.split('{').skip(1);
        opened.filter_map(|rest| rest.split('}').next()).collect()
    }

    #[test]
    fn german_is_complete_with_the_same_places_and_nothing_more() {
        let german = Texts::of(Some("de"), &Template::default());
        assert_eq!(german.missing(), [""; 0]);
        for (key, english) in &CATALOGUES["en"] {
            assert_eq!(places(german.say(key)), places(english), "{key}");
        }
        let more: Vec<_> = CATALOGUES["de"]
            .keys()
            .filter(|key| !CATALOGUES["en"].contains_key(*key) && !key.starts_with("word."))
            .collect();
        assert!(more.is_empty(), "{more:?}");
    }

    #[test]
    fn the_font_holds_every_letter_of_every_text() {
        for (language, catalogue) in CATALOGUES.iter() {
            for (key, text) in catalogue {
                let lacking: String = text.chars().filter(|c| !has_glyph(*c)).collect();
                assert!(lacking.is_empty(), "{language} {key}: {lacking:?}");
            }
        }
    }

    #[test]
    fn every_text_is_asked_for_somewhere() {
        // Keys that are put together when the report is made, by what they begin with, or asked for here.
        const COMPOSED: [&str; 2] = ["flag.", "decimal"];
        let room = concat!(env!("CARGO_MANIFEST_DIR"), "/src/report");
        let folders = [room.to_owned(), format!("{room}/paper")];
        let code: String = folders
            .iter()
            .flat_map(|folder| std::fs::read_dir(folder).expect("the room"))
            .map(|entry| entry.expect("an entry").path())
            .filter(|path| path.is_file() && !path.ends_with("texts.rs"))
            .map(|path| std::fs::read_to_string(path).expect("readable"))
            .collect();
        let idle: Vec<_> = CATALOGUES["en"]
            .keys()
            .filter(|key| !COMPOSED.iter().any(|start| key.starts_with(start)))
            .filter(|key| !code.contains(&format!("\"{key}\"")))
            .collect();
        assert!(idle.is_empty(), "{idle:?}");
    }

    #[test]
    fn a_template_changes_texts_and_what_it_lacks_is_named() {
        let with = |texts: &[(&str, &str)]| Template {
            language: Some("fr".to_owned()),
            texts: texts
                .iter()
                .map(|(key, text)| ((*key).to_owned(), (*text).to_owned()))
                .collect(),
            ..Template::default()
        };
        let french = Texts::of(
            None,
            &with(&[("setup.title", "Montage"), ("setup.titel", "x")]),
        );
        assert_eq!(french.say("setup.title"), "Montage");
        assert_eq!(french.language(), "fr");
        assert_eq!(french.unknown(), ["setup.titel"]);
        let missing = french.missing();
        assert!(missing.contains(&"flag.ambient".to_owned()));
        assert!(!missing.contains(&"setup.title".to_owned()));
        assert_eq!(french.word("cause", "mismatch"), "mismatch");
        assert!(french.missing().contains(&"word.cause.mismatch".to_owned()));
    }

    #[test]
    fn numbers_are_written_as_the_language_writes_them() {
        let english = Texts::of(None, &Template::default());
        let german = Texts::of(Some("de"), &Template::default());
        assert_eq!(english.number(-12.345, 1), "−12.3");
        assert_eq!(german.number(-12.345, 1), "−12,3");
        assert_eq!(english.number(-0.04, 1), "0.0");
        assert_eq!(english.signed(0.04, 1), "+0.0");
        for (value, digits, text) in [
            (49_996.96, 4, "49997"),
            (8.2494, 4, "8.249"),
            (1.5e-4, 3, "0.000150"),
            (0.0, 3, "0"),
        ] {
            assert_eq!(english.significant(value, digits), text);
        }
        assert_eq!(german.hertz(2.5e6), "2,5\u{a0}MHz");
        assert_eq!(
            english.fill("page", &[("page", "{pages}"), ("pages", "2")]),
            "page {pages} of 2"
        );
    }
}
