//! The `muffle` binary: reads the command line and hands over to the library.

use std::process::ExitCode;

use clap::Parser;
use tracing_subscriber::EnvFilter;

#[tokio::main]
async fn main() -> ExitCode {
    let filter = EnvFilter::try_from_env("MUFFLE_LOG").unwrap_or_else(|_| EnvFilter::new("warn"));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_target(false)
        // A keeper outlives its terminal, and must not end because nothing can be written there.
        .log_internal_errors(false)
        .init();
    muffle::cli::run(muffle::cli::Cli::parse()).await
}
