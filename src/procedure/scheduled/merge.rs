//! The recorder's file and the source's pass laid on each other: which holds certainly fell into a silence or
//! into an emission, and what they read.

use serde::Serialize;
use serde_json::json;

use super::super::open::refuse_off_frequency;
use super::super::{ProcedureError, receiver_json, receiver_settings, steps};
use super::Schedule;
use super::relation::{Relation, Unclear};
use crate::analysis::flag::FlagWord;
use crate::analysis::schedule::marker::{Pattern, Sample, align};
use crate::analysis::schedule::{Clocks, On, Role, Timetable, is_silent, is_within};
use crate::config::{Arrangement, Plan, Scheduling, Station};
use crate::evaluate::{self, Evaluator};
use crate::quantity::Frequency;
use crate::store::{
    HoldRecord, NewReading, PassMerge, PassRecord, Point, ReadingKey, ReadingKind, RecordingId,
    RecordingRecord, RunId, RunKind, RunRecord, RunState, SendingRecord, SendingWhat, Store,
    Verdict, file_sha256,
};

/// How a recording was laid on a pass.
#[derive(Debug, Clone, Serialize)]
pub struct MergedPass {
    /// The recording.
    pub recording: RecordingId,
    /// The side of the item.
    pub face: String,
    /// How the antennas stood.
    pub polarisation: String,
    /// Which closing.
    pub repeat: u32,
    /// By how much the recorder's clock was ahead at the first marker, s, and its uncertainty.
    pub ahead_s: f64,
    /// Within that much, s.
    pub ahead_u_s: f64,
    /// How much faster the recorder's clock went, parts in a million; none without a second marker.
    pub drift_ppm: Option<f64>,
    /// Within that much.
    pub drift_u_ppm: Option<f64>,
    /// Correlation with the first and the second marker.
    pub correlations: Vec<f64>,
    /// The larger of the chances that noise was taken for a marker.
    pub chance: f64,
    /// The most that the first hold of a slot began away from its time, s.
    pub misaligned_s: f64,
    /// The guard time there was for that, at the least, s.
    pub guard_s: f64,
    /// Readings made of it.
    pub readings: usize,
}

/// What a merge made of a run.
#[derive(Debug, Clone, Serialize)]
pub struct MergedRun {
    /// The run.
    pub run: RunId,
    /// Its passes that were merged now.
    pub passes: Vec<MergedPass>,
    /// Whether it was complete before, by these recordings.
    pub already: bool,
    /// Readings it still lacks; none when it is complete.
    pub missing: usize,
    /// Its verdict.
    pub verdict: Option<Verdict>,
}

/// Merges the recordings of a recorder's file into a run, judges it and completes it. Merging again changes
/// nothing. With `partial`, a recording that was cut off gives what it has, and the run keeps lacking the
/// rest.
///
/// # Errors
/// Another schedule, a marker that is not found, clocks that differ or drift by more than the plan states, a
/// reading that no hold certainly covers; each says what to do.
pub async fn merge(
    store: &Store,
    inside: &Store,
    run: RunId,
    partial: bool,
) -> Result<MergedRun, ProcedureError> {
    let record = store.run(run).await?;
    let (plan, station) = evaluate::kept(store, &record).await?;
    let job = Job::new(store, inside, &record, (&plan, &station), partial)?;
    if record.state == RunState::Complete {
        return Ok(MergedRun {
            run,
            passes: Vec::new(),
            already: true,
            missing: 0,
            verdict: record.verdict,
        });
    }
    if let Some(reference) = record.reference_run
        && store.run(reference).await?.state != RunState::Complete
    {
        return Err(job.refuse(format!(
            "its reference {reference} is not complete; merge that one first (`muffle record merge FILE --run {reference}`)"
        )));
    }
    let passes = job.merge_passes().await?;
    let present = store.reading_keys(run).await?.into_iter().collect();
    let kinds = steps::kinds(record.item.as_deref());
    let stands = steps::missing(
        steps::stands(&plan, record.item.as_deref()),
        kinds,
        &present,
    );
    let missing = steps::readings_missing(&stands, kinds, &present);
    let verdict = match missing {
        0 => job.complete().await?,
        _ => None,
    };
    if missing > 0 {
        let reason = format!(
            "{missing} readings are missing; send again what is missing with `muffle measure --resume {run}` and merge that recording too"
        );
        store
            .set_state(run, RunState::Stopped, Some(&reason))
            .await?;
    }
    Ok(MergedRun {
        run,
        passes,
        already: false,
        missing,
        verdict,
    })
}

