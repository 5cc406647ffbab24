//! A lot judged from what was measured of it, and what a scanned serial means to it.
//!
//! The sample is the first so many units measured, so that nobody can choose. A unit counts by its latest
//! complete run or by its worst, as the lot's rule says; every run of it is listed. Only runs that were measured as
//! the lot's plan asks count, so that all units answer one question. By attributes a lot may be
//! decided before its sample is complete (nothing that the open units come to could change it); by variables
//! not, because the tolerance factor holds for the number of units that was fixed beforehand.

mod scope;
mod variables;

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use serde::Serialize;

pub use self::scope::LotPlan;
use self::scope::{Held, Scope, held};
use super::EvaluateError;
use super::unit::Measured;
use crate::analysis::AnalysisError;
use crate::analysis::lot::{AttributePlan, AttributeResult, OcPoint, SampleCount, smallest_sample};
use crate::analysis::tolerance::{VariablesResult, one_sided_factor};
use crate::config::{LotEntry, Plan};
use crate::quantity::{Ratio, is_unprintable};
use crate::store::{
    Lot, LotRule, Remeasured, ResultKind, ResultRecord, RunFilter, RunId, RunKind, RunRecord,
    RunState, SnapshotKind, Store, Verdict,
};

/// Unless another confidence is given.
const CONFIDENCE: f64 = 0.95;
/// Points of an operating characteristic.
const CURVE_POINTS: u32 = 101;

/// A lot, what was measured of it, and what it comes to.
#[derive(Debug, Clone, Serialize)]
pub struct LotDocument {
    /// The lot with its rule.
    #[serde(flatten)]
    pub lot: Lot,
    /// What its units are held to; none without a rule or before the first unit.
    pub plan: Option<LotPlan>,
    /// Its units in the order in which they were first measured.
    pub units: Vec<LotUnit>,
    /// By attributes, where the lot is judged so and a unit was measured.
    pub attributes: Option<AttributeResult>,
    /// By variables at each frequency, where the lot is judged so and every unit has a value there.
    pub variables: Vec<VariablesAt>,
    /// What the frequencies come to; undecided until the sample is complete.
    pub variables_verdict: Option<Verdict>,
    /// The worst of both; none without a rule or a unit.
    pub verdict: Option<Verdict>,
    /// Why, in plain sentences.
    pub reasons: Vec<String>,
}

/// A unit of a lot.
#[derive(Debug, Clone, Serialize)]
pub struct LotUnit {
    /// Its serial.
    pub serial: String,
    /// Whether it belongs to the sample, or was measured beyond it.
    pub in_sample: bool,
    /// Its verdict, by the run that counts.
    pub verdict: Option<Verdict>,
    /// Its least margin to the limit, or what the margin is at least, dB.
    pub margin_db: Option<f64>,
    /// Whether that is a margin or a bound of one.
    pub kind: ResultKind,
    /// Where, Hz.
    pub frequency_hz: Option<f64>,
    /// Its complete runs, in order.
    pub runs: Vec<UnitRun>,
}

/// One measuring of a unit.
#[derive(Debug, Clone, Serialize)]
pub struct UnitRun {
    /// The run.
    pub run: RunId,
    /// When it began.
    pub started: Timestamp,
    /// What it came to.
    pub verdict: Option<Verdict>,
    /// Whether it is the one that counts.
    pub counts: bool,
    /// Why it cannot count: what of the lot's plan it lacks.
    pub differs: Option<String>,
}

/// A lot by variables at one frequency.
#[derive(Debug, Clone, Serialize)]
pub struct VariablesAt {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// What it comes to there.
    #[serde(flatten)]
    pub result: VariablesResult,
}

/// What a scanned serial means to a lot.
#[derive(Debug, Clone, PartialEq)]
pub enum Admission {
    /// The next unit of the sample.
    New,
    /// It has a complete run already; measuring it again is to be asked for.
    Measured(Option<Verdict>),
    /// Its run was stopped or failed and can be gone on with.
    Begun(RunId),
    /// It cannot be measured for this lot, and why.
    Refused(String),
}

