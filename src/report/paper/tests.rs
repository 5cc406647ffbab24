//! Reports on a small fixed database: what they say, that they say it the same way twice, and that nothing in
//! them points outside.

use std::path::Path;

use jiff::Timestamp;
use serde_json::json;
use tempfile::TempDir;

use super::super::{RunMaterial, Texts, csv, html, pdf};
use super::{Asides, HandMaterial, ItemMaterial, Proofs, Wanted, comparison, hand, item, lot, run};
use crate::analysis::noise::held_quantile_db;
use crate::analysis::shield::ask;
use crate::config::Template;
use crate::evaluate::compare::{Question, compare, side};
use crate::evaluate::import;
use crate::evaluate::lot::judge;
use crate::evaluate::{Evaluator, OPEN, kept, verdict};
use crate::report::Document;
use crate::store::{
    EmissionEnd, Item, Levels, Lot, LotRule, NewEmission, NewReading, NewRun, Point, ReadingKey,
    ReadingKind, Remeasured, RunId, RunKind, SnapshotKind, Store, Trace,
};

/// Frequency, level of the open path, level with the item; the last is lost in the noise.
const POINTS: [(f64, f64, f64); 5] = [
    (1e5, -20.0, -85.0),
    (1e6, -20.0, -78.0),
    (1e7, -21.0, -68.0),
    (1e8, -22.0, -74.0),
    (1e9, -24.0, -200.0),
];
const RBW_HZ: f64 = 1e3;

/// A shop with one reference and items measured against it.
struct Shop {
    _folder: TempDir,
    store: Store,
    reference: RunId,
    clock_s: i64,
}

