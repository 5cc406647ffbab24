//! The closed item as a cavity: where it resonates, and how contents and walls shift that.

use serde::Serialize;

use super::{Basis, LIGHT_M_PER_S, ShieldError, positive};
use crate::quantity::{Frequency, Length};

/// The inside of a box, or the box nearest to a bag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoxSize {
    /// First inner dimension.
    pub a: Length,
    /// Second.
    pub b: Length,
    /// Third.
    pub c: Length,
}

/// What is inside and how lossy it is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Loading {
    /// Share of the mode's electric energy inside the contents, 0 to 1; about their share of the volume.
    pub fill: f64,
    /// Relative permittivity of the contents.
    pub relative_permittivity: f64,
    /// Quality factor of the loaded cavity.
    pub quality: f64,
}

impl Loading {
    /// An empty cavity of this quality factor.
    pub fn empty(quality: f64) -> Self {
        Self {
            fill: 0.0,
            relative_permittivity: 1.0,
            quality,
        }
    }
}

/// All field patterns at one resonance frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mode {
    /// Frequency of the empty, lossless box.
    pub frequency_hz: f64,
    /// Frequency shifted by contents and losses, to first order.
    pub loaded_hz: f64,
    /// Full width at half power, loaded frequency over Q.
    pub width_hz: f64,
    /// Half-wave counts along a, b, c of every pattern here.
    pub indices: Vec<[u32; 3]>,
    /// How many independent patterns share the frequency: two (TE and TM) where no index is zero.
    pub degeneracy: u32,
}

/// Resonances of a box.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Modes {
    /// In ascending frequency.
    pub modes: Vec<Mode>,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// Largest relative first-order shift that is still called first-order.
const LARGEST_SHIFT: f64 = 0.1;
/// A list longer than this is a continuum, not a list of resonances.
const MOST_MODES: f64 = 50_000.0;

/// All resonances of a rectangular cavity up to a frequency.
///
/// # Errors
/// For numbers not positive, a fill outside 0 to 1, a shift beyond 10 %, or some 50 000 modes and more.
pub fn modes(size: BoxSize, loading: Loading, up_to: Frequency) -> Result<Modes, ShieldError> {
    let sides_m = [
        positive("inner dimension a", size.a.m())?,
        positive("inner dimension b", size.b.m())?,
        positive("inner dimension c", size.c.m())?,
    ];
    let up_to_hz = positive("highest frequency", up_to.hz())?;
    let factor = shift_factor(loading)?;
    // Modes that loading pulls into the range count too.
    let empty_to_hz = up_to_hz / factor;
    let most = sides_m.map(|side_m| 2.0 * side_m * empty_to_hz / LIGHT_M_PER_S);
    if most.iter().map(|n| n + 1.0).product::<f64>() > MOST_MODES {
        return Err(ShieldError::Outside {
            what: "highest frequency",
            given: up_to.to_string(),
            limit: "so many modes overlap that single resonances mean nothing; ask for less".into(),
        });
    }
    let mut found = Vec::new();
    for l in 0..=most[0] as u32 {
        for m in 0..=most[1] as u32 {
            for n in 0..=most[2] as u32 {
                let index = [l, m, n];
                let f_hz = frequency_hz(index, sides_m);
                let zeros = index.iter().filter(|i| **i == 0).count();
                if zeros <= 1 && f_hz <= empty_to_hz {
                    found.push((f_hz, index));
                }
            }
        }
    }
    found.sort_by(|x, y| x.0.total_cmp(&y.0));
    let mut modes: Vec<Mode> = Vec::new();
    for (f_hz, index) in found {
        let patterns = if index.contains(&0) { 1 } else { 2 };
        match modes
            .last_mut()
            .filter(|mode| f_hz - mode.frequency_hz < 1e-9 * f_hz)
        {
            Some(mode) => {
                mode.indices.push(index);
                mode.degeneracy += patterns;
            }
            None => modes.push(Mode {
                frequency_hz: f_hz,
                loaded_hz: f_hz * factor,
                width_hz: f_hz * factor / loading.quality,
                indices: vec![index],
                degeneracy: patterns,
            }),
        }
    }
    Ok(Modes {
        modes,
        basis: Basis {
            source: "(c/2) sqrt((l/a)^2 + (m/b)^2 + (n/c)^2), at most one index zero (e.g. Pozar, Microwave \
                     Engineering, ch. 6); first-order shift -1/2Q from losses and -fill (eps_r - 1)/2 from \
                     contents (cavity perturbation, ibid.)",
            validity: "rectangular, closed, conducting walls, small openings; contents small or weak enough \
                       for a shift below 10 %; a bag's size and so its modes depend on how it is filled",
        },
    })
}

