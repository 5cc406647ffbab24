//! One run as a document: what `--json` prints, what the table and the picture are drawn from.

use std::collections::BTreeMap;

use serde::Serialize;
use utoipa::ToSchema;

use super::chart::{Chart, Kind, Mark, Series};
use crate::analysis::average::Average;
use crate::analysis::budget::Budget;
use crate::analysis::flag::{Flag, FlagWord};
use crate::analysis::forecast::{factor_of_gain_db_per_m, field_dbuv_per_m};
use crate::config::{AntennaFigure, Arrangement, Bracket, Combine, Plan, Station};
use crate::evaluate::{
    EvaluateError, ReferenceChange, UNSTABLE_DB, averages, compression, is_unstable, kept,
    measured_hz, why_unverified,
};
use crate::quantity::{Frequency, one_decimal};
use crate::store::{
    Instruments, PassRecord, ReadingKind, ReadingRecord, ResultKind, ResultRecord, RunKind,
    RunRecord, RunRow, RunState, SealStatement, Store, StoreError, Verdict,
};

/// What stands where the station would, of a run whose readings were taken by hand.
const IMPORTED: &str = "imported";

/// A run with all its points.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RunDocument {
    /// Its id.
    pub run: String,
    /// `reference` or `item`.
    pub kind: RunKind,
    /// The item's serial.
    pub item: Option<String>,
    /// Its model as it was.
    pub model: Option<String>,
    /// Its lot as it was.
    pub lot: Option<String>,
    /// The plan's name.
    pub plan: String,
    /// The station's name.
    pub station: String,
    /// The run it was subtracted from.
    pub reference_run: Option<String>,
    /// Who measured.
    pub operator: Option<String>,
    /// The instruments it was measured with, as they name themselves; none of runs from before they were kept.
    pub instruments: Option<Instruments>,
    /// Whether the receiver's settings were read back at every reading; none where there are no readings, or none that
    /// tells.
    pub settings_read_back: Option<bool>,
    /// Why the carrier was not read back, where it was not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub carrier_unverified: Option<String>,
    /// What the receiver made of the settings it was sent, each once: what it had, and what was asked for.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub settings_adjusted: Vec<String>,
    /// When it began.
    pub started: String,
    /// When it became complete.
    pub finished: Option<String>,
    /// `running`, `stopped`, `complete` or `failed`.
    pub state: String,
    /// Why it stopped or failed.
    pub reason: Option<String>,
    /// The verdict over its points.
    pub verdict: Option<Verdict>,
    /// Whether its readings were taken by hand and read in from a file.
    pub imported: bool,
    /// Why somebody said that it is not to be counted; none where it counts.
    pub withdrawn_why: Option<String>,
    /// Whether it still is what was sealed when it became complete; none while it is not complete.
    pub seal: Option<SealStatement>,
    /// How far its reference had changed when it was looked at again; none where it was not.
    pub reference_check: Option<ReferenceCheck>,
    /// The recordings that its readings came with.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub merges: Vec<MergeDocument>,
    /// What is to be known before its numbers are used, as sentences.
    pub notes: Vec<String>,
    /// Its points, in the order of frequency, face, polarisation, repeat.
    pub points: Vec<PointDocument>,
    /// The means that decide instead of the points, where the plan asks for them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub averages: Vec<AverageDocument>,
    /// The limit line of the plan, Hz and dB.
    #[serde(skip)]
    pub limit: Vec<(f64, f64)>,
}

/// A look at the reference after the run.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReferenceCheck {
    /// Its run.
    pub run: String,
    /// Points that were read again.
    pub points: usize,
    /// The largest change of them, dB.
    pub largest_change_db: Option<f64>,
}

/// A recording that was merged into a run.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct MergeDocument {
    /// The side of the item that looked at the antenna; `open` in a reference.
    pub face: String,
    /// `horizontal` or `vertical`.
    pub polarisation: String,
    /// Which closure, from 1.
    pub repeat: u32,
    /// The recording.
    pub recording: String,
    /// The name of the recorder's file; none of merges from before it was kept.
    pub file: Option<String>,
    /// SHA-256 of that file.
    pub sha256: Option<String>,
    /// By how much the recorder's clock was ahead of the source's at the first marker, s.
    pub clock_ahead_s: Option<f64>,
    /// Within that much, s.
    pub clock_ahead_u_s: Option<f64>,
    /// How much faster it went, parts in a million; none without a second marker.
    pub clock_drift_ppm: Option<f64>,
    /// Within that much.
    pub clock_drift_u_ppm: Option<f64>,
}

