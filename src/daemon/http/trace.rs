//! The traces behind a point: those of the item, and those of the reference it is subtracted from.

use axum::Json;
use axum::extract::State;
use axum::response::Response;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::refusal::Refusal;
use super::run::csv_file;
use super::{Path, Problem, Query, Site, short};
use crate::evaluate::OPEN;
use crate::store::{Point, ReadingKey, ReadingKind, RunId, RunKind, RunRecord, Store};

/// Which point.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(in crate::daemon) struct Which {
    /// Test frequency, Hz, as the run has it.
    pub frequency_hz: f64,
    /// The side of the item that looked at the antenna.
    #[param(max_length = 200)]
    pub face: String,
    /// `horizontal` or `vertical`.
    #[param(max_length = 200)]
    pub polarisation: String,
    /// Which closing, from 1.
    #[param(minimum = 1)]
    pub repeat: u32,
}

impl Which {
    pub(in crate::daemon) fn point(&self) -> Result<Point, Problem> {
        short("face", Some(&self.face))?;
        short("polarisation", Some(&self.polarisation))?;
        Ok(Point {
            frequency_hz: self.frequency_hz,
            face: self.face.clone(),
            polarisation: self.polarisation.clone(),
            repeat: self.repeat,
        })
    }
}

/// One trace with what was read from it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PointTrace {
    /// The run it belongs to.
    pub run: RunId,
    /// Of the open path or of the item.
    pub of: RunKind,
    /// What it reads.
    pub kind: ReadingKind,
    /// When it was taken.
    pub taken: Timestamp,
    /// Sweeps over which the peak was held.
    pub sweeps: u32,
    /// Where the peak was picked, Hz.
    pub peak_hz: f64,
    /// The peak as picked, dBm.
    pub peak_dbm: f64,
    /// What is to be known about it, in words.
    pub flags: Vec<String>,
    /// Frequency of the first level, Hz.
    pub start_hz: f64,
    /// Frequency of the last level, Hz.
    pub stop_hz: f64,
    /// Levels, evenly spaced from first to last frequency, as the receiver gave them.
    pub levels: Vec<f64>,
    /// Their unit.
    pub unit: String,
    /// SHA-256 of the levels as stored.
    pub sha256: String,
}

/// All traces of a point.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Traces {
    /// Reference first, then the item; each floor, signal, step.
    traces: Vec<PointTrace>,
}

/// Every trace behind a point of a run, checked against its checksum.
pub(in crate::daemon) async fn traces_of(
    store: &Store,
    run: &RunRecord,
    point: &Point,
) -> Result<Vec<PointTrace>, Problem> {
    let open = Point {
        face: OPEN.to_owned(),
        repeat: 1,
        ..point.clone()
    };
    let reference = run.reference_run.map(|id| (id, RunKind::Reference, &open));
    let places = reference.into_iter().chain([(run.id, run.kind, point)]);
    let mut traces = Vec::new();
    for (run, of, point) in places {
        for kind in [ReadingKind::Floor, ReadingKind::Signal, ReadingKind::Step] {
            let key = ReadingKey {
                kind,
                point: point.clone(),
            };
            let Some((reading, kept)) = store.reading_with_trace(run, &key).await? else {
                continue;
            };
            traces.push(PointTrace {
                run,
                of,
                kind,
                taken: reading.taken,
                sweeps: reading.sweeps,
                peak_hz: reading.peak_hz,
                peak_dbm: reading.peak_dbm,
                flags: reading.flags,
                start_hz: kept.trace.start_hz,
                stop_hz: kept.trace.stop_hz,
                levels: kept.trace.levels.to_f64(),
                unit: kept.trace.unit,
                sha256: kept.sha256,
            });
        }
    }
    match traces.is_empty() {
        true => Err(Problem::unknown(
            "point",
            "this run has no reading at that point",
        )),
        false => Ok(traces),
    }
}

async fn found(site: &Site, run: &str, which: &Which) -> Result<Vec<PointTrace>, Problem> {
    let point = which.point()?;
    let record = site.store().find_run(run).await?;
    traces_of(site.store(), &record, &point).await
}

/// Every trace behind a point of a run.
#[utoipa::path(get, path = "/api/v1/runs/{run}/traces", tag = "runs",
    params(("run" = String, Path, description = "Its id, or the beginning of it."), Which),
    responses((status = 200, body = Traces), Refusal))]
pub(super) async fn list(
    State(site): State<Site>,
    Path(run): Path<String>,
    Query(which): Query<Which>,
) -> Result<Json<Traces>, Problem> {
    let traces = found(&site, &run, &which).await?;
    Ok(Json(Traces { traces }))
}

/// The same as a table (CSV), one level a line.
#[utoipa::path(get, path = "/api/v1/runs/{run}/traces.csv", tag = "runs",
    params(("run" = String, Path, description = "Its id, or the beginning of it."), Which),
    responses((status = 200, content_type = "text/csv", body = String), Refusal))]
pub(super) async fn csv(
    State(site): State<Site>,
    Path(run): Path<String>,
    Query(which): Query<Which>,
) -> Result<Response, Problem> {
    let traces = found(&site, &run, &which).await?;
    let header = [
        "run",
        "of",
        "kind",
        "taken",
        "frequency_hz",
        "level",
        "unit",
    ];
    let rows = traces.iter().flat_map(|trace| {
        let last = trace.levels.len().saturating_sub(1).max(1) as f64;
        let step = (trace.stop_hz - trace.start_hz) / last;
        trace.levels.iter().enumerate().map(move |(index, level)| {
            vec![
                trace.run.to_string(),
                trace.of.to_string(),
                trace.kind.to_string(),
                trace.taken.to_string(),
                (trace.start_hz + index as f64 * step).to_string(),
                level.to_string(),
                trace.unit.clone(),
            ]
        })
    });
    csv_file("traces.csv", &header, rows)
}
