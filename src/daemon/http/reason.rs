//! Theory beside a run: what its curve is consistent with, a pulse behind it, two items nested.
//!
//! A fit takes a good part of a second, so it runs on a thread that may block.

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::{Value, json};
use utoipa::IntoParams;

use super::refusal::Refusal;
use super::{Path, Problem, Query, Site, document};
use crate::analysis::shield::ShieldError;
use crate::analysis::shield::design::NextTest;
use crate::analysis::shield::explain::Explanation;
use crate::analysis::shield::layers::{Pair, PairCheck, Spacing};
use crate::analysis::shield::pulse::{DoubleExponential, IEC_61000_2_9, PulseResult, pulse};
use crate::config::{Plan, Station};
use crate::evaluate::kept;
use crate::quantity::{Frequency, Length};
use crate::report::{RunDocument, reason, svg_column};

/// Two runs of items, one to be put inside the other.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(in crate::daemon) struct Two {
    /// The run of one item: its id, or the beginning of it.
    #[param(max_length = 26)]
    pub(in crate::daemon) first: String,
    /// The run of the other.
    #[param(max_length = 26)]
    pub(in crate::daemon) second: String,
    /// Shortest distance between them (`5 mm`); any spacing without.
    #[param(max_length = 40)]
    pub(in crate::daemon) shortest: Option<String>,
    /// Longest distance between them.
    #[param(max_length = 40)]
    pub(in crate::daemon) longest: Option<String>,
    /// The run of the two measured one inside the other, to be compared with the bracket.
    #[param(max_length = 26)]
    pub(in crate::daemon) measured: Option<String>,
}

/// A pulse k E (exp(-at) - exp(-bt)); what is left out is that of IEC 61000-2-9, early time.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct Waveform {
    /// Nominal peak E, V/m.
    peak: Option<f64>,
    /// Factor k that makes it the peak.
    factor: Option<f64>,
    /// Decay rate a, 1/s.
    decay: Option<f64>,
    /// Rise rate b, 1/s, more than the decay rate.
    rise: Option<f64>,
}

/// Which readings to choose from.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct Choosing {
    /// How many readings; six without.
    #[param(minimum = 1, maximum = 200)]
    readings: Option<u16>,
    /// Lowest frequency that can be measured (`30 MHz`); that of the run without.
    #[param(max_length = 40)]
    from: Option<String>,
    /// Highest frequency that can be measured.
    #[param(max_length = 40)]
    to: Option<String>,
}

const READINGS: u16 = 6;
const READINGS_MAX: u16 = 200;

/// What the curve of a run is consistent with, and the run.
pub(in crate::daemon) async fn explained(
    site: &Site,
    run: &str,
) -> Result<(RunDocument, Explanation), Problem> {
    let document = document(site, run).await?;
    let item = match &document.item {
        Some(serial) => site.store().item(serial).await?,
        None => None,
    };
    aside(move || {
        let said = reason::explained(&document, item.as_ref())?;
        Ok((document, said))
    })
    .await
}

/// What its curve is consistent with: sheet, slot, seam or the set-up's floor; theory, not a measurement.
#[utoipa::path(get, path = "/api/v1/runs/{run}/reasons", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn explain(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<Json<Value>, Problem> {
    as_json(&explained(&site, &run).await?.1)
}

/// The curve, what was fitted to it and what is left over, as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/runs/{run}/reasons.svg", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn picture(
    State(site): State<Site>,
    Path(run): Path<String>,
) -> Result<impl IntoResponse, Problem> {
    let (document, said) = explained(&site, &run).await?;
    let title = document.item.as_deref().unwrap_or("reference");
    let charts = reason::explanation_charts(&document, &said);
    Ok(svg(svg_column(title, &charts)))
}

/// A run, and what is left inside of a pulse.
pub(in crate::daemon) async fn inside(
    site: &Site,
    run: &str,
    outside: DoubleExponential,
) -> Result<(RunDocument, PulseResult), Problem> {
    let document = document(site, run).await?;
    aside(move || {
        let residual = pulse(&reason::curve(&document), &outside)?;
        Ok((document, residual))
    })
    .await
}

