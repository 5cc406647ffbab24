//! What was found: the verdict, the curve, the point that decides, its uncertainty, every point.

use serde_json::Value;

use super::super::chart::{Chart, Kind, Mark, Series, Words};
use super::super::document::{Block, Cell, Column, Figure, Section, Table};
use super::super::figure::figure;
use super::super::material::RunMaterial;
use super::super::run::{PointDocument, RunDocument, round_down};
use super::super::texts::Texts;
use super::{Facts, frequency, nothing, number, verdict_word};
use crate::config::Rule;
use crate::store::{ResultKind, RunKind, RunState, Verdict};

/// Verdict and curve; of a reference, its levels.
pub(super) fn result(material: &RunMaterial, texts: &Texts) -> Section {
    if material.record.kind == RunKind::Item {
        return item_result(&material.document, texts);
    }
    let mut section = Section::new("result", texts.say("result.title"));
    altered(&material.document, texts, &mut section);
    section.text(texts.say("run.reference_text"));
    section.figure(super::evidence::levels(material, texts));
    section
}

/// Verdict and curve of an item, measured or read in.
pub(super) fn item_result(document: &RunDocument, texts: &Texts) -> Section {
    let mut section = Section::new("result", texts.say("result.title"));
    altered(document, texts, &mut section);
    section.blocks.push(verdict(document, texts));
    section.figure(Figure {
        name: "se",
        caption: texts.say("result.caption").to_owned(),
        alternative: spoken(document, texts),
        svg: figure(
            &chart(document, texts),
            texts.say("chart.se_axis"),
            &words(texts),
        ),
    });
    section
}

/// Says so where the run is not what was sealed.
fn altered(document: &RunDocument, texts: &Texts, section: &mut Section) {
    if document.is_altered() {
        let faults = document.seal.iter().flat_map(|seal| &seal.faults);
        let faults: Vec<&str> = faults.map(String::as_str).collect();
        section.text(texts.fill("result.altered", &[("faults", &faults.join("; "))]));
    }
}

/// What the charts call things.
pub(super) fn words(texts: &Texts) -> Words {
    let say = |key| texts.say(key).to_owned();
    Words {
        measured: say("chart.measured"),
        measured_bar: say("chart.measured_bar"),
        measured_band: say("chart.measured_band"),
        at_least: say("chart.at_least"),
        at_least_lowest: say("chart.at_least_lowest"),
        none: say("chart.none"),
        limit: say("chart.limit"),
        range: say("chart.range"),
        nothing: say("chart.nothing"),
    }
}

fn verdict(document: &RunDocument, texts: &Texts) -> Block {
    let word = match document.state.as_str() {
        complete if complete == RunState::Complete.as_str() => {
            verdict_word(document.verdict, texts).to_owned()
        }
        state => texts.word("state", state),
    };
    let sentence = match document.worst() {
        Some(worst) => deciding_sentence(worst, texts),
        None => texts.say("result.nothing").to_owned(),
    };
    Block::Verdict {
        verdict: document.verdict,
        word,
        sentence,
    }
}

/// Which point decides, in one sentence.
pub(super) fn deciding_sentence(worst: &PointDocument, texts: &Texts) -> String {
    let (se, at) = (se_text(worst, texts), place(worst, texts));
    match worst.margin_db {
        Some(_) => {
            let margin = margin_text(worst, texts);
            let places = [("margin", margin.as_str()), ("at", &at), ("se", &se)];
            texts.fill("result.margin", &places)
        }
        None => texts.fill("result.least", &[("at", &at), ("se", &se)]),
    }
}

/// Frequency, face and polarisation.
pub(super) fn place(point: &PointDocument, texts: &Texts) -> String {
    let polarisation = texts.word("polarisation", &point.polarisation);
    format!(
        "{}, {}, {polarisation}",
        texts.hertz(point.frequency_hz),
        point.face
    )
}

/// `52.0 dB ± 2.1 dB`, `≥ 64.0 dB`; a bound is never rounded up.
pub(super) fn se_text(point: &PointDocument, texts: &Texts) -> String {
    match (point.kind, point.se_db, point.u_db) {
        (ResultKind::Measured, Some(se), Some(u)) => {
            format!("{} ± {} dB", texts.number(se, 1), texts.number(u, 1))
        }
        (ResultKind::Measured, Some(se), None) => format!("{} dB", texts.number(se, 1)),
        (ResultKind::AtLeast, Some(se), _) => {
            format!("≥ {} dB", texts.number(round_down(se), 1))
        }
        _ => "–".to_owned(),
    }
}

fn margin_text(point: &PointDocument, texts: &Texts) -> String {
    match (point.kind, point.margin_db) {
        (ResultKind::AtLeast, Some(margin)) => {
            format!("≥ {}", texts.signed(round_down(margin), 1))
        }
        (_, Some(margin)) => texts.signed(margin, 1),
        (_, None) => "–".to_owned(),
    }
}

