//! The watch over an emission: what becomes of an output whose measuring hangs, blocks or vanishes.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use muffle::config::{Drivers, Station as StationFile};
use muffle::instrument::ReceiverSettings;
use muffle::quantity::{Frequency, Level, Ratio};
use muffle::sim::control::Client;
use muffle::sim::{Bench, BenchOptions, start};
use muffle::station::{EmissionRequest, Emitted, Opening, Output, Station, StationError, stop};
use muffle::store::Store;
use serde_json::{Value, json};
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;
use tokio::runtime::Builder;
use tokio_util::sync::CancellationToken;

use crate::support::Tap;

/// The longest without a sign of life.
const BEAT_MAX: &str = "300 ms";
/// The longest that anything here may take.
const PATIENCE: Duration = Duration::from_secs(60);

struct Site {
    _bench: Bench,
    control: Client,
    station: Station,
    store: Store,
    _folder: tempfile::TempDir,
}

impl Site {
    async fn open() -> Self {
        let bench = start(BenchOptions::default()).await.expect("a bench");
        let source = bench.addresses().source.tcp.clone();
        Self::reached_at(bench, &source, BEAT_MAX).await
    }

    /// With the source at another address.
    async fn reached_at(bench: Bench, source: &str, beat_max: &str) -> Self {
        let addresses = bench.addresses().clone();
        let text = include_str!("../../config/station.toml")
            .replace("tcp://192.0.2.10:5025", source)
            .replace("tcp://192.0.2.11:5025", &addresses.receiver.tcp)
            .replace("beat_max = \"5 s\"", &format!("beat_max = \"{beat_max}\""));
        assert!(
            text.contains(beat_max),
            "the station file says it otherwise"
        );
        let config = StationFile::read("station.toml", &text, Drivers::Folder(Path::new(".")))
            .expect("a station");
        let folder = tempfile::TempDir::new().expect("a folder");
        let store = Store::open(&folder.path().join("muffle.db"))
            .await
            .expect("a store");
        let opening = Opening::with_keeper(env!("CARGO_BIN_EXE_muffle"));
        let station = Station::open(config, &store, &opening).await;
        Self {
            control: Client::connect(&addresses.control).await.expect("control"),
            _bench: bench,
            station: station.expect("opens"),
            store,
            _folder: folder,
        }
    }

    async fn ask(&mut self, request: Value) -> Value {
        self.control.request(&request).await.expect("answered")
    }

    /// Somebody switches the output on at the source itself.
    async fn switch_on_at_the_panel(&mut self) {
        let at = self._bench.addresses().source.tcp.clone();
        let mut link = TcpStream::connect(at.trim_start_matches("tcp://")).await;
        let link = link.as_mut().expect("connects");
        link.write_all(b"OUTP ON\n").await.expect("sent");
        self.wait_until(true).await;
    }

    async fn is_on(&mut self) -> bool {
        self.ask(json!({ "do": "state" })).await["source"]["on"] == true
    }

