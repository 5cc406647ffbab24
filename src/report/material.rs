//! What a report on a run is made from: everything the store keeps about it, read once. What follows is a
//! pure function of this, so that the same run gives the same report.

use super::ReportError;
use super::run::RunDocument;
use crate::config::{Plan, Station};
use crate::evaluate::kept;
use crate::store::{
    EmissionRecord, Item, ReadingRecord, ResultRecord, RunId, RunRecord, Snapshot, Store,
};

/// A run with all that belongs to it.
#[derive(Debug, Clone)]
pub struct RunMaterial {
    pub(super) record: RunRecord,
    pub(super) document: RunDocument,
    pub(super) plan: Plan,
    pub(super) station: Station,
    pub(super) item: Option<Item>,
    pub(super) results: Vec<ResultRecord>,
    pub(super) readings: Vec<ReadingRecord>,
    pub(super) emissions: Vec<EmissionRecord>,
    pub(super) snapshots: Vec<Snapshot>,
    pub(super) traces: Traces,
    pub(super) reference: Option<Reference>,
    pub(super) after: Option<RunRecord>,
}

/// The raw data of a run in two words.
#[derive(Debug, Clone)]
pub(super) struct Traces {
    pub(super) count: u64,
    pub(super) sha256: String,
}

/// The reference of a run.
#[derive(Debug, Clone)]
pub(super) struct Reference {
    pub(super) record: RunRecord,
    pub(super) traces: Traces,
}

impl RunMaterial {
    /// The run as every front shows it.
    pub fn document(&self) -> &RunDocument {
        &self.document
    }

    /// Reads it.
    ///
    /// # Errors
    /// What the store or the files kept with the run say.
    pub async fn read(store: &Store, record: &RunRecord) -> Result<Self, ReportError> {
        let (plan, station) = kept(store, record).await?;
        let reference = match record.reference_run {
            Some(id) => Some(Reference {
                record: store.run(id).await?,
                traces: traces(store, id).await?,
            }),
            None => None,
        };
        let after = match record.reference_after {
            Some(id) => Some(store.run(id).await?),
            None => None,
        };
        let item = match &record.item {
            Some(serial) => store.item(serial).await?,
            None => None,
        };
        let mut snapshots = Vec::new();
        let shas = [&record.plan_sha, &record.station_sha].into_iter();
        for sha in shas.chain(&record.driver_shas) {
            snapshots.extend(store.snapshot(sha).await?);
        }
        Ok(Self {
            document: RunDocument::read(store, record).await?,
            results: store.results(record.id).await?,
            readings: store.readings(record.id).await?,
            emissions: store.emissions(record.id).await?,
            traces: traces(store, record.id).await?,
            record: record.clone(),
            plan,
            station,
            item,
            snapshots,
            reference,
            after,
        })
    }
}

async fn traces(store: &Store, run: RunId) -> Result<Traces, ReportError> {
    let (count, sha256) = store.trace_digest(run).await?;
    Ok(Traces { count, sha256 })
}
