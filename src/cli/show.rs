//! `muffle show`.

use std::path::PathBuf;

use clap::Args;
use comfy_table::Cell;

use super::measure::{describe, draw, find_run, picture_kind};
use super::{CliError, StoreArg, print, print_json, table, write_file};
use crate::quantity::Frequency;
use crate::report::RunDocument;
use crate::store::Store;

/// Arguments of `show`.
#[derive(Debug, Args)]
pub(super) struct ShowArgs {
    /// The run: its id, the beginning of it, or `latest`.
    run: String,
    #[command(flatten)]
    store: StoreArg,
    /// Print the uncertainty budget of the point with the least margin.
    #[arg(long)]
    budget: bool,
    /// Write the picture there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print the run as JSON.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: ShowArgs) -> Result<u8, CliError> {
    let picture = args.picture.as_deref().map(picture_kind).transpose()?;
    let store = Store::open_read_only(&args.store.store).await?;
    let record = find_run(&store, &args.run).await?;
    let document = RunDocument::read(&store, &record).await?;
    if let (Some(path), Some(kind)) = (&args.picture, picture) {
        write_file(path, &draw(std::slice::from_ref(&document), kind)?)?;
    }
    match args.json {
        true => print_json(&document)?,
        false => print(&describe(&document))?,
    }
    if args.budget && !args.json {
        print(&budget(&document))?;
    }
    match document.is_altered() {
        true => Err(CliError::Store(format!(
            "{}: run {} is not what was sealed; `muffle store check` looks at the whole file",
            store.path().display(),
            document.run
        ))),
        false => Ok(0),
    }
}

/// The budget of the worst point that has one, as a table.
fn budget(document: &RunDocument) -> String {
    let Some((point, budget)) = document
        .worst()
        .and_then(|point| Some((point, point.budget.as_ref()?)))
    else {
        return "no point of this run has an uncertainty".to_owned();
    };
    let mut rows = table::table(&["cause", "value dB", "distribution", "u dB", "from"]);
    for row in &budget.components {
        rows.add_row(vec![
            Cell::new(row.cause.text()),
            table::right(format!("{:.2}", row.value_db)),
            Cell::new(row.distribution.text()),
            table::right(format!("{:.2}", row.u_db)),
            Cell::new(row.origin.text()),
        ]);
    }
    let field = match point.field_dbuv_per_m {
        Some(field) => format!("field at the receive antenna {field:.1} dBµV/m\n"),
        None => String::new(),
    };
    format!(
        "Uncertainty at {}, {}, {} (SE {} dB)\n\n{}\n\n{field}combined {:.2} dB, coverage factor {:.2}, expanded {:.2} dB\n",
        Frequency::from_hz(point.frequency_hz),
        point.face,
        point.polarisation,
        point.se_text(),
        table::trim_lines(&rows.to_string()),
        budget.combined_db,
        budget.k,
        budget.expanded_db
    )
}
