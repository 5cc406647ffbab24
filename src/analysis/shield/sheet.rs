//! One sheet: skin depth, solid metal, thin film or fabric, in far and near fields.
//!
//! The exact form is a transmission line in series (Schelkunoff): absorption, reflection and the
//! correction for multiple reflection add up to the insertion loss of the sheet between two half-spaces
//! of the field's wave impedance. The handbooks' rounded formulas are kept only to reproduce their tables.

use num_complex::Complex64;
use serde::Serialize;
use std::f64::consts::PI;
use std::str::FromStr;

use super::{
    Basis, DB_PER_NEPER, EPSILON_0, LIGHT_M_PER_S, MU_0, ShieldError, Z_0, db20, positive,
};
use crate::quantity::{Frequency, Length};

const COPPER_S_PER_M: f64 = 5.8e7;

/// A conductor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Material {
    /// Conductivity in S/m.
    pub conductivity_s_per_m: f64,
    /// Permeability relative to vacuum.
    pub relative_permeability: f64,
    /// The highest frequency at which it has that permeability, where it is not said for the frequency asked.
    #[serde(skip)]
    pub magnetic_to_hz: Option<f64>,
}

/// Annealed copper.
pub const COPPER: Material = Material {
    conductivity_s_per_m: COPPER_S_PER_M,
    relative_permeability: 1.0,
    magnetic_to_hz: None,
};
/// Aluminium.
pub const ALUMINIUM: Material = Material {
    conductivity_s_per_m: 3.54e7,
    relative_permeability: 1.0,
    magnetic_to_hz: None,
};
/// Above this the permeability of mild steel is no constant any more: it falls towards 1, by grade and treatment
/// (common practice, no source).
const STEEL_TO_HZ: f64 = 100e3;
/// Mild steel, small signals, low frequency.
pub const STEEL: Material = Material {
    conductivity_s_per_m: 5.8e6,
    relative_permeability: 1000.0,
    magnetic_to_hz: Some(STEEL_TO_HZ),
};

impl FromStr for Material {
    type Err = String;
    /// `copper`, `aluminium`, `steel`, or conductivity in S/m and, if not 1, relative permeability: `5.8e6,1000`.
    fn from_str(text: &str) -> Result<Self, String> {
        match text.trim() {
            "copper" => return Ok(COPPER),
            "aluminium" => return Ok(ALUMINIUM),
            "steel" => return Ok(STEEL),
            _ => {}
        }
        let (conductivity, permeability) = text.split_once(',').unwrap_or((text, "1"));
        match (conductivity.trim().parse(), permeability.trim().parse()) {
            (Ok(conductivity_s_per_m), Ok(relative_permeability)) => Ok(Self {
                conductivity_s_per_m,
                relative_permeability,
                magnetic_to_hz: None,
            }),
            _ => Err(format!(
                "`{text}` is not a material; give copper, aluminium, steel, or conductivity in S/m and relative \
                 permeability, like 5.8e6,1000"
            )),
        }
    }
}

impl Material {
    /// Checks the numbers and that it is a good conductor at this frequency; returns the skin depth in m.
    pub(super) fn checked_skin_depth_m(&self, f_hz: f64) -> Result<f64, ShieldError> {
        let sigma = positive("conductivity", self.conductivity_s_per_m)?;
        positive("relative permeability", self.relative_permeability)?;
        positive("frequency", f_hz)?;
        if let Some(to_hz) = self.magnetic_to_hz.filter(|to_hz| f_hz > *to_hz) {
            return Err(ShieldError::Outside {
                what: "frequency",
                given: Frequency::from_hz(f_hz).to_string(),
                limit: format!(
                    "the permeability of this material is known up to {}; above, it falls. Give conductivity and the \
                     permeability that it has there; `{:e},1` is the cautious choice",
                    Frequency::from_hz(to_hz),
                    self.conductivity_s_per_m
                ),
            });
        }
        let ratio = sigma / (2.0 * PI * f_hz * EPSILON_0);
        if ratio < 100.0 {
            return Err(ShieldError::Outside {
                what: "conductivity over displacement current",
                given: format!("{ratio:.3}"),
                limit: "a good conductor has at least 100; use a film's sheet resistance instead"
                    .into(),
            });
        }
        Ok(self.skin_depth_m(f_hz))
    }

    pub(super) fn skin_depth_m(&self, f_hz: f64) -> f64 {
        let mu = MU_0 * self.relative_permeability;
        1.0 / (PI * f_hz * mu * self.conductivity_s_per_m).sqrt()
    }

