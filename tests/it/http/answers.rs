//! Lots, comparisons, trends and theory over HTTP: the same documents as the commands print, and pages that say the
//! same.

use muffle::daemon::access::Access;
use serde_json::Value;

use super::served::{Daemon, get};
use crate::lots::here;
use crate::support::{Bench, plan};

/// A lot of two units, one of them measured three times, and a daemon over what was measured.
async fn bench() -> (Bench, Daemon, Vec<String>) {
    let bench = Bench::start(41);
    bench.write(
        "plan.toml",
        &plan(&["10 MHz", "50 MHz", "100 MHz", "700 MHz"]),
    );
    bench.shelf("U-1", 44.0);
    bench.shelf("U-2", 41.0);
    let new = [
        "lot",
        "new",
        "L-1",
        "--model",
        "Fell pouch",
        "--size",
        "20",
        "--sample",
        "2",
        "--accept",
        "0",
    ];
    here(&bench, &new, "").with(0, &[]);
    let measured = here(
        &bench,
        &["lot", "measure", "L-1", "plan.toml"],
        "U-1\nU-2\n\n",
    );
    measured.with(0, &[]);
    for _ in 0..2 {
        bench.measure("U-1").with(0, &[]);
    }
    let daemon = Daemon::over(
        &bench.path("station.toml"),
        &bench.path("muffle.db"),
        Access::without_rates,
        &["100 MHz"],
    )
    .await;
    let runs = daemon.ask(get("/api/v1/runs?q=of:item")).await.json();
    let runs = runs["runs"].as_array().expect("runs").iter();
    let runs = runs.map(|run| run["run"].as_str().expect("an id").to_owned());
    let runs = runs.collect();
    (bench, daemon, runs)
}

async fn json(daemon: &Daemon, path: &str) -> Value {
    let answer = daemon.ask(get(path)).await;
    assert_eq!(answer.status, 200, "{path}: {}", answer.text());
    answer.json()
}

async fn page(daemon: &Daemon, path: &str, says: &[&str]) {
    let answer = daemon.ask(get(path)).await;
    let text = answer.text();
    assert_eq!(answer.status, 200, "{path}: {text}");
    for words in says {
        assert!(text.contains(words), "{path}: {words}: {text}");
    }
    if path.ends_with(".svg") || path.contains(".svg?") {
        assert!(text.starts_with("<svg"), "{path}: {text}");
    }
}

#[tokio::test]
async fn answers_are_those_of_the_commands() {
    let (bench, daemon, runs) = bench().await;
    let command = |arguments: &[&str]| {
        let arguments = [arguments, &["--json"]].concat();
        here(&bench, &arguments, "").json()
    };

    let lots = json(&daemon, "/api/v1/lots").await;
    assert_eq!(lots["lots"][0]["name"], "L-1");
    assert_eq!(lots["next"], Value::Null);
    let lot = json(&daemon, "/api/v1/lots/L-1").await;
    assert_eq!(lot, command(&["lot", "judge", "L-1"]));
    assert_eq!(lot["verdict"], "pass");
    let curve = json(&daemon, "/api/v1/lots/L-1/curve").await;
    // No nonconforming unit: surely accepted.
    assert_eq!(curve["curve"][0]["accepted"], 1.0, "{curve}");
    page(&daemon, "/api/v1/lots/L-1/curve.svg", &["lot L-1"]).await;
    page(
        &daemon,
        "/lots",
        &["L-1, Fell pouch", "2 of 20 units are measured"],
    )
    .await;
    page(
        &daemon,
        "/lots/L-1",
        &["accepted", "U-1", "U-2", "at most 0 of them fail"],
    )
    .await;

    let asked = "of=item:U-1&of=item:U-2&within=1%20dB";
    let compared = json(&daemon, &format!("/api/v1/compare?{asked}")).await;
    let said = command(&["compare", "item:U-1", "item:U-2", "--within", "1 dB"]);
    assert_eq!(compared, said);
    let sentence = compared["comparisons"][0]["sentence"]
        .as_str()
        .expect("words");
    page(
        &daemon,
        &format!("/compare?{asked}"),
        &[sentence, "item:U-1"],
    )
    .await;
    page(&daemon, &format!("/api/v1/compare.svg?{asked}"), &["U-1"]).await;

    let trend = json(&daemon, "/api/v1/items/U-1/trend?by=days").await;
    assert_eq!(trend, command(&["trend", "U-1", "--by", "days"]));
    page(
        &daemon,
        "/items/U-1/trend?by=days",
        &["U-1 over its runs", "least margin"],
    )
    .await;
    page(&daemon, "/api/v1/items/U-1/trend.svg?by=days", &["U-1"]).await;

    let station = "simulated%20bench%20at%20Tarn%20End";
    let steady = json(&daemon, &format!("/api/v1/stations/{station}/stability")).await;
    assert_eq!(steady, command(&["bench", "history"]));
    page(
        &daemon,
        &format!("/stations/{station}/stability"),
        &["reference", "floor"],
    )
    .await;
    theory(&daemon, &command, &runs).await;
}

