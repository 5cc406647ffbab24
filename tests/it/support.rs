//! The simulated bench as a process, the program as a process, and what stands between them.

use std::io::{BufRead, BufReader, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::{Value, json};
use tempfile::TempDir;

/// The program that is tested.
pub fn muffle() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_muffle"));
    command.stdin(Stdio::null());
    for name in [
        "MUFFLE_STORE",
        "MUFFLE_STATION",
        "MUFFLE_OPERATOR",
        "MUFFLE_LOG",
    ] {
        command.env_remove(name);
    }
    command
}

/// What a process left behind.
#[derive(Debug)]
pub struct Ended {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl From<Output> for Ended {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code(),
            out: String::from_utf8(output.stdout).expect("UTF-8"),
            err: String::from_utf8(output.stderr).expect("UTF-8"),
        }
    }
}

impl Ended {
    /// Fails unless the process ended with `code` and said every one of `words` on standard error.
    #[track_caller]
    pub fn with(self, code: i32, words: &[&str]) -> Self {
        assert_eq!(self.code, Some(code), "{self:#?}");
        for word in words {
            assert!(self.err.contains(word), "no {word:?} in {self:#?}");
        }
        assert!(!self.err.contains("panicked"), "{self:#?}");
        self
    }

    /// Standard output as JSON.
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error}: {self:#?}"))
    }
}

/// Runs the program to its end.
pub fn run<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> Ended {
    muffle()
        .args(arguments)
        .output()
        .expect("the program runs")
        .into()
}

/// Prints how long something was said to take beside how long it took; fails where they differ by more than a fifth.
#[track_caller]
pub fn within_a_fifth(what: &str, said_s: f64, took_s: f64) {
    let off = said_s / took_s - 1.0;
    println!(
        "{what:34} said {said_s:7.2} s, took {took_s:7.2} s, {:+5.1} %",
        100.0 * off
    );
    assert!(off.abs() < 0.2, "{what}: said {said_s} s, took {took_s} s");
}

/// The folder of a disk that is small enough to be filled, where there is one.
pub fn small_disk() -> Option<std::ffi::OsString> {
    std::env::var_os("MUFFLE_SMALL_DISK")
}

/// A simulated bench in a process of its own, with a folder for everything around it.
pub struct Bench {
    process: Child,
    pub folder: TempDir,
    pub addresses: Value,
    /// The text of the station file that the bench wrote.
    pub station_text: String,
}

impl Bench {
    pub fn start(seed: u64) -> Self {
        Self::start_with(seed, &[])
    }

    /// One whose sweeps take as long as they would.
    pub fn start_in_real_time(seed: u64) -> Self {
        Self::start_with(seed, &["--pace", "1"])
    }

    /// One whose instruments talk with one client at a time.
    pub fn start_for_one_client(seed: u64) -> Self {
        Self::start_with(seed, &["--one-client"])
    }

    /// One whose station has a power monitor.
    pub fn start_monitored(seed: u64) -> Self {
        Self::start_with(seed, &["--power-monitor"])
    }

    fn start_with(seed: u64, more: &[&str]) -> Self {
        let folder = match small_disk() {
            Some(disk) => TempDir::new_in(disk),
            None => TempDir::new(),
        };
        let folder = folder.expect("a folder");
        let station = folder.path().join("station.toml");
        let mut process = muffle()
            .args(["sim", "--json", "--seed", &seed.to_string(), "--station"])
            .arg(&station)
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("the bench starts");
        let mut line = String::new();
        BufReader::new(process.stdout.take().expect("piped"))
            .read_line(&mut line)
            .expect("its addresses");
        Self {
            process,
            addresses: serde_json::from_str(&line).expect("one line of JSON"),
            station_text: std::fs::read_to_string(&station).expect("a station file"),
            folder,
        }
    }

