//! One run in full: its picture, its points, and every trace behind each point.

use axum::extract::State;
use maud::{Markup, PreEscaped, html};

use super::trace::TracePicture;
use super::{Fault, encoded, layout, lot, navigation, verdict_mark};
use crate::daemon::http::{
    Path, PointTrace, PointWanted, Query, Site, document, explained, traces_of,
};
use crate::quantity::Frequency;
use crate::report::{PointDocument, RunDocument, one_decimal};
use crate::store::{ReadingKind, RunKind};

/// A run.
pub(super) async fn page(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<Markup, Fault> {
    let run = document(&site, &run).await?;
    // Where theory has nothing to say, the page says nothing.
    let said = match run.kind {
        RunKind::Item => explained(&site, &run.run).await.ok().map(|(_, said)| said),
        RunKind::Reference => None,
    };
    let title = run.item.as_deref().unwrap_or("Reference").to_owned();
    // The mark says the first word of it.
    let sentence = run.sentence();
    let reason = sentence.split_once(": ").map_or("", |(_, reason)| reason);
    let stations = site.engine.stations();
    let body = html! {
        (navigation("", &stations))
        main #main {
            p #said role="status" {}
            h1 { (title) }
            @if run.is_altered() {
                @for fault in run.seal.iter().flat_map(|seal| &seal.faults) {
                    p.message role="alert" { "Not to be relied on: " (fault) "." }
                }
            } @else {
                p.verdict { (verdict_mark(run.verdict, &run.state)) (reason) }
            }
            (facts(&run))
            @if run.kind == RunKind::Item {
                div.picture.chart { (PreEscaped(run.chart().svg())) }
            }
            p.after {
                a.button href={ "/api/v1/runs/" (run.run) "/points.csv" } { "Points as CSV" }
                a.button href={ "/api/v1/runs/" (run.run) } { "Run as JSON" }
                @if let Some(item) = &run.item {
                    a.button href={ "/items/" (encoded(item)) "/trend" } { "The item over its runs" }
                    a.button href={ "/compare?of=run:" (run.run) } { "Compare" }
                }
            }
            h2 { "Points" }
            (points(&run))
            @if let Some(said) = &said {
                h2 { "What the curve is consistent with" }
                p { (said.sentence) }
                p.quiet { "Theory beside the measurement, not instead of it. " (said.basis.validity) "." }
                p.after {
                    a.button href={ "/api/v1/runs/" (run.run) "/reasons.svg" } { "The fit as a picture" }
                    a.button href={ "/api/v1/runs/" (run.run) "/reasons" } { "Reasons as JSON" }
                    @if !run.imported { a.button href={ "/api/v1/runs/" (run.run) "/next.toml" } { "A plan of what to measure next" } }
                }
            }
            @if run.kind == RunKind::Item {
                h2 { "Theory beside it" }
                p.after {
                    a.button href={ "/theory?run=" (run.run) } { "What would a slot, a seam, a film give?" }
                    a.button href={ "/layers?first=" (run.run) } { "Another item around it" }
                    a.button href={ "/runs/" (run.run) "/pulse" } { "A pulse from outside" }
                }
            }
        }
    };
    Ok(layout(&title, &stations, &body))
}

fn facts(run: &RunDocument) -> Markup {
    let instruments = run.instruments.clone().unwrap_or_default();
    let read_back = run.settings_read_back.map(|read_back| match read_back {
        true => "read back from the receiver",
        false => "as sent: not read back",
    });
    let unverified = run.carrier_unverified.as_ref();
    let unverified = unverified.map(|reason| format!("not read back: {reason}"));
    let adjusted = run.settings_adjusted.join(", ");
    let facts = [
        ("Model", run.model.as_deref()),
        ("Lot", run.lot.as_deref()),
        ("Plan", Some(run.plan.as_str())),
        ("Station", Some(run.station.as_str())),
        ("Operator", run.operator.as_deref()),
        ("Source", instruments.source.as_deref()),
        ("Receiver", instruments.receiver.as_deref()),
        ("Carrier", unverified.as_deref()),
        ("Settings", read_back),
        (
            "Adjusted by the receiver",
            (!adjusted.is_empty()).then_some(adjusted.as_str()),
        ),
        ("Begun", Some(run.started.as_str())),
        ("Complete", run.finished.as_deref()),
        ("Reason", run.reason.as_deref()),
        ("Run", Some(run.run.as_str())),
    ];
    html! {
        dl.facts {
            @for (name, value) in facts {
                @if let Some(value) = value {
                    div { dt { (name) } dd {
                        @match name { "Lot" => a href=(lot::path(value)) { (value) }, _ => (value) }
                    } }
                }
            }
            @for merge in &run.merges {
                div { dt { "Recording of " (merge.place()) } dd { (merge.sentence()) } }
            }
            @if let Some(reference) = &run.reference_run {
                div { dt { "Reference" } dd { a href={ "/runs/" (reference) } { (reference) } } }
            }
        }
    }
}

