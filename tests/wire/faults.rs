//! The fault matrix: what can go wrong on a wire, on every wire, in every step of a reading. Each cell
//! must end with the output off, or switched off as soon as the source can be reached again, and with
//! either a correct reading or a clear error; afterwards everything must work again.

use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use muffle::config::{Address, Driver, Words};
use muffle::instrument::{Held, InstrumentError, Permit, Receiver, ReceiverSettings, Source};
use muffle::link::{Link, LinkError, link};
use muffle::quantity::{Frequency, Level};
use muffle::sim::{BenchOptions, control::Client};
use serde_json::{Value, json};
use tokio::sync::Semaphore;
use tokio::task::JoinSet;

use crate::bench::{Room, Wire, framing};

const WIRES: [Wire; 4] = [Wire::Tcp, Wire::Serial, Wire::Hislip, Wire::Vxi11];
const FAULTS: [&str; 10] = [
    "drop",
    "silence",
    "delay past deadline",
    "garbage",
    "half a block",
    "wrong length",
    "late reply",
    "error-queue flood",
    "connection refused",
    "second client",
];
/// The step, the instrument it is about, and the command before which the fault is planted.
const STEPS: [(&str, bool, &str); 5] = [
    ("identify", true, "*IDN?"),
    ("set up", false, "UNIT:POW"),
    ("output on", true, "OUTP ON"),
    ("sweep", false, "INIT"),
    ("trace read", false, "TRAC:DATA?"),
];
/// As the guard of a station does it.
const OFF_ATTEMPTS: usize = 8;
/// From here on the fault is over, as one that a person takes away.
const FAULT_ENDS_AT: usize = 2;
/// The wait after which another attempt at a reading must have worked.
const LONGEST_WAIT: Duration = Duration::from_secs(2);
const POINTS: u32 = 101;
/// The ripple of path and noise between two readings of the same.
const SAME_WITHIN_DB: f64 = 1.0;

/// Plants a fault before the first message that begins with `before`.
struct Planting {
    inner: Box<dyn Link>,
    before: &'static str,
    fault: Option<(Client, Vec<Value>)>,
    /// Somebody else who tries to talk to the instrument then.
    other: Option<Box<dyn Link>>,
}

#[async_trait]
impl Link for Planting {
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        if message.starts_with(self.before.as_bytes())
            && let Some((mut control, faults)) = self.fault.take()
        {
            for fault in faults {
                control.request(&fault).await.expect("fault");
            }
            if let Some(other) = &mut self.other {
                // Whether it is let in is the instrument's affair; nothing is read.
                let asked = other.send(b"*IDN?");
                let _ = tokio::time::timeout(Duration::from_millis(100), asked).await;
            }
        }
        self.inner.send(message).await
    }
    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        self.inner.receive().await
    }
    fn always_answers(&self) -> bool {
        self.inner.always_answers()
    }
    fn unasked(&mut self) -> bool {
        self.inner.unasked()
    }
    async fn status(&mut self) -> Result<u8, LinkError> {
        self.inner.status().await
    }
    async fn clear(&mut self) -> Result<(), LinkError> {
        self.inner.clear().await
    }
    async fn reopen(&mut self) -> Result<(), LinkError> {
        self.inner.reopen().await
    }
    fn opened(&self) -> u64 {
        self.inner.opened()
    }
    fn address(&self) -> &str {
        self.inner.address()
    }
}

/// A built-in driver that says one command a message and does not wait long.
fn driver(name: &str) -> Driver {
    let built_in = Driver::load(name, std::path::Path::new(".")).expect("built in");
    let text = built_in
        .text
        .replace("deadline = \"5 s\"", "deadline = \"250 ms\"")
        .replace("compound = true", "compound = false");
    Driver::read(name, &text).expect("driver")
}

fn source(link: Box<dyn Link>) -> Source {
    let driver = driver("source-scpi");
    match &driver.words {
        Words::Source(words) => Source::new(link, &driver, words),
        _ => panic!("a source's driver"),
    }
}

fn receiver(link: Box<dyn Link>) -> Receiver {
    let driver = driver("analyzer-scpi");
    match &driver.words {
        Words::Receiver(words) => Receiver::new(link, &driver, words),
        _ => panic!("a receiver's driver"),
    }
}

