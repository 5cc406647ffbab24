//! Bad input: each with its own clear error, nothing lost, and the output off.
//!
//! What can be seen to be wrong in a file is seen before an instrument hears a word and before a database
//! is made (exit code 3); a bench that fails leaves a run that can be gone on with (4); a database that
//! cannot be written stops the measuring (5).

use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};

use crate::fake::{FakeBench, block};
use crate::support::{Bench, Ended, muffle, plan, show_run};

/// A bench with a short plan and an item of 40 dB.
fn bench() -> Bench {
    let bench = Bench::start(1);
    bench.write("plan.toml", &plan(&["100 MHz", "200 MHz"]));
    bench.shelf("B-1", 40.0);
    bench
}

/// Fails unless the input was refused for every one of `reasons`, before anything was touched.
#[track_caller]
fn refused(bench: &Bench, reasons: &[&str]) {
    bench.measure("B-1").with(3, reasons);
    untouched(bench);
}

#[track_caller]
fn untouched(bench: &Bench) {
    assert_eq!(bench.commands("source"), 0, "the source heard something");
    assert_eq!(
        bench.commands("receiver"),
        0,
        "the receiver heard something"
    );
    assert!(!bench.path("muffle.db").exists(), "a database was made");
}

/// After the fault is gone, what is missing is measured, and only that.
#[track_caller]
fn resumes(bench: &Bench) -> Value {
    let document = bench.resume();
    assert_eq!(document.code, Some(0), "{document:#?}");
    let latest = bench.latest();
    assert_eq!(latest["state"], "complete");
    bench.is_off();
    latest
}

#[test]
fn unknown_keys_are_named_with_their_place() {
    let bench = bench();
    let good = plan(&["100 MHz"]);
    bench.write(
        "plan.toml",
        &good.replace("sweeps = 2", "sweps = 2\ncolour = \"red\""),
    );
    refused(
        &bench,
        &[
            "plan.toml:12:1: `settings.sweps`: is not a known key; did you mean `sweeps`?",
            "plan.toml:13:1: `settings.colour`: is not a known key",
        ],
    );
    bench.write("plan.toml", &good);
    let station = bench.station_text.replace("input_max", "imput_max");
    bench.write("station.toml", &station);
    refused(
        &bench,
        &["`amplifier.imput_max`: is not a known key; did you mean `input_max`?"],
    );
}

#[test]
fn wrong_units_are_told_apart() {
    let bench = bench();
    let good = plan(&["100 MHz"]);
    for (from, to, reason) in [
        (
            "\"100 MHz\"",
            "\"100 mHz\"",
            "`frequencies.list`: entry 1: `100 mHz`",
        ),
        (
            "\"100 MHz\"",
            "\"100\"",
            "`frequencies.list`: entry 1: `100`",
        ),
        (
            "\"100 MHz\"",
            "100",
            "`frequencies.list`: entry 1: must be a frequency such as \"100 MHz\"",
        ),
        (
            "\"100 MHz\"",
            "\"-1 MHz\"",
            "`frequencies.list`: entry 1: `-1 MHz`",
        ),
        (
            "\"100 MHz\"",
            "\"NaN MHz\"",
            "`frequencies.list`: entry 1: `NaN MHz`",
        ),
        (
            "\"-10 dBm\"",
            "\"-10 dB\"",
            "`settings.source_level`: `-10 dB`",
        ),
        (
            "\"10 dB\"",
            "\"10 dBm\"",
            "`settings.attenuation`: `10 dBm`",
        ),
        ("\"1 ms\"", "\"1 m\"", "`settings.settle`: `1 m`"),
    ] {
        assert!(good.contains(from), "{from}");
        bench.write("plan.toml", &good.replace(from, to));
        refused(&bench, &["plan.toml:", reason]);
    }
    bench.write("plan.toml", &good.replace("\"100 MHz\"", "\"100 mHz\""));
    refused(&bench, &["MHz"]);
}

#[test]
fn a_plan_beyond_the_instruments_is_refused() {
    let bench = bench();
    bench.write("plan.toml", &plan(&["1 kHz", "100 MHz", "4 GHz"]));
    refused(
        &bench,
        &[
            "1 kHz is outside the source's range of 9 kHz to 3 GHz",
            "1 kHz is outside the receiver's range of 9 kHz to 3 GHz",
            "4 GHz is outside the source's range",
        ],
    );
    let loud = plan(&["100 MHz"]).replace("-10 dBm", "20 dBm");
    bench.write("plan.toml", &loud);
    refused(
        &bench,
        &["source_level 20 dBm is outside the source's range of -60 dBm to 13 dBm"],
    );
}

