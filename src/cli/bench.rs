//! `muffle bench`.

use std::time::Duration;

use clap::{Args, Subcommand};
use comfy_table::Cell;
use serde_json::json;

use super::{CliError, StationArg, StoreArg, print, print_json, table};
use crate::config;
use crate::link::{Found, Framing, find, link};
use crate::quantity::Level;
use crate::station::{Station, allowed};
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
    /// List what could be an instrument: announced on the network, serial ports, USB. Nothing is set.
    Find(FindArgs),
}

#[derive(Debug, Args)]
struct FindArgs {
    /// How many seconds to listen to the network.
    #[arg(long, default_value_t = 3)]
    seconds: u8,
    /// Print JSON.
    #[arg(long)]
    json: bool,
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
    match args.what {
        What::Check(args) => check(args).await,
        What::Find(args) => look(args).await,
    }
}

async fn check(args: CheckArgs) -> Result<u8, CliError> {
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
    let most = allowed(station, station.source_range.level.1);
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

/// Something found, with its answer where it could be asked.
#[derive(Debug, serde::Serialize)]
struct Answered {
    #[serde(flatten)]
    found: Found,
    identity: Option<String>,
}

async fn look(args: FindArgs) -> Result<u8, CliError> {
    let patience = Duration::from_secs(args.seconds.into());
    // The search waits on threads of its own.
    let (found, fault) = tokio::task::spawn_blocking(move || find(patience))
        .await
        .map_err(|error| CliError::Bench(format!("the search broke off: {error}")))?;
    if let Some(fault) = fault {
        eprintln!(
            "the local network could not be asked ({fault}); looking at this machine's own ports only"
        );
    }
    let mut answered = Vec::with_capacity(found.len());
    for found in found {
        let identity = match (&found.address, found.may_be_asked) {
            (Some(address), true) => ask_identity(address).await,
            _ => None,
        };
        answered.push(Answered { found, identity });
    }
    match args.json {
        true => print_json(&json!({ "found": answered }))?,
        false => print(&describe_found(&answered))?,
    }
    Ok(0)
}

/// `*IDN?`, which IEEE 488.2 (10.14) makes every instrument answer and which changes nothing.
async fn ask_identity(address: &str) -> Option<String> {
    const PATIENCE: Duration = Duration::from_secs(2);
    let framing = Framing {
        ends_with: "\n".to_owned(),
        prompt: None,
        echo: false,
        clear: None,
    };
    let mut link = link(&address.parse().ok()?, framing);
    let asking = async {
        link.send(b"*IDN?").await.ok()?;
        link.receive().await.ok()
    };
    let answer = tokio::time::timeout(PATIENCE, asking).await.ok()??;
    Some(String::from_utf8_lossy(&answer).trim().to_owned())
}

fn describe_found(found: &[Answered]) -> String {
    if found.is_empty() {
        return "nothing found. Instruments with a socket can be named by address all the same: tcp://HOST:5025"
            .to_owned();
    }
    let mut rows = table::table(&["address", "by", "describes itself as", "*IDN?"]);
    for Answered { found, identity } in found {
        rows.add_row(vec![
            Cell::new(found.address.as_deref().unwrap_or("–")),
            Cell::new(found.by),
            Cell::new(table::shown(&found.description)),
            Cell::new(identity.as_deref().map_or("–".to_owned(), table::shown)),
        ]);
    }
    let mut text = table::trim_lines(&rows.to_string());
    let addresses: Vec<_> = found
        .iter()
        .filter_map(|a| a.found.address.as_deref())
        .collect();
    if let Some(first) = addresses.first() {
        text.push_str(&format!(
            "\n\nFor a station file (which is which, you must say; try a driver with `muffle driver try DRIVER {first}`):\n"
        ));
        for address in addresses {
            text.push_str(&format!("  address = {}\n", json!(address)));
        }
    }
    text
}
