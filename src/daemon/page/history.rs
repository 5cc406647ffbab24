//! What was measured, by a query that is part of the address.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

use super::{Fault, encoded, layout, navigation, time, verdict_mark};
use crate::daemon::http::{Query, Runs, RunsWanted, Site};
use crate::store::{QUERY_BYTES_MAX, QUERY_KEYS, Query as Wanted};

/// The history. A query with a fault in it is shown again, with the fault under it.
pub(super) async fn page(
    State(site): State<Site>,
    Query(wanted): Query<RunsWanted>,
) -> Result<Response, Fault> {
    let (status, found) = match Wanted::parse(&wanted.q) {
        Err(faults) => {
            let said = html! { pre.message role="alert" { (faults) } };
            (StatusCode::BAD_REQUEST, said)
        }
        Ok(_) => {
            let page = wanted.runs(&site).await?;
            let hints = match page.runs.is_empty() {
                true => wanted.unknown_names(&site).await?,
                false => Vec::new(),
            };
            (StatusCode::OK, runs(&wanted, &page, &hints))
        }
    };
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/history", &stations))
        main #main {
            p #said role="status" {}
            h1 { "History" }
            (filter(&wanted.q))
            (found)
        }
    };
    Ok((status, layout("History", &stations, &body)).into_response())
}

fn runs(wanted: &RunsWanted, page: &Runs, hints: &[String]) -> Markup {
    html! {
        @for hint in hints { p.quiet { (hint) } }
        form method="get" action="/compare" {
        div.scroll {
            table {
                caption { @if page.runs.is_empty() { "Nothing fits." } @else { "Times in UTC. Tick two or more to compare them." } }
                thead { tr {
                    th scope="col" { span.visually-hidden { "Compare" } }
                    @for title in ["Begun", "Item", "Model", "Lot", "Operator", "Verdict"] { th scope="col" { (title) } }
                } }
                tbody {
                    @for run in &page.runs {
                        tr {
                            td {
                                @if let Some(item) = &run.item {
                                    label.tick {
                                        input type="checkbox" name="of" value={ "run:" (run.run) };
                                        span.visually-hidden { "compare the run of " (item) " begun " (time(run.started)) }
                                    }
                                }
                            }
                            td { (time(run.started)) }
                            th scope="row" { a href={ "/runs/" (run.run) } { (run.item.as_deref().unwrap_or("reference")) } }
                            td { (run.model.as_deref().unwrap_or("–")) }
                            td { (run.lot.as_deref().unwrap_or("–")) }
                            td { (run.operator.as_deref().unwrap_or("–")) }
                            td {
                                (verdict_mark(run.verdict, run.state.as_str()))
                                @if run.imported { " imported" }
                                @if let Some(why) = &run.withdrawn_why { " withdrawn: " (why) }
                            }
                        }
                    }
                }
            }
        }
        @if page.runs.len() > 1 { p.after { button type="submit" { "Compare what is ticked" } } }
        }
        @if let Some(next) = &page.next {
            p.after { a.button href=(further(&wanted.q, next)) { "Further" } }
        }
    }
}

fn further(query: &str, after: &str) -> String {
    format!("/history?q={}&after={after}", encoded(query))
}

fn filter(query: &str) -> Markup {
    html! {
        form.filter method="get" action="/history" {
            div {
                label for="q" { "What to look for" }
                input id="q" name="q" type="search" maxlength=(QUERY_BYTES_MAX) value=(query)
                    autocomplete="off" spellcheck="false" autocapitalize="off"
                    placeholder="model:\"Fell pouch\" verdict:fail since:2026-01";
            }
            button type="submit" { "Filter" }
        }
        details {
            summary { "How to ask" }
            p {
                "Words are looked for in serials, models, lots, operators, notes. " code { "key:value" }
                " narrows, " code { "key:a,b" } " takes either, double quotes hold blanks."
            }
            dl.facts {
                @for (key, values) in QUERY_KEYS { div { dt { (key) } dd { (values) } } }
            }
        }
    }
}
