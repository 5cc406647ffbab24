//! Readings taken by hand, judged and kept as runs beside the measured ones.
//!
//! One run is what one person read of one item at one time. Its id follows from its readings, so that the same
//! lines are the same run wherever and however often they are imported. The file is kept word for word with
//! its runs, and their results can be worked out from it again.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Neg;

use jiff::Timestamp;
use serde_json::json;
use sha2::{Digest, Sha256};

use super::{EvaluateError, of_run};
use crate::analysis::ANALYSIS_VERSION;
use crate::analysis::hand::{HandInput, judge_by_hand};
use crate::config::{Fault, Faults, HandLevels, HandReading, read_readings};
use crate::store::{ImportedRun, Imports, Item, Point, ResultRecord, RunId, RunRecord, Store};

/// Keeps the readings of a file, all or nothing. Runs that are there already are left as they are; one that is
/// there with other readings is a fault of the file.
pub async fn import(
    store: &Store,
    name: &str,
    text: &str,
    at: Timestamp,
) -> Result<Imports, EvaluateError> {
    let runs = runs_of(name, text, Some(at)).map_err(EvaluateError::Readings)?;
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
    let mut imports = store
        .import(name, text, &runs, env!("CARGO_PKG_VERSION"), at)
        .await?;
    let new = runs.iter().filter(|run| imports.runs.contains(&run.id));
    let floorless = new.flat_map(|run| &run.results);
    let floorless = floorless.filter(|result| result.detail["dynamic_range_db"].is_null());
    imports.points_without_floor = floorless.count() as u64;
    Ok(imports)
}

/// The results of an imported run, worked out anew from its file.
pub(super) async fn computed(
    store: &Store,
    run: &RunRecord,
) -> Result<Vec<ResultRecord>, EvaluateError> {
    let missing = |what: &str| EvaluateError::Missing {
        run: run.id,
        what: what.to_owned(),
    };
    let file = store.snapshot(&run.plan_sha).await?;
    let file = file.ok_or_else(|| missing("the file it was imported from"))?;
    let runs = runs_of(&file.name, &file.text, None).map_err(EvaluateError::Readings)?;
    let found = runs.into_iter().find(|known| known.id == run.id);
    Ok(found
        .ok_or_else(|| missing("its part of the file it was imported from"))?
        .results)
}

/// What one run is: item, time, person.
type Group<'a> = (Timestamp, &'a str, Option<&'a str>);

fn runs_of(name: &str, text: &str, now: Option<Timestamp>) -> Result<Vec<ImportedRun>, Faults> {
    let readings = read_readings(name, text, now)?;
    let mut groups: BTreeMap<Group, Vec<&HandReading>> = BTreeMap::new();
    for reading in &readings {
        let group = (
            reading.taken,
            reading.item.as_str(),
            reading.operator.as_deref(),
        );
        groups.entry(group).or_default().push(reading);
    }
    Ok(groups
        .into_values()
        .map(|readings| run_of(&readings))
        .collect())
}

fn run_of(readings: &[&HandReading]) -> ImportedRun {
    let first = readings[0];
    let one_of = |part: fn(&HandReading) -> &Option<String>| {
        readings.iter().find_map(|reading| part(reading).clone())
    };
    let mut notes: Vec<&str> = readings
        .iter()
        .filter_map(|reading| reading.note.as_deref())
        .collect();
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
        results.push(result_of(
            reading,
            u32::try_from(repeat).unwrap_or(u32::MAX),
        ));
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
        verdict: of_run(results.iter().map(|result| result.verdict)),
        results,
    }
}

/// From the readings alone: the time, and what of their SHA-256 fits into an id.
fn id_of(readings: &[&HandReading]) -> RunId {
    let mut digest = Sha256::new();
    for reading in readings {
        digest.update(format!("{:?}\n", Fingerprint(reading)).as_bytes());
    }
    let bytes: [u8; 32] = digest.finalize().into();
    let mut random = [0; 16];
    random[6..].copy_from_slice(&bytes[..10]);
    RunId::of_parts(readings[0].taken, u128::from_be_bytes(random))
}

/// What a reading says, in a form that never changes: ids in stores rest on it.
struct Fingerprint<'a>(&'a HandReading);

