//! A value over something other than SE over frequency: an operating characteristic, a control chart, a trend, a
//! difference.
//!
//! One plain frame with linear numbers upwards, and across linear numbers or frequencies on a logarithmic
//! scale. What was measured is a filled mark, what is only a bound an open one with an arrow, what deserves a
//! look is ringed; lines that matter are named at the right. The same paper, ink and type as [`super::Chart`].

use maud::{Markup, html};

use super::axis::nice_step;
use super::plot::{HAIRLINE, PAPER, rule};
use super::text::{Anchor, FAMILY, INK, PANEL_TITLE, QUIET, SMALL, TITLE, VERDICT, px, text_at};
use crate::quantity::Frequency;

const WIDTH: f64 = 800.0;
const MARGIN: f64 = 28.0;
/// Room left of a frame for its numbers.
const NUMBERS: f64 = 44.0;
/// Room right of a frame for the names of lines.
const NAMES: f64 = 150.0;
/// From one number to the next, at least, px.
const ROOM_UP: f64 = 26.0;
const ROOM_ACROSS: f64 = 66.0;
const LINE: &str = "#0b4a8f";
const LOUD: &str = "#b5471b";

/// What runs across.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Across {
    /// Plain numbers, evenly spaced.
    #[default]
    Numbers,
    /// Frequencies in Hz on a logarithmic scale.
    Frequencies,
}

/// A line right across, with its name.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Its height.
    pub value: f64,
    /// Its name.
    pub label: String,
    /// A strong line, such as a limit.
    pub strong: bool,
}

/// A single value.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Dot {
    /// Place across.
    pub at: f64,
    /// Value.
    pub value: f64,
    /// Ends of its interval; an end that is open is `None`. No interval at all when both are.
    pub ends: (Option<f64>, Option<f64>),
    /// The value is at least this.
    pub bound: bool,
    /// It deserves a look.
    pub loud: bool,
}

impl Dot {
    /// The value and the ends of its interval, as far as they are known.
    fn known(&self) -> impl Iterator<Item = f64> {
        let all = [Some(self.value), self.ends.0, self.ends.1];
        all.into_iter().flatten().filter(|value| value.is_finite())
    }
}

/// One frame.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Graph {
    /// First line.
    pub title: String,
    /// Second line.
    pub subtitle: String,
    /// What it comes to, in a sentence.
    pub verdict: Option<String>,
    /// What runs across, and its name.
    pub across: Across,
    /// Its name.
    pub across_label: String,
    /// What is drawn upwards.
    pub up_label: String,
    /// First and last place across; by what is drawn when absent.
    pub across_ends: Option<(f64, f64)>,
    /// Lowest and highest value; by what is drawn when absent.
    pub up_ends: Option<(f64, f64)>,
    /// Whether what is drawn upwards goes by decades; only values above zero are drawn then.
    pub up_decades: bool,
    /// Lines right across.
    pub levels: Vec<Level>,
    /// A band: place, lower and upper edge.
    pub band: Vec<(f64, f64, f64)>,
    /// A line through points.
    pub line: Vec<(f64, f64)>,
    /// Values.
    pub dots: Vec<Dot>,
    /// Whether the dots are joined.
    pub joined: bool,
    /// Last line.
    pub footer: String,
}

impl Graph {
    /// The graph as an SVG document, 800 units wide.
    pub fn svg(&self) -> String {
        let top = if self.verdict.is_some() { 130.0 } else { 104.0 };
        let frame = Rect::below(top, 320.0);
        let foot = frame.bottom + 56.0;
        let body = html! {
            (text_at(MARGIN, 42.0, Anchor::Start, TITLE, &TITLE.fit(&self.title, WIDTH - 2.0 * MARGIN)))
            (text_at(MARGIN, 63.0, Anchor::Start, SMALL, &SMALL.fit(&self.subtitle, WIDTH - 2.0 * MARGIN)))
            @if let Some(verdict) = &self.verdict {
                @for (line, y) in VERDICT_LINE.fit_two(verdict, WIDTH - 2.0 * MARGIN).iter().zip([84.0, 99.0]) {
                    (text_at(MARGIN, y, Anchor::Start, VERDICT_LINE, line))
                }
            }
            (self.inside(frame))
            (foot_line(foot, &self.footer))
        };
        page(foot + 34.0, &self.title, &body)
    }

    /// The graph as a figure of a document: no title, no sentence, as narrow as the page's text.
    pub(super) fn figure(&self) -> String {
        let frame = Rect {
            left: 2.0 + NUMBERS,
            right: super::figure::WIDTH - 112.0,
            top: 28.0,
            bottom: 28.0 + 230.0,
        };
        super::figure::svg(frame.bottom + 44.0, &self.inside(frame))
    }

