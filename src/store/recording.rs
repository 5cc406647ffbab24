//! Recordings of the scheduled arrangement, and the source's passes they are merged with.
//!
//! A recorder appends to a file of its own: first the marker it saw, then every hold, each on the disk before
//! the next is begun, so that a battery that runs out costs no more than the hold under way.

use super::reading::{check_reading, trace};
use super::record::{check_finite, check_name};
use super::{
    EmissionEnd, NewReading, PassId, Point, RecordingId, RunId, RunKind, Store, StoreError, Trace,
    check_text, emission, json, parsed, parsed_optional, stamp,
};
use crate::analysis::schedule::On;
use crate::analysis::schedule::marker::Sample;
use jiff::Timestamp;
use serde::Serialize;
use sha2::{Digest, Sha256};
use sqlx::Row;
use sqlx::sqlite::SqliteRow;
use std::str::FromStr;

/// A recording about to begin: its first marker was seen.
#[derive(Debug, Clone, PartialEq)]
pub struct NewRecording {
    /// SHA-256 of the schedule.
    pub schedule: String,
    /// What the marker announced.
    pub kind: RunKind,
    /// Who the receiver said it was.
    pub receiver: String,
    /// By the recorder's clock; its seconds count from here.
    pub began: Timestamp,
    /// The levels in which the marker was seen.
    pub start_marker: Vec<Sample>,
}

/// A recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RecordingRecord {
    /// Its id.
    pub id: RecordingId,
    /// SHA-256 of the schedule it followed.
    pub schedule: String,
    /// What the marker announced.
    pub kind: RunKind,
    /// Who the receiver said it was.
    pub receiver: String,
    /// By the recorder's clock; its seconds count from here.
    pub began: Timestamp,
    /// The levels in which the first marker was seen.
    #[serde(skip)]
    pub start_marker: Vec<Sample>,
    /// The levels in which the second was seen; none where the recording was cut off before.
    #[serde(skip)]
    pub end_marker: Option<Vec<Sample>>,
    /// Holds in it.
    pub holds: u32,
}

/// A held trace about to be kept.
#[derive(Debug, Clone, PartialEq)]
pub struct NewHold {
    /// The frequency it is for, Hz.
    pub frequency_hz: f64,
    /// When it was asked for, s.
    pub from_s: f64,
    /// When it was there, s.
    pub until_s: f64,
    /// Whether the receiver said that it was overloaded.
    pub overload: bool,
    /// As the receiver gave it.
    pub trace: Trace,
}

/// When a held trace was made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldRecord {
    /// Its place in the recording.
    pub seq: u32,
    /// The frequency it is for, Hz.
    pub frequency_hz: f64,
    /// When it was asked for, s.
    pub from_s: f64,
    /// When it was there, s.
    pub until_s: f64,
    /// Whether the receiver said that it was overloaded.
    pub overload: bool,
}

/// A pass about to begin.
#[derive(Debug, Clone, PartialEq)]
pub struct NewPass {
    /// The run it is for.
    pub run: RunId,
    /// SHA-256 of the schedule.
    pub schedule: String,
    /// The side of the item that looks at the antenna.
    pub face: String,
    /// How the antennas stand.
    pub polarisation: String,
    /// Which closing of the item, from 1.
    pub repeat: u32,
    /// By the source's clock; its seconds count from here.
    pub began: Timestamp,
}

/// A pass of the source through a timetable.
#[derive(Debug, Clone, PartialEq)]
pub struct PassRecord {
    /// Its id.
    pub id: PassId,
    /// What was known when it began.
    pub pass: NewPass,
    /// When all was sent; none when it was cut off.
    pub ended: Option<Timestamp>,
    /// The recording it was merged with.
    pub recording: Option<RecordingId>,
    /// How the clocks were laid on each other then.
    pub merged: Option<serde_json::Value>,
}

/// What an emission of a pass was for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SendingWhat {
    /// A chip, or several, of the first marker.
    Start,
    /// A test frequency.
    Signal,
    /// A test frequency, a step lower.
    Step,
    /// A chip, or several, of the second marker.
    End,
}

impl SendingWhat {
    /// The word for it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Signal => "signal",
            Self::Step => "step",
            Self::End => "end",
        }
    }
}

impl FromStr for SendingWhat {
    type Err = std::io::Error;
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        [Self::Start, Self::Signal, Self::Step, Self::End]
            .into_iter()
            .find(|word| word.as_str() == text)
            .ok_or_else(|| std::io::Error::other(format!("`{text}` is not what a sending is for")))
    }
}

