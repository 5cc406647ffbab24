//! A station as it is now: the band with the output's state and the stop button, the prompt, the trace, the
//! SE so far, the form, the queue, the last results.
//!
//! The page is served with the state unknown; only what the event stream says is believed. Pictures and lists
//! are parts of their own, fetched when an event says that there is something new.

use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, PreEscaped, html};

use super::trace::TracePicture;
use super::{Fault, framed, navigation, station_path, time, verdict_mark};
use crate::daemon::http::{Path, Site};
use crate::daemon::{Live, Status};
use crate::report::RunDocument;
use crate::store::{JobFilter, JobRecord, JobState, RunFilter, RunKind, RunRecord};

/// Jobs shown.
const JOBS_MAX: u32 = 30;
/// Results shown.
const RESULTS_MAX: u32 = 8;

/// The first station's page; with several, the others are in its navigation.
pub(super) async fn first(State(site): State<Site>) -> Response {
    match site.engine.stations().first() {
        Some(station) => Redirect::to(&station_path(station)).into_response(),
        None => Redirect::to("/history").into_response(),
    }
}

/// A station's page.
pub(super) async fn page(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<Markup, Fault> {
    site.engine.status(&station)?;
    let stations = site.engine.stations();
    let body = html! {
        (navigation(&station_path(&station), &stations))
        main #main {
            h1.visually-hidden { (station) }
            noscript { p.message { "What the station is doing can be shown only with script. Stop and the history work without." } }
            p #said role="status" {}
            div.columns {
                div.stack {
                    (prompt())
                    (now())
                    section aria-labelledby="chart-title" {
                        h2 #chart-title { "SE so far" }
                        div #chart .picture .chart {}
                    }
                    section aria-labelledby="trace-title" {
                        h2 #trace-title { "Newest trace" }
                        div #trace .picture {}
                    }
                }
                div.stack {
                    (form(&site))
                    section aria-labelledby="queue-title" {
                        h2 #queue-title { "Queue" }
                        div #queue {}
                    }
                    section aria-labelledby="results-title" {
                        h2 #results-title { "Last results" }
                        div #results {}
                        p.after { a href="/history" { "All results" } }
                    }
                    (instruments(&station))
                }
            }
        }
    };
    Ok(framed(&station, &stations, Some(&station), &body))
}

fn prompt() -> Markup {
    html! {
        section #prompt .prompt aria-labelledby="prompt-title" aria-live="assertive" hidden {
            h2 #prompt-title { "Operator needed" }
            p #asked .text {}
            p #warning .warning {}
            div #scanned hidden {
                label for="scan" { "Scan or type the serial of " span #item {} ", then Enter" }
                input #scan .scan type="text" maxlength="200" autocomplete="off" spellcheck="false" autocapitalize="none";
            }
            p #refused .refused role="alert" hidden {}
            div.presses {
                button #done-button type="button" disabled { "Done" }
                button #go-button type="button" disabled { "Start transmitting" }
            }
            p.hint { strong #armed {} " " span #until {} }
        }
    }
}

fn now() -> Markup {
    html! {
        section.now aria-labelledby="now-title" {
            h2 #now-title { "Now" }
            p #words .words aria-live="polite" { "Waiting for word from the station." }
            div #progress hidden {
                progress #bar max="1" value="0" aria-labelledby="done" {}
                p #done .quiet {}
            }
            div #paused hidden {
                p #why .message {}
                p.after { button #continue type="button" { "Let the queue go on" } }
            }
        }
    }
}

fn form(site: &Site) -> Markup {
    html! {
        section aria-labelledby="measure-title" {
            h2 #measure-title { "Measure" }
            form #measure .measure autocomplete="off" {
                div {
                    label for="serial" { "Serial: scan or type, then Enter" }
                    input #serial .scan type="text" maxlength="200" spellcheck="false" autocapitalize="none";
                }
                ul #chosen .chosen aria-label="items to be measured" {}
                div {
                    label for="plan" { "Plan" }
                    select #plan name="plan" required {
                        @for plan in site.plans.iter() { option value=(plan.name) { (plan.name) } }
                    }
                    @if site.plans.is_empty() {
                        p.quiet { "The daemon was started without plans; `--plan FILE` gives it some." }
                    }
                }
                div {
                    label for="operator" { "Operator" }
                    input #operator name="operator" type="text" maxlength="200";
                }
                details {
                    summary { "More: model and lot, when, how often" }
                    div.stack.more {
                        (field("model", "Model of new items", "text"))
                        (field("lot", "Lot of new items", "text"))
                        div {
                            label for="kind" { "What" }
                            select #kind name="kind" {
                                option value="items" { "items" }
                                option value="check_item" { "the check item" }
                                option value="reference" { "the open path alone" }
                            }
                        }
                        (field("not_before", "Not before", "datetime-local"))
                        (field("every", "Again every (30 min, or daily 07:30 Europe/London)", "text"))
                        (field("priority", "Priority (the highest goes first)", "number"))
                    }
                }
                (caution())
                button #start .main type="submit" { "Measure" }
            }
        }
    }
}

/// Asked for by the script once a day.
fn caution() -> Markup {
    html! {
        fieldset #caution .caution {
            legend { "Before the first transmission today" }
            ul {
                li { "Licence: transmit only on frequencies and at levels you are licensed for, or inside a screened room." }
                li { "Exposure: keep people away from the antenna. A few watts exceed the published reference levels close to it." }
            }
            p { "More: README, Cautions." }
            label .agreed { input #cautioned type="checkbox"; "I have read this" }
        }
    }
}