impl MergeDocument {
    fn of(pass: &PassRecord) -> Option<Self> {
        let how = pass.merged.as_ref()?;
        let text = |key: &str| how[key].as_str().map(str::to_owned);
        let clock = |key: &str| how["pass"][key].as_f64();
        Some(Self {
            face: pass.pass.face.clone(),
            polarisation: pass.pass.polarisation.clone(),
            repeat: pass.pass.repeat,
            recording: pass.recording?.to_string(),
            file: text("file"),
            sha256: text("sha256"),
            clock_ahead_s: clock("ahead_s"),
            clock_ahead_u_s: clock("ahead_u_s"),
            clock_drift_ppm: clock("drift_ppm"),
            clock_drift_u_ppm: clock("drift_u_ppm"),
        })
    }

    /// Of what it is the recording.
    pub fn place(&self) -> String {
        format!(
            "{}, {}, repeat {}",
            self.face, self.polarisation, self.repeat
        )
    }

    /// Which file, which recording in it, and how its clock went.
    pub fn sentence(&self) -> String {
        let with_u = |value: Option<f64>, u: Option<f64>, decimals: usize| {
            let text = |value: Option<f64>| match value {
                Some(value) => format!("{value:.decimals$}"),
                None => "?".to_owned(),
            };
            format!("{} ± {}", text(value), text(u))
        };
        let drift = match self.clock_drift_ppm {
            Some(_) => {
                let ppm = with_u(self.clock_drift_ppm, self.clock_drift_u_ppm, 0);
                format!("drift {ppm} ppm")
            }
            None => "drift not known".to_owned(),
        };
        format!(
            "{} (SHA-256 {}), recording {}, clock ahead by {} s, {drift}",
            self.file.as_deref().unwrap_or("a file not known"),
            self.sha256.as_deref().unwrap_or("not known"),
            self.recording,
            with_u(self.clock_ahead_s, self.clock_ahead_u_s, 3),
        )
    }
}

/// The mean over the faces, polarisations and repeats of one frequency.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AverageDocument {
    /// Test frequency, Hz.
    pub frequency_hz: f64,
    /// The mean of the power that comes through, and how it stands to the limit.
    #[serde(flatten)]
    pub average: Average,
}

impl AverageDocument {
    /// The mean as a person reads it; a bound is never rounded up.
    pub fn se_text(&self) -> String {
        PointDocument::se_words(self.average.kind, self.average.se_db)
    }

    /// Its margin, likewise.
    pub fn margin_text(&self) -> String {
        margin_words(self.average.kind, self.average.judgement.margin_db)
    }
}

/// One point of a run.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PointDocument {
    /// Test frequency, Hz.
    pub frequency_hz: f64,
    /// Where it was measured, Hz: the test frequency, unless another signal stood there.
    pub measured_hz: f64,
    /// The side of the item that looked at the antenna; `open` in a reference.
    pub face: String,
    /// `horizontal` or `vertical`.
    pub polarisation: String,
    /// Which closing, from 1.
    pub repeat: u32,
    /// The reference as shown, dBm.
    pub reference_dbm: Option<f64>,
    /// The reading with the item as shown, dBm.
    pub level_dbm: Option<f64>,
    /// The floor as shown, dBm.
    pub floor_dbm: Option<f64>,
    /// The field at the receive antenna that the level (of a reference, the reference) stands for, dBµV/m; none
    /// where nobody gave its antenna factor or gain.
    pub field_dbuv_per_m: Option<f64>,
    /// SE, or its lower bound, dB.
    pub se_db: Option<f64>,
    /// `measured`, `at_least` or `none`.
    pub kind: ResultKind,
    /// Expanded uncertainty of a measured SE, dB.
    pub u_db: Option<f64>,
    /// Its coverage factor.
    pub k: Option<f64>,
    /// By how much taking the noise off raised the SE over reference minus level, dB.
    pub noise_correction_db: Option<f64>,
    /// The largest SE that would have been seen, dB.
    pub dynamic_range_db: Option<f64>,
    /// Required SE, dB.
    pub limit_db: Option<f64>,
    /// SE minus limit, dB.
    pub margin_db: Option<f64>,
    /// Probability that the limit is met.
    pub conformity: Option<f64>,
    /// The judgement at this point.
    pub verdict: Option<Verdict>,
    /// What is to be known about it, as words.
    pub flags: Vec<String>,
    /// The figure of each flag that has one, in the unit the README gives.
    pub flag_figures: BTreeMap<FlagWord, f64>,
    /// The uncertainty budget; of a bound, all but the item's noise.
    #[serde(skip)]
    pub budget: Option<Budget>,
    /// The true SE where a simulated bench gives it away.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub true_se_db: Option<f64>,
}

