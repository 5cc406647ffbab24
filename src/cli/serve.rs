//! `muffle serve`.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::listen::{ListenArgs, Listening};
use super::token::{TokenArgs, token};
use super::{CliError, StoreArg, print};
use crate::config;
use crate::daemon::{Claim, Engine, Presence, Signals, StationFile, UNIT, live};
use crate::station::{Opening, owner};
use crate::store::Store;

/// Arguments of `serve`.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Example: muffle serve --station config/station.toml --store muffle.db\nSIGTERM and Ctrl-C end it within two seconds, outputs off first; the queue goes on at the next start.\nSIGHUP reads the files anew: the daemon's at once, a station's if it is idle. Addresses, the store and\nthe list of stations need a restart.\nPut something into the queue by muffle queue add."
)]
pub(super) struct ServeArgs {
    #[command(subcommand)]
    what: Option<What>,
    /// A station file; may be given several times.
    #[arg(
        long = "station",
        env = "MUFFLE_STATION",
        default_value = "config/station.toml",
        value_name = "FILE"
    )]
    stations: Vec<PathBuf>,
    #[command(flatten)]
    store: StoreArg,
    #[command(flatten)]
    listen: ListenArgs,
    /// The daemon's file: how long it waits for people, how often it tries again, whom it tells.
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// How the log is written, to standard error; MUFFLE_LOG=info shows more of it.
    #[arg(long, value_enum, default_value = "text")]
    log: Log,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Print a unit file for systemd.
    Unit,
    /// Make, list or revoke tokens, by which the page is reached from elsewhere.
    Token(TokenArgs),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Log {
    /// For people.
    Text,
    /// One JSON object to a line.
    Json,
}

impl ServeArgs {
    pub(super) fn logs_json(&self) -> bool {
        self.log == Log::Json
    }
}

pub(super) async fn run(args: ServeArgs) -> Result<u8, CliError> {
    match args.what {
        Some(What::Unit) => print(UNIT.trim_end()).map(|()| 0),
        Some(What::Token(args)) => token(args).await,
        None => serve(args).await,
    }
}

async fn serve(args: ServeArgs) -> Result<u8, CliError> {
    let settings = match &args.config {
        Some(file) => config::Daemon::load(file)?,
        None => config::Daemon::default(),
    };
    let mut stations = Vec::new();
    for path in &args.stations {
        let config = config::Station::load(path)?;
        let path = path.clone();
        stations.push(StationFile { path, config });
    }
    for StationFile { config, .. } in &stations {
        if let Some(owner) = owner(config) {
            return Err(CliError::Bench(format!(
                "{} belongs to {owner}; end that one first",
                config.name
            )));
        }
    }
    let opening = Opening::by_this_program();
    let signals = Signals::listen()?;
    let listening = Listening::bind(args.listen).await?;
    let store = Store::open(&args.store.store).await?;
    let presence = Presence {
        pid: std::process::id(),
        since: jiff::Timestamp::now(),
        stations: stations
            .iter()
            .map(|file| file.config.name.clone())
            .collect(),
        pages: listening.pages(),
    };
    let _claim = Claim::take(store.path(), &presence)?;
    let (engine, running) = Engine::start(store.clone(), stations, settings, opening).await?;
    eprintln!("serving {}", presence.stations.join(", "));
    let listening = listening.serve(&engine);
    let unseen = live(&engine, running, signals, args.config).await;
    listening.wait().await;
    match unseen.as_slice() {
        [] => Ok(0),
        stations => Err(CliError::Bench(format!(
            "ended, but nobody saw the output of {} to be off in time: look at it",
            stations.join(", ")
        ))),
    }
}
