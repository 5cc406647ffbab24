//! What goes over the wire: instruments that nobody here wrote, every driver that ships, and answers that
//! come too late.

mod device;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use muffle::config::{Address, Detector, Driver, Drivers, Station as StationFile, Words};
use muffle::instrument::{InstrumentError, Receiver, ReceiverSettings};
use muffle::link::{Framing, link};
use muffle::quantity::{Frequency, Level, Ratio};
use muffle::sim::control::Client;
use muffle::sim::{BenchOptions, start};
use muffle::station::{EmissionRequest, Opening, Station, StationError};
use muffle::store::{Levels, Store};
use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

use crate::support::{Bench, plan};
use device::{Air, FLOOR_DBM, PEAK_DBM, Role};

fn settings(centre_hz: f64) -> ReceiverSettings {
    ReceiverSettings {
        centre: Frequency::from_hz(centre_hz),
        span: Frequency::from_hz(20e3),
        points: 201,
        resolution_bandwidth: Frequency::from_hz(3e3),
        video_bandwidth: Some(Frequency::from_hz(10e3)),
        attenuation: Some(Ratio::from_db(10.0)),
        preamplifier: None,
        detector: Some(Detector::Peak),
        sweeps: 1,
        accept_adjusted: false,
    }
}

/// A station of the two devices, and a store in memory's place.
struct Site {
    air: Arc<std::sync::Mutex<Air>>,
    station: Result<Station, StationError>,
    _folder: tempfile::TempDir,
}

/// `edit` changes the driver of the receiver.
async fn site(edit: impl Fn(&str) -> String) -> Site {
    let air = Arc::default();
    let source = device::serve(Role::Source, Arc::clone(&air)).await;
    let receiver = device::serve(Role::Receiver, Arc::clone(&air)).await;
    let folder = tempfile::TempDir::new().expect("a folder");
    let driver = edit(include_str!("../../../drivers/analyzer-scpi.toml"));
    std::fs::write(folder.path().join("analyzer.toml"), driver).expect("written");
    let text = include_str!("../../../config/station.toml")
        .replace("tcp://192.0.2.10:5025", &source)
        .replace("tcp://192.0.2.11:5025", &receiver)
        .replace("analyzer-scpi", "analyzer.toml");
    let config = StationFile::read("station.toml", &text, Drivers::Folder(folder.path()))
        .expect("a station");
    let store = Store::open(&folder.path().join("muffle.db"))
        .await
        .expect("a store");
    Site {
        air,
        station: Station::open(
            config,
            &store,
            &Opening::with_keeper(env!("CARGO_BIN_EXE_muffle")),
        )
        .await,
        _folder: folder,
    }
}

#[tokio::test]
async fn a_device_on_a_public_scpi_parser_answers_our_client() {
    let site = site(str::to_owned).await;
    let station = site.station.expect("opens");
    assert_eq!(
        station.identities.source,
        "\"Nobody\",\"Parsed source\",1,0"
    );
    assert_eq!(
        station.identities.receiver,
        "\"Nobody\",\"Parsed receiver\",1,0"
    );

    let stop = CancellationToken::new();
    let floor = station.hold(settings(100e6), &stop).await.expect("a floor");
    let request = EmissionRequest {
        run: None,
        frequency: Frequency::from_hz(100e6),
        level: Level::from_dbm(-12.5),
        why: "a test".into(),
        permission: None,
    };
    let signal = station
        .guard()
        .emit(request, &stop, station.hold(settings(100e6), &stop))
        .await
        .expect("a signal");

    let bits = |levels: &Levels| match levels {
        Levels::F32(levels) => levels
            .iter()
            .map(|level| level.to_bits())
            .collect::<Vec<_>>(),
        Levels::F64(_) => panic!("four bytes were sent"),
    };
    // Every level has newlines, and the peak a semicolon, among its bytes; they come back bit for bit.
    let mut expected = vec![FLOOR_DBM.to_bits(); 201];
    assert!(FLOOR_DBM.to_le_bytes().contains(&b'\n') && PEAK_DBM.to_le_bytes().contains(&b';'));
    assert_eq!(bits(&floor.trace.levels), expected);
    expected[100] = PEAK_DBM.to_bits();
    assert_eq!(bits(&signal.measured.trace.levels), expected);

    let air = site.air.lock().expect("whole");
    assert_eq!(
        air.first.as_deref(),
        Some("OUTP OFF;:OUTP?"),
        "off comes first"
    );
    assert!(!air.on);
    assert_eq!((air.frequency_hz, air.level_dbm), (100e6, -12.5));
    assert_eq!((air.centre_hz, air.span_hz, air.points), (100e6, 20e3, 201));
    assert_eq!((air.resolution_hz, air.video_hz), (3e3, 10e3));
    assert_eq!((air.attenuation_db, air.sweeps), (10.0, 1));
    assert_eq!(air.detector, "POS");
    assert_eq!(air.sweeps_begun, 2);
}

