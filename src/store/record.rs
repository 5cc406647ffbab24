//! What is kept, as plain records: one field per column, units last in the names as in the tables.

use super::StoreError;
pub use crate::analysis::point::Kind as ResultKind;
pub use crate::analysis::verdict::Verdict;
use crate::quantity::is_unprintable;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::hash::{Hash, Hasher};
use std::str::FromStr;
use ulid::Ulid;
use utoipa::ToSchema;

/// A word that the database should not contain.
#[derive(Debug, thiserror::Error)]
#[error("`{0}` is not a {1}")]
pub struct UnknownWord(pub(super) String, pub(super) &'static str);

/// An enum of words: written the same in the database, in JSON and on screens.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident, $what:literal { $($(#[$word_doc:meta])* $variant:ident = $word:literal),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum $name {
            $($(#[$word_doc])* #[serde(rename = $word)] $variant),*
        }
        impl $name {
            /// The word for it.
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $word),* }
            }
        }
        // By hand: the derive does not see through a literal that a macro was given.
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .enum_values(Some([$($word),*]))
                    .into()
            }
        }
        impl ToSchema for $name {}
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.as_str())
            }
        }
        impl FromStr for $name {
            type Err = UnknownWord;
            fn from_str(text: &str) -> Result<Self, UnknownWord> {
                match text {
                    $($word => Ok(Self::$variant),)*
                    other => Err(UnknownWord(other.to_owned(), $what)),
                }
            }
        }
    };
}
pub(super) use words;

words! {
    /// What a snapshot is a copy of.
    SnapshotKind, "kind of snapshot" {
        /// A station file.
        Station = "station",
        /// A plan file.
        Plan = "plan",
        /// A driver file.
        Driver = "driver",
    }
}
words! {
    /// What a run measures.
    RunKind, "kind of run" {
        /// The open path.
        Reference = "reference",
        /// An item.
        Item = "item",
    }
}
words! {
    /// How far a run has come.
    RunState, "state of a run" {
        /// Being measured (or cut off by a crash).
        Running = "running",
        /// Stopped on request; can be resumed.
        Stopped = "stopped",
        /// Everything was measured; final.
        Complete = "complete",
        /// Given up on an error; can be resumed.
        Failed = "failed",
    }
}
words! {
    /// What a reading reads.
    ReadingKind, "kind of reading" {
        /// The receiver with the source off.
        Floor = "floor",
        /// The receiver with the source on.
        Signal = "signal",
        /// The receiver with the source on, a step lower.
        Step = "step",
        /// The receiver with the source on and a step more attenuation at its own input.
        Pad = "pad",
        /// The receiver with the source off at the frequency asked for, where another signal stood.
        Ambient = "ambient",
    }
}
words! {
    /// What a job of the queue does.
    JobKind, "kind of job" {
        /// Measures items, and a reference first if none is good.
        Items = "items",
        /// Measures the open path alone.
        Reference = "reference",
        /// Goes on with a run that was stopped, failed or cut off.
        Rest = "rest",
        /// Measures the check item, to prove that the station has not moved.
        CheckItem = "check_item",
    }
}
words! {
    /// How far a job of the queue has come.
    JobState, "state of a job" {
        /// Its turn has not come.
        Waiting = "waiting",
        /// Being measured (or cut off by a crash).
        Running = "running",
        /// Being measured, and waiting for a person's hands.
        Held = "held",
        /// Set aside until somebody says `continue`.
        Paused = "paused",
        /// Everything was measured.
        Done = "done",
        /// Ended on an error; can be retried.
        Failed = "failed",
        /// Somebody does not want it any more.
        Cancelled = "cancelled",
    }
}
words! {
    /// What is asked of a job that is being measured.
    Wanted, "wish" {
        /// Set it aside.
        Pause = "pause",
        /// Give it up.
        Cancel = "cancel",
    }
}
words! {
    /// What a prompt asks a person to do.
    Asks, "what a prompt asks" {
        /// To place, open or close something. Nothing is sent meanwhile.
        Place = "place",
        /// To come to the station, which may transmit until the person says that they are there.
        Come = "come",
    }
}
words! {
    /// How a prompt ended.
    Answer, "answer to a prompt" {
        /// It was done.
        Done = "done",
        /// The measuring is to stop.
        Stop = "stop",
        /// Nobody answered in time.
        Expired = "expired",
        /// It was no longer wanted.
        Withdrawn = "withdrawn",
    }
}
words! {
    /// What a token allows.
    Scope, "scope" {
        /// To look.
        Read = "read",
        /// To look, and to change what is done.
        Operate = "operate",
    }
}
words! {
    /// Why a run was sealed, or sealed again.
    SealReason, "reason of a seal" {
        /// It became complete.
        Completed = "completed",
        /// It was imported, and so complete at once.
        Imported = "imported",
        /// It was complete when the file was migrated to a schema with seals.
        Migrated = "migrated",
        /// Its results were computed anew.
        Recomputed = "recomputed",
        /// Its verdict was noted anew.
        Judged = "judged",
        /// Its reference was looked at again.
        ReferenceChecked = "reference_checked",
        /// It was withdrawn.
        Withdrawn = "withdrawn",
        /// It was reinstated.
        Reinstated = "reinstated",
        /// Cycles of use were noted.
        Cycles = "cycles",
        /// The receiver of its recording was noted.
        Recorder = "recorder",
        /// An emission of it was noted or closed.
        Emission = "emission",
        /// Traces came back whose axis this file did not know.
        Attached = "attached",
        /// Two files said different things of what may be amended, and were merged.
        Merged = "merged",
    }
}

