//! What a report says, section by section. Each section is a pure function of what was read from the store
//! and of the texts; a section that has nothing to say is left out.

mod arrangement;
mod beside;
mod evidence;
mod hand;
mod judgement;
mod lot;
mod proof;
mod several;
#[cfg(test)]
mod tests;

pub use beside::Asides;
pub use hand::{HandMaterial, hand};
pub use lot::lot;
pub use proof::Proofs;
pub use several::{ItemMaterial, comparison, item};

use jiff::Timestamp;

use super::document::{Block, Cell, Document, Fact, Logo, Section, Sender};
use super::material::RunMaterial;
use super::texts::Texts;
use crate::config::Template;
use crate::store::{RunKind, Verdict};

/// What is asked of a report besides what it is about.
#[derive(Debug)]
pub struct Wanted<'a> {
    /// Its texts.
    pub texts: &'a Texts,
    /// Its letterhead.
    pub template: &'a Template,
    /// When it is printed; none leaves the line out.
    pub printed: Option<Timestamp>,
    /// Whether theory may stand beside the measurement.
    pub theory: bool,
    /// What was asked of theory besides; for a run, or the newest of an item.
    pub asides: &'a Asides,
}

/// The report on a run.
pub fn run(material: &RunMaterial, wanted: &Wanted) -> Document {
    let texts = wanted.texts;
    let record = &material.record;
    let serial = record.item.as_deref();
    let title = match serial {
        Some(serial) => texts.fill("run.title", &[("item", serial)]),
        None => texts.fill(
            "run.reference_title",
            &[("station", &material.station.name)],
        ),
    };
    let mut sections = vec![judgement::result(material, texts)];
    if record.kind == RunKind::Item {
        sections.push(judgement::worst(&material.document, texts));
        sections.push(judgement::rule(material, texts));
    }
    sections.extend([
        arrangement::job(material, texts),
        arrangement::arrangement(material, texts),
        arrangement::instruments(material, texts),
        arrangement::settings(material, texts),
    ]);
    if record.kind == RunKind::Item {
        sections.push(evidence::reference(material, texts));
        sections.extend(judgement::uncertainty(material, texts));
    }
    sections.extend(evidence::flags(&material.results, texts));
    if wanted.theory {
        sections.extend(evidence::theory(
            &material.document,
            material.item.as_ref(),
            texts,
        ));
    }
    sections.extend(wanted.asides.sections(&material.document, texts));
    sections.push(evidence::cautions(material, texts));
    sections.push(evidence::recompute(material, texts));
    sections.push(evidence::emissions(material, texts));
    sections.push(judgement::points(&material.document, texts));
    let footer = texts.fill("run.footer", &[("run", &material.document.run)]);
    finish(
        "run",
        title,
        lead(material, texts),
        sections,
        footer,
        wanted,
    )
}

/// What stands below the title.
fn lead(material: &RunMaterial, texts: &Texts) -> Vec<String> {
    let record = &material.record;
    let of = [
        record.model.clone(),
        record
            .lot
            .as_deref()
            .map(|lot| texts.fill("lead.lot", &[("lot", lot)])),
    ];
    let of: Vec<String> = of
        .into_iter()
        .flatten()
        .filter(|part| !part.is_empty())
        .collect();
    let done = [
        material.plan.name.clone(),
        material.station.name.clone(),
        day(record.started),
    ];
    [of.join(" · "), done.join(" · ")]
        .into_iter()
        .filter(|line| !line.is_empty())
        .collect()
}

/// Puts letterhead and foot to the sections.
fn finish(
    kind: &'static str,
    title: String,
    lead: Vec<String>,
    sections: Vec<Section>,
    footer: String,
    wanted: &Wanted,
) -> Document {
    let (texts, template) = (wanted.texts, wanted.template);
    let printed = wanted
        .printed
        .map(|at| texts.fill("printed", &[("time", &minute(at))]));
    Document {
        kind,
        language: texts.language().to_owned(),
        title,
        lead,
        sender: Sender {
            name: template.name.clone(),
            address: template.address.clone(),
            logo: template.logo.as_ref().map(|logo| Logo {
                bytes: logo.bytes.clone(),
                svg: logo.svg,
            }),
        },
        sections,
        printed,
        footer,
        page_words: texts.say("page").to_owned(),
    }
}

/// A day, UTC.
fn day(at: Timestamp) -> String {
    at.strftime("%Y-%m-%d").to_string()
}

/// A minute, UTC.
fn minute(at: Timestamp) -> String {
    at.strftime("%Y-%m-%d %H:%M UTC").to_string()
}

/// The judgement in one word, for a run or a point.
fn verdict_word(verdict: Option<Verdict>, texts: &Texts) -> &str {
    match verdict {
        Some(Verdict::Pass) => texts.say("verdict.pass"),
        Some(Verdict::Fail) => texts.say("verdict.fail"),
        Some(Verdict::Undecided) => texts.say("verdict.undecided"),
        None => texts.say("verdict.none"),
    }
}

/// Facts gathered one after another; those without a value are left out.
struct Facts<'a> {
    texts: &'a Texts,
    facts: Vec<Fact>,
}

impl<'a> Facts<'a> {
    fn new(texts: &'a Texts) -> Self {
        Self {
            texts,
            facts: Vec::new(),
        }
    }

    fn add(&mut self, label: &str, value: impl Into<String>) -> &mut Self {
        self.maybe(label, Some(value.into()))
    }

    fn maybe(&mut self, label: &str, value: Option<String>) -> &mut Self {
        if let Some(value) = value.filter(|value| !value.trim().is_empty()) {
            self.facts.push(Fact {
                label: super::text::capital(self.texts.say(label)),
                value,
            });
        }
        self
    }

    fn block(&mut self) -> Block {
        Block::Facts {
            facts: std::mem::take(&mut self.facts),
        }
    }
}

/// A number with so many decimals, or a dash.
fn number(value: Option<f64>, decimals: usize, texts: &Texts) -> Cell {
    match value {
        Some(value) => Cell::of(texts.number(value, decimals), value),
        None => nothing(),
    }
}

/// A field without anything to say.
fn nothing() -> Cell {
    Cell::of("–", serde_json::Value::Null)
}

/// A frequency.
fn frequency(hz: f64, texts: &Texts) -> Cell {
    Cell::of(texts.hertz(hz), hz)
}

/// Cautions of a report on more than one run.
fn several_cautions(keys: &[&str], texts: &Texts) -> Section {
    let mut section = Section::new("cautions", texts.say("cautions.title"));
    section.blocks.push(Block::List {
        sentences: keys.iter().map(|key| texts.say(key).to_owned()).collect(),
    });
    section
}
