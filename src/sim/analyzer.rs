//! The spectrum analyzer: settings, sweeps, detector, hold and what it does wrong.
//!
//! Swept through a Gaussian resolution filter. Noise in one sample of the filter's output is complex
//! Gaussian, its power exponential; samples a dwell apart are correlated as the filter says (the
//! autocorrelation is the Fourier transform of its power response). A bin that dwells for several
//! correlation times holds several independent samples, and the detector picks among them: the
//! largest of M exponentials is -ln(1 - U^(1/M)) (order statistics). Noise density is kT of 290 K
//! times the noise figure. Sizes of errors are from memory of data sheets.

use rand::SeedableRng;
use rand::distr::{Distribution, Uniform};
use rand::rngs::SmallRng;
use rand_distr::{Exp1, Gamma, StandardNormal};

use super::radio::{Signal, dbm, milliwatts};
use super::random::{curve, part, symmetric};

/// What the analyzer can tune to, Hz.
pub(super) const RANGE_HZ: (f64, f64) = (0.0, 3e9);
/// Fewest and most points of a trace.
pub(super) const POINTS: (usize, usize) = (11, 10_001);
/// Largest attenuation and its step, dB.
pub(super) const ATTENUATION_DB: (f64, f64) = (50.0, 5.0);
/// Reference levels that it takes, dBm.
pub(super) const REFERENCE_DBM: (f64, f64) = (-120.0, 30.0);
/// Most sweeps that one measurement may average or hold.
pub(super) const COUNT_MAX: u32 = 10_000;
/// Resolution and video bandwidths, Hz.
pub(super) const BANDWIDTHS_HZ: [f64; 12] = [
    10.0, 30.0, 100.0, 300.0, 1e3, 3e3, 1e4, 3e4, 1e5, 3e5, 1e6, 3e6,
];
/// The longest and the shortest sweep, s.
pub(super) const SWEEP_S: (f64, f64) = (1e-3, 4000.0);
/// More than this at the input breaks the mixer, dBm. The bench only counts it.
pub(super) const DAMAGE_DBM: f64 = 20.0;
/// Bit of the questionable power register: the mixer is overdriven.
pub(super) const OVERLOAD_INPUT: u16 = 1;
/// Bit of the questionable power register: a signal stands above the top of the screen.
pub(super) const OVERLOAD_IF: u16 = 2;

/// Swept response needs span / bandwidth² times this (common practice, no source).
const SWEEP_FACTOR: f64 = 2.5;
/// Bandwidth of a Gaussian filter in noise over its 3 dB bandwidth: sqrt(pi / 4 ln 2).
const NOISE_BANDWIDTH: f64 = 1.064_467_019_431_226;
const FOUR_LN2: f64 = 2.772_588_722_239_781;
/// Noise of 290 K, dBm in 1 Hz: 10 lg(kT / 1 mW).
const THERMAL_DBM_HZ: f64 = -173.975_2;
const NOISE_FIGURE_DB: f64 = 18.0;
const PREAMP_NOISE_FIGURE_DB: f64 = 8.0;
const PREAMP_GAIN_DB: f64 = 20.0;
/// Level at the mixer that is shown 1 dB too low, dBm.
const COMPRESSION_DBM: f64 = 3.0;
/// Level at the mixer from which the overload bit is set, dBm: 0.25 dB of compression.
const OVERLOAD_DBM: f64 = -3.0;
/// Second-harmonic intercept at the mixer, dBm.
const SECOND_INTERCEPT_DBM: f64 = 45.0;
/// How far above the reference level the trace can still be drawn, dB.
const HEADROOM_DB: f64 = 5.0;
/// What an empty bin shows, dBm.
const BOTTOM_DBM: f64 = -200.0;
/// More sweeps than this under unchanged conditions are drawn as this many, each standing for more.
const SWEEPS_DRAWN_MAX: f64 = 64.0;
/// Neighbouring samples of white noise that make one sample of filtered noise.
const TAPS: usize = 8;