/// The curve of every face and polarisation.
fn chart(document: &RunDocument, texts: &Texts) -> Chart {
    let mut chart = document.chart();
    let mut series: Vec<Series> = Vec::new();
    for (point, mark) in document.marks() {
        let label = format!(
            "{}, {}",
            point.face,
            texts.word("polarisation", &point.polarisation)
        );
        match series.iter_mut().find(|series| series.label == label) {
            Some(series) => series.points.push(mark),
            None => series.push(Series {
                label,
                points: vec![mark],
            }),
        }
    }
    chart.series = series;
    chart
}

/// The chart for someone who cannot see it.
fn spoken(document: &RunDocument, texts: &Texts) -> String {
    let deciding = document.deciding();
    let (Some(first), Some(last)) = (deciding.first(), deciding.last()) else {
        return texts.say("result.nothing").to_owned();
    };
    let range = texts.fill(
        "result.spoken",
        &[
            ("from", &texts.hertz(first.frequency_hz)),
            ("to", &texts.hertz(last.frequency_hz)),
        ],
    );
    match document.worst() {
        Some(worst) => format!("{range} {}", deciding_sentence(worst, texts)),
        None => range,
    }
}

/// The point that decides, with everything that leads to it.
pub(super) fn worst(document: &RunDocument, texts: &Texts) -> Section {
    let mut section = Section::new("worst", texts.say("worst.title"));
    let Some(point) = document.worst() else {
        section.text(texts.say("result.nothing"));
        return section;
    };
    let dbm = |value: Option<f64>| value.map(|dbm| format!("{} dBm", texts.number(dbm, 1)));
    let db = |value: Option<f64>| value.map(|db| format!("{} dB", texts.number(db, 1)));
    let probability = |p: f64| {
        let percent = match p {
            p if p > 0.999 => "> 99.9".to_owned(),
            p if p < 0.001 => "< 0.1".to_owned(),
            p => texts.number(100.0 * p, 1),
        };
        format!("{percent} %")
    };
    let mut facts = Facts::new(texts);
    facts
        .add("worst.place", place(point, texts))
        .add("worst.repeat", point.repeat.to_string())
        .maybe("worst.reference", dbm(point.reference_dbm))
        .maybe("worst.level", dbm(point.level_dbm))
        .maybe("worst.floor", dbm(point.floor_dbm))
        .maybe("worst.range", db(point.dynamic_range_db))
        .maybe("worst.correction", db(point.noise_correction_db))
        .add("worst.se", se_text(point, texts))
        .maybe("worst.k", point.k.map(|k| texts.number(k, 2)))
        .maybe("worst.limit", db(point.limit_db))
        .maybe(
            "worst.margin",
            point
                .margin_db
                .map(|_| format!("{} dB", margin_text(point, texts))),
        )
        .maybe("worst.conformity", point.conformity.map(probability))
        .add("worst.verdict", verdict_word(point.verdict, texts));
    section.blocks.push(facts.block());
    section
}

/// How the verdict follows from the points.
pub(super) fn rule(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("rule", texts.say("rule.title"));
    let points = &material.document.points;
    if material.plan.limit.is_empty() {
        section.text(texts.say("rule.no_limit"));
    } else {
        section.text(texts.say(match material.plan.rule {
            Rule::Simple => "rule.simple",
            Rule::Guarded => "rule.guarded",
        }));
        section.text(texts.say("rule.bound"));
    }
    let kind = |kind| points.iter().filter(|point| point.kind == kind).count();
    let verdict = |verdict| {
        let of = points.iter().filter(|point| point.verdict == Some(verdict));
        of.count().to_string()
    };
    section.text(texts.fill(
        "rule.kinds",
        &[
            ("points", &points.len().to_string()),
            ("measured", &kind(ResultKind::Measured).to_string()),
            ("bounds", &kind(ResultKind::AtLeast).to_string()),
            ("none", &kind(ResultKind::None).to_string()),
        ],
    ));
    if !material.plan.limit.is_empty() {
        section.text(texts.fill(
            "rule.counts",
            &[
                ("pass", &verdict(Verdict::Pass)),
                ("undecided", &verdict(Verdict::Undecided)),
                ("fail", &verdict(Verdict::Fail)),
            ],
        ));
    }
    section
}

/// The budget of the point that decides.
pub(super) fn uncertainty(material: &RunMaterial, texts: &Texts) -> Option<Section> {
    let (point, budget) = material
        .document
        .worst()
        .and_then(|point| Some((point, point.budget.as_ref()?)))?;
    let mut section = Section::new("uncertainty", texts.say("uncertainty.title"));
    section.text(texts.say("uncertainty.text"));
    let word = |kind, word: &str| Cell::of(texts.word(kind, word), word);
    let rows = budget.components.iter().map(|row| {
        vec![
            word("cause", row.cause.text()),
            number(Some(row.value_db), 2, texts),
            word("distribution", row.distribution.text()),
            number(Some(row.distribution.divisor()), 2, texts),
            number(Some(row.u_db), 2, texts),
            word("origin", row.origin.text()),
        ]
    });
    let title = |key| texts.say(key).to_owned();
    section.table(Table {
        name: "budget",
        caption: texts.fill("uncertainty.caption", &[("at", &place(point, texts))]),
        columns: vec![
            Column::text("cause", title("uncertainty.cause")),
            Column::number("value_db", title("uncertainty.value")),
            Column::text("distribution", title("uncertainty.distribution")),
            Column::number("divisor", title("uncertainty.divisor")),
            Column::number("u_db", title("uncertainty.u")),
            Column::text("origin", title("uncertainty.origin")),
        ],
        rows: rows.collect(),
    });
    let sum = [
        ("combined", texts.number(budget.combined_db, 2)),
        ("k", texts.number(budget.k, 2)),
        ("expanded", texts.number(budget.expanded_db, 2)),
    ];
    let sum: Vec<_> = sum
        .iter()
        .map(|(name, text)| (*name, text.as_str()))
        .collect();
    section.text(texts.fill("uncertainty.sum", &sum));
    if point.kind == ResultKind::AtLeast {
        section.note(texts.say("uncertainty.bound"));
    }
    Some(section)
}

