//! A driver rehearsed on the simulated bench works entry by entry, never switches the output on, and can
//! be rehearsed again from its transcript without the bench.

use std::path::Path;

use muffle::config::{Address, Driver, Words};
use muffle::instrument::{Rehearsal, rehearse};
use muffle::link::{Framing, Replay, link};
use muffle::sim::BenchOptions;

use crate::bench::{Room, Wire};

async fn rehearsed(driver: &Driver, address: &Address) -> Rehearsal {
    rehearse(driver, link(address, Framing::from(&driver.dialect))).await
}

fn faults(rehearsal: &Rehearsal) -> Vec<String> {
    rehearsal
        .tried
        .iter()
        .filter_map(|tried| Some(format!("{}: {}", tried.entry, tried.fault.as_ref()?)))
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_built_in_driver_works_entry_by_entry_and_plays_back() {
    let mut room = Room::open(BenchOptions::default()).await;
    for name in muffle::config::built_in_drivers() {
        let driver = Driver::load(name, Path::new(".")).expect("built in");
        let handheld = driver.dialect.prompt.is_some();
        let monitor = matches!(driver.words, Words::PowerMonitor(_));
        let wires = match handheld {
            true => vec![Wire::Serial],
            // It has a socket and no more.
            false if monitor => vec![Wire::Tcp],
            false => vec![Wire::Tcp, Wire::Serial, Wire::Hislip, Wire::Vxi11],
        };
        for wire in wires {
            let address = match &driver.words {
                Words::Source(_) => room.source_address(wire),
                Words::Receiver(_) if handheld => {
                    let address = &room.bench.addresses().receiver.handheld;
                    address.parse().expect("address")
                }
                Words::Receiver(_) => room.receiver_address(wire),
                Words::PowerMonitor(_) => {
                    let address = &room.bench.addresses().power_monitor;
                    address.parse().expect("address")
                }
            };
            let rehearsal = rehearsed(&driver, &address).await;
            assert_eq!(faults(&rehearsal), [""; 0], "{name} over {wire:?}");
            let least = if monitor { 5 } else { 8 };
            assert!(rehearsal.tried.len() >= least, "{name}");
            let lines = rehearsal.transcript.lines();
            assert!(!lines.contains("OUTP ON"), "{lines}");
            let replay = Replay::new(&lines, handheld).expect("transcript");
            let again = rehearse(&driver, Box::new(replay)).await;
            assert_eq!(faults(&again), [""; 0], "{name} played back");
            assert_eq!(again.transcript.lines(), lines, "{name} played back");
        }
    }
    let state = room.control.state().await.expect("state");
    assert_eq!(state["emissions"], 0, "the output was never on");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_entry_the_instrument_does_not_know_is_named() {
    let room = Room::open(BenchOptions::default()).await;
    let text = Driver::load("source-scpi", Path::new("."))
        .expect("built in")
        .text;
    let text = text
        .replace("\"POW {level}\"", "\"POWR {level}\"")
        .replace("\"5 s\"", "\"300 ms\"");
    let driver = Driver::read("mine.toml", &text).expect("driver");
    let rehearsal = rehearsed(&driver, &room.source_address(Wire::Tcp)).await;
    let faults = faults(&rehearsal);
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert!(
        faults[0].contains("set.level: ") && faults[0].contains("-113"),
        "{faults:?}"
    );
}
