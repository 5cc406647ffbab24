//! The queue: jobs submitted, listed, changed.

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::refusal::{ChangeRefusal, Refusal};
use super::{Body, LIST_ROWS_MAX, Path, Problem, Query, Site, detached, rows, short};
use crate::config::ItemEntry;
use crate::store::{
    Change, JobCursor, JobFilter, JobKind, JobRecord, JobState, NAME_CHARS_MAX, NewJob, PlanText,
    Repeat, RunId,
};

/// Which plan: one of the list by its name, or a text of one's own.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::daemon) struct PlanChoice {
    /// Its name.
    #[schema(max_length = 200)]
    pub name: String,
    /// The plan word for word (TOML); none for one of the list.
    #[serde(default)]
    pub text: Option<String>,
}

/// A job for the queue.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::daemon) struct Submission {
    /// At which station, by its name.
    pub station: String,
    /// What it does.
    pub kind: JobKind,
    /// By which plan; none for kind `rest`, which has that of its run.
    #[serde(default)]
    pub plan: Option<PlanChoice>,
    /// For kind `rest`: the run to go on with.
    #[serde(default)]
    pub rest_of: Option<RunId>,
    /// For kinds `items` and `check_item`: what is measured, in this order.
    #[serde(default)]
    #[schema(max_items = 1000)]
    pub items: Vec<ItemEntry>,
    /// Measure a new reference even if there is one that is still good.
    #[serde(default)]
    pub fresh_reference: bool,
    /// The item stays where it was put between repeats: nobody is asked to place it again.
    #[serde(default)]
    pub stays: bool,
    /// Who wants it.
    #[serde(default)]
    pub operator: Option<String>,
    /// The highest goes first; among equals the one made first.
    #[serde(default)]
    pub priority: i32,
    /// Not to be begun before this.
    #[serde(default)]
    pub not_before: Option<Timestamp>,
    /// When it comes again.
    #[serde(default)]
    pub repeat: Option<Repeat>,
}

impl Submission {
    /// The job it asks for, with its plan looked up.
    fn job(self, plans: &[PlanText]) -> Result<NewJob, Problem> {
        let plan = self.plan.map(|choice| find(plans, choice)).transpose()?;
        Ok(NewJob {
            station: self.station,
            kind: self.kind,
            plan,
            rest_of: self.rest_of,
            items: self.items,
            fresh_reference: self.fresh_reference,
            stays: self.stays,
            operator: self.operator,
            priority: self.priority,
            not_before: self.not_before,
            repeat: self.repeat,
        })
    }
}

/// A name is looked up in the list that the daemon was started with; it never becomes a path.
fn find(plans: &[PlanText], choice: PlanChoice) -> Result<PlanText, Problem> {
    let PlanChoice { name, text } = choice;
    match text {
        Some(text) => Ok(PlanText { name, text }),
        None => {
            let known = plans.iter().find(|plan| plan.name == name).cloned();
            known.ok_or_else(|| {
                Problem::content("there is no plan of that name; /api/v1/plans lists them")
            })
        }
    }
}

/// An item of which only the serial is given is described as it was last.
async fn described(site: &Site, mut new: NewJob) -> Result<NewJob, Problem> {
    for entry in &mut new.items {
        let bare = ItemEntry {
            serial: entry.serial.clone(),
            ..ItemEntry::default()
        };
        if *entry != bare || entry.serial.chars().count() > NAME_CHARS_MAX {
            continue;
        }
        if let Some(known) = site.store().item(&entry.serial).await? {
            entry.model = known.model.unwrap_or_default();
            entry.lot = known.lot.unwrap_or_default();
            entry.size = known.size.unwrap_or_default();
            entry.construction = known.construction.unwrap_or_default();
        }
    }
    Ok(new)
}

