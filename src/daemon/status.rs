//! What a station is doing, as a snapshot that anybody may look at.

use jiff::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;

use crate::station::Output;
use crate::store::{Asks, JobId, PromptId, QueuePause, RunId};

/// What a station is doing at one moment.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Status {
    /// Its name.
    pub station: String,
    /// When this was so.
    pub at: Timestamp,
    /// What it is doing, as a plain sentence.
    pub words: String,
    /// The same as one word.
    pub doing: Doing,
    /// What is known of the output.
    pub output: Output,
    /// The station file that is in force; none before the station was opened.
    pub in_force: Option<InForce>,
    /// The newest trace of the run.
    pub live: Option<Live>,
    /// What a person is asked to do.
    pub prompt: Option<Prompt>,
    /// The job being measured.
    pub job: Option<JobId>,
    /// Its run.
    pub run: Option<RunId>,
    /// The item's serial; none for a reference.
    pub item: Option<String>,
    /// How far the run has come.
    pub progress: Progress,
    /// Whether source and receiver answer.
    pub health: Health,
    /// Whether the interlock lets the station transmit; none without an interlock.
    pub interlock: Option<bool>,
    /// Why and since when the queue is paused.
    pub paused: Option<QueuePause>,
    /// Which process owns the station.
    pub owner: String,
}

/// What a station is doing, in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Doing {
    /// Looking for the instruments.
    Opening,
    /// An instrument is missing; looked for again and again.
    Missing,
    /// Nothing is due.
    Idle,
    /// Nothing is begun because the queue is paused.
    Paused,
    /// Something is being placed.
    Placing,
    /// A person is asked to do something.
    Held,
    /// Measuring.
    Measuring,
    /// Being stopped.
    Stopping,
}

/// The station file that is in force: what is emitted keeps to its limits.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct InForce {
    /// Where it was read.
    pub file: String,
    /// Checksum of its text with its tables (SHA-256, hexadecimal), as it is kept with each run.
    pub sha256: String,
    /// Since when.
    pub since: Timestamp,
}

/// The newest trace.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Live {
    /// First frequency, Hz.
    pub start_hz: f64,
    /// Last frequency, Hz.
    pub stop_hz: f64,
    /// Levels, evenly spaced from first to last frequency, dBm.
    pub levels_dbm: Vec<f64>,
    /// What was read: `floor`, `signal` or `step`.
    pub kind: String,
    /// The peak picked from the floor's trace at this point, dBm, once it was read.
    pub floor_dbm: Option<f64>,
    /// Where the peak was picked, Hz.
    pub peak_hz: f64,
    /// The peak picked, dBm.
    pub peak_dbm: f64,
}

/// What a person is asked to do.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Prompt {
    /// By which it is answered.
    pub id: PromptId,
    /// What for.
    pub asks: Asks,
    /// What is asked, in words.
    pub text: String,
    /// The item to be placed: the answer `done` must give its serial.
    pub item: Option<String>,
    /// Since when.
    pub since: Timestamp,
    /// Until when the job waits for it.
    pub until: Timestamp,
}

/// How far a run has come.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, ToSchema)]
pub struct Progress {
    /// Readings made since the job began or went on.
    pub done: u64,
    /// Readings it had still to make then.
    pub total: u64,
    /// How long it will take, s, by what the readings before took; none before the second reading.
    pub left_s: Option<f64>,
}

/// Whether the instruments of a station answer.
#[derive(Debug, Clone, Default, PartialEq, Serialize, ToSchema)]
pub struct Health {
    /// Who the source is; none while it is missing.
    pub source: Option<String>,
    /// Who the receiver is; none while it is missing.
    pub receiver: Option<String>,
    /// What is missing.
    pub missing: Option<Missing>,
}

/// What a station lacks.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Missing {
    /// `source`, `receiver` or `station` where it is not known which.
    pub what: String,
    /// Since when.
    pub since: Timestamp,
    /// What it said last.
    pub error: String,
}