#[tokio::test]
async fn an_error_in_the_queue_is_reported_with_what_caused_it() {
    let site = site(|driver| driver.replace("deadline = \"5 s\"", "deadline = \"300 ms\"")).await;
    let station = site.station.expect("opens");
    let stop = CancellationToken::new();
    let too_many = ReceiverSettings {
        points: 5001,
        ..settings(100e6)
    };
    let said = station
        .hold(too_many, &stop)
        .await
        .expect_err("this device knows 1001 points")
        .to_string();
    assert!(said.contains("SWE:POIN 5001; "), "{said}");
    assert!(said.contains("was answered with -222,"), "{said}");
    // The queue is empty again and the link in step: the next reading is good.
    let held = station.hold(settings(100e6), &stop).await.expect("good");
    assert_eq!(held.trace.levels.points(), 201);
}

#[tokio::test]
async fn a_header_that_the_device_does_not_know_is_reported() {
    let site = site(|driver| {
        driver
            .replace("deadline = \"5 s\"", "deadline = \"300 ms\"")
            .replace("\"UNIT:POW DBM\"", "\"UNIT:PWR DBM\"")
    })
    .await;
    let said = site.station.map(|_| ()).expect_err("not known").to_string();
    assert!(said.contains("UNIT:PWR DBM"), "{said}");
    assert!(said.contains("was answered with -113,"), "{said}");
    assert!(!site.air.lock().expect("whole").on);
}

/// A bench, its station file with another receiver, and a plan that this receiver can follow.
fn measured_with(driver: &str, port: &str, identity: &str, settings: fn(&str) -> String) {
    let bench = Bench::start(3);
    let addresses = &bench.addresses["receiver"];
    let there = |port: &str| addresses[port].as_str().expect("an address").to_owned();
    let station = bench
        .station_text
        .replace("analyzer-scpi", driver)
        .replace(
            "identity = \"Simulated\"",
            &format!("identity = \"{identity}\""),
        )
        .replace(&there("tcp"), &there(port));
    bench.write("station.toml", &station);
    let frequencies = ["1 MHz", "30 MHz", "250 MHz", "700 MHz"];
    bench.write("plan.toml", &settings(&plan(&frequencies)));
    bench.shelf("B-1", 40.0);
    bench.measure("B-1").with(0, &[]);
    let document = bench.latest();
    let points = document["points"].as_array().expect("points");
    assert_eq!(points.len(), frequencies.len());
    for point in points {
        assert_eq!(point["kind"], "measured", "{point}");
        let number = |key: &str| point[key].as_f64().expect("a number");
        assert!(
            (number("se_db") - 40.0).abs() <= number("u_db"),
            "{driver}: {point}"
        );
        assert!(number("u_db") < 3.0, "{driver}: {point}");
    }
    // The driver asked for is the one that measured.
    assert!(bench.commands(if port == "tcp" { "receiver" } else { port }) > 50);
    bench.is_off();
}

#[test]
fn the_analyzer_by_scpi_measures() {
    measured_with("analyzer-scpi", "tcp", "Simulated", str::to_owned);
}

#[test]
fn the_analyzer_by_scpi_measures_over_a_serial_line() {
    measured_with("analyzer-scpi", "serial", "Simulated", str::to_owned);
}

