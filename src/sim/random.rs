//! Draws that depend on nothing but the seed and what is asked, so that a question asked twice, in
//! whatever order, has one answer.

use std::f64::consts::TAU;

/// One 64-bit word from a seed and a key (splitmix64, Steele, Lea and Flood, OOPSLA 2014).
pub(super) fn mix(seed: u64, key: u64) -> u64 {
    let mut word = seed
        .wrapping_add(key.wrapping_mul(0x9E37_79B9_7F4A_7C15))
        .wrapping_add(0x9E37_79B9_7F4A_7C15);
    word = (word ^ (word >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    word ^ (word >> 31)
}

/// A seed for one named part of the world.
pub(super) fn part(seed: u64, name: &str) -> u64 {
    name.bytes()
        .fold(seed, |word, byte| mix(word, u64::from(byte)))
}

/// Uniform in 0..1.
pub(super) fn uniform(seed: u64, key: u64) -> f64 {
    // 53 bits are what an f64 holds exactly.
    (mix(seed, key) >> 11) as f64 / (1u64 << 53) as f64
}

/// Uniform in -1..1.
pub(super) fn symmetric(seed: u64, key: u64) -> f64 {
    2.0 * uniform(seed, key) - 1.0
}

/// Standard normal (Box and Muller, 1958).
pub(super) fn normal(seed: u64, key: u64) -> f64 {
    let radius = (-2.0 * (1.0 - uniform(seed, key)).ln()).sqrt();
    radius * (TAU * uniform(mix(seed, 1), key)).cos()
}

/// A smooth curve in x with values in -1..1 that turns about once per unit of x.
pub(super) fn curve(seed: u64, x: f64) -> f64 {
    let (cell, weight) = blend(x);
    let (left, right) = (symmetric(seed, cell), symmetric(seed, cell.wrapping_add(1)));
    left + (right - left) * weight
}

/// A smooth curve in x that is standard normal at every x.
pub(super) fn normal_curve(seed: u64, x: f64) -> f64 {
    let (cell, weight) = blend(x);
    let (left, right) = (normal(seed, cell), normal(seed, cell.wrapping_add(1)));
    // Without the division the spread would sag between the lattice points.
    (left * (1.0 - weight) + right * weight) / (1.0 - weight).hypot(weight)
}

/// A smooth curve in x of angles, any of which is as likely at every x, rad.
pub(super) fn phase(seed: u64, x: f64) -> f64 {
    normal_curve(mix(seed, 1), x).atan2(normal_curve(mix(seed, 2), x))
}

/// The lattice cell of x and how far (cosine-smoothed) x lies into it.
fn blend(x: f64) -> (u64, f64) {
    let cell = x.floor();
    let into = x - cell;
    ((cell as i64) as u64, 0.5 - 0.5 * (into * TAU / 2.0).cos())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_question_has_the_same_answer() {
        assert_eq!(curve(7, 1.25).to_bits(), curve(7, 1.25).to_bits());
        assert!(curve(7, 1.25) != curve(8, 1.25));
    }

    #[test]
    fn a_normal_curve_has_unit_spread_everywhere() {
        let n = 20_000;
        for x in [0.0, 0.3, 0.5] {
            let squares: f64 = (0..n).map(|seed| normal_curve(seed, x).powi(2)).sum();
            let spread = (squares / n as f64).sqrt();
            assert!((spread - 1.0).abs() < 0.02, "{spread} at {x}");
        }
    }

    #[test]
    fn every_phase_is_as_likely() {
        let n = 20_000;
        for x in [0.0, 0.3, 0.5] {
            let mut quarters = [0; 4];
            for seed in 0..n {
                let turn = phase(seed, x) / TAU + 0.5;
                quarters[(4.0 * turn) as usize % 4] += 1;
            }
            for quarter in quarters {
                let share = f64::from(quarter) / n as f64;
                assert!((share - 0.25).abs() < 0.01, "{share} at {x}");
            }
        }
    }

    #[test]
    fn a_curve_is_continuous() {
        for step in 0..2000 {
            let x = f64::from(step) * 0.01 - 10.0;
            assert!((curve(3, x + 1e-6) - curve(3, x)).abs() < 1e-4);
        }
    }
}