/// Makes a lot of its description: fills in what was left out, refuses what does not go together.
pub fn described(entry: &LotEntry, now: Timestamp) -> Result<Lot, EvaluateError> {
    let refuse = |reason: &dyn ToString| {
        EvaluateError::not_answerable(format!("lot {}", entry.name), reason.to_string())
    };
    let size = entry.size.map(u64::from);
    let confidence = entry.confidence.unwrap_or(CONFIDENCE);
    let accept = entry.accept.map(u64::from);
    if accept.is_none() && entry.content.is_none() {
        return Err(refuse(
            &"say how it is judged: `accept` (so many of the sample may fail), `content` (this share must meet the limit), or both",
        ));
    }
    let sample = match (entry.sample, entry.content) {
        (Some(sample), _) => u64::from(sample),
        (None, Some(content)) => smallest_sample(content, confidence, accept.unwrap_or(0), size)
            .map_err(|cause| refuse(&cause))?,
        (None, None) => {
            return Err(refuse(
                &"say how many units are measured (`sample`), or `content` for the smallest number that shows it",
            ));
        }
    };
    // The acceptance number plays no part by variables; the size does.
    AttributePlan::new(sample, accept.unwrap_or(0), size).map_err(|cause| refuse(&cause))?;
    if let Some(content) = entry.content {
        // As many values as a factor needs, and shares that are some.
        let units = usize::try_from(sample).unwrap_or(usize::MAX);
        one_sided_factor(units, content, confidence).map_err(|cause| refuse(&cause))?;
    }
    let counts = match &entry.counts {
        None => Remeasured::Latest,
        Some(word) => word
            .parse()
            .map_err(|_| refuse(&format!("`counts` is `{word}`; write `latest` or `worst`")))?,
    };
    let some = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    Ok(Lot {
        name: entry.name.clone(),
        model: some(&entry.model),
        note: some(&entry.note),
        first_seen: now,
        rule: Some(LotRule {
            size,
            sample,
            accept,
            content: entry.content,
            confidence,
            guard_db: entry.guard.map(Ratio::db),
            counts,
            plan_sha: None,
            made: now,
        }),
    })
}

/// Holds the units of a lot to a plan, which is kept with it.
pub async fn bind(
    store: &Store,
    lot: &mut Lot,
    name: &str,
    plan: &Plan,
) -> Result<(), EvaluateError> {
    if plan.limit.is_empty() {
        return Err(EvaluateError::not_answerable(
            format!("lot {}", lot.name),
            format!("{name} has no [limit], and a lot is judged against one"),
        ));
    }
    if let Some(rule) = &mut lot.rule {
        let kept = store.put_snapshot(SnapshotKind::Plan, name, &plan.text);
        rule.plan_sha = Some(kept.await?);
    }
    Ok(())
}

/// Whether what this plan measures counts for the lot, before anything is measured by it.
pub async fn check_plan(store: &Store, lot: &Lot, plan: &Plan) -> Result<(), EvaluateError> {
    rule(lot)?;
    let Some(known) = held(store, lot, complete(store, lot).await?).await?.plan else {
        return Ok(());
    };
    let lacks = Scope::of_plan(plan).lacks(&known.scope);
    if lacks.is_empty() {
        return Ok(());
    }
    Err(EvaluateError::not_answerable(
        format!("lot {}", lot.name),
        format!(
            "{}. The plan given {}; units measured by it would not count. Give the lot's plan, or put in another lot",
            known.in_words(),
            lacks.join("; it ")
        ),
    ))
}

/// The lot of that name, which must be known.
pub async fn known(store: &Store, name: &str) -> Result<Lot, EvaluateError> {
    store.lot(name).await?.ok_or_else(|| {
        EvaluateError::not_answerable(
            format!("lot {name}"),
            "there is none of that name; `muffle lot new` makes one, `muffle lot list` lists them",
        )
    })
}

