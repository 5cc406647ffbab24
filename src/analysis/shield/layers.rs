//! Two items nested: what the pair would give, from their measured curves.
//!
//! The decibels of the two do not simply add. Waves between the layers go to and fro, so the pair transmits
//! tA·tB/(1 − rA·rB·e^(−2jθ)): above the sum when the gap is a quarter wave, and little more than
//! both in parallel when it is small or half a wave. The reflection is taken as that of a conductive
//! layer, r = 1 − t, which is the only thing that SE alone allows to say. From theory, with materials known,
//! [`super::stack::over_spacing`] gives the same bracket for any number of layers.

use serde::Serialize;
use std::f64::consts::PI;

use super::curve::{CurvePoint, PointKind, checked};
use super::{Basis, LIGHT_M_PER_S, ShieldError, db20, positive};
use crate::quantity::Length;

/// The air between the layers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spacing {
    /// Anything, touching included.
    Any,
    /// Between these two.
    Between {
        /// Shortest distance.
        shortest: Length,
        /// Longest distance.
        longest: Length,
    },
}

/// The pair at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PairPoint {
    /// Frequency.
    pub frequency_hz: f64,
    /// Outer and inner item alone, interpolated.
    pub first_db: f64,
    /// Whether that is only a lower bound.
    pub first_bounded: bool,
    /// The other.
    pub second_db: f64,
    /// Whether that is only a lower bound.
    pub second_bounded: bool,
    /// Least over the spacings; a lower bound where either item is only bounded.
    pub worst_db: f64,
    /// Most over the spacings; `None` where either item is only bounded.
    pub best_db: Option<f64>,
    /// The two added, for comparison only: not a prediction.
    pub sum_db: f64,
    /// Standard uncertainty that the curves bring to both ends.
    pub u_db: f64,
    /// Whether `worst_db` is itself only a lower bound.
    pub bounded: bool,
    /// What is required, where a limit was given.
    pub limit_db: Option<f64>,
    /// Whether the pair stays above the limit whatever the spacing, with two standard uncertainties kept.
    pub above_limit: Option<bool>,
}

/// A pair of nested items.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    /// By frequency, over the range both curves cover.
    pub points: Vec<PairPoint>,
    /// Frequency ranges in which it stays above the limit.
    pub above_limit_hz: Vec<(f64, f64)>,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// A measured point of the pair beside its bracket.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PairCheck {
    /// Frequency.
    pub frequency_hz: f64,
    /// What was measured with both in place, value or bound.
    pub measured_db: f64,
    /// Value or bound.
    pub kind: PointKind,
    /// The bracket's ends.
    pub worst_db: f64,
    /// Whether `worst_db` is itself only a lower bound.
    pub bounded: bool,
    /// `None` where open.
    pub best_db: Option<f64>,
    /// Where it lies, two standard uncertainties allowed.
    pub place: Place,
}

/// Where a measurement lies against a bracket.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// Worse than the worst: the openings line up, something resonates, or something else leaks.
    Below,
    /// As expected.
    Inside,
    /// Better than the best: seldom real; look at the set-up.
    Above,
    /// A bound below the bracket's upper end: it says too little.
    CannotTell,
}

const BASIS: Basis = Basis {
    source: "tA tB/(1 - rA rB e^(-2j theta)), transmission line, exact for conductive films with r = 1 - t",
    validity: "both leak as conductive layers lit by a plane wave; openings that line up, a gap that resonates \
               sideways and contact between the items can make it worse than the worst stated, at most down to \
               the better item alone where the gap stays below its own resonance",
};

