//! Every answer that is not what was asked for, as problem details (RFC 9457), and extractors that refuse
//! in that form.
//!
//! The cause goes to the log with its place; the client gets what was wrong and what to do.

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::request::Parts;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde::de::DeserializeOwned;
use utoipa::ToSchema;

use crate::evaluate::EvaluateError;
use crate::store::StoreError;

/// Why a request was not met.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Problem {
    /// What kind of problem, such as `urn:muffle:problem:unknown_run`; stays the same between versions.
    #[serde(rename = "type")]
    pub kind: String,
    /// The kind in words.
    pub title: String,
    /// The HTTP status.
    #[schema(minimum = 400, maximum = 599)]
    pub status: u16,
    /// What was wrong this time, and what to do.
    pub detail: String,
}

/// The media type of a problem.
pub const PROBLEM_JSON: &str = "application/problem+json";

impl Problem {
    fn new(status: StatusCode, kind: &str, title: &str, detail: impl ToString) -> Self {
        Self {
            kind: format!("urn:muffle:problem:{kind}"),
            title: title.to_owned(),
            status: status.as_u16(),
            detail: detail.to_string(),
        }
    }

    /// The request itself is wrong: a parameter, a body.
    pub fn input(detail: impl ToString) -> Self {
        let title = "The request cannot be understood";
        Self::new(StatusCode::BAD_REQUEST, "input", title, detail)
    }

    /// The request is understood, and its content is wrong: a plan, a serial.
    pub fn content(detail: impl ToString) -> Self {
        let title = "The content is not acceptable";
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, "content", title, detail)
    }

    /// There is no such thing.
    pub fn unknown(what: &str, detail: impl ToString) -> Self {
        let (kind, title) = (
            format!("unknown_{what}"),
            format!("There is no such {what}"),
        );
        Self::new(StatusCode::NOT_FOUND, &kind, &title, detail)
    }

    /// What is asked does not go together with how things stand.
    pub fn conflict(detail: impl ToString) -> Self {
        let title = "Not in this state";
        Self::new(StatusCode::CONFLICT, "conflict", title, detail)
    }

    /// A token is needed.
    pub fn unauthorized(detail: impl ToString) -> Self {
        let title = "A token is needed";
        Self::new(StatusCode::UNAUTHORIZED, "unauthorized", title, detail)
    }

    /// What was shown does not allow this.
    pub fn forbidden(detail: impl ToString) -> Self {
        Self::new(StatusCode::FORBIDDEN, "forbidden", "Not allowed", detail)
    }

    /// The name asked for is not this daemon's.
    pub fn misdirected(detail: impl ToString) -> Self {
        let title = "Not the name of this daemon";
        let status = StatusCode::MISDIRECTED_REQUEST;
        Self::new(status, "misdirected", title, detail)
    }

    /// Nothing is served at that path.
    pub fn no_such_path(path: &str) -> Self {
        let detail = format!("nothing is served at `{path}`; /api/v1/openapi.json lists what is");
        Self::unknown("path", detail)
    }

    /// The path does not know that method.
    pub fn method(method: &str) -> Self {
        let (status, title) = (StatusCode::METHOD_NOT_ALLOWED, "Not by this method");
        let detail = format!("this path does not take {method}; `Allow` says what it takes");
        Self::new(status, "method", title, detail)
    }

    /// The client took too long to send its request.
    pub fn too_slow() -> Self {
        let (status, title) = (StatusCode::REQUEST_TIMEOUT, "The request took too long");
        let detail = "the request was not complete in time; send it anew";
        Self::new(status, "too_slow", title, detail)
    }

    /// More requests, or watchers, than allowed.
    pub fn too_many(detail: impl ToString) -> Self {
        let (status, title) = (StatusCode::TOO_MANY_REQUESTS, "Too many requests");
        Self::new(status, "too_many", title, detail)
    }

    /// A fault of this side.
    pub fn internal(detail: impl ToString) -> Self {
        let (status, title) = (StatusCode::INTERNAL_SERVER_ERROR, "The daemon failed");
        Self::new(status, "internal", title, detail)
    }

    /// Something needed is not there at the moment.
    pub fn unavailable(detail: impl ToString) -> Self {
        let (status, title) = (StatusCode::SERVICE_UNAVAILABLE, "Not at the moment");
        Self::new(status, "unavailable", title, detail)
    }

    fn refused_body(status: StatusCode, detail: String) -> Self {
        let (kind, title) = match status {
            StatusCode::PAYLOAD_TOO_LARGE => ("too_large", "The body is too large"),
            StatusCode::UNSUPPORTED_MEDIA_TYPE => ("media_type", "The body is not JSON"),
            _ => return Self::input(detail),
        };
        Self::new(status, kind, title, detail)
    }

    /// The status as a type.
    pub fn status(&self) -> StatusCode {
        StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = (self.status(), Json(&self)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON));
        match self.status() {
            StatusCode::UNAUTHORIZED => {
                headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
            }
            StatusCode::TOO_MANY_REQUESTS => {
                headers.insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
            }
            _ => {}
        }
        response
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        match &error {
            StoreError::UnknownRun { .. } | StoreError::AmbiguousRun { .. } => {
                Self::unknown("run", error)
            }
            StoreError::UnknownItem { .. } => Self::unknown("item", error),
            StoreError::UnknownJob { .. } | StoreError::AmbiguousJob { .. } => {
                Self::unknown("job", error)
            }
            StoreError::BadQuery { .. } => Self::input(error),
            StoreError::TraceMoved { .. } => Self::unknown("trace", error),
            StoreError::Refused { .. } => Self::conflict(error),
            StoreError::BadName { .. } | StoreError::TooLong { .. } => Self::content(error),
            StoreError::WrongState { .. } => Self::conflict(error),
            StoreError::Full { .. } | StoreError::Locked { .. } | StoreError::ReadOnly { .. } => {
                tracing::error!(%error, "the store cannot take it");
                Self::unavailable(error)
            }
            _ => {
                tracing::error!(%error, "the store failed");
                Self::internal(error)
            }
        }
    }
}

impl From<EvaluateError> for Problem {
    fn from(error: EvaluateError) -> Self {
        match error {
            EvaluateError::Store(error) => error.into(),
            error @ EvaluateError::NotAnswerable { .. } => Self::unknown("answer", error),
            error => {
                tracing::error!(%error, "a run cannot be read");
                Self::internal(error)
            }
        }
    }
}

/// A JSON body; anything else is a [`Problem`].
#[derive(Debug)]
pub struct Body<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Body<T> {
    type Rejection = Problem;
    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        match Json::from_request(request, state).await {
            Ok(Json(value)) => Ok(Self(value)),
            Err(JsonRejection::JsonDataError(error)) => Err(Problem::content(error.body_text())),
            Err(error) => Err(Problem::refused_body(error.status(), error.body_text())),
        }
    }
}

/// The query of the address; anything it should not hold is a [`Problem`].
#[derive(Debug)]
pub struct Query<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for Query<T> {
    type Rejection = Problem;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        match axum::extract::Query::from_request_parts(parts, state).await {
            Ok(axum::extract::Query(value)) => Ok(Self(value)),
            Err(error) => Err(Problem::input(error.body_text())),
        }
    }
}

/// A part of the path; one that is not UTF-8 is a [`Problem`].
#[derive(Debug)]
pub struct Path<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned + Send> FromRequestParts<S> for Path<T> {
    type Rejection = Problem;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        match axum::extract::Path::from_request_parts(parts, state).await {
            Ok(axum::extract::Path(value)) => Ok(Self(value)),
            Err(error) => Err(Problem::input(error.body_text())),
        }
    }
}