/// The rule of a lot, which must have one.
pub fn rule(lot: &Lot) -> Result<&LotRule, EvaluateError> {
    lot.rule.as_ref().ok_or_else(|| {
        EvaluateError::not_answerable(
            format!("lot {}", lot.name),
            "it has no sampling plan yet; give it one with `muffle lot new`",
        )
    })
}

/// The sampling plan by attributes, where the rule has one.
pub fn attribute_plan(rule: &LotRule) -> Option<Result<AttributePlan, AnalysisError>> {
    rule.accept
        .map(|accept| AttributePlan::new(rule.sample, accept, rule.size))
}

/// The operating characteristic of a plan: how likely a lot is accepted, by how bad it is.
pub fn curve(plan: &AttributePlan) -> Vec<OcPoint> {
    plan.curve(CURVE_POINTS)
}

/// Judges a lot by everything that was measured of it so far.
pub async fn judge(store: &Store, name: &str) -> Result<LotDocument, EvaluateError> {
    let lot = known(store, name).await?;
    let held = held(store, &lot, complete(store, &lot).await?).await?;
    let not_counting = not_counting(&held);
    let Units {
        mut counting,
        others,
    } = units(store, &lot, held.runs).await?;
    let mut document = LotDocument {
        plan: held.plan,
        units: Vec::new(),
        attributes: None,
        variables: Vec::new(),
        variables_verdict: None,
        verdict: None,
        reasons: Vec::new(),
        lot,
    };
    if let Some(rule) = document.lot.rule.clone() {
        for (index, unit) in counting.iter_mut().enumerate() {
            unit.0.in_sample = (index as u64) < rule.sample;
        }
        let sample: Vec<_> = counting
            .iter()
            .take_while(|unit| unit.0.in_sample)
            .map(|(unit, measured)| (unit, measured))
            .collect();
        if !sample.is_empty() {
            by_rule(&mut document, &rule, &sample)?;
        }
        document.reasons.extend(remarks(&counting, &rule));
    }
    document
        .reasons
        .extend(document.plan.as_ref().map(LotPlan::in_words));
    document.reasons.extend(not_counting);
    document
        .reasons
        .extend(withdrawn(store, &document.lot).await?);
    document.units = counting.into_iter().map(|(unit, _)| unit).collect();
    document.units.extend(others);
    Ok(document)
}

/// The complete runs of a lot that were not withdrawn, oldest first.
async fn complete(store: &Store, lot: &Lot) -> Result<Vec<RunRecord>, EvaluateError> {
    let filter = RunFilter {
        lot: Some(lot.name.clone()),
        kind: Some(RunKind::Item),
        state: Some(RunState::Complete),
        ..RunFilter::default()
    };
    let mut runs = store.runs(&filter).await?;
    runs.reverse();
    Ok(runs)
}

/// Units that were measured otherwise than the lot's plan asks are left out, and that is said, lest a lot is
/// accepted by units that were asked less.
fn not_counting(held: &Held) -> Vec<String> {
    let left_out = held.runs.iter().filter_map(|(run, why)| {
        Some(format!(
            "run {} of {} does not count: {}",
            run.id,
            run.item.as_ref()?,
            why.as_ref()?
        ))
    });
    left_out.collect()
}

/// Complete runs that were withdrawn do not count; that there are some is said, and why, lest a bad one goes
/// unseen.
async fn withdrawn(store: &Store, lot: &Lot) -> Result<Vec<String>, EvaluateError> {
    let filter = RunFilter {
        lot: Some(lot.name.clone()),
        kind: Some(RunKind::Item),
        state: Some(RunState::Complete),
        withdrawn: true,
        ..RunFilter::default()
    };
    let runs = store.runs(&filter).await?;
    let remarks = runs.into_iter().filter_map(|run| {
        Some(format!(
            "run {} of {} does not count: it was withdrawn ({})",
            run.id, run.item?, run.withdrawn_why?
        ))
    });
    Ok(remarks.collect())
}

