//! Do the stated intervals and bounds hold on the simulated bench, whose truth is known?
//!
//! The whole way of a measurement: simulated instruments on their sockets, procedure, store, evaluation.
//! Items of flat SE put carriers from 60 dB above the floor down to it and below. What the station file states is what
//! the bench really has; a station that states more would let intervals far from the floor hold whatever the arithmetic
//! did.

use std::ops::Range;
use std::sync::Arc;

use async_trait::async_trait;
use muffle::config::{self, ItemEntry, Plan};
use muffle::procedure::{Hands, Procedure};
use muffle::report::{PointDocument, RunDocument};
use muffle::sim::control::Client;
use muffle::sim::{BenchOptions, start};
use muffle::station::{Opening, Placement, Station};
use muffle::store::{ResultKind, RunKind, Store};
use serde_json::json;
use tokio::sync::{Mutex, mpsc};
use tokio_util::sync::CancellationToken;

/// Far enough from each other and from the broadcast band.
const PLAN: &str = r#"
name = "coverage"
faces = ["front"]
polarisations = ["vertical"]

[frequencies]
list = ["500 kHz", "1 MHz", "3 MHz", "10 MHz", "30 MHz", "75 MHz", "150 MHz", "300 MHz", "600 MHz", "1 GHz"]

[settings]
source_level = "-10 dBm"
span = "20 kHz"
points = 201
resolution_bandwidth = "1 kHz"
attenuation = "10 dB"
detector = "peak"
sweeps = 10
settle = "1 ms"
"#;

/// Places the simulated items.
struct ControlPort(Mutex<Client>);

#[async_trait]
impl Hands for ControlPort {
    async fn place(&self, placement: &Placement, _recorder: bool) -> bool {
        let mut request = json!({ "do": "place", "item": placement.item,
                                  "polarisation": placement.polarisation });
        if placement.item.is_some() {
            request["face"] = json!(placement.face);
        }
        self.0.lock().await.request(&request).await.is_ok()
    }
}

/// A point of an item, and how far its carrier really stood above the floor as shown.
struct Point {
    above_db: f64,
    true_db: f64,
    stated: PointDocument,
}

/// A bench with `stations` on the air besides its own, and items of these SEs measured on it, each closed so often.
async fn measure(
    seed: u64,
    se_db: &[f64],
    repeats: u32,
    stations: &[serde_json::Value],
) -> Vec<Point> {
    let folder = tempfile::tempdir().expect("a folder");
    let options = BenchOptions {
        seed,
        ..BenchOptions::default()
    };
    let bench = start(options).await.expect("a bench");
    let connect = || Client::connect(&bench.addresses().control);
    let mut control = connect().await.expect("its control port");
    let serial = |index: usize| format!("S-{index}");
    for (index, se_db) in se_db.iter().enumerate() {
        let item = json!({ "serial": serial(index), "physics": { "flat_se_db": se_db } });
        let define = json!({ "do": "define", "item": item });
        control.request(&define).await.expect("an item");
    }
    for station in stations {
        let plant = json!({ "do": "ambient", "plant": station });
        control.request(&plant).await.expect("a station");
    }
    let file = folder.path().join("station.toml");
    let text = bench.station_text(&bench.addresses().receiver.tcp, false, None);
    std::fs::write(&file, text).expect("a station file");
    let store = Store::open(&folder.path().join("coverage.db"))
        .await
        .expect("a store");
    let station = config::Station::load(&file).expect("a station");
    let station = Station::open(
        station,
        &store,
        &Opening::with_keeper(env!("CARGO_BIN_EXE_muffle")),
    )
    .await
    .expect("a station");
    let (events, mut told) = mpsc::channel(64);
    let procedure = Procedure {
        station: Arc::new(station),
        store: store.clone(),
        hands: Arc::new(ControlPort(Mutex::new(connect().await.expect("hands")))),
        events,
        stop: CancellationToken::new(),
        operator: None,
        job: None,
    };
    let listening = tokio::spawn(async move { while told.recv().await.is_some() {} });
    let items: Vec<_> = (0..se_db.len())
        .map(|index| ItemEntry {
            serial: serial(index),
            ..ItemEntry::default()
        })
        .collect();
    let plan = format!("repeats = {repeats}\n{PLAN}");
    let plan = Plan::read("coverage", &plan).expect("a plan");
    let runs = procedure.measure(&plan, &items, true).await.expect("runs");
    drop(procedure);
    listening.await.expect("events");
    let mut documents = Vec::new();
    for run in runs {
        let record = store.run(run).await.expect("a run");
        if record.kind == RunKind::Item {
            documents.push(
                RunDocument::read(&store, &record)
                    .await
                    .expect("a document"),
            );
        }
    }
    store.close().await;
    bench.shutdown().await;
    with_truth(documents, se_db)
}

