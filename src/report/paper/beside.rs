//! Theory that was asked for beside a measurement: single questions, a pulse from outside, another item around it.

use serde_json::Value;

use super::judgement::words;
use crate::analysis::shield::ShieldError;
use crate::analysis::shield::ask::{Asked, Said};
use crate::analysis::shield::layers::{Pair, Spacing};
use crate::analysis::shield::pulse::{IEC_61000_2_9, PulseFigures, PulseResult, pulse};
use crate::report::chart::{Chart, Line, Series};
use crate::report::document::{Block, Cell, Column, Fact, Figure, Section, Table};
use crate::report::figure::figure;
use crate::report::reason::{self, FIELD_DIGITS, curve, deciding_marks};
use crate::report::run::{RunDocument, round_down};
use crate::report::texts::Texts;
use crate::report::theory::{Over, TheoryDocument};

/// What stands beside a measurement, worked out.
#[derive(Debug, Default)]
pub struct Asides {
    told: Vec<TheoryDocument>,
    pulse: Option<PulseResult>,
    around: Vec<(RunDocument, Pair)>,
}

impl Asides {
    /// Works it out for a run: the questions at its frequencies, the early-time pulse of IEC 61000-2-9 if it is wanted,
    /// and each of the other items nested with it.
    ///
    /// # Errors
    /// What theory refuses.
    pub fn of(
        document: &RunDocument,
        questions: Vec<Asked>,
        with_pulse: bool,
        around: Vec<RunDocument>,
    ) -> Result<Self, ShieldError> {
        let told = questions
            .into_iter()
            .map(|asked| TheoryDocument::ask(asked, &Over::default(), Some(document.clone())));
        let pulse = match with_pulse {
            true => Some(pulse(&curve(document), &IEC_61000_2_9)?),
            false => None,
        };
        let nested = around.into_iter().map(|other| {
            let pair = reason::layered(document, &other, Spacing::Any)?;
            Ok((other, pair))
        });
        Ok(Self {
            told: told.collect::<Result<_, _>>()?,
            pulse,
            around: nested.collect::<Result<_, ShieldError>>()?,
        })
    }

    /// A section for each kind of it.
    pub(super) fn sections(&self, document: &RunDocument, texts: &Texts) -> Vec<Section> {
        let told = (!self.told.is_empty()).then(|| told_section(&self.told, document, texts));
        let pulse = self
            .pulse
            .as_ref()
            .map(|said| pulse_section(said, document, texts));
        let around =
            (!self.around.is_empty()).then(|| around_section(&self.around, document, texts));
        [told, pulse, around].into_iter().flatten().collect()
    }
}

fn measured(document: &RunDocument, texts: &Texts) -> Series {
    Series {
        label: texts.say("beside.measured").to_owned(),
        points: deciding_marks(document),
    }
}

fn told_section(told: &[TheoryDocument], document: &RunDocument, texts: &Texts) -> Section {
    let mut section = Section::new("beside", texts.say("beside.title"));
    section.note(texts.say("theory.mark"));
    for one in told {
        let basis = one.basis();
        section.quote(
            &format!(
                "{}, {}: from {}; holds for {}",
                one.title(),
                one.inputs_text(),
                basis.source,
                basis.validity
            ),
            texts,
        );
    }
    let lines: Vec<Line> = told.iter().flat_map(TheoryDocument::lines).collect();
    if !lines.is_empty() {
        let chart = Chart {
            limit: document.limit.clone(),
            series: vec![measured(document, texts)],
            theory: lines,
            ..Chart::default()
        };
        section.figure(Figure {
            name: "beside",
            caption: texts.say("beside.caption").to_owned(),
            alternative: texts.say("beside.spoken").to_owned(),
            svg: figure(&chart, texts.say("chart.se_axis"), &words(texts)),
        });
    }
    section.table(Table {
        name: "beside",
        caption: texts.say("beside.table").to_owned(),
        columns: vec![
            Column::text("question", texts.say("beside.question")),
            Column::number("frequency_hz", texts.say("beside.frequency")),
            Column::text("figure", texts.say("beside.figure")),
            Column::number("value", texts.say("beside.value")),
        ],
        rows: told.iter().flat_map(|one| told_rows(one, texts)).collect(),
    });
    section
}