    /// Intrinsic impedance of the metal, (1 + j)/(σδ), ohm.
    pub(super) fn impedance_ohm(&self, skin_depth_m: f64) -> Complex64 {
        Complex64::new(1.0, 1.0) / (self.conductivity_s_per_m * skin_depth_m)
    }
}

/// What kind of field meets the shield.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Field {
    /// A plane wave, far from its source.
    PlaneWave,
    /// The field of a short electric dipole at this distance.
    NearElectric {
        /// Source to shield.
        distance: Length,
    },
    /// The field of a small loop at this distance.
    NearMagnetic {
        /// Source to shield.
        distance: Length,
    },
}

impl Field {
    /// Wave impedance in ohm.
    ///
    /// Exact for the transverse field of a short dipole and a small loop: 1/(jωε₀r) and jωμ₀r close by,
    /// 376.7 ohm far away, with no step at λ/2π (any antenna text, e.g. Balanis, ch. 4 and 5).
    ///
    /// # Errors
    /// If frequency or distance is not positive.
    pub fn impedance_ohm(&self, frequency: Frequency) -> Result<Complex64, ShieldError> {
        let f_hz = positive("frequency", frequency.hz())?;
        let (distance, electric) = match self {
            Self::PlaneWave => return Ok(Complex64::new(Z_0, 0.0)),
            Self::NearElectric { distance } => (distance, true),
            Self::NearMagnetic { distance } => (distance, false),
        };
        let kr = 2.0 * PI * f_hz / LIGHT_M_PER_S * positive("distance", distance.m())?;
        let x = Complex64::new(0.0, -1.0 / kr);
        let ratio = (1.0 + x + x * x) / (1.0 + x);
        Ok(if electric { Z_0 * ratio } else { Z_0 / ratio })
    }
}

/// A skin depth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SkinDepth {
    /// Depth at which the field has fallen to 1/e, in m.
    pub skin_depth_m: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// Skin depth 1/√(πfμσ).
///
/// # Errors
/// Outside good conductors, or for numbers that are not positive.
pub fn skin_depth(material: &Material, frequency: Frequency) -> Result<SkinDepth, ShieldError> {
    Ok(SkinDepth {
        skin_depth_m: material.checked_skin_depth_m(frequency.hz())?,
        basis: Basis {
            source: "1/sqrt(pi f mu sigma); Ott, Electromagnetic Compatibility Engineering, ch. 6",
            validity: "good conductors (sigma at least 100 omega epsilon_0), small signals: permeability \
                       taken as constant",
        },
    })
}

/// Shielding by one sheet and its three parts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SheetShielding {
    /// Total: the sum of the three parts.
    pub se_db: f64,
    /// Loss inside the material.
    pub absorption_db: f64,
    /// Loss by reflection at both faces.
    pub reflection_db: f64,
    /// Correction for multiple reflection; negative in thin sheets.
    pub multiple_reflection_db: f64,
    /// Magnitude of the field's wave impedance used.
    pub wave_impedance_ohm: f64,
    /// Skin depth, m.
    pub skin_depth_m: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// A solid metal sheet, exact as a transmission line.
///
/// # Errors
/// For numbers that are not positive, or a poor conductor.
pub fn solid(
    material: &Material,
    thickness: Length,
    frequency: Frequency,
    field: Field,
) -> Result<SheetShielding, ShieldError> {
    let depth_m = material.checked_skin_depth_m(frequency.hz())?;
    let nepers = positive("thickness", thickness.m())? / depth_m;
    let zw = field.impedance_ohm(frequency)?;
    let zs = material.impedance_ohm(depth_m);
    let absorption_db = DB_PER_NEPER * nepers;
    let reflection_db = db20(((zw + zs) * (zw + zs) / (4.0 * zw * zs)).norm());
    let gamma = (zs - zw) / (zs + zw);
    let round_trip = (Complex64::new(-2.0, -2.0) * nepers).exp();
    let multiple_reflection_db = db20((1.0 - gamma * gamma * round_trip).norm());
    Ok(SheetShielding {
        se_db: absorption_db + reflection_db + multiple_reflection_db,
        absorption_db,
        reflection_db,
        multiple_reflection_db,
        wave_impedance_ohm: zw.norm(),
        skin_depth_m: depth_m,
        basis: Basis {
            source: "Schelkunoff's transmission line, exact (A + R + B); wave impedance of a short dipole \
                     or a small loop near by",
            validity: "sheet without openings, large and flat against distance and wavelength; a closed \
                       item small against the wavelength is a shell, not a sheet",
        },
    })
}

