//! Setting type: the embedded font, how wide a text is in it, and cutting texts from outside to fit.
//!
//! The font is Inter (SIL Open Font License, no reserved name; `fonts/LICENSE-Inter.txt`), regular and
//! semi-bold, from the Debian package `fonts-inter` 4.0~beta7+ds-1, cut down to Latin, Greek, arrows
//! and mathematical signs with fonttools 4.68.0:
//!
//! ```text
//! SOURCE_DATE_EPOCH=0 pyftsubset Inter-Regular.otf --output-file=fonts/Inter-Regular.otf \
//!   --unicodes=U+0020-007E,U+00A0-017F,U+0218-021B,U+02C6-02DD,U+0300-0304,U+0386-03CE,U+1E9E,\
//! U+2009-2015,U+2018-201E,U+2020-2022,U+2026,U+2030,U+2032,U+2033,U+2039,U+203A,U+2070-2089,U+20AC,\
//! U+2116,U+2122,U+2126,U+2190-2195,U+2202,U+2206,U+2211,U+2212,U+2215,U+221A,U+221E,U+222B,U+2248,\
//! U+2260,U+2264,U+2265,U+25A0,U+25A1,U+25B2,U+25B3,U+25CB,U+25CF,U+2713,U+2717,U+FFFD \
//!   --layout-features=kern,mark,mkmk,tnum --no-hinting --desubroutinize --notdef-outline \
//!   --name-IDs=0,1,2,3,4,5,6,13,14,16,17
//! ```
//!
//! and the same for `Inter-SemiBold.otf`.

use std::sync::LazyLock;

use maud::{Markup, html};
use skrifa::instance::{LocationRef, Size};
use skrifa::metrics::GlyphMetrics;
use skrifa::{FontRef, MetadataProvider};

use crate::quantity::is_unprintable;

/// The family name in both files.
pub(super) const FAMILY: &str = "Inter";
/// The text weight.
pub const REGULAR: &[u8] = include_bytes!("fonts/Inter-Regular.otf");
/// The weight of titles and verdicts.
pub const SEMIBOLD: &[u8] = include_bytes!("fonts/Inter-SemiBold.otf");

/// One of the two weights.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    SemiBold,
}

static FACES: LazyLock<[FontRef<'static>; 2]> = LazyLock::new(|| {
    [REGULAR, SEMIBOLD].map(|bytes| FontRef::new(bytes).expect("the embedded fonts are tested"))
});

/// Ink of what matters.
pub(super) const INK: &str = "#1b1e22";
/// Ink of what explains.
pub(super) const QUIET: &str = "#5b6167";

/// How a text is set.
#[derive(Debug, Clone, Copy)]
pub(super) struct Style {
    pub size: f64,
    pub weight: Weight,
    pub ink: &'static str,
}

const fn style(size: f64, weight: Weight, ink: &'static str) -> Style {
    Style { size, weight, ink }
}

pub(super) const TITLE: Style = style(21.0, Weight::SemiBold, INK);
pub(super) const VERDICT: Style = style(14.0, Weight::SemiBold, INK);
pub(super) const PANEL_TITLE: Style = style(13.0, Weight::SemiBold, INK);
pub(super) const BODY: Style = style(12.0, Weight::Regular, INK);
pub(super) const SMALL: Style = style(11.5, Weight::Regular, QUIET);

/// Where a text stands on its point.
#[derive(Debug, Clone, Copy)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A line of text on the paper, as it is; see [`Style::fit`] for texts from outside.
pub(super) fn text_at(x: f64, y: f64, anchor: Anchor, style: Style, text: &str) -> Markup {
    let anchor = match anchor {
        Anchor::Start => "start",
        Anchor::Middle => "middle",
        Anchor::End => "end",
    };
    let weight = match style.weight {
        Weight::Regular => 400,
        Weight::SemiBold => 600,
    };
    html! {
        text x=(px(x)) y=(px(y)) font-size=(px(style.size)) font-weight=(weight) fill=(style.ink)
            text-anchor=(anchor) { (text) }
    }
}

/// A coordinate with one decimal: finer than any printer, and the same bytes every time.
pub(super) fn px(value: f64) -> String {
    // Adding zero turns a rounded -0.0 into 0.0.
    let tenths = (value * 10.0).round() / 10.0 + 0.0;
    format!("{tenths}")
}

impl Style {
    /// The text made printable and cut to `max_px`.
    pub(super) fn fit(self, text: &str, max_px: f64) -> String {
        shortened(text, self.size, self.weight, max_px)
    }

