//! What a person gets to see on paper: pictures and reports, made from the store alone.
//!
//! [`Chart`] is the one definition of shielding effectiveness (SE) over frequency that every picture
//! and page uses; [`png`] turns its SVG into pixels with the embedded font and nothing of the machine's.
//!
//! A report goes three ways from one [`Document`]: what the store keeps is read once (`material`), `paper`
//! says it in the words of a [`Texts`], and [`html()`], [`pdf()`] and [`csv()`] set it. Same run, same words, same
//! time of printing: same bytes.

mod axis;
mod chart;
mod csv;
mod curve;
mod document;
mod figure;
mod graph;
mod html;
mod material;
mod paper;
mod pdf;
mod picture;
mod plot;
pub mod reason;
mod run;
#[cfg(test)]
mod seal_campaign_tests;
mod setup;
mod shape;
#[cfg(test)]
mod tests;
mod text;
mod texts;
mod theory;

pub use crate::quantity::one_decimal;
pub use chart::{Chart, Kind, Line, Mark, Series, Words, svg_column, svg_panels};
pub use csv::csv;
pub use curve::{control_graphs, difference_graph, operating_characteristic, trend_graph};
pub use document::{Block, Cell, Column, Document, Fact, Figure, Logo, Section, Sender, Table};
pub use graph::{Across, Dot, Graph, Level, svg_stacked};
pub use html::html;
pub use material::RunMaterial;
pub use paper::{
    Asides, HandMaterial, ItemMaterial, Proofs, Wanted, comparison as comparison_report,
    hand as hand_report, item as item_report, lot as lot_report, run as run_report,
};
pub use pdf::pdf;
pub use picture::png;
pub use run::{AverageDocument, PointDocument, RunDocument, sentences};
pub use text::{REGULAR as FONT_REGULAR, SEMIBOLD as FONT_SEMIBOLD};
pub use texts::{BUILT_IN, Texts};
pub use theory::{MARK, Over, TheoryDocument, TheoryTable};

use crate::analysis::AnalysisError;
use crate::evaluate::EvaluateError;
use crate::store::StoreError;

/// Why a picture or a report could not be made.
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
    /// The PDF would not be one that keeps the rules.
    #[error("the PDF could not be written: {0}")]
    Pdf(String),
    /// The table could not be written.
    #[error("the CSV could not be written: {0}")]
    Csv(#[from] ::csv::Error),
    /// The analysis refused what it was given.
    #[error(transparent)]
    Analysis(#[from] AnalysisError),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// What was kept cannot be read or asked that way.
    #[error(transparent)]
    Evaluate(#[from] EvaluateError),
    /// An item without anything to report on.
    #[error("item {item} has no complete run; `muffle history --item {item}` lists what there is")]
    NoRun {
        /// The item's serial.
        item: String,
    },
    /// A plan for the next readings cannot be made from the one kept with the run.
    #[error("the plan kept with the run gives none for the next readings: {0}")]
    NextPlan(String),
    /// A style sheet would make the report depend on something outside it.
    #[error(
        "the style sheet holds `{word}`; a report must open without a network, so leave it out"
    )]
    Fetches {
        /// What was found.
        word: &'static str,
    },
    /// The logo cannot be drawn.
    #[error("the logo cannot be drawn: {0}")]
    Logo(String),
    /// The report has no such table.
    #[error("this report has no table `{name}`; it has {}", known.join(", "))]
    NoTable {
        /// What was asked for.
        name: String,
        /// What there is.
        known: Vec<&'static str>,
    },
}
