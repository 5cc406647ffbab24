//! Reports on more than one run: an item over its runs, a comparison.

use super::super::ReportError;
use super::super::chart::{Chart, Series};
use super::super::curve::{difference_of, trend_graph};
use super::super::document::{Block, Cell, Column, Document, Figure, Section, Table};
use super::super::figure::figure;
use super::super::material::RunMaterial;
use super::super::run::RunDocument;
use super::super::texts::Texts;
use super::hand::{HandMaterial, hand_lead, hand_sections};
use super::judgement::{place, se_text, words};
use super::proof::Proofs;
use super::{
    Wanted, arrangement, day, evidence, finish, judgement, lead, minute, nothing, number,
    several_cautions, verdict_word,
};
use crate::analysis::compare::{Comparison, Conclusion, Difference, Finding, Interval};
use crate::evaluate::compare::CompareDocument;
use crate::evaluate::trend::{Axis, TrendDocument, trend};
use crate::store::{RunFilter, RunKind, RunState, Store, Verdict};

/// The newest runs of an item that are drawn and listed.
const RUNS_MAX: u32 = 50;
/// More curves in one chart cannot be told apart.
const CURVES_MAX: usize = 6;

/// An item with its runs.
#[derive(Debug)]
pub struct ItemMaterial {
    newest: Newest,
    /// All its complete runs, newest first.
    runs: Vec<RunDocument>,
    trend: Option<TrendDocument>,
}

/// The newest complete run that was measured, with everything; of an item that never was, the newest that was read in.
#[derive(Debug)]
enum Newest {
    Measured(Box<RunMaterial>),
    ByHand(Box<HandMaterial>),
}

impl ItemMaterial {
    /// The newest run, which the report holds whole.
    pub fn newest(&self) -> &RunDocument {
        match &self.newest {
            Newest::Measured(material) => &material.document,
            Newest::ByHand(material) => material.document(),
        }
    }

    /// Reads it.
    ///
    /// # Errors
    /// An item without a complete run, and what the store says.
    pub async fn read(store: &Store, serial: &str) -> Result<Self, ReportError> {
        let filter = RunFilter {
            item: Some(serial.to_owned()),
            kind: Some(RunKind::Item),
            state: Some(RunState::Complete),
            limit: Some(RUNS_MAX),
            ..RunFilter::default()
        };
        let records = store.runs(&filter).await?;
        // What a report proves is proven from a run that was measured, where there is one.
        let measured = records.iter().find(|run| !run.imported);
        let Some(newest) = measured.or(records.first()) else {
            return Err(ReportError::NoRun {
                item: serial.to_owned(),
            });
        };
        let newest = match newest.imported {
            true => Newest::ByHand(Box::new(HandMaterial::read(store, newest).await?)),
            false => Newest::Measured(Box::new(RunMaterial::read(store, newest).await?)),
        };
        let mut runs = Vec::with_capacity(records.len());
        for record in &records {
            runs.push(RunDocument::read(store, record).await?);
        }
        // Too few runs carry no trend, which is no fault of the report.
        let trend = trend(store, serial, None, ("cycle", "cycles"), 0.95)
            .await
            .ok();
        Ok(Self {
            newest,
            runs,
            trend,
        })
    }
}

/// The report on an item: its runs, where they lead, and the newest with all its evidence.
pub fn item(material: &ItemMaterial, wanted: &Wanted) -> Document {
    let texts = wanted.texts;
    let newest = material.newest();
    let serial = newest.item.as_deref().unwrap_or_default();
    let mut sections = vec![item_result(material, texts), item_runs(material, texts)];
    sections.extend(item_trend(material, texts));
    sections.extend(match &material.newest {
        Newest::Measured(run) => item_evidence(run, wanted),
        Newest::ByHand(run) => hand_sections(run, wanted),
    });
    let lead = match &material.newest {
        Newest::Measured(run) => lead(run, texts),
        Newest::ByHand(run) => hand_lead(run, texts),
    };
    let title = texts.fill("item.title", &[("item", serial)]);
    let footer = texts.fill("item.footer", &[("item", serial), ("run", &newest.run)]);
    finish("item", title, lead, sections, footer, wanted)
}

