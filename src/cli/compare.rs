//! `muffle compare`.

use std::path::PathBuf;

use clap::Args;
use comfy_table::Cell;

use super::measure::{PICTURE_PX, PictureKind, picture_kind};
use super::{CliError, StoreArg, print, print_json, table, write_file};
use crate::analysis::compare::{Comparison, Conclusion};
use crate::evaluate::compare::{CompareDocument, Question, compare, side};
use crate::quantity::Ratio;
use crate::report::{difference_graph, png};
use crate::store::Store;

/// Arguments of `compare`.
#[derive(Debug, Args)]
#[command(
    after_help = "A side is a run (its id, the beginning of it, or `latest`), an item, a model or a lot. Where a name could\nmean several, write which: run:…, item:…, model:…, lot:…. `@20` after it takes only runs made after 20\ncycles of use; the same units on both sides are then compared unit by unit.\n\nExamples:\n  muffle compare \"model:field pouch\" \"model:transit case\" --within 3dB\n  muffle compare lot:2026-11@0 lot:2026-11@20\n\nEnds with 0 when it can be told, with 2 when it is not decidable."
)]
pub(super) struct CompareArgs {
    /// The sides; each further one is compared with the first.
    #[arg(required = true, num_args = 2..)]
    sides: Vec<String>,
    /// Equal means within this distance.
    #[arg(long, value_name = "RATIO", default_value = "3 dB")]
    within: Ratio,
    /// The confidence of each claim.
    #[arg(long, default_value_t = 0.95)]
    confidence: f64,
    /// Each face and polarisation by itself instead of the least of them.
    #[arg(long)]
    by_face: bool,
    #[command(flatten)]
    store: StoreArg,
    /// Write a picture of the differences there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: CompareArgs) -> Result<u8, CliError> {
    let picture = args.picture.as_deref().map(picture_kind).transpose()?;
    let store = Store::open_read_only(&args.store.store).await?;
    let mut sides = Vec::with_capacity(args.sides.len());
    for text in &args.sides {
        sides.push(side(&store, text).await?);
    }
    let question = Question {
        within_db: args.within.db(),
        confidence: args.confidence,
        by_face: args.by_face,
    };
    let document = compare(sides, &question)?;
    if let (Some(path), Some(kind)) = (&args.picture, picture) {
        let svg = difference_graph(&document).svg();
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
    let undecided = |one: &Comparison| one.conclusion == Conclusion::NotDecidable;
    Ok(match document.comparisons.iter().any(undecided) {
        true => 2,
        false => 0,
    })
}

fn describe(document: &CompareDocument) -> String {
    let mut text = String::new();
    for side in &document.sides {
        let items: std::collections::BTreeSet<_> =
            side.runs.iter().map(|run| run.item.as_str()).collect();
        text.push_str(&format!(
            "{}: {} runs of {} items\n",
            table::shown(&side.name),
            side.runs.len(),
            items.len()
        ));
    }
    for comparison in &document.comparisons {
        text.push_str(&format!(
            "\n{}\n\n{}.\n",
            differences(document, comparison),
            comparison.sentence
        ));
        for note in &comparison.notes {
            text.push_str(&format!("  {note}\n"));
        }
    }
    for note in &document.notes {
        text.push_str(&format!("  {note}\n"));
    }
    text.trim_end().to_owned()
}

/// First minus second at every point, and in the mean.
fn differences(document: &CompareDocument, comparison: &Comparison) -> String {
    let mut rows = table::table(&[
        "at",
        "difference dB",
        "u dB",
        "for all points dB",
        "each end alone dB",
        "shows",
    ]);
    let labels = document.points.iter().map(|point| point.label.as_str());
    let mean = comparison.mean.iter().map(|mean| ("mean", mean));
    for (label, difference) in labels.zip(&comparison.points).chain(mean) {
        rows.add_row(vec![
            table::right(label.to_owned()),
            table::right(signed(difference.difference_db)),
            table::number(difference.u_db),
            table::right(difference.simultaneous.in_words()),
            table::right(difference.one_sided.in_words()),
            Cell::new(difference.shows(
                &table::shown(&comparison.first),
                &table::shown(&comparison.second),
            )),
        ]);
    }
    format!(
        "{} minus {}\n\n{}",
        table::shown(&comparison.first),
        table::shown(&comparison.second),
        table::trim_lines(&rows.to_string())
    )
}

fn signed(db: Option<f64>) -> String {
    db.map_or("–".to_owned(), |db| {
        format!("{:+.1}", (db * 10.0).round() / 10.0 + 0.0)
    })
}
