//! What a measured curve says, what two items would give together, and what to measure next.

use std::path::PathBuf;

use clap::Args;
use comfy_table::Cell;
use serde_json::json;

use super::{frequency, heading, item_of, item_run, picture};
use crate::analysis::shield::curve::PointKind;
use crate::analysis::shield::design::NextTest;
use crate::analysis::shield::explain::Explanation;
use crate::analysis::shield::layers::{Pair, PairCheck, Place, Spacing};
use crate::cli::measure::{find_run, picture_kind};
use crate::cli::{CliError, StoreArg, print, print_json, table, write_file};
use crate::evaluate::kept;
use crate::quantity::{Frequency, Length};
use crate::report::{PointDocument, RunDocument, one_decimal, reason};
use crate::store::Store;

#[derive(Debug, Args)]
pub(super) struct ExplainArgs {
    /// The run of an item.
    run: String,
    #[command(flatten)]
    store: StoreArg,
    /// Write the curve, the fit and its residuals there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print JSON, with every residual and every combination tried.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
pub(super) struct LayersArgs {
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
    /// The run of the two measured one inside the other, to be compared with the bracket.
    #[arg(long, value_name = "RUN")]
    measured: Option<String>,
    #[command(flatten)]
    store: StoreArg,
    /// Write the bracket beside the curves there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Readings are picked one after the other, each in the light of those before: where intervals narrow most\nand where explanations that the data leave open part. The plan takes all faces, polarisations and\nfrequencies that were picked.\n\nExample: muffle shield next latest --write next.toml && muffle measure next.toml --item P-0042"
)]
pub(super) struct NextArgs {
    /// The run of an item.
    run: String,
    /// How many readings.
    #[arg(long, default_value_t = 6, value_parser = clap::value_parser!(u16).range(1..=200))]
    readings: u16,
    /// Lowest frequency that can be measured; that of the run when absent.
    #[arg(long, value_name = "FREQUENCY")]
    from: Option<Frequency>,
    /// Highest frequency that can be measured; that of the run when absent.
    #[arg(long, value_name = "FREQUENCY")]
    to: Option<Frequency>,
    /// Write a plan with the run's own settings and limit there.
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,
    #[command(flatten)]
    store: StoreArg,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub(super) async fn explain(args: ExplainArgs) -> Result<u8, CliError> {
    let kind = args.picture.as_deref().map(picture_kind).transpose()?;
    let store = Store::open_read_only(&args.store.store).await?;
    let document = item_run(&store, &args.run).await?;
    let item = item_of(&store, &document).await?;
    let said = reason::explained(&document, item.as_ref())?;
    if let (Some(path), Some(kind)) = (&args.picture, kind) {
        picture(path, kind, &reason::explanation_charts(&document, &said))?;
    }
    match args.json {
        true => print_json(&said)?,
        false => print(&describe(&document, &said))?,
    }
    Ok(0)
}

pub(super) async fn layers(args: LayersArgs) -> Result<u8, CliError> {
    let kind = args.picture.as_deref().map(picture_kind).transpose()?;
    let store = Store::open_read_only(&args.store.store).await?;
    let first = item_run(&store, &args.first).await?;
    let second = item_run(&store, &args.second).await?;
    let both = match &args.measured {
        Some(run) => Some(item_run(&store, run).await?),
        None => None,
    };
    let spacing = match (args.shortest, args.longest) {
        (Some(shortest), Some(longest)) => Spacing::Between { shortest, longest },
        _ => Spacing::Any,
    };
    let pair = reason::layered(&first, &second, spacing)?;
    let checks = match &both {
        Some(both) => Some(reason::pair_check(&pair, both)?),
        None => None,
    };
    if let (Some(path), Some(kind)) = (&args.picture, kind) {
        let chart = reason::layers_chart(&first, &second, &pair, both.as_ref());
        picture(path, kind, &[chart])?;
    }
    match args.json {
        true => print_json(&json!({ "pair": pair, "measured": checks }))?,
        false => print(&describe_pair(&first, &second, &pair, checks.as_deref()))?,
    }
    Ok(0)
}

pub(super) async fn next(args: NextArgs) -> Result<u8, CliError> {
    let store = Store::open_read_only(&args.store.store).await?;
    let record = find_run(&store, &args.run).await?;
    let document = item_run(&store, &args.run).await?;
    let (plan, station) = kept(&store, &record).await?;
    let frequencies = reason::offered(&plan, args.from, args.to)?;
    let item = item_of(&store, &document).await?;
    let readings = usize::from(args.readings);
    let next = reason::next(&document, item.as_ref(), &frequencies, readings)?;
    if let Some(path) = &args.write {
        let text = reason::next_plan(&plan, &station, &next)?;
        write_file(path, text.as_bytes())?;
        eprintln!("Written: {}", path.display());
    }
    match args.json {
        true => print_json(&next)?,
        false => print(&describe_next(&document, &next))?,
    }
    Ok(0)
}

fn describe_next(document: &RunDocument, next: &NextTest) -> String {
    let mut rows = table::table(&[
        "face",
        "frequency",
        "expected SE dB",
        "seen with",
        "narrows",
        "to",
        "decides nats",
    ]);
    for reading in &next.readings {
        rows.add_row(vec![
            Cell::new(&reading.face),
            table::right(frequency(reading.frequency_hz)),
            table::number(Some(reading.expected_se_db)),
            table::right(format!("{:.0} %", 100.0 * reading.chance_seen)),
            Cell::new(reading.parameter.unwrap_or("–")),
            table::right(format!("{:.0} %", 100.0 * reading.variance_ratio.sqrt())),
            table::right(format!("{:.2}", reading.deciding_nats)),
        ]);
    }
    format!(
        "{}\n\n{}\n\n`to`: the interval's length after the reading, of what it is now.\n{}; {}.",
        heading(document),
        table::trim_lines(&rows.to_string()),
        next.basis.source,
        next.basis.validity
    )
}

fn describe_checks(checks: &[PairCheck]) -> String {
    let mut rows = table::table(&["frequency", "measured dB", "worst dB", "best dB", "lies"]);
    for check in checks {
        rows.add_row(vec![
            table::right(frequency(check.frequency_hz)),
            table::right(PointDocument::value_or_bound(
                check.measured_db,
                check.kind == PointKind::AtLeast,
            )),
            table::right(PointDocument::value_or_bound(check.worst_db, check.bounded)),
            table::right(check.best_db.map_or("open".to_owned(), one_decimal)),
            Cell::new(match check.place {
                Place::Below => "below: worse than the bracket",
                Place::Inside => "inside",
                Place::Above => "above: better than the bracket, look at the set-up",
                Place::CannotTell => "cannot tell",
            }),
        ]);
    }
    let count = |place| checks.iter().filter(|check| check.place == place).count();
    format!(
        "\nThe two as measured together: {} of {} inside the bracket, {} below, {} above, {} cannot tell.\n\n{}\n",
        count(Place::Inside),
        checks.len(),
        count(Place::Below),
        count(Place::Above),
        count(Place::CannotTell),
        table::trim_lines(&rows.to_string())
    )
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
        "{}\n\n{}\n\n{}\n\nScatter about the model: {} dB; counted as common to all points: {} dB. {}; {}.",
        heading(document),
        said.sentence,
        table::trim_lines(&rows.to_string()),
        one_decimal(said.scatter_db),
        one_decimal(said.common_db),
        said.basis.source,
        said.basis.validity
    )
}

fn describe_pair(
    first: &RunDocument,
    second: &RunDocument,
    pair: &Pair,
    checks: Option<&[PairCheck]>,
) -> String {
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
        let text = |db, bounded| table::right(PointDocument::value_or_bound(db, bounded));
        rows.add_row(vec![
            table::right(frequency(point.frequency_hz)),
            text(point.first_db, point.first_bounded),
            text(point.second_db, point.second_bounded),
            text(point.worst_db, point.bounded),
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
    if let Some(checks) = checks {
        text.push_str(&describe_checks(checks));
    }
    text.push_str(&format!(
        "\n{}; {}.",
        pair.basis.source, pair.basis.validity
    ));
    text
}
