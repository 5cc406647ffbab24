//! SVG to PNG, the same bytes on every machine: only the embedded font is known here, never the
//! system's, and nothing outside the SVG text is ever read.

use std::sync::{Arc, LazyLock};

use resvg::{tiny_skia, usvg};

use super::{ReportError, text};

const WIDTH_PX_MIN: u32 = 16;
const SIDE_PX_MAX: u32 = 10_000;

static FONTS: LazyLock<Arc<usvg::fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(text::REGULAR.to_vec());
    fonts.load_font_data(text::SEMIBOLD.to_vec());
    fonts.set_sans_serif_family(text::FAMILY);
    Arc::new(fonts)
});

/// Draws an SVG `width_px` pixels wide, the height following from its proportions.
///
/// # Errors
/// When the text is not SVG, or a side would be under 16 or over 10 000 pixels.
pub fn png(svg: &str, width_px: u32) -> Result<Vec<u8>, ReportError> {
    let tree = parse(&with_known_glyphs(svg))?;
    let scale = width_px as f32 / tree.size().width();
    // The cast saturates, which the check below then refuses.
    let height_px = (tree.size().height() * scale).round() as u32;
    let refused = || ReportError::Size {
        width_px,
        height_px,
        min: WIDTH_PX_MIN,
        max: SIDE_PX_MAX,
    };
    if !(WIDTH_PX_MIN..=SIDE_PX_MAX).contains(&width_px) || height_px > SIDE_PX_MAX {
        return Err(refused());
    }
    let mut pixels = tiny_skia::Pixmap::new(width_px, height_px).ok_or_else(refused)?;
    let transform = tiny_skia::Transform::from_scale(scale, scale);
    resvg::render(&tree, transform, &mut pixels.as_mut());
    pixels
        .encode_png()
        .map_err(|error| ReportError::Encode(error.to_string()))
}

/// A pixel picture has no second font to turn to: what ours lacks (an emoji, say) becomes an empty box.
/// Characters that only join or vary others vanish.
fn with_known_glyphs(svg: &str) -> String {
    let known = |c: char| match c {
        '\u{200D}' | '\u{FE00}'..='\u{FE0F}' => None,
        c if c.is_ascii() || text::has_glyph(c) => Some(c),
        _ => Some('□'),
    };
    svg.chars().filter_map(known).collect()
}

/// The tree of shapes that is drawn, with every text set in the embedded font.
pub(super) fn parse(svg: &str) -> Result<usvg::Tree, usvg::Error> {
    let options = usvg::Options {
        font_family: text::FAMILY.to_owned(),
        fontdb: FONTS.clone(),
        // A picture that names a file on this machine must not be able to show it.
        image_href_resolver: usvg::ImageHrefResolver {
            resolve_data: Box::new(|_, _, _| None),
            resolve_string: Box::new(|_, _| None),
        },
        ..usvg::Options::default()
    };
    usvg::Tree::from_str(svg, &options)
}
