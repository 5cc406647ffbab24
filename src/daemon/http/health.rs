//! Whether all is well, for people and for machines that watch machines.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;

use super::refusal::Refusal;
use super::{Problem, Site};
use crate::daemon::Health;

/// Whether all is well.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Report {
    /// Whether the store answers and every station has its instruments.
    healthy: bool,
    /// The version of the program.
    version: &'static str,
    /// The instruments of each station.
    stations: BTreeMap<String, Health>,
}

/// Whether all is well, and which instrument is missing. The status is 200 whenever the daemon and its store
/// answer.
#[utoipa::path(get, path = "/api/v1/health", tag = "operation",
    responses((status = 200, body = Report), Refusal))]
pub(super) async fn health(State(site): State<Site>) -> Result<Json<Report>, Problem> {
    site.store().check_in_place(&"answer for its health")?;
    site.store().newest_event().await?;
    let stations = site.engine.health();
    Ok(Json(Report {
        healthy: stations.values().all(|health| health.missing.is_none()),
        version: env!("CARGO_PKG_VERSION"),
        stations,
    }))
}

/// Figures for Prometheus.
#[utoipa::path(get, path = "/api/v1/metrics", tag = "operation",
    responses((status = 200, content_type = "text/plain", body = String), Refusal))]
pub(super) async fn metrics(State(site): State<Site>) -> impl IntoResponse {
    let mut text = site.engine.metrics();
    text += "# HELP muffle_watchers Open event streams.\n# TYPE muffle_watchers gauge\n";
    text += &format!("muffle_watchers {}\n", site.feed.watchers());
    let kind = "text/plain; version=0.0.4; charset=utf-8";
    ([(header::CONTENT_TYPE, kind)], text)
}