/// An emission of a pass.
#[derive(Debug, Clone, PartialEq)]
pub struct SendingRecord {
    /// What for.
    pub what: SendingWhat,
    /// Where, Hz.
    pub frequency_hz: f64,
    /// Level at the source's output, dBm.
    pub level_dbm: f64,
    /// When.
    pub on: On,
    /// What the source said at its end, as it is kept with a reading; none from before it was kept.
    pub carrier: Option<serde_json::Value>,
    /// The power towards the antenna at its end, dBm, where there is a monitor of it.
    pub forward_dbm: Option<f64>,
}

/// What is kept of a merge.
#[derive(Debug, Clone, PartialEq)]
pub struct PassMerge {
    /// The recording.
    pub recording: RecordingId,
    /// How the clocks were laid on each other.
    pub how: serde_json::Value,
}

impl Store {
    /// Begins a recording; when this answers, it is on the disk.
    pub async fn begin_recording(&self, new: &NewRecording) -> Result<RecordingId, StoreError> {
        check_text("the receiver", &new.receiver)?;
        let id = RecordingId::at(new.began);
        let doing = format!("begin recording {id}");
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO recording (id, schedule, kind, receiver, began, start_marker) \
            VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )
        .bind(id.to_string())
        .bind(&new.schedule)
        .bind(new.kind.as_str())
        .bind(&new.receiver)
        .bind(stamp(new.began))
        .bind(samples_json(&new.start_marker))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(id)
    }

    /// Appends a held trace; when this answers, it is on the disk.
    pub async fn append_hold(
        &self,
        recording: RecordingId,
        hold: &NewHold,
    ) -> Result<(), StoreError> {
        let trace = &hold.trace;
        check_finite(
            &format_args!("recording {recording}"),
            &[
                ("the frequency", Some(hold.frequency_hz)),
                ("the beginning", Some(hold.from_s)),
                ("the end", Some(hold.until_s)),
                ("the trace's start", Some(trace.start_hz)),
                ("the trace's stop", Some(trace.stop_hz)),
            ],
        )?;
        let doing = format!("keep a trace of recording {recording}");
        let data = trace.levels.to_bytes();
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO hold (recording, seq, frequency_hz, from_s, until_s, overload, start_hz, stop_hz, \
            points, encoding, unit, sha256, data) \
            SELECT ?1, 1 + coalesce((SELECT max(seq) FROM hold WHERE recording = ?1), 0), \
            ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12",
        )
        .bind(recording.to_string())
        .bind(hold.frequency_hz)
        .bind(hold.from_s)
        .bind(hold.until_s)
        .bind(hold.overload)
        .bind(trace.start_hz)
        .bind(trace.stop_hz)
        .bind(i64::try_from(trace.levels.points()).unwrap_or(i64::MAX))
        .bind(trace.levels.encoding())
        .bind(&trace.unit)
        .bind(Sha256::digest(&data).to_vec())
        .bind(data)
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// Closes a recording with the levels in which its second marker was seen.
    pub async fn end_recording(
        &self,
        recording: RecordingId,
        end_marker: &[Sample],
    ) -> Result<(), StoreError> {
        let doing = format!("close recording {recording}");
        let change = sqlx::query(
            "UPDATE recording SET end_marker = ?2 WHERE id = ?1 AND end_marker IS NULL",
        )
        .bind(recording.to_string())
        .bind(samples_json(end_marker));
        self.change_one(doing, change).await
    }

    /// All recordings, oldest first.
    pub async fn recordings(&self) -> Result<Vec<RecordingRecord>, StoreError> {
        let rows = sqlx::query(
            "SELECT recording.*, (SELECT count(*) FROM hold WHERE recording = id) AS holds \
            FROM recording ORDER BY began, id",
        )
        .fetch_all(self.readers())
        .await;
        rows.and_then(|rows| rows.iter().map(recording).collect())
            .map_err(self.fault("list the recordings"))
    }

    /// When each hold of a recording was made, in order.
    pub async fn holds(&self, recording: RecordingId) -> Result<Vec<HoldRecord>, StoreError> {
        let rows = sqlx::query(
            "SELECT seq, frequency_hz, from_s, until_s, overload FROM hold \
            WHERE recording = ?1 ORDER BY seq",
        )
        .bind(recording.to_string())
        .fetch_all(self.readers())
        .await;
        rows.and_then(|rows| rows.iter().map(hold).collect())
            .map_err(self.fault(format_args!("list the holds of recording {recording}")))
    }

    /// The trace of a hold, checked against its checksum.
    pub async fn hold_trace(&self, recording: RecordingId, seq: u32) -> Result<Trace, StoreError> {
        let row = sqlx::query(
            "SELECT start_hz, stop_hz, encoding, unit, sha256, data FROM hold \
            WHERE recording = ?1 AND seq = ?2",
        )
        .bind(recording.to_string())
        .bind(seq)
        .fetch_one(self.readers())
        .await;
        let read = row.and_then(|row| trace(&row));
        match read.map_err(self.fault(format_args!("read a trace of recording {recording}")))? {
            Some(record) => Ok(record.trace),
            None => Err(StoreError::HoldAltered {
                path: self.path().to_owned(),
                recording,
                seq,
            }),
        }
    }

    /// Begins a pass of the source.
    pub async fn begin_pass(&self, pass: &NewPass) -> Result<PassId, StoreError> {
        check_name("the face", &pass.face)?;
        check_name("the polarisation", &pass.polarisation)?;
        let id = PassId::at(pass.began);
        let doing = format!("begin pass {id} of run {}", pass.run);
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO pass (id, run, schedule, face, polarisation, repeat, began) \
            VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )
        .bind(id.to_string())
        .bind(pass.run.to_string())
        .bind(&pass.schedule)
        .bind(&pass.face)
        .bind(&pass.polarisation)
        .bind(pass.repeat)
        .bind(stamp(pass.began))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(id)
    }

    /// Keeps an emission of a pass, and closes it in the emission log.
    pub async fn append_sending(
        &self,
        pass: PassId,
        sending: &SendingRecord,
        closes: &EmissionEnd,
    ) -> Result<(), StoreError> {
        let doing = format!("keep an emission of pass {pass}");
        let mut write = self.write(&doing).await?;
        let on = &sending.on;
        sqlx::query(
            "INSERT INTO sending (pass, seq, what, frequency_hz, level_dbm, before_s, on_s, off_s, after_s, \
            carrier, forward_dbm) \
            SELECT ?1, 1 + coalesce((SELECT max(seq) FROM sending WHERE pass = ?1), 0), \
            ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10",
        )
        .bind(pass.to_string())
        .bind(sending.what.as_str())
        .bind(sending.frequency_hz)
        .bind(sending.level_dbm)
        .bind(on.before_s)
        .bind(on.on_s)
        .bind(on.off_s)
        .bind(on.after_s)
        .bind(sending.carrier.as_ref().map(serde_json::Value::to_string))
        .bind(sending.forward_dbm)
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        let closed = emission::close(closes, &mut write).await;
        if !closed.map_err(self.fault(&doing))? {
            return Err(StoreError::NotOpen { id: closes.id });
        }
        write.commit().await.map_err(self.fault(&doing))
    }

    /// Notes that all of a pass was sent.
    pub async fn end_pass(&self, pass: PassId, ended: Timestamp) -> Result<(), StoreError> {
        let doing = format!("close pass {pass}");
        let change = sqlx::query("UPDATE pass SET ended = ?2 WHERE id = ?1 AND ended IS NULL")
            .bind(pass.to_string())
            .bind(stamp(ended));
        self.change_one(doing, change).await
    }

    /// The passes of a run, oldest first.
    pub async fn passes(&self, run: RunId) -> Result<Vec<PassRecord>, StoreError> {
        let rows = sqlx::query("SELECT * FROM pass WHERE run = ?1 ORDER BY began, id")
            .bind(run.to_string())
            .fetch_all(self.readers())
            .await;
        rows.and_then(|rows| rows.iter().map(pass).collect())
            .map_err(self.fault(format_args!("list the passes of run {run}")))
    }

    /// Every pass by a schedule, of whatever run, oldest first.
    pub async fn passes_by(&self, schedule: &str) -> Result<Vec<PassRecord>, StoreError> {
        let rows = sqlx::query("SELECT * FROM pass WHERE schedule = ?1 ORDER BY began, id")
            .bind(schedule)
            .fetch_all(self.readers())
            .await;
        rows.and_then(|rows| rows.iter().map(pass).collect())
            .map_err(self.fault(format_args!("list the passes of schedule {schedule}")))
    }

    /// The emissions of a pass, in order.
    pub async fn sendings(&self, pass: PassId) -> Result<Vec<SendingRecord>, StoreError> {
        let rows = sqlx::query("SELECT * FROM sending WHERE pass = ?1 ORDER BY seq")
            .bind(pass.to_string())
            .fetch_all(self.readers())
            .await;
        rows.and_then(|rows| rows.iter().map(sending).collect())
            .map_err(self.fault(format_args!("list the emissions of pass {pass}")))
    }

    /// Keeps the readings that a recording gave a pass, and that it did, all or nothing.
    pub async fn merge_pass(
        &self,
        pass: &PassRecord,
        readings: &[NewReading],
        merged: &PassMerge,
    ) -> Result<(), StoreError> {
        let run = pass.pass.run;
        for reading in readings {
            check_reading(run, reading)?;
        }
        let doing = format!("merge recording {} into run {run}", merged.recording);
        let mut write = self.write(&doing).await?;
        self.insert_together(run, readings, &doing, &mut write)
            .await?;
        let noted = sqlx::query(
            "UPDATE pass SET recording = ?2, merged = ?3 WHERE id = ?1 AND recording IS NULL",
        )
        .bind(pass.id.to_string())
        .bind(merged.recording.to_string())
        .bind(merged.how.to_string())
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        if noted.rows_affected() == 0 {
            let path = self.path().to_owned();
            return Err(StoreError::Closed { path, doing });
        }
        write.commit().await.map_err(self.fault(&doing))
    }

    /// Every recording that was merged into a run of this file.
    pub async fn merged_recordings(&self) -> Result<Vec<RecordingId>, StoreError> {
        let rows = sqlx::query("SELECT recording FROM pass WHERE recording IS NOT NULL")
            .fetch_all(self.readers())
            .await;
        rows.and_then(|rows| rows.iter().map(|row| parsed(row, "recording")).collect())
            .map_err(self.fault("list what was merged"))
    }

    async fn change_one(
        &self,
        doing: String,
        change: sqlx::query::Query<'_, sqlx::Sqlite, sqlx::sqlite::SqliteArguments>,
    ) -> Result<(), StoreError> {
        let mut write = self.write(&doing).await?;
        let done = change
            .execute(&mut *write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        let path = self.path().to_owned();
        match done.rows_affected() {
            0 => Err(StoreError::Closed { path, doing }),
            _ => Ok(()),
        }
    }
}

