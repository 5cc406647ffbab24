//! `muffle driver`.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use comfy_table::Cell;
use serde_json::json;

use super::{CliError, print, print_json, table, write_file};
use crate::config::{Address, Driver, built_in_drivers, read_file};
use crate::instrument::{Rehearsal, rehearse};
use crate::link::{Framing, Link, Replay, link};
use crate::station::{InstrumentLock, Owner};

/// Arguments of `driver`.
#[derive(Debug, Args)]
pub(super) struct DriverArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// List the drivers that are built in.
    List {
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Try every entry of a driver against an instrument, with the output off all the while.
    Try(TryArgs),
}

#[derive(Debug, Args)]
struct TryArgs {
    /// A built-in driver's name, or a driver file.
    driver: String,
    /// Where the instrument is, such as tcp://192.0.2.10:5025.
    #[arg(required_unless_present = "replay")]
    address: Option<String>,
    /// Keep all that was said in this file, one JSON object per line.
    #[arg(long, value_name = "FILE")]
    save: Option<PathBuf>,
    /// Play a kept conversation back instead of talking to an instrument.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["address", "save"])]
    replay: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: DriverArgs) -> Result<u8, CliError> {
    match args.what {
        What::List { json } => list(json),
        What::Try(args) => attempt(args).await,
    }
}

fn list(as_json: bool) -> Result<u8, CliError> {
    let mut drivers = Vec::new();
    for name in built_in_drivers() {
        drivers.push(Driver::load(name, Path::new("."))?);
    }
    let role = |driver: &Driver| driver.words.role();
    if as_json {
        let list: Vec<_> = drivers
            .iter()
            .map(|driver| json!({ "name": driver.name, "role": role(driver), "about": driver.about }))
            .collect();
        print_json(&json!({ "drivers": list }))?;
        return Ok(0);
    }
    let mut rows = table::table(&["driver", "role", "about"]);
    for driver in &drivers {
        rows.add_row(vec![
            Cell::new(&driver.name),
            Cell::new(role(driver)),
            Cell::new(&driver.about),
        ]);
    }
    print(&table::trim_lines(&rows.to_string()))?;
    Ok(0)
}

/// Nobody tries a driver on an instrument that another program works with.
fn lock(address: &str, driver: &Driver) -> Result<InstrumentLock, CliError> {
    let address: Address = address.parse().map_err(CliError::Input)?;
    let role = driver.words.role();
    let owner = Owner::this_process("none: a driver is tried");
    Ok(InstrumentLock::take(role, &address, &owner)?)
}

async fn attempt(args: TryArgs) -> Result<u8, CliError> {
    let driver = Driver::load(&args.driver, Path::new("."))?;
    let _lock = match &args.address {
        Some(address) => Some(lock(address, &driver)?),
        None => None,
    };
    let link = connect(&args, &driver)?;
    let rehearsal = rehearse(&driver, link).await;
    if let Some(path) = &args.save {
        write_file(path, rehearsal.transcript.lines().as_bytes())?;
    }
    match args.json {
        true => print_json(&json!({ "tried": rehearsal.tried, "left_out": rehearsal.left_out }))?,
        false => print(&describe(&rehearsal))?,
    }
    match rehearsal
        .tried
        .iter()
        .filter(|tried| tried.fault.is_some())
        .count()
    {
        0 => Ok(0),
        faults => Err(CliError::Bench(format!(
            "{faults} of {} entries did not work; correct the driver file where the instrument says otherwise",
            rehearsal.tried.len()
        ))),
    }
}

fn connect(args: &TryArgs, driver: &Driver) -> Result<Box<dyn Link>, CliError> {
    if let Some(path) = &args.replay {
        let text = read_file(path)?;
        let replay = Replay::new(&text, driver.dialect.prompt.is_some())
            .map_err(|error| CliError::Input(format!("{}: {error}", path.display())))?;
        return Ok(Box::new(replay));
    }
    let address = args.address.as_deref().unwrap_or_default();
    let address: Address = address.parse().map_err(CliError::Input)?;
    Ok(link(&address, Framing::from(&driver.dialect)))
}

fn describe(rehearsal: &Rehearsal) -> String {
    let mut rows = table::table(&["entry", "", "sent", "received"]);
    for tried in &rehearsal.tried {
        let mut entry = tried.entry.clone();
        let mut works = if tried.fault.is_some() { "NO" } else { "yes" }.to_owned();
        if tried.exchanges.is_empty() {
            rows.add_row([Cell::new(&entry), Cell::new(&works)]);
        }
        for exchange in &tried.exchanges {
            rows.add_row([
                Cell::new(std::mem::take(&mut entry)),
                Cell::new(std::mem::take(&mut works)),
                Cell::new(table::shown(&exchange.sent)),
                Cell::new(
                    exchange
                        .received
                        .as_deref()
                        .map_or(String::new(), table::shown),
                ),
            ]);
        }
        if let Some(fault) = &tried.fault {
            rows.add_row([Cell::new(""), Cell::new(""), Cell::new(fault)]);
        }
    }
    let mut text = table::trim_lines(&rows.to_string());
    for (entry, why) in &rehearsal.left_out {
        text.push_str(&format!("\n {entry}: left out, {why}"));
    }
    text
}
