//! Items as last described.

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::refusal::Refusal;
use super::{Path, Problem, Query, Site, rows, short};
use crate::store::Item;

/// Which items.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct Which {
    /// Go on after this serial, as `next` of the page before says.
    #[param(max_length = 200)]
    after: Option<String>,
    /// At most so many; 50 if not given.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// A page of items.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Items {
    /// By serial.
    items: Vec<Item>,
    /// `after` for the next page; none on the last.
    next: Option<String>,
}

/// Items by serial.
#[utoipa::path(get, path = "/api/v1/items", tag = "items", params(Which),
    responses((status = 200, body = Items), Refusal))]
pub(super) async fn list(
    State(site): State<Site>,
    Query(which): Query<Which>,
) -> Result<Json<Items>, Problem> {
    let limit = rows(which.limit)?;
    let after = short("after", which.after.as_deref())?;
    let mut items = site.store().items(after, limit + 1).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items
        .last()
        .filter(|_| more)
        .map(|item| item.serial.clone());
    Ok(Json(Items { items, next }))
}

/// One item.
#[utoipa::path(get, path = "/api/v1/items/{serial}", tag = "items",
    params(("serial" = String, Path, description = "What is written on it.")),
    responses((status = 200, body = Item), Refusal))]
pub(super) async fn get(
    State(site): State<Site>,
    Path(serial): Path<String>,
) -> Result<Json<Item>, Problem> {
    let item = site.store().item(&serial).await?;
    item.map(Json)
        .ok_or_else(|| Problem::unknown("item", "no item of that serial was put in"))
}
