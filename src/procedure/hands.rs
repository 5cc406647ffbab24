//! What a person is asked to do, in words that every front shows alike.

use crate::station::{Placement, State};

/// What has to be done so that `placement` stands. `antennas` is how they are known to stand: only what changes is
/// asked for. With a `recorder` the receiver is not connected to anything, and an open item is not the end.
pub fn request(placement: &Placement, antennas: Option<&str>, recorder: bool) -> String {
    let turn = match antennas == Some(placement.polarisation.as_str()) {
        true => String::new(),
        false => format!(" Antennas {}.", placement.polarisation),
    };
    match &placement.item {
        None if recorder => format!(
            "Take everything out of the way between the antennas, the receiver and its recorder in their place, `muffle record` running.{turn}"
        ),
        Some(item) if recorder && placement.state == State::Open => format!(
            "Put the receiver and its recorder into {}, or see that they are there, `muffle record` running; leave it open, its {} to the transmit antenna, and step back.{turn}",
            shown(item),
            shown(&placement.face)
        ),
        Some(item) if recorder => format!(
            "See that `muffle record` is running, leave it in {} with the receiver, close it, turn its {} to the transmit antenna.{turn} Be quick: the timetable goes on.",
            shown(item),
            shown(&placement.face)
        ),
        None => format!("Take everything out of the way between the antennas.{turn}"),
        Some(item) if placement.state == State::Open => format!(
            "Open {}, with the receiver in it, and connect the receiver.",
            shown(item)
        ),
        Some(item) if placement.state == State::Sealed => format!(
            "The receiver is armed. Disconnect it, leave it in {}, close it, turn its {} to the transmit antenna.{turn}",
            shown(item),
            shown(&placement.face)
        ),
        Some(item) => format!(
            "Put the receiver (or its antenna) into {}, close it, turn its {} to the transmit antenna.{turn}{}",
            shown(item),
            shown(&placement.face),
            match placement.repeat {
                1 => String::new(),
                n => format!(" Closing {n}: open it and close it anew."),
            }
        ),
    }
}

/// Whether something is sent once `placement` stands: nothing is while an item is open, but for the markers that a
/// recorder waits for.
pub fn transmits(placement: &Placement, recorder: bool) -> bool {
    recorder || placement.item.is_none() || placement.state != State::Open
}

/// Someone's own words, so that they cannot disturb a terminal.
fn shown(text: &str) -> String {
    text.replace(char::is_control, "\u{fffd}")
}
