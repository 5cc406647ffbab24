//! A report as PDF: A4 pages, tagged (ISO 14289-1, PDF/UA-1) so that a screen reader hears headings, tables and
//! what the pictures show, with an outline and the font inside.
//!
//! `flow` sets the document into pages, `svg` draws its figures, this module writes both through `krilla`,
//! which itself refuses a document that breaks the rules of PDF/UA-1 which a program can check. A typesetter
//! as a library (`typst`) was weighed against it and left: seven times the time to build, for line breaking
//! and tables of which a report needs only the plainest.

mod flow;
mod svg;

use std::num::NonZeroU16;

use krilla::configure::{Accessibility, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::geom::{PathBuilder, Point, Size, Transform};
use krilla::image::Image;
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, ContentTag, ListNumbering, Node, SpanTag, TableHeaderScope, Tag,
    TagGroup, TagKind, TagTree,
};
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document as File, SerializeSettings};

use self::flow::{Mark, NodeId, Op, Pages, Shape};
use super::ReportError;
use super::document::Document;
use super::shape::Line;
use super::text::{self, Weight};

/// The document as a PDF file.
///
/// # Errors
/// A logo or a figure that cannot be drawn, or a file that would break the rules of PDF/UA-1.
pub fn pdf(document: &Document) -> Result<Vec<u8>, ReportError> {
    let pages = flow::set(document)?;
    let refused = |error: &dyn std::fmt::Debug| ReportError::Pdf(format!("{error:?}"));
    let configuration = ConfigurationBuilder::new()
        .with_accessibility_validator(Accessibility::UA1)
        .finish()
        .map_err(|error| refused(&error))?;
    let mut file = File::new_with(SerializeSettings {
        configuration,
        ..SerializeSettings::default()
    });
    let fonts = [text::REGULAR, text::SEMIBOLD]
        .map(|bytes| Font::new(bytes.to_vec().into(), 0))
        .map(|font| font.ok_or_else(|| ReportError::Pdf("the font is not one".to_owned())));
    let [regular, semibold] = fonts;
    let mut pen = Pen {
        fonts: [regular?, semibold?],
        contents: vec![Vec::new(); pages.nodes.len()],
        language: &document.language,
    };
    for ops in &pages.pages {
        let size = PageSettings::from_wh(flow::WIDTH, flow::HEIGHT)
            .ok_or_else(|| ReportError::Pdf("the page has no size".to_owned()))?;
        let mut page = file.start_page_with(size);
        let mut surface = page.surface();
        for op in ops {
            pen.draw(op, &mut surface)?;
        }
        surface.finish();
        page.finish();
    }
    file.set_outline(outline(&pages));
    let mut tree = TagTree::new().with_lang(Some(document.language.clone()));
    for node in &pages.roots {
        tree.push(group(&pages, &pen.contents, *node));
    }
    file.set_tag_tree(tree);
    // Neither date nor number of its own: the same report is the same file.
    let mut metadata = Metadata::new()
        .title(document.title.clone())
        .language(document.language.clone())
        .creator(format!("muffle {}", env!("CARGO_PKG_VERSION")))
        .document_id(document.footer.clone());
    if !document.sender.name.is_empty() {
        metadata = metadata.authors(vec![document.sender.name.clone()]);
    }
    file.set_metadata(metadata);
    file.finish().map_err(|error| refused(&error))
}

fn outline(pages: &Pages) -> Outline {
    let mut outline = Outline::new();
    for (title, page, y) in &pages.outline {
        let place = XyzDestination::new(*page, Point::from_xy(0.0, *y));
        outline.push_child(OutlineNode::new(title.clone(), place));
    }
    outline
}

/// A node of the structure with all below it: its own content first.
fn group(pages: &Pages, contents: &[Vec<Node>], id: NodeId) -> Node {
    let node = &pages.nodes[id.0];
    let heading = |level: u16, title: &String| {
        let level = NonZeroU16::new(level).unwrap_or(NonZeroU16::MIN);
        Tag::Hn(level, Some(title.clone()))
    };
    let kind: TagKind = match &node.mark {
        Mark::Heading(level, title) => heading(*level, title).into(),
        Mark::Section => Tag::Section.into(),
        Mark::Paragraph => Tag::P.into(),
        Mark::Quote => Tag::BlockQuote.with_lang(Some("en".to_owned())).into(),
        Mark::List => Tag::L(ListNumbering::None).into(),
        Mark::Entry => Tag::LI.into(),
        Mark::Label => Tag::Lbl.into(),
        Mark::Body => Tag::LBody.into(),
        Mark::Table(summary) => Tag::Table.with_summary(Some(summary.clone())).into(),
        Mark::Head => Tag::THead.into(),
        Mark::Rows => Tag::TBody.into(),
        Mark::Row => Tag::TR.into(),
        Mark::HeadCell => Tag::TH(TableHeaderScope::Column).into(),
        Mark::Cell => Tag::TD.into(),
        Mark::Figure(alternative) => Tag::Figure(Some(alternative.clone())).into(),
        Mark::Caption => Tag::Caption.into(),
    };
    let mut children: Vec<Node> = contents[id.0].clone();
    children.extend(
        node.children
            .iter()
            .map(|child| group(pages, contents, *child)),
    );
    Node::Group(TagGroup::with_children(kind, children))
}