    /// Asks the control port.
    #[track_caller]
    pub fn ask(&self, request: &Value) -> Value {
        let address = self.addresses["control"].as_str().expect("an address");
        let place = address.strip_prefix("tcp://").expect("over TCP");
        let mut stream = TcpStream::connect(place).expect("the control port");
        writeln!(stream, "{request}").expect("asked");
        let mut answer = String::new();
        BufReader::new(stream)
            .read_line(&mut answer)
            .expect("answered");
        let answer: Value = serde_json::from_str(&answer).expect("JSON");
        assert_eq!(answer.get("error"), None, "{request}: {answer}");
        answer
    }

    pub fn state(&self) -> Value {
        self.ask(&json!({ "do": "state" }))
    }

    /// The bench's own time, s.
    pub fn clock_s(&self) -> f64 {
        self.state()["time_s"].as_f64().expect("a time")
    }

    /// What was said to an instrument so far.
    pub fn commands(&self, port: &str) -> u64 {
        self.state()["instruments"][port]["commands"]
            .as_u64()
            .expect("a count")
    }

    /// Fails if the source is on, or was ever on.
    #[track_caller]
    pub fn never_on(&self) {
        let state = self.state();
        assert_eq!(state["source"]["on"], false, "{state}");
        assert_eq!(state["emissions"], 0, "{state}");
    }

