//! Openings: slots, rows of holes, meshes, seams, pipes and vents.
//!
//! In nearly every real item the openings leak more than the material, so these decide the result.

use num_complex::Complex64;
use serde::Serialize;
use std::f64::consts::PI;

use super::{Basis, DB_PER_NEPER, LIGHT_M_PER_S, MU_0, ShieldError, Z_0, db20, positive};
use crate::quantity::{Frequency, Length};

/// Shielding left by one opening.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OpeningShielding {
    /// Shielding, never below 0.
    pub se_db: f64,
    /// Frequency at which the opening is half a wavelength long and resonates, where it has one.
    pub resonance_hz: Option<f64>,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// A slot by its longest dimension: 20 lg(λ/2L), 0 dB from its half-wave resonance up.
///
/// # Errors
/// For numbers that are not positive.
pub fn slot(length: Length, frequency: Frequency) -> Result<OpeningShielding, ShieldError> {
    let l_m = positive("slot length", length.m())?;
    let lambda_m = LIGHT_M_PER_S / positive("frequency", frequency.hz())?;
    Ok(OpeningShielding {
        se_db: db20(lambda_m / (2.0 * l_m)).max(0.0),
        resonance_hz: Some(LIGHT_M_PER_S / (2.0 * l_m)),
        basis: Basis {
            source: "20 lg(lambda/2L); Ott, Electromagnetic Compatibility Engineering, ch. 6",
            validity: "far field, worst polarisation, wall thin and slot narrow against its length; set to \
                       0 dB from half a wavelength up; a resonant inside can make it worse",
        },
    })
}

/// Shielding left by n equal openings, by both rules that handbooks print.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RowShielding {
    /// One opening alone.
    pub one_db: f64,
    /// Less 10 lg n: leaks add in power (Ott's 20 lg of the square root of n).
    pub se_power_sum_db: f64,
    /// Less 20 lg n: leaks add in phase; the cautious one.
    pub se_in_phase_db: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// A row of `count` equal openings of this longest dimension.
///
/// # Errors
/// For no opening at all or numbers not positive; from half a wavelength per opening up; for a row longer than half a
/// wavelength.
pub fn row(count: u32, each: Length, frequency: Frequency) -> Result<RowShielding, ShieldError> {
    let one_db = slot(each, frequency)?.se_db;
    let n = positive("number of openings", f64::from(count))?;
    let row_m = n * each.m();
    let half_wave_m = frequency.wavelength_m() / 2.0;
    if one_db > 0.0 && row_m > half_wave_m {
        return Err(ShieldError::Outside {
            what: "row",
            given: format!(
                "{count} openings of {each}, at least {}",
                Length::from_m(row_m)
            ),
            limit: format!(
                "the rules for a row hold up to half a wavelength, {} here; beyond it its openings do not act together",
                Length::from_m(half_wave_m)
            ),
        });
    }
    if one_db == 0.0 {
        return Err(ShieldError::Outside {
            what: "opening",
            given: each.to_string(),
            limit: "the rule for a row ends where one opening is half a wavelength (0 dB)".into(),
        });
    }
    Ok(RowShielding {
        one_db,
        se_power_sum_db: (one_db - 10.0 * n.log10()).max(0.0),
        se_in_phase_db: (one_db - db20(n)).max(0.0),
        basis: Basis {
            source: "Ott, ch. 6: -20 lg sqrt(n), i.e. -10 lg n; other handbooks: -20 lg n (in phase)",
            validity: "equal openings in a row shorter than half a wavelength, each below half a \
                       wavelength; two-dimensional patterns: count the first row only (Ott)",
        },
    })
}