/// One merge.
pub(super) struct Job<'a> {
    pub(super) store: &'a Store,
    inside: &'a Store,
    record: &'a RunRecord,
    plan: &'a Plan,
    station: &'a Station,
    pub(super) by: Scheduling,
    pub(super) schedule: Schedule,
    partial: bool,
}

/// A recording that fits a pass.
struct Fitting<'r> {
    recording: &'r RecordingRecord,
    clocks: Clocks,
    sendings: Vec<SendingRecord>,
    /// From the beginning of the pass to that of the recording, each by its own clock, s.
    shift_s: f64,
}

impl<'a> Job<'a> {
    fn new(
        store: &'a Store,
        inside: &'a Store,
        record: &'a RunRecord,
        (plan, station): (&'a Plan, &'a Station),
        partial: bool,
    ) -> Result<Self, ProcedureError> {
        match (plan.arrangement, plan.scheduling) {
            (Arrangement::Scheduled, Some(by)) => Ok(Self {
                store,
                inside,
                record,
                plan,
                station,
                by,
                schedule: Schedule::of(plan)?,
                partial,
            }),
            _ => Err(ProcedureError::Merge {
                run: record.id,
                reason: "it was not measured with `arrangement = \"scheduled\"`; name another run"
                    .to_owned(),
            }),
        }
    }

    fn refuse(&self, reason: impl Into<String>) -> ProcedureError {
        ProcedureError::Merge {
            run: self.record.id,
            reason: reason.into(),
        }
    }

    /// Merges every pass that waits for its recording.
    async fn merge_passes(&self) -> Result<Vec<MergedPass>, ProcedureError> {
        let run = self.record.id;
        let passes = self.store.passes(run).await?;
        let waiting: Vec<&PassRecord> = passes
            .iter()
            .filter(|pass| pass.ended.is_some() && pass.recording.is_none())
            .collect();
        if waiting.is_empty() {
            return Err(self.refuse(format!(
                "nothing of it waits for a recording; send what it lacks with `muffle measure --resume {run}`"
            )));
        }
        let recordings = self.inside.recordings().await?;
        self.check_schedules(&recordings)?;
        let mut merged = Vec::new();
        for pass in waiting {
            // Anew for each: what was merged just now says how the clocks stand.
            let relation = self.relation(&recordings).await?;
            let fitting = self.find(pass, &recordings, &relation).await?;
            self.check_receiver(&fitting).await?;
            merged.push(self.merge_one(pass, &fitting).await?);
        }
        Ok(merged)
    }

    /// At least one recording must have followed this schedule.
    fn check_schedules(&self, recordings: &[RecordingRecord]) -> Result<(), ProcedureError> {
        let file = self.inside.path().display();
        let ours = &self.schedule.sha256;
        match recordings.iter().find(|one| one.schedule == *ours) {
            Some(_) => Ok(()),
            None => Err(self.refuse(match recordings.first() {
                None => format!(
                    "the marker was not found: {file} holds no recording at all. Was the recorder running before the item was closed? If the item keeps the marker out, give `hands` in [schedule], so that it is sent while the item is open, or a `marker` where it leaks"
                ),
                Some(other) => format!(
                    "{file} was recorded by another schedule ({}…, this run was sent by {}…); give the recorder the schedule that `muffle record --plan PLAN --write FILE` writes from this run's plan, by the same version of this program",
                    &other.schedule[..12],
                    &ours[..12]
                ),
            })),
        }
    }

