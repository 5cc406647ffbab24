//! A report as one HTML file: style, font, pictures and logo inside, nothing fetched from anywhere, so that it
//! opens the same in ten years and without a network. It is made to be printed as well as read.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::ReportError;
use super::document::{Block, Document, Figure, Logo, Section, Sender, Table};
use super::text;
use crate::store::Verdict;

const STYLE: &str = include_str!("html/report.css");

/// What a style sheet must not hold: each would fetch something when the report is opened.
const FETCHES: [&str; 4] = ["@import", "url(", "image-set(", "</"];

/// The document as HTML, with a style sheet of the user's own after the built-in one.
///
/// # Errors
/// A style sheet that would fetch something.
pub fn html(document: &Document, style: Option<&str>) -> Result<String, ReportError> {
    let own = style.unwrap_or("");
    let small = own.to_lowercase();
    if let Some(word) = FETCHES.into_iter().find(|word| small.contains(word)) {
        return Err(ReportError::Fetches { word });
    }
    let page = html! {
        (DOCTYPE)
        html lang=(document.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (document.title) }
                style { (PreEscaped(faces())) (PreEscaped(STYLE)) (PreEscaped(own)) }
            }
            body {
                (sender(&document.sender))
                main {
                    h1 { (document.title) }
                    @for line in &document.lead { p.lead { (line) } }
                    @for part in &document.sections { (section(part)) }
                }
                footer {
                    p { (document.footer) }
                    @if let Some(printed) = &document.printed { p.printed { (printed) } }
                }
            }
        }
    };
    Ok(page.into_string() + "\n")
}

/// The two weights of the font, inside the file.
fn faces() -> String {
    let face = |weight: u32, bytes: &[u8]| {
        format!(
            "@font-face{{font-family:{};font-weight:{weight};src:url(data:font/otf;base64,{})}}\n",
            text::FAMILY,
            STANDARD.encode(bytes)
        )
    };
    face(400, text::REGULAR) + &face(600, text::SEMIBOLD)
}

fn sender(sender: &Sender) -> Markup {
    let silent = sender.name.is_empty() && sender.address.is_empty() && sender.logo.is_none();
    html! {
        @if !silent {
            header {
                address {
                    @if !sender.name.is_empty() { b { (sender.name) } }
                    @for line in &sender.address { span { (line) } }
                }
                @if let Some(logo) = &sender.logo { img alt=(sender.name) src=(logo_data(logo)); }
            }
        }
    }
}

fn logo_data(logo: &Logo) -> String {
    let kind = if logo.svg { "svg+xml" } else { "png" };
    format!("data:image/{kind};base64,{}", STANDARD.encode(&logo.bytes))
}

fn section(section: &Section) -> Markup {
    html! {
        section id=(section.name) {
            h2 { (section.title) }
            @for part in &section.blocks { (block(part)) }
        }
    }
}

fn block(block: &Block) -> Markup {
    html! {
        @match block {
            Block::Verdict { verdict, word, sentence } => {
                div class={ "verdict " (verdict.map_or("none", Verdict::as_str)) } {
                    p.word { (word) }
                    p { (sentence) }
                }
            }
            Block::Text { text } => p { (code(text)) },
            Block::Note { text } => p.note { (code(text)) },
            Block::Quote { text, source } => {
                blockquote lang="en" { p { (text) } }
                @if let Some(source) = source { p.note { (source) } }
            }
            Block::Facts { facts } => dl {
                @for fact in facts { div { dt { (fact.label) } dd { (fact.value) } } }
            },
            Block::List { sentences } => ul { @for sentence in sentences { li { (sentence) } } },
            Block::Table(table) => (self::table(table)),
            Block::Figure(figure) => (self::figure(figure)),
        }
    }
}

/// What stands between backticks is a command.
fn code(text: &str) -> Markup {
    html! {
        @for (i, part) in text.split('`').enumerate() {
            @if i % 2 == 1 { code { (part) } } @else { (part) }
        }
    }
}

fn table(table: &Table) -> Markup {
    let class = |number: bool| number.then_some("number");
    html! {
        div.table {
            table id=(table.name) {
                caption { (table.caption) }
                thead { tr {
                    @for column in table.shown() { th scope="col" class=[class(column.number)] { (column.title) } }
                } }
                tbody {
                    @for row in &table.rows { tr {
                        @for (column, cell) in table.shown().iter().zip(table.shown_of(row)) {
                            td class=[class(column.number)] { (cell.text) }
                        }
                    } }
                }
            }
        }
    }
}

fn figure(figure: &Figure) -> Markup {
    // In HTML an SVG needs no namespace, and so the file names no address at all.
    let svg = figure
        .svg
        .replacen(" xmlns=\"http://www.w3.org/2000/svg\"", "", 1);
    html! {
        figure id=(figure.name) {
            div role="img" aria-label=(figure.alternative) { (PreEscaped(svg)) }
            figcaption { (figure.caption) }
        }
    }
}
