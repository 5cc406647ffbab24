//! Public instrument-control clients on the simulated bench: what they read must be what our own links
//! read, to the last bit. They need Python packages, so this runs only where `MUFFLE_PEERS` names a Python
//! that has them; `tests/peers/read_trace.py` says how.

use std::process::Command;

use muffle::link::block;
use muffle::sim::BenchOptions;
use serde_json::{Value, json};

use crate::bench::{Room, Wire, ask, ask_text};

const POINTS: usize = 1001;

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs MUFFLE_PEERS, a Python with tests/peers/requirements.txt"]
async fn peers_read_what_our_links_read() {
    let python = std::env::var("MUFFLE_PEERS").expect("MUFFLE_PEERS names a Python");
    let room = Room::open(BenchOptions::default()).await;
    let set_up = format!(
        "*CLS;*RST;:INIT:CONT OFF;:SWE:POIN {POINTS};:FORM REAL,32;:FORM:BORD NORM;:INIT;*OPC?"
    );
    let mut ours = Vec::new();
    for wire in [Wire::Tcp, Wire::Serial, Wire::Hislip, Wire::Vxi11] {
        let mut link = room.receiver(wire);
        if ours.is_empty() {
            assert_eq!(ask_text(&mut *link, &set_up).await, "1");
        }
        let answer = ask(&mut *link, "TRAC:DATA? TRACE1").await;
        let trace: String = block(&answer)
            .expect("block")
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        assert_eq!(trace.len(), 2 * 4 * POINTS);
        let identity = ask_text(&mut *link, "*IDN?").await;
        ours.push((identity, trace));
    }
    assert!(
        ours.iter().all(|one| *one == ours[0]),
        "our own links differ"
    );
    let addresses = json!(room.bench.addresses().receiver).to_string();
    let run = tokio::task::spawn_blocking(move || {
        Command::new(python)
            .args(["tests/peers/read_trace.py", &addresses])
            .output()
    });
    let output = run.await.expect("thread").expect("Python");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let text = String::from_utf8(output.stdout).expect("text");
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    assert_eq!(lines.len(), 5, "{text}{said}");
    for line in lines {
        println!("{} over {}", line["client"], line["transport"]);
        assert_eq!(line["identity"], ours[0].0, "{line}");
        assert_eq!(line["trace"], ours[0].1, "{line}");
        assert_eq!(line["errors"], "0,\"No error\"", "{line}");
    }
}