    /// Fails if the source is on.
    #[track_caller]
    pub fn is_off(&self) {
        assert_eq!(self.state()["source"]["on"], false);
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file into the folder.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, text).expect("written");
        path
    }

    /// Defines an item that lets through the same at all frequencies.
    pub fn shelf(&self, serial: &str, flat_se_db: f64) {
        let physics = json!({ "flat_se_db": flat_se_db });
        self.ask(&json!({ "do": "define", "item": { "serial": serial, "physics": physics } }));
    }

    /// Replaces the station's own way of placing by a script, which gets item and state as $1 and $2, and has `put` to
    /// place them, the program as `$muffle` and the control port as `$control`.
    pub fn place_by(&self, body: &str) {
        let control = self.addresses["control"].as_str().expect("an address");
        let script = self.write(
            "hands.sh",
            &format!(
                "muffle={}\ncontrol={control}\nput() {{ \"$muffle\" sim place --control $control \"--item=$1\" --face=front \
                 --polarisation=vertical \"--state=$2\"; }}\n{body}",
                env!("CARGO_BIN_EXE_muffle")
            ),
        );
        let hands = format!(
            "command = [\"sh\", {:?}, \"{{item}}\", \"{{state}}\"]",
            script.display().to_string()
        );
        let station: Vec<_> = self
            .station_text
            .lines()
            .map(|line| match line.starts_with("command = ") {
                true => hands.as_str(),
                false => line,
            })
            .collect();
        self.write("station.toml", &station.join("\n"));
    }

    /// `muffle measure` of one item with the files in the folder.
    pub fn measure(&self, item: &str) -> Ended {
        self.measure_command(item)
            .output()
            .expect("the program runs")
            .into()
    }

    /// The same, not yet run.
    pub fn measure_command(&self, item: &str) -> Command {
        let mut command = muffle();
        command
            .arg("measure")
            .arg(self.path("plan.toml"))
            .args(["--item", item]);
        self.here(&mut command);
        command
    }

    /// `muffle measure --resume latest` with the files in the folder.
    pub fn resume(&self) -> Ended {
        let mut command = muffle();
        command.args(["measure", "--resume", "latest"]);
        self.here(&mut command);
        command.output().expect("the program runs").into()
    }

    fn here(&self, command: &mut Command) {
        command
            .arg("--station")
            .arg(self.path("station.toml"))
            .arg("--store")
            .arg(self.path("muffle.db"));
    }

    /// `muffle show latest --json`.
    pub fn latest(&self) -> Value {
        show(&self.path("muffle.db"), &["--json"]).json()
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        // It may have been stopped by the test itself.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// `muffle show latest`.
pub fn show(store: &Path, more: &[&str]) -> Ended {
    show_run("latest", store, more)
}

/// The same of any run.
pub fn show_run(run: &str, store: &Path, more: &[&str]) -> Ended {
    muffle()
        .args(["show", run, "--store"])
        .arg(store)
        .args(more)
        .output()
        .expect("the program runs")
        .into()
}

/// A short plan: everything that matters, nothing that takes time, and so no look at the reference afterwards.
pub fn plan(frequencies: &[&str]) -> String {
    format!(
        r#"name = "short"
bracket = "none"
[frequencies]
list = {}
[settings]
source_level = "-10 dBm"
span = "20 kHz"
points = 201
resolution_bandwidth = "1 kHz"
attenuation = "10 dB"
detector = "peak"
sweeps = 2
settle = "1 ms"
[limit]
line = [["100 kHz", "30 dB"], ["3 GHz", "30 dB"]]
rule = "simple"
"#,
        json!(frequencies)
    )
}

/// Stands before an instrument and keeps the first line of every conversation.
pub struct Tap {
    pub address: String,
    first_lines: Arc<Mutex<Vec<String>>>,
    hold: Arc<Hold>,
}

/// What is held up on its way, as a busy gateway would.
#[derive(Default)]
struct Hold {
    /// Lines with this in them are, until they are let go; an empty one holds nothing.
    word: &'static str,
    held: AtomicBool,
    let_go: AtomicBool,
}

impl Hold {
    fn pass(&self, line: &[u8]) {
        let text = String::from_utf8_lossy(line);
        if self.word.is_empty() || !text.contains(self.word) {
            return;
        }
        self.held.store(true, Ordering::SeqCst);
        while !self.let_go.load(Ordering::SeqCst) {
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}

impl Tap {
    /// Before an instrument at `tcp://…`.
    pub fn before(address: &str) -> Self {
        Self::holding(address, "")
    }

    /// The same, and holds up every line with `word` in it, and what follows it, until [`Tap::let_go`].
    pub fn holding(address: &str, word: &'static str) -> Self {
        let there = address.strip_prefix("tcp://").expect("over TCP").to_owned();
        let listener = TcpListener::bind("127.0.0.1:0").expect("a socket");
        let here = listener.local_addr().expect("bound");
        let first_lines = Arc::new(Mutex::new(Vec::new()));
        let kept = first_lines.clone();
        let hold = Arc::new(Hold {
            word,
            ..Hold::default()
        });
        let held = hold.clone();
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let (kept, there, held) = (kept.clone(), there.clone(), held.clone());
                std::thread::spawn(move || pass_on(client, &there, &kept, &held));
            }
        });
        Self {
            address: format!("tcp://{here}"),
            first_lines,
            hold,
        }
    }

    /// Whether something is held up, or was.
    pub fn has_held(&self) -> bool {
        self.hold.held.load(Ordering::SeqCst)
    }

    /// Lets everything pass from now on.
    pub fn let_go(&self) {
        self.hold.let_go.store(true, Ordering::SeqCst);
    }

    pub fn first_lines(&self) -> Vec<String> {
        self.first_lines.lock().expect("whole").clone()
    }
}

/// Both ways until either end closes.
fn pass_on(client: TcpStream, there: &str, kept: &Mutex<Vec<String>>, hold: &Hold) {
    let Ok(instrument) = TcpStream::connect(there) else {
        return;
    };
    for stream in [&client, &instrument] {
        stream.set_nodelay(true).expect("a socket");
    }
    let (mut from, mut to) = (
        instrument.try_clone().expect("the same socket"),
        client.try_clone().expect("the same socket"),
    );
    std::thread::spawn(move || {
        let _ = std::io::copy(&mut from, &mut to);
        let _ = to.shutdown(Shutdown::Both);
    });
    let mut to = instrument;
    let mut first = true;
    let mut reader = BufReader::new(client);
    let mut line = Vec::new();
    // A killed client may leave half a line, which is passed on as it is.
    while reader
        .read_until(b'\n', &mut line)
        .is_ok_and(|count| count > 0)
    {
        if std::mem::take(&mut first) {
            let text = String::from_utf8_lossy(&line).into_owned();
            kept.lock().expect("whole").push(text);
        }
        hold.pass(&line);
        if to.write_all(&line).is_err() {
            break;
        }
        line.clear();
    }
    let _ = to.shutdown(Shutdown::Both);
}
