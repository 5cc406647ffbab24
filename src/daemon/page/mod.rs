//! The page: what people look at, made here and served from the binary, with nothing from anywhere else.
//!
//! Every page is whole without script; script only moves what moves ([`live`]). One style sheet, one script,
//! two weights of one font, all embedded and named by their content, so that a browser keeps them until they
//! change. `maud` escapes whatever it is given, and the policy that `access` sends lets nothing inline run.

mod asset;
mod compare;
mod history;
mod live;
mod lot;
mod run;
mod stop;
mod theory;
mod trace;

use axum::Router;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use maud::{DOCTYPE, Markup, html};

use super::access::{LOGIN, STOP};
use super::http::{Problem, Site};
use crate::store::Verdict;

/// The page's paths.
pub(super) fn routes() -> Router<Site> {
    Router::new()
        .route("/", get(live::first))
        .route("/stations/{station}", get(live::page))
        .route("/part/{station}/trace", get(live::trace))
        .route("/part/{station}/chart", get(live::chart))
        .route("/part/{station}/queue", get(live::queue))
        .route("/part/{station}/results", get(live::results))
        .route("/history", get(history::page))
        .route("/runs/{run}", get(run::page))
        .route("/runs/{run}/point", get(run::point))
        .route("/runs/{run}/pulse", get(theory::pulse))
        .route("/lots", get(lot::list))
        .route("/lots/{lot}", get(lot::page))
        .route("/compare", get(compare::page))
        .route("/items/{serial}/trend", get(compare::trend))
        .route("/stations/{station}/stability", get(compare::stability))
        .route("/theory", get(theory::index))
        .route("/theory/{question}", get(theory::question))
        .route("/layers", get(theory::layers))
        .route(LOGIN, get(login))
        .route(STOP, post(stop::stop))
        .route("/assets/{name}", get(asset::get))
}

/// A fault, as a page.
#[derive(Debug)]
pub(super) struct Fault(Problem);

impl<E: Into<Problem>> From<E> for Fault {
    fn from(error: E) -> Self {
        Self(error.into())
    }
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        problem(&self.0)
    }
}

/// A problem as a page.
pub(super) fn problem(problem: &Problem) -> Response {
    let body = html! {
        main #main {
            h1 { (problem.title) }
            p.quiet { (problem.detail) }
            p { a href="/" { "To the bench" } }
        }
    };
    (problem.status(), layout(&problem.title, &[], &body)).into_response()
}

/// What stands around every page: the band about all `stations`; a page without any has none.
fn layout(title: &str, stations: &[String], body: &Markup) -> Markup {
    framed(title, stations, None, body)
}

/// The same around a station's own page: its band is about that one.
fn framed(title: &str, stations: &[String], own: Option<&str>, body: &Markup) -> Markup {
    let listed = serde_json::Value::from(stations.to_vec()).to_string();
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · muffle" }
                link rel="icon" href=(asset::path("icon.svg"));
                link rel="stylesheet" href=(asset::path("page.css"));
                script type="module" src=(asset::path("page.js")) {}
            }
            body data-stations=(listed) data-own=[own] data-stream=(asset::path("stream.js")) {
                a.skip href="#main" { "Past the navigation" }
                @if !stations.is_empty() {
                    header.head {
                        (band(stations, own))
                        p #stopped .stopped role="alert" hidden {}
                        (strip(stations))
                    }
                }
                (body)
            }
        }
    }
}

/// The output's state by words, shape and colour, and the button that stops it.
fn band(stations: &[String], own: Option<&str>) -> Markup {
    html! {
        div #band .band data-state="unknown" {
            svg.sign viewBox="0 0 48 48" aria-hidden="true" {
                g data-for="on" {
                    path.full d="M24 18 36 44H12Z" {}
                    path d="M15 17a10 10 0 0 1 18 0M8 13a18 18 0 0 1 32 0" {}
                }
                g data-for="armed" {
                    path d="M24 18 36 44H12Z" {}
                    path stroke-dasharray="5 4" d="M15 17a10 10 0 0 1 18 0M8 13a18 18 0 0 1 32 0" {}
                }
                g data-for="off" { circle cx="24" cy="24" r="17" {} }
                g data-for="unknown" {
                    circle cx="24" cy="24" r="20" stroke-dasharray="6 5" {}
                    path d="M17 19a7 7 0 1 1 10 6.5c-2 1-3 2-3 4.5" {}
                    circle.full cx="24" cy="35.5" r="2.4" {}
                }
            }
            div.said {
                p #state .state { "State unknown" }
                p #what .what { "This page shows the state only with its script. Stop works without." }
            }
            (stop_form(stations, own))
            p #announce .visually-hidden role="status" aria-live="assertive" {}
        }
    }
}

/// A plain form, so that it stops before the script has come; the script takes it over.
fn stop_form(stations: &[String], own: Option<&str>) -> Markup {
    let square = html! {
        svg width="18" height="18" viewBox="0 0 18 18" aria-hidden="true" { path.full d="M1 1H17V17H1Z" {} }
    };
    let is_one_of_several = own.is_some() && stations.len() > 1;
    let which = match own {
        _ if stations.len() == 1 => None,
        Some(own) => Some(own),
        None => Some("all stations"),
    };
    html! {
        form #stop-form .stops method="post" action=(STOP) {
            button #stop .stop type="submit" name="station" value=(own.unwrap_or_default()) aria-keyshortcuts="Escape" {
                (square)
                span { "Stop " kbd { "Esc" } @if let Some(which) = which { span.which { (which) } } }
            }
            @if is_one_of_several {
                button #stop-all .stop.all type="submit" name="station" value="" { "Stop all stations" }
            }
        }
    }
}

