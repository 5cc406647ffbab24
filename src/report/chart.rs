//! SE over frequency as a picture: the one chart that terminal, pages and reports share.
//!
//! What was measured is a filled mark with its expanded uncertainty; neighbours are joined. What was
//! only bounded is an open mark with an arrow upwards, joined to nothing: the SE is somewhere above.
//! Where there is no result the line is broken and a small cross stands at the foot. Series differ by
//! mark, dash and a label beside them; colour only helps. Marks of several series at one frequency are
//! set side by side, 7 px apart at most. The colours keep at least 4.8:1 against white and a CIELAB
//! distance of at least 14 from each other under simulated protanopia, deuteranopia and tritanopia
//! (matrices of Machado, Oliveira and Fernandes 2009, from memory); the rest is grey.
//!
//! The SVG is written with `maud`, because its macro reads like the markup it makes and escapes all that
//! it is given; a plotting library would have to be bent to bounds, gaps and hatched limits. It has no
//! ids, style sheets or references, so several can stand in one page. Same input, same bytes.

use maud::{Markup, html};

use super::axis::{Axes, Domain, Frame, drawable_db};
use super::plot::{
    ARROW_PX, Look, PAPER, SAMPLE_PX, Sample, constant_db, dense, leader, pieces_px, plot, rule,
    sample, scales, sorted,
};
use super::text::{Anchor, BODY, FAMILY, PANEL_TITLE, SMALL, Style, TITLE, VERDICT, px, text_at};

/// One picture: what was asked of the item, what was seen, and the verdict. Texts may hold anything;
/// they are escaped and cut to the room there is.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Chart {
    /// First line: the item's serial.
    pub title: String,
    /// Second line: model, plan.
    pub subtitle: String,
    /// The verdict in words, if there is one.
    pub verdict: Option<String>,
    /// Limit line as (Hz, dB), straight between points on the logarithmic axis, drawn only from first
    /// to last; two points at one frequency make a step, a NaN a break.
    pub limit: Vec<(f64, f64)>,
    /// What was measured, one for each face and polarisation or for each item.
    pub series: Vec<Series>,
    /// Dynamic range, the largest SE the set-up could have seen, as (Hz, dB); the paper above it is shaded.
    pub visible: Vec<(f64, f64)>,
    /// What theory gives, drawn thin and without marks: lines beside the measurement, never instead of it.
    pub theory: Vec<Line>,
    /// What the vertical axis is; SE when empty.
    pub quantity: String,
    /// Last line: run and date.
    pub footer: String,
}

/// A line of theory.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Line {
    /// The text beside it.
    pub label: String,
    /// (Hz, dB), straight between points on the logarithmic axis; a NaN breaks it.
    pub points: Vec<(f64, f64)>,
}

/// Points that belong together, such as one face and polarisation.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Series {
    /// The text beside the line.
    pub label: String,
    /// In any order; sorted by frequency when drawn.
    pub points: Vec<Mark>,
}

/// One result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// SE or, for [`Kind::AtLeast`], its lower bound, dB; ignored for [`Kind::None`].
    pub se_db: f64,
    /// Expanded uncertainty, dB; drawn for measured marks only.
    pub u_db: Option<f64>,
    /// What the number is.
    pub kind: Kind,
}

/// What a result says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The SE itself.
    Measured,
    /// The SE is at least this.
    AtLeast,
    /// Nothing.
    None,
}

impl Mark {
    /// The kind to draw: a number that cannot be an SE (NaN, beyond ±1000 dB) is no result.
    pub(super) fn drawn_kind(&self) -> Kind {
        match drawable_db(self.se_db) {
            true => self.kind,
            false => Kind::None,
        }
    }

    /// Half the length of the uncertainty bar, dB, if one is to be drawn.
    pub(super) fn bar_db(&self) -> Option<f64> {
        self.u_db
            .filter(|u| self.kind == Kind::Measured && *u > 0.0 && drawable_db(*u))
    }
}

