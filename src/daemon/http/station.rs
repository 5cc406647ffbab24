//! Stations: what each is doing; stop, pause, answers to prompts.

use axum::extract::State;
use axum::http::StatusCode;
use axum::{Extension, Json};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

use super::refusal::{ChangeRefusal, Refusal};
use super::{Body, Path, Problem, Site, detached};
use crate::daemon::access::Caller;
use crate::daemon::{DaemonError, Prompt, Status};
use crate::station::Output;
use crate::store::{Answer, NewEvent, PromptId, PromptRecord};

impl From<DaemonError> for Problem {
    fn from(error: DaemonError) -> Self {
        match error {
            DaemonError::Store(error) => error.into(),
            DaemonError::UnknownStation { .. } => Self::unknown("station", error),
            DaemonError::Config(_) | DaemonError::Repeat { .. } => Self::content(error),
            error => {
                tracing::error!(%error, "the daemon failed");
                Self::internal(error)
            }
        }
    }
}

/// All stations.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Stations {
    /// What each is doing, by name.
    stations: Vec<Status>,
}

/// A request without content.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Nothing {}

/// Why a queue is paused.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Pause {
    /// Why, for whoever comes after.
    #[schema(max_length = 200)]
    reason: String,
}

/// What a person says to a prompt.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(super) enum Said {
    /// It was done.
    Done,
    /// The measuring is to stop.
    Stop,
}

/// The answer to a prompt.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Reply {
    answer: Said,
    /// With `done`, where the prompt names an item: the serial of the item that was placed.
    #[schema(max_length = 200)]
    serial: Option<String>,
}

/// What every station is doing.
#[utoipa::path(get, path = "/api/v1/stations", tag = "stations",
    responses((status = 200, body = Stations), Refusal))]
pub(super) async fn list(State(site): State<Site>) -> Result<Json<Stations>, Problem> {
    let mut stations = Vec::new();
    for name in site.engine.stations() {
        stations.push(site.engine.now(&name)?);
    }
    Ok(Json(Stations { stations }))
}

/// What a station is doing.
#[utoipa::path(get, path = "/api/v1/stations/{station}", tag = "stations",
    params(("station" = String, Path, description = "Its name.")),
    responses((status = 200, body = Status), Refusal))]
pub(super) async fn get(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<Json<Status>, Problem> {
    Ok(Json(site.engine.now(&station)?))
}

/// Switches the output off at once, whatever is going on. What is being measured is set aside, and the queue
/// pauses.
#[utoipa::path(post, path = "/api/v1/stations/{station}/stop", tag = "stations",
    params(("station" = String, Path, description = "Its name.")),
    request_body = Nothing,
    responses((status = 200, body = Output, description = "The output is off, as the source says."), Refusal, ChangeRefusal))]
pub(super) async fn stop(
    State(site): State<Site>,
    Extension(caller): Extension<Caller>,
    Path(station): Path<String>,
    Body(Nothing {}): Body<Nothing>,
) -> Result<Json<Output>, Problem> {
    detached(async move {
        tracing::info!(station, who = caller.name, "stop");
        Ok(Json(site.engine.stop(&station, &caller.name).await?))
    })
    .await
}

/// Pauses a station's queue: what is being measured goes on, nothing new is begun.
#[utoipa::path(post, path = "/api/v1/stations/{station}/pause", tag = "stations",
    params(("station" = String, Path, description = "Its name.")),
    request_body = Pause,
    responses((status = 204, description = "Nothing new is begun."), Refusal, ChangeRefusal))]
