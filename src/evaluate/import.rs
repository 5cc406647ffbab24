//! Readings taken by hand, judged and kept as runs beside the measured ones.
//!
//! One run is what one person read of one item at one time. Its id follows from its readings, so that the same
//! lines are the same run wherever and however often they are imported. The file is kept word for word with
//! its runs, and their results can be worked out from it again.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde_json::json;
use sha2::{Digest, Sha256};

use super::{EvaluateError, verdict};
use crate::analysis::ANALYSIS_VERSION;
use crate::analysis::hand::{HandInput, judge_by_hand};
use crate::config::{Fault, Faults, HandReading, read_readings};
use crate::store::{ImportedRun, Imports, Item, Point, ResultRecord, RunId, RunRecord, Store};

/// Keeps the readings of a file, all or nothing. Runs that are there already are left as they are; one that is
/// there with other readings is a fault of the file.
pub async fn import(store: &Store, name: &str, text: &str, at: Timestamp) -> Result<Imports, EvaluateError> {
    let runs = runs_of(name, text)?;
    let mut faults = Vec::new();
    for run in &runs {
        if let Some(other) = store.imported_otherwise(run).await? {
            faults.push(Fault {
                file: name.to_owned(),
                line: run.line,
                column: 1,
                key: "item".to_owned(),
                reason: format!(
                    "{} of {} is there already with other readings, as run {other}; \
                    `muffle history --withdraw {other} --why …` first if these are right",
                    run.item.serial, run.started
                ),
            });
        }
    }
    if !faults.is_empty() {
        return Err(EvaluateError::Readings(Faults(faults)));
    }
    Ok(store.import(name, text, &runs, env!("CARGO_PKG_VERSION"), at).await?)
}

/// The results of an imported run, worked out anew from its file.
pub(super) async fn computed(store: &Store, run: &RunRecord) -> Result<Vec<ResultRecord>, EvaluateError> {
    let missing = |what: &str| EvaluateError::Missing {
        run: run.id,
        what: what.to_owned(),
    };
    let file = store.snapshot(&run.plan_sha).await?;
    let file = file.ok_or_else(|| missing("the file it was imported from"))?;
    let runs = runs_of(&file.name, &file.text)?;
    let found = runs.into_iter().find(|known| known.id == run.id);
    Ok(found.ok_or_else(|| missing("its part of the file it was imported from"))?.results)
}

/// What one run is: item, time, person.
type Group<'a> = (Timestamp, &'a str, Option<&'a str>);

fn runs_of(name: &str, text: &str) -> Result<Vec<ImportedRun>, EvaluateError> {
    let readings = read_readings(name, text).map_err(EvaluateError::Readings)?;
    let mut groups: BTreeMap<Group, Vec<&HandReading>> = BTreeMap::new();
    for reading in &readings {
        let group = (reading.taken, reading.item.as_str(), reading.operator.as_deref());
        groups.entry(group).or_default().push(reading);
    }
    Ok(groups.into_values().map(|readings| run_of(&readings)).collect())
}

fn run_of(readings: &[&HandReading]) -> ImportedRun {
    let first = readings[0];
    let one_of = |part: fn(&HandReading) -> &Option<String>| readings.iter().find_map(|reading| part(reading).clone());
    let mut notes: Vec<&str> = readings.iter().filter_map(|reading| reading.note.as_deref()).collect();
    notes.dedup();
    let mut results: Vec<ResultRecord> = Vec::new();
    for reading in readings {
        let same = |result: &&ResultRecord| {
            let point = &result.point;
            point.frequency_hz == reading.frequency_hz
                && point.face == reading.face
                && point.polarisation == reading.polarisation
        };
        let repeat = 1 + results.iter().filter(same).count();
        results.push(result_of(reading, u32::try_from(repeat).unwrap_or(u32::MAX)));
    }
    ImportedRun {
        id: id_of(readings),
        line: first.line,
        item: Item {
            serial: first.item.clone(),
            model: one_of(|reading| &reading.model),
            lot: one_of(|reading| &reading.lot),
            size: None,
            construction: None,
            note: None,
            first_seen: first.taken,
        },
        operator: first.operator.clone(),
        note: (!notes.is_empty()).then(|| notes.join("; ")),
        started: first.taken,
        verdict: verdict(&results),
        results,
    }
}

/// From the readings alone: the time, and what of their SHA-256 fits into an id.
fn id_of(readings: &[&HandReading]) -> RunId {
    let mut digest = Sha256::new();
    for reading in readings {
        // The line is where it stands, not what it says.
        let said = format!("{:?}\n", HandReading { line: 0, ..(*reading).clone() });
        digest.update(said.as_bytes());
    }
    let bytes: [u8; 32] = digest.finalize().into();
    let mut random = [0; 16];
    random[6..].copy_from_slice(&bytes[..10]);
    RunId::of_parts(readings[0].taken, u128::from_be_bytes(random))
}

fn result_of(reading: &HandReading, repeat: u32) -> ResultRecord {
    let judged = judge_by_hand(&HandInput {
        reference_dbm: reading.reference_dbm,
        level_dbm: reading.level_dbm,
        floor_dbm: reading.floor_dbm,
        u_db: reading.u_db,
        limit_db: reading.limit_db,
    });
    let words = judged.flags.iter().map(|flag| flag.word.as_str().to_owned());
    ResultRecord {
        point: Point {
            frequency_hz: reading.frequency_hz,
            face: reading.face.clone(),
            polarisation: reading.polarisation.clone(),
            repeat,
        },
        analysis: ANALYSIS_VERSION,
        kind: judged.kind,
        se_db: judged.se_db,
        u_db: judged.u_db,
        k: judged.k,
        limit_db: reading.limit_db,
        margin_db: judged.margin_db,
        verdict: judged.verdict,
        conformity: judged.conformity,
        reference_dbm: Some(reading.reference_dbm),
        level_dbm: reading.level_dbm,
        floor_dbm: reading.floor_dbm,
        flags: words.collect(),
        made: reading.taken,
        detail: json!({
            "dynamic_range_db": judged.dynamic_range_db,
            "flags": judged.flags,
            "budget": judged.budget,
            "uncertainty_is": if reading.u_db.is_some() { "stated" } else { "default" },
        }),
    }
}
