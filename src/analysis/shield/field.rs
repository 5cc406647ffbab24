//! Near and far, field strength, and the distance at which people should stay.
//!
//! The exposure figures are published reference levels for continuous whole-body exposure beside the
//! field to be expected; local rules and licensed practice decide.

use serde::Serialize;
use std::f64::consts::PI;

use super::{Basis, ShieldError, Z_0, positive};
use crate::quantity::{Frequency, Length, Level, Ratio};

/// Where near ends and far begins.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Boundaries {
    /// λ/2π: closer, electric and magnetic field go their own ways.
    pub reactive_m: f64,
    /// 2D²/λ for a source of size D: closer, the beam is not formed yet.
    pub far_field_m: f64,
    /// Where at this distance one is.
    pub region: Region,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// Where a place lies as seen from a source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Region {
    /// Closer than λ/2π.
    Reactive,
    /// Farther than λ/2π, closer than 2D²/λ.
    Radiating,
    /// Farther than both.
    Far,
}

/// Field regions of a source of this largest dimension, seen from this distance.
///
/// # Errors
/// For numbers not positive.
pub fn boundaries(
    frequency: Frequency,
    source_size: Length,
    distance: Length,
) -> Result<Boundaries, ShieldError> {
    positive("frequency", frequency.hz())?;
    let lambda_m = frequency.wavelength_m();
    let reactive_m = lambda_m / (2.0 * PI);
    let far_field_m = 2.0 * positive("source size", source_size.m())?.powi(2) / lambda_m;
    let d_m = positive("distance", distance.m())?;
    let region = match d_m {
        d if d < reactive_m => Region::Reactive,
        d if d < far_field_m => Region::Radiating,
        _ => Region::Far,
    };
    Ok(Boundaries {
        reactive_m,
        far_field_m,
        region,
        basis: Basis {
            source: "lambda/2pi and 2 D^2/lambda, definitions (IEEE 145)",
            validity: "free space; the change is gradual, not a wall",
        },
    })
}

/// Field strength of an antenna.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FieldStrength {
    /// Electric field, rms.
    pub e_v_per_m: f64,
    /// Magnetic field, rms.
    pub h_a_per_m: f64,
    /// Power density.
    pub s_w_per_m2: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// Far field √(30PG)/d in the main beam.
///
/// # Errors
/// Closer than λ/2π; for numbers not positive.
pub fn field_strength(
    power: Level,
    gain: Ratio,
    frequency: Frequency,
    distance: Length,
) -> Result<FieldStrength, ShieldError> {
    positive("frequency", frequency.hz())?;
    let d_m = positive("distance", distance.m())?;
    let reactive_m = frequency.wavelength_m() / (2.0 * PI);
    if d_m < reactive_m {
        return Err(ShieldError::Outside {
            what: "distance",
            given: distance.to_string(),
            limit: format!(
                "far field from lambda/2pi = {reactive_m:.4} m; closer, the field can be much higher"
            ),
        });
    }
    let e_v_per_m = (30.0 * eirp_w(power, gain)).sqrt() / d_m;
    Ok(FieldStrength {
        e_v_per_m,
        h_a_per_m: e_v_per_m / Z_0,
        s_w_per_m2: e_v_per_m * e_v_per_m / Z_0,
        basis: Basis {
            source: "E = sqrt(30 P G)/d, any antenna text (30 ohm for Z_0/4pi: 0.03 % on the high side)",
            validity: "far field, main beam, free space; a reflecting floor can double the field",
        },
    })
}

fn eirp_w(power: Level, gain: Ratio) -> f64 {
    (power + gain).milliwatts() / 1000.0
}

/// Whose reference levels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Guideline {
    /// ICNIRP 2020, table 5, general public.
    Icnirp2020Public,
    /// ICNIRP 2020, table 5, occupational.
    Icnirp2020Occupational,
    /// 47 CFR 1.1310 table 1(B), general population, uncontrolled.
    Cfr1310Public,
    /// 47 CFR 1.1310 table 1(A), occupational, controlled.
    Cfr1310Occupational,
}