async fn theory(daemon: &Daemon, command: &dyn Fn(&[&str]) -> Value, runs: &[String]) {
    let run = runs[0].as_str();
    let questions = json(daemon, "/api/v1/theory").await;
    assert_eq!(questions["questions"].as_array().map(Vec::len), Some(13));
    let asked = format!("length=18%20mm&run={run}");
    let slot = json(daemon, &format!("/api/v1/theory/slot?{asked}")).await;
    let said = command(&["shield", "slot", "--length", "18 mm", "--run", run]);
    assert_eq!(slot, said);
    page(
        daemon,
        &format!("/theory/slot?{asked}"),
        &["A slot: length 18 mm", "Theory, not a measurement", "Ott"],
    )
    .await;
    page(
        daemon,
        &format!("/api/v1/theory/slot/chart.svg?{asked}"),
        &["A slot"],
    )
    .await;
    page(
        daemon,
        "/theory",
        &[
            "A solid sheet",
            "Resonances of a box",
            "Distance for people",
        ],
    )
    .await;
    let box_ = "/api/v1/theory/cavity?size=30%20x%2040%20x%2050%20cm";
    let modes = json(daemon, box_).await;
    // (c/2) sqrt((1/0.5 m)² + (1/0.4 m)²), ORACLES C13.
    let first = modes["resonances"]["modes"][0]["frequency_hz"]
        .as_f64()
        .expect("Hz");
    assert!((first / 479.9e6 - 1.0).abs() < 1e-3, "{modes}");

    let two = format!("first={}&second={run}", runs[1]);
    let layers = json(daemon, &format!("/api/v1/layers?{two}")).await;
    assert_eq!(layers, command(&["shield", "layers", &runs[1], run]));
    page(
        daemon,
        &format!("/layers?{two}"),
        &["The bracket", "whatever the distance"],
    )
    .await;
    page(
        daemon,
        &format!("/api/v1/layers.svg?{two}&measured={run}"),
        &["both, measured"],
    )
    .await;

    let pulse = json(daemon, &format!("/api/v1/runs/{run}/pulse?peak=1000")).await;
    assert_eq!(pulse, command(&["shield", "pulse", run, "--peak", "1000"]));
    page(
        daemon,
        &format!("/runs/{run}/pulse"),
        &["Peak inside, at most", "Not covered"],
    )
    .await;
    page(
        daemon,
        &format!("/api/v1/runs/{run}/pulse.svg"),
        &["A pulse at"],
    )
    .await;
    page(
        daemon,
        &format!("/api/v1/runs/{run}/next.toml?readings=2"),
        &["picked by", "[frequencies]"],
    )
    .await;

    for (path, status, says) in [
        ("/api/v1/theory/slott?length=1mm", 404, "there are sheet"),
        ("/api/v1/theory/slot", 400, "`length` is missing"),
        ("/api/v1/theory/slot?length=18", 400, "has no unit"),
        (
            "/api/v1/theory/slot?length=18mm&width=1mm",
            400,
            "`width` is not an input",
        ),
        (
            "/api/v1/theory/slot?length=18mm&from=2GHz",
            422,
            "above the lowest",
        ),
        (
            "/api/v1/theory/pipe?diameter=1cm&length=3cm&at=18GHz",
            422,
            "cut-off",
        ),
        (
            "/api/v1/theory/slot?length=18mm&from=1Hz&per-decade=101",
            400,
            "from 1 to 100",
        ),
        ("/api/v1/compare?of=item:U-1", 400, "1 sides"),
        ("/api/v1/compare?of=item:U-1&of=item:U-9", 404, "U-9"),
        ("/api/v1/lots/L-9", 404, "L-9"),
        ("/api/v1/items/U-9/trend", 404, "U-9"),
        (
            "/api/v1/layers?first=01&second=01&shortest=1mm",
            400,
            "or neither",
        ),
    ] {
        let answer = daemon.ask(get(path)).await;
        let text = answer.text();
        assert_eq!(answer.status.as_u16(), status, "{path}: {text}");
        assert!(text.contains(says), "{path}: {text}");
    }
}