/// How a bin's samples become one number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Detector {
    Positive,
    Negative,
    Sample,
    Rms,
}

/// How the sweeps of one averaged measurement become one trace.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum AverageKind {
    Maximum,
    Minimum,
    /// Mean of the decibels, as shown on the screen.
    Scalar,
    /// Mean of the powers.
    Rms,
}

/// The display trace mode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TraceMode {
    Write,
    MaxHold,
    MinHold,
}

/// What the operator set.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Settings {
    pub centre_hz: f64,
    pub span_hz: f64,
    pub points: usize,
    pub rbw_hz: Option<f64>,
    pub vbw_hz: Option<f64>,
    pub sweep_s: Option<f64>,
    pub attenuation_db: Option<f64>,
    pub preamp: bool,
    pub reference_dbm: f64,
    pub detector: Detector,
    pub averaging: bool,
    pub average_kind: AverageKind,
    pub average_count: u32,
    pub sweep_count: u32,
    pub trace_mode: TraceMode,
    pub continuous: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            centre_hz: 1.5e9,
            span_hz: 3e9,
            points: 1001,
            rbw_hz: None,
            vbw_hz: None,
            sweep_s: None,
            attenuation_db: None,
            preamp: false,
            reference_dbm: 0.0,
            detector: Detector::Positive,
            averaging: false,
            average_kind: AverageKind::Scalar,
            average_count: 10,
            sweep_count: 1,
            trace_mode: TraceMode::Write,
            continuous: true,
        }
    }
}

impl Settings {
    /// The narrowest available bandwidth that is not below the one asked for, Hz.
    pub(super) fn available_hz(asked_hz: f64) -> f64 {
        let fits = |step: &&f64| **step >= asked_hz * (1.0 - 1e-9);
        let widest = BANDWIDTHS_HZ[BANDWIDTHS_HZ.len() - 1];
        BANDWIDTHS_HZ.iter().find(fits).copied().unwrap_or(widest)
    }

    pub(super) fn start_hz(&self) -> f64 {
        self.centre_hz - self.span_hz / 2.0
    }

    pub(super) fn stop_hz(&self) -> f64 {
        self.centre_hz + self.span_hz / 2.0
    }

    pub(super) fn rbw_hz(&self) -> f64 {
        let auto = || Self::available_hz(self.span_hz / 100.0);
        self.rbw_hz.unwrap_or_else(auto)
    }

    pub(super) fn vbw_hz(&self) -> f64 {
        self.vbw_hz.unwrap_or_else(|| self.rbw_hz())
    }

    pub(super) fn attenuation_db(&self) -> f64 {
        let (most, step) = ATTENUATION_DB;
        let auto = || ((self.reference_dbm + 10.0) / step).ceil().max(0.0) * step;
        self.attenuation_db.unwrap_or_else(auto).min(most)
    }

    pub(super) fn sweep_s(&self) -> f64 {
        let rbw = self.rbw_hz();
        let auto = || match self.span_hz {
            0.0 => 20e-3,
            span => SWEEP_FACTOR * span / (rbw * rbw.min(self.vbw_hz())),
        };
        self.sweep_s
            .unwrap_or_else(auto)
            .clamp(SWEEP_S.0, SWEEP_S.1)
    }

    /// Distance between neighbouring bins.
    fn bin_hz(&self) -> f64 {
        self.span_hz / (self.points - 1) as f64
    }

    /// Frequencies of the bins.
    pub(super) fn bin_frequency_hz(&self, bin: usize) -> f64 {
        self.start_hz() + bin as f64 * self.bin_hz()
    }

    fn hold(&self) -> Hold {
        match (self.trace_mode, self.averaging, self.average_kind) {
            (TraceMode::MaxHold, ..) | (_, true, AverageKind::Maximum) => Hold::Max,
            (TraceMode::MinHold, ..) | (_, true, AverageKind::Minimum) => Hold::Min,
            (_, true, AverageKind::Scalar) => Hold::MeanLevel,
            (_, true, AverageKind::Rms) => Hold::MeanPower,
            _ => Hold::Last,
        }
    }

