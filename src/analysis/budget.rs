//! The uncertainty budget of one SE, after the GUM (JCGM 100:2008).
//!
//! SE is the difference of two readings of one receiver through the same antennas and cables, so what
//! both readings share cancels and has no row: the receiver's absolute level error, cable losses,
//! antenna factors, the amplifier's gain. Left is what can differ between the two: the receiver's
//! linearity over the difference, its attenuator where it was switched, the mismatch of either reading (the
//! item changes what the antenna sees), the source's drift, the position of antennas and item, how the item happens
//! to close, and the noise in either reading. The rows are independent of each other; they add as
//! squares, their degrees of freedom by Welch and Satterthwaite, and the coverage factor is Student's.

use std::f64::consts::SQRT_2;

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// The share of cases that the expanded uncertainty covers: that of two standard deviations.
pub const COVERAGE: f64 = 0.9545;

/// Where a value comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// The station file.
    Station,
    /// This program: nobody gave one.
    Default,
    /// This run's own readings.
    Measured,
}

/// A value and where it comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Given {
    /// The value, in the unit its place says.
    pub value: f64,
    /// Who said so.
    pub origin: Origin,
}

impl Given {
    /// A value of the station file.
    pub const fn station(value: f64) -> Self {
        Self {
            value,
            origin: Origin::Station,
        }
    }

    const fn default(value: f64) -> Self {
        Self {
            value,
            origin: Origin::Default,
        }
    }
}

/// What a station knows about its own uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BudgetInput {
    /// Half-width of the receiver's linearity error over the difference of two readings, dB. Default 1.
    pub receiver_linearity_db: Given,
    /// Half-width of the error of switching attenuator or preamplifier between reference and item, dB;
    /// counts only when they differ. Default 1.
    pub attenuator_step_db: Given,
    /// Magnitude of the reflection coefficient of the antenna. Default 1/3 (VSWR 2).
    pub antenna_reflection: Given,
    /// Magnitude of the reflection coefficient of the receiver. Default 1/11 (VSWR 1.2).
    pub receiver_reflection: Given,
    /// Half-width of the source's and the amplifier's drift between reference and item, dB, where no
    /// second reference says how much it was. Default 0.5.
    pub source_drift_db: Given,
    /// Half-width of what a slightly different position of antennas and item changes, dB. Default 1.5.
    pub position_db: Given,
    /// Standard deviation of a repeated closing, dB, where there are no repeats. Default 0.5.
    pub repeatability_db: Given,
}

impl Default for BudgetInput {
    fn default() -> Self {
        Self {
            receiver_linearity_db: Given::default(1.0),
            attenuator_step_db: Given::default(1.0),
            antenna_reflection: Given::default(1.0 / 3.0),
            receiver_reflection: Given::default(1.0 / 11.0),
            source_drift_db: Given::default(0.5),
            position_db: Given::default(1.5),
            repeatability_db: Given::default(0.5),
        }
    }
}

/// How the values of a cause are spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Distribution {
    /// The value is a standard deviation.
    Normal,
    /// Anything up to the half-width is as likely.
    Rectangular,
    /// The projection of a phase that may be anything: the ends are likeliest.
    UShaped,
}

impl Distribution {
    /// By what the value is divided to make a standard uncertainty (JCGM 100 4.3).
    pub fn divisor(self) -> f64 {
        match self {
            Self::Normal => 1.0,
            Self::Rectangular => 3f64.sqrt(),
            Self::UShaped => 2f64.sqrt(),
        }
    }
}

impl Distribution {
    /// As printed.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Rectangular => "rectangular",
            Self::UShaped => "U-shaped",
        }
    }
}

impl Origin {
    /// As printed.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Station => "station",
            Self::Default => "default",
            Self::Measured => "measured",
        }
    }
}

/// What a row of the budget is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// Closing the item again.
    Repeatability,
    /// The receiver's scale.
    ReceiverLinearity,
    /// Attenuator or preamplifier switched between the readings.
    AttenuatorStep,
    /// Reflections between antenna and receiver.
    Mismatch,
    /// Source and amplifier between the readings.
    SourceDrift,
    /// Position of antennas and item.
    Position,
    /// Noise in the reference.
    ReferenceNoise,
    /// Noise in the item's reading.
    ItemNoise,
    /// An ambient signal in either reading.
    Ambient,
}