/// What `analysis` states is kept in its own words.
macro_rules! analysis_words {
    ($name:ident, $what:literal, [$($variant:ident),*]) => {
        impl FromStr for $name {
            type Err = UnknownWord;
            fn from_str(text: &str) -> Result<Self, UnknownWord> {
                [$(Self::$variant),*]
                    .into_iter()
                    .find(|word| word.as_str() == text)
                    .ok_or_else(|| UnknownWord(text.to_owned(), $what))
            }
        }
    };
}
analysis_words!(Verdict, "verdict", [Pass, Undecided, Fail]);
analysis_words!(ResultKind, "kind of result", [Measured, AtLeast, None]);

/// A globally unique id that sorts by the time it was made.
macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident),*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(Ulid);
        impl $name {
            /// A new id of something that began at `at`.
            pub fn at(at: Timestamp) -> Self {
                Self::of_parts(at, rand::random())
            }
            /// The id of something that began at `at` and is told from others by `rest` (its lower 80 bits).
            pub fn of_parts(at: Timestamp, rest: u128) -> Self {
                let ms = u64::try_from(at.as_millisecond()).unwrap_or(0);
                Self(Ulid::from_parts(ms, rest))
            }
        }
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .pattern(Some("^[0-7][0-9A-HJKMNP-TV-Z]{25}$"))
                    .description(Some("A ULID."))
                    .into()
            }
        }
        impl ToSchema for $name {}
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0.to_string())
            }
        }
        impl FromStr for $name {
            type Err = ulid::DecodeError;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                Ulid::from_string(text).map(Self)
            }
        }
        impl Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
            }
        }
    )*};
}
ids! {
    /// The id of a run (a ULID).
    RunId,
    /// The id of an emission (a ULID).
    EmissionId,
    /// The id of a job of the queue (a ULID).
    JobId,
    /// The id of a prompt (a ULID).
    PromptId,
    /// The id of a recording (a ULID).
    RecordingId,
    /// The id of a batch of runs that one command had to measure (a ULID).
    BatchId,
    /// The id of a pass through a timetable (a ULID).
    PassId
}

/// A station, plan or driver file as it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Snapshot {
    /// SHA-256 of the text, lower-case hex; its name in the store.
    pub sha256: String,
    /// What it is a copy of.
    pub kind: SnapshotKind,
    /// The file's name when first seen.
    pub name: String,
    /// The file, word for word.
    pub text: String,
}

/// A thing tested, as last described.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Item {
    /// What is written on it.
    pub serial: String,
    /// Its model.
    pub model: Option<String>,
    /// The lot it was made in.
    pub lot: Option<String>,
    /// Its size, in the user's words.
    pub size: Option<String>,
    /// How it is made, in the user's words.
    pub construction: Option<String>,
    /// Anything else.
    pub note: Option<String>,
    /// When it was first put in.
    pub first_seen: Timestamp,
}

/// Who answered at the addresses of a station, by role; as they say it themselves.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
pub struct Instruments {
    /// The source.
    pub source: Option<String>,
    /// The receiver; none until it is known where it is a recorder's.
    pub receiver: Option<String>,
    /// The power monitor, where the station has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power_monitor: Option<String>,
}