#[test]
fn a_missing_driver_is_named() {
    let bench = bench();
    let other = |driver: &str| bench.station_text.replace("analyzer-scpi", driver);
    bench.write("station.toml", &other("analyser"));
    refused(
        &bench,
        &["station.toml:", "there is no driver `analyser`; built in: "],
    );
    bench.write("station.toml", &other("mine/analyzer.toml"));
    refused(
        &bench,
        &["`receiver.driver`: cannot read", "mine/analyzer.toml"],
    );
    bench.write("mine.toml", "name = \"mine\"\nrole = \"receiver\"\n");
    bench.write("station.toml", &other("mine.toml"));
    refused(&bench, &["mine.toml:", "`dialect`"]);
}

#[test]
fn a_missing_file_is_named() {
    let bench = bench();
    std::fs::remove_file(bench.path("plan.toml")).expect("removed");
    refused(&bench, &["cannot read", "plan.toml: No such file"]);
}

#[test]
fn a_refused_connection_says_where() {
    let bench = bench();
    // A port that was free a moment ago.
    let closed = std::net::TcpListener::bind("127.0.0.1:0").expect("a socket");
    let nobody = format!("tcp://{}", closed.local_addr().expect("bound"));
    drop(closed);
    for role in ["source", "receiver"] {
        let there = bench.addresses[role]["tcp"].as_str().expect("an address");
        bench.write("station.toml", &bench.station_text.replace(there, &nobody));
        bench.measure("B-1").with(
            4,
            &[
                &format!("{role}: cannot reach {nobody}: Connection refused"),
                "check the address",
            ],
        );
        bench.never_on();
    }
}

#[test]
fn another_instrument_is_never_switched_on() {
    for role in ["source", "receiver"] {
        let bench = bench();
        bench.ask(&json!({ "do": "fault", "on": role, "identity": "Nobody,Toaster,1,1" }));
        bench.measure("B-1").with(
            4,
            &[
                &format!("{role} at tcp://"),
                "says it is \"Nobody,Toaster,1,1\", which does not match `Simulated",
                "nothing was switched on",
            ],
        );
        bench.never_on();
    }
}

#[test]
fn one_short_trace_costs_a_second_attempt() {
    let bench = bench();
    bench.ask(&json!({ "do": "fault", "on": "receiver", "wrong_length": true }));
    bench.measure("B-1").with(
        0,
        &["once more, because receiver: a trace of 200 points where 201 were set"],
    );
    let latest = bench.latest();
    assert_eq!(latest["points"].as_array().map(Vec::len), Some(2));
    bench.is_off();
}

/// A bench whose receiver goes wrong from the second frequency on.
fn wrong_at_200_mhz(driver: &str, wrong: fn(&str) -> Option<Vec<u8>>) -> FakeBench {
    FakeBench::start(&plan(&["100 MHz", "200 MHz"]), driver, move |air, unit| {
        let spoilt = wrong(unit).filter(|_| air.centre_hz == 200e6);
        spoilt.or_else(|| (unit == "TRAC:DATA? TRACE1").then(|| block(&air.trace(-95.0, -30.0))))
    })
}

/// The run has failed and says why; what was read before is kept.
#[track_caller]
fn failed_after_two_readings(bench: &FakeBench, reason: &str) {
    let ended = bench.measure("B-1", &[]).with(
        4,
        &[
            "reference, floor reading at 200 MHz, open, vertical",
            reason,
            "Everything read so far is kept",
            "muffle measure --resume ",
        ],
    );
    bench.is_off();
    let said = crate::support::show(&bench.path("muffle.db"), &["--json"]).json();
    assert_eq!(said["state"], "failed", "{ended:#?}");
    assert!(said["reason"].as_str().expect("a reason").contains(reason));
    let points = said["points"].as_array().expect("points");
    assert_eq!(points.len(), 1, "{said}");
    assert_eq!(points[0]["reference_dbm"], -30.0);
}

