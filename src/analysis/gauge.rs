//! Repeatability and reproducibility of the method (gauge R&R): how much of what differs between
//! readings is the closing, how much the operator, how much the items.
//!
//! Variance components of the crossed random model
//!
//! value = mean + item + operator + item x operator + closing
//!
//! by the analysis of variance: observed sums of squares are set equal to their expectations and solved.
//! The expectations are worked out for the numbers of readings there are, so that an unbalanced history
//! does as well as a planned study (Henderson's method 1, Biometrics 9, 1953); of a balanced one it is the
//! usual table (AIAG, Measurement Systems Analysis). An interaction that comes out at or below zero is
//! pooled with the closing, as is usual; any other component below zero is reported as zero and named.
//! Readings must be measured values: a lower bound says nothing about how well a reading repeats.

use super::AnalysisError;
use super::distribution::solve;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One closing of an item by an operator.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GaugeReading {
    /// The item's serial.
    pub item: String,
    /// Who closed it.
    pub operator: String,
    /// The SE, dB.
    pub se_db: f64,
}

/// A source of variance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// The items differ.
    Item,
    /// The operators differ.
    Operator,
    /// Operators differ with the item.
    Interaction,
    /// Closing again.
    Closing,
}

/// The standard deviations that make up a reading's scatter, dB.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GaugeStudy {
    /// Readings, items, operators.
    pub readings: usize,
    /// Items.
    pub items: usize,
    /// Operators.
    pub operators: usize,
    /// Of closing the same item again by the same operator.
    pub repeatability_db: f64,
    /// Degrees of freedom of the repeatability.
    pub repeatability_dof: f64,
    /// Between operators, interaction included; `None` with one operator.
    pub reproducibility_db: Option<f64>,
    /// Interaction of operator and item alone; `None` where it was not told apart.
    pub interaction_db: Option<f64>,
    /// Repeatability and reproducibility together: of one reading of one item by anybody.
    pub gauge_db: f64,
    /// Between items; `None` with one item.
    pub item_db: Option<f64>,
    /// Of one reading of any item.
    pub total_db: f64,
    /// Components that came out below zero and are reported as zero.
    pub below_zero: Vec<Source>,
}

/// Readings grouped by one factor: how the square sum of its totals is made up.
struct Grouping {
    /// Sum over groups of total^2 / number.
    squares: f64,
    /// Expected contribution of one unit of variance of items, operators, cells, closings.
    weights: [f64; 4],
}

/// Levels of item, operator and cell of a reading, and its value about the mean.
struct Cell {
    levels: [usize; 3],
    value: f64,
}

impl Grouping {
    fn by(cells: &[Cell], group: impl Fn(&Cell) -> usize) -> Self {
        let mut groups: BTreeMap<usize, Vec<&Cell>> = BTreeMap::new();
        for cell in cells {
            groups.entry(group(cell)).or_default().push(cell);
        }
        let (mut squares, mut weights) = (0.0, [0.0; 4]);
        for members in groups.values() {
            let n = members.len() as f64;
            squares += members.iter().map(|cell| cell.value).sum::<f64>().powi(2) / n;
            for (factor, weight) in weights.iter_mut().take(3).enumerate() {
                let mut counts: BTreeMap<usize, f64> = BTreeMap::new();
                for cell in members {
                    *counts.entry(cell.levels[factor]).or_default() += 1.0;
                }
                *weight += counts.values().map(|count| count * count).sum::<f64>() / n;
            }
            weights[3] += 1.0;
        }
        Self { squares, weights }
    }
}

/// Estimates the components.
///
/// # Errors
/// No item closed twice by one operator and no other way to tell the closing apart, or a value that is
/// none.
pub fn gauge(readings: &[GaugeReading]) -> Result<GaugeStudy, AnalysisError> {
    let refuse = |reason: &str| AnalysisError::NotPossible {
        what: "repeatability and reproducibility",
        reason: reason.to_owned(),
    };
    if readings.is_empty() || readings.iter().any(|reading| !reading.se_db.is_finite()) {
        return Err(refuse("there is no reading, or one is not a number"));
    }
    let cells = cells_of(readings);
    let count = |factor: usize| {
        cells
            .iter()
            .map(|cell| cell.levels[factor])
            .max()
            .map_or(0, |last| last + 1)
    };
    let [items, operators, pairs] = [count(0), count(1), count(2)];
    let separable =
        items > 1 && operators > 1 && pairs + 1 > items + operators && readings.len() > pairs;
    let factors = |interaction: bool| -> Vec<usize> {
        let used = [items > 1, operators > 1, interaction];
        (0..3).filter(|factor| used[*factor]).collect()
    };
    let unsolved = "no item was closed twice by the same operator, or the items and operators cannot be told apart";
    let mut used = factors(separable);
    let mut found = components(&cells, &used).ok_or_else(|| refuse(unsolved))?;
    if separable && found[2] <= 0.0 {
        used = factors(false);
        found = components(&cells, &used).ok_or_else(|| refuse(unsolved))?;
    }
    if found[3] <= 0.0 {
        return Err(refuse("repeated closings do not differ at all"));
    }
    let degrees: usize = match used[..] {
        [0, 1, 2] => readings.len() - pairs,
        [0, 1] => readings.len() + 1 - items - operators,
        [0] => readings.len() - items,
        [1] => readings.len() - operators,
        _ => readings.len() - 1,
    };
    Ok(study(
        found,
        &used,
        [readings.len(), items, operators],
        degrees,
    ))
}