fn frequency_hz(index: [u32; 3], sides_m: [f64; 3]) -> f64 {
    let sum: f64 = index
        .iter()
        .zip(sides_m)
        .map(|(&n, side_m)| (f64::from(n) / side_m).powi(2))
        .sum();
    LIGHT_M_PER_S / 2.0 * sum.sqrt()
}

/// Loaded over empty frequency.
fn shift_factor(loading: Loading) -> Result<f64, ShieldError> {
    let quality = positive("quality factor", loading.quality)?;
    let permittivity = positive("relative permittivity", loading.relative_permittivity)?;
    if !(0.0..=1.0).contains(&loading.fill) {
        return Err(ShieldError::Outside {
            what: "fill",
            given: loading.fill.to_string(),
            limit: "a share from 0 to 1".into(),
        });
    }
    let shift = 0.5 / quality + loading.fill * (permittivity - 1.0) / 2.0;
    match shift.abs() <= LARGEST_SHIFT {
        true => Ok(1.0 - shift),
        false => Err(ShieldError::Outside {
            what: "relative shift of the resonances",
            given: format!("{shift:.3}"),
            limit: format!("first-order perturbation up to {LARGEST_SHIFT}; measure it instead"),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::super::check::near_rel;
    use super::*;

    fn cuboid(a: f64, b: f64, c: f64) -> BoxSize {
        BoxSize {
            a: Length::from_m(a),
            b: Length::from_m(b),
            c: Length::from_m(c),
        }
    }
    fn hz(f: f64) -> Frequency {
        Frequency::from_hz(f)
    }

    #[test]
    fn a_box_of_three_sides() {
        // ORACLES C13.
        let got = modes(cuboid(0.3, 0.4, 0.5), Loading::empty(1e12), hz(790e6))
            .expect("valid")
            .modes;
        let want = [
            (479.9021e6, [0, 1, 1], 1),
            (582.6918e6, [1, 0, 1], 1),
            (624.5676e6, [1, 1, 0], 1),
            (692.7916e6, [1, 1, 1], 2),
            (707.0591e6, [0, 1, 2], 1),
            (780.4846e6, [1, 0, 2], 1),
        ];
        assert_eq!(got.len(), want.len());
        for (mode, (f, index, degeneracy)) in got.iter().zip(want) {
            near_rel(mode.frequency_hz, f, 1e-6);
            assert_eq!(
                (mode.indices.as_slice(), mode.degeneracy),
                ([index].as_slice(), degeneracy)
            );
        }
    }

    #[test]
    fn a_cube_is_threefold() {
        // Textbook: TM110 = TE101 = TE011 in a cube.
        let got = modes(cuboid(0.3, 0.3, 0.3), Loading::empty(1e12), hz(720e6))
            .expect("valid")
            .modes;
        assert_eq!(got.len(), 1);
        assert_eq!(got[0].degeneracy, 3);
    }

    #[test]
    fn loading_lowers_and_widens() {
        // Cavity perturbation (Pozar, ch. 6): -fill (eps_r - 1)/2 and -1/2Q; arithmetic.
        let loading = Loading {
            fill: 0.05,
            relative_permittivity: 3.0,
            quality: 50.0,
        };
        let got = modes(cuboid(0.3, 0.4, 0.5), loading, hz(480e6))
            .expect("valid")
            .modes;
        near_rel(got[0].loaded_hz, 479.9021e6 * (1.0 - 0.05 - 0.01), 1e-6);
        near_rel(got[0].width_hz, got[0].loaded_hz / 50.0, 1e-12);
    }

    #[test]
    fn refuses_what_it_cannot_say() {
        let size = cuboid(0.3, 0.4, 0.5);
        let heavy = Loading {
            fill: 0.5,
            relative_permittivity: 4.0,
            quality: 100.0,
        };
        let said = modes(size, heavy, hz(1e9)).expect_err("heavy").to_string();
        assert!(said.contains("first-order"), "{said}");
        assert!(modes(size, Loading::empty(100.0), hz(1e12)).is_err());
        assert!(modes(cuboid(0.0, 0.4, 0.5), Loading::empty(100.0), hz(1e9)).is_err());
        let full = Loading {
            fill: 1.5,
            relative_permittivity: 1.0,
            quality: 100.0,
        };
        assert!(modes(size, full, hz(1e9)).is_err());
    }
}