/// What draws, and remembers what belongs to which node.
struct Pen<'a> {
    fonts: [Font; 2],
    contents: Vec<Vec<Node>>,
    language: &'a str,
}

impl Pen<'_> {
    fn draw(&mut self, op: &Op, surface: &mut Surface) -> Result<(), ReportError> {
        let tag = match (&op.node, &op.shape) {
            (None, _) => ContentTag::Artifact(Artifact::with_kind(op.artifact())),
            (Some(_), Shape::Text { .. }) => {
                ContentTag::Span(SpanTag::empty().with_lang(Some(self.language)))
            }
            (Some(_), _) => ContentTag::Other,
        };
        let identifier = surface.start_tagged(tag);
        match &op.shape {
            Shape::Text {
                line,
                size,
                weight,
                ink,
            } => {
                let at = Point::from_xy(op.x, op.y);
                self.text(line, *size, *weight, ink, at, surface);
            }
            Shape::Rule {
                to,
                width,
                ink,
                dash,
            } => {
                let mut path = PathBuilder::new();
                path.move_to(op.x, op.y);
                path.line_to(to.0, to.1);
                surface.set_fill(None);
                surface.set_stroke(Some(stroke(ink, *width, dash.as_deref())));
                if let Some(path) = path.finish() {
                    surface.draw_path(&path);
                }
            }
            Shape::Picture { svg, scale } => {
                surface.push_transform(&Transform::from_row(*scale, 0.0, 0.0, *scale, op.x, op.y));
                svg::draw(svg, self, surface);
                surface.pop();
            }
            Shape::Image { rgba, pixels, size } => {
                let image = Image::from_rgba8(rgba.clone(), pixels.0, pixels.1);
                let size = Size::from_wh(size.0, size.1)
                    .ok_or_else(|| ReportError::Logo("it has no size".to_owned()))?;
                surface.push_transform(&Transform::from_translate(op.x, op.y));
                surface.draw_image(image, size);
                surface.pop();
            }
        }
        surface.end_tagged();
        if let Some(node) = op.node {
            self.contents[node.0].push(Node::Leaf(identifier));
        }
        Ok(())
    }

    fn text(
        &self,
        line: &Line,
        size: f32,
        weight: Weight,
        ink: &str,
        at: Point,
        surface: &mut Surface,
    ) {
        let glyph = |glyph: &super::shape::Glyph| {
            let id = GlyphId::new(glyph.id);
            let range = glyph.range.clone();
            KrillaGlyph::new(
                id,
                glyph.advance,
                glyph.x_offset,
                glyph.y_offset,
                0.0,
                range,
                None,
            )
        };
        let glyphs: Vec<KrillaGlyph> = line.glyphs.iter().map(glyph).collect();
        surface.set_stroke(None);
        surface.set_fill(Some(fill(ink)));
        let font = self.fonts[weight as usize].clone();
        surface.draw_glyphs(at, &glyphs, font, &line.text, size, false);
    }
}

/// `#rrggbb`.
fn colour(ink: &str) -> krilla::color::rgb::Color {
    let channel = |at: usize| {
        let digits = ink.get(at..at + 2).unwrap_or("00");
        u8::from_str_radix(digits, 16).unwrap_or(0)
    };
    krilla::color::rgb::Color::new(channel(1), channel(3), channel(5))
}

fn fill(ink: &str) -> Fill {
    Fill {
        paint: colour(ink).into(),
        opacity: NormalizedF32::ONE,
        rule: Default::default(),
    }
}

fn stroke(ink: &str, width: f32, dash: Option<&[f32]>) -> Stroke {
    Stroke {
        paint: colour(ink).into(),
        width,
        dash: dash.map(|array| StrokeDash {
            array: array.to_vec(),
            offset: 0.0,
        }),
        ..Stroke::default()
    }
}

impl Op {
    /// What kind of ornament it is, where it belongs to no node.
    fn artifact(&self) -> ArtifactType {
        match self.shape {
            Shape::Text { .. } => ArtifactType::PaginationOther,
            _ => ArtifactType::Layout,
        }
    }
}
