//! The spectrum analyzer: sweeps, detector, hold and what it does wrong.
//!
//! Swept through a Gaussian resolution filter. Noise in one sample of the filter's output is complex
//! Gaussian, its power exponential; samples a dwell apart are correlated as the filter says (the
//! autocorrelation is the Fourier transform of its power response). A bin that dwells for several
//! correlation times holds several independent samples, and the detector picks among them: the
//! largest of M exponentials is -ln(1 - U^(1/M)) (order statistics). Where something averages along the
//! sweep, `video` draws every sample. Noise density is kT of 290 K times the noise figure. Sizes of errors are from memory of data sheets.

use rand::SeedableRng;
use rand::distr::{Distribution, Uniform};
use rand::rngs::SmallRng;
use rand_distr::Exp1;

use super::noise::{Kernel, complex_normal, highest, largest, lowest};
use super::radio::{Signal, dbm, milliwatts};
use super::random::{curve, part, symmetric};
use super::settings::{ATTENUATION_DB, Detector, Hold, Settings, TraceMode};
use super::video::Video;

/// More than this at the input breaks the mixer, dBm. The bench only counts it.
pub(super) const DAMAGE_DBM: f64 = 20.0;
/// Bit of the questionable power register: the mixer is overdriven.
pub(super) const OVERLOAD_INPUT: u16 = 1;
/// Bit of the questionable power register: a signal stands above the top of the screen.
pub(super) const OVERLOAD_IF: u16 = 2;

/// Bandwidth of a Gaussian filter in noise over its 3 dB bandwidth: sqrt(pi / 4 ln 2).
const NOISE_BANDWIDTH: f64 = 1.064_467_019_431_226;
const FOUR_LN2: f64 = 2.772_588_722_239_781;
/// Noise of 290 K, dBm in 1 Hz: 10 lg(kT / 1 mW).
const THERMAL_DBM_HZ: f64 = -173.975_2;
/// Noise figure of the bench's receiver without preamplifier and attenuation, dB.
pub(super) const NOISE_FIGURE_DB: f64 = 18.0;
const PREAMP_NOISE_FIGURE_DB: f64 = 8.0;
const PREAMP_GAIN_DB: f64 = 20.0;
/// Level at the mixer that is shown 1 dB too low, dBm.
const COMPRESSION_DBM: f64 = 3.0;
/// Level at the mixer from which the overload bit is set, dBm: 0.27 dB of compression.
const OVERLOAD_DBM: f64 = -3.0;
/// Second-harmonic intercept at the mixer, dBm.
const SECOND_INTERCEPT_DBM: f64 = 45.0;
/// How far above the reference level the trace can still be drawn, dB.
const HEADROOM_DB: f64 = 5.0;
/// What an empty bin shows, dBm.
const BOTTOM_DBM: f64 = -200.0;
/// More held sweeps than this under unchanged conditions are drawn as this many, each standing for
/// more.
const HELD_DRAWN_MAX: f64 = 64.0;
/// More averaged sweeps than this change nothing that could be seen.
const AVERAGED_DRAWN_MAX: f64 = 1000.0;
/// More samples than this are not drawn for the sweeps of one stretch of time: what a video filter has
/// smoothed hardly rises any more with further sweeps held.
const SAMPLES_DRAWN_MAX: f64 = 2e7;

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
    kernel: Option<Kernel>,
    /// Where something averages along the sweep.
    video: Option<Video>,
}

/// The one analyzer of the bench, whoever talks to it.
#[derive(Debug)]
pub(super) struct Analyzer {
    pub settings: Settings,
    /// Power per bin, mW; for `MeanLevel` the level in dBm, for `MeanVoltage` the root of the power.
    trace: Vec<f64>,
    run: Option<Run>,
    /// Sweeps since the measurement under way began, or its hold was begun anew.
    swept: f64,
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
    /// Level at the mixer that it shows a decibel too low, dBm.
    pub compression_dbm: f64,
}

