//! `muffle stop`.

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::{CliError, print, print_json, table};
use crate::config;
use crate::station::{Owner, StopReport, owners, stop, stop_owner, user};

/// Arguments of `stop`.
#[derive(Debug, Args)]
#[command(
    after_help = "Without a station, everything that a muffle on this machine transmits is stopped.\nExit codes: 0 when every output was confirmed off, 4 when one was not: then switch it off by hand.\n\nExample: muffle stop --station station.toml"
)]
pub(super) struct StopArgs {
    /// Stop the station of this name only.
    #[arg(value_name = "NAME")]
    name: Option<String>,
    /// Stop this station, also when no muffle owns it: then its source is switched off by this command.
    #[arg(long, value_name = "FILE", conflicts_with = "name")]
    station: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: StopArgs) -> Result<u8, CliError> {
    let who = format!("`muffle stop` ({}, process {})", user(), std::process::id());
    let reports = match &args.station {
        Some(path) => vec![stop(&config::Station::load(path)?, &who).await],
        None => stop_owners(args.name.as_deref(), &who).await?,
    };
    match args.json {
        true => print_json(&json!({ "stopped": reports }))?,
        false => {
            for report in &reports {
                print(&sentence(report))?;
            }
        }
    }
    match reports.iter().all(|report| report.stopped.confirmed_off) {
        true => Ok(0),
        false => Ok(4),
    }
}

/// All at once: none waits for another that does not answer.
async fn stop_owners(name: Option<&str>, who: &str) -> Result<Vec<StopReport>, CliError> {
    let owners: Vec<_> = owners()
        .into_iter()
        .filter(|owner| owner.socket.is_some() && name.is_none_or(|name| name == owner.station))
        .collect();
    if owners.is_empty() {
        return Err(CliError::Input(format!(
            "no muffle on this machine owns {}; to switch off a source that nobody owns, give its station: `muffle stop --station FILE`",
            name.map_or("a station".to_owned(), |name| format!(
                "the station `{name}`"
            ))
        )));
    }
    let who = who.to_owned();
    let mut stopping = tokio::task::JoinSet::new();
    for owner in owners {
        let who = who.clone();
        stopping.spawn(async move { stop_one(&owner, &who).await });
    }
    let reports = stopping.join_all().await;
    Ok(reports)
}

async fn stop_one(owner: &Owner, who: &str) -> StopReport {
    match stop_owner(owner, who).await {
        Some(report) => report,
        None => StopReport::no_keeper(owner),
    }
}

fn sentence(report: &StopReport) -> String {
    let station = table::shown(&report.station);
    let stopped = &report.stopped;
    let output = match (stopped.confirmed_off, &stopped.by, &stopped.why) {
        (true, Some(by), _) => format!(
            "output confirmed off after {:.0} ms, by {by}",
            report.took_ms
        ),
        (true, None, _) => format!("output confirmed off after {:.0} ms", report.took_ms),
        (false, _, why) => format!(
            "OUTPUT NOT CONFIRMED OFF: {}",
            why.as_deref().unwrap_or("nobody says why")
        ),
    };
    match &report.owner {
        Some(owner) => format!("{station}: {output}. Told to stop: {owner}."),
        None => format!("{station}: {output}. No muffle on this machine owns the station."),
    }
}
