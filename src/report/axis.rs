//! Where a frequency and an SE land on the paper, and which numbers stand at the axes.

use crate::quantity::Frequency;

use super::chart::{Chart, Kind, Mark};

/// Beyond this many dB either way a number is a mistake, not an SE; it is treated as no result.
const SE_DB_MAX: f64 = 1000.0;

/// What the axes span; shared by all panels of a page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Domain {
    low_log: f64,
    high_log: f64,
    bottom_db: f64,
    top_db: f64,
    step_db: f64,
}

/// The plot's rectangle on the paper.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
}

impl Frame {
    pub(super) fn width(&self) -> f64 {
        self.right - self.left
    }
    fn height(&self) -> f64 {
        self.bottom - self.top
    }
}

/// One place on an axis; without a label it is only a short stroke.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tick {
    pub at_px: f64,
    pub label: Option<String>,
}

/// Maps values to the paper.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axes {
    pub domain: Domain,
    pub frame: Frame,
}

/// Whether a number can be drawn as an SE.
pub(super) fn drawable_db(db: f64) -> bool {
    db.abs() <= SE_DB_MAX
}

/// Whether a number can be put on a logarithmic frequency axis.
pub(super) fn drawable_hz(hz: f64) -> bool {
    hz.is_normal() && hz > 0.0
}

impl Domain {
    /// The span that holds every mark of the charts, zero dB, and `headroom` of its height above.
    pub(super) fn of(charts: &[Chart], headroom: f64) -> Self {
        let (low_log, high_log) = span_log(charts);
        let edges_hz = (10f64.powf(low_log), 10f64.powf(high_log));
        let marks = charts.iter().flat_map(|c| {
            c.series
                .iter()
                .flat_map(|s| s.points.iter().flat_map(extent_db))
        });
        let lines = charts
            .iter()
            .flat_map(|c| {
                let theory = c.theory.iter().map(|line| &line.points);
                [&c.limit, &c.visible].into_iter().chain(theory)
            })
            .flat_map(|line| clipped(line, edges_hz).into_iter().flatten())
            .map(|(_, db)| db);
        let (low, high) = marks
            .chain(lines)
            .filter(|db| drawable_db(*db))
            .fold((0.0_f64, 0.0_f64), |(low, high), db| {
                (low.min(db), high.max(db))
            });
        let high = (high + headroom * (high - low)).max(10.0);
        let step_db = nice_step((high - low) / 8.0).max(1.0);
        Self {
            low_log,
            high_log,
            bottom_db: (low / step_db).floor() * step_db,
            top_db: (high / step_db).ceil() * step_db,
            step_db,
        }
    }

    /// First and last frequency on the axis, Hz.
    pub(super) fn edges_hz(&self) -> (f64, f64) {
        (10f64.powf(self.low_log), 10f64.powf(self.high_log))
    }
}

/// Lowest and highest dB that a mark covers, with its uncertainty bar.
fn extent_db(mark: &Mark) -> impl Iterator<Item = f64> {
    let u_db = mark.bar_db().unwrap_or(0.0);
    let drawn = mark.drawn_kind() != Kind::None;
    [mark.se_db - u_db, mark.se_db + u_db]
        .into_iter()
        .filter(move |_| drawn)
}

/// The measured frequencies, a little widened; without any, the lines'; without those, 100 kHz to 1 GHz.
fn span_log(charts: &[Chart]) -> (f64, f64) {
    let points = charts.iter().flat_map(|c| {
        c.series
            .iter()
            .flat_map(|s| s.points.iter().map(|m| m.frequency_hz))
    });
    let lines = charts.iter().flat_map(|c| {
        let theory = c.theory.iter().flat_map(|line| &line.points);
        let lines = theory.chain(&c.limit).chain(&c.visible);
        lines.map(|&(hz, _)| hz)
    });
    let (low, high) = extent_log(points)
        .or_else(|| extent_log(lines))
        .unwrap_or((5.0, 9.0));
    // A single frequency (or nearly) still gets room around it.
    let pad = match high - low {
        span if span < 1e-6 => 0.5,
        span => 0.025 * span,
    };
    (low - pad, high + pad)
}

