//! What one reading costs: round trips, and time of our own.
//!
//! Run it by `cargo bench --bench reading`. A run of an item is measured on a simulated bench that answers
//! at once. Beside it, in the same process and by turns, the same bytes are exchanged with the same bench
//! over bare sockets, and the same rows are committed to an empty database. What is left of a reading when
//! both are taken off is our own time: driver, framing, picking, judging, keeping order. The aim is at most
//! three round trips and less than 1 ms.

use std::hint::black_box;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use async_trait::async_trait;
use criterion::{Criterion, Throughput};
use jiff::Timestamp;
use muffle::config::{self, Drivers, ItemEntry, Plan};
use muffle::evaluate::Evaluator;
use muffle::procedure::{Hands, Procedure};
use muffle::sim::{Addresses, BenchOptions, start};
use muffle::station::{Opening, Placement, Station};
use muffle::store::{
    EmissionEnd, NewEmission, NewReading, NewRun, ReadingKind, ResultRecord, RunId, Store,
};
use tempfile::TempDir;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::runtime::Runtime;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

/// Test frequencies of a run; each has a floor and a signal.
const FREQUENCIES: usize = 50;
const READINGS: usize = 2 * FREQUENCIES;
/// Turns of the comparison at the end.
const TURNS: usize = 15;

const PLAN: &str = r#"name = "cost of a reading"
bracket = "none"
[frequencies]
start = "100 MHz"
stop = "590 MHz"
step = "10 MHz"
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

/// Everything stands at once.
struct AtOnce;

#[async_trait]
impl Hands for AtOnce {
    async fn place(&self, _: &Placement, _: bool) -> bool {
        true
    }
}

/// A station on the simulated bench, and its database.
struct Site {
    procedure: Procedure,
    _folder: TempDir,
}

impl Site {
    async fn open(source: &str, receiver: &str) -> Self {
        let text = include_str!("../config/station.toml")
            .replace("tcp://192.0.2.10:5025", source)
            .replace("tcp://192.0.2.11:5025", receiver);
        let config = config::Station::read("station.toml", &text, Drivers::Folder(Path::new(".")))
            .expect("a station");
        let (folder, store) = new_store().await;
        let station = Station::open(
            config,
            &store,
            &Opening::with_keeper(env!("CARGO_BIN_EXE_muffle")),
        )
        .await
        .expect("opens");
        let (events, mut told) = mpsc::channel(256);
        tokio::spawn(async move { while told.recv().await.is_some() {} });
        let procedure = Procedure {
            station: Arc::new(station),
            store,
            hands: Arc::new(AtOnce),
            events,
            stop: CancellationToken::new(),
            operator: None,
            job: None,
        };
        Self {
            procedure,
            _folder: folder,
        }
    }

    /// One run of an item; the reference is there from the first time on.
    async fn run(&self) -> RunId {
        let plan = Plan::read("plan.toml", PLAN).expect("a plan");
        let item = ItemEntry {
            serial: "P-0042".into(),
            ..ItemEntry::default()
        };
        let runs = self.procedure.measure(&plan, &[item], false).await;
        runs.expect("measured").pop().expect("a run")
    }
}

async fn new_store() -> (TempDir, Store) {
    let folder = TempDir::new().expect("a folder");
    let store = Store::open(&folder.path().join("muffle.db")).await;
    (folder, store.expect("a store"))
}

/// One message and the length of what was answered.
#[derive(Debug, Clone)]
struct Exchange {
    source: bool,
    message: Vec<u8>,
    answer_bytes: usize,
}

type Recorded = Arc<Mutex<Vec<Exchange>>>;