/// As lists of three numbers: there are thousands.
fn samples_json(samples: &[Sample]) -> String {
    let row = |s: &Sample| serde_json::json!([s.from_s, s.until_s, s.level_dbm]);
    serde_json::Value::from(samples.iter().map(row).collect::<Vec<_>>()).to_string()
}

fn samples(rows: Vec<[f64; 3]>) -> Vec<Sample> {
    let sample = |[from_s, until_s, level_dbm]: [f64; 3]| Sample {
        from_s,
        until_s,
        level_dbm,
    };
    rows.into_iter().map(sample).collect()
}

fn recording(row: &SqliteRow) -> Result<RecordingRecord, sqlx::Error> {
    let has_end: Option<&str> = row.try_get("end_marker")?;
    Ok(RecordingRecord {
        id: parsed(row, "id")?,
        schedule: row.try_get("schedule")?,
        kind: parsed(row, "kind")?,
        receiver: row.try_get("receiver")?,
        began: parsed(row, "began")?,
        start_marker: samples(json(row, "start_marker")?),
        end_marker: match has_end {
            Some(_) => Some(samples(json(row, "end_marker")?)),
            None => None,
        },
        holds: row.try_get("holds")?,
    })
}

fn hold(row: &SqliteRow) -> Result<HoldRecord, sqlx::Error> {
    Ok(HoldRecord {
        seq: row.try_get("seq")?,
        frequency_hz: row.try_get("frequency_hz")?,
        from_s: row.try_get("from_s")?,
        until_s: row.try_get("until_s")?,
        overload: row.try_get("overload")?,
    })
}

