//! What was measured, as the API and the page show it.

use muffle::daemon::access::Access;
use serde_json::Value;

use super::served::{Daemon, get};
use crate::support::{Bench, plan};

#[tokio::test]
async fn a_run_can_be_read_whole_as_tables_and_as_pictures() {
    let bench = Bench::start(5);
    bench.write("plan.toml", &plan(&["100 MHz", "250 MHz"]));
    bench.shelf("T-1", 40.0);
    bench.measure("T-1").with(0, &[]);
    let of_command = bench.latest();
    let daemon = Daemon::over(
        &bench.path("station.toml"),
        &bench.path("muffle.db"),
        Access::without_rates,
        &["100 MHz"],
    )
    .await;

    let first = daemon.ask(get("/api/v1/runs?limit=1")).await.json();
    let second = format!(
        "/api/v1/runs?limit=1&after={}",
        first["next"].as_str().expect("more")
    );
    let second = daemon.ask(get(&second)).await.json();
    assert_eq!(second["next"], Value::Null);
    let (item, reference) = (&first["runs"][0], &second["runs"][0]);
    assert_eq!(
        (&item["item"], &item["kind"]),
        (&"T-1".into(), &"item".into())
    );
    assert_eq!(reference["kind"], "reference");
    let fit = daemon
        .ask(get("/api/v1/runs?item=T-1&verdict=pass&kind=item"))
        .await
        .json();
    assert_eq!(fit["runs"].as_array().map(Vec::len), Some(1));
    let none = daemon
        .ask(get("/api/v1/runs?item=T-1&verdict=fail"))
        .await
        .json();
    assert_eq!(none["runs"], serde_json::json!([]));

    let run = item["run"].as_str().expect("an id");
    let document = daemon.ask(get(&format!("/api/v1/runs/{run}"))).await.json();
    assert_eq!(document, of_command, "the same document as the command's");

    let table = daemon
        .ask(get(&format!("/api/v1/runs/{run}/points.csv")))
        .await
        .text();
    assert_eq!(
        table.lines().count(),
        1 + document["points"].as_array().map_or(0, Vec::len)
    );
    traces(&daemon, run, &document["points"][0]).await;

    let chart = daemon
        .ask(get(&format!("/api/v1/runs/{run}/chart.svg")))
        .await;
    assert_eq!(chart.headers["content-type"], "image/svg+xml");
    assert!(chart.text().starts_with("<svg"));
    let page = daemon.ask(get(&format!("/runs/{run}"))).await.text();
    assert!(
        page.contains("T-1") && page.contains("<svg") && page.contains("/point?"),
        "{page}"
    );
    let items = daemon.ask(get("/api/v1/items")).await.json();
    assert_eq!(items["items"][0]["serial"], "T-1");
    let history = daemon
        .ask(get("/history?item=T-1&model=&verdict=&since=2026-01-01"))
        .await;
    assert_eq!(history.status, 200, "{}", history.text());
    assert!(history.text().contains(&format!("/runs/{run}")));
}

async fn traces(daemon: &Daemon, run: &str, point: &Value) {
    let query = format!(
        "frequency_hz={}&face={}&polarisation={}&repeat={}",
        point["frequency_hz"],
        point["face"].as_str().expect("a face"),
        point["polarisation"].as_str().expect("a polarisation"),
        point["repeat"]
    );
    let answer = daemon
        .ask(get(&format!("/api/v1/runs/{run}/traces?{query}")))
        .await
        .json();
    let traces = answer["traces"].as_array().expect("traces");
    let names: Vec<_> = traces
        .iter()
        .map(|trace| (&trace["of"], &trace["kind"]))
        .collect();
    for (of, kind) in [
        ("reference", "floor"),
        ("reference", "signal"),
        ("item", "floor"),
        ("item", "signal"),
    ] {
        assert!(
            names.contains(&(&of.into(), &kind.into())),
            "{of} {kind}: {names:?}"
        );
    }
    let signal = traces
        .iter()
        .find(|t| t["of"] == "item" && t["kind"] == "signal")
        .expect("it");
    let levels = signal["levels"].as_array().expect("levels");
    let highest = levels
        .iter()
        .filter_map(Value::as_f64)
        .fold(f64::MIN, f64::max);
    assert!((highest - signal["peak_dbm"].as_f64().expect("a peak")).abs() < 1e-3);
    let table = daemon
        .ask(get(&format!("/api/v1/runs/{run}/traces.csv?{query}")))
        .await
        .text();
    let count: usize = traces
        .iter()
        .map(|t| t["levels"].as_array().map_or(0, Vec::len))
        .sum();
    assert_eq!(table.lines().count(), 1 + count);
    let page = daemon
        .ask(get(&format!("/runs/{run}/point?{query}")))
        .await
        .text();
    assert_eq!(page.matches("<svg class=\"trace\"").count(), traces.len());
}
