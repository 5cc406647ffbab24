//! Lots: which there are, and one with its plan, its units and what it comes to.

use axum::extract::State;
use maud::{Markup, PreEscaped, html};

use super::{Fault, encoded, layout, mark, navigation, time, verdict_mark};
use crate::analysis::tolerance::Method;
use crate::daemon::http::{Path, Problem, Query, Site, judged};
use crate::evaluate::lot::{LotDocument, LotUnit, attribute_plan, curve, rule_in_words};
use crate::quantity::Frequency;
use crate::report::{one_decimal, operating_characteristic};
use crate::store::ResultKind;

/// Lots on one page.
const ROWS: u32 = 50;

/// The lots by name.
pub(super) async fn list(
    State(site): State<Site>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Markup, Fault> {
    let after = given.iter().find(|(key, _)| key == "after");
    let after = match after {
        Some((_, text)) => text
            .parse::<u32>()
            .map_err(|_| Problem::input("after: what the page before said"))?,
        None => 0,
    };
    let mut lots = site.store().lots(ROWS + 1, after).await?;
    let more = lots.len() > ROWS as usize;
    lots.truncate(ROWS as usize);
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/lots", &stations))
        main #main {
            p #said role="status" {}
            h1 { "Lots" }
            @if lots.is_empty() {
                p { "There is none. " code { "muffle lot new --file config/lot.toml" } " puts one in." }
            }
            ul.cards {
                @for lot in &lots {
                    li {
                        a.title href=(path(&lot.name)) { (lot.name) @if let Some(model) = &lot.model { ", " (model) } }
                        p.more { @for sentence in rule_in_words(lot) { (sentence) ". " } }
                    }
                }
            }
            @if more { p.after { a.button href={ "/lots?after=" (after.saturating_add(ROWS)) } { "Further" } } }
        }
    };
    Ok(layout("Lots", &stations, &body))
}

/// Where a lot's page is.
pub(super) fn path(lot: &str) -> String {
    format!("/lots/{}", encoded(lot))
}

/// One lot.
pub(super) async fn page(
    State(site): State<Site>,
    Path(lot): Path<String>,
) -> Result<Markup, Fault> {
    let document = judged(&site, &lot).await?;
    let lot = &document.lot;
    let title = format!("Lot {}", lot.name);
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/lots", &stations))
        main #main {
            p #said role="status" {}
            h1 { (title) @if let Some(model) = &lot.model { ", " (model) } }
            p.verdict {
                (mark(document.verdict, document.word()))
                @if let Some(so_far) = document.so_far() { " " (so_far) }
            }
            @for reason in &document.reasons { p { (capital(reason)) "." } }
            (still_open(&document))
            h2 { "The plan" }
            @for sentence in rule_in_words(lot) { p { (capital(&sentence)) "." } }
            @if let Some(note) = &lot.note { p.quiet { (note) } }
            @if let Some(Ok(plan)) = lot.rule.as_ref().and_then(attribute_plan) {
                div.picture.chart { (PreEscaped(operating_characteristic(&lot.name, &plan, &curve(&plan)).svg())) }
            }
            h2 { "The units" }
            (units(&document))
            @if !document.variables.is_empty() {
                h2 { "By variables" }
                (variables(&document))
            }
            p.after {
                a.button href={ "/api/v1/lots/" (encoded(&lot.name)) } { "Lot as JSON" }
                a.button href={ "/history?q=" (encoded(&format!("lot:\"{}\"", lot.name))) } { "Its runs" }
            }
        }
    };
    Ok(layout(&title, &stations, &body))
}

/// What is still to be measured, and how.
fn still_open(document: &LotDocument) -> Markup {
    let rule = document.lot.rule.as_ref();
    let open = rule.map_or(0, |rule| rule.sample.saturating_sub(document.measured()));
    html! {
        @if open > 0 && !document.is_decided() {
            p.message {
                (open) " more to be measured: " code { "muffle lot measure " (document.lot.name) " PLAN" }
                ", then scan the serials one after another."
            }
        }
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

fn units(document: &LotDocument) -> Markup {
    html! {
        div.scroll {
            table {
                caption { @if document.units.is_empty() { "Nothing was measured yet." } @else {
                    "In the order in which they were first measured; every result is kept, the bold one counts." } }
                thead { tr {
                    th scope="col" { "Unit" } th scope="col" { "Verdict" } th.number scope="col" { "Least margin dB" }
                    th.number scope="col" { "At" } th scope="col" { "Results" }
                } }
                tbody { @for unit in &document.units { (row(unit, document.place_of(unit))) } }
            }
        }
    }
}

fn row(unit: &LotUnit, place: Option<&str>) -> Markup {
    let margin = unit.margin_db.map_or("–".to_owned(), |db| match unit.kind {
        // Never rounded up.
        ResultKind::AtLeast => format!("≥ {}", one_decimal((db * 10.0 + 1e-6).floor() / 10.0)),
        _ => one_decimal(db),
    });
    let at = unit
        .frequency_hz
        .map(|hz| Frequency::from_hz(hz).to_string());
    html! {
        tr {
            th scope="row" { (unit.serial) }
            td { (verdict_mark(unit.verdict, "–")) @if let Some(place) = place { " " (place) } }
            td.number { (margin) }
            td.number { (at.as_deref().unwrap_or("–")) }
            td {
                @for (number, run) in unit.runs.iter().enumerate() {
                    @if number > 0 { ", " }
                    a href={ "/runs/" (run.run) } {
                        @if run.counts { strong { (time(run.started)) } } @else { (time(run.started)) }
                    }
                    " " (run.verdict.map_or("–", |verdict| verdict.as_str()))
                }
            }
        }
    }
}

fn variables(document: &LotDocument) -> Markup {
    let number = |value: Option<f64>| value.map_or("–".to_owned(), one_decimal);
    html! {
        div.scroll {
            table {
                caption { "Lower tolerance limits in dB (ISO 16269-6); lower bounds count as bounds." }
                thead { tr {
                    @for title in ["Frequency", "Limit", "Guard", "Mean", "sd", "Bounds", "k", "Tolerance limit"] {
                        th.number scope="col" { (title) }
                    }
                    th scope="col" { "From" } th scope="col" { "Verdict" }
                } }
                tbody {
                    @for at in &document.variables {
                        @let result = &at.result;
                        tr {
                            th.number scope="row" { (Frequency::from_hz(at.frequency_hz)) }
                            td.number { (one_decimal(result.limit_db)) }
                            td.number { (one_decimal(result.plan.guard_db)) }
                            td.number { (number(result.mean_db)) }
                            td.number { (number(result.sd_db)) }
                            td.number { (result.bounds) " of " (result.units) }
                            td.number { (result.factor.map_or("–".to_owned(), |k| format!("{k:.3}"))) }
                            td.number { (number(result.tolerance_limit_db)) }
                            td { (match result.method {
                                Method::Exact => "mean − k sd",
                                Method::CensoredLikelihood => "likelihood, bounds as bounds",
                                Method::OrderStatistics => "order of the values",
                            }) }
                            td { (verdict_mark(Some(result.verdict), "")) }
                        }
                    }
                }
            }
        }
    }
}