fn study(found: [f64; 4], used: &[usize], counts: [usize; 3], degrees: usize) -> GaugeStudy {
    let sources = [Source::Item, Source::Operator, Source::Interaction];
    let variance = |factor: usize| found[factor].max(0.0);
    let operator = variance(1) + variance(2);
    let gauge = operator + found[3];
    let [readings, items, operators] = counts;
    GaugeStudy {
        readings,
        items,
        operators,
        repeatability_db: found[3].sqrt(),
        repeatability_dof: degrees as f64,
        reproducibility_db: used.contains(&1).then(|| operator.sqrt()),
        interaction_db: used.contains(&2).then(|| variance(2).sqrt()),
        gauge_db: gauge.sqrt(),
        item_db: used.contains(&0).then(|| variance(0).sqrt()),
        total_db: (gauge + variance(0)).sqrt(),
        below_zero: used
            .iter()
            .filter(|f| found[**f] < 0.0)
            .map(|f| sources[*f])
            .collect(),
    }
}

fn cells_of(readings: &[GaugeReading]) -> Vec<Cell> {
    let mut names: [BTreeMap<(&str, &str), usize>; 3] = Default::default();
    let mean = readings.iter().map(|r| r.se_db).sum::<f64>() / readings.len() as f64;
    readings
        .iter()
        .map(|reading| {
            let (item, operator) = (reading.item.as_str(), reading.operator.as_str());
            let keys = [(item, ""), ("", operator), (item, operator)];
            let mut levels = [0; 3];
            for ((level, names), key) in levels.iter_mut().zip(&mut names).zip(keys) {
                let next = names.len();
                *level = *names.entry(key).or_insert(next);
            }
            Cell {
                levels,
                value: reading.se_db - mean,
            }
        })
        .collect()
}

