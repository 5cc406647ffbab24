//! What stands behind the result: reference and floor, flags, theory, cautions, checksums, emissions.

use std::collections::BTreeMap;

use serde_json::Value;

use super::super::chart::{Chart, Words};
use super::super::document::{Block, Cell, Column, Fact, Figure, Section, Table};
use super::super::figure::figure;
use super::super::material::{RunMaterial, Traces};
use super::super::reason;
use super::super::run::RunDocument;
use super::super::texts::Texts;
use super::judgement::{level_series, words};
use super::{Facts, frequency, minute, nothing, number};
use crate::analysis::ANALYSIS_VERSION;
use crate::analysis::flag::Flag;
use crate::config::Arrangement;
use crate::quantity::Frequency;
use crate::store::{Item, ReadingKind, ResultRecord, RunKind, RunRecord};

/// The reference and the floor, with the levels that were read.
pub(super) fn reference(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("reference", texts.say("reference.title"));
    section.text(texts.say("reference.text"));
    section.figure(levels(material, texts));
    let mut facts = Facts::new(texts);
    if let Some(reference) = &material.reference {
        let before_h = material
            .record
            .started
            .duration_since(reference.record.started)
            .as_secs_f64()
            / 3600.0;
        facts
            .add("reference.run", reference.record.id.to_string())
            .add("reference.when", minute(reference.record.started))
            .add(
                "reference.age",
                format!("{}\u{a0}h", texts.number(before_h, 1)),
            );
    }
    facts.add(
        "reference.age_max",
        texts.quantity(material.plan.reference_max_age),
    );
    let after = |run: &RunRecord| format!("{}, {}", run.id, minute(run.started));
    facts.maybe("reference.after", material.after.as_ref().map(after));
    section.blocks.push(facts.block());
    section
}

/// The levels over frequency.
pub(super) fn levels(material: &RunMaterial, texts: &Texts) -> Figure {
    let chart = Chart {
        series: level_series(material, texts),
        ..Chart::default()
    };
    let words = Words {
        measured: String::new(),
        ..words(texts)
    };
    Figure {
        name: "levels",
        caption: texts.say("levels.caption").to_owned(),
        alternative: texts.say("levels.spoken").to_owned(),
        svg: figure(&chart, texts.say("levels.axis"), &words),
    }
}

/// The flags in plain words, each with where it stands.
pub(super) fn flags(results: &[ResultRecord], texts: &Texts) -> Option<Section> {
    let mut seen: BTreeMap<String, Vec<(f64, Option<f64>)>> = BTreeMap::new();
    for result in results {
        let figures: Vec<Flag> =
            serde_json::from_value(result.detail["flags"].clone()).unwrap_or_default();
        for word in &result.flags {
            let figure = figures.iter().find(|flag| flag.word.as_str() == word);
            let figure = figure.and_then(|flag| flag.figure);
            seen.entry(word.clone())
                .or_default()
                .push((result.point.frequency_hz, figure));
        }
    }
    let mut section = Section::new("flags", texts.say("flags.title"));
    if seen.is_empty() {
        section.text(texts.say("flags.none"));
        return Some(section);
    }
    let title = |key| texts.say(key).to_owned();
    let row = |(word, places): (&String, &Vec<(f64, Option<f64>)>)| {
        vec![
            Cell::plain(word),
            Cell::plain(texts.say(&format!("flag.{word}"))),
            Cell::of(places.len().to_string(), places.len()),
            Cell::plain(span_text(places, texts)),
            Cell::plain(figures_text(places, texts)),
        ]
    };
    section.table(Table {
        name: "flags",
        caption: texts.say("flags.caption").to_owned(),
        columns: vec![
            Column::text("flag", title("flags.flag")),
            Column::text("meaning", title("flags.meaning")),
            Column::number("points", title("flags.points")),
            Column::text("frequencies", title("flags.frequencies")),
            Column::text("figure", title("flags.figure")),
        ],
        rows: seen.iter().map(row).collect(),
    });
    Some(section)
}

/// From the lowest frequency to the highest.
fn span_text(places: &[(f64, Option<f64>)], texts: &Texts) -> String {
    let hz = || places.iter().map(|(hz, _)| *hz);
    let low = hz().fold(f64::INFINITY, f64::min);
    let high = hz().fold(0.0, f64::max);
    match low == high {
        true => texts.hertz(low),
        false => format!("{} – {}", texts.hertz(low), texts.hertz(high)),
    }
}

fn figures_text(places: &[(f64, Option<f64>)], texts: &Texts) -> String {
    let figures = || places.iter().filter_map(|(_, figure)| *figure);
    if figures().next().is_none() {
        return "–".to_owned();
    }
    let low = texts.number(figures().fold(f64::INFINITY, f64::min), 1);
    let high = texts.number(figures().fold(f64::NEG_INFINITY, f64::max), 1);
    match low == high {
        true => low,
        false => format!("{low} … {high}"),
    }
}

/// What the curve is consistent with; nothing where theory has nothing to say.
pub(super) fn theory(
    document: &RunDocument,
    item: Option<&Item>,
    texts: &Texts,
) -> Option<Section> {
    if document.kind != RunKind::Item {
        return None;
    }
    let said = reason::explained(document, item).ok()?;
    let mut section = Section::new("theory", texts.say("theory.title"));
    section.note(texts.say("theory.mark"));
    section.quote(&said.sentence, texts);
    section.text(texts.fill(
        "theory.scatter",
        &[("scatter", &texts.number(said.scatter_db, 1))],
    ));
    section.note(texts.fill(
        "theory.basis",
        &[
            ("source", said.basis.source),
            ("validity", said.basis.validity),
        ],
    ));
    Some(section)
}

