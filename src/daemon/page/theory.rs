//! Theory beside what was measured: single questions, two items nested, a pulse. Plain forms, whole without script.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, PreEscaped, html};

use super::{Fault, encoded, layout, navigation};
use crate::analysis::shield::ask::{self, Input, TOPICS, Topic};
use crate::analysis::shield::layers::{Pair, Place};
use crate::analysis::shield::pulse::{IEC_61000_2_9, PulseResult};
use crate::daemon::http::{
    Nested, Path, Problem, Query, Site, Two, document, inside, nested, told,
};
use crate::quantity::Frequency;
use crate::report::{MARK, PointDocument, RunDocument, TheoryDocument, one_decimal, reason};
use crate::store::{PageOf, Query as Wanted, RunRow};

type Pairs = Vec<(String, String)>;

/// So many of the newest runs are offered to be put beside theory.
const RUNS_OFFERED: u32 = 40;

fn value<'a>(given: &'a Pairs, key: &str) -> Option<&'a str> {
    let found = given.iter().find(|(name, _)| name == key);
    found.map(|(_, text)| text.as_str())
}

/// What there is to ask.
pub(super) async fn index(
    State(site): State<Site>,
    Query(given): Query<Pairs>,
) -> Result<Markup, Fault> {
    let run = value(&given, "run").filter(|run| !run.is_empty());
    let beside = match run {
        Some(run) => Some(document(&site, run).await?),
        None => None,
    };
    let query = run.map_or(String::new(), |run| format!("?run={}", encoded(run)));
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/theory", &stations))
        main #main {
            p #said role="status" {}
            h1 { "What would it give?" }
            p { "Theory for the plain parts of an enclosure, to be laid beside what was measured. "
                "It says what is plausible; only a measurement says what is." }
            @if let Some(document) = &beside { p.quiet { "Beside " (named(document)) "." } }
            ul.cards {
                @for topic in &TOPICS {
                    li {
                        a.title href={ "/theory/" (topic.word) (query) } { (topic.title) }
                        p.more { (topic.about) "." }
                    }
                }
                li {
                    a.title href={ "/layers" @if let Some(run) = run { "?first=" (encoded(run)) } }
                        { "Two items, one inside the other" }
                    p.more { "What two measured items would give together: a bracket, never the sum." }
                }
            }
        }
    };
    Ok(layout("Theory", &stations, &body))
}

fn named(document: &RunDocument) -> Markup {
    html! {
        a href={ "/runs/" (document.run) } { (document.item.as_deref().unwrap_or("reference")) }
        ", run " (document.run)
    }
}

/// A question, and its answer once its inputs are there. A fault in them is shown above the form, which keeps them.
pub(super) async fn question(
    State(site): State<Site>,
    Path(word): Path<String>,
    Query(given): Query<Pairs>,
) -> Result<Response, Fault> {
    let topic = ask::topic(&word).map_err(|error| Problem::unknown("question", error))?;
    // A link from a run names nothing but the run: nothing was asked yet.
    let is_asked = given.iter().any(|(key, _)| key != "run");
    let told = match is_asked {
        true => Some(told(&site, &word, given.clone()).await),
        false => None,
    };
    let runs = offered(&site).await?;
    let status = match &told {
        Some(Err(problem)) => problem.status(),
        _ => StatusCode::OK,
    };
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/theory", &stations))
        main #main {
            p #said role="status" {}
            h1 { (topic.title) }
            p { (topic.about) "." }
            @if let Some(Err(problem)) = &told { p.message role="alert" { (problem.detail) } }
            (form(topic, &given, &runs))
            @if let Some(Ok(document)) = &told { (answer(document, &given)) }
            p.after { a.button href="/theory" { "Other questions" } }
        }
    };
    Ok((status, layout(topic.title, &stations, &body)).into_response())
}