/// Shielding by a film.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FilmShielding {
    /// Total.
    pub se_db: f64,
    /// Magnitude of the field's wave impedance used.
    pub wave_impedance_ohm: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// A conductive film or fabric by its sheet resistance in ohm per square: 20 lg |1 + Zw/2Rs|.
///
/// # Errors
/// For numbers that are not positive.
pub fn film(
    sheet_resistance_ohm: f64,
    frequency: Frequency,
    field: Field,
) -> Result<FilmShielding, ShieldError> {
    let rs = positive("sheet resistance", sheet_resistance_ohm)?;
    let zw = field.impedance_ohm(frequency)?;
    Ok(FilmShielding {
        se_db: db20((1.0 + zw / (2.0 * rs)).norm()),
        wave_impedance_ohm: zw.norm(),
        basis: Basis {
            source: "shunt resistance on a transmission line, exact: 20 lg |1 + Zw/2Rs|",
            validity: "conductor much thinner than its skin depth, large and flat against distance and \
                       wavelength, no openings; a closed item small against the wavelength is a shell",
        },
    })
}

/// Which rounded handbook formulas to use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Handbook {
    /// Ott's metric ones (168, 322, 14.6, 131).
    Ott,
    /// MIL-HDBK-419A volume 1, 8.3.2 (354, 0.462/0.136/0.354, 3.338e-3; inches and mils).
    MilHdbk419a,
}

/// Absorption and reflection as a handbook's rounded formulas give them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HandbookLoss {
    /// Absorption.
    pub absorption_db: f64,
    /// Reflection.
    pub reflection_db: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// Absorption and reflection by the printed formulas, to reproduce handbook tables; [`solid`] is exact.
///
/// # Errors
/// For numbers that are not positive; beyond λ/2π for the near-field formulas.
pub fn handbook(
    which: Handbook,
    material: &Material,
    thickness: Length,
    frequency: Frequency,
    field: Field,
) -> Result<HandbookLoss, ShieldError> {
    material.checked_skin_depth_m(frequency.hz())?;
    let f_hz = frequency.hz();
    let t_m = positive("thickness", thickness.m())?;
    let mu = material.relative_permeability;
    let sigma = material.conductivity_s_per_m / COPPER_S_PER_M;
    let root = (f_hz * mu * sigma).sqrt();
    let lg10 = |x: f64| 10.0 * x.log10();
    let near = |distance: Length| {
        let r_m = positive("distance", distance.m())?;
        let limit_m = frequency.wavelength_m() / (2.0 * PI);
        if r_m > limit_m {
            return Err(ShieldError::Outside {
                what: "distance",
                given: distance.to_string(),
                limit: format!(
                    "near-field formulas end at lambda/2pi = {limit_m:.4} m; use a plane wave"
                ),
            });
        }
        Ok(r_m)
    };
    let (absorption_db, reflection_db, source) = match which {
        Handbook::Ott => {
            let r = match field {
                Field::PlaneWave => 168.0 + lg10(sigma / (mu * f_hz)),
                Field::NearElectric { distance } => {
                    322.0 + lg10(sigma / (mu * f_hz.powi(3) * near(distance)?.powi(2)))
                }
                Field::NearMagnetic { distance } => {
                    14.6 + lg10(f_hz * near(distance)?.powi(2) * sigma / mu)
                }
            };
            (
                131.0 * t_m * root,
                r,
                "Ott, Electromagnetic Compatibility Engineering, ch. 6",
            )
        }
        Handbook::MilHdbk419a => {
            const INCH_M: f64 = 0.0254;
            let r = match field {
                Field::PlaneWave => 168.0 - lg10(f_hz * mu / sigma),
                Field::NearElectric { distance } => {
                    let r_in = near(distance)? / INCH_M;
                    354.0 - lg10(mu * f_hz.powi(3) * r_in.powi(2) / sigma)
                }
                Field::NearMagnetic { distance } => {
                    let r_in = near(distance)? / INCH_M;
                    let s = (mu / (f_hz * sigma)).sqrt();
                    db20(0.462 / r_in * s + 0.136 * r_in / s + 0.354)
                }
            };
            let t_mil = t_m / INCH_M * 1000.0;
            (3.338e-3 * t_mil * root, r, "MIL-HDBK-419A volume 1, 8.3.2")
        }
    };
    Ok(HandbookLoss {
        absorption_db,
        reflection_db,
        basis: Basis {
            source,
            validity: "rounded constants, good conductors; multiple reflection left out, so too high \
                       where absorption is below some 10 dB",
        },
    })
}