fn with_truth(documents: Vec<RunDocument>, se_db: &[f64]) -> Vec<Point> {
    let points: Vec<(f64, PointDocument)> = documents
        .into_iter()
        .zip(se_db)
        .flat_map(|(document, se_db)| document.points.into_iter().map(|point| (*se_db, point)))
        .collect();
    // The floor of all of a frequency's readings: one alone moves by a decibel.
    let floor_dbm = |hz: f64| {
        let floors: Vec<f64> = points
            .iter()
            .filter(|(_, point)| point.frequency_hz == hz)
            .filter_map(|(_, point)| point.floor_dbm)
            .collect();
        floors.iter().sum::<f64>() / floors.len() as f64
    };
    let above_db = |true_db: f64, point: &PointDocument| {
        point.reference_dbm.expect("a reference") - true_db - floor_dbm(point.frequency_hz)
    };
    let above_db: Vec<f64> = points
        .iter()
        .map(|(db, point)| above_db(*db, point))
        .collect();
    points
        .into_iter()
        .zip(above_db)
        .map(|((true_db, stated), above_db)| Point {
            above_db,
            true_db,
            stated,
        })
        .collect()
}

#[derive(Debug, Default, Clone, Copy)]
struct Tally {
    points: usize,
    measured: usize,
    covered: usize,
    error_db: f64,
    squares_db2: f64,
    u_db: f64,
    bounds: usize,
    held: usize,
    /// By how much the truth exceeds the bounds.
    slack_db: f64,
}

impl Tally {
    fn of<'a>(points: impl IntoIterator<Item = &'a Point>) -> Self {
        let mut tally = Self::default();
        for Point {
            true_db, stated, ..
        } in points
        {
            tally.points += 1;
            let error_db = stated.se_db.map_or(f64::NAN, |se_db| se_db - true_db);
            match stated.kind {
                ResultKind::Measured => {
                    tally.measured += 1;
                    tally.covered += usize::from(error_db.abs() <= stated.u_db.unwrap_or(0.0));
                    tally.error_db += error_db;
                    tally.squares_db2 += error_db * error_db;
                    tally.u_db += stated.u_db.unwrap_or(0.0);
                }
                ResultKind::AtLeast => {
                    tally.bounds += 1;
                    tally.held += usize::from(error_db <= 0.0);
                    tally.slack_db -= error_db;
                }
                ResultKind::None => {}
            }
        }
        tally
    }

    fn line(&self, name: &str) {
        let (measured, bounds) = (self.measured as f64, self.bounds as f64);
        println!(
            "{name:13} {:6} {:8} {:7.1}% {:7.2} {:7.2} {:7.2} {:7} {:6.1}% {:7.2}",
            self.points,
            self.measured,
            100.0 * self.covered as f64 / measured,
            self.error_db / measured,
            (self.squares_db2 / measured).sqrt(),
            self.u_db / measured,
            self.bounds,
            100.0 * self.held as f64 / bounds,
            self.slack_db / bounds,
        );
    }
}

/// Carriers lower than this above the floor as shown are hardly ever detected, and any bound holds for them, dB.
const LOWEST_DB: f64 = -8.0;

/// The points of several benches whose carriers stand from 60 dB above the floor down to where they are lost in it.
async fn campaign(seeds: Range<u64>, items: usize, repeats: u32) -> Vec<Point> {
    let mut points = Vec::new();
    for seed in seeds {
        // Every bench its own SEs, so that all distances come up.
        let step_db = 90.0 / items as f64;
        let se_db: Vec<f64> = (0..items)
            .map(|item| 20.0 + step_db * (item as f64 + (0.37 * seed as f64) % 1.0))
            .collect();
        points.extend(measure(seed, &se_db, repeats, &[]).await);
    }
    points.retain(|point| (LOWEST_DB..60.0).contains(&point.above_db));
    points
}

/// The points band by band: five decibels of distance from the floor each, and a decade of frequency each.
fn bands(points: &[Point]) -> Vec<(String, Tally)> {
    let band = |name: String, of: &dyn Fn(&Point) -> f64, range: Range<f64>| {
        let row = points.iter().filter(|point| range.contains(&of(point)));
        (name, Tally::of(row))
    };
    let above = (-10..60).step_by(5).map(f64::from).map(|from_db| {
        let name = format!("{from_db:3} to {} dB", from_db + 5.0);
        band(name, &|point| point.above_db, from_db..from_db + 5.0)
    });
    let decades = (5..9).map(|decade| {
        let range = 10f64.powi(decade)..10f64.powi(decade + 1) * 1.001;
        let name = format!("from {} MHz", range.start / 1e6);
        band(name, &|point| point.stated.frequency_hz, range)
    });
    above.chain(decades).collect()
}

fn print(points: &[Point]) {
    println!(
        "band          points measured covered   error     rms  mean U  bounds    held   slack"
    );
    for (name, tally) in bands(points) {
        tally.line(&name);
    }
    Tally::of(points).line("all");
}

