//! An instrument that somebody else holds is not driven, and one that is driven here is held.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use muffle::config::Address;
use muffle::link::{Exclusive, Framing, Link, LinkError, link};
use muffle::sim::{Addresses, BenchOptions, start};
use tokio::time::timeout;

use crate::fake::{FakeBench, block};
use crate::support::plan;

fn opened(address: &str, exclusive: Option<Exclusive>) -> Box<dyn Link> {
    let address: Address = address.parse().expect("an address");
    let framing = Framing {
        ends_with: "\n".into(),
        prompt: None,
        echo: false,
        clear: None,
    };
    let mut link = link(&address, framing);
    if let Some(exclusive) = exclusive {
        link.hold_lock(exclusive);
    }
    link
}

async fn ask(link: &mut dyn Link, question: &str) -> Result<String, LinkError> {
    link.send(question.as_bytes()).await?;
    let answer = link.receive().await?;
    Ok(String::from_utf8_lossy(&answer).into_owned())
}

/// A fake receiver whose driver takes a lock of its own, which is given or not.
fn with_a_lock(given: &'static str) -> (FakeBench, Arc<AtomicBool>) {
    let released = Arc::new(AtomicBool::new(false));
    let told = released.clone();
    let bench = FakeBench::start(&plan(&["100 MHz"]), "lock.toml", move |air, unit| {
        told.fetch_or(unit == "SYST:LOCK:REL", Ordering::Relaxed);
        match unit {
            "SYST:LOCK:REQ?" => Some(given.as_bytes().to_vec()),
            "TRAC:DATA? TRACE1" => {
                let peak_dbm = if air.item { -70.0 } else { -30.0 };
                Some(block(&air.trace(-110.0, peak_dbm)))
            }
            _ => None,
        }
    });
    let lock = "[lock]\nacquire = \"SYST:LOCK:REQ?\"\nrelease = \"SYST:LOCK:REL\"\n";
    let driver = format!(
        "{}\n{lock}",
        include_str!("../../drivers/analyzer-scpi.toml")
    );
    std::fs::write(bench.path("lock.toml"), driver).expect("written");
    (bench, released)
}

#[test]
fn a_drivers_own_lock_is_taken_or_the_station_is_not_opened() {
    let (bench, _) = with_a_lock("0");
    bench.measure("L-1", &[]).with(
        4,
        &["another client holds its lock (`SYST:LOCK:REQ?` gave \"0\")"],
    );
    bench.is_off();
    let (bench, released) = with_a_lock("1");
    bench.measure("L-1", &[]).with(0, &[]);
    bench.is_off();
    assert!(released.load(Ordering::Relaxed));
}

#[test]
fn source_and_receiver_behind_one_address_are_refused() {
    let (bench, _) = with_a_lock("1");
    let text = std::fs::read_to_string(bench.path("station.toml")).expect("read");
    let at = |from: usize| {
        let start = text[from..].find("tcp://").expect("an address") + from;
        let end = text[start..].find('"').expect("its end") + start;
        (start, end)
    };
    let (source, end) = at(0);
    let port = text[source..end].rsplit(':').next().expect("a port");
    let (receiver, receiver_end) = at(end);
    let alias = format!("tcp://localhost:{port}");
    let text = format!("{}{alias}{}", &text[..receiver], &text[receiver_end..]);
    std::fs::write(bench.path("station.toml"), text).expect("written");
    bench
        .measure("L-1", &[])
        .with(4, &["source and receiver are both at tcp://127.0.0.1:"]);
}

const SHORT: Duration = Duration::from_millis(300);

async fn addresses() -> (Addresses, muffle::sim::Bench) {
    let bench = start(BenchOptions::default()).await.expect("starts");
    (bench.addresses().clone(), bench)
}

/// A client of another machine takes the lock under a key of its own; it holds it while both connections stand.
fn lock_from_elsewhere(hislip: &str) -> (TcpStream, TcpStream) {
    let place = hislip.strip_prefix("hislip://").expect("HiSLIP");
    let place = place.split('/').next().expect("a host").to_owned();
    let message = |kind: u8, control: u8, parameter: u32, payload: &[u8]| {
        let mut bytes = vec![b'H', b'S', kind, control];
        bytes.extend(parameter.to_be_bytes());
        bytes.extend((payload.len() as u64).to_be_bytes());
        bytes.extend(payload);
        bytes
    };
    let say = |stream: &mut TcpStream, bytes: Vec<u8>| {
        stream.write_all(&bytes).expect("sent");
        let mut head = [0; 16];
        stream.read_exact(&mut head).expect("answered");
        head
    };
    let mut first = TcpStream::connect(&place).expect("connected");
    let head = say(&mut first, message(0, 0, 0x0100_4142, b"hislip0"));
    let session = u32::from(u16::from_be_bytes([head[6], head[7]]));
    let mut second = TcpStream::connect(&place).expect("connected");
    say(&mut second, message(17, 0, session, b""));
    let locked = say(&mut second, message(4, 1, 0, b"somebody elsewhere"));
    assert_eq!((locked[2], locked[3]), (5, 1), "{locked:?}");
    (first, second)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lock_over_hislip_keeps_others_out_and_lets_the_watchdog_in() {
    let (addresses, bench) = addresses().await;
    let at = &addresses.source.hislip;
    let mut ours = opened(at, Some(Exclusive::WithThisMachine));
    ask(&mut *ours, "*IDN?").await.expect("answered");
    let mut watchdog = opened(at, Some(Exclusive::WithThisMachine));
    ask(&mut *watchdog, "*IDN?").await.expect("let in");
    let mut stranger = opened(at, None);
    let shut_out = timeout(SHORT, ask(&mut *stranger, "*IDN?")).await;
    assert!(shut_out.is_err(), "the stranger was heard");
    drop((ours, watchdog));
    let mut next = opened(at, None);
    ask(&mut *next, "*IDN?")
        .await
        .expect("the lock went with the connections");

    let receiver = &addresses.receiver.hislip;
    let held = lock_from_elsewhere(receiver);
    let mut ours = opened(receiver, Some(Exclusive::Alone));
    let refused = ask(&mut *ours, "*IDN?").await.expect_err("held");
    assert!(matches!(refused, LinkError::Locked { .. }), "{refused}");
    assert!(
        refused.to_string().contains("another client holds"),
        "{refused}"
    );
    drop(held);
    ask(&mut *ours, "*IDN?").await.expect("free again");
    drop(bench);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lock_over_vxi11_keeps_others_out_of_the_receiver_alone() {
    let (addresses, bench) = addresses().await;
    let at = &addresses.receiver.vxi11;
    let mut ours = opened(at, Some(Exclusive::Alone));
    ask(&mut *ours, "*IDN?").await.expect("answered");
    let mut second = opened(at, Some(Exclusive::Alone));
    let refused = ask(&mut *second, "*IDN?").await.expect_err("held");
    assert!(matches!(refused, LinkError::Locked { .. }), "{refused}");
    let mut stranger = opened(at, None);
    let said = ask(&mut *stranger, "*IDN?")
        .await
        .expect_err("held")
        .to_string();
    assert!(said.contains("another client holds"), "{said}");
    drop(ours);
    ask(&mut *second, "*IDN?").await.expect("free again");
    // Nobody could switch off a source whose program hangs.
    let at = &addresses.source.vxi11;
    let mut ours = opened(at, Some(Exclusive::WithThisMachine));
    ask(&mut *ours, "*IDN?").await.expect("answered");
    let mut watchdog = opened(at, Some(Exclusive::WithThisMachine));
    ask(&mut *watchdog, "*IDN?").await.expect("let in");
    drop(bench);
}