/// The bracket for two nested items, at every frequency of either curve inside both ranges.
///
/// `limit_db` gives the required SE at a frequency, where there is a limit.
///
/// # Errors
/// For curves of fewer than 2 points or with points that cannot be, curves that do not overlap, a spacing that is none.
pub fn nested(
    first: &[CurvePoint],
    second: &[CurvePoint],
    spacing: Spacing,
    limit_db: Option<&dyn Fn(f64) -> f64>,
) -> Result<Pair, ShieldError> {
    let (first, second) = (checked(first, 2)?, checked(second, 2)?);
    if let Spacing::Between { shortest, longest } = spacing {
        positive("longest spacing", longest.m())?;
        if !(shortest.m() >= 0.0 && shortest.m() <= longest.m()) {
            return Err(ShieldError::Outside {
                what: "shortest spacing",
                given: shortest.to_string(),
                limit: format!("from 0 to the longest, {longest}"),
            });
        }
    }
    let mut frequencies: Vec<f64> = first
        .iter()
        .chain(&second)
        .map(|point| point.frequency_hz)
        .collect();
    frequencies.sort_by(f64::total_cmp);
    frequencies.dedup();
    let points: Vec<PairPoint> = frequencies
        .into_iter()
        .filter_map(|f_hz| {
            Some(pair_point(
                f_hz,
                &at(&first, f_hz)?,
                &at(&second, f_hz)?,
                spacing,
                limit_db,
            ))
        })
        .collect();
    if points.is_empty() {
        return Err(ShieldError::Outside {
            what: "the two curves' common range",
            given: "empty".into(),
            limit: "measure both over one range".into(),
        });
    }
    Ok(Pair {
        above_limit_hz: ranges_above(&points),
        points,
        basis: BASIS,
    })
}

impl Pair {
    /// The nested pair as measured, beside the bracket; points outside its range are left out.
    ///
    /// # Errors
    /// For no points, or points that cannot be.
    pub fn compare(&self, measured: &[CurvePoint]) -> Result<Vec<PairCheck>, ShieldError> {
        let measured = checked(measured, 1)?;
        Ok(measured
            .iter()
            .filter_map(|point| self.check(point))
            .collect())
    }

    fn check(&self, point: &CurvePoint) -> Option<PairCheck> {
        let at = self
            .points
            .partition_point(|pair| pair.frequency_hz < point.frequency_hz);
        let right = self.points.get(at)?;
        let left = match at {
            _ if right.frequency_hz == point.frequency_hz => right,
            0 => return None,
            at => &self.points[at - 1],
        };
        let share = log_share(left.frequency_hz, right.frequency_hz, point.frequency_hz);
        let between = |a: f64, b: f64| a + share * (b - a);
        let worst_db = between(left.worst_db, right.worst_db);
        let best_db = left.best_db.zip(right.best_db).map(|(a, b)| between(a, b));
        let allowed_db = 2.0 * point.u_db.hypot(between(left.u_db, right.u_db));
        let place = match (point.kind, best_db) {
            (PointKind::Measured, _) if point.se_db < worst_db - allowed_db => Place::Below,
            (_, Some(best_db)) if point.se_db > best_db + allowed_db => Place::Above,
            (PointKind::Measured, _) => Place::Inside,
            (PointKind::AtLeast, _) => Place::CannotTell,
        };
        Some(PairCheck {
            frequency_hz: point.frequency_hz,
            measured_db: point.se_db,
            kind: point.kind,
            worst_db,
            bounded: left.bounded || right.bounded,
            best_db,
            place,
        })
    }
}

/// A curve at a frequency inside its range.
struct At {
    se_db: f64,
    u_db: f64,
    bounded: bool,
}

/// Interpolates in log frequency; a bound on either side makes it a bound.
fn at(curve: &[CurvePoint], f_hz: f64) -> Option<At> {
    let right = curve.partition_point(|point| point.frequency_hz < f_hz);
    let b = curve.get(right)?;
    let a = match right {
        _ if b.frequency_hz == f_hz => b,
        0 => return None,
        right => &curve[right - 1],
    };
    let share = log_share(a.frequency_hz, b.frequency_hz, f_hz);
    Some(At {
        se_db: a.se_db + share * (b.se_db - a.se_db),
        u_db: a.u_db.max(b.u_db),
        bounded: a.kind == PointKind::AtLeast || b.kind == PointKind::AtLeast,
    })
}

/// How far `f_hz` lies from `low_hz` to `high_hz` in log frequency, 0 where they are one.
fn log_share(low_hz: f64, high_hz: f64, f_hz: f64) -> f64 {
    if low_hz == high_hz {
        0.0
    } else {
        (f_hz / low_hz).ln() / (high_hz / low_hz).ln()
    }
}

