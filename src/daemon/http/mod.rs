//! The daemon over HTTP: the API under `/api/v1`, and the page.
//!
//! Handlers read snapshots and the store, and hand commands to the engine; none touches an instrument. What
//! changes something runs in a task of its own, so that a client that goes away cannot cut it in half. The
//! OpenAPI document is made from the handlers themselves: a path that is served is in it, and the other way
//! round. Every limit is a constant here, in `serve` or in [`super::access`].

mod compare;
mod event;
mod feed;
mod health;
mod item;
mod job;
mod lot;
mod problem;
mod reason;
mod refusal;
mod run;
mod serve;
mod session;
mod station;
mod theory;
mod trace;

use std::sync::Arc;
use std::time::Duration;

use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Request};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::{Router, middleware};
use tokio_util::sync::CancellationToken;
use utoipa::openapi::OpenApi;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::{PartialSchema, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Engine;
use super::access::{Access, door};
use super::page;
use crate::store::{PlanText, Store};

pub(in crate::daemon) use compare::{Followed, compared, followed, steady};
pub use feed::{FEED_PAUSE, WATCHERS_MAX};
pub(in crate::daemon) use lot::judged;
pub use problem::{Body, Path, Problem, Query};
pub(in crate::daemon) use reason::{Nested, Two, explained, inside, nested};
pub(in crate::daemon) use run::{Runs, Which as RunsWanted, document};
pub use serve::{CONNECTIONS_MAX, HEADER_BYTES_MAX, HEADER_TIME_MAX, TlsError, listen, serve, tls};
pub(in crate::daemon) use theory::told;
pub(in crate::daemon) use trace::{PointTrace, Which as PointWanted, traces_of};

/// The largest body of a request.
pub const BODY_BYTES_MAX: usize = 1 << 20;
/// How long an answer may take, the reading of the request's body included.
pub const REQUEST_TIME_MAX: Duration = Duration::from_secs(30);
/// Entries of a list, unless the client says otherwise.
pub const LIST_ROWS: u32 = 50;
/// The most entries of a list in one answer.
pub const LIST_ROWS_MAX: u32 = 500;
/// The longest text in the query of an address.
pub const QUERY_CHARS_MAX: usize = 200;

/// All that a handler can reach.
#[derive(Debug, Clone)]
pub struct Site {
    /// The stations.
    pub engine: Engine,
    /// Who may ask.
    pub access: Arc<Access>,
    /// Plans that can be chosen by name.
    pub plans: Arc<[PlanText]>,
    feed: feed::Feed,
}

impl Site {
    /// A site over the engine; its streams end when `stop` is cancelled.
    pub fn new(
        engine: Engine,
        access: Access,
        plans: Vec<PlanText>,
        stop: CancellationToken,
    ) -> Self {
        Self {
            feed: feed::Feed::start(engine.clone(), stop),
            engine,
            access: Arc::new(access),
            plans: plans.into(),
        }
    }

    /// The store that everything is in.
    pub fn store(&self) -> &Store {
        self.engine.store()
    }
}

/// Everything that is served, ready for [`serve()`] or for a test that calls it in its own process.
pub fn router(site: Site) -> Router {
    let (api, document) = api().split_for_parts();
    // As it is sent: the text takes a tenth of what its tree does.
    let described = serde_json::to_vec(&document).expect("a tree of texts can be written");
    let described = Bytes::from(described);
    drop(document);
    let described = move || {
        let json = [(header::CONTENT_TYPE, "application/json")];
        std::future::ready((json, described.clone()).into_response())
    };
    api.route("/api/v1/openapi.json", axum::routing::get(described))
        .merge(page::routes())
        .fallback(nothing_there)
        .method_not_allowed_fallback(not_by_this_method)
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(middleware::from_fn_with_state(site.access.clone(), door))
        .with_state(site)
}

/// The API's own description.
pub fn openapi() -> OpenApi {
    api().split_for_parts().1
}

fn api() -> OpenApiRouter<Site> {
    let mut document = OpenApi::default();
    document.info.title = "muffle".to_owned();
    document.info.version = "1".to_owned();
    document.info.description = Some(
        "Shielding effectiveness measured: stations, their queue, what was measured. Frequencies in Hz, \
        levels in dBm, ratios in dB, times RFC 3339 UTC. Errors are problem details (RFC 9457). On loopback \
        no token is needed; elsewhere reading takes the scope `read`, all else `operate`."
            .to_owned(),
    );
    let mut components = utoipa::openapi::Components::new();
    let bearer = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).build();
    components.add_security_scheme("token", SecurityScheme::Http(bearer));
    // The refusals name it, and are not looked into.
    let problem = Problem::name().into_owned();
    components.schemas.insert(problem, Problem::schema());
    document.components = Some(components);
    OpenApiRouter::with_openapi(document)
        .routes(routes!(station::list))
        .routes(routes!(station::get))
        .routes(routes!(station::stop))
        .routes(routes!(station::pause))
        .routes(routes!(station::resume))
        .routes(routes!(station::answer))
        .routes(routes!(job::list, job::submit))
        .routes(routes!(job::get))
        .routes(routes!(job::change))
        .routes(routes!(job::plans))
        .routes(routes!(event::list))
        .routes(routes!(event::stream))
        .routes(routes!(run::list))
        .routes(routes!(run::points))
        .routes(routes!(run::get))
        .routes(routes!(run::points_csv))
        .routes(routes!(run::chart))
        .routes(routes!(reason::explain))
        .routes(routes!(reason::picture))
        .routes(routes!(reason::behind))
        .routes(routes!(reason::behind_picture))
        .routes(routes!(reason::layers))
        .routes(routes!(reason::layers_picture))
        .routes(routes!(reason::next))
        .routes(routes!(reason::next_plan))
        .routes(routes!(lot::list))
        .routes(routes!(lot::get))
        .routes(routes!(lot::operating))
        .routes(routes!(lot::picture))
        .routes(routes!(compare::sides))
        .routes(routes!(compare::sides_picture))
        .routes(routes!(compare::item))
        .routes(routes!(compare::item_picture))
        .routes(routes!(compare::station))
        .routes(routes!(compare::station_picture))
        .routes(routes!(theory::list))
        .routes(routes!(theory::answer))
        .routes(routes!(theory::picture))
        .routes(routes!(trace::list))
        .routes(routes!(trace::csv))
        .routes(routes!(item::list))
        .routes(routes!(item::get))
        .routes(routes!(session::begin, session::end))
        .routes(routes!(health::health))
        .routes(routes!(health::metrics))
}