/// The rows of one question, each figure on its own: they differ from question to question.
fn told_rows(told: &TheoryDocument, texts: &Texts) -> Vec<Vec<Cell>> {
    let read = told.table();
    let row = |hz: f64, heading: &str, text: &str, value: Option<f64>| {
        vec![
            Cell::plain(told.question),
            Cell::of(texts.hertz(hz), hz),
            Cell::plain(heading),
            Cell::of(text, value.map_or(Value::Null, Value::from)),
        ]
    };
    match &told.said {
        Said::Answer(answer) => answer
            .rows
            .iter()
            .zip(&read.rows)
            .flat_map(|(figures, cells)| {
                let columns = answer.columns.iter().zip(&cells[1..]);
                columns.map(move |(column, text)| {
                    let value = figures.figures.get(column.name);
                    row(figures.frequency_hz, column.heading, text, value)
                })
            })
            .collect(),
        Said::Resonances(modes) => modes
            .modes
            .iter()
            .zip(&read.rows)
            .map(|(mode, cells)| {
                row(
                    mode.frequency_hz,
                    &read.heading[1],
                    &cells[1],
                    Some(mode.loaded_hz),
                )
            })
            .collect(),
    }
}

fn pulse_section(said: &PulseResult, document: &RunDocument, texts: &Texts) -> Section {
    let mut section = Section::new("pulse", texts.say("pulse.title"));
    section.note(texts.say("theory.mark"));
    section.text(texts.fill(
        "pulse.outside",
        &[
            ("from", &texts.hertz(said.measured_hz.0)),
            ("to", &texts.hertz(said.measured_hz.1)),
            (
                "share",
                &texts.number(100.0 * said.measured_energy_share, 0),
            ),
        ],
    ));
    let field = |value: f64| format!("{} V/m", texts.significant(value, FIELD_DIGITS));
    let open = || texts.say("pulse.open").to_owned();
    let fact = |key: &str, value: String| Fact {
        label: texts.say(key).to_owned(),
        value,
    };
    section.blocks.push(Block::Facts {
        facts: vec![
            fact("pulse.at_most", field(said.peak_high_v_per_m)),
            fact(
                "pulse.at_least",
                said.peak_low_v_per_m.map_or_else(open, field),
            ),
            fact("pulse.any_phase", field(said.any_phase_peak_v_per_m)),
        ],
    });
    if said.at_most {
        section.text(texts.say("pulse.bounds"));
    }
    let [mut outside, mut inside] = reason::pulse_graph_pair(document, said);
    for graph in [&mut outside, &mut inside] {
        graph.across_label = texts.say("pulse.time").to_owned();
        graph.up_label = texts.say("pulse.field").to_owned();
    }
    let levels = ["pulse.any_phase", "pulse.at_most", "pulse.at_least"];
    for (level, key) in inside.levels.iter_mut().zip(levels) {
        level.label = texts.say(key).to_owned();
    }
    section.figure(Figure {
        name: "pulse_outside",
        caption: texts.say("pulse.caption_outside").to_owned(),
        alternative: texts.say("pulse.caption_outside").to_owned(),
        svg: outside.figure(),
    });
    section.figure(Figure {
        name: "pulse_inside",
        caption: texts.say("pulse.caption_inside").to_owned(),
        alternative: texts.say("pulse.caption_inside").to_owned(),
        svg: inside.figure(),
    });
    section.table(pulse_table(said, texts));
    section.quote(said.not_covered, texts);
    section.quote(
        &format!("{}; {}", said.basis.source, said.basis.validity),
        texts,
    );
    section
}

