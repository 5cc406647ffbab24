//! Snapshots, items and runs.

use super::batch::insert_batch_run;
use super::queue::insert_job_run;
use super::record::{check_name, check_optional};
use super::seal::Amendment;
use super::{
    BatchId, Instruments, Item, JobId, NewRun, RunFilter, RunId, RunKind, RunRecord, RunState,
    SealReason, Snapshot, SnapshotKind, Store, StoreError, Verdict, Write, check_text, json,
    parsed, parsed_optional, sha256_hex, stamp,
};
use jiff::Timestamp;
use sqlx::query::Query;
use sqlx::sqlite::{SqliteArguments, SqliteRow};
use sqlx::{QueryBuilder, Row, Sqlite};
use std::ops::RangeInclusive;

/// How many runs an error lists that a short id could mean.
const CANDIDATES_MAX: usize = 10;

pub(super) const SELECT_RUN: &str = "SELECT run.id, run.kind, run.item, run.model, run.lot, plan_sha, station_sha, \
    (SELECT json_group_array(sha256) FROM run_snapshot WHERE run_snapshot.run = run.id) AS driver_shas, \
    reference_run, reference_after, signature, operator, started, finished, state, reason, run.verdict, note, program_version, \
    imported, withdrawn, withdrawn_why, instruments";