/// What each station does, and which one needs its operator.
fn strip(stations: &[String]) -> Markup {
    html! {
        div #strip .strip role="group" aria-label="All stations" {
            @for station in stations {
                a.chip href=(station_path(station)) data-station=(station) data-state="unknown" hidden[stations.len() == 1] {
                    (station) ": " span.now { "state unknown" }
                }
            }
            button #sound .small type="button" hidden {}
        }
    }
}

/// Where one can go; `here` is where one is.
fn navigation(here: &str, stations: &[String]) -> Markup {
    let to = |path: &str, name: &str| {
        let current = (path == here).then_some("page");
        html! { a href=(path) aria-current=[current] { (name) } }
    };
    html! {
        nav.top aria-label="pages" {
            span.name { "muffle" }
            @for station in stations {
                (to(&station_path(station), station))
            }
            (to("/history", "History"))
            (to("/lots", "Lots"))
            (to("/compare", "Compare"))
            (to("/theory", "Theory"))
            a href="/api/v1/openapi.json" { "API" }
        }
    }
}

fn station_path(station: &str) -> String {
    format!("/stations/{}", encoded(station))
}

/// A text as a part of a path or a query.
fn encoded(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                out.push(char::from(byte));
            }
            byte => out.push_str(&format!("%{byte:02X}")),
        }
    }
    out
}

/// A verdict by word, shape and colour; without one, how far the run has come.
fn verdict_mark(verdict: Option<Verdict>, otherwise: &str) -> Markup {
    mark(
        verdict,
        verdict.map_or(otherwise, |verdict| verdict.as_str()),
    )
}

/// The same, in another word.
fn mark(verdict: Option<Verdict>, word: &str) -> Markup {
    let Some(verdict) = verdict else {
        return html! { span.mark { (word) } };
    };
    html! {
        span class={ "mark " (verdict.as_str()) } {
            svg viewBox="0 0 16 16" aria-hidden="true" {
                @match verdict {
                    Verdict::Pass => path d="M2 8.5 6.5 13 14 4" {},
                    Verdict::Fail => path d="M3 3 13 13M13 3 3 13" {},
                    Verdict::Undecided => circle cx="8" cy="8" r="5.5" {},
                }
            }
            (word)
        }
    }
}

/// A time as people read it, and as machines do.
fn time(at: jiff::Timestamp) -> Markup {
    html! { time datetime=(at) { (at.strftime("%Y-%m-%d %H:%M:%S UTC")) } }
}

async fn login(State(site): State<Site>) -> Markup {
    let body = html! {
        main #main .login {
            h1 { "muffle" }
            @if site.access.needs_token() {
                p { "This bench is reached from elsewhere, so it needs a token. "
                    code { "muffle serve token NAME" } " on its computer makes one." }
                form #login {
                    label for="token" { "Token" }
                    div.pair {
                        input #token type="password" autocomplete="current-password" required
                            maxlength="128" autofocus;
                        button.main type="submit" { "Log in" }
                    }
                }
                p #said role="status" {}
            } @else {
                p { "No token is needed here. " a href="/" { "To the bench" } }
            }
        }
    };
    layout("Log in", &[], &body)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_in_addresses_come_back_as_they_were() {
        let text = "Bank 1/é?&#%";
        let address = format!("http://x/{}", encoded(text));
        let parsed = url::Url::parse(&address).expect("an address");
        assert_eq!(parsed.path(), "/Bank%201%2F%C3%A9%3F%26%23%25");
    }

    /// Relative luminance of `#rrggbb` (WCAG 2.2, "relative luminance").
    fn luminance(colour: &str) -> f64 {
        let channel = |at: usize| {
            let share = u8::from_str_radix(&colour[at..at + 2], 16).expect("hex");
            match f64::from(share) / 255.0 {
                share if share <= 0.04045 => share / 12.92,
                share => ((share + 0.055) / 1.055).powf(2.4),
            }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        a.max(b) / a.min(b)
    }

    #[test]
    fn text_and_signs_stand_out_in_both_themes() {
        let style = include_str!("page.css");
        let themes: Vec<&str> = style.split(":root {").skip(1).collect();
        assert_eq!(themes.len(), 2);
        let on_paper = ["ink", "quiet", "link", "pass", "fail", "undecided"];
        let on_sheet = [
            "ink",
            "quiet",
            "link",
            "pass",
            "fail",
            "undecided",
            "series-0",
            "series-1",
            "series-2",
            "series-3",
        ];
        let papers = [
            ("paper", &on_paper[..]),
            ("sheet", &on_sheet),
            ("beyond", &on_paper),
        ];
        let pairs = papers
            .iter()
            .flat_map(|(paper, inks)| inks.iter().map(move |ink| (*paper, *ink)));
        let others = [
            ("on-air", "on-air-ink"),
            ("on-air-dark", "on-air-ink"),
            ("ask", "ask-ink"),
            ("strong", "on-strong"),
        ];
        for (number, theme) in themes.iter().enumerate() {
            let colour = |name: &str| {
                let (_, rest) = theme.split_once(&format!("--{name}: ")).expect(name);
                &rest[..7]
            };
            for (paper, ink) in pairs.clone().chain(others) {
                let found = contrast(colour(paper), colour(ink));
                assert!(found >= 4.5, "theme {number}: {ink} on {paper}: {found:.2}");
            }
        }
    }
}