/// What a picture calls things: English, unless a report speaks another language.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Words {
    /// A measured mark without uncertainty; nothing leaves its sign out of the key.
    pub measured: String,
    /// A measured mark with a bar.
    pub measured_bar: String,
    /// The same where marks lie so close that bars become a band.
    pub measured_band: String,
    /// A lower bound.
    pub at_least: String,
    /// A lower bound that stands for its neighbours.
    pub at_least_lowest: String,
    /// A place without result.
    pub none: String,
    /// The limit line.
    pub limit: String,
    /// The largest SE the set-up could have seen.
    pub range: String,
    /// Said where there is nothing to draw.
    pub nothing: String,
}

impl Default for Words {
    fn default() -> Self {
        Self {
            measured: "measured".to_owned(),
            measured_bar: "measured; bar: expanded uncertainty".to_owned(),
            measured_band: "measured; bar or band: expanded uncertainty".to_owned(),
            at_least: "lower bound: SE is at least this".to_owned(),
            at_least_lowest: "lower bound: SE is at least this (lowest of neighbours)".to_owned(),
            none: "no result".to_owned(),
            limit: "limit line".to_owned(),
            range: "dynamic range".to_owned(),
            nothing: "no results yet".to_owned(),
        }
    }
}

const WIDTH: f64 = 800.0;
const MARGIN: f64 = 28.0;
const INNER: f64 = WIDTH - 2.0 * MARGIN;
/// Room left of a frame for the SE numbers.
const NUMBERS: f64 = 32.0;

impl Chart {
    /// The chart as an SVG document, 800 units wide.
    pub fn svg(&self) -> String {
        let (body, height) = self.drawn();
        page(height, &self.title, &body)
    }

    /// What is on the paper, and how high that is.
    fn drawn(&self) -> (Markup, f64) {
        const LABELS: f64 = 634.0;
        let header = if self.verdict.is_some() { 98.0 } else { 72.0 };
        let frame = Frame {
            left: MARGIN + NUMBERS,
            right: LABELS - 20.0,
            top: header + 34.0,
            bottom: header + 34.0 + 320.0,
        };
        let looks: Vec<Look> = (0..self.series.len()).map(Look).collect();
        let charts = std::slice::from_ref(self);
        let axes = Axes {
            domain: Domain::of(charts, headroom(frame)),
            frame,
        };
        let words = Words::default();
        let signs = mark_signs(charts, frame, &words);
        let (key, key_bottom) = key(&signs, (MARGIN, WIDTH - MARGIN), frame.bottom + 56.0);
        let body = html! {
            (line(MARGIN, 42.0, TITLE, &self.title, INNER))
            (line(MARGIN, 63.0, SMALL, &self.subtitle, INNER))
            @if let Some(verdict) = &self.verdict { (line(MARGIN, 89.0, VERDICT, verdict, INNER)) }
            (line(MARGIN, frame.top - 14.0, SMALL, self.quantity(), INNER))
            (plot(self, &axes, &looks))
            (scales(&axes, true))
            (text_at(LABELS + SAMPLE_PX + 6.0, frame.bottom + 18.0, Anchor::Start, SMALL, "frequency"))
            @if self.is_bare() { (no_results(frame, &words.nothing)) }
            (beside(self.labels(&axes, &looks), LABELS, frame))
            (key)
            (footer(key_bottom + 12.0, &self.footer))
        };
        (body, key_bottom + 48.0)
    }

    fn quantity(&self) -> &str {
        match self.quantity.as_str() {
            "" => "shielding effectiveness (SE), dB",
            given => given,
        }
    }

    /// Whether there is nothing to be seen, neither measured nor calculated.
    fn is_bare(&self) -> bool {
        self.theory.is_empty() && self.series.iter().all(|s| sorted(s).is_empty())
    }