    fn inside(&self, frame: Rect) -> Markup {
        let scale = Scale::of(self, frame);
        html! {
            (text_at(frame.left - NUMBERS, frame.top - 12.0, Anchor::Start, SMALL, &self.up_label))
            (scale.grid(self.across))
            (self.draw_band(&scale))
            (self.draw_levels(&scale))
            @if self.line.len() > 1 {
                path d=(path(self.line.iter().map(|p| scale.place(*p)))) fill="none" stroke=(LINE) stroke-width="1.6" {}
            }
            @if self.joined && self.dots.len() > 1 {
                path d=(path(self.dots.iter().map(|dot| scale.place((dot.at, dot.value))))) fill="none" stroke=(LINE)
                    stroke-width="1" {}
            }
            @for dot in &self.dots { (draw_dot(dot, &scale)) }
            (text_at(frame.right, frame.bottom + 36.0, Anchor::End, SMALL, &self.across_label))
        }
    }

    fn draw_band(&self, scale: &Scale) -> Markup {
        let upper = self
            .band
            .iter()
            .map(|(at, _, upper)| scale.place((*at, *upper)));
        let lower = self
            .band
            .iter()
            .rev()
            .map(|(at, lower, _)| scale.place((*at, *lower)));
        html! {
            @if self.band.len() > 1 {
                path d={ (path(upper.chain(lower))) "Z" } fill=(LINE) fill-opacity="0.16" stroke="none" {}
            }
        }
    }

    /// Lines across with their names, which are moved apart where they would lie over each other.
    fn draw_levels(&self, scale: &Scale) -> Markup {
        let mut named: Vec<(&Level, f64)> = self
            .levels
            .iter()
            .map(|level| (level, scale.y(level.value)))
            .collect();
        named.sort_by(|a, b| a.1.total_cmp(&b.1));
        let mut least = f64::NEG_INFINITY;
        let frame = scale.frame;
        html! {
            @for (level, y) in named {
                @let text_y = y.max(least);
                @let () = least = text_y + 15.0;
                path d=(path([(frame.left, y), (frame.right, y)])) fill="none"
                    stroke=(if level.strong { INK } else { QUIET })
                    stroke-width=(if level.strong { "1.4" } else { "0.8" })
                    stroke-dasharray=(if level.strong { "none" } else { "5 3" }) {}
                (text_at(frame.right + 8.0, text_y + 4.0, Anchor::Start, SMALL, &SMALL.fit(&level.label, NAMES - 10.0)))
            }
        }
    }
}

const VERDICT_LINE: super::text::Style = super::text::Style {
    size: 12.5,
    ..VERDICT
};

/// Several graphs, one below the other.
pub fn svg_stacked(title: &str, subtitle: &str, graphs: &[Graph]) -> String {
    const PITCH: f64 = 280.0;
    let room = WIDTH - 2.0 * MARGIN;
    let bottom = 96.0 + PITCH * graphs.len() as f64;
    let body = html! {
        (text_at(MARGIN, 42.0, Anchor::Start, TITLE, &TITLE.fit(title, WIDTH - 2.0 * MARGIN)))
        (text_at(MARGIN, 63.0, Anchor::Start, SMALL, &SMALL.fit(subtitle, WIDTH - 2.0 * MARGIN)))
        @for (i, graph) in graphs.iter().enumerate() {
            @let top = 96.0 + PITCH * i as f64;
            (text_at(MARGIN, top, Anchor::Start, PANEL_TITLE, &PANEL_TITLE.fit(&graph.title, WIDTH - 2.0 * MARGIN)))
            @for (line, y) in SMALL.fit_two(graph.verdict.as_deref().unwrap_or(""), room).iter().zip([17.0, 32.0]) {
                (text_at(MARGIN, top + y, Anchor::Start, SMALL, line))
            }
            (graph.inside(Rect::below(top + 64.0, 140.0)))
        }
    };
    page(bottom, title, &body)
}

fn page(height: f64, title: &str, body: &Markup) -> String {
    let svg = html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(WIDTH) height=(height) viewBox={ "0 0 " (WIDTH) " " (height) }
            font-family={ (FAMILY) ", sans-serif" } role="img" aria-label=(TITLE.fit(title, 2000.0)) {
            rect width=(WIDTH) height=(height) fill=(PAPER) {}
            (body)
        }
    };
    svg.into_string()
}

