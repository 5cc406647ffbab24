//! The pictures of statements about more than one run: operating characteristic, difference, trend, control
//! charts.

use super::graph::{Across, Dot, Graph, Level, svg_stacked};
use crate::analysis::chart::ControlChart;
use crate::analysis::compare::{ComparePoint, Comparison, Finding};
use crate::analysis::lot::{AttributePlan, OcPoint};
use crate::evaluate::compare::CompareDocument;
use crate::evaluate::stability::StabilityDocument;
use crate::evaluate::trend::{Axis, Line, TrendDocument};
use crate::quantity::Frequency;

/// How likely a plan accepts a lot, over how much of the lot does not conform.
pub fn operating_characteristic(title: &str, plan: &AttributePlan, points: &[OcPoint]) -> Graph {
    let of = plan.lot.map_or("a running production".to_owned(), |size| {
        format!("a lot of {size}")
    });
    let level = |value: f64, label: &str| Level {
        value,
        label: label.to_owned(),
        strong: false,
    };
    Graph {
        title: title.to_owned(),
        subtitle: format!(
            "operating characteristic: {} units of {of}, {} may fail",
            plan.sample, plan.accept
        ),
        verdict: Some(format!(
            "accepted in 95 % of cases with {:.2} % nonconforming, in less than 10 % with more than {:.2} %",
            100.0 * plan.quality_accepted(0.95),
            100.0 * plan.quality_accepted(0.10)
        )),
        across_label: "share of the lot that does not conform, %".to_owned(),
        up_label: "chance of acceptance, %".to_owned(),
        up_ends: Some((0.0, 100.0)),
        levels: vec![level(95.0, "95 %: producer"), level(10.0, "10 %: consumer")],
        line: points
            .iter()
            .map(|point| (100.0 * point.nonconforming, 100.0 * point.accepted))
            .collect(),
        ..Graph::default()
    }
}

/// The differences of the first comparison over frequency, with their intervals for all points together.
pub fn difference_graph(document: &CompareDocument) -> Graph {
    let first = document.comparisons.first();
    first.map_or_else(Graph::default, |comparison| {
        difference_of(&document.points, comparison)
    })
}

/// The differences of one comparison.
pub(super) fn difference_of(points: &[ComparePoint], comparison: &Comparison) -> Graph {
    let margin_db = comparison.rule.margin_db;
    let level = |value: f64, label: String| Level {
        value,
        label,
        strong: value == 0.0,
    };
    let dots = points.iter().zip(&comparison.points);
    Graph {
        title: format!("{} minus {}", comparison.first, comparison.second),
        subtitle: format!(
            "difference of the SE with intervals that hold together with {:.0} % confidence; an arrow is an open end",
            100.0 * comparison.rule.confidence
        ),
        verdict: Some(comparison.sentence.clone()),
        across: Across::Frequencies,
        across_label: "frequency".to_owned(),
        up_label: "difference, dB".to_owned(),
        levels: vec![
            level(0.0, "no difference".to_owned()),
            level(margin_db, format!("+{margin_db:.1} dB")),
            level(-margin_db, format!("−{margin_db:.1} dB")),
        ],
        dots: dots
            .map(|(point, difference)| Dot {
                at: point.frequency_hz,
                value: difference.difference_db.unwrap_or(f64::NAN),
                ends: (
                    difference.simultaneous.lower_db,
                    difference.simultaneous.upper_db,
                ),
                bound: false,
                loud: matches!(
                    difference.finding,
                    Finding::FirstBetter | Finding::SecondBetter
                ),
            })
            .collect(),
        ..Graph::default()
    }
}