fn by_rule(
    document: &mut LotDocument,
    rule: &LotRule,
    sample: &[(&LotUnit, &Measured)],
) -> Result<(), EvaluateError> {
    let refuse = |reason: String| EvaluateError::not_answerable(&document.lot.name, reason);
    let mut verdicts = Vec::new();
    if let Some(plan) = attribute_plan(rule) {
        let count = SampleCount::of(sample.iter().filter_map(|(unit, _)| unit.verdict));
        let judged = plan.and_then(|plan| plan.judge(count, rule.confidence));
        let judged = judged.map_err(|cause| refuse(cause.to_string()))?;
        verdicts.push(judged.verdict);
        let reasons = judged.reasons.iter();
        document
            .reasons
            .extend(reasons.map(|reason| format!("by attributes: {reason}")));
        document.attributes = Some(judged);
    }
    if let (Some(content), Some(plan)) = (rule.content, &document.plan) {
        let open = rule.sample - sample.len() as u64;
        let (variables, reasons, verdict) =
            variables::by_variables(rule, content, &plan.scope, sample)?;
        let verdict = if open > 0 {
            Verdict::Undecided
        } else {
            verdict
        };
        verdicts.push(verdict);
        if open > 0 {
            document.reasons.push(format!(
                "by variables: undecided: {open} units are not measured yet, and the tolerance factor holds for the {} that were fixed beforehand",
                rule.sample
            ));
        } else {
            document.reasons.extend(reasons);
        }
        document.variables = variables;
        document.variables_verdict = Some(verdict);
    }
    document.verdict = verdicts.into_iter().max();
    Ok(())
}

/// The units of a lot with their runs.
struct Units {
    /// Those that count, in the order of their first run that does, with the results of the deciding one.
    counting: Vec<(LotUnit, Measured)>,
    /// Those without a run that counts.
    others: Vec<LotUnit>,
}

/// The runs of a lot gathered by unit, and of each the one that counts with its results.
async fn units(
    store: &Store,
    lot: &Lot,
    runs: Vec<(RunRecord, Option<String>)>,
) -> Result<Units, EvaluateError> {
    let mut order: Vec<String> = Vec::new();
    let mut by_unit: BTreeMap<String, Vec<_>> = BTreeMap::new();
    for run in runs {
        let Some(serial) = run.0.item.clone() else {
            continue;
        };
        if run.1.is_none() && !order.contains(&serial) {
            order.push(serial.clone());
        }
        by_unit.entry(serial).or_default().push(run);
    }
    let counts = lot
        .rule
        .as_ref()
        .map_or(Remeasured::Latest, |rule| rule.counts);
    let mut counting = Vec::with_capacity(order.len());
    for serial in order {
        let runs = by_unit.remove(&serial).unwrap_or_default();
        let mut able = runs.iter().filter(|(_, why)| why.is_none());
        let deciding = match counts {
            Remeasured::Latest => able.next_back(),
            // Of equally bad ones the latest.
            Remeasured::Worst => able.max_by_key(|(run, _)| run.verdict),
        };
        let Some((deciding, _)) = deciding.cloned() else {
            continue;
        };
        let measured = Measured::read(store, deciding, &BTreeMap::new()).await?;
        counting.push((unit(&runs, &measured), measured));
    }
    let others = by_unit.into_iter().map(|(serial, runs)| LotUnit {
        serial,
        in_sample: false,
        verdict: None,
        margin_db: None,
        kind: ResultKind::None,
        frequency_hz: None,
        runs: unit_runs(&runs, None),
    });
    Ok(Units {
        others: others.collect(),
        counting,
    })
}

