//! A bench, a database and a station of one case, in this process.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use async_trait::async_trait;
use muffle::config::{self, Drivers, ItemEntry, Plan};
use muffle::procedure::{Event, Hands, Procedure, ProcedureError};
use muffle::report::RunDocument;
use muffle::sim::control::Client;
use muffle::sim::{Bench, BenchOptions, start};
use muffle::station::{Opening, Placement, State, Station};
use muffle::store::{RunId, Store, Verdict};
use serde_json::json;
use tempfile::TempDir;
use tokio::sync::{Mutex, mpsc};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::faults::{Act, Moment};
use super::{Case, GOOD_UNIT, ITEM, OTHER, item};
use crate::support;

const DATABASE: &str = "muffle.db";
const LOT: &str = "L-1";

/// An empty database, made once.
pub struct Template(TempDir);

impl Template {
    pub async fn new() -> Self {
        let folder = TempDir::new().expect("a folder");
        let store = Store::open(&folder.path().join(DATABASE)).await;
        store.expect("a database").close().await;
        Self(folder)
    }

    /// A folder with a copy of it.
    pub fn folder(&self) -> TempDir {
        copied(self.0.path())
    }
}

fn copied(from: &Path) -> TempDir {
    let folder = TempDir::new().expect("a folder");
    // With what is not yet in the main file, where it is open.
    for name in [DATABASE.to_owned(), format!("{DATABASE}-wal")] {
        if from.join(&name).exists() {
            std::fs::copy(from.join(&name), folder.path().join(&name)).expect("copied");
        }
    }
    folder
}

/// What came of measuring.
pub struct Visit {
    /// The item's verdict, or why it was refused.
    pub verdict: Result<Option<Verdict>, String>,
    pub u_db: f64,
    pub struck_elsewhere: u64,
    /// The points as stated.
    pub words: String,
}

/// The runs of a visit as they were begun, and whether somebody stopped it.
#[derive(Default)]
struct Told {
    item_runs: Vec<RunId>,
}

pub struct Site {
    bench: Bench,
    control: Mutex<Client>,
    folder: TempDir,
    store: Store,
    station: String,
}

/// Places the simulated items, and lets things go wrong when they stand.
struct TestHands {
    control: Mutex<Client>,
    /// Still to come.
    acts: Mutex<Vec<Act>>,
    /// Items placed so far.
    items: AtomicUsize,
}

#[async_trait]
impl Hands for TestHands {
    async fn place(&self, placement: &Placement, _recorder: bool) -> bool {
        let moment = match &placement.item {
            Some(_) => Moment::Item,
            None if self.items.load(Ordering::SeqCst) == 0 => Moment::Reference,
            None => Moment::After,
        };
        if placement.item.is_some() {
            self.items.fetch_add(1, Ordering::SeqCst);
        }
        let mut control = self.control.lock().await;
        let request = json!({ "do": "place", "item": placement.item,
            "closed": placement.state != State::Open, "polarisation": placement.polarisation });
        if control.request(&request).await.is_err() {
            return false;
        }
        for (_, act) in self
            .acts
            .lock()
            .await
            .extract_if(.., |(when, _)| *when == moment)
        {
            control.request(&act).await.expect("it goes wrong");
        }
        true
    }
}

impl Site {
    pub async fn up(case: &Case, seed: u64, folder: TempDir) -> Self {
        let bench = start(BenchOptions {
            seed,
            ..BenchOptions::default()
        })
        .await
        .expect("a bench");
        let mut control = Client::connect(&bench.addresses().control)
            .await
            .expect("its control port");
        let other = item(OTHER, case.limit_db + 25.0, false);
        let good = item(GOOD_UNIT, case.limit_db + 20.0, false);
        for item in [&case.item, &other, &good] {
            control.define(item).await.expect("an item");
        }
        let store = Store::open(&folder.path().join(DATABASE)).await;
        let station = bench.station_text(&bench.addresses().receiver.tcp, case.has_monitor, None);
        Self {
            bench,
            control: Mutex::new(control),
            folder,
            store: store.expect("a database"),
            station,
        }
    }