#[cfg(test)]
mod tests {
    use super::super::check::{near, near_rel};
    use super::*;

    fn hz(f: f64) -> Frequency {
        Frequency::from_hz(f)
    }
    fn m(l: f64) -> Length {
        Length::from_m(l)
    }

    #[test]
    fn skin_depths_of_the_textbooks() {
        // ORACLES C1 (Ott's table: copper 8.5 mm at 60 Hz).
        let frequencies = [60.0, 1e4, 1e5, 1e6, 1e8, 1e9];
        let table = [
            (
                COPPER,
                [8531.6, 660.8549, 208.9807, 66.08549, 6.608549, 2.089807],
            ),
            (
                ALUMINIUM,
                [10920.51, 845.899, 267.4967, 84.5899, 8.45899, 2.674967],
            ),
            (
                // The table keeps the permeability of low frequencies throughout.
                Material {
                    magnetic_to_hz: None,
                    ..STEEL
                },
                [853.16, 66.08549, 20.89807, 6.608549, 0.6608549, 0.2089807],
            ),
        ];
        for (material, depths_um) in table {
            for (f, um) in frequencies.iter().zip(depths_um) {
                let got = skin_depth(&material, hz(*f)).expect("metal").skin_depth_m;
                near_rel(got * 1e6, um, 1e-5);
            }
        }
    }

    #[test]
    fn copper_foil_part_by_part() {
        // ORACLES C2 (Schelkunoff), 18 µm copper, plane wave.
        for (f, a, r, b, se) in [
            (1e5, 0.7481362, 118.1398, -13.01386, 105.8741),
            (1e6, 2.365814, 108.1398, -4.630493, 105.8751),
            (1e8, 23.65814, 88.13991, -0.02508195, 111.773),
            (1e9, 74.81362, 78.14017, 1.495822e-8, 152.9538),
        ] {
            let got = solid(&COPPER, m(18e-6), hz(f), Field::PlaneWave).expect("copper");
            near(got.absorption_db, a, 1e-4);
            near(got.reflection_db, r, 1e-3);
            near(got.multiple_reflection_db, b, 1e-4);
            near(got.se_db, se, 1e-3);
        }
    }

    #[test]
    fn steel_is_not_given_a_permeability_that_it_has_lost() {
        let at = |material: &str, f| {
            let material = material.parse().expect("a material");
            solid(&material, m(1e-3), hz(f), Field::PlaneWave)
        };
        assert!(at("steel", 50e3).is_ok());
        let said = at("steel", 1e9).expect_err("lost by then").to_string();
        assert!(said.contains("`5.8e6,1`"), "{said}");
        assert!(at("5.8e6,1", 1e9).is_ok());
    }

    #[test]
    fn near_fields_tend_to_the_textbook_impedances() {
        // Ott, ch. 6: 1/(ωε₀r) and ωμ₀r close by, 377 ohm far away.
        let near_by = m(0.3);
        let f = hz(1e5);
        let w = 2.0 * PI * 1e5;
        let e = Field::NearElectric { distance: near_by }
            .impedance_ohm(f)
            .expect("valid");
        let h = Field::NearMagnetic { distance: near_by }
            .impedance_ohm(f)
            .expect("valid");
        near_rel(e.norm(), 1.0 / (w * EPSILON_0 * 0.3), 1e-5);
        near_rel(h.norm(), w * MU_0 * 0.3, 1e-5);
        for field in [
            Field::NearElectric { distance: m(1e3) },
            Field::NearMagnetic { distance: m(1e3) },
        ] {
            near_rel(
                field.impedance_ohm(hz(1e9)).expect("valid").norm(),
                Z_0,
                1e-6,
            );
        }
    }

    #[test]
    fn exact_near_field_reflection_meets_the_handbook() {
        // Ott's rounded constants against the exact line, thick copper, 0.3 m.
        for field in [
            Field::PlaneWave,
            Field::NearElectric { distance: m(0.3) },
            Field::NearMagnetic { distance: m(0.3) },
        ] {
            let exact = solid(&COPPER, m(1e-3), hz(1e5), field).expect("valid");
            let book = handbook(Handbook::Ott, &COPPER, m(1e-3), hz(1e5), field).expect("valid");
            near(exact.reflection_db, book.reflection_db, 0.5);
            near_rel(exact.absorption_db, book.absorption_db, 0.005);
        }
    }

