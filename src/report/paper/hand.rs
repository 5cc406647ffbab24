//! Readings taken by hand and read in: what they come to, the file that they stand in, and what nobody knows.

use super::judgement;
use super::{Facts, Wanted, finish};
use crate::analysis::ANALYSIS_VERSION;
use crate::report::ReportError;
use crate::report::document::{Block, Document, Section};
use crate::report::paper::evidence;
use crate::report::run::RunDocument;
use crate::report::texts::Texts;
use crate::store::{Item, ResultRecord, RunRecord, Snapshot, Store};

/// A run that was read in, with the file it came from.
#[derive(Debug, Clone)]
pub struct HandMaterial {
    record: RunRecord,
    document: RunDocument,
    item: Option<Item>,
    results: Vec<ResultRecord>,
    file: Option<Snapshot>,
}

impl HandMaterial {
    /// The run as every front shows it.
    pub fn document(&self) -> &RunDocument {
        &self.document
    }

    /// Reads it.
    ///
    /// # Errors
    /// What the store says.
    pub async fn read(store: &Store, record: &RunRecord) -> Result<Self, ReportError> {
        let item = match &record.item {
            Some(serial) => store.item(serial).await?,
            None => None,
        };
        Ok(Self {
            document: RunDocument::read(store, record).await?,
            results: store.results(record.id).await?,
            file: store.snapshot(&record.plan_sha).await?,
            record: record.clone(),
            item,
        })
    }
}

/// The report on a run that was read in.
pub fn hand(material: &HandMaterial, wanted: &Wanted) -> Document {
    let texts = wanted.texts;
    let serial = material.document.item.as_deref().unwrap_or_default();
    let title = texts.fill("run.title", &[("item", serial)]);
    let footer = texts.fill("run.footer", &[("run", &material.document.run)]);
    let mut sections = vec![judgement::item_result(&material.document, texts)];
    sections.extend(hand_sections(material, wanted));
    let lead = hand_lead(material, texts);
    finish("run", title, lead, sections, footer, wanted)
}

/// What stands below the title.
pub(super) fn hand_lead(material: &HandMaterial, texts: &Texts) -> Vec<String> {
    let day: String = material.document.started.chars().take(10).collect();
    let of = material.document.model.iter().cloned();
    let of: Vec<String> = of.filter(|part| !part.is_empty()).collect();
    let done = format!("{} · {day}", texts.say("hand.read_in"));
    of.into_iter().chain([done]).collect()
}

/// What there is to say about it, and what is not known.
pub(super) fn hand_sections(material: &HandMaterial, wanted: &Wanted) -> Vec<Section> {
    let texts = wanted.texts;
    let document = &material.document;
    let mut sections = vec![judgement::worst(document, texts), source(material, texts)];
    sections.extend(evidence::flags(&material.results, texts));
    if wanted.theory {
        sections.extend(evidence::theory(document, material.item.as_ref(), texts));
    }
    sections.extend(wanted.asides.sections(document, texts));
    sections.push(cautions(texts));
    sections.push(judgement::points(document, texts));
    sections
}

/// The file, its checksum, and what it does not say.
fn source(material: &HandMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("hand", texts.say("hand.title"));
    section.text(texts.say("hand.text"));
    let analysis = material.results.iter().map(|result| result.analysis).max();
    let mut facts = Facts::new(texts);
    facts
        .add("recompute.run", &material.document.run)
        .maybe("job.operator", material.document.operator.clone())
        .maybe("job.note", material.record.note.clone())
        .maybe(
            "hand.file",
            material.file.as_ref().map(|file| file.name.clone()),
        )
        .maybe(
            "hand.sha256",
            material.file.as_ref().map(|file| file.sha256.clone()),
        )
        .add("recompute.reported_by", env!("CARGO_PKG_VERSION"))
        .add(
            "recompute.analysis",
            analysis.unwrap_or(ANALYSIS_VERSION).to_string(),
        );
    section.blocks.push(facts.block());
    section
}

fn cautions(texts: &Texts) -> Section {
    let mut section = Section::new("cautions", texts.say("cautions.title"));
    let keys = [
        "cautions.hand",
        "cautions.one_item",
        "cautions.magnetic",
        "cautions.wires",
        "cautions.between",
        "cautions.bound",
        "cautions.law",
    ];
    section.blocks.push(Block::List {
        sentences: keys.map(|key| texts.say(key).to_owned()).into(),
    });
    section
}