impl Shop {
    async fn open() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("s.db"))
            .await
            .expect("a store");
        let mut shop = Self {
            _folder: folder,
            store,
            reference: RunId::at(Timestamp::UNIX_EPOCH),
            clock_s: 1_769_850_000,
        };
        shop.reference = shop.measure(None, 0.0).await;
        shop
    }

    fn now(&mut self) -> Timestamp {
        self.clock_s += 60;
        Timestamp::from_second(self.clock_s).expect("a time")
    }

    /// Measures an item, or the open path; `better_db` more SE than [`POINTS`].
    async fn measure(&mut self, serial: Option<&str>, better_db: f64) -> RunId {
        let started = self.now();
        if let Some(serial) = serial {
            let item = Item {
                serial: serial.to_owned(),
                model: Some("field pouch".to_owned()),
                lot: Some("L-7".to_owned()),
                size: Some("300 x 200 x 30 mm".to_owned()),
                construction: Some("two layers of fabric".to_owned()),
                note: None,
                first_seen: started,
            };
            self.store.put_item(&item).await.expect("an item");
        }
        let run = self
            .store
            .begin_run(&self.new_run(serial, started).await)
            .await
            .expect("begun");
        for (frequency_hz, open_dbm, item_dbm) in POINTS {
            let level_dbm = serial.map_or(open_dbm, |_| item_dbm - better_db);
            let face = serial.map_or(OPEN, |_| "front");
            self.read(run, frequency_hz, face, level_dbm).await;
        }
        let mut worst = None;
        if serial.is_some() {
            let record = self.store.run(run).await.expect("the run");
            let evaluator = Evaluator::of(&self.store, &record)
                .await
                .expect("an evaluator");
            let mut results = Vec::new();
            for (frequency_hz, ..) in POINTS {
                results.push(
                    evaluator
                        .point(&point(frequency_hz, "front"))
                        .await
                        .expect("a result"),
                );
            }
            let (plan, _) = kept(&self.store, &record).await.expect("kept");
            worst = verdict(&plan, &results);
        }
        let finished = self.now();
        self.store
            .finish(run, worst, finished)
            .await
            .expect("finished");
        run
    }

    async fn new_run(&self, serial: Option<&str>, started: Timestamp) -> NewRun {
        let keep = async |kind, name: &str, text: &str| {
            self.store
                .put_snapshot(kind, name, text)
                .await
                .expect("kept")
        };
        let mut driver_shas = Vec::new();
        for name in ["source-scpi", "analyzer-scpi"] {
            let text = std::fs::read_to_string(format!("drivers/{name}.toml")).expect("built in");
            driver_shas.push(keep(SnapshotKind::Driver, name, &text).await);
        }
        let plan = include_str!("../../../config/plan.toml");
        let station = include_str!("../../../config/station.toml");
        let station = format!(
            "{station}\n[[calibration]]\nwhat = \"receiver\"\ndue = \"2026-03-01\"\ncertificate = \"C-1\"\n"
        );
        NewRun {
            kind: serial.map_or(RunKind::Reference, |_| RunKind::Item),
            item: serial.map(str::to_owned),
            model: serial.map(|_| "field pouch".to_owned()),
            lot: serial.map(|_| "L-7".to_owned()),
            plan_sha: keep(SnapshotKind::Plan, "plan.toml", plan).await,
            station_sha: keep(SnapshotKind::Station, "station.toml", &station).await,
            driver_shas,
            reference_run: serial.map(|_| self.reference),
            signature: "s".to_owned(),
            operator: Some("A. Smith & Co <one>".to_owned()),
            started,
            note: None,
            program_version: "0.0.1".to_owned(),
            instruments: None,
        }
    }

    async fn read(&mut self, run: RunId, frequency_hz: f64, face: &str, level_dbm: f64) {
        let began = self.now();
        let emission = NewEmission {
            run: Some(run),
            station: "bay one".to_owned(),
            frequency_hz,
            level_dbm: -10.0,
            radiated_dbm: Some(30.0),
            why: format!("{face}, vertical"),
            began,
        };
        let id = self.store.begin_emission(&emission).await.expect("noted");
        for (kind, peak) in [
            (ReadingKind::Floor, None),
            (ReadingKind::Signal, Some(level_dbm)),
        ] {
            let reading = NewReading {
                key: ReadingKey {
                    kind,
                    point: point(frequency_hz, face),
                },
                attempt: 1,
                taken: began,
                sweeps: 10,
                peak_dbm: level_dbm.max(-108.0),
                peak_hz: frequency_hz,
                flags: Vec::new(),
                settings: json!({ "source_level_dbm": -10.0, "resolution_bandwidth_hz": RBW_HZ,
                                  "attenuation_db": 10.0 }),
                trace: trace(frequency_hz, peak),
            };
            self.store
                .append_reading(run, &reading, None)
                .await
                .expect("appended");
        }
        let ended = began + std::time::Duration::from_millis(250);
        let how = "read".to_owned();
        self.store
            .end_emission(&EmissionEnd { id, ended, how })
            .await
            .expect("noted");
    }

    async fn material(&self, run: RunId) -> RunMaterial {
        let record = self.store.run(run).await.expect("the run");
        RunMaterial::read(&self.store, &record)
            .await
            .expect("material")
    }
}

fn point(frequency_hz: f64, face: &str) -> Point {
    Point {
        frequency_hz,
        face: face.to_owned(),
        polarisation: "vertical".to_owned(),
        repeat: 1,
    }
}

/// Held noise at -120 dBm with a peak in the middle.
fn trace(frequency_hz: f64, peak_dbm: Option<f64>) -> Trace {
    let mut levels: Vec<f64> = (0..201)
        .map(|i| (f64::from(i * 89 % 201) + 0.5) / 201.0)
        .map(|share| -120.0 + held_quantile_db(10.0, share))
        .collect();
    levels[100] = levels[100].max(peak_dbm.unwrap_or(f64::NEG_INFINITY));
    Trace {
        start_hz: frequency_hz - 10.0 * RBW_HZ,
        stop_hz: frequency_hz + 10.0 * RBW_HZ,
        unit: "dBm".to_owned(),
        levels: Levels::F64(levels),
    }
}

/// The report in a language, printed at a time of day.
fn report(material: &RunMaterial, language: &str, second: i64) -> Document {
    said(language, second, |wanted| run(material, wanted))
}

fn said(language: &str, second: i64, make: impl FnOnce(&Wanted) -> Document) -> Document {
    said_beside(language, second, &Asides::default(), make)
}