fn field(name: &str, label: &str, kind: &str) -> Markup {
    html! {
        div {
            label for=(name) { (label) }
            input id=(name) name=(name) type=(kind) maxlength="200";
        }
    }
}

fn instruments(station: &str) -> Markup {
    html! {
        section aria-labelledby="instruments-title" {
            h2 #instruments-title { "Instruments" }
            p #missing .message hidden {}
            dl.facts {
                div { dt { "Source" } dd #source {} }
                div { dt { "Receiver" } dd #receiver {} }
                div { dt { "Interlock" } dd #interlock {} }
            }
            p { a href={ (station_path(station)) "/stability" } { "Has the station moved?" } }
        }
    }
}

/// The newest trace as a picture.
pub(super) async fn trace(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<Markup, Fault> {
    let status = site.engine.status(&station)?.borrow().clone();
    Ok(match &status.live {
        Some(live) => picture(live),
        None => html! { p.quiet { "None yet." } },
    })
}

fn picture(live: &Live) -> Markup {
    TracePicture {
        name: &live.kind,
        start_hz: live.start_hz,
        stop_hz: live.stop_hz,
        levels_dbm: &live.levels_dbm,
        floor_dbm: live.floor_dbm,
        peak: Some((live.peak_hz, live.peak_dbm)),
    }
    .svg()
}

/// SE so far of the run being measured, or of the last one.
pub(super) async fn chart(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<Markup, Fault> {
    let status = site.engine.status(&station)?.borrow().clone();
    let Some(run) = shown_run(&site, &status).await? else {
        return Ok(html! { p.quiet { "Nothing was measured yet." } });
    };
    let document = RunDocument::read(site.store(), &run).await?;
    Ok(match run.kind {
        RunKind::Item => html! {
            (PreEscaped(document.chart().svg()))
            p { a href={ "/runs/" (run.id) } data-key="run" { "This run in full" } }
        },
        RunKind::Reference => html! {
            p.quiet { "The reference is being measured: " (document.points.len()) " points so far. It has no SE." }
        },
    })
}

async fn shown_run(site: &Site, status: &Status) -> Result<Option<RunRecord>, Fault> {
    if let Some(run) = status.run {
        return Ok(Some(site.store().run(run).await?));
    }
    let filter = RunFilter {
        station: Some(status.station.clone()),
        kind: Some(RunKind::Item),
        limit: Some(1),
        ..RunFilter::default()
    };
    Ok(site.store().runs(&filter).await?.pop())
}

/// The queue, with what can be done about each job.
pub(super) async fn queue(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<Markup, Fault> {
    site.engine.status(&station)?;
    let filter = JobFilter {
        station: Some(station),
        limit: Some(JOBS_MAX),
        ..JobFilter::default()
    };
    let jobs = site.store().jobs(&filter).await?;
    // What is done is among the results; what failed or was given up can be tried again from here.
    let wanted = |job: &&JobRecord| job.state != JobState::Done;
    let jobs: Vec<&JobRecord> = jobs.iter().filter(wanted).collect();
    Ok(html! {
        @if jobs.is_empty() { p.quiet { "Nothing waits." } }
        ul.cards { @for job in jobs { (entry(job)) } }
    })
}

fn entry(job: &JobRecord) -> Markup {
    let id = job.id.to_string();
    let items: Vec<&str> = job.items.iter().map(|item| item.serial.as_str()).collect();
    let title = match items[..] {
        [] => job.kind.to_string(),
        [one] => one.to_owned(),
        [first, ..] => format!("{first} and {} more", items.len() - 1),
    };
    let more = [
        job.plan.clone(),
        job.operator.clone(),
        (job.priority != 0).then(|| format!("priority {}", job.priority)),
        job.not_before
            .map(|at| format!("not before {}", at.strftime("%Y-%m-%d %H:%M UTC"))),
        job.repeat
            .as_ref()
            .map(|repeat| format!("again every {}", repeat.every)),
        job.reason.clone(),
    ];
    html! {
        li {
            span.title { (title) }
            span.mark { (job.state) }
            span.more { (more.into_iter().flatten().collect::<Vec<_>>().join(" · ")) }
            div.actions.more {
                @for (change, word) in changes(job.state) {
                    button.small type="button" data-job=(id) data-change=(change) data-key={ (id) (change) }
                        aria-label={ (word) ": " (title) } { (word) }
                }
            }
        }
    }
}

/// What can be asked of a job in a state, and the word on the button.
fn changes(state: JobState) -> &'static [(&'static str, &'static str)] {
    match state {
        JobState::Waiting | JobState::Running | JobState::Held => {
            &[("pause", "Set aside"), ("cancel", "Give up")]
        }
        JobState::Paused => &[("continue", "Go on"), ("cancel", "Give up")],
        JobState::Failed | JobState::Cancelled => &[("retry", "Try again")],
        JobState::Done => &[],
    }
}

/// The newest runs of items at the station.
pub(super) async fn results(
    State(site): State<Site>,
    Path(station): Path<String>,
) -> Result<Markup, Fault> {
    site.engine.status(&station)?;
    let filter = RunFilter {
        station: Some(station),
        kind: Some(RunKind::Item),
        limit: Some(RESULTS_MAX),
        ..RunFilter::default()
    };
    let runs = site.store().runs(&filter).await?;
    Ok(html! {
        @if runs.is_empty() { p.quiet { "None yet." } }
        ul.cards {
            @for run in &runs {
                li {
                    a.title href={ "/runs/" (run.id) } data-key=(run.id) { (run.item.as_deref().unwrap_or("reference")) }
                    (verdict_mark(run.verdict, run.state.as_str()))
                    span.more { (time(run.started)) }
                }
            }
        }
    })
}
