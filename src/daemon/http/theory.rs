//! What theory is asked by itself: sheets, slots, layers, resonances, distances.
//!
//! The questions and their inputs are one table, `analysis::shield::ask`; the parameters of the OpenAPI document
//! are made from it too.

use axum::Json;
use axum::extract::State;
use axum::response::IntoResponse;
use serde::Serialize;
use serde_json::Value;
use utoipa::openapi::path::{Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, SchemaType, Type};
use utoipa::openapi::{RefOr, Required, Schema};
use utoipa::{IntoParams, ToSchema};

use super::reason::{as_json, aside, svg};
use super::refusal::{Content, Refusal};
use super::{Path, Problem, QUERY_CHARS_MAX, Query, Site, document};
use crate::analysis::shield::ask::{self, TOPICS};
use crate::quantity::Frequency;
use crate::report::{Over, TheoryDocument};

/// The most inputs of a question.
const INPUTS_MAX: usize = 64;
/// The most frequencies of a question from elsewhere.
const FREQUENCIES_MAX: usize = 2_000;
const PER_DECADE_MAX: u32 = 100;

/// What a question of theory is given, by the table of what there is to ask.
pub(super) struct Wanted;

impl IntoParams for Wanted {
    fn into_params(_parameter_in: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let mut parameters: Vec<Parameter> = [
            (
                "run",
                "The run of an item to put it beside, at that run's frequencies.",
                false,
            ),
            (
                "at",
                "A frequency (`100 MHz`); may be given several times.",
                true,
            ),
            ("from", "Lowest frequency; 100 kHz without.", false),
            ("to", "Highest frequency; 1 GHz without.", false),
            (
                "per-decade",
                "Frequencies in each decade; 3 without, at most 100.",
                false,
            ),
        ]
        .map(|(name, about, several)| parameter(name, about, several))
        .into();
        let mut seen: Vec<&str> = Vec::new();
        for (topic, input) in TOPICS
            .iter()
            .flat_map(|topic| topic.inputs.iter().map(move |input| (topic, input)))
        {
            if seen.contains(&input.key) {
                continue;
            }
            seen.push(input.key);
            let about = format!(
                "{}, like `{}` ({} and others).",
                input.about, input.example, topic.word
            );
            parameters.push(parameter(input.key, &about, input.several));
        }
        parameters
    }
}

fn parameter(name: &str, about: &str, several: bool) -> Parameter {
    let text = ObjectBuilder::new()
        .schema_type(SchemaType::Type(Type::String))
        .max_length(Some(QUERY_CHARS_MAX))
        .build();
    let schema: RefOr<Schema> = match several {
        true => ArrayBuilder::new()
            .items(text)
            .max_items(Some(INPUTS_MAX))
            .into(),
        false => text.into(),
    };
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Query)
        .required(Required::False)
        .description(Some(about))
        .schema(Some(schema))
        .build()
}

/// What theory can be asked.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Questions {
    /// Each with its inputs, their defaults and choices.
    #[schema(value_type = Vec<Object>)]
    questions: &'static [ask::Topic],
}

/// What there is to ask, with the inputs of each.
#[utoipa::path(get, path = "/api/v1/theory", tag = "theory",
    responses((status = 200, body = Questions), Refusal))]
pub(super) async fn list() -> Json<Questions> {
    Json(Questions { questions: &TOPICS })
}

/// What theory says about one of them, beside a run where one is named. Theory, not a measurement.
#[utoipa::path(get, path = "/api/v1/theory/{question}", tag = "theory",
    params(("question" = String, Path, description = "Its name, as `/api/v1/theory` lists it."), Wanted),
    responses((status = 200, body = Object), Refusal, Content))]
pub(super) async fn answer(
    State(site): State<Site>,
    Path(question): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Json<Value>, Problem> {
    as_json(&told(&site, &question, given).await?)
}

/// The same as a picture (SVG).
#[utoipa::path(get, path = "/api/v1/theory/{question}/chart.svg", tag = "theory",
    params(("question" = String, Path, description = "Its name, as `/api/v1/theory` lists it."), Wanted),
    responses((status = 200, content_type = "image/svg+xml", body = String), Refusal, Content))]
pub(super) async fn picture(
    State(site): State<Site>,
    Path(question): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<impl IntoResponse, Problem> {
    Ok(svg(told(&site, &question, given).await?.svg()))
}

/// Asks theory what the pairs of an address ask.
pub(in crate::daemon) async fn told(
    site: &Site,
    question: &str,
    given: Vec<(String, String)>,
) -> Result<TheoryDocument, Problem> {
    let topic = ask::topic(question).map_err(|error| Problem::unknown("question", error))?;
    let (over, run, inputs) = parts(given)?;
    let asked = topic.ask(&inputs).map_err(Problem::input)?;
    let run = match run {
        Some(run) => Some(document(site, &run).await?),
        None => None,
    };
    let frequencies = match &run {
        Some(run) => run.points.len(),
        None => over.frequencies().map_err(Problem::content)?.len(),
    };
    if frequencies > FREQUENCIES_MAX {
        return Err(Problem::content(format!(
            "{frequencies} frequencies are too many; ask for at most {FREQUENCIES_MAX}"
        )));
    }
    // What a formula refuses is an answer too, not a failure.
    aside(move || Ok(TheoryDocument::ask(asked, &over, run)))
        .await?
        .map_err(Problem::content)
}

type Parts = (Over, Option<String>, Vec<(String, String)>);

/// Frequencies, run, and the inputs of the question itself.
fn parts(given: Vec<(String, String)>) -> Result<Parts, Problem> {
    if given.len() > INPUTS_MAX {
        return Err(Problem::input(format!("more than {INPUTS_MAX} inputs")));
    }
    let (mut over, mut run, mut inputs) = (Over::default(), None, Vec::new());
    for (key, text) in given
        .into_iter()
        .filter(|(_, text)| !text.trim().is_empty())
    {
        if text.chars().count() > QUERY_CHARS_MAX {
            return Err(Problem::input(format!(
                "{key}: longer than {QUERY_CHARS_MAX} characters"
            )));
        }
        let frequency = || {
            let read = text.parse::<Frequency>();
            read.map_err(|error| Problem::input(format!("{key}: {error}")))
        };
        match key.as_str() {
            "at" => over.at.push(frequency()?),
            "from" => over.from = frequency()?,
            "to" => over.to = frequency()?,
            "per-decade" => {
                let read = text.trim().parse().ok();
                let fits = read.filter(|count| (1..=PER_DECADE_MAX).contains(count));
                over.per_decade = fits.ok_or_else(|| {
                    Problem::input(format!(
                        "per-decade: `{text}` is not from 1 to {PER_DECADE_MAX}"
                    ))
                })?;
            }
            "run" => run = Some(text),
            _ => inputs.push((key, text)),
        }
    }
    Ok((over, run, inputs))
}