    /// What stands beside the frame: a name for each line, on the height of its last mark.
    fn labels(&self, axes: &Axes, looks: &[Look]) -> Vec<Label> {
        let end = |line: &[(f64, f64)]| pieces_px(line, axes).last()?.last().copied();
        let mut labels = Vec::new();
        if let Some(anchor) = end(&self.visible) {
            labels.push(Label {
                anchor: Some(anchor),
                text: "dynamic range".to_owned(),
                sign: Sample::Range,
            });
        }
        if let Some(anchor) = end(&self.limit) {
            let text = match constant_db(&self.limit) {
                Some(db) => format!("limit line, {db} dB"),
                None => "limit line".to_owned(),
            };
            labels.push(Label {
                anchor: Some(anchor),
                text,
                sign: Sample::Limit,
            });
        }
        for (index, theory) in self.theory.iter().enumerate() {
            labels.push(Label {
                anchor: end(&theory.points),
                text: theory.label.clone(),
                sign: Sample::Theory(index),
            });
        }
        for (series, look) in self.series.iter().zip(looks) {
            let last = sorted(series)
                .into_iter()
                .rfind(|m| m.drawn_kind() != Kind::None);
            let anchor = last.map(|m| (axes.x(m.frequency_hz), axes.y(m.se_db)));
            let sign = match anchor {
                Some(_) => Sample::Series(*look),
                None => Sample::Empty(*look),
            };
            labels.push(Label {
                anchor,
                text: series.label.clone(),
                sign,
            });
        }
        labels
    }
}

/// Charts with axes of their own, one below the other, as one SVG document.
pub fn svg_column(title: &str, charts: &[Chart]) -> String {
    let mut placed = Vec::new();
    let mut height = 0.0;
    for chart in charts {
        let (body, own) = chart.drawn();
        placed.push((body, height, own));
        height += own;
    }
    let body = html! {
        @for (body, top, own) in &placed {
            svg y=(top) width=(WIDTH) height=(own) { (body) }
        }
    };
    page(height, title, &body)
}

/// Several items in one picture, a panel each on the same axes; series of the same label look the same.
pub fn svg_panels(title: &str, charts: &[Chart]) -> String {
    let mut names: Vec<&str> = Vec::new();
    for series in charts.iter().flat_map(|c| &c.series) {
        if !names.contains(&series.label.as_str()) {
            names.push(&series.label);
        }
    }
    let look = |series: &Series| Look(names.iter().position(|n| *n == series.label).unwrap_or(0));
    let grid = PanelGrid::of(charts.len());
    let one_footer = charts
        .first()
        .map(|c| c.footer.as_str())
        .filter(|f| charts.iter().all(|c| c.footer == *f));
    let domain = Domain::of(charts, headroom(grid.frame(0, 0.0)));

    let mut signs: Vec<(Sample, String)> = names
        .iter()
        .enumerate()
        .map(|(i, name)| (Sample::Series(Look(i)), (*name).to_owned()))
        .collect();
    let words = Words::default();
    let any_limit = charts.iter().any(|c| !c.limit.is_empty());
    signs.extend(any_limit.then(|| (Sample::Limit, words.limit.clone())));
    let any_range = charts.iter().any(|c| !c.visible.is_empty());
    signs.extend(any_range.then(|| (Sample::Range, words.range.clone())));
    signs.extend(mark_signs(charts, grid.frame(0, 0.0), &words));
    let (key, key_bottom) = key(&signs, (MARGIN, WIDTH - MARGIN), 92.0);
    let top = key_bottom + 22.0;
    let bottom = top + grid.height();
    let body = html! {
        (line(MARGIN, 42.0, TITLE, title, INNER))
        (text_at(MARGIN, 63.0, Anchor::Start, SMALL,
            "shielding effectiveness (SE) in dB against frequency; all panels have the same axes"))
        (key)
        @if charts.is_empty() { (text_at(MARGIN, top + 20.0, Anchor::Start, VERDICT, "no items yet")) }
        @for (i, chart) in charts.iter().enumerate() {
            @let axes = Axes { domain, frame: grid.frame(i, top) };
            @let looks: Vec<Look> = chart.series.iter().map(look).collect();
            (panel(chart, &axes, &looks, grid.has_numbers(i), one_footer.is_none()))
        }
        (footer(bottom, one_footer.unwrap_or("")))
    };
    page(bottom + 36.0, title, &body)
}