fn pair_point(
    f_hz: f64,
    first: &At,
    second: &At,
    spacing: Spacing,
    limit_db: Option<&dyn Fn(f64) -> f64>,
) -> PairPoint {
    let amplitude = |se_db: f64| 10f64.powf(-se_db.max(0.0) / 20.0);
    let rho = (1.0 - amplitude(first.se_db)) * (1.0 - amplitude(second.se_db));
    let (least, most) = turns(f_hz, spacing);
    // |1 − ρ e^(−2jθ)|² = 1 + ρ² − 2ρ cos 2θ, largest at a quarter wave.
    let factor_db = |cosine: f64| {
        10.0 * ((1.0 - rho).powi(2) + 2.0 * rho * (1.0 - cosine))
            .max(1e-30)
            .log10()
    };
    let sum_db = first.se_db + second.se_db;
    // The worst rises with each item's own SE, so a bound on either stays a bound.
    let worst_db = sum_db + factor_db(most);
    let bounded = first.bounded || second.bounded;
    let u_db = first.u_db.hypot(second.u_db);
    let limit_db = limit_db.map(|limit| limit(f_hz));
    PairPoint {
        frequency_hz: f_hz,
        first_db: first.se_db,
        first_bounded: first.bounded,
        second_db: second.se_db,
        second_bounded: second.bounded,
        worst_db,
        best_db: (!bounded).then(|| sum_db + factor_db(least)),
        sum_db,
        u_db,
        bounded,
        limit_db,
        above_limit: limit_db.map(|limit_db| worst_db - 2.0 * u_db >= limit_db),
    }
}

/// Least and greatest cos 2θ over the spacings.
fn turns(f_hz: f64, spacing: Spacing) -> (f64, f64) {
    let Spacing::Between { shortest, longest } = spacing else {
        return (-1.0, 1.0);
    };
    let [from, to] = [shortest, longest].map(|d| 4.0 * PI * f_hz * d.m() / LIGHT_M_PER_S);
    let holds = |turn: f64| ((from - turn) / (2.0 * PI)).ceil() * 2.0 * PI + turn <= to;
    (
        if holds(PI) {
            -1.0
        } else {
            from.cos().min(to.cos())
        },
        if holds(0.0) {
            1.0
        } else {
            from.cos().max(to.cos())
        },
    )
}

fn ranges_above(points: &[PairPoint]) -> Vec<(f64, f64)> {
    points
        .chunk_by(|a, b| a.above_limit == b.above_limit)
        .filter(|run| run[0].above_limit == Some(true))
        .map(|run| (run[0].frequency_hz, run[run.len() - 1].frequency_hz))
        .collect()
}

/// Two leaks into one place, in dB: adding in power, and with the worst and the best phase.
///
/// # Errors
/// For values that are not positive.
pub fn two_paths(first_db: f64, second_db: f64) -> Result<TwoPaths, ShieldError> {
    let amplitude = |db: f64| positive("SE of a path", db).map(|db| 10f64.powf(-db / 20.0));
    let (a, b) = (amplitude(first_db)?, amplitude(second_db)?);
    Ok(TwoPaths {
        power_sum_db: -db20(a.hypot(b)),
        worst_phase_db: -db20(a + b),
        best_phase_db: -db20((a - b).abs()),
        basis: Basis {
            source: "phasor addition",
            validity: "two paths to one place; with equal paths the best phase cancels without end",
        },
    })
}

/// What two leaks give together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TwoPaths {
    /// Powers added.
    pub power_sum_db: f64,
    /// In phase.
    pub worst_phase_db: f64,
    /// Against each other.
    pub best_phase_db: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

#[cfg(test)]
mod tests {
    use super::super::check::near;
    use super::super::sheet::Field;
    use super::super::stack::{Layer, over_spacing, stack};
    use super::*;
    use crate::quantity::Frequency;

    fn point(frequency_hz: f64, se_db: f64, kind: PointKind) -> CurvePoint {
        CurvePoint {
            frequency_hz,
            se_db,
            u_db: 0.5,
            kind,
            dynamic_range_db: None,
        }
    }
    fn flat(se_db: f64) -> Vec<CurvePoint> {
        [1e6, 1e7, 1e8, 1e9]
            .map(|f| point(f, se_db, PointKind::Measured))
            .to_vec()
    }