#[test]
fn the_analyzer_that_holds_in_its_display_measures() {
    measured_with("analyzer-display-hold", "tcp", "Simulated", str::to_owned);
}

#[test]
fn the_handheld_measures_over_its_terminal() {
    // It sets attenuation and detector by itself.
    measured_with("handheld-prompt", "handheld", "field receiver", |plan| {
        plan.replace("attenuation = \"10 dB\"\n", "")
            .replace("detector = \"peak\"\n", "")
    });
}

/// A receiver that loses patience after 200 ms and what a sweep may take, at one port of the bench.
fn impatient(address: &str) -> Receiver {
    let text = include_str!("../../../drivers/analyzer-scpi.toml")
        .replace("deadline = \"5 s\"", "deadline = \"200 ms\"");
    let driver = Driver::read("impatient.toml", &text).expect("a driver");
    let Words::Receiver(words) = &driver.words else {
        panic!("a receiver's driver");
    };
    let address: Address = address.parse().expect("an address");
    Receiver::new(
        link(&address, Framing::from(&driver.dialect)),
        &driver,
        words,
    )
}

/// Answers are held back for so long that the receiver has given up; then two other frequencies are read.
async fn late_answers(port: &str) {
    let bench = start(BenchOptions::default()).await.expect("a bench");
    let addresses = bench.addresses().clone();
    let address = match port {
        "serial" => &addresses.receiver.serial,
        _ => &addresses.receiver.tcp,
    };
    let mut control = Client::connect(&addresses.control).await.expect("control");
    // A carrier at 100 MHz and nothing at 200 MHz: whose trace it is can be told.
    let carrier = json!([{ "frequency_hz": 100e6, "level_dbm": -40 }]);
    ask(
        &mut control,
        json!({ "do": "ambient", "stations": carrier }),
    )
    .await;
    let mut receiver = impatient(address);
    let at_carrier = settings(100e6);
    receiver.start(None).await.expect("starts");
    // One sweep of 20 kHz at 3 kHz may take 1.07 s, so that patience ends after 1.27 s.
    for late_ms in [1350, 1450, 1600, 2000] {
        let delay = |ms: u64| json!({ "do": "fault", "on": port, "delay_ms": ms });
        ask(&mut control, delay(late_ms)).await;
        let (held, ()) = tokio::join!(receiver.hold(&at_carrier), async {
            // Only this one answer is late.
            tokio::time::sleep(Duration::from_millis(1000)).await;
            ask(&mut control, delay(0)).await;
        });
        let error = held.expect_err("too late");
        assert!(matches!(error, InstrumentError::Silent { .. }), "{error}");
        for (centre_hz, expect_carrier) in [(200e6, false), (100e6, true), (200e6, false)] {
            let held = receiver.hold(&settings(centre_hz)).await.expect("in step");
            let peak = held
                .trace
                .levels
                .to_f64()
                .into_iter()
                .fold(f64::MIN, f64::max);
            assert_eq!(
                peak > -60.0,
                expect_carrier,
                "{late_ms} ms: {peak} dBm at {centre_hz} Hz"
            );
        }
    }
    bench.shutdown().await;
}

async fn ask(control: &mut Client, request: Value) {
    control.request(&request).await.expect("done");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_late_answer_is_never_taken_for_the_next_over_tcp() {
    late_answers("receiver").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_late_answer_is_never_taken_for_the_next_over_a_serial_line() {
    late_answers("serial").await;
}

#[test]
fn drivers_that_ship_are_the_ones_measured_here() {
    let measured = [
        "analyzer-display-hold",
        "analyzer-scpi",
        "handheld-prompt",
        // In `carrier`, on a fake bench.
        "power-monitor-scpi",
        "source-scpi",
    ];
    let mut shipped: Vec<_> = muffle::config::built_in_drivers().collect();
    shipped.sort_unstable();
    assert_eq!(shipped, measured, "a new driver needs a test here");
    for name in shipped {
        Driver::load(name, Path::new("/nowhere")).expect("built in");
    }
}