/// Cautions, and what the report does not say.
pub(super) fn cautions(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("cautions", texts.say("cautions.title"));
    let mut keys = vec![
        "cautions.one_item",
        "cautions.arrangement",
        "cautions.magnetic",
        "cautions.wires",
        "cautions.between",
        "cautions.bound",
        "cautions.budget",
    ];
    let far =
        Frequency::from_hz(299_792_458.0 / (std::f64::consts::TAU * material.station.distance.m()));
    if material
        .plan
        .frequencies
        .first()
        .is_some_and(|first| *first < far)
    {
        keys.push("cautions.near");
    }
    keys.push(match material.plan.arrangement {
        Arrangement::Linked => "cautions.cable",
        Arrangement::Sealed => "cautions.sealed",
        Arrangement::Scheduled => "cautions.scheduled",
    });
    keys.push("cautions.law");
    let distance = texts.quantity(material.station.distance);
    let far = texts.quantity(round_to_two(far));
    let sentence = |key: &str| match key {
        "cautions.near" => texts.fill(key, &[("distance", &distance), ("frequency", &far)]),
        key => texts.say(key).to_owned(),
    };
    section.blocks.push(Block::List {
        sentences: keys.into_iter().map(sentence).collect(),
    });
    section
}

/// To two figures, which is all that a rule of thumb deserves.
fn round_to_two(frequency: Frequency) -> Frequency {
    let scale = 10f64.powf(frequency.hz().log10().floor() - 1.0);
    Frequency::from_hz((frequency.hz() / scale).round() * scale)
}

/// Versions and checksums, and how to compute everything anew.
pub(super) fn recompute(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("recompute", texts.say("recompute.title"));
    let record = &material.record;
    section.text(texts.fill("recompute.text", &[("run", &record.id.to_string())]));
    let analysis = material.results.iter().map(|result| result.analysis).max();
    let mut facts = Facts::new(texts);
    facts
        .add("recompute.run", record.id.to_string())
        .add("recompute.measured_by", &record.program_version)
        .add("recompute.reported_by", env!("CARGO_PKG_VERSION"))
        .add(
            "recompute.analysis",
            analysis.unwrap_or(ANALYSIS_VERSION).to_string(),
        )
        .add("recompute.readings", readings(material, texts))
        .add("recompute.traces", traces_text(&material.traces, texts));
    if let Some(reference) = &material.reference {
        facts.add(
            "recompute.reference_traces",
            traces_text(&reference.traces, texts),
        );
    }
    facts.add("recompute.signature", &record.signature);
    let mut block = facts.facts;
    for merge in &material.document.merges {
        block.push(Fact {
            label: texts.fill("recompute.recording", &[("place", &merge.place())]),
            value: merge.sentence(),
        });
    }
    for snapshot in &material.snapshots {
        block.push(Fact {
            label: texts.fill(
                "recompute.file",
                &[
                    ("kind", &texts.word("file", snapshot.kind.as_str())),
                    ("name", &snapshot.name),
                ],
            ),
            value: snapshot.sha256.clone(),
        });
    }
    section.blocks.push(Block::Facts { facts: block });
    section
}

fn readings(material: &RunMaterial, texts: &Texts) -> String {
    let repeated = material
        .readings
        .iter()
        .filter(|reading| reading.attempt > 1);
    let floors = |kind| {
        let of = material
            .readings
            .iter()
            .filter(|reading| reading.key.kind == kind);
        of.count().to_string()
    };
    texts.fill(
        "recompute.readings_text",
        &[
            ("floors", &floors(ReadingKind::Floor)),
            ("signals", &floors(ReadingKind::Signal)),
            ("steps", &floors(ReadingKind::Step)),
            ("repeated", &repeated.count().to_string()),
        ],
    )
}

fn traces_text(traces: &Traces, texts: &Texts) -> String {
    texts.fill(
        "recompute.traces_text",
        &[
            ("count", &traces.count.to_string()),
            ("sha256", &traces.sha256),
        ],
    )
}

/// Every time the output was on for this run.
pub(super) fn emissions(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("emissions", texts.say("emissions.title"));
    let emissions = &material.emissions;
    if emissions.is_empty() {
        section.text(texts.say("emissions.none"));
        return section;
    }
    section.text(texts.say("emissions.text"));
    let title = |key| texts.say(key).to_owned();
    let rows = emissions.iter().map(|emission| {
        let on_s = emission
            .ended
            .map(|ended| ended.duration_since(emission.began).as_secs_f64());
        let radiated = match emission.radiated_dbm {
            Some(dbm) => Cell::of(texts.number(dbm, 1), dbm),
            None => nothing(),
        };
        let began = emission.began.strftime("%Y-%m-%d %H:%M:%S%.3f").to_string();
        vec![
            Cell::of(began, emission.began.to_string()),
            number(on_s, 3, texts),
            frequency(emission.frequency_hz, texts),
            number(Some(emission.level_dbm), 1, texts),
            radiated,
            Cell::plain(&emission.why),
            match &emission.how_ended {
                Some(how) => Cell::plain(how),
                None => Cell::of(texts.say("emissions.open"), Value::Null),
            },
        ]
    });
    section.table(Table {
        name: "emissions",
        caption: texts.say("emissions.caption").to_owned(),
        columns: vec![
            Column::text("began", title("emissions.began")),
            Column::number("duration_s", title("emissions.duration")),
            Column::number("frequency_hz", title("emissions.frequency")),
            Column::number("level_dbm", title("emissions.level")),
            Column::number("radiated_dbm", title("emissions.radiated")),
            Column::text("why", title("emissions.why")),
            Column::text("how_ended", title("emissions.how_ended")),
        ],
        rows: rows.collect(),
    });
    section
}
