//! What lies inside the axes: grid, dynamic range, limit line and the marks of each series.

use maud::{Markup, html};

use super::axis::{Axes, Frame, clipped, drawable_hz};
use super::chart::{Chart, Kind, Mark, Series};
use super::text::{Anchor, INK, QUIET, SMALL, px, text_at};

pub(super) const PAPER: &str = "#ffffff";
pub(super) const HAIRLINE: &str = "#dfdfd9";
const BEYOND: &str = "#f1f1ed";
const COLOURS: [&str; 4] = ["#0b4a8f", "#b5471b", "#16806a", "#7a2a6b"];
const DASHES: [&str; 5] = ["none", "6 3", "2 2.5", "9 3 2 3", "14 4"];
/// Lines of theory are thin and in the ink of the text, so that nobody takes them for something measured.
const THEORY_DASHES: [&str; 4] = ["none", "5 3", "1.5 2.5", "8 2 2 2"];
fn theory_dash(index: usize) -> &'static str {
    THEORY_DASHES[index % THEORY_DASHES.len()]
}

/// How far the longest arrow of a bound reaches above its mark.
pub(super) const ARROW_PX: f64 = 16.0;
/// Closer than this, marks become a line with an uncertainty band.
const DENSE_PX: f64 = 4.0;

/// How one series is told from the others: mark, dash, colour.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look(pub usize);

impl Look {
    fn colour(self) -> &'static str {
        // Shifted by one each time round, so that a shape comes back in another colour.
        COLOURS[(self.0 + self.0 / 4) % COLOURS.len()]
    }

    fn dash(self) -> &'static str {
        DASHES[self.0 % DASHES.len()]
    }

    /// Circle, square, diamond or triangle on its point, all of about the same area.
    fn outline(self, x: f64, y: f64, r: f64) -> String {
        let polygon = |corners: &[(f64, f64)]| {
            let corners = corners.iter().map(|(dx, dy)| (x + dx * r, y + dy * r));
            format!("{}Z", path(corners))
        };
        match self.0 % 4 {
            0 => {
                let (left, right, y, r) = (px(x - r), px(x + r), px(y), px(r));
                format!("M{left} {y}A{r} {r} 0 1 1 {right} {y}A{r} {r} 0 1 1 {left} {y}Z")
            }
            1 => polygon(&[(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)]),
            2 => polygon(&[(0.0, -1.35), (1.25, 0.0), (0.0, 1.35), (-1.25, 0.0)]),
            _ => polygon(&[(-1.2, -0.85), (1.2, -0.85), (0.0, 1.25)]),
        }
    }
}

/// A path through the points, with one decimal.
fn path(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut d = String::new();
    for (x, y) in points {
        d.push(if d.is_empty() { 'M' } else { 'L' });
        d.push_str(&format!("{} {}", px(x), px(y)));
    }
    d
}

/// Everything inside the frame.
pub(super) fn plot(chart: &Chart, axes: &Axes, looks: &[Look]) -> Markup {
    let places = places(chart, axes.frame);
    html! {
        (dynamic_range(chart, axes))
        (grid(axes))
        (limit_line(chart, axes))
        @for (index, line) in chart.theory.iter().enumerate() {
            @for piece in pieces_px(&line.points, axes) {
                path class="theory" d=(path(piece)) fill="none" stroke=(INK) stroke-width="1"
                    stroke-dasharray=(theory_dash(index)) {}
            }
        }
        @for ((series, look), place) in chart.series.iter().zip(looks).zip(places) {
            (series_marks(series, *look, &axes.moved(place)))
        }
    }
}

/// How far each series is moved sideways, so that marks at one frequency stand side by side: by
/// one mark's width all in all, and not at all where marks become lines.
fn places(chart: &Chart, frame: Frame) -> impl Iterator<Item = f64> {
    const SPREAD_PX: f64 = 7.2;
    let count = chart.series.len() as f64;
    let most = chart
        .series
        .iter()
        .map(|s| s.points.len())
        .max()
        .unwrap_or(0);
    let step = match dense(most, frame) || chart.series.len() < 2 {
        true => 0.0,
        false => {
            (frame.width() / most.max(1) as f64 / (count + 1.0)).min(SPREAD_PX / (count - 1.0))
        }
    };
    (0..chart.series.len()).map(move |i| (i as f64 - (count - 1.0) / 2.0) * step)
}

/// Pieces of a line over frequency on the paper; a single point becomes a short stroke.
pub(super) fn pieces_px(line: &[(f64, f64)], axes: &Axes) -> Vec<Vec<(f64, f64)>> {
    let on_paper = |piece: Vec<(f64, f64)>| {
        let points: Vec<_> = piece.iter().map(|p| (axes.x(p.0), axes.y(p.1))).collect();
        match points[..] {
            [(x, y)] => vec![(x - 8.0, y), (x + 8.0, y)],
            _ => points,
        }
    };
    clipped(line, axes.domain.edges_hz())
        .into_iter()
        .map(on_paper)
        .collect()
}