fn pass(row: &SqliteRow) -> Result<PassRecord, sqlx::Error> {
    let merged: Option<&str> = row.try_get("merged")?;
    Ok(PassRecord {
        merged: match merged {
            Some(_) => Some(json(row, "merged")?),
            None => None,
        },
        id: parsed(row, "id")?,
        pass: NewPass {
            run: parsed(row, "run")?,
            schedule: row.try_get("schedule")?,
            face: row.try_get("face")?,
            polarisation: row.try_get("polarisation")?,
            repeat: row.try_get("repeat")?,
            began: parsed(row, "began")?,
        },
        ended: parsed_optional(row, "ended")?,
        recording: parsed_optional(row, "recording")?,
    })
}

fn sending(row: &SqliteRow) -> Result<SendingRecord, sqlx::Error> {
    Ok(SendingRecord {
        what: parsed(row, "what")?,
        frequency_hz: row.try_get("frequency_hz")?,
        level_dbm: row.try_get("level_dbm")?,
        on: On {
            before_s: row.try_get("before_s")?,
            on_s: row.try_get("on_s")?,
            off_s: row.try_get("off_s")?,
            after_s: row.try_get("after_s")?,
        },
        carrier: row
            .try_get::<Option<&str>, _>("carrier")?
            .map(|_| json(row, "carrier"))
            .transpose()?,
        forward_dbm: row.try_get("forward_dbm")?,
    })
}

impl NewPass {
    /// The point of a frequency at this stand.
    pub fn point(&self, frequency_hz: f64) -> Point {
        Point {
            frequency_hz,
            face: self.face.clone(),
            polarisation: self.polarisation.clone(),
            repeat: self.repeat,
        }
    }
}
