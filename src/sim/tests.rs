//! Conversations with the whole bench, by its sockets and terminals.

use std::time::Duration;

use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;

use super::control::Client;
use super::*;

/// A client that knows nothing but bytes.
struct Talk<S> {
    stream: BufReader<S>,
}

impl Talk<TcpStream> {
    async fn tcp(address: &str) -> Self {
        let place = address.strip_prefix("tcp://").expect("tcp address");
        let stream = TcpStream::connect(place).await.expect("connects");
        let stream = BufReader::new(stream);
        Self { stream }
    }
}

impl Talk<tokio_serial::SerialStream> {
    fn serial(address: &str) -> Self {
        let path = address.strip_prefix("serial://").expect("serial address");
        let builder = tokio_serial::new(path, 9600);
        let stream = tokio_serial::SerialStream::open(&builder).expect("opens");
        let stream = BufReader::new(stream);
        Self { stream }
    }
}

impl<S: tokio::io::AsyncRead + tokio::io::AsyncWrite + Unpin> Talk<S> {
    async fn tell(&mut self, line: &str) {
        let line = format!("{line}\n");
        let sent = self.stream.write_all(line.as_bytes());
        sent.await.expect("takes it");
    }

    async fn until(&mut self, end: &[u8]) -> String {
        let mut heard = Vec::new();
        while !heard.ends_with(end) {
            let read = tokio::time::timeout(Duration::from_secs(10), self.stream.read_u8());
            heard.push(read.await.expect("in time").expect("still there"));
        }
        String::from_utf8(heard).expect("text")
    }

    async fn ask(&mut self, line: &str) -> String {
        self.tell(line).await;
        self.until(b"\n").await.trim_end().to_owned()
    }

    async fn block(&mut self, line: &str) -> Vec<u8> {
        self.tell(line).await;
        let mut head = [0; 2];
        self.stream.read_exact(&mut head).await.expect("header");
        assert_eq!(head[0], b'#');
        let mut digits = vec![0; usize::from(head[1] - b'0')];
        self.stream.read_exact(&mut digits).await.expect("length");
        let length: usize = String::from_utf8_lossy(&digits).parse().expect("a number");
        let mut data = vec![0; length];
        self.stream.read_exact(&mut data).await.expect("data");
        assert_eq!(self.stream.read_u8().await.expect("terminator"), b'\n');
        data
    }
}

async fn bench(options: BenchOptions) -> Bench {
    start(options).await.expect("starts")
}

#[tokio::test]
async fn the_addresses_are_written_as_agreed() {
    let bench = bench(BenchOptions::default()).await;
    let written = serde_json::to_value(bench.addresses()).expect("serialises");
    let text = |pointer| {
        written
            .pointer(pointer)
            .and_then(|v| v.as_str())
            .expect(pointer)
    };
    assert!(text("/source/tcp").starts_with("tcp://127.0.0.1:"));
    assert!(text("/receiver/tcp").starts_with("tcp://127.0.0.1:"));
    assert!(text("/receiver/serial").starts_with("serial:///dev/pts/"));
    assert!(text("/receiver/handheld").starts_with("serial:///dev/pts/"));
    assert!(text("/control").starts_with("tcp://127.0.0.1:"));
    bench.shutdown().await;
}

#[tokio::test]
async fn the_source_is_off_at_the_start_and_after_a_reset() {
    let bench = bench(BenchOptions::default()).await;
    let mut source = Talk::tcp(&bench.addresses().source.tcp).await;
    assert_eq!(source.ask("OUTP?").await, "0");
    assert_eq!(source.ask("OUTP ON;:OUTP:STAT?").await, "1");
    assert_eq!(
        source.ask("*RST;OUTP?;*IDN?").await,
        "0;Tarn End,Simulated source,0001,1.0"
    );
    assert_eq!(
        source
            .ask("FREQ 100 MHZ;:SOUR:POW -10 DBM;:FREQ:CW?;:POW?")
            .await,
        "1.000000000E+08;-1.000000000E+01"
    );
    assert_eq!(
        source.ask("FREQ 4 GHZ;:SYST:ERR?").await,
        "-222,\"Data out of range;FREQ 4 GHZ\""
    );
    assert_eq!(source.ask("FREQ?").await, "1.000000000E+08");
    assert_eq!(source.ask("POW? MAX").await, "1.300000000E+01");
    source.tell("WHAT 1").await;
    source.tell("POW").await;
    assert_eq!(source.ask("*ESR?").await, "176");
    assert_eq!(
        source.ask("SYST:ERR?").await,
        "-113,\"Undefined header;WHAT\""
    );
    assert_eq!(
        source.ask("SYST:ERR:NEXT?").await,
        "-109,\"Missing parameter;POW\""
    );
    assert_eq!(source.ask("SYST:ERR?").await, "0,\"No error\"");
}

