//! The emission log: written before the output goes on.

use super::record::{check_finite, check_name};
use super::seal::Amendment;
use super::{
    EmissionEnd, EmissionId, EmissionRecord, NewEmission, RunId, SealReason, Store, StoreError,
    Write, check_text, parsed, parsed_optional, stamp,
};
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

impl Store {
    /// Notes that an output is about to go on. When this answers, it is on the disk, and not before then may
    /// the output be switched on.
    pub async fn begin_emission(&self, emission: &NewEmission) -> Result<EmissionId, StoreError> {
        check_name("the station", &emission.station)?;
        check_text("the reason of an emission", &emission.why)?;
        check_finite(
            &format_args!("emission from {}", emission.station),
            &[
                ("the frequency", Some(emission.frequency_hz)),
                ("the level", Some(emission.level_dbm)),
                ("the radiated level", emission.radiated_dbm),
            ],
        )?;
        let id = EmissionId::at(emission.began);
        let doing = format!("note an emission at {} Hz", emission.frequency_hz);
        let mut write = self.write(&doing).await?;
        let run = emission.run.map(|run| run.to_string());
        let amendment = amendment(run.as_deref(), &mut write)
            .await
            .map_err(self.fault(&doing))?;
        sqlx::query(
            "INSERT INTO emission (id, run, station, frequency_hz, level_dbm, radiated_dbm, why, began) \
            VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )
        .bind(id.to_string())
        .bind(&run)
        .bind(&emission.station)
        .bind(emission.frequency_hz)
        .bind(emission.level_dbm)
        .bind(emission.radiated_dbm)
        .bind(&emission.why)
        .bind(stamp(emission.began))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        seal(amendment, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(id)
    }

    /// Notes that the output is off.
    pub async fn end_emission(&self, end: &EmissionEnd) -> Result<(), StoreError> {
        let doing = format!("close emission {}", end.id);
        let mut write = self.write(&doing).await?;
        let run: Option<String> = sqlx::query_scalar("SELECT run FROM emission WHERE id = ?1")
            .bind(end.id.to_string())
            .fetch_optional(&mut *write)
            .await
            .map_err(self.fault(&doing))?
            .flatten();
        let amendment = amendment(run.as_deref(), &mut write)
            .await
            .map_err(self.fault(&doing))?;
        if !close(end, &mut write).await.map_err(self.fault(&doing))? {
            return Err(StoreError::NotOpen { id: end.id });
        }
        seal(amendment, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// Emissions of a station that were begun and never closed, oldest first: after a crash, the outputs that
    /// may still be on.
    pub async fn open_emissions(&self, station: &str) -> Result<Vec<EmissionRecord>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM emission WHERE station = ?1 AND ended IS NULL ORDER BY began, id",
        )
        .bind(station)
        .fetch_all(self.readers())
        .await;
        rows.and_then(|rows| rows.iter().map(record).collect())
            .map_err(self.fault("look for open emissions"))
    }

    /// The emissions of a run, oldest first.
    pub async fn emissions(&self, run: RunId) -> Result<Vec<EmissionRecord>, StoreError> {
        let rows = sqlx::query("SELECT * FROM emission WHERE run = ?1 ORDER BY began, id")
            .bind(run.to_string())
            .fetch_all(self.readers())
            .await;
        rows.and_then(|rows| rows.iter().map(record).collect())
            .map_err(self.fault(format_args!("read the emissions of run {run}")))
    }
}

async fn amendment(run: Option<&str>, write: &mut Write) -> Result<Option<Amendment>, sqlx::Error> {
    match run {
        Some(run) => Amendment::begin(run, write).await.map(Some),
        None => Ok(None),
    }
}

/// A source that was found on after a crash is switched off after its run was complete, too.
async fn seal(amendment: Option<Amendment>, write: &mut Write) -> Result<(), sqlx::Error> {
    match amendment {
        Some(amendment) => amendment.seal(SealReason::Emission, write).await,
        None => Ok(()),
    }
}

/// False when there is no such emission or it is closed.
pub(super) async fn close(end: &EmissionEnd, write: &mut Write) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        // A clock that was put back meanwhile ends nothing before it began.
        "UPDATE emission SET ended = max(?2, began), how_ended = ?3 WHERE id = ?1 AND ended IS NULL",
    )
    .bind(end.id.to_string())
    .bind(stamp(end.ended))
    .bind(&end.how)
    .execute(&mut **write)
    .await?;
    Ok(done.rows_affected() == 1)
}

fn record(row: &SqliteRow) -> Result<EmissionRecord, sqlx::Error> {
    Ok(EmissionRecord {
        id: parsed(row, "id")?,
        run: parsed_optional(row, "run")?,
        station: row.try_get("station")?,
        frequency_hz: row.try_get("frequency_hz")?,
        level_dbm: row.try_get("level_dbm")?,
        radiated_dbm: row.try_get("radiated_dbm")?,
        why: row.try_get("why")?,
        began: parsed(row, "began")?,
        ended: parsed_optional(row, "ended")?,
        how_ended: row.try_get("how_ended")?,
    })
}
