//! Comparing runs, items, models or lots: a difference per point with its uncertainty, and one sentence.
//!
//! Whether two are equal is decided by two one-sided tests (Schuirmann 1987) against a margin stated
//! beforehand, not by overlapping bars: equal within the margin is said when the interval of the
//! difference lies inside of it, at every point. That claim needs no correction for the number of points,
//! as it is false as soon as it is false at one (intersection-union, Berger 1982). Whether one is better is
//! decided by intervals widened for the number of points and for the mean over them (Bonferroni), so that
//! with the stated confidence none of the differences named is false. Comparing several with the first
//! divides the risk between the pairs.
//!
//! Bounds: a side with enough measured values among its bounds is estimated by maximum likelihood
//! ([`super::censored`]). A side with fewer reaches at least the mean of what its values reach: that still
//! bounds the difference on one side. Two such sides say nothing about each other.

use super::AnalysisError;
use super::budget::{effective_dof, root_sum_square};
use super::censored::{NormalFit, Value};
use super::distribution::{check_share, mean_and_sd, student_quantile};
use crate::quantity::one_decimal;
use serde::{Deserialize, Serialize};

mod sentence;

/// Where values are compared: a frequency, or a frequency with its face and polarisation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparePoint {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// As the sentence names it, for example `100 MHz` or `100 MHz front`.
    pub label: String,
}

/// The values of one side at one point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Samples {
    /// One value a unit or repeat, in the same order at every point. Empty where there is none.
    pub values: Vec<Value>,
    /// Standard uncertainty of the side's mean that its own scatter does not show and that does not
    /// cancel against the other side, dB: of a single run its combined uncertainty; of units measured
    /// under one reference with the other side's, zero.
    pub u_db: f64,
}

/// One side of a comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Group {
    /// As the sentence names it.
    pub name: String,
    /// Its values at every point, in the points' order.
    pub samples: Vec<Samples>,
}

/// How groups are compared.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CompareRule {
    /// Equal means within this distance, dB.
    pub margin_db: f64,
    /// Of each claim (all points together), for example 0.95.
    pub confidence: f64,
    /// Value i of one group belongs to value i of the other: the same unit before and after.
    pub paired: bool,
}

/// What a point, or the mean over them, shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// The first is better.
    FirstBetter,
    /// The second is better.
    SecondBetter,
    /// No difference is shown, which does not make them equal.
    NoneShown,
    /// Bounds or missing values leave no interval on either side.
    NotComparable,
}

/// An interval of a difference, dB; an end that bounds leave open is `None`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    /// Lower end, dB.
    pub lower_db: Option<f64>,
    /// Upper end, dB.
    pub upper_db: Option<f64>,
}

/// First minus second, at one point or in the mean over them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Difference {
    /// The estimate, dB; `None` where a side has only bounds.
    pub difference_db: Option<f64>,
    /// Its standard uncertainty, dB; `None` when nothing tells it.
    pub u_db: Option<f64>,
    /// Its degrees of freedom; `None` for infinitely many.
    pub dof: Option<f64>,
    /// Holds with the rule's confidence for all points, and their mean, at once: decides who is better.
    pub simultaneous: Interval,
    /// Each end holds with the rule's confidence alone: decides whether the two are equal.
    pub one_sided: Interval,
    /// The one-sided interval lies within the margin.
    pub equal: bool,
    /// Who is better here.
    pub finding: Finding,
    /// Lower bounds among the values of the first and of the second.
    pub bounds: [usize; 2],
}

impl Interval {
    /// From one end to the other; an end that nothing bounds is open.
    pub fn in_words(&self) -> String {
        let end = |db: Option<f64>| db.map_or("open".to_owned(), one_decimal);
        format!("{} to {}", end(self.lower_db), end(self.upper_db))
    }
}

impl Difference {
    /// What it shows about the two of these names, in a few words; empty when that is nothing.
    pub fn shows(&self, first: &str, second: &str) -> String {
        let finding = match self.finding {
            Finding::FirstBetter => format!("{first} better"),
            Finding::SecondBetter => format!("{second} better"),
            Finding::NoneShown => String::new(),
            Finding::NotComparable => "not comparable".to_owned(),
        };
        match (self.equal, finding.is_empty()) {
            (true, true) => "equal".to_owned(),
            (true, false) => format!("{finding}, yet within the margin"),
            (false, _) => finding,
        }
    }
}

