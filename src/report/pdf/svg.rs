//! Our own figures into a page: groups, paths in one colour, and lines of text in the embedded font. `usvg`
//! reads them, as it does for pictures; what our figures do not use (gradients, clips, filters) is not drawn.

use krilla::geom::{Path, PathBuilder, Point, Transform};
use krilla::num::NormalizedF32;
use krilla::paint::{Fill, FillRule, LineCap, LineJoin, Stroke, StrokeDash};
use krilla::surface::Surface;
use resvg::tiny_skia::PathSegment;
use resvg::usvg;

use super::super::shape;
use super::super::text::Weight;
use super::Pen;

/// Draws the tree at the origin, a px to a unit.
pub(super) fn draw(tree: &usvg::Tree, pen: &Pen, surface: &mut Surface) {
    group(tree.root(), pen, surface);
}

fn group(group: &usvg::Group, pen: &Pen, surface: &mut Surface) {
    let t = group.transform();
    surface.push_transform(&Transform::from_row(t.sx, t.ky, t.kx, t.sy, t.tx, t.ty));
    for node in group.children() {
        match node {
            usvg::Node::Group(inner) => self::group(inner, pen, surface),
            usvg::Node::Path(path) => draw_path(path, surface),
            usvg::Node::Text(text) => draw_text(text, pen, surface),
            usvg::Node::Image(_) => {}
        }
    }
    surface.pop();
}

fn draw_path(path: &usvg::Path, surface: &mut Surface) {
    let Some(outline) = outline(path.data()) else {
        return;
    };
    surface.set_fill(path.fill().and_then(|fill| {
        Some(Fill {
            paint: colour(fill.paint())?.into(),
            opacity: opacity(fill.opacity()),
            rule: match fill.rule() {
                usvg::FillRule::NonZero => FillRule::NonZero,
                usvg::FillRule::EvenOdd => FillRule::EvenOdd,
            },
        })
    }));
    surface.set_stroke(path.stroke().and_then(stroke));
    surface.draw_path(&outline);
}

fn stroke(stroke: &usvg::Stroke) -> Option<Stroke> {
    Some(Stroke {
        paint: colour(stroke.paint())?.into(),
        width: stroke.width().get(),
        miter_limit: stroke.miterlimit().get(),
        line_cap: match stroke.linecap() {
            usvg::LineCap::Butt => LineCap::Butt,
            usvg::LineCap::Round => LineCap::Round,
            usvg::LineCap::Square => LineCap::Square,
        },
        line_join: match stroke.linejoin() {
            usvg::LineJoin::Round => LineJoin::Round,
            usvg::LineJoin::Bevel => LineJoin::Bevel,
            usvg::LineJoin::Miter | usvg::LineJoin::MiterClip => LineJoin::Miter,
        },
        opacity: opacity(stroke.opacity()),
        dash: stroke.dasharray().map(|array| StrokeDash {
            array: array.to_vec(),
            offset: stroke.dashoffset(),
        }),
    })
}

fn colour(paint: &usvg::Paint) -> Option<krilla::color::rgb::Color> {
    match paint {
        usvg::Paint::Color(c) => Some(krilla::color::rgb::Color::new(c.red, c.green, c.blue)),
        _ => None,
    }
}

fn opacity(opacity: usvg::Opacity) -> NormalizedF32 {
    NormalizedF32::new(opacity.get()).unwrap_or(NormalizedF32::ONE)
}

fn outline(path: &resvg::tiny_skia::Path) -> Option<Path> {
    let mut outline = PathBuilder::new();
    for segment in path.segments() {
        match segment {
            PathSegment::MoveTo(p) => outline.move_to(p.x, p.y),
            PathSegment::LineTo(p) => outline.line_to(p.x, p.y),
            PathSegment::QuadTo(c, p) => outline.quad_to(c.x, c.y, p.x, p.y),
            PathSegment::CubicTo(c, d, p) => outline.cubic_to(c.x, c.y, d.x, d.y, p.x, p.y),
            PathSegment::Close => outline.close(),
        }
    }
    outline.finish()
}

/// A line of text: our figures have one chunk of one style in each.
fn draw_text(text: &usvg::Text, pen: &Pen, surface: &mut Surface) {
    for chunk in text.chunks() {
        let Some(span) = chunk.spans().first() else {
            continue;
        };
        let weight = match span.font().weight() {
            600.. => Weight::SemiBold,
            _ => Weight::Regular,
        };
        let size = span.font_size().get();
        let ink = match span.fill().and_then(|fill| colour(fill.paint())) {
            Some(c) => format!("#{:02x}{:02x}{:02x}", c.red(), c.green(), c.blue()),
            None => continue,
        };
        let line = shape::line(chunk.text(), weight, false);
        let width = line.width * size;
        let x = chunk.x().unwrap_or(0.0)
            - match chunk.anchor() {
                usvg::TextAnchor::Start => 0.0,
                usvg::TextAnchor::Middle => 0.5 * width,
                usvg::TextAnchor::End => width,
            };
        let at = Point::from_xy(x, chunk.y().unwrap_or(0.0));
        pen.text(&line, size, weight, &ink, at, surface);
    }
}