impl Store {
    /// Keeps a file as it is now and answers with its SHA-256, by which runs refer to it. Keeping the same
    /// text again changes nothing.
    pub async fn put_snapshot(
        &self,
        kind: SnapshotKind,
        name: &str,
        text: &str,
    ) -> Result<String, StoreError> {
        check_text(&format!("the {kind} file {name}"), text)?;
        let doing = format!("keep the {kind} file {name}");
        let sha256 = sha256_hex(text.as_bytes());
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO snapshot (sha256, kind, name, text) VALUES (?1, ?2, ?3, ?4) \
            ON CONFLICT (sha256) DO NOTHING",
        )
        .bind(&sha256)
        .bind(kind.as_str())
        .bind(name)
        .bind(text)
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(sha256)
    }

    /// The file of that SHA-256, if it is kept.
    pub async fn snapshot(&self, sha256: &str) -> Result<Option<Snapshot>, StoreError> {
        let row = sqlx::query("SELECT sha256, kind, name, text FROM snapshot WHERE sha256 = ?1")
            .bind(sha256)
            .fetch_optional(self.readers())
            .await
            .and_then(|row| row.as_ref().map(snapshot).transpose());
        row.map_err(self.fault(format_args!("read snapshot {sha256}")))
    }

    /// Puts an item in, or describes it anew (its first date stays). Its lot is put in with it.
    pub async fn put_item(&self, item: &Item) -> Result<(), StoreError> {
        check_name("the serial", &item.serial)?;
        check_optional("the model", item.model.as_ref())?;
        check_optional("the lot", item.lot.as_ref())?;
        for text in [&item.size, &item.construction, &item.note] {
            check_text("the description of an item", text.as_deref().unwrap_or(""))?;
        }
        let doing = format!("put in item {}", item.serial);
        let mut write = self.write(&doing).await?;
        insert_item(item, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// The item of that serial, as last described.
    pub async fn item(&self, serial: &str) -> Result<Option<Item>, StoreError> {
        let row = sqlx::query("SELECT * FROM item WHERE serial = ?1")
            .bind(serial)
            .fetch_optional(self.readers())
            .await
            .and_then(|row| row.as_ref().map(item).transpose());
        row.map_err(self.fault(format_args!("read item {serial}")))
    }

    /// Items by serial, those after `after`, at most `limit`.
    pub async fn items(&self, after: Option<&str>, limit: u32) -> Result<Vec<Item>, StoreError> {
        let rows = sqlx::query("SELECT * FROM item WHERE serial > ?1 ORDER BY serial LIMIT ?2")
            .bind(after.unwrap_or(""))
            .bind(limit)
            .fetch_all(self.readers())
            .await;
        rows.and_then(|rows| rows.iter().map(item).collect())
            .map_err(self.fault("list items"))
    }

    /// Begins a run, in state `running`. Its item and snapshots must be in the store.
    pub async fn begin_run(&self, run: &NewRun) -> Result<RunId, StoreError> {
        self.begin_run_of(None, None, run).await
    }

    /// The same for a job of the queue, or for a batch; both are kept together, so that whoever takes the job or the
    /// batch up again finds the run.
    pub async fn begin_run_of(
        &self,
        job: Option<JobId>,
        batch: Option<BatchId>,
        run: &NewRun,
    ) -> Result<RunId, StoreError> {
        check_optional("the serial", run.item.as_ref())?;
        check_optional("the model", run.model.as_ref())?;
        check_optional("the lot", run.lot.as_ref())?;
        check_optional("the operator", run.operator.as_ref())?;
        check_text("the note", run.note.as_deref().unwrap_or(""))?;
        let id = RunId::at(run.started);
        let doing = format!("begin run {id}");
        let mut write = self.write(&doing).await?;
        if let Some(serial) = &run.item {
            let known = sqlx::query("SELECT 1 FROM item WHERE serial = ?1")
                .bind(serial)
                .fetch_optional(&mut *write)
                .await
                .map_err(self.fault(&doing))?;
            if known.is_none() {
                let serial = serial.clone();
                return Err(StoreError::UnknownItem { serial });
            }
        }
        insert_run(id, run, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        if let Some(job) = job {
            insert_job_run(job, id, &mut write)
                .await
                .map_err(self.fault(&doing))?;
        }
        if let Some(batch) = batch {
            insert_batch_run(batch, id, &mut write)
                .await
                .map_err(self.fault(&doing))?;
        }
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(id)
    }

    /// Notes that a run is running again, stopped or failed, and why. Only [`Self::finish`] makes it complete,
    /// and then it stays so.
    pub async fn set_state(
        &self,
        run: RunId,
        state: RunState,
        reason: Option<&str>,
    ) -> Result<(), StoreError> {
        check_text("the reason", reason.unwrap_or(""))?;
        if state == RunState::Complete {
            let doing = "complete a run other than by finishing it".to_owned();
            return Err(self.wrong_state(run, doing).await);
        }
        let doing = format!("note that run {run} is {state}");
        let change = sqlx::query(
            "UPDATE run SET state = ?2, reason = ?3 WHERE id = ?1 AND state <> 'complete'",
        )
        .bind(run.to_string())
        .bind(state.as_str())
        .bind(reason);
        self.change_run(run, doing, SealReason::Completed, change)
            .await
    }

    /// Makes a running run complete, with its verdict if it has one.
    pub async fn finish(
        &self,
        run: RunId,
        verdict: Option<Verdict>,
        finished: Timestamp,
    ) -> Result<(), StoreError> {
        let doing = format!("complete run {run}");
        let change = sqlx::query(
            "UPDATE run SET state = 'complete', reason = NULL, verdict = ?2, finished = ?3 \
            WHERE id = ?1 AND state = 'running'",
        )
        .bind(run.to_string())
        .bind(verdict.map(Verdict::as_str))
        .bind(stamp(finished));
        self.change_run(run, doing, SealReason::Completed, change)
            .await
    }

    /// Changes the verdict of a complete run, as recomputing may.
    pub async fn set_verdict(
        &self,
        run: RunId,
        verdict: Option<Verdict>,
    ) -> Result<(), StoreError> {
        let doing = format!("note the verdict of run {run}");
        let change =
            sqlx::query("UPDATE run SET verdict = ?2 WHERE id = ?1 AND state = 'complete'")
                .bind(run.to_string())
                .bind(verdict.map(Verdict::as_str));
        self.change_run(run, doing, SealReason::Judged, change)
            .await
    }

    /// Notes that a run is not to be counted, and why. It stays where it is; lists, lots and references leave
    /// it out. Withdrawing it again changes nothing but the reason.
    pub async fn withdraw(&self, run: RunId, why: &str, at: Timestamp) -> Result<(), StoreError> {
        check_text("the reason", why)?;
        let doing = format!("withdraw run {run}");
        let change = sqlx::query(
            "UPDATE run SET withdrawn = coalesce(withdrawn, ?2), withdrawn_why = ?3 \
            WHERE id = ?1 AND state <> 'running'",
        )
        .bind(run.to_string())
        .bind(stamp(at))
        .bind(why);
        self.change_run(run, doing, SealReason::Withdrawn, change)
            .await
    }

    /// Lets a run count again.
    pub async fn reinstate(&self, run: RunId) -> Result<(), StoreError> {
        let doing = format!("reinstate run {run}");
        let change = sqlx::query(
            "UPDATE run SET withdrawn = NULL, withdrawn_why = NULL \
            WHERE id = ?1 AND withdrawn IS NOT NULL",
        )
        .bind(run.to_string());
        self.change_run(run, doing, SealReason::Reinstated, change)
            .await
    }

    /// Notes the receiver of a run whose receiver was a recorder's, now that its recording tells it.
    pub async fn set_recorder(&self, run: RunId, identity: &str) -> Result<(), StoreError> {
        check_text("the receiver's name", identity)?;
        let doing = format!("note the receiver of run {run}");
        let change = sqlx::query(
            "UPDATE run SET instruments = json_set(coalesce(instruments, '{}'), '$.receiver', ?2) WHERE id = ?1",
        )
        .bind(run.to_string())
        .bind(identity);
        self.change_run(run, doing, SealReason::Recorder, change)
            .await
    }

    /// Notes the reference that was measured again after a run was complete.
    pub async fn set_reference_after(&self, run: RunId, after: RunId) -> Result<(), StoreError> {
        let doing = format!("note the reference after run {run}");
        let change = sqlx::query(
            "UPDATE run SET reference_after = ?2 WHERE id = ?1 AND state = 'complete' AND kind = 'item'",
        )
        .bind(run.to_string())
        .bind(after.to_string());
        self.change_run(run, doing, SealReason::ReferenceChecked, change)
            .await
    }

    /// Carries out a change of one run and seals it where it is complete, or says that its state does not allow it.
    async fn change_run(
        &self,
        run: RunId,
        doing: String,
        reason: SealReason,
        change: Query<'_, Sqlite, SqliteArguments>,
    ) -> Result<(), StoreError> {
        let mut write = self.write(&doing).await?;
        let amendment = Amendment::begin(&run.to_string(), &mut write)
            .await
            .map_err(self.fault(&doing))?;
        let done = change
            .execute(&mut *write)
            .await
            .map_err(self.fault(&doing))?;
        amendment
            .seal(reason, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        match done.rows_affected() {
            0 => Err(self.wrong_state(run, doing).await),
            _ => Ok(()),
        }
    }

    /// The error for a run that is in no state for what was asked, or not there.
    pub(super) async fn wrong_state(&self, run: RunId, doing: String) -> StoreError {
        match self.run(run).await {
            Ok(record) => StoreError::WrongState {
                doing,
                run,
                state: record.state,
            },
            Err(error) => error,
        }
    }

    /// The run of that id.
    pub async fn run(&self, run: RunId) -> Result<RunRecord, StoreError> {
        self.find_run(&run.to_string()).await
    }

    /// The run whose id begins so; capitals or not.
    pub async fn find_run(&self, id_or_beginning: &str) -> Result<RunRecord, StoreError> {
        let given = id_or_beginning.trim().to_owned();
        let beginning = given.to_ascii_uppercase();
        if beginning.is_empty() || !beginning.bytes().all(|byte| byte.is_ascii_alphanumeric()) {
            return Err(StoreError::UnknownRun { given });
        }
        let mut query = QueryBuilder::<Sqlite>::new(SELECT_RUN);
        query.push(" FROM run WHERE id >= ").push_bind(&beginning);
        // `~` sorts behind every letter and digit.
        query.push(" AND id < ").push_bind(format!("{beginning}~"));
        query.push(" ORDER BY id DESC LIMIT ");
        query.push_bind(i64::try_from(CANDIDATES_MAX).unwrap_or(i64::MAX));
        let mut found = self.fetch_runs(query, &format!("find run {given}")).await?;
        match (found.pop(), found.is_empty()) {
            (None, _) => Err(StoreError::UnknownRun { given }),
            (Some(run), true) => Ok(run),
            (Some(last), false) => Err(StoreError::AmbiguousRun {
                given,
                candidates: found.iter().chain([&last]).map(|run| run.id).collect(),
            }),
        }
    }

    /// Runs, newest first.
    pub async fn runs(&self, filter: &RunFilter) -> Result<Vec<RunRecord>, StoreError> {
        self.fetch_runs(runs_query(filter), "list runs").await
    }

    /// The newest complete reference with that signature that was begun in that time.
    pub async fn latest_reference(
        &self,
        signature: &str,
        begun: RangeInclusive<Timestamp>,
    ) -> Result<Option<RunRecord>, StoreError> {
        let mut query = QueryBuilder::<Sqlite>::new(SELECT_RUN);
        query.push(" FROM run WHERE kind = 'reference' AND state = 'complete' AND withdrawn IS NULL AND signature = ");
        query.push_bind(signature);
        query
            .push(" AND started >= ")
            .push_bind(stamp(*begun.start()));
        query
            .push(" AND started <= ")
            .push_bind(stamp(*begun.end()));
        query.push(" ORDER BY started DESC, id DESC LIMIT 1");
        let mut found = self.fetch_runs(query, "look for a reference").await?;
        Ok(found.pop())
    }

    async fn fetch_runs(
        &self,
        mut query: QueryBuilder<Sqlite>,
        doing: &str,
    ) -> Result<Vec<RunRecord>, StoreError> {
        let rows = query.build().fetch_all(self.readers()).await;
        rows.and_then(|rows| rows.iter().map(run).collect())
            .map_err(self.fault(&doing))
    }
}

pub(super) fn runs_query(filter: &RunFilter) -> QueryBuilder<Sqlite> {
    let mut query = QueryBuilder::<Sqlite>::new(SELECT_RUN);
    query.push(" FROM run WHERE true");
    push_run_filter(&mut query, filter);
    if let Some(after) = filter.after {
        query.push(" AND (run.started, run.id) < (SELECT started, id FROM run WHERE id = ");
        query.push_bind(after.to_string()).push(")");
    }
    query.push(" ORDER BY run.started DESC, run.id DESC");
    // -1 is SQLite's word for "all".
    query
        .push(" LIMIT ")
        .push_bind(filter.limit.map_or(-1, i64::from));
    query
}

/// Adds the conditions on table `run`; the query must have a `WHERE` already.
fn push_run_filter(query: &mut QueryBuilder<Sqlite>, filter: &RunFilter) {
    if let Some(station) = &filter.station {
        let of_station = " AND run.station_sha IN (SELECT sha256 FROM snapshot WHERE kind = 'station' AND name = ";
        query.push(of_station).push_bind(station.clone()).push(")");
    }
    let conditions = [
        (" AND run.item = ", filter.item.clone()),
        (" AND run.model = ", filter.model.clone()),
        (" AND run.lot = ", filter.lot.clone()),
        (" AND run.kind = ", filter.kind.map(|kind| kind.to_string())),
        (
            " AND run.state = ",
            filter.state.map(|state| state.to_string()),
        ),
        (
            " AND run.verdict = ",
            filter.verdict.map(|verdict| verdict.to_string()),
        ),
        (" AND run.started >= ", filter.since.map(stamp)),
        (" AND run.started < ", filter.until.map(stamp)),
    ];
    for (condition, value) in conditions {
        if let Some(value) = value {
            query.push(condition).push_bind(value);
        }
    }
    if !filter.withdrawn {
        query.push(" AND run.withdrawn IS NULL");
    }
    if let Some(imported) = filter.imported {
        query.push(" AND run.imported = ").push_bind(imported);
    }
}

pub(super) async fn insert_item(item: &Item, write: &mut Write) -> Result<(), sqlx::Error> {
    let first_seen = stamp(item.first_seen);
    if let Some(lot) = &item.lot {
        sqlx::query(
            "INSERT INTO lot (name, model, first_seen) VALUES (?1, ?2, ?3) \
            ON CONFLICT (name) DO NOTHING",
        )
        .bind(lot)
        .bind(&item.model)
        .bind(&first_seen)
        .execute(&mut **write)
        .await?;
    }
    sqlx::query(
        "INSERT INTO item (serial, model, lot, size, construction, note, first_seen, described) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?7) \
        ON CONFLICT (serial) DO UPDATE SET model = excluded.model, lot = excluded.lot, \
        size = excluded.size, construction = excluded.construction, note = excluded.note, \
        described = max(described, excluded.described)",
    )
    .bind(&item.serial)
    .bind(&item.model)
    .bind(&item.lot)
    .bind(&item.size)
    .bind(&item.construction)
    .bind(&item.note)
    .bind(&first_seen)
    .execute(&mut **write)
    .await?;
    Ok(())
}

async fn insert_run(id: RunId, run: &NewRun, write: &mut Write) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO run (id, kind, item, model, lot, plan_sha, station_sha, reference_run, signature, \
        operator, started, state, note, program_version, instruments) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, 'running', ?12, ?13, ?14)",
    )
    .bind(id.to_string())
    .bind(run.kind.as_str())
    .bind(&run.item)
    .bind(&run.model)
    .bind(&run.lot)
    .bind(&run.plan_sha)
    .bind(&run.station_sha)
    .bind(run.reference_run.map(|run| run.to_string()))
    .bind(&run.signature)
    .bind(&run.operator)
    .bind(stamp(run.started))
    .bind(&run.note)
    .bind(&run.program_version)
    .bind(run.instruments.as_ref().map(|it| serde_json::json!(it).to_string()))
    .execute(&mut **write)
    .await?;
    for sha256 in &run.driver_shas {
        // One driver file may serve both instruments.
        sqlx::query(
            "INSERT INTO run_snapshot (run, sha256) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
        )
        .bind(id.to_string())
        .bind(sha256)
        .execute(&mut **write)
        .await?;
    }
    Ok(())
}

