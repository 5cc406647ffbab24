//! The log of the interlock contact.

use jiff::Timestamp;
use sqlx::Row;

use super::record::check_name;
use super::{Store, StoreError, check_text, parsed, stamp};

/// A change of a station's interlock contact.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct InterlockRecord {
    /// When it was seen.
    pub at: Timestamp,
    /// Whose.
    pub station: String,
    /// Whether it is closed from then on.
    pub closed: bool,
    /// What was seen.
    pub reason: String,
}

impl Store {
    /// Notes a change of a contact.
    pub async fn note_interlock(&self, change: &InterlockRecord) -> Result<(), StoreError> {
        check_name("the station", &change.station)?;
        check_text("the reason of an interlock", &change.reason)?;
        let doing = "note a change of the interlock";
        let mut write = self.write(&doing).await?;
        sqlx::query("INSERT INTO interlock (at, station, state, reason) VALUES (?1, ?2, ?3, ?4)")
            .bind(stamp(change.at))
            .bind(&change.station)
            .bind(if change.closed { "closed" } else { "open" })
            .bind(&change.reason)
            .execute(&mut *write)
            .await
            .map_err(self.fault(doing))?;
        write.commit().await.map_err(self.fault(doing))
    }

    /// The last changes of a station's contact, newest first.
    pub async fn interlock_log(
        &self,
        station: &str,
        limit: u32,
    ) -> Result<Vec<InterlockRecord>, StoreError> {
        let rows = sqlx::query(
            "SELECT at, station, state, reason FROM interlock WHERE station = ?1 ORDER BY id DESC LIMIT ?2",
        )
        .bind(station)
        .bind(limit)
        .fetch_all(self.readers())
        .await;
        let record = |row: &sqlx::sqlite::SqliteRow| {
            Ok(InterlockRecord {
                at: parsed(row, "at")?,
                station: row.try_get("station")?,
                closed: row.try_get::<&str, _>("state")? == "closed",
                reason: row.try_get("reason")?,
            })
        };
        rows.and_then(|rows| rows.iter().map(record).collect())
            .map_err(self.fault("read the interlock log"))
    }
}
