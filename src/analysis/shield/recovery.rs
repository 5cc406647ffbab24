//! Does the explanation find what is there? Seeded items with known leaks, measured with noise and bounds.
//!
//! The generator shares no code with the fit and makes its items otherwise: leaks are phasors, each with its
//! own physical phase (sheet in phase, slot in quadrature, seam between) and a path of its own up to
//! 0.3 m longer, so they interfere, where the fit adds powers and calls the difference scatter; a slot is
//! a damped resonator about its half-wave length, where the fit has a straight line cut off at 0 dB; the
//! closed volume takes dips out of some curves, where the fit knows nothing but the box's size. The floor
//! falls with frequency, and what lies near it is a bound.

use num_complex::Complex64;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use std::f64::consts::PI;
use std::fmt::Write;

use super::cavity::BoxSize;
use super::curve::{CurvePoint, PointKind};
use super::explain::{Excitation, Explanation, ItemInside, explain};
use super::leak::LeakKind;
use crate::quantity::Length;

/// An item and its measurement.
pub(super) struct Synthetic {
    pub sheet_ohm: Option<f64>,
    pub slot_m: Option<f64>,
    pub seam_ohm: Option<f64>,
    pub sides_m: [f64; 3],
    pub points: Vec<CurvePoint>,
}

impl Synthetic {
    pub fn new(seed: u64) -> Self {
        let mut random = StdRng::seed_from_u64(seed);
        let log_between = |random: &mut StdRng, low: f64, high: f64| {
            random.random_range(low.ln()..high.ln()).exp()
        };
        let present: u32 = random.random_range(1..8);
        let has = |bit: u32| present >> bit & 1 == 1;
        let mut item = Self {
            sheet_ohm: has(0).then(|| log_between(&mut random, 0.02, 3.0)),
            slot_m: has(1).then(|| log_between(&mut random, 2e-3, 60e-3)),
            seam_ohm: has(2).then(|| log_between(&mut random, 0.05, 5.0)),
            sides_m: [(); 3].map(|()| random.random_range(0.15..0.6)),
            points: Vec::new(),
        };
        let paths_m: [f64; 3] = [(); 3].map(|()| random.random_range(0.0..0.3));
        let dips = match random.random_bool(0.3) {
            true => item.dips(&mut random),
            false => Vec::new(),
        };
        let u_db = random.random_range(0.5..1.5);
        let noise = Normal::new(0.0, u_db).expect("positive");
        let range_at_10_mhz_db = random.random_range(75.0..110.0);
        let fall_per_decade_db = random.random_range(0.0..6.0);
        let range_is_known = random.random_bool(0.5);
        for step in 0..=30 {
            let f_hz = 10f64.powf(7.0 + 2.3 * f64::from(step) / 30.0);
            let dip_db: f64 = dips
                .iter()
                .map(|(mode_hz, depth_db)| {
                    depth_db / (1.0 + ((f_hz / mode_hz - 1.0) / 0.02).powi(2))
                })
                .sum();
            let read_db = item.true_se_db(f_hz, paths_m) - dip_db + noise.sample(&mut random);
            let range_db = range_at_10_mhz_db - fall_per_decade_db * (f_hz / 1e7).log10();
            let seen = read_db < range_db - 3.0;
            item.points.push(CurvePoint {
                frequency_hz: f_hz,
                se_db: if seen { read_db } else { range_db - 3.0 },
                u_db,
                kind: if seen {
                    PointKind::Measured
                } else {
                    PointKind::AtLeast
                },
                dynamic_range_db: range_is_known.then_some(range_db),
            });
        }
        item
    }

    fn true_se_db(&self, f_hz: f64, paths_m: [f64; 3]) -> f64 {
        let c = 299_792_458.0;
        let sheet = self
            .sheet_ohm
            .map(|rs| Complex64::from(rs / (rs + 188.365)));
        let slot = self.slot_m.map(|l| {
            let x = f_hz / (c / (2.0 * l));
            Complex64::new(0.0, x) / Complex64::new(1.0 - x * x, x)
        });
        let seam = self
            .seam_ohm
            .map(|z| Complex64::new(0.0, f_hz / 1e9).sqrt() * (z / 376.73));
        let total: Complex64 = [sheet, slot, seam]
            .into_iter()
            .zip(paths_m)
            .map(|(leak, path_m)| {
                leak.unwrap_or_default() * Complex64::from_polar(1.0, -2.0 * PI * f_hz * path_m / c)
            })
            .sum();
        -20.0 * total.norm().log10()
    }

