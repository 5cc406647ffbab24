//! What a person gets to see on paper: pictures now, pages later, drawn from the store alone.
//!
//! [`Chart`] is the one definition of shielding effectiveness (SE) over frequency that every picture
//! and page uses; [`png`] turns its SVG into pixels with the embedded font and nothing of the machine's.

mod axis;
mod chart;
mod picture;
mod plot;
mod run;
#[cfg(test)]
mod tests;
mod text;

pub use crate::quantity::one_decimal;
pub use chart::{Chart, Kind, Mark, Series, svg_panels};
pub use picture::png;
pub use run::{AverageDocument, PointDocument, RunDocument};

/// Why a picture could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The width asked for is of no use or would take too much memory.
    #[error(
        "a picture {width_px} x {height_px} pixels large cannot be drawn: choose a width of {min} to {max} pixels, \
         and fewer panels if the page is very long"
    )]
    Size {
        /// Pixels across, as asked for.
        width_px: u32,
        /// Pixels down that follow from it.
        height_px: u32,
        /// Smallest width accepted.
        min: u32,
        /// Largest width or height accepted.
        max: u32,
    },
    /// The text given is not an SVG picture.
    #[error("the text is not an SVG picture, pass the output of `Chart::svg` unchanged: {0}")]
    NotSvg(#[from] resvg::usvg::Error),
    /// The pixels could not be packed.
    #[error("the PNG could not be written: {0}")]
    Encode(String),
}
