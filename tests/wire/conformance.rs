//! The same cases over every kind of link: what a caller may rely on, whatever carries the bytes.

use std::time::Duration;

use muffle::link::{Link, LinkError, ProtocolError, block, link, units};
use muffle::sim::BenchOptions;
use serde_json::json;

use crate::bench::{HANGS, Room, Wire, ask, ask_text, framing};

const IDENTITY: &str = "Tarn End,Simulated receiver,0002,1.0";

async fn room() -> Room {
    Room::open(BenchOptions::default()).await
}

async fn identify(wire: Wire) {
    let room = room().await;
    let mut link = room.receiver(wire);
    assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
    assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
    assert_eq!(link.opened(), 1);
}

/// 10 001 points are longer than one transfer of any of them, and full of newlines.
async fn long_block_with_newlines(wire: Wire) {
    let room = room().await;
    let mut link = room.receiver(wire);
    let set = "*RST;:INIT:CONT OFF;:SWE:POIN 10001;:FORM REAL,32;:INIT;*OPC?;:TRAC:DATA? TRACE1;:SYST:ERR?";
    let answer = ask(&mut *link, set).await;
    let parts = units(&answer).expect("units");
    assert_eq!(parts.len(), 3);
    let data = block(parts[1]).expect("block");
    assert_eq!(data.len(), 4 * 10_001);
    assert!(data.contains(&b'\n') && data.contains(&b';'));
    assert_eq!(parts[2], b"0,\"No error\"");
    // The end of it was found: the next answer is the next answer.
    assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
}

/// What proves a link in step: a marked query, whose answer is waited for.
async fn until_mark(link: &mut dyn Link, mark: u8) -> usize {
    let mut stale = 0;
    let mut got = ask_text(link, &format!("*ESE {mark};*ESE?")).await;
    while got != mark.to_string() {
        stale += 1;
        assert!(stale < 16, "never in step");
        let next = tokio::time::timeout(HANGS, link.receive()).await;
        got = String::from_utf8(next.expect("in time").expect("receive")).expect("text");
    }
    stale
}

async fn a_late_answer_is_not_the_next_one(wire: Wire) {
    let mut room = room().await;
    let mut link = room.receiver(wire);
    assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
    // The stand-in for USBTMC lacks the kernel's own deadline, so the cut-off read must catch it.
    let delay_ms = if wire == Wire::Usbtmc { 120 } else { 400 };
    room.fault(wire.receiver_port(), json!({"delay_ms": delay_ms}))
        .await;
    link.send(b"*IDN?").await.expect("send");
    let late = tokio::time::timeout(Duration::from_millis(50), link.receive()).await;
    assert!(late.is_err(), "came in time");
    room.fault(wire.receiver_port(), json!({"clear": true}))
        .await;
    link.clear().await.expect("clear");
    let stale = until_mark(&mut *link, 77).await;
    if wire.marks_ends() {
        assert_eq!(stale, 0, "a device clear leaves nothing behind");
    }
    assert_eq!(ask_text(&mut *link, "*OPC?").await, "1");
    assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
}

async fn clear_forgets_what_was_asked(wire: Wire) {
    let room = room().await;
    let mut link = room.receiver(wire);
    link.send(b"*IDN?").await.expect("send");
    link.clear().await.expect("clear");
    let stale = until_mark(&mut *link, 78).await;
    if wire.marks_ends() {
        assert_eq!(stale, 0);
        assert_eq!(ask_text(&mut *link, "SYST:ERR?").await, "0,\"No error\"");
        assert_eq!(link.opened(), 1, "cleared, not opened anew");
    }
    assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
}

async fn closing_by_the_other_end_is_seen(wire: Wire) {
    let mut room = room().await;
    let mut link = room.receiver(wire);
    assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
    let terminal = matches!(wire, Wire::Serial | Wire::Usbtmc);
    let how = match terminal {
        true => json!({"pull": true}),
        false => json!({"drop": true}),
    };
    room.fault(wire.receiver_port(), how).await;
    let talk = async {
        link.send(b"*IDN?").await?;
        link.receive().await
    };
    let said = tokio::time::timeout(HANGS, talk)
        .await
        .expect("seen")
        .expect_err("closed");
    assert!(
        matches!(said, LinkError::Closed { .. } | LinkError::Failed { .. }),
        "{said}"
    );
    if terminal {
        let said = link.reopen().await.expect_err("gone").to_string();
        assert!(said.contains("cannot reach"), "{said}");
    } else {
        assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
        assert_eq!(link.opened(), 2);
    }
}

async fn several_answers_in_one_message(wire: Wire) {
    let room = room().await;
    let mut link = room.receiver(wire);
    let answer = ask(&mut *link, "*IDN?;*OPC?;:SYST:ERR?;:FREQ:CENT?").await;
    let parts = units(&answer).expect("units");
    assert_eq!(parts.len(), 4);
    assert_eq!(parts[..3], [IDENTITY.as_bytes(), b"1", b"0,\"No error\""]);
}