impl Cause {
    /// As printed.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Repeatability => "repeatability of closing",
            Self::ReceiverLinearity => "receiver linearity",
            Self::AttenuatorStep => "attenuator step",
            Self::Mismatch => "mismatch",
            Self::SourceDrift => "source drift",
            Self::Position => "position",
            Self::ReferenceNoise => "noise, reference",
            Self::ItemNoise => "noise, item",
            Self::Ambient => "ambient signal",
        }
    }
}

/// One row of a budget.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Component {
    /// What it is about.
    pub cause: Cause,
    /// Half-width or standard deviation, as `distribution` says, dB.
    pub value_db: f64,
    /// How it is spread.
    pub distribution: Distribution,
    /// The standard uncertainty, dB.
    pub u_db: f64,
    /// Degrees of freedom; `None` for infinitely many.
    pub dof: Option<f64>,
    /// Where the value comes from.
    pub origin: Origin,
}

impl Component {
    /// A row with infinitely many degrees of freedom.
    pub fn new(cause: Cause, given: Given, distribution: Distribution) -> Self {
        Self {
            cause,
            value_db: given.value,
            distribution,
            u_db: given.value.abs() / distribution.divisor(),
            dof: None,
            origin: given.origin,
        }
    }
}

/// A scatter known from repeats.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scatter {
    /// Standard deviation of a single value, dB.
    pub sd_db: f64,
    /// Its degrees of freedom.
    pub dof: f64,
}

/// What was measured more than once at one frequency, face and polarisation.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Repeats {
    /// The values, dB.
    pub values_db: Vec<f64>,
    /// The mean square of what noise alone scatters one of them by, dB².
    pub noise_db2: f64,
}

impl Repeats {
    /// With one more value, and what noise alone scatters it by (standard deviation).
    pub fn add(&mut self, value_db: f64, noise_db: f64) {
        self.values_db.push(value_db);
        let more_db2 = noise_db * noise_db - self.noise_db2;
        self.noise_db2 += more_db2 / self.values_db.len() as f64;
    }

    fn dof(&self) -> f64 {
        self.values_db.len().saturating_sub(1) as f64
    }

    /// The squared deviations from the mean, dB².
    fn squares_db2(&self) -> f64 {
        let values = &self.values_db;
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|value| (value - mean).powi(2)).sum()
    }
}

/// Where closing is expected to scatter less than this, groups of repeats are weighed as if it were this much, dB.
const EXPECTED_MIN_DB: f64 = 0.1;

impl Scatter {
    /// What closing anew scatters, pooled over groups of repeats. `None` when no group has two values, or where noise
    /// hides as much as is expected, so that the repeats tell nothing better.
    ///
    /// Where the item was turned between two closings, their scatter has its position in it, too, which keeps its row all
    /// the same: nobody knows whether the antennas were moved as well, so the sum may be too wide.
    ///
    /// Noise scatters the repeats too, has a row of its own and must not be counted twice (JCGM 100, 4.3.10): it is
    /// taken off. A group near the floor tells little of closing: each weighs by what its square may be off by
    /// (a variance's own is twice its square over the degrees of freedom), were closing to scatter as `expected_db`.
    pub fn pooled(groups: &[Repeats], expected_db: f64) -> Option<Self> {
        let expected_db2 = expected_db.max(EXPECTED_MIN_DB).powi(2);
        let weight = |group: &Repeats| (expected_db2 + group.noise_db2).powi(-2);
        let sum = |of: &dyn Fn(&Repeats) -> f64| -> f64 {
            let repeated = groups.iter().filter(|group| group.dof() > 0.0);
            repeated.map(|group| weight(group) * of(group)).sum()
        };
        let weights = sum(&|group| group.dof());
        // Degrees of freedom that leave the pooled variance as uncertain as it is, where closing scatters by this.
        let off = |db2: f64| {
            sum(&|group| weight(group) * group.dof() * (db2 + group.noise_db2).powi(2))
                / weights.powi(2)
        };
        let seen_db2 = sum(&|group| group.squares_db2() - group.dof() * group.noise_db2) / weights;
        // No less than what could not be told from nothing.
        let hidden_db2 = (2.0 * off(0.0)).sqrt();
        let db2 = seen_db2.max(hidden_db2);
        (weights > 0.0 && hidden_db2 <= expected_db2).then(|| Self {
            sd_db: db2.sqrt(),
            dof: match db2 > 0.0 {
                true => db2.powi(2) / off(db2),
                false => weights * expected_db2.powi(2),
            },
        })
    }
}

