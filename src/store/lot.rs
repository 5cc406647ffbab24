//! Lots with their rules, the cycles of use a run was made after, and the items that check the station.

use super::record::{check_finite, check_name, check_optional, words};
use super::seal::Amendment;
use super::{RunId, SealReason, Store, StoreError, UnknownWord, check_text, parsed, stamp};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sqlx::sqlite::SqliteRow;
use sqlx::{QueryBuilder, Row, Sqlite};
use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;
use utoipa::ToSchema;

words! {
    /// Which result of a unit measured again decides; both are kept and shown.
    Remeasured, "rule for units measured again" {
        /// The latest complete run.
        Latest = "latest",
        /// The run with the worst verdict.
        Worst = "worst",
    }
}

/// Units of one model made together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Lot {
    /// Its name.
    pub name: String,
    /// What its units are.
    pub model: Option<String>,
    /// Anything else.
    pub note: Option<String>,
    /// When it was first heard of.
    pub first_seen: Timestamp,
    /// How it is judged; none for a lot that is only a name so far.
    pub rule: Option<LotRule>,
}

/// The sampling plan and the acceptance rule of a lot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LotRule {
    /// Units in the lot; none for a running production.
    pub size: Option<u64>,
    /// Units that are measured.
    pub sample: u64,
    /// By attributes: so many of them may fail. None where the lot is not judged so.
    pub accept: Option<u64>,
    /// By variables: the share of the lot that must meet the limit. None where the lot is not judged so.
    pub content: Option<f64>,
    /// The confidence of what is said about the lot.
    pub confidence: f64,
    /// Distance kept from the limit by variables, dB; none for the uncertainty that the units share.
    pub guard_db: Option<f64>,
    /// Which result of a unit measured again decides.
    pub counts: Remeasured,
    /// The plan file that its units are measured by (SHA-256 of its text); none for that of the first unit.
    pub plan_sha: Option<String>,
    /// When the rule was made.
    pub made: Timestamp,
}

const SELECT_LOT: &str = "SELECT name, model, note, first_seen, size, sample, accept, content, confidence, \
    guard_db, counts, plan_sha, made FROM lot LEFT JOIN lot_rule ON lot_rule.lot = lot.name";

