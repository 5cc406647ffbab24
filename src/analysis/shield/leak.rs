//! The leaks a curve is explained by: what each lets through at a frequency, for a fit.
//!
//! Each passes a power `p` (1 is everything). They come in over different faces and paths, so powers
//! add. Parameters are natural logarithms of physical numbers: always positive, and steps are relative.

use serde::Serialize;
use std::f64::consts::PI;

use super::{LIGHT_M_PER_S, MU_0, Z_0};

/// What lets the field in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LeakKind {
    /// The material itself: flat in a plane wave.
    Sheet,
    /// An opening or several: 20 dB less for each decade, up to half a wavelength.
    Slot,
    /// A lossy joint: 10 dB less for each decade.
    Seam,
    /// Not the item: the set-up could not see more.
    Floor,
}

impl LeakKind {
    /// As it is called in a sentence.
    pub fn word(self) -> &'static str {
        match self {
            Self::Sheet => "sheet",
            Self::Slot => "slot",
            Self::Seam => "seam",
            Self::Floor => "floor of the set-up",
        }
    }
}

/// A leak as the fit knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Leak {
    /// Film in a plane wave; ln(ohm per square).
    Sheet,
    /// Closed film shell of this radius in a magnetic field; ln(ohm per square).
    Shell { radius_m: f64 },
    /// One slot; ln(length in m).
    Slot,
    /// Several equal slots, or one that couples only in part; ln(length in m), ln(count).
    Slots,
    /// Joint with a transfer impedance that grows as √f, as a metal's surface impedance does and as joints do
    /// on the way from resistive to inductive (common practice, no source); ln(ohm at 1 GHz).
    Seam,
    /// Floor of the set-up below its stated dynamic range; ln(amplitude offset).
    Floor,
}

/// Frequency at which a seam's transfer impedance is stated.
pub(super) const SEAM_REFERENCE_HZ: f64 = 1e9;

impl Leak {
    pub(super) fn kind(self) -> LeakKind {
        match self {
            Self::Sheet | Self::Shell { .. } => LeakKind::Sheet,
            Self::Slot | Self::Slots => LeakKind::Slot,
            Self::Seam => LeakKind::Seam,
            Self::Floor => LeakKind::Floor,
        }
    }

    /// The names of its parameters, units last.
    pub(super) fn parameters(self) -> &'static [&'static str] {
        match self {
            Self::Sheet | Self::Shell { .. } => &["sheet_resistance_ohm"],
            Self::Slot => &["slot_length_m"],
            Self::Slots => &["slot_length_m", "slot_count"],
            Self::Seam => &["seam_transfer_ohm_at_1_ghz"],
            Self::Floor => &["floor_amplitude_ratio"],
        }
    }

    /// Where each parameter's logarithm may lie: beyond, no item is.
    pub(super) fn range(self, parameter: usize) -> (f64, f64) {
        let (low, high): (f64, f64) = match (self, parameter) {
            (Self::Sheet | Self::Shell { .. }, _) => (1e-7, 1e4),
            (Self::Slots, 1) => (1e-4, 1e4),
            (Self::Slot | Self::Slots, _) => (1e-6, 10.0),
            (Self::Seam, _) => (1e-6, 1e4),
            (Self::Floor, _) => (1e-2, 4.0),
        };
        (low.ln(), high.ln())
    }

    /// Power let through and d ln p/dθ for each parameter; the dynamic range matters to the floor only.
    pub(super) fn power(self, theta: &[f64], f_hz: f64, dynamic_range_db: f64) -> (f64, [f64; 2]) {
        match self {
            Self::Sheet => {
                let x = Z_0 / 2.0 * (-theta[0]).exp();
                ((1.0 + x).powi(-2), [2.0 * x / (1.0 + x), 0.0])
            }
            Self::Shell { radius_m } => {
                let x = 2.0 * PI * f_hz * MU_0 * radius_m / 3.0 * (-theta[0]).exp();
                let p = 1.0 / (1.0 + x * x);
                (p, [2.0 * x * x * p, 0.0])
            }
            Self::Slot => slot_power(theta[0], f_hz),
            Self::Slots => {
                let (p, [by_length, _]) = slot_power(theta[0], f_hz);
                (p * theta[1].exp(), [by_length, 1.0])
            }
            Self::Seam => {
                let t = theta[0].exp() / Z_0;
                (t * t * f_hz / SEAM_REFERENCE_HZ, [2.0, 0.0])
            }
            Self::Floor => {
                let p = (2.0 * theta[0]).exp() * 10f64.powf(-dynamic_range_db / 10.0);
                (p, [2.0, 0.0])
            }
        }
    }
}

fn slot_power(ln_length: f64, f_hz: f64) -> (f64, [f64; 2]) {
    let x = 2.0 * f_hz / LIGHT_M_PER_S * ln_length.exp();
    match x < 1.0 {
        true => (x * x, [2.0, 0.0]),
        false => (1.0, [0.0, 0.0]),
    }
}