impl PointDocument {
    /// The SE as a person reads it: `52.0`, `≥ 64.0` or `–`. A bound is never rounded up.
    pub fn se_text(&self) -> String {
        Self::se_words(self.kind, self.se_db)
    }

    /// The margin as a person reads it; of a bound never rounded up.
    pub fn margin_text(&self) -> String {
        margin_words(self.kind, self.margin_db)
    }

    /// The flags with their figures.
    pub fn flags_text(&self) -> String {
        let text = |word: &String| match word.parse::<FlagWord>() {
            Ok(flag) => flag.with_figure(self.flag_figures.get(&flag).copied()),
            Err(_) => word.clone(),
        };
        self.flags.iter().map(text).collect::<Vec<_>>().join(", ")
    }

    /// A value, or a lower bound of one, as a person reads it.
    pub fn value_or_bound(db: f64, bounded: bool) -> String {
        let kind = if bounded {
            ResultKind::AtLeast
        } else {
            ResultKind::Measured
        };
        Self::se_words(kind, Some(db))
    }

    /// [`Self::se_text`] of a kind and a value.
    pub fn se_words(kind: ResultKind, se_db: Option<f64>) -> String {
        match (kind, se_db) {
            (ResultKind::Measured, Some(se_db)) => one_decimal(se_db),
            (ResultKind::AtLeast, Some(se_db)) => format!("≥ {:.1}", round_down(se_db)),
            _ => "–".to_owned(),
        }
    }
}

fn margin_words(kind: ResultKind, margin_db: Option<f64>) -> String {
    match (kind, margin_db) {
        (ResultKind::AtLeast, Some(margin_db)) => format!("{:+.1}", round_down(margin_db)),
        (_, Some(margin_db)) => format!("{margin_db:+.1}"),
        (_, None) => "–".to_owned(),
    }
}

/// To one decimal, downwards, but for what is only the rounding of the machine.
pub(super) fn round_down(db: f64) -> f64 {
    (db * 10.0 + 1e-6).floor() / 10.0
}

impl RunDocument {
    /// From the store alone.
    pub async fn read(store: &Store, run: &RunRecord) -> Result<Self, EvaluateError> {
        let made_with = MadeWith::of(store, run).await?;
        let results = store.results(run.id).await?;
        let readings = store.readings(run.id).await?;
        let mut points = match run.kind {
            RunKind::Item => results.iter().map(PointDocument::from).collect(),
            RunKind::Reference => reference_points(store, run).await?,
        };
        if let Some((_, station)) = &made_with.kept {
            for point in &mut points {
                point.field_dbuv_per_m = field(station, point);
            }
        }
        let reference_check = reference_check(store, run).await?;
        let passes = store.passes(run.id).await?;
        let merges = passes.iter().filter_map(MergeDocument::of).collect();
        let plan = made_with.kept.as_ref().map(|(plan, _)| plan);
        let seal = store.seal(run.id).await?;
        let mut notes = notes(run, plan, reference_check.as_ref(), &points);
        notes.splice(0..0, seal.iter().flat_map(broken_seal));
        points.sort_by(|a: &PointDocument, b: &PointDocument| {
            (a.frequency_hz.to_bits(), &a.face, &a.polarisation, a.repeat).cmp(&(
                b.frequency_hz.to_bits(),
                &b.face,
                &b.polarisation,
                b.repeat,
            ))
        });
        Ok(Self {
            run: run.id.to_string(),
            kind: run.kind,
            item: run.item.clone(),
            model: run.model.clone(),
            lot: run.lot.clone(),
            limit: made_with.limit(&results),
            averages: made_with.averages(&results),
            plan: made_with.plan,
            station: made_with.station,
            reference_run: run.reference_run.map(|id| id.to_string()),
            operator: run.operator.clone(),
            instruments: run.instruments.clone(),
            carrier_unverified: why_unverified(&readings),
            settings_read_back: read_back(&readings),
            settings_adjusted: adjusted(&readings),
            started: run.started.to_string(),
            finished: run.finished.map(|time| time.to_string()),
            state: run.state.to_string(),
            reason: run.reason.clone(),
            verdict: run.verdict,
            imported: run.imported,
            withdrawn_why: run.withdrawn_why.clone(),
            seal,
            reference_check,
            merges,
            notes,
            points,
        })
    }

