//! The event stream: nothing missed, nothing twice, and an end when the daemon ends.

use std::time::Duration;

use axum::body::BodyDataStream;
use futures_util::StreamExt;
use jiff::Timestamp;
use muffle::daemon::http::WATCHERS_MAX;
use muffle::store::NewEvent;
use serde_json::json;

use super::served::{Daemon, get, with_header};
use tower::ServiceExt;

/// An open stream.
struct Stream {
    body: BodyDataStream,
    text: String,
}

impl Stream {
    async fn open(daemon: &Daemon, path: &str, last: Option<i64>) -> Self {
        let mut request = get(path);
        if let Some(last) = last {
            request = with_header(request, "last-event-id", &last.to_string());
        }
        let response = daemon
            .router
            .clone()
            .oneshot(request)
            .await
            .expect("infallible");
        assert_eq!(response.status(), 200);
        assert_eq!(response.headers()["content-type"], "text/event-stream");
        Self {
            body: response.into_body().into_data_stream(),
            text: String::new(),
        }
    }

    /// The numbers of the events up to the one wanted.
    async fn until(&mut self, wanted: i64) -> Vec<i64> {
        loop {
            let ids: Vec<i64> = self.ids();
            if ids.last() == Some(&wanted) {
                return ids;
            }
            assert!(self.more().await, "the stream ended: {}", self.text);
        }
    }

    fn ids(&self) -> Vec<i64> {
        let lines = self
            .text
            .lines()
            .filter_map(|line| line.strip_prefix("id: "));
        lines.map(|id| id.parse().expect("a number")).collect()
    }

    async fn more(&mut self) -> bool {
        let next = tokio::time::timeout(Duration::from_secs(20), self.body.next()).await;
        match next.expect("something within twenty seconds") {
            Some(bytes) => {
                self.text += std::str::from_utf8(&bytes.expect("bytes")).expect("UTF-8");
                true
            }
            None => false,
        }
    }
}

async fn happen(daemon: &Daemon, station: &str, count: usize) -> i64 {
    let event = NewEvent {
        at: Timestamp::now(),
        station: station.to_owned(),
        job: None,
        run: None,
        kind: "test".to_owned(),
        body: json!({ "text": "two\nlines" }),
    };
    let events = vec![event; count];
    daemon.store.append_events(&events).await.expect("kept")
}

#[tokio::test]
async fn a_client_that_comes_back_misses_nothing() {
    let daemon = Daemon::idle().await;
    let first = happen(&daemon, "bay one", 1).await;
    let mut stream = Stream::open(&daemon, "/api/v1/events/stream", Some(first - 1)).await;
    stream.until(first).await;
    drop(stream);
    // More than is kept ready, so that the rest must come from the store.
    let last = happen(&daemon, "bay one", 3000).await;
    let last = last.max(happen(&daemon, "elsewhere", 3).await);
    let mut stream = Stream::open(&daemon, "/api/v1/events/stream", Some(first)).await;
    let ids = stream.until(last).await;
    assert_eq!(ids, (first + 1..=last).collect::<Vec<_>>());
    let later = happen(&daemon, "bay one", 2).await;
    let ids = stream.until(later).await;
    assert_eq!(ids, (first + 1..=later).collect::<Vec<_>>());
    assert!(stream.text.contains("event: status"), "the state comes too");

    let mut own = Stream::open(
        &daemon,
        "/api/v1/events/stream?station=bay%20one",
        Some(last - 4),
    )
    .await;
    let ids = own.until(later).await;
    assert_eq!(
        ids,
        [last - 3, later - 1, later],
        "those of its station alone"
    );
}

#[tokio::test]
async fn streams_are_counted_given_back_and_ended() {
    let daemon = Daemon::behind(muffle::daemon::access::Access::without_rates).await;
    let mut streams = Vec::new();
    for _ in 0..WATCHERS_MAX {
        streams.push(Stream::open(&daemon, "/api/v1/events/stream", None).await);
    }
    let refused = daemon.ask(get("/api/v1/events/stream")).await;
    assert_eq!(refused.status, 429);
    streams.truncate(1);
    let metrics = daemon.ask(get("/api/v1/metrics")).await.text();
    assert!(metrics.contains("muffle_watchers 1\n"), "{metrics}");
    daemon.stop.cancel();
    let mut stream = streams.pop().expect("one");
    while stream.more().await {}
}

#[tokio::test]
async fn the_list_holds_what_the_stream_brought() {
    let daemon = Daemon::idle().await;
    let last = happen(&daemon, "bay one", 3).await;
    let page = daemon
        .ask(get(&format!("/api/v1/events?after={}&limit=2", last - 3)))
        .await
        .json();
    assert_eq!(page["events"].as_array().map(Vec::len), Some(2), "{page}");
    assert_eq!(page["events"][0]["id"], last - 2);
    assert!(page["newest"].as_i64() >= Some(last), "{page}");
}
