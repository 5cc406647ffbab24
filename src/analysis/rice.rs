//! One sample of a carrier in narrow-band noise.
//!
//! The receiver's filter makes Gaussian noise of random phase; a carrier adds to it as a vector. The
//! power of the sum, over the mean noise power, is half a noncentral chi-square with two degrees of
//! freedom (its amplitude is Rice distributed). Its upper tail is Marcum's Q1. `statrs` has neither.

use statrs::function::erf::erfc;

/// The carrier-to-noise power ratio above which the expansion for strong carriers takes over.
const STRONG: f64 = 64.0;

/// The chances that a sample's power stays at or below a level, and that it exceeds it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chance {
    /// At or below.
    pub below: f64,
    /// Above: Marcum's Q1(sqrt(2 carrier), sqrt(2 level)).
    pub above: f64,
}

/// The [`Chance`] at `level`, for a carrier of power `carrier`, both as ratios to the mean noise power
/// (not dB). Absolute error below 1e-8 from no carrier to 60 dB and beyond.
pub fn chance(level: f64, carrier: f64) -> Chance {
    let (level, carrier) = (level.max(0.0), carrier.max(0.0));
    let distance = (2.0 * level).sqrt() - (2.0 * carrier).sqrt();
    // The noise's reach: beyond it either chance is below 1e-16.
    if distance > 8.5 {
        return certain(0.0);
    }
    if carrier > STRONG {
        return strong(distance, (2.0 * carrier).sqrt());
    }
    // The amplitude can also fall short by chance of phase only down to a Gaussian tail.
    if distance < -9.0 {
        return certain(1.0);
    }
    series(level, carrier)
}

fn certain(above: f64) -> Chance {
    Chance {
        below: 1.0 - above,
        above,
    }
}

/// Poisson mixture of gamma distributions: the number of terms grows with the carrier.
fn series(level: f64, carrier: f64) -> Chance {
    let terms = (carrier + 8.0 * carrier.sqrt() + 20.0) as usize;
    let (mut weight, mut term) = ((-carrier).exp(), (-level).exp());
    let mut tail = term;
    let mut above = weight * tail;
    for k in 1..=terms {
        let inverse = 1.0 / k as f64;
        weight *= carrier * inverse;
        term *= level * inverse;
        tail += term;
        above += weight * tail;
    }
    certain(above.min(1.0))
}

/// Integral of r exp(-(r-a)^2/2) I0e(ar) with the integrand expanded in 1/a up to the sixth power.
fn strong(distance: f64, amplitude: f64) -> Chance {
    let (t, e) = (distance, 1.0 / amplitude);
    let density = (-0.5 * t * t).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let s = t * t;
    let fifth = ((7.0 * s + 18.0) * s + 9.0) / 256.0;
    let sixth = t * ((21.0 * s + 70.0) * s + 75.0) / 1024.0;
    let fourth = t * (5.0 * s + 9.0) / 128.0 - e * (fifth - e * sixth);
    let correction = density * e * (0.5 - e * (t / 8.0 - e * ((s + 1.0) / 16.0 - e * fourth)));
    let root2 = std::f64::consts::SQRT_2;
    Chance {
        below: (0.5 * erfc(-t / root2) - correction).clamp(0.0, 1.0),
        above: (0.5 * erfc(t / root2) + correction).clamp(0.0, 1.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ratio(db: f64) -> f64 {
        10f64.powf(db / 10.0)
    }

    /// (level dB, carrier dB, below), computed with scipy 1 `ncx2.cdf(2x, 2, 2a)`.
    const SCIPY: [(f64, f64, f64); 15] = [
        (0.0, 0.0, 0.3457458387231645),
        (-5.0, 3.0, 0.04907023673130149),
        (5.0, 0.0, 0.795422296347112),
        (10.0, 10.0, 0.45510984405758714),
        (8.0, 10.0, 0.1476977556048421),
        (13.0, 10.0, 0.9600083146278542),
        (20.0, 20.0, 0.48588642002544574),
        (22.9, 23.0, 0.39980515230622227),
        (23.1, 23.1, 0.49012588506367677),
        (24.0, 23.2, 0.9743409412154495),
        (30.0, 30.1, 0.29841453227760667),
        (40.0, 40.02, 0.3708732573969227),
        (60.0, 59.999, 0.5645259855576547),
        (60.0, 60.003, 0.3124598180460173),
        (3.0, -30.0, 0.8637507081678589),
    ];

    #[test]
    fn agrees_with_an_independent_library() {
        for (level_db, carrier_db, below) in SCIPY {
            let found = chance(ratio(level_db), ratio(carrier_db));
            assert!(
                (found.below - below).abs() < 1e-8 && (found.above - (1.0 - below)).abs() < 1e-8,
                "{level_db} {carrier_db}: {found:?} {below}"
            );
        }
    }

    #[test]
    fn without_a_carrier_the_power_is_exponential() {
        for level in [0.0f64, 1e-6, 0.3, 1.0, 5.0, 20.0] {
            assert!((chance(level, 0.0).above - (-level).exp()).abs() < 1e-15);
        }
        assert_eq!(chance(1e9, 0.0).above, 0.0);
    }

    /// The Rice amplitude density, integrated by Simpson's rule with its Bessel function as an integral.
    fn integrated(level: f64, carrier: f64) -> f64 {
        let alpha = (2.0 * carrier).sqrt();
        let simpson = |f: &dyn Fn(f64) -> f64, from: f64, to: f64, n: usize| {
            let h = (to - from) / n as f64;
            let inner: f64 = (1..n)
                .map(|i| (2 + 2 * (i % 2)) as f64 * f(from + i as f64 * h))
                .sum();
            h / 3.0 * (f(from) + inner + f(to))
        };
        let scaled_i0 = |z: f64| {
            let pi = std::f64::consts::PI;
            simpson(&|t: f64| (z * (t.cos() - 1.0)).exp(), 0.0, pi, 400) / pi
        };
        let density = |r: f64| r * (-0.5 * (r - alpha).powi(2)).exp() * scaled_i0(alpha * r);
        let from = (alpha - 9.0).max(0.0);
        simpson(&density, from, (2.0 * level).sqrt().max(from), 2000)
    }

    #[test]
    fn agrees_with_numerical_integration_on_both_sides_of_the_switch() {
        for (level, carrier) in [
            (0.5, 1.0),
            (12.0, 9.0),
            (62.0, 63.9),
            (62.0, 64.1),
            (85.0, 64.1),
            (90.0, 64.1),
            (45.0, 64.1),
            (399.0, 400.1),
            (2100.0, 2000.0),
        ] {
            let (found, expected) = (chance(level, carrier).below, integrated(level, carrier));
            assert!(
                (found - expected).abs() < 1e-8,
                "{level} {carrier}: {found} {expected}"
            );
        }
    }
}