/// What a comparison comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Conclusion {
    /// Equal within the margin at every point.
    Equal,
    /// The first is better at some point or in the mean, the second nowhere.
    FirstBetter,
    /// The second is better at some point or in the mean, the first nowhere.
    SecondBetter,
    /// Each is better somewhere.
    Mixed,
    /// Neither a difference nor equality is shown.
    NotDecidable,
}

/// Two groups compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Name of the first.
    pub first: String,
    /// Name of the second.
    pub second: String,
    /// How they were compared.
    pub rule: CompareRule,
    /// How many claims share the risk of naming a false difference.
    pub family: usize,
    /// At each point, in the order given.
    pub points: Vec<Difference>,
    /// The mean over the points, where there are two or more, no bound among them, and every unit has all.
    pub mean: Option<Difference>,
    /// What it comes to.
    pub conclusion: Conclusion,
    /// The same in plain words.
    pub sentence: String,
    /// What the words rest on: error rates, bounds, points left out.
    pub notes: Vec<String>,
}

/// Compares each further group with the first, in the order given.
///
/// # Errors
/// Fewer than two groups, no point, numbers of points or pairs that do not match, values or margins that
/// are none.
pub fn compare(
    points: &[ComparePoint],
    groups: &[Group],
    rule: &CompareRule,
) -> Result<Vec<Comparison>, AnalysisError> {
    check(points, groups, rule)?;
    let (first, others) = match groups {
        [first, others @ ..] if !others.is_empty() => (first, others),
        _ => return Err(refuse("it needs two sides".to_owned())),
    };
    let risk = (1.0 - rule.confidence) / others.len() as f64;
    Ok(others
        .iter()
        .map(|second| compare_two(points, first, second, rule, risk, others.len()))
        .collect())
}

fn refuse(reason: String) -> AnalysisError {
    AnalysisError::NotPossible {
        what: "a comparison",
        reason,
    }
}

fn check(
    points: &[ComparePoint],
    groups: &[Group],
    rule: &CompareRule,
) -> Result<(), AnalysisError> {
    check_share("a confidence", rule.confidence)?;
    if !(rule.margin_db > 0.0 && rule.margin_db.is_finite()) {
        return Err(refuse(
            "the margin within which two are equal must be above 0 dB".to_owned(),
        ));
    }
    if points.is_empty() {
        return Err(refuse("the sides have no point in common".to_owned()));
    }
    for group in groups {
        if group.samples.len() != points.len() {
            let (has, of) = (group.samples.len(), points.len());
            return Err(refuse(format!("{} has {has} points of {of}", group.name)));
        }
        for (at, samples) in points.iter().zip(&group.samples) {
            let numbers = samples.values.iter().all(|v| v.reached_db().is_finite());
            if !(numbers && samples.u_db >= 0.0 && samples.u_db.is_finite()) {
                let (name, label) = (&group.name, &at.label);
                return Err(refuse(format!(
                    "a value of {name} at {label} is not a number"
                )));
            }
        }
    }
    for (i, at) in points.iter().enumerate() {
        let counts = groups.iter().map(|group| group.samples[i].values.len());
        let mut counts = counts.filter(|count| *count > 0);
        let first = counts.next();
        if rule.paired && counts.any(|count| Some(count) != first) {
            let label = &at.label;
            return Err(refuse(format!(
                "the sides cannot be paired at {label}: their numbers differ"
            )));
        }
    }
    Ok(())
}