impl Instruments {
    /// The roles that are known in both, with both names.
    pub fn beside<'a>(
        &'a self,
        other: &'a Self,
    ) -> impl Iterator<Item = (&'static str, &'a str, &'a str)> {
        let roles = [
            ("source", &self.source, &other.source),
            ("receiver", &self.receiver, &other.receiver),
            ("power monitor", &self.power_monitor, &other.power_monitor),
        ];
        roles
            .into_iter()
            .filter_map(|(role, one, other)| Some((role, one.as_deref()?, other.as_deref()?)))
    }
}

/// A run about to begin.
#[derive(Debug, Clone, PartialEq)]
pub struct NewRun {
    /// Open path or item.
    pub kind: RunKind,
    /// The item's serial; for runs of kind `item` only. It must be in the store.
    pub item: Option<String>,
    /// Its model now.
    pub model: Option<String>,
    /// Its lot now.
    pub lot: Option<String>,
    /// Snapshot of the plan.
    pub plan_sha: String,
    /// Snapshot of the station.
    pub station_sha: String,
    /// Snapshots of the drivers.
    pub driver_shas: Vec<String>,
    /// The reference it will be subtracted from.
    pub reference_run: Option<RunId>,
    /// Hash of whatever a reference must share with a run that uses it.
    pub signature: String,
    /// Who measures.
    pub operator: Option<String>,
    /// Now.
    pub started: Timestamp,
    /// Anything else.
    pub note: Option<String>,
    /// This program's version.
    pub program_version: String,
    /// Who measures it.
    pub instruments: Option<Instruments>,
}

/// How the signature of a run begins that looks at a reference again at a few frequencies only. No signature of a whole
/// reference does, so that it never stands in for one.
const CHECK_OF: &str = "check of ";

/// The signature of a look at a reference that has this one.
pub fn check_signature(signature: &str) -> String {
    format!("{CHECK_OF}{signature}")
}

/// A run as kept.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunRecord {
    /// Its id.
    pub id: RunId,
    /// Open path or item.
    pub kind: RunKind,
    /// The item's serial.
    pub item: Option<String>,
    /// Its model as it was.
    pub model: Option<String>,
    /// Its lot as it was.
    pub lot: Option<String>,
    /// Snapshot of the plan.
    pub plan_sha: String,
    /// Snapshot of the station.
    pub station_sha: String,
    /// Snapshots of the drivers.
    pub driver_shas: Vec<String>,
    /// The reference it is subtracted from.
    pub reference_run: Option<RunId>,
    /// The reference measured again afterwards.
    pub reference_after: Option<RunId>,
    /// Hash of whatever a reference must share with a run that uses it.
    pub signature: String,
    /// Who measured.
    pub operator: Option<String>,
    /// When it began.
    pub started: Timestamp,
    /// When it became complete.
    pub finished: Option<Timestamp>,
    /// How far it has come.
    pub state: RunState,
    /// Why it stopped or failed.
    pub reason: Option<String>,
    /// The judgement over all points.
    pub verdict: Option<Verdict>,
    /// Anything else.
    pub note: Option<String>,
    /// The version of the program that began it.
    pub program_version: String,
    /// Taken by hand or kept in a spreadsheet, and read in from the file that `plan_sha` names: there are
    /// results, but no readings and no traces.
    pub imported: bool,
    /// When somebody said that it is not to be counted.
    pub withdrawn: Option<Timestamp>,
    /// Why.
    pub withdrawn_why: Option<String>,
    /// The instruments it was measured with; none in runs of old files, and in imported ones.
    pub instruments: Option<Instruments>,
}

impl RunRecord {
    /// Whether it looks at a reference again at a few frequencies only.
    pub fn is_reference_check(&self) -> bool {
        self.signature.starts_with(CHECK_OF)
    }
}

/// Where and how often: what one SE value belongs to.
///
/// Equal means the same bits of frequency: a point comes from the plan and is never computed anew.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Point {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// The side of the item that looks at the antenna.
    pub face: String,
    /// `horizontal` or `vertical`.
    pub polarisation: String,
    /// Which repeat, from 1.
    pub repeat: u32,
}

impl Point {
    fn parts(&self) -> (u64, &str, &str, u32) {
        // Positive numbers sort by their bits, and negative ones are refused at the door.
        let bits = self.frequency_hz.to_bits();
        (bits, &self.face, &self.polarisation, self.repeat)
    }
}