fn form(topic: &Topic, given: &Pairs, runs: &[RunRow]) -> Markup {
    html! {
        form.ask method="get" action={ "/theory/" (topic.word) } {
            @for input in topic.inputs { (field(input, given)) }
            @if topic.at_frequencies {
                @for (key, label, usual) in [("from", "Lowest frequency", "100 kHz"), ("to", "Highest frequency", "1 GHz"),
                    ("per-decade", "Frequencies in each decade", "3")] {
                    div {
                        label for=(key) { (label) }
                        input id=(key) name=(key) maxlength="40" autocomplete="off" value=(value(given, key).unwrap_or(usual));
                    }
                }
            }
            div {
                label for="run" {
                    @if topic.at_frequencies { "Beside a run, at its frequencies" } @else { "Beside a run" }
                }
                (run_choice("run", value(given, "run"), "none", runs))
            }
            button.main type="submit" { "Work it out" }
        }
    }
}

/// An input with its name; several of a kind stand one below the other, with two empty ones to spare.
fn field(input: &Input, given: &Pairs) -> Markup {
    let values: Vec<&str> = given
        .iter()
        .filter(|(key, text)| key == input.key && !text.is_empty())
        .map(|(_, text)| text.as_str())
        .collect();
    let rows = if input.several {
        values.len().max(1) + 2
    } else {
        1
    };
    let hint = format!("{}-hint", input.key);
    html! {
        div {
            label for=(input.key) { (input.key.replace('-', " ")) @if !input.required { " (may be left out)" } }
            @if input.choices.is_empty() {
                @for row in 0..rows {
                    @let typed = values.get(row).copied().or(input.default.filter(|_| given.is_empty()));
                    input id=[(row == 0).then_some(input.key)] name=(input.key) maxlength="200" autocomplete="off"
                        autocapitalize="off" spellcheck="false" required[input.required && row == 0]
                        aria-label=[(row > 0).then(|| format!("{} {}", input.key, row + 1))]
                        aria-describedby=(hint) value=[typed];
                }
            } @else {
                select id=(input.key) name=(input.key) aria-describedby=(hint) {
                    @let chosen = values.first().copied().or(input.default);
                    @for choice in input.choices {
                        option value=(choice.word) selected[chosen == Some(choice.word)] { (choice.about) }
                    }
                }
            }
            p.quiet id=(hint) { (input.about) @if input.choices.is_empty() { ", like " code { (input.example) } } "." }
        }
    }
}

async fn offered(site: &Site) -> Result<Vec<RunRow>, Problem> {
    let wanted = Wanted::parse("of:item").map_err(|error| Problem::internal(error.to_string()))?;
    let page = PageOf {
        rows_max: RUNS_OFFERED,
        after: None,
    };
    Ok(site.store().run_rows(&wanted, &page).await?.rows)
}

/// A run to choose; the one that is asked for is there even if it is old.
fn run_choice(name: &str, chosen: Option<&str>, nothing: &str, runs: &[RunRow]) -> Markup {
    let chosen = chosen.unwrap_or_default();
    let is = |row: &RunRow| !chosen.is_empty() && row.run.id.to_string().starts_with(chosen);
    html! {
        select id=(name) name=(name) {
            option value="" { (nothing) }
            @if !chosen.is_empty() && !runs.iter().any(is) { option value=(chosen) selected { "run " (chosen) } }
            @for row in runs {
                option value=(row.run.id) selected[is(row)] {
                    (row.run.item.as_deref().unwrap_or("reference")) ", "
                    (row.run.started.strftime("%Y-%m-%d %H:%M")) ", "
                    (row.run.verdict.map_or(row.run.state.as_str(), |verdict| verdict.as_str()))
                }
            }
        }
    }
}

