//! A measured shielding curve as theory takes it in: values where measured, bounds where only bounded.

use serde::Serialize;

use super::ShieldError;

/// Whether a point is a value or a bound.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PointKind {
    /// The SE itself.
    Measured,
    /// The SE is at least this much.
    AtLeast,
}

/// One point of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CurvePoint {
    /// Frequency.
    pub frequency_hz: f64,
    /// SE, or the bound on it.
    pub se_db: f64,
    /// Standard (not expanded) uncertainty.
    pub u_db: f64,
    /// Value or bound.
    pub kind: PointKind,
    /// Reference minus floor there, where known: what the set-up could have seen.
    pub dynamic_range_db: Option<f64>,
}

/// No instrument tells apart more than a small part of this.
const LARGEST_DB: f64 = 1000.0;

/// The curve in ascending frequency, every number checked.
///
/// # Errors
/// For fewer points than needed and for numbers that cannot be: not finite, frequency or uncertainty not
/// positive (a bound's uncertainty may be zero).
pub(super) fn checked(
    points: &[CurvePoint],
    needed: usize,
) -> Result<Vec<CurvePoint>, ShieldError> {
    if points.len() < needed {
        return Err(ShieldError::TooFew {
            what: "points of the curve",
            given: points.len(),
            needed,
        });
    }
    let real = |db: f64| db.abs() <= LARGEST_DB;
    for (index, point) in points.iter().enumerate() {
        let range_is_real = point.dynamic_range_db.is_none_or(real);
        let reason = match point {
            p if !(p.frequency_hz > 0.0 && p.frequency_hz.is_finite()) => "frequency not positive",
            p if !real(p.se_db) => "SE not a number within ±1000 dB",
            p if !(p.u_db >= 0.0 && real(p.u_db)) => "uncertainty negative or not a number",
            p if p.u_db == 0.0 && p.kind == PointKind::Measured => {
                "a measured value needs an uncertainty"
            }
            _ if !range_is_real => "dynamic range not a number within ±1000 dB",
            _ => continue,
        };
        return Err(ShieldError::BadPoint {
            index,
            frequency_hz: point.frequency_hz,
            reason,
        });
    }
    let mut sorted = points.to_vec();
    sorted.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    Ok(sorted)
}
