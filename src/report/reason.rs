//! Theory beside what was measured: from the document of a run to its reasons, for every front alike.
//!
//! Each works on the least SE of all faces and polarisations at each frequency, with bounds as bounds.

use super::ReportError;
use super::chart::{Chart, Kind, Line, Mark, Series};
use super::graph::{Graph, Level, svg_stacked};
use super::run::{PointDocument, RunDocument};
use super::theory::Over;
use crate::analysis::budget::{Budget, Cause};
use crate::analysis::limit::LimitLine;
use crate::analysis::median;
use crate::analysis::shield::ShieldError;
use crate::analysis::shield::cavity::BoxSize;
use crate::analysis::shield::curve::{CurvePoint, PointKind};
use crate::analysis::shield::design::{Choice, NextTest, Outlook, next_test};
use crate::analysis::shield::explain::{Excitation, Explanation, ItemInside, explain};
use crate::analysis::shield::layers::{Pair, PairCheck, Spacing, nested};
use crate::analysis::shield::pulse::PulseResult;
use crate::analysis::shield::theory::Answer;
use crate::config::{Plan, Polarisation, Station};
use crate::quantity::{Frequency, places, sides};
use crate::store::{Item, ResultKind};

/// Quality factor of a closed item with something in it, where nothing is known (common practice, no source).
const QUALITY: f64 = 40.0;

/// Frequencies offered to the choice of the next readings, in each decade.
const OFFERED_PER_DECADE: u32 = 20;

/// The curve that decides, bounds as bounds.
pub fn curve(document: &RunDocument) -> Vec<CurvePoint> {
    let deciding = document.deciding().into_iter();
    deciding.filter_map(curve_point).collect()
}

fn curve_point(point: &PointDocument) -> Option<CurvePoint> {
    Some(CurvePoint {
        frequency_hz: point.frequency_hz,
        se_db: point.se_db?,
        u_db: standard_u_db(point)?,
        kind: match point.kind {
            ResultKind::Measured => PointKind::Measured,
            ResultKind::AtLeast => PointKind::AtLeast,
            ResultKind::None => return None,
        },
        dynamic_range_db: point.dynamic_range_db,
    })
}

/// Of the budget; where only an expanded uncertainty was stated, as with readings taken by hand, that over its factor.
fn standard_u_db(point: &PointDocument) -> Option<f64> {
    match &point.budget {
        Some(budget) => Some(budget.combined_db),
        None => point.u_db.map(|u_db| u_db / point.k.unwrap_or(2.0)),
    }
}

/// The inside of an item whose size is written with three sides.
fn inside(item: &Item) -> Option<ItemInside> {
    match sides(item.size.as_deref()?).as_deref() {
        Some(&[a, b, c]) => Some(ItemInside {
            size: BoxSize { a, b, c },
            quality: QUALITY,
        }),
        _ => None,
    }
}

/// What the curve of a run of this item is consistent with.
///
/// # Errors
/// For fewer than four results.
pub fn explained(document: &RunDocument, item: Option<&Item>) -> Result<Explanation, ShieldError> {
    let inside = item.and_then(inside);
    let said = explain(&curve(document), inside.as_ref(), Excitation::PlaneWave)?;
    Ok(said.with_common_error(common_db(document)))
}

/// What is wrong at all frequencies of a run together: the drift of the source, and half the variance of what one
/// closing, one position and the receiver's linearity do (common practice, no source: nobody knows the share).
fn common_db(document: &RunDocument) -> f64 {
    let variance = |budget: &Budget| -> f64 {
        let parts = budget.components.iter().map(|part| {
            let share = match part.cause {
                Cause::SourceDrift => 1.0,
                Cause::Repeatability | Cause::Position | Cause::ReceiverLinearity => 0.5,
                _ => 0.0,
            };
            share * part.u_db * part.u_db
        });
        parts.sum()
    };
    let budgets = document
        .points
        .iter()
        .filter_map(|point| point.budget.as_ref());
    median(budgets.map(|budget| variance(budget).sqrt())).unwrap_or(0.0)
}

