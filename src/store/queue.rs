//! The queue of each station: what is to be measured when, and who was asked to lend a hand.
//!
//! The queue lives here and nowhere else. A command, the page and the daemon all write to these tables; every
//! change appends an event in the same transaction, and the daemon looks whether there is a new one. So it
//! does not matter whether a daemon runs while somebody changes the queue, nor which process does it.

mod prompt;
mod record;
mod standing;

pub use record::{
    Change, JobCursor, JobEnd, JobFilter, JobRecord, NewJob, PlanText, PromptRecord, QueuePause,
    Repeat,
};

use super::event::{NewEvent, insert_event};
use super::record::{check_name, check_optional};
use super::{
    JobId, JobKind, JobState, RunId, SnapshotKind, Store, StoreError, Wanted, Write, check_text,
    json, parsed, parsed_optional, sha256_hex, stamp, undecodable,
};
use jiff::Timestamp;
use serde_json::{Value, json};
use sqlx::sqlite::SqliteRow;
use sqlx::{QueryBuilder, Row, Sqlite};

/// How often a job may be begun, first time and retries together.
pub const ATTEMPTS_MAX: u32 = 10;
/// The most items of one job.
pub const ITEMS_MAX: usize = 1000;
/// The most jobs of a station that are not ended; the queue does not grow without end.
pub const OPEN_JOBS_MAX: i64 = 10_000;
/// How many jobs an error lists that a short id could mean.
const CANDIDATES_MAX: u32 = 10;

/// What a change makes of a job in a state: its state and wish from then on, or why it cannot be.
fn changed(
    change: &Change,
    state: JobState,
    attempt: u32,
) -> Result<(JobState, Option<Wanted>), String> {
    use JobState::{Cancelled, Done, Failed, Held, Paused, Running, Waiting};
    match (change, state) {
        (Change::Pause, Waiting | Paused) => Ok((Paused, None)),
        (Change::Pause, Running | Held) => Ok((state, Some(Wanted::Pause))),
        (Change::Continue, Paused | Waiting) => Ok((Waiting, None)),
        (Change::Continue, Running | Held) => Ok((state, None)),
        (Change::Cancel, Waiting | Paused) => Ok((Cancelled, None)),
        (Change::Cancel, Running | Held) => Ok((state, Some(Wanted::Cancel))),
        (Change::Retry, Failed | Cancelled) if attempt >= ATTEMPTS_MAX => Err(format!(
            "it was begun {attempt} times, and {ATTEMPTS_MAX} is the most; put in a new one"
        )),
        (Change::Retry, Failed | Cancelled) => Ok((Waiting, None)),
        (Change::Retry, _) => Err(format!(
            "it is {state}; only what failed or was cancelled can be retried"
        )),
        (Change::Priority(_) | Change::NotBefore(_), Waiting | Paused) => Ok((state, None)),
        (Change::Priority(_) | Change::NotBefore(_), Running | Held) => {
            Err("it has begun already".to_owned())
        }
        (_, Done | Failed | Cancelled) => Err(format!("it is {state}")),
    }
}

impl Change {
    fn words(&self) -> &'static str {
        match self {
            Self::Pause => "pause",
            Self::Continue => "continue",
            Self::Cancel => "cancel",
            Self::Retry => "retry",
            Self::Priority(_) => "change the priority of",
            Self::NotBefore(_) => "change the time of",
        }
    }
}

const SELECT_JOB: &str = "SELECT job.*, snapshot.name AS plan, \
    (SELECT json_group_array(run ORDER BY seq) FROM job_run WHERE job_run.job = job.id) AS runs \
    FROM job LEFT JOIN snapshot ON snapshot.sha256 = job.plan_sha";

