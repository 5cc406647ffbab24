//! Comparing, and following over time: an item over its runs, a station over its checks.

use axum::Json;
use axum::extract::State;
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::Value;
use utoipa::IntoParams;

use super::reason::{as_json, svg};
use super::refusal::Refusal;
use super::{Path, Problem, QUERY_CHARS_MAX, Query, Site, short};
use crate::evaluate::compare::{CompareDocument, Question, compare, side};
use crate::evaluate::stability::{self, StabilityDocument, stability};
use crate::evaluate::trend::{Axis, TrendDocument, trend};
use crate::quantity::Ratio;
use crate::report::{control_graphs, difference_graph, trend_graph};

/// The most sides of a comparison.
const SIDES_MAX: usize = 8;
const CONFIDENCE: f64 = 0.95;

/// Compares what the pairs of an address name: `of` twice or more, `within`, `confidence`, `by_face`.
pub(in crate::daemon) async fn compared(
    site: &Site,
    given: &[(String, String)],
) -> Result<CompareDocument, Problem> {
    let (mut names, mut question) = (Vec::new(), Question::default());
    for (key, text) in given.iter().filter(|(_, text)| !text.trim().is_empty()) {
        let text = short(key, Some(text))?.unwrap_or_default();
        let wrong = |why: &str| Problem::input(format!("{key}: `{text}` {why}"));
        match key.as_str() {
            "of" => names.push(text.to_owned()),
            "within" => {
                let within: Ratio = text
                    .parse()
                    .map_err(|error| Problem::input(format!("{key}: {error}")))?;
                question.within_db = within.db();
            }
            "confidence" => {
                let read = text.parse().ok();
                let fits = read.filter(|share: &f64| (0.5..1.0).contains(share));
                question.confidence =
                    fits.ok_or_else(|| wrong("is not from 0.5 to less than 1"))?;
            }
            "by_face" => {
                let read = text.parse();
                question.by_face = read.map_err(|_| wrong("is neither true nor false"))?;
            }
            _ => {
                return Err(wrong(
                    "is not asked; there are of, within, confidence, by_face",
                ));
            }
        }
    }
    if !(2..=SIDES_MAX).contains(&names.len()) {
        return Err(Problem::input(format!(
            "of: {} sides; give from 2 to {SIDES_MAX}, as run:…, item:…, model:… or lot:…",
            names.len()
        )));
    }
    let mut sides = Vec::with_capacity(names.len());
    for name in &names {
        sides.push(side(site.store(), name).await?);
    }
    match tokio::task::spawn_blocking(move || compare(sides, &question)).await {
        Ok(compared) => Ok(compared?),
        Err(error) => Err(Problem::internal(format!("the comparison failed: {error}"))),
    }
}

/// Runs, items, models or lots compared: a sentence, and the difference at every frequency with its intervals.
#[utoipa::path(get, path = "/api/v1/compare", tag = "answers",
    params(("of" = Vec<String>, Query, description = "A side: `run:…`, `item:…`, `model:…`, `lot:…`, or the name alone where it means only one of them; twice or more.", min_items = 2, max_items = 8),
        ("within" = Option<String>, Query, description = "Equal means within this distance; `3 dB` without.", max_length = 40),
        ("confidence" = Option<f64>, Query, description = "The confidence of each claim; 0.95 without.", minimum = 0.5, maximum = 0.999),
        ("by_face" = Option<bool>, Query, description = "Each face and polarisation by itself instead of the least of them.")),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn sides(
    State(site): State<Site>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Json<Value>, Problem> {
    as_json(&compared(&site, &given).await?)
}

/// The differences as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/compare.svg", tag = "answers",
    params(("of" = Vec<String>, Query, description = "As `/api/v1/compare`.", min_items = 2, max_items = 8),
        ("within" = Option<String>, Query, description = "As there.", max_length = 40),
        ("confidence" = Option<f64>, Query, description = "As there.", minimum = 0.5, maximum = 0.999),
        ("by_face" = Option<bool>, Query, description = "As there.")),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn sides_picture(
    State(site): State<Site>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<impl IntoResponse, Problem> {
    let document = compared(&site, &given).await?;
    Ok(svg(difference_graph(&document).svg()))
}

/// How an item is followed.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(in crate::daemon) struct Followed {
    /// `cycles` or `days`; without, cycles if every run has them.
    #[param(max_length = 10)]
    by: Option<String>,
    /// The confidence of slope, band and crossing; 0.95 without.
    #[param(minimum = 0.5, maximum = 0.999)]
    confidence: Option<f64>,
}

pub(in crate::daemon) async fn followed(
    site: &Site,
    item: &str,
    how: &Followed,
) -> Result<TrendDocument, Problem> {
    let by = match how.by.as_deref() {
        None | Some("") => None,
        Some("cycles") => Some(Axis::Cycles),
        Some("days") => Some(Axis::Days),
        Some(word) => {
            let word: String = word.chars().take(QUERY_CHARS_MAX).collect();
            return Err(Problem::input(format!(
                "by: `{word}` is neither cycles nor days"
            )));
        }
    };
    let confidence = how.confidence.unwrap_or(CONFIDENCE);
    if !(0.5..1.0).contains(&confidence) {
        return Err(Problem::input(format!(
            "confidence: {confidence} is not from 0.5 to less than 1"
        )));
    }
    let events = ("cycle", "cycles");
    Ok(trend(site.store(), item, by, events, confidence).await?)
}

/// An item over its runs: a line with its confidence band, and when it will cross the limit.
#[utoipa::path(get, path = "/api/v1/items/{serial}/trend", tag = "answers",
    params(("serial" = String, Path, description = "What is written on it."), Followed),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn item(
    State(site): State<Site>,
    Path(serial): Path<String>,
    Query(how): Query<Followed>,
) -> Result<Json<Value>, Problem> {
    as_json(&followed(&site, &serial, &how).await?)
}

/// The same as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/items/{serial}/trend.svg", tag = "answers",
    params(("serial" = String, Path, description = "What is written on it."), Followed),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn item_picture(
    State(site): State<Site>,
    Path(serial): Path<String>,
    Query(how): Query<Followed>,
) -> Result<impl IntoResponse, Problem> {
    let document = followed(&site, &serial, &how).await?;
    Ok(svg(trend_graph(&document, None).svg()))
}

pub(in crate::daemon) async fn steady(
    site: &Site,
    station: &str,
) -> Result<StabilityDocument, Problem> {
    site.engine.status(station)?;
    let question = stability::Question {
        station: Some(station.to_owned()),
        ..stability::Question::default()
    };
    Ok(stability(site.store(), &question).await?)
}

/// Whether the station has moved: charts of its check items, its reference and its floor, and how well closing repeats.
#[utoipa::path(get, path = "/api/v1/stations/{station}/stability", tag = "answers",
    params(("station" = String, Path, description = "Its name.")),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn station(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<Json<Value>, Problem> {
    as_json(&steady(&site, &station).await?)
}

/// The charts of the means as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/stations/{station}/stability.svg", tag = "answers",
    params(("station" = String, Path, description = "Its name.")),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn station_picture(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<impl IntoResponse, Problem> {
    Ok(svg(control_graphs(&steady(&site, &station).await?)))
}
