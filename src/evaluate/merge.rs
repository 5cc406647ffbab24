//! Another station's store taken in, after seeing that its results follow from its readings.

use std::path::Path;

use super::{EvaluateError, recomputed};
use crate::store::{Merged, Store};

/// Checks a copy of the other store whole, recomputes its results, and only then takes it in. Runs whose results this
/// program cannot recompute are refused, or with `accept_unproven` taken on their seals alone.
pub async fn merge(
    store: &Store,
    from: &Path,
    accept_unproven: bool,
) -> Result<Merged, EvaluateError> {
    let incoming = store.incoming(from).await?;
    let found = recomputed(incoming.store()).await?;
    let mut faults = found.faults;
    if !accept_unproven {
        if found.runs_by_another_analysis > 0 {
            faults.push(format!(
                "{} runs have results of another analysis than this program's, which cannot be checked: run `muffle recompute` \
                 on that file first, or name --accept-unproven",
                found.runs_by_another_analysis
            ));
        }
        if found.runs_with_moved_traces > 0 {
            faults.push(format!(
                "the traces of {} runs were moved to another file, so their results cannot be checked: `muffle store attach` \
                 them there first, or name --accept-unproven",
                found.runs_with_moved_traces
            ));
        }
    }
    match faults.is_empty() {
        true => Ok(store.take_in(&incoming).await?),
        false => Err(incoming.refused(&faults).into()),
    }
}
