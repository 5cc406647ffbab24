//! Shielding theory, and what a measured curve says in its terms.
//!
//! A number alone does not tell whether it is plausible, where the item leaks, what a second layer would
//! add or what would get in. Each function here answers one such question from the published theory and
//! returns, with the value, where the formula comes from and where it holds; asked outside that, it
//! refuses and names the limit. Nothing here replaces a measurement.

pub mod aperture;
pub mod ask;
pub mod cavity;
pub mod curve;
pub mod design;
pub mod explain;
pub mod field;
mod fit;
pub mod layers;
pub mod leak;
pub mod pulse;
#[cfg(test)]
mod recovery;
mod say;
pub mod sheet;
pub mod shell;
pub mod stack;
pub mod theory;

use serde::Serialize;

/// Speed of light in vacuum, m/s (exact by definition of the metre).
pub const LIGHT_M_PER_S: f64 = 299_792_458.0;
/// Magnetic constant, H/m (4π·10⁻⁷, within 10⁻⁹ of the present SI value).
pub const MU_0: f64 = 4e-7 * std::f64::consts::PI;
/// Electric constant, F/m, consistent with [`MU_0`] and [`LIGHT_M_PER_S`].
pub const EPSILON_0: f64 = 1.0 / (MU_0 * LIGHT_M_PER_S * LIGHT_M_PER_S);
/// Wave impedance of free space, ohm (376.730 313…).
pub const Z_0: f64 = MU_0 * LIGHT_M_PER_S;
/// Decibels in one neper: 20 lg e.
pub const DB_PER_NEPER: f64 = 20.0 * std::f64::consts::LOG10_E;

/// Where a formula comes from and where it holds; goes with every result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Basis {
    /// The published source of the formula.
    pub source: &'static str,
    /// Where it holds, in words.
    pub validity: &'static str,
}

/// Why theory gives no answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ShieldError {
    /// The formula does not hold for what was asked.
    #[error("{what} is {given}, outside where this holds: {limit}")]
    Outside {
        /// The quantity that is out of range.
        what: &'static str,
        /// Its value with unit.
        given: String,
        /// The limit, and what to do instead where there is something.
        limit: String,
    },
    /// Zero, negative or not a number where only a positive number makes sense.
    #[error("{what} must be a positive finite number, not {given}")]
    NotPositive {
        /// The quantity.
        what: &'static str,
        /// What was given, in the base unit.
        given: f64,
    },
    /// Too little to work with.
    #[error("{what}: {given} given, at least {needed} needed")]
    TooFew {
        /// What there is too little of.
        what: &'static str,
        /// How many came.
        given: usize,
        /// How many it takes.
        needed: usize,
    },
    /// A point of a measured curve that cannot be used.
    #[error("point {index} of the curve ({frequency_hz} Hz): {reason}")]
    BadPoint {
        /// Its place in the list, from 0.
        index: usize,
        /// Its frequency.
        frequency_hz: f64,
        /// What is wrong with it.
        reason: &'static str,
    },
}

/// Passes a positive finite number through.
fn positive(what: &'static str, given: f64) -> Result<f64, ShieldError> {
    match given.is_finite() && given > 0.0 {
        true => Ok(given),
        false => Err(ShieldError::NotPositive { what, given }),
    }
}

/// 20 lg of a magnitude.
fn db20(magnitude: f64) -> f64 {
    20.0 * magnitude.log10()
}

#[cfg(test)]
mod check {
    //! Comparison with check values; the source is named at each call.

    /// Fails unless `got` is within `tolerance` of `want`.
    #[track_caller]
    pub fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
    }

    /// Fails unless `got` is within the relative `tolerance` of `want`.
    #[track_caller]
    pub fn near_rel(got: f64, want: f64, tolerance: f64) {
        near(got, want, tolerance * want.abs());
    }
}
