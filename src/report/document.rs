//! A report as a document: sections of text, facts, tables and figures, before anybody has decided how they
//! look. The three back ends (`html`, `pdf`, `csv`) are given this and nothing else, so that they cannot say
//! different things.

use serde::Serialize;
use serde_json::Value;

use super::text::capital;
use crate::store::Verdict;

/// A whole report.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Document {
    /// What it reports on: `run`, `item`, `comparison` or `lot`.
    pub kind: &'static str,
    /// Language of its texts, such as `en`.
    pub language: String,
    /// First line.
    pub title: String,
    /// The lines below it.
    pub lead: Vec<String>,
    /// Who sends it.
    pub sender: Sender,
    /// What it says, in the order it says it.
    pub sections: Vec<Section>,
    /// When it was printed, as a line: the one that differs when the same run is reported again.
    pub printed: Option<String>,
    /// What stands at the foot of every page.
    pub footer: String,
    /// `{page}` of `{pages}`, as every page says it.
    #[serde(skip)]
    pub page_words: String,
}

/// The letterhead.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Sender {
    /// Name; empty when no template gives one.
    pub name: String,
    /// Address, line by line.
    pub address: Vec<String>,
    /// The logo, if there is one.
    #[serde(skip)]
    pub logo: Option<Logo>,
}

/// A picture for the letterhead.
#[derive(Debug, Clone, PartialEq)]
pub struct Logo {
    /// The file.
    pub bytes: Vec<u8>,
    /// Whether it is SVG; else it is PNG.
    pub svg: bool,
}

/// A chapter.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Section {
    /// Its name for machines, unique in the document.
    pub name: &'static str,
    /// Its heading.
    pub title: String,
    /// What it holds.
    pub blocks: Vec<Block>,
}

impl Section {
    /// An empty one.
    pub(super) fn new(name: &'static str, title: impl Into<String>) -> Self {
        Self {
            name,
            title: title.into(),
            blocks: Vec::new(),
        }
    }

    pub(super) fn text(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Text { text: text.into() });
    }

    pub(super) fn note(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Note { text: text.into() });
    }

    /// A sentence of the analysis, which speaks English only.
    pub(super) fn quote(&mut self, text: &str, texts: &super::texts::Texts) {
        let stop = if text.ends_with('.') { "" } else { "." };
        self.blocks.push(Block::Quote {
            text: capital(text) + stop,
            source: (texts.language() != "en").then(|| texts.say("quote.source").to_owned()),
        });
    }

    pub(super) fn table(&mut self, table: Table) {
        self.blocks.push(Block::Table(table));
    }

    pub(super) fn figure(&mut self, figure: Figure) {
        self.blocks.push(Block::Figure(figure));
    }
}

/// A piece of a section.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "block", rename_all = "snake_case")]
pub enum Block {
    /// The judgement, as large as it deserves.
    Verdict {
        /// For machines.
        verdict: Option<Verdict>,
        /// In one or two words.
        word: String,
        /// In one sentence.
        sentence: String,
    },
    /// A paragraph.
    Text {
        /// Its words.
        text: String,
    },
    /// What the analysis states in English, whatever the language of the report.
    Quote {
        /// Its words.
        text: String,
        /// Whose words they are and in what language, where that is not the report's.
        source: Option<String>,
    },
    /// A paragraph that explains rather than states.
    Note {
        /// Its words.
        text: String,
    },
    /// Names and what they are.
    Facts {
        /// In order.
        facts: Vec<Fact>,
    },
    /// Sentences, each of its own.
    List {
        /// In order.
        sentences: Vec<String>,
    },
    /// Rows and columns.
    Table(Table),
    /// A picture.
    Figure(Figure),
}

/// A name and what it is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fact {
    /// The name.
    pub label: String,
    /// What it is.
    pub value: String,
}

/// Rows and columns.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    /// Its name for machines, unique in the document.
    pub name: &'static str,
    /// What it shows, in a sentence.
    pub caption: String,
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows, each as long as the columns.
    pub rows: Vec<Vec<Cell>>,
}

impl Table {
    /// Keeps a column from people's eyes.
    pub(super) fn hide(&mut self, name: &str, hidden: bool) {
        for column in self.columns.iter_mut().filter(|column| column.name == name) {
            column.hidden = hidden;
        }
    }

    /// The columns that people see.
    pub(super) fn shown(&self) -> Vec<&Column> {
        self.columns
            .iter()
            .filter(|column| !column.hidden)
            .collect()
    }

    /// The fields of a row that people see.
    pub(super) fn shown_of<'a>(&'a self, row: &'a [Cell]) -> impl Iterator<Item = &'a Cell> {
        let fields = self.columns.iter().zip(row);
        fields
            .filter(|(column, _)| !column.hidden)
            .map(|(_, cell)| cell)
    }
}

/// A column.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Column {
    /// For machines, the unit last.
    pub name: &'static str,
    /// For people.
    pub title: String,
    /// Whether it holds numbers, which stand flush right.
    pub number: bool,
    /// Whether only machines are shown it.
    pub hidden: bool,
}

impl Column {
    pub(super) fn text(name: &'static str, title: impl Into<String>) -> Self {
        Self {
            name,
            title: title.into(),
            number: false,
            hidden: false,
        }
    }

    pub(super) fn number(name: &'static str, title: impl Into<String>) -> Self {
        Self {
            name,
            title: title.into(),
            number: true,
            hidden: false,
        }
    }
}

/// A field of a table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cell {
    /// For people, in the language of the document.
    pub text: String,
    /// For machines: the number unrounded, the word untranslated, null where there is nothing.
    pub value: Value,
}

impl Cell {
    /// The same for people and machines.
    pub(super) fn plain(text: impl Into<String>) -> Self {
        let text = text.into();
        Self {
            value: Value::from(text.as_str()),
            text,
        }
    }

    pub(super) fn of(text: impl Into<String>, value: impl Into<Value>) -> Self {
        Self {
            text: text.into(),
            value: value.into(),
        }
    }
}

/// A picture with what it shows in words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figure {
    /// Its name for machines, unique in the document.
    pub name: &'static str,
    /// What stands below it.
    pub caption: String,
    /// What someone who cannot see it is told.
    pub alternative: String,
    /// The picture.
    #[serde(skip)]
    pub svg: String,
}

impl Document {
    /// Every table, in order.
    pub fn tables(&self) -> impl Iterator<Item = &Table> {
        let blocks = self.sections.iter().flat_map(|section| &section.blocks);
        blocks.filter_map(|block| match block {
            Block::Table(table) => Some(table),
            _ => None,
        })
    }
}