/// A budget, added up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// The rows.
    pub components: Vec<Component>,
    /// Combined standard uncertainty, dB.
    pub combined_db: f64,
    /// Effective degrees of freedom; `None` for infinitely many.
    pub dof: Option<f64>,
    /// Coverage factor.
    pub k: f64,
    /// Expanded uncertainty, dB.
    pub expanded_db: f64,
}

impl Budget {
    /// Adds up independent rows.
    pub fn of(components: Vec<Component>) -> Self {
        let combined_db = root_sum_square(components.iter().map(|c| c.u_db));
        let dof = effective_dof(combined_db, components.iter().map(|c| (c.u_db, c.dof)));
        let k = coverage_factor(COVERAGE, dof);
        Self {
            components,
            combined_db,
            dof,
            k,
            expanded_db: k * combined_db,
        }
    }
}

/// What of one point changes its budget.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PointScatter {
    /// The scatter of this run's repeats, if it has any.
    pub repeats: Option<Scatter>,
    /// How far the reference moved between before and after, dB, if both were read.
    pub drift_db: Option<f64>,
    /// Attenuator or preamplifier differ between reference and item.
    pub settings_differ: bool,
}

/// The combined standard uncertainty of correlated contributions (JCGM 100 5.2.2, equation 16), each already
/// multiplied by its sensitivity; `correlation` of two of them by their places.
pub fn combined_correlated(parts: &[f64], correlation: impl Fn(usize, usize) -> f64) -> f64 {
    let mut square = 0.0;
    for (i, one) in parts.iter().enumerate() {
        for (j, other) in parts.iter().enumerate() {
            let r = if i == j { 1.0 } else { correlation(i, j) };
            square += one * other * r;
        }
    }
    // Rounding may leave a little less than nothing of what cancels.
    square.max(0.0).sqrt()
}

/// The rows that do not depend on the readings' noise.
pub fn station_rows(station: &BudgetInput, point: &PointScatter) -> Vec<Component> {
    let row = Component::new;
    let repeatability = match point.repeats {
        None => row(
            Cause::Repeatability,
            station.repeatability_db,
            Distribution::Normal,
        ),
        Some(scatter) => Component {
            dof: Some(scatter.dof),
            ..row(
                Cause::Repeatability,
                Given {
                    value: scatter.sd_db,
                    origin: Origin::Measured,
                },
                Distribution::Normal,
            )
        },
    };
    let drift = match point.drift_db {
        None => station.source_drift_db,
        Some(drift_db) => Given {
            value: drift_db.abs(),
            origin: Origin::Measured,
        },
    };
    // Either reading has one, of the same half-width: the item changes what the antenna sees, and so the phase. Two
    // that are independent add as squares.
    let mismatch = Given {
        value: SQRT_2
            * mismatch_half_width_db(
                station.antenna_reflection.value,
                station.receiver_reflection.value,
            ),
        origin: match (
            station.antenna_reflection.origin,
            station.receiver_reflection.origin,
        ) {
            (Origin::Station, Origin::Station) => Origin::Station,
            _ => Origin::Default,
        },
    };
    let mut rows = vec![
        repeatability,
        row(
            Cause::ReceiverLinearity,
            station.receiver_linearity_db,
            Distribution::Rectangular,
        ),
        row(Cause::Mismatch, mismatch, Distribution::UShaped),
        row(Cause::SourceDrift, drift, Distribution::Rectangular),
        row(
            Cause::Position,
            station.position_db,
            Distribution::Rectangular,
        ),
    ];
    if point.settings_differ {
        let step = station.attenuator_step_db;
        rows.push(row(Cause::AttenuatorStep, step, Distribution::Rectangular));
    }
    rows
}

