//! The report on a lot: accepted or not, by which plan, and every unit.

use super::super::ReportError;
use super::super::curve::operating_characteristic;
use super::super::document::{Block, Cell, Column, Document, Figure, Section, Table};
use super::super::run::round_down;
use super::super::texts::Texts;
use super::proof::Proofs;
use super::{
    Facts, Wanted, finish, frequency, minute, nothing, number, several_cautions, verdict_word,
};
use crate::analysis::tolerance::Method;
use crate::evaluate::lot::{LotDocument, attribute_plan, curve};
use crate::store::{ResultKind, Verdict};

/// The report on a lot.
///
/// # Errors
/// A rule that is none.
pub fn lot(
    document: &LotDocument,
    proofs: &Proofs,
    wanted: &Wanted,
) -> Result<Document, ReportError> {
    let texts = wanted.texts;
    let lot = &document.lot;
    let title = texts.fill("lot.title", &[("lot", &lot.name)]);
    let mut sections = vec![lot_result(document, texts), lot_rule(document, texts)?];
    sections.extend(lot_variables(document, texts));
    sections.push(several_cautions(
        &[
            "cautions.lot",
            "cautions.bound",
            "cautions.between",
            "cautions.magnetic",
        ],
        texts,
    ));
    sections.push(proofs.section(texts));
    sections.push(lot_units(document, texts));
    let lead = lot.model.iter().cloned().chain(lot.note.clone()).collect();
    let footer = texts.fill("lot.footer", &[("lot", &lot.name)]);
    Ok(finish("lot", title, lead, sections, footer, wanted))
}

fn lot_result(document: &LotDocument, texts: &Texts) -> Section {
    let mut section = Section::new("result", texts.say("result.title"));
    let word = match document.verdict {
        Some(Verdict::Pass) => "lot.accepted",
        Some(Verdict::Fail) => "lot.rejected",
        Some(Verdict::Undecided) => "verdict.undecided",
        None => "verdict.none",
    };
    let sentence = match &document.lot.rule {
        Some(rule) => texts.fill(
            "lot.measured",
            &[
                ("measured", &document.measured().to_string()),
                ("sample", &rule.sample.to_string()),
            ],
        ),
        None => texts.say("lot.no_rule").to_owned(),
    };
    section.blocks.push(Block::Verdict {
        verdict: document.verdict,
        word: texts.say(word).to_owned(),
        sentence,
    });
    for reason in &document.reasons {
        section.quote(reason, texts);
    }
    section
}

fn lot_rule(document: &LotDocument, texts: &Texts) -> Result<Section, ReportError> {
    let mut section = Section::new("rule", texts.say("rule.title"));
    let Some(rule) = &document.lot.rule else {
        section.text(texts.say("lot.no_rule"));
        return Ok(section);
    };
    let percent = |share: f64, decimals| format!("{} %", texts.number(100.0 * share, decimals));
    let mut facts = Facts::new(texts);
    let size = rule.size.map_or_else(
        || texts.say("lot.running").to_owned(),
        |size| size.to_string(),
    );
    facts
        .add("lot.size", size)
        .add("lot.sample", rule.sample.to_string())
        .maybe("lot.accept", rule.accept.map(|accept| accept.to_string()))
        .maybe(
            "lot.content",
            rule.content.map(|content| percent(content, 1)),
        )
        .add("lot.confidence", percent(rule.confidence, 1))
        .maybe(
            "lot.guard",
            rule.guard_db
                .map(|db| format!("{} dB", texts.number(db, 1))),
        )
        .add("lot.counts", texts.word("counts", rule.counts.as_str()));
    if let Some(result) = &document.attributes {
        let count = &result.count;
        facts
            .add("lot.passed", count.pass.to_string())
            .add("lot.failed", count.fail.to_string())
            .add("lot.undecided", count.undecided.to_string())
            .add("lot.conforming", percent(result.conforming_at_least, 1));
    }
    section.blocks.push(facts.block());
    if let Some(plan) = attribute_plan(rule) {
        let plan = plan?;
        let mut graph = operating_characteristic("", &plan, &curve(&plan));
        graph.up_label = texts.say("lot.oc_up").to_owned();
        graph.across_label = texts.say("lot.oc_across").to_owned();
        for (level, key) in graph
            .levels
            .iter_mut()
            .zip(["lot.producer", "lot.consumer"])
        {
            level.label = texts.say(key).to_owned();
        }
        section.figure(Figure {
            name: "operating_characteristic",
            caption: texts.fill(
                "lot.oc_caption",
                &[
                    ("producer", &percent(plan.quality_accepted(0.95), 2)),
                    ("consumer", &percent(plan.quality_accepted(0.10), 2)),
                ],
            ),
            alternative: texts.say("lot.oc_spoken").to_owned(),
            svg: graph.figure(),
        });
    }
    Ok(section)
}