    /// The point with the least margin, or with the least SE where there is no limit.
    pub fn worst(&self) -> Option<&PointDocument> {
        let rank = |point: &PointDocument| point.margin_db.or(point.se_db);
        self.points
            .iter()
            .filter(|point| rank(point).is_some())
            .min_by(|a, b| {
                rank(a)
                    .partial_cmp(&rank(b))
                    .unwrap_or(std::cmp::Ordering::Equal)
            })
    }

    /// The mean with the least margin or SE, where means decide.
    fn worst_average(&self) -> Option<&AverageDocument> {
        let rank = |it: &AverageDocument| it.average.judgement.margin_db.or(it.average.se_db);
        self.averages
            .iter()
            .filter(|it| rank(it).is_some())
            .min_by(|a, b| {
                rank(a)
                    .partial_cmp(&rank(b))
                    .unwrap_or(std::cmp::Ordering::Equal)
            })
    }

    /// Where it is decided and by how much.
    fn decided_at(&self) -> Option<String> {
        if let Some(worst) = self.worst_average() {
            let at = Frequency::from_hz(worst.frequency_hz);
            let mean = format!("the mean of {} points at {at}", worst.average.parts);
            return Some(match worst.average.judgement.margin_db {
                Some(margin) => format!(
                    "least margin {margin:+.1} dB in {mean} (SE {} dB)",
                    worst.se_text()
                ),
                None => format!("least SE {} dB in {mean}", worst.se_text()),
            });
        }
        self.worst().map(place_of)
    }

    /// The verdict in one sentence, with where it is decided.
    pub fn sentence(&self) -> String {
        let mut said = said(self.verdict, self.state == "complete", self.decided_at());
        if self.is_altered() {
            said = format!("ALTERED since it was sealed, not to be relied on ({said})");
        }
        with_withdrawn(self.withdrawn_why.as_deref(), said)
    }

    /// Whether it is not what was sealed any more.
    pub fn is_altered(&self) -> bool {
        self.seal.as_ref().is_some_and(|seal| !seal.holds)
    }

    /// At each frequency the point that decides: the least SE or bound of all faces, polarisations and
    /// repeats.
    pub fn deciding(&self) -> Vec<&PointDocument> {
        let mut deciding: Vec<&PointDocument> = Vec::new();
        for point in self.points.iter().filter(|point| point.se_db.is_some()) {
            match deciding.last_mut() {
                Some(last) if last.frequency_hz == point.frequency_hz => {
                    if point.se_db < last.se_db {
                        *last = point;
                    }
                }
                _ => deciding.push(point),
            }
        }
        deciding
    }

    /// The picture of what decides over frequency, for a panel among others.
    pub fn deciding_chart(&self) -> Chart {
        let margin_db = match self.worst_average() {
            Some(average) => average.average.judgement.margin_db,
            None => self.worst().and_then(|worst| worst.margin_db),
        };
        let verdict = match (self.verdict, margin_db) {
            (Some(verdict), Some(margin)) => format!("{verdict}, least margin {margin:+.1} dB"),
            _ => self.sentence(),
        };
        Chart {
            series: vec![Series {
                label: "least of all faces and polarisations".to_owned(),
                points: self.deciding_marks(),
            }],
            verdict: Some(verdict),
            ..self.chart()
        }
    }