/// Shielding of a square wire mesh, wires bonded at the crossings.
///
/// # Errors
/// From a spacing of half a wavelength up; for wires thicker than the mesh; for numbers not positive.
pub fn mesh(
    spacing: Length,
    wire_diameter: Length,
    wire_ohm_per_m: f64,
    frequency: Frequency,
) -> Result<OpeningShielding, ShieldError> {
    let a_m = positive("mesh spacing", spacing.m())?;
    let d_m = positive("wire diameter", wire_diameter.m())?;
    let f_hz = positive("frequency", frequency.hz())?;
    if !(wire_ohm_per_m >= 0.0 && wire_ohm_per_m.is_finite()) {
        return Err(ShieldError::NotPositive {
            what: "wire resistance",
            given: wire_ohm_per_m,
        });
    }
    if d_m >= a_m {
        return Err(ShieldError::Outside {
            what: "wire diameter",
            given: wire_diameter.to_string(),
            limit: format!("thinner than the mesh spacing of {spacing}"),
        });
    }
    let resonance_hz = LIGHT_M_PER_S / (2.0 * a_m);
    if f_hz >= resonance_hz {
        return Err(ShieldError::Outside {
            what: "frequency",
            given: frequency.to_string(),
            limit: format!(
                "mesh spacing below half a wavelength, i.e. below {resonance_hz:.4e} Hz"
            ),
        });
    }
    let inductance_h = -MU_0 * a_m / (2.0 * PI) * (-PI * d_m / a_m).exp().mul_add(-1.0, 1.0).ln();
    let zs = Complex64::new(wire_ohm_per_m * a_m, 2.0 * PI * f_hz * inductance_h);
    Ok(OpeningShielding {
        se_db: db20((1.0 + Z_0 / (2.0 * zs)).norm()),
        resonance_hz: Some(resonance_hz),
        basis: Basis {
            source: "Casey, Electromagnetic shielding characteristics of wire-mesh screens, IEEE Trans. \
                     EMC 30 (1988): sheet impedance R'a + j omega (mu_0 a/2 pi) ln 1/(1 - e^(-2 pi r/a))",
            validity: "plane wave, normal incidence, bonded crossings, spacing below half a wavelength",
        },
    })
}

/// A seam by its transfer impedance: 20 lg(Z₀/|R + jωL|).
///
/// # Errors
/// For negative numbers or both zero.
pub fn seam(
    contact_ohm: f64,
    inductance_h: f64,
    frequency: Frequency,
) -> Result<OpeningShielding, ShieldError> {
    let omega = 2.0 * PI * positive("frequency", frequency.hz())?;
    for (what, given) in [
        ("contact resistance", contact_ohm),
        ("seam inductance", inductance_h),
    ] {
        if !(given >= 0.0 && given.is_finite()) {
            return Err(ShieldError::NotPositive { what, given });
        }
    }
    let transfer = positive(
        "seam transfer impedance",
        contact_ohm.hypot(omega * inductance_h),
    )?;
    Ok(OpeningShielding {
        se_db: db20(Z_0 / transfer).max(0.0),
        resonance_hz: None,
        basis: Basis {
            source: "shielding quality Z_0/Z_T of a joint, as for gaskets (SAE ARP 1705, IEEE 1302)",
            validity: "joint short against the wavelength or evenly made; transfer impedance per metre of \
                       seam over a metre of circumference, so only the order of magnitude for an item",
        },
    })
}

/// A seam held at fasteners: one slot between each two, all in a row.
///
/// # Errors
/// As [`row`]; for a spacing longer than the seam.
pub fn fastened_seam(
    seam_length: Length,
    fastener_spacing: Length,
    frequency: Frequency,
) -> Result<RowShielding, ShieldError> {
    let count = positive("seam length", seam_length.m())?
        / positive("fastener spacing", fastener_spacing.m())?;
    if !(1.0..1e6).contains(&count) {
        return Err(ShieldError::Outside {
            what: "fastener spacing",
            given: fastener_spacing.to_string(),
            limit: format!("no longer than the seam of {seam_length}, no shorter than a millionth"),
        });
    }
    row(count.floor() as u32, fastener_spacing, frequency)
}

/// The bore of a pipe or vent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bore {
    /// Round, by diameter.
    Round {
        /// Inner diameter.
        diameter: Length,
    },
    /// Rectangular, by its longer side.
    Rectangular {
        /// Longer inner side.
        longer_side: Length,
    },
}