impl fmt::Debug for Fingerprint<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let reading = self.0;
        let mut said = f.debug_struct("HandReading");
        // The line is where it stands, not what it says.
        said.field("line", &0)
            .field("item", &reading.item)
            .field("taken", &reading.taken)
            .field("frequency_hz", &reading.frequency_hz);
        match &reading.levels {
            HandLevels::Levels {
                reference_dbm,
                level_dbm,
                floor_dbm,
            } => said
                .field("reference_dbm", reference_dbm)
                .field("level_dbm", level_dbm)
                .field("floor_dbm", floor_dbm),
            HandLevels::Difference {
                se_db,
                dynamic_range_db,
            } => said
                .field("se_db", se_db)
                .field("dynamic_range_db", dynamic_range_db),
        };
        said.field("u_db", &reading.u_db)
            .field("limit_db", &reading.limit_db)
            .field("face", &reading.face)
            .field("polarisation", &reading.polarisation)
            .field("model", &reading.model)
            .field("lot", &reading.lot)
            .field("operator", &reading.operator)
            .field("note", &reading.note)
            .finish()
    }
}

fn result_of(reading: &HandReading, repeat: u32) -> ResultRecord {
    let (has_levels, reference_dbm, level_dbm, floor_dbm) = match reading.levels {
        HandLevels::Levels {
            reference_dbm,
            level_dbm,
            floor_dbm,
        } => (true, reference_dbm, level_dbm, floor_dbm),
        // Judged as if the level in the open had been 0 dBm.
        HandLevels::Difference {
            se_db,
            dynamic_range_db,
        } => (
            false,
            0.0,
            se_db.map(Neg::neg),
            dynamic_range_db.map(Neg::neg),
        ),
    };
    let judged = judge_by_hand(&HandInput {
        reference_dbm,
        level_dbm,
        floor_dbm,
        u_db: reading.u_db,
        limit_db: reading.limit_db,
    });
    let known = |dbm: Option<f64>| dbm.filter(|_| has_levels);
    let words = judged
        .flags
        .iter()
        .map(|flag| flag.word.as_str().to_owned());
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
        reference_dbm: known(Some(reference_dbm)),
        level_dbm: known(level_dbm),
        floor_dbm: known(floor_dbm),
        flags: words.collect(),
        made: reading.taken,
        detail: json!({
            "dynamic_range_db": judged.dynamic_range_db,
            "noise_correction_db": judged.noise_correction_db,
            "flags": judged.flags,
            "budget": judged.budget,
            "uncertainty_is": if reading.u_db.is_some() { "stated" } else { "default" },
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::{recomputed, same};
    use crate::store::{PageOf, Query, ResultKind, RunFilter, Verdict};

    const BOOK: &str = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm,u_db,limit_db,operator,lot\n\
        P-1,2019-05-03,400,-24.0,-76.5,-98,2.0,50,R. Fell,L-1\n\
        P-1,2019-05-03,1200,-25.0,in the noise,-98,,50,R. Fell,L-1\n\
        P-2,2019-05-03,400,-24.0,-60.0,-98,2.0,50,R. Fell,L-1\n";

    fn at() -> Timestamp {
        "2026-01-31T09:00:00Z".parse().expect("a time")
    }

    #[tokio::test]
    async fn an_old_notebook_joins_the_history_once() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("s.db"))
            .await
            .expect("a store");
        let imports = import(&store, "book.csv", BOOK, at())
            .await
            .expect("imported");
        assert_eq!(
            (imports.runs.len(), imports.points, imports.runs_there),
            (2, 3, 0)
        );
        let page = PageOf {
            rows_max: 9,
            after: None,
        };
        let query = Query::parse("lot:L-1 until:2019 operator:\"R. Fell\"").expect("a query");
        let rows = store.points(&query, &page).await.expect("read").rows;
        assert_eq!(rows.len(), 3);
        assert!(rows.iter().all(|row| row.imported));
        let bound = rows
            .iter()
            .find(|row| row.kind == ResultKind::AtLeast)
            .expect("a bound");
        assert!(bound.se_db.expect("a bound") < 73.0 && bound.u_db.is_none());
        let runs = store.run_rows(&query, &page).await.expect("read").rows;
        let verdicts: Vec<_> = runs
            .iter()
            .map(|row| (row.run.item.as_deref(), row.run.verdict))
            .collect();
        assert!(
            verdicts.contains(&(Some("P-2"), Some(Verdict::Fail))),
            "{verdicts:?}"
        );

        // Worked out anew from the file that is kept.
        let found = recomputed(&store).await.expect("recomputed");
        assert_eq!((found.runs, found.faults), (2, vec![]));
        let run = store.run(runs[0].run.id).await.expect("there");
        let (stored, anew) = (
            store.results(run.id).await.expect("read"),
            computed(&store, &run).await.expect("computed"),
        );
        assert!(stored.iter().zip(&anew).all(|(old, new)| same(old, new)));
        assert_eq!(
            store.integrity().await.expect("checked").faults,
            Vec::<String>::new()
        );

        // Again, and with more lines: nothing twice.
        let again = import(&store, "copy.csv", BOOK, at())
            .await
            .expect("nothing new");
        assert_eq!((again.runs.len(), again.runs_there), (0, 2));
        let longer = format!("{BOOK}P-3,2019-06-01,400,-24,-80,-98,,,R. Fell,L-1\n");
        let more = import(&store, "book.csv", &longer, at())
            .await
            .expect("imported");
        assert_eq!((more.runs.len(), more.runs_there), (1, 2));

        // With another figure it is another reading of the same: refused until the first is withdrawn.
        let other = BOOK.replace("-60.0", "-61.0");
        let said = import(&store, "book.csv", &other, at())
            .await
            .expect_err("another figure")
            .to_string();
        assert!(
            said.contains("book.csv:4:1") && said.contains("--withdraw"),
            "{said}"
        );
        assert_eq!(
            store
                .withdraw_import(BOOK, "import undone", at())
                .await
                .expect("withdrawn"),
            2
        );
        let anew = import(&store, "book.csv", &other, at())
            .await
            .expect("imported");
        assert_eq!((anew.runs.len(), anew.withdrawn), (1, 1));
        assert_eq!(
            store.runs(&RunFilter::default()).await.expect("read").len(),
            2
        );
    }

    /// Stores hold ids that were made so.
    #[test]
    fn what_an_id_is_made_of_never_changes() {
        let readings = read_readings("book.csv", BOOK, None).expect("readings");
        assert_eq!(
            format!("{:?}", Fingerprint(&readings[1])),
            "HandReading { line: 0, item: \"P-1\", taken: 2019-05-03T00:00:00Z, frequency_hz: 1200000000.0, \
            reference_dbm: -25.0, level_dbm: None, floor_dbm: Some(-98.0), u_db: None, limit_db: Some(50.0), \
            face: \"unstated\", polarisation: \"unstated\", model: None, lot: Some(\"L-1\"), \
            operator: Some(\"R. Fell\"), note: None }"
        );
    }

    #[tokio::test]
    async fn a_notebook_of_se_alone_is_kept_read_again_and_withdrawn() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("s.db"))
            .await
            .expect("a store");
        let text = "item;date;frequency_mhz;se_db;dynamic_range_db;u_db;limit_db\n\
            P-1;03.05.2019;400;52,5;90;2;50\n\
            P-1;03.05.2019;500;52,5;54;2;50\n\
            P-1;03.05.2019;600;52,5;;2;53\n\
            P-1;03.05.2019;800;>= 73,5;;2;50\n";
        let text = crate::config::ReadingFormat {
            dates: crate::config::DateOrder::Dmy,
            decimal: None,
        }
        .said_before(text);
        let imports = import(&store, "book.csv", &text, at())
            .await
            .expect("imported");
        assert_eq!((imports.points, imports.points_without_floor), (4, 1));
        let run = store.run(imports.runs[0]).await.expect("there");
        assert_eq!(run.started.to_string(), "2019-05-03T00:00:00Z");
        let results = store.results(run.id).await.expect("read");
        let bound = |db: f64| (ResultKind::AtLeast, (db - 1.645).round());
        let said: Vec<_> = results
            .iter()
            .map(|it| (it.kind, it.se_db.expect("said").round()))
            .collect();
        // Far above the floor it is what was written; near it, or with no floor known, at least that.
        assert_eq!(
            said,
            [
                (ResultKind::Measured, 53.0),
                bound(52.5),
                bound(52.5),
                bound(73.5)
            ]
        );
        assert_eq!(results[0].verdict, Some(Verdict::Pass));
        // Hardly below 53 dB, and not known to be: no fail.
        assert_eq!(results[2].verdict, Some(Verdict::Undecided));
        assert!(
            results
                .iter()
                .all(|it| it.reference_dbm.is_none() && it.level_dbm.is_none())
        );
        let found = recomputed(&store).await.expect("recomputed");
        assert_eq!((found.runs, found.faults), (1, vec![]));
        let withdrawn = store.withdraw_import(&text, "import undone", at()).await;
        assert_eq!(withdrawn.expect("withdrawn"), 1);
    }

    /// Two models, three units each, by hand.
    async fn two_models(store: &Store) {
        let mut text = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm,u_db,limit_db,operator,lot,model\n".to_owned();
        for (unit, level) in [("A-1", -80.0), ("A-2", -80.4), ("A-3", -79.7)] {
            text += &format!("{unit},2019-05-03,400,-24,{level},-110,1,50,R. Fell,L-1,A\n");
        }
        for (unit, level) in [("B-1", -60.0), ("B-2", -60.3), ("B-3", -59.6)] {
            text += &format!("{unit},2019-05-04,400,-24,{level},-110,,50,R. Fell,L-2,B\n");
        }
        import(store, "book.csv", &text, at())
            .await
            .expect("imported");
    }

    #[tokio::test]
    async fn readings_by_hand_are_compared_judged_and_followed_with_their_uncertainty() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("s.db"))
            .await
            .expect("a store");
        two_models(&store).await;
        let question = crate::evaluate::compare::Question {
            within_db: 3.0,
            confidence: 0.95,
            by_face: false,
        };
        let compared = async || {
            let a = crate::evaluate::compare::side(&store, "model:A").await?;
            let b = crate::evaluate::compare::side(&store, "model:B").await?;
            crate::evaluate::compare::compare(vec![a, b], &question)
        };
        let document = compared().await.expect("compared");
        let samples = &document.groups[0].samples[0];
        // The stated expanded uncertainty of 1 dB, k = 2, is shared by the units: nobody said it is not.
        // To it comes a little noise, 30 dB above the floor.
        assert!((samples.u_db - 0.5).abs() < 0.01, "{samples:?}");
        let difference = &document.comparisons[0].points[0];
        assert!((difference.difference_db.expect("known").abs() - 20.0).abs() < 0.5);

        // A withdrawn run does not count, by whatever name.
        let query = Query::parse("item:A-1").expect("a query");
        let page = PageOf {
            rows_max: 9,
            after: None,
        };
        let run = store
            .run_rows(&query, &page)
            .await
            .expect("read")
            .rows
            .remove(0)
            .run
            .id;
        store
            .withdraw(run, "the wrong unit", at())
            .await
            .expect("withdrawn");
        let document = compared().await.expect("compared");
        assert_eq!(document.sides[0].runs.len(), 2);
        for name in [format!("run:{run}"), "item:A-1".to_owned()] {
            let said = crate::evaluate::compare::side(&store, &name)
                .await
                .expect_err("none left");
            assert!(said.to_string().contains("withdrawn"), "{said}");
        }
        let lot = crate::evaluate::lot::judge(&store, "L-1")
            .await
            .expect("judged");
        assert_eq!(lot.units.len(), 2);
        assert!(
            lot.reasons
                .iter()
                .any(|reason| reason.contains("the wrong unit")),
            "{:?}",
            lot.reasons
        );

        // What needs a plan or traces says what it lacks.
        let other = store
            .runs(&RunFilter::default())
            .await
            .expect("read")
            .remove(0);
        let said = crate::evaluate::kept(&store, &other)
            .await
            .map(drop)
            .expect_err("none");
        assert!(said.to_string().contains("read in from a file"), "{said}");
    }

    #[tokio::test]
    async fn a_faulty_file_brings_nothing() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("s.db"))
            .await
            .expect("a store");
        let text = BOOK.replace("-76.5", "-76,5");
        let said = import(&store, "book.csv", &text, at())
            .await
            .expect_err("a fault")
            .to_string();
        assert!(said.starts_with("book.csv:2:"), "{said}");
        assert_eq!(store.counts().await.expect("counted").runs, 0);
    }

    #[tokio::test]
    async fn two_stations_that_import_one_book_have_the_same_runs() {
        let folder = tempfile::tempdir().expect("a folder");
        let open = async |name: &str| {
            Store::open(&folder.path().join(name))
                .await
                .expect("a store")
        };
        let (a, b) = (open("a.db").await, open("b.db").await);
        for store in [&a, &b] {
            import(store, "book.csv", BOOK, at())
                .await
                .expect("imported");
        }
        let merged = a.merge(b.path()).await.expect("merged");
        assert_eq!(
            (merged.runs, merged.results, merged.settled),
            (0, 0, vec![])
        );
    }
}
