//! What an item really does to a plane wave: the truth that a measurement is held against.
//!
//! Written from the literature for the simulated bench alone; it shares nothing with the analysis.
//! Sources: S. A. Schelkunoff's transmission-line theory of shielding (a shield is a piece of line
//! across the wave impedance) for the walls; H. W. Ott, Electromagnetic Compatibility Engineering,
//! ch. 6, for slots; the modes of a rectangular cavity from any textbook of microwaves.
//!
//! The wall, every slot and every seam are separate leaks, and they add as **powers**: their phases
//! are not known, and inside a cavity they are as good as random. A resonance then lowers the
//! result near its frequency. The field is a plane wave; a magnetic near field would see far less.

use serde::{Deserialize, Serialize};

use super::complex::Complex;
use crate::quantity::{Frequency, Ratio};

/// Speed of light, m/s, exact.
const C: f64 = 299_792_458.0;
/// Wave impedance of free space, ohm (CODATA 2018).
const Z0: f64 = 376.730_313_668;
/// Permeability of free space, H/m (CODATA 2018).
const MU0: f64 = 1.256_637_062_12e-6;
/// What a leak loses when it is not on the side that looks at the antenna. From memory: diffraction
/// around a body of about a wavelength costs some 10 to 20 dB.
const SHADOW_DB: f64 = 15.0;
/// What a slot loses when the electric field lies along it. Common practice, no source.
const CROSS_DB: f64 = 20.0;
/// Contents and probe pull a cavity's modes down by about this factor (a few per cent).
const LOADING: f64 = 0.98;
/// The most parts of one kind that an item may have.
const PARTS_MAX: usize = 32;

/// The side of an item that looks at the transmit antenna.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Face {
    /// The front, with the flap or door.
    Front,
    /// The back.
    Back,
    /// The left side.
    Left,
    /// The right side.
    Right,
    /// The top.
    Top,
    /// The bottom.
    Bottom,
}

/// The direction of the electric field, or of a slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Polarisation {
    /// Along the horizon.
    Horizontal,
    /// Upright.
    Vertical,
}

/// One layer of the wall, the outermost first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged, deny_unknown_fields)]
pub enum Layer {
    /// A sheet much thinner than its skin depth.
    Sheet {
        /// Sheet resistance, ohm per square.
        sheet_ohm: f64,
    },
    /// A solid metal wall.
    Solid {
        /// Thickness, m.
        thickness_m: f64,
        /// Conductivity, S/m.
        conductivity_s_per_m: f64,
        /// Relative permeability.
        #[serde(default = "one")]
        permeability: f64,
    },
    /// Air between two layers.
    Gap {
        /// Distance, m.
        gap_m: f64,
    },
}

/// Equal slots in one side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Slot {
    /// The longest dimension of one slot, m.
    pub length_m: f64,
    /// How many.
    #[serde(default = "one_piece")]
    pub count: u32,
    /// Where.
    #[serde(default = "front")]
    pub face: Face,
    /// Which way the length runs.
    #[serde(default = "horizontal")]
    pub orientation: Polarisation,
}

/// A long joint whose leak rises with frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seam {
    /// What the joint alone would let through at 1 GHz, as SE in dB.
    pub se_db_at_1_ghz: f64,
    /// How fast it gets worse, dB per decade of frequency.
    #[serde(default = "twenty")]
    pub slope_db_per_decade: f64,
    /// The side that it is on; all sides when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub face: Option<Face>,
}

/// The inside, as a resonator.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cavity {
    /// Inner size, m.
    pub size_m: [f64; 3],
    /// Quality factor of every mode.
    pub q: f64,
    /// How much SE the lowest mode takes away at its centre, dB; each higher one 0.7 times that.
    pub depth_db: f64,
}

