//! `muffle store`.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use jiff::{SignedDuration, Timestamp};
use serde_json::json;

use super::{CliError, StoreArg, print, print_json};
use crate::evaluate;
use crate::quantity::Time;
use crate::store::{Merged, Store};

/// Arguments of `store`.
#[derive(Debug, Args)]
pub(super) struct StoreArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Check the whole file: structure, schema, references between rows, the checksum of every trace and kept file, the
    /// seal of every complete run, and that recomputing gives the stored results.
    #[command(after_help = SEALS)]
    Check {
        #[command(flatten)]
        store: StoreArg,
        /// Leave out recomputing, which takes longest.
        #[arg(long)]
        quick: bool,
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
    /// Put a copy of a backup in the place of the database, after checking it.
    Restore {
        /// The backup.
        from: PathBuf,
        #[command(flatten)]
        store: StoreArg,
        /// Keep the database that is there as FILE.before-restore, and put the backup in its place.
        #[arg(long)]
        replace: bool,
    },
    /// Move raw traces of old runs to a second file. Results and readings stay.
    #[command(
        after_help = "What was moved is marked with its checksum and the file's name; `muffle store attach FILE` brings it back.\nThe traces of a reference stay as long as those of any run that was subtracted from it.\n\n  muffle store prune --older-than '730 d' --to traces-2023.db"
    )]
    Prune {
        /// Runs begun longer ago than this: 730 d.
        #[arg(long, value_name = "TIME")]
        older_than: Time,
        /// The file to write; it must not be there yet. Without it, only tell what would be moved.
        #[arg(long, value_name = "FILE")]
        to: Option<PathBuf>,
        /// Give the room back to the file system; needs as much free space as the file has.
        #[arg(long, requires = "to")]
        compact: bool,
        #[command(flatten)]
        store: StoreArg,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Bring traces back from a file they were moved to. That file stays as it is.
    Attach {
        /// The file.
        file: PathBuf,
        #[command(flatten)]
        store: StoreArg,
    },
    /// Take in everything of other stations' databases. Merging again changes nothing.
    #[command(
        after_help = "Each file is copied and the copy checked whole first: structure, schema, checksums, seals, and that its results\nfollow from its readings. A fault refuses all of it. The database as it was before is kept as FILE.before-merge;\n`muffle store restore FILE.before-merge --replace` undoes the merge, and whatever was measured since."
    )]
    Merge {
        /// The other databases; they are only read.
        #[arg(required = true)]
        from: Vec<PathBuf>,
        #[command(flatten)]
        store: StoreArg,
        /// Take in runs whose results cannot be recomputed here (by another analysis, or with moved traces), too: that
        /// they follow from their readings is then not checked.
        #[arg(long)]
        accept_unproven: bool,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
}

/// What seals are worth.
const SEALS: &str = "A run that is complete is sealed: SHA-256 over all its rows, chained to the seal that this file made before. Computing\nresults anew, withdrawing and the like append a seal with its reason. So the check notices a damaged disk, a change by\nhand, a removed run. It is not a signature: who can write the file can seal everything anew, and the last run can be\nremoved together with its seal and the file's note of it. What proves more is a copy that somebody else keeps.\nRuns from before seals were sealed when the file was migrated (reason `migrated`): what happened before is not known.\nRuns that are not complete, jobs, events and the description of items and lots are not sealed.";

pub(super) async fn run(args: StoreArgs) -> Result<u8, CliError> {
    match args.what {
        What::Check { store, quick, json } => check(&store, quick, json).await,
        What::Backup { to, store } => {
            let store = Store::open_read_only(&store.store).await?;
            store.back_up(&to).await?;
            print(&format!("copied to {}", to.display()))?;
            Ok(0)
        }
        What::Restore {
            from,
            store,
            replace,
        } => restore(&store.store, &from, replace).await,
        What::Prune {
            older_than,
            to,
            compact,
            store,
            json,
        } => prune(&store, older_than, to.as_deref(), compact, json).await,
        What::Attach { file, store } => {
            let store = Store::open(&store.store).await?;
            let back = store.attach(&file).await?;
            store.close().await;
            print(&format!("{back} traces are back from {}", file.display()))?;
            Ok(0)
        }
        What::Merge {
            from,
            store,
            accept_unproven,
            json,
        } => merge(&store, &from, accept_unproven, json).await,
    }
}