    #[test]
    fn two_films_as_measured_and_as_calculated() {
        // ORACLES C22: 65.50462 each; worst 71.52292, best 137.0252, sum 131.0092.
        let pair =
            nested(&flat(65.50462), &flat(65.50462), Spacing::Any, None).expect("two curves");
        for got in &pair.points {
            near(got.worst_db, 71.52292, 1e-4);
            near(got.best_db.expect("measured"), 137.0252, 1e-4);
            near(got.sum_db, 131.0092, 1e-4);
        }
        // ORACLES C21 at 20 mm exactly: the bracket closes.
        let d = Length::from_m(0.02);
        let pair = nested(
            &flat(65.50462),
            &flat(65.50462),
            Spacing::Between {
                shortest: d,
                longest: d,
            },
            None,
        )
        .expect("two");
        for (got, want) in pair
            .points
            .iter()
            .zip([73.62811, 89.54207, 109.4712, 129.2172])
        {
            near(got.worst_db, want, 1e-3);
            near(got.best_db.expect("measured"), want, 1e-3);
        }
    }

    #[test]
    fn a_range_of_spacing_agrees_with_the_matrices() {
        let film = |rs| Layer::Film {
            sheet_resistance_ohm: rs,
        };
        let gap = Layer::Gap {
            thickness: Length::from_m(0.01),
            relative_permittivity: 1.0,
        };
        let alone = |rs| {
            let se_db = stack(&[film(rs)], Frequency::from_hz(1e9), Field::PlaneWave)
                .expect("film")
                .se_db;
            flat(se_db)
        };
        let (shortest, longest) = (Length::from_m(0.01), Length::from_m(0.05));
        let pair = nested(
            &alone(2.0),
            &alone(20.0),
            Spacing::Between { shortest, longest },
            None,
        )
        .expect("two");
        for got in &pair.points {
            let f = Frequency::from_hz(got.frequency_hz);
            let want =
                over_spacing(&[film(2.0), gap, film(20.0)], f, shortest, longest).expect("valid");
            near(got.worst_db, want.worst_db, 1e-6);
            near(got.best_db.expect("measured"), want.best_db, 1e-6);
        }
    }

    #[test]
    fn bounds_and_limits() {
        let mut first = flat(60.0);
        first[3].kind = PointKind::AtLeast;
        let pair = nested(
            &first,
            &flat(60.0),
            Spacing::Any,
            Some(&|f| if f < 5e7 { 64.0 } else { 66.0 }),
        )
        .expect("two");
        let last = pair.points[3];
        assert!(last.bounded && last.best_db.is_none());
        // Both in parallel: 60 + 6.02 dB less a little; 2u = 1.41 dB kept: above 64, not above 66.
        assert_eq!(pair.above_limit_hz, [(1e6, 1e7)]);
        let measured = [
            point(1e6, 50.0, PointKind::Measured),
            point(3e6, 90.0, PointKind::Measured),
            point(1e7, 150.0, PointKind::Measured),
            point(1e9, 90.0, PointKind::AtLeast),
        ];
        let places: Vec<Place> = pair
            .compare(&measured)
            .expect("points")
            .iter()
            .map(|check| check.place)
            .collect();
        assert_eq!(
            places,
            [Place::Below, Place::Inside, Place::Above, Place::CannotTell]
        );
    }

    #[test]
    fn two_leaks() {
        // ORACLES C28.
        let got = two_paths(60.0, 65.0).expect("positive");
        near(got.power_sum_db, 58.80669, 1e-4);
        near(got.worst_phase_db, 56.12448, 1e-4);
        near(got.best_phase_db, 67.17729, 1e-4);
    }

    #[test]
    fn refuses_what_it_cannot_say() {
        let high = [
            point(2e9, 60.0, PointKind::Measured),
            point(3e9, 60.0, PointKind::Measured),
        ];
        let said = nested(&flat(60.0), &high, Spacing::Any, None)
            .expect_err("apart")
            .to_string();
        assert!(said.contains("one range"), "{said}");
        let backwards = Spacing::Between {
            shortest: Length::from_m(0.2),
            longest: Length::from_m(0.1),
        };
        assert!(nested(&flat(60.0), &flat(60.0), backwards, None).is_err());
        assert!(nested(&[], &flat(60.0), Spacing::Any, None).is_err());
    }
}