/// Measures one frequency the way a client would and gives the highest level of the trace.
async fn peak_dbm(receiver: &mut Talk<TcpStream>) -> f64 {
    let done = receiver.ask("INIT;*OPC?").await;
    assert_eq!(done, "1");
    let trace = receiver.ask("TRAC? TRACE1").await;
    let levels = trace.split(',').map(|word| word.parse().expect("a level"));
    levels.fold(f64::NEG_INFINITY, f64::max)
}

const SET_UP: &str = "*RST;*CLS;:SENS:FREQ:CENT 300 MHZ;SPAN 20 KHZ;:SWE:POIN 201;\
    :BAND 1 KHZ;:DET POS;:AVER:TYPE MAX;COUN 10;STAT ON;:INP:ATT 0;:INIT:CONT OFF";

#[tokio::test]
async fn measured_se_is_the_truth_within_what_a_bench_can() {
    let bench = bench(BenchOptions::exact()).await;
    let addresses = bench.addresses().clone();
    let mut source = Talk::tcp(&addresses.source.tcp).await;
    let mut receiver = Talk::tcp(&addresses.receiver.tcp).await;
    let mut hands = Client::connect(&addresses.control).await.expect("control");
    receiver.tell(SET_UP).await;
    source.ask("FREQ 300 MHZ;:POW -10;:OUTP ON;*OPC?").await;
    let reference = peak_dbm(&mut receiver).await;
    assert!((-38.0..-12.0).contains(&reference), "{reference}");
    let flat = json!({"do": "define", "item": {"serial": "X-1", "physics": {"flat_se_db": 40.0}}});
    hands.request(&flat).await.expect("defined");
    for (item, face) in [
        ("X-1", Face::Front),
        ("P-0043", Face::Front),
        ("C-0007", Face::Back),
    ] {
        hands
            .place(Some(item), face, Polarisation::Vertical)
            .await
            .expect("placed");
        let truth = hands
            .truth(item, face, Polarisation::Vertical, &[3e8])
            .await
            .expect("truth");
        let measured = reference - peak_dbm(&mut receiver).await;
        // Log fidelity twice 0.15 dB, and noise at some 30 dB below the carrier.
        assert!(
            (measured - truth[0]).abs() < 0.7,
            "{item}: {measured} for {}",
            truth[0]
        );
    }
    assert_eq!(receiver.ask("SYST:ERR?").await, "0,\"No error\"");
    assert_eq!(source.ask("OUTP OFF;*OPC?").await, "1");
    let state = hands.state().await.expect("state");
    assert_eq!(state["source"]["on"], false);
    assert_eq!(state["emissions"], 1);
}

#[tokio::test]
async fn blocks_end_by_their_count_even_with_newlines_inside() {
    let bench = bench(BenchOptions::default()).await;
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver.tell("*RST;:SWE:POIN 10001;:INIT").await;
    receiver.tell("FORM REAL,32").await;
    let normal = receiver.block("TRAC?").await;
    assert_eq!(normal.len(), 4 * 10_001);
    assert!(
        normal.contains(&b'\n'),
        "no newline inside: the test shows nothing"
    );
    let swapped = receiver.block("FORM:BORD SWAP;:TRAC:DATA? TRACE1").await;
    assert_eq!(receiver.ask("FORM?;:FORM:BORD?").await, "REAL,32;SWAP");
    for (big, little) in normal.chunks(4).zip(swapped.chunks(4)) {
        assert!(big.iter().eq(little.iter().rev()));
    }
    let double = receiver.block("FORM REAL,64;:TRAC?").await;
    assert_eq!(double.len(), 8 * 10_001);
}

#[tokio::test]
async fn the_serial_line_is_the_same_analyzer() {
    let bench = bench(BenchOptions::default()).await;
    let mut line = Talk::serial(&bench.addresses().receiver.serial);
    let mut socket = Talk::tcp(&bench.addresses().receiver.tcp).await;
    assert_eq!(line.ask("*RST;:SWE:POIN 101;*OPC?\r").await, "1");
    assert_eq!(socket.ask("SWE:POIN?").await, "101");
    let block = line.block("INIT;:FORM REAL,32;:TRAC?").await;
    assert_eq!(block.len(), 404);
    drop(line);
    let mut again = Talk::serial(&bench.addresses().receiver.serial);
    assert_eq!(
        again.ask("*IDN?").await,
        "Tarn End,Simulated receiver,0002,1.0"
    );
}

