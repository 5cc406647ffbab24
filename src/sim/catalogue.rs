//! The items on the shelf at Tarn End, the invented workshop that makes radio-quiet pouches, cases
//! and cabinets for the quiet zone of the invented Skell Moor observatory.
//!
//! Against a limit of 50 dB from 100 kHz to 1 GHz:
//!
//! | serial | what it is there to show |
//! |---|---|
//! | P-0042 | two layers; passes, at most frequencies beyond what the bench can see |
//! | P-0043 | same lot, a torn stitch: fails above some 160 MHz, by the front, in vertical polarisation |
//! | P-0044 | same lot; passes at 1 GHz with less to spare |
//! | C-0007 | the lid's seam brings it within 1 dB of the limit at 1 GHz |
//! | C-0008 | same model, a good lid |
//! | K-0003 | steel cabinet with a resonance at 400 MHz |

use super::shielding::{Cavity, Face, Item, Layer, Physics, Polarisation, Seam, Slot};

/// All items that the bench starts with.
pub(super) fn items() -> Vec<Item> {
    let torn = Slot {
        length_m: 3e-3,
        count: 1,
        face: Face::Front,
        orientation: Polarisation::Horizontal,
    };
    vec![
        pouch("P-0042", 62.0, vec![]),
        pouch("P-0043", 61.0, vec![torn]),
        pouch("P-0044", 57.0, vec![]),
        case("C-0007", 50.6),
        case("C-0008", 60.0),
        cabinet(),
    ]
}

fn seam(se_db_at_1_ghz: f64) -> Seam {
    Seam {
        se_db_at_1_ghz,
        slope_db_per_decade: 20.0,
        face: None,
    }
}

fn pouch(serial: &str, seam_db: f64, slots: Vec<Slot>) -> Item {
    let cloth = Layer::Sheet { sheet_ohm: 0.02 };
    Item {
        serial: serial.into(),
        model: "Pouch 150".into(),
        lot: "P-26-03".into(),
        size_m: [0.15, 0.22, 0.03],
        construction: "two layers of silvered cloth 2 mm apart, rolled flap".into(),
        physics: Physics {
            layers: vec![cloth.clone(), Layer::Gap { gap_m: 2e-3 }, cloth],
            slots,
            seams: vec![seam(seam_db)],
            ..Physics::default()
        },
    }
}

fn case(serial: &str, seam_db: f64) -> Item {
    Item {
        serial: serial.into(),
        model: "Case 40".into(),
        lot: "C-26-01".into(),
        size_m: [0.40, 0.30, 0.20],
        construction: "1 mm aluminium, lid with a woven gasket".into(),
        physics: Physics {
            layers: vec![Layer::Solid {
                thickness_m: 1e-3,
                conductivity_s_per_m: 3.54e7,
                permeability: 1.0,
            }],
            seams: vec![seam(seam_db)],
            ..Physics::default()
        },
    }
}

fn cabinet() -> Item {
    Item {
        serial: "K-0003".into(),
        model: "Cabinet 12".into(),
        lot: "K-25-02".into(),
        size_m: [0.60, 0.52, 0.44],
        construction: "1.2 mm steel, finger-stock door".into(),
        physics: Physics {
            layers: vec![Layer::Solid {
                thickness_m: 1.2e-3,
                conductivity_s_per_m: 5.8e6,
                permeability: 200.0,
            }],
            seams: vec![seam(60.0)],
            cavity: Some(Cavity {
                size_m: [0.57, 0.48, 0.40],
                q: 40.0,
                depth_db: 14.0,
            }),
            ..Physics::default()
        },
    }
}

#[cfg(test)]
mod tests {
    use super::super::shielding::true_se;
    use super::*;
    use crate::quantity::Frequency;

    fn se_db(serial: &str, f_hz: f64) -> f64 {
        let item = items().into_iter().find(|item| item.serial == serial);
        let item = item.expect("on the shelf");
        let at = Frequency::from_hz(f_hz);
        true_se(&item, Face::Front, Polarisation::Vertical, at).db()
    }

    #[test]
    fn the_shelf_shows_what_it_says() {
        let band = [1e5, 1e6, 1e7, 3e7, 1e8, 2.5e8, 3e8, 5e8, 7.5e8, 1e9];
        for f_hz in band {
            assert!(se_db("P-0042", f_hz) > 61.0);
            assert!(se_db("C-0007", f_hz) > 50.0);
            assert!(se_db("C-0008", f_hz) > 59.0);
        }
        assert!(se_db("P-0042", 1e6) > 85.0 && se_db("P-0042", 1e8) > 80.0);
        assert!(se_db("P-0043", 1e8) > 53.0 && se_db("P-0043", 1e9) < 35.0);
        assert!(se_db("C-0007", 1e9) < 51.0);
        assert!(se_db("K-0003", 4e8) + 10.0 < se_db("K-0003", 3.6e8));
        for item in items() {
            item.check().expect("can be built");
        }
    }
}