fn said_beside(
    language: &str,
    second: i64,
    asides: &Asides,
    make: impl FnOnce(&Wanted) -> Document,
) -> Document {
    let template = Template::default();
    let texts = Texts::of(Some(language), &template);
    let document = make(&Wanted {
        texts: &texts,
        template: &template,
        printed: Timestamp::from_second(second).ok(),
        theory: true,
        asides,
    });
    assert_eq!(texts.missing(), [""; 0], "{language}");
    document
}

/// Held against the file of that name; `MUFFLE_GOLDEN=write` writes it.
fn golden(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("src/report/paper/golden")
        .join(name);
    if std::env::var("MUFFLE_GOLDEN").is_ok_and(|word| word == "write") {
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        std::fs::write(&path, text).expect("written");
    }
    let kept = std::fs::read_to_string(&path).expect("MUFFLE_GOLDEN=write makes it");
    assert!(
        kept == text,
        "{name} has changed; look at it, then MUFFLE_GOLDEN=write"
    );
}

/// Without the font, and with ids (random in part) replaced.
fn steady(text: &str, shop: &Shop, run: RunId) -> String {
    let mut steady = String::new();
    for line in text.lines().filter(|line| !line.starts_with("@font-face")) {
        steady.push_str(line);
        steady.push('\n');
    }
    steady
        .replace(&run.to_string(), "RUN")
        .replace(&shop.reference.to_string(), "REFERENCE")
        .replace(env!("CARGO_PKG_VERSION"), "VERSION")
        .replace("><", ">\n<")
}

#[tokio::test]
async fn the_same_run_gives_the_same_report_but_for_the_line_that_says_when() {
    let mut shop = Shop::open().await;
    let id = shop.measure(Some("P-0042"), 0.0).await;
    let first = report(&shop.material(id).await, "en", 1_800_000_000);
    let again = report(&shop.material(id).await, "en", 1_800_000_000);
    let page = html(&first, None).expect("HTML");
    assert!(page == html(&again, None).expect("HTML"));
    assert!(pdf(&first).expect("PDF") == pdf(&again).expect("PDF"));
    let later = report(&shop.material(id).await, "en", 1_900_000_000);
    let other = html(&later, None).expect("HTML");
    let differs = |(a, b): (&str, &str)| a != b;
    assert_eq!(
        page.split('>')
            .zip(other.split('>'))
            .filter(|pair| differs(*pair))
            .count(),
        1,
        "only the line that says when"
    );
    golden("run.html", &steady(&page, &shop, id));
    golden("run.csv", &csv(&first, None).expect("CSV"));
    golden(
        "emissions.csv",
        &csv(&first, Some("emissions")).expect("CSV"),
    );
    let json = serde_json::to_value(&first).expect("JSON");
    assert_eq!(json["kind"], "run");
    let unknown = csv(&first, Some("nonsense"))
        .expect_err("no such table")
        .to_string();
    assert!(
        unknown.contains("points") && unknown.contains("budget"),
        "{unknown}"
    );
}

#[tokio::test]
async fn an_item_of_an_old_notebook_has_a_report_that_says_what_is_not_known() {
    let shop = Shop::open().await;
    let book = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm,u_db,limit_db,operator\n\
        N-1,2019-05-03,400,-24.0,-76.5,-98,2.0,50,R. Fell\n\
        N-1,2019-05-03,1200,-25.0,in the noise,-98,,50,R. Fell\n";
    let at = Timestamp::from_second(1_769_900_000).expect("a time");
    let read_in = import(&shop.store, "book.csv", book, at)
        .await
        .expect("read in");
    let record = shop.store.run(read_in.runs[0]).await.expect("a run");
    let run = HandMaterial::read(&shop.store, &record)
        .await
        .expect("read");
    let of_item = ItemMaterial::read(&shop.store, "N-1").await.expect("read");
    for (language, must) in [
        (
            "en",
            [
                "taken by hand",
                "book.csv",
                "52.5",
                "lower bound",
                "Nothing here can prove",
            ],
        ),
        (
            "de",
            [
                "von Hand genommen",
                "book.csv",
                "52,5",
                "untere Schranke",
                "Nichts hier kann beweisen",
            ],
        ),
    ] {
        for document in [
            said(language, 1_800_000_000, |wanted| hand(&run, wanted)),
            said(language, 1_800_000_000, |wanted| item(&of_item, wanted)),
        ] {
            let page = html(&document, None).expect("HTML");
            for part in must {
                assert!(page.contains(part), "{language}, {}: {part}", document.kind);
            }
            assert!(pdf(&document).is_ok());
            assert_eq!(
                csv(&document, Some("points")).expect("CSV").lines().count(),
                3
            );
        }
    }
}

