//! The commands, and what the terminal shows.
//!
//! Tables and JSON go to standard output, everything else to standard error, so that a pipe gets only
//! what was asked for. Exit codes: 0 done, 1 the item failed its limit, 2 undecided, 3 the input was
//! wrong, 4 the bench failed, 5 the store failed.

mod bench;
mod demo;
mod driver;
mod find;
mod history;
mod measure;
mod recompute;
mod record;
mod shield;
mod show;
mod sim;
mod store;
mod table;
mod watch;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

use crate::config::ConfigError;
use crate::evaluate::EvaluateError;
use crate::procedure::ProcedureError;
use crate::report::ReportError;
use crate::station::StationError;
use crate::store::{StoreError, Verdict};

/// Measures how well a bag, pouch, box or cabinet keeps radio waves out.
#[derive(Debug, Parser)]
#[command(version, about, long_about = None, max_term_width = 100, after_help = CODES)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

const CODES: &str = "Exit codes: 0 done, 1 the item failed its limit, 2 undecided, 3 the input was wrong,\n4 the bench failed or the run was stopped, 5 the store failed.\n\nLog: MUFFLE_LOG=debug shows what is said to the instruments.";

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the whole job on the simulated bench: nothing attached, nothing transmitted.
    Demo(demo::DemoArgs),
    /// Measure items against a plan, or go on with a run that was stopped.
    Measure(measure::MeasureArgs),
    /// Follow a schedule beside a receiver in a closed item, write one, or merge what was recorded.
    Record(record::RecordArgs),
    /// Look at the station: who answers, is the output off, what would be sent.
    Bench(bench::BenchArgs),
    /// List the drivers, or try one against an instrument.
    Driver(driver::DriverArgs),
    /// List what was measured.
    History(history::HistoryArgs),
    /// Show one run: its points, its verdict, its picture, its uncertainty.
    Show(show::ShowArgs),
    /// Ask theory about a measured curve: where it leaks, two items nested, a pulse behind it.
    Shield(shield::ShieldArgs),
    /// Work out results anew from the raw traces, by the analysis of this program.
    Recompute(recompute::RecomputeArgs),
    /// Check or copy the database.
    Store(store::StoreArgs),
    /// Serve the simulated bench on real sockets and terminals, or talk to its control port.
    Sim(sim::SimArgs),
}

/// Where the database is.
#[derive(Debug, Clone, Args)]
struct StoreArg {
    /// The database of this station.
    #[arg(
        long,
        env = "MUFFLE_STORE",
        default_value = "muffle.db",
        value_name = "FILE"
    )]
    store: PathBuf,
}

/// Where the station file is.
#[derive(Debug, Clone, Args)]
struct StationArg {
    /// The station file.
    #[arg(
        long,
        env = "MUFFLE_STATION",
        default_value = "config/station.toml",
        value_name = "FILE"
    )]
    station: PathBuf,
}

/// Why a command failed, sorted by exit code.
#[derive(Debug, thiserror::Error)]
enum CliError {
    /// Exit code 3.
    #[error("{0}")]
    Input(String),
    /// Exit code 4.
    #[error("{0}")]
    Bench(String),
    /// Exit code 5.
    #[error("{0}")]
    Store(String),
}

impl CliError {
    fn code(&self) -> u8 {
        match self {
            Self::Input(_) => 3,
            Self::Bench(_) => 4,
            Self::Store(_) => 5,
        }
    }
}

impl From<ConfigError> for CliError {
    fn from(error: ConfigError) -> Self {
        Self::Input(error.to_string())
    }
}

impl From<StoreError> for CliError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::BadName { .. }
            | StoreError::TooLong { .. }
            | StoreError::UnknownRun { .. }
            | StoreError::AmbiguousRun { .. }
            | StoreError::Missing { .. } => Self::Input(error.to_string()),
            error => Self::Store(error.to_string()),
        }
    }
}

impl From<EvaluateError> for CliError {
    fn from(error: EvaluateError) -> Self {
        match error {
            EvaluateError::Store(error) => error.into(),
            error => Self::Store(error.to_string()),
        }
    }
}

impl From<StationError> for CliError {
    fn from(error: StationError) -> Self {
        match error {
            StationError::Log(error) => (*error).into(),
            error => Self::Bench(error.to_string()),
        }
    }
}

impl From<ProcedureError> for CliError {
    fn from(error: ProcedureError) -> Self {
        match error {
            ProcedureError::Config(error) => error.into(),
            ProcedureError::Store(error) => error.into(),
            ProcedureError::Evaluate(error) => error.into(),
            ProcedureError::NotResumable { .. }
            | ProcedureError::Schedule { .. }
            | ProcedureError::Merge { .. } => Self::Input(error.to_string()),
            ProcedureError::Station {
                cause: StationError::Log(error),
                ..
            } => (*error).into(),
            error => Self::Bench(error.to_string()),
        }
    }
}

impl From<ReportError> for CliError {
    fn from(error: ReportError) -> Self {
        Self::Input(error.to_string())
    }
}

/// Runs the command; what went wrong is on standard error when this returns.
pub async fn run(cli: Cli) -> ExitCode {
    let done = match cli.command {
        Command::Measure(args) => measure::run(args).await,
        Command::Record(args) => record::run(args).await,
        Command::Bench(args) => bench::run(args).await,
        Command::Driver(args) => driver::run(args).await,
        Command::History(args) => history::run(args).await,
        Command::Show(args) => show::run(args).await,
        Command::Shield(args) => shield::run(args).await,
        Command::Recompute(args) => recompute::run(args).await,
        Command::Store(args) => store::run(args).await,
        Command::Demo(args) => demo::run(args).await,
        Command::Sim(args) => sim::run(args).await,
    };
    match done {
        Ok(code) => ExitCode::from(code),
        Err(error) => {
            eprintln!("muffle: {error}");
            ExitCode::from(error.code())
        }
    }
}

/// 0, 1 or 2.
fn verdict_code(verdict: Option<Verdict>) -> u8 {
    match verdict {
        Some(Verdict::Fail) => 1,
        Some(Verdict::Undecided) => 2,
        Some(Verdict::Pass) | None => 0,
    }
}

/// Prints to standard output; a reader that has gone away (`| head`) is not an error.
fn print(text: &str) -> Result<(), CliError> {
    use std::io::Write;
    let mut out = std::io::stdout().lock();
    match writeln!(out, "{text}").and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(CliError::Input(format!("cannot write the output: {error}")))
        }
        _ => Ok(()),
    }
}

/// Prints a value as JSON.
fn print_json(value: &impl serde::Serialize) -> Result<(), CliError> {
    match serde_json::to_string_pretty(value) {
        Ok(text) => print(&text),
        Err(error) => Err(CliError::Store(format!("cannot write JSON: {error}"))),
    }
}

/// Writes a file that somebody asked for by name.
fn write_file(path: &std::path::Path, bytes: &[u8]) -> Result<(), CliError> {
    std::fs::write(path, bytes)
        .map_err(|error| CliError::Input(format!("cannot write {}: {error}", path.display())))
}