/// A published reference level for continuous whole-body exposure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ReferenceLevel {
    /// Whose.
    pub guideline: Guideline,
    /// Electric field, rms, where the table gives one.
    pub e_v_per_m: Option<f64>,
    /// Magnetic field, rms, where the table gives one.
    pub h_a_per_m: Option<f64>,
    /// Power density, where the table gives one (far field).
    pub s_w_per_m2: Option<f64>,
    /// The level against nerve stimulation, rms, not averaged over time, where the guideline has one here.
    pub stimulation: Option<StimulationLevel>,
    /// Averaging time of the table, minutes.
    pub averaging_min: f64,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// A published reference level against the stimulation of nerves, which needs no time to act.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StimulationLevel {
    /// Electric field, rms, at its highest place.
    pub e_v_per_m: f64,
    /// Magnetic field, rms, at its highest place.
    pub h_a_per_m: f64,
}

impl StimulationLevel {
    /// ICNIRP 2020, table 8, 100 kHz to 10 MHz: the levels of ICNIRP 2010, table 4 (there 27 and 100 uT). The 2010
    /// figures as reprinted in handbooks; that table 8 takes them over unchanged is from memory.
    fn icnirp(mhz: f64, public: bool) -> Option<Self> {
        let (e_v_per_m, h_a_per_m) = if public { (83.0, 21.0) } else { (170.0, 80.0) };
        (0.1..=10.0).contains(&mhz).then_some(Self {
            e_v_per_m,
            h_a_per_m,
        })
    }

    fn far_e_v_per_m(&self) -> f64 {
        self.e_v_per_m.min(self.h_a_per_m * Z_0)
    }
}

impl ReferenceLevel {
    /// The lowest electric far field among what the tables give, that against nerve stimulation included.
    fn far_e_v_per_m(&self) -> f64 {
        let stimulation = self
            .stimulation
            .map_or(f64::INFINITY, |it| it.far_e_v_per_m());
        self.far_heating_e_v_per_m().min(stimulation)
    }

    fn far_heating_e_v_per_m(&self) -> f64 {
        let from_e = self.e_v_per_m.unwrap_or(f64::INFINITY);
        let from_h = self.h_a_per_m.map_or(f64::INFINITY, |h| h * Z_0);
        let from_s = self.s_w_per_m2.map_or(f64::INFINITY, |s| (s * Z_0).sqrt());
        match from_e.is_finite() {
            true => from_e,
            // H alone is a rounding of E in both tables; power density stands in above.
            false => from_s.min(from_h),
        }
    }
}

/// The reference level of a guideline at a frequency.
///
/// # Errors
/// Outside the table's frequency range.
pub fn reference_level(
    guideline: Guideline,
    frequency: Frequency,
) -> Result<ReferenceLevel, ShieldError> {
    let mhz = positive("frequency", frequency.hz())? / 1e6;
    let row = match guideline {
        Guideline::Icnirp2020Public => icnirp(
            mhz,
            [300.0, 2.2],
            [27.7, 0.073, 2.0],
            [1.375, 0.0037, 200.0],
            10.0,
        ),
        Guideline::Icnirp2020Occupational => icnirp(
            mhz,
            [660.0, 4.9],
            [61.0, 0.16, 10.0],
            [3.0, 0.008, 40.0],
            50.0,
        ),
        Guideline::Cfr1310Public => cfr_public(mhz),
        Guideline::Cfr1310Occupational => cfr_occupational(mhz),
    };
    let public = guideline == Guideline::Icnirp2020Public;
    let icnirp = public || guideline == Guideline::Icnirp2020Occupational;
    let Some((e_v_per_m, h_a_per_m, s_w_per_m2)) = row else {
        let range = if icnirp {
            "100 kHz to 300 GHz"
        } else {
            "300 kHz to 100 GHz"
        };
        return Err(ShieldError::Outside {
            what: "frequency",
            given: frequency.to_string(),
            limit: format!("this table runs from {range}"),
        });
    };
    let (source, averaging_min) = match guideline {
        Guideline::Icnirp2020Public | Guideline::Icnirp2020Occupational => {
            ("ICNIRP 2020, table 5, and below 10 MHz table 8", 30.0)
        }
        Guideline::Cfr1310Public => ("47 CFR 1.1310, table 1(B)", 30.0),
        Guideline::Cfr1310Occupational => ("47 CFR 1.1310, table 1(A)", 6.0),
    };
    Ok(ReferenceLevel {
        guideline,
        e_v_per_m,
        h_a_per_m,
        s_w_per_m2,
        stimulation: StimulationLevel::icnirp(mhz, public).filter(|_| icnirp),
        averaging_min,
        basis: Basis {
            source,
            validity: "whole body, continuous; local limits, contact currents and implants are other \
                       tables; local rules and licensed practice decide",
        },
    })
}