/// Variances of items, operators, interaction (of those used; else zero) and closings.
fn components(cells: &[Cell], used: &[usize]) -> Option<[f64; 4]> {
    let whole = Grouping::by(cells, |_| 0);
    let total = Grouping {
        squares: cells.iter().map(|cell| cell.value * cell.value).sum(),
        weights: [cells.len() as f64; 4],
    };
    let by: Vec<Grouping> = used
        .iter()
        .map(|f| Grouping::by(cells, |c| c.levels[*f]))
        .collect();
    // A row is a sum of groupings with signs: of one factor less the whole; of the interaction also less
    // the factors; of the closings all that is left.
    let (mains, interaction) = match used {
        [0, 1, 2] => (&by[..2], Some(&by[2])),
        _ => (&by[..], None),
    };
    let without_mains = |top| -> Vec<(f64, &Grouping)> {
        let mut row = vec![(1.0, top), (mains.len() as f64 - 1.0, &whole)];
        row.extend(mains.iter().map(|main| (-1.0, main)));
        row
    };
    let mut rows: Vec<Vec<(f64, &Grouping)>> = mains
        .iter()
        .map(|main| vec![(1.0, main), (-1.0, &whole)])
        .collect();
    match interaction {
        Some(pairs) => {
            rows.push(without_mains(pairs));
            rows.push(vec![(1.0, &total), (-1.0, pairs)]);
        }
        None => rows.push(without_mains(&total)),
    }
    let unknown: Vec<usize> = used.iter().copied().chain([3]).collect();
    let sum = |row: &[(f64, &Grouping)], part: &dyn Fn(&Grouping) -> f64| -> f64 {
        row.iter()
            .map(|(sign, grouping)| sign * part(grouping))
            .sum()
    };
    let matrix = rows
        .iter()
        .map(|row| {
            unknown
                .iter()
                .map(|u| sum(row, &|g| g.weights[*u]))
                .collect()
        })
        .collect();
    let right = rows.iter().map(|row| sum(row, &|g| g.squares)).collect();
    let mut found = [0.0; 4];
    for (component, value) in unknown.iter().zip(solve(matrix, right)?) {
        found[*component] = value;
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!(
            (found - expected).abs() <= tolerance,
            "{found}, expected {expected}"
        );
    }

    fn reading(item: usize, operator: usize, se_db: f64) -> GaugeReading {
        GaugeReading {
            item: item.to_string(),
            operator: operator.to_string(),
            se_db,
        }
    }

    /// Three operators, three trials, ten parts: AIAG, Measurement Systems Analysis, 4th edition, the
    /// worked example (data from memory; the sums of squares below are those the book prints).
    const AIAG: [[f64; 10]; 9] = [
        [
            0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36,
        ],
        [
            0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25,
        ],
        [
            0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31,
        ],
        [
            0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68,
        ],
        [
            0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62,
        ],
        [
            0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50,
        ],
        [
            0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49,
        ],
        [
            -0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77,
        ],
        [
            -0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16,
        ],
    ];

    #[test]
    fn a_balanced_study_gives_the_usual_table() {
        let readings: Vec<GaugeReading> = AIAG
            .iter()
            .enumerate()
            .flat_map(|(row, values)| {
                values
                    .iter()
                    .enumerate()
                    .map(move |(item, db)| reading(item, row / 3, *db))
            })
            .collect();
        let cells = cells_of(&readings);
        let squares = |factor: usize| Grouping::by(&cells, |cell| cell.levels[factor]).squares;
        near(squares(0), 88.3619, 1e-4);
        near(squares(1), 3.1673, 1e-4);
        near(squares(2) - squares(0) - squares(1), 0.3590, 1e-4);
        let study = gauge(&readings).expect("a study");
        // The interaction pools: EV, AV, GRR, PV of the book's table (from memory).
        near(study.repeatability_db, 0.199933, 1e-5);
        near(study.reproducibility_db.expect("operators"), 0.226838, 1e-5);
        near(study.gauge_db, 0.302373, 1e-5);
        near(study.item_db.expect("items"), 1.042327, 1e-5);
        assert_eq!(
            (study.interaction_db, study.repeatability_dof),
            (None, 78.0)
        );
        assert!(study.below_zero.is_empty());
    }

    #[test]
    fn one_operator_or_one_item_leaves_what_can_be_told() {
        // By hand: two items, closings (50, 52) and (60, 62): within mean square 2, between 100.
        let pairs = [(0, 50.0), (0, 52.0), (1, 60.0), (1, 62.0)];
        let study = gauge(&pairs.map(|(item, db)| reading(item, 0, db))).expect("a study");
        near(study.repeatability_db, 2f64.sqrt(), 1e-9);
        near(study.item_db.expect("items"), 49f64.sqrt(), 1e-9);
        assert_eq!(
            (study.reproducibility_db, study.repeatability_dof),
            (None, 2.0)
        );
        let study = gauge(&pairs.map(|(operator, db)| reading(0, operator, db))).expect("a study");
        near(study.reproducibility_db.expect("operators"), 7.0, 1e-9);
        assert_eq!(study.item_db, None);
        let study = gauge(&[50.0, 52.0].map(|db| reading(0, 0, db))).expect("a study");
        near(study.gauge_db, 2f64.sqrt(), 1e-9);
    }

    #[test]
    fn what_tells_nothing_apart_is_refused() {
        assert!(gauge(&[]).is_err());
        assert!(gauge(&[reading(0, 0, 50.0)]).is_err());
        assert!(gauge(&[reading(0, 0, 50.0), reading(0, 0, 50.0)]).is_err());
        assert!(gauge(&[reading(0, 0, 50.0), reading(1, 1, 51.0)]).is_err());
        assert!(gauge(&[reading(0, 0, f64::NAN), reading(0, 0, 50.0)]).is_err());
    }

    /// Closing 0.5, operator 0.7, interaction 0.4, item 2 dB; one to four closings, a fifth of pairs missing.
    fn history(seed: u64) -> Vec<GaugeReading> {
        let mut rng = StdRng::seed_from_u64(seed);
        let mut normal = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
        let items: Vec<f64> = (0..12).map(|_| normal(2.0)).collect();
        let operators: Vec<f64> = (0..6).map(|_| normal(0.7)).collect();
        let mut readings = Vec::new();
        for (i, item) in items.iter().enumerate() {
            for (o, operator) in operators.iter().enumerate() {
                let pair = normal(0.4);
                let closings = (i * 7 + o * 3) % 5;
                let values = (0..closings)
                    .map(|_| reading(i, o, 50.0 + item + operator + pair + normal(0.5)));
                readings.extend(values);
            }
        }
        readings
    }

    #[test]
    fn an_unbalanced_history_gives_the_components_without_bias() {
        let trials = 300;
        let mut sums = [0.0; 4];
        for seed in 0..trials {
            let cells = cells_of(&history(seed));
            let found = components(&cells, &[0, 1, 2]).expect("components");
            for (sum, value) in sums.iter_mut().zip(found) {
                *sum += value / trials as f64;
            }
        }
        // Variances planted; tolerances of about four standard errors of the mean over the trials.
        near(sums[0], 4.0, 0.45);
        near(sums[1], 0.49, 0.09);
        near(sums[2], 0.16, 0.04);
        near(sums[3], 0.25, 0.012);
    }
}
