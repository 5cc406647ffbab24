//! A drawing of the set-up: what feeds the antenna, how far it stands from the item, where the receiver is.
//! Not to scale; the numbers are the station file's.

use maud::{Markup, html};

use super::figure::{WIDTH, svg};
use super::plot::PAPER;
use super::text::{Anchor, BODY, INK, QUIET, SMALL, px, text_at};

/// What stands in the drawing, in the language of the report.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Setup {
    /// The source and what is known of it.
    pub source: (String, String),
    /// The amplifier and its gain.
    pub amplifier: Option<(String, String)>,
    /// The transmit antenna and what is known of it.
    pub antenna: (String, String),
    /// Written along the distance.
    pub distance: String,
    /// The item and its size; none for a reference.
    pub item: Option<(String, String)>,
    /// The receive antenna.
    pub receive_antenna: String,
    /// The receiver and what is known of it.
    pub receiver: (String, String),
    /// Whether the receiver lies in the item.
    pub sealed: bool,
}

const BOX_WIDTH: f64 = 104.0;
const AXIS: f64 = 66.0;

/// The drawing as SVG.
pub(super) fn drawing(setup: &Setup) -> String {
    let first = 2.0;
    let second = first + BOX_WIDTH + 22.0;
    let transmit = match setup.amplifier {
        Some(_) => second + BOX_WIDTH + 34.0,
        None => second + 34.0,
    };
    let item_left = transmit + 108.0;
    let receive = item_left + 48.0;
    let item_right = match setup.sealed {
        true => WIDTH - 6.0,
        false => item_left + 96.0,
    };
    let receiver = match setup.sealed {
        true => receive + 26.0,
        false => WIDTH - BOX_WIDTH - 2.0,
    };
    let body = html! {
        g fill="none" stroke=(INK) stroke-width="1.2" {
            path d=(line((first + BOX_WIDTH, AXIS), (transmit, AXIS))) {}
            path d=(line((receive, AXIS), (receiver, AXIS))) {}
            (horn(transmit, 1.0))
            (horn(receive, -1.0))
            (waves(transmit + 24.0))
            @if setup.item.is_some() {
                rect x=(px(item_left)) y="20" width=(px(item_right - item_left)) height="92" rx="9"
                    stroke-width="2.2" stroke-dasharray="7 3.5" {}
            }
        }
        (labelled(first, &setup.source))
        @if let Some(amplifier) = &setup.amplifier { (labelled(second, amplifier)) }
        (labelled(receiver, &setup.receiver))
        (below(transmit - 2.0, &setup.antenna.0, &setup.antenna.1, 140.0))
        @if let Some((serial, size)) = &setup.item {
            (above((item_left + item_right) / 2.0, serial))
            (below((item_left + item_right) / 2.0, &setup.receive_antenna, size, 150.0))
        } @else {
            (below(receive, &setup.receive_antenna, "", 150.0))
        }
        (dimension(transmit, receive, &setup.distance))
    };
    svg(192.0, &body)
}

fn line(from: (f64, f64), to: (f64, f64)) -> String {
    let (x1, y1, x2, y2) = (px(from.0), px(from.1), px(to.0), px(to.1));
    format!("M{x1} {y1}L{x2} {y2}")
}

/// An antenna as a horn that opens to the right (1) or to the left (-1).
fn horn(x: f64, side: f64) -> Markup {
    let mouth = x + 14.0 * side;
    let (top, bottom) = (AXIS - 13.0, AXIS + 13.0);
    html! {
        path fill=(PAPER) stroke-linejoin="round"
            d={ (line((x, AXIS - 3.0), (mouth, top))) "L" (px(mouth)) " " (px(bottom)) "L" (px(x)) " " (px(AXIS + 3.0)) "Z" } {}
    }
}

fn waves(x: f64) -> Markup {
    html! {
        @for i in 0..3 {
            @let (x, half) = (x + f64::from(i) * 10.0, 7.0 + 3.0 * f64::from(i));
            path stroke=(QUIET) stroke-width="1"
                d={ "M" (px(x)) " " (px(AXIS - half)) "Q" (px(x + half * 0.6)) " " (px(AXIS)) " " (px(x)) " " (px(AXIS + half)) } {}
        }
    }
}

fn labelled(x: f64, (name, note): &(String, String)) -> Markup {
    let middle = x + BOX_WIDTH / 2.0;
    html! {
        rect x=(px(x)) y=(px(AXIS - 23.0)) width=(px(BOX_WIDTH)) height="46" fill=(PAPER) stroke=(INK) stroke-width="1.2" {}
        (text_at(middle, AXIS - 3.0, Anchor::Middle, BODY, &BODY.fit(name, BOX_WIDTH - 8.0)))
        (text_at(middle, AXIS + 13.0, Anchor::Middle, SMALL, &SMALL.fit(note, BOX_WIDTH - 8.0)))
    }
}

fn above(x: f64, text: &str) -> Markup {
    html! { (text_at(x, 12.0, Anchor::Middle, BODY, &BODY.fit(text, 200.0))) }
}

fn below(x: f64, name: &str, note: &str, room: f64) -> Markup {
    html! {
        (text_at(x, 130.0, Anchor::Middle, SMALL, &SMALL.fit(name, room)))
        (text_at(x, 144.0, Anchor::Middle, SMALL, &SMALL.fit(note, room)))
    }
}

/// The distance between the antennas, with arrows at its ends.
fn dimension(from: f64, to: f64, text: &str) -> Markup {
    const Y: f64 = 164.0;
    let head = |x: f64, side: f64| {
        let back = x + 6.0 * side;
        line((back, Y - 3.0), (x, Y)) + &line((x, Y), (back, Y + 3.0))
    };
    html! {
        g fill="none" stroke=(QUIET) stroke-width="0.9" {
            path d={ (line((from, Y), (to, Y))) (head(from, 1.0)) (head(to, -1.0)) } {}
            path stroke-dasharray="1.5 2.5" d={ (line((from, AXIS + 16.0), (from, 118.0))) (line((to, AXIS + 16.0), (to, 118.0))) } {}
        }
        (text_at((from + to) / 2.0, Y + 16.0, Anchor::Middle, BODY, text))
    }
}