    /// How many sweeps one single measurement takes.
    pub(super) fn sweeps(&self) -> u32 {
        match self.averaging {
            true => self.average_count.max(self.sweep_count),
            false => self.sweep_count,
        }
    }
}

/// How a new sweep joins the trace.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Hold {
    Last,
    Max,
    Min,
    MeanLevel,
    MeanPower,
}

/// A measurement under way.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Run {
    /// Sweeps still to do; infinite when continuous.
    left: f64,
    /// How far the present sweep has come, 0..1.
    position: f64,
    /// Number of the present sweep, from 1.
    sweep: u32,
}

/// What follows from the settings alone, worked out once.
#[derive(Debug)]
struct Prepared {
    /// Mean noise power of one sample, mW, referred to the input, per bin.
    noise_mw: Vec<f64>,
    /// Independent samples of the filter's output in one bin.
    samples: f64,
    /// Samples that the video filter makes into one; 1 when it is wide open.
    smoothing: f64,
    kernel: Option<Kernel>,
    mean: Option<Gamma<f64>>,
}

/// Makes filtered noise, correlated from bin to bin, from white noise.
#[derive(Debug)]
struct Kernel {
    taps: Vec<(usize, [f64; TAPS])>,
    white: usize,
}

/// The one analyzer of the bench, whoever talks to it.
#[derive(Debug)]
pub(super) struct Analyzer {
    pub settings: Settings,
    /// Power per bin, mW; for `MeanLevel` the level in dBm.
    trace: Vec<f64>,
    run: Option<Run>,
    prepared: Option<Prepared>,
    rng: SmallRng,
    clock_error: f64,
    response_seed: u64,
    fidelity_seed: u64,
    step_seed: u64,
    /// Bits of the questionable power register as they are now.
    pub condition: u16,
    /// The same bits, kept until read.
    pub event: u16,
    /// The highest level that ever came in, dBm.
    pub highest_input_dbm: f64,
}

impl Analyzer {
    pub(super) fn new(seed: u64) -> Self {
        let settings = Settings::default();
        let mut analyzer = Self {
            trace: vec![0.0; settings.points],
            settings,
            run: None,
            prepared: None,
            rng: SmallRng::seed_from_u64(part(seed, "receiver noise")),
            clock_error: 0.5e-6 * symmetric(part(seed, "receiver clock"), 0),
            response_seed: part(seed, "receiver response"),
            fidelity_seed: part(seed, "receiver fidelity"),
            step_seed: part(seed, "attenuator steps"),
            condition: 0,
            event: 0,
            highest_input_dbm: f64::NEG_INFINITY,
        };
        analyzer.abort();
        analyzer
    }

    /// After a change of settings: what was held belongs to other settings, and is thrown away.
    pub(super) fn restart(&mut self) {
        self.prepared = None;
        let empty = match self.settings.hold() {
            Hold::Min => f64::INFINITY,
            Hold::MeanLevel => BOTTOM_DBM,
            _ => 0.0,
        };
        self.trace.clear();
        self.trace.resize(self.settings.points, empty);
        if let Some(run) = self.run.take() {
            match run.left.is_finite() {
                true => self.launch(f64::from(self.settings.sweeps())),
                false => self.launch(f64::INFINITY),
            }
        }
    }

    /// Begins one measurement. The caller has made sure that none is under way.
    pub(super) fn start_single(&mut self, sweeps: u32) {
        let display_hold = matches!(
            self.settings.trace_mode,
            TraceMode::MaxHold | TraceMode::MinHold
        );
        // An average begins anew with each measurement, a display hold goes on.
        if !display_hold {
            self.restart();
        }
        self.launch(f64::from(sweeps));
    }

    /// Stops; a free-running analyzer begins its next sweep.
    pub(super) fn abort(&mut self) {
        self.run = None;
        if self.settings.continuous {
            self.launch(f64::INFINITY);
        }
    }