type Row = Option<(Option<f64>, Option<f64>, Option<f64>)>;

/// ICNIRP 2020 table 5: below 30 MHz, to 400 MHz, to 2 GHz, to 300 GHz.
fn icnirp(mhz: f64, low: [f64; 2], flat: [f64; 3], rising: [f64; 3], top_w_per_m2: f64) -> Row {
    Some(match mhz {
        f if (0.1..=30.0).contains(&f) => (Some(low[0] / f.powf(0.7)), Some(low[1] / f), None),
        f if (0.1..=400.0).contains(&f) => (Some(flat[0]), Some(flat[1]), Some(flat[2])),
        f if (0.1..=2000.0).contains(&f) => (
            Some(rising[0] * f.sqrt()),
            Some(rising[1] * f.sqrt()),
            Some(f / rising[2]),
        ),
        f if (0.1..=3e5).contains(&f) => (None, None, Some(top_w_per_m2)),
        _ => return None,
    })
}

/// 47 CFR 1.1310 table 1(B); power density in W/m² (the table has mW/cm²), in the far field.
fn cfr_public(mhz: f64) -> Row {
    Some(match mhz {
        f if (0.3..1.34).contains(&f) => (Some(614.0), Some(1.63), Some(1000.0)),
        f if (0.3..30.0).contains(&f) => (Some(824.0 / f), Some(2.19 / f), Some(1800.0 / (f * f))),
        f if (0.3..300.0).contains(&f) => (Some(27.5), Some(0.073), Some(2.0)),
        f if (0.3..1500.0).contains(&f) => (None, None, Some(f / 150.0)),
        f if (0.3..=1e5).contains(&f) => (None, None, Some(10.0)),
        _ => return None,
    })
}

/// 47 CFR 1.1310 table 1(A).
fn cfr_occupational(mhz: f64) -> Row {
    Some(match mhz {
        f if (0.3..3.0).contains(&f) => (Some(614.0), Some(1.63), Some(1000.0)),
        f if (0.3..30.0).contains(&f) => (Some(1842.0 / f), Some(4.89 / f), Some(9000.0 / (f * f))),
        f if (0.3..300.0).contains(&f) => (Some(61.4), Some(0.163), Some(10.0)),
        f if (0.3..1500.0).contains(&f) => (None, None, Some(f / 30.0)),
        f if (0.3..=1e5).contains(&f) => (None, None, Some(50.0)),
        _ => return None,
    })
}

/// How far to stay from an antenna.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ExposureDistance {
    /// Where the far-field formula meets the reference level; none where that is closer than λ/2π, where the
    /// formula does not hold and nothing is known.
    pub far_field_distance_m: Option<f64>,
    /// The distance to keep: that, or λ/2π.
    pub keep_away_m: f64,
    /// The electric field the distance is for.
    pub reference_e_v_per_m: f64,
    /// The reference level itself.
    pub reference: ReferenceLevel,
}