/// What two measured items would give one inside the other, against the limit of the first.
///
/// # Errors
/// For curves without a common range.
pub fn layered(
    first: &RunDocument,
    second: &RunDocument,
    spacing: Spacing,
) -> Result<Pair, ShieldError> {
    let line = match first.limit.is_empty() {
        true => None,
        false => LimitLine::new(first.limit.clone()).ok(),
    };
    // Outside the limit line nothing is required.
    let limit = |hz: f64| line.as_ref().and_then(|line| line.at_db(hz)).unwrap_or(0.0);
    let limit: Option<&dyn Fn(f64) -> f64> = line.as_ref().map(|_| &limit as &dyn Fn(f64) -> f64);
    nested(&curve(first), &curve(second), spacing, limit)
}

/// Where one more reading would tell most, over all faces and polarisations of a run.
///
/// # Errors
/// Where no face can be explained.
pub fn next(
    document: &RunDocument,
    item: Option<&Item>,
    frequencies: &[Frequency],
    readings: usize,
) -> Result<NextTest, ShieldError> {
    let inside = item.and_then(inside);
    let mut faces: Vec<Choice> = Vec::new();
    let mut refused = None;
    for (face, polarisation) in placements(document) {
        let points = document.points.iter();
        let curve: Vec<_> = points
            .filter(|point| point.face == face && point.polarisation == polarisation)
            .filter_map(curve_point)
            .collect();
        match explain(&curve, inside.as_ref(), Excitation::PlaneWave) {
            Ok(explanation) => faces.push(Choice {
                face: placement_name(face, polarisation),
                explanation,
            }),
            Err(error) => refused = Some(error),
        }
    }
    if let (true, Some(error)) = (faces.is_empty(), refused) {
        return Err(error);
    }
    let outlook = Outlook {
        frequencies,
        u_db: usual_u_db(document),
        dynamic_range_db: usual_range_db(document),
        readings,
    };
    next_test(&faces, &outlook)
}

/// Frequencies to choose the next readings from: the plan's range unless other ends are given.
///
/// # Errors
/// Where the ends are not in order.
pub fn offered(
    plan: &Plan,
    from: Option<Frequency>,
    to: Option<Frequency>,
) -> Result<Vec<Frequency>, ShieldError> {
    let (first, last) = (plan.frequencies.first(), plan.frequencies.last());
    let (Some(from), Some(to)) = (from.or(first.copied()), to.or(last.copied())) else {
        return Err(ShieldError::TooFew {
            what: "frequencies in the run's plan",
            given: 0,
            needed: 1,
        });
    };
    let over = Over {
        from,
        to,
        per_decade: OFFERED_PER_DECADE,
        ..Over::default()
    };
    over.frequencies()
}

/// The run's plan with what was picked, read back and checked against the run's station.
///
/// # Errors
/// What the plan kept with the run says.
pub fn next_plan(plan: &Plan, station: &Station, next: &NextTest) -> Result<String, ReportError> {
    let readings = &next.readings;
    let mut frequencies: Vec<_> = readings
        .iter()
        .map(|reading| Frequency::from_hz(reading.frequency_hz))
        .collect();
    frequencies.sort_by(|a, b| a.hz().total_cmp(&b.hz()));
    frequencies.dedup();
    let picked = |face: &str, polarisation: &str| {
        let name = placement_name(face, polarisation);
        readings.iter().any(|reading| reading.face == name)
    };
    let faces: Vec<String> = plan
        .faces
        .iter()
        .filter(|face| plan.polarisations.iter().any(|p| picked(face, p.word())))
        .cloned()
        .collect();
    let polarisations: Vec<Polarisation> = plan
        .polarisations
        .iter()
        .filter(|p| plan.faces.iter().any(|face| picked(face, p.word())))
        .copied()
        .collect();
    let name = format!("{}, next", plan.name);
    let text = plan
        .rewritten(&name, &frequencies, &faces, &polarisations)
        .map_err(|error| ReportError::NextPlan(error.to_string()))?;
    let text = format!(
        "# The readings that would tell most next, picked by `muffle shield next`.\n{text}"
    );
    let read = Plan::read("the next plan", &text);
    let read = read.map_err(|faults| ReportError::NextPlan(faults.to_string()))?;
    let fits = read.check(station);
    fits.map_err(|error| ReportError::NextPlan(error.to_string()))?;
    Ok(text)
}