/// What an item is made of, as far as radio waves care. An empty one is transparent.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Physics {
    /// A wall with this SE at all frequencies, dB, whatever the layers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flat_se_db: Option<f64>,
    /// The wall.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub layers: Vec<Layer>,
    /// Slots and holes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub slots: Vec<Slot>,
    /// Joints.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub seams: Vec<Seam>,
    /// Resonances.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cavity: Option<Cavity>,
}

/// A thing that can be put around the receive antenna.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Item {
    /// Its own number.
    pub serial: String,
    /// What is built.
    #[serde(default)]
    pub model: String,
    /// The lot that it was made in.
    #[serde(default)]
    pub lot: String,
    /// Outer size, m.
    #[serde(default)]
    pub size_m: [f64; 3],
    /// How it is built, in words.
    #[serde(default)]
    pub construction: String,
    /// How it is built, in numbers.
    #[serde(default)]
    pub physics: Physics,
}

fn one() -> f64 {
    1.0
}
fn one_piece() -> u32 {
    1
}
fn twenty() -> f64 {
    20.0
}
fn front() -> Face {
    Face::Front
}
fn horizontal() -> Polarisation {
    Polarisation::Horizontal
}

impl Item {
    /// What cannot be built, in words.
    ///
    /// # Errors
    /// The first number that is not finite or not positive, or a list that is too long.
    pub fn check(&self) -> Result<(), String> {
        let physics = &self.physics;
        if self.serial.trim().is_empty() || self.serial.len() > 64 {
            return Err("`serial` needs 1 to 64 characters".into());
        }
        let longest = [
            physics.layers.len(),
            physics.slots.len(),
            physics.seams.len(),
        ];
        if longest.into_iter().any(|count| count > PARTS_MAX) {
            return Err(format!("at most {PARTS_MAX} layers, slots or seams"));
        }
        for (name, value, least) in physics.numbers() {
            if !value.is_finite() || value < least {
                return Err(format!("`{name}` is {value}; it must be at least {least}"));
            }
        }
        Ok(())
    }
}

impl Physics {
    /// Every number with its name and the least that it may be.
    fn numbers(&self) -> Vec<(&'static str, f64, f64)> {
        let tiny = 1e-12;
        let mut all = Vec::new();
        all.extend(self.flat_se_db.map(|value| ("flat_se_db", value, 0.0)));
        for layer in &self.layers {
            match *layer {
                Layer::Sheet { sheet_ohm } => all.push(("sheet_ohm", sheet_ohm, tiny)),
                Layer::Gap { gap_m } => all.push(("gap_m", gap_m, 0.0)),
                Layer::Solid {
                    thickness_m,
                    conductivity_s_per_m,
                    permeability,
                } => all.extend([
                    ("thickness_m", thickness_m, tiny),
                    ("conductivity_s_per_m", conductivity_s_per_m, 1.0),
                    ("permeability", permeability, 1.0),
                ]),
            }
        }
        for slot in &self.slots {
            all.push(("length_m", slot.length_m, tiny));
            all.push(("count", f64::from(slot.count), 1.0));
        }
        for seam in &self.seams {
            all.push(("se_db_at_1_ghz", seam.se_db_at_1_ghz, 0.0));
            all.push(("slope_db_per_decade", seam.slope_db_per_decade, 0.0));
        }
        if let Some(cavity) = &self.cavity {
            all.extend(cavity.size_m.map(|side| ("cavity size_m", side, tiny)));
            all.push(("q", cavity.q, 1.0));
            all.push(("depth_db", cavity.depth_db, 0.0));
        }
        all
    }
}

/// The true SE of a closed item. The small change that each closing brings is not in it.
pub fn true_se(item: &Item, face: Face, polarisation: Polarisation, frequency: Frequency) -> Ratio {
    let physics = &item.physics;
    let f_hz = frequency.hz().max(1.0);
    let wall_db = physics
        .flat_se_db
        .unwrap_or_else(|| wall_db(&physics.layers, f_hz));
    let slots = physics
        .slots
        .iter()
        .map(|slot| slot_db(slot, face, polarisation, f_hz));
    let seams = physics.seams.iter().map(|seam| seam_db(seam, face, f_hz));
    let through: f64 = std::iter::once(wall_db)
        .chain(slots)
        .chain(seams)
        .map(|se_db| 10f64.powf(-se_db / 10.0))
        .sum();
    // A wall that is not there does not amplify because it also has a hole.
    let se_db = (-10.0 * through.log10()).max(0.0);
    let dip_db = physics.cavity.as_ref().map_or(0.0, |it| dip_db(it, f_hz));
    Ratio::from_db(se_db - dip_db)
}

