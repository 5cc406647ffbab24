//! The daemon over HTTP: the API, the door before it, the streams, the page.

mod answers;
mod browser;
mod door;
mod events;
mod flood;
mod fuzz;
mod prompts;
mod served;
mod tables;

use axum::http::StatusCode;
use serde_json::{Value, json};

use served::{Answer, Daemon, get, post, with_header};

/// Where the API's description is kept, to be read before it changes.
const GOLDEN: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/golden/openapi.json");

#[test]
fn the_openapi_document_is_the_one_that_was_read() {
    let made = muffle::daemon::http::openapi();
    let made = serde_json::to_string_pretty(&made).expect("JSON") + "\n";
    if std::env::var_os("MUFFLE_WRITE_GOLDEN").is_some() {
        std::fs::write(GOLDEN, &made).expect("written");
    }
    let kept = std::fs::read_to_string(GOLDEN).expect("the golden file");
    assert!(
        made == kept,
        "the API's description has changed: read the difference after \
        `MUFFLE_WRITE_GOLDEN=1 cargo test --test it openapi`"
    );
}

#[test]
fn every_operation_says_how_it_can_fail() {
    let document = serde_json::to_value(muffle::daemon::http::openapi()).expect("JSON");
    let paths = document["paths"].as_object().expect("paths");
    let mut operations = 0;
    for (path, methods) in paths {
        for (method, operation) in methods.as_object().expect("methods") {
            operations += 1;
            let place = format!("{method} {path}");
            assert!(path.starts_with("/api/v1/"), "{place}");
            assert!(operation["summary"].is_string(), "{place}");
            for status in [
                "400", "401", "403", "404", "408", "421", "429", "500", "503",
            ] {
                let content = &operation["responses"][status]["content"];
                assert!(
                    content["application/problem+json"].is_object(),
                    "{place}: {status}"
                );
            }
        }
    }
    assert!(operations > 20, "{operations}");
}

#[tokio::test]
async fn whatever_is_wrong_is_answered_by_problem_details() {
    let daemon = Daemon::idle().await;
    let long = "x".repeat(muffle::daemon::http::BODY_BYTES_MAX + 1);
    let station = "/api/v1/stations/bay%20one";
    let cases = [
        (get("/api/v1/nothing"), 404, "unknown_path"),
        (
            get("/api/v1/runs/01JZZZZZZZZZZZZZZZZZZZZZZZ"),
            404,
            "unknown_run",
        ),
        (get("/api/v1/runs/%27%20OR%201=1"), 404, "unknown_run"),
        (get("/api/v1/runs/%FF"), 400, "input"),
        (get("/api/v1/runs?limit=0"), 400, "input"),
        (get("/api/v1/runs?limit=501"), 400, "input"),
        (get("/api/v1/runs?colour=red"), 400, "input"),
        (
            get(&format!("/api/v1/runs?q={}", "x".repeat(4097))),
            400,
            "input",
        ),
        (get("/api/v1/runs?q=colour:red"), 400, "input"),
        (get("/api/v1/runs?q=sort:worst"), 400, "input"),
        (get("/api/v1/runs?after=7b7d"), 400, "input"),
        (get("/api/v1/jobs?after=1"), 400, "input"),
        (get("/api/v1/points?q=freq:fast"), 400, "input"),
        (get("/api/v1/jobs/nothing"), 404, "unknown_job"),
        (get("/api/v1/items/nothing"), 404, "unknown_item"),
        (get("/api/v1/stations/nowhere"), 404, "unknown_station"),
        (get("/api/v1/events?after=-1"), 400, "input"),
        (
            with_header(get("/api/v1/events/stream"), "last-event-id", "x"),
            400,
            "input",
        ),
        (post("/api/v1/health", "{}"), 405, "method"),
        (post(&format!("{station}/stop"), "{"), 400, "input"),
        (
            post(&format!("{station}/stop"), "{\"a\":1}"),
            422,
            "content",
        ),
        (post("/api/v1/jobs", &long), 413, "too_large"),
        (post("/api/v1/jobs", "[]"), 422, "content"),
        (
            post(&format!("{station}/prompts/x"), "{\"answer\":\"done\"}"),
            404,
            "unknown_prompt",
        ),
    ];
    for (request, status, kind) in cases {
        let place = format!("{} {}", request.method(), request.uri());
        let answer = daemon.ask(request).await;
        assert_eq!(answer.status.as_u16(), status, "{place}: {}", answer.text());
        assert_eq!(
            answer.headers["content-type"], "application/problem+json",
            "{place}"
        );
        let problem = answer.json();
        assert_eq!(
            problem["type"],
            format!("urn:muffle:problem:{kind}"),
            "{place}"
        );
        assert_eq!(problem["status"], status, "{place}");
        assert!(
            problem["detail"]
                .as_str()
                .is_some_and(|detail| detail.len() > 5),
            "{place}"
        );
        if status == 405 {
            assert!(
                answer.headers["allow"]
                    .to_str()
                    .expect("text")
                    .contains("GET"),
                "{place}"
            );
        }
    }
    let mut form = post("/api/v1/jobs", "station=x");
    let kind = "application/x-www-form-urlencoded"
        .parse()
        .expect("a value");
    form.headers_mut().insert("content-type", kind);
    let answer = daemon.ask(form).await;
    assert_eq!(answer.status, StatusCode::UNSUPPORTED_MEDIA_TYPE);
}

