//! Comparing, and following over time: sides against each other, an item over its runs, a station over its checks.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, PreEscaped, html};

use super::{Fault, encoded, layout, navigation, station_path, time};
use crate::analysis::compare::Comparison;
use crate::daemon::http::{Followed, Path, Query, Site, compared, followed, steady};
use crate::evaluate::compare::CompareDocument;
use crate::evaluate::stability::{Charted, StabilityDocument, Watched};
use crate::evaluate::trend::{Line, TrendDocument};
use crate::quantity::Frequency;
use crate::report::{control_graphs, difference_graph, one_decimal, trend_graph};

type Pairs = Vec<(String, String)>;

/// Empty fields for sides, to spare.
const SPARE: usize = 1;

/// Sides compared; without any, the form alone.
pub(super) async fn page(
    State(site): State<Site>,
    Query(given): Query<Pairs>,
) -> Result<Response, Fault> {
    let is_asked = given
        .iter()
        .any(|(key, text)| key == "of" && !text.trim().is_empty());
    let found = match is_asked {
        true => Some(compared(&site, &given).await),
        false => None,
    };
    let status = match &found {
        Some(Err(problem)) => problem.status(),
        _ => StatusCode::OK,
    };
    let stations = site.engine.stations();
    let body = html! {
        (navigation("/compare", &stations))
        main #main {
            p #said role="status" {}
            h1 { "Compare" }
            @if let Some(Err(problem)) = &found { p.message role="alert" { (problem.detail) } }
            @if let Some(Ok(document)) = &found { (sentences(document)) }
            (form(&given))
            @if let Some(Ok(document)) = &found { (differences(document, &given)) }
        }
    };
    Ok((status, layout("Compare", &stations, &body)).into_response())
}

fn sentences(document: &CompareDocument) -> Markup {
    html! {
        @for comparison in &document.comparisons { p.lead { (comparison.sentence) "." } }
    }
}

fn form(given: &Pairs) -> Markup {
    let of = |key: &'static str| {
        given
            .iter()
            .filter(move |(name, _)| name == key)
            .map(|(_, text)| text.as_str())
    };
    let sides: Vec<&str> = of("of").filter(|text| !text.trim().is_empty()).collect();
    let rows = sides.len().max(1) + SPARE;
    html! {
        form.ask method="get" action="/compare" {
            div {
                label for="of-0" { "Sides" }
                @for row in 0..rows {
                    input id={ "of-" (row) } name="of" maxlength="200" autocomplete="off" autocapitalize="none" spellcheck="false"
                        aria-label={ "side " (row + 1) } aria-describedby="of-hint" value=[sides.get(row)];
                }
                p.quiet #of-hint { "A serial, a model, a lot or a run; " code { "model:…" } ", " code { "lot:…" }
                    " where a name could be several. " code { "@20" } " behind it takes runs after 20 cycles of use. Each "
                    "further side is compared with the first." }
            }
            div {
                label for="within" { "Equal means within" }
                input #within name="within" maxlength="40" autocomplete="off" value=(of("within").next().unwrap_or("3 dB"));
            }
            div {
                label for="confidence" { "Confidence of each claim" }
                input #confidence name="confidence" maxlength="10" inputmode="decimal" autocomplete="off"
                    value=(of("confidence").next().unwrap_or("0.95"));
            }
            div {
                label for="by_face" { "Faces and polarisations" }
                select #by_face name="by_face" {
                    option value="false" { "the least of them" }
                    option value="true" selected[of("by_face").next() == Some("true")] { "each by itself" }
                }
            }
            button.main type="submit" { "Compare" }
        }
    }
}