fn settings() -> ReceiverSettings {
    ReceiverSettings {
        centre: Frequency::from_hz(200e6),
        span: Frequency::from_hz(100e3),
        points: POINTS,
        resolution_bandwidth: Frequency::from_hz(10e3),
        video_bandwidth: None,
        attenuation: None,
        preamplifier: None,
        detector: None,
        sweeps: 1,
        accept_adjusted: false,
    }
}

async fn reading(source: &mut Source, receiver: &mut Receiver) -> Result<Held, InstrumentError> {
    source.start(None).await?;
    receiver.start(None).await?;
    let permit = Permit::issue(Frequency::from_hz(200e6), Level::from_dbm(-20.0));
    source.on(&permit).await?;
    receiver.hold(&settings()).await
}

fn peak_dbm(held: &Held) -> f64 {
    let levels = held.trace.levels.to_f64();
    assert_eq!(levels.len(), POINTS as usize);
    levels.into_iter().fold(f64::NEG_INFINITY, f64::max)
}

/// The requests to the control port that make a fault.
fn requests(fault: &str, wire: Wire, on: &str) -> Vec<Value> {
    let pulled = wire == Wire::Serial && ["drop", "connection refused"].contains(&fault);
    let what = match fault {
        _ if pulled => json!({"pull": true}),
        "drop" => json!({"drop": true}),
        "silence" => json!({"silence": 3}),
        "delay past deadline" | "late reply" => json!({"delay_ms": 1600}),
        "garbage" => json!({"garbage": true}),
        "half a block" => json!({"half_block": true}),
        "wrong length" => json!({"wrong_length": true}),
        "error-queue flood" => json!({"errors": 100}),
        "connection refused" => json!({"refuse": true, "drop": true}),
        _ => return Vec::new(),
    };
    let mut request = what;
    request["do"] = json!("fault");
    request["on"] = json!(on);
    vec![request]
}

struct Cell {
    wire: Wire,
    fault: &'static str,
    step: usize,
}

impl Cell {
    async fn run(&self) -> &'static str {
        let options = BenchOptions {
            ambient: false,
            one_client: self.fault == "second client",
            ..BenchOptions::default()
        };
        let mut room = Room::open(options).await;
        let (_, at_source, before) = STEPS[self.step];
        let on = match at_source {
            true => self.wire.source_port(),
            false => self.wire.receiver_port(),
        };
        let (at_address, other_address) = match at_source {
            true => (
                room.source_address(self.wire),
                room.receiver_address(self.wire),
            ),
            false => (
                room.receiver_address(self.wire),
                room.source_address(self.wire),
            ),
        };
        let control = Client::connect(&room.bench.addresses().control).await;
        let faults = requests(self.fault, self.wire, on);
        let planting = Box::new(Planting {
            inner: link(&at_address, framing()),
            before,
            fault: Some((control.expect("control"), faults)),
            other: (self.fault == "second client").then(|| link(&at_address, framing())),
        });
        let sound = link(&other_address, framing());
        let (mut source, mut receiver) = match at_source {
            true => (source(planting), receiver(sound)),
            false => (source(sound), receiver(planting)),
        };
        // In the first step somebody else is there before us, in the others comes in between.
        let mut holder = None;
        if self.fault == "second client" && self.step == 0 {
            let mut first = link(&at_address, framing());
            assert_eq!(crate::bench::ask(&mut *first, "*OPC?").await, b"1");
            holder = Some(first);
        }
        let outcome = reading(&mut source, &mut receiver).await;
        if self.fault == "late reply" {
            room.fault(on, json!({"clear": true})).await;
        }
        let renewed = self
            .switch_off(&mut room, &mut source, on, &mut holder)
            .await;
        let state = room.control.state().await.expect("state");
        assert_eq!(
            state["source"]["on"],
            json!(false),
            "{self}: the output is on"
        );
        self.judge(&mut room, (source, receiver), outcome, (on, renewed))
            .await
    }

    /// As the guard does it, while the fault is there and then without it; gives a terminal's new address
    /// when it had to be plugged in again.
    async fn switch_off(
        &self,
        room: &mut Room,
        source: &mut Source,
        on: &str,
        holder: &mut Option<Box<dyn Link>>,
    ) -> Option<Address> {
        let mut renewed = None;
        for attempt in 0..OFF_ATTEMPTS {
            match source.off().await {
                Ok(()) => return renewed,
                Err(error) => assert!(!error.to_string().is_empty()),
            }
            if attempt == FAULT_ENDS_AT {
                *holder = None;
                renewed = self.end_fault(room, on).await;
                if let Some(address) = &renewed {
                    *source = crate::faults::source(link(address, framing()));
                }
            }
        }
        panic!("{self}: the source could not be switched off")
    }

    async fn end_fault(&self, room: &mut Room, on: &str) -> Option<Address> {
        let pulled = requests(self.fault, self.wire, on)
            .iter()
            .any(|request| request.get("pull").is_some());
        let mut what = json!({"clear": true});
        if pulled {
            what["replug"] = json!(true);
        }
        let answer = room.fault(on, what).await;
        let address = answer.get("address").and_then(Value::as_str);
        address.map(|address| address.parse().expect("address"))
    }

    /// As the procedure does it: again after a while, and after twice that.
    async fn recover(&self, source: &mut Source, receiver: &mut Receiver) -> Held {
        let mut wait = Duration::from_millis(250);
        loop {
            match reading(source, receiver).await {
                Ok(held) => return held,
                Err(error) => assert!(wait < LONGEST_WAIT, "{self}: does not recover: {error}"),
            }
            tokio::time::sleep(wait).await;
            wait *= 2;
        }
    }

    /// A reading must be right; after an error all must work again.
    async fn judge(
        &self,
        room: &mut Room,
        (mut source, mut receiver): (Source, Receiver),
        outcome: Result<Held, InstrumentError>,
        (on, mut renewed): (&str, Option<Address>),
    ) -> &'static str {
        if renewed.is_none() {
            renewed = self.end_fault(room, on).await;
            if let Some(address) = &renewed {
                match STEPS[self.step].1 {
                    true => source = crate::faults::source(link(address, framing())),
                    false => receiver = crate::faults::receiver(link(address, framing())),
                }
            }
        }
        let again = self.recover(&mut source, &mut receiver).await;
        source.off().await.expect("off");
        match outcome {
            Ok(held) => {
                let off_db = (peak_dbm(&held) - peak_dbm(&again)).abs();
                assert!(
                    off_db < SAME_WITHIN_DB,
                    "{self}: a wrong reading, {off_db} dB off"
                );
                "right"
            }
            Err(error) => word(&error),
        }
    }
}