#[test]
fn traces_that_stay_too_short_end_the_run() {
    let bench = wrong_at_200_mhz("analyzer-scpi", |unit| {
        (unit == "TRAC:DATA? TRACE1").then(|| block(&[-95.0; 150]))
    });
    failed_after_two_readings(&bench, "receiver: a trace of 150 points where 201 were set");
}

#[test]
fn answers_that_are_no_numbers_end_the_run() {
    let register = wrong_at_200_mhz("analyzer-scpi", |unit| {
        (unit == "STAT:QUES:POW:COND?").then(|| b"pear".to_vec())
    });
    failed_after_two_readings(
        &register,
        "receiver: `STAT:QUES:POW:COND?` gave \"pear\", which is not the number of a status register",
    );
    let level = wrong_at_200_mhz("analyzer-scpi", |unit| {
        let mut levels = [-95.0; 201];
        levels[16] = f32::NAN;
        (unit == "TRAC:DATA? TRACE1").then(|| block(&levels))
    });
    failed_after_two_readings(&level, "receiver: point 17 of the trace is");
    let bare = wrong_at_200_mhz("analyzer-scpi", |unit| {
        (unit == "TRAC:DATA? TRACE1").then(|| b"-95,pear,-95".to_vec())
    });
    failed_after_two_readings(&bare, "no block of binary data, but \"-95,pear,-95\"");
}

#[test]
fn a_text_trace_with_a_word_in_it_ends_the_run() {
    let driver = include_str!("../../drivers/analyzer-scpi.toml")
        .replace("\"FORM REAL,32\", \"FORM:BORD SWAP\"", "\"FORM ASC\"")
        .replace(
            "encoding = \"real32\"\nbyte_order = \"little\"",
            "encoding = \"text\"",
        );
    let bench = FakeBench::start(&plan(&["100 MHz"]), "text.toml", |air, unit| {
        let levels = air.trace(-95.0, -30.0);
        let mut words: Vec<_> = levels.iter().map(f32::to_string).collect();
        if air.source_on {
            words[4] = "pear".to_owned();
        }
        (unit == "TRAC:DATA? TRACE1").then(|| words.join(",").into_bytes())
    });
    std::fs::write(bench.path("text.toml"), driver).expect("written");
    bench.measure("B-1", &[]).with(
        4,
        &["receiver: point 5 of the trace is \"pear\", which is not a level"],
    );
    bench.is_off();
}

/// The station file of a bench where something goes wrong just after everything is placed.
fn wrong_when_placed(bench: &Bench, fault: &Value) -> String {
    let control = bench.addresses["control"].as_str().expect("an address");
    let script = format!("\"$1\" sim ask {control} '{fault}' && exec \"$@\"");
    let words = format!("command = [\"sh\", \"-c\", {}, \"_\", ", json!(script));
    bench.station_text.replace("command = [", &words)
}

#[test]
fn noise_on_the_wire_costs_another_attempt() {
    for (port, what) in [
        ("source", "garbage"),
        ("source", "drop"),
        ("receiver", "garbage"),
        ("receiver", "drop"),
    ] {
        let bench = bench();
        let fault = json!({ "do": "fault", "on": port, what: true });
        bench.write("station.toml", &wrong_when_placed(&bench, &fault));
        let ended = bench
            .measure("B-1")
            .with(0, &[&format!("once more, because {port}: ")]);
        // Once for the reference and once for the item.
        assert_eq!(ended.err.matches("once more").count(), 2, "{ended:#?}");
        assert_eq!(
            bench.latest()["points"].as_array().map(Vec::len),
            Some(2),
            "{what} at the {port}"
        );
        bench.is_off();
    }
}

#[test]
fn errors_of_an_instrument_are_shown_with_what_was_said_to_it() {
    let bench = bench();
    let fault = json!({ "do": "fault", "on": "receiver", "errors": 2 });
    bench.write("station.toml", &wrong_when_placed(&bench, &fault));
    bench.measure("B-1").with(
        4,
        &[
            "receiver: `FREQ:CENT 100000000; ",
            "was answered with -300,\"Device-specific error;planted fault 1\", -300,\"Device-specific error;planted fault 2\"",
        ],
    );
    bench.is_off();
    bench.write("station.toml", &bench.station_text);
    bench.resume().with(
        3,
        &["station file, drivers or settings have changed since it was begun"],
    );
}

