//! Another user of the same machine, who wants to stop what is measured, or have files of its owner removed.

use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixListener;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::support::{Bench, Ended, muffle, plan};

/// The longest that anything here may take.
const PATIENCE: Duration = Duration::from_secs(60);
/// The user called `nobody`.
const NOBODY: u32 = 65534;

struct House {
    bench: Bench,
    run: PathBuf,
}

impl House {
    /// A slow bench, and a folder for locks that others may enter and look at.
    fn new() -> Self {
        let bench = Bench::start(11);
        bench.write("station.toml", &bench.station_text);
        bench.write("plan.toml", &plan(&["100 MHz", "200 MHz"]));
        bench.shelf("B-1", 40.0);
        bench.ask(&json!({ "do": "fault", "on": "receiver", "delay_ms": 250 }));
        let run = bench.path("run");
        std::fs::create_dir(&run).expect("a folder");
        for folder in [bench.folder.path(), &run] {
            let open = std::fs::Permissions::from_mode(0o755);
            std::fs::set_permissions(folder, open).expect("readable");
        }
        Self { bench, run }
    }

    fn measure(&self) -> Child {
        let mut command = self.bench.measure_command("B-1");
        command
            .arg("--fresh-reference")
            .env("MUFFLE_RUN_DIR", &self.run);
        command.stdout(Stdio::null()).stderr(Stdio::piped());
        command.spawn().expect("the program runs")
    }

    fn transmit(&self) -> Child {
        let process = self.measure();
        let begun = Instant::now();
        while self.bench.state()["source"]["on"] != true {
            assert!(begun.elapsed() < PATIENCE, "it does not transmit");
            std::thread::sleep(Duration::from_millis(5));
        }
        process
    }

    fn files(&self, ending: &str) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(&self.run).expect("readable").flatten();
        let paths = entries.map(|entry| entry.path());
        paths
            .filter(|path| path.extension().is_some_and(|it| it == ending))
            .collect()
    }

    fn finish(&self) {
        self.bench
            .ask(&json!({ "do": "fault", "on": "receiver", "delay_ms": 0 }));
    }
}

fn ended(process: Child) -> Ended {
    process.wait_with_output().expect("ended").into()
}

/// Whether an attempt of the other user came to anything.
fn attempt(line: &str, run: &Path) -> bool {
    let mut command = Command::new("sh");
    command.args(["-c", line]).env("RUN", run);
    command.stdout(Stdio::null()).stderr(Stdio::null());
    let tried = command.uid(NOBODY).gid(NOBODY).status();
    tried.expect("a shell").success()
}

fn say_to_each_socket(request: &Value) -> String {
    format!(
        "python3 - <<'END'\nimport glob, os, socket, sys\nfor path in glob.glob(os.environ['RUN'] + '/*.sock'):\n    s = socket.socket(socket.AF_UNIX)\n    s.settimeout(3)\n    s.connect(path)\n    s.sendall(b'{request}\\n')\n    sys.exit(0 if s.recv(1000) else 1)\nEND"
    )
}

#[test]
fn another_user_stops_nothing_and_takes_nothing_over() {
    if !rustix::process::geteuid().is_root() {
        println!("only an administrator can act as another user");
        return;
    }
    let house = House::new();
    let process = house.transmit();
    let locks = house.files("lock");
    assert!(!locks.is_empty() && !house.files("sock").is_empty());
    let keeper = format!(
        "kill -9 $(ps -o pid= --ppid {}) || kill -9 {}",
        process.id(),
        process.id()
    );
    let attempts = [
        ("remove the locks", "rm -f \"$RUN\"/*.lock".to_owned()),
        (
            "write a lock",
            "echo '{}' > \"$RUN\"/0123456789abcdef.lock".to_owned(),
        ),
        (
            "write into a lock",
            "for f in \"$RUN\"/*.lock; do echo '{}' > \"$f\" || exit 1; done".to_owned(),
        ),
        (
            "move the folder away",
            "mv \"$RUN\" \"$RUN\".away".to_owned(),
        ),
        (
            "put a folder in its place",
            "rmdir \"$RUN\" && mkdir \"$RUN\"".to_owned(),
        ),
        (
            "call for a stop",
            say_to_each_socket(&json!({ "stop": { "who": "a stranger" } })),
        ),
        ("dismiss the keeper", say_to_each_socket(&json!("give_way"))),
        ("kill keeper or program", keeper),
    ];
    for (what, line) in &attempts {
        let succeeded = attempt(line, &house.run);
        println!("{what}: {}", if succeeded { "DONE" } else { "refused" });
        assert!(!succeeded, "{what}");
    }
    assert_eq!(house.files("lock"), locks);
    house.finish();
    ended(process).with(0, &[]);
    house.bench.is_off();
}

#[test]
fn a_lock_file_is_no_order_to_remove_another_file() {
    let house = House::new();
    let mut process = house.transmit();
    process.kill().expect("killed");
    process.wait().expect("ended");
    house.finish();
    let begun = Instant::now();
    while house.bench.state()["source"]["on"] == true {
        assert!(begun.elapsed() < PATIENCE, "it stays on");
        std::thread::sleep(Duration::from_millis(5));
    }
    // What the killed one left behind names a file, and then a socket, of its owner.
    let precious = house.bench.write("precious.txt", "mine");
    let elsewhere = house.bench.path("elsewhere.sock");
    let _socket = UnixListener::bind(&elsewhere).expect("a socket");
    for victim in [&precious, &elsewhere] {
        for lock in house.files("lock") {
            let text = std::fs::read_to_string(&lock).expect("left behind");
            let mut owner: Value = serde_json::from_str(&text).unwrap_or_else(|_| json!({}));
            owner["socket"] = json!(victim);
            std::fs::write(&lock, owner.to_string()).expect("written");
        }
        ended(house.measure()).with(0, &[]);
        assert!(victim.exists(), "{victim:?} was removed");
    }
}

#[test]
fn in_a_folder_of_everybody_nothing_is_locked_and_nothing_sent() {
    let house = House::new();
    let everybody = std::fs::Permissions::from_mode(0o1777);
    std::fs::set_permissions(&house.run, everybody).expect("open to all");
    let emissions = house.bench.state()["emissions"].clone();
    ended(house.measure()).with(4, &["everybody may write to it", "MUFFLE_RUN_DIR"]);
    assert_eq!(house.bench.state()["emissions"], emissions);
    let mut stop = muffle();
    stop.arg("stop").env("MUFFLE_RUN_DIR", &house.run);
    Ended::from(stop.output().expect("it runs")).with(3, &["--station"]);
}