    /// The text on one line or, broken at a middle dot or else a space, on two, each cut to `max_px`.
    pub(super) fn fit_two(self, text: &str, max_px: f64) -> Vec<String> {
        let text: String = text.chars().map(printable).collect();
        let first_line = |separator| {
            let breaks = text.match_indices(separator).map(|(i, _)| i);
            breaks
                .take_while(|i| self.width(&text[..*i]) <= max_px)
                .last()
        };
        if self.width(&text) <= max_px {
            return vec![text];
        }
        match first_line(" · ").or_else(|| first_line(" ")) {
            Some(i) => {
                let rest = text[i..].trim_start_matches([' ', '·']);
                vec![text[..i].to_owned(), self.fit(rest, max_px)]
            }
            None => vec![self.fit(&text, max_px)],
        }
    }

    /// Width of a text in px.
    pub(super) fn width(self, text: &str) -> f64 {
        width_px(text, self.size, self.weight)
    }
}

/// Whether the embedded font can show the character.
pub(super) fn has_glyph(c: char) -> bool {
    FACES[0].charmap().map(c).is_some()
}

/// Width of one character in ems.
fn advance_em(c: char, weight: Weight) -> f64 {
    // What the font lacks (an emoji, say) a viewer takes from another font; most are this wide.
    const UNKNOWN_EM: f64 = 1.3;
    let face = &FACES[weight as usize];
    let metrics = GlyphMetrics::new(face, Size::new(1.0), LocationRef::default());
    face.charmap()
        .map(c)
        .and_then(|glyph| metrics.advance_width(glyph))
        .map_or(UNKNOWN_EM, f64::from)
}

/// Width of a text in px, kerning left out (it makes text narrower by a few percent at most).
fn width_px(text: &str, size_px: f64, weight: Weight) -> f64 {
    text.chars().map(|c| advance_em(c, weight)).sum::<f64>() * size_px
}

/// The text made printable and no wider than `max_px`, cut with an ellipsis where it must be.
fn shortened(text: &str, size_px: f64, weight: Weight, max_px: f64) -> String {
    let ellipsis_px = advance_em('…', weight) * size_px;
    let mut out = String::new();
    let mut used_px = 0.0;
    // Where to cut if a later character no longer fits.
    let mut cut = 0;
    for c in text.chars().map(printable) {
        used_px += advance_em(c, weight) * size_px;
        if used_px > max_px {
            out.truncate(cut);
            let kept = out
                .trim_end_matches(|c: char| c.is_whitespace() || c == '\u{200D}')
                .len();
            out.truncate(kept);
            out.push('…');
            return out;
        }
        out.push(c);
        if used_px + ellipsis_px <= max_px {
            cut = out.len();
        }
    }
    out
}

/// With a capital letter, as at the beginning of a line.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first: String = letters
        .next()
        .into_iter()
        .flat_map(char::to_uppercase)
        .collect();
    first + letters.as_str()
}

/// The character itself, or a stand-in for one that XML forbids or that would reorder the line.
pub(super) fn printable(c: char) -> char {
    match c {
        '\t' | '\n' | '\r' => ' ',
        '\u{FFFE}' | '\u{FFFF}' => '\u{FFFD}',
        c if is_unprintable(c) => '\u{FFFD}',
        c => c,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_faces_hold_the_signs_that_reports_need() {
        for (face, weight) in FACES.iter().zip([Weight::Regular, Weight::SemiBold]) {
            for c in "AZaz09 ≥≤±−µΩλσ°·…–—“”‘’×√∞≈→↑↓éßøŁ".chars()
            {
                assert!(face.charmap().map(c).is_some(), "{weight:?} lacks {c}");
            }
        }
    }

    #[test]
    fn shortened_text_fits_and_says_that_it_was_cut() {
        let long = "W".repeat(200);
        let cut = shortened(&long, 20.0, Weight::SemiBold, 300.0);
        assert!(cut.ends_with("W…"));
        assert!(width_px(&cut, 20.0, Weight::SemiBold) <= 300.0);
        assert_eq!(shortened("P-0042", 12.0, Weight::Regular, 300.0), "P-0042");
        assert_eq!(shortened("", 12.0, Weight::Regular, 300.0), "");
    }

    #[test]
    fn unprintable_characters_are_replaced() {
        let given = "a\u{0}b\nc\u{202E}d\u{FFFF}";
        let shown = shortened(given, 12.0, Weight::Regular, 500.0);
        assert_eq!(shown, "a\u{FFFD}b c\u{FFFD}d\u{FFFD}");
    }
}