#[tokio::test]
async fn the_handheld_speaks_in_words() {
    let bench = bench(BenchOptions::default()).await;
    let mut source = Talk::tcp(&bench.addresses().source.tcp).await;
    source.ask("FREQ 100 MHZ;:POW -10;:OUTP ON;*OPC?").await;
    let mut shell = Talk::serial(&bench.addresses().receiver.handheld);
    for (line, answer) in [
        ("who", "Tarn End field receiver 0003"),
        ("fresh", "ok"),
        ("centre 100000000", "ok"),
        ("span 20000", "ok"),
        ("rbw 900", "ok"),
        ("rbw", "1000"),
        ("points 201", "ok"),
        ("points 200", "! points are 101, 201, 401 or 801"),
        (
            "faults",
            "-222,\"Data out of range;points are 101, 201, 401 or 801\"",
        ),
        ("faults", "none"),
        ("hold on", "ok"),
        ("sweep 5", "ok"),
        ("attenuate 10", "?"),
        ("over", "no"),
    ] {
        shell.tell(&format!("{line}\r")).await;
        let heard = shell.until(b"> ").await;
        assert_eq!(heard, format!("{line}\r\n{answer}\r\n> "));
    }
    shell.tell("list\r").await;
    let heard = shell.until(b"> ").await;
    let levels = heard.lines().nth(1).expect("a line").split(',');
    let levels: Vec<f64> = levels.map(|word| word.parse().expect("a level")).collect();
    assert_eq!(levels.len(), 201);
    let highest = (0..201)
        .max_by(|a, b| levels[*a].total_cmp(&levels[*b]))
        .expect("some");
    assert!((98..=102).contains(&highest), "peak in bin {highest}");
}

/// Time stands all but still until the control port makes it leap: no test waits for a clock.
fn standing_still() -> BenchOptions {
    BenchOptions {
        pace: Pace::Times(1e-6),
        ambient: false,
        ..BenchOptions::default()
    }
}

async fn leap(hands: &mut Client, seconds: f64) {
    let advance = json!({"do": "advance", "seconds": seconds});
    hands.request(&advance).await.expect("leaps");
}