#[test]
fn a_database_that_cannot_be_made_stops_everything() {
    let bench = bench();
    let file = bench.write("file", "not a folder");
    let at = |path: &Path| -> Ended {
        muffle()
            .arg("measure")
            .arg(bench.path("plan.toml"))
            .args(["--item", "B-1", "--station"])
            .arg(bench.path("station.toml"))
            .arg("--store")
            .arg(path)
            .output()
            .expect("the program runs")
            .into()
    };
    at(&file.join("muffle.db")).with(5, &["is not a folder; create it or name another path"]);
    at(&bench.path("none/muffle.db")).with(5, &["none` is not a folder; create it"]);
    at(Path::new("/proc/muffle.db")).with(5, &["/proc/muffle.db: cannot be opened"]);
    at(&file).with(5, &["file: not a database; name the right file"]);
    assert_eq!(
        std::fs::read_to_string(&file).expect("there"),
        "not a folder"
    );
    untouched(&bench);
}

/// Runs `script` where a small disk is mounted at `disk`; none where that is not allowed here.
fn on_a_disk(bench: &Bench, options: &str, script: &str) -> Option<Ended> {
    let disk = bench.path("disk");
    std::fs::create_dir_all(&disk).expect("a folder");
    let mount = format!("mount -t tmpfs -o {options} none {}", disk.display());
    for flags in [&["--mount"][..], &["--user", "--map-root-user", "--mount"]] {
        let within = |script: &str| {
            let mut command = Command::new("unshare");
            command.args(flags).args(["sh", "-c", script]);
            command.env("MUFFLE", env!("CARGO_BIN_EXE_muffle"));
            command.current_dir(bench.folder.path()).output()
        };
        if within(&mount).is_ok_and(|tried| tried.status.success()) {
            let script = format!("{mount} && {script}");
            return Some(within(&script).expect("it ran before").into());
        }
    }
    println!("skipped: no file system can be mounted here (no privilege, or no unshare)");
    None
}

const MEASURE: &str = "\"$MUFFLE\" measure plan.toml --item B-1 --station station.toml --store disk/muffle.db </dev/null";

#[test]
fn a_read_only_disk_stops_everything() {
    let bench = bench();
    if let Some(ended) = on_a_disk(&bench, "ro", MEASURE) {
        ended.with(5, &["disk/muffle.db: "]);
        untouched(&bench);
    }
}

#[test]
fn a_full_disk_keeps_what_was_read() {
    let bench = bench();
    let many: Vec<_> = (1..=200).map(|n| format!("{n} MHz")).collect();
    let many: Vec<_> = many.iter().map(String::as_str).collect();
    bench.write("plan.toml", &plan(&many));
    // Room for the empty database and its log, and for some readings.
    let script = format!("{MEASURE}; code=$?; cp disk/muffle.db* .; exit $code",);
    let Some(ended) = on_a_disk(&bench, "size=2000k", &script) else {
        return;
    };
    ended.with(
        5,
        &["the disk is full; what was kept before is safe; free some space and resume"],
    );
    kept_and_resumable(&bench);
}

#[test]
fn a_file_that_may_not_grow_keeps_what_was_read() {
    let bench = bench();
    let many: Vec<_> = (1..=200).map(|n| format!("{n} MHz")).collect();
    let many: Vec<_> = many.iter().map(String::as_str).collect();
    bench.write("plan.toml", &plan(&many));
    // The limit of the shell for the size of a file, in blocks of 512 bytes, with its signal ignored: the
    // write fails as on a full quota. Needs no privilege, unlike a full disk.
    let script = format!(
        "trap '' XFSZ; ulimit -f 4000; {}",
        MEASURE.replace("disk/", "")
    );
    let ended: Ended = Command::new("sh")
        .args(["-c", &script])
        .env("MUFFLE", env!("CARGO_BIN_EXE_muffle"))
        .current_dir(bench.folder.path())
        .output()
        .expect("a shell")
        .into();
    ended.with(5, &["muffle.db: cannot "]);
    kept_and_resumable(&bench);
}

