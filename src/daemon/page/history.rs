//! What was measured, newest first, with filters that are part of the address.

use axum::extract::State;
use maud::{Markup, html};

use super::{Fault, encoded, layout, navigation, time, verdict_mark};
use crate::daemon::http::{Query, RunsWanted, Site};

/// The history.
pub(super) async fn page(
    State(site): State<Site>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Markup, Fault> {
    let wanted = read(&given)?;
    let page = wanted.page(&site).await?;
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/history", &stations))
        main #main {
            p #said role="status" {}
            h1 { "History" }
            (filter(&wanted))
            div.scroll {
                table {
                    caption { @if page.runs.is_empty() { "Nothing fits." } @else { "Newest first; times in UTC." } }
                    thead { tr {
                        @for title in ["Begun", "Item", "Model", "Lot", "Operator", "Verdict"] { th scope="col" { (title) } }
                    } }
                    tbody {
                        @for run in &page.runs {
                            tr {
                                td { (time(run.started)) }
                                th scope="row" { a href={ "/runs/" (run.run) } { (run.item.as_deref().unwrap_or("reference")) } }
                                td { (run.model.as_deref().unwrap_or("–")) }
                                td { (run.lot.as_deref().unwrap_or("–")) }
                                td { (run.operator.as_deref().unwrap_or("–")) }
                                td { (verdict_mark(run.verdict, run.state.as_str())) }
                            }
                        }
                    }
                }
            }
            @if let Some(next) = page.next {
                p.after { a.button href=(older(&given, &next.to_string())) { "Older" } }
            }
        }
    };
    Ok(layout("History", &stations, &body))
}

/// A form sends every field, also those that were left empty.
fn read(given: &[(String, String)]) -> Result<RunsWanted, Fault> {
    let filled = given.iter().filter(|(_, value)| !value.trim().is_empty());
    let address: Vec<String> = filled
        .map(|(name, value)| {
            let value = match name.as_str() {
                // A day, as the form has it, begins at midnight UTC.
                "since" | "until" if value.len() == 10 => format!("{value}T00:00:00Z"),
                _ => value.trim().to_owned(),
            };
            format!("{}={}", encoded(name), encoded(&value))
        })
        .collect();
    Ok(RunsWanted::read(&address.join("&"))?)
}

fn older(given: &[(String, String)], after: &str) -> String {
    let kept = given
        .iter()
        .filter(|(name, value)| name != "after" && !value.is_empty())
        .map(|(name, value)| format!("{}={}", encoded(name), encoded(value)));
    let parts: Vec<String> = kept.chain([format!("after={after}")]).collect();
    format!("/history?{}", parts.join("&"))
}

fn filter(wanted: &RunsWanted) -> Markup {
    let day = |at: Option<jiff::Timestamp>| at.map(|at| at.strftime("%Y-%m-%d").to_string());
    let text = |name: &str, label: &str, value: &Option<String>| {
        html! {
            div {
                label for=(name) { (label) }
                input id=(name) name=(name) type="text" maxlength="200" value=[value.as_deref()];
            }
        }
    };
    let date = |name: &str, label: &str, at| {
        html! {
            div {
                label for=(name) { (label) }
                input id=(name) name=(name) type="date" value=[day(at)];
            }
        }
    };
    html! {
        form.filter method="get" action="/history" {
            (text("item", "Serial", &wanted.item))
            (text("model", "Model", &wanted.model))
            (text("lot", "Lot", &wanted.lot))
            (choice("verdict", "Verdict", &["pass", "fail", "undecided"], wanted.verdict.map(|v| v.as_str())))
            (choice("kind", "Of", &["item", "reference"], wanted.kind.map(|k| k.as_str())))
            (choice("state", "State", &["running", "stopped", "complete", "failed"], wanted.state.map(|s| s.as_str())))
            (date("since", "Begun from", wanted.since))
            (date("until", "Begun before", wanted.until))
            button type="submit" { "Filter" }
        }
    }
}

fn choice(name: &str, label: &str, words: &[&str], chosen: Option<&str>) -> Markup {
    html! {
        div {
            label for=(name) { (label) }
            select id=(name) name=(name) {
                option value="" { "any" }
                @for word in words { option value=(word) selected[chosen == Some(*word)] { (word) } }
            }
        }
    }
}
