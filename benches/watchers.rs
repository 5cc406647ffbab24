//! What watchers cost: the time per reading with two hundred clients on the event stream, and with none.
//!
//! Run it by `cargo bench --bench watchers`. Runs of an item on a simulated bench that answers at once are
//! measured by turns with and without watchers, each over a socket of its own; the watchers read in this same
//! process, so that what they cost themselves is counted too. The aim is that a reading takes less than 5 %
//! longer. Only the ratio within one run says anything: these machines are noisy.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use muffle::config::{self, Drivers, ItemEntry};
use muffle::daemon::access::Access;
use muffle::daemon::http::{Site, router, serve};
use muffle::daemon::{Engine, StationFile};
use muffle::sim::{BenchOptions, start};
use muffle::station::Opening;
use muffle::store::{Answer, JobKind, JobState, NewJob, PlanText, Store};
use tempfile::TempDir;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

const WATCHERS: usize = 200;
/// Turns with and without; the median of their ratios counts.
const TURNS: usize = 9;
/// Test frequencies of a run; each has a floor and a signal.
const FREQUENCIES: u32 = 400;

const PLAN: &str = r#"name = "watched"
[frequencies]
start = "100 MHz"
stop = "499 MHz"
step = "1 MHz"
[settings]
source_level = "-10 dBm"
span = "20 kHz"
points = 201
resolution_bandwidth = "1 kHz"
attenuation = "10 dB"
detector = "peak"
sweeps = 2
settle = "0 s"
[limit]
line = [["100 kHz", "50 dB"], ["1 GHz", "50 dB"]]
"#;

/// Measures one item and answers with the time per reading.
async fn turn(engine: &Engine) -> Duration {
    let plan = PlanText {
        name: "watched".to_owned(),
        text: PLAN.to_owned(),
    };
    let job = NewJob {
        items: vec![ItemEntry {
            serial: "P-0042".to_owned(),
            ..ItemEntry::default()
        }],
        ..NewJob::new("bay one", JobKind::Items, Some(plan))
    };
    let id = engine.submit(job).await.expect("in the queue");
    let mut status = engine.status("bay one").expect("the station");
    loop {
        let prompt = status.borrow_and_update().prompt.clone();
        if let Some(prompt) = prompt {
            // Answered already where the status is a little behind.
            let _ = engine.answer(prompt.id, Answer::Done, None).await;
        }
        let job = engine.store().job(id).await.expect("the job");
        match job.state {
            JobState::Done => {
                let run = *job.runs.last().expect("a run");
                let readings = engine.store().readings(run).await.expect("readings");
                assert_eq!(readings.len(), 2 * FREQUENCIES as usize);
                let (first, last) = (readings[0].taken, readings[readings.len() - 1].taken);
                let took = last.duration_since(first).unsigned_abs();
                return took / (readings.len() as u32 - 1);
            }
            JobState::Failed | JobState::Cancelled => panic!("{job:?}"),
            _ => {}
        }
        let _ = tokio::time::timeout(Duration::from_millis(20), status.changed()).await;
    }
}

/// Clients that read whatever comes, until they are dropped.
async fn watch(address: SocketAddr) -> JoinSet<()> {
    let mut watchers = JoinSet::new();
    for _ in 0..WATCHERS {
        let mut stream = TcpStream::connect(address).await.expect("connected");
        let request = "GET /api/v1/events/stream HTTP/1.1\r\nhost: localhost\r\n\r\n";
        stream.write_all(request.as_bytes()).await.expect("sent");
        let mut buffer = vec![0; 64 << 10];
        let count = stream.read(&mut buffer).await.expect("answered");
        assert!(buffer[..count].starts_with(b"HTTP/1.1 200"), "a stream");
        watchers.spawn(async move {
            while stream.read(&mut buffer).await.is_ok_and(|count| count > 0) {}
        });
    }
    watchers
}

async fn daemon(
    folder: &TempDir,
    stop: &CancellationToken,
) -> (Engine, muffle::daemon::Running, SocketAddr) {
    let bench = start(BenchOptions::default()).await.expect("a bench");
    let text = include_str!("../config/station.toml")
        .replace("tcp://192.0.2.10:5025", &bench.addresses().source.tcp)
        .replace("tcp://192.0.2.11:5025", &bench.addresses().receiver.tcp);
    tokio::spawn(bench.run_until(stop.clone().cancelled_owned()));
    let config = config::Station::read("station.toml", &text, Drivers::Folder(Path::new(".")));
    let file = StationFile {
        path: PathBuf::from("station.toml"),
        config: config.expect("a station"),
    };
    let store = Store::open(&folder.path().join("muffle.db"))
        .await
        .expect("a store");
    let opening = Opening::with_keeper(env!("CARGO_BIN_EXE_muffle"));
    let settings = config::Daemon::default();
    let started = Engine::start(store.clone(), vec![file], settings, opening).await;
    let (engine, running) = started.expect("an engine");
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a socket");
    let address = listener.local_addr().expect("bound");
    let access = Access::new(store, &[address]).without_rates();
    let router = router(Site::new(engine.clone(), access, Vec::new(), stop.clone()));
    tokio::spawn(serve(
        listener,
        None,
        router,
        stop.clone(),
        Duration::from_secs(2),
    ));
    (engine, running, address)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

async fn compare() {
    let folder = TempDir::new().expect("a folder");
    let stop = CancellationToken::new();
    let (engine, running, address) = daemon(&folder, &stop).await;
    turn(&engine).await;
    println!(
        "{:>6} {:>12} {:>14} {:>7}",
        "turn", "alone, us", "watched, us", "ratio"
    );
    let mut ratios = Vec::new();
    for number in 1..=TURNS {
        let before = turn(&engine).await;
        let watchers = watch(address).await;
        let watched = turn(&engine).await;
        drop(watchers);
        let after = turn(&engine).await;
        // The mean of before and after: what the machine did meanwhile is the same for both.
        let alone = (before + after) / 2;
        let ratio = watched.as_secs_f64() / alone.as_secs_f64();
        println!(
            "{number:>6} {:>12} {:>14} {ratio:>7.3}",
            alone.as_micros(),
            watched.as_micros()
        );
        ratios.push(ratio);
    }
    let change = (median(ratios) - 1.0) * 100.0;
    println!(
        "{WATCHERS} watchers change the time per reading by {change:+.1} % (median of {TURNS} turns; aim: below 5 %)"
    );
    running.stop().await;
    stop.cancel();
}

fn main() {
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(compare());
}