/// Some readings are there, the source is off, and the rest is measured once there is room again.
#[track_caller]
fn kept_and_resumable(bench: &Bench) {
    bench.is_off();
    let before = bench.latest();
    let read = before["points"].as_array().expect("points").len();
    assert!(read > 2 && read < 200, "{read} points were read");
    // Everything that was ordered is measured: the reference that was cut off, and then the item.
    let item = resumes(bench);
    assert_eq!(item["points"].as_array().map(Vec::len), Some(200));
    let run = before["run"].as_str().expect("an id");
    let after = show_run(run, &bench.path("muffle.db"), &["--json"]).json();
    assert_eq!(after["points"].as_array().map(Vec::len), Some(200));
    assert_eq!(
        after["points"][0], before["points"][0],
        "what was read stays"
    );
}

#[test]
fn any_serial_comes_back_as_it_was() {
    let serials = [
        "P-'0042'; DROP TABLE run;--",
        "\"quoted\" \\back\\slash",
        "🛰️ été Ω 测试",
        "--item={face}",
        "<b>&amp;</b>",
    ];
    let bench = bench();
    bench.write("plan.toml", &plan(&["100 MHz"]));
    for serial in serials {
        bench.shelf(serial, 40.0);
        let mut command = bench.measure_command("B-1");
        command.arg(format!("--item={serial}")).arg("--json");
        let ended: Ended = command.output().expect("runs").into();
        let document = ended.with(0, &[]).json();
        let runs = document["runs"].as_array().expect("runs");
        assert_eq!(runs.last().expect("a run")["item"], serial);
        assert_eq!(bench.latest()["item"], serial);
        let of_it: Ended = muffle()
            .args(["history", "--json", &format!("--item={serial}"), "--store"])
            .arg(bench.path("muffle.db"))
            .output()
            .expect("runs")
            .into();
        let listed = of_it.with(0, &[]).json();
        assert_eq!(listed["runs"].as_array().map(Vec::len), Some(1), "{listed}");
    }
}

#[test]
fn a_serial_that_cannot_be_kept_is_refused_before_anything_is_sent() {
    let bench = bench();
    let long = "€".repeat(10 << 10);
    for serial in [long.as_str(), "two\nlines", "\u{1b}[2J", " "] {
        let ended = bench.measure(serial).with(
            3,
            &["cannot be used: give 1 to 200 characters, none of them a control character"],
        );
        assert!(
            ended.err.len() < 1000,
            "the serial itself is not poured out"
        );
        assert!(
            !ended.err.contains('\u{1b}'),
            "nor can it disturb a terminal"
        );
    }
    let items = json!({ "serial": long }).to_string();
    bench.write(
        "items.toml",
        &items
            .replace("{\"serial\":", "[[item]]\nserial = ")
            .replace('}', "\n"),
    );
    let mut command = bench.measure_command("B-1");
    command.arg("--items").arg(bench.path("items.toml"));
    let ended: Ended = command.output().expect("runs").into();
    ended.with(3, &["cannot be used"]);
    untouched(&bench);
}

#[test]
fn a_protected_band_needs_its_permission() {
    let bench = bench();
    let band = "\n[[protected]]\nname = \"hydrogen line\"\nband = [\"1400 MHz\", \"1427 MHz\"]\n";
    bench.write("station.toml", &format!("{}{band}", bench.station_text));
    let inside = plan(&["1420 MHz"]);
    bench.write("plan.toml", &inside);
    refused(
        &bench,
        &[
            "1.42 GHz lies in the protected band `hydrogen line` (1.4 GHz to 1.427 GHz)",
            "[[permission]]",
        ],
    );
    bench.never_on();
    let permission =
        "\n[[permission]]\nband = \"hydrogen line\"\ntext = \"chamber 2, letter of 3 May\"\n";
    bench.write("plan.toml", &format!("{inside}{permission}"));
    bench.measure("B-1").with(0, &[]);
    assert!(bench.state()["emissions"].as_u64() >= Some(2));
    let words = tokio::runtime::Runtime::new()
        .expect("a runtime")
        .block_on(async {
            let store = muffle::store::Store::open_read_only(&bench.path("muffle.db"))
                .await
                .expect("opens");
            let run = store.runs(&Default::default()).await.expect("runs")[0].id;
            store.emissions(run).await.expect("a log")[0].why.clone()
        });
    assert!(
        words.contains("permission: chamber 2, letter of 3 May"),
        "{words}"
    );
    bench.is_off();
}