    pub async fn down(self) {
        self.store.close().await;
        self.bench.shutdown().await;
    }

    /// The same database at another bench.
    pub async fn copy(&self, case: &Case) -> Self {
        Self::up(case, case.bench_seed ^ 1, copied(self.folder.path())).await
    }

    pub async fn struck(&self) -> u64 {
        let state = self.control.lock().await.state().await.expect("state");
        state["struck"].as_u64().expect("a count")
    }

    pub async fn plant_all(&self, acts: &[Act]) {
        let mut control = self.control.lock().await;
        for (_, act) in acts {
            control.request(act).await.expect("planted");
        }
    }

    /// Opens the station; readings of an item beyond `stop_after` are not made.
    async fn procedure(
        &self,
        acts: Vec<Act>,
        stop_after: Option<usize>,
    ) -> Result<(Procedure, JoinHandle<Told>), String> {
        let station = config::Station::read(
            "station.toml",
            &self.station,
            Drivers::Folder(Path::new(".")),
        )
        .expect("a station file");
        let opening = Opening::with_keeper(env!("CARGO_BIN_EXE_muffle"));
        let station = Station::open(station, &self.store, &opening).await;
        let station = station.map_err(|error| error.to_string())?;
        let control = Client::connect(&self.bench.addresses().control).await;
        let (events, told) = mpsc::channel(64);
        let stop = CancellationToken::new();
        let listening = tokio::spawn(listen(told, stop.clone(), stop_after));
        let procedure = Procedure {
            station: Arc::new(station),
            store: self.store.clone(),
            hands: Arc::new(TestHands {
                control: Mutex::new(control.expect("hands")),
                acts: Mutex::new(acts),
                items: AtomicUsize::new(0),
            }),
            events,
            stop,
            operator: None,
            job: None,
        };
        Ok((procedure, listening))
    }

    /// The item against a reference, which may be one that is there.
    pub async fn measure(&self, plan: &str, acts: Vec<Act>, fresh: bool) -> Visit {
        let plan = Plan::read("plan.toml", plan).expect("a plan");
        let (procedure, listening) = match self.procedure(acts, None).await {
            Ok(opened) => opened,
            Err(error) => return Visit::refused(error),
        };
        let ended = procedure.measure(&plan, &[entry(ITEM, "")], fresh).await;
        drop(procedure);
        let told = listening.await.expect("told");
        self.visit(ended.map(drop), told.item_runs.last().copied())
            .await
    }

    /// The reference alone.
    pub async fn reference(&self, plan: &str) {
        let plan = Plan::read("plan.toml", plan).expect("a plan");
        let (procedure, _) = self.procedure(Vec::new(), None).await.expect("opens");
        procedure
            .measure(&plan, &[], true)
            .await
            .expect("a reference");
    }

    /// An item that is stopped after so many readings.
    pub async fn stopped(&self, plan: &str, readings: usize) -> RunId {
        let plan = Plan::read("plan.toml", plan).expect("a plan");
        let opened = self.procedure(Vec::new(), Some(readings)).await;
        let (procedure, listening) = opened.expect("opens");
        let ended = procedure.measure(&plan, &[entry(ITEM, "")], true).await;
        assert!(matches!(ended, Err(ProcedureError::Stopped)), "{ended:?}");
        drop(procedure);
        let told = listening.await.expect("told");
        told.item_runs[0]
    }

    pub async fn resume(&self, run: RunId, acts: Vec<Act>) -> Visit {
        let (procedure, listening) = match self.procedure(acts, None).await {
            Ok(opened) => opened,
            Err(error) => return Visit::refused(error),
        };
        // As `measure --resume` does: all that the command had to do, so that the reference is looked at again.
        let batch = self.store.batch_of(run).await.expect("batches");
        let batch = batch.expect("the batch of a stopped run");
        let ended = procedure.resume_batch(&batch).await;
        drop(procedure);
        listening.await.expect("told");
        self.visit(ended.map(drop), Some(run)).await
    }

