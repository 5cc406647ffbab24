//! Maximum likelihood for a sum of leaks, with bounds as censored observations.
//!
//! A measured point is normal about the model with its own uncertainty and a common scatter τ for what the
//! model leaves out (phases between leaks, slot ends, …); a bound contributes the probability that the
//! SE lies above it. The likelihood in the model value is log-concave, so damped Newton steps along the
//! linearised model are enough.

use nalgebra::{SMatrix, SVector};

use super::DB_PER_NEPER;
use super::curve::{CurvePoint, PointKind};
use super::leak::Leak;

/// More parameters than any model has: five of leaks, one of scatter.
pub(super) const MOST: usize = 6;
type Matrix = SMatrix<f64, MOST, MOST>;
type Vector = SVector<f64, MOST>;

/// Least and largest ln τ (dB): 0.01 dB is none, 20 dB explains everything.
const SCATTER: (f64, f64) = (-4.6, 3.0);

/// A combination of leaks.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Model {
    pub leaks: Vec<Leak>,
    /// Cosine of the phase between leaks: 0 adds powers, positive reinforces. Constant over frequency.
    pub coherence: f64,
}

/// A model at its best.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    /// Parameters of the leaks in order, then ln τ.
    pub theta: Vec<f64>,
    pub log_likelihood: f64,
}

impl Model {
    /// Leaks that add in power.
    pub(super) fn incoherent(leaks: Vec<Leak>) -> Self {
        Self {
            leaks,
            coherence: 0.0,
        }
    }

    /// Parameters of the leaks, the scatter not counted.
    pub(super) fn size(&self) -> usize {
        self.leaks.iter().map(|leak| leak.parameters().len()).sum()
    }

