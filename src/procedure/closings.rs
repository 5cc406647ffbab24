//! The closings of a sealed plan at a station: which frequencies share one, and how the receiver is set for it.
//! The procedure makes them; the forecast says beforehand what they show.

use std::collections::HashMap;

use super::beside::may_be_sent;
use super::receiver_settings;
use crate::analysis::AnalysisError;
use crate::analysis::closing::{Closing, Setup, Wanted, closings};
use crate::config::{Plan, Station};
use crate::instrument::ReceiverSettings;
use crate::quantity::Frequency;

/// How far the floor of the reference must lie below what the limit asks for, dB (ORACLES E5, from memory).
pub(super) const SEEN_DB: f64 = 6.0;

/// A closing and how the receiver is set for it.
#[derive(Debug, Clone)]
pub(super) struct Planned {
    pub closing: Closing,
    pub receiver: ReceiverSettings,
    /// Where the first carrier is sent once more, as the last: both must read alike. None where it cannot be.
    pub again: Option<Frequency>,
}

impl Planned {
    /// How often a carrier is on.
    pub(super) fn stays(&self) -> usize {
        self.closing.frequencies_hz.len() + usize::from(self.again.is_some())
    }
}

/// The closings of a plan: with an item, or in the open. `room` says by how much the floor may rise at a
/// frequency (by its bits). Frequencies for which the plan sets the receiver in another way cannot share
/// one. Where the plan allows fewer than keep harmonics apart, they are not.
pub(super) fn planned(
    plan: &Plan,
    station: &Station,
    room: &HashMap<u64, f64>,
    item: bool,
) -> Result<Vec<Planned>, AnalysisError> {
    let apart = shared_out(plan, station, room, item, true)?;
    let most = plan.closings_max.map(|most| most as usize);
    let Some(most) = most.filter(|most| apart.len() > *most) else {
        return Ok(apart);
    };
    let together = shared_out(plan, station, room, item, false)?;
    match together.len() {
        needed if needed > most => Err(AnalysisError::TooFewClosings { most, needed }),
        _ => Ok(together),
    }
}

fn shared_out(
    plan: &Plan,
    station: &Station,
    room: &HashMap<u64, f64>,
    item: bool,
    harmonics_apart: bool,
) -> Result<Vec<Planned>, AnalysisError> {
    let mut alike: Vec<(ReceiverSettings, Vec<Wanted>)> = Vec::new();
    for frequency in &plan.frequencies {
        let receiver = ReceiverSettings {
            centre: Frequency::from_hz(0.0),
            ..receiver_settings(plan, *frequency, item)
        };
        let wanted = Wanted {
            frequency_hz: frequency.hz(),
            room_db: room.get(&frequency.hz().to_bits()).copied(),
        };
        match alike.iter_mut().find(|(known, _)| *known == receiver) {
            Some((_, group)) => group.push(wanted),
            None => alike.push((receiver, vec![wanted])),
        }
    }
    let mut planned = Vec::new();
    for (receiver, wanted) in &alike {
        let setup = setup(station, receiver, harmonics_apart);
        let allowed = |hz| may_be_sent(plan, station, Frequency::from_hz(hz));
        let shared = closings(wanted, &setup)?;
        planned.extend(shared.into_iter().map(|closing| Planned {
            again: setup.again_hz(&closing, allowed).map(Frequency::from_hz),
            receiver: ReceiverSettings {
                centre: Frequency::from_hz(0.5 * (closing.start_hz + closing.stop_hz)),
                span: Frequency::from_hz(closing.stop_hz - closing.start_hz),
                ..*receiver
            },
            closing,
        }));
    }
    Ok(planned)
}

fn setup(station: &Station, receiver: &ReceiverSettings, harmonics_apart: bool) -> Setup {
    let (low, high) = station.receiver_frequency;
    let rbw_hz = receiver.resolution_bandwidth.hz();
    Setup {
        points: receiver.points,
        rbw_hz,
        slower_hz: receiver
            .video_bandwidth
            .map_or(rbw_hz, |video| video.hz().min(rbw_hz)),
        tolerance: station.frequency_tolerance,
        range_hz: (low.hz(), high.hz()),
        sweeps: receiver.sweeps,
        dwell_max_s: station.safety.watch_acts().as_secs_f64(),
        harmonics_apart,
    }
}
