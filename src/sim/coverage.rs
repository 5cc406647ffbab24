//! Do the stated intervals and bounds hold for every way a receiver makes its noise? Traces of the simulated analyzer
//! (detector, video filter and its scale, hold, bins to a bandwidth) are judged as those of a linked run are.

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use super::analyzer::Analyzer;
use super::radio::{Signal, milliwatts};
use super::settings::{AverageKind, Detector, Settings, VideoScale};
use crate::analysis::budget::{BudgetInput, Given, PointScatter};
use crate::analysis::floor::Hold;
use crate::analysis::point::{Kind, PointInput, ReadingInput, judge_point};
use crate::analysis::trace::{Trace, Window};
use crate::analysis::verdict::DecisionRule;

const RBW_HZ: f64 = 1e3;
const CENTRE_HZ: f64 = 300e6;
const REFERENCE_DBM: f64 = -30.0;
/// Standard deviation of what changes between reference and item, dB.
const CLOSING_DB: f64 = 0.2;
/// Carriers from here to there above the floor as shown, dB.
const ABOVE_DB: std::ops::Range<f64> = -8.0..32.0;
/// After so many points the receiver is another one of its kind.
const POINTS_OF_A_RECEIVER: usize = 10;

/// One way of making noise.
#[derive(Debug, Clone, Copy)]
struct Cell {
    detector: Detector,
    /// Video bandwidth over resolution bandwidth.
    video: f64,
    scale: VideoScale,
    /// Sweeps held.
    sweeps: u32,
    /// Bins in a resolution bandwidth.
    bins: f64,
}

impl Cell {
    fn is_smoothed(&self) -> bool {
        self.video < 1.0 || matches!(self.detector, Detector::Rms | Detector::Average)
    }

    fn analyzer(&self, seed: u64) -> Analyzer {
        let mut analyzer = Analyzer::new(seed);
        analyzer.settings = Settings {
            centre_hz: CENTRE_HZ,
            span_hz: 200.0 * RBW_HZ / self.bins,
            points: 201,
            rbw_hz: Some(RBW_HZ),
            vbw_hz: Some(RBW_HZ * self.video),
            attenuation_db: Some(10.0),
            detector: self.detector,
            video_scale: self.scale,
            continuous: false,
            averaging: true,
            average_kind: AverageKind::Maximum,
            average_count: self.sweeps,
            ..Settings::default()
        };
        analyzer
    }

    /// A held trace, with a carrier of this level or with none.
    fn trace(&self, analyzer: &mut Analyzer, carrier_dbm: Option<f64>) -> Vec<f64> {
        let signals: Vec<Signal> = (carrier_dbm.into_iter())
            .map(|dbm| Signal {
                frequency_hz: CENTRE_HZ,
                power_mw: milliwatts(dbm),
                deviation_hz: 0.0,
            })
            .collect();
        analyzer.abort();
        analyzer.start_single(self.sweeps);
        let time_s = f64::from(self.sweeps) * analyzer.settings.sweep_s();
        analyzer.advance(time_s * (1.0 + 1e-12), &signals);
        analyzer.levels_dbm()
    }

    fn window(&self) -> Window {
        Window {
            centre_hz: CENTRE_HZ,
            half_width_hz: RBW_HZ,
        }
    }

    fn levels<'a>(&self, levels: &'a [f64]) -> Trace<'a> {
        let half_span_hz = 100.0 * RBW_HZ / self.bins;
        Trace::new(CENTRE_HZ - half_span_hz, CENTRE_HZ + half_span_hz, levels).expect("a trace")
    }

    fn reading<'a>(&self, signal: &'a [f64], floor: &'a [f64]) -> ReadingInput<'a> {
        ReadingInput {
            signal: self.levels(signal),
            floor: self.levels(floor),
            window: self.window(),
            rbw_hz: RBW_HZ,
            hold: Hold {
                smoothed: self.is_smoothed(),
                ..Hold::over(self.sweeps)
            },
            overload: false,
        }
    }

    /// The floor as shown, on the average, dBm.
    fn floor_dbm(&self) -> f64 {
        let mut analyzer = self.analyzer(1);
        let mut pick = || {
            let levels = self.trace(&mut analyzer, None);
            let picked = self.levels(&levels).pick(self.window());
            picked.expect("a window").level_dbm
        };
        (0..15).map(|_| pick()).sum::<f64>() / 15.0
    }

    fn run(&self, points: usize, seed: u64) -> Tally {
        let mut rng = StdRng::seed_from_u64(seed);
        let floor_dbm = self.floor_dbm();
        let mut tally = Tally::default();
        let mut analyzer = self.analyzer(seed);
        for point in 0..points {
            if point % POINTS_OF_A_RECEIVER == 0 {
                analyzer = self.analyzer(1000 * seed + point as u64);
            }
            let above_db = rng.random_range(ABOVE_DB);
            let closing_db = CLOSING_DB * rng.sample::<f64, _>(StandardNormal);
            let carrier_dbm = floor_dbm + above_db;
            let mut trace = |dbm| self.trace(&mut analyzer, dbm);
            let (reference_floor, reference) = (trace(None), trace(Some(REFERENCE_DBM)));
            let (floor, signal) = (trace(None), trace(Some(carrier_dbm + closing_db)));
            let result = judge_point(&PointInput {
                reference: self.reading(&reference, &reference_floor),
                item: self.reading(&signal, &floor),
                setting_difference_db: 0.0,
                station: &station(),
                scatter: PointScatter::default(),
                limit_db: None,
                rule: DecisionRule::Guarded,
                false_alarm: 1e-3,
                observed: &[],
            });
            let result = result.expect("a point");
            let true_db = REFERENCE_DBM - carrier_dbm;
            tally.take(result.kind, result.se_db, result.u_db, true_db);
        }
        tally
    }
}