    /// Each leak with the place of its first parameter.
    pub(super) fn placed(&self) -> impl Iterator<Item = (Leak, usize)> + '_ {
        self.leaks.iter().scan(0, |next, leak| {
            let at = *next;
            *next += leak.parameters().len();
            Some((*leak, at))
        })
    }

    /// SE in dB and its derivative by every parameter.
    pub(super) fn se_db(
        &self,
        theta: &[f64],
        f_hz: f64,
        dynamic_range_db: f64,
    ) -> (f64, [f64; MOST]) {
        let mut slope = [0.0; MOST];
        let mut powers = [(0.0, [0.0; 2]); MOST];
        // The set-up's floor is noise: it has no phase.
        let (mut total, mut amplitudes) = (0.0, 0.0);
        for (power, (leak, at)) in powers.iter_mut().zip(self.placed()) {
            *power = leak.power(&theta[at..], f_hz, dynamic_range_db);
            total += power.0;
            if leak != Leak::Floor {
                amplitudes += power.0.sqrt();
            }
        }
        let alone = total;
        for ((p, by), (leak, at)) in powers.iter().zip(self.placed()) {
            let mut share = *p;
            if leak != Leak::Floor {
                let cross = self.coherence * p.sqrt() * (amplitudes - p.sqrt());
                total += cross;
                share += cross;
            }
            for (slope, by) in slope[at..].iter_mut().zip(&by[..leak.parameters().len()]) {
                *slope = share * by;
            }
        }
        // Cancellation is never complete over a whole item.
        total = total.max(1e-3 * alone).max(1e-300);
        for slope in &mut slope {
            *slope *= -DB_PER_NEPER / 2.0 / total;
        }
        (-10.0 * total.log10(), slope)
    }

    /// Where parameter `at` may lie.
    pub(super) fn range(&self, at: usize) -> (f64, f64) {
        self.placed()
            .find(|(leak, first)| at < first + leak.parameters().len())
            .map_or(SCATTER, |(leak, first)| leak.range(at - first))
    }

    /// Log-likelihood, its gradient and a positive curvature.
    fn likelihood(&self, theta: &[f64], data: &[CurvePoint]) -> (f64, Vector, Matrix) {
        let size = self.size();
        let scatter_sqr = (2.0 * theta[size]).exp();
        let (mut sum, mut gradient, mut curvature) = (0.0, Vector::zeros(), Matrix::zeros());
        for point in data {
            let (fitted_db, slope) = self.se_db(
                theta,
                point.frequency_hz,
                point.dynamic_range_db.unwrap_or(0.0),
            );
            let variance = point.u_db * point.u_db + scatter_sqr;
            let share = scatter_sqr / variance;
            let sigma = variance.sqrt();
            let (value, by_fitted, weight, by_scatter, scatter_weight) = match point.kind {
                PointKind::Measured => {
                    let r = (point.se_db - fitted_db) / sigma;
                    (
                        -sigma.ln() - 0.5 * r * r,
                        r,
                        1.0,
                        (r * r - 1.0) * share,
                        2.0 * share * share,
                    )
                }
                PointKind::AtLeast => {
                    let z = (fitted_db - point.se_db) / sigma;
                    let (log, hazard) = log_normal_cdf(z);
                    let weight = hazard * (hazard + z);
                    (
                        log,
                        hazard,
                        weight,
                        -z * hazard * share,
                        weight * z * z * share * share,
                    )
                }
            };
            sum += value;
            for i in 0..size {
                gradient[i] += by_fitted / sigma * slope[i];
                for j in 0..=i {
                    curvature[(i, j)] += weight / variance * slope[i] * slope[j];
                }
            }
            gradient[size] += by_scatter;
            curvature[(size, size)] += scatter_weight;
        }
        (sum, gradient, curvature)
    }

    /// Climbs from `start` to the nearest maximum, parameter `held` (if any) staying where it is.
    pub(super) fn climb(&self, start: &[f64], data: &[CurvePoint], held: Option<usize>) -> Fit {
        const MOST_STEPS: usize = 80;
        let free = |i: usize| i <= self.size() && Some(i) != held;
        let mut theta = start.to_vec();
        let (mut best, mut gradient, mut curvature) = self.likelihood(&theta, data);
        let mut damping = 1e-3;
        for _ in 0..MOST_STEPS {
            let mut system = Matrix::zeros();
            let mut right = Vector::zeros();
            for i in 0..MOST {
                for j in 0..i {
                    if free(i) && free(j) {
                        system[(i, j)] = curvature[(i, j)];
                        system[(j, i)] = curvature[(i, j)];
                    }
                }
                system[(i, i)] = if free(i) {
                    curvature[(i, i)] * (1.0 + damping) + 1e-6
                } else {
                    1.0
                };
                right[i] = if free(i) { gradient[i] } else { 0.0 };
            }
            let Some(step) = system.cholesky().map(|factor| factor.solve(&right)) else {
                damping *= 8.0;
                continue;
            };
            let tried: Vec<f64> = theta
                .iter()
                .enumerate()
                .map(|(i, value)| {
                    let (low, high) = self.range(i);
                    (value + step[i].clamp(-2.0, 2.0)).clamp(low, high)
                })
                .collect();
            let (value, next_gradient, next_curvature) = self.likelihood(&tried, data);
            if value > best {
                let gained = value - best;
                (best, theta, gradient, curvature) = (value, tried, next_gradient, next_curvature);
                damping = (damping / 5.0).max(1e-9);
                if gained < 1e-6 {
                    break;
                }
            } else {
                damping *= 8.0;
                if damping > 1e7 {
                    break;
                }
            }
        }
        Fit {
            theta,
            log_likelihood: best,
        }
    }

    /// The best of several climbs: every leak just touching the data, and each in turn pulled back.
    pub(super) fn best(&self, data: &[CurvePoint]) -> Fit {
        let touching: Vec<f64> = self
            .placed()
            .flat_map(|(leak, _)| touching(leak, data))
            .collect();
        let mut start = touching.clone();
        start.push(0.0);
        let mut found = self.climb(&start, data, None);
        for (leak, at) in self.placed() {
            if self.leaks.len() == 1 {
                break;
            }
            let mut start: Vec<f64> = touching.iter().copied().chain([0.0]).collect();
            start[at] = (start[at] - 1.5).max(leak.range(0).0);
            let other = self.climb(&start, data, None);
            if other.log_likelihood > found.log_likelihood {
                found = other;
            }
        }
        found
    }

    /// Log-likelihood with one parameter held at `value` and the rest at their best, starting from `near`.
    pub(super) fn profile(&self, near: &Fit, at: usize, value: f64, data: &[CurvePoint]) -> Fit {
        let mut start = near.theta.clone();
        start[at] = value;
        self.climb(&start, data, Some(at))
    }

    /// Where the profile likelihood has fallen by `drop` on one side (−1, +1); `None` if it never does.
    ///
    /// The root of the fall is nearly linear in the parameter, so steps along it arrive in a few climbs.
    pub(super) fn profile_end(
        &self,
        best: &Fit,
        at: usize,
        side: f64,
        drop: f64,
        data: &[CurvePoint],
    ) -> Option<f64> {
        const CLOSE: f64 = 0.01;
        let (low, high) = self.range(at);
        let limit = if side < 0.0 { low } else { high };
        let target = drop.sqrt();
        let curvature = self.likelihood(&best.theta, data).2[(at, at)];
        let mut step = (2.0 * drop / curvature.max(1e-9)).sqrt().clamp(1e-4, 1.0);
        // Distance from the best, root of the fall there, and the fit to start from.
        let (mut inside, mut inside_root, mut near) = (0.0, 0.0, best.clone());
        let mut outside: Option<(f64, f64)> = None;
        for _ in 0..40 {
            let value = (best.theta[at] + side * step).clamp(low, high);
            let fit = self.profile(&near, at, value, data);
            let root = (best.log_likelihood - fit.log_likelihood).max(0.0).sqrt();
            if (root / target - 1.0).abs() < CLOSE {
                return Some(value);
            }
            if root > target {
                outside = Some((step, root));
            } else if value == limit {
                return None;
            } else {
                (inside, inside_root, near) = (step, root, fit);
            }
            step = match outside {
                None => step * (1.05 * target / root.max(1e-9)).clamp(1.2, 3.0),
                Some((far, far_root)) => {
                    let share = (target - inside_root) / (far_root - inside_root);
                    inside + (far - inside) * share.clamp(0.1, 0.9)
                }
            };
        }
        Some(best.theta[at] + side * outside.map_or(inside, |(far, _)| far))
    }

    /// Whether holding parameter `at` at `value` costs less than `drop`.
    pub(super) fn reaches(
        &self,
        best: &Fit,
        at: usize,
        value: f64,
        drop: f64,
        data: &[CurvePoint],
    ) -> bool {
        let (low, high) = self.range(at);
        let held = self.profile(best, at, value.clamp(low, high), data);
        best.log_likelihood - held.log_likelihood < drop
    }
}

