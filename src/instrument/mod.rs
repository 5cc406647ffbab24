//! A source and a receiver: a driver file spoken over a link.
//!
//! `session` holds the conversation and keeps it in step; [`Source`] and
//! [`Receiver`] say the words of their role. One task owns each instrument and everyone else holds a
//! [`Handle`], so that a conversation runs to its end even when whoever asked has gone.

mod handle;
mod power_monitor;
mod receiver;
mod rehearse;
mod session;
mod source;
mod trace;

use std::time::Duration;

pub use handle::Handle;
pub use power_monitor::PowerMonitor;
pub use receiver::{
    Difference, Figure, Held, HoldProof, Receiver, ReceiverSettings, ReceiverState,
};
pub use rehearse::{Rehearsal, Tried, rehearse};
pub use source::{Carrier, CarrierState, Permit, Source};

use crate::link::LinkError;
use crate::quantity::{Level, Time};

/// Why an instrument did not do what it was told. Every variant names the instrument by its role.
#[derive(Debug, thiserror::Error)]
pub enum InstrumentError {
    /// The link failed.
    #[error("{instrument}: {cause}")]
    Link {
        /// `source` or `receiver`.
        instrument: &'static str,
        /// What failed.
        cause: LinkError,
    },
    /// No answer in time.
    #[error(
        "{instrument}: no answer to `{command}` within {deadline:?}; check that it is on and not waiting at its front panel"
    )]
    Silent {
        /// `source` or `receiver`.
        instrument: &'static str,
        /// What was sent.
        command: String,
        /// How long was waited.
        deadline: Duration,
    },
    /// The conversation could not be brought in step again.
    #[error(
        "{instrument}: its answers do not match the questions any more (`{sent}` gave {got:?}); switch it off and on"
    )]
    OutOfStep {
        /// `source` or `receiver`.
        instrument: &'static str,
        /// The query that proves it.
        sent: String,
        /// What came.
        got: String,
    },
    /// The instrument says it made an error.
    #[error("{instrument}: `{command}` was answered with {}", errors.join(", "))]
    Reported {
        /// `source` or `receiver`.
        instrument: &'static str,
        /// What was sent since the last check.
        command: String,
        /// The entries of its error queue.
        errors: Vec<String>,
    },
    /// The instrument was switched off and on meanwhile.
    #[error(
        "{instrument}: it was switched off and on, or lost its power; what was being read is thrown away and its settings are sent anew"
    )]
    Restarted {
        /// `source` or `receiver`.
        instrument: &'static str,
    },
    /// Another instrument than the one that is meant.
    #[error(
        "{instrument} at {address} says it is {got:?}, which does not match `{wanted}`; nothing was switched on. Correct the address, or `identity` in the station file"
    )]
    WrongIdentity {
        /// `source` or `receiver`.
        instrument: &'static str,
        /// Where.
        address: String,
        /// The pattern.
        wanted: String,
        /// What it answered.
        got: String,
    },
    /// Another instrument than the one that answered before.
    #[error(
        "{instrument} at {address}: now {got} answers, and before it was {was}. What was measured with one does not belong with the other: connect the first one again, or measure anew from the reference on"
    )]
    OtherInstrument {
        /// `source` or `receiver`.
        instrument: &'static str,
        /// Where.
        address: String,
        /// Who answered before.
        was: String,
        /// Who answers now.
        got: String,
    },
    /// Another client has the instrument's lock.
    #[error(
        "{instrument}: another client holds its lock (`{command}` gave {got:?}); end the program that drives it, or free it at its front panel, then try again"
    )]
    Locked {
        /// `source` or `receiver`.
        instrument: &'static str,
        /// What was asked.
        command: String,
        /// What came.
        got: String,
    },
    /// An answer that cannot be understood.
    #[error("{instrument}: `{command}` gave {got:?}, which is not {wanted}")]
    Answer {
        /// `source` or `receiver`.
        instrument: &'static str,
        /// What was asked.
        command: String,
        /// What came, shortened.
        got: String,
        /// What was expected.
        wanted: &'static str,
    },
    /// A trace of another length than was set.
    #[error(
        "receiver: a trace of {got} points where {wanted} were set; correct `points` in the plan, or the driver's `encoding`"
    )]
    Points {
        /// Points set.
        wanted: u32,
        /// Points there.
        got: usize,
    },
    /// Settings that the receiver did not take as they were sent.
    #[error(
        "receiver: it has {differences}; ask in the plan for what it has, or let it by `accept_adjusted = true` (what it has is then used and said). If nobody asked it to, another program drives it"
    )]
    Adjusted {
        /// Each with both values.
        differences: String,
    },
    /// Somebody else changed the settings while the trace was taken.
    #[error(
        "receiver: while the trace was taken somebody else changed its settings ({differences}); the reading is thrown away. End the other program that drives it"
    )]
    Changed {
        /// Each with both values.
        differences: String,
    },
    /// A sealed receiver that is not as it was armed.
    #[error(
        "receiver: it is not as it was armed ({differences}): it lost its power, somebody operated it, or another program drives it; what it held proves nothing"
    )]
    NotArmed {
        /// Each with both values.
        differences: String,
    },
    /// A sealed receiver whose hold has fewer sweeps than must have passed.
    #[error(
        "receiver: its hold has {sweeps} sweeps where at least {wanted} of {sweep} each must have passed since it was armed: the hold was begun anew meanwhile, or its sweeps take longer; if this comes again, write `sweep_time = \"{longer}\"` into the plan"
    )]
    SweepsMissing {
        /// What it says.
        sweeps: u32,
        /// What must be there.
        wanted: u32,
        /// How long a sweep was taken to be.
        sweep: Time,
        /// How long it is by that count.
        longer: Time,
    },
    /// A plan that takes a sweep to be shorter than the receiver says.
    #[error(
        "receiver: a sweep takes {sweep}, and the plan's `sweep_time` says {planned}; carriers would go before a sweep has passed over them. Write at least {sweep}, or leave `sweep_time` out"
    )]
    SweepTime {
        /// What the plan says.
        planned: Time,
        /// What the receiver says.
        sweep: Time,
    },
    /// Levels in another unit than dBm.
    #[error(
        "receiver: its levels are in {unit}, and not in dBm; nothing is read from them. Set the unit in the driver's `start` (such as `UNIT:POW DBM`), and end other programs that drive it"
    )]
    TraceUnit {
        /// The unit, in the receiver's word.
        unit: String,
    },
    /// A level that is no number.
    #[error("receiver: point {index} of the trace is {got:?}, which is not a level")]
    NotALevel {
        /// From 1.
        index: usize,
        /// What stands there.
        got: String,
    },
    /// The source cannot be seen to be off.
    #[error(
        "source: told to switch its output off, it still answers {got:?}; SWITCH IT OFF BY HAND"
    )]
    StaysOn {
        /// Its answer.
        got: String,
    },
    /// The source says that its level is higher than it may be.
    #[error(
        "source: it says that its level is {got} where {permitted} is permitted, so its output is switched off; check the unit of levels in its driver (`start`, `set.level`), and that nobody else sets it"
    )]
    TooStrong {
        /// What it may be.
        permitted: Level,
        /// What it says.
        got: Level,
    },
    /// A driver without the words for the sealed arrangement, which the plan's own check refuses.
    #[error(
        "receiver: its driver `{driver}` has no table [sealed]; measure with `arrangement = \"linked\"`"
    )]
    CannotBeSealed {
        /// The driver's name.
        driver: String,
    },
    /// The task that owns the instrument has ended.
    #[error("{instrument}: its task has ended; see the log")]
    Gone {
        /// `source` or `receiver`.
        instrument: &'static str,
    },
}

impl InstrumentError {
    /// Which instrument: `source` or `receiver`.
    pub fn instrument(&self) -> &'static str {
        match self {
            Self::Link { instrument, .. }
            | Self::Silent { instrument, .. }
            | Self::OutOfStep { instrument, .. }
            | Self::Reported { instrument, .. }
            | Self::Restarted { instrument, .. }
            | Self::WrongIdentity { instrument, .. }
            | Self::OtherInstrument { instrument, .. }
            | Self::Locked { instrument, .. }
            | Self::Answer { instrument, .. }
            | Self::Gone { instrument } => instrument,
            Self::Points { .. }
            | Self::NotALevel { .. }
            | Self::Adjusted { .. }
            | Self::Changed { .. }
            | Self::NotArmed { .. }
            | Self::SweepsMissing { .. }
            | Self::SweepTime { .. }
            | Self::TraceUnit { .. }
            | Self::CannotBeSealed { .. } => "receiver",
            Self::StaysOn { .. } | Self::TooStrong { .. } => "source",
        }
    }
}