/// How a face and polarisation is named among the choices of [`next`].
pub fn placement_name(face: &str, polarisation: &str) -> String {
    format!("{face}, {polarisation}")
}

/// Every face and polarisation of a run, in the order measured.
fn placements(document: &RunDocument) -> Vec<(&str, &str)> {
    let mut placements = Vec::new();
    for point in &document.points {
        let placement = (point.face.as_str(), point.polarisation.as_str());
        if !placements.contains(&placement) {
            placements.push(placement);
        }
    }
    placements
}

/// The median standard uncertainty of a run's points; 1 dB where there is none.
fn usual_u_db(document: &RunDocument) -> f64 {
    let budgets = document
        .points
        .iter()
        .filter_map(|point| point.budget.as_ref());
    median(budgets.map(|budget| budget.combined_db)).unwrap_or(1.0)
}

fn usual_range_db(document: &RunDocument) -> Option<f64> {
    median(
        document
            .points
            .iter()
            .filter_map(|point| point.dynamic_range_db),
    )
}

/// The measured curve with the model that was fitted to it, and below it what is left over.
pub fn explanation_charts(document: &RunDocument, said: &Explanation) -> Vec<Chart> {
    let mut measured = document.deciding_chart();
    // The first of its sentences; all of them stand in the text beside the picture.
    measured.verdict = said
        .sentence
        .split_inclusive(". ")
        .next()
        .map(str::to_owned);
    for series in &mut measured.series {
        series.label = "measured".to_owned();
    }
    measured.theory = vec![Line {
        label: "fitted".to_owned(),
        points: said
            .residuals
            .iter()
            .map(|residual| (residual.frequency_hz, residual.fitted_db))
            .collect(),
    }];
    let left = |set_aside: bool, label: &str| Series {
        label: label.to_owned(),
        points: said
            .residuals
            .iter()
            .filter(|residual| residual.set_aside == set_aside)
            .map(|residual| Mark {
                frequency_hz: residual.frequency_hz,
                se_db: residual.residual_db,
                u_db: None,
                kind: match residual.kind {
                    PointKind::Measured => Kind::Measured,
                    PointKind::AtLeast => Kind::AtLeast,
                },
            })
            .collect(),
    };
    let mut series = vec![left(false, "used in the fit")];
    if said.residuals.iter().any(|residual| residual.set_aside) {
        series.push(left(true, "set aside as a dip"));
    }
    let residuals = Chart {
        title: "What the model leaves over".to_owned(),
        subtitle: "measured less fitted; of a bound, how far it lies above the model".to_owned(),
        quantity: "residual, dB".to_owned(),
        series,
        footer: format!("{}; {}", said.basis.source, said.basis.validity),
        ..Chart::default()
    };
    vec![measured, residuals]
}

/// The bracket of two nested items beside each of them, and beside the pair where it was measured.
pub fn layers_chart(
    first: &RunDocument,
    second: &RunDocument,
    pair: &Pair,
    measured: Option<&RunDocument>,
) -> Chart {
    let line = |label: &str, value: &dyn Fn(usize) -> f64| Line {
        label: label.to_owned(),
        points: (0..pair.points.len())
            .map(|at| (pair.points[at].frequency_hz, value(at)))
            .collect(),
    };
    let series = |document: &RunDocument, role: &str| Series {
        label: format!(
            "{role}: {}",
            document.item.as_deref().unwrap_or("reference")
        ),
        points: deciding_marks(document),
    };
    let mut all = vec![series(first, "one"), series(second, "other")];
    all.extend(measured.map(|document| series(document, "both, measured")));
    Chart {
        title: "One inside the other".to_owned(),
        subtitle: "a bracket over the spacing, from theory and the two measured curves".to_owned(),
        limit: first.limit.clone(),
        series: all,
        theory: vec![
            line("pair, worst", &|at| pair.points[at].worst_db),
            line("pair, best", &|at| {
                pair.points[at].best_db.unwrap_or(f64::NAN)
            }),
        ],
        footer: format!("runs {} and {}", first.run, second.run),
        ..Chart::default()
    }
}