/// Parameters of a leak so large that alone it just meets the data somewhere.
fn touching(leak: Leak, data: &[CurvePoint]) -> Vec<f64> {
    let alone = Model::incoherent(vec![leak]);
    let (mut low, mut high) = leak.range(0);
    let mut theta = vec![0.0; leak.parameters().len()];
    for _ in 0..40 {
        theta[0] = 0.5 * (low + high);
        let clear = data.iter().all(|point| {
            let dynamic_range_db = point.dynamic_range_db.unwrap_or(0.0);
            alone.se_db(&theta, point.frequency_hz, dynamic_range_db).0 >= point.se_db
        });
        match clear {
            true => low = theta[0],
            false => high = theta[0],
        }
    }
    theta
}

/// ln Φ(z) and φ(z)/Φ(z), also far out in the lower tail.
pub(super) fn log_normal_cdf(z: f64) -> (f64, f64) {
    const ROOT_2PI: f64 = 2.506_628_274_631_000_5;
    if z < -35.0 {
        return (-0.5 * z * z - (-z * ROOT_2PI).ln(), -z);
    }
    let cdf = 0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2);
    (cdf.ln(), (-0.5 * z * z).exp() / ROOT_2PI / cdf)
}

#[cfg(test)]
mod tests {
    use super::super::check::near;
    use super::*;