pub(super) async fn pause(
    State(site): State<Site>,
    Path(station): Path<String>,
    Body(pause): Body<Pause>,
) -> Result<StatusCode, Problem> {
    let reason = super::short("reason", Some(&pause.reason))?.unwrap_or("no reason given");
    let reason = reason.to_owned();
    detached(async move {
        site.engine.pause(&station, &reason).await?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

/// Lets a station's queue go on.
#[utoipa::path(post, path = "/api/v1/stations/{station}/continue", tag = "stations",
    params(("station" = String, Path, description = "Its name.")),
    request_body = Nothing,
    responses((status = 204, description = "It goes on."), Refusal, ChangeRefusal))]
pub(super) async fn resume(
    State(site): State<Site>,
    Path(station): Path<String>,
    Body(Nothing {}): Body<Nothing>,
) -> Result<StatusCode, Problem> {
    detached(async move {
        site.engine.unpause(&station).await?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

/// Answers what a person was asked to do at the station. Where an item was to be placed, `done` needs its serial; another
/// one is refused (409) and noted as an event `wrong_serial`.
#[utoipa::path(post, path = "/api/v1/stations/{station}/prompts/{prompt}", tag = "stations",
    params(("station" = String, Path, description = "Its name."),
        ("prompt" = PromptId, Path, description = "The prompt, as the status has it.")),
    request_body = Reply,
    responses((status = 200, body = PromptRecord), Refusal, ChangeRefusal))]
pub(super) async fn answer(
    State(site): State<Site>,
    Extension(caller): Extension<Caller>,
    Path((station, prompt)): Path<(String, String)>,
    Body(reply): Body<Reply>,
) -> Result<Json<PromptRecord>, Problem> {
    let unknown = || {
        Problem::unknown(
            "prompt",
            format!("no prompt `{}` at `{station}`", cut(&prompt)),
        )
    };
    let id: PromptId = prompt.parse().map_err(|_| unknown())?;
    let asked = site.store().prompt(id).await?;
    let asked = asked.filter(|asked| asked.station == station);
    let asked = asked.ok_or_else(unknown)?;
    let serial = super::short("serial", reply.serial.as_deref())?.map(str::trim);
    let answer = match reply.answer {
        Said::Done => Answer::Done,
        Said::Stop => Answer::Stop,
    };
    if answer == Answer::Done && asked.answer.is_none() {
        let placed = site.engine.status(&station)?.borrow().prompt.clone();
        let placed = placed.filter(|prompt| prompt.id == id).ok_or_else(|| {
            Problem::conflict("the station does not wait for this prompt; look at its status")
        })?;
        if let Err(refused) = right_item(placed.item.as_deref(), serial) {
            note_refused(&site, &asked, &placed, serial, &caller).await?;
            return Err(refused);
        }
    }
    detached(async move {
        let record = site.engine.answer(id, answer, Some(&caller.name)).await?;
        Ok(Json(record))
    })
    .await
}

/// Whether the serial that was given is the one of the item to be placed.
fn right_item(asked: Option<&str>, given: Option<&str>) -> Result<(), Problem> {
    match (asked, given) {
        (asked, given) if asked == given => Ok(()),
        (Some(asked), Some(given)) => Err(Problem::conflict(format!(
            "`{}` was read, but {asked} is asked for: nothing was confirmed, nothing is sent",
            cut(given)
        ))),
        (Some(asked), None) => Err(Problem::content(format!(
            "give `serial`: the item to be placed is {asked}"
        ))),
        (None, _) => Err(Problem::content(
            "no item is asked for here, so no `serial` can confirm it",
        )),
    }
}

/// Keeps the attempt, so that a mix-up at the bench can be found later.
async fn note_refused(
    site: &Site,
    asked: &PromptRecord,
    prompt: &Prompt,
    given: Option<&str>,
    caller: &Caller,
) -> Result<(), Problem> {
    let Some(given) = given else {
        return Ok(());
    };
    tracing::warn!(station = asked.station, given, asked = ?prompt.item, who = caller.name, "a wrong serial was refused");
    let event = NewEvent {
        at: Timestamp::now(),
        station: asked.station.clone(),
        job: Some(asked.job),
        run: None,
        kind: "wrong_serial".to_owned(),
        body: json!({ "prompt": prompt.id, "asked": prompt.item, "given": given, "who": caller.name }),
    };
    site.store().append_events(&[event]).await?;
    site.engine.look().await;
    Ok(())
}

/// What was given, short enough to repeat.
fn cut(text: &str) -> String {
    text.chars().take(40).collect()
}