/// A pair that was measured, beside its bracket.
///
/// # Errors
/// Where the run has no results.
pub fn pair_check(pair: &Pair, measured: &RunDocument) -> Result<Vec<PairCheck>, ShieldError> {
    pair.compare(&curve(measured))
}

/// Theory over frequency, with the measured curve beside it where there is one.
pub fn theory_chart(title: &str, answer: &Answer, measured: Option<&RunDocument>) -> Chart {
    let columns = answer.columns.iter().filter(|column| column.is_se);
    let theory = columns.map(|column| Line {
        label: match column.heading.trim_end_matches(" dB") {
            "SE" => "theory".to_owned(),
            part => format!("theory, {part}"),
        },
        points: answer.line(column),
    });
    let series = measured.map(|document| Series {
        label: format!(
            "measured: {}",
            document.item.as_deref().unwrap_or("reference")
        ),
        points: deciding_marks(document),
    });
    Chart {
        title: title.to_owned(),
        subtitle: format!("theory: {}", answer.basis.source),
        verdict: Some(format!("holds for: {}", answer.basis.validity)),
        limit: measured.map_or(Vec::new(), |document| document.limit.clone()),
        theory: theory.collect(),
        series: series.into_iter().collect(),
        footer: measured.map_or(String::new(), |document| format!("run {}", document.run)),
        ..Chart::default()
    }
}

pub(super) fn deciding_marks(document: &RunDocument) -> Vec<Mark> {
    let mut series = document.deciding_chart().series;
    series.pop().map_or(Vec::new(), |deciding| deciding.points)
}

/// The pulse outside and what is left of it inside, over time, as one SVG document.
pub fn pulse_graphs(document: &RunDocument, said: &PulseResult) -> String {
    svg_stacked(
        &format!(
            "A pulse at {}",
            document.item.as_deref().unwrap_or("reference")
        ),
        &format!(
            "run {}; from {} to {} measured, beyond continued",
            document.run,
            Frequency::from_hz(said.measured_hz.0),
            Frequency::from_hz(said.measured_hz.1)
        ),
        &pulse_graph_pair(document, said),
    )
}

/// Significant digits of a field behind a shield: its numerics are good to 2 %.
pub(super) const FIELD_DIGITS: i32 = 4;

/// A field strength in V/m, without its unit.
pub fn field(value_v_per_m: f64) -> String {
    format!("{value_v_per_m:.*}", places(value_v_per_m, FIELD_DIGITS))
}

/// The pulse outside, and what is left of it inside.
pub(super) fn pulse_graph_pair(document: &RunDocument, said: &PulseResult) -> [Graph; 2] {
    let item = document.item.as_deref().unwrap_or("reference");
    let over_time = |field: &[f64]| -> Vec<(f64, f64)> {
        let times = said.time_s.iter().map(|s| s * 1e9);
        times.zip(field.iter().copied()).collect()
    };
    let level = |value: f64, label: &str| Level {
        value,
        label: label.to_owned(),
        strong: false,
    };
    let outside = Graph {
        title: format!("Outside {item}"),
        verdict: Some("the undisturbed pulse".to_owned()),
        across_label: "time, ns".to_owned(),
        up_label: "electric field, V/m".to_owned(),
        line: over_time(&said.outside_v_per_m),
        ..Graph::default()
    };
    let mut levels = vec![
        level(said.any_phase_peak_v_per_m, "any phase, at most"),
        level(said.peak_high_v_per_m, "peak, at most"),
    ];
    levels.extend(
        said.peak_low_v_per_m
            .map(|low| level(low, "peak, at least")),
    );
    let inside = Graph {
        title: format!("Inside {item}"),
        verdict: Some(match said.at_most {
            true => "minimum phase; the curve holds bounds, so all of it is at most".to_owned(),
            false => "minimum phase".to_owned(),
        }),
        across_label: "time, ns".to_owned(),
        up_label: "electric field, V/m".to_owned(),
        line: over_time(&said.inside_v_per_m),
        levels,
        ..Graph::default()
    };
    [outside, inside]
}