/// Plane-wave insertion loss of layers across free space, dB: the chain matrices of the layers
/// multiplied, between two half spaces of Z0.
fn wall_db(layers: &[Layer], f_hz: f64) -> f64 {
    let mut chain = Chain::THROUGH;
    for layer in layers {
        chain = chain.then(&layer.chain(f_hz));
    }
    let sum = chain.a + chain.b * (1.0 / Z0) + chain.c * Z0 + chain.d;
    20.0 * (sum.abs() / 2.0).log10()
}

/// A two-port's chain (ABCD) matrix.
struct Chain {
    a: Complex,
    b: Complex,
    c: Complex,
    d: Complex,
}

impl Chain {
    const THROUGH: Self = Self {
        a: Complex::ONE,
        b: Complex::ZERO,
        c: Complex::ZERO,
        d: Complex::ONE,
    };

    fn then(&self, next: &Self) -> Self {
        Self {
            a: self.a * next.a + self.b * next.c,
            b: self.a * next.b + self.b * next.d,
            c: self.c * next.a + self.d * next.c,
            d: self.c * next.b + self.d * next.d,
        }
    }
}

impl Layer {
    fn chain(&self, f_hz: f64) -> Chain {
        let omega = std::f64::consts::TAU * f_hz;
        match *self {
            Self::Sheet { sheet_ohm } => Chain {
                c: Complex::new(1.0 / sheet_ohm, 0.0),
                ..Chain::THROUGH
            },
            Self::Gap { gap_m } => {
                let (sin, cos) = (omega * gap_m / C).sin_cos();
                Chain {
                    a: Complex::new(cos, 0.0),
                    b: Complex::new(0.0, Z0 * sin),
                    c: Complex::new(0.0, sin / Z0),
                    d: Complex::new(cos, 0.0),
                }
            }
            Self::Solid {
                thickness_m,
                conductivity_s_per_m,
                permeability,
            } => {
                let depth_m = (2.0 / (omega * MU0 * permeability * conductivity_s_per_m)).sqrt();
                // 30 skin depths are 260 dB: more than any bench, and far from overflow when
                // several layers are multiplied.
                let depths = (thickness_m / depth_m).min(30.0);
                let zs = Complex::new(1.0, 1.0) * (1.0 / (conductivity_s_per_m * depth_m));
                let (sin, cos) = depths.sin_cos();
                let cosh = Complex::new(depths.cosh() * cos, depths.sinh() * sin);
                let sinh = Complex::new(depths.sinh() * cos, depths.cosh() * sin);
                Chain {
                    a: cosh,
                    b: zs * sinh,
                    c: sinh / zs,
                    d: cosh,
                }
            }
        }
    }
}

/// SE of slots alone: 20 lg(wavelength / 2 length), nothing at half a wavelength and above, less
/// 10 lg of their number (Ott, ch. 6, writes it 20 lg of its root).
fn slot_db(slot: &Slot, face: Face, polarisation: Polarisation, f_hz: f64) -> f64 {
    let single_db = (20.0 * (C / f_hz / (2.0 * slot.length_m)).log10()).max(0.0);
    let count_db = 10.0 * f64::from(slot.count).log10();
    let shadow_db = if slot.face == face { 0.0 } else { SHADOW_DB };
    // The current that a slot cuts runs across it: a field along the slot does not drive it.
    let cross_db = if slot.orientation == polarisation {
        CROSS_DB
    } else {
        0.0
    };
    (single_db - count_db).max(0.0) + shadow_db + cross_db
}

