//! The signal of a reference and the reading a step below it prove each other.
//!
//! A burst, or a station that begins to send, is held like any carrier. In the signal of a reference it raises every SE
//! that is subtracted from it. It does not follow the source, though: the step below then falls by more than the
//! step, or by much less, as under compression. Compression comes back when both are read again, a burst does not.

/// By how much a step may read otherwise than the source's step before both are read again, dB: setting errors of
/// sources and the scatter of readings well above their floor stay within it (common practice, no source).
const ALLOWED_DB: f64 = 1.0;
/// The same close to the floor, where noise moves the step.
const ALLOWED_NEAR_FLOOR_DB: f64 = 3.0;
/// A step so far above its floor is not moved by it.
const ABOVE_FLOOR_DB: f64 = 20.0;
/// Two holds of the same carrier agree within this, dB.
const AGREE_DB: f64 = 1.0;
/// By how much a floor read anew may differ from the one before, dB: peak-held noise scatters by less.
const FLOOR_AGREES_DB: f64 = 6.0;

/// A signal and its step, as read one after the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Holds {
    /// The signal, dBm.
    pub signal_dbm: f64,
    /// The reading a step below, dBm.
    pub step_dbm: f64,
    /// By how much less was sent for it, dB.
    pub sent_db: f64,
}

impl Holds {
    /// By how much the step reads higher than signal and floor let expect, dB. Negative where it fell by more than
    /// the step; positive where something compresses, or where both held something else than the carrier.
    pub fn excess_db(&self, floor_dbm: f64) -> f64 {
        let mw = |dbm: f64| 10f64.powf(dbm / 10.0);
        let stepped_dbm = self.signal_dbm - self.sent_db;
        let expected_dbm = match stepped_dbm - floor_dbm > ABOVE_FLOOR_DB {
            // A floor is held noise, and a carrier so far above it does not add to it as powers do.
            true => stepped_dbm,
            false => 10.0 * (mw(stepped_dbm) + mw(floor_dbm)).log10(),
        };
        self.step_dbm - expected_dbm
    }

    /// Whether the step reads as the step that was sent.
    pub fn prove_each_other(&self, floor_dbm: f64) -> bool {
        let allowed_db = match self.step_dbm - floor_dbm > ABOVE_FLOOR_DB {
            true => ALLOWED_DB,
            false => ALLOWED_NEAR_FLOOR_DB,
        };
        self.excess_db(floor_dbm).abs() <= allowed_db
    }

    fn agrees(&self, other: &Self) -> bool {
        (self.signal_dbm - other.signal_dbm).abs() <= AGREE_DB
            && (self.step_dbm - other.step_dbm).abs() <= AGREE_DB
    }
}

/// What is known after the last of several holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Proof {
    /// The last two readings prove each other.
    Proven,
    /// They do not, but they came back as they were: it is the way between source and receiver, unless the floor has
    /// changed.
    Repeated,
    /// They do not, and never came back; so far apart were the signals or the steps, dB.
    Unproven {
        /// Largest difference between two holds of the same.
        apart_db: f64,
    },
}

/// What the last of `holds` proves, in the light of those before.
pub fn proof(holds: &[Holds], floor_dbm: f64) -> Proof {
    let Some((last, before)) = holds.split_last() else {
        return Proof::Unproven { apart_db: 0.0 };
    };
    if last.prove_each_other(floor_dbm) {
        return Proof::Proven;
    }
    if before.iter().any(|other| other.agrees(last)) {
        return Proof::Repeated;
    }
    let apart = |of: fn(&Holds) -> f64| {
        let (low, high) = holds
            .iter()
            .map(of)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| {
                (low.min(it), high.max(it))
            });
        high - low
    };
    let apart_db = apart(|it| it.signal_dbm).max(apart(|it| it.step_dbm));
    // One pair alone: how far it is from what the step lets expect.
    Proof::Unproven {
        apart_db: match before.is_empty() {
            true => last.excess_db(floor_dbm).abs(),
            false => apart_db,
        },
    }
}

/// By how much a floor has risen since, dB, where that is more than noise does and the carrier is not far above it.
pub fn floor_has_risen_db(before_dbm: f64, now_dbm: f64, step_dbm: f64) -> Option<f64> {
    let risen_db = now_dbm - before_dbm;
    let matters = step_dbm - now_dbm < ABOVE_FLOOR_DB;
    (risen_db > FLOOR_AGREES_DB && matters).then_some(risen_db)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FLOOR_DBM: f64 = -100.0;

    fn holds(signal_dbm: f64, step_dbm: f64) -> Holds {
        Holds {
            signal_dbm,
            step_dbm,
            sent_db: 10.0,
        }
    }

    #[test]
    fn a_step_as_sent_proves_both() {
        assert_eq!(proof(&[holds(-30.0, -40.2)], FLOOR_DBM), Proof::Proven);
        // Into the floor it cannot fall by all of it.
        assert_eq!(proof(&[holds(-92.0, -98.0)], FLOOR_DBM), Proof::Proven);
    }

    #[test]
    fn a_burst_in_the_signal_alone_goes_with_the_next_hold() {
        let burst = holds(-18.0, -40.0);
        assert_eq!(
            proof(&[burst], FLOOR_DBM),
            Proof::Unproven { apart_db: 12.0 }
        );
        assert_eq!(
            proof(&[burst, holds(-30.0, -40.0)], FLOOR_DBM),
            Proof::Proven
        );
    }

    #[test]
    fn compression_comes_back_and_a_burst_in_both_does_not() {
        let compressed = holds(-30.0, -36.0);
        let again = [compressed, holds(-30.1, -36.1)];
        assert_eq!(proof(&again, FLOOR_DBM), Proof::Repeated);
        let bursts = [holds(-20.0, -20.0), holds(-17.0, -25.0)];
        assert_eq!(proof(&bursts, FLOOR_DBM), Proof::Unproven { apart_db: 5.0 });
    }

    #[test]
    fn a_floor_that_rose_counts_only_near_the_carrier() {
        assert_eq!(floor_has_risen_db(-100.0, -20.0, -20.0), Some(80.0));
        assert_eq!(floor_has_risen_db(-100.0, -97.0, -98.0), None);
        assert_eq!(floor_has_risen_db(-100.0, -80.0, -40.0), None);
    }
}
