//! Lots are held to their plan, and the views of the database say what is said here, over random histories.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use serde_json::json;
use sqlx::sqlite::SqliteRow;
use sqlx::{Connection, Row, SqliteConnection};
use tempfile::TempDir;

use super::*;
use crate::analysis::verdict::{of_run, worst_point};
use crate::quantity::one_decimal;
use crate::store::{Item, NewRun, Point};

const ALL: [&str; 2] = ["400 MHz", "900 MHz"];

fn at(minutes: i64) -> Timestamp {
    let start: Timestamp = "2026-01-31T09:00:00Z".parse().expect("a time");
    start + SignedDuration::from_mins(minutes)
}

/// A plan at these frequencies against this limit; `more` stands before its tables.
fn plan(frequencies: &[&str], limit_db: u32, more: &str) -> String {
    format!(
        "name = \"lot\"\n{more}\n[frequencies]\nlist = {}\n[settings]\nsource_level = \"-10 dBm\"\nspan = \"20 kHz\"\n\
        points = 201\nresolution_bandwidth = \"1 kHz\"\nsweeps = 2\nsettle = \"1 ms\"\n[limit]\n\
        line = [[\"100 kHz\", \"{limit_db} dB\"], [\"3 GHz\", \"{limit_db} dB\"]]\n",
        json!(frequencies)
    )
}

struct Shop {
    _folder: TempDir,
    store: Store,
    minutes: i64,
}

impl Shop {
    async fn open() -> Self {
        let folder = TempDir::new().expect("a folder");
        let store = Store::open(&folder.path().join("s.db")).await;
        Self {
            _folder: folder,
            store: store.expect("a store"),
            minutes: 0,
        }
    }

    async fn lot(
        &self,
        sample: u64,
        counts: Remeasured,
        plan: Option<&str>,
    ) -> Result<Lot, String> {
        let entry = LotEntry {
            name: "L".to_owned(),
            sample: Some(u32::try_from(sample).expect("small")),
            accept: Some(0),
            counts: Some(counts.as_str().to_owned()),
            ..LotEntry::default()
        };
        let mut lot = described(&entry, at(0)).expect("a lot");
        if let Some(text) = plan {
            let plan = Plan::read("plan.toml", text).expect("a plan");
            bind(&self.store, &mut lot, "plan.toml", &plan)
                .await
                .map_err(|error| error.to_string())?;
        }
        self.store.put_lot(&lot).await.expect("put in");
        Ok(lot)
    }

    /// A complete run of a unit with such margins; without a limit they say nothing.
    async fn measure(&mut self, serial: &str, plan: &str, results: &[ResultRecord]) -> RunId {
        self.minutes += 1;
        let store = &self.store;
        let item = Item {
            serial: serial.to_owned(),
            model: None,
            lot: Some("L".to_owned()),
            size: None,
            construction: None,
            note: None,
            first_seen: at(0),
        };
        store.put_item(&item).await.expect("an item");
        let kept = |kind, text| store.put_snapshot(kind, "file.toml", text);
        let run = NewRun {
            kind: RunKind::Item,
            item: Some(serial.to_owned()),
            model: None,
            lot: Some("L".to_owned()),
            plan_sha: kept(SnapshotKind::Plan, plan).await.expect("kept"),
            station_sha: kept(SnapshotKind::Station, "station").await.expect("kept"),
            driver_shas: Vec::new(),
            instruments: Default::default(),
            reference_run: None,
            signature: "s".to_owned(),
            operator: None,
            started: at(self.minutes),
            note: None,
            program_version: "test".to_owned(),
        };
        let id = store.begin_run(&run).await.expect("begun");
        store.put_results(id, results).await.expect("kept");
        let verdict = of_run(results.iter().map(|result| result.verdict));
        store
            .finish(id, verdict, at(self.minutes))
            .await
            .expect("complete");
        id
    }