#[tokio::test]
async fn theory_that_is_asked_for_stands_beside_and_changes_no_result() {
    let mut shop = Shop::open().await;
    let id = shop.measure(Some("P-0042"), 0.0).await;
    let other = shop.measure(Some("P-0043"), 3.0).await;
    let material = shop.material(id).await;
    let other = shop.material(other).await;
    let questions = [
        "slot length=18mm",
        "exposure power=40dBm",
        "cavity size='30 x 40 x 50 cm'",
    ];
    let questions = questions.map(|text| ask::parse(text).expect("a question"));
    let asides = Asides::of(
        material.document(),
        questions.into(),
        true,
        vec![other.document().clone()],
    )
    .expect("it holds");
    let plain = report(&material, "en", 1_800_000_000);
    for (language, must) in [
        (
            "en",
            [
                "Theory beside the curve",
                "A pulse from outside",
                "One inside the other",
                "changes no verdict",
            ],
        ),
        (
            "de",
            [
                "Theorie neben dem Verlauf",
                "Ein Puls von außen",
                "Eines im anderen",
                "ändert kein Urteil",
            ],
        ),
    ] {
        let make = |wanted: &Wanted| run(&material, wanted);
        let document = said_beside(language, 1_800_000_000, &asides, make);
        let page = html(&document, None).expect("HTML");
        for part in must {
            assert!(page.contains(part), "{language}: {part}");
        }
        assert!(pdf(&document).expect("PDF").len() > 10_000);
    }
    let make = |wanted: &Wanted| run(&material, wanted);
    let document = said_beside("en", 1_800_000_000, &asides, make);
    let table = csv(&document, Some("beside")).expect("CSV");
    for part in ["slot", "exposure", "cavity", "keep away"] {
        assert!(table.contains(part), "{part}");
    }
    // 2 x 18 mm is a wavelength at 8.3 GHz; at 1 GHz the slot gives 20 log10(λ/2L) = 18.4 dB.
    let row = table
        .lines()
        .find(|line| line.starts_with("slot,1000000000"))
        .expect("the slot at 1 GHz");
    let value: f64 = row
        .rsplit(',')
        .next()
        .and_then(|text| text.parse().ok())
        .expect("a number");
    assert!((value - 18.410).abs() < 0.01, "{row}");
    // The points are those of the report without it.
    let points = |document: &Document| csv(document, Some("points")).expect("CSV");
    assert_eq!(points(&document), points(&plain));
}

#[tokio::test]
async fn a_report_says_what_it_must_in_both_languages() {
    let mut shop = Shop::open().await;
    let id = shop.measure(Some("P-0042"), 0.0).await;
    let material = shop.material(id).await;
    let must = [
        (
            "en",
            [
                "Fail",
                "Guarded rule",
                "lower bound",
                "Uncertainty budget",
                "Emission log",
                "C-1",
            ],
        ),
        (
            "de",
            [
                "Nicht bestanden",
                "Sicherheitsabstand",
                "untere Schranke",
                "Messunsicherheitsbilanz",
                "Sendeprotokoll",
                "C-1",
            ],
        ),
    ];
    for (language, words) in must {
        let page = html(&report(&material, language, 0), None).expect("HTML");
        for word in words {
            assert!(page.contains(word), "{language}: no {word}");
        }
        assert!(page.contains("≥\u{20}"), "{language}: no bound");
        assert!(page.contains("A. Smith &amp; Co &lt;one&gt;"));
        assert!(
            page.contains("class=\"bound\""),
            "bounds are drawn as bounds"
        );
    }
    // What the noise hides is a bound in the table as well.
    let table = csv(&report(&material, "en", 0), None).expect("CSV");
    let bound = table.lines().last().expect("the last point");
    assert!(
        bound.starts_with("1000000000.0,front,vertical,1,"),
        "{bound}"
    );
    assert!(bound.contains(",at_least,"), "{bound}");
}

