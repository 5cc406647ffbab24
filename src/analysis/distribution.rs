//! What lots, comparisons and charts need of the normal and Student distributions beyond `statrs`.
//!
//! The noncentral t is integrated: its usual series fail where sampling plans use it, at shifts of
//! dozens. With S the scale of a sample of `dof` degrees of freedom (a chi over the root of `dof`),
//!
//! P(T <= t) = integral of Phi(t s - shift) f(s) ds,
//!
//! numerically where Phi rises, and by the incomplete gamma function where it is one.

use super::AnalysisError;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::{erf::erfc, gamma};
use std::f64::consts::{PI, SQRT_2};

/// Beyond so many standard deviations a normal chance is below 1e-18.
const REACH: f64 = 9.0;
/// Panels of the integration, each with the eight points of Gauss and Legendre.
const PANELS: usize = 24;
/// Half of the points, symmetric about the middle of a panel from -1 to 1, and their weights.
const GAUSS: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_5),
    (0.960_289_856_497_536_3, 0.101_228_536_290_376_3),
];
/// From here the normal tail is taken from its asymptotic series, exact there to 1e-11.
const FAR: f64 = 25.0;

/// The normal density.
pub(super) fn normal_density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * PI).sqrt()
}

/// The chance that a standard normal value stays at or below `x`.
pub(super) fn normal_below(x: f64) -> f64 {
    0.5 * erfc(-x / SQRT_2)
}

/// The standard normal value that the share `p` stays below.
pub(super) fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// The logarithm of the chance that a standard normal value exceeds `x`.
pub(super) fn ln_normal_above(x: f64) -> f64 {
    match x < FAR {
        true => (0.5 * erfc(x / SQRT_2)).ln(),
        false => -0.5 * x * x - (x * (2.0 * PI).sqrt()).ln() + tail_series(x).ln(),
    }
}

/// Density over upper tail: the negative slope of [`ln_normal_above`].
pub(super) fn normal_hazard(x: f64) -> f64 {
    match x < FAR {
        true => normal_density(x) / (0.5 * erfc(x / SQRT_2)),
        false => x / tail_series(x),
    }
}

fn tail_series(x: f64) -> f64 {
    let q = 1.0 / (x * x);
    1.0 - q * (1.0 - 3.0 * q * (1.0 - 5.0 * q * (1.0 - 7.0 * q)))
}

/// Student's value that the share `p` stays below; the normal one for infinitely many degrees of freedom.
pub(super) fn student_quantile(p: f64, dof: f64) -> f64 {
    // Past a million the two agree to six figures.
    match dof < 1e6 {
        true => StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |t| t.inverse_cdf(p)),
        false => normal_quantile(p),
    }
}

/// P(T <= t) of the noncentral t. Absolute error below 1e-10 for 1 to 10 000 degrees of freedom.
pub(super) fn noncentral_t_below(t: f64, dof: f64, shift: f64) -> f64 {
    if t < 0.0 {
        return 1.0 - noncentral_t_below(-t, dof, -shift);
    }
    if t == 0.0 {
        return normal_below(-shift);
    }
    let spread = REACH / (2.0 * dof).sqrt();
    let (least, most) = ((1.0 - spread).max(0.0), 1.0 + spread);
    let from = ((shift - REACH) / t).max(least);
    let to = ((shift + REACH) / t).min(most);
    if from >= most {
        return 0.0;
    }
    let certain_from = to.max(least);
    let certain = match certain_from > 0.0 {
        true => gamma::gamma_ur(0.5 * dof, 0.5 * dof * certain_from * certain_from),
        false => 1.0,
    };
    if to <= from {
        return certain.min(1.0);
    }
    let half = 0.5 * dof;
    let ln_scale = 2f64.ln() + half * half.ln() - gamma::ln_gamma(half);
    let integrand = |s: f64| {
        let ln_density = ln_scale + (dof - 1.0) * s.max(1e-300).ln() - half * s * s;
        normal_below(t * s - shift) * ln_density.exp()
    };
    let half_panel = 0.5 * (to - from) / PANELS as f64;
    let risen: f64 = (0..PANELS)
        .flat_map(|panel| GAUSS.map(|(point, weight)| (panel, point, weight)))
        .map(|(panel, point, weight)| {
            let middle = from + (2 * panel + 1) as f64 * half_panel;
            let offset = point * half_panel;
            weight * (integrand(middle - offset) + integrand(middle + offset))
        })
        .sum();
    (half_panel * risen + certain).clamp(0.0, 1.0)
}