impl From<Waveform> for DoubleExponential {
    fn from(asked: Waveform) -> Self {
        let usual = IEC_61000_2_9;
        Self {
            nominal_peak_v_per_m: asked.peak.unwrap_or(usual.nominal_peak_v_per_m),
            factor: asked.factor.unwrap_or(usual.factor),
            decay_per_s: asked.decay.unwrap_or(usual.decay_per_s),
            rise_per_s: asked.rise.unwrap_or(usual.rise_per_s),
        }
    }
}

/// What is left inside of a pulse; theory on the measured curve.
#[utoipa::path(get, path = "/api/v1/runs/{run}/pulse", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it."), Waveform),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn behind(
    State(site): State<Site>,
    Path(run): Path<String>,
    Query(waveform): Query<Waveform>,
) -> Result<Json<Value>, Problem> {
    as_json(&inside(&site, &run, waveform.into()).await?.1)
}

/// The pulse outside and what is left of it inside, as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/runs/{run}/pulse.svg", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it."), Waveform),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn behind_picture(
    State(site): State<Site>,
    Path(run): Path<String>,
    Query(waveform): Query<Waveform>,
) -> Result<impl IntoResponse, Problem> {
    let (document, said) = inside(&site, &run, waveform.into()).await?;
    Ok(svg(reason::pulse_graphs(&document, &said)))
}

/// Two measured items and what they would give, one inside the other.
#[derive(Debug)]
pub(in crate::daemon) struct Nested {
    /// One.
    pub first: RunDocument,
    /// The other.
    pub second: RunDocument,
    /// The bracket.
    pub pair: Pair,
    /// Both as measured together, and how that lies to the bracket.
    pub measured: Option<(RunDocument, Vec<PairCheck>)>,
}

impl Nested {
    /// The bracket beside the curves.
    pub fn svg(&self) -> String {
        let measured = self.measured.as_ref().map(|(document, _)| document);
        reason::layers_chart(&self.first, &self.second, &self.pair, measured).svg()
    }
}

pub(in crate::daemon) async fn nested(site: &Site, two: &Two) -> Result<Nested, Problem> {
    let length = |name: &str, text: &Option<String>| match text.as_deref() {
        None | Some("") => Ok(None),
        Some(text) => match text.parse::<Length>() {
            Ok(length) => Ok(Some(length)),
            Err(error) => Err(Problem::input(format!("{name}: {error}"))),
        },
    };
    let spacing = match (
        length("shortest", &two.shortest)?,
        length("longest", &two.longest)?,
    ) {
        (Some(shortest), Some(longest)) => Spacing::Between { shortest, longest },
        (None, None) => Spacing::Any,
        _ => return Err(Problem::input("give `shortest` and `longest`, or neither")),
    };
    let first = document(site, &two.first).await?;
    let second = document(site, &two.second).await?;
    let both = match two.measured.as_deref() {
        None | Some("") => None,
        Some(run) => Some(document(site, run).await?),
    };
    aside(move || {
        let pair = reason::layered(&first, &second, spacing)?;
        let measured = match both {
            Some(both) => {
                let checks = reason::pair_check(&pair, &both)?;
                Some((both, checks))
            }
            None => None,
        };
        Ok(Nested {
            first,
            second,
            pair,
            measured,
        })
    })
    .await
}

/// What two measured items would give one inside the other: a bracket, never the sum.
#[utoipa::path(get, path = "/api/v1/layers", tag = "theory", params(Two),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn layers(
    State(site): State<Site>,
    Query(two): Query<Two>,
) -> Result<Json<Value>, Problem> {
    let nested = nested(&site, &two).await?;
    let checks = nested.measured.as_ref().map(|(_, checks)| checks);
    as_json(&json!({ "pair": nested.pair, "measured": checks }))
}

