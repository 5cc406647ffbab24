//! Do the stated intervals and bounds hold? Traces are made here by adding a carrier to filtered complex
//! noise, sweep by sweep, and holding the peaks: nothing of the estimator is used to make them.

use super::budget::{BudgetInput, Given, PointScatter};
use super::point::{Kind, PointInput, ReadingInput, judge_point};
use super::trace::{Trace, Window};
use super::verdict::DecisionRule;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

const BINS: usize = 201;
const SPACING_HZ: f64 = 1e3;
const CENTRE_HZ: f64 = 100e6;
const NOISE_DBM: f64 = -100.0;

/// How a receiver makes its traces.
#[derive(Debug, Clone, Copy)]
struct Receiver {
    sweeps: u32,
    /// Independent samples whose peak the detector holds in each bin of a sweep.
    samples: usize,
    rbw_hz: f64,
    /// Neighbouring bins share their noise through the resolution filter (a fast sweep).
    correlated: bool,
}

impl Receiver {
    /// A held trace with a carrier (dB over the mean noise power of a sample) near the middle, off it
    /// by `offset_bins`; the carrier's phase runs.
    fn trace(&self, rng: &mut StdRng, carrier_db: f64, offset_bins: f64) -> Vec<f64> {
        let amplitude = 10f64.powf(carrier_db / 20.0);
        let sigma_bins = self.rbw_hz / SPACING_HZ / 2.0 / (2f64.ln()).sqrt();
        let response = |bins: f64| (-0.5 * (bins / sigma_bins).powi(2)).exp();
        let reach = if self.correlated {
            (4.0 * sigma_bins).ceil() as usize
        } else {
            0
        };
        let kernel: Vec<f64> = (0..=2 * reach)
            .map(|i| response(i as f64 - reach as f64))
            .collect();
        let norm = kernel.iter().map(|k| k * k).sum::<f64>().sqrt();
        let mut held = vec![0f64; BINS];
        for _ in 0..self.sweeps as usize * self.samples {
            let phase = rng.random_range(0.0..std::f64::consts::TAU);
            let mut gauss = || rng.sample::<f64, _>(StandardNormal) * 0.5f64.sqrt();
            let white: Vec<(f64, f64)> =
                (0..BINS + 2 * reach).map(|_| (gauss(), gauss())).collect();
            for (bin, held) in held.iter_mut().enumerate() {
                let (mut re, mut im) = (0.0, 0.0);
                for (k, w) in kernel.iter().zip(&white[bin..]) {
                    re += k * w.0 / norm;
                    im += k * w.1 / norm;
                }
                let a = amplitude * response(bin as f64 - (BINS / 2) as f64 - offset_bins);
                re += a * phase.cos();
                im += a * phase.sin();
                *held = held.max(re * re + im * im);
            }
        }
        held.iter().map(|p| NOISE_DBM + 10.0 * p.log10()).collect()
    }

    /// The median of one bin of the floor as shown, dB over the mean noise power.
    fn shown_floor_db(&self) -> f64 {
        let held = f64::from(self.sweeps) * self.samples as f64;
        10.0 * (-(1.0 - 0.5f64.powf(1.0 / held)).ln()).log10()
    }
}

#[derive(Default, Clone, Copy)]
struct Tally {
    points: usize,
    measured: usize,
    covered: usize,
    too_high: usize,
    missed: usize,
    held: usize,
    width_db: f64,
}

/// Errors of the station drawn from the very distributions its budget states.
fn station_error(rng: &mut StdRng) -> f64 {
    let mut uniform = || rng.random_range(-1.0..1.0);
    let rectangular = uniform() * 1.0 + uniform() * 0.5 + uniform() * 1.5;
    let u_shaped = 0.26334 * (std::f64::consts::PI * uniform()).cos();
    rectangular + u_shaped + 0.5 * rng.sample::<f64, _>(StandardNormal)
}