/// The square root of the sum of squares.
pub fn root_sum_square(values: impl IntoIterator<Item = f64>) -> f64 {
    values
        .into_iter()
        .map(|value| value * value)
        .sum::<f64>()
        .sqrt()
}

/// Effective degrees of freedom after Welch and Satterthwaite (JCGM 100 G.2b) of independent parts
/// (standard uncertainty, degrees of freedom or `None` for infinitely many); `None` for infinitely many.
pub fn effective_dof(
    combined: f64,
    parts: impl IntoIterator<Item = (f64, Option<f64>)>,
) -> Option<f64> {
    let sum: f64 = parts
        .into_iter()
        .filter_map(|(u, dof)| dof.map(|dof| u.powi(4) / dof))
        .sum();
    (sum > 0.0).then(|| combined.powi(4) / sum)
}

/// Student's factor for a two-sided coverage, degrees of freedom truncated to an integer (JCGM 100 G.4.1).
pub fn coverage_factor(coverage: f64, dof: Option<f64>) -> f64 {
    let upper = 0.5 * (1.0 + coverage);
    // Past ten thousand Student's factor differs from the normal one by less than 0.001.
    match dof.map(|dof| dof.floor().max(1.0)).filter(|dof| *dof < 1e4) {
        Some(dof) => StudentsT::new(0.0, 1.0, dof).map_or(f64::INFINITY, |t| t.inverse_cdf(upper)),
        None => statrs::distribution::Normal::standard().inverse_cdf(upper),
    }
}

