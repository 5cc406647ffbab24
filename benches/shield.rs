//! How long theory takes: a stack of six layers at ten thousand frequencies, an explanation of one run, a pulse.
//!
//! What it should take at most: 5 ms for the stack, 200 ms for the explanation.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use muffle::analysis::shield::curve::{CurvePoint, PointKind};
use muffle::analysis::shield::explain::{Excitation, explain};
use muffle::analysis::shield::pulse::{IEC_61000_2_9, pulse};
use muffle::analysis::shield::stack::{Layer, stack_curve};
use muffle::quantity::Frequency;

fn log_spaced_hz(count: u32) -> impl Iterator<Item = f64> {
    (0..count).map(move |i| 1e5 * 1e4f64.powf(f64::from(i) / f64::from(count - 1)))
}

/// A run from 100 kHz to 1 GHz, ten frequencies a decade: a sheet and a slot, what lies near the floor as bounds.
fn run() -> Vec<CurvePoint> {
    let noise = [0.4, -0.7, 0.1, 0.9, -0.5, -0.2, 0.6, -0.8, 0.3, -0.1, 0.5];
    log_spaced_hz(41)
        .enumerate()
        .map(|(i, frequency_hz)| {
            let slot = 2.0 * 5e-3 * frequency_hz / 299_792_458.0;
            let sheet = 2.0 * 0.02 / 376.73;
            let read_db = -10.0 * (slot * slot + sheet * sheet).log10() + noise[i % 11];
            let seen = read_db < 75.0;
            CurvePoint {
                frequency_hz,
                se_db: read_db.min(75.0),
                u_db: 0.8,
                kind: if seen {
                    PointKind::Measured
                } else {
                    PointKind::AtLeast
                },
                dynamic_range_db: Some(78.0),
            }
        })
        .collect()
}

fn theory(c: &mut Criterion) {
    let layers: Vec<Layer> = [
        "copper:18um",
        "gap:5mm",
        "film:0.1",
        "gap:2mm:2.1",
        "film:0.5",
        "gap:3mm",
    ]
    .map(|text| text.parse().expect("a layer"))
    .into();
    let frequencies: Vec<_> = log_spaced_hz(10_000).map(Frequency::from_hz).collect();
    c.bench_function("six layers at 10,000 frequencies", |b| {
        b.iter(|| stack_curve(black_box(&layers), black_box(&frequencies)).expect("a curve"))
    });
    let points = run();
    let mut slow = c.benchmark_group("one run of 41 points");
    slow.sample_size(20);
    slow.bench_function("explained", |b| {
        b.iter(|| explain(black_box(&points), None, Excitation::PlaneWave).expect("a curve"))
    });
    slow.bench_function("a pulse behind it", |b| {
        b.iter(|| pulse(black_box(&points), &IEC_61000_2_9).expect("a curve"))
    });
    slow.finish();
}

criterion_group!(benches, theory);
criterion_main!(benches);
