//! The daemon in rough company: two stations, a contact over TCP, a source that answers no more, a service manager.

use std::io::{ErrorKind, Write};
use std::net::{Ipv4Addr, TcpListener};
use std::os::unix::net::UnixDatagram;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use muffle::store::{JobState, NewJob};
use rustix::process::Signal;
use serde_json::json;

use crate::daemon::{STATION, Site};
use crate::support::Bench;

const OTHER: &str = "second bench";

/// A plan that finds the output on for a good while.
fn slowly(site: &Site) {
    let text = std::fs::read_to_string(site.bench.path("plan.toml")).expect("a plan");
    let slower = text.replace("settle = \"1 ms\"", "settle = \"400 ms\"");
    assert_ne!(slower, text);
    site.bench.write("plan.toml", &slower);
}

fn is_on(bench: &Bench) -> bool {
    bench.state()["source"]["on"] == true
}

#[test]
fn two_stations_work_at_once_and_one_is_stopped_alone() {
    let site = Site::new(false);
    slowly(&site);
    let other = Bench::start(12);
    other.shelf("A", 40.0);
    let text = other.station_text.replace(STATION, OTHER);
    assert_ne!(text, other.station_text);
    site.bench.write("second.toml", &text);
    let daemon = site.spawn_with(&["station.toml", "second.toml"], &[]);
    site.wait("the daemon works", || daemon.said("serving "));
    let first = site.submit(&site.job("A"));
    let second = site.submit(&NewJob {
        station: OTHER.to_owned(),
        ..site.job("A")
    });
    site.wait("both transmit", || is_on(&site.bench) && is_on(&other));
    crate::support::run(&["stop", OTHER]).with(0, &[]);
    other.is_off();
    let stopped = site.wait_for_state(second, JobState::Paused);
    assert!(
        stopped
            .reason
            .as_deref()
            .is_some_and(|reason| reason.contains("stopped by")),
        "{stopped:#?}"
    );
    site.wait_for(first, JobState::Done);
    let paused = |name: &str| {
        site.runtime
            .block_on(site.store.queue_pause(name))
            .expect("read")
    };
    assert!(paused(OTHER).is_some() && paused(STATION).is_none());
    // Goes on with its queue.
    let goes_on = site.store.continue_queue(OTHER, jiff::Timestamp::now());
    site.runtime.block_on(goes_on).expect("written");
    site.wait_for(second, JobState::Done);
    site.nothing_is_lost();
}

/// Says `closed` five times a second to whoever listens, and `open` once it is.
fn contact(open: Arc<AtomicBool>) -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
    let port = listener.local_addr().expect("bound").port();
    std::thread::spawn(move || {
        while let Ok((mut stream, _)) = listener.accept() {
            let open = open.clone();
            std::thread::spawn(move || {
                let word = |open: bool| if open { "open\n" } else { "closed\n" };
                while stream
                    .write_all(word(open.load(Ordering::SeqCst)).as_bytes())
                    .is_ok()
                {
                    std::thread::sleep(Duration::from_millis(50));
                }
            });
        }
    });
    port
}

#[test]
fn a_contact_over_tcp_ends_the_emission_and_pauses_the_queue() {
    let site = Site::new(false);
    slowly(&site);
    let open = Arc::new(AtomicBool::new(false));
    let port = contact(open.clone());
    let text = std::fs::read_to_string(site.bench.path("station.toml")).expect("a station");
    let text = format!("{text}\n[interlock]\ncontact = \"tcp://127.0.0.1:{port}\"\n");
    site.bench.write("station.toml", &text);
    let _daemon = site.serve();
    let job = site.submit(&site.job("A"));
    site.wait("it transmits", || is_on(&site.bench));
    open.store(true, Ordering::SeqCst);
    let opened = Instant::now();
    site.wait("it is off", || !is_on(&site.bench));
    assert!(
        opened.elapsed() < Duration::from_secs(1),
        "{:?}",
        opened.elapsed()
    );
    site.wait("the queue is paused", || {
        let pause = site.runtime.block_on(site.store.queue_pause(STATION));
        let pause = pause.expect("read");
        pause.is_some_and(|pause| pause.reason.contains("interlock"))
    });
    // A door that closes starts nothing by itself.
    open.store(false, Ordering::SeqCst);
    let emissions = site.bench.state()["emissions"].clone();
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(site.bench.state()["emissions"], emissions);
    let goes_on = site.store.continue_queue(STATION, jiff::Timestamp::now());
    site.runtime.block_on(goes_on).expect("written");
    site.wait_for(job, JobState::Done);
}

#[test]
fn told_to_end_with_a_source_that_answers_no_more_it_says_so_and_the_keeper_goes_on() {
    let site = Site::new(false);
    slowly(&site);
    let daemon = site.serve();
    site.submit(&site.job("A"));
    site.wait("it transmits", || is_on(&site.bench));
    // Takes what it is told and answers nothing for a long time.
    site.bench
        .ask(&json!({ "do": "fault", "on": "source", "delay_ms": 60_000 }));
    let log = daemon.log_path();
    let (took, code) = daemon.end(Signal::TERM);
    assert!(took < Duration::from_secs(2), "{took:?}");
    let said = std::fs::read_to_string(log).expect("a log");
    // Whether it was seen off hangs on how far it had come; what nobody saw is never called seen.
    if code == Some(0) {
        assert!(!is_on(&site.bench), "{said}");
    } else {
        assert_eq!(code, Some(4), "{said}");
    }
    site.bench
        .ask(&json!({ "do": "fault", "on": "source", "clear": true }));
    site.wait("the keeper has switched it off", || !is_on(&site.bench));
    let open = || {
        let open = site.store.open_emissions(STATION);
        site.runtime.block_on(open).expect("read").len()
    };
    site.wait("the log is closed", || open() == 0);
}

#[test]
fn a_service_manager_hears_that_it_is_ready_alive_and_ending() {
    let site = Site::new(false);
    let path = site.bench.path("notify");
    let manager = UnixDatagram::bind(&path).expect("a socket");
    let heard = |within: Duration| {
        manager
            .set_read_timeout(Some(within))
            .expect("a time limit");
        let mut bytes = [0; 512];
        let read = loop {
            match manager.recv(&mut bytes) {
                Ok(read) => break read,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) if error.kind() == ErrorKind::WouldBlock => return None,
                Err(error) => panic!("{error}"),
            }
        };
        Some(String::from_utf8_lossy(&bytes[..read]).into_owned())
    };
    let until = |word: &str| {
        for _ in 0..100 {
            let said = heard(Duration::from_secs(20)).expect("a word in time");
            if said.contains(word) {
                return;
            }
        }
        panic!("never {word}");
    };
    let socket = path.display().to_string();
    let environment = [
        ("NOTIFY_SOCKET", socket.as_str()),
        ("WATCHDOG_USEC", "400000"),
    ];
    let daemon = site.spawn_with(&["station.toml"], &environment);
    until("READY=1");
    for _ in 0..5 {
        until("WATCHDOG=1");
    }
    // A hung one says nothing, so that the manager may end it.
    daemon.tell(Signal::STOP);
    while heard(Duration::from_millis(300)).is_some() {}
    assert_eq!(heard(Duration::from_secs(1)), None);
    daemon.tell(Signal::CONT);
    until("WATCHDOG=1");
    daemon.tell(Signal::TERM);
    until("STOPPING=1");
}
