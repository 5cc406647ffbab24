//! The `muffle` binary: reads the command line and hands over to the library.

use std::io::IsTerminal;
use std::process::ExitCode;

use clap::Parser;
use tracing_subscriber::EnvFilter;

#[tokio::main]
async fn main() -> ExitCode {
    let cli = muffle::cli::Cli::parse();
    let filter = EnvFilter::try_from_env("MUFFLE_LOG").unwrap_or_else(|_| EnvFilter::new("warn"));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false)
        // A keeper outlives its terminal, and must not end because nothing can be written there.
        .log_internal_errors(false);
    match cli.logs_json() {
        true => log.json().flatten_event(true).init(),
        false => log.init(),
    }
    muffle::cli::run(cli).await
}