/// Where the panels of a page stand.
#[derive(Debug, Clone, Copy)]
struct PanelGrid {
    panels: usize,
    columns: usize,
}

impl PanelGrid {
    const GUTTER: f64 = 46.0;
    const HEADER: f64 = 74.0;
    const PITCH: f64 = Self::HEADER + 150.0 + 78.0;

    fn of(panels: usize) -> Self {
        let columns = match panels {
            0..=1 => 1,
            2..=4 => 2,
            _ => 3,
        };
        Self { panels, columns }
    }

    fn height(self) -> f64 {
        self.panels.div_ceil(self.columns).max(1) as f64 * Self::PITCH
    }

    fn has_numbers(self, panel: usize) -> bool {
        panel.is_multiple_of(self.columns)
    }

    fn frame(self, panel: usize, top: f64) -> Frame {
        let columns = self.columns as f64;
        let width = (INNER - NUMBERS - Self::GUTTER * (columns - 1.0)) / columns;
        let left = MARGIN + NUMBERS + (panel % self.columns) as f64 * (width + Self::GUTTER);
        let top = top + (panel / self.columns) as f64 * Self::PITCH + Self::HEADER;
        Frame {
            left,
            right: left + width,
            top,
            bottom: top + 150.0,
        }
    }
}

fn panel(
    chart: &Chart,
    axes: &Axes,
    looks: &[Look],
    with_numbers: bool,
    with_footer: bool,
) -> Markup {
    let Frame {
        left, top, bottom, ..
    } = axes.frame;
    let room = axes.frame.width();
    html! {
        g class="panel" {
            (line(left, top - 60.0, PANEL_TITLE, &chart.title, room))
            (line(left, top - 43.5, BODY, chart.verdict.as_deref().unwrap_or(""), room))
            (lines(left, top - 28.0, SMALL, &chart.subtitle, room))
            (plot(chart, axes, looks))
            (scales(axes, with_numbers))
            @if with_footer { (lines(left, bottom + 36.0, SMALL, &chart.footer, room + 20.0)) }
        }
    }
}