impl Store {
    /// Puts a job into its station's queue, with its plan.
    pub async fn submit(&self, new: &NewJob, at: Timestamp) -> Result<JobId, StoreError> {
        check_job(new)?;
        let id = JobId::at(at);
        let doing = format!("put job {id} into the queue");
        let mut write = self.write(&doing).await?;
        let open: i64 =
            sqlx::query_scalar("SELECT count(*) FROM job WHERE station = ?1 AND ended IS NULL")
                .bind(&new.station)
                .fetch_one(&mut *write)
                .await
                .map_err(self.fault(&doing))?;
        if open >= OPEN_JOBS_MAX {
            return Err(refused(
                &doing,
                format!("{open} jobs wait there already; cancel some"),
            ));
        }
        insert_job(id, new, at, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        note_job(&new.station, id, JobState::Waiting, None, at, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(id)
    }

    /// Changes a job, as far as its state allows; of one that is being measured, the wish is noted.
    pub async fn change_job(
        &self,
        id: JobId,
        change: &Change,
        at: Timestamp,
    ) -> Result<JobRecord, StoreError> {
        let doing = format!("{} job {id}", change.words());
        let mut write = self.write(&doing).await?;
        let before = self.job_in(id, &mut write).await?;
        let (state, wanted) = changed(change, before.state, before.attempt)
            .map_err(|reason| refused(&doing, reason))?;
        let priority = match change {
            Change::Priority(priority) => *priority,
            _ => before.priority,
        };
        let not_before = match change {
            Change::NotBefore(at) => *at,
            Change::Retry => None,
            _ => before.not_before,
        };
        let ended = (state == JobState::Cancelled).then(|| stamp(at));
        sqlx::query(
            "UPDATE job SET state = ?2, wanted = ?3, priority = ?4, not_before = ?5, ended = ?6, \
            reason = CASE WHEN state = ?2 THEN reason END WHERE id = ?1",
        )
        .bind(id.to_string())
        .bind(state.as_str())
        .bind(wanted.map(Wanted::as_str))
        .bind(priority)
        .bind(not_before.map(stamp))
        .bind(ended)
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        note_job(&before.station, id, state, None, at, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        let after = self.job_in(id, &mut write).await?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(after)
    }

    /// Notes that a job is being measured from now on.
    pub async fn begin_job(&self, id: JobId, at: Timestamp) -> Result<JobRecord, StoreError> {
        let doing = format!("begin job {id}");
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "UPDATE job SET state = 'running', reason = NULL, wanted = NULL, attempt = attempt + 1, \
            started = coalesce(started, ?2) WHERE id = ?1 AND state IN ('waiting', 'running', 'held')",
        )
        .bind(id.to_string())
        .bind(stamp(at))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        let job = self.job_in(id, &mut write).await?;
        if job.state != JobState::Running {
            return Err(refused(&doing, format!("it is {}", job.state)));
        }
        note_job(&job.station, id, job.state, None, at, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(job)
    }

    /// Notes how a job ended, or that it waits again; a repeating one that is due again gets its successor, whose
    /// id is the answer.
    pub async fn end_job(
        &self,
        id: JobId,
        end: &JobEnd,
        at: Timestamp,
    ) -> Result<Option<JobId>, StoreError> {
        check_text("the reason", end.reason.as_deref().unwrap_or(""))?;
        let doing = format!("note that job {id} is {}", end.state);
        let mut write = self.write(&doing).await?;
        let is_over = matches!(
            end.state,
            JobState::Done | JobState::Failed | JobState::Cancelled
        );
        sqlx::query(
            "UPDATE job SET state = ?2, reason = ?3, wanted = NULL, ended = ?4, \
            not_before = coalesce(?5, not_before), attempt = attempt - ?6 WHERE id = ?1",
        )
        .bind(id.to_string())
        .bind(end.state.as_str())
        .bind(&end.reason)
        .bind(is_over.then(|| stamp(at)))
        .bind(end.not_before.map(stamp))
        .bind(end.gave_way)
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        let job = self.job_in(id, &mut write).await?;
        note_job(
            &job.station,
            id,
            end.state,
            end.reason.as_deref(),
            at,
            &mut write,
        )
        .await
        .map_err(self.fault(&doing))?;
        let mut next = None;
        if let Some(due) = end.again {
            let id = JobId::at(at);
            insert_successor(id, &job, due, at, &mut write)
                .await
                .map_err(self.fault(&doing))?;
            note_job(&job.station, id, JobState::Waiting, None, at, &mut write)
                .await
                .map_err(self.fault(&doing))?;
            next = Some(id);
        }
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(next)
    }

    /// The job of that id.
    pub async fn job(&self, id: JobId) -> Result<JobRecord, StoreError> {
        self.find_job(&id.to_string()).await
    }

    /// The job whose id begins so; capitals or not.
    pub async fn find_job(&self, id_or_beginning: &str) -> Result<JobRecord, StoreError> {
        let given = id_or_beginning.trim().to_owned();
        let beginning = given.to_ascii_uppercase();
        let unknown = |given: String| StoreError::UnknownJob { given };
        if beginning.is_empty() || !beginning.bytes().all(|byte| byte.is_ascii_alphanumeric()) {
            return Err(unknown(given));
        }
        let mut query = QueryBuilder::<Sqlite>::new(SELECT_JOB);
        query.push(" WHERE job.id >= ").push_bind(&beginning);
        // `~` sorts behind every letter and digit.
        query
            .push(" AND job.id < ")
            .push_bind(format!("{beginning}~"));
        query.push(" ORDER BY job.id LIMIT ");
        query.push_bind(i64::from(CANDIDATES_MAX));
        let mut found = self.fetch_jobs(query, "find a job").await?;
        match (found.pop(), found.is_empty()) {
            (None, _) => Err(unknown(given)),
            (Some(job), true) => Ok(job),
            (Some(last), false) => Err(StoreError::AmbiguousJob {
                given,
                candidates: found.iter().chain([&last]).map(|job| job.id).collect(),
            }),
        }
    }

    /// Jobs: those not ended in the order they will be begun, then the others, newest first.
    pub async fn jobs(&self, filter: &JobFilter) -> Result<Vec<JobRecord>, StoreError> {
        let mut query = QueryBuilder::<Sqlite>::new(SELECT_JOB);
        query.push(" WHERE true");
        if let Some(station) = &filter.station {
            query.push(" AND job.station = ").push_bind(station.clone());
        }
        if let Some(state) = filter.state {
            query.push(" AND job.state = ").push_bind(state.as_str());
        }
        if filter.open {
            query.push(" AND job.ended IS NULL");
        }
        if let Some(after) = &filter.after {
            push_behind(&mut query, after);
        }
        query.push(
            " ORDER BY job.ended IS NOT NULL, job.ended DESC, \
            job.state NOT IN ('running', 'held'), job.priority DESC, job.id LIMIT ",
        );
        query.push_bind(filter.limit.map_or(-1, i64::from));
        self.fetch_jobs(query, "list jobs").await
    }

    async fn fetch_jobs(
        &self,
        mut query: QueryBuilder<Sqlite>,
        doing: &str,
    ) -> Result<Vec<JobRecord>, StoreError> {
        let rows = query.build().fetch_all(self.readers()).await;
        rows.and_then(|rows| rows.iter().map(job).collect())
            .map_err(self.fault(&doing))
    }

    /// The job as the transaction sees it.
    async fn job_in(&self, id: JobId, write: &mut Write) -> Result<JobRecord, StoreError> {
        let row = sqlx::query(sqlx::AssertSqlSafe(format!(
            "{SELECT_JOB} WHERE job.id = ?1"
        )))
        .bind(id.to_string())
        .fetch_optional(&mut **write)
        .await
        .and_then(|row| row.as_ref().map(job).transpose())
        .map_err(self.fault(format_args!("read job {id}")))?;
        row.ok_or_else(|| StoreError::UnknownJob {
            given: id.to_string(),
        })
    }

    /// Pauses a station's queue: what is being measured goes on, nothing new is begun.
    pub async fn pause_queue(
        &self,
        station: &str,
        reason: &str,
        at: Timestamp,
    ) -> Result<(), StoreError> {
        check_name("the station", station)?;
        check_text("the reason", reason)?;
        let doing = format!("pause the queue of {station}");
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO queue (station, reason, since) VALUES (?1, ?2, ?3) \
            ON CONFLICT (station) DO UPDATE SET reason = excluded.reason, since = excluded.since",
        )
        .bind(station)
        .bind(reason)
        .bind(stamp(at))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        note_queue(station, Some(reason), at, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// Lets a station's queue go on, and with it the job that was set aside for the same reason.
    pub async fn continue_queue(&self, station: &str, at: Timestamp) -> Result<(), StoreError> {
        let doing = format!("continue the queue of {station}");
        let mut write = self.write(&doing).await?;
        let set_aside = sqlx::query_scalar::<_, String>(
            "UPDATE job SET state = 'waiting', reason = NULL WHERE station = ?1 AND state = 'paused' \
            AND reason = (SELECT reason FROM queue WHERE station = ?1) RETURNING id",
        )
        .bind(station)
        .fetch_all(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        for id in set_aside {
            let id = id.parse().map_err(|error| undecodable("id", error));
            let id = id.map_err(self.fault(&doing))?;
            note_job(station, id, JobState::Waiting, None, at, &mut write)
                .await
                .map_err(self.fault(&doing))?;
        }
        sqlx::query("DELETE FROM queue WHERE station = ?1")
            .bind(station)
            .execute(&mut *write)
            .await
            .map_err(self.fault(&doing))?;
        note_queue(station, None, at, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// Why a station's queue is paused; none when it is not.
    pub async fn queue_pause(&self, station: &str) -> Result<Option<QueuePause>, StoreError> {
        let row = sqlx::query("SELECT reason, since FROM queue WHERE station = ?1")
            .bind(station)
            .fetch_optional(self.readers())
            .await;
        row.and_then(|row| {
            row.map(|row| {
                Ok(QueuePause {
                    reason: row.try_get("reason")?,
                    since: parsed(&row, "since")?,
                })
            })
            .transpose()
        })
        .map_err(self.fault(format_args!("read the queue of {station}")))
    }
}

/// Narrows a list of jobs to what stands behind one of them in its order.
fn push_behind(query: &mut QueryBuilder<Sqlite>, after: &JobCursor) {
    const ORDER: &str = "(job.state NOT IN ('running', 'held'), -job.priority, job.id) > (";
    match after.ended.map(stamp) {
        Some(ended) => {
            query.push(" AND (job.ended < ").push_bind(ended.clone());
            query.push(" OR (job.ended = ").push_bind(ended);
            query.push(" AND ").push(ORDER);
        }
        None => {
            query.push(" AND (job.ended IS NOT NULL OR (").push(ORDER);
        }
    }
    query.push_bind(!after.begun).push(", ");
    query.push_bind(-i64::from(after.priority)).push(", ");
    query.push_bind(after.job.to_string()).push(")))");
}

/// A job that can be kept.
fn check_job(new: &NewJob) -> Result<(), StoreError> {
    check_name("the station", &new.station)?;
    check_optional("the operator", new.operator.as_ref())?;
    let refuse = |reason: &str| Err(refused("put a job into the queue", reason.to_owned()));
    match (new.kind, &new.plan, &new.rest_of) {
        (JobKind::Rest, None, Some(_)) if new.items.is_empty() => {}
        (JobKind::Rest, ..) => return refuse("kind `rest` has a run, and neither plan nor items"),
        (_, Some(plan), None) => {
            check_name("the plan", &plan.name)?;
            check_text("the plan", &plan.text)?;
        }
        _ => return refuse("it needs a plan, and `rest_of` is for kind `rest` alone"),
    }
    match (new.kind, new.items.len()) {
        (JobKind::Reference, 1..) => return refuse("kind `reference` has no items"),
        (JobKind::CheckItem, 0 | 2..) => return refuse("kind `check_item` has one item"),
        (JobKind::Items, 0) => {
            return refuse("it has no items; for the open path alone there is kind `reference`");
        }
        (_, items) if items > ITEMS_MAX => {
            return refuse(&format!(
                "{items} items are too many for one job; at most {ITEMS_MAX}"
            ));
        }
        _ => {}
    }
    for (index, item) in new.items.iter().enumerate() {
        check_name("the serial", &item.serial)?;
        if new.items[..index]
            .iter()
            .any(|other| other.serial == item.serial)
        {
            return refuse(&format!(
                "item {} was given before; each serial once",
                index + 1
            ));
        }
        for (what, text) in [("the model", &item.model), ("the lot", &item.lot)] {
            check_optional(what, Some(text).filter(|text| !text.is_empty()))?;
        }
    }
    match &new.repeat {
        Some(_) if new.kind == JobKind::Rest => refuse("the rest of a run is measured once"),
        Some(repeat) if repeat.count == Some(0) => refuse("a count of 0 is never"),
        _ => Ok(()),
    }
}

fn refused(doing: &str, reason: String) -> StoreError {
    StoreError::Refused {
        doing: doing.to_owned(),
        reason,
    }
}

async fn insert_job(
    id: JobId,
    new: &NewJob,
    at: Timestamp,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    let mut plan_sha = None;
    if let Some(plan) = &new.plan {
        let sha = sha256_hex(plan.text.as_bytes());
        sqlx::query(
            "INSERT INTO snapshot (sha256, kind, name, text) VALUES (?1, ?2, ?3, ?4) \
            ON CONFLICT (sha256) DO NOTHING",
        )
        .bind(&sha)
        .bind(SnapshotKind::Plan.as_str())
        .bind(&plan.name)
        .bind(&plan.text)
        .execute(&mut **write)
        .await?;
        plan_sha = Some(sha);
    }
    sqlx::query(
        "INSERT INTO job (id, station, kind, plan_sha, rest_of, items, fresh_reference, stays, operator, \
        priority, not_before, repeat, number, state, attempt, made) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, 1, 'waiting', 0, ?13)",
    )
    .bind(id.to_string())
    .bind(&new.station)
    .bind(new.kind.as_str())
    .bind(plan_sha)
    .bind(new.rest_of.map(|run| run.to_string()))
    .bind(json!(new.items).to_string())
    .bind(new.fresh_reference)
    .bind(new.stays)
    .bind(&new.operator)
    .bind(new.priority)
    .bind(new.not_before.map(stamp))
    .bind(new.repeat.as_ref().map(|repeat| json!(repeat).to_string()))
    .bind(stamp(at))
    .execute(&mut **write)
    .await?;
    Ok(())
}

/// The next repeat of a job.
async fn insert_successor(
    id: JobId,
    of: &JobRecord,
    due: Timestamp,
    at: Timestamp,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO job (id, station, kind, plan_sha, items, fresh_reference, stays, operator, priority, \
        not_before, repeat, number, follows, state, attempt, made) \
        SELECT ?1, station, kind, plan_sha, items, fresh_reference, stays, operator, priority, \
        ?3, repeat, number + 1, id, 'waiting', 0, ?4 FROM job WHERE id = ?2",
    )
    .bind(id.to_string())
    .bind(of.id.to_string())
    .bind(stamp(due))
    .bind(stamp(at))
    .execute(&mut **write)
    .await?;
    Ok(())
}

/// Links a run with the job it is made for, as a part of beginning it.
pub(super) async fn insert_job_run(
    job: JobId,
    run: RunId,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO job_run (job, seq, run) \
        SELECT ?1, (SELECT count(*) FROM job_run WHERE job = ?1) + 1, ?2 \
        WHERE true ON CONFLICT (job, run) DO NOTHING",
    )
    .bind(job.to_string())
    .bind(run.to_string())
    .execute(&mut **write)
    .await?;
    Ok(())
}

async fn note(
    station: &str,
    job: Option<JobId>,
    kind: &str,
    body: Value,
    at: Timestamp,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    let event = NewEvent {
        at,
        station: station.to_owned(),
        job,
        run: None,
        kind: kind.to_owned(),
        body,
    };
    insert_event(&event, write).await.map(drop)
}

async fn note_job(
    station: &str,
    id: JobId,
    state: JobState,
    reason: Option<&str>,
    at: Timestamp,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    let body = json!({ "state": state, "reason": reason });
    note(station, Some(id), "job", body, at, write).await
}

async fn note_queue(
    station: &str,
    paused: Option<&str>,
    at: Timestamp,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    note(
        station,
        None,
        "queue",
        json!({ "paused": paused }),
        at,
        write,
    )
    .await
}

fn job(row: &SqliteRow) -> Result<JobRecord, sqlx::Error> {
    Ok(JobRecord {
        id: parsed(row, "id")?,
        station: row.try_get("station")?,
        kind: parsed(row, "kind")?,
        plan: row.try_get("plan")?,
        plan_sha: row.try_get("plan_sha")?,
        rest_of: parsed_optional(row, "rest_of")?,
        items: json(row, "items")?,
        fresh_reference: row.try_get("fresh_reference")?,
        stays: row.try_get("stays")?,
        operator: row.try_get("operator")?,
        priority: row.try_get("priority")?,
        not_before: parsed_optional(row, "not_before")?,
        repeat: match row.try_get::<Option<&str>, _>("repeat")? {
            Some(_) => Some(json(row, "repeat")?),
            None => None,
        },
        number: row.try_get("number")?,
        follows: parsed_optional(row, "follows")?,
        state: parsed(row, "state")?,
        reason: row.try_get("reason")?,
        wanted: parsed_optional(row, "wanted")?,
        attempt: row.try_get("attempt")?,
        runs: json(row, "runs")?,
        made: parsed(row, "made")?,
        started: parsed_optional(row, "started")?,
        ended: parsed_optional(row, "ended")?,
    })
}

#[cfg(test)]
mod tests;