fn extent_log(frequencies: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    frequencies
        .filter(|hz| drawable_hz(*hz))
        .map(f64::log10)
        .fold(None, |extent, log| match extent {
            None => Some((log, log)),
            Some((low, high)) => Some((f64::min(low, log), f64::max(high, log))),
        })
}

/// The smallest of 1, 2, 5 x 10^k that is at least `least`.
pub(super) fn nice_step(least: f64) -> f64 {
    let decade = 10f64.powf(least.log10().floor());
    let factors = [1.0, 2.0, 5.0, 10.0];
    // A hair of tolerance, so that 10 asks for 10 and not, by rounding, for 20.
    let factor = factors
        .into_iter()
        .find(|f| f * decade >= least * (1.0 - 1e-9));
    factor.unwrap_or(10.0) * decade
}

impl Axes {
    /// Distance from the left edge of the paper, px.
    pub(super) fn x(&self, hz: f64) -> f64 {
        let Domain {
            low_log, high_log, ..
        } = self.domain;
        self.frame.left + (hz.log10() - low_log) / (high_log - low_log) * self.frame.width()
    }

    /// The same axes with everything drawn `dx` px further right.
    pub(super) fn moved(&self, dx: f64) -> Self {
        let Frame { left, right, .. } = self.frame;
        let frame = Frame {
            left: left + dx,
            right: right + dx,
            ..self.frame
        };
        Self { frame, ..*self }
    }

    /// Distance from the top of the paper, px.
    pub(super) fn y(&self, db: f64) -> f64 {
        let Domain {
            bottom_db, top_db, ..
        } = self.domain;
        self.frame.bottom - (db - bottom_db) / (top_db - bottom_db) * self.frame.height()
    }

    /// SE numbers, a round step apart, as many as leave `room_px` between them.
    pub(super) fn se_ticks(&self, room_px: f64) -> Vec<Tick> {
        let Domain {
            bottom_db,
            top_db,
            step_db,
            ..
        } = self.domain;
        let first = (bottom_db / step_db).round() as i64;
        let last = (top_db / step_db).round() as i64;
        let step_px = self.frame.height() / (last - first) as f64;
        let stride = (room_px / step_px).ceil().max(1.0) as i64;
        (first..=last)
            .filter(|i| i % stride == 0)
            .map(|i| {
                let db = i as f64 * step_db;
                let label = Some(format!("{db:.0}").replace('-', "−"));
                Tick {
                    at_px: self.y(db),
                    label,
                }
            })
            .collect()
    }

    /// Decades with their unit and strokes between them; over less than a decade, round frequencies.
    /// Labels keep `room_px` from centre to centre.
    pub(super) fn frequency_ticks(&self, room_px: f64) -> Vec<Tick> {
        let Domain {
            low_log, high_log, ..
        } = self.domain;
        let decade_px = self.frame.width() / (high_log - low_log);
        if high_log - low_log < 0.9 {
            return self.round_ticks(room_px);
        }
        let stride = (room_px / decade_px).ceil() as i32;
        // Between the decades 2 and 5 are labelled where they fit: the narrowest gap is that of 1 to 2.
        let between = decade_px * 2f64.log10() >= room_px;
        let (first, last) = (low_log.floor() as i32, high_log.ceil() as i32);
        let first_inside = low_log.ceil() as i32;
        let mut ticks = Vec::new();
        for decade in first..=last {
            let minor = if decade_px < 30.0 { 1..=1 } else { 1..=9 };
            for factor in minor {
                let hz = f64::from(factor) * 10f64.powi(decade);
                let labelled = match factor {
                    1 => (decade - first_inside) % stride == 0,
                    2 | 5 => between,
                    _ => false,
                };
                ticks.extend(self.frequency_tick(hz, labelled));
            }
        }
        ticks
    }

    fn round_ticks(&self, room_px: f64) -> Vec<Tick> {
        let (low, high) = self.domain.edges_hz();
        // On a logarithmic axis the upper end is the crowded one.
        let px_per_hz = self.x(high) - self.x(high - (high - low) / 100.0);
        let step = nice_step(room_px / (px_per_hz * 100.0) * (high - low));
        let first = (low / step).ceil() as i64;
        let last = (high / step).floor() as i64;
        (first..=last)
            .filter_map(|i| self.frequency_tick(i as f64 * step, true))
            .collect()
    }