    /// Free-running or one measurement at a time; what is on the trace stays.
    pub(super) fn set_continuous(&mut self, continuous: bool) {
        self.settings.continuous = continuous;
        self.abort();
    }

    fn launch(&mut self, sweeps: f64) {
        self.run = Some(Run {
            left: sweeps,
            position: 0.0,
            sweep: 1,
        });
    }

    /// Simulated seconds until the single measurement under way is done.
    pub(super) fn remaining_s(&self) -> Option<f64> {
        let run = self.run.filter(|run| run.left.is_finite())?;
        Some(run.left * self.settings.sweep_s())
    }

    pub(super) fn is_continuous(&self) -> bool {
        self.run.is_some_and(|run| run.left.is_infinite())
    }

    /// Lets time pass with these signals at the input.
    pub(super) fn advance(&mut self, time_s: f64, incoming: &[Signal]) {
        let Some(mut run) = self.run else { return };
        if self.prepared.is_none() {
            self.prepared = Some(self.prepare());
        }
        let signals = self.front_end(incoming);
        let mut amount = (time_s / self.settings.sweep_s()).min(run.left);
        run.left -= amount;
        let mut stand_for = 1.0;
        if self.settings.hold() == Hold::Last && amount > 2.0 {
            // Earlier sweeps are overwritten: only the last whole one is drawn.
            amount -= (amount - 1.0).floor();
        } else if amount > SWEEPS_DRAWN_MAX {
            stand_for = amount / SWEEPS_DRAWN_MAX;
            amount = SWEEPS_DRAWN_MAX;
        }
        let points = self.settings.points as f64;
        while amount > 1e-9 {
            let part = amount.min(1.0 - run.position);
            let from = (run.position * points).round() as usize;
            let to = ((run.position + part) * points).round() as usize;
            self.sweep(from..to, &signals, stand_for, run.sweep);
            amount -= part;
            run.position += part;
            if run.position > 1.0 - 1e-9 {
                run.position = 0.0;
                run.sweep = run.sweep.saturating_add(1);
            }
        }
        self.run = (run.left > 1e-9).then_some(run);
    }

    /// What the input does to the signals: time-base error, compression, its own second harmonics.
    fn front_end(&mut self, incoming: &[Signal]) -> Vec<Signal> {
        let total_dbm = dbm(incoming.iter().map(|signal| signal.power_mw).sum());
        self.highest_input_dbm = self.highest_input_dbm.max(total_dbm);
        let gain_db = match self.settings.preamp {
            true => PREAMP_GAIN_DB,
            false => 0.0,
        } - self.settings.attenuation_db();
        let mixer_dbm = total_dbm + gain_db;
        let one_db = 10f64.powf(0.1) - 1.0;
        let compression = 1.0 / (1.0 + one_db * milliwatts(mixer_dbm - COMPRESSION_DBM));
        let mut signals = Vec::with_capacity(2 * incoming.len());
        for signal in incoming {
            let seen = Signal {
                frequency_hz: signal.frequency_hz * (1.0 + self.clock_error),
                power_mw: signal.power_mw * compression,
                deviation_hz: signal.deviation_hz,
            };
            let harmonic_dbm = 2.0 * (dbm(seen.power_mw) + gain_db) - SECOND_INTERCEPT_DBM;
            signals.push(seen);
            signals.push(Signal {
                frequency_hz: 2.0 * seen.frequency_hz,
                power_mw: milliwatts(harmonic_dbm - gain_db),
                deviation_hz: 2.0 * seen.deviation_hz,
            });
        }
        let top_dbm = self.settings.reference_dbm + HEADROOM_DB;
        let edge_hz = self.settings.rbw_hz();
        let shown = self.settings.start_hz() - edge_hz..=self.settings.stop_hz() + edge_hz;
        let off_screen = |signal: &Signal| {
            shown.contains(&signal.frequency_hz) && dbm(signal.power_mw) > top_dbm
        };
        self.condition = 0;
        if mixer_dbm > OVERLOAD_DBM {
            self.condition |= OVERLOAD_INPUT;
        }
        if signals.iter().any(off_screen) {
            self.condition |= OVERLOAD_IF;
        }
        self.event |= self.condition;
        signals
    }