/// Which jobs.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct Which {
    /// Only of this station.
    #[param(max_length = 200)]
    station: Option<String>,
    /// Only in this state.
    state: Option<JobState>,
    /// Only those not ended.
    open: Option<bool>,
    /// At most so many; 50 if not given.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
    /// Go on behind the page that said so as its `next`.
    #[param(max_length = 1000, pattern = "^([0-9a-f][0-9a-f])*$")]
    after: Option<String>,
}

/// A page of jobs.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Jobs {
    /// Those not ended in the order they will be begun, then the others, newest first.
    jobs: Vec<JobRecord>,
    /// `after` for the next page; none on the last.
    next: Option<String>,
}

/// The plans to choose from.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Plans {
    /// By name.
    plans: Vec<PlanText>,
}

/// The queue, and what has left it.
#[utoipa::path(get, path = "/api/v1/jobs", tag = "jobs", params(Which),
    responses((status = 200, body = Jobs), Refusal))]
pub(super) async fn list(
    State(site): State<Site>,
    Query(which): Query<Which>,
) -> Result<Json<Jobs>, Problem> {
    let limit = rows(which.limit)?;
    let after = which.after.as_deref().filter(|after| !after.is_empty());
    let after = after
        .map(str::parse)
        .transpose()
        .map_err(|error| Problem::input(format!("after: {error}")))?;
    let filter = JobFilter {
        station: short("station", which.station.as_deref())?.map(str::to_owned),
        state: which.state,
        open: which.open.unwrap_or(false),
        limit: Some(limit + 1),
        after,
    };
    let mut jobs = site.store().jobs(&filter).await?;
    let more = jobs.len() > limit as usize;
    jobs.truncate(limit as usize);
    debug_assert!(limit <= LIST_ROWS_MAX);
    let next = jobs.last().filter(|_| more);
    let next = next.map(|last| JobCursor::from(last).to_string());
    Ok(Json(Jobs { jobs, next }))
}

/// Puts a job into its station's queue.
#[utoipa::path(post, path = "/api/v1/jobs", tag = "jobs", request_body = Submission,
    responses((status = 201, body = JobRecord,
        headers(("location" = String, description = "Where the job can be read."))),
        Refusal, ChangeRefusal))]
pub(super) async fn submit(
    State(site): State<Site>,
    Body(submission): Body<Submission>,
) -> Result<impl IntoResponse, Problem> {
    let new = submission.job(&site.plans)?;
    detached(async move {
        let new = described(&site, new).await?;
        let id = site.engine.submit(new).await?;
        let job = site.store().job(id).await?;
        let location = [(header::LOCATION, format!("/api/v1/jobs/{id}"))];
        Ok((StatusCode::CREATED, location, Json(job)))
    })
    .await
}

/// One job.
#[utoipa::path(get, path = "/api/v1/jobs/{job}", tag = "jobs",
    params(("job" = String, Path, description = "Its id, or the beginning of it.")),
    responses((status = 200, body = JobRecord), Refusal))]
pub(super) async fn get(
    State(site): State<Site>,
    Path(job): Path<String>,
) -> Result<Json<JobRecord>, Problem> {
    Ok(Json(site.store().find_job(&job).await?))
}

/// Changes a job, as far as its state allows.
#[utoipa::path(post, path = "/api/v1/jobs/{job}/change", tag = "jobs",
    params(("job" = String, Path, description = "Its id, or the beginning of it.")),
    request_body = Change,
    responses((status = 200, body = JobRecord), Refusal, ChangeRefusal))]
pub(super) async fn change(
    State(site): State<Site>,
    Path(job): Path<String>,
    Body(change): Body<Change>,
) -> Result<Json<JobRecord>, Problem> {
    let job = site.store().find_job(&job).await?;
    detached(async move { Ok(Json(site.engine.change(job.id, change).await?)) }).await
}

/// The plans that can be chosen by name.
#[utoipa::path(get, path = "/api/v1/plans", tag = "jobs",
    responses((status = 200, body = Plans), Refusal))]
pub(super) async fn plans(State(site): State<Site>) -> Json<Plans> {
    let plans = site.plans.to_vec();
    Json(Plans { plans })
}
