//! Sampling by variables: a lot judged by how far its values keep from the limit.
//!
//! The lower tolerance limit is the SE that, with the stated confidence, at least the stated content of
//! the lot exceeds. Of complete normal values it is mean - k s, k from the noncentral t (ISO 16269-6,
//! exact); with lower bounds among them it comes from the likelihood ([`super::censored`]); when too few
//! were measured for a fit, from the order of the values alone (Wilks 1941), which holds for bounds as
//! well, since the r-th smallest of what is reached is below the r-th smallest SE.
//!
//! Judged at several frequencies, a lot passes if it passes at each: that needs no correction for their
//! number, as the claim is false as soon as one of them is (intersection-union, Berger 1982).

use super::AnalysisError;
use super::censored::{NormalFit, Side, Value, quantile_limit_db};
use super::distribution::{
    check_share, mean_and_sd, noncentral_t_below, noncentral_t_quantile, normal_quantile,
    student_quantile,
};
use super::lot::{percent, percent_down};
use super::verdict::Verdict;
use serde::{Deserialize, Serialize};
use statrs::distribution::{Binomial, DiscreteCDF};

/// The chance that the outlier test points at a value of a sound sample.
const OUTLIER_RISK: f64 = 0.05;

/// A sampling plan by variables.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VariablesPlan {
    /// The share of the lot that must meet the limit.
    pub content: f64,
    /// The confidence with which it must be shown.
    pub confidence: f64,
    /// Distance kept from the limit for the uncertainty that all units share and their scatter does not
    /// show (receiver linearity, mismatch, position), dB. Zero decides by the values alone.
    pub guard_db: f64,
}

/// By what a tolerance limit was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Mean - k s, k from the noncentral t: every value was measured.
    Exact,
    /// Normal likelihood with the bounds as bounds.
    CensoredLikelihood,
    /// Order of the values alone, no distribution assumed.
    OrderStatistics,
}

/// A lot judged by variables at one frequency, or by each unit's smallest margin.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VariablesResult {
    /// The plan.
    pub plan: VariablesPlan,
    /// Units.
    pub units: usize,
    /// How many of them are only bounded from below.
    pub bounds: usize,
    /// The limit the lot is held against, dB.
    pub limit_db: f64,
    /// By what the tolerance limit was found.
    pub method: Method,
    /// Mean of the lot, dB; `None` when it cannot be estimated.
    pub mean_db: Option<f64>,
    /// Standard deviation of the lot, dB (divisor n - 1 without bounds, maximum likelihood with them).
    pub sd_db: Option<f64>,
    /// k, where every value was measured.
    pub factor: Option<f64>,
    /// The lower tolerance limit, dB; `None` when the sample is too small for one.
    pub tolerance_limit_db: Option<f64>,
    /// With the same confidence, less than the content exceeds this SE, dB.
    pub exceeded_by_less_db: Option<f64>,
    /// (mean - limit) / (3 sd), by the estimates.
    pub cpl: Option<f64>,
    /// The share of the lot below the limit, by the estimates.
    pub share_below_limit: Option<f64>,
    /// The confidence with which this sample shows the content to meet the limit, guard band included,
    /// where every value was measured.
    pub attained_confidence: Option<f64>,
    /// Units measured below the limit.
    pub units_below: usize,
    /// Pass when the tolerance limit meets the limit; fail when it is shown that the content does not;
    /// else undecided.
    pub verdict: Verdict,
    /// Why, in plain sentences.
    pub reasons: Vec<String>,
}

/// k of the one-sided tolerance limit mean - k s of `n` normal values: the noncentral t with n - 1
/// degrees of freedom and shift z root n, over root n. Exact to 1e-8.
///
/// # Errors
/// Fewer than two values, or shares that are none.
pub fn one_sided_factor(n: usize, content: f64, confidence: f64) -> Result<f64, AnalysisError> {
    check_share("a content", content)?;
    check_share("a confidence", confidence)?;
    if n < 2 {
        return Err(AnalysisError::NotPossible {
            what: "a tolerance factor",
            reason: format!("it needs two values and there are {n}"),
        });
    }
    let root = (n as f64).sqrt();
    let shift = normal_quantile(content) * root;
    Ok(noncentral_t_quantile(confidence, (n - 1) as f64, shift) / root)
}

