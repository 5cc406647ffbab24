//! What can spoil a point, as words for machines and a sentence for people.
//!
//! To add one: a word in [`FlagWord`], its rows in the two tables below it, and whoever sees the fault
//! makes a [`Flag`] of it. Those that only the procedure can see are handed to `judge_point`.

use serde::{Deserialize, Serialize};
use std::fmt;
use utoipa::ToSchema;

/// How much of a 10 dB step may be missing (ORACLES F2).
const COMPRESSION_ALLOWED_DB: f64 = 0.3;
/// By how much a reading may change with 10 dB more attenuation at the receiver's input before the receiver
/// itself is to blame (ORACLES F2); less may be the attenuator's own error.
const ATTENUATION_ALLOWED_DB: f64 = 0.5;

/// The word of a flag, as it stands in JSON.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, ToSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum FlagWord {
    /// A measured reading so close to its floor that the noise moves it.
    NearFloor,
    /// Somebody else's signal at the test frequency.
    Ambient,
    /// The receiver said it was overloaded.
    Overload,
    /// The station sent less than the plan asked for.
    LevelClamped,
    /// The reference is older than allowed, or taken with another set-up.
    StaleReference,
    /// The reference changed between before and after.
    ReferenceDrift,
    /// Somebody else's signal stood at the test frequency, so it was measured beside it.
    Moved,
    /// A source step did not read as that step in the reference; by whose fault is not known.
    Compression,
    /// The receiver compresses in the reference.
    ReceiverCompression,
    /// The amplifier, or the source, compresses in the reference.
    AmplifierCompression,
    /// A harmonic of another test frequency was held together with this one.
    Harmonic,
    /// The dynamic range is smaller than the limit.
    CannotSeeLimit,
    /// More signal with the item than without.
    NegativeSe,
    /// A resonance of the closed item's inside lies near.
    CavityResonance,
    /// The antennas stand closer than the reach of the near field.
    NearField,
    /// The item is small against the wavelength.
    SmallItem,
    /// The source was not sending as asked when the trace had been taken.
    CarrierLost,
    /// The source cannot be asked what it sends.
    CarrierUnverified,
    /// The forward power differs from that of the reference.
    ForwardPower,
    /// The receiver has other settings than were asked for.
    SettingsAdjusted,
    /// The receiver's settings changed while the trace was taken.
    SettingsChanged,
    /// Another instrument than in the reference.
    OtherInstrument,
    /// The reference changed by more than 3 dB between before and after.
    ReferenceUnstable,
    /// The reference is far from what it should be.
    ReferenceImplausible,
    /// The reading is higher than source and gains can give.
    LevelImplausible,
    /// A burst was held in the reference.
    TransientInHold,
    /// The floor does not fluctuate as any of the noise models says.
    NoiseUnmodelled,
    /// The first carriers went by before the item was closed.
    ClosedLate,
    /// The item was opened before the last carriers.
    OpenedEarly,
    /// Nothing proves that the sealed receiver went on holding.
    HoldUnproven,
    /// The carrier is farther from its frequency than the instruments' tolerance lets it.
    OffFrequency,
    /// The first carrier of a closure read otherwise when it was sent again as the last.
    ClosureDisagrees,
}

/// What a flag does to its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Effect {
    /// The reader is told.
    Noted,
    /// The number stands, and neither passes nor fails.
    WithholdsVerdict,
    /// Nothing is stated.
    WithholdsNumber,
}

impl FlagWord {
    /// Every word, in the order of the README's table.
    pub const ALL: [Self; 32] = [
        Self::NearFloor,
        Self::Ambient,
        Self::Moved,
        Self::Overload,
        Self::LevelClamped,
        Self::StaleReference,
        Self::ReferenceDrift,
        Self::Compression,
        Self::ReceiverCompression,
        Self::AmplifierCompression,
        Self::Harmonic,
        Self::CannotSeeLimit,
        Self::NegativeSe,
        Self::CavityResonance,
        Self::NearField,
        Self::SmallItem,
        Self::CarrierLost,
        Self::CarrierUnverified,
        Self::ForwardPower,
        Self::SettingsAdjusted,
        Self::SettingsChanged,
        Self::OtherInstrument,
        Self::ReferenceUnstable,
        Self::ReferenceImplausible,
        Self::LevelImplausible,
        Self::TransientInHold,
        Self::NoiseUnmodelled,
        Self::ClosedLate,
        Self::OpenedEarly,
        Self::HoldUnproven,
        Self::OffFrequency,
        Self::ClosureDisagrees,
    ];

