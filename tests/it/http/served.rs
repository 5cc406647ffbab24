//! A daemon in this process: asked directly, or over a socket.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::http::{HeaderMap, HeaderName, Request, StatusCode};
use muffle::config;
use muffle::daemon::access::Access;
use muffle::daemon::http::{Site, listen, router, serve};
use muffle::daemon::{Engine, Running, StationFile};
use muffle::station::Opening;
use muffle::store::{PlanText, Store};
use serde_json::Value;
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

use crate::support::plan;

/// Port that only shows in `Host`.
pub const HERE: &str = "127.0.0.1:7373";

/// The station, its store and its API.
pub struct Daemon {
    pub store: Store,
    pub router: Router,
    pub stop: CancellationToken,
    /// Ends the stations when it is dropped.
    _running: Running,
    _folder: Option<TempDir>,
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn text(&self) -> String {
        String::from_utf8(self.body.clone()).expect("UTF-8")
    }

    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|error| panic!("{error}: {}", self.text()))
    }
}

impl Daemon {
    /// A daemon on loopback whose instruments are not there.
    pub async fn idle() -> Self {
        Self::behind(|access| access).await
    }

    /// The same with a door of one's own.
    pub async fn behind(door: impl FnOnce(Access) -> Access) -> Self {
        let folder = TempDir::new().expect("a folder");
        let nowhere = std::net::TcpListener::bind("127.0.0.1:0").expect("a socket");
        let port = nowhere.local_addr().expect("bound").port();
        drop(nowhere);
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/station.toml");
        let text = std::fs::read_to_string(file)
            .expect("the example")
            .replace("tcp://192.0.2.10:5025", &format!("tcp://127.0.0.1:{port}"))
            .replace("tcp://192.0.2.11:5025", &format!("tcp://127.0.0.1:{port}"));
        let station = folder.path().join("station.toml");
        std::fs::write(&station, text).expect("written");
        let store = folder.path().join("muffle.db");
        let mut daemon = Self::over(&station, &store, door, &["100 MHz"]).await;
        daemon._folder = Some(folder);
        daemon
    }

    /// A daemon of that station and that store, with one plan.
    pub async fn over(
        station: &Path,
        store: &Path,
        door: impl FnOnce(Access) -> Access,
        frequencies: &[&str],
    ) -> Self {
        let store = Store::open(store).await.expect("a store");
        let config = config::Station::load(station).expect("a station");
        let file = StationFile {
            path: PathBuf::from(station),
            config,
        };
        let (engine, running) = Engine::start(
            store.clone(),
            vec![file],
            config::Daemon::default(),
            Opening::with_keeper(env!("CARGO_BIN_EXE_muffle")),
        )
        .await
        .expect("an engine");
        let stop = CancellationToken::new();
        let loopback = [SocketAddr::from(([127, 0, 0, 1], 0))];
        let access = door(Access::new(store.clone(), &loopback));
        let plans = vec![PlanText {
            name: "short".to_owned(),
            text: plan(frequencies),
        }];
        let site = Site::new(engine, access, plans, stop.clone());
        Self {
            store,
            router: router(site),
            stop,
            _running: running,
            _folder: None,
        }
    }

    /// Asks without a socket.
    pub async fn ask(&self, request: Request<Body>) -> Answer {
        let response = self
            .router
            .clone()
            .oneshot(request)
            .await
            .expect("infallible");
        let (parts, body) = response.into_parts();
        let body = axum::body::to_bytes(body, 64 << 20).await.expect("a body");
        Answer {
            status: parts.status,
            headers: parts.headers,
            body: body.to_vec(),
        }
    }

    /// Serves on a socket of its own until [`Self::stop`].
    pub async fn listen(&self) -> SocketAddr {
        let listener = listen(SocketAddr::from(([127, 0, 0, 1], 0))).expect("a socket");
        let address = listener.local_addr().expect("bound");
        let (router, stop) = (self.router.clone(), self.stop.clone());
        tokio::spawn(serve(listener, None, router, stop, Duration::from_secs(2)));
        address
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

/// A request as a client on this computer sends it.
pub fn get(path: &str) -> Request<Body> {
    let request = Request::get(path).header("host", HERE);
    request.body(Body::empty()).expect("a request")
}

/// JSON, or what passes for it.
pub fn post(path: &str, body: &str) -> Request<Body> {
    let request = Request::post(path)
        .header("host", HERE)
        .header("content-type", "application/json");
    request
        .body(Body::from(body.to_owned()))
        .expect("a request")
}

/// The same with one more header.
pub fn with_header(mut request: Request<Body>, name: &str, value: &str) -> Request<Body> {
    let name: HeaderName = name.parse().expect("a name");
    request
        .headers_mut()
        .insert(name, value.parse().expect("a value"));
    request
}