/// The distance at which the main beam of an antenna falls to a guideline's reference level.
///
/// # Errors
/// Outside the guideline's table.
pub fn exposure_distance(
    power: Level,
    gain: Ratio,
    frequency: Frequency,
    guideline: Guideline,
) -> Result<ExposureDistance, ShieldError> {
    let reference = reference_level(guideline, frequency)?;
    let eirp = positive("radiated power", eirp_w(power, gain))?;
    let reference_e_v_per_m = reference.far_e_v_per_m();
    let by_formula_m = (30.0 * eirp).sqrt() / reference_e_v_per_m;
    let reactive_m = frequency.wavelength_m() / (2.0 * PI);
    Ok(ExposureDistance {
        far_field_distance_m: (by_formula_m >= reactive_m).then_some(by_formula_m),
        keep_away_m: by_formula_m.max(reactive_m),
        reference_e_v_per_m,
        reference,
    })
}

#[cfg(test)]
mod tests {
    use super::super::check::near_rel;
    use super::*;

    fn hz(f: f64) -> Frequency {
        Frequency::from_hz(f)
    }
    fn m(l: f64) -> Length {
        Length::from_m(l)
    }
    fn watts(w: f64) -> Level {
        Level::from_milliwatts(1000.0 * w)
    }
    fn gain(g: f64) -> Ratio {
        Ratio::from_db(10.0 * g.log10())
    }

    #[test]
    fn near_and_far() {
        // ORACLES C15.
        for (f, want) in [
            (1e5, 477.1345),
            (1e6, 47.71345),
            (3e7, 1.590448),
            (1e8, 0.4771345),
            (1e9, 0.04771345),
        ] {
            near_rel(
                boundaries(hz(f), m(0.1), m(1.0)).expect("valid").reactive_m,
                want,
                1e-6,
            );
        }
        let got = boundaries(hz(1e9), m(0.5), m(1.0)).expect("valid");
        near_rel(got.far_field_m, 1.66782, 1e-5);
        assert_eq!(got.region, Region::Radiating);
        assert_eq!(
            boundaries(hz(1e9), m(0.5), m(2.0)).expect("valid").region,
            Region::Far
        );
        assert_eq!(
            boundaries(hz(1e6), m(0.5), m(2.0)).expect("valid").region,
            Region::Reactive
        );
    }

    #[test]
    fn field_strengths() {
        // ORACLES C20 (sqrt(30 P G)/d).
        let got = field_strength(watts(10.0), gain(1.64), hz(1e8), m(3.0)).expect("far");
        near_rel(got.e_v_per_m, 7.393691, 1e-6);
        near_rel(got.s_w_per_m2, 0.1451082, 1e-6);
        let got = field_strength(watts(25.0), Ratio::from_db(6.0), hz(1e9), m(1.0)).expect("far");
        near_rel(got.e_v_per_m, 54.64251, 1e-6);
        assert!(field_strength(watts(1.0), gain(1.0), hz(1e6), m(3.0)).is_err());
    }