#[tokio::test]
async fn a_second_start_during_a_sweep_is_ignored_with_an_error() {
    let bench = bench(standing_still()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver.tell("*RST;*CLS;:SWE:TIME 2;:INIT;INIT").await;
    assert_eq!(receiver.ask("STAT:OPER:COND?").await, "8");
    assert!(receiver.ask("SYST:ERR?").await.starts_with("-213"));
    receiver.tell("*OPC?").await;
    let early = tokio::time::timeout(Duration::from_millis(100), receiver.stream.read_u8());
    assert!(early.await.is_err(), "answered before the sweep was done");
    leap(&mut hands, 2.1).await;
    assert_eq!(receiver.until(b"\n").await, "1\n");
    assert_eq!(receiver.ask("STAT:OPER:COND?").await, "0");
}

#[tokio::test]
async fn a_free_running_hold_sees_what_came_and_went() {
    let bench = bench(BenchOptions {
        ambient: false,
        ..BenchOptions::default()
    })
    .await;
    let mut source = Talk::tcp(&bench.addresses().source.tcp).await;
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver
        .ask("*RST;:FREQ:STAR 100 MHZ;STOP 200 MHZ;:SWE:POIN 1001;:BAND 100 KHZ;:DISP:TRAC:MODE MAXH;:INIT:CONT ON;*OPC?")
        .await;
    for mhz in [110, 150, 190] {
        source
            .ask(&format!("FREQ {mhz} MHZ;:POW -10;:OUTP ON;*OPC?"))
            .await;
        source.ask("OUTP OFF;*OPC?").await;
    }
    let trace = receiver.ask("INIT:CONT OFF;:TRAC?").await;
    let levels: Vec<f64> = trace
        .split(',')
        .map(|word| word.parse().expect("a level"))
        .collect();
    for bin in [100, 500, 900] {
        assert!(levels[bin] > -40.0, "{} in bin {bin}", levels[bin]);
    }
    assert!(levels[300] < -70.0, "{}", levels[300]);
    receiver.tell("DISP:TRAC:MODE MAXH;:INIT;*WAI").await;
    let trace = receiver.ask("TRAC?").await;
    assert!(
        trace
            .split(',')
            .all(|word| word.parse::<f64>().expect("a level") < -70.0)
    );
}

#[tokio::test]
async fn faults_come_as_ordered() {
    let bench = bench(BenchOptions::default()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    let fault = |what: &str| json!({"do": "fault", "on": "receiver", "identity": "Someone,Else,1,2", what: true});
    hands.request(&fault("wrong_length")).await.expect("taken");
    assert_eq!(receiver.ask("*IDN?").await, "Someone,Else,1,2");
    let short = receiver
        .block("*RST;:SWE:POIN 101;:INIT;:FORM REAL,32;:TRAC?")
        .await;
    assert_eq!(short.len(), 400);
    let errors =
        json!({"do": "fault", "on": "receiver", "errors": 30, "silence": 1, "identity": ""});
    hands.request(&errors).await.expect("taken");
    receiver.tell("*IDN?").await;
    assert!(receiver.ask("SYST:ERR?").await.starts_with("-300"));
    assert_eq!(receiver.ask("SYST:ERR:COUN?").await, "19");
    hands.request(&fault("drop")).await.expect("taken");
    receiver.tell("*IDN?").await;
    assert!(receiver.stream.read_u8().await.is_err());
    let refused = hands.request(&json!({"do": "place", "item": "Z-9"})).await;
    assert!(
        refused
            .expect_err("no such item")
            .to_string()
            .contains("Z-9")
    );
    let bad = hands
        .request(&json!({"do": "dance"}))
        .await
        .expect_err("no such request");
    assert!(bad.to_string().contains("not a request"), "{bad}");
}

#[tokio::test]
async fn a_terminal_can_be_pulled_and_plugged_in_again() {
    let bench = bench(BenchOptions::default()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let mut line = Talk::serial(&bench.addresses().receiver.serial);
    assert!(line.ask("*IDN?").await.starts_with("Tarn End"));
    let pull = json!({"do": "fault", "on": "serial", "pull": true});
    hands.request(&pull).await.expect("pulled");
    assert!(line.stream.read_u8().await.is_err());
    drop(line);
    let replug = json!({"do": "fault", "on": "serial", "replug": true});
    let answer = hands.request(&replug).await.expect("plugged in");
    let mut line = Talk::serial(answer["address"].as_str().expect("an address"));
    assert!(line.ask("*IDN?").await.starts_with("Tarn End"));
}

#[tokio::test]
async fn a_line_without_end_is_refused() {
    let bench = bench(BenchOptions::default()).await;
    let mut source = Talk::tcp(&bench.addresses().source.tcp).await;
    source.tell(&"A".repeat(300_000)).await;
    assert!(source.ask("SYST:ERR?").await.starts_with("-223"));
    assert!(source.ask("*IDN?").await.starts_with("Tarn End"));
}

#[tokio::test]
async fn an_unread_answer_on_a_serial_line_is_interrupted_by_the_next_command() {
    let bench = bench(BenchOptions::default()).await;
    let mut line = Talk::serial(&bench.addresses().receiver.serial);
    line.tell("*RST;*CLS;:SWE:POIN 10001;:INIT;:TRAC?").await;
    // It has begun to answer, and no terminal holds the 170,000 bytes of it.
    let first = line.stream.read_u8().await.expect("begun");
    assert_eq!(first, b'-');
    line.tell("SYST:ERR?").await;
    let heard = line.until(b"-410,\"Query INTERRUPTED\"\n").await;
    assert!(heard.len() < 150_000, "{}", heard.len());
}

#[tokio::test]
async fn the_same_seed_gives_the_same_trace() {
    let mut traces = Vec::new();
    for seed in [7, 7, 8] {
        let bench = bench(BenchOptions {
            seed,
            ..BenchOptions::default()
        })
        .await;
        let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
        traces.push(receiver.ask(&format!("{SET_UP};:INIT;:TRAC?")).await);
        bench.shutdown().await;
    }
    assert_eq!(traces[0], traces[1]);
    assert!(traces[0] != traces[2]);
}

#[tokio::test]
async fn stop_ends_the_bench() {
    let bench = bench(BenchOptions::default()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    hands
        .request(&json!({"do": "stop"}))
        .await
        .expect("stopping");
    let ended = bench.run_until(std::future::pending());
    tokio::time::timeout(Duration::from_secs(5), ended)
        .await
        .expect("ends");
}

#[tokio::test]
async fn a_station_is_heard_in_the_open_and_hardly_inside() {
    let bench = bench(BenchOptions::exact()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let plant = json!({"do": "ambient", "plant": {"frequency_hz": 300e6, "level_dbm": -50.0}});
    let stations = hands.request(&plant).await.expect("planted");
    assert!(stations["stations"].as_array().expect("a list").len() >= 4);
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver.tell(SET_UP).await;
    let open = peak_dbm(&mut receiver).await;
    // As planted, with 2 dB of fading and 1 dB of the receiver's own error.
    assert!((open + 50.0).abs() < 3.2, "{open}");
    let flat = json!({"do": "define", "item": {"serial": "X", "physics": {"flat_se_db": 30.0}}});
    hands.request(&flat).await.expect("defined");
    hands
        .place(Some("X"), Face::Front, Polarisation::Vertical)
        .await
        .expect("placed");
    let inside = peak_dbm(&mut receiver).await;
    assert!((open - inside - 30.0).abs() < 1.0, "{open} {inside}");
}

#[tokio::test]
async fn an_item_is_defined_by_its_construction() {
    let bench = bench(BenchOptions::default()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let item = json!({
        "serial": "X-2", "model": "Trial", "lot": "T-1", "size_m": [0.3, 0.4, 0.5],
        "construction": "two sheets",
        "physics": {
            "layers": [{"sheet_ohm": 0.1}, {"gap_m": 0.02}, {"sheet_ohm": 0.1}],
            "slots": [{"length_m": 0.001, "count": 2, "face": "back", "orientation": "vertical"}],
            "seams": [{"se_db_at_1_ghz": 120.0}],
            "cavity": {"size_m": [0.3, 0.4, 0.5], "q": 100.0, "depth_db": 10.0},
        },
    });
    let define = json!({"do": "define", "item": item});
    hands.request(&define).await.expect("defined");
    // ORACLES C21 at 100 kHz: neither the seam nor the shadowed slot can matter there.
    let truth = hands
        .truth("X-2", Face::Front, Polarisation::Vertical, &[1e5])
        .await;
    assert!((truth.expect("truth")[0] - 71.54992).abs() < 0.01);
    let items = hands.request(&json!({"do": "items"})).await.expect("items");
    let listed = items["items"].as_array().expect("a list");
    let again = listed
        .iter()
        .find(|it| it["serial"] == "X-2")
        .expect("listed");
    hands
        .request(&json!({"do": "define", "item": again}))
        .await
        .expect("what is listed can be defined");
    for bad in [
        json!({"sheet_ohm": -1.0}),
        json!({"sheet_ohm": 1.0, "colour": 3}),
    ] {
        let bad = json!({"do": "define", "item": {"serial": "X", "physics": {"layers": [bad]}}});
        hands.request(&bad).await.expect_err("cannot be built");
    }
}

#[tokio::test]
async fn operation_complete_can_be_polled() {
    let bench = bench(standing_still()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver.ask("*RST;*CLS;:SWE:TIME 2;:INIT;*OPC;*IDN?").await;
    assert_eq!(receiver.ask("*ESR?").await, "0");
    leap(&mut hands, 2.1).await;
    assert_eq!(receiver.ask("*ESE 1;*STB?").await, "32");
    assert_eq!(receiver.ask("*ESR?;*STB?").await, "1;0");
}

#[tokio::test]
async fn a_carrier_that_is_shorter_than_the_sweep_can_be_missed() {
    let bench = bench(standing_still()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let mut source = Talk::tcp(&bench.addresses().source.tcp).await;
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    // 40 s to a sweep: 110 MHz has been passed long since when it is sent for 0.5 s.
    receiver
        .ask("*RST;:FREQ:STAR 100 MHZ;STOP 200 MHZ;:BAND 100 KHZ;:SWE:TIME 40;:INIT;*IDN?")
        .await;
    leap(&mut hands, 9.0).await;
    source.ask("FREQ 110 MHZ;:POW -10;:OUTP ON;*IDN?").await;
    leap(&mut hands, 0.5).await;
    source.ask("OUTP OFF;*IDN?").await;
    let trace = receiver.ask("ABOR;TRAC?").await;
    let levels: Vec<f64> = trace
        .split(',')
        .map(|word| word.parse().expect("a level"))
        .collect();
    assert!(levels[100] < -70.0, "{}", levels[100]);
    assert!(levels[230] > -150.0 && levels[245] < -190.0);
}

#[tokio::test]
async fn one_client_at_a_time_when_asked() {
    let bench = bench(BenchOptions {
        one_client: true,
        ..BenchOptions::default()
    })
    .await;
    let mut first = Talk::tcp(&bench.addresses().source.tcp).await;
    assert!(first.ask("*IDN?").await.starts_with("Tarn End"));
    let mut second = Talk::tcp(&bench.addresses().source.tcp).await;
    assert!(second.stream.read_u8().await.is_err());
    assert!(first.ask("*IDN?").await.starts_with("Tarn End"));
}

#[tokio::test]
async fn half_a_block_is_half_a_block() {
    let bench = bench(BenchOptions::default()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let half = json!({"do": "fault", "on": "receiver", "half_block": true, "garbage": true});
    hands.request(&half).await.expect("taken");
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver.tell("*IDN?").await;
    let mut garbage = [0; 9];
    receiver
        .stream
        .read_exact(&mut garbage)
        .await
        .expect("garbage");
    assert!(std::str::from_utf8(&garbage).is_err());
    receiver
        .tell("*RST;:SWE:POIN 101;:INIT;:FORM REAL,32;:TRAC?")
        .await;
    let mut part = [0; 205];
    receiver
        .stream
        .read_exact(&mut part)
        .await
        .expect("half of 411 bytes");
    assert!(part.starts_with(b"#3404"));
    assert_eq!(receiver.ask("SWE:POIN?").await, "101");
}

#[tokio::test]
async fn a_receiver_inside_a_closed_item_hears_nothing() {
    let bench = bench(BenchOptions::default()).await;
    let mut hands = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    let closed = json!({"do": "place", "item": "P-0042", "sealed": true});
    hands.request(&closed).await.expect("closed");
    receiver.tell("*IDN?").await;
    let mut source = Talk::tcp(&bench.addresses().source.tcp).await;
    assert!(source.ask("*IDN?").await.starts_with("Tarn End"));
    let early = tokio::time::timeout(Duration::from_millis(50), receiver.stream.read_u8());
    assert!(early.await.is_err(), "heard through the wall");
    let open = json!({"do": "place", "item": "P-0042", "sealed": true, "closed": false});
    hands.request(&open).await.expect("opened");
    assert_eq!(receiver.ask("SYST:VERS?").await, "1999.0");
}

mod anything_sent {
    use super::super::instrument::{Answer, Tables};
    use super::super::scpi::parse;
    use super::super::world::{Port, World};
    use super::*;
    use proptest::prelude::*;

    const HEADERS: &[&str] = &[
        "FREQ:CENT",
        "FREQ:SPAN",
        "FREQ:STAR",
        "FREQ:STOP",
        "FREQ:SPAN:FULL",
        "SWE:POIN",
        "SWE:TIME",
        "SWE:COUN",
        "SWE:TIME:AUTO",
        "BAND",
        "BAND:AUTO",
        "BAND:VID",
        "INP:ATT",
        "INP:ATT:AUTO",
        "INP:GAIN:STAT",
        "DISP:TRAC:Y:RLEV",
        "DISP:TRAC:MODE",
        "DET",
        "AVER",
        "AVER:COUN",
        "AVER:TYPE",
        "AVER:CLE",
        "INIT",
        "INIT:CONT",
        "ABOR",
        "FORM",
        "FORM:BORD",
        "UNIT:POW",
        "STAT:OPER:ENAB",
        "STAT:QUES",
        "*RST",
        "*CLS",
        "*ESE",
        "*SRE",
        "*OPC",
        "*STB",
        "*ESR",
    ];
    const VALUES: &[&str] = &[
        "", "0", "1", "-1", "10", "11", "101", "MIN", "MAX", "ON", "OFF", "1E3", "10 KHZ", "1E6",
        "100 MHZ", "3 GHZ", "1e999", "nan", "POS", "NEG", "SAMP", "RMS", "MAXH", "MINH", "SCAL",
        "REAL,64", "5 MS", "-30 DBM", "\"", "1,2",
    ];

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Whatever is set, in whatever order, a trace can be read and holds finite numbers only.
        #[test]
        fn leaves_a_trace_that_can_be_read(
            sent in proptest::collection::vec((0..HEADERS.len(), 0..VALUES.len(), any::<bool>()), 1..30),
        ) {
            let mut world = World::new(&BenchOptions::default());
            let tables = Tables::new();
            let say = |world: &mut World, line: &str| {
                let units = parse(line).into_iter().flatten();
                let answers = units.map(|unit| tables.execute(world, (Port::Receiver, 0), &unit));
                answers.last()
            };
            for (header, value, query) in sent {
                let (header, value) = (HEADERS[header], VALUES[value]);
                // Ten thousand sweeps of ten thousand points are for another day.
                if value == "MAX" && (header.ends_with("COUN") || header.ends_with("POIN")) {
                    continue;
                }
                let mark = if query { "?" } else { "" };
                say(&mut world, &format!("{header}{mark} {value}"));
            }
            let points = world.analyzer.settings.points;
            match say(&mut world, "FORM ASC;:TRAC?") {
                Some(Ok(Answer::Data(text))) => {
                    let text = String::from_utf8(text).expect("text");
                    let levels: Vec<f64> = text.split(',').map(|w| w.parse().expect("a number")).collect();
                    prop_assert_eq!(levels.len(), points);
                    prop_assert!(levels.iter().all(|level| level.is_finite()));
                }
                other => prop_assert!(false, "no trace: {:?}", other),
            }
        }
    }
}

/// The source over its socket, switched on at 100 MHz, and the control port.
async fn sending(bench: &Bench) -> (Talk<TcpStream>, Client) {
    let control = Client::connect(&bench.addresses().control).await;
    let source = Talk::tcp(&bench.addresses().source.tcp).await;
    (source, control.expect("control"))
}

async fn plant(control: &mut Client, fault: serde_json::Value) {
    let request = json!({ "do": "plant", "faults": [fault] });
    control.request(&request).await.expect("planted");
}

const ON: &str = "FREQ 100 MHZ;:POW -10 DBM;:OUTP ON;*OPC?";

#[tokio::test]
async fn a_source_trips_after_it_said_that_it_is_on() {
    let bench = bench(BenchOptions::default()).await;
    let (mut source, mut control) = sending(&bench).await;
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver
        .tell("*RST;FREQ:CENT 100 MHZ;SPAN 100 KHZ;:BAND 1 KHZ")
        .await;
    let fault =
        json!({ "fault": "source_trips", "when": "acknowledged", "nth": 2, "ms": 100, "times": 1 });
    plant(&mut control, fault).await;
    assert_eq!(source.ask(ON).await, "1");
    assert_eq!(receiver.ask("INIT;*OPC?").await, "1");
    assert_eq!(
        source.ask("OUTP?;:OUTP OFF;OUTP?").await,
        "1;0",
        "not the first"
    );
    assert_eq!(source.ask(ON).await, "1");
    assert_eq!(source.ask("OUTP?").await, "1", "not yet");
    // A sweep lasts 250 ms.
    assert_eq!(receiver.ask("INIT;*OPC?").await, "1");
    assert_eq!(source.ask("OUTP?").await, "0");
    let state = control.state().await.expect("state");
    assert_eq!(state["struck"], 1);
    assert_eq!(
        source.ask(ON).await + &source.ask("OUTP?").await,
        "11",
        "once"
    );
    bench.shutdown().await;
}

#[tokio::test]
async fn a_source_that_is_not_levelled_or_has_tripped_says_so() {
    let bench = bench(BenchOptions::default()).await;
    let (mut source, mut control) = sending(&bench).await;
    const STATUS: &str = "STAT:QUES:POW:COND?;:OUTP?";
    assert_eq!(source.ask(ON).await, "1");
    assert_eq!(source.ask(STATUS).await, "0;1");
    plant(
        &mut control,
        json!({ "fault": "source_unlevelled", "db": 6 }),
    )
    .await;
    assert_eq!(source.ask(STATUS).await, "1;1");
    plant(&mut control, json!({ "fault": "source_reverse_power" })).await;
    assert_eq!(source.ask(STATUS).await, "3;0");
    let clear = json!({ "do": "plant", "clear": true });
    control.request(&clear).await.expect("mended");
    assert_eq!(source.ask(STATUS).await, "0;1");
    bench.shutdown().await;
}

#[tokio::test]
async fn the_power_monitor_sees_what_the_source_cannot() {
    let bench = bench(BenchOptions::default()).await;
    let (mut source, mut control) = sending(&bench).await;
    let mut monitor = Talk::tcp(&bench.addresses().power_monitor).await;
    assert_eq!(
        monitor.ask("*IDN?;FREQ 100 MHZ;FREQ?").await,
        "Tarn End,Simulated power monitor,0003,1.0;1.000000000E+08"
    );
    async fn read(monitor: &mut Talk<TcpStream>) -> f64 {
        monitor.ask("READ?").await.parse().expect("a level")
    }
    assert!(read(&mut monitor).await < -59.0, "nothing is sent");
    assert_eq!(source.ask(ON).await, "1");
    // -10 dBm and 40 dB, each up to a decibel or so off, behind 30 dB.
    let whole = read(&mut monitor).await;
    assert!((whole - 0.0).abs() < 3.0, "{whole}");
    for (fault, lost_db) in [
        (json!({ "fault": "amplifier_sags", "db": 6 }), 6.0),
        (json!({ "fault": "transmit_cable", "db": 20 }), 20.0),
        (json!({ "fault": "source_sags", "db": 6 }), 6.0),
        (json!({ "fault": "antenna_cable", "db": 20 }), 0.0),
    ] {
        plant(&mut control, fault.clone()).await;
        let left = read(&mut monitor).await;
        assert!((whole - left - lost_db).abs() < 0.3, "{fault}: {left}");
        let clear = json!({ "do": "plant", "clear": true });
        control.request(&clear).await.expect("mended");
    }
    plant(&mut control, json!({ "fault": "amplifier_trips" })).await;
    assert!(read(&mut monitor).await < -59.0);
    assert_eq!(source.ask("OUTP?").await, "1", "the source knows nothing");
    bench.shutdown().await;
}

#[tokio::test]
async fn the_analyzer_has_other_settings_than_it_was_given() {
    let bench = bench(BenchOptions::default()).await;
    let mut control = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver
        .tell("*RST;FREQ:CENT 100 MHZ;SPAN 100 KHZ;:BAND 1 KHZ;:DET POS")
        .await;
    plant(
        &mut control,
        json!({ "fault": "resolution_adjusted", "hz": 300 }),
    )
    .await;
    plant(
        &mut control,
        json!({ "fault": "other_detector", "detector": "SAMP" }),
    )
    .await;
    plant(
        &mut control,
        json!({ "fault": "receiver_tuned", "hz": 2e6, "when": "now" }),
    )
    .await;
    assert_eq!(
        receiver
            .ask("BAND 1 KHZ;BAND?;:DET POS;DET?;:FREQ:CENT?")
            .await,
        "3.000000000E+02;SAMP;1.020000000E+08"
    );
    let unit = json!({ "fault": "trace_unit", "unit": "DBUV" });
    plant(&mut control, unit).await;
    assert_eq!(receiver.ask("UNIT:POW DBM;POW?").await, "DBUV");
    plant(
        &mut control,
        json!({ "fault": "receiver_swapped", "serial": "0077", "db": 2 }),
    )
    .await;
    let mut receiver = Talk::tcp(&bench.addresses().receiver.tcp).await;
    receiver.tell("*CLS").await;
    let mut other = Talk::tcp(&bench.addresses().receiver.tcp).await;
    // The answer that the swap interrupts is nobody's.
    other.tell("*IDN?").await;
    assert_eq!(
        receiver.ask("*IDN?").await,
        "Tarn End,Simulated receiver,0077,1.0"
    );
    bench.shutdown().await;
}

#[tokio::test]
async fn a_locked_instrument_takes_commands_of_one_client() {
    let bench = bench(BenchOptions::default()).await;
    for address in [
        &bench.addresses().source.tcp,
        &bench.addresses().receiver.tcp,
    ] {
        let mut one = Talk::tcp(address).await;
        let mut two = Talk::tcp(address).await;
        assert_eq!(one.ask("SYST:LOCK:REQ?").await, "1");
        assert_eq!(two.ask("SYST:LOCK:REQ?").await, "0");
        assert!(!two.ask("*CLS;:FREQ 1 MHZ;*IDN?").await.is_empty());
        let error = two.ask("SYST:ERR?").await;
        assert!(error.starts_with("-203,\"Command protected"), "{error}");
        assert_eq!(one.ask("SYST:LOCK:REL;:SYST:LOCK:REQ?").await, "1");
        drop(one);
        let mut granted = two.ask("SYST:LOCK:REQ?").await;
        for _ in 0..100 {
            if granted == "1" {
                break;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
            granted = two.ask("SYST:LOCK:REQ?").await;
        }
        assert_eq!(granted, "1", "who has left has nothing locked");
    }
    bench.shutdown().await;
}

#[tokio::test]
async fn a_fault_that_cannot_be_is_refused() {
    let bench = bench(BenchOptions::default()).await;
    let mut control = Client::connect(&bench.addresses().control)
        .await
        .expect("control");
    for fault in [
        json!({ "fault": "gremlins" }),
        json!({ "fault": "source_sags" }),
        json!({ "fault": "source_trips", "when": "later" }),
        json!({ "fault": "source_trips", "nth": 0 }),
        json!({ "fault": "source_trips", "ms": -1 }),
    ] {
        let request = json!({ "do": "plant", "faults": [fault] });
        control
            .request(&request)
            .await
            .expect_err(&fault.to_string());
    }
    bench.shutdown().await;
}