fn compare_two(
    points: &[ComparePoint],
    first: &Group,
    second: &Group,
    rule: &CompareRule,
    risk: f64,
    pairs: usize,
) -> Comparison {
    let at = |i: usize| (&first.samples[i], &second.samples[i]);
    let filled = |i: &usize| !(at(*i).0.values.is_empty() || at(*i).1.values.is_empty());
    let compared = (0..points.len()).filter(filled).count();
    let mean = mean_over_points(first, second, rule);
    let levels = Levels {
        one_sided: 1.0 - risk,
        simultaneous: 1.0 - 0.5 * risk / (compared.max(1) + usize::from(mean.is_some())) as f64,
    };
    let differences: Vec<Difference> = (0..points.len())
        .map(|i| {
            let (a, b) = at(i);
            let bounds = [a, b].map(|s| s.values.iter().filter(|v| v.is_bound()).count());
            let estimate = Contrast::of(a, b, rule.paired);
            estimate.difference(levels, rule.margin_db, bounds)
        })
        .collect();
    let mean = mean.map(|contrast| contrast.difference(levels, rule.margin_db, [0, 0]));
    let mut comparison = Comparison {
        first: first.name.clone(),
        second: second.name.clone(),
        rule: *rule,
        family: pairs * (compared + usize::from(mean.is_some())),
        conclusion: conclude(&differences, mean.as_ref()),
        points: differences,
        mean,
        sentence: String::new(),
        notes: Vec::new(),
    };
    comparison.sentence = sentence::of(&comparison, points);
    comparison.notes = sentence::notes(&comparison, points);
    comparison
}

fn conclude(points: &[Difference], mean: Option<&Difference>) -> Conclusion {
    if points.iter().all(|point| point.equal) {
        return Conclusion::Equal;
    }
    let any = |finding| points.iter().chain(mean).any(|d| d.finding == finding);
    match (any(Finding::FirstBetter), any(Finding::SecondBetter)) {
        (true, true) => Conclusion::Mixed,
        (true, false) => Conclusion::FirstBetter,
        (false, true) => Conclusion::SecondBetter,
        (false, false) => Conclusion::NotDecidable,
    }
}

/// Probabilities at which Student's factor is taken.
#[derive(Debug, Clone, Copy)]
struct Levels {
    one_sided: f64,
    simultaneous: f64,
}

/// The mean of one side at one point.
struct Estimate {
    mean_db: f64,
    /// Standard error from the scatter, dB.
    scatter_db: f64,
    dof: Option<f64>,
    /// The mean may be higher by anything.
    only_reached: bool,
}

impl Estimate {
    /// `None` without values.
    fn of(values: &[Value]) -> Option<Self> {
        let bounds = values.iter().filter(|value| value.is_bound()).count();
        if bounds > 0
            && let Ok(fit) = NormalFit::of(values)
        {
            // The correction that turns the divisor n into n - 1 when nothing is censored.
            let r = fit.measured as f64;
            return Some(Self {
                mean_db: fit.mean_db,
                scatter_db: fit.mean_se_db * (r / (r - 1.0)).sqrt(),
                dof: Some(r - 1.0),
                only_reached: false,
            });
        }
        let reached: Vec<f64> = values.iter().map(|value| value.reached_db()).collect();
        let n = reached.len() as f64;
        let (mean_db, sd_db) = mean_and_sd(&reached);
        (!values.is_empty()).then_some(Self {
            mean_db,
            scatter_db: sd_db / n.sqrt(),
            dof: (n > 1.0).then_some(n - 1.0),
            only_reached: bounds > 0,
        })
    }
}

/// A difference before its intervals are taken.
struct Contrast {
    /// Difference and standard uncertainty, dB; `None` when a side is empty.
    found: Option<(f64, f64)>,
    dof: Option<f64>,
    /// The true difference may be higher by anything; lower by anything.
    open: [bool; 2],
}

impl Contrast {
    fn of(a: &Samples, b: &Samples, paired: bool) -> Self {
        let constant = [(a.u_db, None), (b.u_db, None)];
        let bound = a
            .values
            .iter()
            .chain(&b.values)
            .any(|value| value.is_bound());
        // Pairs are given up where bounds are: whether a difference is bounded would depend on its
        // size. Without pairs the interval is wider and right.
        if paired && !bound {
            let difference = |(a, b): (&Value, &Value)| a.reached_db() - b.reached_db();
            let pairs: Vec<Value> = a
                .values
                .iter()
                .zip(&b.values)
                .map(difference)
                .map(Value::measured)
                .collect();
            let estimate = Estimate::of(&pairs);
            return Self::new(
                estimate.as_ref().map(|e| e.mean_db),
                estimate.as_slice(),
                constant,
                [false; 2],
            );
        }
        let (first, second) = (Estimate::of(&a.values), Estimate::of(&b.values));
        let (Some(first), Some(second)) = (first, second) else {
            return Self::new(None, &[], constant, [false; 2]);
        };
        let open = [first.only_reached, second.only_reached];
        let difference_db = first.mean_db - second.mean_db;
        Self::new(Some(difference_db), &[first, second], constant, open)
    }

