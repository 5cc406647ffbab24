//! How a receiver is asked for the settings that it really has: the table `[readback]` of its driver.

use super::{Command, commands};
use crate::config::document::Section;
use crate::quantity::Ratio;

/// A setting that a receiver can be asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Setting {
    /// Middle of the trace.
    Centre,
    /// Width of the trace.
    Span,
    /// First frequency of the trace, for dialects without a centre.
    Start,
    /// Last frequency of the trace.
    Stop,
    /// Points of the trace.
    Points,
    /// Resolution bandwidth.
    ResolutionBandwidth,
    /// Video bandwidth.
    VideoBandwidth,
    /// Input attenuation.
    Attenuation,
    /// Detector.
    Detector,
    /// Reference level.
    ReferenceLevel,
    /// Whether the preamplifier is on.
    Preamplifier,
    /// Time of one sweep.
    SweepTime,
    /// Unit of the levels of a trace.
    TraceUnit,
    /// Whether the trace holds the peaks.
    Holding,
    /// Whether it sweeps by itself.
    Sweeping,
}

impl Setting {
    const ALL: [Self; 15] = [
        Self::Centre,
        Self::Span,
        Self::Start,
        Self::Stop,
        Self::Points,
        Self::ResolutionBandwidth,
        Self::VideoBandwidth,
        Self::Attenuation,
        Self::Detector,
        Self::ReferenceLevel,
        Self::Preamplifier,
        Self::SweepTime,
        Self::TraceUnit,
        Self::Holding,
        Self::Sweeping,
    ];

    /// Its key in a driver file.
    pub fn key(self) -> &'static str {
        match self {
            Self::Centre => "centre",
            Self::Span => "span",
            Self::Start => "start",
            Self::Stop => "stop",
            Self::Points => "points",
            Self::ResolutionBandwidth => "resolution_bandwidth",
            Self::VideoBandwidth => "video_bandwidth",
            Self::Attenuation => "attenuation",
            Self::Detector => "detector",
            Self::ReferenceLevel => "reference_level",
            Self::Preamplifier => "preamplifier",
            Self::SweepTime => "sweep_time",
            Self::TraceUnit => "trace_unit",
            Self::Holding => "holding",
            Self::Sweeping => "sweeping",
        }
    }

    /// Whether several answers together say it: a mode and the type of that mode.
    fn may_take_several(self) -> bool {
        matches!(self, Self::Holding | Self::Sweeping)
    }

    /// Its name in a sentence.
    pub fn name(self) -> String {
        match self {
            Self::Holding => "peak hold".to_owned(),
            Self::Sweeping => "sweeping by itself".to_owned(),
            other => other.key().replace('_', " "),
        }
    }
}

/// Whether and how a receiver is asked for its settings.
#[derive(Debug, Clone)]
pub enum Readback {
    /// It is asked.
    Asked(ReadbackWords),
    /// It cannot be asked.
    None {
        /// Why not, as the driver says.
        reason: String,
    },
}

/// How a receiver is asked for its settings.
#[derive(Debug, Clone)]
pub struct ReadbackWords {
    /// What is asked, in this order.
    pub queries: Vec<(Setting, Command)>,
    /// Answers that mean dBm.
    pub trace_unit_reads: Vec<String>,
    /// Answers that mean that the peaks are held; each query must give one of them.
    pub holding_reads: Vec<String>,
    /// Answers that mean that it sweeps by itself.
    pub sweeping_reads: Vec<String>,
    /// What may differ from what was asked for.
    pub tolerance: Tolerance,
}

/// By how much a setting may differ from what was asked for, as instruments round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// Of centre and span, as a share of the span.
    pub frequency: f64,
    /// Of the bandwidths, as a share of each.
    pub bandwidth: f64,
    /// Of the attenuation.
    pub attenuation: Ratio,
}

impl Default for Tolerance {
    /// Rounding of a display, no more (common practice, no source).
    fn default() -> Self {
        Self {
            frequency: 0.002,
            bandwidth: 0.01,
            attenuation: Ratio::from_db(0.1),
        }
    }
}

impl Readback {
    /// Of a driver without the table.
    pub(super) fn undeclared() -> Self {
        Self::None {
            reason: "its driver has no table [readback]".to_owned(),
        }
    }

    pub(super) fn read(section: &mut Section<'_, '_>) -> Option<Self> {
        let reason = section.optional::<String>("none");
        let mut queries = Vec::new();
        let mut good = true;
        for setting in Setting::ALL {
            let key = setting.key();
            let asked = commands(section, key, &[]);
            good &= asked.is_some() || !section.has(key);
            let asked = asked.unwrap_or_default();
            if asked.len() > 1 && !setting.may_take_several() {
                section.fault(key, "must be one query");
                good = false;
            }
            queries.extend(asked.into_iter().map(|query| (setting, query)));
        }
        let words = |section: &mut Section<'_, '_>, key, usual: &str| {
            section.or(key, super::OneOrMany(vec![usual.to_owned()]))
        };
        let trace_unit = words(section, "trace_unit_reads", "DBM");
        let holding = words(section, "holding_reads", "1");
        let sweeping = words(section, "sweeping_reads", "1");
        let usual = Tolerance::default();
        let share = |share: f64| match (0.0..1.0).contains(&share) {
            true => Ok(share),
            false => Err("must be a share from 0 to below 1".to_owned()),
        };
        let frequency = section.checked("frequency_tolerance", Some(usual.frequency), share);
        let bandwidth = section.checked("bandwidth_tolerance", Some(usual.bandwidth), share);
        let attenuation = section.or("attenuation_tolerance", usual.attenuation);
        if let Some(reason) = reason {
            if !queries.is_empty() {
                section.fault(
                    "none",
                    "says that nothing can be asked; leave out the queries, or `none`",
                );
                return None;
            }
            return Some(Self::None { reason });
        }
        let has = |wanted| queries.iter().any(|(setting, _)| *setting == wanted);
        if has(Setting::Start) != has(Setting::Stop) {
            section.fault("start", "`start` and `stop` go together");
            return None;
        }
        if queries.is_empty() && good {
            section.fault(
                "none",
                "give at least one query, or `none` with the reason why there is none",
            );
            return None;
        }
        good.then_some(())?;
        Some(Self::Asked(ReadbackWords {
            queries,
            trace_unit_reads: trace_unit?.0,
            holding_reads: holding?.0,
            sweeping_reads: sweeping?.0,
            tolerance: Tolerance {
                frequency: frequency?,
                bandwidth: bandwidth?,
                attenuation: attenuation?,
            },
        }))
    }
}