fn unit_runs(runs: &[(RunRecord, Option<String>)], counts: Option<RunId>) -> Vec<UnitRun> {
    let one = |(run, why): &(RunRecord, Option<String>)| UnitRun {
        run: run.id,
        started: run.started,
        verdict: run.verdict,
        counts: Some(run.id) == counts,
        differs: why.clone(),
    };
    runs.iter().map(one).collect()
}

fn unit(runs: &[(RunRecord, Option<String>)], measured: &Measured) -> LotUnit {
    let margin = |result: &&ResultRecord| result.margin_db.is_some();
    let worst = measured.results.iter().filter(margin).min_by(|a, b| {
        let margin = |result: &ResultRecord| result.margin_db.unwrap_or(f64::INFINITY);
        margin(a).total_cmp(&margin(b))
    });
    LotUnit {
        serial: measured.serial.clone(),
        in_sample: false,
        verdict: measured.run.verdict,
        margin_db: worst.and_then(|result| result.margin_db),
        kind: worst.map_or(ResultKind::None, |result| result.kind),
        frequency_hz: worst.map(|result| result.point.frequency_hz),
        runs: unit_runs(runs, Some(measured.run.id)),
    }
}

fn units_were(count: usize) -> String {
    match count {
        1 => "1 unit was ".to_owned(),
        many => format!("{many} units were "),
    }
}

/// What else is to be known of the sample.
fn remarks(units: &[(LotUnit, Measured)], rule: &LotRule) -> Vec<String> {
    let mut remarks = Vec::new();
    let able = |unit: &LotUnit| unit.runs.iter().filter(|run| run.differs.is_none()).count();
    let again = units.iter().filter(|(unit, _)| able(unit) > 1).count();
    if again > 0 {
        remarks.push(format!(
            "{}measured more than once: the {} result counts, and all are listed",
            units_were(again),
            rule.counts
        ));
    }
    let beyond = units.iter().filter(|(unit, _)| !unit.in_sample).count();
    if beyond > 0 {
        remarks.push(format!(
            "{}measured beyond the sample: the first {} decide",
            units_were(beyond),
            rule.sample
        ));
    }
    let first = units
        .iter()
        .flat_map(|(unit, _)| unit.runs.first())
        .map(|run| run.started)
        .min();
    if first.is_some_and(|first| first < rule.made) {
        remarks.push(
            "the plan was made after the first unit was measured: what it says holds only if the results did not lead to it"
                .to_owned(),
        );
    }
    remarks
}

/// What a scanned serial means to a lot, before anything is done about it.
pub async fn admit(store: &Store, lot: &Lot, serial: &str) -> Result<Admission, EvaluateError> {
    let rule = rule(lot)?;
    let refused = |reason: String| Ok(Admission::Refused(reason));
    let characters = serial.chars().count();
    if characters == 0
        || characters > crate::store::NAME_CHARS_MAX
        || serial.chars().any(is_unprintable)
    {
        return refused("is no serial".to_owned());
    }
    if let Some(item) = store.item(serial).await? {
        if let Some(other) = item.lot.filter(|other| *other != lot.name) {
            return refused(format!("belongs to lot {other}, not to {}", lot.name));
        }
        if let (Some(other), Some(model)) = (&item.model, &lot.model)
            && other != model
        {
            return refused(format!("is a {other}, and the lot is of {model}"));
        }
    }
    let filter = RunFilter {
        lot: Some(lot.name.clone()),
        kind: Some(RunKind::Item),
        ..RunFilter::default()
    };
    let runs = store.runs(&filter).await?;
    let mine = || {
        runs.iter()
            .filter(|run| run.item.as_deref() == Some(serial))
    };
    if let Some(begun) = mine()
        .next()
        .filter(|run| matches!(run.state, RunState::Stopped | RunState::Failed))
    {
        return Ok(Admission::Begun(begun.id));
    }
    let held = held(store, lot, complete(store, lot).await?).await?;
    let counting = || held.runs.iter().filter(|(_, why)| why.is_none());
    let of_it = |(run, _): &&(RunRecord, Option<String>)| run.item.as_deref() == Some(serial);
    if let Some((done, _)) = counting().rfind(of_it) {
        return Ok(Admission::Measured(done.verdict));
    }
    let measured: BTreeSet<_> = counting().map(|(run, _)| &run.item).collect();
    match measured.len() as u64 >= rule.sample {
        true => refused(format!(
            "comes after the sample: {} of {} units are measured",
            measured.len(),
            rule.sample
        )),
        false => Ok(Admission::New),
    }
}