    async fn rows(&self, query: &'static str) -> Vec<SqliteRow> {
        let path = format!("sqlite://{}", self.store.path().display());
        let mut shell = SqliteConnection::connect(&path).await.expect("a shell");
        sqlx::query(query).fetch_all(&mut shell).await.expect(query)
    }
}

fn result(
    frequency_hz: f64,
    kind: ResultKind,
    se_db: f64,
    limit_db: f64,
    u_db: f64,
) -> ResultRecord {
    let is_known = kind != ResultKind::None;
    let margin_db = se_db - limit_db;
    let verdict = match kind {
        ResultKind::Measured if margin_db >= u_db => Verdict::Pass,
        ResultKind::Measured if margin_db <= -u_db => Verdict::Fail,
        ResultKind::AtLeast if margin_db >= 0.0 => Verdict::Pass,
        _ => Verdict::Undecided,
    };
    ResultRecord {
        point: Point {
            frequency_hz,
            face: "front".to_owned(),
            polarisation: "vertical".to_owned(),
            repeat: 1,
        },
        analysis: 1,
        kind,
        se_db: is_known.then_some(se_db),
        u_db: (kind == ResultKind::Measured).then_some(u_db),
        k: (kind == ResultKind::Measured).then_some(2.0),
        limit_db: Some(limit_db),
        margin_db: is_known.then_some(margin_db),
        verdict: Some(verdict),
        conformity: None,
        reference_dbm: Some(-20.0),
        level_dbm: Some(-80.0),
        floor_dbm: Some(-100.0),
        flags: Vec::new(),
        made: at(0),
        detail: json!({}),
    }
}

fn measured(frequencies_mhz: &[f64], se_db: f64, limit_db: f64) -> Vec<ResultRecord> {
    let at = frequencies_mhz.iter();
    at.map(|mhz| result(mhz * 1e6, ResultKind::Measured, se_db, limit_db, 2.0))
        .collect()
}

#[tokio::test]
async fn a_unit_that_was_asked_less_does_not_count_and_that_is_said() {
    let mut shop = Shop::open().await;
    let full = plan(&ALL, 50, "");
    shop.lot(3, Remeasured::Latest, None).await.expect("a lot");
    let passes = measured(&[400.0, 900.0], 60.0, 50.0);
    shop.measure("A", &full, &passes).await;
    // A plan without the bad frequency, one with another limit, a sealed one: each passes, none counts.
    let without = plan(&ALL[1..], 50, "");
    shop.measure("B", &without, &passes[1..]).await;
    let lower = plan(&ALL, 40, "");
    shop.measure("C", &lower, &measured(&[400.0, 900.0], 45.0, 40.0))
        .await;
    let sides = plan(&ALL, 50, "faces = [\"back\"]");
    shop.measure("D", &sides, &passes).await;
    let lot = judge(&shop.store, "L").await.expect("judged");
    assert_eq!((lot.measured(), lot.verdict), (1, Some(Verdict::Undecided)));
    let said = lot.reasons.join("\n");
    for part in [
        "held to what file.toml asks (linked, 2 frequencies, 1 face, 1 polarisation, 1 time each, rule guarded, combine worst), fixed by its first unit that counts, A",
        "of B does not count: its plan leaves out 400 MHz",
        "of C does not count: its plan has limit 40.0 dB at 400 MHz, the lot's 50.0 dB, and differs at 1 more frequencies",
        "of D does not count: its plan leaves out front",
    ] {
        assert!(said.contains(part), "{part}\n{said}");
    }
    let b = lot
        .units
        .iter()
        .find(|unit| unit.serial == "B")
        .expect("listed");
    assert_eq!(lot.place_of(b), Some("does not count"));
    // What differs in words only, or asks more, counts.
    let worded = format!(
        "# another hand\n{}",
        full.replace("\"1 kHz\"", "\"300 Hz\"")
    );
    shop.measure("E", &worded, &passes).await;
    let more = plan(&["400 MHz", "900 MHz", "1 GHz"], 50, "");
    shop.measure("F", &more, &measured(&[400.0, 900.0, 1000.0], 60.0, 50.0))
        .await;
    let lot = judge(&shop.store, "L").await.expect("judged");
    assert_eq!((lot.measured(), lot.verdict), (3, Some(Verdict::Pass)));
    // Nor is a unit measured by such a plan in the first place.
    let other = Plan::read("less.toml", &without).expect("a plan");
    let refused = check_plan(&shop.store, &lot.lot, &other)
        .await
        .expect_err("refused");
    assert!(
        refused.to_string().contains("leaves out 400 MHz"),
        "{refused}"
    );
}

