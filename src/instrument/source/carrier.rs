//! What a source had while its output was on, held against what it was told.

use serde_json::{Value, json};

use super::super::InstrumentError;
use super::super::receiver::number;
use super::super::session::{Notes, Say, Session, ask};
use crate::config::{CarrierQueries, CarrierReadback};
use crate::quantity::{Frequency, Level, Ratio};

/// Differences of rounding in binary do not count.
const ROUNDING: f64 = 1e-9;

/// What a source says of its output.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarrierState {
    /// Whether it is on.
    pub on: bool,
    /// Its frequency, where it can be asked.
    pub frequency: Option<Frequency>,
    /// Its level, where it can be asked.
    pub level: Option<Level>,
    /// Its status register, where the driver names one.
    pub status: Option<u32>,
}

/// Whether the carrier was there when a reading ended.
#[derive(Debug, Clone, PartialEq)]
pub enum Carrier {
    /// As it was set.
    Proven(CarrierState),
    /// Not as it was set: what was read meanwhile proves nothing.
    Lost {
        /// What the source said.
        state: CarrierState,
        /// Everything that was not as set.
        reason: String,
        /// By how much the level differed, where it did.
        level_off: Option<Ratio>,
    },
    /// On, and nothing more can be asked.
    Unverified {
        /// Why not, as the driver says.
        reason: String,
    },
}

impl Carrier {
    /// Of a source that was not switched on.
    pub(super) fn never_on(state: CarrierState) -> Self {
        Self::Lost {
            state,
            reason: "it had not been switched on".to_owned(),
            level_off: None,
        }
    }

    /// Why what was read meanwhile proves nothing; none where it does.
    pub fn lost(&self) -> Option<&str> {
        match self {
            Self::Lost { reason, .. } => Some(reason),
            Self::Proven(_) | Self::Unverified { .. } => None,
        }
    }

    /// The level that was asked for and is sent, as the source says.
    pub fn level(&self) -> Option<Level> {
        match self {
            Self::Proven(state) => state.level,
            Self::Lost { .. } | Self::Unverified { .. } => None,
        }
    }

    /// As it is kept with a reading, under `carrier`.
    pub fn json(&self) -> Value {
        let values = |state: &CarrierState| {
            json!({
                "verified": true,
                "on": state.on,
                "frequency_hz": state.frequency.map(Frequency::hz),
                "level_dbm": state.level.map(Level::dbm),
                "status": state.status,
            })
        };
        match self {
            Self::Proven(state) => values(state),
            Self::Lost {
                state,
                reason,
                level_off,
            } => {
                let mut kept = values(state);
                kept["verified"] = json!(false);
                kept["reason"] = json!(reason);
                kept["level_off_db"] = json!(level_off.map(Ratio::db));
                kept
            }
            Self::Unverified { reason } => json!({ "verified": false, "reason": reason }),
        }
    }
}

impl CarrierReadback {
    /// All that is asked besides whether the output is on.
    pub(super) fn questions(&self) -> Vec<Say> {
        let Self::Asked(words) = self else {
            return Vec::new();
        };
        let status = words.status.as_ref().map(|bits| ask(&bits.query));
        let both = [ask(&words.frequency), ask(&words.level)];
        both.into_iter().chain(status).collect()
    }
}

/// From the last answers to [`CarrierReadback::questions`].
pub(super) fn state(
    session: &Session,
    readback: &CarrierReadback,
    on: bool,
    answers: &[Vec<u8>],
) -> Result<CarrierState, InstrumentError> {
    let mut state = CarrierState {
        on,
        frequency: None,
        level: None,
        status: None,
    };
    let CarrierReadback::Asked(words) = readback else {
        return Ok(state);
    };
    let first = answers.len().saturating_sub(readback.questions().len());
    let answer = |index: usize| answers.get(first + index).map_or(&[][..], Vec::as_slice);
    let frequency = frequency(answer(0), words.frequency_unit)
        .ok_or_else(|| session.answer_error(&words.frequency.text(), answer(0), "a frequency"))?;
    state.frequency = Some(frequency);
    state.level = Some(level(session, words, answer(1))?);
    if let Some(bits) = &words.status {
        state.status = Some(session.register(&bits.query, answer(2))?);
    }
    Ok(state)
}

/// Bare numbers are in the driver's unit.
fn frequency(answer: &[u8], unit: Frequency) -> Option<Frequency> {
    let text = std::str::from_utf8(answer).ok()?.trim();
    let hz = match text.parse::<f64>() {
        Ok(bare) => bare * unit.hz(),
        Err(_) => number(text)?,
    };
    hz.is_finite().then(|| Frequency::from_hz(hz))
}

pub(super) fn level(
    session: &Session,
    words: &CarrierQueries,
    answer: &[u8],
) -> Result<Level, InstrumentError> {
    let dbm = std::str::from_utf8(answer).ok().and_then(number);
    dbm.map(Level::from_dbm)
        .ok_or_else(|| session.answer_error(&words.level.text(), answer, "a level in dBm"))
}

pub(super) fn refuse_too_strong(
    words: &CarrierQueries,
    permitted: Level,
    got: Level,
) -> Result<(), InstrumentError> {
    match (got - permitted).db() <= words.tolerance.level.db() + ROUNDING {
        true => Ok(()),
        false => Err(InstrumentError::TooStrong { permitted, got }),
    }
}

/// Holds what a source says against what it was told.
pub(super) fn judge(
    readback: &CarrierReadback,
    (frequency, level): (Frequency, Level),
    state: CarrierState,
    notes: &Notes,
) -> Result<Carrier, InstrumentError> {
    let mut reasons = Vec::new();
    let mut level_off = None;
    if notes.restarted {
        reasons.push("it was switched off and on".to_owned());
    }
    if !state.on {
        reasons.push("its output was off".to_owned());
    }
    if let CarrierReadback::Asked(words) = readback {
        if let Some(got) = state.level {
            // One that has reset itself may say anything: it is off.
            if state.on {
                refuse_too_strong(words, level, got)?;
            }
            if (got - level).db().abs() > words.tolerance.level.db() + ROUNDING {
                reasons.push(format!("its level was {got} where {level} was set"));
                level_off = Some(got - level);
            }
        }
        let allowed_hz = words.tolerance.frequency_hz(frequency) + ROUNDING;
        if let Some(got) = state.frequency
            && (got.hz() - frequency.hz()).abs() > allowed_hz
        {
            reasons.push(format!("its frequency was {got} where {frequency} was set"));
        }
        if let (Some(bits), Some(got)) = (&words.status, state.status)
            && got & bits.mask != 0
        {
            reasons.push(format!("`{}` gave {got}", bits.query.text()));
        }
    }
    reasons.extend(
        notes
            .errors
            .iter()
            .map(|error| format!("it reported {error}")),
    );
    Ok(match (reasons.is_empty(), readback) {
        (false, _) => Carrier::Lost {
            state,
            reason: reasons.join(", "),
            level_off,
        },
        (true, CarrierReadback::Asked(_)) => Carrier::Proven(state),
        (true, CarrierReadback::None { reason }) => Carrier::Unverified {
            reason: reason.clone(),
        },
    })
}
