//! STOP as a plain form: it works before the script has come, and without it.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::{Extension, Form};
use futures_util::future::join_all;
use maud::{Markup, html};
use serde::Deserialize;

use super::{Fault, layout, navigation, time};
use crate::daemon::access::Caller;
use crate::daemon::http::{Problem, Site, detached};
use crate::station::Output;

/// What the form sends: which station; all where it names none.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Pressed {
    #[serde(default)]
    station: String,
}

/// Stops, and says what each source said. `access` lets only this page's own form come here.
pub(super) async fn stop(
    State(site): State<Site>,
    Extension(caller): Extension<Caller>,
    Form(pressed): Form<Pressed>,
) -> Result<Response, Fault> {
    let names = if pressed.station.is_empty() {
        site.engine.stations()
    } else {
        site.engine.status(&pressed.station)?;
        vec![pressed.station]
    };
    let stopping = names.into_iter().map(|name| {
        let (engine, who) = (site.engine.clone(), caller.name.clone());
        detached(async move {
            tracing::info!(station = name, who, "stop");
            let known = engine.stop(&name, &who).await;
            Ok((name, known.map_err(Problem::from)))
        })
    });
    let known = join_all(stopping).await;
    let known: Vec<_> = known.into_iter().collect::<Result<_, _>>()?;
    let are_off = known
        .iter()
        .all(|(_, known)| matches!(known, Ok(Output::Off { .. })));
    let (status, title) = if are_off {
        (StatusCode::OK, "Output off")
    } else {
        (StatusCode::INTERNAL_SERVER_ERROR, "Not confirmed off")
    };
    let stations = site.engine.stations();
    let body = html! {
        (navigation("", &stations))
        main #main {
            h1 { (title) }
            @for (name, known) in &known { (said(name, known)) }
            p.after { a href="/" { "To the bench" } }
        }
    };
    Ok((status, layout(title, &stations, &body)).into_response())
}

fn said(station: &str, known: &Result<Output, Problem>) -> Markup {
    let doubt = match known {
        Ok(Output::Off { confirmed }) => {
            return html! { p.lead { (station) ": the source confirmed that its output is off, " (time(*confirmed)) "." } };
        }
        Ok(Output::Unknown { why, .. }) => why,
        Ok(Output::On(_)) => "the output is on",
        Err(problem) => &problem.detail,
    };
    html! {
        p.lead.message role="alert" {
            (station) ": " (doubt) ". Take the output for on: switch the source off by hand, then press Stop again."
        }
    }
}