/// Everything that the newest run proves.
fn item_evidence(newest: &RunMaterial, wanted: &Wanted) -> Vec<Section> {
    let texts = wanted.texts;
    let mut sections = vec![
        judgement::worst(&newest.document, texts),
        judgement::rule(newest, texts),
        arrangement::job(newest, texts),
        arrangement::arrangement(newest, texts),
        arrangement::instruments(newest, texts),
        arrangement::settings(newest, texts),
        evidence::reference(newest, texts),
    ];
    sections.extend(judgement::uncertainty(newest, texts));
    sections.extend(evidence::flags(&newest.results, texts));
    if wanted.theory {
        sections.extend(evidence::theory(
            &newest.document,
            newest.item.as_ref(),
            texts,
        ));
    }
    sections.extend(wanted.asides.sections(&newest.document, texts));
    sections.extend([
        evidence::cautions(newest, texts),
        evidence::recompute(newest, texts),
        evidence::emissions(newest, texts),
        judgement::points(&newest.document, texts),
    ]);
    sections
}

fn item_result(material: &ItemMaterial, texts: &Texts) -> Section {
    let mut section = judgement::item_result(material.newest(), texts);
    section.text(texts.say("item.newest"));
    if material.runs.len() > 1 {
        let series = material.runs.iter().take(CURVES_MAX).map(|run| Series {
            label: run.started.chars().take(10).collect(),
            points: run.deciding_marks(),
        });
        let chart = Chart {
            series: series.collect(),
            limit: material.newest().limit.clone(),
            ..Chart::default()
        };
        section.figure(Figure {
            name: "runs_se",
            caption: texts.say("item.caption").to_owned(),
            alternative: texts.say("item.spoken").to_owned(),
            svg: figure(&chart, texts.say("chart.se_axis"), &words(texts)),
        });
    }
    section
}

fn item_runs(material: &ItemMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("runs", texts.say("item.runs_title"));
    let title = |key| texts.say(key).to_owned();
    let rows = material.runs.iter().map(|run| {
        let worst = run.worst();
        vec![
            Cell::of(
                run.started.chars().take(10).collect::<String>(),
                run.started.as_str(),
            ),
            Cell::plain(&run.run),
            Cell::plain(&run.plan),
            Cell::plain(run.operator.as_deref().unwrap_or("–")),
            Cell::of(
                verdict_word(run.verdict, texts),
                run.verdict.map(Verdict::as_str),
            ),
            Cell::plain(worst.map_or("–".to_owned(), |point| se_text(point, texts))),
            number(worst.and_then(|point| point.margin_db), 1, texts),
            Cell::plain(worst.map_or("–".to_owned(), |point| place(point, texts))),
        ]
    });
    section.table(Table {
        name: "runs",
        caption: texts.say("item.runs_caption").to_owned(),
        columns: vec![
            Column::text("started", title("runs.started")),
            Column::text("run", title("runs.run")),
            Column::text("plan", title("job.plan")),
            Column::text("operator", title("job.operator")),
            Column::text("verdict", title("points.verdict")),
            Column::text("least_se", title("points.se")),
            Column::number("margin_db", title("points.margin")),
            Column::text("where", title("worst.place")),
        ],
        rows: rows.collect(),
    });
    section
}

fn item_trend(material: &ItemMaterial, texts: &Texts) -> Option<Section> {
    let document = material.trend.as_ref()?;
    document.deciding.trend.as_ref()?;
    let mut section = Section::new("trend", texts.say("trend.title"));
    section.quote(&document.sentence, texts);
    let mut graph = trend_graph(document, None);
    graph.across_label = texts
        .say(match document.axis {
            Axis::Cycles => "trend.cycles",
            Axis::Days => "trend.days",
        })
        .to_owned();
    graph.up_label = texts
        .say(match document.deciding.limit_db {
            Some(_) => "trend.margin",
            None => "trend.se",
        })
        .to_owned();
    for level in &mut graph.levels {
        level.label = texts.say("chart.limit").to_owned();
    }
    section.figure(Figure {
        name: "trend",
        caption: texts.say("trend.caption").to_owned(),
        alternative: texts.say("trend.spoken").to_owned(),
        svg: graph.figure(),
    });
    for note in &document.notes {
        section.quote(note, texts);
    }
    Some(section)
}

