//! `muffle bench`.

use clap::{Args, Subcommand};
use comfy_table::Cell;
use serde_json::json;

use super::{CliError, StationArg, StoreArg, print, print_json, table};
use crate::config;
use crate::quantity::Level;
use crate::station::{Station, allowed_anywhere};
use crate::store::Store;

/// Arguments of `bench`.
#[derive(Debug, Args)]
pub(super) struct BenchArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Ask both instruments who they are, and see that the output is off. Nothing is transmitted.
    Check(CheckArgs),
}

#[derive(Debug, Args)]
struct CheckArgs {
    #[command(flatten)]
    station: StationArg,
    #[command(flatten)]
    store: StoreArg,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: BenchArgs) -> Result<u8, CliError> {
    let What::Check(args) = args.what;
    let config = config::Station::load(&args.station.station)?;
    let store = Store::open(&args.store.store).await?;
    let station = Station::open(config, &store).await?;
    station.guard().off().await?;
    match args.json {
        true => print_json(&report(&station))?,
        false => print(&describe(&station))?,
    }
    Ok(0)
}

/// The most the guard would send, whatever a plan asks.
fn most(station: &config::Station) -> crate::station::Allowed {
    let most = allowed_anywhere(station, station.source_range.level.1);
    debug_assert!(most.level <= station.source_range.level.1);
    most
}

fn report(station: &Station) -> serde_json::Value {
    let config = &station.config;
    let most = most(config);
    json!({
        "station": config.name,
        "source": { "address": config.source.address.to_string(), "driver": config.source.driver_name,
                    "identity": station.identities.source, "output": "off" },
        "receiver": { "address": config.receiver.address.to_string(), "driver": config.receiver.driver_name,
                      "identity": station.identities.receiver },
        "source_level_max_dbm": most.level.dbm(),
        "radiated_max_dbm": most.radiated.dbm(),
        "held_back_by": most.held_back.map(|(_, by)| by),
    })
}

fn describe(station: &Station) -> String {
    let config = &station.config;
    let mut rows = table::table(&["instrument", "address", "driver", "answers", "output"]);
    let mut row = |role: &str, entry: &config::InstrumentEntry, identity: &str, output: &str| {
        rows.add_row(vec![
            Cell::new(role),
            Cell::new(entry.address.to_string()),
            Cell::new(&entry.driver_name),
            Cell::new(table::shown(identity)),
            Cell::new(output),
        ]);
    };
    row("source", &config.source, &station.identities.source, "off");
    row(
        "receiver",
        &config.receiver,
        &station.identities.receiver,
        "",
    );
    let most = most(config);
    let why = most
        .held_back
        .map_or("the source's own range".to_owned(), |(_, by)| {
            by.words().to_owned()
        });
    let watts = |level: Level| level.milliwatts() / 1000.0;
    format!(
        "{}\n\n{}\n\nThe most this station sends: {} at the source, {} ({:.3} W) at the antenna feed, because of {why}.",
        config.name,
        table::trim_lines(&rows.to_string()),
        most.level,
        most.radiated,
        watts(most.radiated)
    )
}