/// What the simulated receiver really has: a scale wrong by a curve within 0.15 dB.
fn station() -> BudgetInput {
    let zero = Given::station(0.0);
    BudgetInput {
        receiver_linearity_db: Given::station(0.19),
        attenuator_step_db: zero,
        antenna_reflection: zero,
        receiver_reflection: zero,
        source_drift_db: zero,
        position_db: zero,
        repeatability_db: Given::station(CLOSING_DB),
    }
}

#[derive(Debug, Default, Clone, Copy)]
struct Tally {
    measured: f64,
    covered: f64,
    bounds: f64,
    held: f64,
    slack_db: f64,
    refused: f64,
}

impl Tally {
    fn take(&mut self, kind: Kind, se_db: Option<f64>, u_db: Option<f64>, true_db: f64) {
        let error_db = se_db.map_or(f64::NAN, |se_db| se_db - true_db);
        let one = |is: bool| f64::from(u8::from(is));
        match kind {
            Kind::Measured => {
                self.measured += 1.0;
                self.covered += one(u_db.is_some_and(|u_db| error_db.abs() <= u_db));
            }
            Kind::AtLeast => {
                self.bounds += 1.0;
                self.held += one(error_db <= 0.0);
                self.slack_db -= error_db;
            }
            Kind::None => self.refused += 1.0,
        }
    }

    fn add(&mut self, other: &Self) {
        self.measured += other.measured;
        self.covered += other.covered;
        self.bounds += other.bounds;
        self.held += other.held;
        self.slack_db += other.slack_db;
        self.refused += other.refused;
    }

    fn line(&self) -> String {
        let percent = |part: f64, of: f64| 100.0 * part / of;
        format!(
            "measured {:5} covered {:5.1} %  bounds {:5} held {:5.1} % slack {:4.1} dB  refused {}",
            self.measured,
            percent(self.covered, self.measured),
            self.bounds,
            percent(self.held, self.bounds),
            self.slack_db / self.bounds,
            self.refused
        )
    }

    /// `share` of `of` is not below `least` by more than chance does (three standard deviations).
    fn is_enough(share: f64, of: f64, least: f64) -> bool {
        share >= of * least - 3.0 * (of * least * (1.0 - least)).sqrt()
    }

    fn check(&self, what: &str) {
        assert!(
            Self::is_enough(self.covered, self.measured, 0.93),
            "{what}: {}",
            self.line()
        );
        assert!(
            Self::is_enough(self.held, self.bounds, 0.94),
            "{what}: {}",
            self.line()
        );
    }
}

const SCALES: [VideoScale; 3] = [
    VideoScale::Power,
    VideoScale::Voltage,
    VideoScale::Logarithm,
];

#[test]
#[ignore = "minutes: prints coverage over detectors, video filters, scales, sweeps and bins"]
fn coverage_over_all_that_makes_noise() {
    let mut all = [Tally::default(); 2];
    for detector in [
        Detector::Positive,
        Detector::Sample,
        Detector::Rms,
        Detector::Average,
    ] {
        for video in [0.01, 0.1, 1.0, 3.0] {
            for scale in SCALES {
                // Where nothing is averaged on a scale, there is one case.
                let averages = video < 1.0 || detector == Detector::Average;
                if !averages && scale != VideoScale::Power {
                    continue;
                }
                for (sweeps, points) in [(1, 200), (10, 100), (100, 40)] {
                    for bins in [1.0, 3.0, 10.0] {
                        let cell = Cell {
                            detector,
                            video,
                            scale,
                            sweeps,
                            bins,
                        };
                        let tally = cell.run(points, 3);
                        println!("{cell:?}\n    {}", tally.line());
                        tally.check(&format!("{cell:?}"));
                        all[usize::from(cell.is_smoothed())].add(&tally);
                    }
                }
            }
        }
    }
    println!("by the model of held noise: {}", all[0].line());
    println!("by the floor's own trace:   {}", all[1].line());
}

#[test]
fn intervals_and_bounds_hold_whatever_makes_the_noise() {
    let cell = |detector, video, scale, sweeps, bins| Cell {
        detector,
        video,
        scale,
        sweeps,
        bins,
    };
    use Detector::{Average, Positive, Rms, Sample};
    use VideoScale::{Logarithm, Power, Voltage};
    let modelled = [
        cell(Positive, 3.0, Power, 10, 3.0),
        cell(Positive, 1.0, Power, 1, 1.0),
        cell(Sample, 3.0, Power, 10, 10.0),
    ];
    let bracketed = [
        cell(Positive, 0.1, Logarithm, 10, 3.0),
        cell(Sample, 0.1, Voltage, 1, 1.0),
        cell(Sample, 0.01, Logarithm, 1, 10.0),
        cell(Rms, 3.0, Power, 10, 1.0),
        cell(Average, 0.1, Power, 10, 3.0),
    ];
    for cells in [&modelled[..], &bracketed[..]] {
        let mut all = Tally::default();
        for cell in cells {
            all.add(&cell.run(40, 5));
        }
        println!("{}", all.line());
        all.check(&format!("{cells:?}"));
        assert_eq!(all.refused, 0.0, "{cells:?}");
    }
}