    async fn wait_until(&mut self, on: bool) {
        let begun = std::time::Instant::now();
        while self.is_on().await != on {
            assert!(begun.elapsed() < PATIENCE, "the source stays as it is");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    /// Nothing is on, nothing is shown as on, and the log has an end for everything.
    async fn is_at_rest(&mut self) {
        assert!(!self.is_on().await);
        let output = self.station.guard().output().borrow().clone();
        assert!(matches!(output, Output::Off { .. }), "{output:?}");
        let open = self.store.open_emissions("bay one").await.expect("a log");
        assert!(open.is_empty(), "{open:?}");
    }
}

fn request() -> EmissionRequest {
    EmissionRequest {
        run: None,
        frequency: Frequency::from_hz(100e6),
        level: Level::from_dbm(-12.5),
        why: "a test".into(),
        permission: None,
    }
}

fn settings() -> ReceiverSettings {
    ReceiverSettings {
        centre: Frequency::from_hz(100e6),
        span: Frequency::from_hz(20e3),
        points: 201,
        resolution_bandwidth: Frequency::from_hz(3e3),
        video_bandwidth: None,
        attenuation: Some(Ratio::from_db(10.0)),
        detector: None,
        sweeps: 1,
        accept_adjusted: false,
        preamplifier: None,
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_output_that_somebody_else_switched_on_is_noticed() {
    let mut site = Site::open().await;
    site.switch_on_at_the_panel().await;
    let confirmed = site.station.guard().confirm_off().await;
    confirmed.expect("switched off and confirmed");
    site.is_at_rest().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_call_to_stop_asks_the_source_and_not_the_programs_memory() {
    let mut site = Site::open().await;
    site.switch_on_at_the_panel().await;
    let report = stop(&site.station.config, "a test").await;
    assert!(report.stopped.confirmed_off, "{report:?}");
    assert!(report.owner.is_some(), "{report:?}");
    site.is_at_rest().await;
    // And again, when it was off all the while.
    let report = stop(&site.station.config, "a test").await;
    assert!(report.stopped.confirmed_off, "{report:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn of_a_source_that_does_not_answer_nothing_is_known() {
    let mut site = Site::open().await;
    site.ask(json!({ "do": "fault", "on": "source", "delay_ms": 60_000 }))
        .await;
    let output = || site.station.guard().output().borrow().clone();
    assert!(matches!(output(), Output::Off { .. }));
    site.station
        .guard()
        .confirm_off()
        .await
        .expect_err("silent");
    let Output::Unknown { why, since } = output() else {
        panic!("{:?}", output());
    };
    assert!(why.contains("does not answer"), "{why}");
    site.station
        .guard()
        .confirm_off()
        .await
        .expect_err("silent");
    assert!(matches!(output(), Output::Unknown { since: still, .. } if still == since));
    site.ask(json!({ "do": "fault", "on": "source", "clear": true }))
        .await;
    site.station.guard().off().await.expect("it answers again");
    site.is_at_rest().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_measuring_that_hangs_is_ended() {
    let mut site = Site::open().await;
    let stop = CancellationToken::new();
    let hung = site
        .station
        .guard()
        .emit(request(), &stop, std::future::pending::<Result<(), _>>());
    let said = hung.await.expect_err("no sign of life");
    assert!(matches!(said, StationError::NoBeat { .. }), "{said}");
    assert!(said.to_string().contains(BEAT_MAX), "{said}");
    site.is_at_rest().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_measuring_that_blocks_its_thread_is_ended_meanwhile() {
    let mut site = Site::open().await;
    let guard = site.station.guard().clone();
    let (release, released) = std::sync::mpsc::channel::<()>();
    // One thread, which is all that its runtime has: nobody there waits for sockets or timers any more.
    let blocked = std::thread::spawn(move || {
        let stop = CancellationToken::new();
        let measure = async move {
            released.recv_timeout(PATIENCE).expect("released");
            Ok(())
        };
        let runtime = Builder::new_current_thread().enable_all().build();
        let emitted = guard.emit(request(), &stop, measure);
        runtime
            .expect("a runtime")
            .block_on(emitted)
            .map(|_: Emitted<()>| ())
    });
    site.wait_until(true).await;
    // The thread is still blocked when the output goes off.
    site.wait_until(false).await;
    assert!(!blocked.is_finished());
    release.send(()).expect("still there");
    let said = blocked.join().expect("no panic");
    let said = said.expect_err("no sign of life");
    assert!(matches!(said, StationError::NoBeat { .. }), "{said}");
    site.is_at_rest().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_long_sweep_is_no_hang() {
    let mut site = Site::open().await;
    // Several times as long as may pass without a sign of life.
    site.ask(json!({ "do": "fault", "on": "receiver", "delay_ms": 1000 }))
        .await;
    let stop = CancellationToken::new();
    let station = &site.station;
    let emitted = station
        .guard()
        .emit(request(), &stop, station.hold(settings(), &stop))
        .await
        .expect("a reading");
    site.store.end_emission(&emitted.end).await.expect("closed");
    site.is_at_rest().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_measuring_that_vanishes_is_cleared_up_after() {
    let mut site = Site::open().await;
    let guard = site.station.guard().clone();
    let lost = tokio::spawn(async move {
        let stop = CancellationToken::new();
        let alive = guard.alive(std::future::pending::<Result<(), StationError>>());
        guard.emit(request(), &stop, alive).await.map(|_| ())
    });
    site.wait_until(true).await;
    lost.abort();
    site.wait_until(false).await;
    let begun = std::time::Instant::now();
    while !site
        .store
        .open_emissions("bay one")
        .await
        .expect("a log")
        .is_empty()
    {
        assert!(begun.elapsed() < PATIENCE, "the emission stays open");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    site.is_at_rest().await;
    // The guard is as good as new.
    let stop = CancellationToken::new();
    let again = site
        .station
        .guard()
        .emit(request(), &stop, async { Ok(()) });
    let end = again.await.expect("an emission").end;
    site.store.end_emission(&end).await.expect("closed");
}

/// The word that switches the output on is held up on its way until the connection is given up, and comes after the
/// off that was said on the next one.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_word_that_comes_late_is_undone() {
    let bench = start(BenchOptions::default()).await.expect("a bench");
    let tap = Arc::new(Tap::holding(&bench.addresses().source.tcp, "OUTP ON"));
    // Long enough for the keeper to stay out of it.
    let mut site = Site::reached_at(bench, &tap.address, "20 s").await;
    let (before, letting_go) = (tap.first_lines().len(), tap.clone());
    let late = tokio::spawn(async move {
        // The off of the next connection has passed by then.
        while letting_go.first_lines().len() == before {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
        letting_go.let_go();
    });
    let stop = CancellationToken::new();
    let never = std::future::pending::<Result<(), StationError>>();
    let guard = site.station.guard().clone();
    let said = guard.emit(request(), &stop, guard.alive(never)).await;
    assert!(matches!(said, Err(StationError::Instrument(_))), "{said:?}");
    late.await.expect("let go");
    site.is_at_rest().await;
    // It was on, for a moment.
    let state = site.ask(json!({ "do": "state" })).await;
    assert_eq!(state["emissions"], 1, "{state}");
    tokio::time::sleep(Duration::from_millis(500)).await;
    site.is_at_rest().await;
}
