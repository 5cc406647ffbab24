//! `muffle trend`.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use comfy_table::Cell;

use super::measure::{PICTURE_PX, PictureKind, picture_kind};
use super::{CliError, StoreArg, print, print_json, table, write_file};
use crate::analysis::trend::{Course, Crossing};
use crate::evaluate::trend::{Axis, Line, TrendDocument, trend};
use crate::quantity::Frequency;
use crate::report::{png, trend_graph};
use crate::store::Store;

/// Arguments of `trend`.
#[derive(Debug, Args)]
#[command(
    after_help = "By cycles of use where every run has them (`muffle measure --cycles N`, or `cycles = N` in the items file),\nelse by days. Needs three measured values, four where bounds are among them.\n\nExample:\n  muffle trend P-0042 --event wash --events washes --picture wear.svg"
)]
pub(super) struct TrendArgs {
    /// The item's serial.
    item: String,
    /// By what its runs are put in order.
    #[arg(long, value_enum)]
    by: Option<By>,
    /// What one cycle is called.
    #[arg(long, default_value = "cycle")]
    event: String,
    /// What several are called.
    #[arg(long, default_value = "cycles")]
    events: String,
    /// The confidence of slope, band and crossing.
    #[arg(long, default_value_t = 0.95)]
    confidence: f64,
    /// Draw this frequency instead of what decides.
    #[arg(long, requires = "picture")]
    frequency: Option<Frequency>,
    #[command(flatten)]
    store: StoreArg,
    /// Write the picture there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum By {
    /// Cycles of use.
    Cycles,
    /// Days since the first run.
    Days,
}

pub(super) async fn run(args: TrendArgs) -> Result<u8, CliError> {
    let picture = args.picture.as_deref().map(picture_kind).transpose()?;
    let store = Store::open_read_only(&args.store.store).await?;
    let by = args.by.map(|by| match by {
        By::Cycles => Axis::Cycles,
        By::Days => Axis::Days,
    });
    let event = (args.event.as_str(), args.events.as_str());
    let document = trend(&store, &args.item, by, event, args.confidence).await?;
    if let (Some(path), Some(kind)) = (&args.picture, picture) {
        let svg = trend_graph(&document, drawn(&document, args.frequency)?).svg();
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
    Ok(0)
}

/// The frequency to be drawn, if one is asked for and was measured.
fn drawn(document: &TrendDocument, asked: Option<Frequency>) -> Result<Option<f64>, CliError> {
    let Some(asked) = asked else { return Ok(None) };
    let found = document
        .frequencies
        .iter()
        .find(|at| at.frequency_hz == asked.hz());
    match found {
        Some(at) => Ok(Some(at.frequency_hz)),
        None => Err(CliError::Input(format!(
            "{} was never measured at {asked}",
            document.item
        ))),
    }
}

fn describe(document: &TrendDocument) -> String {
    let events = &document.events.1;
    let mut rows = table::table(&[
        "at",
        "limit dB",
        "values",
        "bounds",
        &format!("slope dB in 100 {events}"),
        "±",
        "course",
        "crosses",
    ]);
    let deciding = match document.deciding.limit_db {
        Some(_) => "least margin",
        None => "least SE",
    };
    let lines = document.frequencies.iter().map(|at| {
        let label = Frequency::from_hz(at.frequency_hz).to_string();
        (label, &at.line)
    });
    for (label, line) in lines.chain([(deciding.to_owned(), &document.deciding)]) {
        rows.add_row(row(label, line));
    }
    let mut text = format!(
        "{}, {} runs\n\n{}\n\n{}.\n",
        table::shown(&document.item),
        document.runs.len(),
        table::trim_lines(&rows.to_string()),
        document.sentence
    );
    for note in &document.notes {
        text.push_str(&format!("  {note}\n"));
    }
    text.trim_end().to_owned()
}

fn row(label: String, line: &Line) -> Vec<Cell> {
    let bounds = line.values.iter().filter(|point| point.value.is_bound());
    let slope = |of: &dyn Fn(&crate::analysis::trend::Trend) -> f64| {
        let found = line.trend.as_ref().map(|trend| 100.0 * of(trend));
        table::right(found.map_or("–".to_owned(), |db| format!("{db:.2}")))
    };
    vec![
        table::right(label),
        table::number(line.limit_db),
        table::right(line.values.len().to_string()),
        table::right(bounds.count().to_string()),
        slope(&|trend| trend.slope_db),
        slope(&|trend| trend.slope_half_width_db),
        Cell::new(match line.trend.as_ref().map(|trend| trend.course) {
            Some(Course::Falling) => "falls",
            Some(Course::Rising) => "rises",
            Some(Course::NotShown) => "no change shown",
            None => "no line",
        }),
        Cell::new(match line.crossing {
            Some(Crossing::At { at, from, to, .. }) => {
                format!("at {at:.0} ({from:.0} to {to:.0})")
            }
            Some(Crossing::BelowFromStart) => "below from the start".to_owned(),
            Some(Crossing::NoneShown) | None => String::new(),
        }),
    ]
}