impl Analyzer {
    pub(super) fn new(seed: u64) -> Self {
        let settings = Settings::default();
        let mut analyzer = Self {
            trace: vec![0.0; settings.points],
            settings,
            run: None,
            swept: 0.0,
            prepared: None,
            rng: SmallRng::seed_from_u64(part(seed, "receiver noise")),
            clock_error: 0.5e-6 * symmetric(part(seed, "receiver clock"), 0),
            response_seed: part(seed, "receiver response"),
            fidelity_seed: part(seed, "receiver fidelity"),
            step_seed: part(seed, "attenuator steps"),
            condition: 0,
            event: 0,
            highest_input_dbm: f64::NEG_INFINITY,
            compression_dbm: COMPRESSION_DBM,
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

    /// Whole sweeps since the measurement began, or its hold was begun anew.
    pub(super) fn swept(&self) -> u64 {
        // A float beyond the integers ends at their largest.
        self.swept as u64
    }

    fn launch(&mut self, sweeps: f64) {
        self.swept = 0.0;
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
        self.swept += amount;
        let drawn_max = self.drawn_max();
        let mut stand_for = 1.0;
        if self.settings.hold() == Hold::Last && amount > 2.0 {
            // Earlier sweeps are overwritten: only the last whole one is drawn.
            amount -= (amount - 1.0).floor();
        } else if amount > drawn_max {
            stand_for = amount / drawn_max;
            amount = drawn_max;
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

    /// How many sweeps are drawn one by one.
    fn drawn_max(&self) -> f64 {
        let video = self.prepared.as_ref().and_then(|it| it.video.as_ref());
        match (self.settings.hold(), video) {
            (_, Some(video)) => {
                let drawn = video.drawn(self.settings.points) as f64;
                (SAMPLES_DRAWN_MAX / drawn).clamp(1.0, AVERAGED_DRAWN_MAX)
            }
            (Hold::Max | Hold::Min, None) => HELD_DRAWN_MAX,
            _ => AVERAGED_DRAWN_MAX,
        }
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
        let compression = 1.0 / (1.0 + one_db * milliwatts(mixer_dbm - self.compression_dbm));
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
        let samples = (dwell * NOISE_BANDWIDTH).max(1.0);
        let video = Video::new(settings);
        // Beyond one independent sample to a bin there is no correlation worth keeping.
        let correlated = video.is_none() && samples <= 1.0;
        Prepared {
            noise_mw,
            samples,
            kernel: correlated.then(|| Kernel::new(settings.points, dwell)),
            video,
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
        let shown = match &prepared.video {
            Some(video) => self.smoothed(video, &bins, &prepared.noise_mw, signals),
            None => self.picked(&prepared, &bins, signals, stand_for),
        };
        let hold = self.settings.hold();
        let nth = f64::from(number.min(self.settings.average_count.max(1)));
        for (bin, power_mw) in bins.zip(shown) {
            let held = &mut self.trace[bin];
            *held = match hold {
                Hold::Last => power_mw,
                Hold::Max => held.max(power_mw),
                Hold::Min => held.min(power_mw),
                Hold::MeanPower => *held + (power_mw - *held) / nth,
                Hold::MeanVoltage => *held + (power_mw.sqrt() - *held) / nth,
                Hold::MeanLevel => *held + (dbm(power_mw) - *held) / nth,
            };
        }
        self.prepared = Some(prepared);
    }

    /// What the bins show where something averages along the sweep.
    fn smoothed(
        &mut self,
        video: &Video,
        bins: &std::ops::Range<usize>,
        noise_mw: &[f64],
        signals: &[Signal],
    ) -> Vec<f64> {
        let reach_hz = 4.0 * self.settings.rbw_hz() + self.settings.bin_hz();
        let near = self.settings.start_hz() - reach_hz..=self.settings.stop_hz() + reach_hz;
        let mut carriers = Vec::new();
        for signal in signals {
            let swing: f64 = draw(&mut self.rng, -1.0, 1.0);
            let at_hz = signal.frequency_hz + signal.deviation_hz * swing;
            if near.contains(&at_hz) {
                carriers.push((at_hz, signal.power_mw));
            }
        }
        video.sweep(
            &mut self.rng,
            &self.settings,
            bins.clone(),
            noise_mw,
            &carriers,
        )
    }

    /// What the bins show where the detector picks one of their samples as it is.
    fn picked(
        &mut self,
        prepared: &Prepared,
        bins: &std::ops::Range<usize>,
        signals: &[Signal],
        stand_for: f64,
    ) -> Vec<f64> {
        let carriers = self.carriers(bins, signals);
        let white = prepared.kernel.as_ref().map(|it| it.draw(&mut self.rng));
        let (hold, detector) = (self.settings.hold(), self.settings.detector);
        let mut shown = Vec::with_capacity(bins.len());
        for (bin, carrier) in bins.clone().zip(carriers) {
            let own = match (&prepared.kernel, &white) {
                (Some(kernel), Some(white)) => kernel.sample(bin, white),
                _ => complex_normal(&mut self.rng),
            };
            let mut power_mw = self.detect(prepared, bin, carrier, own);
            if stand_for <= 1.0 {
                shown.push(power_mw);
                continue;
            }
            // The sweeps that are not drawn. Of a carrier they are few enough to be drawn all the same.
            let with_carrier = match carrier {
                (0.0, 0.0) => 1,
                _ => stand_for.min(AVERAGED_DRAWN_MAX).round() as u32,
            };
            for _ in 1..with_carrier {
                let own = complex_normal(&mut self.rng);
                let again_mw = self.detect(prepared, bin, carrier, own);
                power_mw = match hold {
                    Hold::Min => power_mw.min(again_mw),
                    Hold::Max => power_mw.max(again_mw),
                    _ => power_mw,
                };
            }
            let (rng, samples) = (&mut self.rng, prepared.samples);
            let noise_mw = prepared.noise_mw[bin];
            shown.push(match hold {
                Hold::Min => {
                    power_mw.min(noise_mw * lowest(rng, detector, stand_for - 1.0, samples))
                }
                Hold::Max => {
                    power_mw.max(noise_mw * highest(rng, detector, stand_for - 1.0, samples))
                }
                _ => power_mw,
            });
        }
        shown
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
    ) -> f64 {
        let noise_mw = prepared.noise_mw[bin];
        let scale = (noise_mw / 2.0).sqrt();
        let (re, im) = (carrier.0 + scale * own.0, carrier.1 + scale * own.1);
        let power_mw = re * re + im * im;
        // The carrier is there in one of the bin's samples; the others hold noise alone.
        let others = prepared.samples - 1.0;
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
        let hold = settings.hold();
        let top_dbm = settings.reference_dbm + HEADROOM_DB;
        let shown = |(bin, held): (usize, &f64)| {
            let true_dbm = match hold {
                Hold::MeanLevel => *held,
                Hold::MeanVoltage => dbm(held * held),
                _ if held.is_finite() => dbm(*held),
                _ => BOTTOM_DBM,
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

/// The share of a carrier's power that a bin shows, whose centre is `offset_hz` away from it.
fn response(detector: Detector, offset_hz: f64, bin_hz: f64, rbw_hz: f64) -> f64 {
    let half_hz = bin_hz / 2.0;
    let gauss = |at_hz: f64| (-FOUR_LN2 * (at_hz / rbw_hz).powi(2)).exp();
    match detector {
        Detector::Positive => gauss((offset_hz - half_hz).max(0.0)),
        Detector::Negative => gauss(offset_hz + half_hz),
        Detector::Sample | Detector::Rms | Detector::Average => gauss(offset_hz),
    }
}

pub(super) fn draw(rng: &mut SmallRng, low: f64, high: f64) -> f64 {
    Uniform::new(low, high).map_or(low, |range| range.sample(rng))
}

#[cfg(test)]
mod tests {
    use super::super::settings::AverageKind;
    use super::*;

    fn settings(span_hz: f64, rbw_hz: f64) -> Settings {
        Settings {
            centre_hz: 300e6,
            span_hz,
            points: 1001,
            rbw_hz: Some(rbw_hz),
            attenuation_db: Some(10.0),
            detector: Detector::Sample,
            continuous: false,
            ..Settings::default()
        }
    }

    fn measure(analyzer: &mut Analyzer, sweeps: u32, signals: &[Signal]) {
        analyzer.run = None;
        analyzer.restart();
        analyzer.start_single(sweeps);
        let time_s = f64::from(sweeps) * analyzer.settings.sweep_s();
        analyzer.advance(time_s * (1.0 + 1e-12), signals);
        assert!(analyzer.run.is_none());
    }

    fn analyzer(settings: Settings) -> Analyzer {
        let mut analyzer = Analyzer::new(42);
        analyzer.settings = settings;
        analyzer
    }

    fn tone(frequency_hz: f64, level_dbm: f64) -> Signal {
        Signal {
            frequency_hz,
            power_mw: milliwatts(level_dbm),
            deviation_hz: 0.0,
        }
    }

    /// The trace over the mean noise power of each bin, as power ratios.
    fn over_noise(analyzer: &Analyzer) -> Vec<f64> {
        let noise = &analyzer.prepared.as_ref().expect("swept").noise_mw;
        let pairs = analyzer.trace.iter().zip(noise);
        pairs.map(|(power, noise)| power / noise).collect()
    }

    fn mean(values: &[f64]) -> f64 {
        values.iter().sum::<f64>() / values.len() as f64
    }

    fn decibels(ratios: &[f64]) -> Vec<f64> {
        ratios.iter().map(|ratio| 10.0 * ratio.log10()).collect()
    }

    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
    }

    #[test]
    fn the_noise_is_thermal_noise_with_a_figure() {
        // ORACLES A22: -133.9752 dBm in 10 kHz at 290 K; A21: the filter's noise bandwidth is
        // 0.2713 dB more than its 3 dB bandwidth. The ripple of this seed's noise figure is 0.5 dB.
        let analyzer = analyzer(settings(10e6, 1e4));
        let want = -133.9752 + 0.2713221 + NOISE_FIGURE_DB + 10.0;
        near(dbm(analyzer.noise_mw(300e6)), want, 0.51);
        near(10.0 * NOISE_BANDWIDTH.log10(), 0.2713221, 1e-6);
    }

    #[test]
    fn one_sample_of_noise() {
        // ORACLES A19: log average -2.5068 dB, standard deviation 5.570 dB, exponential power.
        let mut analyzer = analyzer(Settings {
            points: 10_001,
            ..settings(1e9, 1e4)
        });
        measure(&mut analyzer, 1, &[]);
        let ratios = over_noise(&analyzer);
        near(10.0 * mean(&ratios).log10(), 0.0, 0.13);
        let levels = decibels(&ratios);
        near(mean(&levels), -2.506816, 0.17);
        let squares: Vec<f64> = levels.iter().map(|l| (l - mean(&levels)).powi(2)).collect();
        near(mean(&squares).sqrt(), 5.570043, 0.2);
    }

    #[test]
    fn the_maximum_of_many_sweeps() {
        // ORACLES A17: 10 lg H_N, mean of the decibels, median; order statistics, exact.
        for (sweeps, want) in [
            (10, [4.667147, 4.298968, 4.319352]),
            (50, [6.531358, 6.370942, 6.319974]),
            (100, [7.149479, 7.028116, 6.968059]),
        ] {
            let mut analyzer = analyzer(Settings {
                points: 10_001,
                averaging: true,
                average_kind: AverageKind::Maximum,
                ..settings(1e9, 1e4)
            });
            measure(&mut analyzer, sweeps, &[]);
            let ratios = over_noise(&analyzer);
            let mut levels = decibels(&ratios);
            // Of 10,001 bins with a spread of some 1.5 dB: four standard errors are 0.06 dB.
            near(10.0 * mean(&ratios).log10(), want[0], 0.06);
            near(mean(&levels), want[1], 0.06);
            levels.sort_by(f64::total_cmp);
            near(levels[5000], want[2], 0.08);
        }
    }

    #[test]
    fn more_sweeps_than_are_drawn_one_by_one() {
        // ORACLES A17, N = 1001: each drawn sweep stands for more, and the maximum is that of all.
        let mut analyzer = analyzer(Settings {
            points: 10_001,
            detector: Detector::Positive,
            // The dwell of one independent sample: 1 / (noise bandwidth).
            sweep_s: Some(10_001.0 / 1e4 / NOISE_BANDWIDTH),
            averaging: true,
            average_kind: AverageKind::Maximum,
            ..settings(1e9, 1e4)
        });
        measure(&mut analyzer, 1001, &[]);
        let ratios = over_noise(&analyzer);
        near(mean(&decibels(&ratios)), 8.683736, 0.06);
    }

    #[test]
    fn the_minimum_of_many_sweeps() {
        // The least of N exponential powers of mean 1 is exponential of mean 1/N (order statistics);
        // 200 sweeps are more than are drawn one by one.
        for (detector, samples) in [(Detector::Sample, 1.0), (Detector::Negative, 20.0)] {
            let mut analyzer = analyzer(Settings {
                points: 10_001,
                detector,
                sweep_s: Some(samples * 10_001.0 / 1e4 / NOISE_BANDWIDTH),
                averaging: true,
                average_kind: AverageKind::Minimum,
                ..settings(1e9, 1e4)
            });
            measure(&mut analyzer, 200, &[]);
            let ratio = mean(&over_noise(&analyzer)) * 200.0 * samples;
            near(ratio, 1.0, 0.04);
        }
        // The lesser of two maxima of two: by hand, the integral of (1 - (1 - e^-x)^2)^2 is
        // 2 - 4/3 + 1/4 = 11/12.
        let mut rng = SmallRng::seed_from_u64(3);
        let drawn: Vec<f64> = (0..40_000)
            .map(|_| lowest(&mut rng, Detector::Positive, 2.0, 2.0))
            .collect();
        near(mean(&drawn), 11.0 / 12.0, 0.02);
    }

    #[test]
    fn the_peak_detector_takes_the_largest_of_a_bin() {
        // ORACLES A17 with N = 50 independent samples in one bin, one sweep.
        let mut analyzer = analyzer(Settings {
            points: 10_001,
            detector: Detector::Positive,
            sweep_s: Some(50.0 * 10_001.0 / 1e4 / NOISE_BANDWIDTH),
            ..settings(1e9, 1e4)
        });
        measure(&mut analyzer, 1, &[]);
        let ratios = over_noise(&analyzer);
        near(10.0 * mean(&ratios).log10(), 6.531358, 0.06);
        near(mean(&decibels(&ratios)), 6.370942, 0.06);
    }

    #[test]
    fn a_scalar_average_settles_at_the_log_average() {
        // ORACLES A19; and A25: maximum hold over log average, 100 sweeps, 9.5349 dB.
        let average = |average_kind| {
            let mut analyzer = analyzer(Settings {
                averaging: true,
                average_kind,
                average_count: 100,
                ..settings(1e9, 1e4)
            });
            measure(&mut analyzer, 100, &[]);
            analyzer
        };
        let scalar = average(AverageKind::Scalar);
        let noise = &scalar.prepared.as_ref().expect("swept").noise_mw;
        let pairs = scalar.trace.iter().zip(noise);
        let levels: Vec<f64> = pairs.map(|(level, noise)| level - dbm(*noise)).collect();
        near(mean(&levels), -2.506816, 0.08);
        let maximum = decibels(&over_noise(&average(AverageKind::Maximum)));
        near(mean(&maximum) - mean(&levels), 9.534932, 0.2);
        let power = over_noise(&average(AverageKind::Rms));
        near(10.0 * mean(&power).log10(), 0.0, 0.06);
    }

    #[test]
    fn the_rms_detector_and_the_video_filter_calm_the_noise() {
        let spread = |change: fn(&mut Settings)| {
            let mut settings = settings(100e6, 1e4);
            change(&mut settings);
            let mut analyzer = analyzer(settings);
            measure(&mut analyzer, 1, &[]);
            let ratios = over_noise(&analyzer);
            near(10.0 * mean(&ratios).log10(), 0.0, 0.4);
            let squares: Vec<f64> = ratios.iter().map(|r| (r - 1.0).powi(2)).collect();
            mean(&squares).sqrt()
        };
        // The mean of n exponential powers has the relative spread 1 / sqrt(n).
        near(spread(|_| {}), 1.0, 0.15);
        // A single pole: sqrt(0.6643 pi VBW / RBW).
        near(spread(|s| s.vbw_hz = Some(100.0)), 0.1444, 0.02);
        let dwell_of_25 = 25.0 * 1001.0 / 1e4 / NOISE_BANDWIDTH;
        assert!(dwell_of_25 > 2.0);
        near(
            spread(|s| {
                // 25 independent samples of the noise bandwidth: its power's correlation time is 0.6643
                // over the bandwidth, where the noise bandwidth has 0.9394.
                s.detector = Detector::Rms;
                s.sweep_s = Some(25.0 * 1001.0 / 1e4 / NOISE_BANDWIDTH);
            }),
            0.2 * (0.664_283 * NOISE_BANDWIDTH).sqrt(),
            0.02,
        );
    }

    #[test]
    fn the_filter_is_gaussian() {
        // Half the bandwidth away 3.01 dB; shape factor 60 dB to 3 dB sqrt(20 / lg 2 / 10) = 4.465.
        let mut analyzer = analyzer(settings(10e3, 1e3));
        analyzer.clock_error = 0.0;
        analyzer.settings.reference_dbm = 0.0;
        measure(&mut analyzer, 1, &[tone(300e6, 0.0)]);
        let level = |offset_hz: f64| dbm(analyzer.trace[(500.0 + offset_hz / 10.0) as usize]);
        let top = level(0.0);
        near(top, 0.0, 0.6);
        near(top - level(500.0), 3.0103, 0.05);
        near(top - level(-500.0), 3.0103, 0.05);
        near(top - level(1000.0), 12.0412, 0.1);
        near(top - level(2230.0), 59.9, 0.7);
    }

    #[test]
    fn neighbouring_bins_are_alike_when_the_filter_is_wide() {
        let mut analyzer = analyzer(Settings {
            points: 10_001,
            ..settings(500e3, 1e3)
        });
        measure(&mut analyzer, 1, &[]);
        let kernel = analyzer.prepared.as_ref().and_then(|it| it.kernel.as_ref());
        assert!(kernel.is_some());
        let ratios = over_noise(&analyzer);
        let dwell = analyzer.settings.sweep_s() / 10_001.0 * 1e3;
        for lag in [1, 2, 5] {
            let pairs = ratios.iter().zip(&ratios[lag..]);
            let products: Vec<f64> = pairs.map(|(a, b)| (a - 1.0) * (b - 1.0)).collect();
            // Powers of complex Gaussian noise correlate as the square of the noise itself, whose
            // autocorrelation is the Fourier transform of the filter's power response.
            let tau = dwell * lag as f64;
            let noise = (-(std::f64::consts::PI * tau).powi(2) / FOUR_LN2).exp();
            near(mean(&products), noise * noise, 0.12);
        }
    }

    #[test]
    fn a_narrower_filter_lowers_the_noise_and_not_the_tone() {
        // ORACLES F9: bandwidth over ten, tone 0 dB, noise -10 dB; attenuation +10, the other way.
        let mut levels = Vec::new();
        for (rbw_hz, attenuation_db) in [(1e4, 10.0), (1e3, 10.0), (1e3, 20.0)] {
            let mut analyzer = analyzer(Settings {
                attenuation_db: Some(attenuation_db),
                detector: Detector::Positive,
                ..settings(100e3, rbw_hz)
            });
            measure(&mut analyzer, 1, &[tone(300e6, -40.0)]);
            let shown = analyzer.levels_dbm();
            let noise = dbm(analyzer.noise_mw(300e6));
            levels.push((shown.into_iter().fold(-300.0, f64::max), noise));
        }
        near(levels[0].0 - levels[1].0, 0.0, 0.1);
        near(levels[0].1 - levels[1].1, 10.0, 1e-9);
        near(levels[2].0 - levels[1].0, 0.0, 0.3);
        near(levels[2].1 - levels[1].1, 10.0, 1e-9);
    }

    #[test]
    fn a_tone_between_wide_bins_is_not_lost_by_the_peak_detector() {
        let mut analyzer = analyzer(Settings {
            detector: Detector::Positive,
            ..settings(1e9, 1e4)
        });
        measure(&mut analyzer, 1, &[tone(300.3e6, -40.0)]);
        near(
            dbm(analyzer.trace.iter().copied().fold(0.0, f64::max)),
            -40.0,
            0.1,
        );
        analyzer.settings.detector = Detector::Sample;
        measure(&mut analyzer, 1, &[tone(300.3e6, -40.0)]);
        assert!(dbm(analyzer.trace.iter().copied().fold(0.0, f64::max)) < -80.0);
    }

    #[test]
    fn overload_is_told() {
        let mut analyzer = analyzer(settings(100e3, 1e4));
        measure(&mut analyzer, 1, &[tone(300e6, -10.0)]);
        assert_eq!(analyzer.condition, 0);
        // Outside the span, and still in the mixer: 10 dBm less 10 dB of attenuation.
        measure(&mut analyzer, 1, &[tone(900e6, 10.0)]);
        assert_eq!(analyzer.condition, OVERLOAD_INPUT);
        analyzer.settings.reference_dbm = -30.0;
        measure(&mut analyzer, 1, &[tone(300e6, -10.0)]);
        assert_eq!(analyzer.condition, OVERLOAD_IF);
        assert_eq!(analyzer.event, OVERLOAD_INPUT | OVERLOAD_IF);
        let highest = analyzer.levels_dbm().into_iter().fold(-300.0, f64::max);
        near(highest, -30.0 + HEADROOM_DB, 1e-9);
        near(analyzer.highest_input_dbm, 10.0, 1e-9);
    }

    #[test]
    fn compression_shows_a_level_too_low() {
        let mut analyzer = analyzer(Settings {
            attenuation_db: Some(0.0),
            reference_dbm: 20.0,
            ..settings(100e3, 1e4)
        });
        analyzer.clock_error = 0.0;
        measure(&mut analyzer, 1, &[tone(300e6, COMPRESSION_DBM)]);
        near(dbm(analyzer.trace[500]), COMPRESSION_DBM - 1.0, 0.01);
    }

    #[test]
    fn a_display_hold_lasts_until_its_mode_is_chosen_anew() {
        let mut analyzer = analyzer(Settings {
            trace_mode: TraceMode::MaxHold,
            ..settings(100e3, 1e4)
        });
        measure(&mut analyzer, 1, &[tone(300e6, -40.0)]);
        analyzer.start_single(1);
        let time_s = analyzer.settings.sweep_s();
        analyzer.advance(time_s, &[]);
        assert!(dbm(analyzer.trace[500]) > -42.0);
        analyzer.restart();
        analyzer.start_single(1);
        analyzer.advance(time_s, &[]);
        assert!(dbm(analyzer.trace[500]) < -80.0);
    }

    #[test]
    fn a_sweep_that_is_cut_short_has_swept_its_part() {
        let mut analyzer = analyzer(settings(100e6, 1e4));
        analyzer.restart();
        analyzer.start_single(1);
        let half_s = analyzer.settings.sweep_s() / 2.0;
        analyzer.advance(half_s, &[]);
        let done = analyzer.trace.iter().filter(|power| **power > 0.0).count();
        assert!((500..=501).contains(&done), "{done}");
        analyzer.advance(half_s, &[]);
        assert!(analyzer.trace.iter().all(|power| *power > 0.0));
        assert!(analyzer.remaining_s().is_none());
    }
}