/// Every point; a reference states levels only.
pub(super) fn points(document: &RunDocument, texts: &Texts) -> Section {
    let mut section = Section::new("points", texts.say("points.title"));
    let points = &document.points;
    let is_item = document.kind == RunKind::Item;
    let repeats = points.iter().any(|point| point.repeat > 1);
    let title = |key| texts.say(key).to_owned();
    let mut columns = vec![
        Column::number("frequency_hz", title("points.frequency")),
        Column::text("face", title("points.face")),
        Column::text("polarisation", title("points.polarisation")),
        Column::number("repeat", title("points.repeat")),
        Column::number("reference_dbm", title("points.reference")),
    ];
    if is_item {
        columns.push(Column::number("level_dbm", title("points.level")));
    }
    columns.push(Column::number("floor_dbm", title("points.floor")));
    if is_item {
        columns.extend([
            Column::text("kind", title("points.kind")),
            Column::number("se_db", title("points.se")),
            Column::number("u_db", title("points.u")),
            Column::number("limit_db", title("points.limit")),
            Column::number("margin_db", title("points.margin")),
            Column::text("verdict", title("points.verdict")),
        ]);
    } else {
        columns.push(Column::number("dynamic_range_db", title("points.range")));
    }
    columns.push(Column::text("flags", title("points.flags")));
    let rows = points
        .iter()
        .map(|point| point_row(point, is_item, texts))
        .collect();
    let mut table = Table {
        name: "points",
        caption: texts.say("points.caption").to_owned(),
        columns,
        rows,
    };
    // On paper a column that says the same everywhere is noise; machines keep it.
    table.hide("kind", true);
    table.hide("repeat", !repeats);
    section.table(table);
    section
}

fn point_row(point: &PointDocument, is_item: bool, texts: &Texts) -> Vec<Cell> {
    let mut row = vec![
        frequency(point.frequency_hz, texts),
        Cell::plain(&point.face),
        Cell::of(
            texts.word("polarisation", &point.polarisation),
            point.polarisation.as_str(),
        ),
        Cell::of(point.repeat.to_string(), point.repeat),
        number(point.reference_dbm, 1, texts),
    ];
    if is_item {
        row.push(number(point.level_dbm, 1, texts));
    }
    row.push(number(point.floor_dbm, 1, texts));
    if is_item {
        let se = match (point.kind, point.se_db) {
            (ResultKind::AtLeast, Some(se)) => {
                Cell::of(format!("≥ {}", texts.number(round_down(se), 1)), se)
            }
            (ResultKind::Measured, Some(se)) => number(Some(se), 1, texts),
            _ => nothing(),
        };
        let verdict = match point.verdict {
            Some(verdict) => Cell::of(verdict_word(Some(verdict), texts), verdict.as_str()),
            None => nothing(),
        };
        row.extend([
            Cell::plain(point.kind.as_str()),
            se,
            number(point.u_db, 1, texts),
            number(point.limit_db, 1, texts),
            Cell::of(
                margin_text(point, texts),
                point.margin_db.map_or(Value::Null, Value::from),
            ),
            verdict,
        ]);
    } else {
        row.push(number(point.dynamic_range_db, 1, texts));
    }
    row.push(Cell::plain(point.flags.join(" ")));
    row
}

/// At each frequency, the levels that the SE is the difference of.
pub(super) fn level_series(material: &RunMaterial, texts: &Texts) -> Vec<Series> {
    let deciding: Vec<&PointDocument> = match material.record.kind {
        RunKind::Item => material.document.deciding(),
        RunKind::Reference => material.document.points.iter().collect(),
    };
    let series = |key: &str, level: fn(&PointDocument) -> Option<f64>| Series {
        label: texts.say(key).to_owned(),
        points: deciding
            .iter()
            .filter_map(|point| {
                Some(Mark {
                    frequency_hz: point.frequency_hz,
                    se_db: level(point)?,
                    u_db: None,
                    kind: Kind::Measured,
                })
            })
            .collect(),
    };
    [
        series("levels.reference", |point| point.reference_dbm),
        series("levels.item", |point| point.level_dbm),
        series("levels.floor", |point| point.floor_dbm),
    ]
    .into_iter()
    .filter(|series| !series.points.is_empty())
    .collect()
}