/// The bracket of two nested items beside their curves, as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/layers.svg", tag = "theory", params(Two),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal))]
pub(super) async fn layers_picture(
    State(site): State<Site>,
    Query(two): Query<Two>,
) -> Result<impl IntoResponse, Problem> {
    Ok(svg(nested(&site, &two).await?.svg()))
}

/// The next readings, and the plan and station kept with the run.
async fn chosen(
    site: &Site,
    run: &str,
    choosing: &Choosing,
) -> Result<(Plan, Station, NextTest), Problem> {
    let readings = choosing.readings.unwrap_or(READINGS);
    if !(1..=READINGS_MAX).contains(&readings) {
        return Err(Problem::input(format!(
            "readings: {readings} is not from 1 to {READINGS_MAX}"
        )));
    }
    let frequency = |name: &str, text: &Option<String>| match text.as_deref() {
        None | Some("") => Ok(None),
        Some(text) => match text.parse::<Frequency>() {
            Ok(frequency) => Ok(Some(frequency)),
            Err(error) => Err(Problem::input(format!("{name}: {error}"))),
        },
    };
    let (from, to) = (
        frequency("from", &choosing.from)?,
        frequency("to", &choosing.to)?,
    );
    let record = site.store().find_run(run).await?;
    let document = document(site, run).await?;
    let item = match &document.item {
        Some(serial) => site.store().item(serial).await?,
        None => None,
    };
    let (plan, station) = kept(site.store(), &record).await?;
    aside(move || {
        let frequencies = reason::offered(&plan, from, to)?;
        let next = reason::next(
            &document,
            item.as_ref(),
            &frequencies,
            usize::from(readings),
        )?;
        Ok((plan, station, next))
    })
    .await
}

/// Which readings would tell most next.
#[utoipa::path(get, path = "/api/v1/runs/{run}/next", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it."), Choosing),
    responses((status = 200, body = Object), Refusal))]
pub(super) async fn next(
    State(site): State<Site>,
    Path(run): Path<String>,
    Query(choosing): Query<Choosing>,
) -> Result<Json<Value>, Problem> {
    as_json(&chosen(&site, &run, &choosing).await?.2)
}

/// A plan of these readings, which `muffle measure` runs, with the run's own settings and limit.
#[utoipa::path(get, path = "/api/v1/runs/{run}/next.toml", tag = "theory",
    params(("run" = String, Path, description = "Its id, or the beginning of it."), Choosing),
    responses((status = 200, content_type = "application/toml", body = String), Refusal))]
pub(super) async fn next_plan(
    State(site): State<Site>,
    Path(run): Path<String>,
    Query(choosing): Query<Choosing>,
) -> Result<impl IntoResponse, Problem> {
    let (plan, station, next) = chosen(&site, &run, &choosing).await?;
    // There is nothing wrong with the request: this run has no such plan.
    let text = reason::next_plan(&plan, &station, &next)
        .map_err(|error| Problem::unknown("plan", error))?;
    let headers = [
        (header::CONTENT_TYPE, "application/toml"),
        (
            header::CONTENT_DISPOSITION,
            "attachment; filename=\"next.toml\"",
        ),
    ];
    Ok((headers, text))
}

/// A picture.
pub(super) fn svg(text: String) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "image/svg+xml")], text)
}

/// Works something out where it holds up nobody else.
pub(super) async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, ShieldError> + Send + 'static,
) -> Result<T, Problem> {
    match tokio::task::spawn_blocking(work).await {
        Ok(Ok(done)) => Ok(done),
        // There is nothing wrong with the request: this run has no such answer.
        Ok(Err(error)) => Err(Problem::unknown("answer", error)),
        Err(error) => Err(Problem::internal(format!("the theory failed: {error}"))),
    }
}

pub(super) fn as_json(value: &impl serde::Serialize) -> Result<Json<Value>, Problem> {
    match serde_json::to_value(value) {
        Ok(value) => Ok(Json(value)),
        Err(error) => Err(Problem::internal(format!("it cannot be written: {error}"))),
    }
}