impl Store {
    /// Puts a lot in, or describes it anew: model and note, and its rule if it has one.
    ///
    /// # Errors
    /// A rule that differs from the one there is once a unit was measured; a name that is none.
    pub async fn put_lot(&self, lot: &Lot) -> Result<(), StoreError> {
        check_name("the lot", &lot.name)?;
        check_optional("the model", lot.model.as_ref())?;
        check_text("the note", lot.note.as_deref().unwrap_or(""))?;
        let doing = format!("put in lot {}", lot.name);
        let fixed = match (&lot.rule, self.lot(&lot.name).await?) {
            (Some(new), Some(known)) if known.rule.as_ref().is_some_and(|old| !new.same(old)) => {
                self.lot_has_runs(&lot.name).await?
            }
            _ => false,
        };
        if fixed {
            let lot = lot.name.clone();
            return Err(StoreError::LotFixed { lot });
        }
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO lot (name, model, note, first_seen) VALUES (?1, ?2, ?3, ?4) \
            ON CONFLICT (name) DO UPDATE SET model = excluded.model, note = excluded.note",
        )
        .bind(&lot.name)
        .bind(&lot.model)
        .bind(&lot.note)
        .bind(stamp(lot.first_seen))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        if let Some(rule) = &lot.rule {
            check_finite(
                &doing,
                &[
                    ("the content", rule.content),
                    ("the confidence", Some(rule.confidence)),
                    ("the guard band", rule.guard_db),
                ],
            )?;
            insert_rule(&lot.name, rule, &mut write)
                .await
                .map_err(self.fault(&doing))?;
        }
        write.commit().await.map_err(self.fault(&doing))
    }

    async fn lot_has_runs(&self, lot: &str) -> Result<bool, StoreError> {
        sqlx::query_scalar("SELECT EXISTS (SELECT 1 FROM run WHERE lot = ?1)")
            .bind(lot)
            .fetch_one(self.readers())
            .await
            .map_err(self.fault(format_args!("look for runs of lot {lot}")))
    }

    /// The lot of that name.
    pub async fn lot(&self, name: &str) -> Result<Option<Lot>, StoreError> {
        let mut query = QueryBuilder::<Sqlite>::new(SELECT_LOT);
        query.push(" WHERE lot.name = ").push_bind(name);
        let row = query.build().fetch_optional(self.readers()).await;
        let row = row.and_then(|row| row.as_ref().map(lot).transpose());
        row.map_err(self.fault(format_args!("read lot {name}")))
    }

    /// All lots, newest first.
    pub async fn lots(&self, limit: u32, offset: u32) -> Result<Vec<Lot>, StoreError> {
        let mut query = QueryBuilder::<Sqlite>::new(SELECT_LOT);
        query.push(" ORDER BY first_seen DESC, name LIMIT ");
        query.push_bind(limit).push(" OFFSET ").push_bind(offset);
        let rows = query.build().fetch_all(self.readers()).await;
        rows.and_then(|rows| rows.iter().map(lot).collect())
            .map_err(self.fault("list the lots"))
    }

    /// Notes after how many cycles of use of its item a run was made.
    pub async fn put_cycles(&self, run: RunId, cycles: u32) -> Result<(), StoreError> {
        let doing = format!("note the cycles of run {run}");
        let mut write = self.write(&doing).await?;
        let amendment = Amendment::begin(&run.to_string(), &mut write)
            .await
            .map_err(self.fault(&doing))?;
        sqlx::query(
            "INSERT INTO run_cycles (run, cycles) VALUES (?1, ?2) \
            ON CONFLICT (run) DO UPDATE SET cycles = excluded.cycles",
        )
        .bind(run.to_string())
        .bind(cycles)
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        amendment
            .seal(SealReason::Cycles, &mut write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// The runs of an item with known cycles, and these.
    pub async fn cycles(&self, serial: &str) -> Result<BTreeMap<RunId, u32>, StoreError> {
        let rows = sqlx::query(
            "SELECT run_cycles.run, cycles FROM run JOIN run_cycles ON run_cycles.run = run.id WHERE run.item = ?1",
        )
        .bind(serial)
        .fetch_all(self.readers())
        .await;
        let pair = |row: &SqliteRow| Ok((parsed(row, "run")?, row.try_get("cycles")?));
        rows.and_then(|rows| rows.iter().map(pair).collect())
            .map_err(self.fault(format_args!("read the cycles of {serial}")))
    }

    /// Makes a known item a check item.
    ///
    /// # Errors
    /// An item that is not in the store.
    pub async fn put_check_item(&self, serial: &str, since: Timestamp) -> Result<(), StoreError> {
        if self.item(serial).await?.is_none() {
            let serial = serial.to_owned();
            return Err(StoreError::UnknownItem { serial });
        }
        let doing = format!("make {serial} a check item");
        let mut write = self.write(&doing).await?;
        sqlx::query(
            "INSERT INTO check_item (serial, since) VALUES (?1, ?2) ON CONFLICT (serial) DO NOTHING",
        )
        .bind(serial)
        .bind(stamp(since))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))
    }

    /// An item checks the station no longer; what was measured of it stays. False when it never did.
    pub async fn drop_check_item(&self, serial: &str) -> Result<bool, StoreError> {
        let doing = format!("let {serial} check the station no longer");
        let mut write = self.write(&doing).await?;
        let done = sqlx::query("DELETE FROM check_item WHERE serial = ?1")
            .bind(serial)
            .execute(&mut *write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        Ok(done.rows_affected() > 0)
    }

    /// The serials of the check items, in order.
    pub async fn check_items(&self) -> Result<Vec<String>, StoreError> {
        sqlx::query_scalar("SELECT serial FROM check_item ORDER BY serial")
            .fetch_all(self.readers())
            .await
            .map_err(self.fault("list the check items"))
    }
}

impl LotRule {
    /// The same rule, whenever it was made.
    fn same(&self, other: &Self) -> bool {
        let made = other.made;
        Self {
            made,
            ..self.clone()
        } == *other
    }
}

/// Numbers of units fit into SQLite's: the checks of the sampling plan keep them far below.
fn signed(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

async fn insert_rule(
    lot: &str,
    rule: &LotRule,
    write: &mut super::Write,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO lot_rule (lot, size, sample, accept, content, confidence, guard_db, counts, plan_sha, made) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) \
        ON CONFLICT (lot) DO UPDATE SET size = excluded.size, sample = excluded.sample, \
        accept = excluded.accept, content = excluded.content, confidence = excluded.confidence, \
        guard_db = excluded.guard_db, counts = excluded.counts, plan_sha = excluded.plan_sha, \
        made = excluded.made \
        WHERE (size, sample, accept, content, confidence, guard_db, counts, plan_sha) IS NOT \
        (excluded.size, excluded.sample, excluded.accept, excluded.content, excluded.confidence, \
        excluded.guard_db, excluded.counts, excluded.plan_sha)",
    )
    .bind(lot)
    .bind(rule.size.map(signed))
    .bind(signed(rule.sample))
    .bind(rule.accept.map(signed))
    .bind(rule.content)
    .bind(rule.confidence)
    .bind(rule.guard_db)
    .bind(rule.counts.as_str())
    .bind(&rule.plan_sha)
    .bind(stamp(rule.made))
    .execute(&mut **write)
    .await?;
    Ok(())
}

