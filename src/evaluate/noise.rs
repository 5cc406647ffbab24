//! What a reading's settings, and what physics, say of its noise.

use crate::analysis::flag::{Flag, FlagWord};
use crate::store::ReadingRecord;

/// A video bandwidth below this share of the resolution bandwidth smooths what the detector sees: the spread of the
/// floor's bins is then no longer that of held samples. The filters of receivers come in steps of 1, 3 and 10.
const SMOOTHING_SHARE: f64 = 0.95;
/// A trace whose highest bin is so far below the lower quartile of its floor's is none of the same noise, dB.
const BELOW_FLOOR_DB: f64 = 6.0;
/// Thermal noise in one hertz at 290 K, dBm: 10 lg kT.
const THERMAL_DBM_PER_HZ: f64 = -173.975;
/// How far below thermal noise a floor may read by an error of the receiver's scale.
const SCALE_ERROR_DB: f64 = 10.0;

/// A flag where the floor is lower than any receiver's.
pub(super) fn implausible(floor: &ReadingRecord, signal: &ReadingRecord) -> Option<Flag> {
    let above_db = signal.peak_dbm - floor.peak_dbm;
    is_below_thermal(floor).then(|| Flag::new(FlagWord::NoiseUnmodelled, above_db))
}

/// A flag where a trace lies wholly below its floor: its hold was begun anew, or the receiver hears less than it did. An
/// independent bin of noise is so far below the quartile once in fourteen times at most (an exponential power, one sweep).
pub(super) fn below_its_floor(floor_dbm: &[f64], signal_dbm: &[f64]) -> Option<Flag> {
    let mut floor_dbm = floor_dbm.to_vec();
    floor_dbm.sort_by(f64::total_cmp);
    let quartile_dbm = *floor_dbm.get(floor_dbm.len() / 4)?;
    let highest_dbm = signal_dbm.iter().copied().reduce(f64::max)?;
    let above_db = highest_dbm - quartile_dbm;
    (above_db < -BELOW_FLOOR_DB).then(|| Flag::new(FlagWord::NoiseUnmodelled, above_db))
}

/// Whether a video filter or the detector smoothed the noise of a reading.
pub(super) fn is_smoothed(reading: &ReadingRecord) -> bool {
    // A detector that averages, or one that the receiver took instead; its own choice is a peak (common practice).
    let averages = !matches!(
        reading.settings["detector"].as_str(),
        None | Some("peak" | "sample")
    );
    let hz = |name: &str| reading.settings[name].as_f64();
    let widths = hz("video_bandwidth_hz").zip(hz("resolution_bandwidth_hz"));
    averages || widths.is_some_and(|(video, resolution)| video < SMOOTHING_SHARE * resolution)
}

fn is_below_thermal(floor: &ReadingRecord) -> bool {
    let resolution = floor.settings["resolution_bandwidth_hz"].as_f64();
    resolution.is_some_and(|hz| {
        let bandwidth_db = 10.0 * hz.max(1.0).log10();
        floor.peak_dbm < THERMAL_DBM_PER_HZ + bandwidth_db - SCALE_ERROR_DB
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Point, ReadingKey, ReadingKind, RunId};
    use jiff::Timestamp;
    use serde_json::json;

    fn reading(peak_dbm: f64, video_hz: Option<f64>) -> ReadingRecord {
        ReadingRecord {
            run: RunId::at(Timestamp::UNIX_EPOCH),
            seq: 1,
            key: ReadingKey {
                kind: ReadingKind::Floor,
                point: Point {
                    frequency_hz: 1e8,
                    face: "front".to_owned(),
                    polarisation: "vertical".to_owned(),
                    repeat: 1,
                },
            },
            attempt: 1,
            taken: Timestamp::UNIX_EPOCH,
            sweeps: 10,
            peak_dbm,
            peak_hz: 1e8,
            flags: Vec::new(),
            settings: json!({ "resolution_bandwidth_hz": 1e3, "video_bandwidth_hz": video_hz }),
        }
    }

    #[test]
    fn a_narrow_video_filter_and_a_detector_that_averages_smooth() {
        let smoothed = |video| is_smoothed(&reading(-110.0, video));
        let found = [Some(3e3), Some(1e3), None, Some(100.0)].map(smoothed);
        assert_eq!(found, [false, false, false, true]);
        let mut other = reading(-110.0, None);
        for (word, smooths) in [
            ("peak", false),
            ("sample", false),
            ("rms", true),
            ("NEG", true),
        ] {
            other.settings["detector"] = json!(word);
            assert_eq!(is_smoothed(&other), smooths, "{word}");
        }
    }

    #[test]
    fn no_receiver_is_quieter_than_its_input() {
        // 10 lg kT at 290 K is -173.975 dBm in 1 Hz, so -143.975 dBm in 1 kHz.
        assert_eq!(
            implausible(&reading(-150.0, None), &reading(-100.0, None)),
            None
        );
        assert!(implausible(&reading(-160.0, None), &reading(-100.0, None)).is_some());
        assert!(implausible(&reading(-200.0, None), &reading(-200.0, None)).is_some());
    }
}
