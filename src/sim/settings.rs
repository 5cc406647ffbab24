//! What the operator can set at the analyzer, and what follows from it.

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
/// Swept response needs span / bandwidth² times this (common practice, no source).
const SWEEP_FACTOR: f64 = 2.5;
/// How a bin's samples become one number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Detector {
    Positive,
    Negative,
    Sample,
    /// Mean of the powers.
    Rms,
    /// Mean on the scale of the video filter.
    Average,
}

/// On what the video filter and the average detector average.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum VideoScale {
    Power,
    Voltage,
    Logarithm,
}

impl VideoScale {
    pub(super) fn of_power(self, power: f64) -> f64 {
        match self {
            Self::Power => power,
            Self::Voltage => power.sqrt(),
            Self::Logarithm => power.max(1e-40).ln(),
        }
    }

    pub(super) fn power(self, value: f64) -> f64 {
        match self {
            Self::Power => value,
            Self::Voltage => value * value,
            Self::Logarithm => value.exp(),
        }
    }
}

/// How the sweeps of one averaged measurement become one trace.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum AverageKind {
    Maximum,
    Minimum,
    /// Mean of the decibels, as shown on the screen.
    Scalar,
    /// Mean of the voltages.
    Voltage,
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
    /// How many times as long as they need sweeps take that nobody set.
    pub slowness: f64,
    pub attenuation_db: Option<f64>,
    pub preamp: bool,
    pub reference_dbm: f64,
    pub detector: Detector,
    pub video_scale: VideoScale,
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
            slowness: 1.0,
            attenuation_db: None,
            preamp: false,
            reference_dbm: 0.0,
            detector: Detector::Positive,
            video_scale: VideoScale::Power,
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
            span => self.slowness * SWEEP_FACTOR * span / (rbw * rbw.min(self.vbw_hz())),
        };
        self.sweep_s
            .unwrap_or_else(auto)
            .clamp(SWEEP_S.0, SWEEP_S.1)
    }

    /// Distance between neighbouring bins.
    pub(super) fn bin_hz(&self) -> f64 {
        self.span_hz / (self.points - 1) as f64
    }

    /// Frequencies of the bins.
    pub(super) fn bin_frequency_hz(&self, bin: usize) -> f64 {
        self.start_hz() + bin as f64 * self.bin_hz()
    }

    pub(super) fn hold(&self) -> Hold {
        match (self.trace_mode, self.averaging, self.average_kind) {
            (TraceMode::MaxHold, ..) | (_, true, AverageKind::Maximum) => Hold::Max,
            (TraceMode::MinHold, ..) | (_, true, AverageKind::Minimum) => Hold::Min,
            (_, true, AverageKind::Scalar) => Hold::MeanLevel,
            (_, true, AverageKind::Voltage) => Hold::MeanVoltage,
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
pub(super) enum Hold {
    Last,
    Max,
    Min,
    MeanLevel,
    MeanVoltage,
    MeanPower,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bandwidths_are_rounded_up_to_what_there_is() {
        for (asked, got) in [
            (10.0, 10.0),
            (11.0, 30.0),
            (9e3, 1e4),
            (3e6, 3e6),
            (5e6, 3e6),
        ] {
            assert_eq!(Settings::available_hz(asked), got);
        }
    }
}
