//! How a source is asked, while its output is on, whether it sends what it was told: the table `[readback]` of its
//! driver.

use super::{Command, RegisterBits, one, register_bits};
use crate::config::document::Section;
use crate::quantity::{Frequency, Ratio};

/// Whether and how a source is asked what it sends.
#[derive(Debug, Clone)]
pub enum CarrierReadback {
    /// It is asked.
    Asked(Box<CarrierQueries>),
    /// It cannot be asked for more than whether its output is on.
    None {
        /// Why not, as the driver says.
        reason: String,
    },
}

/// How a source is asked what it sends.
#[derive(Debug, Clone)]
pub struct CarrierQueries {
    /// Asks for its frequency.
    pub frequency: Command,
    /// The unit of an answer that is a bare number.
    pub frequency_unit: Frequency,
    /// Asks for its level, in dBm.
    pub level: Command,
    /// Bits that mean that its output is not what it says: unlevelled, reverse power, any protection.
    pub status: Option<RegisterBits>,
    /// What may differ from what was set, as instruments round.
    pub tolerance: CarrierTolerance,
}

/// By how much frequency and level may differ from what was set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarrierTolerance {
    /// Of the frequency, as a share of it.
    pub relative: f64,
    /// Of the frequency, where that is more.
    pub absolute: Frequency,
    /// Of the level.
    pub level: Ratio,
}

impl CarrierTolerance {
    /// By how much the frequency may differ.
    pub fn frequency_hz(&self, frequency: Frequency) -> f64 {
        (self.relative * frequency.hz()).max(self.absolute.hz())
    }
}

impl CarrierReadback {
    /// Of a source as a run kept it, from before drivers said this.
    pub(super) fn undeclared() -> Self {
        Self::None {
            reason: "its driver, as kept, says nothing about it".to_owned(),
        }
    }

    pub(super) fn read(section: &mut Section<'_, '_>) -> Option<Self> {
        let reason = section.optional::<String>("none");
        let frequency = one(section, "frequency", &[]);
        let level = one(section, "level", &[]);
        let had_status = section.has("status");
        let status = section.section("status", register_bits);
        let unit = section.checked("frequency_unit", Some("Hz".to_owned()), |unit: String| {
            format!("1 {unit}")
                .parse::<Frequency>()
                .map_err(|error| error.to_string())
        });
        // A synthesizer's step, and what nine digits of an answer can say (common practice, no source).
        let relative = section.checked("frequency_tolerance", Some(1e-8), |share: f64| match (0.0
            ..1e-3)
            .contains(&share)
        {
            true => Ok(share),
            false => Err("must be a share from 0 to below 0.001".to_owned()),
        });
        let absolute = section.or("frequency_resolution", Frequency::from_hz(1.0));
        // The usual step of a source's attenuator (common practice, no source).
        let level_tolerance = section.checked(
            "level_tolerance",
            Some(Ratio::from_db(0.1)),
            |it: Ratio| match (0.0..=3.0).contains(&it.db()) {
                true => Ok(it),
                false => Err("must be from 0 to 3 dB".to_owned()),
            },
        );
        if let Some(reason) = reason {
            if section.has("frequency") || section.has("level") || had_status {
                section.fault(
                    "none",
                    "says that the source cannot be asked; leave out the queries, or `none`",
                );
                return None;
            }
            if reason.trim().is_empty() {
                section.fault("none", "is empty; give the reason");
                return None;
            }
            return Some(Self::None { reason });
        }
        for key in ["frequency", "level"] {
            if !section.has(key) {
                section.fault(
                    key,
                    "is missing: give the queries `frequency` and `level`, or `none = \"reason\"` where the source cannot be asked",
                );
            }
        }
        if had_status {
            status.as_ref()?;
        }
        Some(Self::Asked(Box::new(CarrierQueries {
            frequency: frequency?,
            frequency_unit: unit?,
            level: level?,
            status,
            tolerance: CarrierTolerance {
                relative: relative?,
                absolute: absolute?,
                level: level_tolerance?,
            },
        })))
    }
}
