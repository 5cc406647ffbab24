//! Whether what is stored follows from what was read.

use serde::Serialize;

use super::{EvaluateError, Evaluator, import, kept, of_run, verdict};
use crate::analysis::ANALYSIS_VERSION;
use crate::store::{
    ResultRecord, RunFilter, RunKind, RunRecord, RunState, Store, StoreError, Verdict,
};

/// How far a recomputed number may lie from the stored one before it counts as changed, dB.
const SAME_DB: f64 = 1e-9;
/// Runs that are looked at between two questions to the store.
const RUNS_AT_ONCE: u32 = 200;

/// What recomputing every complete run of an item found.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Recomputed {
    /// Runs whose results were worked out anew.
    pub runs: u64,
    /// Their points.
    pub points: u64,
    /// Runs whose results are by another analysis than this program's; `muffle recompute` makes new ones.
    pub runs_by_another_analysis: u64,
    /// Runs whose traces were moved to another file.
    pub runs_with_moved_traces: u64,
    /// What does not follow from the readings, one sentence each.
    pub faults: Vec<String>,
}

/// Whether two results of one point say the same.
pub fn same(old: &ResultRecord, new: &ResultRecord) -> bool {
    let near = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= SAME_DB,
        (None, None) => true,
        _ => false,
    };
    old.kind == new.kind
        && old.verdict == new.verdict
        && near(old.se_db, new.se_db)
        && near(old.u_db, new.u_db)
        && near(old.margin_db, new.margin_db)
}

/// Works out a run's results, from its traces or from the file it was imported from, and keeps nothing.
pub async fn computed(store: &Store, run: &RunRecord) -> Result<Vec<ResultRecord>, EvaluateError> {
    match run.imported {
        true => import::computed(store, run).await,
        false => Evaluator::of(store, run).await?.compute().await,
    }
}

/// The verdict over results of a run: by its plan, or of an imported one, which has none, the worst.
pub async fn verdict_of(
    store: &Store,
    run: &RunRecord,
    results: &[ResultRecord],
) -> Result<Option<Verdict>, EvaluateError> {
    Ok(match run.imported {
        true => of_run(results.iter().map(|result| result.verdict)),
        false => verdict(&kept(store, run).await?.0, results),
    })
}

/// Recomputes every complete run of an item and compares. Changes nothing; takes as long as recomputing.
pub async fn recomputed(store: &Store) -> Result<Recomputed, EvaluateError> {
    let mut found = Recomputed::default();
    let mut filter = RunFilter {
        kind: Some(RunKind::Item),
        state: Some(RunState::Complete),
        withdrawn: true,
        limit: Some(RUNS_AT_ONCE),
        ..RunFilter::default()
    };
    loop {
        let runs = store.runs(&filter).await?;
        for run in &runs {
            recompute(store, run, &mut found).await?;
        }
        match u32::try_from(runs.len()) {
            Ok(RUNS_AT_ONCE) => filter.after = runs.last().map(|run| run.id),
            _ => return Ok(found),
        }
    }
}

async fn recompute(
    store: &Store,
    run: &RunRecord,
    found: &mut Recomputed,
) -> Result<(), EvaluateError> {
    let before = store.results(run.id).await?;
    let of_points = verdict_of(store, run, &before).await?;
    if run.verdict != of_points {
        let says = |verdict: Option<Verdict>| verdict.map_or("none", Verdict::as_str);
        found.faults.push(format!(
            "run {}: its verdict is {}, that of its points {}",
            run.id,
            says(run.verdict),
            says(of_points)
        ));
    }
    if before
        .iter()
        .any(|result| result.analysis != ANALYSIS_VERSION)
    {
        found.runs_by_another_analysis += 1;
        return Ok(());
    }
    let after = match computed(store, run).await {
        Ok(after) => after,
        Err(EvaluateError::Store(StoreError::TraceMoved { .. })) => {
            found.runs_with_moved_traces += 1;
            return Ok(());
        }
        Err(error) => {
            found.faults.push(error.to_string());
            return Ok(());
        }
    };
    found.runs += 1;
    found.points += after.len() as u64;
    for new in &after {
        match before.iter().find(|old| old.point == new.point) {
            Some(old) if same(old, new) => {}
            Some(_) => found.faults.push(format!(
                "run {}, {}: recomputing gives another result",
                run.id, new.point
            )),
            None => found.faults.push(format!(
                "run {}, {}: there is no result of its readings",
                run.id, new.point
            )),
        }
    }
    for old in &before {
        if !after.iter().any(|new| new.point == old.point) {
            found.faults.push(format!(
                "run {}, {}: there is a result without readings",
                run.id, old.point
            ));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::PathBuf;

    async fn golden(folder: &tempfile::TempDir) -> PathBuf {
        let path = folder.path().join("old.db");
        let options = sqlx::sqlite::SqliteConnectOptions::new()
            .filename(&path)
            .create_if_missing(true)
            .foreign_keys(false);
        let mut made = sqlx::ConnectOptions::connect(&options).await.expect("made");
        sqlx::raw_sql(include_str!("../../tests/golden/schema-2.sql"))
            .execute(&mut made)
            .await
            .expect("the rows");
        sqlx::Connection::close(made).await.expect("closed");
        path
    }

    #[tokio::test]
    async fn stored_results_follow_from_their_readings_and_a_changed_one_does_not() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = golden(&folder).await;
        let store = Store::open(&path).await.expect("migrated");
        let found = recomputed(&store).await.expect("recomputed");
        assert_eq!(found.faults, Vec::<String>::new());
        assert_eq!(found.runs + found.runs_by_another_analysis, 6);
        // By this program's analysis, whichever the file was written with.
        for run in store.runs(&RunFilter::default()).await.expect("runs") {
            if run.kind == RunKind::Item {
                let results = computed(&store, &run).await.expect("computed");
                store.put_results(run.id, &results).await.expect("kept");
                let verdict = verdict_of(&store, &run, &results).await.expect("a plan");
                store.set_verdict(run.id, verdict).await.expect("set");
            }
        }
        let found = recomputed(&store).await.expect("recomputed");
        assert_eq!((found.faults.len(), found.runs, found.points), (0, 6, 18));

        let run = store.runs(&RunFilter::default()).await.expect("runs")[0].id;
        let mut wrong = store.results(run).await.expect("results").remove(0);
        wrong.se_db = wrong.se_db.map(|se_db| se_db + 0.1);
        store.put_results(run, &[wrong]).await.expect("kept");
        let faults = recomputed(&store).await.expect("recomputed").faults;
        assert!(
            faults.len() == 1 && faults[0].contains("recomputing gives another result"),
            "{faults:?}"
        );

        let to = folder.path().join("traces.db");
        let now = jiff::Timestamp::now();
        store.prune(now, &to, now).await.expect("pruned");
        let found = recomputed(&store).await.expect("recomputed");
        assert_eq!(
            (found.runs, found.runs_with_moved_traces, found.faults.len()),
            (0, 6, 0)
        );
    }
}