    /// The picture of SE over frequency.
    pub fn chart(&self) -> Chart {
        let mut series: Vec<Series> = Vec::new();
        for point in &self.points {
            let label = format!("{}, {}", point.face, point.polarisation);
            let mark = mark(point);
            match series.iter_mut().find(|series| series.label == label) {
                Some(series) => series.points.push(mark),
                None => series.push(Series {
                    label,
                    points: vec![mark],
                }),
            }
        }
        let parts = [
            self.model.clone(),
            Some(self.plan.clone()),
            Some(self.station.clone()),
        ];
        Chart {
            title: self.item.clone().unwrap_or_else(|| "reference".to_owned()),
            subtitle: parts.into_iter().flatten().collect::<Vec<_>>().join(" · "),
            verdict: Some(self.sentence()),
            limit: self.limit.clone(),
            series,
            visible: self.visible(),
            footer: format!("run {} · {}{}", self.run, self.started, self.moved_text()),
            ..Chart::default()
        }
    }

    /// Which frequencies were measured beside what the plan asks for, for the foot of a picture.
    fn moved_text(&self) -> String {
        const NAMED: usize = 4;
        let mut moved: Vec<String> = self
            .points
            .iter()
            .filter(|point| point.measured_hz != point.frequency_hz)
            .map(|point| {
                let [asked, measured] = [point.frequency_hz, point.measured_hz];
                format!(
                    "{} measured at {}",
                    Frequency::from_hz(asked),
                    Frequency::from_hz(measured)
                )
            })
            .collect();
        moved.dedup();
        let more = match moved.len().saturating_sub(NAMED) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        moved.truncate(NAMED);
        match moved.is_empty() {
            true => String::new(),
            false => format!(" · {}{more}", moved.join(", ")),
        }
    }

    /// The marks of what decides.
    pub(super) fn deciding_marks(&self) -> Vec<Mark> {
        self.deciding().into_iter().map(mark).collect()
    }

    /// Every point with its mark on a chart.
    pub(super) fn marks(&self) -> impl Iterator<Item = (&PointDocument, Mark)> {
        self.points.iter().map(|point| (point, mark(point)))
    }

    /// At each frequency the least dynamic range of all faces and polarisations.
    fn visible(&self) -> Vec<(f64, f64)> {
        let mut visible: Vec<(f64, f64)> = Vec::new();
        for point in &self.points {
            let Some(range) = point.dynamic_range_db else {
                continue;
            };
            match visible.last_mut() {
                Some((frequency, least)) if *frequency == point.frequency_hz => {
                    *least = least.min(range);
                }
                _ => visible.push((point.frequency_hz, range)),
            }
        }
        visible
    }
}

async fn reference_check(
    store: &Store,
    run: &RunRecord,
) -> Result<Option<ReferenceCheck>, StoreError> {
    let (Some(before), Some(after)) = (run.reference_run, run.reference_after) else {
        return Ok(None);
    };
    let change = ReferenceChange::between(store, before, after).await?;
    Ok(Some(ReferenceCheck {
        run: after.to_string(),
        points: change.points(),
        largest_change_db: change.largest_db(),
    }))
}

/// SE within so much of nothing is about 0 dB.
const ABOUT_NOTHING_DB: f64 = 3.0;
/// From so large a share of the measured points on it is asked whether the item was closed.
const MOST_POINTS: f64 = 0.8;

/// What is to be known of an item's run before its numbers are used.
fn notes(
    run: &RunRecord,
    plan: Option<&Plan>,
    check: Option<&ReferenceCheck>,
    points: &[PointDocument],
) -> Vec<String> {
    if run.kind != RunKind::Item || run.imported || run.state != RunState::Complete {
        return Vec::new();
    }
    let mut notes = vec![match check {
        Some(check) => looked_again(check),
        None => not_looked_again(plan),
    }];
    let measured: Vec<f64> = (points.iter())
        .filter(|point| point.kind == ResultKind::Measured)
        .filter_map(|point| point.se_db)
        .collect();
    let nothing = (measured.iter()).filter(|se_db| se_db.abs() < ABOUT_NOTHING_DB);
    let nothing = nothing.count();
    if nothing > 0 && nothing as f64 >= MOST_POINTS * points.len() as f64 {
        notes.push(format!(
            "SE is about 0 dB at {nothing} of {} points: is the item in place and closed, and is the receiver (or its \
             antenna) inside?",
            points.len()
        ));
    }
    let unstated = (points.iter())
        .filter(|point| point.kind == ResultKind::None && point.reference_dbm <= point.floor_dbm);
    let unstated = unstated.count();
    if unstated > 0 {
        notes.push(format!(
            "The floor is as high as the reference at {unstated} of {} points, so nothing is stated there: is the source \
             connected, and is another signal at the test frequency?",
            points.len()
        ));
    }
    notes
}