/// Holds the campaign to what is promised; `share_slack` and `error_db` allow for the number of points.
fn check(points: &[Point], share_slack: f64, error_db: f64) {
    let all = Tally::of(points);
    let covered = all.covered as f64 / all.measured as f64;
    let held = all.held as f64 / all.bounds as f64;
    let wanted = 0.93 - share_slack..=0.97 + share_slack;
    assert!(wanted.contains(&covered), "{all:?}");
    assert!(all.bounds > 0 && held >= 0.93, "{all:?}");
    // Nobody is helped by a bound that holds because it is low.
    assert!(all.slack_db / (all.bounds as f64) < 4.5, "{all:?}");
    let near = Tally::of(points.iter().filter(|p| (5.0..20.0).contains(&p.above_db)));
    let mean_db = near.error_db / near.measured as f64;
    assert!(mean_db.abs() < error_db, "{near:?}");
    no_flag_but_what_is_so(points);
}

/// Holds every band to what is promised that has enough points to tell, give or take a standard deviation of the share
/// of a band's points; those of one placement go together.
fn check_bands(points: &[Point], repeats: usize) {
    assert!(points.len() > 4000, "{}", points.len());
    for (name, tally) in bands(points) {
        let covered = tally.covered as f64 / tally.measured as f64;
        let apart = (tally.measured / repeats) as f64;
        let slack = (0.95 * 0.05 / apart).sqrt();
        assert!(
            apart < 200.0 || (0.93 - slack..=0.97 + slack).contains(&covered),
            "{name}: {covered:.3} of {tally:?}"
        );
    }
}

/// On a clean bench nothing is flagged but what is near the floor and what is in the near field.
fn no_flag_but_what_is_so(points: &[Point]) {
    for Point { stated, .. } in points {
        let above_db = stated
            .level_dbm
            .zip(stated.floor_dbm)
            .map(|(level, floor)| level - floor);
        let near = stated.kind == ResultKind::Measured && above_db.is_some_and(|db| db < 20.0);
        // The wavelength over 2 pi passes the bench's 1 m between the antennas at 47.7 MHz (ORACLES C15).
        let near_field = stated.frequency_hz < 47.71345e6;
        let expected: Vec<&str> = [(near_field, "near_field"), (near, "near_floor")]
            .into_iter()
            .filter_map(|(is, word)| is.then_some(word))
            .collect();
        assert_eq!(stated.flags, expected, "a clean bench: {stated:?}");
    }
}

#[tokio::test]
async fn intervals_and_bounds_hold_on_the_simulated_bench() {
    let points = campaign(1..4, 14, 1).await;
    print(&points);
    assert!(points.len() > 250, "{}", points.len());
    // Three standard deviations of a share of 300; three scales are wrong by 0.1 dB each.
    check(&points, 0.036, 0.35);
}

#[tokio::test]
#[ignore = "long: prints the table of coverage by distance from the floor"]
async fn coverage_table_of_the_simulated_bench() {
    let points = campaign(11..41, 40, 1).await;
    print(&points);
    check(&points, 0.0, 0.2);
    check_bands(&points, 1);
}

/// The scatter of the closings takes the place of what the station says of them.
#[tokio::test]
#[ignore = "long: prints the same table of items that were closed three times"]
async fn coverage_table_of_repeats() {
    let points = campaign(41..61, 24, 3).await;
    print(&points);
    check(&points, 0.0, 0.2);
    check_bands(&points, 3);
}

#[tokio::test]
#[ignore = "long: a hundred clean benches, on which nothing may be flagged"]
async fn a_hundred_clean_benches_raise_no_flag() {
    let mut points = 0;
    for seed in 101..201 {
        let found = measure(seed, &[15.0, 35.0, 55.0], 1, &[]).await;
        no_flag_but_what_is_so(&found);
        points += found.len();
    }
    println!(
        "100 clean benches, {points} points: no flag but near_floor and near_field where they are so"
    );
}

#[tokio::test]
async fn a_planted_station_and_a_planted_overload_are_flagged_where_they_are() {
    let flagged = |points: &[Point], word: &str| -> Vec<f64> {
        let has = |point: &&Point| point.stated.flags.iter().any(|flag| flag == word);
        points
            .iter()
            .filter(has)
            .map(|point| point.stated.frequency_hz)
            .collect()
    };
    let at = |frequency_hz: f64, level_dbm: f64| {
        [json!({ "frequency_hz": frequency_hz, "level_dbm": level_dbm })]
    };
    let points = measure(5, &[30.0], 1, &at(150e6, -60.0)).await;
    assert_eq!(flagged(&points, "ambient"), [150e6]);
    assert!(flagged(&points, "overload").is_empty());
    // Between the test frequencies, and the mixer has to bear it all the same.
    let points = measure(5, &[30.0], 1, &at(250e6, 9.0)).await;
    assert_eq!(flagged(&points, "overload").len(), points.len());
    assert!(
        points
            .iter()
            .all(|point| point.stated.kind == ResultKind::None)
    );
    assert!(flagged(&points, "ambient").is_empty());
}