#[tokio::test]
async fn a_plan_named_beforehand_holds_whatever_is_measured_first() {
    let mut shop = Shop::open().await;
    let full = plan(&ALL, 50, "");
    shop.lot(1, Remeasured::Latest, Some(&full))
        .await
        .expect("a lot");
    let passes = measured(&[900.0], 60.0, 50.0);
    shop.measure("A", &plan(&ALL[1..], 50, ""), &passes).await;
    let lot = judge(&shop.store, "L").await.expect("judged");
    assert_eq!((lot.measured(), lot.verdict), (0, None));
    assert!(
        lot.reasons[0].contains("fixed when the lot was put in"),
        "{:?}",
        lot.reasons
    );
    let scanned = admit(&shop.store, &lot.lot, "A").await.expect("asked");
    assert_eq!(
        scanned,
        Admission::New,
        "it was not measured for this lot yet"
    );
    let limitless = full.split("[limit]").next().expect("a plan").to_owned();
    let refused = shop.lot(1, Remeasured::Latest, Some(&limitless)).await;
    assert!(refused.expect_err("refused").contains("no [limit]"));
}

/// A history of one lot: units measured, again, by other plans, by hand, withdrawn.
async fn history(shop: &mut Shop, random: &mut StdRng) {
    let full = plan(&ALL, 50, "");
    let counts = if random.random() {
        Remeasured::Worst
    } else {
        Remeasured::Latest
    };
    let named = random.random_bool(0.5).then_some(full.as_str());
    let sample = random.random_range(1..6);
    if random.random_bool(0.8) {
        shop.lot(sample, counts, named).await.expect("a lot");
    }
    let is_mixed = random.random_bool(0.4);
    for _ in 0..random.random_range(0..14) {
        let serial = format!("U{}", random.random_range(0..7));
        let other = is_mixed && random.random_bool(0.3);
        let text = if other {
            plan(&ALL[1..], 50, "")
        } else {
            full.clone()
        };
        let points: &[f64] = if other { &[900e6] } else { &[400e6, 900e6] };
        let results: Vec<_> = points
            .iter()
            .map(|hz| {
                let kinds = [ResultKind::Measured, ResultKind::AtLeast, ResultKind::None];
                let kind = kinds[usize::from(random.random::<u8>() % 8).saturating_sub(5)];
                let se_db = random.random_range(-20.0..90.0);
                result(*hz, kind, se_db, 50.0, random.random_range(0.1..4.0))
            })
            .collect();
        let run = shop.measure(&serial, &text, &results).await;
        if random.random_bool(0.15) {
            shop.store
                .withdraw(run, "slipped", at(0))
                .await
                .expect("withdrawn");
        }
        if is_mixed && random.random_bool(0.1) {
            let day = random.random_range(1..28);
            let text = format!(
                "item,date,frequency_mhz,reference_dbm,level_dbm,limit_db,lot\n{serial},2026-01-{day:02},400,-24,-90,50,L\n"
            );
            // The same line again is nothing new.
            crate::evaluate::import(&shop.store, "book.csv", &text, at(100))
                .await
                .expect("imported");
        }
    }
}