impl std::fmt::Display for Cell {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:?}, {}, {}", self.wire, self.fault, STEPS[self.step].0)
    }
}

fn word(error: &InstrumentError) -> &'static str {
    match error {
        InstrumentError::Link { cause, .. } => match cause {
            LinkError::Unreachable { .. } => "unreachable",
            LinkError::Closed { .. } => "closed",
            LinkError::Failed { .. } => "failed",
            LinkError::Frame { .. } => "misframed",
            LinkError::Protocol { .. } => "refused",
            LinkError::Locked { .. } => "locked",
        },
        InstrumentError::Silent { .. } => "silent",
        InstrumentError::OutOfStep { .. } => "out of step",
        InstrumentError::Reported { .. } => "reported",
        InstrumentError::Answer { .. } => "answer",
        InstrumentError::Points { .. } => "points",
        InstrumentError::NotALevel { .. } => "no level",
        InstrumentError::StaysOn { .. } => "stays on",
        InstrumentError::TooStrong { .. } => "too strong",
        InstrumentError::WrongIdentity { .. } => "identity",
        InstrumentError::Locked { .. } => "locked",
        InstrumentError::OtherInstrument { .. } => "other instrument",
        InstrumentError::CannotBeSealed { .. } => "cannot be sealed",
        InstrumentError::Restarted { .. } => "restarted",
        InstrumentError::Gone { .. } => "gone",
        InstrumentError::Adjusted { .. } => "adjusted",
        InstrumentError::Changed { .. } => "changed",
        InstrumentError::TraceUnit { .. } => "unit",
        InstrumentError::NotArmed { .. } => "not armed",
        InstrumentError::SweepsMissing { .. } => "sweeps missing",
        InstrumentError::SweepTime { .. } => "sweep time",
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_fault_on_every_wire_in_every_step() {
    let room_for = Arc::new(Semaphore::new(16));
    let mut cells = JoinSet::new();
    for (w, wire) in WIRES.into_iter().enumerate() {
        for (f, fault) in FAULTS.into_iter().enumerate() {
            for step in 0..STEPS.len() {
                let room_for = Arc::clone(&room_for);
                cells.spawn(async move {
                    let _room = room_for.acquire_owned().await.expect("open");
                    ((w, f, step), Cell { wire, fault, step }.run().await)
                });
            }
        }
    }
    let mut matrix = std::collections::BTreeMap::new();
    let mut failures = Vec::new();
    while let Some(ended) = cells.join_next().await {
        match ended {
            Ok((place, said)) => {
                matrix.insert(place, said);
            }
            Err(error) => failures.push(error.to_string()),
        }
    }
    println!(
        "{:8} {:20} {}",
        "",
        "",
        STEPS.map(|(step, ..)| format!("{step:12}")).concat()
    );
    for (w, wire) in WIRES.iter().enumerate() {
        for (f, fault) in FAULTS.iter().enumerate() {
            let cell = |step| format!("{:12}", matrix.get(&(w, f, step)).unwrap_or(&"WRONG"));
            let row: String = (0..STEPS.len()).map(cell).collect();
            println!("{:8} {fault:20} {row}", format!("{wire:?}"));
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
    assert_eq!(matrix.len(), WIRES.len() * FAULTS.len() * STEPS.len());
    // What is not disturbed is read, and what is disturbed is not: the faults did take effect. Half a
    // block and a wrong length spare two steps each, a second client four; errors planted in a queue may
    // be read by any step, or by none.
    assert!(matrix.values().filter(|said| **said == "right").count() >= 32);
    assert!(matrix.values().filter(|said| **said != "right").count() >= 80);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_power_cycle_is_noticed_even_where_the_link_stays() {
    for wire in WIRES {
        let mut room = Room::open(BenchOptions::default()).await;
        let mut source = source(link(&room.source_address(wire), framing()));
        let mut receiver = receiver(link(&room.receiver_address(wire), framing()));
        reading(&mut source, &mut receiver).await.expect("reading");
        for on in [wire.receiver_port(), wire.source_port()] {
            room.fault(on, json!({"power_cycle": true})).await;
        }
        let said = receiver.hold(&settings()).await.expect_err("restarted");
        assert!(matches!(said, InstrumentError::Restarted { .. }), "{said}");
        let permit = Permit::issue(Frequency::from_hz(200e6), Level::from_dbm(-20.0));
        let said = source.on(&permit).await.expect_err("restarted");
        assert!(matches!(said, InstrumentError::Restarted { .. }), "{said}");
        source.off().await.expect("off");
        let again = reading(&mut source, &mut receiver).await.expect("again");
        assert!(peak_dbm(&again).is_finite());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_end_of_a_sweep_can_be_asked_for() {
    let event =
        "run = [\"INIT\", \"*OPC\"]\npoll = { query = \"*ESR?\", mask = 1, every = \"5 ms\" }";
    let byte = "run = [\"*ESE 1\", \"INIT\", \"*OPC\"]\npoll = { mask = 32, every = \"5 ms\" }";
    let cases = WIRES
        .map(|wire| (wire, event))
        .into_iter()
        .chain([(Wire::Hislip, byte), (Wire::Vxi11, byte)]);
    for (wire, words) in cases {
        let room = Room::open(BenchOptions {
            pace: muffle::sim::Pace::Times(1.0),
            ..BenchOptions::default()
        })
        .await;
        let text = driver("analyzer-scpi").text;
        let text = text.replace("run = \"INIT\"\ndone = \"*OPC?\"", words);
        assert!(text.contains("poll ="));
        let driver = Driver::read("polling", &text).expect("driver");
        let Words::Receiver(words) = &driver.words else {
            panic!("a receiver's driver");
        };
        let link = link(&room.receiver_address(wire), framing());
        let mut receiver = Receiver::new(link, &driver, words);
        receiver.start(None).await.expect("start");
        // Longer than the driver's deadline of 250 ms: blocking would have to wait for it in silence.
        let settings = ReceiverSettings {
            sweeps: 20,
            ..settings()
        };
        let trips = receiver.trips();
        for _ in 0..2 {
            let held = receiver.hold(&settings).await;
            let held = held.unwrap_or_else(|error| panic!("{wire:?}: {error}"));
            assert!(peak_dbm(&held).is_finite());
        }
        assert!(receiver.trips() - trips > 6, "{wire:?}: never had to wait");
    }
}