    fn frequency_tick(&self, hz: f64, labelled: bool) -> Option<Tick> {
        let at_px = self.x(hz);
        let inside = (self.frame.left - 0.01..=self.frame.right + 0.01).contains(&at_px);
        (inside && drawable_hz(hz)).then(|| Tick {
            at_px,
            label: labelled.then(|| Frequency::from_hz(hz).to_string()),
        })
    }
}

/// The pieces of a line over frequency that lie on the axis; a value that cannot be drawn breaks it.
/// Between its points the line is straight on the logarithmic axis.
pub(super) fn clipped(line: &[(f64, f64)], (low, high): (f64, f64)) -> Vec<Vec<(f64, f64)>> {
    let mut points: Vec<_> = line.iter().copied().filter(|p| drawable_hz(p.0)).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
        .split(|p| !drawable_db(p.1))
        .map(|piece| clipped_piece(piece, low, high))
        .filter(|piece| !piece.is_empty())
        .collect()
}

fn clipped_piece(piece: &[(f64, f64)], low: f64, high: f64) -> Vec<(f64, f64)> {
    let mut out = Vec::new();
    for (i, &point) in piece.iter().enumerate() {
        if let Some(&before) = i.checked_sub(1).and_then(|i| piece.get(i)) {
            let crossed = [low, high]
                .into_iter()
                .filter(|edge| before.0 < *edge && *edge < point.0);
            out.extend(crossed.map(|edge| (edge, between(before, point, edge))));
        }
        if (low..=high).contains(&point.0) {
            out.push(point);
        }
    }
    out
}

