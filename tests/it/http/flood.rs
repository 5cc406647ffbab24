//! STOP while strangers use up everything that a server has to give.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::task::JoinSet;

use super::served::Daemon;
use crate::support::Bench;

/// The longest that a single press may take before the test gives up on it.
const PATIENCE: Duration = Duration::from_secs(20);

struct Flood {
    half_open: usize,
    streams: usize,
    requests_per_s: u32,
    presses: usize,
}

/// Sends one request over a connection of its own; the answer up to its end.
async fn ask(server: SocketAddr, request: &str) -> std::io::Result<String> {
    let mut stream = TcpStream::connect(server).await?;
    stream.write_all(request.as_bytes()).await?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await?;
    Ok(answer)
}

async fn begin(server: SocketAddr, what: &str) -> Option<TcpStream> {
    let mut stream = TcpStream::connect(server).await.ok()?;
    stream.write_all(what.as_bytes()).await.ok()?;
    Some(stream)
}

async fn hold(server: SocketAddr, count: usize, what: &'static str) -> Vec<TcpStream> {
    let mut begun = JoinSet::new();
    let mut held = Vec::new();
    for _ in 0..count {
        begun.spawn(begin(server, what));
        if begun.len() >= 64 {
            held.extend(begun.join_next().await.and_then(Result::ok).flatten());
        }
    }
    held.extend(begun.join_all().await.into_iter().flatten());
    held
}

/// Holds connections, and goes on replacing those that were closed, until it is dropped.
fn keep_holding(server: SocketAddr, count: usize, what: &'static str) -> JoinSet<()> {
    let mut holding = JoinSet::new();
    holding.spawn(async move {
        loop {
            let held = hold(server, count, what).await;
            tokio::time::sleep(Duration::from_millis(500)).await;
            drop(held);
        }
    });
    holding
}

async fn switch_on_at_the_panel(bench: &Bench) {
    let address = bench.addresses["source"]["tcp"]
        .as_str()
        .expect("an address");
    let place = address.trim_start_matches("tcp://");
    let mut source = TcpStream::connect(place).await.expect("connects");
    source.write_all(b"OUTP ON;*OPC?\n").await.expect("sent");
    source.read_u8().await.expect("answered");
}

async fn press_under(flood: Flood) {
    let bench = Bench::start(5);
    let (station, store) = (bench.path("station.toml"), bench.path("muffle.db"));
    // A station without a limit on requests would not need what is tested here.
    let daemon = Daemon::over(&station, &store, |access| access, &["100 MHz"]).await;
    let server = daemon.listen().await;
    let state = "GET /api/v1/stations HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n";
    let begun = Instant::now();
    while !ask(server, state)
        .await
        .expect("answered")
        .contains("\"state\":\"off\"")
    {
        assert!(begun.elapsed() < PATIENCE, "the station does not open");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }

    let _half_open = keep_holding(
        server,
        flood.half_open,
        "POST /api/v1/jobs HTTP/1.1\r\nhost:",
    );
    let _streams = keep_holding(
        server,
        flood.streams,
        "GET /api/v1/events/stream HTTP/1.1\r\nhost: localhost\r\n\r\n",
    );
    let mut strangers = JoinSet::new();
    for _ in 0..10 {
        let pause = Duration::from_secs(10) / flood.requests_per_s;
        strangers.spawn(async move {
            loop {
                let _ = ask(server, state).await;
                tokio::time::sleep(pause).await;
            }
        });
    }
    tokio::time::sleep(Duration::from_secs(1)).await;

    let stop = "POST /api/v1/stations/simulated%20bench%20at%20Tarn%20End/stop HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\ncontent-length: 2\r\nconnection: close\r\n\r\n{}";
    let mut took_ms = Vec::new();
    for _ in 0..flood.presses {
        switch_on_at_the_panel(&bench).await;
        let pressed = Instant::now();
        let answer = tokio::time::timeout(PATIENCE, ask(server, stop)).await;
        took_ms.push(pressed.elapsed().as_secs_f64() * 1e3);
        let answer = answer.expect("in time").expect("answered");
        assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
        assert!(answer.contains("\"state\":\"off\""), "{answer}");
        assert_eq!(bench.ask(&json!({ "do": "state" }))["source"]["on"], false);
    }
    let refused = ask(server, state).await.unwrap_or_default();
    took_ms.sort_by(f64::total_cmp);
    // By the nearest rank.
    let at = |share: f64| took_ms[(took_ms.len() as f64 * share).ceil() as usize - 1];
    println!(
        "STOP under {} half-open connections, {} streams, {} requests/s: {} of {} confirmed off; median {:.0} ms, p99 {:.0} ms, longest {:.0} ms; others get {}",
        flood.half_open,
        flood.streams,
        flood.requests_per_s,
        took_ms.len(),
        flood.presses,
        at(0.5),
        at(0.99),
        at(1.0),
        refused.lines().next().unwrap_or("nothing"),
    );
    strangers.abort_all();
    daemon.stop.cancel();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stop_is_heard_in_a_flood() {
    press_under(Flood {
        half_open: 200,
        streams: 100,
        requests_per_s: 100,
        presses: 5,
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs thousands of sockets, and a machine to itself for its figures"]
async fn stop_is_heard_in_a_great_flood() {
    let limits = getrlimit(Resource::Nofile);
    let raised = Rlimit {
        current: limits.maximum,
        ..limits
    };
    setrlimit(Resource::Nofile, raised).expect("more sockets");
    press_under(Flood {
        half_open: 1500,
        streams: 2000,
        requests_per_s: 300,
        presses: 300,
    })
    .await;
}