fn dynamic_range(chart: &Chart, axes: &Axes) -> Markup {
    let top = axes.frame.top;
    let area = |piece: &[(f64, f64)]| {
        let ends = [piece.last(), piece.first()].into_iter().flatten();
        let above = ends.map(|&(x, _)| (x, top));
        format!("{}Z", path(piece.iter().copied().chain(above)))
    };
    html! {
        @for piece in pieces_px(&chart.visible, axes) {
            path class="beyond" d=(area(&piece)) fill=(BEYOND) {}
            path class="range" d=(path(piece)) fill="none" stroke=(QUIET) stroke-width="0.8" {}
        }
    }
}

fn grid(axes: &Axes) -> Markup {
    let Frame {
        left,
        right,
        top,
        bottom,
    } = axes.frame;
    let zero = axes.y(0.0);
    html! {
        g stroke=(HAIRLINE) stroke-width="0.8" {
            @for tick in axes.se_ticks(SE_ROOM_PX) {
                path d=(path([(left, tick.at_px), (right, tick.at_px)])) {}
            }
            @for tick in axes.frequency_ticks(HZ_ROOM_PX).iter().filter(|t| t.label.is_some()) {
                path d=(path([(tick.at_px, top), (tick.at_px, bottom)])) {}
            }
        }
        g stroke=(QUIET) stroke-width="0.8" {
            path d=(path([(left, bottom), (right, bottom)])) {}
            @if zero < bottom - 1.0 {
                path d=(path([(left, zero), (right, zero)])) {}
            }
        }
    }
}

/// Room for one SE number, px.
const SE_ROOM_PX: f64 = 24.0;
/// Room for one frequency, px.
const HZ_ROOM_PX: f64 = 62.0;

/// The numbers at the frame: frequency below it and, if wanted, SE at its left.
pub(super) fn scales(axes: &Axes, with_se: bool) -> Markup {
    let Frame { left, bottom, .. } = axes.frame;
    html! {
        @for tick in axes.frequency_ticks(HZ_ROOM_PX) {
            @let length = if tick.label.is_some() { 5.0 } else { 3.0 };
            path d=(path([(tick.at_px, bottom), (tick.at_px, bottom + length)]))
                stroke=(QUIET) stroke-width="0.8" {}
            @if let Some(label) = &tick.label {
                (text_at(tick.at_px, bottom + 18.0, Anchor::Middle, SMALL, label))
            }
        }
        @for tick in axes.se_ticks(SE_ROOM_PX) {
            @if let (true, Some(label)) = (with_se, &tick.label) {
                (text_at(left - 8.0, tick.at_px + 4.0, Anchor::End, SMALL, label))
            }
        }
    }
}

/// A strong line with strokes on the side that does not satisfy it.
fn limit_line(chart: &Chart, axes: &Axes) -> Markup {
    html! {
        @for piece in pieces_px(&chart.limit, axes) {
            g class="limit" stroke=(INK) fill="none" {
                path d=(path(piece.iter().copied())) stroke-width="1.6" {}
                path d=(hatching(&piece)) stroke-width="0.7" {}
            }
        }
    }
}

fn hatching(piece: &[(f64, f64)]) -> String {
    const PITCH: f64 = 7.0;
    let mut d = String::new();
    for pair in piece.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        // On multiples of the pitch, so that the strokes run on evenly across the points.
        let mut x = (a.0 / PITCH).ceil() * PITCH;
        while x < b.0 {
            let y = a.1 + (x - a.0) / (b.0 - a.0) * (b.1 - a.1);
            d.push_str(&path([(x, y), (x - 3.0, y + 4.5)]));
            x += PITCH;
        }
    }
    d
}

/// The series' marks that can be put on the axis, by frequency.
pub(super) fn sorted(series: &Series) -> Vec<Mark> {
    let on_axis = |mark: &&Mark| drawable_hz(mark.frequency_hz);
    let mut marks: Vec<Mark> = series.points.iter().filter(on_axis).copied().collect();
    marks.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    marks
}

/// Whether the marks lie so close that single ones could not be told apart.
pub(super) fn dense(marks: usize, frame: Frame) -> bool {
    frame.width() < DENSE_PX * marks as f64
}

