//! What stands at a station by what somebody said last.

use crate::store::{Store, StoreError, stamp};
use jiff::Timestamp;
use serde_json::Value;

impl Store {
    /// What stands before the station's antenna; none where nobody knows. What the value means is the station's.
    pub async fn standing(&self, station: &str) -> Result<Option<Value>, StoreError> {
        let kept = sqlx::query_scalar("SELECT placement FROM standing WHERE station = ?1")
            .bind(station)
            .fetch_optional(self.readers())
            .await;
        let kept: Option<String> =
            kept.map_err(self.fault(format_args!("read what stands at {station}")))?;
        // What cannot be read is asked for.
        Ok(kept.and_then(|text| serde_json::from_str(&text).ok()))
    }

    /// Notes what stands there from now on; none: nobody knows, since somebody is about to move it.
    pub async fn set_standing(
        &self,
        station: &str,
        placement: Option<&Value>,
        at: Timestamp,
    ) -> Result<(), StoreError> {
        let doing = format!("note what stands at {station}");
        let mut write = self.write(&doing).await?;
        let noted = match placement {
            Some(placement) => {
                sqlx::query(
                    "INSERT INTO standing (station, placement, since) VALUES (?1, ?2, ?3) \
                    ON CONFLICT (station) DO UPDATE SET placement = excluded.placement, since = excluded.since",
                )
                .bind(station)
                .bind(placement.to_string())
                .bind(stamp(at))
                .execute(&mut *write)
                .await
            }
            None => {
                sqlx::query("DELETE FROM standing WHERE station = ?1")
                    .bind(station)
                    .execute(&mut *write)
                    .await
            }
        };
        noted.map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }
}