fn lot(row: &SqliteRow) -> Result<Lot, sqlx::Error> {
    let count = |column| -> Result<Option<u64>, sqlx::Error> {
        let found: Option<i64> = row.try_get(column)?;
        Ok(found.and_then(|count| u64::try_from(count).ok()))
    };
    let rule = match count("sample")? {
        None => None,
        Some(sample) => Some(LotRule {
            size: count("size")?,
            sample,
            accept: count("accept")?,
            content: row.try_get("content")?,
            confidence: row.try_get("confidence")?,
            guard_db: row.try_get("guard_db")?,
            counts: parsed(row, "counts")?,
            plan_sha: row.try_get("plan_sha")?,
            made: parsed(row, "made")?,
        }),
    };
    Ok(Lot {
        name: row.try_get("name")?,
        model: row.try_get("model")?,
        note: row.try_get("note")?,
        first_seen: parsed(row, "first_seen")?,
        rule,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Item, NewRun, RunKind, SnapshotKind};
    use tempfile::TempDir;

    fn now() -> Timestamp {
        "2026-01-31T09:00:00Z".parse().expect("a time")
    }

    fn lot(accept: u64) -> Lot {
        Lot {
            name: "L-7".to_owned(),
            model: Some("pouch".to_owned()),
            note: None,
            first_seen: now(),
            rule: Some(LotRule {
                size: Some(200),
                sample: 13,
                accept: Some(accept),
                content: Some(0.9),
                confidence: 0.95,
                guard_db: None,
                counts: Remeasured::Worst,
                plan_sha: None,
                made: now(),
            }),
        }
    }

    async fn store() -> (TempDir, Store) {
        let folder = TempDir::new().expect("a folder");
        let store = Store::open(&folder.path().join("muffle.db")).await;
        (folder, store.expect("a store"))
    }

    /// A run of an item of the lot.
    async fn begin(store: &Store) -> RunId {
        let item = Item {
            serial: "P-1".to_owned(),
            model: None,
            lot: Some("L-7".to_owned()),
            size: None,
            construction: None,
            note: None,
            first_seen: now(),
        };
        store.put_item(&item).await.expect("put in");
        let keep = |kind, text| store.put_snapshot(kind, "a file", text);
        let run = NewRun {
            kind: RunKind::Item,
            item: Some("P-1".to_owned()),
            model: None,
            lot: Some("L-7".to_owned()),
            plan_sha: keep(SnapshotKind::Plan, "plan").await.expect("kept"),
            station_sha: keep(SnapshotKind::Station, "station").await.expect("kept"),
            driver_shas: Vec::new(),
            reference_run: None,
            signature: "set-up".to_owned(),
            operator: None,
            started: now(),
            note: None,
            program_version: "test".to_owned(),
            instruments: None,
        };
        store.begin_run(&run).await.expect("begun")
    }

    #[tokio::test]
    async fn a_plan_can_be_changed_until_the_first_unit() {
        let (_folder, store) = store().await;
        store.put_lot(&lot(0)).await.expect("put in");
        store.put_lot(&lot(1)).await.expect("changed");
        assert_eq!(store.lot("L-7").await.expect("read"), Some(lot(1)));
        begin(&store).await;
        let refused = store.put_lot(&lot(2)).await.expect_err("fixed");
        assert!(matches!(refused, StoreError::LotFixed { .. }), "{refused}");
        // The same plan again is no change, and the note may be.
        let noted = Lot {
            note: Some("late".to_owned()),
            ..lot(1)
        };
        store.put_lot(&noted).await.expect("noted");
        assert_eq!(store.lots(10, 0).await.expect("listed"), [noted]);
        // Nor does the database itself let anybody.
        for change in ["UPDATE lot_rule SET accept = 5", "DELETE FROM lot_rule"] {
            let mut write = store.write(&"try it").await.expect("writing");
            let answer = sqlx::query(change).execute(&mut *write).await;
            let said = answer.expect_err("refused").to_string();
            assert!(said.contains("fixed before its first unit"), "{said}");
        }
    }

    #[tokio::test]
    async fn cycles_and_check_items_are_kept_beside_runs_and_items() {
        let (_folder, store) = store().await;
        let unknown = store.put_check_item("P-1", now()).await;
        assert!(matches!(unknown, Err(StoreError::UnknownItem { .. })));
        let run = begin(&store).await;
        store.put_cycles(run, 20).await.expect("noted");
        assert_eq!(store.cycles("P-1").await.expect("read"), [(run, 20)].into());
        for _ in 0..2 {
            store.put_check_item("P-1", now()).await.expect("marked");
        }
        assert_eq!(store.check_items().await.expect("listed"), ["P-1"]);
        assert!(store.drop_check_item("P-1").await.expect("dropped"));
        assert!(!store.drop_check_item("P-1").await.expect("nothing to drop"));
    }
}