fn series_marks(series: &Series, look: Look, axes: &Axes) -> Markup {
    let marks = sorted(series);
    let dense = dense(marks.len(), axes.frame);
    let pitch_px = axes.frame.width() / marks.len().max(1) as f64;
    let r = (0.3 * pitch_px).clamp(1.4, 3.6);
    let of_kind = |kind| {
        marks
            .iter()
            .filter(move |m: &&Mark| m.drawn_kind() == kind)
            .copied()
    };
    let (bounds, gaps): (Vec<_>, Vec<_>) = match dense {
        true => (
            thinned(of_kind(Kind::AtLeast), axes),
            thinned(of_kind(Kind::None), axes),
        ),
        false => (
            of_kind(Kind::AtLeast).collect(),
            of_kind(Kind::None).collect(),
        ),
    };
    let measured = |m: &Mark| m.drawn_kind() == Kind::Measured;
    html! {
        g class="series" stroke=(look.colour()) stroke-linejoin="round" {
            @for run in marks.chunk_by(|a, b| measured(a) && measured(b)).filter(|run| measured(&run[0])) {
                @if dense && run.len() > 1 { (band(run, look, axes)) }
                @else { (bars_and_marks(run, look, r, axes)) }
            }
            @for mark in &bounds {
                (bound(axes.x(mark.frequency_hz), axes.y(mark.se_db), look, r))
            }
            @for mark in &gaps {
                (gap(axes.x(mark.frequency_hz), axes.frame.bottom - 5.0))
            }
        }
    }
}

/// One mark for every few px, and of the bounds the lowest, which holds for all it stands for.
fn thinned(marks: impl Iterator<Item = Mark>, axes: &Axes) -> Vec<Mark> {
    let column = |m: &Mark| (axes.x(m.frequency_hz) / 9.0).floor();
    let marks: Vec<Mark> = marks.collect();
    marks
        .chunk_by(|a, b| column(a) == column(b))
        .filter_map(|chunk| {
            chunk
                .iter()
                .copied()
                .min_by(|a, b| a.se_db.total_cmp(&b.se_db))
        })
        .collect()
}

/// Neighbouring measured points: joined, each with its uncertainty.
fn bars_and_marks(run: &[Mark], look: Look, r: f64, axes: &Axes) -> Markup {
    let at = |m: &Mark| (axes.x(m.frequency_hz), axes.y(m.se_db));
    html! {
        @if run.len() > 1 {
            (joined(run, look, axes))
        }
        @for mark in run {
            @let (x, y) = at(mark);
            g class="measured" {
                @if let Some(u_db) = mark.bar_db() {
                    path d=(bar(x, axes.y(mark.se_db + u_db), axes.y(mark.se_db - u_db), r)) stroke-width="1" fill="none" {}
                }
                path d=(look.outline(x, y, r)) fill=(look.colour()) stroke=(PAPER) stroke-width="0.7" {}
            }
        }
    }
}

fn joined(run: &[Mark], look: Look, axes: &Axes) -> Markup {
    let line = path(
        run.iter()
            .map(|m| (axes.x(m.frequency_hz), axes.y(m.se_db))),
    );
    html! {
        path class="joined" d=(line) fill="none" stroke-width="1.3" stroke-dasharray=(look.dash()) {}
    }
}

fn bar(x: f64, top: f64, bottom: f64, r: f64) -> String {
    let cap = 0.8 * r;
    let across = |y: f64| path([(x - cap, y), (x + cap, y)]);
    format!(
        "{}{}{}",
        across(top),
        path([(x, top), (x, bottom)]),
        across(bottom)
    )
}

/// Measured points too close to tell apart: a line in its band of uncertainty.
fn band(run: &[Mark], look: Look, axes: &Axes) -> Markup {
    let edge = |m: &Mark, sign: f64| {
        (
            axes.x(m.frequency_hz),
            axes.y(m.se_db + sign * m.bar_db().unwrap_or(0.0)),
        )
    };
    let upper = run.iter().map(|m| edge(m, 1.0));
    let lower = run.iter().rev().map(|m| edge(m, -1.0));
    html! {
        path class="band" d={ (path(upper.chain(lower))) "Z" } fill=(look.colour()) fill-opacity="0.18" stroke="none" {}
        (joined(run, look, axes))
    }
}

/// An open mark with an arrow upwards: the SE is at least this.
fn bound(x: f64, y: f64, look: Look, r: f64) -> Markup {
    let tip = y - (9.0 + 2.0 * r).min(ARROW_PX);
    let head = path([(x - 3.2, tip + 4.6), (x, tip), (x + 3.2, tip + 4.6)]);
    html! {
        g class="bound" stroke-width="1.3" fill="none" stroke-linecap="round" {
            path d={ (path([(x, y), (x, tip)])) (head) } {}
            path d=(look.outline(x, y, r)) fill=(PAPER) {}
        }
    }
}

/// A small cross: nothing is known here.
fn gap(x: f64, y: f64) -> Markup {
    const R: f64 = 2.4;
    let cross = [
        path([(x - R, y - R), (x + R, y + R)]),
        path([(x - R, y + R), (x + R, y - R)]),
    ];
    html! {
        path class="gap" d={ (cross[0]) (cross[1]) } stroke-width="1" fill="none" {}
    }
}