/// The noncentral t that the share `p` stays below.
pub(super) fn noncentral_t_quantile(p: f64, dof: f64, shift: f64) -> f64 {
    let lack = |t: f64| noncentral_t_below(t, dof, shift) - p;
    let (mut low, mut high, mut step) = (shift, shift, 1.0 + shift.abs());
    while lack(low) > 0.0 && step < 1e9 {
        low -= step;
        step *= 2.0;
    }
    step = 1.0 + shift.abs();
    while lack(high) < 0.0 && step < 1e9 {
        high += step;
        step *= 2.0;
    }
    root_of_rising(low, high, lack)
}

/// Where a rising function passes zero between `low` and `high`, by halving.
pub(super) fn root_of_rising(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        match f(middle) < 0.0 {
            true => low = middle,
            false => high = middle,
        }
        if high - low < 1e-12 * (1.0 + low.abs()) {
            break;
        }
    }
    0.5 * (low + high)
}

/// Mean and standard deviation (divisor n - 1; zero for one value).
pub(super) fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0).max(1.0)).sqrt())
}

/// Refuses a share or a confidence that is not between zero and one.
pub(super) fn check_share(what: &'static str, share: f64) -> Result<(), AnalysisError> {
    match share > 0.0 && share < 1.0 {
        true => Ok(()),
        false => Err(AnalysisError::NotPossible {
            what,
            reason: format!("{share} does not lie between 0 and 1"),
        }),
    }
}

/// Solves a small linear system by elimination with pivots; `None` when it has no single solution.
pub(super) fn solve(mut matrix: Vec<Vec<f64>>, mut right: Vec<f64>) -> Option<Vec<f64>> {
    let n = right.len();
    for column in 0..n {
        let pivot = (column..n).max_by(|a, b| {
            matrix[*a][column]
                .abs()
                .total_cmp(&matrix[*b][column].abs())
        })?;
        let size: f64 = matrix[pivot].iter().map(|entry| entry.abs()).sum();
        if matrix[pivot][column].abs() <= 1e-13 * size || size == 0.0 {
            return None;
        }
        matrix.swap(column, pivot);
        right.swap(column, pivot);
        for row in column + 1..n {
            let factor = matrix[row][column] / matrix[column][column];
            let (above, below) = matrix.split_at_mut(row);
            for (entry, pivot_entry) in below[0].iter_mut().zip(&above[column]) {
                *entry -= factor * pivot_entry;
            }
            right[row] -= factor * right[column];
        }
    }
    let mut solution = vec![0.0; n];
    for row in (0..n).rev() {
        let known: f64 = (row + 1..n).map(|i| matrix[row][i] * solution[i]).sum();
        solution[row] = (right[row] - known) / matrix[row][row];
    }
    Some(solution)
}

