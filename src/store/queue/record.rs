//! Jobs, prompts and what may be asked of them, as plain records.

use crate::config::ItemEntry;
use crate::store::cursor::{self, NotACursor};
use crate::store::{Answer, Asks, JobId, JobKind, JobState, PromptId, RunId, Wanted};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;
use utoipa::ToSchema;

/// A plan as it was given.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlanText {
    /// Its name, for lists and faults.
    pub name: String,
    /// The file, word for word.
    pub text: String,
}

/// When a job comes again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Repeat {
    /// `30 min`, or `daily 07:30 Europe/London` (a time of day and a time zone).
    pub every: String,
    /// Not after this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Timestamp>,
    /// Not more often than this, the first time included.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
}

/// A job about to be put into a queue.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewJob {
    /// At which station, by its name.
    pub station: String,
    /// What it does.
    pub kind: JobKind,
    /// By which plan; none for kind `rest`, which has that of its run.
    #[serde(default)]
    pub plan: Option<PlanText>,
    /// For kind `rest`: the run to go on with.
    #[serde(default)]
    pub rest_of: Option<RunId>,
    /// For kinds `items` and `check_item`: what is measured, in this order.
    #[serde(default)]
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

impl NewJob {
    /// One without anything special: once, as soon as it is its turn, and of no items yet.
    pub fn new(station: impl Into<String>, kind: JobKind, plan: Option<PlanText>) -> Self {
        Self {
            station: station.into(),
            kind,
            plan,
            rest_of: None,
            items: Vec::new(),
            fresh_reference: false,
            stays: false,
            operator: None,
            priority: 0,
            not_before: None,
            repeat: None,
        }
    }
}

/// A job as kept.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct JobRecord {
    /// Its id.
    pub id: JobId,
    /// At which station.
    pub station: String,
    /// What it does.
    pub kind: JobKind,
    /// The plan's name; none for kind `rest`.
    pub plan: Option<String>,
    /// Snapshot of the plan.
    pub plan_sha: Option<String>,
    /// For kind `rest`: the run to go on with.
    pub rest_of: Option<RunId>,
    /// What is measured, in this order.
    pub items: Vec<ItemEntry>,
    /// Measure a new reference even if there is one that is still good.
    pub fresh_reference: bool,
    /// The item stays where it was put between repeats.
    pub stays: bool,
    /// Who wants it.
    pub operator: Option<String>,
    /// The highest goes first.
    pub priority: i32,
    /// Not to be begun before this.
    pub not_before: Option<Timestamp>,
    /// When it comes again.
    pub repeat: Option<Repeat>,
    /// Which repeat this is, from 1.
    pub number: u32,
    /// The job of the repeat before it.
    pub follows: Option<JobId>,
    /// How far it has come.
    pub state: JobState,
    /// Why it is in that state.
    pub reason: Option<String>,
    /// What somebody asked of it while it was being measured.
    pub wanted: Option<Wanted>,
    /// How often it was begun.
    pub attempt: u32,
    /// Its runs, in order.
    pub runs: Vec<RunId>,
    /// When it was put in.
    pub made: Timestamp,
    /// When it was first begun.
    pub started: Option<Timestamp>,
    /// When it was done, failed or cancelled.
    pub ended: Option<Timestamp>,
}

/// What may be asked of a job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "do", content = "to", rename_all = "snake_case")]
pub enum Change {
    /// Set it aside; if it is being measured, with the output off and its run kept.
    Pause,
    /// Put it back into the queue after a pause.
    Continue,
    /// Give it up; what was read is kept.
    Cancel,
    /// Try a failed or cancelled one again; its runs are gone on with.
    Retry,
    /// Another priority.
    Priority(i32),
    /// Another earliest time; none: at once.
    NotBefore(Option<Timestamp>),
}

/// Which jobs to list.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct JobFilter {
    /// Only of this station.
    pub station: Option<String>,
    /// Only in this state.
    pub state: Option<JobState>,
    /// Only those not ended.
    pub open: bool,
    /// At most so many.
    pub limit: Option<u32>,
    /// Where the page before ended; from the first when absent.
    pub after: Option<JobCursor>,
}

/// Where the next page of jobs begins: behind this one. Its text is for passing on, not for reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobCursor {
    pub(super) ended: Option<Timestamp>,
    pub(super) begun: bool,
    pub(super) priority: i32,
    pub(super) job: JobId,
}

impl From<&JobRecord> for JobCursor {
    fn from(job: &JobRecord) -> Self {
        Self {
            ended: job.ended,
            begun: matches!(job.state, JobState::Running | JobState::Held),
            priority: job.priority,
            job: job.id,
        }
    }
}

impl fmt::Display for JobCursor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&cursor::written(self)?)
    }
}

impl FromStr for JobCursor {
    type Err = NotACursor;
    fn from_str(text: &str) -> Result<Self, NotACursor> {
        cursor::read(text)
    }
}

/// Why and since when a station's queue is paused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct QueuePause {
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: Timestamp,
}

/// Something a person is, or was, asked to do.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct PromptRecord {
    /// Its id.
    pub id: PromptId,
    /// At which station.
    pub station: String,
    /// For which job.
    pub job: JobId,
    /// What for.
    pub asks: Asks,
    /// What is asked, in words.
    pub text: String,
    /// Since when.
    pub since: Timestamp,
    /// How long the job waits for it.
    pub until: Timestamp,
    /// How it ended; none while it is open.
    pub answer: Option<Answer>,
    /// When it ended.
    pub answered: Option<Timestamp>,
    /// Who answered.
    pub who: Option<String>,
}

/// How a job ended for now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobEnd {
    /// Its state from now on.
    pub state: JobState,
    /// Why.
    pub reason: Option<String>,
    /// For state `waiting`: not again before this.
    pub not_before: Option<Timestamp>,
    /// When its successor is due, if it repeats.
    pub again: Option<Timestamp>,
    /// Whether it gave way to another, so that this attempt is not counted.
    pub gave_way: bool,
}