    /// The one recording that belongs to a pass.
    async fn find<'r>(
        &self,
        pass: &PassRecord,
        recordings: &'r [RecordingRecord],
        relation: &Relation,
    ) -> Result<Fitting<'r>, ProcedureError> {
        let sendings = self.store.sendings(pass.id).await?;
        let lay = |recording: &'r RecordingRecord| {
            let shift_s = self.shift_s(pass, recording);
            self.lay(
                self.record.kind,
                &sendings,
                recording,
                shift_s,
                self.partial,
            )
        };
        let chosen = match relation.recording_of(pass.id) {
            Ok(id) => recordings.iter().find(|one| one.id == id),
            Err(Unclear::None) => None,
            Err(Unclear::Several) => {
                return Err(self.refuse(format!(
                    "several recordings fit the pass of {}, or its recording fits another pass as well: the passes lie closer together than the clocks are uncertain. Merge first what leaves no doubt, such as the reference by the same recorder (`--run`); else send the pass again, with a smaller `clock_uncertainty`, or with more time between two passes",
                    pass.pass.began
                )));
            }
            Err(Unclear::Contradicted { most_s, this_s }) => {
                return Err(self.refuse(format!(
                    "the recording that would fit the pass of {} has the recorder's clock ahead by {this_s:.1} s, and the others of {} by {most_s:.1} s: it belongs to another pass, or the clock was set in between. Merge the file that has its own recording, or send the pass again",
                    pass.pass.began,
                    self.inside.path().display()
                )));
            }
        };
        if let Some(recording) = chosen {
            let clocks = lay(recording).map_err(|why| self.recording_refused(recording, &why))?;
            return Ok(Fitting {
                recording,
                clocks,
                shift_s: self.shift_s(pass, recording),
                sendings,
            });
        }
        let used = self.store.merged_recordings().await?;
        let near = recordings.iter().filter(|one| {
            one.schedule == self.schedule.sha256
                && one.kind == self.record.kind
                && !used.contains(&one.id)
                && self.is_near(self.shift_s(pass, one))
        });
        let why = near
            .filter_map(|one| Some((one, lay(one).err()?)))
            .next_back();
        Err(match why {
            Some((recording, why)) => self.recording_refused(recording, &why),
            None => self.refuse(format!(
                "the marker of the pass of {} was not found: {} has no recording within {} of it that was not merged before. Was the recorder running? Does its clock differ by more than the plan's `clock_uncertainty`? If the item keeps the marker out, give `hands` in [schedule]",
                pass.pass.began,
                self.inside.path().display(),
                self.by.clock_uncertainty
            )),
        })
    }

    fn recording_refused(&self, recording: &RecordingRecord, why: &str) -> ProcedureError {
        self.refuse(format!("recording {}: {why}", recording.id))
    }

    /// From the beginning of a pass to that of a recording, each by its own clock, s.
    pub(super) fn shift_s(&self, pass: &PassRecord, recording: &RecordingRecord) -> f64 {
        let apart = recording.began.duration_since(pass.pass.began);
        apart.as_secs_f64()
    }

    /// Whether a recording that began so much later may be that of a pass, by clocks no more wrong than stated.
    pub(super) fn is_near(&self, shift_s: f64) -> bool {
        shift_s.abs() <= self.by.clock_uncertainty.s() + self.schedule.chip_s()
    }

    /// Lays the clocks on each other by the two markers.
    pub(super) fn lay(
        &self,
        kind: RunKind,
        sendings: &[SendingRecord],
        recording: &RecordingRecord,
        shift_s: f64,
        partial: bool,
    ) -> Result<Clocks, String> {
        let most_s = self.by.clock_uncertainty.s();
        let found = |what, pattern: &Pattern, samples: &[Sample]| {
            let sent: Vec<On> = of(sendings, what).collect();
            let samples: Vec<Sample> = samples.iter().map(|s| later(s, shift_s)).collect();
            let aligned = align(
                &samples,
                pattern,
                self.schedule.chip_s(),
                &sent,
                (-most_s, most_s),
            )?;
            let (first, last) = (sent.first()?, sent.last()?);
            Some((0.5 * (first.on_s + last.off_s), aligned))
        };
        let (_, first) = self.schedule.part(kind);
        let Some((start_s, start)) = found(SendingWhat::Start, first, &recording.start_marker)
        else {
            return Err(format!(
                "its first marker is not the one that was sent (with a chance of error of 1e-6), or the clocks differ by more than the plan's `clock_uncertainty` of {}; set the recorder's clock, or state more, and measure anew",
                self.by.clock_uncertainty
            ));
        };
        let end = match &recording.end_marker {
            Some(samples) => found(SendingWhat::End, &self.schedule.markers.end, samples),
            None => None,
        };
        if end.is_none() && !partial {
            return Err(format!(
                "its second marker is missing: the recorder was cut off or stopped before it ({} holds are there). Use what it has with --partial, or send the pass again",
                recording.holds
            ));
        }
        let clocks = Clocks {
            start_s,
            start,
            end,
            drift_max: self.by.clock_drift,
        };
        match clocks.drift() {
            Some((drift, u)) if drift.abs() > self.by.clock_drift + u => Err(format!(
                "the clocks drifted by {:.0} parts in a million against each other (± {:.0}), more than the plan's `clock_drift` of {:.0}, so its guard times are too short; state more, write the schedule anew and measure again",
                drift * 1e6,
                u * 1e6,
                self.by.clock_drift * 1e6
            )),
            _ => Ok(clocks),
        }
    }

    /// Levels compare only if the same receiver read reference and item.
    async fn check_receiver(&self, fitting: &Fitting<'_>) -> Result<(), ProcedureError> {
        let Some(reference) = self.record.reference_run else {
            return Ok(());
        };
        let now = &fitting.recording.receiver;
        for pass in self.store.passes(reference).await? {
            let before = pass
                .merged
                .as_ref()
                .and_then(|how| how["receiver"].as_str());
            if before.is_some_and(|before| before != now) {
                return Err(self.refuse(format!(
                    "its reference was recorded with another receiver (`{}`, now `{now}`); measure both with the same one",
                    before.unwrap_or_default()
                )));
            }
        }
        Ok(())
    }

    async fn merge_one(
        &self,
        pass: &PassRecord,
        fitting: &Fitting<'_>,
    ) -> Result<MergedPass, ProcedureError> {
        let recording = fitting.recording;
        let holds = self.inside.holds(recording.id).await?;
        let chosen = self.choose(pass, fitting, &holds).await?;
        let mut readings = Vec::with_capacity(chosen.len());
        for (key, hold, sending) in &chosen {
            readings.push(
                self.reading(pass, fitting, key, hold, sending.as_ref())
                    .await?,
            );
        }
        let (timetable, _) = self.schedule.part(self.record.kind);
        let made = described(pass, fitting, timetable, &holds, readings.len());
        let path = self.inside.path();
        let sha256 = file_sha256(path)
            .await
            .map_err(|error| self.refuse(format!("{} cannot be read: {error}", path.display())))?;
        let how = json!({
            "receiver": recording.receiver,
            "clocks": fitting.clocks,
            "pass": made,
            "file": path.file_name().map(|name| name.to_string_lossy()),
            "sha256": sha256,
        });
        let run = self.record.id;
        self.store.set_state(run, RunState::Running, None).await?;
        self.store.set_recorder(run, &recording.receiver).await?;
        let merged = PassMerge {
            recording: recording.id,
            how,
        };
        self.store.merge_pass(pass, &readings, &merged).await?;
        Ok(made)
    }

    /// For every reading that the run lacks at this stand the first hold that certainly is one.
    async fn choose(
        &self,
        pass: &PassRecord,
        fitting: &Fitting<'_>,
        holds: &[HoldRecord],
    ) -> Result<Vec<(ReadingKey, HoldRecord, Option<SendingRecord>)>, ProcedureError> {
        let present = self.store.reading_keys(self.record.id).await?;
        let emissions: Vec<On> = fitting.sendings.iter().map(|one| one.on).collect();
        let (timetable, _) = self.schedule.part(self.record.kind);
        let mut chosen = Vec::new();
        let mut lacking = Vec::new();
        for slot in &timetable.holds {
            let (kind, what) = match slot.role {
                Role::Floor => (ReadingKind::Floor, None),
                Role::Signal => (ReadingKind::Signal, Some(SendingWhat::Signal)),
                Role::Step => (ReadingKind::Step, Some(SendingWhat::Step)),
            };
            let key = steps::key(kind, &pass.pass.point(slot.frequency_hz));
            if present.contains(&key) {
                continue;
            }
            let sending = fitting
                .sendings
                .iter()
                .find(|one| Some(one.what) == what && one.frequency_hz == slot.frequency_hz);
            let frequency = Frequency::from_hz(slot.frequency_hz);
            let settle_s = self.plan.settings_at(frequency).settle.s();
            let counts = |hold: &&HoldRecord| {
                let (bracket, u_s) = fitting.bracket(hold);
                hold.frequency_hz == slot.frequency_hz
                    && match (slot.role, sending) {
                        (Role::Floor, _) => is_silent(bracket, u_s, &emissions),
                        (_, Some(sent)) => is_within(bracket, u_s, &sent.on, settle_s),
                        (_, None) => false,
                    }
            };
            match holds.iter().find(counts) {
                Some(hold) => chosen.push((key, *hold, sending.cloned())),
                None => lacking.push(key),
            }
        }
        match (lacking.first(), self.partial) {
            (Some(first), false) => Err(self.refuse(format!(
                "recording {} has no hold that certainly is the {first} ({} readings are lacking): the recorder was late, or its receiver failed. Use what it has with --partial, or give `hold_time` in [schedule] more and measure anew",
                fitting.recording.id,
                lacking.len()
            ))),
            _ => Ok(chosen),
        }
    }

    async fn reading(
        &self,
        pass: &PassRecord,
        fitting: &Fitting<'_>,
        key: &ReadingKey,
        hold: &HoldRecord,
        sending: Option<&SendingRecord>,
    ) -> Result<NewReading, ProcedureError> {
        let recording = fitting.recording.id;
        let trace = self.inside.hold_trace(recording, hold.seq).await?;
        let frequency = Frequency::from_hz(key.point.frequency_hz);
        let closed = self.record.kind == RunKind::Item;
        let receiver = receiver_settings(self.plan, frequency, closed);
        let picked = evaluate::pick(
            &trace,
            frequency,
            receiver.resolution_bandwidth,
            self.station.frequency_tolerance,
        );
        let picked = picked.map_err(|cause| ProcedureError::Reading {
            place: key.to_string(),
            cause,
        })?;
        let ((_, until_s), _) = fitting.bracket(hold);
        let overload = hold
            .overload
            .then(|| FlagWord::Overload.as_str().to_owned());
        let mut settings = receiver_json(&receiver, None);
        settings["arrangement"] = json!(self.plan.arrangement.word());
        settings["source_level_dbm"] = json!(sending.map(|sending| sending.level_dbm));
        if let Some(carrier) = sending.and_then(|sending| sending.carrier.as_ref()) {
            settings["carrier"] = carrier.clone();
        }
        if let Some(forward_dbm) = sending.and_then(|sending| sending.forward_dbm) {
            settings["forward_dbm"] = json!(forward_dbm);
        }
        settings["recording"] = json!(recording);
        settings["hold"] = json!(hold.seq);
        Ok(NewReading {
            key: key.clone(),
            attempt: 1,
            taken: super::later(pass.pass.began, until_s),
            sweeps: receiver.sweeps,
            peak_dbm: picked.level_dbm,
            peak_hz: picked.frequency_hz,
            flags: overload.into_iter().collect(),
            settings,
            trace,
        })
    }

    /// Judges the run and closes it.
    async fn complete(&self) -> Result<Option<Verdict>, ProcedureError> {
        let run = self.record.id;
        self.store.set_state(run, RunState::Running, None).await?;
        let verdict = match self.record.kind {
            RunKind::Item => {
                let evaluator = Evaluator::of(self.store, self.record).await?;
                evaluator.verdict(&evaluator.run().await?)
            }
            RunKind::Reference => {
                self.refuse_off_frequency().await?;
                None
            }
        };
        self.store
            .finish(run, verdict, jiff::Timestamp::now())
            .await?;
        Ok(verdict)
    }
}