fn snapshot(row: &SqliteRow) -> Result<Snapshot, sqlx::Error> {
    Ok(Snapshot {
        sha256: row.try_get("sha256")?,
        kind: parsed::<SnapshotKind>(row, "kind")?,
        name: row.try_get("name")?,
        text: row.try_get("text")?,
    })
}

fn item(row: &SqliteRow) -> Result<Item, sqlx::Error> {
    Ok(Item {
        serial: row.try_get("serial")?,
        model: row.try_get("model")?,
        lot: row.try_get("lot")?,
        size: row.try_get("size")?,
        construction: row.try_get("construction")?,
        note: row.try_get("note")?,
        first_seen: parsed(row, "first_seen")?,
    })
}

fn instruments(row: &SqliteRow) -> Result<Option<Instruments>, sqlx::Error> {
    match row.try_get::<Option<&str>, _>("instruments")? {
        Some(_) => json(row, "instruments").map(Some),
        None => Ok(None),
    }
}

pub(super) fn run(row: &SqliteRow) -> Result<RunRecord, sqlx::Error> {
    Ok(RunRecord {
        id: parsed(row, "id")?,
        kind: parsed::<RunKind>(row, "kind")?,
        item: row.try_get("item")?,
        model: row.try_get("model")?,
        lot: row.try_get("lot")?,
        plan_sha: row.try_get("plan_sha")?,
        station_sha: row.try_get("station_sha")?,
        driver_shas: json(row, "driver_shas")?,
        reference_run: parsed_optional(row, "reference_run")?,
        reference_after: parsed_optional(row, "reference_after")?,
        signature: row.try_get("signature")?,
        operator: row.try_get("operator")?,
        started: parsed(row, "started")?,
        finished: parsed_optional(row, "finished")?,
        state: parsed(row, "state")?,
        reason: row.try_get("reason")?,
        verdict: parsed_optional(row, "verdict")?,
        note: row.try_get("note")?,
        program_version: row.try_get("program_version")?,
        imported: row.try_get("imported")?,
        withdrawn: parsed_optional(row, "withdrawn")?,
        withdrawn_why: row.try_get("withdrawn_why")?,
        instruments: instruments(row)?,
    })
}