/// Half the distance between the largest and the smallest error that two reflections of unknown phase
/// can make, dB (the U-shaped half-width of CISPR 16-4-2 practice).
pub fn mismatch_half_width_db(reflection_a: f64, reflection_b: f64) -> f64 {
    let product = (reflection_a * reflection_b).abs().min(0.999);
    10.0 * ((1.0 + product) / (1.0 - product)).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn repeats(values_db: &[f64]) -> Repeats {
        Repeats {
            values_db: values_db.to_vec(),
            noise_db2: 0.0,
        }
    }

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!(
            (found - expected).abs() <= tolerance,
            "{found}, expected {expected}"
        );
    }

    #[test]
    fn gum_h1_end_gauge() {
        // ORACLES A1, JCGM 100 H.1.3 and H.1.4, in nm.
        let u_difference = root_sum_square([5.8, 3.9, 6.7]);
        near(u_difference, 9.681942, 1e-6);
        let expansion = 50e6 * 0.1 * 1e-6 / Distribution::Rectangular.divisor();
        near(expansion, 2.886751, 1e-6);
        let temperature = 50e6 * 11.5e-6 * 0.05 / Distribution::Rectangular.divisor();
        near(temperature, 16.59882, 1e-5);
        let combined = root_sum_square([25.0, u_difference, expansion, temperature]);
        near(combined, 31.66377, 1e-5);
        // ORACLES A2, JCGM 100 H.1.6 and H.1.7: 24, 5 and 8 degrees of freedom within the difference.
        let parts = [(5.8, Some(24.0)), (3.9, Some(5.0)), (6.7, Some(8.0))];
        let dof = effective_dof(u_difference, parts);
        near(dof.expect("finite"), 25.44725, 1e-4);
        let parts = [
            (25.0, Some(18.0)),
            (u_difference, dof),
            (expansion, Some(50.0)),
            (temperature, Some(2.0)),
        ];
        let dof = effective_dof(combined, parts);
        near(dof.expect("finite"), 16.75215, 1e-4);
        near(coverage_factor(0.99, dof), 2.920782, 1e-5);
        near(coverage_factor(0.99, dof) * combined, 92.48295, 1e-3);
    }

    #[test]
    fn gum_h2_standard_deviations_of_means() {
        // ORACLES A3, JCGM 100 H.2, Table H.2.
        for (values, expected) in [
            ([5.007, 4.994, 5.005, 4.990, 4.999], 0.003209361),
            ([19.663, 19.639, 19.640, 19.685, 19.678], 0.009471008),
            ([1.0456, 1.0438, 1.0468, 1.0428, 1.0433], 0.0007520638),
        ] {
            let scatter = Scatter::pooled(&[repeats(&values)], 0.1).expect("repeats");
            near(scatter.sd_db / 5f64.sqrt(), expected, 1e-8);
            near(scatter.dof, 4.0, 1e-9);
        }
    }

    #[test]
    fn gum_h2_correlated_inputs() {
        // ORACLES A4, JCGM 100 H.2: R = V/I cos phi, X = V/I sin phi, Z = V/I, by the means, standard
        // uncertainties and correlations of ORACLES A3.
        let (v, i, phi) = (4.999, 19.661e-3, 1.04446f64);
        let u = [0.003209361, 0.009471008e-3, 0.0007520638];
        let r = |a: usize, b: usize| [-0.3553112, 0.8576242, -0.6451112][a + b - 1];
        let of = |by_v: f64, by_i: f64, by_phi: f64| {
            combined_correlated(&[by_v * u[0], by_i * u[1], by_phi * u[2]], r)
        };
        let z = v / i;
        let (cos, sin) = (phi.cos(), phi.sin());
        near(z * cos, 127.7322, 1e-3);
        near(z * sin, 219.8465, 1e-3);
        near(
            of(cos / i, -z * cos / i, -z * sin),
            0.07107141,
            5e-4 * 0.07107141,
        );
        near(
            of(sin / i, -z * sin / i, z * cos),
            0.2955817,
            5e-4 * 0.2955817,
        );
        near(of(1.0 / i, -z / i, 0.0), 0.2363361, 5e-4 * 0.2363361);
    }

    #[test]
    fn gum_g4_effective_degrees_of_freedom() {
        // ORACLES A5, JCGM 100 G.4.1.
        let parts = [(0.25, Some(9.0)), (0.57, Some(4.0)), (0.82, Some(14.0))];
        let combined = root_sum_square(parts.map(|(u, _)| u));
        near(combined, 1.029466, 1e-6);
        let dof = effective_dof(combined, parts);
        near(dof.expect("finite"), 18.99874, 1e-4);
        // The GUM prints 19.0 and takes 19; truncation takes 18, a wider interval (t 2.1009, not 2.0930).
        near(coverage_factor(0.95, Some(19.0)), 2.093024, 1e-5);
        assert!(coverage_factor(0.95, dof) >= 2.093024);
        assert_eq!(effective_dof(1.0, [(1.0, None)]), None);
    }

    #[test]
    fn students_factors() {
        // ORACLES A6, JCGM 100 Table G.2.
        for (coverage, dof, expected) in [
            (0.95, 4.0, 2.776445),
            (0.95, 9.0, 2.262157),
            (0.95, 19.0, 2.093024),
            (0.95, 30.0, 2.042272),
            (COVERAGE, 10.0, 2.283682),
            (0.99, 16.0, 2.920782),
        ] {
            near(coverage_factor(coverage, Some(dof)), expected, 5e-4);
        }
        near(coverage_factor(COVERAGE, None), 2.0, 1e-4);
        near(
            coverage_factor(COVERAGE, Some(9999.0)),
            coverage_factor(COVERAGE, None),
            1e-3,
        );
        // JCGM 100 Table G.2 prints 13.97 for one degree of freedom.
        near(coverage_factor(COVERAGE, Some(0.4)), 13.97, 5e-3);
    }

    #[test]
    fn divisors_and_mismatch() {
        // ORACLES A8, JCGM 100 4.3.
        near(1.0 / Distribution::Rectangular.divisor(), 0.5773503, 1e-7);
        near(Distribution::UShaped.divisor(), 1.0 / 0.5f64.sqrt(), 1e-12);
        // ORACLES A9, CISPR 16-4-2 practice: VSWR 2.0 and 1.2.
        let half_width = mismatch_half_width_db(1.0 / 3.0, 0.0909091);
        near(half_width, 0.5 * (0.2592995 + 0.2672792), 1e-6);
        near(
            half_width / Distribution::UShaped.divisor(),
            0.1861737,
            1e-4,
        );
    }

    #[test]
    fn a_budget_adds_up() {
        // ORACLES A23, arithmetic.
        let row =
            |cause, value, distribution| Component::new(cause, Given::station(value), distribution);
        let rows = vec![
            row(Cause::ReceiverLinearity, 1.0, Distribution::Rectangular),
            row(Cause::Repeatability, 0.5, Distribution::Normal),
            row(Cause::Mismatch, 0.8, Distribution::UShaped),
            row(Cause::Position, 1.5, Distribution::Rectangular),
            row(Cause::SourceDrift, 0.7, Distribution::Normal),
        ];
        let budget = Budget::of(rows);
        near(budget.combined_db, 1.464013, 1e-5);
        near(budget.expanded_db, 2.928026, 1e-4);
        assert_eq!(budget.dof, None);
    }

    #[test]
    fn what_the_run_knows_better_replaces_what_the_station_says() {
        let station = BudgetInput::default();
        let plain = station_rows(&station, &PointScatter::default());
        assert!(
            plain
                .iter()
                .all(|row| row.origin == Origin::Default && row.dof.is_none())
        );
        let known = PointScatter {
            repeats: Scatter::pooled(
                &[
                    repeats(&[50.0, 52.0]),
                    repeats(&[61.0]),
                    repeats(&[40.0, 40.0, 43.0]),
                ],
                0.5,
            ),
            drift_db: Some(-0.8),
            settings_differ: true,
        };
        let rows = station_rows(&station, &known);
        let find = |cause| *rows.iter().find(|row| row.cause == cause).expect("a row");
        // Squares 2 and 6 over 1 and 2 degrees of freedom.
        let repeatability = find(Cause::Repeatability);
        near(repeatability.u_db, (8f64 / 3.0).sqrt(), 1e-12);
        assert_eq!(
            (repeatability.dof.map(f64::round), repeatability.origin),
            (Some(3.0), Origin::Measured)
        );
        near(find(Cause::SourceDrift).value_db, 0.8, 0.0);
        // ORACLES A9: one reading is wrong by 0.1861737 dB; SE is the difference of two.
        near(find(Cause::Mismatch).u_db, 0.1861737 * SQRT_2, 1e-4);
        near(find(Cause::AttenuatorStep).u_db, 0.5773503, 1e-7);
        assert!(Budget::of(rows).k > 2.0);
        assert_eq!(Scatter::pooled(&[repeats(&[1.0])], 0.5), None);
    }

    #[test]
    fn what_noise_scatters_is_no_scatter_of_closing() {
        // A group that closing alone scatters by 0.2 dB, and one near the floor: 2 dB of noise on top.
        let quiet = Repeats {
            values_db: vec![50.0 - 0.025f64.sqrt(), 50.0 + 0.025f64.sqrt()],
            noise_db2: 0.01,
        };
        let noisy = |off_db: f64| Repeats {
            values_db: vec![70.0 - off_db, 70.0 + off_db],
            noise_db2: 4.0,
        };
        let alone = Scatter::pooled(std::slice::from_ref(&quiet), 0.2).expect("repeats");
        // A square of 0.05 over one degree of freedom, of which noise is a fifth.
        near(alone.sd_db, 0.2, 1e-12);
        for off_db in [0.0, 2.0] {
            let all = [quiet.clone(), noisy(off_db), noisy(off_db)];
            let pooled = Scatter::pooled(&all, 0.2).expect("repeats");
            near(pooled.sd_db, 0.2, 0.01);
        }
        // Where noise is all there is, they tell nothing that is not expected anyway.
        assert_eq!(Scatter::pooled(&[noisy(1.0), noisy(1.0)], 0.2), None);
        // Less than is expected, and no less than noise of 0.1 dB hides.
        let still = Repeats {
            values_db: vec![50.0; 3],
            noise_db2: 0.01,
        };
        let hidden = Scatter::pooled(&[still], 0.5).expect("repeats");
        near(hidden.sd_db, 0.1, 1e-9);
        near(hidden.dof, 0.5, 1e-9);
        // Without noise and without scatter there is none.
        let same = Scatter::pooled(&[repeats(&[50.0, 50.0])], 0.0).expect("repeats");
        assert_eq!(same.sd_db, 0.0);
        assert!(same.dof.is_finite());
    }
}