/// What decides, or one frequency, over cycles or days, with the line and its band.
pub fn trend_graph(document: &TrendDocument, frequency_hz: Option<f64>) -> Graph {
    let at_frequency = frequency_hz.and_then(|hz| {
        let mut all = document.frequencies.iter();
        all.find(|at| at.frequency_hz == hz)
    });
    let (line, what): (&Line, String) = match at_frequency {
        Some(at) => (
            &at.line,
            format!("SE at {}", Frequency::from_hz(at.frequency_hz)),
        ),
        None if document.deciding.limit_db.is_some() => {
            (&document.deciding, "least margin".to_owned())
        }
        None => (&document.deciding, "least SE".to_owned()),
    };
    let events = document.events.1.as_str();
    let verdict = match (at_frequency, &line.trend) {
        (None, _) => Some(document.sentence.clone()),
        (Some(_), Some(trend)) => Some(trend.sentence(line.limit_db, &document.events.0, events)),
        (Some(_), None) => line.reason.clone(),
    };
    Graph {
        title: document.item.clone(),
        subtitle: format!("{what} of {} runs", document.runs.len()),
        verdict,
        across_label: match document.axis {
            Axis::Cycles => events.to_owned(),
            Axis::Days => "days since the first run".to_owned(),
        },
        up_label: format!("{what}, dB"),
        levels: line
            .limit_db
            .map(|value| Level {
                value,
                label: "limit".to_owned(),
                strong: true,
            })
            .into_iter()
            .collect(),
        band: line
            .band
            .iter()
            .map(|point| (point.at, point.lower_db, point.upper_db))
            .collect(),
        line: line.band.iter().map(|p| (p.at, p.fit_db)).collect(),
        dots: line
            .values
            .iter()
            .map(|point| Dot {
                at: point.at,
                value: point.value.reached_db(),
                bound: point.value.is_bound(),
                ..Dot::default()
            })
            .collect(),
        ..Graph::default()
    }
}

/// Individual values and moving ranges of everything watched, in the mean over frequencies.
pub fn control_graphs(document: &StabilityDocument) -> String {
    let charts = document.watched.iter().filter_map(|watched| {
        let chart = watched.mean.chart.as_ref()?;
        Some(control_pair(&watched.what, chart))
    });
    let graphs: Vec<Graph> = charts.flatten().collect();
    svg_stacked(
        &document.station,
        "control charts of the means over frequency; what breaks a rule is ringed",
        &graphs,
    )
}

fn control_pair(what: &str, chart: &ControlChart) -> [Graph; 2] {
    let limits = &chart.limits;
    let level = |value: f64, label: &str, strong: bool| Level {
        value,
        label: format!("{label} {value:.2}").replace('-', "−"),
        strong,
    };
    let dot = |index: usize, value: f64, loud: bool| Dot {
        // By number, as the notes name them: visits come when they come.
        at: (index + 1) as f64,
        value,
        loud,
        ..Dot::default()
    };
    let broken = |index: usize| chart.signals.iter().any(|signal| signal.index == index);
    let values = Graph {
        title: format!("{what}: individual values"),
        verdict: Some(chart.notes.join("; ")),
        across_label: "visit".to_owned(),
        across_ends: Some((0.5, chart.points.len() as f64 + 0.5)),
        up_label: "dB or dBm".to_owned(),
        levels: vec![
            level(limits.upper_db, "upper limit", true),
            level(limits.centre_db, "centre", false),
            level(limits.lower_db, "lower limit", true),
        ],
        dots: (0..chart.points.len())
            .map(|index| dot(index, chart.points[index].value_db, broken(index)))
            .collect(),
        joined: true,
        ..Graph::default()
    };
    let largest_db = chart
        .moving_ranges_db
        .iter()
        .copied()
        .fold(limits.range_upper_db, f64::max);
    let ranges = Graph {
        title: format!("{what}: moving ranges"),
        verdict: None,
        levels: vec![
            level(limits.range_upper_db, "upper limit", true),
            level(limits.range_mean_db, "mean", false),
        ],
        up_label: "dB".to_owned(),
        up_ends: Some((0.0, 1.05 * largest_db)),
        dots: chart
            .moving_ranges_db
            .iter()
            .enumerate()
            .map(|(before, range_db)| {
                let index = before + 1;
                dot(index, *range_db, chart.range_signals.contains(&index))
            })
            .collect(),
        ..values.clone()
    };
    [values, ranges]
}