/// What differs from what was sealed, as sentences.
fn broken_seal(seal: &SealStatement) -> impl Iterator<Item = String> {
    seal.faults.iter().map(|fault| {
        format!(
            "Not to be relied on: {fault}. The file was altered or its disk has failed; keep a copy and restore a backup."
        )
    })
}

fn looked_again(check: &ReferenceCheck) -> String {
    let Some(largest_db) = check.largest_change_db else {
        return "The reference was looked at again after this run, but at no point that it has."
            .to_owned();
    };
    let outcome = match is_unstable(largest_db) {
        true => format!(
            ", by more than {UNSTABLE_DB} dB: there is no verdict; find the cause and measure the item again"
        ),
        false => String::new(),
    };
    format!(
        "The reference was looked at again after this run at {} point(s): it had changed by {} dB at most{outcome}.",
        check.points,
        one_decimal(largest_db.abs())
    )
}

fn not_looked_again(plan: Option<&Plan>) -> String {
    let why = match plan.map(|plan| (plan.bracket, plan.arrangement)) {
        Some((Bracket::None, Arrangement::Linked)) | None => {
            "the plan says `bracket = \"none\"`".to_owned()
        }
        Some((Bracket::None, arrangement)) => format!(
            "with `arrangement = \"{}\"` that is done only where the plan says so (`bracket`)",
            arrangement.word()
        ),
        Some(_) => "it was stopped before, or the item stayed in place".to_owned(),
    };
    format!(
        "The reference was not looked at again after this run ({why}), so its uncertainty rests on what the station file \
         says of drift."
    )
}

/// The verdict of a run in one sentence, with where it is decided.
fn said(verdict: Option<Verdict>, is_complete: bool, place: Option<String>) -> String {
    let verdict = match verdict {
        Some(Verdict::Pass) => "pass",
        Some(Verdict::Fail) => "fail",
        Some(Verdict::Undecided) => "undecided",
        None if !is_complete => "not complete",
        None => "not judged",
    };
    match place {
        Some(place) => format!("{verdict}: {place}"),
        None => verdict.to_owned(),
    }
}

fn place_of(point: &PointDocument) -> String {
    let at = Frequency::from_hz(point.frequency_hz);
    let where_ = format!("{at}, {}, {}", point.face, point.polarisation);
    match point.margin_db {
        Some(margin) => format!(
            "least margin {margin:+.1} dB at {where_} (SE {} dB)",
            point.se_text()
        ),
        None => format!("least SE {} dB at {where_}", point.se_text()),
    }
}

fn with_withdrawn(why: Option<&str>, said: String) -> String {
    match (why, said.is_empty()) {
        (None, _) => said,
        (Some(why), true) => format!("withdrawn ({why})"),
        (Some(why), false) => format!("withdrawn ({why}); {said}"),
    }
}

/// The sentence of each run of a list; a reference has no verdict. Runs are read whole only where means decide.
pub async fn sentences(store: &Store, rows: &[RunRow]) -> Result<Vec<String>, EvaluateError> {
    let mut by_means: BTreeMap<&str, bool> = BTreeMap::new();
    let mut sentences = Vec::with_capacity(rows.len());
    for row in rows {
        let run = &row.run;
        let why = run.withdrawn_why.as_deref();
        if run.kind == RunKind::Reference {
            sentences.push(with_withdrawn(why, String::new()));
            continue;
        }
        let means = match by_means.get(run.plan_sha.as_str()) {
            Some(means) => *means,
            None => {
                let means = means_decide(store, run).await?;
                by_means.insert(&run.plan_sha, means);
                means
            }
        };
        sentences.push(match means {
            true => RunDocument::read(store, run).await?.sentence(),
            false => {
                let worst = row.worst.as_ref().map(PointDocument::from);
                let place = worst.as_ref().map(place_of);
                with_withdrawn(
                    why,
                    said(run.verdict, run.state == RunState::Complete, place),
                )
            }
        });
    }
    Ok(sentences)
}