/// Longer than the other end takes in one transfer (16 KiB on those that say so).
async fn a_long_command_arrives_whole(wire: Wire) {
    let room = room().await;
    let mut link = room.receiver(wire);
    let padding = " ".repeat(70);
    let mut message = format!("*ESE{padding}1;").repeat(250);
    message.push_str("*ESE 79;*ESE?;:SYST:ERR?");
    assert!(message.len() > 18_000);
    assert_eq!(ask_text(&mut *link, &message).await, "79;0,\"No error\"");
}

async fn the_status_byte_where_there_is_one(wire: Wire) {
    let mut room = room().await;
    let mut link = room.receiver(wire);
    assert_eq!(ask_text(&mut *link, "*IDN?").await, IDENTITY);
    let status = link.status().await;
    if !wire.marks_ends() {
        let no = ProtocolError::NoStatus;
        assert!(matches!(status, Err(LinkError::Protocol { cause, .. }) if cause == no));
        return;
    }
    assert_eq!(status.expect("status"), 0);
    room.fault(wire.receiver_port(), json!({"errors": 1})).await;
    // Bit 2: the error queue is not empty (SCPI-1999 volume 1, 9.1).
    assert_eq!(link.status().await.expect("status"), 4);
    // Asking beside the conversation does not disturb it.
    link.send(b"SYST:ERR?").await.expect("send");
    link.status().await.expect("status");
    let answer = link.receive().await.expect("receive");
    assert!(answer.starts_with(b"-300"));
}

async fn many_round_trips_leave_no_error(wire: Wire) {
    let room = room().await;
    let mut link = room.receiver(wire);
    for round in 0..200u8 {
        let mark = ask_text(&mut *link, &format!("*ESE {round};*ESE?")).await;
        assert_eq!(mark, round.to_string());
        link.send(b"*ESE 0").await.expect("send");
    }
    assert_eq!(ask_text(&mut *link, "SYST:ERR?").await, "0,\"No error\"");
}

async fn a_second_client_is_refused_in_words(wire: Wire) {
    let options = BenchOptions {
        one_client: true,
        ..BenchOptions::default()
    };
    let room = Room::open(options).await;
    let mut first = room.receiver(wire);
    assert_eq!(ask_text(&mut *first, "*IDN?").await, IDENTITY);
    let mut second = room.receiver(wire);
    let talk = async {
        second.send(b"*IDN?").await?;
        second.receive().await
    };
    let said = tokio::time::timeout(HANGS, talk)
        .await
        .expect("seen")
        .expect_err("refused")
        .to_string();
    let wanted = match wire {
        Wire::Tcp => "closed the connection",
        Wire::Serial => "cannot reach",
        Wire::Hislip => "another client is served",
        Wire::Vxi11 | Wire::Usbtmc => "no room for another client",
    };
    // A raw socket that is closed on us may also be seen as a reset.
    assert!(
        said.contains(wanted) || (wire == Wire::Tcp && said.contains("failed")),
        "{said}"
    );
    assert_eq!(ask_text(&mut *first, "*IDN?").await, IDENTITY);
}

macro_rules! over {
    ($module:ident, $wire:expr, $($case:ident),+) => {
        mod $module {
            $(
                #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
                async fn $case() {
                    super::$case($wire).await;
                }
            )+
        }
    };
}

macro_rules! over_each {
    ($($module:ident: $wire:expr),+) => {
        $(over!($module, $wire,
            identify,
            long_block_with_newlines,
            a_late_answer_is_not_the_next_one,
            clear_forgets_what_was_asked,
            closing_by_the_other_end_is_seen,
            several_answers_in_one_message,
            a_long_command_arrives_whole,
            the_status_byte_where_there_is_one,
            many_round_trips_leave_no_error
        );)+
    };
}

over_each!(
    tcp: crate::bench::Wire::Tcp,
    serial: crate::bench::Wire::Serial,
    hislip: crate::bench::Wire::Hislip,
    vxi11: crate::bench::Wire::Vxi11,
    usbtmc: crate::bench::Wire::Usbtmc
);

#[tokio::test]
async fn a_second_client_is_refused() {
    for wire in [Wire::Tcp, Wire::Serial, Wire::Hislip, Wire::Vxi11] {
        a_second_client_is_refused_in_words(wire).await;
    }
}

#[tokio::test]
async fn an_instrument_that_is_not_there_is_said() {
    let room = room().await;
    let other = room
        .bench
        .addresses()
        .receiver
        .vxi11
        .replace("inst0", "inst7");
    let mut link = link(&other.parse().expect("address"), framing());
    let said = link.send(b"*IDN?").await.expect_err("none").to_string();
    assert!(said.contains("no such instrument"), "{said}");
    // Another protocol at the port is told apart from silence.
    let tcp = room
        .bench
        .addresses()
        .receiver
        .hislip
        .replace("hislip://", "tcp://");
    let tcp = tcp.trim_end_matches("/hislip0").to_owned();
    let mut wrong = muffle::link::link(&tcp.parse().expect("address"), framing());
    wrong.send(b"*IDN?*IDN?*IDN?*IDN?").await.expect("send");
    let said = tokio::time::timeout(HANGS, wrong.receive())
        .await
        .expect("seen");
    assert!(said.is_err());
}
