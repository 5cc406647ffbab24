//! Who gets in, and who does not.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use jiff::Timestamp;
use muffle::daemon::access::{Access, Peer};
use muffle::daemon::http::{serve, tls};
use muffle::store::Scope;
use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::{ClientConfig, RootCertStore};
use tokio_util::sync::CancellationToken;

use super::served::{Daemon, get, post, with_header};

async fn token(daemon: &Daemon, name: &str, scope: Scope) -> String {
    let made = daemon.store.make_token(name, scope, Timestamp::now()).await;
    made.expect("a token")
}

fn bearing(request: Request<Body>, token: &str) -> Request<Body> {
    with_header(request, "authorization", &format!("Bearer {token}"))
}

#[tokio::test]
async fn beyond_loopback_a_token_is_needed_and_its_scope_counts() {
    let daemon = Daemon::behind(Access::with_tokens).await;
    let (reads, operates) = (
        token(&daemon, "reader", Scope::Read).await,
        token(&daemon, "operator", Scope::Operate).await,
    );
    let stations = || get("/api/v1/stations");
    let pause = || {
        post(
            "/api/v1/stations/bay%20one/pause",
            "{\"reason\":\"a test\"}",
        )
    };

    let refused = daemon.ask(stations()).await;
    assert_eq!(refused.status, StatusCode::UNAUTHORIZED);
    assert_eq!(refused.headers["www-authenticate"], "Bearer");
    for path in [
        "/api/v1/openapi.json",
        "/api/v1/health",
        "/api/v1/metrics",
        "/api/v1/events/stream",
        "/part/bay%20one/queue",
    ] {
        let status = daemon.ask(get(path)).await.status;
        assert!(matches!(status.as_u16(), 401 | 303), "{path}: {status}");
    }
    assert_eq!(
        daemon.ask(bearing(stations(), "muffle_00")).await.status,
        StatusCode::UNAUTHORIZED
    );
    assert_eq!(
        daemon
            .ask(bearing(stations(), &"x".repeat(5000)))
            .await
            .status,
        StatusCode::UNAUTHORIZED
    );
    assert_eq!(
        daemon.ask(bearing(stations(), &reads)).await.status,
        StatusCode::OK
    );
    assert_eq!(
        daemon.ask(bearing(pause(), &reads)).await.status,
        StatusCode::FORBIDDEN
    );
    assert_eq!(daemon.ask(pause()).await.status, StatusCode::UNAUTHORIZED);
    assert_eq!(
        daemon.ask(bearing(pause(), &operates)).await.status,
        StatusCode::NO_CONTENT
    );

    // A page sends people to the login instead, and that page has what it needs.
    let sent = daemon.ask(get("/history")).await;
    assert_eq!(
        (sent.status, &sent.headers["location"]),
        (StatusCode::SEE_OTHER, &"/login".parse().expect("a value"))
    );
    assert_eq!(daemon.ask(get("/login")).await.status, StatusCode::OK);
    assert_eq!(
        daemon.ask(get("/assets/page.css")).await.status,
        StatusCode::OK
    );

    daemon
        .store
        .revoke_token("operator", Timestamp::now())
        .await
        .expect("revoked");
    assert_eq!(
        daemon.ask(bearing(pause(), &operates)).await.status,
        StatusCode::UNAUTHORIZED
    );
    let again = daemon
        .store
        .make_token("operator", Scope::Read, Timestamp::now())
        .await;
    assert!(again.is_err(), "names are not used again");
}