/// Judges `points` points with carriers from `from_db` to `to_db` above the shown floor, by 5 dB.
fn run(receiver: Receiver, points: usize, seed: u64, ideal: bool) -> Vec<(f64, Tally)> {
    let mut rng = StdRng::seed_from_u64(seed);
    let zero = Given::station(0.0);
    let perfect = BudgetInput {
        receiver_linearity_db: zero,
        attenuator_step_db: zero,
        antenna_reflection: zero,
        receiver_reflection: zero,
        source_drift_db: zero,
        position_db: zero,
        repeatability_db: zero,
    };
    let station = if ideal {
        perfect
    } else {
        BudgetInput::default()
    };
    let mut rows: Vec<(f64, Tally)> = (-1..12)
        .map(|row| (5.0 * row as f64, Tally::default()))
        .collect();
    for point in 0..points {
        let row = point % rows.len();
        let above_db = rows[row].0 + rng.random_range(0.0..5.0);
        let carrier_db = receiver.shown_floor_db() + above_db;
        let error_db = if ideal { 0.0 } else { station_error(&mut rng) };
        // One source and one grid of bins: off the middle by as much in every trace.
        let offset = rng.random_range(-0.2..0.2);
        let mut trace = |carrier_db| receiver.trace(&mut rng, carrier_db, offset);
        let none = f64::NEG_INFINITY;
        let (floor, signal) = (trace(none), trace(carrier_db + error_db));
        let (reference_floor, reference) = (trace(none), trace(75.0));
        let window = Window {
            centre_hz: CENTRE_HZ,
            half_width_hz: receiver.rbw_hz,
        };
        let half_span_hz = SPACING_HZ * (BINS / 2) as f64;
        let trace = |levels| {
            Trace::new(CENTRE_HZ - half_span_hz, CENTRE_HZ + half_span_hz, levels).expect("a trace")
        };
        let reading = |signal, floor| ReadingInput {
            signal: trace(signal),
            floor: trace(floor),
            window,
            rbw_hz: receiver.rbw_hz,
            sweeps: receiver.sweeps,
            overload: false,
        };
        let result = judge_point(&PointInput {
            reference: reading(&reference, &reference_floor),
            item: reading(&signal, &floor),
            setting_difference_db: 0.0,
            station: &station,
            scatter: PointScatter::default(),
            limit: None,
            rule: DecisionRule::Guarded,
            observed: &[],
        })
        .expect("a point");
        let truth_db = 75.0 - carrier_db;
        let tally = &mut rows[row].1;
        tally.points += 1;
        match (result.kind, result.se_db, result.u_db) {
            (Kind::Measured, Some(se_db), Some(u_db)) => {
                tally.measured += 1;
                tally.covered += usize::from((se_db - truth_db).abs() <= u_db);
                tally.too_high += usize::from(se_db - truth_db > u_db);
                tally.width_db += u_db;
            }
            (Kind::AtLeast, Some(bound_db), None) => {
                tally.missed += 1;
                tally.held += usize::from(truth_db >= bound_db);
            }
            other => panic!("{other:?}"),
        }
    }
    rows
}

fn print(rows: &[(f64, Tally)]) {
    println!("above floor  points  measured  covered  SE too high  mean U   bounds  held");
    for (from_db, t) in rows {
        let share = |part, of| 100.0 * part as f64 / of as f64;
        println!(
            "{from_db:4.0}..{:<4.0} {:9} {:9} {:7.1}% {:11.1}% {:7.2} {:8} {:5.1}%",
            from_db + 5.0,
            t.points,
            t.measured,
            share(t.covered, t.measured),
            share(t.too_high, t.measured),
            t.width_db / t.measured as f64,
            t.missed,
            share(t.held, t.missed),
        );
    }
}

#[test]
#[ignore = "long: prints the table of coverage by distance from the floor"]
fn coverage_table() {
    for (sweeps, samples) in [(1, 1), (5, 1), (10, 1), (50, 1), (5, 4)] {
        for (rbw_hz, correlated) in [(1e3, false), (5e3, false), (5e3, true)] {
            let receiver = Receiver {
                sweeps,
                samples,
                rbw_hz,
                correlated,
            };
            for ideal in [true, false] {
                println!("\n{receiver:?}, noise only: {ideal}");
                print(&run(receiver, 13 * 400, 7, ideal));
            }
        }
    }
}
