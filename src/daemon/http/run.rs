//! Runs: listed, whole, as a table and as a picture.

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::refusal::Refusal;
use super::{Path, Problem, Query, Site, rows};
use crate::report::{PointDocument, RunDocument};
use crate::store::{
    HistoryRow, PageOf, Query as Wanted, RunId, RunKind, RunRow, RunState, Verdict, csv_text,
};

/// Which part of the history.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(in crate::daemon) struct Which {
    /// What to look for, as for `muffle history`: words parted by blanks, `key:value` narrows, quotes hold blanks.
    /// Everything if not given. A fault in it is answered with its column and what there is.
    #[param(
        max_length = 1000,
        example = "model:\"Fell pouch\" verdict:fail since:2026-01"
    )]
    #[serde(default)]
    pub q: String,
    /// Go on behind the page that said so as its `next`.
    #[param(max_length = 1000, pattern = "^([0-9a-f][0-9a-f])*$")]
    pub after: Option<String>,
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
    /// The verdict over its points.
    pub verdict: Option<Verdict>,
    /// Whether its readings were taken by hand and read in from a file.
    pub imported: bool,
    /// When somebody said that it is not to be counted.
    pub withdrawn: Option<Timestamp>,
    /// Why.
    pub withdrawn_why: Option<String>,
    /// Points with a result.
    pub points: u32,
    /// The point with the least margin to its limit, or without a limit the least SE.
    pub worst: Option<PointDocument>,
}

impl From<RunRow> for RunSummary {
    fn from(row: RunRow) -> Self {
        let run = row.run;
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
            imported: run.imported,
            withdrawn: run.withdrawn,
            withdrawn_why: run.withdrawn_why,
            points: row.points,
            worst: row.worst.as_ref().map(PointDocument::from),
        }
    }
}

/// A page of runs.
#[derive(Debug, Serialize, ToSchema)]
pub(in crate::daemon) struct Runs {
    /// In the order the query asks for; newest first if it does not.
    pub runs: Vec<RunSummary>,
    /// `after` for the next page; none on the last.
    pub next: Option<String>,
}

/// A page of points.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Points {
    /// In the order the query asks for; newest run first if it does not.
    points: Vec<HistoryRow>,
    /// `after` for the next page; none on the last.
    next: Option<String>,
}

impl Which {
    fn page_of(&self) -> Result<PageOf, Problem> {
        let after = self.after.as_deref().filter(|after| !after.is_empty());
        Ok(PageOf {
            rows_max: rows(self.limit)?,
            after: after
                .map(str::parse)
                .transpose()
                .map_err(|error| Problem::input(format!("after: {error}")))?,
        })
    }

    fn query(&self) -> Result<Wanted, Problem> {
        Wanted::parse(&self.q).map_err(Problem::input)
    }

    /// A page of the runs that fit.
    pub(in crate::daemon) async fn runs(&self, site: &Site) -> Result<Runs, Problem> {
        let (query, page) = (self.query()?, self.page_of()?);
        let found = site.store().run_rows(&query, &page).await?;
        Ok(Runs {
            runs: found.rows.into_iter().map(RunSummary::from).collect(),
            next: found.next.map(|next| next.to_string()),
        })
    }

    /// What the query names and is not there, in words.
    pub(in crate::daemon) async fn unknown_names(
        &self,
        site: &Site,
    ) -> Result<Vec<String>, Problem> {
        Ok(site.store().unknown_names(&self.query()?).await?)
    }
}

/// The run of that id, whole.
pub(in crate::daemon) async fn document(site: &Site, run: &str) -> Result<RunDocument, Problem> {
    let record = site.store().find_run(run).await?;
    Ok(RunDocument::read(site.store(), &record).await?)
}

/// Runs of the history, newest first unless the query says otherwise. Withdrawn ones are left out unless it asks.
#[utoipa::path(get, path = "/api/v1/runs", tag = "runs", params(Which),
    responses((status = 200, body = Runs), Refusal))]
pub(super) async fn list(
    State(site): State<Site>,
    Query(which): Query<Which>,
) -> Result<Json<Runs>, Problem> {
    Ok(Json(which.runs(&site).await?))
}

/// Points of the history, newest run first unless the query says otherwise.
#[utoipa::path(get, path = "/api/v1/points", tag = "runs", params(Which),
    responses((status = 200, body = Points), Refusal))]
pub(super) async fn points(
    State(site): State<Site>,
    Query(which): Query<Which>,
) -> Result<Json<Points>, Problem> {
    let (query, page) = (which.query()?, which.page_of()?);
    let found = site.store().points(&query, &page).await?;
    Ok(Json(Points {
        points: found.rows,
        next: found.next.map(|next| next.to_string()),
    }))
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
            document.item.as_deref().map_or(String::new(), csv_text),
            point.frequency_hz.to_string(),
            csv_text(&point.face),
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