impl PartialEq for Point {
    fn eq(&self, other: &Self) -> bool {
        self.parts() == other.parts()
    }
}
impl Eq for Point {}
impl PartialOrd for Point {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Point {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.parts().cmp(&other.parts())
    }
}
impl Hash for Point {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.parts().hash(state);
    }
}

impl fmt::Display for Point {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (face, polarisation, repeat) = (&self.face, &self.polarisation, self.repeat);
        let mhz = self.frequency_hz / 1e6;
        write!(f, "{mhz} MHz, {face}, {polarisation}, repeat {repeat}")
    }
}

/// What names a reading within its run.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct ReadingKey {
    /// Floor or signal.
    pub kind: ReadingKind,
    /// Where.
    #[serde(flatten)]
    pub point: Point,
}

impl fmt::Display for ReadingKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} reading at {}", self.kind, self.point)
    }
}

/// The levels of a trace as the receiver gave them: text and 64-bit answers as `f64`, 32-bit as `f32`.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Levels {
    /// 32-bit numbers.
    F32(Vec<f32>),
    /// 64-bit numbers.
    F64(Vec<f64>),
}

impl Levels {
    /// How many.
    pub fn points(&self) -> usize {
        match self {
            Self::F32(levels) => levels.len(),
            Self::F64(levels) => levels.len(),
        }
    }

    /// As 64-bit numbers, for computing.
    pub fn to_f64(&self) -> Vec<f64> {
        match self {
            Self::F32(levels) => levels.iter().copied().map(f64::from).collect(),
            Self::F64(levels) => levels.clone(),
        }
    }

    pub(super) fn encoding(&self) -> &'static str {
        match self {
            Self::F32(_) => "f32le",
            Self::F64(_) => "f64le",
        }
    }

    pub(super) fn to_bytes(&self) -> Vec<u8> {
        match self {
            Self::F32(levels) => levels
                .iter()
                .flat_map(|level| level.to_le_bytes())
                .collect(),
            Self::F64(levels) => levels
                .iter()
                .flat_map(|level| level.to_le_bytes())
                .collect(),
        }
    }

    /// Back from the database; `None` when the encoding is not one of ours or bytes are left over.
    pub(super) fn from_bytes(encoding: &str, bytes: &[u8]) -> Option<Self> {
        match encoding {
            "f32le" => {
                let (numbers, rest) = bytes.as_chunks::<4>();
                let levels = numbers.iter().copied().map(f32::from_le_bytes).collect();
                rest.is_empty().then_some(Self::F32(levels))
            }
            "f64le" => {
                let (numbers, rest) = bytes.as_chunks::<8>();
                let levels = numbers.iter().copied().map(f64::from_le_bytes).collect();
                rest.is_empty().then_some(Self::F64(levels))
            }
            _ => None,
        }
    }
}

/// Levels over frequency, evenly spaced from start to stop.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trace {
    /// Frequency of the first level, Hz.
    pub start_hz: f64,
    /// Frequency of the last level, Hz.
    pub stop_hz: f64,
    /// The unit the receiver was set to (`dBm`).
    pub unit: String,
    /// The levels.
    pub levels: Levels,
}

/// A reading about to be kept.
#[derive(Debug, Clone, PartialEq)]
pub struct NewReading {
    /// What it reads, and where.
    pub key: ReadingKey,
    /// How many tries it took; 1 is the first.
    pub attempt: u32,
    /// When it was taken.
    pub taken: Timestamp,
    /// Sweeps over which the peak was held.
    pub sweeps: u32,
    /// The peak as picked, dBm.
    pub peak_dbm: f64,
    /// Where the peak was, Hz.
    pub peak_hz: f64,
    /// What is to be known about it, in words.
    pub flags: Vec<String>,
    /// The receiver's and source's settings.
    pub settings: serde_json::Value,
    /// What it was picked from.
    pub trace: Trace,
}

/// A reading as kept; the trace is fetched apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReadingRecord {
    /// The run.
    pub run: RunId,
    /// Its place in the run, from 1, in the order taken.
    pub seq: u32,
    /// What it reads, and where.
    #[serde(flatten)]
    pub key: ReadingKey,
    /// How many tries it took; 1 is the first.
    pub attempt: u32,
    /// When it was taken.
    pub taken: Timestamp,
    /// Sweeps over which the peak was held.
    pub sweeps: u32,
    /// The peak as picked, dBm.
    pub peak_dbm: f64,
    /// Where the peak was, Hz.
    pub peak_hz: f64,
    /// What is to be known about it, in words.
    pub flags: Vec<String>,
    /// The receiver's and source's settings.
    pub settings: serde_json::Value,
}