    #[test]
    fn reference_levels() {
        // ORACLES C25: ICNIRP 2020 table 5, general public.
        let icnirp = |f| reference_level(Guideline::Icnirp2020Public, hz(f)).expect("in range");
        for (f, e, s) in [(1e8, 27.7, 2.0), (250e6, 27.7, 2.0), (500e6, 30.74593, 2.5)] {
            near_rel(icnirp(f).e_v_per_m.expect("E"), e, 1e-6);
            near_rel(icnirp(f).s_w_per_m2.expect("S"), s, 1e-6);
        }
        near_rel(icnirp(1e6).e_v_per_m.expect("E"), 300.0, 1e-6);
        near_rel(icnirp(1e7).e_v_per_m.expect("E"), 59.85787, 1e-6);
        // ORACLES C26: 47 CFR 1.1310 table 1(B); 1 mW/cm² is 10 W/m².
        let cfr = |f| reference_level(Guideline::Cfr1310Public, hz(f)).expect("in range");
        for (f, s) in [(1e8, 2.0), (250e6, 2.0), (500e6, 3.333333)] {
            near_rel(cfr(f).s_w_per_m2.expect("S"), s, 1e-6);
        }
        near_rel(cfr(1e8).e_v_per_m.expect("E"), 27.5, 1e-6);
        near_rel(cfr(1e7).e_v_per_m.expect("E"), 82.4, 1e-6);
        near_rel(cfr(500e6).far_e_v_per_m(), 35.43681, 1e-6);
        // 47 CFR 1.1310 table 1(A) and ICNIRP 2020 table 5 occupational, from memory.
        let at = |g, f| reference_level(g, hz(f)).expect("in range");
        near_rel(
            at(Guideline::Cfr1310Occupational, 1e8)
                .e_v_per_m
                .expect("E"),
            61.4,
            1e-6,
        );
        near_rel(
            at(Guideline::Icnirp2020Occupational, 1e8)
                .e_v_per_m
                .expect("E"),
            61.0,
            1e-6,
        );
        near_rel(
            at(Guideline::Icnirp2020Occupational, 5e9)
                .s_w_per_m2
                .expect("S"),
            50.0,
            1e-6,
        );
        let said = reference_level(Guideline::Icnirp2020Public, hz(1e3))
            .expect_err("low")
            .to_string();
        assert!(said.contains("100 kHz"), "{said}");
        assert!(reference_level(Guideline::Cfr1310Public, hz(2e11)).is_err());
    }

    #[test]
    fn nerves_are_protected_below_ten_megahertz() {
        // ICNIRP 2010, table 4 (reprinted in handbooks): 83 V/m and 170 V/m from 3 kHz to 10 MHz; 27 and 100 uT.
        let at = |g, f| reference_level(g, hz(f)).expect("in range");
        let public = at(Guideline::Icnirp2020Public, 1e6);
        near_rel(
            public.stimulation.expect("below 10 MHz").h_a_per_m * 4e-7 * PI,
            27e-6,
            0.03,
        );
        near_rel(public.far_e_v_per_m(), 83.0, 1e-9);
        let occupational = at(Guideline::Icnirp2020Occupational, 1e6);
        near_rel(
            occupational.stimulation.expect("below").h_a_per_m * 4e-7 * PI,
            100e-6,
            0.03,
        );
        near_rel(occupational.far_e_v_per_m(), 170.0, 1e-9);
        // At 10 MHz the level against heating is the lower one; above there is no other.
        near_rel(
            at(Guideline::Icnirp2020Public, 1e7).far_e_v_per_m(),
            59.85787,
            1e-6,
        );
        assert_eq!(at(Guideline::Icnirp2020Public, 1.1e7).stimulation, None);
        assert_eq!(at(Guideline::Cfr1310Public, 1e6).stimulation, None);
    }

    #[test]
    fn distances_to_keep() {
        // ORACLES C27 (sqrt(30 P G)/E).
        let at = |w, g, guideline| {
            exposure_distance(watts(w), gain(g), hz(1e8), guideline)
                .expect("in range")
                .far_field_distance_m
                .expect("far enough")
        };
        near_rel(at(100.0, 2.0, Guideline::Cfr1310Public), 2.816715, 1e-6);
        near_rel(at(100.0, 2.0, Guideline::Icnirp2020Public), 2.796378, 1e-6);
        near_rel(at(10.0, 1.64, Guideline::Cfr1310Public), 0.8065845, 1e-6);
        // A milliwatt at 1 MHz: the formula ends inside λ/2π, so that is the distance to keep.
        let got = exposure_distance(watts(1e-3), gain(1.0), hz(1e6), Guideline::Cfr1310Public)
            .expect("valid");
        assert_eq!(got.far_field_distance_m, None);
        near_rel(got.keep_away_m, 47.71345, 1e-6);
    }
}
