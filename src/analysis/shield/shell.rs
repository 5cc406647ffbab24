//! A closed item small against the wavelength: not a sheet in a wave but a shell in a quasi-static field.
//!
//! This is where "50 dB from 100 kHz" falls apart: the same conductive bag that stops an electric field
//! is nearly transparent to a magnetic one. After Kaden.

use num_complex::Complex64;
use serde::Serialize;
use std::f64::consts::PI;

use super::sheet::Material;
use super::{Basis, DB_PER_NEPER, EPSILON_0, LIGHT_M_PER_S, MU_0, ShieldError, db20, positive};
use crate::quantity::{Frequency, Length};

/// What the wall is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wall {
    /// A film or fabric, by sheet resistance in ohm per square.
    Film {
        /// Ohm per square.
        sheet_resistance_ohm: f64,
    },
    /// Solid metal.
    Solid {
        /// The metal.
        material: Material,
        /// Its thickness.
        thickness: Length,
    },
}

/// The shape that comes nearest to the item; a box goes as the sphere of equal volume.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A sphere of radius a.
    Sphere,
    /// A long cylinder of radius a, magnetic field across its axis.
    CylinderAcross,
    /// Two parallel plates at distance 2a, magnetic field along them.
    Plates,
}

/// Shielding by a small closed shell.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ShellShielding {
    /// Against a magnetic field.
    pub se_magnetic_db: f64,
    /// Against an electric field; given for the sphere only.
    pub se_electric_db: Option<f64>,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// Largest radius in units of λ/2π at which the quasi-static formulas are used.
pub const LARGEST_KA: f64 = 0.5;

/// Magnetic and electric shielding of a closed shell of radius (half distance) `radius`.
///
/// # Errors
/// Beyond `radius` = 0.5 λ/2π, where the inside is no longer quasi-static; for numbers not positive.
pub fn shell(
    wall: Wall,
    shape: Shape,
    radius: Length,
    frequency: Frequency,
) -> Result<ShellShielding, ShieldError> {
    let f_hz = positive("frequency", frequency.hz())?;
    let a_m = positive("radius", radius.m())?;
    let omega = 2.0 * PI * f_hz;
    let ka = omega / LIGHT_M_PER_S * a_m;
    if ka > LARGEST_KA {
        return Err(ShieldError::Outside {
            what: "radius",
            given: format!("{radius} ({ka:.3} lambda/2pi)"),
            limit: format!(
                "quasi-static up to {LARGEST_KA} lambda/2pi; above, use sheet and cavity"
            ),
        });
    }
    let inside = match wall {
        Wall::Film {
            sheet_resistance_ohm,
        } => {
            let rs = positive("sheet resistance", sheet_resistance_ohm)?;
            Inside::film(rs, omega, a_m)
        }
        Wall::Solid {
            material,
            thickness,
        } => {
            let depth_m = material.checked_skin_depth_m(f_hz)?;
            Inside::solid(
                &material,
                positive("thickness", thickness.m())?,
                depth_m,
                a_m,
            )
        }
    };
    let magnetic = match shape {
        Shape::Sphere => inside.cosh + (inside.k_sinh + 2.0 * inside.sinh_over_k) / 3.0,
        Shape::CylinderAcross => inside.cosh + (inside.k_sinh + inside.sinh_over_k) / 2.0,
        Shape::Plates => inside.cosh + inside.k_sinh,
    };
    let electric = inside.scale
        + 2.0 / (3.0 * Complex64::i() * omega * EPSILON_0 * a_m) * inside.transfer_siemens;
    let scaled = |value: Complex64| db20(value.norm()) + inside.nepers * DB_PER_NEPER;
    Ok(ShellShielding {
        se_magnetic_db: scaled(magnetic),
        se_electric_db: (shape == Shape::Sphere).then(|| scaled(electric)),
        basis: Basis {
            source: "Kaden, Wirbelstroeme und Schirmung in der Nachrichtentechnik (magnetic); \
                     quasi-static sphere with the wall's transfer impedance (electric)",
            validity: "closed, no openings, wall thin against the radius, radius up to 0.5 lambda/2pi",
        },
    })
}

/// cosh, K sinh, sinh/K and sinh/Zs of the wall, all divided by e^nepers so that thick walls do not overflow.
struct Inside {
    nepers: f64,
    /// e^-nepers: the scaled 1.
    scale: f64,
    cosh: Complex64,
    k_sinh: Complex64,
    sinh_over_k: Complex64,
    transfer_siemens: Complex64,
}