/// Which value of `n`, counted from the smallest, is a lower tolerance limit whatever the distribution
/// (Wilks 1941): the largest that is one. `None` when even the smallest is not.
pub fn order_statistic(n: usize, content: f64, confidence: f64) -> Option<usize> {
    let below = Binomial::new(1.0 - content, n as u64).ok()?;
    (1..=n)
        .take_while(|r| 1.0 - below.cdf(*r as u64 - 1) >= confidence)
        .last()
}

/// Judges a lot by its values against a limit.
///
/// # Errors
/// No value, one that is not a number, or shares that are none.
pub fn judge_variables(
    values: &[Value],
    limit_db: f64,
    plan: &VariablesPlan,
) -> Result<VariablesResult, AnalysisError> {
    check_share("a content", plan.content)?;
    check_share("a confidence", plan.confidence)?;
    let numbers = values.iter().all(|value| value.reached_db().is_finite());
    if values.is_empty() || !numbers || !limit_db.is_finite() {
        return Err(AnalysisError::NotPossible {
            what: "the verdict on a lot",
            reason: "there is no value, or one is not a number".to_owned(),
        });
    }
    let measured: Vec<f64> = values.iter().filter_map(|v| v.measured_db()).collect();
    let mut result = VariablesResult {
        plan: *plan,
        units: values.len(),
        bounds: values.len() - measured.len(),
        limit_db,
        method: Method::OrderStatistics,
        mean_db: None,
        sd_db: None,
        factor: None,
        tolerance_limit_db: None,
        exceeded_by_less_db: None,
        cpl: None,
        share_below_limit: None,
        attained_confidence: None,
        units_below: measured.iter().filter(|db| **db < limit_db).count(),
        verdict: Verdict::Undecided,
        reasons: Vec::new(),
    };
    match NormalFit::of(values) {
        Ok(_) if result.bounds == 0 => exact(&mut result, &measured)?,
        Ok(fit) => by_likelihood(&mut result, values, &fit),
        Err(_) => by_order(&mut result, values),
    }
    decide(&mut result, values);
    Ok(result)
}

fn exact(result: &mut VariablesResult, measured: &[f64]) -> Result<(), AnalysisError> {
    let plan = result.plan;
    let (mean_db, sd_db) = mean_and_sd(measured);
    let n = measured.len();
    let k = one_sided_factor(n, plan.content, plan.confidence)?;
    let k_upper = one_sided_factor(n, plan.content, 1.0 - plan.confidence)?;
    let root = (n as f64).sqrt();
    let found = (mean_db - result.limit_db - plan.guard_db) / sd_db * root;
    let shift = normal_quantile(plan.content) * root;
    result.method = Method::Exact;
    result.factor = Some(k);
    result.tolerance_limit_db = Some(mean_db - k * sd_db);
    result.exceeded_by_less_db = Some(mean_db - k_upper * sd_db);
    result.attained_confidence = Some(noncentral_t_below(found, (n - 1) as f64, shift));
    estimates(result, mean_db, sd_db);
    if let Some(outlier) = outlier(measured) {
        result.reasons.push(format!(
            "the value {:.1} dB lies {:.1} standard deviations from the mean, further than one sample in \
             twenty has any: look at that unit, for the limit assumes one normal population",
            outlier.se_db, outlier.distance
        ));
    }
    Ok(())
}

fn by_likelihood(result: &mut VariablesResult, values: &[Value], fit: &NormalFit) {
    let VariablesPlan {
        content,
        confidence,
        ..
    } = result.plan;
    let limit = |side| Some(quantile_limit_db(values, fit, content, confidence, side));
    result.method = Method::CensoredLikelihood;
    result.tolerance_limit_db = limit(Side::Lower);
    result.exceeded_by_less_db = limit(Side::Upper);
    estimates(result, fit.mean_db, fit.sd_db);
}

fn estimates(result: &mut VariablesResult, mean_db: f64, sd_db: f64) {
    let distance = (mean_db - result.limit_db) / sd_db;
    result.mean_db = Some(mean_db);
    result.sd_db = Some(sd_db);
    result.cpl = Some(distance / 3.0);
    result.share_below_limit = Some(super::distribution::normal_below(-distance));
}

