//! What a person confirms at the bench: that it is the item that was asked for.

use std::time::{Duration, Instant};

use axum::http::StatusCode;
use serde_json::{Value, json};

use super::served::{Daemon, get, post};
use crate::support::Bench;

const STATION: &str = "/api/v1/stations/simulated%20bench%20at%20Tarn%20End";
const PATIENCE: Duration = Duration::from_secs(60);

/// Waits for a prompt other than `last`; the prompt, and the path to answer it.
async fn asked(daemon: &Daemon, last: &Value) -> (Value, String) {
    let begun = Instant::now();
    loop {
        let status = daemon.ask(get(STATION)).await.json();
        let prompt = &status["prompt"];
        if prompt.is_object() && prompt["id"] != *last {
            let id = prompt["id"].as_str().expect("an id");
            return (prompt.clone(), format!("{STATION}/prompts/{id}"));
        }
        assert!(begun.elapsed() < PATIENCE, "nobody is asked: {status}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_item_is_confirmed_only_by_its_own_serial() {
    let bench = Bench::start(7);
    bench.shelf("B-7", 40.0);
    let (by_hand, _) = bench
        .station_text
        .split_once("[placement]")
        .expect("a table");
    let station = bench.write("by-hand.toml", by_hand);
    let store = bench.path("muffle.db");
    let daemon = Daemon::over(&station, &store, |access| access, &["100 MHz"]).await;
    let job = json!({ "station": "simulated bench at Tarn End", "kind": "items",
        "plan": { "name": "short" }, "items": [{ "serial": "B-7" }] });
    let answer = daemon.ask(post("/api/v1/jobs", &job.to_string())).await;
    assert_eq!(answer.status, StatusCode::CREATED, "{}", answer.text());

    let (open, path) = asked(&daemon, &Value::Null).await;
    assert_eq!(open["item"], Value::Null, "first the open path");
    let scanned = post(&path, r#"{"answer":"done","serial":"B-7"}"#);
    let refused = daemon.ask(scanned).await;
    assert_eq!(refused.status.as_u16(), 422, "{}", refused.text());
    bench.ask(&json!({ "do": "place", "item": null, "closed": false }));
    let done = daemon.ask(post(&path, r#"{"answer":"done"}"#)).await;
    assert_eq!(done.status, StatusCode::OK, "{}", done.text());

    let (item, path) = asked(&daemon, &open["id"]).await;
    assert_eq!(item["item"], "B-7");
    for (body, status, said) in [
        (r#"{"answer":"done"}"#, 422, "B-7"),
        (r#"{"answer":"done","serial":""}"#, 422, "B-7"),
        (r#"{"answer":"done","serial":"X-1"}"#, 409, "X-1"),
        (r#"{"answer":"done","serial":"B"}"#, 409, "B-7"),
        (r#"{"answer":"done","serial":"B-7B-7"}"#, 409, "B-7"),
        (r#"{"answer":"done","serial":"b-7"}"#, 409, "B-7"),
    ] {
        let refused = daemon.ask(post(&path, body)).await;
        assert_eq!(
            refused.status.as_u16(),
            status,
            "{body}: {}",
            refused.text()
        );
        assert!(refused.text().contains(said), "{body}: {}", refused.text());
    }
    let status = daemon.ask(get(STATION)).await.json();
    assert_eq!(status["prompt"]["id"], item["id"], "still asked");
    assert_eq!(bench.state()["source"]["on"], false);
    let events = daemon.ask(get("/api/v1/events?limit=500")).await.json();
    let events = events["events"].as_array().expect("events").iter();
    let wrong = events.filter(|event| event["kind"] == "wrong_serial");
    let given: Vec<&Value> = wrong.map(|event| &event["body"]["given"]).collect();
    assert_eq!(json!(given), json!(["B-7", "X-1", "B", "B-7B-7", "b-7"]));

    bench.ask(&json!({ "do": "place", "item": "B-7", "closed": true }));
    let done = daemon
        .ask(post(&path, r#"{"answer":"done","serial":" B-7 "}"#))
        .await;
    assert_eq!(done.status, StatusCode::OK, "{}", done.text());
    let twice = daemon
        .ask(post(&path, r#"{"answer":"done","serial":"B-7"}"#))
        .await;
    assert_eq!(twice.status.as_u16(), 409, "{}", twice.text());
}