#[tokio::test]
async fn an_html_report_fetches_nothing() {
    let mut shop = Shop::open().await;
    let id = shop.measure(Some("P-0042"), 0.0).await;
    let page = html(
        &report(&shop.material(id).await, "en", 0),
        Some("h1 { color: black }"),
    )
    .expect("HTML");
    for word in [
        "http:", "https:", "href", "<script", "<link", "@import", "src=\"//",
    ] {
        assert!(!page.contains(word), "{word}");
    }
    let sources = page.match_indices("url(").map(|(at, _)| &page[at..at + 9]);
    assert!(sources.clone().count() == 2 && sources.into_iter().all(|url| url == "url(data:"));
    assert!(page.contains("h1 { color: black }"));
    for style in ["@import 'x'", "a{background:URL(x)}", "</style><script>"] {
        let refused = html(&report(&shop.material(id).await, "en", 0), Some(style));
        assert!(refused.is_err(), "{style}");
    }
}

#[tokio::test]
async fn a_pdf_report_is_tagged_and_carries_its_fonts_and_its_text() {
    let mut shop = Shop::open().await;
    let id = shop.measure(Some("P-0042"), 0.0).await;
    let file = pdf(&report(&shop.material(id).await, "de", 0)).expect("PDF");
    let read = lopdf::Document::load_mem(&file).expect("a PDF");
    let catalog = read.catalog().expect("a catalog");
    let marked = catalog
        .get(b"MarkInfo")
        .and_then(|info| read.dereference(info));
    let marked = marked
        .and_then(|(_, info)| info.as_dict())
        .expect("a dictionary");
    assert!(
        marked
            .get(b"Marked")
            .and_then(lopdf::Object::as_bool)
            .expect("a word")
    );
    assert_eq!(
        catalog
            .get(b"Lang")
            .and_then(lopdf::Object::as_str)
            .expect("a language"),
        b"de"
    );
    assert!(catalog.has(b"StructTreeRoot") && catalog.has(b"Outlines"));
    let dictionaries = || {
        read.objects
            .values()
            .filter_map(|object| object.as_dict().ok())
    };
    let of_type = |name: &[u8], key: &[u8]| {
        let of = dictionaries().filter(|d| {
            d.get(key)
                .and_then(lopdf::Object::as_name)
                .is_ok_and(|n| n == name)
        });
        of.count()
    };
    for (tag, least) in [
        (&b"H1"[..], 1),
        (b"H2", 8),
        (b"Table", 5),
        (b"TH", 30),
        (b"TD", 60),
        (b"Figure", 3),
    ] {
        assert!(
            of_type(tag, b"S") >= least,
            "{}",
            String::from_utf8_lossy(tag)
        );
    }
    // Every font that is described is inside.
    let described: Vec<_> = dictionaries()
        .filter(|d| d.has(b"FontBBox") && d.has(b"FontName"))
        .collect();
    assert_eq!(described.len(), 2);
    assert!(described.iter().all(|d| d.has(b"FontFile3")));
    let pages: Vec<u32> = read.get_pages().keys().copied().collect();
    let text = read.extract_text(&pages).expect("text");
    let text = text.replace(['\n', ' '], "");
    for word in [
        "SchirmdämpfungvonP-0042",
        "Nichtbestanden",
        "≥",
        "Sendeprotokoll",
        "Seite2von",
    ] {
        assert!(text.contains(word), "no {word} in {text}");
    }
}

