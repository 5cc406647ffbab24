//! Theory beside a run: what its curve is consistent with, a pulse behind it, two items nested.
//!
//! A fit takes a good part of a second, so it runs on a thread that may block.

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::Value;
use utoipa::IntoParams;

use super::refusal::Refusal;
use super::{Path, Problem, Query, Site, document};
use crate::analysis::shield::ShieldError;
use crate::analysis::shield::explain::Explanation;
use crate::analysis::shield::layers::Spacing;
use crate::analysis::shield::pulse::{IEC_61000_2_9, pulse};
use crate::report::{RunDocument, reason, svg_column};

/// Two runs of items.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct Two {
    /// The run of one item: its id, or the beginning of it.
    #[param(max_length = 26)]
    first: String,
    /// The run of the other.
    #[param(max_length = 26)]
    second: String,
}

/// What the curve of a run is consistent with, and the run.
pub(in crate::daemon) async fn explained(
    site: &Site,
    run: &str,
) -> Result<(RunDocument, Explanation), Problem> {
    let document = document(site, run).await?;
    let item = match &document.item {
        Some(serial) => site.store().item(serial).await?,
        None => None,
    };
    aside(move || {
        let said = reason::explained(&document, item.as_ref())?;
        Ok((document, said))
    })
    .await
}

/// What its curve is consistent with: sheet, slot, seam or the set-up's floor; theory, not a measurement.
#[utoipa::path(get, path = "/api/v1/runs/{run}/reasons", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn explain(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<Json<Value>, Problem> {
    as_json(&explained(&site, &run).await?.1)
}

/// The curve, what was fitted to it and what is left over, as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/runs/{run}/reasons.svg", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn picture(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<impl IntoResponse, Problem> {
    let (document, said) = explained(&site, &run).await?;
    let title = document.item.as_deref().unwrap_or("reference");
    let svg = svg_column(title, &reason::explanation_charts(&document, &said));
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], svg))
}

/// What is left inside of the early-time pulse of IEC 61000-2-9; theory on the measured curve.
#[utoipa::path(get, path = "/api/v1/runs/{run}/pulse", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn behind(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<Json<Value>, Problem> {
    let document = document(&site, &run).await?;
    let residual = aside(move || pulse(&reason::curve(&document), &IEC_61000_2_9)).await?;
    as_json(&residual)
}

/// What two measured items would give one inside the other, any spacing: a bracket, never the sum.
#[utoipa::path(get, path = "/api/v1/layers", tag = "theory", params(Two),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn layers(
    State(site): State<Site>,
    Query(two): Query<Two>,
) -> Result<Json<Value>, Problem> {
    let first = document(&site, &two.first).await?;
    let second = document(&site, &two.second).await?;
    let pair = aside(move || reason::layered(&first, &second, Spacing::Any)).await?;
    as_json(&pair)
}

/// Works something out where it holds up nobody else.
async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, ShieldError> + Send + 'static,
) -> Result<T, Problem> {
    match tokio::task::spawn_blocking(work).await {
        Ok(Ok(done)) => Ok(done),
        // There is nothing wrong with the request: this run has no such answer.
        Ok(Err(error)) => Err(Problem::unknown("answer", error)),
        Err(error) => Err(Problem::internal(format!("the theory failed: {error}"))),
    }
}

fn as_json(value: &impl serde::Serialize) -> Result<Json<Value>, Problem> {
    match serde_json::to_value(value) {
        Ok(value) => Ok(Json(value)),
        Err(error) => Err(Problem::internal(format!("it cannot be written: {error}"))),
    }
}