/// Stands before an instrument and keeps what is said; gives its address.
async fn tap(address: &str, source: bool, recorded: &Recorded) -> String {
    let there = place(address).to_owned();
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a socket");
    let here = format!("tcp://{}", listener.local_addr().expect("bound"));
    let recorded = recorded.clone();
    tokio::spawn(async move {
        let (client, _) = listener.accept().await.expect("a client");
        let instrument = TcpStream::connect(there).await.expect("the instrument");
        let (from_client, mut to_client) = client.into_split();
        let (mut from_instrument, mut to_instrument) = instrument.into_split();
        let mut from_client = BufReader::new(from_client);
        loop {
            let mut message = Vec::new();
            if from_client
                .read_until(b'\n', &mut message)
                .await
                .unwrap_or(0)
                == 0
            {
                return;
            }
            to_instrument.write_all(&message).await.expect("sent");
            let mut answer_bytes = 0;
            // Every message of these drivers ends with a question; its answer, with a newline.
            let mut chunk = vec![0; 64 << 10];
            while answer_bytes == 0 || chunk[answer_bytes - 1] != b'\n' {
                answer_bytes += from_instrument
                    .read(&mut chunk[answer_bytes..])
                    .await
                    .expect("answered");
                // A newline inside a block is not the end; the rest is there within a moment.
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
            to_client
                .write_all(&chunk[..answer_bytes])
                .await
                .expect("sent");
            recorded.lock().expect("whole").push(Exchange {
                source,
                message,
                answer_bytes,
            });
        }
    });
    here
}

fn place(address: &str) -> &str {
    address.strip_prefix("tcp://").expect("over TCP")
}

/// The same bytes over bare sockets.
struct Bare {
    source: TcpStream,
    receiver: TcpStream,
    exchanges: Vec<Exchange>,
}

impl Bare {
    /// Records one run through taps, without its start-up and its reference.
    async fn record(addresses: &Addresses) -> Self {
        let recorded = Recorded::default();
        let source = tap(&addresses.source.tcp, true, &recorded).await;
        let receiver = tap(&addresses.receiver.tcp, false, &recorded).await;
        let site = Site::open(&source, &receiver).await;
        site.run().await;
        recorded.lock().expect("whole").clear();
        site.run().await;
        let exchanges = recorded.lock().expect("whole").clone();
        let connect = async |address: &str| {
            let stream = TcpStream::connect(place(address)).await.expect("the bench");
            stream.set_nodelay(true).expect("a socket");
            stream
        };
        Self {
            source: connect(&addresses.source.tcp).await,
            receiver: connect(&addresses.receiver.tcp).await,
            exchanges,
        }
    }

    async fn exchange(&mut self) {
        let mut answer = vec![0; 64 << 10];
        for exchange in &self.exchanges {
            let stream = match exchange.source {
                true => &mut self.source,
                false => &mut self.receiver,
            };
            stream.write_all(&exchange.message).await.expect("sent");
            let wanted = &mut answer[..exchange.answer_bytes];
            stream.read_exact(wanted).await.expect("answered");
            assert_eq!(
                wanted.last(),
                Some(&b'\n'),
                "another answer than was recorded"
            );
        }
    }
}

/// The same rows, committed as the procedure commits them.
struct Commits {
    store: Store,
    run: NewRun,
    readings: Vec<NewReading>,
    results: Vec<ResultRecord>,
    _folder: TempDir,
}

impl Commits {
    /// Takes the rows of a run out of its store.
    async fn of(from: &Store, run: RunId) -> Self {
        let record = from.run(run).await.expect("a run");
        let (folder, store) = new_store().await;
        for sha in [&record.plan_sha, &record.station_sha]
            .into_iter()
            .chain(&record.driver_shas)
        {
            let kept = from.snapshot(sha).await.expect("kept").expect("kept");
            let put = store.put_snapshot(kept.kind, &kept.name, &kept.text).await;
            put.expect("put");
        }
        let serial = record.item.clone().expect("an item");
        let item = from.item(&serial).await.expect("kept").expect("kept");
        store.put_item(&item).await.expect("put");
        let mut readings = Vec::new();
        for reading in from.readings(run).await.expect("readings") {
            let found = from.reading_with_trace(run, &reading.key).await;
            let (_, trace) = found.expect("kept").expect("kept");
            readings.push(NewReading {
                key: reading.key,
                attempt: reading.attempt,
                taken: reading.taken,
                sweeps: reading.sweeps,
                peak_dbm: reading.peak_dbm,
                peak_hz: reading.peak_hz,
                flags: reading.flags,
                settings: reading.settings,
                trace: trace.trace,
            });
        }
        Self {
            run: NewRun {
                kind: record.kind,
                item: record.item,
                model: record.model,
                lot: record.lot,
                plan_sha: record.plan_sha,
                station_sha: record.station_sha,
                driver_shas: record.driver_shas,
                // Another store, another reference: none is needed to commit rows.
                reference_run: None,
                signature: record.signature,
                operator: record.operator,
                started: record.started,
                note: record.note,
                program_version: record.program_version,
                instruments: None,
            },
            readings,
            results: from.results(run).await.expect("results"),
            store,
            _folder: folder,
        }
    }

    async fn commit(&self) {
        let store = &self.store;
        let run = store.begin_run(&self.run).await.expect("begun");
        let mut results = self.results.iter();
        for reading in &self.readings {
            let end = match reading.key.kind {
                ReadingKind::Floor | ReadingKind::Ambient => None,
                ReadingKind::Signal | ReadingKind::Step | ReadingKind::Pad => {
                    let id = store.begin_emission(&emission(run, reading)).await;
                    Some(EmissionEnd {
                        id: id.expect("logged"),
                        ended: Timestamp::now(),
                        how: "measured".into(),
                    })
                }
            };
            let kept = store.append_reading(run, reading, end.as_ref()).await;
            kept.expect("kept");
            if end.is_some() {
                let result = results.next().expect("a result for each point");
                let put = store.put_results(run, std::slice::from_ref(result)).await;
                put.expect("put");
            }
        }
        store.put_results(run, &self.results).await.expect("put");
        let finished = store.finish(run, None, Timestamp::now()).await;
        finished.expect("finished");
    }
}

fn emission(run: RunId, reading: &NewReading) -> NewEmission {
    NewEmission {
        run: Some(run),
        station: "bay one".into(),
        frequency_hz: reading.key.point.frequency_hz,
        level_dbm: -10.0,
        radiated_dbm: Some(30.0),
        why: reading.key.to_string(),
        began: Timestamp::now(),
    }
}

async fn timed(work: impl Future) -> Duration {
    let begun = Instant::now();
    black_box(work.await);
    begun.elapsed()
}

/// In microseconds for each reading.
fn median_us(mut times: Vec<Duration>) -> f64 {
    times.sort_unstable();
    times[times.len() / 2].as_secs_f64() * 1e6 / READINGS as f64
}

fn main() {
    // The bench has threads of its own, as if it were another machine.
    let elsewhere = Runtime::new().expect("a runtime");
    let bench = elsewhere
        .block_on(start(BenchOptions::default()))
        .expect("a bench");
    let addresses = bench.addresses().clone();
    let runtime = Runtime::new().expect("a runtime");
    let (site, mut bare, commits) = runtime.block_on(async {
        let bare = Bare::record(&addresses).await;
        let site = Site::open(&addresses.source.tcp, &addresses.receiver.tcp).await;
        site.run().await;
        let run = site.run().await;
        let commits = Commits::of(&site.procedure.store, run).await;
        (site, bare, commits)
    });

    let mut criterion = Criterion::default().sample_size(10).configure_from_args();
    let mut group = criterion.benchmark_group(format!("{READINGS} readings"));
    group.throughput(Throughput::Elements(READINGS as u64));
    group.bench_function("all of it", |b| b.iter(|| runtime.block_on(site.run())));
    group.bench_function("bare exchange", |b| {
        b.iter(|| runtime.block_on(bare.exchange()))
    });
    group.bench_function("bare commits", |b| {
        b.iter(|| runtime.block_on(commits.commit()))
    });
    group.finish();
    criterion.final_summary();

    runtime.block_on(compare(&site, &mut bare, &commits));
    elsewhere.block_on(bench.shutdown());
}

/// By turns, so that whatever else the machine does falls on all three alike.
async fn compare(site: &Site, bare: &mut Bare, commits: &Commits) {
    let station = &site.procedure.station;
    let (source_before, receiver_before) = station.trips().await.expect("counted");
    let [mut all, mut exchange, mut commit, mut judging] = [const { Vec::new() }; 4];
    let store = &site.procedure.store;
    let record = store.run(site.run().await).await.expect("a run");
    let evaluator = Evaluator::of(store, &record).await.expect("an item's run");
    for _ in 0..TURNS {
        all.push(timed(site.run()).await);
        judging.push(timed(evaluator.run()).await);
        exchange.push(timed(bare.exchange()).await);
        commit.push(timed(commits.commit()).await);
    }
    let (source, receiver) = station.trips().await.expect("counted");
    let runs = (TURNS + 1) as f64;
    let of_source = (source - source_before) as f64 / runs / FREQUENCIES as f64;
    let of_receiver = (receiver - receiver_before) as f64 / runs / READINGS as f64;
    let (all, exchange, commit) = (median_us(all), median_us(exchange), median_us(commit));
    let own = all - exchange - commit;
    println!("\nfor each of {READINGS} readings, medians of {TURNS} turns:");
    println!("  all of it                        {all:8.0} us");
    println!("  the same bytes over bare sockets {exchange:8.0} us");
    println!("  the same rows committed          {commit:8.0} us");
    println!("  our own                          {own:8.0} us   (aim: below 1000)");
    println!(
        "  of that, judging a run once      {:8.0} us   (done for each point, and again at the end)",
        median_us(judging)
    );
    println!(
        "  round trips                      {of_receiver:.2} for a floor, {:.2} for a signal   (aim: at most 3)",
        of_receiver + of_source
    );
    assert!(of_receiver + of_source <= 3.0, "too many round trips");
}