fn differences(document: &CompareDocument, given: &Pairs) -> Markup {
    let pairs: Vec<String> = given
        .iter()
        .filter(|(_, text)| !text.trim().is_empty())
        .map(|(key, text)| format!("{}={}", encoded(key), encoded(text)))
        .collect();
    let query = pairs.join("&");
    html! {
        div.picture.chart { (PreEscaped(difference_graph(document).svg())) }
        @for comparison in &document.comparisons { (table(document, comparison)) }
        h2 { "What it rests on" }
        ul {
            @for side in &document.sides {
                li { (side.name) ": " (side.runs.len()) " runs; "
                    @for (number, run) in side.runs.iter().take(12).enumerate() {
                        @if number > 0 { ", " }
                        a href={ "/runs/" (run.run) } { (run.item) " " (run.started.strftime("%Y-%m-%d")) }
                    }
                    @if side.runs.len() > 12 { ", …" }
                }
            }
            @for note in document.comparisons.iter().flat_map(|one| &one.notes).chain(&document.notes) { li { (note) } }
        }
        p.after {
            a.button href={ "/api/v1/compare?" (query) } { "As JSON" }
            a.button href={ "/api/v1/compare.svg?" (query) } { "The picture" }
        }
    }
}

fn table(document: &CompareDocument, comparison: &Comparison) -> Markup {
    let labels = document.points.iter().map(|point| point.label.as_str());
    let mean = comparison.mean.iter().map(|mean| ("mean", mean));
    html! {
        div.scroll {
            table {
                caption { (comparison.first) " minus " (comparison.second) ", in dB" }
                thead { tr {
                    @for title in ["At", "Difference", "u", "For all points", "Each end alone"] { th.number scope="col" { (title) } }
                    th scope="col" { "Shows" }
                } }
                tbody {
                    @for (label, difference) in labels.zip(&comparison.points).chain(mean) {
                        tr {
                            th.number scope="row" { (label) }
                            td.number { (difference.difference_db.map_or("–".to_owned(), |db| format!("{db:+.1}"))) }
                            td.number { (difference.u_db.map_or("–".to_owned(), one_decimal)) }
                            td.number { (difference.simultaneous.in_words()) }
                            td.number { (difference.one_sided.in_words()) }
                            td { (difference.shows(&comparison.first, &comparison.second)) }
                        }
                    }
                }
            }
        }
    }
}

/// An item over its runs.
pub(super) async fn trend(
    State(site): State<Site>,
    Path(serial): Path<String>,
    Query(how): Query<Followed>,
) -> Result<Markup, Fault> {
    let document = followed(&site, &serial, &how).await?;
    let title = format!("{} over its runs", document.item);
    let stations = site.engine.stations();
    let body = html! {
        (navigation("", &stations))
        main #main {
            p #said role="status" {}
            h1 { (title) }
            p.lead { (document.sentence) "." }
            @for note in &document.notes { p.quiet { (note) } }
            div.picture.chart { (PreEscaped(trend_graph(&document, None).svg())) }
            (lines(&document))
            h2 { "Its runs" }
            ul { @for run in &document.runs { li {
                a href={ "/runs/" (run.run) } { (time(run.started)) } ", " (document.events.1) ": " (one_decimal(run.at))
            } } }
            p.after {
                a.button href={ "/api/v1/items/" (encoded(&document.item)) "/trend" } { "As JSON" }
                a.button href={ "/api/v1/items/" (encoded(&document.item)) "/trend.svg" } { "The picture" }
            }
        }
    };
    Ok(layout(&title, &stations, &body))
}

fn lines(document: &TrendDocument) -> Markup {
    let deciding = match document.deciding.limit_db {
        Some(_) => "least margin",
        None => "least SE",
    };
    let each = document.frequencies.iter();
    let each = each.map(|at| (Frequency::from_hz(at.frequency_hz).to_string(), &at.line));
    html! {
        div.scroll {
            table {
                caption { "Slopes in dB in 100 " (document.events.1) "." }
                thead { tr {
                    @for title in ["At", "Limit dB", "Values", "Bounds", "Slope", "±"] { th.number scope="col" { (title) } }
                    th scope="col" { "Line" }
                } }
                tbody {
                    @for (label, line) in each.chain([(deciding.to_owned(), &document.deciding)]) { (line_row(&label, line)) }
                }
            }
        }
    }
}