    /// A good unit by the plan of the case, and the item by another one; the lot's verdict.
    pub async fn lot(&self, case: &Case, other_plan: &str) -> Visit {
        let database = self.folder.path().join(DATABASE).display().to_string();
        let lot = |arguments: &[&str]| {
            let mut all = vec!["lot"];
            all.extend(arguments);
            all.extend(["--store", &database]);
            support::run(&all)
        };
        lot(&["new", LOT, "--sample", "2", "--accept", "0"]).with(0, &[]);
        for (serial, plan) in [(GOOD_UNIT, case.plan().as_str()), (ITEM, other_plan)] {
            let plan = Plan::read("plan.toml", plan).expect("a plan");
            let (procedure, _) = match self.procedure(Vec::new(), None).await {
                Ok(opened) => opened,
                Err(error) => return Visit::refused(error),
            };
            let ended = procedure.measure(&plan, &[entry(serial, LOT)], true).await;
            if let Err(error) = ended {
                return Visit::refused(error.to_string());
            }
        }
        let judged = lot(&["judge", LOT, "--json"]);
        let verdict = match judged.json()["verdict"].as_str() {
            Some("pass") => Some(Verdict::Pass),
            Some("fail") => Some(Verdict::Fail),
            _ => None,
        };
        Visit {
            verdict: Ok(verdict),
            u_db: 0.0,
            struck_elsewhere: 1,
            words: judged.out,
        }
    }

    async fn visit(&self, ended: Result<(), ProcedureError>, run: Option<RunId>) -> Visit {
        if let Err(error) = ended {
            return Visit::refused(error.to_string());
        }
        let record = self.store.run(run.expect("a run")).await.expect("a run");
        let document = RunDocument::read(&self.store, &record).await;
        let document = document.expect("a document");
        let u_db = document.points.iter().filter_map(|point| point.u_db);
        let words: Vec<String> = document
            .points
            .iter()
            .map(|point| {
                format!(
                    "{} MHz {:?} {:.2} ± {:.2} {:?}",
                    point.frequency_hz / 1e6,
                    point.kind,
                    point.se_db.unwrap_or(f64::NAN),
                    point.u_db.unwrap_or(f64::NAN),
                    point.flags
                )
            })
            .collect();
        Visit {
            verdict: Ok(record.verdict),
            u_db: u_db.fold(0.0, f64::max),
            struck_elsewhere: 0,
            words: words.join("; "),
        }
    }
}

impl Visit {
    /// Of another bench: what is wrong is that.
    pub fn elsewhere(self) -> Self {
        Self {
            struck_elsewhere: 1,
            ..self
        }
    }

    fn refused(error: String) -> Self {
        Self {
            verdict: Err(error),
            u_db: 0.0,
            struck_elsewhere: 0,
            words: String::new(),
        }
    }
}

fn entry(serial: &str, lot: &str) -> ItemEntry {
    ItemEntry {
        serial: serial.to_owned(),
        lot: lot.to_owned(),
        ..ItemEntry::default()
    }
}

async fn listen(
    mut events: mpsc::Receiver<Event>,
    stop: CancellationToken,
    stop_after: Option<usize>,
) -> Told {
    let mut told = Told::default();
    let mut readings = 0;
    while let Some(event) = events.recv().await {
        match event {
            Event::Run {
                run, item: Some(_), ..
            } => told.item_runs.push(run),
            Event::Reading { .. } if !told.item_runs.is_empty() => {
                readings += 1;
                if stop_after.is_some_and(|most| readings >= most) {
                    stop.cancel();
                }
            }
            _ => {}
        }
    }
    told
}