    #[test]
    fn handbook_of_ott() {
        // ORACLES C4.
        let at =
            |f, field| handbook(Handbook::Ott, &COPPER, m(18e-6), hz(f), field).expect("valid");
        let e = Field::NearElectric { distance: m(0.3) };
        let h = Field::NearMagnetic { distance: m(0.3) };
        near(at(1e5, Field::PlaneWave).reflection_db, 118.0, 1e-9);
        near(at(1e6, Field::PlaneWave).reflection_db, 108.0, 1e-9);
        near(at(1e5, e).reflection_db, 182.4576, 1e-3);
        near(at(1e6, e).reflection_db, 152.4576, 1e-3);
        near(at(1e5, h).reflection_db, 54.14243, 1e-3);
        near(at(1e6, h).reflection_db, 64.14243, 1e-3);
        near(at(1e6, h).absorption_db, 2.358, 1e-9);
    }

    #[test]
    fn handbook_table_of_the_military() {
        // ORACLES C5, C6: MIL-HDBK-419A volume 1, table 8-4, and the formulas behind it.
        let r = m(12.0 * 0.0254);
        let iron = |mu| Material {
            conductivity_s_per_m: 0.17 * COPPER_S_PER_M,
            relative_permeability: mu,
            magnetic_to_hz: None,
        };
        for (material, f, e, h, plane) in [
            (COPPER, 60.0, 279.0718, 22.27913, 150.2185),
            (COPPER, 1e3, 242.4164, 34.31398, 138.0),
            (COPPER, 150e3, 177.1336, 56.02018, 116.2391),
            (COPPER, 1e6, 152.4164, 64.25629, 108.0),
            (iron(1000.0), 60.0, 241.3763, -0.9148533, 112.523),
            (iron(1000.0), 1e3, 204.7209, 0.9864313, 100.3045),
            (iron(700.0), 1e6, 116.2699, 28.22881, 71.85351),
        ] {
            let at = |field| {
                handbook(Handbook::MilHdbk419a, &material, m(1e-3), hz(f), field)
                    .expect("valid")
                    .reflection_db
            };
            near(at(Field::NearElectric { distance: r }), e, 1e-3);
            near(at(Field::NearMagnetic { distance: r }), h, 1e-3);
            near(at(Field::PlaneWave), plane, 1e-3);
        }
        // ORACLES C7: equation 8-5.
        let mil = 25.4e-6;
        let absorption = |material: Material, mils: f64, f: f64| {
            let t = m(mils * mil);
            handbook(Handbook::MilHdbk419a, &material, t, hz(f), Field::PlaneWave)
                .expect("valid")
                .absorption_db
        };
        near(absorption(COPPER, 1.0, 1e6), 3.338, 1e-6);
        near(absorption(iron(1000.0), 10.0, 60.0), 3.371215, 1e-5);
    }

    #[test]
    fn films_in_a_plane_wave() {
        // ORACLES C8; its row of 377 ohm is the impedance of free space itself.
        for (rs, se) in [
            (0.01, 85.50047),
            (0.05, 71.52292),
            (0.1, 65.50462),
            (0.5, 51.54364),
            (1.0, 45.546),
            (10.0, 25.94931),
            (Z_0, 3.521825),
        ] {
            near(
                film(rs, hz(1e8), Field::PlaneWave).expect("valid").se_db,
                se,
                1e-4,
            );
        }
    }

    #[test]
    fn refuses_what_it_cannot_say() {
        let poor = Material {
            conductivity_s_per_m: 1.0,
            relative_permeability: 1.0,
            magnetic_to_hz: None,
        };
        let said = skin_depth(&poor, hz(1e10)).expect_err("poor").to_string();
        assert!(said.contains("good conductor"), "{said}");
        assert!(solid(&COPPER, m(0.0), hz(1e6), Field::PlaneWave).is_err());
        assert!(film(f64::NAN, hz(1e6), Field::PlaneWave).is_err());
        assert!(film(0.1, hz(0.0), Field::PlaneWave).is_err());
        let far = Field::NearMagnetic { distance: m(100.0) };
        let said = handbook(Handbook::Ott, &COPPER, m(1e-3), hz(1e8), far).expect_err("far");
        assert!(said.to_string().contains("lambda/2pi"), "{said}");
    }
}