    /// What it does to the point that it is raised at.
    pub const fn effect(self) -> Effect {
        match self {
            Self::Overload
            | Self::CarrierLost
            | Self::ForwardPower
            | Self::SettingsChanged
            | Self::OtherInstrument
            | Self::LevelImplausible
            | Self::NoiseUnmodelled
            | Self::OffFrequency => Effect::WithholdsNumber,
            Self::ReferenceUnstable
            | Self::ReferenceImplausible
            | Self::TransientInHold
            | Self::ClosedLate
            | Self::OpenedEarly
            | Self::HoldUnproven
            | Self::ClosureDisagrees => Effect::WithholdsVerdict,
            _ => Effect::Noted,
        }
    }

    /// The word itself.
    pub const fn as_str(self) -> &'static str {
        self.row().0
    }

    /// The unit of its figure.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Moved | Self::OffFrequency => "kHz",
            Self::StaleReference => "h",
            Self::CavityResonance | Self::SettingsAdjusted => "%",
            Self::NearField | Self::SmallItem => "m",
            _ => "dB",
        }
    }

    /// The word with its figure, as a table has it.
    pub fn with_figure(self, figure: Option<f64>) -> String {
        match figure {
            Some(figure) => format!(
                "{self} {} {}",
                crate::quantity::one_decimal(figure),
                self.unit()
            ),
            None => self.to_string(),
        }
    }

    /// What it means, in one plain sentence, saying what its figure is.
    pub const fn sentence(self) -> &'static str {
        self.row().1
    }

    const fn row(self) -> (&'static str, &'static str) {
        match self {
            Self::NearFloor => (
                "near_floor",
                "The reading is less than 20 dB above its floor (figure: dB above it), so the noise was \
                 taken off and its uncertainty added.",
            ),
            Self::Ambient => (
                "ambient",
                "With the source off another signal stands at this frequency (figure: dB above the noise).",
            ),
            Self::Overload => (
                "overload",
                "The receiver reported an overload, so nothing is stated (no figure).",
            ),
            Self::LevelClamped => (
                "level_clamped",
                "The source level was held back by a safety limit (figure: dB less than asked for).",
            ),
            Self::StaleReference => (
                "stale_reference",
                "The reference is older than the plan allows (figure: its age in hours).",
            ),
            Self::ReferenceDrift => (
                "reference_drift",
                "The reference moved between before and after (figure: dB) by more than 1 dB.",
            ),
            Self::Moved => (
                "moved",
                "Another signal stands at the test frequency, so it was measured in the clear beside it \
                 (figure: how far above, kHz).",
            ),
            Self::Compression => (
                "compression",
                "A source step did not read as the same step in the reference (figure: dB missing), so \
                 the SE is understated; nothing tells whether by receiver or amplifier.",
            ),
            Self::ReceiverCompression => (
                "receiver_compression",
                "The receiver compresses in the reference (figure: dB missing from a source step, which \
                 came back with more attenuation), so the SE is understated.",
            ),
            Self::AmplifierCompression => (
                "amplifier_compression",
                "The amplifier or the source compresses in the reference (figure: dB missing from a \
                 source step, whatever the receiver's attenuation), so the SE is understated.",
            ),
            Self::Harmonic => (
                "harmonic",
                "A harmonic of another test frequency was held in the same closing (figure: dB by which \
                 the reading is above that carrier's), so the SE may be understated.",
            ),
            Self::CannotSeeLimit => (
                "cannot_see_limit",
                "Even a perfect item could not have passed: the dynamic range is below the limit \
                 (figure: dB short).",
            ),
            Self::NegativeSe => (
                "negative_se",
                "The reading with the item is higher than without it by more than the uncertainty (figure: SE \
                 in dB): a resonance, or a mistake in the set-up.",
            ),
            Self::CavityResonance => (
                "cavity_resonance",
                "A box of the item's size resonates near this frequency (figure: how far off, percent), \
                 so the SE may dip here and be better beside it.",
            ),
            Self::NearField => (
                "near_field",
                "The antennas are closer than the wavelength over 2 pi (figure: that distance in metres), \
                 so the SE holds for this arrangement, not for a plane wave.",
            ),
            Self::SmallItem => (
                "small_item",
                "The item is smaller than the wavelength over 2 pi (figure: its largest side in metres), \
                 so how the antenna inside couples matters as much as the item.",
            ),
            Self::CarrierLost => (
                "carrier_lost",
                "After the trace was taken the source was not sending as asked, also when the reading was \
                 repeated, so nothing is stated (figure: by how much its level differed, dB, where that was \
                 the difference).",
            ),
            Self::CarrierUnverified => (
                "carrier_unverified",
                "The source cannot be asked what it sends, as its driver says, so the carrier was not read \
                 back (no figure).",
            ),
            Self::ForwardPower => (
                "forward_power",
                "The forward power differed from that of the reference by more than the plan allows, also \
                 when the reading was repeated, so nothing is stated (figure: dB above the reference's).",
            ),
            Self::SettingsAdjusted => (
                "settings_adjusted",
                "The receiver adjusted a setting, which the plan accepts; what it has is stored and used \
                 (figure: largest relative difference, percent).",
            ),
            Self::SettingsChanged => (
                "settings_changed",
                "The receiver's settings changed while the trace was taken, also when the reading was \
                 repeated, so nothing is stated (no figure).",
            ),
            Self::OtherInstrument => (
                "other_instrument",
                "This reading and its reference were taken with different instruments, so nothing is stated \
                 (no figure).",
            ),
            Self::ReferenceUnstable => (
                "reference_unstable",
                "The reference changed by more than 3 dB between before and after, so there is no verdict: \
                 find the cause and measure the item again (figure: dB).",
            ),
            Self::ReferenceImplausible => (
                "reference_implausible",
                "The reference is far from the station's last one or from its link budget, so there is no \
                 verdict: see that the path was open and the cables are connected (figure: dB above what was \
                 expected).",
            ),
            Self::LevelImplausible => (
                "level_implausible",
                "The reading is higher than the source and all gains together can give, so nothing is stated: \
                 check the trace unit and the gains in the station file (figure: dB too high).",
            ),
            Self::TransientInHold => (
                "transient_in_hold",
                "Two holds of the reference disagree, so a burst may have been held and there is no verdict: \
                 measure the reference again (figure: dB between them).",
            ),
            Self::NoiseUnmodelled => (
                "noise_unmodelled",
                "The floor does not fluctuate as any of the noise models says and power subtraction cannot be \
                 trusted, or the trace lies below its floor, so nothing is stated (figure: dB above the floor).",
            ),
            Self::ClosedLate => (
                "closed_late",
                "The first carriers of the closure read as without the item, so it was closed too late and \
                 there is no verdict (figure: largest SE of them, dB).",
            ),
            Self::OpenedEarly => (
                "opened_early",
                "The last carriers of the closure read as without the item, so it was opened too early and \
                 there is no verdict (figure: largest SE of them, dB).",
            ),
            Self::HoldUnproven => (
                "hold_unproven",
                "The receiver's driver cannot ask whether it went on sweeping and holding in the closed item, \
                 so there is no verdict (no figure).",
            ),
            Self::OffFrequency => (
                "off_frequency",
                "The carrier stands farther from its frequency than `frequency_tolerance` of the station allows, so \
                 nothing is stated: connect source and receiver to one frequency reference, or state what they have \
                 (figure: how far above, kHz).",
            ),
            Self::ClosureDisagrees => (
                "closure_disagrees",
                "The first carrier of the closure was sent again as its last and read otherwise, also when the \
                 closure was repeated, so there is no verdict (figure: dB lower).",
            ),
        }
    }
}

