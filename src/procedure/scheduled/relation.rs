//! Which recording belongs to which pass.
//!
//! The markers of all passes of a schedule are the same, and two passes may lie closer together than the clocks are
//! uncertain. What tells them apart is the recorder's clock: in one file it is ahead by one and the same time, but for
//! its drift. So every recording is laid on every pass that it could be of, and what most recordings agree on counts.

use std::collections::HashSet;

use super::merge::Job;
use crate::analysis::schedule::Clocks;
use crate::store::{PassId, PassRecord, RecordingId, RecordingRecord};

/// Beyond drift and uncertainty, two times of one clock may differ by this, s: it may have been slewed.
const SLEWED_S: f64 = 0.1;

/// A recording laid on a pass that it could be of.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    pub pass: PassId,
    pub recording: RecordingId,
    /// When the pass began, s since 1970.
    at_s: f64,
    /// By how much the recorder's clock is ahead then.
    ahead_s: f64,
    u_s: f64,
    /// Whether it was merged before.
    merged: bool,
}

impl Candidate {
    pub(super) fn new(pass: &PassRecord, recording: RecordingId, clocks: &Clocks) -> Self {
        Self {
            pass: pass.id,
            recording,
            at_s: pass.pass.began.as_second() as f64,
            ahead_s: clocks.start.ahead_s,
            u_s: clocks.start.u_s,
            merged: pass.recording == Some(recording),
        }
    }

    fn agrees(&self, other: &Self, drift_max: f64) -> bool {
        let drifted_s = drift_max * (self.at_s - other.at_s).abs();
        let allowed_s = self.u_s + other.u_s + drifted_s + SLEWED_S;
        (self.ahead_s - other.ahead_s).abs() <= allowed_s
    }
}

/// How a recorder's file was laid on everything that was sent by its schedule.
pub(super) struct Relation {
    candidates: Vec<Candidate>,
    drift_max: f64,
}

/// Why no recording can be said to be that of a pass.
#[derive(Debug, PartialEq)]
pub(super) enum Unclear {
    /// None fits.
    None,
    /// Several recordings fit the pass, or the recording fits another pass as well.
    Several,
    /// By most of the file's recordings its clock was ahead by so much, by this one by so much, s.
    Contradicted { most_s: f64, this_s: f64 },
}

impl Relation {
    pub(super) fn new(candidates: Vec<Candidate>, drift_max: f64) -> Self {
        Self {
            candidates,
            drift_max,
        }
    }

    /// Whether a recording was merged with the clocks as in `one`, and how many can be laid so.
    fn support(&self, one: &Candidate) -> (bool, usize) {
        let agreeing = || {
            let all = self.candidates.iter();
            all.filter(|other| one.agrees(other, self.drift_max))
        };
        let recordings: HashSet<RecordingId> = agreeing().map(|other| other.recording).collect();
        (agreeing().any(|other| other.merged), recordings.len())
    }

    /// The one recording that belongs to a pass.
    pub(super) fn recording_of(&self, pass: PassId) -> Result<RecordingId, Unclear> {
        let ours = self.candidates.iter().filter(|one| one.pass == pass);
        let Some(best) = ours.max_by_key(|one| self.support(one)) else {
            return Err(Unclear::None);
        };
        let support = self.support(best);
        let strongest = self
            .candidates
            .iter()
            .filter(|other| !best.agrees(other, self.drift_max))
            .max_by_key(|other| self.support(other));
        if let Some(strongest) = strongest.filter(|other| self.support(other) > support) {
            return Err(Unclear::Contradicted {
                most_s: strongest.ahead_s,
                this_s: best.ahead_s,
            });
        }
        let is_rival = |other: &&Candidate| {
            (other.pass == pass) != (other.recording == best.recording)
                && self.support(other) >= support
        };
        match self.candidates.iter().any(|other| is_rival(&other)) {
            true => Err(Unclear::Several),
            false => Ok(best.recording),
        }
    }
}