impl Job<'_> {
    /// Withdraws a reference whose carriers stand beside their frequencies.
    async fn refuse_off_frequency(&self) -> Result<(), ProcedureError> {
        let run = self.record.id;
        let stands = steps::stands(self.plan, None);
        let points: Vec<Point> = stands.into_iter().flat_map(|stand| stand.points).collect();
        let tolerance = self.station.frequency_tolerance;
        let refused = refuse_off_frequency(self.store, run, &points, tolerance).await;
        if let Err(ProcedureError::Implausible { reason, .. }) = &refused {
            let now = jiff::Timestamp::now();
            self.store
                .set_state(run, RunState::Failed, Some(reason))
                .await?;
            self.store.withdraw(run, reason, now).await?;
        }
        refused
    }
}

impl Fitting<'_> {
    /// A hold by the source's clock, from the beginning of the pass, and its uncertainty, s.
    fn bracket(&self, hold: &HoldRecord) -> ((f64, f64), f64) {
        let (from_s, from_u_s) = self.clocks.by_the_source(hold.from_s + self.shift_s);
        let (until_s, until_u_s) = self.clocks.by_the_source(hold.until_s + self.shift_s);
        ((from_s, until_s), from_u_s.max(until_u_s))
    }
}

fn of(sendings: &[SendingRecord], what: SendingWhat) -> impl Iterator<Item = On> {
    sendings
        .iter()
        .filter(move |one| one.what == what)
        .map(|one| one.on)
}

