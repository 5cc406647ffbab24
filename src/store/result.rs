//! Results: derived from readings, kept by the version of the analysis.

use super::record::check_finite;
use super::seal::Amendment;
use super::{
    ResultKind, ResultRecord, RunId, SealReason, Store, StoreError, Verdict, Write, check_point,
    check_text, detail, json, parsed, parsed_optional, point, stamp, words_json,
};
use sqlx::sqlite::SqliteRow;
use sqlx::{QueryBuilder, Row, Sqlite};

/// Only the newest analysis of a point.
pub(super) const NEWEST: &str = "r.superseded = 0";

impl Store {
    /// Keeps results, all or nothing. A point's result of the same analysis version is replaced; another
    /// version's stays beside it.
    pub async fn put_results(
        &self,
        run: RunId,
        results: &[ResultRecord],
    ) -> Result<(), StoreError> {
        for result in results {
            check_result(run, result)?;
        }
        let doing = format!("keep {} results of run {run}", results.len());
        let mut write = self.write(&doing).await?;
        let run = run.to_string();
        let amendment = Amendment::begin(&run, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        for result in results {
            upsert(&run, result, &mut write)
                .await
                .map_err(self.fault(&doing))?;
        }
        amendment
            .seal(SealReason::Recomputed, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// The run's results by the newest analysis of each point, by frequency, face, polarisation and repeat.
    pub async fn results(&self, run: RunId) -> Result<Vec<ResultRecord>, StoreError> {
        let mut query = QueryBuilder::<Sqlite>::new("SELECT * FROM result r WHERE r.run = ");
        query.push_bind(run.to_string()).push(" AND ").push(NEWEST);
        query.push(" ORDER BY frequency_hz, face, polarisation, repeat");
        let rows = query.build().fetch_all(self.readers()).await;
        rows.and_then(|rows| rows.iter().map(result).collect())
            .map_err(self.fault(format_args!("read the results of run {run}")))
    }
}

pub(super) fn check_result(run: RunId, result: &ResultRecord) -> Result<(), StoreError> {
    check_point(run, &result.point)?;
    check_text("the detail of a result", &result.detail.to_string())?;
    check_finite(
        &format_args!("run {run}, result at {}", result.point),
        &[
            ("the SE", result.se_db),
            ("the uncertainty", result.u_db),
            ("the coverage factor", result.k),
            ("the limit", result.limit_db),
            ("the margin", result.margin_db),
            ("the probability of conformity", result.conformity),
            ("the reference level", result.reference_dbm),
            ("the level", result.level_dbm),
            ("the floor", result.floor_dbm),
        ],
    )
}

pub(super) async fn upsert(
    run: &str,
    result: &ResultRecord,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    let point = &result.point;
    sqlx::query(
        "INSERT INTO result (run, frequency_hz, face, polarisation, repeat, analysis, kind, \
        se_db, u_db, k, limit_db, margin_db, verdict, conformity, reference_dbm, level_dbm, floor_dbm, \
        flags, made, detail, packed) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, '{}', ?20) \
        ON CONFLICT (run, frequency_hz, face, polarisation, repeat, analysis) DO UPDATE SET \
        kind = excluded.kind, se_db = excluded.se_db, u_db = excluded.u_db, k = excluded.k, \
        limit_db = excluded.limit_db, margin_db = excluded.margin_db, verdict = excluded.verdict, \
        conformity = excluded.conformity, reference_dbm = excluded.reference_dbm, \
        level_dbm = excluded.level_dbm, floor_dbm = excluded.floor_dbm, flags = excluded.flags, \
        made = excluded.made, detail = excluded.detail, packed = excluded.packed",
    )
    .bind(run)
    .bind(point.frequency_hz)
    .bind(&point.face)
    .bind(&point.polarisation)
    .bind(point.repeat)
    .bind(result.analysis)
    .bind(result.kind.as_str())
    .bind(result.se_db)
    .bind(result.u_db)
    .bind(result.k)
    .bind(result.limit_db)
    .bind(result.margin_db)
    .bind(result.verdict.map(Verdict::as_str))
    .bind(result.conformity)
    .bind(result.reference_dbm)
    .bind(result.level_dbm)
    .bind(result.floor_dbm)
    .bind(words_json(&result.flags))
    .bind(stamp(result.made))
    .bind(detail::pack(&result.detail)?)
    .execute(&mut **write)
    .await?;
    Ok(())
}

pub(super) fn result(row: &SqliteRow) -> Result<ResultRecord, sqlx::Error> {
    Ok(ResultRecord {
        point: point(row)?,
        analysis: row.try_get("analysis")?,
        kind: parsed::<ResultKind>(row, "kind")?,
        se_db: row.try_get("se_db")?,
        u_db: row.try_get("u_db")?,
        k: row.try_get("k")?,
        limit_db: row.try_get("limit_db")?,
        margin_db: row.try_get("margin_db")?,
        verdict: parsed_optional(row, "verdict")?,
        conformity: row.try_get("conformity")?,
        reference_dbm: row.try_get("reference_dbm")?,
        level_dbm: row.try_get("level_dbm")?,
        floor_dbm: row.try_get("floor_dbm")?,
        flags: json(row, "flags")?,
        made: parsed(row, "made")?,
        detail: detail::of_row(row)?,
    })
}