impl Job<'_> {
    /// Lays every recording of the file on every pass of the schedule, whatever run it is of. What was merged before
    /// stays with its own.
    pub(super) async fn relation(
        &self,
        recordings: &[RecordingRecord],
    ) -> Result<Relation, super::super::ProcedureError> {
        let merged = self.store.merged_recordings().await?;
        let mut candidates = Vec::new();
        for pass in self.store.passes_by(&self.schedule.sha256).await? {
            let is_possible = |one: &&RecordingRecord| {
                let is_free = match pass.recording {
                    Some(own) => own == one.id,
                    None => !merged.contains(&one.id),
                };
                is_free
                    && one.schedule == self.schedule.sha256
                    && self.is_near(self.shift_s(&pass, one))
            };
            let near: Vec<_> = recordings.iter().filter(is_possible).collect();
            if near.is_empty() {
                continue;
            }
            let kind = self.store.run(pass.pass.run).await?.kind;
            let sendings = self.store.sendings(pass.id).await?;
            for recording in near.into_iter().filter(|one| one.kind == kind) {
                let shift_s = self.shift_s(&pass, recording);
                if let Ok(clocks) = self.lay(kind, &sendings, recording, shift_s, true) {
                    candidates.push(Candidate::new(&pass, recording.id, &clocks));
                }
            }
        }
        Ok(Relation::new(candidates, self.by.clock_drift))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::Timestamp;

    fn pass(n: i64) -> PassId {
        PassId::at(Timestamp::from_second(1_000 + n).expect("a time"))
    }

    fn recording(n: i64) -> RecordingId {
        RecordingId::at(Timestamp::from_second(9_000 + n).expect("a time"))
    }

    fn relation(all: &[(PassId, RecordingId, f64)]) -> Relation {
        let candidate = |(pass, recording, ahead_s): &(PassId, RecordingId, f64)| Candidate {
            pass: *pass,
            recording: *recording,
            at_s: 0.0,
            ahead_s: *ahead_s,
            u_s: 0.05,
            // The reference is merged first.
            merged: *ahead_s == 0.05,
        };
        Relation::new(all.iter().map(candidate).collect(), 300e-6)
    }

    #[test]
    fn a_recording_belongs_to_one_pass() {
        let (p, r) = (
            [pass(0), pass(1), pass(2)],
            [recording(0), recording(1), recording(2)],
        );
        // Two passes 45 s apart, each recorded, both within the stated 60 s: by one clock each has its own.
        let both = relation(&[
            (p[0], r[0], 0.1),
            (p[0], r[1], 45.1),
            (p[1], r[0], -44.9),
            (p[1], r[1], 0.1),
        ]);
        assert_eq!(both.recording_of(p[0]), Ok(r[0]));
        assert_eq!(both.recording_of(p[1]), Ok(r[1]));
        // Only the second was recorded, and nothing else tells how the clocks stand.
        let one = relation(&[(p[0], r[1], 45.1), (p[1], r[1], 0.1)]);
        assert_eq!(one.recording_of(p[0]), Err(Unclear::Several));
        assert_eq!(one.recording_of(p[1]), Err(Unclear::Several));
        // The reference's recording does.
        let known = relation(&[(p[0], r[1], 45.1), (p[1], r[1], 0.1), (p[2], r[2], 0.05)]);
        assert!(matches!(
            known.recording_of(p[0]),
            Err(Unclear::Contradicted { .. })
        ));
        assert_eq!(known.recording_of(p[1]), Ok(r[1]));
        // Its own pass is in another database: the clock gives it away all the same.
        let away = relation(&[(p[0], r[1], 45.1), (p[2], r[2], 0.05)]);
        assert!(away.recording_of(p[0]).is_err());
        assert_eq!(known.recording_of(pass(9)), Err(Unclear::None));
    }
}
