//! What has happened, numbered in the order it was committed.
//!
//! Whoever follows says which number was its last and gets what came after it, so that a client which was
//! away misses nothing, and one that never reads holds up nobody.

use super::{JobId, RunId, Store, StoreError, Write, json, parsed, parsed_optional, stamp};
use jiff::Timestamp;
use serde::Serialize;
use sqlx::sqlite::SqliteRow;
use sqlx::{QueryBuilder, Row, Sqlite};
use utoipa::ToSchema;

/// The most events that one call answers with.
pub const EVENTS_MAX: u32 = 1000;
/// How many events one pruning removes at most, so that nobody waits long for the file.
const PRUNED_AT_ONCE: i64 = 10_000;

/// Something that has happened, about to be kept.
#[derive(Debug, Clone, PartialEq)]
pub struct NewEvent {
    /// When.
    pub at: Timestamp,
    /// At which station.
    pub station: String,
    /// In which job, if in one.
    pub job: Option<JobId>,
    /// In which run, if in one.
    pub run: Option<RunId>,
    /// What kind of thing, such as `reading` or `job`.
    pub kind: String,
    /// The rest, as JSON.
    pub body: serde_json::Value,
}

/// Something that has happened, as kept.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct EventRecord {
    /// Its number; later ones are larger, and none is ever used again.
    pub id: i64,
    /// When.
    pub at: Timestamp,
    /// At which station.
    pub station: String,
    /// In which job, if in one.
    pub job: Option<JobId>,
    /// In which run, if in one.
    pub run: Option<RunId>,
    /// What kind of thing, such as `reading` or `job`.
    pub kind: String,
    /// The rest, as JSON.
    pub body: serde_json::Value,
}

impl Store {
    /// Keeps events, all or none, and answers with the number of the last one.
    pub async fn append_events(&self, events: &[NewEvent]) -> Result<i64, StoreError> {
        let doing = "keep events";
        let mut write = self.write(&doing).await?;
        let mut last = 0;
        for event in events {
            last = insert_event(event, &mut write)
                .await
                .map_err(self.fault(doing))?;
        }
        write.commit().await.map_err(self.fault(doing))?;
        Ok(last)
    }

    /// Events with numbers above `id`, oldest first, of one station or of all; at most [`EVENTS_MAX`].
    pub async fn events_after(
        &self,
        station: Option<&str>,
        id: i64,
        limit: u32,
    ) -> Result<Vec<EventRecord>, StoreError> {
        let mut query = QueryBuilder::<Sqlite>::new(
            "SELECT id, at, station, job, run, kind, body FROM event WHERE id > ",
        );
        query.push_bind(id);
        if let Some(station) = station {
            query.push(" AND station = ").push_bind(station.to_owned());
        }
        query.push(" ORDER BY id LIMIT ");
        query.push_bind(i64::from(limit.min(EVENTS_MAX)));
        let rows = query.build().fetch_all(self.readers()).await;
        rows.and_then(|rows| rows.iter().map(event).collect())
            .map_err(self.fault("read events"))
    }

    /// The number of the newest event, also one that was removed since; 0 when there was never any.
    pub async fn newest_event(&self) -> Result<i64, StoreError> {
        let newest: Result<Option<i64>, _> =
            sqlx::query_scalar("SELECT seq FROM sqlite_sequence WHERE name = 'event'")
                .fetch_optional(self.readers())
                .await;
        newest
            .map(|newest| newest.unwrap_or(0))
            .map_err(self.fault("look for events"))
    }

    /// Removes events from before `before`, and the oldest beyond `rows_max`, but none of a job that is not
    /// ended. Answers with how many went; call again while that is not 0.
    pub async fn prune_events(&self, before: Timestamp, rows_max: u32) -> Result<u64, StoreError> {
        let doing = "remove old events";
        let mut write = self.write(&doing).await?;
        let done = sqlx::query(
            "DELETE FROM event WHERE id IN ( \
                SELECT id FROM event \
                WHERE (at < ?1 OR id <= (SELECT id FROM event ORDER BY id DESC LIMIT 1 OFFSET ?2)) \
                AND (job IS NULL OR job NOT IN (SELECT id FROM job WHERE ended IS NULL)) \
                ORDER BY id LIMIT ?3)",
        )
        .bind(stamp(before))
        .bind(i64::from(rows_max))
        .bind(PRUNED_AT_ONCE)
        .execute(&mut *write)
        .await
        .map_err(self.fault(doing))?;
        write.commit().await.map_err(self.fault(doing))?;
        Ok(done.rows_affected())
    }
}

/// Puts an event in, as a part of whatever else is being written.
pub(super) async fn insert_event(event: &NewEvent, write: &mut Write) -> Result<i64, sqlx::Error> {
    let done = sqlx::query(
        "INSERT INTO event (at, station, job, run, kind, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )
    .bind(stamp(event.at))
    .bind(&event.station)
    .bind(event.job.map(|job| job.to_string()))
    .bind(event.run.map(|run| run.to_string()))
    .bind(&event.kind)
    .bind(event.body.to_string())
    .execute(&mut **write)
    .await?;
    Ok(done.last_insert_rowid())
}

fn event(row: &SqliteRow) -> Result<EventRecord, sqlx::Error> {
    Ok(EventRecord {
        id: row.try_get("id")?,
        at: parsed(row, "at")?,
        station: row.try_get("station")?,
        job: parsed_optional(row, "job")?,
        run: parsed_optional(row, "run")?,
        kind: row.try_get("kind")?,
        body: json(row, "body")?,
    })
}