fn lot_variables(document: &LotDocument, texts: &Texts) -> Option<Section> {
    if document.variables.is_empty() {
        return None;
    }
    let mut section = Section::new("variables", texts.say("variables.title"));
    section.text(texts.say("variables.text"));
    let title = |key| texts.say(key).to_owned();
    let rows = document.variables.iter().map(|at| {
        let result = &at.result;
        let (method, word) = match result.method {
            Method::Exact => ("variables.exact", "exact"),
            Method::CensoredLikelihood => ("variables.likelihood", "censored_likelihood"),
            Method::OrderStatistics => ("variables.order", "order_statistics"),
        };
        vec![
            frequency(at.frequency_hz, texts),
            Cell::of(result.units.to_string(), result.units),
            Cell::of(result.bounds.to_string(), result.bounds),
            number(result.mean_db, 1, texts),
            number(result.sd_db, 2, texts),
            number(result.factor, 3, texts),
            number(result.tolerance_limit_db, 1, texts),
            number(Some(result.limit_db), 1, texts),
            Cell::of(texts.say(method), word),
            Cell::of(
                verdict_word(Some(result.verdict), texts),
                result.verdict.as_str(),
            ),
        ]
    });
    section.table(Table {
        name: "variables",
        caption: texts.say("variables.caption").to_owned(),
        columns: vec![
            Column::number("frequency_hz", title("points.frequency")),
            Column::number("units", title("variables.units")),
            Column::number("bounds", title("variables.bounds")),
            Column::number("mean_db", title("variables.mean")),
            Column::number("sd_db", title("variables.sd")),
            Column::number("k", title("variables.k")),
            Column::number("tolerance_limit_db", title("variables.tolerance")),
            Column::number("limit_db", title("points.limit")),
            Column::text("method", title("variables.method")),
            Column::text("verdict", title("points.verdict")),
        ],
        rows: rows.collect(),
    });
    Some(section)
}

fn lot_units(document: &LotDocument, texts: &Texts) -> Section {
    let mut section = Section::new("units", texts.say("units.title"));
    let title = |key| texts.say(key).to_owned();
    let rows = document.units.iter().map(|unit| {
        let counted = unit.runs.iter().find(|run| run.counts);
        let margin = match (unit.kind, unit.margin_db) {
            (ResultKind::AtLeast, Some(margin)) => {
                let down = round_down(margin);
                Cell::of(format!("≥ {}", texts.signed(down, 1)), margin)
            }
            (_, Some(margin)) => Cell::of(texts.signed(margin, 1), margin),
            (_, None) => nothing(),
        };
        vec![
            Cell::plain(&unit.serial),
            Cell::of(
                texts.say(match unit.in_sample {
                    true => "yes",
                    false => "no",
                }),
                unit.in_sample,
            ),
            Cell::of(
                verdict_word(unit.verdict, texts),
                unit.verdict.map(Verdict::as_str),
            ),
            margin,
            Cell::plain(unit.kind.as_str()),
            unit.frequency_hz
                .map_or_else(nothing, |hz| frequency(hz, texts)),
            Cell::of(unit.runs.len().to_string(), unit.runs.len()),
            counted.map_or_else(nothing, |run| {
                Cell::of(minute(run.started), run.started.to_string())
            }),
            counted.map_or_else(nothing, |run| Cell::plain(run.run.to_string())),
        ]
    });
    let mut table = Table {
        name: "units",
        caption: texts.say("units.caption").to_owned(),
        columns: vec![
            Column::text("serial", title("job.item")),
            Column::text("in_sample", title("units.in_sample")),
            Column::text("verdict", title("points.verdict")),
            Column::number("margin_db", title("points.margin")),
            Column::text("kind", title("points.kind")),
            Column::number("frequency_hz", title("points.frequency")),
            Column::number("runs", title("units.runs")),
            Column::text("started", title("units.counted")),
            Column::text("run", title("runs.run")),
        ],
        rows: rows.collect(),
    };
    table.hide("kind", true);
    section.table(table);
    section
}
