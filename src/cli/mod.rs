//! The commands, and what the terminal shows.
//!
//! Tables and JSON go to standard output, everything else to standard error, so that a pipe gets only
//! what was asked for. Exit codes: 0 done, 1 the item failed its limit, 2 undecided, 3 the input was
//! wrong, 4 the bench failed, 5 the store failed.

mod bench;
mod compare;
mod demo;
mod driver;
mod find;
mod follow;
mod history;
mod import;
mod keeper;
mod listen;
mod lot;
mod measure;
mod queue;
mod recompute;
mod record;
mod report;
mod serve;
mod shield;
mod show;
mod sim;
mod stability;
mod stop;
mod store;
mod table;
mod token;
mod trend;
mod watch;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

use crate::config::ConfigError;
use crate::daemon::DaemonError;
use crate::evaluate::EvaluateError;
use crate::procedure::ProcedureError;
use crate::report::ReportError;
use crate::station::StationError;
use crate::store::{QueryFaults, StoreError, UnknownFormat, Verdict};

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
    /// Work through the queue of one or more stations, with nobody there.
    Serve(serve::ServeArgs),
    /// List the queue, put something in, change it, answer a prompt.
    Queue(queue::QueueArgs),
    /// Switch the output off and stop the run, now, whatever the program that measures is doing.
    Stop(stop::StopArgs),
    /// Look at the station: who answers, is the output off, what would be sent.
    Bench(bench::BenchArgs),
    /// List the drivers, or try one against an instrument.
    Driver(driver::DriverArgs),
    /// List what was measured.
    History(Box<history::HistoryArgs>),
    /// Measure and judge production lots by a sample.
    Lot(lot::LotArgs),
    /// Say whether runs, items, models or lots differ, or are equal within a margin.
    Compare(compare::CompareArgs),
    /// Follow one item over its runs: is it wearing, and when will it cross the limit?
    Trend(trend::TrendArgs),
    /// Show one run: its points, its verdict, its picture, its uncertainty.
    Show(show::ShowArgs),
    /// Write a report: HTML, PDF, CSV.
    Report(report::ReportArgs),
    /// Ask theory about a measured curve: where it leaks, two items nested, a pulse behind it.
    Shield(shield::ShieldArgs),
    /// Work out results anew from the raw traces, by the analysis of this program.
    Recompute(recompute::RecomputeArgs),
    /// Read in readings taken by hand or kept in a spreadsheet, so that old notebooks join the history.
    Import(import::ImportArgs),
    /// Check, copy, restore, prune or gather databases.
    Store(store::StoreArgs),
    /// Serve the simulated bench on real sockets and terminals, or talk to its control port.
    Sim(sim::SimArgs),
    /// Stand beside a process that may transmit; started by it.
    #[command(hide = true)]
    Keeper,
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
            | StoreError::BadQuery { .. }
            | StoreError::File { .. }
            | StoreError::TraceMoved { .. }
            | StoreError::Contradiction { .. }
            | StoreError::UnknownItem { .. }
            | StoreError::LotFixed { .. }
            | StoreError::UnknownJob { .. }
            | StoreError::AmbiguousJob { .. }
            | StoreError::Refused { .. }
            | StoreError::TokenExists { .. }
            | StoreError::NoToken { .. }
            | StoreError::Missing { .. } => Self::Input(error.to_string()),
            error => Self::Store(error.to_string()),
        }
    }
}

impl From<QueryFaults> for CliError {
    fn from(error: QueryFaults) -> Self {
        Self::Input(error.to_string())
    }
}

impl From<UnknownFormat> for CliError {
    fn from(error: UnknownFormat) -> Self {
        Self::Input(error.to_string())
    }
}

impl From<EvaluateError> for CliError {
    fn from(error: EvaluateError) -> Self {
        match error {
            EvaluateError::Store(error) => error.into(),
            EvaluateError::Readings(faults) => Self::Input(faults.to_string()),
            EvaluateError::NotAnswerable { .. } => Self::Input(error.to_string()),
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

impl From<DaemonError> for CliError {
    fn from(error: DaemonError) -> Self {
        match error {
            DaemonError::Config(error) => error.into(),
            DaemonError::Store(error) => error.into(),
            DaemonError::Station(error) => error.into(),
            DaemonError::Claimed { .. }
            | DaemonError::System { .. }
            | DaemonError::StillOn { .. } => Self::Bench(error.to_string()),
            error => Self::Input(error.to_string()),
        }
    }
}

impl From<ReportError> for CliError {
    fn from(error: ReportError) -> Self {
        match error {
            ReportError::Store(error) => error.into(),
            ReportError::Evaluate(error) => error.into(),
            error => Self::Input(error.to_string()),
        }
    }
}

impl Cli {
    /// Whether the log is to be JSON, a line for each entry.
    pub fn logs_json(&self) -> bool {
        matches!(&self.command, Command::Serve(args) if args.logs_json())
    }
}

/// Runs the command; what went wrong is on standard error when this returns.
pub async fn run(cli: Cli) -> ExitCode {
    let done = match cli.command {
        Command::Measure(args) => measure::run(args).await,
        Command::Record(args) => record::run(args).await,
        Command::Serve(args) => serve::run(args).await,
        Command::Queue(args) => queue::run(args).await,
        Command::Bench(args) => bench::run(args).await,
        Command::Driver(args) => driver::run(args).await,
        Command::History(args) => history::run(*args).await,
        Command::Lot(args) => lot::run(args).await,
        Command::Compare(args) => compare::run(args).await,
        Command::Trend(args) => trend::run(args).await,
        Command::Show(args) => show::run(args).await,
        Command::Report(args) => report::run(args).await,
        Command::Shield(args) => shield::run(args).await,
        Command::Recompute(args) => recompute::run(args).await,
        Command::Import(args) => import::run(args).await,
        Command::Store(args) => store::run(args).await,
        Command::Demo(args) => demo::run(args).await,
        Command::Sim(args) => sim::run(args).await,
        Command::Stop(args) => stop::run(args).await,
        Command::Keeper => keeper::run().await,
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
