//! Runs: listed, whole, as a table and as a picture.

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::refusal::Refusal;
use super::{Path, Problem, Query, Site, rows, short};
use crate::report::RunDocument;
use crate::store::{RunFilter, RunId, RunKind, RunRecord, RunState, Verdict};

/// Which runs; every part that is given must fit.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(in crate::daemon) struct Which {
    /// Of the item with this serial.
    #[param(max_length = 200)]
    pub item: Option<String>,
    /// Of this model.
    #[param(max_length = 200)]
    pub model: Option<String>,
    /// Of this lot.
    #[param(max_length = 200)]
    pub lot: Option<String>,
    /// Of this kind.
    pub kind: Option<RunKind>,
    /// In this state.
    pub state: Option<RunState>,
    /// With this verdict.
    pub verdict: Option<Verdict>,
    /// Begun then or later.
    pub since: Option<Timestamp>,
    /// Begun before.
    pub until: Option<Timestamp>,
    /// Go on after this run, as `next` of the page before says.
    pub after: Option<RunId>,
    /// At most so many; 50 if not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u32>,
}

/// A run in a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(in crate::daemon) struct RunSummary {
    /// Its id.
    pub run: RunId,
    /// Open path or item.
    pub kind: RunKind,
    /// The item's serial.
    pub item: Option<String>,
    /// Its model as it was.
    pub model: Option<String>,
    /// Its lot as it was.
    pub lot: Option<String>,
    /// Who measured.
    pub operator: Option<String>,
    /// When it began.
    pub started: Timestamp,
    /// When it became complete.
    pub finished: Option<Timestamp>,
    /// How far it has come.
    pub state: RunState,
    /// Why it stopped or failed.
    pub reason: Option<String>,
    /// The worst verdict of its points.
    pub verdict: Option<Verdict>,
}

impl From<RunRecord> for RunSummary {
    fn from(run: RunRecord) -> Self {
        Self {
            run: run.id,
            kind: run.kind,
            item: run.item,
            model: run.model,
            lot: run.lot,
            operator: run.operator,
            started: run.started,
            finished: run.finished,
            state: run.state,
            reason: run.reason,
            verdict: run.verdict,
        }
    }
}

/// A page of runs.
#[derive(Debug, Serialize, ToSchema)]
pub(in crate::daemon) struct Runs {
    /// Newest first.
    pub runs: Vec<RunSummary>,
    /// `after` for the next page; none on the last.
    pub next: Option<RunId>,
}

impl Which {
    /// From the query of an address.
    pub(in crate::daemon) fn read(address: &str) -> Result<Self, Problem> {
        serde_urlencoded::from_str(address).map_err(Problem::input)
    }

    /// A page of what fits.
    pub(in crate::daemon) async fn page(&self, site: &Site) -> Result<Runs, Problem> {
        let limit = rows(self.limit)?;
        let own = |name, text: &Option<String>| {
            short(name, text.as_deref()).map(|text| text.map(str::to_owned))
        };
        let filter = RunFilter {
            item: own("item", &self.item)?,
            model: own("model", &self.model)?,
            lot: own("lot", &self.lot)?,
            kind: self.kind,
            state: self.state,
            verdict: self.verdict,
            since: self.since,
            until: self.until,
            after: self.after,
            limit: Some(limit + 1),
            ..RunFilter::default()
        };
        let mut runs = site.store().runs(&filter).await?;
        let more = runs.len() > limit as usize;
        runs.truncate(limit as usize);
        Ok(Runs {
            next: runs.last().filter(|_| more).map(|run| run.id),
            runs: runs.into_iter().map(RunSummary::from).collect(),
        })
    }
}

/// The run of that id, whole.
pub(in crate::daemon) async fn document(site: &Site, run: &str) -> Result<RunDocument, Problem> {
    let record = site.store().find_run(run).await?;
    Ok(RunDocument::read(site.store(), &record).await?)
}

/// Runs, newest first.
#[utoipa::path(get, path = "/api/v1/runs", tag = "runs", params(Which),
    responses((status = 200, body = Runs), Refusal))]
pub(super) async fn list(
    State(site): State<Site>,
    Query(which): Query<Which>,
) -> Result<Json<Runs>, Problem> {
    Ok(Json(which.page(&site).await?))
}

/// One run with all its points.
#[utoipa::path(get, path = "/api/v1/runs/{run}", tag = "runs",
    params(("run" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, body = RunDocument), Refusal))]
pub(super) async fn get(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<Json<RunDocument>, Problem> {
    Ok(Json(document(&site, &run).await?))
}

/// The points of a run as a table (CSV).
#[utoipa::path(get, path = "/api/v1/runs/{run}/points.csv", tag = "runs",
    params(("run" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, content_type = "text/csv", body = String), Refusal))]
pub(super) async fn points_csv(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    let document = document(&site, &run).await?;
    let header = [
        "run",
        "item",
        "frequency_hz",
        "face",
        "polarisation",
        "repeat",
        "reference_dbm",
        "level_dbm",
        "floor_dbm",
        "kind",
        "se_db",
        "u_db",
        "limit_db",
        "margin_db",
        "verdict",
        "flags",
    ];
    let number = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
    let rows = document.points.iter().map(|point| {
        vec![
            document.run.clone(),
            document.item.clone().unwrap_or_default(),
            point.frequency_hz.to_string(),
            point.face.clone(),
            point.polarisation.clone(),
            point.repeat.to_string(),
            number(point.reference_dbm),
            number(point.level_dbm),
            number(point.floor_dbm),
            point.kind.to_string(),
            number(point.se_db),
            number(point.u_db),
            number(point.limit_db),
            number(point.margin_db),
            point.verdict.map_or("", Verdict::as_str).to_owned(),
            point.flags.join(" "),
        ]
    });
    csv_file(&format!("{}-points.csv", document.run), &header, rows)
}

/// SE over frequency as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/runs/{run}/chart.svg", tag = "runs",
    params(("run" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn chart(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<impl IntoResponse, Problem> {
    let svg = document(&site, &run).await?.chart().svg();
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], svg))
}

/// A table to be saved as a file. The name is made here, of ids alone.
pub(super) fn csv_file(
    name: &str,
    header: &[&str],
    rows: impl Iterator<Item = Vec<String>>,
) -> Result<Response, Problem> {
    let fault =
        |error: csv::Error| Problem::internal(format!("the table cannot be written: {error}"));
    let mut table = csv::Writer::from_writer(Vec::new());
    table.write_record(header).map_err(fault)?;
    for row in rows {
        table.write_record(&row).map_err(fault)?;
    }
    let bytes = table
        .into_inner()
        .map_err(|error| Problem::internal(format!("the table cannot be written: {error}")))?;
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8".to_owned()),
        (
            header::CONTENT_DISPOSITION,
            format!("attachment; filename=\"{name}\""),
        ),
    ];
    Ok((headers, bytes).into_response())
}
