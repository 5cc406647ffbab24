//! `muffle recompute`.

use clap::Args;

use super::measure::find_run;
use super::{CliError, StoreArg, print, table};
use crate::analysis::ANALYSIS_VERSION;
use crate::evaluate::Evaluator;
use crate::report::PointDocument;
use crate::store::{ResultRecord, RunFilter, RunKind, RunRecord, RunState, Store};

/// How far a recomputed number may lie from the stored one before it counts as changed.
const SAME_DB: f64 = 1e-9;

/// Arguments of `recompute`.
#[derive(Debug, Args)]
#[command(
    after_help = "Readings and traces stay as they are. Results of an older analysis are kept beside the new ones."
)]
pub(super) struct RecomputeArgs {
    /// The run: its id, the beginning of it, or `latest`. Without it, every complete run of an item.
    run: Option<String>,
    #[command(flatten)]
    store: StoreArg,
}

pub(super) async fn run(args: RecomputeArgs) -> Result<u8, CliError> {
    let store = Store::open(&args.store.store).await?;
    let runs = match &args.run {
        Some(given) => vec![find_run(&store, given).await?],
        None => {
            let filter = RunFilter {
                kind: Some(RunKind::Item),
                state: Some(RunState::Complete),
                ..RunFilter::default()
            };
            store.runs(&filter).await?
        }
    };
    for run in &runs {
        recompute(&store, run).await?;
    }
    if runs.is_empty() {
        eprintln!("there is no complete run of an item in this database");
    }
    store.close().await;
    Ok(0)
}

async fn recompute(store: &Store, run: &RunRecord) -> Result<(), CliError> {
    let before = store.results(run.id).await?;
    let evaluator = Evaluator::of(store, run).await?;
    let after = evaluator.run().await?;
    let verdict = evaluator.verdict(&after);
    if run.state == RunState::Complete {
        store.set_verdict(run.id, verdict).await?;
    }
    let changed: Vec<_> = after
        .iter()
        .filter_map(|new| {
            let old = before.iter().find(|old| old.point == new.point)?;
            (!same(old, new)).then_some((old, new))
        })
        .collect();
    print(&format!(
        "{}  {}  {} points by analysis {ANALYSIS_VERSION}, {} changed; verdict {}",
        run.id,
        table::shown(run.item.as_deref().unwrap_or("reference")),
        after.len(),
        changed.len(),
        verdict.map_or("none", |verdict| verdict.as_str()),
    ))?;
    for (old, new) in changed {
        let text = |result: &ResultRecord| PointDocument::from(result).se_text();
        print(&format!(
            "    {}: {} -> {} dB",
            new.point,
            text(old),
            text(new)
        ))?;
    }
    Ok(())
}

fn same(old: &ResultRecord, new: &ResultRecord) -> bool {
    let near = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= SAME_DB,
        (None, None) => true,
        _ => false,
    };
    old.kind == new.kind
        && old.verdict == new.verdict
        && near(old.se_db, new.se_db)
        && near(old.u_db, new.u_db)
}