fn line_row(label: &str, line: &Line) -> Markup {
    let two = |value: Option<f64>| value.map_or("–".to_owned(), |db| format!("{db:.2}"));
    let trend = line.trend.as_ref();
    let bounds = line.values.iter().filter(|point| point.value.is_bound());
    html! {
        tr {
            th.number scope="row" { (label) }
            td.number { (line.limit_db.map_or("–".to_owned(), one_decimal)) }
            td.number { (line.values.len()) }
            td.number { (bounds.count()) }
            td.number { (two(trend.map(|trend| 100.0 * trend.slope_db))) }
            td.number { (two(trend.map(|trend| 100.0 * trend.slope_half_width_db))) }
            td { (line.reason.as_deref().unwrap_or("as drawn")) }
        }
    }
}

/// Whether a station has moved.
pub(super) async fn stability(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<Markup, Fault> {
    let document = steady(&site, &station).await?;
    let title = format!("Has {station} moved?");
    let stations = site.engine.stations();
    let body = html! {
        (navigation("", &stations))
        main #main {
            p #said role="status" {}
            h1 { (title) }
            p.lead { (match document.is_stable() {
                Some(true) => "No chart of a mean shows that it has.",
                Some(false) => "A chart of a mean shows that something has moved.",
                None => "There is no chart yet: measure a check item regularly.",
            }) }
            @if document.is_stable().is_some() { div.picture.chart { (PreEscaped(control_graphs(&document))) } }
            @for watched in &document.watched { (watched_table(watched)) }
            (repeating(&document))
            @for note in &document.notes { p.quiet { (note) } }
            p.after {
                a.button href=(station_path(&station)) { "The station now" }
                a.button href={ "/api/v1/stations/" (encoded(&station)) "/stability" } { "As JSON" }
                a.button href={ "/api/v1/stations/" (encoded(&station)) "/stability.svg" } { "The picture" }
            }
        }
    };
    Ok(layout(&title, &stations, &body))
}

fn watched_table(watched: &Watched) -> Markup {
    let each = watched.frequencies.iter();
    let each = each.map(|at| (Frequency::from_hz(at.frequency_hz).to_string(), &at.charted));
    let notes = watched.mean.chart.iter().flat_map(|chart| &chart.notes);
    html! {
        h2 { (watched.what) ", " (watched.visits.len()) " visits" }
        @for note in notes.chain(&watched.mean.reason) { p { "Mean: " (note) } }
        div.scroll {
            table {
                caption { "Limits at three standard deviations of the moving range, in dB or dBm." }
                thead { tr {
                    @for title in ["At", "Values", "Centre", "Sigma", "Lower", "Upper", "Newest"] { th.number scope="col" { (title) } }
                    th scope="col" { "Stable" }
                } }
                tbody {
                    @for (label, charted) in each.chain([("mean".to_owned(), &watched.mean)]) { (charted_row(&label, charted)) }
                }
            }
        }
    }
}

fn charted_row(label: &str, charted: &Charted) -> Markup {
    let two = |value: f64| format!("{value:.2}");
    html! {
        tr {
            th.number scope="row" { (label) }
            @match &charted.chart {
                Some(chart) => {
                    td.number { (chart.points.len()) }
                    td.number { (two(chart.limits.centre_db)) }
                    td.number { (two(chart.limits.sigma_db)) }
                    td.number { (two(chart.limits.lower_db)) }
                    td.number { (two(chart.limits.upper_db)) }
                    td.number { (chart.points.last().map_or("–".to_owned(), |point| two(point.value_db))) }
                    td { @if chart.stable { "yes" } @else { strong { "no" } } }
                }
                None => { td colspan="7" { (charted.reason.as_deref().unwrap_or("no chart")) } }
            }
        }
    }
}

fn repeating(document: &StabilityDocument) -> Markup {
    html! {
        @if let Some(db) = document.repeatability_db {
            p { "Closing again repeats to " (format!("{db:.2}")) " dB (standard deviation, over all frequencies)"
                @if let Some(db) = document.reproducibility_db { "; operators differ by " (format!("{db:.2}")) " dB" }
                "." }
        }
    }
}