impl std::str::FromStr for FlagWord {
    type Err = ();
    /// From the word; anything else is none.
    fn from_str(word: &str) -> Result<Self, ()> {
        let known = Self::ALL.into_iter().find(|known| known.as_str() == word);
        known.ok_or(())
    }
}

impl fmt::Display for FlagWord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

/// A flag with its figure; what the figure is, the word's sentence says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Flag {
    /// Which.
    pub word: FlagWord,
    /// How much.
    pub figure: Option<f64>,
}

impl Flag {
    /// A flag with a figure.
    pub const fn new(word: FlagWord, figure: f64) -> Self {
        Self {
            word,
            figure: Some(figure),
        }
    }

    /// Source and receiver held against a source step of `step_db`, seen as a step of `seen_db` (both
    /// positive): flagged when more than 0.3 dB are missing (ORACLES F2).
    ///
    /// `attenuated_db` is by how much the reading rose with as much more attenuation at the receiver's
    /// input, `None` where that was not read. Either step takes the receiver's mixer as far down, so what
    /// comes back with the attenuation is what the receiver compressed, and the rest is the amplifier's.
    pub fn compression(step_db: f64, seen_db: f64, attenuated_db: Option<f64>) -> Vec<Self> {
        let missing_db = step_db - seen_db;
        let Some(back_db) = attenuated_db else {
            let missing = missing_db > COMPRESSION_ALLOWED_DB;
            let flag = missing.then(|| Self::new(FlagWord::Compression, missing_db));
            return flag.into_iter().collect();
        };
        if missing_db <= COMPRESSION_ALLOWED_DB {
            return Vec::new();
        }
        if back_db <= ATTENUATION_ALLOWED_DB {
            return vec![Self::new(FlagWord::AmplifierCompression, missing_db)];
        }
        let mut flags = vec![Self::new(
            FlagWord::ReceiverCompression,
            back_db.min(missing_db),
        )];
        // The attenuator's error is in the difference.
        if missing_db - back_db > ATTENUATION_ALLOWED_DB {
            flags.push(Self::new(
                FlagWord::AmplifierCompression,
                missing_db - back_db,
            ));
        }
        flags
    }