#[tokio::test]
async fn a_job_goes_in_is_changed_and_is_listed() {
    let daemon = Daemon::idle().await;
    let wrong = json!({ "station": "bay one", "kind": "items", "plan": { "name": "no such" },
        "items": [{ "serial": "P-1" }] });
    let answer = daemon.ask(post("/api/v1/jobs", &wrong.to_string())).await;
    assert_eq!(
        answer.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{}",
        answer.text()
    );
    let broken = json!({ "station": "bay one", "kind": "items",
        "plan": { "name": "mine", "text": "name = 1" }, "items": [{ "serial": "P-1" }] });
    let answer = daemon.ask(post("/api/v1/jobs", &broken.to_string())).await;
    assert_eq!(
        answer.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{}",
        answer.text()
    );

    let ids = [submit(&daemon, "P-1").await, submit(&daemon, "P-2").await];
    let path = format!("/api/v1/jobs/{}", ids[0]);
    let change = json!({ "do": "priority", "to": -5 });
    let changed = daemon
        .ask(post(&format!("{path}/change"), &change.to_string()))
        .await;
    assert_eq!(changed.status, StatusCode::OK, "{}", changed.text());
    assert_eq!(daemon.ask(get(&path)).await.json()["priority"], -5);
    let page = daemon
        .ask(get("/api/v1/jobs?open=true&limit=1"))
        .await
        .json();
    assert_eq!(page["jobs"][0]["id"], ids[1]);
    let next = page["next"].as_str().expect("another page");
    let page = daemon
        .ask(get(&format!("/api/v1/jobs?open=true&limit=1&after={next}")))
        .await
        .json();
    assert_eq!(page["jobs"][0]["id"], ids[0]);
    assert_eq!(page["next"], Value::Null);
    let again = json!({ "do": "retry" });
    let refused = daemon
        .ask(post(&format!("{path}/change"), &again.to_string()))
        .await;
    assert_eq!(refused.status, StatusCode::CONFLICT, "{}", refused.text());
}

/// Puts one item into the queue and answers with the job's id.
async fn submit(daemon: &Daemon, serial: &str) -> String {
    let job = json!({ "station": "bay one", "kind": "items", "plan": { "name": "short" },
        "items": [{ "serial": serial }], "not_before": "2999-01-01T00:00:00Z" });
    let answer: Answer = daemon.ask(post("/api/v1/jobs", &job.to_string())).await;
    assert_eq!(answer.status, StatusCode::CREATED, "{}", answer.text());
    let id = answer.json()["id"].as_str().expect("an id").to_owned();
    assert_eq!(answer.headers["location"], format!("/api/v1/jobs/{id}"));
    id
}

#[tokio::test]
async fn health_says_which_instrument_is_missing_and_metrics_can_be_read() {
    let daemon = Daemon::idle().await;
    let report = daemon.ask(get("/api/v1/health")).await.json();
    assert!(report["stations"]["bay one"].is_object(), "{report}");
    let metrics = daemon.ask(get("/api/v1/metrics")).await;
    assert!(
        metrics
            .text()
            .contains("muffle_transmitting{station=\"bay one\"} 0"),
        "{}",
        metrics.text()
    );
    assert!(metrics.text().contains("muffle_watchers 0"));
}

#[tokio::test]
async fn every_page_is_whole_and_has_nothing_inline() {
    let daemon = Daemon::idle().await;
    for path in [
        "/stations/bay%20one",
        "/history",
        "/lots",
        "/compare",
        "/compare?of=P-1&of=P-2",
        "/theory",
        "/theory/stack",
        "/theory/slot?length=18%20mm",
        "/layers",
        "/login",
        "/nothing",
        "/runs/x",
    ] {
        let answer = daemon.ask(get(path)).await;
        let page = answer.text();
        assert!(
            page.starts_with("<!DOCTYPE html>") && page.ends_with("</html>"),
            "{path}: {page}"
        );
        for inline in [
            " style=",
            "<style",
            " onclick=",
            "<script>",
            "http://",
            "https://",
        ] {
            let page = page.replace("http://www.w3.org/2000/svg", "");
            assert!(!page.contains(inline), "{path}: {inline}");
        }
    }
    let first = daemon.ask(get("/")).await;
    assert_eq!(first.headers["location"], "/stations/bay%20one");
    for name in [
        "page.css",
        "page.js",
        "stream.js",
        "icon.svg",
        "inter-regular.otf",
        "inter-semibold.otf",
    ] {
        let asset = daemon.ask(get(&format!("/assets/{name}"))).await;
        assert_eq!(asset.status, StatusCode::OK, "{name}");
        assert!(asset.body.len() > 100, "{name}");
    }
    assert_eq!(
        daemon.ask(get("/assets/..%2f..%2fCargo.toml")).await.status,
        StatusCode::NOT_FOUND
    );
}