fn answer(document: &TheoryDocument, given: &Pairs) -> Markup {
    let table = document.table();
    let basis = document.basis();
    let pairs: Vec<String> = given
        .iter()
        .filter(|(_, text)| !text.is_empty())
        .map(|(key, text)| format!("{}={}", encoded(key), encoded(text)))
        .collect();
    let query = pairs.join("&");
    html! {
        h2 { "What theory gives" }
        p { (MARK) @if let Some(run) = document.run() { " Beside " (named(run)) "." } }
        div.picture.chart { (PreEscaped(document.svg())) }
        @if let Some(note) = &table.note { p.quiet { (note) } }
        div.scroll {
            table {
                caption { (document.inputs_text()) }
                thead { tr { @for title in &table.heading { th.number scope="col" { (title) } } } }
                tbody { @for row in &table.rows { tr { @for cell in row { td.number { (cell) } } } } }
            }
        }
        (from(basis.source, basis.validity))
        p.after {
            a.button href={ "/api/v1/theory/" (document.question) "?" (query) } { "As JSON" }
            a.button href={ "/api/v1/theory/" (document.question) "/chart.svg?" (query) } { "The picture" }
        }
    }
}

fn from(source: &str, validity: &str) -> Markup {
    html! {
        dl.facts {
            div { dt { "From" } dd { (source) } }
            div { dt { "Holds for" } dd { (validity) } }
        }
    }
}

/// Two measured items, one inside the other.
pub(super) async fn layers(
    State(site): State<Site>,
    Query(given): Query<Pairs>,
) -> Result<Response, Fault> {
    let text = |key: &str| value(&given, key).unwrap_or_default().to_owned();
    let two = Two {
        first: text("first"),
        second: text("second"),
        shortest: Some(text("shortest")),
        longest: Some(text("longest")),
        measured: Some(text("measured")),
    };
    let told = match two.first.is_empty() || two.second.is_empty() {
        true => None,
        false => Some(nested(&site, &two).await),
    };
    let status = match &told {
        Some(Err(problem)) => problem.status(),
        _ => StatusCode::OK,
    };
    let runs = offered(&site).await?;
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/theory", &stations))
        main #main {
            p #said role="status" {}
            h1 { "Two items, one inside the other" }
            p { "What two measured items would give together: a bracket over the distance between them, from theory and "
                "from both curves. The sum of the two is not to be had." }
            @if let Some(Err(problem)) = &told { p.message role="alert" { (problem.detail) } }
            form.ask method="get" action="/layers" {
                @for (name, label, nothing) in [("first", "One", "choose a run"), ("second", "The other", "choose a run"),
                    ("measured", "Both, measured together", "not measured yet")] {
                    div {
                        label for=(name) { (label) }
                        (run_choice(name, value(&given, name), nothing, &runs))
                    }
                }
                @for (name, label) in [("shortest", "Shortest distance between them"), ("longest", "Longest distance between them")] {
                    div {
                        label for=(name) { (label) " (may be left out)" }
                        input id=(name) name=(name) maxlength="40" autocomplete="off" value=[value(&given, name)]
                            aria-describedby="distance-hint";
                    }
                }
                p.quiet #distance-hint { "Both or neither, like " code { "5 mm" } "; without them any distance." }
                button.main type="submit" { "Work it out" }
            }
            @if let Some(Ok(told)) = &told { (pair(told, &two)) }
        }
    };
    Ok((status, layout("Two items", &stations, &body)).into_response())
}