    /// One or two of the lowest three resonances, moved by up to 2 %, with their depth.
    fn dips(&self, random: &mut StdRng) -> Vec<(f64, f64)> {
        let [a, b, c] = self.sides_m.map(|side_m| 149_896_229.0 / side_m);
        let mut lowest = [a.hypot(b), a.hypot(c), b.hypot(c)];
        lowest.sort_by(f64::total_cmp);
        let count = random.random_range(1..3);
        lowest[..count]
            .iter()
            .map(|f_hz| {
                (
                    f_hz * random.random_range(0.98..1.02),
                    random.random_range(8.0..20.0),
                )
            })
            .collect()
    }

    pub fn inside(&self) -> ItemInside {
        let [a, b, c] = self.sides_m.map(Length::from_m);
        ItemInside {
            size: BoxSize { a, b, c },
            quality: 40.0,
        }
    }

    fn truth(&self, kind: LeakKind) -> Option<f64> {
        match kind {
            LeakKind::Sheet => self.sheet_ohm,
            LeakKind::Slot => self.slot_m,
            LeakKind::Seam => self.seam_ohm,
            LeakKind::Floor => None,
        }
    }
}

/// Counts over many items.
#[derive(Default)]
struct Tally {
    items: usize,
    named: usize,
    inside: usize,
    wrong: usize,
    items_with_wrong: usize,
    nothing_named: usize,
}

impl Tally {
    fn add(&mut self, item: &Synthetic, explained: &Explanation, row: &mut String) {
        self.items += 1;
        let mut wrong_here = false;
        let mut any = false;
        for leak in explained.named() {
            any = true;
            let size = &leak.parameters[0];
            let (low, high) = (
                size.low_95.unwrap_or(0.0),
                size.high_95.unwrap_or(f64::INFINITY),
            );
            let verdict = match item.truth(leak.kind) {
                Some(truth) => {
                    self.named += 1;
                    let inside = (low..=high).contains(&truth);
                    self.inside += usize::from(inside);
                    if inside { "in" } else { "OUT" }
                }
                None if leak
                    .same_shape
                    .iter()
                    .any(|kind| item.truth(*kind).is_some()) =>
                {
                    "same shape"
                }
                None => {
                    wrong_here = true;
                    self.wrong += 1;
                    "WRONG"
                }
            };
            let truth = item.truth(leak.kind).unwrap_or(f64::NAN);
            write!(
                row,
                " | {} {truth:.4} in {low:.4}..{high:.4} {verdict}",
                leak.kind.word()
            )
            .expect("string");
        }
        self.items_with_wrong += usize::from(wrong_here);
        self.nothing_named += usize::from(!any);
    }
}

fn run(seeds: std::ops::Range<u64>, print: bool) -> Tally {
    let mut tally = Tally::default();
    for seed in seeds {
        let item = Synthetic::new(seed);
        let explained = match explain(&item.points, Some(&item.inside()), Excitation::PlaneWave) {
            Ok(explained) => explained,
            Err(error) => panic!("seed {seed}: {error}"),
        };
        let mut row = format!("{seed:3}");
        tally.add(&item, &explained, &mut row);
        if print {
            println!("{row}");
        }
    }
    let share = |part: usize, of: usize| 100.0 * part as f64 / of.max(1) as f64;
    println!(
        "{} items, {} true leaks named, truth in interval {:.1} %, items with a wrong kind {:.1} %, nothing named {:.1} %",
        tally.items,
        tally.named,
        share(tally.inside, tally.named),
        share(tally.items_with_wrong, tally.items),
        share(tally.nothing_named, tally.items),
    );
    tally
}

#[test]
fn recovers_forty_items() {
    let tally = run(1000..1040, false);
    assert!(
        tally.inside * 100 >= 88 * tally.named,
        "{} of {}",
        tally.inside,
        tally.named
    );
    assert!(
        tally.items_with_wrong * 20 <= tally.items,
        "{}",
        tally.items_with_wrong
    );
    // Sizes must say something: most leaks are named, and most items have one named.
    assert!(tally.named >= tally.items && tally.nothing_named * 5 <= tally.items);
}