fn later(sample: &Sample, by_s: f64) -> Sample {
    Sample {
        from_s: sample.from_s + by_s,
        until_s: sample.until_s + by_s,
        level_dbm: sample.level_dbm,
    }
}

fn described(
    pass: &PassRecord,
    fitting: &Fitting<'_>,
    timetable: &Timetable,
    holds: &[HoldRecord],
    readings: usize,
) -> MergedPass {
    let begins_s: Vec<(f64, f64)> = holds
        .iter()
        .map(|hold| (hold.frequency_hz, fitting.bracket(hold).0.0))
        .collect();
    let misaligned_s = timetable
        .holds
        .iter()
        .map(|slot| {
            let at_s = slot.at_ms as f64 / 1e3;
            let same = begins_s.iter().filter(|(hz, _)| *hz == slot.frequency_hz);
            same.map(|(_, from_s)| (from_s - at_s).abs())
                .fold(f64::INFINITY, f64::min)
        })
        // What a recording that was cut off never began is not late.
        .filter(|late_s| late_s.is_finite())
        .fold(0.0, f64::max);
    let guard_ms = timetable.holds.iter().map(|slot| slot.guard_ms).min();
    let clocks = &fitting.clocks;
    let aligned = std::iter::once(&clocks.start).chain(clocks.end.as_ref().map(|(_, end)| end));
    let Point {
        face,
        polarisation,
        repeat,
        ..
    } = pass.pass.point(1.0);
    MergedPass {
        recording: fitting.recording.id,
        face,
        polarisation,
        repeat,
        ahead_s: clocks.start.ahead_s,
        ahead_u_s: clocks.start.u_s,
        drift_ppm: clocks.drift().map(|(drift, _)| drift * 1e6),
        drift_u_ppm: clocks.drift().map(|(_, u)| u * 1e6),
        correlations: aligned.clone().map(|one| one.correlation).collect(),
        chance: aligned.map(|one| one.chance).fold(0.0, f64::max),
        misaligned_s,
        guard_s: guard_ms.unwrap_or(0) as f64 / 1e3,
        readings,
    }
}