/// A trace as kept, checked against its checksum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TraceRecord {
    /// The levels and their frequencies.
    #[serde(flatten)]
    pub trace: Trace,
    /// SHA-256 of the levels as stored, lower-case hex.
    pub sha256: String,
}

/// A seal of a run: a digest over all its rows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct SealRecord {
    /// SHA-256, lower-case hex.
    pub sha256: String,
    /// How often the run has been sealed; 1 is the first.
    pub generation: u32,
    /// Why it was sealed.
    pub reason: SealReason,
    /// When.
    pub made: Timestamp,
}

/// Whether a complete run still is what was sealed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct SealStatement {
    /// Whether it is, and its references are.
    pub holds: bool,
    /// Its newest seal.
    #[serde(flatten)]
    pub seal: Option<SealRecord>,
    /// What differs, one sentence each.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<String>,
}

/// What follows from the readings at one point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResultRecord {
    /// Where.
    #[serde(flatten)]
    pub point: Point,
    /// The version of the analysis that made it; from 1.
    pub analysis: u32,
    /// What it states.
    pub kind: ResultKind,
    /// The SE or its lower bound, dB; absent exactly when the kind is `none`.
    pub se_db: Option<f64>,
    /// Expanded uncertainty, dB.
    pub u_db: Option<f64>,
    /// Coverage factor of `u_db`.
    pub k: Option<f64>,
    /// Required SE, dB.
    pub limit_db: Option<f64>,
    /// SE minus limit, dB.
    pub margin_db: Option<f64>,
    /// The judgement at this point.
    pub verdict: Option<Verdict>,
    /// Probability that the true SE is not below the limit, 0 to 1.
    pub conformity: Option<f64>,
    /// Reference level, dBm.
    pub reference_dbm: Option<f64>,
    /// Level with the item in place, dBm.
    pub level_dbm: Option<f64>,
    /// Floor, dBm.
    pub floor_dbm: Option<f64>,
    /// What is to be known about it, in words.
    pub flags: Vec<String>,
    /// When it was computed.
    pub made: Timestamp,
    /// Uncertainty budget and intermediate figures.
    pub detail: serde_json::Value,
}

/// An output about to be switched on.
#[derive(Debug, Clone, PartialEq)]
pub struct NewEmission {
    /// The run it is for.
    pub run: Option<RunId>,
    /// The station's name.
    pub station: String,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level at the source, dBm.
    pub level_dbm: f64,
    /// Level at the antenna's feed, dBm.
    pub radiated_dbm: Option<f64>,
    /// What for, and by which permission.
    pub why: String,
    /// Now.
    pub began: Timestamp,
}

/// How an emission ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EmissionEnd {
    /// Which.
    pub id: EmissionId,
    /// When the output was known to be off.
    pub ended: Timestamp,
    /// In what way (`read`, `stopped`, `found off after a crash`).
    pub how: String,
}

/// An emission as kept.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EmissionRecord {
    /// Its id.
    pub id: EmissionId,
    /// The run it was for.
    pub run: Option<RunId>,
    /// The station's name.
    pub station: String,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level at the source, dBm.
    pub level_dbm: f64,
    /// Level at the antenna's feed, dBm.
    pub radiated_dbm: Option<f64>,
    /// What for, and by which permission.
    pub why: String,
    /// When it began.
    pub began: Timestamp,
    /// When it ended; absent while it is, or may still be, on.
    pub ended: Option<Timestamp>,
    /// In what way it ended.
    pub how_ended: Option<String>,
}

/// Which runs; every part that is given must fit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RunFilter {
    /// Measured at the station of this name.
    pub station: Option<String>,
    /// Item serial.
    pub item: Option<String>,
    /// Model as it was.
    pub model: Option<String>,
    /// Lot as it was.
    pub lot: Option<String>,
    /// Open path or item.
    pub kind: Option<RunKind>,
    /// How far.
    pub state: Option<RunState>,
    /// Judgement over all points.
    pub verdict: Option<Verdict>,
    /// Started then or later.
    pub since: Option<Timestamp>,
    /// Started before.
    pub until: Option<Timestamp>,
    /// Those that were withdrawn, too; left out otherwise.
    pub withdrawn: bool,
    /// Those that were read in from a file, or those that were measured; either when absent.
    pub imported: Option<bool>,
    /// Behind this run, which is the last of the page before.
    pub after: Option<RunId>,
    /// At most so many rows; all when absent.
    pub limit: Option<u32>,
}

