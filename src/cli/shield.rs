//! `muffle shield`: theory beside what was measured, never instead of it.

use clap::{Args, Subcommand};
use comfy_table::Cell;

use super::measure::find_run;
use super::{CliError, StoreArg, print, print_json, table};
use crate::analysis::limit::LimitLine;
use crate::analysis::shield::ShieldError;
use crate::analysis::shield::explain::{Excitation, Explanation, ItemInside, explain};
use crate::analysis::shield::layers::{Pair, Spacing, nested};
use crate::analysis::shield::pulse::{IEC_61000_2_9, PulseFigures, PulseResult, pulse};
use crate::quantity::{Frequency, Length};
use crate::report::theory::{self, curve};
use crate::report::{RunDocument, one_decimal};
use crate::store::{RunKind, Store};

/// Arguments of `shield`.
#[derive(Debug, Args)]
#[command(
    after_help = "Each takes runs by id, by the beginning of it, or `latest`, and works on the least SE of all faces and\npolarisations at each frequency."
)]
pub(super) struct ShieldArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Where does the item leak? What its curve is consistent with, and what the data cannot tell.
    Explain {
        /// The run of an item.
        run: String,
        #[command(flatten)]
        store: StoreArg,
        /// Print JSON, with every residual and every combination tried.
        #[arg(long)]
        json: bool,
    },
    /// What would two measured items give, one inside the other? A bracket, never the sum.
    Layers {
        /// The run of one item.
        first: String,
        /// The run of the other.
        second: String,
        /// Shortest distance between them; any spacing when absent.
        #[arg(long, requires = "longest")]
        shortest: Option<Length>,
        /// Longest distance between them.
        #[arg(long, requires = "shortest")]
        longest: Option<Length>,
        #[command(flatten)]
        store: StoreArg,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// What is left inside of the early-time pulse of IEC 61000-2-9?
    Pulse {
        /// The run of an item.
        run: String,
        #[command(flatten)]
        store: StoreArg,
        /// Print JSON, with the waveforms.
        #[arg(long)]
        json: bool,
    },
}

impl From<ShieldError> for CliError {
    fn from(error: ShieldError) -> Self {
        Self::Input(error.to_string())
    }
}

pub(super) async fn run(args: ShieldArgs) -> Result<u8, CliError> {
    match args.what {
        What::Explain { run, store, json } => {
            let store = Store::open_read_only(&store.store).await?;
            let document = item_run(&store, &run).await?;
            let inside = inside(&store, &document).await?;
            let said = explain(&curve(&document), inside.as_ref(), Excitation::PlaneWave)?;
            match json {
                true => print_json(&said)?,
                false => print(&describe(&document, &said))?,
            }
        }
        What::Layers {
            first,
            second,
            shortest,
            longest,
            store,
            json,
        } => {
            let store = Store::open_read_only(&store.store).await?;
            let (first, second) = (
                item_run(&store, &first).await?,
                item_run(&store, &second).await?,
            );
            let spacing = match (shortest, longest) {
                (Some(shortest), Some(longest)) => Spacing::Between { shortest, longest },
                _ => Spacing::Any,
            };
            let pair = nest(&first, &second, spacing)?;
            match json {
                true => print_json(&pair)?,
                false => print(&describe_pair(&first, &second, &pair))?,
            }
        }
        What::Pulse { run, store, json } => {
            let store = Store::open_read_only(&store.store).await?;
            let document = item_run(&store, &run).await?;
            let residual = pulse(&curve(&document), &IEC_61000_2_9)?;
            match json {
                true => print_json(&residual)?,
                false => print(&describe_pulse(&document, &residual))?,
            }
        }
    }
    Ok(0)
}

async fn item_run(store: &Store, given: &str) -> Result<RunDocument, CliError> {
    let record = find_run(store, given).await?;
    match record.kind {
        RunKind::Item => Ok(RunDocument::read(store, &record).await?),
        RunKind::Reference => Err(CliError::Input(format!(
            "run {} is a reference; name the run of an item (`muffle history` lists them)",
            record.id
        ))),
    }
}

/// The inside of the item, where its size is written with three sides.
async fn inside(store: &Store, document: &RunDocument) -> Result<Option<ItemInside>, CliError> {
    let Some(serial) = &document.item else {
        return Ok(None);
    };
    Ok(store.item(serial).await?.as_ref().and_then(theory::inside))
}