/// Whether the run's plan asks for means. One that this program cannot read hinders no list.
async fn means_decide(store: &Store, run: &RunRecord) -> Result<bool, EvaluateError> {
    match MadeWith::of(store, run).await {
        Ok(made_with) => Ok(made_with
            .kept
            .is_some_and(|(plan, _)| plan.combine == Combine::Average)),
        Err(EvaluateError::Kept { .. }) => Ok(false),
        Err(error) => Err(error),
    }
}

fn mark(point: &PointDocument) -> Mark {
    Mark {
        frequency_hz: point.frequency_hz,
        se_db: point.se_db.unwrap_or(f64::NAN),
        u_db: point.u_db,
        kind: match point.kind {
            ResultKind::Measured => Kind::Measured,
            ResultKind::AtLeast => Kind::AtLeast,
            ResultKind::None => Kind::None,
        },
    }
}

/// What a run was made with. An imported run has neither plan nor station, but the file it came from; its limits
/// stand with its points.
fn read_back(readings: &[ReadingRecord]) -> Option<bool> {
    let told = readings
        .iter()
        .filter_map(|reading| reading.settings["read_back"].as_bool());
    told.reduce(|all, one| all && one)
}

fn adjusted(readings: &[ReadingRecord]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for settings in readings.iter().map(|reading| &reading.settings) {
        for (key, asked) in settings["asked"].as_object().into_iter().flatten() {
            let text = format!("{key} {} (asked for {asked})", settings[key]);
            if !all.contains(&text) {
                all.push(text);
            }
        }
    }
    all
}

struct MadeWith {
    plan: String,
    station: String,
    kept: Option<(Plan, Station)>,
}

impl MadeWith {
    async fn of(store: &Store, run: &RunRecord) -> Result<Self, EvaluateError> {
        if run.imported {
            let file = store.snapshot(&run.plan_sha).await?;
            return Ok(Self {
                plan: file.map_or_else(String::new, |file| file.name),
                station: IMPORTED.to_owned(),
                kept: None,
            });
        }
        let (plan, station) = kept(store, run).await?;
        Ok(Self {
            plan: plan.name.clone(),
            station: station.name.clone(),
            kept: Some((plan, station)),
        })
    }

    /// The limit line, Hz and dB.
    fn limit(&self, results: &[ResultRecord]) -> Vec<(f64, f64)> {
        match &self.kept {
            Some((plan, _)) => limit(plan),
            None => {
                let limit_of =
                    |result: &ResultRecord| Some((result.point.frequency_hz, result.limit_db?));
                let mut limit: Vec<_> = results.iter().filter_map(limit_of).collect();
                limit.dedup();
                limit
            }
        }
    }

    fn averages(&self, results: &[ResultRecord]) -> Vec<AverageDocument> {
        match &self.kept {
            Some((plan, _)) if plan.combine == Combine::Average => averages(plan, results)
                .into_iter()
                .map(|(frequency_hz, average)| AverageDocument {
                    frequency_hz,
                    average,
                })
                .collect(),
            _ => Vec::new(),
        }
    }
}

fn limit(plan: &Plan) -> Vec<(f64, f64)> {
    plan.limit.iter().map(|(f, se)| (f.hz(), se.db())).collect()
}

impl From<&ResultRecord> for PointDocument {
    fn from(result: &ResultRecord) -> Self {
        let point = &result.point;
        Self {
            frequency_hz: point.frequency_hz,
            measured_hz: result.detail["measured_hz"]
                .as_f64()
                .unwrap_or(point.frequency_hz),
            face: point.face.clone(),
            polarisation: point.polarisation.clone(),
            repeat: point.repeat,
            reference_dbm: result.reference_dbm,
            level_dbm: result.level_dbm,
            floor_dbm: result.floor_dbm,
            field_dbuv_per_m: None,
            se_db: result.se_db,
            kind: result.kind,
            u_db: result.u_db,
            k: result.k,
            noise_correction_db: result.detail["noise_correction_db"].as_f64(),
            dynamic_range_db: result.detail["dynamic_range_db"].as_f64(),
            limit_db: result.limit_db,
            margin_db: result.margin_db,
            conformity: result.conformity,
            verdict: result.verdict,
            flags: result.flags.clone(),
            flag_figures: figures(&result.detail["flags"]),
            budget: serde_json::from_value(result.detail["budget"].clone()).ok(),
            true_se_db: None,
        }
    }
}

