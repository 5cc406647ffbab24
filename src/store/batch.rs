//! What one command had to measure, so that it can be gone on with as a whole.

use jiff::Timestamp;
use sqlx::sqlite::SqliteRow;
use sqlx::{QueryBuilder, Row, Sqlite};

use super::record::{check_name, check_optional};
use super::{BatchId, RunId, Store, StoreError, Write, json, parsed, parsed_optional, stamp};
use crate::config::ItemEntry;

/// A command about to measure. The snapshot of its plan must be in the store.
#[derive(Debug, Clone)]
pub struct NewBatch {
    /// At which station.
    pub station: String,
    /// Snapshot of the plan.
    pub plan_sha: String,
    /// The items, in order; none for the open path alone.
    pub items: Vec<ItemEntry>,
    /// Whether a new reference was asked for.
    pub fresh_reference: bool,
    /// Who measures.
    pub operator: Option<String>,
}

/// A command as kept.
#[derive(Debug, Clone)]
pub struct BatchRecord {
    /// Its id.
    pub id: BatchId,
    /// At which station.
    pub station: String,
    /// Snapshot of the plan.
    pub plan_sha: String,
    /// The items, in order.
    pub items: Vec<ItemEntry>,
    /// Whether a new reference was asked for.
    pub fresh_reference: bool,
    /// The runs begun so far, in order.
    pub runs: Vec<RunId>,
    /// When it began.
    pub made: Timestamp,
    /// When all of it was done.
    pub ended: Option<Timestamp>,
}

const SELECT_BATCH: &str = "SELECT batch.*, \
    (SELECT json_group_array(run ORDER BY seq) FROM batch_run WHERE batch_run.batch = batch.id) AS runs \
    FROM batch";

impl Store {
    /// Keeps what a command has to measure, before it begins.
    pub async fn begin_batch(&self, new: &NewBatch, at: Timestamp) -> Result<BatchId, StoreError> {
        check_name("the station", &new.station)?;
        check_optional("the operator", new.operator.as_ref())?;
        let id = BatchId::at(at);
        let doing = format!("begin batch {id}");
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO batch (id, station, plan_sha, items, fresh_reference, operator, made) \
            VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )
        .bind(id.to_string())
        .bind(&new.station)
        .bind(&new.plan_sha)
        .bind(serde_json::json!(new.items).to_string())
        .bind(new.fresh_reference)
        .bind(&new.operator)
        .bind(stamp(at))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(id)
    }

    /// Notes that all of a batch is done.
    pub async fn end_batch(&self, id: BatchId, at: Timestamp) -> Result<(), StoreError> {
        let doing = format!("end batch {id}");
        let mut write = self.write(&doing).await?;
        sqlx::query("UPDATE batch SET ended = coalesce(ended, ?2) WHERE id = ?1")
            .bind(id.to_string())
            .bind(stamp(at))
            .execute(&mut *write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// The batch that a run was begun by.
    pub async fn batch_of(&self, run: RunId) -> Result<Option<BatchRecord>, StoreError> {
        let mut query = QueryBuilder::<Sqlite>::new(SELECT_BATCH);
        query.push(" JOIN batch_run AS own ON own.batch = batch.id WHERE own.run = ");
        query.push_bind(run.to_string());
        let row = query.build().fetch_optional(self.readers()).await;
        row.and_then(|row| row.as_ref().map(batch).transpose())
            .map_err(self.fault(format_args!("read the batch of run {run}")))
    }

    /// The newest batch that began then or later, whatever has become of it.
    pub async fn newest_batch(&self, since: Timestamp) -> Result<Option<BatchRecord>, StoreError> {
        let mut query = QueryBuilder::<Sqlite>::new(SELECT_BATCH);
        query.push(" WHERE made >= ").push_bind(stamp(since));
        query.push(" ORDER BY id DESC LIMIT 1");
        let row = query.build().fetch_optional(self.readers()).await;
        row.and_then(|row| row.as_ref().map(batch).transpose())
            .map_err(self.fault("look for the newest batch"))
    }
}

/// Links a run with the batch it is made for, as a part of beginning it.
pub(super) async fn insert_batch_run(
    batch: BatchId,
    run: RunId,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO batch_run (batch, seq, run) \
        SELECT ?1, (SELECT count(*) FROM batch_run WHERE batch = ?1) + 1, ?2",
    )
    .bind(batch.to_string())
    .bind(run.to_string())
    .execute(&mut **write)
    .await?;
    Ok(())
}

fn batch(row: &SqliteRow) -> Result<BatchRecord, sqlx::Error> {
    Ok(BatchRecord {
        id: parsed(row, "id")?,
        station: row.try_get("station")?,
        plan_sha: row.try_get("plan_sha")?,
        items: json(row, "items")?,
        fresh_reference: row.try_get("fresh_reference")?,
        runs: json(row, "runs")?,
        made: parsed(row, "made")?,
        ended: parsed_optional(row, "ended")?,
    })
}