fn by_order(result: &mut VariablesResult, values: &[Value]) {
    let VariablesPlan {
        content,
        confidence,
        ..
    } = result.plan;
    let mut reached: Vec<f64> = values.iter().map(|value| value.reached_db()).collect();
    reached.sort_by(f64::total_cmp);
    let rank = order_statistic(reached.len(), content, confidence);
    result.tolerance_limit_db = rank.map(|rank| reached[rank - 1]);
    // No failure among n: content^n = 1 - confidence.
    let shown = (1.0 - confidence).powf(1.0 / reached.len() as f64);
    let whose = match result.bounds == reached.len() {
        true => "all of them lower bounds",
        false => "too few measured, or too much alike, for a normal fit",
    };
    result.reasons.push(format!(
        "{} units, {whose}: with {} confidence at least {} of the lot reaches {:.1} dB",
        reached.len(),
        percent(confidence),
        percent_down(shown),
        reached[0]
    ));
}

fn decide(result: &mut VariablesResult, values: &[Value]) {
    let VariablesPlan {
        content,
        confidence,
        guard_db,
    } = result.plan;
    let (meets_db, misses_db) = (result.limit_db + guard_db, result.limit_db - guard_db);
    // Without a fit: so many units measured below the limit that the content cannot be above it.
    let too_many_below = || {
        let surely = |value: &&Value| value.measured_db().is_some_and(|db| db < misses_db);
        let below = values.iter().filter(surely).count() as u64;
        Binomial::new(1.0 - content, values.len() as u64)
            .is_ok_and(|b| below > 0 && 1.0 - b.cdf(below - 1) <= 1.0 - confidence)
    };
    result.verdict = if result.tolerance_limit_db.is_some_and(|db| db >= meets_db) {
        Verdict::Pass
    } else if match result.exceeded_by_less_db {
        Some(db) => db < misses_db,
        None => too_many_below(),
    } {
        Verdict::Fail
    } else {
        Verdict::Undecided
    };
    let sentence = sentence(result);
    result.reasons.insert(0, sentence);
    if result.units_below > 0 {
        result.reasons.push(format!(
            "{} of the units measured lie below the limit themselves",
            result.units_below
        ));
    }
}

fn sentence(result: &VariablesResult) -> String {
    let (content, confidence) = (
        percent(result.plan.content),
        percent(result.plan.confidence),
    );
    let limit = match result.plan.guard_db > 0.0 {
        true => format!(
            "{:.1} dB and its guard band of {:.1} dB",
            result.limit_db, result.plan.guard_db
        ),
        false => format!("{:.1} dB", result.limit_db),
    };
    match (result.verdict, result.tolerance_limit_db) {
        (Verdict::Pass, Some(db)) => format!(
            "accepted: with {confidence} confidence at least {content} of the lot exceeds {db:.1} dB, limit {limit}"
        ),
        (Verdict::Fail, _) => format!(
            "rejected: with {confidence} confidence less than {content} of the lot meets the limit of {limit}"
        ),
        (_, Some(db)) => format!(
            "undecided: with {confidence} confidence at least {content} of the lot exceeds only {db:.1} dB, \
             limit {limit}; more units or less scatter would decide"
        ),
        (_, None) => format!(
            "undecided: {} units do not show what {content} of the lot exceeds with {confidence} confidence",
            result.units
        ),
    }
}

/// The value furthest from the mean, if it is further than chance would have it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Outlier {
    /// Which value, counted from zero.
    pub index: usize,
    /// It, dB.
    pub se_db: f64,
    /// Its distance from the mean, in standard deviations.
    pub distance: f64,
    /// The distance that one sound sample in twenty exceeds.
    pub critical: f64,
}

/// Grubbs' two-sided test at 5 % (NIST/SEMATECH 1.3.5.17). It points, it never removes.
pub fn outlier(measured_db: &[f64]) -> Option<Outlier> {
    if measured_db.len() < 3 {
        return None;
    }
    let (mean_db, sd_db) = mean_and_sd(measured_db);
    let critical = grubbs_critical(measured_db.len());
    let far = |db: f64| (db - mean_db).abs();
    let index = (0..measured_db.len())
        .max_by(|a, b| far(measured_db[*a]).total_cmp(&far(measured_db[*b])))?;
    let distance = far(measured_db[index]) / sd_db;
    (distance > critical).then_some(Outlier {
        index,
        se_db: measured_db[index],
        distance,
        critical,
    })
}

fn grubbs_critical(n: usize) -> f64 {
    let n = n as f64;
    let t = student_quantile(1.0 - OUTLIER_RISK / (2.0 * n), n - 2.0);
    (n - 1.0) / n.sqrt() * (t * t / (n - 2.0 + t * t)).sqrt()
}

#[cfg(test)]
mod tests;
