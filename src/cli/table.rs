//! Tables for people.

use comfy_table::presets::NOTHING;
use comfy_table::{Cell, CellAlignment, ContentArrangement, Table};

use crate::quantity::Frequency;
use crate::report::{PointDocument, RunDocument};
use crate::store::RunKind;

/// A table without rules: blanks part the columns.
pub(super) fn table(heading: &[&str]) -> Table {
    let mut table = Table::new();
    table.load_style(NOTHING);
    table.set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(heading.iter().map(|word| Cell::new(word.to_uppercase())));
    table
}

/// A number, flush right; `–` when there is none.
pub(super) fn number(value: Option<f64>) -> Cell {
    right(value.map_or("–".to_owned(), |value| format!("{value:.1}")))
}

/// Text flush right.
pub(super) fn right(text: String) -> Cell {
    Cell::new(text).set_alignment(CellAlignment::Right)
}

/// All points of a run.
pub(super) fn points(document: &RunDocument) -> String {
    let repeats = document.points.iter().any(|point| point.repeat > 1);
    let text = match document.kind {
        RunKind::Item => item_points(document, repeats),
        RunKind::Reference => reference_points(document),
    };
    trim_lines(&text.to_string())
}

fn item_points(document: &RunDocument, repeats: bool) -> Table {
    let mut heading = vec!["frequency", "face", "polarisation"];
    heading.extend(repeats.then_some("repeat"));
    heading.extend([
        "reference dBm",
        "level dBm",
        "floor dBm",
        "SE dB",
        "± dB",
        "limit dB",
        "margin dB",
        "verdict",
        "flags",
    ]);
    let mut table = table(&heading);
    for point in &document.points {
        let mut row = vec![
            right(Frequency::from_hz(point.frequency_hz).to_string()),
            Cell::new(shown(&point.face)),
            Cell::new(&point.polarisation),
        ];
        row.extend(repeats.then(|| right(point.repeat.to_string())));
        row.extend(values(point));
        table.add_row(row);
    }
    table
}

fn values(point: &PointDocument) -> Vec<Cell> {
    vec![
        number(point.reference_dbm),
        number(point.level_dbm),
        number(point.floor_dbm),
        right(point.se_text()),
        number(point.u_db),
        number(point.limit_db),
        right(
            point
                .margin_db
                .map_or("–".to_owned(), |db| format!("{db:+.1}")),
        ),
        Cell::new(point.verdict.map_or("–", |verdict| verdict.as_str())),
        Cell::new(point.flags.join(" ")),
    ]
}

fn reference_points(document: &RunDocument) -> Table {
    let mut table = table(&[
        "frequency",
        "polarisation",
        "reference dBm",
        "floor dBm",
        "can see dB",
        "flags",
    ]);
    for point in &document.points {
        table.add_row(vec![
            right(Frequency::from_hz(point.frequency_hz).to_string()),
            Cell::new(&point.polarisation),
            number(point.reference_dbm),
            number(point.floor_dbm),
            number(point.dynamic_range_db),
            Cell::new(point.flags.join(" ")),
        ]);
    }
    table
}

/// Someone's own words, so that they cannot disturb a terminal.
pub(super) fn shown(text: &str) -> String {
    const SHOWN: usize = 40;
    let clean: String = text
        .chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    match clean.chars().count() > SHOWN {
        true => clean.chars().take(SHOWN - 1).chain(['…']).collect(),
        false => clean,
    }
}

/// Without the blanks that fill up the last column.
pub(super) fn trim_lines(text: &str) -> String {
    text.lines()
        .map(str::trim_end)
        .collect::<Vec<_>>()
        .join("\n")
}