/// The value at `hz` on the line from `a` to `b`, straight over the logarithm of frequency.
fn between(a: (f64, f64), b: (f64, f64), hz: f64) -> f64 {
    let share = (hz / a.0).ln() / (b.0 / a.0).ln();
    a.1 + share * (b.1 - a.1)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test fails by panicking")]
mod tests {
    use super::*;
    use crate::report::Series;

    const FRAME: Frame = Frame {
        left: 60.0,
        right: 620.0,
        top: 100.0,
        bottom: 420.0,
    };

    fn axes(marks: &[(f64, f64)]) -> Axes {
        let points = marks
            .iter()
            .map(|&(frequency_hz, se_db)| Mark {
                frequency_hz,
                se_db,
                u_db: None,
                kind: Kind::Measured,
            })
            .collect();
        let series = vec![Series {
            label: String::new(),
            points,
        }];
        let chart = Chart {
            series,
            ..Chart::default()
        };
        Axes {
            domain: Domain::of(&[chart], 0.0),
            frame: FRAME,
        }
    }

    fn labels(ticks: &[Tick]) -> Vec<&str> {
        ticks.iter().filter_map(|t| t.label.as_deref()).collect()
    }

    #[test]
    fn decades_lie_evenly_and_are_labelled_with_their_unit() {
        let axes = axes(&[(1e5, 20.0), (1e9, 80.0)]);
        let decade = axes.x(1e6) - axes.x(1e5);
        for hz in [1e6, 1e7, 1e8] {
            assert!((axes.x(10.0 * hz) - axes.x(hz) - decade).abs() < 1e-9);
        }
        assert!((axes.x(1e7) - (FRAME.left + FRAME.right) / 2.0).abs() < 1e-9);
        // Half a decade is the square root of ten.
        assert!((axes.x(1e5 * 10f64.sqrt()) - axes.x(1e5) - decade / 2.0).abs() < 1e-9);
        let ticks = axes.frequency_ticks(62.0);
        assert_eq!(
            labels(&ticks),
            ["100 kHz", "1 MHz", "10 MHz", "100 MHz", "1 GHz"]
        );
        let at_10_mhz = ticks
            .iter()
            .find(|t| t.label.as_deref() == Some("10 MHz"))
            .unwrap();
        assert!((at_10_mhz.at_px - axes.x(1e7)).abs() < 1e-9);
    }

    #[test]
    fn decibels_rise_linearly_from_the_foot() {
        let axes = axes(&[(1e6, 30.0), (1e8, 80.0)]);
        assert_eq!(axes.y(0.0), FRAME.bottom);
        assert_eq!(axes.y(80.0), FRAME.top);
        assert!((axes.y(40.0) - (FRAME.top + FRAME.bottom) / 2.0).abs() < 1e-9);
        assert_eq!(
            labels(&axes.se_ticks(24.0)),
            ["0", "10", "20", "30", "40", "50", "60", "70", "80"]
        );
        assert_eq!(labels(&axes.se_ticks(45.0)), ["0", "20", "40", "60", "80"]);
    }

    #[test]
    fn negative_and_large_se_are_on_the_paper() {
        let axes = axes(&[(1e6, -20.0), (1e8, 200.0)]);
        for db in [-20.0, 0.0, 200.0] {
            assert!((FRAME.top..=FRAME.bottom).contains(&axes.y(db)));
        }
        assert_eq!(
            labels(&axes.se_ticks(24.0)),
            ["−50", "0", "50", "100", "150", "200"]
        );
    }

    #[test]
    fn nothing_one_point_and_equal_values_have_usable_axes() {
        for marks in [&[][..], &[(2.5e8, 52.0)], &[(2.5e8, 0.0); 3]] {
            let axes = axes(marks);
            for &(hz, db) in marks {
                assert!((FRAME.left..=FRAME.right).contains(&axes.x(hz)));
                assert!((FRAME.top..=FRAME.bottom).contains(&axes.y(db)));
            }
            assert!(labels(&axes.frequency_ticks(62.0)).len() >= 3);
            assert!(labels(&axes.se_ticks(24.0)).len() >= 3);
        }
    }

    #[test]
    fn a_narrow_span_gets_round_frequencies() {
        let axes = axes(&[(100e6, 30.0), (102e6, 30.0)]);
        let ticks = axes.frequency_ticks(62.0);
        assert_eq!(
            labels(&ticks),
            ["100 MHz", "100.5 MHz", "101 MHz", "101.5 MHz", "102 MHz"]
        );
    }

    #[test]
    fn labels_never_run_into_each_other() {
        for decades in [0.001, 0.1, 0.5, 0.89, 0.91, 1.5, 2.0, 3.0, 6.0, 12.0, 25.0] {
            let axes = axes(&[(1e3, 30.0), (1e3 * 10f64.powf(decades), 30.0)]);
            let ticks = axes.frequency_ticks(62.0);
            let at: Vec<f64> = ticks
                .iter()
                .filter(|t| t.label.is_some())
                .map(|t| t.at_px)
                .collect();
            assert!(at.len() >= 2, "{decades} decades");
            assert!(
                at.windows(2).all(|w| w[1] - w[0] >= 61.9),
                "{decades} decades: {at:?}"
            );
        }
    }

    #[test]
    fn lines_are_clipped_and_broken() {
        // Straight over the logarithm of frequency: 1 MHz lies half way from 10 kHz to 100 MHz.
        let sloping = clipped(&[(1e4, 0.0), (1e8, 40.0)], (1e6, 1e7));
        assert_eq!(sloping.len(), 1);
        for (got, want) in sloping[0].iter().zip([(1e6, 20.0), (1e7, 30.0)]) {
            assert!(
                (got.0 - want.0).abs() < 1e-3 && (got.1 - want.1).abs() < 1e-9,
                "{got:?}"
            );
        }
        let broken = clipped(&[(1e6, 1.0), (2e6, f64::NAN), (3e6, 2.0)], (1e5, 1e9));
        assert_eq!(broken, [vec![(1e6, 1.0)], vec![(3e6, 2.0)]]);
        assert!(clipped(&[(1e3, 1.0), (1e4, 1.0)], (1e6, 1e7)).is_empty());
        let step = [(1e6, 40.0), (3e6, 40.0), (3e6, 50.0), (9e6, 50.0)];
        assert_eq!(clipped(&step, (1e5, 1e9)), [step.to_vec()]);
    }
}