    #[test]
    fn the_normal_tail() {
        // Tables of the normal distribution: Φ(-1.96) = 0.0249979, Φ(0) = 1/2; continuity at the switch.
        near(log_normal_cdf(-1.96).0.exp(), 0.024_997_9, 1e-7);
        near(log_normal_cdf(0.0).0.exp(), 0.5, 1e-15);
        let (a, b) = (log_normal_cdf(-35.0), log_normal_cdf(-35.0 - 1e-9));
        near(a.0, b.0, 1e-3);
        near(a.1, b.1, 0.04);
    }

    #[test]
    fn slopes_are_the_derivatives() {
        let model = Model::incoherent(vec![Leak::Sheet, Leak::Slots, Leak::Seam, Leak::Floor]);
        let theta = [0.1f64.ln(), 0.02f64.ln(), 0.7, 0.5f64.ln(), -0.2, 0.0];
        for f_hz in [1e6, 1e8, 3e9] {
            let (_, slope) = model.se_db(&theta, f_hz, 70.0);
            for at in 0..5 {
                let mut moved = theta;
                moved[at] += 1e-6;
                let up = model.se_db(&moved, f_hz, 70.0).0;
                moved[at] -= 2e-6;
                near(
                    (up - model.se_db(&moved, f_hz, 70.0).0) / 2e-6,
                    slope[at],
                    1e-4,
                );
            }
        }
        let shell = Model::incoherent(vec![Leak::Shell { radius_m: 0.15 }]);
        // ORACLES C30: a bag of 0.1 ohm and 0.15 m in a magnetic field.
        near(shell.se_db(&[0.1f64.ln(), 0.0], 1e6, 0.0).0, 12.19727, 1e-4);
    }

    #[test]
    fn leaks_add_in_power() {
        // ORACLES C28: 60 dB and 65 dB give 58.80669 dB; a film and a slot made to those values.
        let sheet = super::super::Z_0 / 2.0 / (1e3 - 1.0);
        let slot = super::super::LIGHT_M_PER_S / 1e8 / 2.0 * 10f64.powf(-65.0 / 20.0);
        let model = Model::incoherent(vec![Leak::Sheet, Leak::Slot]);
        near(
            model.se_db(&[sheet.ln(), slot.ln()], 1e8, 0.0).0,
            58.80669,
            1e-4,
        );
    }

    /// ORACLES B20: right-censored normal maximum likelihood, with the mean as a flat sheet.
    #[test]
    fn censored_likelihood() {
        let values = [52.1, 55.3, 56.8, 58.0, 58.9, 60.4, 61.2, 62.7];
        let bounds = [60.0, 64.0, 64.0, 64.0];
        let point = |se_db, kind| CurvePoint {
            frequency_hz: 1e8,
            se_db,
            u_db: 0.0,
            kind,
            dynamic_range_db: None,
        };
        let data: Vec<_> = values
            .map(|v| point(v, PointKind::Measured))
            .into_iter()
            .chain(bounds.map(|b| point(b, PointKind::AtLeast)))
            .collect();
        let model = Model::incoherent(vec![Leak::Sheet]);
        let fit = model.best(&data);
        near(model.se_db(&fit.theta, 1e8, 0.0).0, 60.89052, 1e-2);
        near(fit.theta[1].exp(), 4.939255, 1e-2);
        near(
            fit.log_likelihood - 8.0 * 0.5 * (2.0 * std::f64::consts::PI).ln(),
            -27.57206,
            1e-4,
        );
    }
}
