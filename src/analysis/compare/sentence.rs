//! What a comparison says, in words.

use super::{ComparePoint, Comparison, Conclusion, Difference, Finding};

/// So many points are named in the sentence; the table has them all.
const NAMED: usize = 3;

/// The one sentence.
pub(super) fn of(comparison: &Comparison, points: &[ComparePoint]) -> String {
    let (first, second) = (&comparison.first, &comparison.second);
    match comparison.conclusion {
        Conclusion::Equal => {
            let margin_db = comparison.rule.margin_db;
            format!(
                "{first} and {second} are equal within {margin_db:.1} dB{}",
                everywhere(points.len())
            )
        }
        Conclusion::FirstBetter => better(comparison, points, Finding::FirstBetter),
        Conclusion::SecondBetter => better(comparison, points, Finding::SecondBetter),
        Conclusion::Mixed => format!(
            "{}; {}",
            better(comparison, points, Finding::FirstBetter),
            better(comparison, points, Finding::SecondBetter)
        ),
        Conclusion::NotDecidable => not_decidable(comparison),
    }
}

fn everywhere(points: usize) -> String {
    match points {
        1 => String::new(),
        n => format!(" at all {n} points"),
    }
}

/// Difference seen from the better side: estimate and half-width, or the least it can be.
fn amount(difference: &Difference, finding: Finding) -> (f64, String) {
    let sign = if finding == Finding::FirstBetter {
        1.0
    } else {
        -1.0
    };
    let interval = difference.simultaneous;
    let least_db = match finding {
        Finding::FirstBetter => interval.lower_db,
        _ => interval.upper_db.map(|db| -db),
    }
    .unwrap_or(0.0);
    match difference.difference_db {
        Some(db) => {
            let (db, half_db) = (sign * db, sign * db - least_db);
            (db, format!("{db:.1} dB (± {half_db:.1} dB)"))
        }
        None => (least_db, format!("at least {least_db:.1} dB")),
    }
}

fn better(comparison: &Comparison, points: &[ComparePoint], finding: Finding) -> String {
    let name = match finding {
        Finding::FirstBetter => &comparison.first,
        _ => &comparison.second,
    };
    let mut found: Vec<(f64, String)> = comparison
        .points
        .iter()
        .zip(points)
        .filter(|(difference, _)| difference.finding == finding)
        .map(|(difference, point)| {
            let (db, text) = amount(difference, finding);
            (db, format!("{text} at {}", point.label))
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut parts: Vec<String> = found
        .iter()
        .take(NAMED)
        .map(|(_, text)| text.clone())
        .collect();
    if found.len() > NAMED {
        parts.push(format!(
            "and at {} further points of {}",
            found.len() - NAMED,
            points.len()
        ));
    }
    if let Some(mean) = comparison.mean.filter(|mean| mean.finding == finding) {
        parts.push(format!(
            "by {} in the mean over the points",
            amount(&mean, finding).1
        ));
    }
    let by = if found.is_empty() { "" } else { "by " };
    format!("{name} is better {by}{}", parts.join(", "))
}

fn not_decidable(comparison: &Comparison) -> String {
    let (first, second) = (&comparison.first, &comparison.second);
    let margin_db = comparison.rule.margin_db;
    let half = |d: &Difference| Some(0.5 * (d.simultaneous.upper_db? - d.simultaneous.lower_db?));
    let widest_db = comparison.points.iter().filter_map(half).reduce(f64::max);
    let base = format!(
        "whether {first} or {second} is better is not decidable, nor whether they are equal within {margin_db:.1} dB"
    );
    match widest_db {
        Some(db) => format!(
            "{base}; a difference of more than {db:.1} dB would have shown itself at a point"
        ),
        None => format!(
            "{base}: lower bounds, or single values of unknown uncertainty, leave no interval"
        ),
    }
}

/// What the sentence rests on.
pub(super) fn notes(comparison: &Comparison, points: &[ComparePoint]) -> Vec<String> {
    let risk = 100.0 * (1.0 - comparison.rule.confidence);
    let mut notes = vec![format!(
        "at most {risk:.1} % of such comparisons name a false difference ({} claims, Bonferroni), and at most \
         {risk:.1} % say equal when some difference exceeds the margin (two one-sided tests at every point)",
        comparison.family
    )];
    if comparison.conclusion == Conclusion::Equal {
        let differ = comparison.points.iter().chain(&comparison.mean);
        let shown =
            |d: &&Difference| matches!(d.finding, Finding::FirstBetter | Finding::SecondBetter);
        let largest = differ.filter(shown).filter_map(|d| d.difference_db);
        if let Some(db) = largest.reduce(|a, b| if b.abs() > a.abs() { b } else { a }) {
            notes.push(format!(
                "a difference within the margin is shown: {} is up to {:.1} dB better",
                if db > 0.0 {
                    &comparison.first
                } else {
                    &comparison.second
                },
                db.abs()
            ));
        }
    }
    let listed = |keep: &dyn Fn(&Difference) -> bool| -> String {
        let kept = comparison
            .points
            .iter()
            .zip(points)
            .filter(|(d, _)| keep(d));
        kept.map(|(_, point)| point.label.clone())
            .collect::<Vec<_>>()
            .join(", ")
    };
    let bounded = listed(&|d| d.bounds != [0, 0] && d.finding != Finding::NotComparable);
    if !bounded.is_empty() {
        notes.push(format!(
            "lower bounds were counted as bounds, and pairs not used, at {bounded}"
        ));
    }
    let not_comparable = listed(&|d| d.finding == Finding::NotComparable);
    if !not_comparable.is_empty() {
        notes.push(format!(
            "not comparable at {not_comparable}: a value is missing, both sides are lower bounds, or \
             nothing tells their uncertainty"
        ));
    }
    notes
}