#[test]
#[ignore = "prints the table of 200 items; the short form runs always"]
fn recovers_two_hundred_items() {
    // The second two hundred were first looked at when everything was settled on the first.
    for seeds in [0..200, 10_000..10_200] {
        let tally = run(seeds, true);
        let share = |part: usize, of: usize| part as f64 / of as f64;
        assert!((0.90..=0.98).contains(&share(tally.inside, tally.named)));
        assert!(share(tally.items_with_wrong, tally.items) < 0.05);
        assert!(share(tally.nothing_named, tally.items) < 0.2);
    }
}

/// A handmade curve: film and slot in power, with the stated uncertainty as noise from a fixed list.
fn curve(frequencies_hz: &[f64], se_db: impl Fn(f64) -> f64, range_db: f64) -> Vec<CurvePoint> {
    let noise = [0.4, -0.7, 0.1, 0.9, -0.5, -0.2, 0.6, -0.8, 0.3, -0.1, 0.5];
    frequencies_hz
        .iter()
        .zip(noise.iter().cycle())
        .map(|(&frequency_hz, noise)| {
            let read_db = se_db(frequency_hz) + noise;
            let seen = read_db < range_db;
            CurvePoint {
                frequency_hz,
                se_db: read_db.min(range_db),
                u_db: 0.7,
                kind: if seen {
                    PointKind::Measured
                } else {
                    PointKind::AtLeast
                },
                dynamic_range_db: Some(range_db),
            }
        })
        .collect()
}

fn decades(low_hz: f64, high_hz: f64, count: usize) -> Vec<f64> {
    let step = (high_hz / low_hz).ln() / (count - 1) as f64;
    (0..count)
        .map(|i| low_hz * (step * i as f64).exp())
        .collect()
}

fn a_box() -> ItemInside {
    let [a, b, c] = [0.3, 0.4, 0.5].map(Length::from_m);
    ItemInside {
        size: BoxSize { a, b, c },
        quality: 40.0,
    }
}

#[test]
fn says_slot_and_resonance() {
    // A slot of 18 mm by hand, 20 lg(lambda/2L) (Ott, ch. 6), a dip of 12 dB on the box's lowest resonance.
    let mut frequencies = decades(3e7, 1e9, 31);
    frequencies[24] = 479.9e6;
    let slot =
        |f: f64| 20.0 * (299_792_458.0 / f / 0.036).log10() - if f == 479.9e6 { 12.0 } else { 0.0 };
    let got = explain(
        &curve(&frequencies, slot, 90.0),
        Some(&a_box()),
        Excitation::PlaneWave,
    )
    .expect("a curve");
    assert!(
        got.sentence.starts_with("Consistent with a slot of 18"),
        "{}",
        got.sentence
    );
    assert!(
        got.sentence
            .contains("dip of 12 dB falls on a resonance of the closed volume"),
        "{}",
        got.sentence
    );
    assert_eq!(got.resonant_dips.len(), 1);
    assert_eq!(got.resonant_dips[0].indices, [0, 1, 1]);
    let leak = got.named().next().expect("one");
    assert_eq!(leak.same_shape, [LeakKind::Seam]);
    assert_eq!(got.residuals.iter().filter(|r| r.set_aside).count(), 1);
}

#[test]
fn an_error_of_all_points_widens_every_interval() {
    // 0.6 dB common: 1.96 · 0.6 dB is a factor of 1.1449 in amplitude (arithmetic), and all but all of the interval.
    let frequencies = decades(1e7, 1e9, 201);
    let own = explain(
        &curve(&frequencies, |_| 65.50462, 80.0),
        None,
        Excitation::PlaneWave,
    )
    .expect("a curve");
    let with = own.clone().with_common_error(0.6);
    let size = |said: &Explanation| said.named().next().expect("the sheet").parameters[0].clone();
    let (own, wide) = (size(&own), size(&with));
    assert_eq!(own.estimate, wide.estimate);
    let high = wide.high_95.expect("closed") / wide.estimate;
    assert!((1.1449..1.16).contains(&high), "{high}");
    assert!(wide.low_95 < own.low_95 && wide.high_95 > own.high_95);
    assert_eq!(with.common_db, 0.6);
}