#[tokio::test]
async fn a_login_keeps_the_token_where_no_script_and_no_other_site_gets_at_it() {
    let daemon = Daemon::behind(|access| access.with_tokens().with_tls()).await;
    let token = token(&daemon, "tablet", Scope::Operate).await;
    let wrong = daemon
        .ask(post("/api/v1/session", "{\"token\":\"x\"}"))
        .await;
    assert_eq!(wrong.status, StatusCode::UNAUTHORIZED);
    let body = json!({ "token": token }).to_string();
    let right = daemon.ask(post("/api/v1/session", &body)).await;
    assert_eq!(right.status, StatusCode::NO_CONTENT, "{}", right.text());
    let cookie = right.headers["set-cookie"].to_str().expect("text");
    for part in ["HttpOnly", "SameSite=Strict", "Secure", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    let pair = cookie.split(';').next().expect("a pair");
    let page = daemon
        .ask(with_header(get("/history"), "cookie", pair))
        .await;
    assert_eq!(page.status, StatusCode::OK);
}

#[tokio::test]
async fn a_web_page_from_elsewhere_gets_nothing_done() {
    let daemon = Daemon::idle().await;
    let stop = || {
        post(
            "/api/v1/stations/bay%20one/pause",
            "{\"reason\":\"a test\"}",
        )
    };
    for (name, value, status) in [
        // A name that is pointed at 127.0.0.1 from outside.
        ("host", "rebound.example:7373", 421),
        ("host", "127.0.0.1:7373@rebound.example", 421),
        ("origin", "http://evil.example", 403),
        ("origin", "http://127.0.0.1:8000", 403),
        ("origin", "null", 403),
        ("sec-fetch-site", "cross-site", 403),
        ("sec-fetch-site", "same-site", 403),
        // What a form can send without asking.
        ("content-type", "text/plain", 415),
    ] {
        let answer = daemon.ask(with_header(stop(), name, value)).await;
        assert_eq!(
            answer.status.as_u16(),
            status,
            "{name}: {value}: {}",
            answer.text()
        );
    }
    assert!(
        daemon
            .store
            .queue_pause("bay one")
            .await
            .expect("read")
            .is_none()
    );
    let own = with_header(stop(), "origin", "http://127.0.0.1:7373");
    assert_eq!(daemon.ask(own).await.status, StatusCode::NO_CONTENT);

    let asked = Request::options("/api/v1/jobs")
        .header("host", super::served::HERE)
        .header("origin", "http://evil.example")
        .header("access-control-request-method", "POST");
    let answer = daemon
        .ask(asked.body(Body::empty()).expect("a request"))
        .await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
    let named = with_header(get("/api/v1/health"), "host", "localhost");
    let answer = daemon.ask(named).await;
    assert_eq!(answer.status, StatusCode::OK);
    assert!(
        answer
            .headers
            .keys()
            .all(|name| !name.as_str().starts_with("access-control"))
    );
}

#[tokio::test]
async fn the_form_that_stops_is_only_taken_from_the_page_itself() {
    let daemon = Daemon::idle().await;
    let form = |headers: &[(&str, &str)]| {
        let request = Request::post("/stop").header("host", super::served::HERE);
        let mut request = request
            .header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from("station=bay+one"))
            .expect("a request");
        for (name, value) in headers {
            request = with_header(request, name, value);
        }
        request
    };
    let here = ("origin", "http://127.0.0.1:7373");
    for (headers, status) in [
        (&[][..], 403),
        (&[("origin", "http://evil.example")], 403),
        (&[("origin", "http://127.0.0.1:8000")], 403),
        (&[("origin", "null")], 403),
        (&[("sec-fetch-site", "cross-site")], 403),
        (&[("sec-fetch-site", "same-site")], 403),
        (&[("sec-fetch-site", "none")], 403),
        (&[here, ("sec-fetch-site", "cross-site")], 403),
        (
            &[("origin", "null"), ("sec-fetch-site", "same-origin")],
            403,
        ),
        (&[here, ("content-type", "application/json")], 415),
        (&[here, ("content-type", "text/plain")], 415),
        (&[here, ("host", "rebound.example:7373")], 421),
    ] {
        let answer = daemon.ask(form(headers)).await;
        assert_eq!(
            answer.status.as_u16(),
            status,
            "{headers:?}: {}",
            answer.text()
        );
    }
    let paused = async || {
        let paused = daemon.store.queue_pause("bay one").await;
        paused.expect("read").is_some()
    };
    assert!(!paused().await, "nothing of it was heard");
    // The instruments are not there: nobody can confirm, and the page says so.
    let answer = daemon.ask(form(&[here])).await;
    assert_eq!(answer.status.as_u16(), 500, "{}", answer.text());
    assert!(
        answer.text().contains("Not confirmed off"),
        "{}",
        answer.text()
    );
    assert!(paused().await);
    let proven = daemon.ask(form(&[("sec-fetch-site", "same-origin")])).await;
    assert_eq!(proven.status.as_u16(), 500, "{}", proven.text());

    let locked = Daemon::behind(Access::with_tokens).await;
    let stranger = locked.ask(form(&[here])).await;
    assert_eq!(stranger.status.as_u16(), 401, "{}", stranger.text());
    let reads = token(&locked, "reader", Scope::Read).await;
    let reader = locked.ask(bearing(form(&[here]), &reads)).await;
    assert_eq!(reader.status.as_u16(), 403, "{}", reader.text());
}