fn points(run: &RunDocument) -> Markup {
    let number = |value: Option<f64>| value.map_or("–".to_owned(), one_decimal);
    html! {
        div.scroll {
            table {
                caption {
                    "Levels in dBm, ratios in dB. "
                    @if run.imported { "Read by hand: there are no traces." }
                    @else { "The frequency leads to the traces behind the point." }
                }
                thead { tr {
                    th scope="col" { "Frequency" } th scope="col" { "Face" } th scope="col" { "Polarisation" }
                    @for title in ["Repeat", "SE", "±", "Limit", "Margin", "Reference", "Level", "Floor"] {
                        th.number scope="col" { (title) }
                    }
                    th scope="col" { "Verdict" } th scope="col" { "Flags" }
                } }
                tbody {
                    @for point in &run.points {
                        tr {
                            th scope="row" {
                                @let at = Frequency::from_hz(point.frequency_hz);
                                @if run.imported { (at) } @else { a href=(point_path(run, point)) { (at) } }
                            }
                            td { (point.face) }
                            td { (point.polarisation) }
                            td.number { (point.repeat) }
                            td.number { (point.se_text()) }
                            td.number { (number(point.u_db)) }
                            td.number { (number(point.limit_db)) }
                            td.number { (point.margin_text()) }
                            td.number { (number(point.reference_dbm)) }
                            td.number { (number(point.level_dbm)) }
                            td.number { (number(point.floor_dbm)) }
                            td { (verdict_mark(point.verdict, "–")) }
                            td { (point.flags.join(", ")) }
                        }
                    }
                }
            }
        }
    }
}

fn query(point: &PointDocument) -> String {
    format!(
        "frequency_hz={}&face={}&polarisation={}&repeat={}",
        point.frequency_hz,
        encoded(&point.face),
        encoded(&point.polarisation),
        point.repeat
    )
}

fn point_path(run: &RunDocument, point: &PointDocument) -> String {
    format!("/runs/{}/point?{}", run.run, query(point))
}

/// A point with every trace behind it.
pub(super) async fn point(
    State(site): State<Site>,
    Path(run): Path<String>,
    Query(wanted): Query<PointWanted>,
) -> Result<Markup, Fault> {
    let point = wanted.point()?;
    let record = site.store().find_run(&run).await?;
    let traces = traces_of(site.store(), &record, &point).await?;
    let run = document(&site, &run).await?;
    let stated = run.points.iter().find(|stated| {
        stated.frequency_hz == point.frequency_hz
            && stated.face == point.face
            && stated.polarisation == point.polarisation
            && stated.repeat == point.repeat
    });
    let at = Frequency::from_hz(point.frequency_hz).to_string();
    let title = format!("{} at {at}", run.item.as_deref().unwrap_or("Reference"));
    let stations = site.engine.stations();
    let body = html! {
        (navigation("", &stations))
        main #main {
            p #said role="status" {}
            h1 { (title) }
            p { (point.face) ", " (point.polarisation) ", repeat " (point.repeat) }
            @if let Some(stated) = stated {
                p { "SE " (stated.se_text()) " dB"
                    @if let Some(limit) = stated.limit_db { ", limit " (one_decimal(limit)) " dB" }
                    ". " (verdict_mark(stated.verdict, "")) }
            }
            p.after {
                a.button href={ "/runs/" (run.run) } { "The whole run" }
                @if let Some(stated) = stated {
                    a.button href={ "/api/v1/runs/" (run.run) "/traces.csv?" (query(stated)) } { "Traces as CSV" }
                }
            }
            h2 { "Traces" }
            div.traces { @for trace in &traces { (figure(trace, &traces)) } }
        }
    };
    Ok(layout(&title, &stations, &body))
}

/// A trace with the floor read before it.
fn figure(trace: &PointTrace, all: &[PointTrace]) -> Markup {
    let floor = all
        .iter()
        .find(|floor| floor.run == trace.run && floor.kind == ReadingKind::Floor)
        .filter(|_| trace.kind != ReadingKind::Floor);
    let path = match trace.of {
        RunKind::Reference => "Open path",
        RunKind::Item => "Item",
    };
    let how = match trace.kind {
        ReadingKind::Floor => "source off",
        ReadingKind::Signal => "source on",
        ReadingKind::Step => "source a step lower",
        ReadingKind::Pad => "source on, more attenuation at the receiver",
        ReadingKind::Ambient => "source off, another signal at the frequency asked for",
    };
    let name = format!("{path}, {how}");
    let picture = TracePicture {
        name: &name,
        start_hz: trace.start_hz,
        stop_hz: trace.stop_hz,
        levels_dbm: &trace.levels,
        floor_dbm: floor.map(|floor| floor.peak_dbm),
        peak: Some((trace.peak_hz, trace.peak_dbm)),
    };
    html! {
        section.figure {
            h3 { (name) }
            div.picture { (picture.svg()) }
            p.quiet {
                (trace.taken.strftime("%Y-%m-%d %H:%M:%S UTC")) ", " (trace.sweeps) " sweeps, "
                (trace.levels.len()) " levels, SHA-256 " code { (trace.sha256.get(..12).unwrap_or_default()) "…" }
                @if !trace.flags.is_empty() { ", " (trace.flags.join(", ")) }
            }
        }
    }
}