/// The report on a comparison.
pub fn comparison(document: &CompareDocument, proofs: &Proofs, wanted: &Wanted) -> Document {
    let texts = wanted.texts;
    let names: Vec<&str> = document
        .sides
        .iter()
        .map(|side| side.name.as_str())
        .collect();
    let title = texts.fill("compare.title", &[("sides", &names.join(", "))]);
    let mut result = Section::new("result", texts.say("result.title"));
    for comparison in &document.comparisons {
        result.blocks.push(conclusion(comparison, texts));
        result.quote(&comparison.sentence, texts);
        result.figure(difference_figure(document, comparison, texts));
    }
    let mut rule = Section::new("rule", texts.say("rule.title"));
    if let Some(comparison) = document.comparisons.first() {
        rule.text(texts.fill(
            "compare.rule",
            &[
                ("margin", &texts.number(comparison.rule.margin_db, 1)),
                (
                    "confidence",
                    &texts.number(100.0 * comparison.rule.confidence, 0),
                ),
                ("family", &comparison.family.to_string()),
            ],
        ));
        if comparison.rule.paired {
            rule.text(texts.say("compare.paired"));
        }
    }
    let notes = document.comparisons.iter().flat_map(|one| &one.notes);
    for note in document.notes.iter().chain(notes) {
        rule.quote(note, texts);
    }
    let sections = vec![
        result,
        rule,
        sides(document, texts),
        several_cautions(
            &["cautions.compare", "cautions.bound", "cautions.between"],
            texts,
        ),
        proofs.section(texts),
        differences(document, texts),
    ];
    let lead = sides_lead(document, texts);
    let footer = texts.fill("compare.footer", &[("sides", &names.join(", "))]);
    finish("comparison", title, lead, sections, footer, wanted)
}

fn sides_lead(document: &CompareDocument, texts: &Texts) -> Vec<String> {
    let runs = || document.sides.iter().flat_map(|side| &side.runs);
    let first = runs().map(|run| run.started).min();
    let last = runs().map(|run| run.started).max();
    let (Some(first), Some(last)) = (first, last) else {
        return Vec::new();
    };
    let count = runs().count().to_string();
    vec![texts.fill(
        "compare.lead",
        &[("count", &count), ("from", &day(first)), ("to", &day(last))],
    )]
}

fn conclusion(comparison: &Comparison, texts: &Texts) -> Block {
    let margin = texts.number(comparison.rule.margin_db, 1);
    let sides = [
        ("first", comparison.first.as_str()),
        ("second", comparison.second.as_str()),
        ("margin", margin.as_str()),
    ];
    // Whoever is better did not pass, and the other did not fail.
    let word = match comparison.conclusion {
        Conclusion::Equal => texts.fill("compare.equal", &sides[2..]),
        Conclusion::FirstBetter => texts.fill("compare.better", &[("side", &comparison.first)]),
        Conclusion::SecondBetter => texts.fill("compare.better", &[("side", &comparison.second)]),
        Conclusion::Mixed => texts.say("compare.mixed").to_owned(),
        Conclusion::NotDecidable => texts.say("compare.not_decidable").to_owned(),
    };
    Block::Verdict {
        verdict: None,
        word,
        sentence: texts.fill("compare.minus", &sides[..2]),
    }
}

fn difference_figure(document: &CompareDocument, comparison: &Comparison, texts: &Texts) -> Figure {
    let mut graph = difference_of(&document.points, comparison);
    graph.up_label = texts.say("compare.axis").to_owned();
    graph.across_label = String::new();
    for level in &mut graph.levels {
        level.label = match level.value {
            0.0 => texts.say("compare.none").to_owned(),
            value => format!("{} dB", texts.signed(value, 1)),
        };
    }
    Figure {
        name: "difference",
        caption: texts.fill(
            "compare.caption",
            &[
                ("first", &comparison.first),
                ("second", &comparison.second),
                (
                    "confidence",
                    &texts.number(100.0 * comparison.rule.confidence, 0),
                ),
            ],
        ),
        alternative: texts.fill(
            "compare.spoken",
            &[("first", &comparison.first), ("second", &comparison.second)],
        ),
        svg: graph.figure(),
    }
}

