//! The page's login: a token is handed in once and kept in a cookie that scripts cannot read.

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use serde::Deserialize;
use utoipa::ToSchema;

use super::refusal::{ChangeRefusal, Refusal};
use super::{Body, Problem, Site};

/// A token.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Login {
    #[schema(max_length = 128)]
    token: String,
}

/// Takes a token and keeps it in a cookie.
#[utoipa::path(post, path = "/api/v1/session", tag = "session", request_body = Login,
    responses((status = 204, description = "The token counts."), Refusal, ChangeRefusal))]
pub(super) async fn begin(
    State(site): State<Site>,
    Body(login): Body<Login>,
) -> Result<impl IntoResponse, Problem> {
    let token = login.token.trim();
    match site.access.caller(token).await? {
        Some(_) => Ok((
            StatusCode::NO_CONTENT,
            [(header::SET_COOKIE, site.access.cookie(token))],
        )),
        None => Err(Problem::unauthorized(
            "that is no token that counts; `muffle serve token NAME` on the bench's computer makes one",
        )),
    }
}

/// Forgets the cookie.
#[utoipa::path(delete, path = "/api/v1/session", tag = "session",
    responses((status = 204, description = "Forgotten."), Refusal))]
pub(super) async fn end(State(site): State<Site>) -> impl IntoResponse {
    (
        StatusCode::NO_CONTENT,
        [(header::SET_COOKIE, site.access.cookie(""))],
    )
}
