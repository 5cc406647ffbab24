//! The chart as a figure of a document: no title (the caption says it), everything explained in a key below,
//! so narrow that its letters are as large as those around it on A4 paper.

use maud::{Markup, html};

use super::axis::{Axes, Domain, Frame};
use super::chart::{Chart, Words, headroom, key, mark_signs, no_results};
use super::plot::{Look, PAPER, Sample, constant_db, plot, scales, sorted};
use super::text::{Anchor, FAMILY, SMALL, text_at};

/// Width of every figure, px; on A4 paper it is drawn 471 pt wide.
pub(super) const WIDTH: f64 = 600.0;
const LEFT: f64 = 34.0;
const TOP: f64 = 28.0;
const HEIGHT: f64 = 250.0;

/// The chart with its axis named `axis` (`SE, dB`).
pub(super) fn figure(chart: &Chart, axis: &str, words: &Words) -> String {
    let frame = Frame {
        left: LEFT,
        right: WIDTH - 10.0,
        top: TOP,
        bottom: TOP + HEIGHT,
    };
    let charts = std::slice::from_ref(chart);
    let axes = Axes {
        domain: Domain::of(charts, headroom(frame)),
        frame,
    };
    let looks: Vec<Look> = (0..chart.series.len()).map(Look).collect();
    let signs = signs(chart, &looks, frame, words);
    let (key, bottom) = key(&signs, (2.0, WIDTH), frame.bottom + 42.0);
    let body = html! {
        (text_at(2.0, 12.0, Anchor::Start, SMALL, axis))
        (plot(chart, &axes, &looks))
        (scales(&axes, true))
        @if chart.series.iter().all(|series| sorted(series).is_empty()) {
            (no_results(frame, &words.nothing))
        }
        (key)
    };
    svg(bottom + 2.0, &body)
}

fn signs(chart: &Chart, looks: &[Look], frame: Frame, words: &Words) -> Vec<(Sample, String)> {
    let mut signs: Vec<(Sample, String)> = chart
        .series
        .iter()
        .zip(looks)
        // One series without a name needs no sign of its own.
        .filter(|(series, _)| !series.label.is_empty())
        .map(|(series, look)| (Sample::Series(*look), series.label.clone()))
        .collect();
    if !chart.limit.is_empty() {
        let text = match constant_db(&chart.limit) {
            Some(db) => format!("{}, {db} dB", words.limit),
            None => words.limit.clone(),
        };
        signs.push((Sample::Limit, text));
    }
    if !chart.visible.is_empty() {
        signs.push((Sample::Range, words.range.clone()));
    }
    signs.extend(mark_signs(std::slice::from_ref(chart), frame, words));
    signs
}

/// A figure of that height.
pub(super) fn svg(height: f64, body: &Markup) -> String {
    let svg = html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(WIDTH) height=(height)
            viewBox={ "0 0 " (WIDTH) " " (height) } font-family={ (FAMILY) ", sans-serif" } {
            rect width=(WIDTH) height=(height) fill=(PAPER) {}
            (body)
        }
    };
    svg.into_string()
}
