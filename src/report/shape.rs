//! Text as a row of glyphs, and paragraphs as lines: what a page needs that a browser would do by itself.
//!
//! Glyphs are chosen and kerned by `harfrust` (already there below `usvg`), lines are broken where Unicode
//! Standard Annex 14 allows (`unicode-linebreak`), first fit. What the embedded font lacks is shown as an
//! empty box: a page must not depend on fonts of the machine that opens it.

use std::sync::LazyLock;

use harfrust::{Feature, FontRef, ShapeOptions, ShaperData, Tag, UnicodeBuffer};
use unicode_linebreak::{BreakOpportunity, linebreaks};

use super::text::{self, Weight, has_glyph, printable};

static SHAPERS: LazyLock<[(FontRef<'static>, ShaperData); 2]> = LazyLock::new(|| {
    [text::REGULAR, text::SEMIBOLD].map(|bytes| {
        let font = FontRef::new(bytes).expect("the embedded fonts are tested");
        let data = ShaperData::new(&font);
        (font, data)
    })
});

/// Figures of one width, so that columns of numbers stand in columns.
const TABULAR: Tag = Tag::new(b"tnum");

/// One glyph, lengths in units of the font size.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Glyph {
    pub id: u32,
    pub advance: f32,
    pub x_offset: f32,
    pub y_offset: f32,
    /// Where its letters begin and end in the text.
    pub range: std::ops::Range<usize>,
}

/// A line of text as glyphs.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Line {
    /// What it says, as far as the font can show it.
    pub text: String,
    /// Its glyphs.
    pub glyphs: Vec<Glyph>,
    /// Its width without trailing blanks, in units of the font size.
    pub width: f32,
}

/// The text as the font can show it.
fn shown(text: &str) -> String {
    let letters = text.chars().filter_map(|c| match printable(c) {
        '\u{200D}' | '\u{FE00}'..='\u{FE0F}' => None,
        c if has_glyph(c) => Some(c),
        _ => Some('□'),
    });
    letters.collect()
}

/// The text on one line.
pub(super) fn line(text: &str, weight: Weight, tabular: bool) -> Line {
    let text = shown(text);
    let (font, data) = &SHAPERS[weight as usize];
    let shaper = data.shaper(font).build();
    let unit = 1.0 / shaper.units_per_em() as f32;
    let mut buffer = UnicodeBuffer::new();
    buffer.push_str(&text);
    buffer.guess_segment_properties();
    let features = [Feature::new(TABULAR, u32::from(tabular), ..)];
    let shaped = shaper.shape(buffer, ShapeOptions::new().features(&features));
    let infos = shaped.glyph_infos();
    let mut glyphs: Vec<Glyph> = infos
        .iter()
        .zip(shaped.glyph_positions())
        .map(|(info, position)| Glyph {
            id: info.glyph_id,
            advance: position.x_advance as f32 * unit,
            x_offset: position.x_offset as f32 * unit,
            y_offset: position.y_offset as f32 * unit,
            range: info.cluster as usize..text.len(),
        })
        .collect();
    // A glyph's letters end where those of the next cluster begin.
    for i in (0..glyphs.len().saturating_sub(1)).rev() {
        let next = &glyphs[i + 1].range;
        glyphs[i].range.end = match next.start > glyphs[i].range.start {
            true => next.start,
            false => next.end,
        };
    }
    let printed = text.trim_end().len();
    let seen = glyphs.iter().filter(|glyph| glyph.range.start < printed);
    Line {
        width: seen.map(|glyph| glyph.advance).sum(),
        glyphs,
        text,
    }
}

/// Width in units of the font size.
pub(super) fn width(text: &str, weight: Weight, tabular: bool) -> f32 {
    line(text, weight, tabular).width
}

/// The text on as many lines as it needs, none wider than `room` (in units of the font size); at least one. A
/// word wider than that, such as a checksum, is broken anywhere.
pub(super) fn paragraph(text: &str, weight: Weight, tabular: bool, room: f32) -> Vec<Line> {
    let fits = |text: &str| width(text, weight, tabular) <= room;
    let mut lines: Vec<String> = Vec::new();
    let mut current = String::new();
    let mut begin = 0;
    for (end, opportunity) in linebreaks(text) {
        let piece = &text[begin..end];
        begin = end;
        if !fits(&format!("{current}{piece}")) && !current.is_empty() {
            lines.push(std::mem::take(&mut current));
        }
        match fits(piece) {
            true => current.push_str(piece),
            false => {
                for letter in piece.chars() {
                    if !fits(&format!("{current}{letter}")) && !current.is_empty() {
                        lines.push(std::mem::take(&mut current));
                    }
                    current.push(letter);
                }
            }
        }
        if opportunity == BreakOpportunity::Mandatory && end < text.len() {
            lines.push(std::mem::take(&mut current));
        }
    }
    lines.push(current);
    lines
        .iter()
        .map(|text| line(text, weight, tabular))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const REGULAR: Weight = Weight::Regular;

    #[test]
    fn figures_of_a_table_are_all_of_one_width() {
        let widths: Vec<f32> = (0..10)
            .map(|digit| width(&digit.to_string(), REGULAR, true))
            .collect();
        assert!(widths.iter().all(|width| (width - widths[0]).abs() < 1e-6));
        assert!(width("1", REGULAR, false) < widths[0]);
    }

    #[test]
    fn lines_hold_all_of_the_text_and_keep_within_the_room() {
        let text = "The quick brown fox jumps over ≥ 64.0 dB and 0123456789abcdef0123456789abcdef.";
        let lines = paragraph(text, REGULAR, false, 8.0);
        assert!(lines.len() > 4, "{lines:?}");
        assert!(lines.iter().all(|line| line.width <= 8.0));
        let whole: String = lines.iter().map(|line| line.text.as_str()).collect();
        assert_eq!(whole, text);
        assert!(lines[0].text.starts_with("The quick"));
        assert_eq!(paragraph("", REGULAR, false, 8.0).len(), 1);
        assert_eq!(paragraph("a\nb", REGULAR, false, 8.0).len(), 2);
        // A space that does not break keeps number and unit together.
        let unit = paragraph(
            "seven 64.0\u{a0}dB",
            REGULAR,
            false,
            width("seven 64.0", REGULAR, false),
        );
        assert_eq!(unit[1].text, "64.0\u{a0}dB");
    }

    #[test]
    fn every_glyph_knows_its_letters_and_none_is_missing() {
        let line = line("AVÄ 日😀\u{0}fi", REGULAR, false);
        assert_eq!(line.text, "AVÄ □□□fi");
        assert!(line.glyphs.iter().all(|glyph| glyph.id != 0));
        let mut at = 0;
        for glyph in &line.glyphs {
            assert_eq!(glyph.range.start, at);
            at = glyph.range.end;
        }
        assert_eq!(at, line.text.len());
        // Kerning: closer than each alone.
        let alone = width("A", REGULAR, false) + width("V", REGULAR, false);
        assert!(width("AV", REGULAR, false) < alone);
    }
}