/// Share of the frame's height kept free above the highest mark, so that a bound's arrow fits.
pub(super) fn headroom(frame: Frame) -> f64 {
    (ARROW_PX + 6.0) / (frame.bottom - frame.top)
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

pub(super) fn no_results(frame: Frame, text: &str) -> Markup {
    let (x, y) = (
        (frame.left + frame.right) / 2.0,
        (frame.top + frame.bottom) / 2.0,
    );
    let width = VERDICT.width(text) + 34.0;
    html! {
        rect x=(px(x - width / 2.0)) y=(px(y - 18.0)) width=(px(width)) height="26" fill=(PAPER) {}
        (text_at(x, y, Anchor::Middle, VERDICT, text))
    }
}

/// A line of text from outside, cut to the room there is.
fn line(x: f64, y: f64, style: Style, text: &str, room: f64) -> Markup {
    text_at(x, y, Anchor::Start, style, &style.fit(text, room))
}

/// The same on two lines if one is too short.
fn lines(x: f64, y: f64, style: Style, text: &str, room: f64) -> Markup {
    html! {
        @for (text, y) in style.fit_two(text, room).iter().zip([y, y + 14.5]) {
            (text_at(x, y, Anchor::Start, style, text))
        }
    }
}

fn footer(y: f64, text: &str) -> Markup {
    html! {
        @if !text.is_empty() {
            (rule(MARGIN, WIDTH - MARGIN, y))
            (line(MARGIN, y + 18.0, SMALL, text, INNER))
        }
    }
}

/// A name beside the frame.
struct Label {
    /// The end of what it names, if that was drawn.
    anchor: Option<(f64, f64)>,
    text: String,
    sign: Sample,
}

/// Names stacked right of the frame, each as near to the height of its line as the others allow.
fn beside(mut labels: Vec<Label>, x: f64, frame: Frame) -> Markup {
    const PITCH: f64 = 17.0;
    let bottom = frame.bottom - PITCH / 2.0;
    let wanted = |label: &Label| label.anchor.map_or(bottom, |(_, y)| y);
    let slots = ((bottom - frame.top) / PITCH) as usize;
    let left_out = match labels.len() {
        count if count <= slots => 0,
        // The last slot says how many are not named.
        count => count + 1 - slots,
    };
    labels.truncate(labels.len() - left_out);
    labels.sort_by(|a, b| wanted(a).total_cmp(&wanted(b)));
    let last = if left_out == 0 {
        bottom
    } else {
        bottom - PITCH
    };
    let wanted: Vec<f64> = labels.iter().map(wanted).collect();
    let heights = spread(&wanted, PITCH, frame.top, last);
    let text_x = x + SAMPLE_PX + 6.0;
    html! {
        @for (label, y) in labels.iter().zip(&heights) {
            @if let Some((end_x, end_y)) = label.anchor {
                (leader((end_x + 6.0, end_y), (x - 4.0, *y)))
            }
            (sample(label.sign, x, *y))
            (line(text_x, y + 4.0, BODY, &label.text, WIDTH - text_x - 10.0))
        }
        @if left_out > 0 {
            (text_at(text_x, bottom + 4.0, Anchor::Start, SMALL, &format!("and {left_out} more")))
        }
    }
}

/// Heights at least `pitch` apart between `top` and `bottom`, near the `wanted` ones (ascending).
fn spread(wanted: &[f64], pitch: f64, top: f64, bottom: f64) -> Vec<f64> {
    let mut heights = wanted.to_vec();
    let mut least = top;
    for y in &mut heights {
        *y = y.max(least);
        least = *y + pitch;
    }
    let mut most = bottom;
    for y in heights.iter_mut().rev() {
        *y = y.min(most);
        most = *y - pitch;
    }
    heights
}

/// The signs for kinds of mark that these charts show, with their meaning.
pub(super) fn mark_signs(charts: &[Chart], frame: Frame, words: &Words) -> Vec<(Sample, String)> {
    let marks = || charts.iter().flat_map(|c| &c.series).flat_map(sorted);
    let shows = |kind| marks().any(|m| m.drawn_kind() == kind);
    let thinned = charts
        .iter()
        .flat_map(|c| &c.series)
        .any(|s| dense(s.points.len(), frame));
    let mut signs = Vec::new();
    if shows(Kind::Measured) {
        let uncertain = marks().any(|m| m.bar_db().is_some());
        let meaning = match (uncertain, thinned) {
            (false, _) => &words.measured,
            (true, false) => &words.measured_bar,
            (true, true) => &words.measured_band,
        };
        // Where everything is measured a picture may do without saying so.
        if !meaning.is_empty() {
            signs.push((Sample::Measured { bar: uncertain }, meaning.clone()));
        }
    }
    if shows(Kind::AtLeast) {
        let meaning = match thinned {
            false => &words.at_least,
            true => &words.at_least_lowest,
        };
        signs.push((Sample::Bound, meaning.clone()));
    }
    if shows(Kind::None) {
        signs.push((Sample::Gap, words.none.clone()));
    }
    signs
}

/// Signs and their meaning in as many rows as they need between left and right, the first on height `y`; and
/// where they end.
pub(super) fn key(signs: &[(Sample, String)], (left, right): (f64, f64), y: f64) -> (Markup, f64) {
    const GAP: f64 = 22.0;
    let (mut x, mut y) = (left, y);
    let mut placed = Vec::new();
    for (sign, meaning) in signs {
        let meaning = SMALL.fit(meaning, right - left - SAMPLE_PX - 6.0);
        let width = SAMPLE_PX + 6.0 + SMALL.width(&meaning);
        if x > left && x + width > right {
            (x, y) = (left, y + 20.0);
        }
        placed.push((*sign, meaning, x, y));
        x += width + GAP;
    }
    let markup = html! {
        @for (sign, meaning, x, y) in &placed {
            (sample(*sign, *x, *y))
            (text_at(x + SAMPLE_PX + 6.0, y + 4.0, Anchor::Start, SMALL, meaning))
        }
    };
    (markup, y + 10.0)
}