fn pair(told: &Nested, two: &Two) -> Markup {
    let Nested {
        first,
        second,
        pair,
        measured,
    } = told;
    let mut query = format!(
        "first={}&second={}",
        encoded(&two.first),
        encoded(&two.second)
    );
    for (key, text) in [
        ("shortest", &two.shortest),
        ("longest", &two.longest),
        ("measured", &two.measured),
    ] {
        if let Some(text) = text.as_deref().filter(|text| !text.is_empty()) {
            query.push_str(&format!("&{key}={}", encoded(text)));
        }
    }
    html! {
        h2 { "The bracket" }
        p { (MARK) " " (named(first)) "; " (named(second)) "." }
        @for sentence in above(pair) { p { (sentence) } }
        @if let Some((document, checks)) = measured {
            @let inside = checks.iter().filter(|check| check.place == Place::Inside).count();
            p { "Measured together (" (named(document)) "): " (inside) " of " (checks.len()) " inside the bracket, "
                (checks.iter().filter(|check| check.place == Place::Below).count()) " below, "
                (checks.iter().filter(|check| check.place == Place::Above).count()) " above; the others cannot be told." }
        }
        div.picture.chart { (PreEscaped(told.svg())) }
        div.scroll {
            table {
                caption { "SE in dB; ≥ is a lower bound." }
                thead { tr {
                    @for title in ["Frequency", "One", "The other", "Least", "Most", "Limit"] { th.number scope="col" { (title) } }
                    th scope="col" { "Stays above the limit" }
                } }
                tbody {
                    @for point in &pair.points {
                        tr {
                            th.number scope="row" { (Frequency::from_hz(point.frequency_hz)) }
                            td.number { (PointDocument::value_or_bound(point.first_db, point.first_bounded)) }
                            td.number { (PointDocument::value_or_bound(point.second_db, point.second_bounded)) }
                            td.number { (PointDocument::value_or_bound(point.worst_db, point.bounded)) }
                            td.number { (point.best_db.map_or("open".to_owned(), one_decimal)) }
                            td.number { (point.limit_db.map_or("–".to_owned(), one_decimal)) }
                            td { (point.above_limit.map_or("–", |above| if above { "yes" } else { "not sure" })) }
                        }
                    }
                }
            }
        }
        (from(pair.basis.source, pair.basis.validity))
        p.after {
            a.button href={ "/api/v1/layers?" (query) } { "As JSON" }
            a.button href={ "/api/v1/layers.svg?" (query) } { "The picture" }
        }
    }
}

/// Where the pair stays above the limit, in words.
fn above(pair: &Pair) -> Vec<String> {
    let spans = pair.above_limit_hz.iter();
    spans
        .map(|(from, to)| {
            let (from, to) = (Frequency::from_hz(*from), Frequency::from_hz(*to));
            format!("Above the limit whatever the distance between them, from {from} to {to}.")
        })
        .collect()
}

/// What is left inside of a pulse.
pub(super) async fn pulse(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<Markup, Fault> {
    let (document, said) = inside(&site, &run, IEC_61000_2_9).await?;
    let title = format!(
        "A pulse at {}",
        document.item.as_deref().unwrap_or("the reference")
    );
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/theory", &stations))
        main #main {
            p #said role="status" {}
            h1 { (title) }
            p { "The early-time pulse of IEC 61000-2-9 outside, and what is left of its electric field inside, behind the "
                "curve of " (named(&document)) ". " (MARK) }
            (peaks(&said))
            div.picture.chart { (PreEscaped(reason::pulse_graphs(&document, &said))) }
            p.message { (said.not_covered) }
            (from(said.basis.source, said.basis.validity))
            p.after {
                a.button href={ "/runs/" (document.run) } { "The whole run" }
                a.button href={ "/api/v1/runs/" (document.run) "/pulse" } { "As JSON, with the waveforms" }
                a.button href={ "/api/v1/runs/" (document.run) "/pulse.svg" } { "The picture" }
            }
        }
    };
    Ok(layout(&title, &stations, &body))
}

fn peaks(said: &PulseResult) -> Markup {
    let number = |value: f64| format!("{} V/m", reason::field(value));
    html! {
        dl.facts {
            div { dt { "Peak inside, at most" } dd { (number(said.peak_high_v_per_m)) } }
            div { dt { "Peak inside, at least" } dd { (said.peak_low_v_per_m.map_or("open".to_owned(), number)) } }
            div { dt { "Any phase, at most" } dd { (number(said.any_phase_peak_v_per_m)) } }
            div { dt { "Peak outside" } dd { (number(said.outside.peak_v_per_m)) } }
            div { dt { "Measured" } dd {
                (Frequency::from_hz(said.measured_hz.0)) " to " (Frequency::from_hz(said.measured_hz.1)) ", which holds "
                (format!("{:.0}", 100.0 * said.measured_energy_share)) " % of the pulse's energy"
            } }
        }
        @if said.at_most { p { "The curve holds lower bounds, so every figure of the inside is an upper bound." } }
    }
}
