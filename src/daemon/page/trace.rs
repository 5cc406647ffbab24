//! One trace as a picture: levels over frequency, the floor as a line, the picked peak with its numbers.
//!
//! Colours come from the page's style sheet, so that it is readable in both themes; what is what is said by
//! words and shapes. Of more levels than there are columns, each column shows its lowest and highest.

use maud::{Markup, html};

use crate::quantity::Frequency;
use crate::report::one_decimal;

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 220.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = WIDTH - 12.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = HEIGHT - 34.0;

/// What is to be drawn.
#[derive(Debug, Clone, Copy)]
pub(super) struct TracePicture<'a> {
    /// What it shows, for those who cannot see it.
    pub name: &'a str,
    /// Frequency of the first level, Hz.
    pub start_hz: f64,
    /// Frequency of the last level, Hz.
    pub stop_hz: f64,
    /// The levels, dBm.
    pub levels_dbm: &'a [f64],
    /// The floor, dBm.
    pub floor_dbm: Option<f64>,
    /// The picked peak, Hz and dBm.
    pub peak: Option<(f64, f64)>,
}

impl TracePicture<'_> {
    /// The picture as SVG within a page.
    pub(super) fn svg(&self) -> Markup {
        let scale = self.scale();
        let floor = self.floor_dbm.filter(|floor| floor.is_finite());
        html! {
            svg.trace viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(self.words()) {
                @for level in scale.ticks() {
                    @let y = scale.y(level);
                    path.grid d=(format!("M{LEFT} {y:.1}H{RIGHT}")) {}
                    text.tick x=(LEFT - 8.0) y=(format!("{:.1}", y + 4.0)) text-anchor="end" {
                        (format!("{level:.0}").replace('-', "−"))
                    }
                }
                @for (share, anchor) in [(0.0, "start"), (0.5, "middle"), (1.0, "end")] {
                    text.tick x=(LEFT + share * (RIGHT - LEFT)) y=(BOTTOM + 22.0) text-anchor=(anchor) {
                        (hertz(self.start_hz + share * (self.stop_hz - self.start_hz)))
                    }
                }
                text.tick x=(LEFT - 8.0) y=(BOTTOM + 22.0) text-anchor="end" { "dBm" }
                path.levels d=(self.path(&scale)) {}
                @if let Some(floor) = floor {
                    @let y = scale.y(floor);
                    path.floor d=(format!("M{LEFT} {y:.1}H{RIGHT}")) {}
                    text.note x=(RIGHT - 4.0) y=(format!("{:.1}", y - 6.0)) text-anchor="end" {
                        "floor " (one_decimal(floor)) " dBm"
                    }
                }
                @if let Some((hz, dbm)) = self.peak { (self.peak(hz, dbm, &scale)) }
            }
        }
    }

    /// An open ring around the peak and its numbers beside it, on the side with more room.
    fn peak(&self, hz: f64, dbm: f64, scale: &Scale) -> Markup {
        let (x, y) = (self.x(hz), scale.y(dbm));
        let left = x > (LEFT + RIGHT) / 2.0;
        let (text_x, anchor) = if left {
            (x - 12.0, "end")
        } else {
            (x + 12.0, "start")
        };
        html! {
            circle.peak cx=(format!("{x:.1}")) cy=(format!("{y:.1}")) r="6" {}
            text.note.strong x=(format!("{text_x:.1}")) y=(format!("{:.1}", (y + 4.0).max(TOP + 12.0)))
                text-anchor=(anchor) { "peak " (one_decimal(dbm)) " dBm" }
        }
    }

    fn words(&self) -> String {
        let (start, stop) = (hertz(self.start_hz), hertz(self.stop_hz));
        let mut words = format!("{}, {start} to {stop}", self.name);
        if let Some((hz, dbm)) = self.peak {
            words += &format!(", peak {} dBm at {}", one_decimal(dbm), hertz(hz));
        }
        if let Some(floor) = self.floor_dbm {
            words += &format!(", floor {} dBm", one_decimal(floor));
        }
        words
    }

    fn x(&self, hz: f64) -> f64 {
        let span = self.stop_hz - self.start_hz;
        let share = if span > 0.0 {
            (hz - self.start_hz) / span
        } else {
            0.5
        };
        LEFT + share.clamp(0.0, 1.0) * (RIGHT - LEFT)
    }

    fn scale(&self) -> Scale {
        let peak = self.peak.map(|(_, dbm)| dbm);
        let shown = self
            .levels_dbm
            .iter()
            .copied()
            .chain(self.floor_dbm)
            .chain(peak);
        let (low, high) = shown
            .filter(|level| level.is_finite())
            .fold((f64::MAX, f64::MIN), |(low, high), level| {
                (low.min(level), high.max(level))
            });
        match low <= high {
            true => Scale::around(low, high),
            false => Scale::around(-100.0, 0.0),
        }
    }

    fn path(&self, scale: &Scale) -> String {
        let columns = (RIGHT - LEFT) as usize;
        let last = self.levels_dbm.len().saturating_sub(1).max(1) as f64;
        let x = |index: usize| LEFT + index as f64 / last * (RIGHT - LEFT);
        let chunk = self.levels_dbm.len().div_ceil(columns).max(1);
        let mut path = String::new();
        let mut draw = |x: f64, level: f64| {
            path.push(if path.is_empty() { 'M' } else { 'L' });
            path.push_str(&format!("{x:.1} {:.1}", scale.y(level)));
        };
        for (column, levels) in self.levels_dbm.chunks(chunk).enumerate() {
            let finite = || levels.iter().copied().filter(|level| level.is_finite());
            let low = finite().fold(f64::INFINITY, f64::min);
            let high = finite().fold(f64::NEG_INFINITY, f64::max);
            if low <= high {
                draw(x(column * chunk), high);
            }
            if low < high {
                draw(x(column * chunk), low);
            }
        }
        path
    }
}