/// The reports on an item, a comparison and a lot.
async fn three(store: &Store, language: &str) -> Vec<Document> {
    let material = ItemMaterial::read(store, "P-1").await.expect("an item");
    let sides = [
        side(store, "item:P-1").await.expect("a side"),
        side(store, "item:P-2").await.expect("a side"),
    ];
    let question = Question {
        within_db: 3.0,
        confidence: 0.95,
        by_face: false,
    };
    let compared = compare(sides.to_vec(), &question).expect("compared");
    let runs = compared.sides.iter().flat_map(|side| &side.runs);
    let of_sides = Proofs::read(store, runs.map(|run| run.run)).await;
    let judged = judge(store, "L-7").await.expect("judged");
    let runs = judged.units.iter().flat_map(|unit| &unit.runs);
    let of_lot = Proofs::read(store, runs.map(|run| run.run)).await;
    vec![
        said(language, 0, |wanted| item(&material, wanted)),
        said(language, 0, |wanted| {
            comparison(&compared, &of_sides.expect("read"), wanted)
        }),
        said(language, 0, |wanted| {
            lot(&judged, &of_lot.expect("read"), wanted).expect("a report")
        }),
    ]
}

#[tokio::test]
async fn an_item_a_comparison_and_a_lot_are_reported_on() {
    let mut shop = Shop::open().await;
    let rule = LotRule {
        size: Some(40),
        sample: 3,
        accept: Some(1),
        content: Some(0.8),
        confidence: 0.9,
        guard_db: None,
        counts: Remeasured::Latest,
        plan_sha: None,
        made: Timestamp::UNIX_EPOCH,
    };
    let l7 = Lot {
        name: "L-7".to_owned(),
        model: Some("field pouch".to_owned()),
        note: None,
        first_seen: Timestamp::UNIX_EPOCH,
        rule: Some(rule),
    };
    shop.store.put_lot(&l7).await.expect("a lot");
    for (serial, better_db) in [
        ("P-1", 0.0),
        ("P-2", 12.0),
        ("P-3", 13.5),
        ("P-1", -0.5),
        ("P-1", -1.5),
    ] {
        shop.measure(Some(serial), better_db).await;
    }
    let store = &shop.store;
    let mut documents = three(store, "en").await;
    documents.extend(three(store, "de").await);
    // Read and said again, the same bytes.
    let mut again = three(store, "en").await;
    again.extend(three(store, "de").await);
    for (first, second) in documents.iter().zip(&again) {
        let title = &first.title;
        let page = html(first, None).expect("HTML");
        assert!(page == html(second, None).expect("HTML"), "{title}");
        assert!(!page.contains("NaN"), "{title}");
        assert!(
            pdf(first).expect("PDF") == pdf(second).expect("PDF"),
            "{title}"
        );
        for table in first.tables() {
            let of = |document| csv(document, Some(table.name)).expect("CSV");
            assert_eq!(of(first), of(second), "{title}");
        }
    }
    // Comparison and lot say what they rest on: the checksum is that of the run's own report.
    let newest = ItemMaterial::read(store, "P-2").await.expect("an item");
    let own = said("en", 0, |wanted| item(&newest, wanted));
    let own = html(&own, None).expect("HTML");
    for document in &documents[1..3] {
        let table = csv(document, Some("recompute")).expect("CSV");
        let row = table
            .lines()
            .find(|line| line.contains(",P-2,"))
            .expect("its run");
        let sha256 = row.rsplit(',').next().expect("a checksum");
        assert!(sha256.len() == 64 && own.contains(sha256), "{row}");
    }
    for document in &documents {
        let page = html(document, None).expect("HTML");
        assert!(!page.contains("http"), "{}", document.title);
        let file = pdf(document).expect("PDF");
        assert!(file.len() > 20_000, "{}", document.title);
    }
    let table = |document: &Document| csv(document, None).expect("CSV");
    assert_eq!(table(&documents[0]).lines().count(), 1 + POINTS.len());
    assert!(
        documents[0]
            .tables()
            .any(|table| table.name == "runs" && table.rows.len() == 3)
    );
    let differences = table(&documents[1]);
    assert!(
        differences.starts_with("first,second,frequency_hz,difference_db,"),
        "{differences}"
    );
    let units = table(&documents[2]);
    assert_eq!(units.lines().count(), 4, "{units}");
    assert!(units.contains("P-1,true,fail,"), "{units}");
    let none = ItemMaterial::read(store, "P-9").await.expect_err("no run");
    assert!(none.to_string().contains("no complete run"), "{none}");
}