impl Inside {
    fn film(rs: f64, omega: f64, a_m: f64) -> Self {
        Self {
            nepers: 0.0,
            scale: 1.0,
            cosh: Complex64::ONE,
            k_sinh: Complex64::new(0.0, omega * MU_0 * a_m / rs),
            sinh_over_k: Complex64::ZERO,
            transfer_siemens: Complex64::from(1.0 / rs),
        }
    }

    fn solid(material: &Material, t_m: f64, depth_m: f64, a_m: f64) -> Self {
        let nepers = t_m / depth_m;
        let turn = Complex64::from_polar(0.5, nepers);
        let back = Complex64::from_polar(0.5 * (-2.0 * nepers).exp(), -nepers);
        let (cosh, sinh) = (turn + back, turn - back);
        let k = Complex64::new(1.0, 1.0) / depth_m * a_m / material.relative_permeability;
        Self {
            nepers,
            scale: (-nepers).exp(),
            cosh,
            k_sinh: k * sinh,
            sinh_over_k: sinh / k,
            transfer_siemens: sinh / material.impedance_ohm(depth_m),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::check::near;
    use super::super::sheet::{COPPER, Material, STEEL};
    use super::*;

    fn at(wall: Wall, shape: Shape, a: f64, f: f64) -> Result<ShellShielding, ShieldError> {
        shell(wall, shape, Length::from_m(a), Frequency::from_hz(f))
    }
    const BAG: Wall = Wall::Film {
        sheet_resistance_ohm: 0.1,
    };

    #[test]
    fn a_conductive_bag() {
        // ORACLES C30 (Kaden; electric derived there).
        for (f, se) in [
            (1e5, 0.6290319),
            (1e6, 12.19727),
            (1e7, 31.92998),
            (1e8, 51.92722),
        ] {
            near(
                at(BAG, Shape::Sphere, 0.15, f)
                    .expect("valid")
                    .se_magnetic_db,
                se,
                1e-4,
            );
        }
        for (f, se) in [(1e5, 138.0498), (1e6, 118.0498)] {
            let got = at(BAG, Shape::Sphere, 0.15, f)
                .expect("valid")
                .se_electric_db;
            near(got.expect("sphere"), se, 1e-3);
        }
    }

    #[test]
    fn a_thin_solid_wall_is_a_film() {
        let wall = Wall::Solid {
            material: COPPER,
            thickness: Length::from_m(1e-6),
        };
        let film = Wall::Film {
            sheet_resistance_ohm: 1.0 / (5.8e7 * 1e-6),
        };
        for shape in [Shape::Sphere, Shape::CylinderAcross, Shape::Plates] {
            let (a, b) = (at(wall, shape, 0.2, 1e5), at(film, shape, 0.2, 1e5));
            let (a, b) = (a.expect("valid"), b.expect("valid"));
            near(a.se_magnetic_db, b.se_magnetic_db, 1e-3);
            assert_eq!(a.se_electric_db.is_some(), b.se_electric_db.is_some());
            if let (Some(a), Some(b)) = (a.se_electric_db, b.se_electric_db) {
                near(a, b, 1e-3);
            }
        }
    }

    #[test]
    fn iron_shields_a_steady_field_by_its_permeability() {
        // Kaden's static limit of the sphere: 1 + (2/3) mu_r t/a; 1 mHz is steady enough for 1 mm.
        let wall = Wall::Solid {
            material: STEEL,
            thickness: Length::from_m(1e-3),
        };
        let want = db20(1.0 + 2.0 / 3.0 * 1000.0 * 1e-3 / 0.1);
        near(
            at(wall, Shape::Sphere, 0.1, 1e-3)
                .expect("valid")
                .se_magnetic_db,
            want,
            0.01,
        );
    }

    #[test]
    fn very_thick_walls_do_not_overflow() {
        let wall = Wall::Solid {
            material: Material {
                magnetic_to_hz: None,
                ..STEEL
            },
            thickness: Length::from_m(0.02),
        };
        let got = at(wall, Shape::Sphere, 0.1, 1e8).expect("valid");
        assert!(got.se_magnetic_db.is_finite() && got.se_magnetic_db > 1e5);
        assert!(got.se_electric_db.expect("sphere").is_finite());
    }

    #[test]
    fn refuses_an_item_that_is_not_small() {
        let said = at(BAG, Shape::Sphere, 0.15, 1e9)
            .expect_err("large")
            .to_string();
        assert!(said.contains("quasi-static"), "{said}");
    }
}