/// The figures of the flags kept with a result.
fn figures(flags: &serde_json::Value) -> BTreeMap<FlagWord, f64> {
    let flags: Vec<Flag> = serde_json::from_value(flags.clone()).unwrap_or_default();
    flags
        .into_iter()
        .filter_map(|flag| Some((flag.word, flag.figure?)))
        .collect()
}

/// The field behind a level, by what the station file says of the receive antenna.
fn field(station: &Station, point: &PointDocument) -> Option<f64> {
    let at = Frequency::from_hz(point.measured_hz);
    let antenna = &station.receive_antenna;
    let factor_db_per_m = match antenna.figure.as_ref()? {
        AntennaFigure::Factor(table) => table.at_db(at)?,
        AntennaFigure::Gain(gain) => factor_of_gain_db_per_m(gain.at(at)?.db(), at.hz()),
    };
    let loss_db = match &antenna.cable_loss {
        Some(loss) => loss.at(at)?.db(),
        None => 0.0,
    };
    let level_dbm = point.level_dbm.or(point.reference_dbm)?;
    Some(field_dbuv_per_m(level_dbm, factor_db_per_m, loss_db))
}

/// What a reference shows of itself: where it was moved, and what compresses.
fn seen_in_reference<'a>(
    signal: &'a ReadingRecord,
    of: impl Fn(ReadingKind) -> Option<&'a ReadingRecord>,
) -> Vec<Flag> {
    let mut seen = Vec::new();
    let moved_hz = measured_hz(signal) - signal.key.point.frequency_hz;
    if moved_hz != 0.0 {
        seen.push(Flag::new(FlagWord::Moved, moved_hz / 1e3));
    }
    if let (Some(floor), Some(step)) = (of(ReadingKind::Floor), of(ReadingKind::Step)) {
        seen.extend(compression(signal, floor, step, of(ReadingKind::Pad)));
    }
    seen
}

/// A reference states no SE: its points are the levels and floors it read.
async fn reference_points(
    store: &Store,
    run: &RunRecord,
) -> Result<Vec<PointDocument>, StoreError> {
    let readings = store.readings(run.id).await?;
    let of = |kind, signal: &ReadingRecord| {
        readings
            .iter()
            .find(|r| r.key.kind == kind && r.key.point == signal.key.point)
    };
    Ok(readings
        .iter()
        .filter(|reading| reading.key.kind == ReadingKind::Signal)
        .map(|signal| {
            let floor_dbm = of(ReadingKind::Floor, signal).map(|floor| floor.peak_dbm);
            let seen = seen_in_reference(signal, |kind| of(kind, signal));
            PointDocument {
                frequency_hz: signal.key.point.frequency_hz,
                measured_hz: measured_hz(signal),
                face: signal.key.point.face.clone(),
                polarisation: signal.key.point.polarisation.clone(),
                repeat: signal.key.point.repeat,
                reference_dbm: Some(signal.peak_dbm),
                level_dbm: None,
                floor_dbm,
                field_dbuv_per_m: None,
                se_db: None,
                kind: ResultKind::None,
                u_db: None,
                k: None,
                noise_correction_db: None,
                dynamic_range_db: floor_dbm.map(|floor| signal.peak_dbm - floor),
                limit_db: None,
                margin_db: None,
                conformity: None,
                verdict: None,
                flags: signal
                    .flags
                    .iter()
                    .cloned()
                    .chain(seen.iter().map(|flag| flag.word.to_string()))
                    .collect(),
                flag_figures: seen
                    .iter()
                    .filter_map(|flag| Some((flag.word, flag.figure?)))
                    .collect(),
                budget: None,
                true_se_db: None,
            }
        })
        .collect())
}