#[tokio::test]
async fn every_answer_tells_the_browser_to_be_careful() {
    let daemon = Daemon::idle().await;
    for path in [
        "/history",
        "/nothing",
        "/api/v1/health",
        "/api/v1/nothing",
        "/assets/page.js",
    ] {
        let headers = daemon.ask(get(path)).await.headers;
        let policy = headers["content-security-policy"].to_str().expect("text");
        assert!(
            policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"),
            "{path}"
        );
        assert!(!policy.contains("unsafe"), "{path}");
        assert_eq!(headers["x-content-type-options"], "nosniff", "{path}");
        assert_eq!(headers["referrer-policy"], "same-origin", "{path}");
        let kept = headers["cache-control"].to_str().expect("text");
        assert_eq!(kept == "no-store", !path.starts_with("/assets/"), "{path}");
    }
}

#[tokio::test]
async fn one_client_that_sends_too_much_is_told_to_wait() {
    let daemon = Daemon::idle().await;
    let from = |last| {
        let mut request = get("/api/v1/plans");
        let peer = Peer(SocketAddr::from(([127, 0, 0, last], 1)));
        request.extensions_mut().insert(peer);
        request
    };
    let mut refused = 0;
    for _ in 0..400 {
        let answer = daemon.ask(from(1)).await;
        if answer.status == StatusCode::TOO_MANY_REQUESTS {
            assert_eq!(answer.headers["retry-after"], "1");
            refused += 1;
        }
    }
    assert!(refused > 0);
    assert_eq!(daemon.ask(from(2)).await.status, StatusCode::OK);
}

#[tokio::test]
async fn with_certificates_the_connection_is_encrypted() {
    let daemon = Daemon::idle().await;
    let folder = tempfile::TempDir::new().expect("a folder");
    let made =
        rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).expect("a certificate");
    let (certificate, key) = (folder.path().join("c.pem"), folder.path().join("k.pem"));
    std::fs::write(&certificate, made.cert.pem()).expect("written");
    std::fs::write(&key, made.signing_key.serialize_pem()).expect("written");
    assert!(tls(&key, &certificate).is_err(), "the wrong way round");
    let acceptor = tls(&certificate, &key).expect("usable");

    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a socket");
    let address = listener.local_addr().expect("bound");
    let stop = CancellationToken::new();
    let served = tokio::spawn(serve(
        listener,
        Some(acceptor),
        daemon.router.clone(),
        stop.clone(),
        Duration::from_secs(2),
    ));

    let mut roots = RootCertStore::empty();
    roots.add(made.cert.der().clone()).expect("a root");
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .expect("versions")
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = "localhost".try_into().expect("a name");
    let stream = TcpStream::connect(address).await.expect("connected");
    let mut stream = TlsConnector::from(Arc::new(config))
        .connect(name, stream)
        .await
        .expect("agreed");
    let request = "GET /api/v1/health HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n";
    stream.write_all(request.as_bytes()).await.expect("sent");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.expect("answered");
    assert!(answer.starts_with("HTTP/1.1 200 OK"), "{answer}");
    stop.cancel();
    served.await.expect("ended");
}