async fn nothing_there(request: Request) -> Response {
    let shown: String = request.uri().path().chars().take(QUERY_CHARS_MAX).collect();
    match shown.starts_with("/api/") {
        true => Problem::no_such_path(&shown).into_response(),
        false => page::problem(&Problem::no_such_path(&shown)),
    }
}

async fn not_by_this_method(request: Request) -> Problem {
    Problem::method(request.method().as_str())
}

/// Runs what changes something in a task of its own, to its end, whether or not somebody still waits.
pub(in crate::daemon) async fn detached<T: Send + 'static>(
    work: impl Future<Output = Result<T, Problem>> + Send + 'static,
) -> Result<T, Problem> {
    match tokio::spawn(work).await {
        Ok(done) => done,
        Err(error) => {
            tracing::error!(%error, "a request failed half-way");
            Err(Problem::internal(
                "the request failed half-way; look at the log",
            ))
        }
    }
}

/// How many entries of a list are wanted.
fn rows(limit: Option<u32>) -> Result<u32, Problem> {
    match limit.unwrap_or(LIST_ROWS) {
        rows @ 1..=LIST_ROWS_MAX => Ok(rows),
        rows => Err(Problem::input(format!(
            "limit: {rows} is not from 1 to {LIST_ROWS_MAX}"
        ))),
    }
}

/// A text from the query of an address, if it is one that could fit anything.
fn short<'a>(name: &str, text: Option<&'a str>) -> Result<Option<&'a str>, Problem> {
    match text {
        Some(text) if text.chars().count() > QUERY_CHARS_MAX => Err(Problem::input(format!(
            "{name}: longer than {QUERY_CHARS_MAX} characters"
        ))),
        text => Ok(text.filter(|text| !text.is_empty())),
    }
}