/// The inverse of a small matrix.
pub(super) fn inverse(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    let mut columns = Vec::with_capacity(n);
    for i in 0..n {
        let unit = (0..n).map(|j| f64::from(u8::from(i == j))).collect();
        columns.push(solve(matrix.to_vec(), unit)?);
    }
    Some(
        (0..n)
            .map(|i| columns.iter().map(|c| c[i]).collect())
            .collect(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// (t, dof, shift, below), computed with scipy 1.17 `nct.cdf`.
    const SCIPY: [(f64, f64, f64, f64); 12] = [
        (1.0, 1.0, 0.5, 0.5927477364400293),
        (2.0, 3.0, 2.8, 0.22251276056342928),
        (-1.0, 2.0, 0.3, 0.1404675503252975),
        (5.0, 2.0, 3.0, 0.6894905962120523),
        (-2.0, 4.0, -3.0, 0.8229827387776824),
        (20.0, 9.0, 16.0, 0.7588832239591916),
        (26.0, 1.0, 2.326, 0.9286635620921077),
        (60.0, 99.0, 55.0, 0.8666385993165987),
        (250.0, 1.0, 3.0, 0.9904244719878328),
        (0.5, 10.0, 0.0, 0.6860531971285135),
        (105.0, 2999.0, 100.0, 0.9985190138401026),
        (1.0, 5.0, 6.0, 8.230251609953157e-07),
    ];

    #[test]
    fn noncentral_t_agrees_with_an_independent_library() {
        for (t, dof, shift, below) in SCIPY {
            let found = noncentral_t_below(t, dof, shift);
            assert!((found - below).abs() < 1e-10, "{t} {dof} {shift}: {found}");
            let back = noncentral_t_quantile(below, dof, shift);
            assert!(
                (back - t).abs() < 1e-4 * (1.0 + t.abs()),
                "{t} {dof} {shift}: {back}"
            );
        }
    }

    #[test]
    fn noncentral_t_rises_from_zero_to_one_wherever_it_is_asked() {
        for dof in [1.0, 2.0, 19.0, 150.0, 9_999.0] {
            for shift in [-60.0, -10.4, -1.0, 0.0, 3.0, 10.4, 60.0, 250.0] {
                let at = |i: i32| 0.5 * f64::from(i * i * i);
                let steps: Vec<f64> = (-12..=12)
                    .map(|i| noncentral_t_below(at(i), dof, shift))
                    .collect();
                assert!(
                    steps.windows(2).all(|pair| pair[0] <= pair[1] + 1e-11),
                    "{dof} {shift}: {steps:?}"
                );
                assert_eq!(noncentral_t_below(f64::INFINITY, dof, shift), 1.0);
                assert_eq!(noncentral_t_below(f64::NEG_INFINITY, dof, shift), 0.0);
                assert!((0.0..=1.0).contains(&noncentral_t_below(1e-300, dof, shift)));
            }
        }
    }

    #[test]
    fn without_a_shift_it_is_students() {
        for dof in [1.0, 2.0, 5.0, 30.0, 400.0] {
            let student = StudentsT::new(0.0, 1.0, dof).expect("Student's t");
            for t in [-30.0, -2.0, -0.1, 0.0, 0.7, 4.0, 60.0] {
                let found = noncentral_t_below(t, dof, 0.0);
                assert!((found - student.cdf(t)).abs() < 1e-10, "{dof} {t}: {found}");
            }
        }
    }

    #[test]
    fn the_normal_tail_is_smooth_where_its_series_takes_over() {
        let (near, far) = (FAR - 1e-9, FAR + 1e-9);
        assert!((ln_normal_above(near) - ln_normal_above(far)).abs() < 1e-6);
        assert!((normal_hazard(near) - normal_hazard(far)).abs() < 1e-7);
        // Mills' ratio: the hazard lies between x and x + 1/x.
        for x in [1.0, 5.0, 24.0, 26.0, 400.0] {
            let hazard = normal_hazard(x);
            assert!(x < hazard && hazard < x + 1.0 / x, "{x}: {hazard}");
        }
    }

    #[test]
    fn solves_and_inverts() {
        let matrix = vec![vec![0.0, 2.0], vec![4.0, 1.0]];
        assert_eq!(solve(matrix.clone(), vec![2.0, 9.0]), Some(vec![2.0, 1.0]));
        assert_eq!(
            inverse(&matrix),
            Some(vec![vec![-0.125, 0.25], vec![0.5, 0.0]])
        );
        assert_eq!(
            solve(vec![vec![1.0, 2.0], vec![2.0, 4.0]], vec![1.0, 2.0]),
            None
        );
    }
}