/// The value of a line that is the same everywhere.
pub(super) fn constant_db(line: &[(f64, f64)]) -> Option<f64> {
    let (_, first) = *line.first()?;
    line.iter().all(|p| p.1 == first).then_some(first)
}

/// A sign that stands beside its explanation.
#[derive(Debug, Clone, Copy)]
pub(super) enum Sample {
    Series(Look),
    Limit,
    Range,
    /// A line of theory, by its place among them.
    Theory(usize),
    Measured {
        bar: bool,
    },
    Bound,
    Gap,
    /// A series of which nothing could be drawn.
    Empty(Look),
}

/// Room a sample takes, px.
pub(super) const SAMPLE_PX: f64 = 26.0;

/// Draws a sign with its left end at `x`, on the height of the middle of its text.
pub(super) fn sample(sign: Sample, x: f64, y: f64) -> Markup {
    let mid = x + SAMPLE_PX / 2.0;
    let stroke = [(x, y), (x + SAMPLE_PX, y)];
    let neutral = Look(0);
    html! {
        g class="sample" {
            @match sign {
                Sample::Series(look) => g stroke=(look.colour()) {
                    path d=(path(stroke)) stroke-width="1.3" stroke-dasharray=(look.dash()) {}
                    path d=(look.outline(mid, y, 3.6)) fill=(look.colour()) stroke=(PAPER) stroke-width="0.7" {}
                },
                Sample::Limit => g stroke=(INK) {
                    path d=(path(stroke)) stroke-width="1.6" {}
                    path d=(hatching(&stroke)) stroke-width="0.7" {}
                },
                Sample::Range => {
                    path d={ (path([(x, y), (x + SAMPLE_PX, y), (x + SAMPLE_PX, y - 7.0), (x, y - 7.0)])) "Z" } fill=(BEYOND) {}
                    path d=(path(stroke)) stroke=(QUIET) stroke-width="0.8" {}
                },
                Sample::Theory(index) => path d=(path(stroke)) stroke=(INK) stroke-width="1"
                    stroke-dasharray=(theory_dash(index)) {},
                Sample::Measured { bar: with_bar } => g stroke=(QUIET) {
                    @if with_bar { path d=(bar(mid, y - 7.0, y + 7.0, 3.6)) stroke-width="1" {} }
                    path d=(neutral.outline(mid, y, 3.6)) fill=(QUIET) stroke=(PAPER) stroke-width="0.7" {}
                },
                Sample::Bound => g stroke=(QUIET) { (bound(mid, y + 6.0, neutral, 3.2)) },
                Sample::Gap => g stroke=(QUIET) { (gap(mid, y)) },
                Sample::Empty(look) => g stroke=(look.colour()) { (gap(mid, y)) },
            }
        }
    }
}

/// A thin line from a mark to the text that names it.
pub(super) fn leader(from: (f64, f64), to: (f64, f64)) -> Markup {
    html! {
        path class="leader" d=(path([from, to])) stroke=(QUIET) stroke-width="0.6" fill="none" {}
    }
}

/// A hairline across the paper.
pub(super) fn rule(from: f64, to: f64, y: f64) -> Markup {
    html! {
        path d=(path([(from, y), (to, y)])) stroke=(HAIRLINE) stroke-width="1" {}
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test fails by panicking")]
mod tests {
    use super::*;

    /// Contrast ratio as WCAG 2.2 defines it (relative luminance, sRGB).
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |colour: &str| -> f64 {
            let channel = |at: usize| {
                let value = u8::from_str_radix(&colour[at..at + 2], 16).unwrap();
                match f64::from(value) / 255.0 {
                    c if c <= 0.04045 => c / 12.92,
                    c => ((c + 0.055) / 1.055).powf(2.4),
                }
            };
            0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn inks_have_contrast() {
        // WCAG 2.2: 1.4.3 asks for 4.5:1 for text, 1.4.11 for 3:1 for graphics.
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        for paper in [PAPER, BEYOND] {
            for text in [INK, QUIET] {
                assert!(contrast(text, paper) >= 4.5, "{text} on {paper}");
            }
            for colour in COLOURS {
                assert!(contrast(colour, paper) >= 4.0, "{colour} on {paper}");
            }
        }
    }

    #[test]
    fn twenty_series_all_look_different() {
        let look = |i: usize| (i % 4, Look(i).colour(), Look(i).dash());
        for i in 0..20 {
            for j in 0..i {
                assert_ne!(look(i), look(j), "{i} and {j}");
            }
        }
        let shapes: std::collections::BTreeSet<_> =
            (0..4).map(|i| Look(i).outline(0.0, 0.0, 1.0)).collect();
        assert_eq!(shapes.len(), 4);
    }
}
