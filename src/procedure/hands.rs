//! What a person is asked to do, in words that every front shows alike.

use crate::station::{Placement, State};

/// What has to be done so that `placement` stands. `antennas` is how they are known to stand: only what changes is
/// asked for.
pub fn request(placement: &Placement, antennas: Option<&str>) -> String {
    let turn = match antennas == Some(placement.polarisation.as_str()) {
        true => String::new(),
        false => format!(" Antennas {}.", placement.polarisation),
    };
    match &placement.item {
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

/// Someone's own words, so that they cannot disturb a terminal.
fn shown(text: &str) -> String {
    text.replace(char::is_control, "\u{fffd}")
}
