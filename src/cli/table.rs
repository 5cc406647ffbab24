//! Tables for people.

use comfy_table::presets::NOTHING;
use comfy_table::{Cell, CellAlignment, ContentArrangement, Table};

use crate::quantity::{Frequency, is_unprintable};
use crate::report::{PointDocument, RunDocument, one_decimal};
use crate::store::RunKind;

/// A table without rules: blanks part the columns.
pub(super) fn table(heading: &[&str]) -> Table {
    let mut table = Table::new();
    table.load_style(NOTHING);
    table.set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(heading.iter().map(Cell::new));
    table
}

/// A number, flush right; `–` when there is none.
pub(super) fn number(value: Option<f64>) -> Cell {
    right(value.map_or("–".to_owned(), one_decimal))
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
        right(point.margin_text()),
        Cell::new(point.verdict.map_or("–", |verdict| verdict.as_str())),
        Cell::new(point.flags_text()),
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
            Cell::new(point.flags_text()),
        ]);
    }
    table
}

/// The means that decide a run.
pub(super) fn averages(document: &RunDocument) -> String {
    let mut table = table(&[
        "frequency",
        "points",
        "mean SE dB",
        "± dB",
        "limit dB",
        "margin dB",
        "verdict",
    ]);
    for mean in &document.averages {
        let judged = &mean.average.judgement;
        table.add_row(vec![
            right(Frequency::from_hz(mean.frequency_hz).to_string()),
            right(mean.average.parts.to_string()),
            right(mean.se_text()),
            number(mean.average.u_db),
            number(judged.limit_db),
            right(mean.margin_text()),
            Cell::new(judged.verdict.map_or("–", |verdict| verdict.as_str())),
        ]);
    }
    trim_lines(&table.to_string())
}

/// Several items side by side: at each frequency the SE that decides.
pub(super) fn overview(documents: &[RunDocument]) -> String {
    let items: Vec<_> = documents
        .iter()
        .filter(|document| document.kind == RunKind::Item)
        .map(|document| (document, document.deciding()))
        .collect();
    let mut frequencies: Vec<f64> = items
        .iter()
        .flat_map(|(_, points)| points.iter().map(|point| point.frequency_hz))
        .collect();
    frequencies.sort_by(f64::total_cmp);
    frequencies.dedup();
    let mut table = table(&[]);
    let heading = items
        .iter()
        .map(|(document, _)| right(document.item.as_deref().map_or(String::new(), shown)));
    table.set_header(
        [right("frequency".to_owned()), right("limit dB".to_owned())]
            .into_iter()
            .chain(heading),
    );
    for frequency in frequencies {
        let at = |points: &[&PointDocument]| {
            points
                .iter()
                .copied()
                .find(|point| point.frequency_hz == frequency)
                .cloned()
        };
        let limit = items.iter().find_map(|(_, points)| at(points)?.limit_db);
        let mut row = vec![
            right(Frequency::from_hz(frequency).to_string()),
            number(limit),
        ];
        row.extend(
            items.iter().map(|(_, points)| {
                right(at(points).map_or("–".to_owned(), |point| point.se_text()))
            }),
        );
        table.add_row(row);
    }
    trim_lines(&table.to_string())
}

/// Someone's own words, so that they cannot disturb a terminal.
pub(super) fn shown(text: &str) -> String {
    const SHOWN: usize = 40;
    let clean: String = text
        .chars()
        .map(|c| if is_unprintable(c) { '\u{fffd}' } else { c })
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