#[test]
fn bounds_are_bounds() {
    // A film of 0.1 ohm per square (65.5 dB, ORACLES C8) seen with 70 dB, then with 60 dB only.
    let frequencies = decades(1e7, 1e9, 21);
    let seen = explain(
        &curve(&frequencies, |_| 65.50462, 80.0),
        None,
        Excitation::PlaneWave,
    )
    .expect("a curve");
    let sheet = &seen.named().next().expect("the sheet").parameters[0];
    assert!((0.09..0.11).contains(&sheet.estimate), "{sheet:?}");
    let hidden = explain(
        &curve(&frequencies, |_| 65.50462, 60.0),
        None,
        Excitation::PlaneWave,
    )
    .expect("bounds");
    assert_eq!(hidden.named().count(), 0);
    assert!(
        hidden.sentence.contains("cannot tell"),
        "{}",
        hidden.sentence
    );
    let limit = hidden
        .upper_limits
        .iter()
        .find(|p| p.name == "sheet_resistance_ohm")
        .expect("limit");
    // 60 dB is 0.1885 ohm per square; the truth of 0.1 lies below the limit.
    let high = limit.high_95.expect("bounded");
    assert!((0.1..0.2).contains(&high), "{high}");
}

#[test]
fn a_curve_that_is_the_floor_is_not_an_item() {
    // What is read follows the set-up's dynamic range as it falls 15 dB a decade: no leak has that slope.
    let frequencies = decades(1e7, 1e9, 21);
    let mut points = curve(&frequencies, |f| 95.0 - 15.0 * (f / 1e7).log10(), 1e3);
    for point in &mut points {
        point.dynamic_range_db = Some(97.0 - 15.0 * (point.frequency_hz / 1e7).log10());
    }
    let got = explain(&points, None, Excitation::PlaneWave).expect("a curve");
    assert_eq!(
        got.named().map(|leak| leak.kind).collect::<Vec<_>>(),
        [LeakKind::Floor]
    );
    assert!(got.sentence.contains("not the item"), "{}", got.sentence);
}

#[test]
fn a_magnetic_run_reads_as_a_shell() {
    // ORACLES C30: a bag of 0.1 ohm per square, 0.15 m.
    let values = [
        (1e5, 0.6290319),
        (1e6, 12.19727),
        (1e7, 31.92998),
        (1e8, 51.92722),
    ];
    let frequencies = values.map(|(f, _)| f);
    let se = |f: f64| values.iter().find(|(at, _)| *at == f).expect("listed").1;
    let magnetic = Excitation::Magnetic {
        radius: Length::from_m(0.15),
    };
    let got = explain(&curve(&frequencies, se, 200.0), None, magnetic).expect("a curve");
    let sheet = &got.named().next().expect("the sheet").parameters[0];
    assert!(
        sheet.low_95.expect("low") < 0.1 && sheet.high_95.expect("high") > 0.1,
        "{sheet:?}"
    );
    let high = decades(1e8, 1e9, 11);
    assert!(explain(&curve(&high, |_| 40.0, 200.0), None, magnetic).is_err());
}

#[test]
fn refuses_points_that_cannot_be() {
    let good = curve(&decades(1e7, 1e9, 11), |_| 40.0, 90.0);
    assert!(explain(&good[..3], None, Excitation::PlaneWave).is_err());
    let mut bad = good.clone();
    bad[4].se_db = f64::NAN;
    let said = explain(&bad, None, Excitation::PlaneWave)
        .expect_err("NaN")
        .to_string();
    assert!(said.contains("point 4"), "{said}");
    bad[4].se_db = 40.0;
    bad[4].u_db = 0.0;
    assert!(explain(&bad, None, Excitation::PlaneWave).is_err());
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(40))]
    #[test]
    fn never_panics_and_never_says_nan(
        raw in proptest::collection::vec((0.0f64..11.0, -200.0f64..400.0, 0.001f64..100.0, 0u8..4), 4..20)
    ) {
        let points: Vec<CurvePoint> = raw
            .into_iter()
            .map(|(decades, se_db, u_db, kind)| CurvePoint {
                frequency_hz: 10f64.powf(decades),
                se_db,
                u_db,
                kind: if kind == 0 { PointKind::AtLeast } else { PointKind::Measured },
                dynamic_range_db: (kind < 3).then_some(se_db + 10.0),
            })
            .collect();
        let got = explain(&points, Some(&a_box()), Excitation::PlaneWave).expect("valid points");
        proptest::prop_assert!(!got.sentence.contains("NaN") && !got.sentence.contains("inf"), "{}", got.sentence);
        proptest::prop_assert!(!got.sentence.is_empty());
    }
}