    fn prepare(&self) -> Prepared {
        let settings = &self.settings;
        let rbw_hz = settings.rbw_hz();
        let dwell = settings.sweep_s() / settings.points as f64 * rbw_hz;
        let noise_mw = (0..settings.points)
            .map(|bin| self.noise_mw(settings.bin_frequency_hz(bin)))
            .collect();
        let smoothing = (rbw_hz / settings.vbw_hz()).max(1.0);
        let samples = (dwell * NOISE_BANDWIDTH).max(1.0);
        let averaged = match settings.detector {
            Detector::Rms => samples.max(smoothing),
            _ => smoothing,
        };
        Prepared {
            noise_mw,
            samples: (samples / smoothing).max(1.0),
            smoothing: averaged,
            // Beyond one independent sample to a bin there is no correlation worth keeping.
            kernel: (samples <= 1.0).then(|| Kernel::new(settings.points, dwell)),
            mean: (averaged > 1.0)
                .then(|| Gamma::new(averaged, 1.0 / averaged).ok())
                .flatten(),
        }
    }

    /// Mean power of the noise in one sample, mW, referred to the input.
    fn noise_mw(&self, frequency_hz: f64) -> f64 {
        let settings = &self.settings;
        let figure_db = match settings.preamp {
            true => PREAMP_NOISE_FIGURE_DB,
            false => NOISE_FIGURE_DB,
        };
        let decades = frequency_hz.max(1e3).log10();
        let ripple_db = 0.5 * curve(self.response_seed ^ 2, 3.0 * decades);
        // The noise of the first local oscillator rises towards zero frequency.
        let low_db = 10.0 * (1.0 + 20e3 / frequency_hz.max(1e3)).log10();
        milliwatts(
            THERMAL_DBM_HZ
                + 10.0 * (settings.rbw_hz() * NOISE_BANDWIDTH).log10()
                + figure_db
                + settings.attenuation_db()
                + ripple_db
                + low_db,
        )
    }

    /// Sweeps over some bins and joins the result to the trace.
    fn sweep(
        &mut self,
        bins: std::ops::Range<usize>,
        signals: &[Signal],
        stand_for: f64,
        number: u32,
    ) {
        let Some(prepared) = self.prepared.take() else {
            return;
        };
        let carriers = self.carriers(&bins, signals);
        let white = prepared.kernel.as_ref().map(|it| it.draw(&mut self.rng));
        let hold = self.settings.hold();
        let nth = f64::from(number.min(self.settings.average_count.max(1)));
        for (bin, carrier) in bins.zip(carriers) {
            let own = match (&prepared.kernel, &white) {
                (Some(kernel), Some(white)) => kernel.sample(bin, white),
                _ => complex_normal(&mut self.rng),
            };
            let power_mw = self.detect(&prepared, bin, carrier, own, stand_for);
            let held = &mut self.trace[bin];
            *held = match hold {
                Hold::Last => power_mw,
                Hold::Max => held.max(power_mw),
                Hold::Min => held.min(power_mw),
                Hold::MeanPower => *held + (power_mw - *held) / nth,
                Hold::MeanLevel => *held + (dbm(power_mw) - *held) / nth,
            };
        }
        self.prepared = Some(prepared);
    }

