//! The demo: the whole job in one command, held against the simulated truth.

use std::path::PathBuf;

use serde_json::Value;
use sqlx::{Connection, Row, SqliteConnection};
use tempfile::TempDir;

use crate::support::{Ended, run};

/// A demo that has come to its end.
struct Demo {
    folder: TempDir,
    ended: Ended,
    document: Value,
}

impl Demo {
    fn run(seed: u64) -> Self {
        let folder = TempDir::new().expect("a folder");
        let to = folder.path().display().to_string();
        let seed = seed.to_string();
        let ended = run(&["demo", "--json", "--seed", &seed, "--folder", &to]).with(0, &[]);
        let document = ended.json();
        Self {
            folder,
            ended,
            document,
        }
    }

    fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn runs(&self) -> &[Value] {
        self.document["runs"].as_array().expect("runs")
    }

    /// All points of all items.
    fn points(&self) -> impl Iterator<Item = &Value> {
        let items = self.runs().iter().filter(|run| run["kind"] == "item");
        items.flat_map(|run| run["points"].as_array().expect("points"))
    }
}

#[test]
fn the_demo_does_the_whole_job() {
    let demo = Demo::run(1);
    every_key_is_there(&demo);
    results_hold_the_truth(&demo);
    pictures_and_database_are_there(&demo);
    tokio::runtime::Runtime::new()
        .expect("a runtime")
        .block_on(views_answer(&demo));
}

fn every_key_is_there(demo: &Demo) {
    let runs = demo.runs();
    assert_eq!(runs[0]["kind"], "reference");
    assert_eq!(
        runs.len(),
        8,
        "a reference, six items, and the reference looked at again"
    );
    assert_eq!(runs[7]["kind"], "reference");
    for run in runs {
        for key in ["run", "kind", "plan", "started", "finished", "state"] {
            assert!(run[key].is_string(), "{key}: {run}");
        }
        assert_eq!(run["state"], "complete");
        for time in ["started", "finished"] {
            let text = run[time].as_str().expect("a time");
            assert!(text.ends_with('Z'), "UTC: {text}");
            text.parse::<jiff::Timestamp>().expect("RFC 3339");
        }
    }
    for run in &runs[1..7] {
        for key in ["item", "model", "lot", "verdict"] {
            assert!(run[key].is_string(), "{key}: {run}");
        }
        assert_eq!(run["reference_run"], runs[0]["run"]);
    }
    let numbers = [
        "frequency_hz",
        "repeat",
        "reference_dbm",
        "level_dbm",
        "floor_dbm",
        "limit_db",
        "true_se_db",
    ];
    let mut points = 0;
    for point in demo.points() {
        points += 1;
        for key in numbers {
            assert!(point[key].is_number(), "{key}: {point}");
        }
        for key in ["face", "polarisation", "kind", "verdict"] {
            assert!(point[key].is_string(), "{key}: {point}");
        }
        assert!(point["flags"].is_array(), "{point}");
        let kind = point["kind"].as_str().expect("a kind");
        assert!(["measured", "at_least", "none"].contains(&kind), "{kind}");
        assert_eq!(point["se_db"].is_number(), kind != "none", "{point}");
        assert_eq!(point["margin_db"].is_number(), kind != "none", "{point}");
        assert_eq!(point["u_db"].is_number(), kind == "measured", "{point}");
    }
    // Two faces, two polarisations, 23 frequencies, six items.
    assert_eq!(points, 552);
}

/// At least 95 % of what is measured lies within its uncertainty, and of what is bounded above its bound.
fn results_hold_the_truth(demo: &Demo) {
    for (kind, least) in [("measured", 100), ("at_least", 100)] {
        let points: Vec<_> = demo
            .points()
            .filter(|point| point["kind"] == kind)
            .collect();
        let number = |point: &Value, key: &str| point[key].as_f64().expect("a number");
        let held = points
            .iter()
            .filter(|point| {
                let (se, truth) = (number(point, "se_db"), number(point, "true_se_db"));
                match kind {
                    "measured" => (se - truth).abs() <= number(point, "u_db"),
                    _ => truth >= se,
                }
            })
            .count();
        println!("{kind}: {held} of {} hold the truth", points.len());
        assert!(points.len() >= least, "{kind}: only {}", points.len());
        assert!(
            held * 100 >= points.len() * 95,
            "{kind}: {held} of {}",
            points.len()
        );
    }
    // Uncertainties that hold everything would say nothing.
    let widest = demo
        .points()
        .filter_map(|point| point["u_db"].as_f64())
        .fold(0.0, f64::max);
    assert!(widest < 10.0, "{widest} dB");
}

fn pictures_and_database_are_there(demo: &Demo) {
    let png = std::fs::read(demo.file("result.png")).expect("a picture");
    assert!(png.starts_with(b"\x89PNG\r\n\x1a\n") && png.len() > 10_000);
    let svg = std::fs::read_to_string(demo.file("result.svg")).expect("a drawing");
    assert!(svg.contains("<svg") && svg.contains("P-0042") && svg.trim_end().ends_with("</svg>"));
    let page = std::fs::read_to_string(demo.file("report.html")).expect("a report");
    assert!(page.contains("Emission log") && !page.contains("http"));
    let paper = std::fs::read(demo.file("report.pdf")).expect("a report on paper");
    assert!(paper.starts_with(b"%PDF-1.7") && paper.len() > 50_000);
    for name in [
        "result.png",
        "result.svg",
        "report.html",
        "report.pdf",
        "muffle.db",
    ] {
        let path = demo.file(name).display().to_string();
        assert!(
            demo.ended.err.contains(&path),
            "{path} is not named at the end"
        );
    }
}

/// What someone with only the shell of SQLite can ask.
async fn views_answer(demo: &Demo) {
    let url = format!("sqlite://{}?mode=ro", demo.file("muffle.db").display());
    let mut database = SqliteConnection::connect(&url).await.expect("opens");
    let rows = sqlx::query(
        "SELECT se_text, kind, se_db FROM se WHERE serial = 'P-0042' AND frequency_mhz BETWEEN 100 AND 300",
    )
    .fetch_all(&mut database)
    .await
    .expect("the view `se`");
    assert_eq!(
        rows.len(),
        12,
        "three frequencies, two faces, two polarisations"
    );
    for row in rows {
        let (text, kind): (String, String) = (row.get("se_text"), row.get("kind"));
        assert_eq!(text.starts_with("≥ "), kind == "at_least", "{text}");
    }
    let worst: Vec<(String, String)> =
        sqlx::query_as("SELECT serial, verdict FROM worst ORDER BY margin_db LIMIT 1")
            .fetch_all(&mut database)
            .await
            .expect("the view `worst`");
    assert_eq!(worst, [("P-0043".to_owned(), "fail".to_owned())]);
    let (emissions, open): (i64, i64) =
        sqlx::query_as("SELECT count(*), count(*) - count(duration_s) FROM emissions")
            .fetch_one(&mut database)
            .await
            .expect("the view `emissions`");
    // Two for every point of the reference (2 × 23 points: a signal and a step), one for every signal of the
    // items (6 × 4 × 23), and five frequencies in two polarisations where the reference was looked at again.
    assert_eq!((emissions, open), (654, 0));
}