/// How a lot is sampled and judged, a sentence each.
pub fn rule_in_words(lot: &Lot) -> Vec<String> {
    let Some(rule) = &lot.rule else {
        return vec!["no sampling plan; `muffle lot new` gives it one".to_owned()];
    };
    let of = match rule.size {
        Some(size) => format!("of {size} units"),
        None => "of a running production".to_owned(),
    };
    let mut lines = vec![format!("{} {of} are measured", rule.sample)];
    lines.extend(
        rule.accept
            .map(|accept| format!("by attributes: accepted when at most {accept} of them fail")),
    );
    lines.extend(rule.content.map(|content| {
        let guard = match rule.guard_db {
            Some(db) => format!("a guard band of {db:.1} dB"),
            None => "the uncertainty that the units share as guard band".to_owned(),
        };
        format!(
            "by variables: accepted when at least {} of the lot meet the limit at every frequency with {} confidence, with {guard}",
            percent(content),
            percent(rule.confidence)
        )
    }));
    lines.push(format!(
        "of a unit measured again the {} result counts; all are kept",
        rule.counts
    ));
    lines
}

/// A share in per cent, without the zeros that say nothing.
pub fn percent(share: f64) -> String {
    let text = format!("{:.4}", 100.0 * share);
    format!("{} %", text.trim_end_matches('0').trim_end_matches('.'))
}

impl LotDocument {
    /// Units of the sample that have a complete run.
    pub fn measured(&self) -> u64 {
        self.units.iter().filter(|unit| unit.in_sample).count() as u64
    }

    /// Whether every unit of the sample has a complete run.
    pub fn is_complete(&self) -> bool {
        let rule = self.lot.rule.as_ref();
        rule.is_some_and(|rule| self.measured() >= rule.sample)
    }

    /// Whether nothing that is still to be measured could change the verdict.
    pub fn is_decided(&self) -> bool {
        self.is_complete()
            // One way that rejects is enough.
            || self.verdict == Some(Verdict::Fail)
            || (self.variables_verdict.is_none() && self.verdict == Some(Verdict::Pass))
    }

    /// Why a unit is not of the sample; none where it is, or where there is no sample.
    pub fn place_of(&self, unit: &LotUnit) -> Option<&'static str> {
        if unit.in_sample || self.lot.rule.is_none() {
            None
        } else if unit.runs.iter().any(|run| run.counts) {
            Some("beyond the sample")
        } else {
            Some("does not count")
        }
    }

    /// The verdict on the lot in a word, or why there is none.
    pub fn word(&self) -> &'static str {
        match self.verdict {
            Some(Verdict::Pass) => "accepted",
            Some(Verdict::Fail) => "rejected",
            Some(Verdict::Undecided) => "undecided",
            None if self.lot.rule.is_none() => "no sampling plan",
            None => "nothing measured yet",
        }
    }

    /// How far the sample has come; none without a plan.
    pub fn so_far(&self) -> Option<String> {
        let rule = self.lot.rule.as_ref()?;
        Some(format!(
            "{} of {} units measured",
            self.measured(),
            rule.sample
        ))
    }

    /// The verdict in one line.
    pub fn sentence(&self) -> String {
        let of = self.so_far().map_or(String::new(), |of| format!(", {of}"));
        format!("lot {}: {}{of}", self.lot.name, self.word())
    }
}

#[cfg(test)]
mod tests;
