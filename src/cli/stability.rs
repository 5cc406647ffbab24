//! `muffle bench history` and `muffle bench check-item`: the station over time.

use std::path::PathBuf;

use clap::Args;
use comfy_table::Cell;

use super::measure::{PICTURE_PX, PictureKind, picture_kind};
use super::{CliError, StoreArg, print, print_json, table, write_file};
use crate::analysis::gauge::GaugeStudy;
use crate::evaluate::stability::{Charted, Question, StabilityDocument, Watched, stability};
use crate::quantity::Frequency;
use crate::report::{control_graphs, png};
use crate::store::Store;

/// Arguments of `bench history`.
#[derive(Debug, Args)]
#[command(
    after_help = "Charts for individual values and moving ranges of the check items, the reference and the floor, each at\nevery frequency and in the mean over them; with --picture those of the means. Limits come from the first\n20 values, or from --baseline.\n\nEnds with 1 when a chart of a mean shows that the station has moved, with 2 when there is no chart yet."
)]
pub(super) struct HistoryArgs {
    #[command(flatten)]
    store: StoreArg,
    /// The station; that of the newest run unless given.
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// Take this item for a check item; may be given several times.
    #[arg(long = "item", value_name = "SERIAL")]
    items: Vec<String>,
    /// From how many first values the limits come.
    #[arg(long, value_name = "N")]
    baseline: Option<usize>,
    /// Write the charts there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// Arguments of `bench check-item`.
#[derive(Debug, Args)]
#[command(
    after_help = "A check item is stable, is kept at the station, and leaks enough to be measured: a lower bound checks\nnothing. `check_item = true` in an items file does the same."
)]
pub(super) struct CheckItemArgs {
    /// An item that was measured before; without one, the check items are listed.
    serial: Option<String>,
    /// It checks the station no longer; what was measured of it stays.
    #[arg(long, requires = "serial")]
    drop: bool,
    #[command(flatten)]
    store: StoreArg,
}

pub(super) async fn check_item(args: CheckItemArgs) -> Result<u8, CliError> {
    let Some(serial) = &args.serial else {
        let store = Store::open_read_only(&args.store.store).await?;
        for serial in store.check_items().await? {
            print(&table::shown(&serial))?;
        }
        return Ok(0);
    };
    let store = Store::open(&args.store.store).await?;
    match args.drop {
        true if !store.drop_check_item(serial).await? => {
            return Err(CliError::Input(format!("{serial} is no check item")));
        }
        true => {}
        false => store.put_check_item(serial, jiff::Timestamp::now()).await?,
    }
    store.close().await;
    Ok(0)
}

pub(super) async fn history(args: HistoryArgs) -> Result<u8, CliError> {
    let picture = args.picture.as_deref().map(picture_kind).transpose()?;
    let store = Store::open_read_only(&args.store.store).await?;
    let question = Question {
        station: args.name,
        items: args.items,
        baseline: args.baseline,
    };
    let document = stability(&store, &question).await?;
    if let (Some(path), Some(kind)) = (&args.picture, picture) {
        let svg = control_graphs(&document);
        let bytes = match kind {
            PictureKind::Svg => svg.into_bytes(),
            PictureKind::Png => png(&svg, PICTURE_PX)?,
        };
        write_file(path, &bytes)?;
    }
    match args.json {
        true => print_json(&document)?,
        false => print(&describe(&document))?,
    }
    Ok(match document.is_stable() {
        Some(true) => 0,
        Some(false) => 1,
        None => 2,
    })
}

fn describe(document: &StabilityDocument) -> String {
    let mut text = format!("{}\n", table::shown(&document.station));
    for watched in &document.watched {
        text.push_str(&format!("\n{}\n", watched_text(watched)));
    }
    if !document.gauge.is_empty() {
        text.push_str(&format!("\n{}\n", gauge_text(document)));
    }
    for note in &document.notes {
        text.push_str(&format!("\n{note}\n"));
    }
    text.trim_end().to_owned()
}

fn watched_text(watched: &Watched) -> String {
    let mut rows = table::table(&[
        "at",
        "values",
        "centre",
        "sigma dB",
        "lower",
        "upper",
        "newest",
        "drift in 100 days",
        "±",
        "stable",
    ]);
    let lines = watched.frequencies.iter().map(|at| {
        let label = Frequency::from_hz(at.frequency_hz).to_string();
        (label, &at.charted)
    });
    for (label, charted) in lines.chain([("mean".to_owned(), &watched.mean)]) {
        rows.add_row(row(label, charted));
    }
    let mut text = format!(
        "{}, {} visits\n\n{}\n",
        table::shown(&watched.what),
        watched.visits.len(),
        table::trim_lines(&rows.to_string())
    );
    let notes = watched.mean.chart.iter().flat_map(|chart| &chart.notes);
    for note in notes.chain(&watched.mean.reason) {
        text.push_str(&format!("  mean: {note}\n"));
    }
    text.trim_end().to_owned()
}

fn row(label: String, charted: &Charted) -> Vec<Cell> {
    let Some(chart) = &charted.chart else {
        let mut row = vec![table::right(label)];
        row.extend((0..8).map(|_| table::number(None)));
        row.push(Cell::new("no chart"));
        return row;
    };
    let two = |db: Option<f64>| table::right(db.map_or("–".to_owned(), |db| format!("{db:.2}")));
    let limits = &chart.limits;
    let drift = chart.drift.as_ref();
    vec![
        table::right(label),
        table::right(chart.points.len().to_string()),
        two(Some(limits.centre_db)),
        two(Some(limits.sigma_db)),
        two(Some(limits.lower_db)),
        two(Some(limits.upper_db)),
        two(chart.points.last().map(|point| point.value_db)),
        two(drift.map(|drift| 100.0 * drift.slope_db)),
        two(drift.map(|drift| 100.0 * drift.slope_half_width_db)),
        Cell::new(if chart.stable { "yes" } else { "NO" }),
    ]
}

fn gauge_text(document: &StabilityDocument) -> String {
    let mut rows = table::table(&[
        "at",
        "readings",
        "items",
        "operators",
        "closing again dB",
        "operators dB",
        "together dB",
        "items dB",
    ]);
    let two = |db: Option<f64>| table::right(db.map_or("–".to_owned(), |db| format!("{db:.2}")));
    for at in &document.gauge {
        let study: &GaugeStudy = &at.study;
        rows.add_row(vec![
            table::right(Frequency::from_hz(at.frequency_hz).to_string()),
            table::right(study.readings.to_string()),
            table::right(study.items.to_string()),
            table::right(study.operators.to_string()),
            two(Some(study.repeatability_db)),
            two(study.reproducibility_db),
            two(Some(study.gauge_db)),
            two(study.item_db),
        ]);
    }
    let mut text = format!(
        "closings and operators, standard deviations\n\n{}\n",
        table::trim_lines(&rows.to_string())
    );
    if let Some(db) = document.repeatability_db {
        text.push_str(&format!(
            "\nover all frequencies: closing again {db:.2} dB (for the station file: repeatability = \"{db:.2} dB\")"
        ));
    }
    if let Some(db) = document.reproducibility_db {
        text.push_str(&format!("; between operators {db:.2} dB"));
    }
    text
}