    /// A flag that has none.
    pub const fn bare(word: FlagWord) -> Self {
        Self { word, figure: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_words_on_screen_and_in_json_are_the_same() {
        for word in FlagWord::ALL {
            let json = serde_json::to_string(&word).expect("a word");
            assert_eq!(json, format!("\"{word}\""));
            assert!(word.sentence().ends_with('.'), "{word}");
        }
    }

    #[test]
    fn a_step_that_reads_short_is_compression() {
        // ORACLES F2: 10.0 +- 0.3 dB.
        assert_eq!(Flag::compression(10.0, 9.75, None), []);
        let flag = Flag::new(FlagWord::Compression, 1.0);
        assert_eq!(Flag::compression(10.0, 9.0, None), [flag]);
    }

    #[test]
    fn more_attenuation_tells_who_compresses() {
        let of = |missing_db: f64, back_db| -> Vec<(FlagWord, f64)> {
            Flag::compression(10.0, 10.0 - missing_db, Some(back_db))
                .into_iter()
                .map(|flag| {
                    (
                        flag.word,
                        (10.0 * flag.figure.expect("a figure")).round() / 10.0,
                    )
                })
                .collect()
        };
        use FlagWord::{AmplifierCompression, ReceiverCompression};
        // ORACLES F2: 10 dB more attenuation must leave the reading within 0.5 dB.
        assert_eq!(of(2.0, 0.4), [(AmplifierCompression, 2.0)]);
        assert_eq!(of(2.0, 1.8), [(ReceiverCompression, 1.8)]);
        assert_eq!(
            of(3.0, 1.0),
            [(ReceiverCompression, 1.0), (AmplifierCompression, 2.0)]
        );
        assert_eq!(of(0.2, 0.4), []);
    }

    #[test]
    fn a_figure_is_printed_with_its_unit() {
        assert_eq!(
            FlagWord::Moved.with_figure(Some(-150.0)),
            "moved -150.0 kHz"
        );
        assert_eq!(FlagWord::Overload.with_figure(None), "overload");
        assert_eq!(
            FlagWord::NearFloor.with_figure(Some(-0.01)),
            "near_floor 0.0 dB"
        );
    }
}