fn pulse_table(said: &PulseResult, texts: &Texts) -> Table {
    let row = |key: &str, word: &str, figures: &PulseFigures| {
        vec![
            Cell::of(texts.say(key), word),
            Cell::of(
                texts.significant(figures.peak_v_per_m, FIELD_DIGITS),
                figures.peak_v_per_m,
            ),
            Cell::of(texts.number(figures.rise_s * 1e9, 2), figures.rise_s),
            Cell::of(texts.number(figures.width_s * 1e9, 2), figures.width_s),
            Cell::of(
                format!("{:.2e}", figures.fluence_j_per_m2),
                figures.fluence_j_per_m2,
            ),
        ]
    };
    Table {
        name: "pulse",
        caption: texts.say("pulse.table").to_owned(),
        columns: vec![
            Column::text("where", ""),
            Column::number("peak_v_per_m", texts.say("pulse.peak")),
            Column::number("rise_s", texts.say("pulse.rise")),
            Column::number("width_s", texts.say("pulse.width")),
            Column::number("fluence_j_per_m2", texts.say("pulse.energy")),
        ],
        rows: vec![
            row("pulse.row_outside", "outside", &said.outside),
            row("pulse.row_inside", "inside", &said.inside),
        ],
    }
}

fn around_section(
    around: &[(RunDocument, Pair)],
    document: &RunDocument,
    texts: &Texts,
) -> Section {
    let mut section = Section::new("around", texts.say("around.title"));
    section.note(texts.say("theory.mark"));
    let mut rows = Vec::new();
    for (other, pair) in around {
        let name = other.item.as_deref().unwrap_or_default();
        section.text(texts.fill("around.other", &[("item", name), ("run", &other.run)]));
        for (from, to) in &pair.above_limit_hz {
            let (from, to) = (texts.hertz(*from), texts.hertz(*to));
            section.text(texts.fill("around.above", &[("from", &from), ("to", &to)]));
        }
        rows.extend(pair_rows(name, pair, texts));
    }
    // The curve of one pair; more would lie over each other, and the table has them.
    if let [(other, pair)] = around {
        let mut chart = reason::layers_chart(document, other, pair, None);
        for (line, key) in chart.theory.iter_mut().zip(["around.least", "around.most"]) {
            line.label = texts.say(key).to_owned();
        }
        for (series, of) in chart.series.iter_mut().zip([document, other]) {
            series.label = of.item.clone().unwrap_or_default();
        }
        section.figure(Figure {
            name: "around",
            caption: texts.say("around.caption").to_owned(),
            alternative: texts.say("around.spoken").to_owned(),
            svg: figure(&chart, texts.say("chart.se_axis"), &words(texts)),
        });
    }
    section.table(Table {
        name: "around",
        caption: texts.say("around.table").to_owned(),
        columns: vec![
            Column::text("other", texts.say("around.item")),
            Column::number("frequency_hz", texts.say("beside.frequency")),
            Column::number("first_db", texts.say("around.this")),
            Column::number("second_db", texts.say("around.that")),
            Column::number("least_db", texts.say("around.least")),
            Column::number("most_db", texts.say("around.most")),
        ],
        rows,
    });
    if let Some((_, pair)) = around.first() {
        section.quote(
            &format!("{}; {}", pair.basis.source, pair.basis.validity),
            texts,
        );
    }
    section
}

fn pair_rows(name: &str, pair: &Pair, texts: &Texts) -> Vec<Vec<Cell>> {
    let number = |value: f64| Cell::of(texts.number(value, 1), value);
    let text = |value: f64, bounded: bool| {
        let shown = if bounded {
            format!("≥ {}", texts.number(round_down(value), 1))
        } else {
            texts.number(value, 1)
        };
        Cell::of(shown, value)
    };
    pair.points
        .iter()
        .map(|point| {
            vec![
                Cell::plain(name),
                Cell::of(texts.hertz(point.frequency_hz), point.frequency_hz),
                text(point.first_db, point.first_bounded),
                text(point.second_db, point.second_bounded),
                text(point.worst_db, point.bounded),
                match point.best_db {
                    Some(best) => number(best),
                    None => Cell::of(texts.say("pulse.open"), Value::Null),
                },
            ]
        })
        .collect()
}