async fn check(store: &StoreArg, quick: bool, as_json: bool) -> Result<u8, CliError> {
    let store = Store::open_read_only(&store.store).await?;
    let (integrity, counts) = (store.integrity().await?, store.counts().await?);
    let recomputed = match quick {
        true => None,
        false => Some(evaluate::recomputed(&store).await?),
    };
    if as_json {
        print_json(&json!({ "integrity": integrity, "counts": counts, "recomputed": recomputed }))?;
    } else {
        print(&format!(
            "{} items, {} runs, {} seals, {} readings, {} traces (every checksum computed), {} moved traces, {} results, {} emissions",
            counts.items,
            counts.runs,
            integrity.seals_checked,
            counts.readings,
            integrity.traces_checked,
            counts.moved_traces,
            counts.results,
            counts.emissions
        ))?;
        if let Some(recomputed) = &recomputed {
            print(&format!(
                "recomputed {} points of {} runs",
                recomputed.points, recomputed.runs
            ))?;
            if recomputed.runs_by_another_analysis > 0 {
                let runs = recomputed.runs_by_another_analysis;
                print(&format!(
                    "{runs} runs are by another analysis: `muffle recompute` adds this program's"
                ))?;
            }
            if recomputed.runs_with_moved_traces > 0 {
                let runs = recomputed.runs_with_moved_traces;
                print(&format!(
                    "{runs} runs could not be recomputed: their traces, or their reference's, were moved"
                ))?;
            }
        }
        let of_results = recomputed.iter().flat_map(|recomputed| &recomputed.faults);
        for fault in integrity.faults.iter().chain(of_results) {
            print(&format!("fault: {fault}"))?;
        }
    }
    let faults =
        integrity.faults.len() + recomputed.map_or(0, |recomputed| recomputed.faults.len());
    match faults {
        0 => Ok(0),
        faults => Err(CliError::Store(format!(
            "{}: {faults} faults; keep a copy of the file as it is, then restore a backup",
            store.path().display(),
        ))),
    }
}

async fn restore(path: &Path, from: &Path, replace: bool) -> Result<u8, CliError> {
    // One of an earlier schema is migrated, and its results can be looked at, when it is opened next.
    if matches!(Store::is_current(from).await, Ok(true)) {
        let backup = Store::open_read_only(from).await?;
        let faults = evaluate::recomputed(&backup).await?.faults;
        backup.close().await;
        if let Some(first) = faults.first() {
            return Err(CliError::Store(format!(
                "{}: has {} faults, the first: {first}; nothing was changed",
                from.display(),
                faults.len()
            )));
        }
    }
    let aside = Store::restore(path, from, replace).await?;
    print(&format!(
        "{} is a copy of {}",
        path.display(),
        from.display()
    ))?;
    if let Some(aside) = aside {
        print(&format!("what was there is {}", aside.display()))?;
    }
    Ok(0)
}

async fn prune(
    store: &StoreArg,
    older_than: Time,
    to: Option<&Path>,
    compact: bool,
    as_json: bool,
) -> Result<u8, CliError> {
    let now = Timestamp::now();
    let age = SignedDuration::try_from_secs_f64(older_than.s())
        .ok()
        .and_then(|age| now.checked_sub(age).ok())
        .ok_or_else(|| {
            CliError::Input("--older-than goes back further than dates do".to_owned())
        })?;
    let Some(to) = to else {
        let store = Store::open_read_only(&store.store).await?;
        let would = store.prunable(age).await?;
        if as_json {
            print_json(&would)?;
        } else {
            print(&format!(
                "would move {} traces of {} runs ({:.1} MB); name a file with --to",
                would.traces,
                would.runs,
                would.bytes as f64 / 1e6
            ))?;
        }
        return Ok(0);
    };
    let store = Store::open(&store.store).await?;
    let pruned = store.prune(age, to, now).await?;
    if compact {
        store.compact().await?;
    }
    store.close().await;
    if as_json {
        print_json(&pruned)?;
        return Ok(0);
    }
    match &pruned.file {
        None => print("there is nothing so old")?,
        Some(file) => print(&format!(
            "moved {} traces of {} runs ({:.1} MB) to {}",
            pruned.counts.traces,
            pruned.counts.runs,
            pruned.counts.bytes as f64 / 1e6,
            file.display()
        ))?,
    }
    Ok(0)
}

async fn merge(
    store: &StoreArg,
    from: &[PathBuf],
    accept_unproven: bool,
    as_json: bool,
) -> Result<u8, CliError> {
    let store = Store::open(&store.store).await?;
    let mut all: Vec<(String, Merged)> = Vec::new();
    for file in from {
        let merged = evaluate::merge(&store, file, accept_unproven).await?;
        if !as_json {
            print(&format!(
                "{}: {} new runs, {} readings, {} traces, {} results, {} emissions",
                file.display(),
                merged.runs,
                merged.readings,
                merged.traces,
                merged.results,
                merged.emissions
            ))?;
            for settled in &merged.settled {
                print(&format!("  {settled}"))?;
            }
            if let Some(backup) = &merged.backup {
                print(&format!(
                    "  before: {0}; `muffle store restore {0} --replace` undoes it",
                    backup.display()
                ))?;
            }
        }
        all.push((file.display().to_string(), merged));
    }
    store.close().await;
    if as_json {
        let list: Vec<_> = all
            .iter()
            .map(|(file, merged)| json!({ "file": file, "merged": merged }))
            .collect();
        print_json(&json!({ "files": list }))?;
    }
    Ok(0)
}
