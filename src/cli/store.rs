//! `muffle store`.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;

use super::{CliError, StoreArg, print, print_json};
use crate::store::Store;

/// Arguments of `store`.
#[derive(Debug, Args)]
pub(super) struct StoreArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Check the whole file: structure, references between rows, the checksum of every trace.
    Check {
        #[command(flatten)]
        store: StoreArg,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Write a copy of the database; others may go on using it meanwhile.
    Backup {
        /// The file to write; it must not be there yet.
        to: PathBuf,
        #[command(flatten)]
        store: StoreArg,
    },
}

pub(super) async fn run(args: StoreArgs) -> Result<u8, CliError> {
    match args.what {
        What::Check { store, json } => check(&store, json).await,
        What::Backup { to, store } => {
            let store = Store::open_read_only(&store.store).await?;
            store.back_up(&to).await?;
            print(&format!("copied to {}", to.display()))?;
            Ok(0)
        }
    }
}

async fn check(store: &StoreArg, as_json: bool) -> Result<u8, CliError> {
    let store = Store::open_read_only(&store.store).await?;
    let (integrity, counts) = (store.integrity().await?, store.counts().await?);
    if as_json {
        print_json(&json!({ "integrity": integrity, "counts": counts }))?;
    } else {
        print(&format!(
            "{} items, {} runs, {} readings, {} traces (every checksum computed), {} results, {} emissions",
            counts.items,
            counts.runs,
            counts.readings,
            integrity.traces_checked,
            counts.results,
            counts.emissions
        ))?;
        for fault in &integrity.faults {
            print(&format!("fault: {fault}"))?;
        }
    }
    match integrity.faults.is_empty() {
        true => Ok(0),
        false => Err(CliError::Store(format!(
            "{}: {} faults; keep a copy of the file as it is, then restore a backup",
            store.path().display(),
            integrity.faults.len()
        ))),
    }
}