/// Attenuation in a pipe below cut-off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PipeShielding {
    /// Attenuation along the pipe, the mouths' own reflection left out.
    pub attenuation_db: f64,
    /// Attenuation of `count` such pipes side by side, leaks adding in power (−10 lg n).
    pub array_power_sum_db: f64,
    /// The same with leaks adding in phase (−20 lg n).
    pub array_in_phase_db: f64,
    /// Cut-off of the lowest mode (TE11 round, TE10 rectangular).
    pub cutoff_hz: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// First zero of J₁′, which sets the TE11 cut-off.
const TE11: f64 = 1.841_183_781_340_659;

/// `count` equal pipes (1 for a single one) of this length, empty.
///
/// # Errors
/// From cut-off up, where a pipe passes everything; for a pipe shorter than wide; for numbers not positive.
pub fn pipe(
    bore: Bore,
    length: Length,
    count: u32,
    frequency: Frequency,
) -> Result<PipeShielding, ShieldError> {
    let f_hz = positive("frequency", frequency.hz())?;
    let l_m = positive("pipe length", length.m())?;
    let n = positive("number of pipes", f64::from(count))?;
    let (kc, width_m) = match bore {
        Bore::Round { diameter } => {
            let width_m = positive("diameter", diameter.m())?;
            (2.0 * TE11 / width_m, width_m)
        }
        Bore::Rectangular { longer_side } => {
            let width_m = positive("side", longer_side.m())?;
            (PI / width_m, width_m)
        }
    };
    if l_m < width_m {
        return Err(ShieldError::Outside {
            what: "pipe length",
            given: length.to_string(),
            limit: format!(
                "at least as long as wide, {}: in a shorter one the higher modes pass as well",
                Length::from_m(width_m)
            ),
        });
    }
    let cutoff_hz = kc * LIGHT_M_PER_S / (2.0 * PI);
    if f_hz >= cutoff_hz {
        return Err(ShieldError::Outside {
            what: "frequency",
            given: frequency.to_string(),
            limit: format!("below the cut-off of this bore, {:.4} GHz", cutoff_hz / 1e9),
        });
    }
    let attenuation_db = DB_PER_NEPER * kc * l_m * (1.0 - (f_hz / cutoff_hz).powi(2)).sqrt();
    Ok(PipeShielding {
        attenuation_db,
        array_power_sum_db: (attenuation_db - 10.0 * n.log10()).max(0.0),
        array_in_phase_db: (attenuation_db - db20(n)).max(0.0),
        cutoff_hz,
        basis: Basis {
            source: "evanescent TE11 (round) or TE10 (rectangular) mode, exact; handbooks round it to \
                     32 dB per diameter and 27.2 dB per width (Ott, ch. 6)",
            validity: "below cut-off, empty: any wire, rod or filling through it makes it useless; at least \
                       as long as wide",
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
    fn slots_and_rows() {
        // ORACLES C10 (Ott, ch. 6).
        near(slot(m(0.1), hz(1e8)).expect("valid").se_db, 23.51581, 1e-4);
        near(slot(m(0.1), hz(5e8)).expect("valid").se_db, 9.536414, 1e-4);
        near(slot(m(0.15), hz(1e9)).expect("valid").se_db, 0.0, 1e-9);
        let four = row(4, m(0.1), hz(1e8)).expect("valid");
        near(four.se_power_sum_db - four.one_db, -6.0206, 1e-4);
        near(four.se_in_phase_db - four.one_db, -12.0412, 1e-4);
        assert!(row(4, m(0.15), hz(1e9)).is_err());
        assert!(row(0, m(0.01), hz(1e6)).is_err());
        // 40 openings of 4 mm are 16 cm: half a wavelength at 937 MHz.
        assert!(row(40, m(4e-3), hz(9e8)).is_ok());
        let said = row(40, m(4e-3), hz(1e9)).expect_err("long").to_string();
        assert!(said.contains("half a wavelength"), "{said}");
    }

    #[test]
    fn pipes() {
        // ORACLES C11, C12.
        let round = Bore::Round { diameter: m(0.01) };
        let at = |bore, l: f64, f: f64| pipe(bore, m(l), 1, hz(f)).expect("below cut-off");
        near_rel(at(round, 0.03, 1e9).cutoff_hz, 17.56985e9, 1e-6);
        near(at(round, 0.01, 1.0).attenuation_db, 31.98464, 1e-4);
        near(at(round, 0.03, 1e9).attenuation_db, 95.79837, 1e-4);
        near(at(round, 0.03, 1e10).attenuation_db, 78.89608, 1e-4);
        let square = Bore::Rectangular {
            longer_side: m(0.01),
        };
        near_rel(at(square, 0.03, 1e9).cutoff_hz, 14.98962e9, 1e-6);
        near(at(square, 0.01, 1.0).attenuation_db, 27.28753, 1e-4);
        near(at(square, 0.03, 1e9).attenuation_db, 81.68021, 1e-4);
        // Ott's rounded 32 dB per diameter.
        near(at(round, 0.03, 1.0).attenuation_db, 96.0, 0.1);
        let comb = pipe(square, m(0.03), 100, hz(1e9)).expect("below cut-off");
        near(comb.attenuation_db - comb.array_power_sum_db, 20.0, 1e-9);
        near(comb.attenuation_db - comb.array_in_phase_db, 40.0, 1e-9);
        let said = pipe(round, m(0.009), 1, hz(1e9))
            .expect_err("short")
            .to_string();
        assert!(said.contains("as long as wide"), "{said}");
        let said = pipe(round, m(0.03), 1, hz(18e9))
            .expect_err("above")
            .to_string();
        assert!(said.contains("17.5"), "{said}");
    }

    #[test]
    fn meshes() {
        // Casey's sheet inductance by hand: a = 10 mm, wire 1 mm: 2e-9 H ln(1/(1 - e^(-0.314159))) =
        // 2.6217e-9 H (arithmetic, no table at hand); at 100 MHz 20 lg(1 + Z0/2Zs) follows.
        let zs = 2.0 * PI * 1e8 * 2.0e-9 * 1.310_83;
        let want = db20((1.0_f64 + (Z_0 / (2.0 * zs)).powi(2)).sqrt());
        near(
            mesh(m(0.01), m(1e-3), 0.0, hz(1e8)).expect("valid").se_db,
            want,
            1e-3,
        );
        // Well below resonance an ideal mesh falls 20 dB a decade; wire resistance sets a plateau:
        // a film of R'a ohm per square (transmission line, exact).
        let fall = mesh(m(0.01), m(1e-3), 0.0, hz(1e6)).expect("valid").se_db
            - mesh(m(0.01), m(1e-3), 0.0, hz(1e7)).expect("valid").se_db;
        near(fall, 20.0, 0.01);
        let plateau = mesh(m(0.01), m(1e-3), 10.0, hz(1e3)).expect("valid").se_db;
        near(plateau, db20(1.0 + Z_0 / 0.2), 1e-3);
        assert!(mesh(m(0.01), m(1e-3), 0.0, hz(15e9)).is_err());
        assert!(mesh(m(0.01), m(0.02), 0.0, hz(1e9)).is_err());
    }

    #[test]
    fn seams() {
        // Definition of shielding quality: 1 mohm is 20 lg(Z0/1e-3) = 111.52 dB; arithmetic.
        near(
            seam(1e-3, 0.0, hz(1e6)).expect("valid").se_db,
            111.5206,
            1e-3,
        );
        let fall = seam(0.0, 1e-9, hz(1e6)).expect("valid").se_db
            - seam(0.0, 1e-9, hz(1e7)).expect("valid").se_db;
        near(fall, 20.0, 1e-9);
        assert!(seam(0.0, 0.0, hz(1e6)).is_err());
        let lid = fastened_seam(m(1.0), m(0.1), hz(1e8)).expect("valid");
        near(lid.se_power_sum_db, 23.51581 - 10.0, 1e-4);
        assert!(fastened_seam(m(0.1), m(1.0), hz(1e6)).is_err());
    }
}
