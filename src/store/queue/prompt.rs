//! What people are asked to do, and what they answered.

use super::{PromptRecord, note, refused};
use crate::store::{
    Answer, Asks, JobId, JobRecord, JobState, PromptId, Store, StoreError, Write, check_text,
    parsed, parsed_optional, stamp,
};
use jiff::Timestamp;
use serde_json::json;
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

impl Store {
    /// Asks a person to do something; the job is `held` until there is an answer.
    pub async fn ask(
        &self,
        job: &JobRecord,
        asks: Asks,
        text: &str,
        at: Timestamp,
        until: Timestamp,
    ) -> Result<PromptId, StoreError> {
        check_text("what is asked", text)?;
        let id = PromptId::at(at);
        let doing = format!("ask at {}", job.station);
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO prompt (id, station, job, asks, text, since, until) \
            VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )
        .bind(id.to_string())
        .bind(&job.station)
        .bind(job.id.to_string())
        .bind(asks.as_str())
        .bind(text)
        .bind(stamp(at))
        .bind(stamp(until))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        hold(job.id, JobState::Held, Some(text), &mut write)
            .await
            .map_err(self.fault(&doing))?;
        let body = json!({ "prompt": id, "asks": asks, "text": text, "until": stamp(until) });
        note(&job.station, Some(job.id), "prompt", body, at, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(id)
    }

    /// Answers a prompt, once; its job is `running` again.
    pub async fn answer(
        &self,
        id: PromptId,
        answer: Answer,
        who: Option<&str>,
        at: Timestamp,
    ) -> Result<PromptRecord, StoreError> {
        let doing = format!("answer prompt {id}");
        let mut write = self.write(&doing).await?;
        let done = sqlx::query(
            "UPDATE prompt SET answer = ?2, answered = ?3, who = ?4 WHERE id = ?1 AND answer IS NULL",
        )
        .bind(id.to_string())
        .bind(answer.as_str())
        .bind(stamp(at))
        .bind(who)
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        let row = sqlx::query("SELECT * FROM prompt WHERE id = ?1")
            .bind(id.to_string())
            .fetch_optional(&mut *write)
            .await
            .and_then(|row| row.as_ref().map(prompt).transpose())
            .map_err(self.fault(&doing))?;
        let Some(record) = row else {
            return Err(refused(&doing, "there is no such prompt".to_owned()));
        };
        if done.rows_affected() == 0 {
            let was = record.answer.map_or("open", Answer::as_str);
            return Err(refused(&doing, format!("it was answered already: {was}")));
        }
        hold(record.job, JobState::Running, None, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        let body = json!({ "prompt": id, "answer": answer, "who": who });
        note(
            &record.station,
            Some(record.job),
            "answer",
            body,
            at,
            &mut write,
        )
        .await
        .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(record)
    }

    /// The prompt of that id.
    pub async fn prompt(&self, id: PromptId) -> Result<Option<PromptRecord>, StoreError> {
        let row = sqlx::query("SELECT * FROM prompt WHERE id = ?1")
            .bind(id.to_string())
            .fetch_optional(self.readers())
            .await;
        row.and_then(|row| row.as_ref().map(prompt).transpose())
            .map_err(self.fault(format_args!("read prompt {id}")))
    }

    /// What people are being asked, of one station or of all, oldest first.
    pub async fn open_prompts(
        &self,
        station: Option<&str>,
    ) -> Result<Vec<PromptRecord>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM prompt WHERE answer IS NULL AND (?1 IS NULL OR station = ?1) ORDER BY id",
        )
        .bind(station)
        .fetch_all(self.readers())
        .await;
        rows.and_then(|rows| rows.iter().map(prompt).collect())
            .map_err(self.fault("read prompts"))
    }
}

/// A job that is being measured waits for hands, or goes on.
async fn hold(
    job: JobId,
    state: JobState,
    reason: Option<&str>,
    write: &mut Write,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "UPDATE job SET state = ?2, reason = ?3 WHERE id = ?1 AND state IN ('running', 'held')",
    )
    .bind(job.to_string())
    .bind(state.as_str())
    .bind(reason)
    .execute(&mut **write)
    .await?;
    Ok(())
}

fn prompt(row: &SqliteRow) -> Result<PromptRecord, sqlx::Error> {
    Ok(PromptRecord {
        id: parsed(row, "id")?,
        station: row.try_get("station")?,
        job: parsed(row, "job")?,
        asks: parsed(row, "asks")?,
        text: row.try_get("text")?,
        since: parsed(row, "since")?,
        until: parsed(row, "until")?,
        answer: parsed_optional(row, "answer")?,
        answered: parsed_optional(row, "answered")?,
        who: row.try_get("who")?,
    })
}