/// The view `lots` against what the program judges.
async fn lots_agree(shop: &Shop, seed: u64) -> bool {
    let rows = shop.rows("SELECT * FROM lots").await;
    let Some(row) = rows.first() else {
        return false;
    };
    let lot = judge(&shop.store, "L").await.expect("judged");
    let number = |name: &str| row.get::<Option<i64>, _>(name);
    if number("runs_by_another_plan") != Some(0) {
        for name in ["units", "passed", "failed", "undecided"] {
            assert_eq!(number(name), None, "seed {seed}: {name}");
        }
        return false;
    }
    let sample = |unit: &&LotUnit| unit.in_sample || lot.lot.rule.is_none();
    let sampled: Vec<_> = lot.units.iter().filter(sample).collect();
    let of = |verdict| {
        sampled
            .iter()
            .filter(|unit| unit.verdict == Some(verdict))
            .count() as i64
    };
    assert_eq!(number("units"), Some(sampled.len() as i64), "seed {seed}");
    for (name, verdict) in [
        ("passed", Verdict::Pass),
        ("failed", Verdict::Fail),
        ("undecided", Verdict::Undecided),
    ] {
        assert_eq!(number(name), Some(of(verdict)), "seed {seed}: {name}");
    }
    if let Some(judged) = &lot.attributes {
        assert_eq!(
            number("passed"),
            Some(judged.count.pass as i64),
            "seed {seed}"
        );
    }
    !sampled.is_empty()
}

/// The views `se` and `worst` against the runs and their results.
async fn points_agree(shop: &Shop, seed: u64) {
    let mut worst = BTreeMap::new();
    for row in shop.rows("SELECT * FROM worst").await {
        worst.insert(row.get::<String, _>("run"), row);
    }
    let mut texts = BTreeMap::new();
    for row in shop
        .rows("SELECT run, frequency_mhz, se_text, verdict FROM se")
        .await
    {
        let at = row.get::<f64, _>("frequency_mhz") as u64;
        let said = (
            row.get::<String, _>("se_text"),
            row.get::<Option<String>, _>("verdict"),
        );
        texts.insert((row.get::<String, _>("run"), at), said);
    }
    let runs = shop.store.runs(&RunFilter::default()).await.expect("read");
    assert_eq!(
        worst.len(),
        runs.len(),
        "seed {seed}: a withdrawn run does not count"
    );
    for run in runs {
        let id = run.id.to_string();
        let row = &worst[&id];
        let said: Option<String> = row.get("verdict");
        assert_eq!(
            said.as_deref(),
            run.verdict.map(Verdict::as_str),
            "seed {seed}: {id}"
        );
        let results = shop.store.results(run.id).await.expect("read");
        let margin = worst_point(results.iter().map(|one| one.margin_db));
        let margin = margin.and_then(|index| results[index].margin_db);
        assert_eq!(
            row.get::<Option<f64>, _>("margin_db"),
            margin,
            "seed {seed}: {id}"
        );
        for one in &results {
            let (text, verdict) = &texts[&(id.clone(), (one.point.frequency_hz / 1e6) as u64)];
            let se_db = one.se_db.unwrap_or(f64::NAN);
            let expected = match one.kind {
                ResultKind::Measured => one_decimal(se_db),
                ResultKind::AtLeast => {
                    format!("≥ {}", one_decimal((se_db * 10.0 + 1e-6).floor() / 10.0))
                }
                ResultKind::None => "—".to_owned(),
            };
            assert_eq!(*text, expected, "seed {seed}: {se_db}");
            assert_eq!(verdict.as_deref(), one.verdict.map(Verdict::as_str));
        }
    }
}

#[tokio::test]
async fn the_views_say_what_the_program_says() {
    let mut told = 0;
    for seed in 0..60 {
        let mut random = StdRng::seed_from_u64(seed);
        let mut shop = Shop::open().await;
        history(&mut shop, &mut random).await;
        told += u32::from(lots_agree(&shop, seed).await);
        points_agree(&shop, seed).await;
    }
    assert!(
        told > 20,
        "only {told} histories of which the view says something"
    );
}
