//! Lots: their plan, their units, what they come to.

use axum::Json;
use axum::extract::State;
use axum::response::IntoResponse;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};

use super::reason::{as_json, svg};
use super::refusal::Refusal;
use super::{Path, Problem, Query, Site, rows};
use crate::analysis::lot::{AttributePlan, OcPoint};
use crate::evaluate::lot::{LotDocument, attribute_plan, curve, judge, known};
use crate::report::operating_characteristic;

/// Which lots.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct Which {
    /// Go on after so many, as `next` of the page before says.
    #[param(minimum = 0)]
    after: Option<u32>,
    /// At most so many; 50 if not given.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// A page of lots.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Lots {
    /// By name, each with its rule.
    #[schema(value_type = Vec<Object>)]
    lots: Vec<crate::store::Lot>,
    /// `after` for the next page; none on the last.
    next: Option<u32>,
}

/// Lots by name.
#[utoipa::path(get, path = "/api/v1/lots", tag = "lots", params(Which),
    responses((status = 200, body = Lots), Refusal))]
pub(super) async fn list(
    State(site): State<Site>,
    Query(which): Query<Which>,
) -> Result<Json<Lots>, Problem> {
    let limit = rows(which.limit)?;
    let after = which.after.unwrap_or(0);
    let mut lots = site.store().lots(limit + 1, after).await?;
    let more = lots.len() > limit as usize;
    lots.truncate(limit as usize);
    let next = more.then(|| after.saturating_add(limit));
    Ok(Json(Lots { lots, next }))
}

/// A lot judged from what was measured of it, with every unit.
#[utoipa::path(get, path = "/api/v1/lots/{lot}", tag = "lots",
    params(("lot" = String, Path, description = "Its name.")),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn get(
    State(site): State<Site>,
    Path(lot): Path<String>,
) -> Result<Json<Value>, Problem> {
    as_json(&judged(&site, &lot).await?)
}

/// How likely its plan by attributes accepts a lot, by how bad the lot is.
#[utoipa::path(get, path = "/api/v1/lots/{lot}/curve", tag = "lots",
    params(("lot" = String, Path, description = "Its name.")),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn operating(
    State(site): State<Site>,
    Path(lot): Path<String>,
) -> Result<Json<Value>, Problem> {
    let (plan, points) = plan(&site, &lot).await?;
    as_json(&json!({ "plan": plan, "curve": points }))
}

/// The same as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/lots/{lot}/curve.svg", tag = "lots",
    params(("lot" = String, Path, description = "Its name.")),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn picture(
    State(site): State<Site>,
    Path(lot): Path<String>,
) -> Result<impl IntoResponse, Problem> {
    let (plan, points) = plan(&site, &lot).await?;
    let title = format!("lot {lot}");
    Ok(svg(operating_characteristic(&title, &plan, &points).svg()))
}

/// A lot judged; the fault says that there is none of that name.
pub(in crate::daemon) async fn judged(site: &Site, lot: &str) -> Result<LotDocument, Problem> {
    Ok(judge(site.store(), lot).await?)
}

async fn plan(site: &Site, lot: &str) -> Result<(AttributePlan, Vec<OcPoint>), Problem> {
    let lot = known(site.store(), lot).await?;
    let plan = lot.rule.as_ref().and_then(attribute_plan);
    let plan = plan.ok_or_else(|| {
        let name = &lot.name;
        Problem::unknown("answer", format!("lot {name} is not judged by attributes"))
    })?;
    let plan = plan.map_err(|error| Problem::unknown("answer", error))?;
    let points = curve(&plan);
    Ok((plan, points))
}
