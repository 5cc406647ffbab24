//! Lots, comparisons, trends and the station over time, from scanned serials to the verdict, on the simulated bench.

use std::io::Write;
use std::process::Stdio;

use muffle::store::{JobFilter, JobState};
use serde_json::{Value, json};

use crate::daemon::Site;
use crate::support::{Bench, Ended, muffle, plan};

const FREQUENCIES: [&str; 3] = ["100 MHz", "250 MHz", "700 MHz"];

/// A bench with a plan of three frequencies, limit 30 dB.
fn bench(seed: u64) -> Bench {
    let bench = Bench::start(seed);
    bench.write("plan.toml", &plan(&FREQUENCIES));
    bench
}

/// `muffle` with the files of the bench.
pub fn here(bench: &Bench, arguments: &[&str], scanned: &str) -> Ended {
    let mut command = muffle();
    command
        .args(arguments)
        .env("MUFFLE_STATION", bench.path("station.toml"))
        .env("MUFFLE_STORE", bench.path("muffle.db"))
        .current_dir(bench.folder.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let mut process = command.spawn().expect("the program runs");
    let mut input = process.stdin.take().expect("piped");
    input.write_all(scanned.as_bytes()).expect("scanned");
    drop(input);
    process.wait_with_output().expect("it ends").into()
}

/// The units of a lot as jobs of the daemon that owns the station, while somebody scans at the terminal.
#[test]
fn a_lot_is_measured_by_the_daemon_that_owns_the_station() {
    let site = Site::new(false);
    let bench = &site.bench;
    let new = [
        "lot", "new", "L-D", "--model", "D", "--sample", "3", "--accept", "0",
    ];
    here(bench, &new, "").with(0, &[]);
    let daemon = site.serve();
    let measure = ["lot", "measure", "L-D", "plan.toml", "--json"];
    let said = here(bench, &measure, "A\nB\n\n").with(
        2,
        &[
            "unit 1 of 3",
            "2 of 3 units measured: 2 passed, 0 failed, 0 undecided",
        ],
    );
    assert_eq!(said.json()["verdict"], "undecided");
    // The daemon ends, and the rest is measured without it: the sample and the reference go on.
    let (_, code) = daemon.end(rustix::process::Signal::TERM);
    assert_eq!(code, Some(0));
    let said = here(bench, &measure, "B\nC\n").with(0, &["unit 3 of 3", "3 of 3 units measured"]);
    let lot = said.json();
    assert_eq!(lot["verdict"], "pass", "{lot}");
    assert_eq!(
        lot["attributes"]["count"],
        json!({ "pass": 3, "fail": 0, "undecided": 0 })
    );
    let everything = JobFilter::default();
    let all = site.store.jobs(&everything);
    let jobs = site.runtime.block_on(all).expect("jobs");
    assert_eq!(jobs.len(), 2, "{jobs:#?}");
    assert!(jobs.iter().all(|job| job.state == JobState::Done));
    assert!(jobs.iter().all(|job| job.items[0].lot == "L-D"));
    site.nothing_is_lost();
}

/// Units of a lot measured by scanning, with everything a scanner may do wrong, judged both ways.
#[test]
fn a_lot_is_measured_by_scanned_serials_and_judged_both_ways() {
    let bench = bench(3);
    for (number, se_db) in [44.0, 45.0, 43.5, 46.0, 44.5, 45.5].into_iter().enumerate() {
        bench.shelf(&format!("A-{}", number + 1), se_db);
    }
    let new = [
        "lot", "new", "L-A", "--model", "A", "--size", "100", "--sample", "5",
    ];
    let both = ["--accept", "0", "--content", "0.95"];
    here(&bench, &[&new[..], &both].concat(), "").with(0, &[]);
    here(
        &bench,
        &[
            "lot", "new", "L-B", "--model", "B", "--sample", "2", "--accept", "0",
        ],
        "",
    )
    .with(0, &[]);
    here(&bench, &["lot", "measure", "L-B", "plan.toml"], "A-6\n\n").with(
        2,
        &[
            "unit 1 of 2",
            "A-6: pass",
            "1 of 2 units measured: 1 passed",
        ],
    );

    // A-6 is of the other lot, A-2 is scanned again by mistake and then on purpose.
    let scanned = "A-1\nA-6\nA-2\nA-2\nA-3\nA-2\nA-2\nA-4\nA-5\n";
    let said = here(
        &bench,
        &["lot", "measure", "L-A", "plan.toml", "--json"],
        scanned,
    )
    .with(
        0,
        &[
            "A-6 belongs to lot L-B, not to L-A",
            "A-2 was measured before: pass. Scan it once more",
            "unit 3 of 5",
            "5 of 5 units measured: 5 passed, 0 failed, 0 undecided",
        ],
    );
    assert_eq!(
        said.err.matches("reference: done").count(),
        0,
        "the other lot's is still good"
    );
    let lot = said.json();
    assert_eq!(
        (&lot["verdict"], &lot["variables_verdict"]),
        (&json!("pass"), &json!("pass"))
    );
    assert_eq!(
        lot["attributes"]["count"],
        json!({ "pass": 5, "fail": 0, "undecided": 0 })
    );
    let units = lot["units"].as_array().expect("units");
    let runs_of = |serial: &str| {
        let unit = units.iter().find(|unit| unit["serial"] == serial);
        unit.expect(serial)["runs"]
            .as_array()
            .expect("runs")
            .clone()
    };
    assert_eq!(units.len(), 5);
    let twice = runs_of("A-2");
    assert_eq!(
        twice.iter().map(|run| &run["counts"]).collect::<Vec<_>>(),
        [false, true]
    );
    // ORACLES B2: one-sided factor of five values, content and confidence 95 % (ISO 16269-6).
    for at in lot["variables"].as_array().expect("frequencies") {
        let k = at["factor"].as_f64().expect("a factor");
        assert!((k - 4.202681).abs() < 5e-4, "{k}");
        assert_eq!((&at["bounds"], &at["method"]), (&json!(0), &json!("exact")));
    }
    // The plan is fixed once a unit is measured.
    here(
        &bench,
        &["lot", "new", "L-A", "--sample", "5", "--accept", "1"],
        "",
    )
    .with(3, &["its plan is fixed"]);
    // A unit that is measured again and now fails: the latest counts, and the lot is rejected.
    bench.shelf("A-4", 20.0);
    here(
        &bench,
        &["lot", "measure", "L-A", "plan.toml"],
        "A-4\nA-4\n",
    )
    .with(1, &["A-4: fail"]);
    let judged = here(&bench, &["lot", "judge", "L-A"], "").with(1, &[]);
    assert!(
        judged
            .out
            .contains("by attributes: rejected: 1 of 5 units failed"),
        "{}",
        judged.out
    );
    assert!(
        judged.out.contains("pass, fail"),
        "both results are shown: {}",
        judged.out
    );
    bench.is_off();
}

/// One that cannot pass any more is told of before its sample is complete.
#[test]
fn a_lot_that_is_lost_is_told_of_early() {
    let bench = bench(4);
    bench.shelf("X-1", 20.0);
    here(
        &bench,
        &["lot", "new", "L-X", "--sample", "13", "--accept", "0"],
        "",
    )
    .with(0, &[]);
    let said = here(
        &bench,
        &["lot", "measure", "L-X", "plan.toml"],
        "X-1\ndone\n",
    );
    let said = said.with(
        1,
        &["lot L-X: rejected, 1 of 13 units measured: the units that are left could not change it"],
    );
    assert!(
        said.out.contains("12 units are not measured yet"),
        "{}",
        said.out
    );
    // Without a limit there is nothing to judge against.
    let text = plan(&FREQUENCIES);
    let limitless = text.split("[limit]").next().expect("a plan");
    bench.write("limitless.toml", limitless);
    here(&bench, &["lot", "measure", "L-X", "limitless.toml"], "").with(3, &["has no [limit]"]);
}

/// Two models, one better by 3 dB: said so; one item with itself: not said to be better.
#[test]
fn two_models_are_compared() {
    let bench = bench(5);
    // Spread by hand about 45 and 50 dB.
    let spread = [-0.8, 0.5, 0.1, -0.3, 0.7, -0.2];
    for (model, centre) in [("A", 45.0), ("B", 50.0)] {
        let mut arguments = vec!["measure".to_owned(), "plan.toml".to_owned()];
        for (number, off) in spread.iter().enumerate() {
            bench.shelf(&format!("{model}-{number}"), centre + off);
            arguments.extend(["--item".to_owned(), format!("{model}-{number}")]);
        }
        arguments.extend(["--model".to_owned(), model.to_owned()]);
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        here(&bench, &arguments, "").with(0, &[]);
    }
    let picture = bench.path("difference.svg").display().to_string();
    let arguments = [
        "compare",
        "model:B",
        "model:A",
        "--within",
        "3dB",
        "--picture",
        &picture,
    ];
    let said = here(&bench, &arguments, "").with(0, &[]);
    assert!(said.out.contains("model:B is better by "), "{}", said.out);
    assert!(
        said.out.contains("subtracted from one reference"),
        "{}",
        said.out
    );
    let svg = std::fs::read_to_string(&picture).expect("a picture");
    assert!(svg.contains("model:B minus model:A") && svg.ends_with("</svg>"));
    let wide = here(
        &bench,
        &["compare", "B", "A", "--within", "8dB", "--json"],
        "",
    )
    .with(0, &[]);
    let document = wide.json();
    let comparison: &Value = &document["comparisons"][0];
    assert_eq!(comparison["conclusion"], "equal", "{comparison}");
    // Two single runs of unlike items: more uncertain, but these are 5 dB apart.
    here(&bench, &["compare", "A-0", "B-0", "--within", "1 dB"], "").with(0, &[]);
    here(&bench, &["compare", "A", "nobody"], "").with(3, &["nobody", "no complete run"]);
    here(&bench, &["compare", "A", "A"], "").with(3, &["named twice"]);
}

/// A pouch that wears by 0.5 dB a wash from 40 dB crosses 30 dB at 20 washes.
#[test]
fn wear_is_followed_and_its_crossing_foretold() {
    let bench = bench(6);
    let scatter = [0.2, -0.3, 0.1, 0.3, -0.2, -0.1];
    for (visit, off) in scatter.iter().enumerate() {
        let washes = 2 * visit;
        bench.shelf("W-1", 40.0 - 0.5 * washes as f64 + off);
        let cycles = washes.to_string();
        let arguments = ["measure", "plan.toml", "--item", "W-1", "--cycles", &cycles];
        here(&bench, &arguments, "").with(0, &[]);
    }
    let document = here(&bench, &["trend", "W-1", "--json"], "")
        .with(0, &[])
        .json();
    assert_eq!(document["axis"], "cycles");
    let crossing = &document["deciding"]["crossing"];
    let number = |key: &str| crossing[key].as_f64().expect("a number");
    assert_eq!(
        (&crossing["state"], &crossing["within_data"]),
        (&json!("at"), &json!(false))
    );
    assert!(
        number("from") < 20.0 && 20.0 < number("to") && number("to") < 30.0,
        "{crossing}"
    );
    let picture = bench.path("wear.png").display().to_string();
    let said = here(
        &bench,
        &[
            "trend",
            "W-1",
            "--event",
            "wash",
            "--events",
            "washes",
            "--picture",
            &picture,
        ],
        "",
    )
    .with(0, &[]);
    assert!(
        said.out.contains("the least margin of W-1 falls by 0."),
        "{}",
        said.out
    );
    assert!(
        std::fs::read(&picture)
            .expect("a picture")
            .starts_with(b"\x89PNG")
    );
    // The same item before and after, unit by unit or not, by its cycles.
    here(&bench, &["compare", "W-1@0", "W-1@10"], "").with(0, &[]);
    here(&bench, &["compare", "W-1@0", "W-1@7"], "").with(3, &["after that many cycles"]);
}

/// A check item that moves by 3 dB is seen; closings and operators are told apart.
#[test]
fn a_station_that_has_moved_is_seen() {
    let bench = bench(7);
    let scatter = [0.3, -0.2, 0.1, -0.4, 0.2, 0.0, -0.1, 0.4, -0.3, 0.1];
    let measure = |se_db: f64, operator: &str| {
        bench.shelf("CHK", se_db);
        let arguments = [
            "measure",
            "plan.toml",
            "--item",
            "CHK",
            "--operator",
            operator,
        ];
        here(&bench, &arguments, "").with(0, &[]);
    };
    for (visit, off) in scatter.iter().enumerate() {
        measure(40.0 + off, ["first", "second"][visit % 2]);
    }
    here(&bench, &["bench", "history"], "").with(2, &[]);
    here(&bench, &["bench", "check-item", "nobody"], "").with(3, &["nobody"]);
    here(&bench, &["bench", "check-item", "CHK"], "").with(0, &[]);
    let sound = here(&bench, &["bench", "history", "--json"], "")
        .with(0, &[])
        .json();
    let gauge = &sound["gauge"][0];
    assert_eq!(
        (&gauge["operators"], &gauge["readings"]),
        (&json!(2), &json!(10))
    );
    let spread = sound["repeatability_db"]
        .as_f64()
        .expect("a standard deviation");
    assert!((0.1..1.0).contains(&spread), "{spread}");
    measure(43.0, "first");
    let picture = bench.path("charts.svg").display().to_string();
    let moved = here(
        &bench,
        &[
            "bench",
            "history",
            "--baseline",
            "10",
            "--picture",
            &picture,
        ],
        "",
    )
    .with(1, &[]);
    assert!(
        moved
            .out
            .contains("mean: a value beyond the control limits: at value 11"),
        "{}",
        moved.out
    );
    let svg = std::fs::read_to_string(&picture).expect("a picture");
    assert!(svg.contains("check item CHK: moving ranges"));
}

/// A calibration that is over is warned of, and refused where the station says so, before anything is sent.
#[test]
fn an_overdue_calibration_is_warned_of_or_refused() {
    let bench = bench(8);
    bench.shelf("C-1", 40.0);
    let overdue =
        "\n[[calibration]]\nwhat = \"receiver\"\ndue = \"2020-01-31\"\ncertificate = \"K 17\"\n";
    bench.write("station.toml", &format!("{}{overdue}", bench.station_text));
    let warning = "the calibration of receiver was due on 2020-01-31";
    let checked = here(&bench, &["bench", "check"], "").with(0, &[warning]);
    assert!(
        checked
            .out
            .contains("calibrated until 2020-01-31: receiver, K 17"),
        "{}",
        checked.out
    );
    bench.write(
        "station.toml",
        &format!("refuse_overdue = true\n{}{overdue}", bench.station_text),
    );
    let measure = ["measure", "plan.toml", "--item", "C-1"];
    here(&bench, &measure, "").with(3, &[warning, "refuse_overdue"]);
    bench.never_on();
    bench.write("station.toml", &format!("{}{overdue}", bench.station_text));
    here(&bench, &measure, "").with(0, &[warning]);
    let slip = overdue.replace("2020-01-31", "31.1.2020");
    bench.write("station.toml", &format!("{}{slip}", bench.station_text));
    here(&bench, &measure, "").with(3, &["calibration[1].due", "is not a day"]);
}