/// One line of history.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct HistoryRow {
    /// The run.
    pub run: RunId,
    /// When it began.
    pub started: Timestamp,
    /// The item's serial.
    pub item: String,
    /// Its model as it was.
    pub model: Option<String>,
    /// Its lot as it was.
    pub lot: Option<String>,
    /// Who measured.
    pub operator: Option<String>,
    /// Whether it was read in from a file, and not measured.
    pub imported: bool,
    /// Where.
    #[serde(flatten)]
    pub point: Point,
    /// What is stated.
    pub kind: ResultKind,
    /// The SE or its lower bound, dB.
    pub se_db: Option<f64>,
    /// Expanded uncertainty, dB.
    pub u_db: Option<f64>,
    /// Its coverage factor.
    pub k: Option<f64>,
    /// Required SE, dB.
    pub limit_db: Option<f64>,
    /// SE minus limit, dB.
    pub margin_db: Option<f64>,
    /// Probability that the true SE is not below the limit, 0 to 1.
    pub conformity: Option<f64>,
    /// The judgement at this point.
    pub verdict: Option<Verdict>,
    /// Reference level, dBm.
    pub reference_dbm: Option<f64>,
    /// Level with the item in place, dBm.
    pub level_dbm: Option<f64>,
    /// Floor, dBm.
    pub floor_dbm: Option<f64>,
    /// What is to be known about it, in words.
    pub flags: Vec<String>,
}

/// A run of the history with what decides it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunRow {
    /// The run.
    #[serde(flatten)]
    pub run: RunRecord,
    /// How many points have a result.
    pub points: u32,
    /// The point with the least margin to the limit, or without a limit the least SE.
    pub worst: Option<ResultRecord>,
}

/// A file that traces were moved to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Moved {
    /// Its name when it was written.
    pub name: String,
    /// When it was written.
    pub made: Timestamp,
    /// How many traces of the run are in it.
    pub traces: u64,
}

/// What pruning did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pruned {
    /// What was moved.
    #[serde(flatten)]
    pub counts: super::PrunedCounts,
    /// Where to; absent when there was nothing to move, and then there is no file.
    pub file: Option<std::path::PathBuf>,
}

/// Rows per table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// Items.
    pub items: u64,
    /// Runs.
    pub runs: u64,
    /// Readings.
    pub readings: u64,
    /// Traces in this file.
    pub traces: u64,
    /// Traces that were moved to another file.
    pub moved_traces: u64,
    /// Results, of all analyses.
    pub results: u64,
    /// Emissions.
    pub emissions: u64,
    /// Snapshots.
    pub snapshots: u64,
}

/// What a check of the whole file found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Integrity {
    /// Traces whose checksum was computed.
    pub traces_checked: u64,
    /// Complete runs whose seal was checked.
    pub seals_checked: u64,
    /// What is wrong, one sentence each; empty when all is well.
    pub faults: Vec<String>,
}

/// Refuses names that could not be shown or typed again.
pub(super) fn check_name(what: &'static str, name: &str) -> Result<(), StoreError> {
    let chars = name.chars().count();
    let problem = if name.trim().is_empty() {
        "is empty".to_owned()
    } else if chars > super::NAME_CHARS_MAX {
        format!("has {chars} characters")
    } else if name.chars().any(is_unprintable) {
        format!("{name:?} contains control characters, or characters that reorder a line")
    } else {
        return Ok(());
    };
    Err(StoreError::BadName { what, problem })
}

/// As [`check_name`], for names that may be absent.
pub(super) fn check_optional(what: &'static str, name: Option<&String>) -> Result<(), StoreError> {
    name.map_or(Ok(()), |name| check_name(what, name))
}

/// Refuses NaN and infinity, which SQLite would turn into NULL or sort oddly.
pub(super) fn check_finite(
    place: &dyn fmt::Display,
    numbers: &[(&'static str, Option<f64>)],
) -> Result<(), StoreError> {
    match numbers
        .iter()
        .find(|(_, value)| value.is_some_and(|value| !value.is_finite()))
    {
        Some((what, value)) => Err(StoreError::NotFinite {
            place: place.to_string(),
            what,
            value: value.unwrap_or(f64::NAN),
        }),
        None => Ok(()),
    }
}
