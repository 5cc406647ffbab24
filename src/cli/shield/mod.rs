//! `muffle shield`: theory beside what was measured, never instead of it.

mod pulse;
mod reasons;
mod theory;

use std::path::Path;

use clap::{Args, Subcommand};

use super::measure::{PICTURE_PX, PictureKind, find_run};
use super::{CliError, table, write_file};
use crate::analysis::shield::ShieldError;
use crate::quantity::Frequency;
use crate::report::{Chart, RunDocument, png, svg_column};
use crate::store::{Item, RunKind, Store};

/// Arguments of `shield`.
#[derive(Debug, Args)]
#[command(
    after_help = "Runs are given by id, by the beginning of it, or as `latest`; the least SE of all faces and\npolarisations at each frequency counts."
)]
pub(super) struct ShieldArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Where does the item leak? What its curve is consistent with, and what the data cannot tell.
    Explain(reasons::ExplainArgs),
    /// What would two measured items give, one inside the other? A bracket, never the sum.
    Layers(reasons::LayersArgs),
    /// What is left inside of a pulse, such as the early-time one of IEC 61000-2-9?
    Pulse(pulse::PulseArgs),
    /// Which readings would tell most next? As a list, and as a plan that `muffle measure` runs.
    Next(reasons::NextArgs),
    #[command(flatten)]
    Theory(theory::Theory),
}

impl From<ShieldError> for CliError {
    fn from(error: ShieldError) -> Self {
        Self::Input(error.to_string())
    }
}

pub(super) async fn run(args: ShieldArgs) -> Result<u8, CliError> {
    match args.what {
        What::Explain(args) => reasons::explain(args).await,
        What::Layers(args) => reasons::layers(args).await,
        What::Pulse(args) => pulse::run(args).await,
        What::Next(args) => reasons::next(args).await,
        What::Theory(theory) => theory::run(theory).await,
    }
}

/// The run of an item, whole.
pub(super) async fn item_run(store: &Store, given: &str) -> Result<RunDocument, CliError> {
    let record = find_run(store, given).await?;
    match record.kind {
        RunKind::Item => Ok(RunDocument::read(store, &record).await?),
        RunKind::Reference => Err(CliError::Input(format!(
            "run {} is a reference; name the run of an item (`muffle history` lists them)",
            record.id
        ))),
    }
}

/// The item of a run, as last described.
async fn item_of(store: &Store, document: &RunDocument) -> Result<Option<Item>, CliError> {
    Ok(match &document.item {
        Some(serial) => store.item(serial).await?,
        None => None,
    })
}

fn heading(document: &RunDocument) -> String {
    format!(
        "{}, run {}",
        document
            .item
            .as_deref()
            .map_or("reference".to_owned(), table::shown),
        document.run
    )
}

fn frequency(hz: f64) -> String {
    Frequency::from_hz(hz).to_string()
}

/// Charts, one below the other, in the format that the name asks for.
fn picture(path: &Path, kind: PictureKind, charts: &[Chart]) -> Result<(), CliError> {
    let svg = match charts {
        [one] => one.svg(),
        several => svg_column(several.first().map_or("", |chart| &chart.title), several),
    };
    save(path, kind, svg)
}

fn save(path: &Path, kind: PictureKind, svg: String) -> Result<(), CliError> {
    let bytes = match kind {
        PictureKind::Svg => svg.into_bytes(),
        PictureKind::Png => png(&svg, PICTURE_PX)?,
    };
    write_file(path, &bytes)
}