fn seam_db(seam: &Seam, face: Face, f_hz: f64) -> f64 {
    let decades = (f_hz / 1e9).log10();
    let shadow_db = match seam.face {
        Some(place) if place != face => SHADOW_DB,
        _ => 0.0,
    };
    (seam.se_db_at_1_ghz - seam.slope_db_per_decade * decades).max(0.0) + shadow_db
}

/// What the modes of the cavity take away, dB. Each is a single-tuned resonance in power.
fn dip_db(cavity: &Cavity, f_hz: f64) -> f64 {
    let build_up: f64 = mode_frequencies_hz(cavity.size_m)
        .into_iter()
        .enumerate()
        .map(|(order, mode_hz)| {
            let mode_hz = mode_hz * LOADING;
            let depth_db = cavity.depth_db * 0.7f64.powi(order as i32);
            let detuning = cavity.q * (f_hz / mode_hz - mode_hz / f_hz);
            (10f64.powf(depth_db / 10.0) - 1.0) / (1.0 + detuning * detuning)
        })
        .sum();
    10.0 * (1.0 + build_up).log10()
}

/// The lowest six modes of an empty rectangular box, at most one index zero, Hz.
fn mode_frequencies_hz(size_m: [f64; 3]) -> Vec<f64> {
    let mut found = Vec::new();
    for m in 0..4u32 {
        for n in 0..4u32 {
            for p in 0..4u32 {
                let indices = [m, n, p];
                if indices.iter().filter(|index| **index == 0).count() > 1 {
                    continue;
                }
                let sum: f64 = indices
                    .iter()
                    .zip(size_m)
                    .map(|(index, side)| (f64::from(*index) / side).powi(2))
                    .sum();
                found.push(C / 2.0 * sum.sqrt());
            }
        }
    }
    found.sort_by(f64::total_cmp);
    found.truncate(6);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made_of(physics: Physics) -> Item {
        Item {
            serial: "T-1".into(),
            model: String::new(),
            lot: String::new(),
            size_m: [0.0; 3],
            construction: String::new(),
            physics,
        }
    }

    fn se_db(physics: Physics, f_hz: f64) -> f64 {
        let item = made_of(physics);
        let at = Frequency::from_hz(f_hz);
        true_se(&item, Face::Front, Polarisation::Vertical, at).db()
    }

    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
    }

    #[test]
    fn a_thin_film() {
        // ORACLES C8: 20 lg(1 + Z0/2Rs), exact, transmission line.
        let rows = [
            (0.01, 85.50047),
            (0.05, 71.52292),
            (0.1, 65.50462),
            (0.5, 51.54364),
            (1.0, 45.546),
            (10.0, 25.94931),
            // The row says 377; its value is that of Z0 itself, 20 lg 1.5.
            (Z0, 3.521825),
        ];
        for (sheet_ohm, want) in rows {
            let layers = vec![Layer::Sheet { sheet_ohm }];
            let physics = Physics {
                layers,
                ..Physics::default()
            };
            near(se_db(physics, 1e6), want, 1e-3);
        }
    }

    #[test]
    fn a_copper_foil() {
        // ORACLES C2: 18 um copper, Schelkunoff, agrees with the ABCD matrix to 1e-9.
        let rows = [
            (1e5, 105.8741),
            (1e6, 105.8751),
            (1e8, 111.773),
            (1e9, 152.9538),
        ];
        for (f_hz, want) in rows {
            let layers = vec![Layer::Solid {
                thickness_m: 18e-6,
                conductivity_s_per_m: 5.8e7,
                permeability: 1.0,
            }];
            let physics = Physics {
                layers,
                ..Physics::default()
            };
            near(se_db(physics, f_hz), want, 1e-3);
        }
    }

    #[test]
    fn two_sheets_with_a_gap() {
        // ORACLES C21: two sheets of 0.1 ohm, 20 mm apart; agrees with scikit-rf 2.2.
        let rows = [
            (1e5, 71.54992),
            (1e6, 73.62811),
            (1e7, 89.54207),
            (1e8, 109.4712),
            (1e9, 129.2172),
        ];
        for (f_hz, want) in rows {
            let sheet = Layer::Sheet { sheet_ohm: 0.1 };
            let layers = vec![sheet.clone(), Layer::Gap { gap_m: 0.02 }, sheet];
            let physics = Physics {
                layers,
                ..Physics::default()
            };
            near(se_db(physics, f_hz), want, 1e-3);
        }
    }

    #[test]
    fn slots() {
        // ORACLES C10: Ott ch. 6; the wall is thick enough not to matter.
        let slot = |length_m, count, f_hz| {
            let slots = vec![Slot {
                length_m,
                count,
                face: Face::Front,
                orientation: Polarisation::Horizontal,
            }];
            let physics = Physics {
                flat_se_db: Some(200.0),
                slots,
                ..Physics::default()
            };
            se_db(physics, f_hz)
        };
        near(slot(0.1, 1, 1e8), 23.51581, 1e-3);
        near(slot(0.1, 1, 5e8), 9.536414, 1e-3);
        near(slot(0.15, 1, 1e9), 0.0, 1e-3);
        near(slot(0.1, 4, 1e8), 23.51581 - 6.0206, 1e-3);
    }

    #[test]
    fn a_slot_seen_from_elsewhere_leaks_less() {
        let slots = vec![Slot {
            length_m: 0.1,
            count: 1,
            face: Face::Front,
            orientation: Polarisation::Horizontal,
        }];
        let item = made_of(Physics {
            flat_se_db: Some(200.0),
            slots,
            ..Physics::default()
        });
        let at = Frequency::from_hz(1e8);
        let front = true_se(&item, Face::Front, Polarisation::Vertical, at).db();
        let back = true_se(&item, Face::Back, Polarisation::Vertical, at).db();
        let cross = true_se(&item, Face::Front, Polarisation::Horizontal, at).db();
        near(back - front, SHADOW_DB, 1e-9);
        near(cross - front, CROSS_DB, 1e-9);
    }

    #[test]
    fn leaks_add_as_powers() {
        // ORACLES C28: 60 dB and 65 dB, power sum.
        let seams = vec![Seam {
            se_db_at_1_ghz: 65.0,
            slope_db_per_decade: 20.0,
            face: None,
        }];
        let physics = Physics {
            flat_se_db: Some(60.0),
            seams,
            ..Physics::default()
        };
        near(se_db(physics, 1e9), 58.80669, 1e-4);
    }

    #[test]
    fn the_modes_of_a_box() {
        // ORACLES C13: textbook formula.
        let want = [479.9021, 582.6918, 624.5676, 692.7916, 707.0591, 780.4846];
        for (got, want) in mode_frequencies_hz([0.3, 0.4, 0.5]).iter().zip(want) {
            near(got / 1e6, want, 1e-3);
        }
    }

    #[test]
    fn a_resonance_takes_its_depth_at_its_centre() {
        let cavity = Cavity {
            size_m: [0.57, 0.48, 0.4],
            q: 200.0,
            depth_db: 14.0,
        };
        let physics = Physics {
            flat_se_db: Some(70.0),
            cavity: Some(cavity),
            ..Physics::default()
        };
        let centre_hz = mode_frequencies_hz([0.57, 0.48, 0.4])[0] * LOADING;
        near(se_db(physics.clone(), centre_hz), 56.0, 0.05);
        near(se_db(physics, 1e6), 70.0, 1e-3);
    }

    #[test]
    fn what_cannot_be_built_is_refused() {
        let layers = vec![Layer::Sheet { sheet_ohm: 0.0 }];
        let said = made_of(Physics {
            layers,
            ..Physics::default()
        })
        .check()
        .expect_err("zero ohm");
        assert!(said.contains("sheet_ohm"), "{said}");
    }
}
