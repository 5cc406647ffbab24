//! Runs that were read in from a file and not measured.

use super::record::{check_name, check_optional};
use super::run::insert_item;
use super::seal::{self, Amendment};
use super::{
    Item, ResultRecord, RunId, SealReason, SnapshotKind, Store, StoreError, Verdict, check_text,
    result, sha256_hex, stamp,
};
use jiff::Timestamp;
use serde::Serialize;

/// A run of readings that somebody else took, ready to be kept.
#[derive(Debug, Clone, PartialEq)]
pub struct ImportedRun {
    /// Follows from the readings.
    pub id: RunId,
    /// The line of its first reading.
    pub line: usize,
    /// The item.
    pub item: Item,
    /// Who measured.
    pub operator: Option<String>,
    /// Anything else.
    pub note: Option<String>,
    /// When.
    pub started: Timestamp,
    /// The judgement over all points.
    pub verdict: Option<Verdict>,
    /// What follows from the readings.
    pub results: Vec<ResultRecord>,
}

/// What an import did.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Imports {
    /// Runs that are new.
    pub runs: Vec<RunId>,
    /// Their points.
    pub points: u64,
    /// Of these, the ones with neither a floor nor a dynamic range, so that only a bound is known.
    pub points_without_floor: u64,
    /// Runs that were there already, and stay as they are.
    pub runs_there: u64,
    /// Of these, withdrawn ones.
    pub withdrawn: u64,
}

impl Store {
    /// Another imported run of the same item, time and person that counts, if there is one.
    pub async fn imported_otherwise(&self, run: &ImportedRun) -> Result<Option<RunId>, StoreError> {
        let id: Option<String> = sqlx::query_scalar(
            "SELECT id FROM run WHERE item = ?1 AND started = ?2 AND operator IS ?3 AND imported = 1 \
            AND withdrawn IS NULL AND id <> ?4 LIMIT 1",
        )
        .bind(&run.item.serial)
        .bind(stamp(run.started))
        .bind(&run.operator)
        .bind(run.id.to_string())
        .fetch_optional(self.readers())
        .await
        .map_err(self.fault("look for imported runs"))?;
        Ok(id.and_then(|id| id.parse().ok()))
    }

    /// Keeps imported runs with the file they came from, all or nothing. Those whose id is there already are
    /// left as they are. An item that is there already keeps its description.
    pub async fn import(
        &self,
        name: &str,
        text: &str,
        runs: &[ImportedRun],
        program_version: &str,
        at: Timestamp,
    ) -> Result<Imports, StoreError> {
        check_text(&format!("the file {name}"), text)?;
        for run in runs {
            check_name("the serial", &run.item.serial)?;
            check_optional("the model", run.item.model.as_ref())?;
            check_optional("the lot", run.item.lot.as_ref())?;
            check_optional("the operator", run.operator.as_ref())?;
            for one in &run.results {
                result::check_result(run.id, one)?;
            }
        }
        let doing = format!("import {name}");
        let fault = || self.fault(&doing);
        let sha256 = sha256_hex(text.as_bytes());
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO snapshot (sha256, kind, name, text) VALUES (?1, ?2, ?3, ?4) \
            ON CONFLICT (sha256) DO NOTHING",
        )
        .bind(&sha256)
        .bind(SnapshotKind::Plan.as_str())
        .bind(name)
        .bind(text)
        .execute(&mut *write)
        .await
        .map_err(|error| fault()(error))?;
        let mut imports = Imports::default();
        for run in runs {
            let there: Option<bool> =
                sqlx::query_scalar("SELECT withdrawn IS NOT NULL FROM run WHERE id = ?1")
                    .bind(run.id.to_string())
                    .fetch_optional(&mut *write)
                    .await
                    .map_err(|error| fault()(error))?;
            if let Some(is_withdrawn) = there {
                imports.runs_there += 1;
                imports.withdrawn += u64::from(is_withdrawn);
                continue;
            }
            insert(run, &sha256, program_version, at, &mut write)
                .await
                .map_err(|error| fault()(error))?;
            imports.runs.push(run.id);
            imports.points += run.results.len() as u64;
        }
        if imports.runs.is_empty() {
            // Not even the file is kept: nothing of it is new.
            return Ok(imports);
        }
        write.commit().await.map_err(|error| fault()(error))?;
        Ok(imports)
    }

    /// Withdraws every run that counts and was imported from a file with this text; answers with how many.
    pub async fn withdraw_import(
        &self,
        text: &str,
        why: &str,
        at: Timestamp,
    ) -> Result<u64, StoreError> {
        check_text("the reason", why)?;
        let doing = "withdraw what was imported";
        let mut write = self.write(&doing).await?;
        let runs: Vec<String> = sqlx::query_scalar(
            "SELECT id FROM run WHERE plan_sha = ?1 AND imported = 1 AND withdrawn IS NULL",
        )
        .bind(sha256_hex(text.as_bytes()))
        .fetch_all(&mut *write)
        .await
        .map_err(self.fault(doing))?;
        for run in &runs {
            withdraw(run, why, at, &mut write)
                .await
                .map_err(self.fault(doing))?;
        }
        write.commit().await.map_err(self.fault(doing))?;
        Ok(runs.len() as u64)
    }
}

async fn withdraw(
    run: &str,
    why: &str,
    at: Timestamp,
    write: &mut super::Write,
) -> Result<(), sqlx::Error> {
    let amendment = Amendment::begin(run, write).await?;
    sqlx::query("UPDATE run SET withdrawn = ?2, withdrawn_why = ?3 WHERE id = ?1")
        .bind(run)
        .bind(stamp(at))
        .bind(why)
        .execute(&mut **write)
        .await?;
    amendment.seal(SealReason::Withdrawn, write).await
}

async fn insert(
    run: &ImportedRun,
    sha256: &str,
    program_version: &str,
    at: Timestamp,
    write: &mut super::Write,
) -> Result<(), sqlx::Error> {
    let known = sqlx::query("SELECT 1 FROM item WHERE serial = ?1")
        .bind(&run.item.serial)
        .fetch_optional(&mut **write)
        .await?;
    if known.is_none() {
        insert_item(&run.item, write).await?;
    }
    // `signature` fits no reference: nothing was set up here.
    sqlx::query(
        "INSERT INTO run (id, kind, item, model, lot, plan_sha, station_sha, signature, operator, started, \
        finished, state, verdict, note, program_version, imported) \
        VALUES (?1, 'item', ?2, ?3, ?4, ?5, ?5, 'imported', ?6, ?7, ?8, 'complete', ?9, ?10, ?11, 1)",
    )
    .bind(run.id.to_string())
    .bind(&run.item.serial)
    .bind(&run.item.model)
    .bind(&run.item.lot)
    .bind(sha256)
    .bind(&run.operator)
    .bind(stamp(run.started))
    .bind(stamp(at))
    .bind(run.verdict.map(Verdict::as_str))
    .bind(&run.note)
    .bind(program_version)
    .execute(&mut **write)
    .await?;
    for one in &run.results {
        result::upsert(&run.id.to_string(), one, write).await?;
    }
    seal::append(&run.id.to_string(), SealReason::Imported, at, write).await
}
