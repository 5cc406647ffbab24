//! The maths: from traces to a point that can be signed. Pure: no I/O, no clock, no async.
//!
//! A reading is the peak of a trace in a window around the test frequency ([`trace`]). Whether it is a
//! signal is decided against the floor, the same trace taken with the source off ([`floor`]), by the
//! statistics of peak-held noise with a carrier in it ([`noise`], on [`rice`]), or where those do not fit by what
//! the floor itself shows ([`picks`]). Two readings make an SE
//! with an uncertainty after the GUM ([`budget`]), held against a limit line ([`limit`]) by a decision
//! rule ([`verdict`]); [`point`] does all of it for one point. [`flag`] lists what can spoil one.
//! [`closing`] shares out the frequencies of a sealed run among closings of the item.
//!
//! Many results make a statement about more than one item: a lot is judged by attributes ([`lot`]) or by
//! variables ([`tolerance`]), lower bounds staying bounds ([`censored`]); runs, items and models are
//! compared ([`compare`]), an item is followed over events ([`trend`]), the station over time ([`chart`])
//! and its method over closings and operators ([`gauge`]).
//!
//! Units: hertz, dBm and dB as plain numbers with the unit as last part of the name.

pub mod average;
pub mod budget;
pub mod censored;
pub mod chart;
pub mod closing;
pub mod compare;
#[cfg(test)]
mod coverage;
mod distribution;
pub mod flag;
pub mod floor;
pub mod forecast;
pub mod gauge;
pub mod hand;
pub mod holds;
pub mod limit;
pub mod lot;
pub mod noise;
pub mod picks;
pub mod point;
pub mod rice;
pub mod schedule;
pub mod shield;
pub mod tolerance;
pub mod trace;
pub mod trend;
pub mod tuning;
pub mod verdict;

/// The version of the arithmetic. Stored with every result: it changes when a result could.
pub const ANALYSIS_VERSION: u32 = 3;

/// The middle one of the finite values, of two the higher; `None` of none.
pub fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().filter(|it| it.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// Why a number could not be worked out.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AnalysisError {
    /// A trace that is no trace.
    #[error("the trace from {start_hz} Hz to {stop_hz} Hz cannot be used: {reason}")]
    TraceNotUsable {
        /// First frequency, Hz.
        start_hz: f64,
        /// Last frequency, Hz.
        stop_hz: f64,
        /// What is wrong with it.
        reason: String,
    },
    /// The frequency asked for is not in the trace.
    #[error(
        "{frequency_hz} Hz lies outside the trace from {start_hz} Hz to {stop_hz} Hz; read a trace that spans it"
    )]
    OutsideTrace {
        /// The frequency looked for, Hz.
        frequency_hz: f64,
        /// First frequency, Hz.
        start_hz: f64,
        /// Last frequency, Hz.
        stop_hz: f64,
    },
    /// A test frequency that no closing can hold.
    #[error("{frequency_hz} Hz cannot be measured sealed: {reason}")]
    NoClosing {
        /// Which, Hz.
        frequency_hz: f64,
        /// Why not, and what to do.
        reason: String,
    },
    /// Fewer closings asked for than can be made.
    #[error(
        "{needed} closings are needed even if harmonics may collide, more than `closings_max = {most}`; raise it, or give fewer frequencies"
    )]
    TooFewClosings {
        /// As many as were allowed.
        most: usize,
        /// As many as it takes.
        needed: usize,
    },
    /// A limit line that cannot be interpolated.
    #[error("limit line, point {number}: {reason}")]
    LimitNotUsable {
        /// Which point, counted from one.
        number: usize,
        /// What is wrong with it.
        reason: &'static str,
    },
    /// A statistic asked of data, or with settings, that cannot give it.
    #[error("{what} cannot be worked out: {reason}")]
    NotPossible {
        /// What was asked for.
        what: &'static str,
        /// Why it cannot be had.
        reason: String,
    },
}

/// The level of what is left of `total_dbm` without `part_dbm`, where powers add; minus infinity when
/// nothing is left.
pub(crate) fn subtract_power_dbm(total_dbm: f64, part_dbm: f64) -> f64 {
    let left = 1.0 - 10f64.powf((part_dbm - total_dbm) / 10.0);
    total_dbm + 10.0 * left.max(0.0).log10()
}