fn hertz(hz: f64) -> String {
    Frequency::from_hz(hz).to_string()
}

/// The level axis, in whole steps.
struct Scale {
    low: f64,
    high: f64,
    step: f64,
}

impl Scale {
    fn around(low: f64, high: f64) -> Self {
        let step = match high - low {
            span if span > 100.0 => 40.0,
            span if span > 40.0 => 20.0,
            _ => 10.0,
        };
        Self {
            low: ((low - 2.0) / step).floor() * step,
            high: ((high + 4.0) / step).ceil() * step,
            step,
        }
    }

    fn y(&self, level: f64) -> f64 {
        let share = ((level - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        BOTTOM - share * (BOTTOM - TOP)
    }

    fn ticks(&self) -> impl Iterator<Item = f64> {
        let count = ((self.high - self.low) / self.step).round() as u32;
        (0..=count).map(|n| self.low + f64::from(n) * self.step)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(levels_dbm: &[f64]) -> TracePicture<'_> {
        TracePicture {
            name: "signal <b>",
            start_hz: 99e6,
            stop_hz: 101e6,
            levels_dbm,
            floor_dbm: Some(-95.0),
            peak: Some((100e6, -40.0)),
        }
    }

    #[test]
    fn peak_and_floor_stand_where_they_were_and_are_said_in_words() {
        let levels = [-95.0, -40.0, -95.0];
        let svg = picture(&levels).svg().into_string();
        let middle = (LEFT + RIGHT) / 2.0;
        assert!(svg.contains(&format!("cx=\"{middle:.1}\"")), "{svg}");
        assert!(
            svg.contains("peak -40.0 dBm") && svg.contains("floor -95.0 dBm"),
            "{svg}"
        );
        assert!(svg.contains("signal &lt;b&gt;, 99 MHz to 101 MHz"), "{svg}");
    }

    #[test]
    fn of_a_million_levels_no_more_is_drawn_than_can_be_seen_and_no_peak_is_lost() {
        let mut levels = vec![-90.0; 1_000_000];
        levels[777_777] = -20.0;
        let picture = picture(&levels);
        let path = picture.path(&picture.scale());
        assert!(path.len() < 30_000, "{}", path.len());
        let top = format!("{:.1}", picture.scale().y(-20.0));
        assert_eq!(path.matches(&top).count(), 1, "{top}");
    }

    #[test]
    fn nothing_and_what_is_no_number_can_be_drawn() {
        for levels in [&[][..], &[f64::NAN, f64::INFINITY], &[-50.0]] {
            let picture = TracePicture {
                floor_dbm: None,
                peak: None,
                ..picture(levels)
            };
            let svg = picture.svg().into_string();
            assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
        }
    }
}