fn foot_line(y: f64, text: &str) -> Markup {
    html! {
        @if !text.is_empty() {
            (rule(MARGIN, WIDTH - MARGIN, y))
            (text_at(MARGIN, y + 18.0, Anchor::Start, SMALL, &SMALL.fit(text, WIDTH - 2.0 * MARGIN)))
        }
    }
}

fn draw_dot(dot: &Dot, scale: &Scale) -> Markup {
    const R: f64 = 3.2;
    let (x, y) = scale.place((dot.at, dot.value));
    let colour = if dot.loud { LOUD } else { LINE };
    let end = |value: Option<f64>, open: f64| value.map_or(open, |value| scale.y(value));
    let (bottom, top) = (
        end(dot.ends.0, scale.frame.bottom),
        end(dot.ends.1, scale.frame.top),
    );
    // Without a value the end that is known is what deserves the look.
    let ringed = dot.known().next().filter(|_| dot.loud);
    let cap = |value: Option<f64>, y: f64| match value {
        Some(_) => path([(x - 3.0, y), (x + 3.0, y)]),
        // An open end is an arrow.
        None => {
            let back = if y < scale.frame.top + 1.0 { 5.0 } else { -5.0 };
            path([(x - 3.0, y + back), (x, y), (x + 3.0, y + back)])
        }
    };
    html! {
        g stroke=(colour) fill="none" stroke-width="1.1" {
            @if dot.ends != (None, None) {
                path d={ (path([(x, top), (x, bottom)])) (cap(dot.ends.0, bottom)) (cap(dot.ends.1, top)) } {}
            }
            @if dot.bound {
                path d={ (path([(x, y), (x, y - 13.0)])) (path([(x - 3.0, y - 8.5), (x, y - 13.0), (x + 3.0, y - 8.5)])) } {}
            }
            @if dot.value.is_finite() {
                circle cx=(px(x)) cy=(px(y)) r=(px(R)) fill=(if dot.bound { PAPER } else { colour }) {}
            }
            @if let Some(value) = ringed { circle cx=(px(x)) cy=(px(scale.y(value))) r="7" {} }
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct Rect {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl Rect {
    fn below(top: f64, height: f64) -> Self {
        Self {
            left: MARGIN + NUMBERS,
            right: WIDTH - MARGIN - NAMES,
            top,
            bottom: top + height,
        }
    }
}

/// Where values land on the paper.
struct Scale {
    frame: Rect,
    log: bool,
    up_log: bool,
    across: (f64, f64),
    /// Ends upwards, as powers of ten where it goes by decades.
    up: (f64, f64),
    step: f64,
}

impl Scale {
    fn of(graph: &Graph, frame: Rect) -> Self {
        let log = graph.across == Across::Frequencies;
        let places = graph.line.iter().map(|p| p.0);
        let places = places
            .chain(graph.band.iter().map(|b| b.0))
            .chain(graph.dots.iter().map(|dot| dot.at))
            .filter(|at| at.is_finite() && (!log || *at > 0.0))
            .map(|at| if log { at.log10() } else { at });
        let across = match graph.across_ends {
            Some(ends) => ends,
            None => padded(span(places), if log { 0.5 } else { 1.0 }),
        };
        let values = graph.line.iter().map(|p| p.1);
        let values = values
            .chain(graph.band.iter().flat_map(|b| [b.1, b.2]))
            .chain(graph.dots.iter().flat_map(Dot::known))
            .chain(graph.levels.iter().map(|level| level.value))
            .map(|value| {
                if graph.up_decades {
                    value.log10()
                } else {
                    value
                }
            })
            .filter(|value| value.is_finite());
        let (low, high) = match graph.up_ends {
            Some(ends) => ends,
            None => padded(span(values), 1.0),
        };
        let most = ((frame.bottom - frame.top) / ROOM_UP).floor();
        let step = match nice_step((high - low) / most) {
            step if graph.up_decades => step.max(1.0).ceil(),
            step => step,
        };
        Self {
            frame,
            log,
            up_log: graph.up_decades,
            across,
            up: ((low / step).floor() * step, (high / step).ceil() * step),
            step,
        }
    }

    fn x(&self, at: f64) -> f64 {
        let at = if self.log { at.log10() } else { at };
        let (low, high) = self.across;
        self.frame.left + (at - low) / (high - low) * (self.frame.right - self.frame.left)
    }

    fn y(&self, value: f64) -> f64 {
        let value = if self.up_log { value.log10() } else { value };
        let (low, high) = self.up;
        let share = ((value - low) / (high - low)).clamp(0.0, 1.0);
        self.frame.bottom - share * (self.frame.bottom - self.frame.top)
    }

    fn place(&self, (at, value): (f64, f64)) -> (f64, f64) {
        (self.x(at), self.y(value))
    }

    /// Round numbers across, with what is written at each.
    fn across_ticks(&self, across: Across) -> Vec<(f64, String)> {
        let (low, high) = self.across;
        let width = self.frame.right - self.frame.left;
        match across {
            Across::Numbers => {
                let step = nice_step(ROOM_ACROSS * (high - low) / width);
                let first = (low / step).ceil() as i64;
                let last = (high / step).floor() as i64;
                let at = |i: i64| i as f64 * step;
                (first..=last)
                    .map(|i| (at(i), number(at(i), step)))
                    .collect()
            }
            Across::Frequencies => {
                let factors: &[f64] = if width / (high - low) > 3.4 * ROOM_ACROSS {
                    &[1.0, 2.0, 5.0]
                } else {
                    &[1.0]
                };
                (low.floor() as i32..=high.ceil() as i32)
                    .flat_map(|decade| factors.iter().map(move |f| f * 10f64.powi(decade)))
                    .filter(|hz| (low..=high).contains(&hz.log10()))
                    .map(|hz| (hz, Frequency::from_hz(hz).to_string()))
                    .collect()
            }
        }
    }

    /// The value of the line so many steps up, and what is written at it.
    fn up_tick(&self, steps: i64) -> (f64, String) {
        let at = self.up.0 + steps as f64 * self.step;
        match self.up_log {
            true => (
                10f64.powf(at),
                number(10f64.powf(at), 10f64.powf(at).min(1.0)),
            ),
            false => (at, number(at, self.step)),
        }
    }

    fn grid(&self, across: Across) -> Markup {
        let Rect {
            left,
            right,
            top,
            bottom,
        } = self.frame;
        let steps = ((self.up.1 - self.up.0) / self.step).round() as i64;
        html! {
            @for i in 0..=steps {
                @let (value, label) = self.up_tick(i);
                @let y = self.y(value);
                path d=(path([(left, y), (right, y)])) stroke=(HAIRLINE) stroke-width="0.8" {}
                (text_at(left - 8.0, y + 4.0, Anchor::End, SMALL, &label))
            }
            @for (at, label) in self.across_ticks(across) {
                @let x = self.x(at);
                path d=(path([(x, top), (x, bottom)])) stroke=(HAIRLINE) stroke-width="0.8" {}
                path d=(path([(x, bottom), (x, bottom + 5.0)])) stroke=(QUIET) stroke-width="0.8" {}
                (text_at(x, bottom + 18.0, Anchor::Middle, SMALL, &label))
            }
            path d=(path([(left, bottom), (right, bottom)])) stroke=(QUIET) stroke-width="0.8" {}
        }
    }
}

/// A number with as many decimals as the step needs; never `-0`.
fn number(value: f64, step: f64) -> String {
    let decimals = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
    let scale = 10f64.powi(decimals as i32);
    let rounded = (value * scale).round() / scale + 0.0;
    format!("{rounded:.decimals$}").replace('-', "−")
}

fn span(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |span, value| {
        let (low, high) = span.unwrap_or((value, value));
        Some((low.min(value), high.max(value)))
    })
}

/// A little wider; around a single value by `room` either way.
fn padded(span: Option<(f64, f64)>, room: f64) -> (f64, f64) {
    let (low, high) = span.unwrap_or((0.0, 1.0));
    let pad = match high - low {
        width if width > 1e-9 => 0.04 * width,
        _ => room,
    };
    (low - pad, high + pad)
}

/// A path through points, with one decimal.
fn path(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut d = String::new();
    for (x, y) in points {
        d.push(if d.is_empty() { 'M' } else { 'L' });
        d.push_str(&format!("{} {}", px(x), px(y)));
    }
    d
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dot_without_a_value_is_ringed_at_the_end_that_is_known() {
        let dot = |ends| Dot {
            at: 1e8,
            value: f64::NAN,
            ends,
            bound: false,
            loud: true,
        };
        let rings = |ends| {
            let graph = Graph {
                across: Across::Frequencies,
                dots: vec![dot(ends), dot((Some(10.0), Some(20.0)))],
                ..Graph::default()
            };
            let svg = graph.svg();
            assert!(!svg.contains("NaN"), "{svg}");
            svg.matches("r=\"7\"").count()
        };
        assert_eq!(rings((Some(10.0), None)), 2);
        assert_eq!(rings((None, Some(20.0))), 2);
        assert_eq!(rings((None, None)), 1);
    }
}