    /// The sum of all carriers' amplitudes in each bin, each with a phase of its own.
    fn carriers(&mut self, bins: &std::ops::Range<usize>, signals: &[Signal]) -> Vec<(f64, f64)> {
        let mut sum = vec![(0.0, 0.0); bins.len()];
        let settings = &self.settings;
        let (rbw_hz, bin_hz) = (settings.rbw_hz(), settings.bin_hz());
        let reach_hz = 3.5 * rbw_hz + bin_hz;
        for signal in signals {
            let swing: f64 = draw(&mut self.rng, -1.0, 1.0);
            let at_hz = signal.frequency_hz + signal.deviation_hz * swing;
            let (sin, cos) = draw(&mut self.rng, 0.0, std::f64::consts::TAU).sin_cos();
            let (first, last) = match bin_hz {
                0.0 => (0.0, settings.points as f64),
                _ => (
                    ((at_hz - reach_hz - settings.start_hz()) / bin_hz).floor(),
                    ((at_hz + reach_hz - settings.start_hz()) / bin_hz).ceil(),
                ),
            };
            // A float that is negative becomes 0 here, one beyond the end is cut by `min`.
            let (first, last) = (first as usize, last.max(0.0) as usize);
            for bin in first.max(bins.start)..last.min(bins.end) {
                let offset_hz = (settings.bin_frequency_hz(bin) - at_hz).abs();
                let share = response(settings.detector, offset_hz, bin_hz, rbw_hz);
                let amplitude = (signal.power_mw * share).sqrt();
                let place = &mut sum[bin - bins.start];
                place.0 += amplitude * cos;
                place.1 += amplitude * sin;
            }
        }
        sum
    }

    /// One bin's power, mW.
    fn detect(
        &mut self,
        prepared: &Prepared,
        bin: usize,
        carrier: (f64, f64),
        own: (f64, f64),
        stand_for: f64,
    ) -> f64 {
        let noise_mw = prepared.noise_mw[bin];
        if let Some(mean) = &prepared.mean {
            return self.detect_smoothed(prepared, mean, noise_mw, carrier);
        }
        let scale = (noise_mw / 2.0).sqrt();
        let (re, im) = (carrier.0 + scale * own.0, carrier.1 + scale * own.1);
        let power_mw = re * re + im * im;
        // The carrier is there in one of the bin's samples; the others hold noise alone.
        let others = prepared.samples * stand_for - 1.0;
        match self.settings.detector {
            Detector::Positive if others > 1e-6 => {
                power_mw.max(noise_mw * largest(&mut self.rng, others))
            }
            Detector::Negative if others > 1e-6 => {
                let exponential: f64 = Exp1.sample(&mut self.rng);
                power_mw.min(noise_mw * exponential / others)
            }
            _ => power_mw,
        }
    }

    /// One bin's power when its samples are means: after the video filter, which is taken to smooth
    /// power, or with the RMS detector.
    fn detect_smoothed(
        &mut self,
        prepared: &Prepared,
        mean: &Gamma<f64>,
        noise_mw: f64,
        carrier: (f64, f64),
    ) -> f64 {
        let carrier_mw = carrier.0 * carrier.0 + carrier.1 * carrier.1;
        let beat_mw = (2.0 * carrier_mw * noise_mw / prepared.smoothing).sqrt();
        let tries = match self.settings.detector {
            Detector::Positive | Detector::Negative => prepared.samples.round().min(16.0) as u32,
            _ => 1,
        };
        let rng = &mut self.rng;
        let samples = (0..tries.max(1)).map(|_| {
            let beat: f64 = StandardNormal.sample(rng);
            let power_mw = carrier_mw + noise_mw * mean.sample(rng) + beat_mw * beat;
            power_mw.max(1e-30)
        });
        let chosen = match self.settings.detector {
            Detector::Negative => samples.reduce(f64::min),
            _ => samples.reduce(f64::max),
        };
        chosen.unwrap_or(noise_mw)
    }

