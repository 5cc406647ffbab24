//! What has happened: as a list, and as a stream.

use axum::Json;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::refusal::Refusal;
use super::{Problem, Query, Site, rows, short};
use crate::store::EventRecord;

/// Which events.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct Which {
    /// Only of this station.
    #[param(max_length = 200)]
    station: Option<String>,
    /// Only those with a higher number.
    #[param(minimum = 0)]
    after: Option<i64>,
    /// At most so many; 50 if not given.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// A page of events.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Events {
    /// Oldest first.
    events: Vec<EventRecord>,
    /// The number of the newest event there is.
    newest: i64,
}

/// Events after a number, oldest first.
#[utoipa::path(get, path = "/api/v1/events", tag = "events", params(Which),
    responses((status = 200, body = Events), Refusal))]
pub(super) async fn list(
    State(site): State<Site>,
    Query(which): Query<Which>,
) -> Result<Json<Events>, Problem> {
    let station = short("station", which.station.as_deref())?;
    let after = number(which.after)?.unwrap_or(0);
    let limit = rows(which.limit)?;
    let newest = site.store().newest_event().await?;
    let events = site.store().events_after(station, after, limit).await?;
    Ok(Json(Events { events, newest }))
}

/// Which part of the stream.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct From {
    /// Only of this station.
    #[param(max_length = 200)]
    station: Option<String>,
    /// Begin after this number; the header `Last-Event-ID` goes before it, and without either the stream
    /// begins with what happens next.
    #[param(minimum = 0)]
    after: Option<i64>,
}

/// Events as they happen (server-sent events). Messages without a name are events, with their number as id;
/// messages named `status` are the state of a station, without its live trace, after each change and every two
/// seconds.
#[utoipa::path(get, path = "/api/v1/events/stream", tag = "events",
    params(From, ("Last-Event-ID" = Option<i64>, Header, description = "The number of the last event that was received.")),
    responses((status = 200, content_type = "text/event-stream", body = String), Refusal))]
pub(super) async fn stream(
    State(site): State<Site>,
    Query(from): Query<From>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let station = short("station", from.station.as_deref())?.map(str::to_owned);
    if let Some(station) = &station {
        site.engine.status(station)?;
    }
    let last = match headers.get("last-event-id") {
        None => from.after,
        Some(value) => {
            let number = value.to_str().ok().and_then(|text| text.parse().ok());
            let wrong = || Problem::input("Last-Event-ID: not the number of an event");
            Some(number.ok_or_else(wrong)?)
        }
    };
    site.feed.watch(&site.engine, station, number(last)?)
}

fn number(given: Option<i64>) -> Result<Option<i64>, Problem> {
    match given {
        Some(number) if number < 0 => Err(Problem::input("numbers of events begin at 1")),
        number => Ok(number),
    }
}