    fn new(
        difference_db: Option<f64>,
        scatter: &[Estimate],
        constant: [(f64, Option<f64>); 2],
        open: [bool; 2],
    ) -> Self {
        let parts: Vec<(f64, Option<f64>)> = scatter
            .iter()
            .map(|estimate| (estimate.scatter_db, estimate.dof))
            .chain(constant)
            .collect();
        let u_db = root_sum_square(parts.iter().map(|part| part.0));
        Self {
            found: difference_db.map(|db| (db, u_db)),
            dof: effective_dof(u_db, parts),
            open,
        }
    }

    fn difference(&self, levels: Levels, margin_db: f64, bounds: [usize; 2]) -> Difference {
        let interval = |level: f64| {
            // Single values of unknown uncertainty bound nothing, unless one is a bound already.
            let Some((db, u_db)) = self.found.filter(|(_, u)| *u > 0.0) else {
                return Interval {
                    lower_db: None,
                    upper_db: None,
                };
            };
            let half_db = u_db * student_quantile(level, self.dof.unwrap_or(f64::INFINITY));
            let [higher, lower] = self.open;
            Interval {
                lower_db: (!lower).then_some(db - half_db),
                upper_db: (!higher).then_some(db + half_db),
            }
        };
        let (simultaneous, one_sided) = (interval(levels.simultaneous), interval(levels.one_sided));
        let equal = matches!(
            (one_sided.lower_db, one_sided.upper_db),
            (Some(lower), Some(upper)) if lower > -margin_db && upper < margin_db
        );
        let finding = match (simultaneous.lower_db, simultaneous.upper_db) {
            (None, None) => Finding::NotComparable,
            (Some(lower), _) if lower > 0.0 => Finding::FirstBetter,
            (_, Some(upper)) if upper < 0.0 => Finding::SecondBetter,
            _ => Finding::NoneShown,
        };
        let closed = self.open == [false; 2];
        Difference {
            difference_db: self.found.filter(|_| closed).map(|(db, _)| db),
            u_db: self
                .found
                .map(|(_, u_db)| u_db)
                .filter(|u_db| closed && *u_db > 0.0),
            dof: self.dof,
            simultaneous,
            one_sided,
            equal,
            finding,
            bounds,
        }
    }
}

/// The mean over the points at which both sides have values, unless one of these is a bound: leaving
/// points out because of what was measured there would favour the side that scatters less. What does not
/// scatter between units is taken to be the same at all points.
fn mean_over_points(first: &Group, second: &Group, rule: &CompareRule) -> Option<Contrast> {
    let values = |i: usize| [&first.samples[i].values, &second.samples[i].values];
    let usable: Vec<usize> = (0..first.samples.len())
        .filter(|i| values(*i).iter().all(|values| !values.is_empty()))
        .collect();
    let bounded = |i: &usize| {
        values(*i)
            .into_iter()
            .flatten()
            .any(|value| value.is_bound())
    };
    if usable.len() < 2 || usable.iter().any(bounded) {
        return None;
    }
    let of = |group: &Group| -> Option<Samples> {
        let units = group.samples[*usable.first()?].values.len();
        let same = usable
            .iter()
            .all(|i| group.samples[*i].values.len() == units);
        let mean = |part: &dyn Fn(&Samples) -> f64| {
            usable.iter().map(|i| part(&group.samples[*i])).sum::<f64>() / usable.len() as f64
        };
        same.then(|| Samples {
            values: (0..units)
                .map(|unit| Value::measured(mean(&|s: &Samples| s.values[unit].reached_db())))
                .collect(),
            u_db: mean(&|s: &Samples| s.u_db),
        })
    };
    Some(Contrast::of(&of(first)?, &of(second)?, rule.paired))
}

#[cfg(test)]
mod tests;