    /// The trace as shown, dBm per bin, with the analyzer's errors.
    pub(super) fn levels_dbm(&self) -> Vec<f64> {
        let settings = &self.settings;
        let step = (settings.attenuation_db() / ATTENUATION_DB.1) as u64;
        // The 10 dB position is where such an instrument is calibrated.
        let step_db = match step {
            2 => 0.0,
            _ => 0.25 * symmetric(self.step_seed, step),
        };
        let preamp_db = match settings.preamp {
            true => 0.3 * symmetric(self.step_seed, u64::MAX),
            false => 0.0,
        };
        let as_level = settings.hold() == Hold::MeanLevel;
        let top_dbm = settings.reference_dbm + HEADROOM_DB;
        let shown = |(bin, held): (usize, &f64)| {
            let true_dbm = match as_level {
                true => *held,
                false if held.is_finite() => dbm(*held),
                false => BOTTOM_DBM,
            };
            let decades = settings.bin_frequency_hz(bin).max(1e3).log10();
            let response_db = 0.8 * curve(self.response_seed, 3.0 * decades);
            let fidelity_db = 0.15 * curve(self.fidelity_seed, true_dbm / 15.0);
            let level = true_dbm + response_db + fidelity_db + step_db + preamp_db;
            level.clamp(BOTTOM_DBM, top_dbm)
        };
        self.trace.iter().enumerate().map(shown).collect()
    }
}

impl Kernel {
    /// `dwell` is the time in one bin times the 3 dB bandwidth.
    fn new(points: usize, dwell: f64) -> Self {
        // The impulse response of the Gaussian filter has this standard deviation, in units of one
        // over the bandwidth; white noise on a grid of that step is fine enough to 1e-4.
        let grid = std::f64::consts::LN_2.sqrt() / std::f64::consts::PI;
        let step = dwell / grid;
        let taps = (0..points)
            .map(|bin| {
                let place = bin as f64 * step;
                let first = place.floor();
                let mut weights: [f64; TAPS] = std::array::from_fn(|tap| {
                    let distance = tap as f64 - 3.0 - (place - first);
                    (-distance * distance / 2.0).exp()
                });
                let norm = weights.iter().map(|w| w * w).sum::<f64>().sqrt();
                weights.iter_mut().for_each(|weight| *weight /= norm);
                (first as usize, weights)
            })
            .collect();
        let white = (points as f64 * step) as usize + TAPS + 1;
        Self { taps, white }
    }

    fn draw(&self, rng: &mut SmallRng) -> Vec<(f64, f64)> {
        (0..self.white).map(|_| complex_normal(rng)).collect()
    }

    fn sample(&self, bin: usize, white: &[(f64, f64)]) -> (f64, f64) {
        let (first, weights) = &self.taps[bin];
        let near = white[*first..].iter().zip(weights);
        near.fold((0.0, 0.0), |sum, (z, w)| (sum.0 + z.0 * w, sum.1 + z.1 * w))
    }
}

/// The share of a carrier's power that a bin shows, whose centre is `offset_hz` away from it.
fn response(detector: Detector, offset_hz: f64, bin_hz: f64, rbw_hz: f64) -> f64 {
    let half_hz = bin_hz / 2.0;
    let gauss = |at_hz: f64| (-FOUR_LN2 * (at_hz / rbw_hz).powi(2)).exp();
    match detector {
        Detector::Positive => gauss((offset_hz - half_hz).max(0.0)),
        Detector::Negative => gauss(offset_hz + half_hz),
        Detector::Sample => gauss(offset_hz),
        Detector::Rms if bin_hz == 0.0 => gauss(offset_hz),
        Detector::Rms => {
            let root = FOUR_LN2.sqrt() / rbw_hz;
            let area =
                libm::erf(root * (offset_hz + half_hz)) - libm::erf(root * (offset_hz - half_hz));
            area * std::f64::consts::PI.sqrt() / 2.0 / root / bin_hz
        }
    }
}

/// Two independent standard normal numbers: their squares add up to 2 on average.
fn complex_normal(rng: &mut SmallRng) -> (f64, f64) {
    (StandardNormal.sample(rng), StandardNormal.sample(rng))
}

/// The largest of `count` exponential powers of mean 1; `count` need not be whole.
fn largest(rng: &mut SmallRng, count: f64) -> f64 {
    // U^(1/M) is exp(-E/M) with E exponential.
    let exponential: f64 = Exp1.sample(rng);
    -(-(-exponential / count).exp_m1()).ln()
}

fn draw(rng: &mut SmallRng, low: f64, high: f64) -> f64 {
    Uniform::new(low, high).map_or(low, |range| range.sample(rng))
}