fn sides(document: &CompareDocument, texts: &Texts) -> Section {
    let mut section = Section::new("sides", texts.say("sides.title"));
    let title = |key| texts.say(key).to_owned();
    let rows = document.sides.iter().flat_map(|side| {
        side.runs.iter().map(|run| {
            vec![
                Cell::plain(&side.name),
                Cell::of(texts.word("side", side.kind.word()), side.kind.word()),
                Cell::plain(&run.item),
                Cell::of(minute(run.started), run.started.to_string()),
                match run.cycles {
                    Some(cycles) => Cell::of(cycles.to_string(), cycles),
                    None => nothing(),
                },
                Cell::plain(run.run.to_string()),
            ]
        })
    });
    section.table(Table {
        name: "sides",
        caption: texts.say("sides.caption").to_owned(),
        columns: vec![
            Column::text("side", title("sides.side")),
            Column::text("kind", title("sides.kind")),
            Column::text("item", title("job.item")),
            Column::text("started", title("runs.started")),
            Column::number("cycles", title("sides.cycles")),
            Column::text("run", title("runs.run")),
        ],
        rows: rows.collect(),
    });
    section.note(texts.say("sides.note"));
    section
}

fn differences(document: &CompareDocument, texts: &Texts) -> Section {
    let mut section = Section::new("differences", texts.say("differences.title"));
    let title = |key| texts.say(key).to_owned();
    let rows = document.comparisons.iter().flat_map(|comparison| {
        let points = document.points.iter().zip(&comparison.points);
        points.map(|(point, difference)| {
            let mut row = vec![
                Cell::plain(&comparison.first),
                Cell::plain(&comparison.second),
                Cell::of(texts.quantity(&point.label), point.frequency_hz),
            ];
            row.extend(difference_row(difference, texts));
            row
        })
    });
    let mut table = Table {
        name: "differences",
        caption: texts.say("differences.caption").to_owned(),
        columns: vec![
            Column::text("first", title("differences.first")),
            Column::text("second", title("differences.second")),
            Column::number("frequency_hz", title("points.frequency")),
            Column::number("difference_db", title("differences.difference")),
            Column::number("u_db", title("differences.u")),
            Column::number("lower_db", title("differences.lower")),
            Column::number("upper_db", title("differences.upper")),
            Column::text("equal", title("differences.equal")),
            Column::text("finding", title("differences.finding")),
            Column::number("bounds", title("differences.bounds")),
        ],
        rows: rows.collect(),
    };
    table.hide("first", document.comparisons.len() < 2);
    table.hide("second", document.comparisons.len() < 2);
    section.table(table);
    section
}

fn difference_row(difference: &Difference, texts: &Texts) -> Vec<Cell> {
    let Interval { lower_db, upper_db } = difference.simultaneous;
    let (finding, word) = match difference.finding {
        Finding::FirstBetter => ("finding.first", "first_better"),
        Finding::SecondBetter => ("finding.second", "second_better"),
        Finding::NoneShown => ("finding.not_shown", "none_shown"),
        Finding::NotComparable => ("finding.not_decidable", "not_comparable"),
    };
    vec![
        number(difference.difference_db, 2, texts),
        number(difference.u_db, 2, texts),
        number(lower_db, 2, texts),
        number(upper_db, 2, texts),
        Cell::of(
            texts.say(match difference.equal {
                true => "yes",
                false => "no",
            }),
            difference.equal,
        ),
        Cell::of(texts.say(finding), word),
        Cell::of(
            difference.bounds.iter().sum::<usize>().to_string(),
            difference.bounds.iter().sum::<usize>(),
        ),
    ]
}