fn nest(first: &RunDocument, second: &RunDocument, spacing: Spacing) -> Result<Pair, CliError> {
    let line = match first.limit.is_empty() {
        true => None,
        false => LimitLine::new(first.limit.clone()).ok(),
    };
    // Outside the limit line nothing is required.
    let limit = |hz: f64| line.as_ref().and_then(|line| line.at_db(hz)).unwrap_or(0.0);
    let limit: Option<&dyn Fn(f64) -> f64> = line.as_ref().map(|_| &limit as &dyn Fn(f64) -> f64);
    Ok(nested(&curve(first), &curve(second), spacing, limit)?)
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

fn describe(document: &RunDocument, said: &Explanation) -> String {
    let mut rows = table::table(&[
        "leak",
        "weight",
        "size",
        "value",
        "95 % from",
        "to",
        "largest from",
        "to",
    ]);
    let end =
        |value: Option<f64>| table::right(value.map_or("open".to_owned(), |v| format!("{v:.3e}")));
    for leak in &said.leaks {
        for parameter in &leak.parameters {
            let (from, to) = leak
                .dominant_hz
                .map_or((String::new(), String::new()), |(a, b)| {
                    (frequency(a), frequency(b))
                });
            rows.add_row(vec![
                Cell::new(leak.kind.word()),
                table::right(format!("{:.0} %", 100.0 * leak.probability)),
                Cell::new(parameter.name),
                end(Some(parameter.estimate)),
                end(parameter.low_95),
                end(parameter.high_95),
                table::right(from),
                table::right(to),
            ]);
        }
    }
    format!(
        "{}\n\n{}\n\n{}\n\nScatter about the model: {} dB. {}; {}.",
        heading(document),
        said.sentence,
        table::trim_lines(&rows.to_string()),
        one_decimal(said.scatter_db),
        said.basis.source,
        said.basis.validity
    )
}

fn describe_pair(first: &RunDocument, second: &RunDocument, pair: &Pair) -> String {
    let mut rows = table::table(&[
        "frequency",
        "first dB",
        "second dB",
        "least dB",
        "most dB",
        "limit dB",
        "stays above",
    ]);
    for point in &pair.points {
        let least = match point.bounded {
            true => format!("≥ {}", one_decimal(point.worst_db)),
            false => one_decimal(point.worst_db),
        };
        rows.add_row(vec![
            table::right(frequency(point.frequency_hz)),
            table::number(Some(point.first_db)),
            table::number(Some(point.second_db)),
            table::right(least),
            table::right(point.best_db.map_or("open".to_owned(), one_decimal)),
            table::number(point.limit_db),
            Cell::new(
                point
                    .above_limit
                    .map_or("–", |above| if above { "yes" } else { "not sure" }),
            ),
        ]);
    }
    let mut text = format!(
        "{}\n{}\n\n{}\n",
        heading(first),
        heading(second),
        table::trim_lines(&rows.to_string())
    );
    for (from, to) in &pair.above_limit_hz {
        text.push_str(&format!(
            "\nabove the limit whatever the spacing from {} to {}",
            frequency(*from),
            frequency(*to)
        ));
    }
    text.push_str(&format!(
        "\n{}; {}.",
        pair.basis.source, pair.basis.validity
    ));
    text
}

fn describe_pulse(document: &RunDocument, said: &PulseResult) -> String {
    let mut rows = table::table(&["", "peak V/m", "rise ns", "width ns", "energy J/m²"]);
    let mut row = |name: &str, figures: &PulseFigures| {
        rows.add_row(vec![
            Cell::new(name),
            table::right(format!("{:.3e}", figures.peak_v_per_m)),
            table::right(format!("{:.2}", figures.rise_s * 1e9)),
            table::right(format!("{:.2}", figures.width_s * 1e9)),
            table::right(format!("{:.2e}", figures.fluence_j_per_m2)),
        ]);
    };
    row("outside", &said.outside);
    row("inside", &said.inside);
    let least = said
        .peak_low_v_per_m
        .map_or("open".to_owned(), |v| format!("{v:.3}"));
    let at_most = match said.at_most {
        true => "\nThe curve holds lower bounds, so every figure of the inside is an upper bound.",
        false => "",
    };
    format!(
        "{}\n\n{}\n\npeak inside from {least} to {:.3} V/m over the ways to continue the curve; whatever the phase, at most {:.3} V/m{at_most}\nmeasured from {} to {}, which holds {:.0} % of the pulse's energy\n\n{}\n{}; {}.",
        heading(document),
        table::trim_lines(&rows.to_string()),
        said.peak_high_v_per_m,
        said.any_phase_peak_v_per_m,
        frequency(said.measured_hz.0),
        frequency(said.measured_hz.1),
        100.0 * said.measured_energy_share,
        said.not_covered,
        said.basis.source,
        said.basis.validity
    )
}
