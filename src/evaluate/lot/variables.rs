//! A lot by variables: the tolerance limit of its units at every frequency, held against theirs.

use std::collections::BTreeSet;

use super::scope::Scope;
use super::{LotUnit, VariablesAt};
use crate::analysis::censored::Value;
use crate::analysis::tolerance::{VariablesPlan, judge_variables};
use crate::evaluate::EvaluateError;
use crate::evaluate::unit::{Measured, Parts};
use crate::quantity::Frequency;
use crate::store::{LotRule, Verdict};

/// The guard band is this many standard uncertainties of what the units share: as for a point, two.
const GUARD_FACTOR: f64 = 2.0;

/// The lot at every frequency of its plan, why it comes to what, and what it comes to over all.
pub(super) fn by_variables(
    rule: &LotRule,
    content: f64,
    scope: &Scope,
    sample: &[(&LotUnit, &Measured)],
) -> Result<(Vec<VariablesAt>, Vec<String>, Verdict), EvaluateError> {
    let frequencies: BTreeSet<u64> = sample
        .iter()
        .flat_map(|(_, measured)| measured.places().into_keys())
        // What single units were measured at besides is not asked of the lot.
        .filter(|bits| scope.asks_at(f64::from_bits(*bits)))
        .collect();
    let (mut variables, mut missing) = (Vec::new(), Vec::new());
    for frequency_hz in frequencies.into_iter().map(f64::from_bits) {
        let values: Vec<Value> = sample
            .iter()
            .filter_map(|(_, measured)| least_at(measured, frequency_hz))
            .collect();
        if values.len() < sample.len() {
            missing.push(Frequency::from_hz(frequency_hz).to_string());
            continue;
        }
        let Some(limit_db) = limit_at(sample, frequency_hz)? else {
            continue;
        };
        let guard_db = match rule.guard_db {
            Some(guard_db) => guard_db,
            None if scope.is_guarded() => GUARD_FACTOR * shared_db(sample, frequency_hz),
            None => 0.0,
        };
        let plan = VariablesPlan {
            content,
            confidence: rule.confidence,
            guard_db,
        };
        let result = judge_variables(&values, limit_db, &plan)
            .map_err(|cause| EvaluateError::not_answerable("the lot by variables", cause))?;
        variables.push(VariablesAt {
            frequency_hz,
            result,
        });
    }
    let verdict = variables
        .iter()
        .map(|at| at.result.verdict)
        .chain((!missing.is_empty()).then_some(Verdict::Undecided))
        .max()
        .unwrap_or(Verdict::Undecided);
    let mut reasons = variables_reasons(&variables, verdict);
    if !missing.is_empty() {
        reasons.push(format!(
            "by variables: not judged at {}, where a unit has no result",
            missing.join(", ")
        ));
    }
    Ok((variables, reasons, verdict))
}

/// The frequency that decides, in words, and how many others do as well.
fn variables_reasons(variables: &[VariablesAt], verdict: Verdict) -> Vec<String> {
    let distance = |at: &VariablesAt| {
        at.result
            .tolerance_limit_db
            .map_or(f64::NEG_INFINITY, |db| db - at.result.limit_db)
    };
    let deciding = variables
        .iter()
        .filter(|at| at.result.verdict == verdict)
        .min_by(|a, b| distance(a).total_cmp(&distance(b)));
    let Some(deciding) = deciding else {
        return Vec::new();
    };
    let at = Frequency::from_hz(deciding.frequency_hz);
    let mut reasons: Vec<String> = deciding
        .result
        .reasons
        .iter()
        .map(|reason| format!("by variables, at {at}: {reason}"))
        .collect();
    let count = |verdict| {
        let same = variables.iter().filter(|at| at.result.verdict == verdict);
        same.count()
    };
    reasons.push(format!(
        "by variables: of {} frequencies {} are accepted, {} rejected, {} undecided; the lot is accepted if each is",
        variables.len(),
        count(Verdict::Pass),
        count(Verdict::Fail),
        count(Verdict::Undecided)
    ));
    reasons
}

fn least_at(measured: &Measured, frequency_hz: f64) -> Option<Value> {
    let places = measured.places().remove(&frequency_hz.to_bits())?;
    let closings = measured.closings(frequency_hz, &places);
    let repeats: BTreeSet<u32> = measured
        .results
        .iter()
        .filter(|result| result.point.frequency_hz == frequency_hz)
        .map(|result| result.point.repeat)
        .collect();
    // A closing of which nothing is known may have been the worst.
    match closings.len() == repeats.len() {
        true => Value::least(closings),
        false => None,
    }
}

/// The limit at a frequency, which must be one for all units.
fn limit_at(
    sample: &[(&LotUnit, &Measured)],
    frequency_hz: f64,
) -> Result<Option<f64>, EvaluateError> {
    let mut limits = sample.iter().map(|(_, measured)| {
        let mut at = measured.results.iter();
        at.find(|result| result.point.frequency_hz == frequency_hz)
            .and_then(|result| result.limit_db)
    });
    let first = limits.next().flatten();
    match limits.all(|limit| limit == first) {
        true => Ok(first),
        false => Err(EvaluateError::not_answerable(
            "the lot by variables",
            format!(
                "its units were held against different limits at {}; measure them with one plan",
                Frequency::from_hz(frequency_hz)
            ),
        )),
    }
}

fn shared_db(sample: &[(&LotUnit, &Measured)], frequency_hz: f64) -> f64 {
    let parts = sample.iter().filter_map(|(_, measured)| {
        let places = measured.places().remove(&frequency_hz.to_bits())?;
        measured.parts(frequency_hz, &places)
    });
    Parts::over(&parts.collect::<Vec<_>>()).shared_db()
}
