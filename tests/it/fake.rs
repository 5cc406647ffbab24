//! Two instruments of a few lines that answer exactly what a test wants, with nothing of the simulated
//! bench in them.

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use serde_json::json;
use tempfile::TempDir;

use crate::support::{Ended, muffle};

/// Points of every trace.
pub const POINTS: usize = 201;

/// In place of an answer: the connection is closed.
pub const HANG_UP: &[u8] = b"\x04";

/// What is between the two instruments.
#[derive(Debug, Clone)]
pub struct Air {
    pub source_on: bool,
    /// What the source has, which need not be what it was told.
    pub source_hz: f64,
    pub source_dbm: f64,
    /// The source has been switched off and on since it was last asked.
    pub restarted: bool,
    /// What the amplifier adds, more than usual.
    pub amplifier_db: f64,
    /// What was last said to prove the source's link in step.
    mark: String,
    /// Where the receiver is tuned to.
    pub centre_hz: f64,
    /// An item stands before the antenna.
    pub item: bool,
}

impl Air {
    /// A flat floor, and with the source on at -10 dBm, where the receiver is tuned to, a peak in the middle of it.
    pub fn trace(&self, floor_dbm: f32, peak_dbm: f32) -> Vec<f32> {
        let mut levels = vec![floor_dbm; POINTS];
        if self.source_on && (self.source_hz - self.centre_hz).abs() < 1e3 {
            let peak_dbm = peak_dbm + (self.source_dbm + 10.0 + self.amplifier_db) as f32;
            levels[POINTS / 2] = peak_dbm.max(floor_dbm);
        }
        levels
    }

    /// As after `*RST`, and off.
    pub fn reset_source(&mut self) {
        (self.source_on, self.source_hz, self.source_dbm) = (false, 1e8, -60.0);
    }
}

/// A trace as the driver `analyzer-scpi` wants it: little-endian numbers of four bytes in a block.
pub fn block(levels: &[f32]) -> Vec<u8> {
    let data: Vec<u8> = levels
        .iter()
        .flat_map(|level| level.to_le_bytes())
        .collect();
    let length = data.len().to_string();
    [format!("#{}{length}", length.len()).as_bytes(), &data].concat()
}

/// A source, a receiver, and a folder with station, plan and database.
pub struct FakeBench {
    pub folder: TempDir,
    /// All message units that the source was sent.
    heard: Arc<Mutex<Vec<String>>>,
    air: Arc<Mutex<Air>>,
}

impl FakeBench {
    /// `receiver` answers one message unit, or leaves it to the usual answers.
    pub fn start(
        plan: &str,
        driver: &str,
        receiver: impl Fn(&Air, &str) -> Option<Vec<u8>> + Send + Sync + 'static,
    ) -> Self {
        Self::with_source(plan, driver, receiver, |_, _| None)
    }

    /// `source` does as well.
    pub fn with_source(
        plan: &str,
        driver: &str,
        receiver: impl Fn(&Air, &str) -> Option<Vec<u8>> + Send + Sync + 'static,
        source: impl Fn(&mut Air, &str) -> Option<Vec<u8>> + Send + Sync + 'static,
    ) -> Self {
        let folder = TempDir::new().expect("a folder");
        let air = Arc::new(Mutex::new(Air {
            source_on: false,
            source_hz: 1e8,
            source_dbm: -60.0,
            restarted: false,
            amplifier_db: 0.0,
            mark: "0".to_owned(),
            centre_hz: 0.0,
            item: false,
        }));
        let heard = Arc::new(Mutex::new(Vec::new()));
        let (air_of_source, heard_of_source) = (air.clone(), heard.clone());
        let source_port = serve(move |unit| {
            heard_of_source.lock().expect("whole").push(unit.to_owned());
            let mut air = air_of_source.lock().expect("whole");
            let air = &mut *air;
            source(air, unit).or_else(|| obey(air, unit))
        });
        let placed = folder.path().join("placed");
        let (air_of_receiver, placed_file) = (air.clone(), placed.clone());
        let set = Mutex::new(HashMap::new());
        let receiver_port = serve(move |unit| {
            remember(&set, unit);
            let mut air = air_of_receiver.lock().expect("whole");
            if let Some(centre) = unit.strip_prefix("FREQ:CENT ") {
                air.centre_hz = centre.parse().expect("a number");
            }
            air.item = std::fs::metadata(&placed_file).is_ok_and(|file| file.len() > 0);
            // Proven in step by what it was told, as a real one.
            let mark = (unit == "*ESE?").then(|| has(&set, unit)).flatten();
            receiver(&air, unit)
                .or(mark)
                .or_else(|| usual(unit))
                .or_else(|| has(&set, unit))
        });
        let bench = Self { folder, heard, air };
        let station = station(source_port, receiver_port, driver, &placed);
        std::fs::write(bench.path("station.toml"), station).expect("written");
        std::fs::write(bench.path("plan.toml"), plan).expect("written");
        bench
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// `muffle measure` of one item.
    pub fn measure(&self, item: &str, more: &[&str]) -> Ended {
        muffle()
            .arg("measure")
            .arg(self.path("plan.toml"))
            .args(["--item", item, "--station"])
            .arg(self.path("station.toml"))
            .arg("--store")
            .arg(self.path("muffle.db"))
            .args(more)
            .output()
            .expect("the program runs")
            .into()
    }

    /// `muffle measure --resume`.
    pub fn resume(&self, run: &str) -> Ended {
        muffle()
            .args(["measure", "--resume", run, "--station"])
            .arg(self.path("station.toml"))
            .arg("--store")
            .arg(self.path("muffle.db"))
            .output()
            .expect("the program runs")
            .into()
    }

    /// Puts a power monitor into the station; `monitor` answers one message unit, or leaves it to the usual answers.
    pub fn add_monitor(
        &self,
        monitor: impl Fn(&Air, &str) -> Option<Vec<u8>> + Send + Sync + 'static,
    ) {
        let air = self.air.clone();
        let port = serve(move |unit| {
            let air = air.lock().expect("whole");
            monitor(&air, unit).or_else(|| usual(unit))
        });
        let mut station = std::fs::read_to_string(self.path("station.toml")).expect("read");
        station.push_str(&format!(
            "[power_monitor]\ndriver = \"power-monitor-scpi\"\naddress = \"tcp://127.0.0.1:{port}\"\ncoupling = \"30 dB\"\n"
        ));
        std::fs::write(self.path("station.toml"), station).expect("written");
    }

    /// All message units that the source was sent.
    pub fn heard(&self) -> Vec<String> {
        self.heard.lock().expect("whole").clone()
    }

    /// Has the station use another driver for its source: the built-in one with `from` replaced by `to`.
    pub fn change_source_driver(&self, from: &str, to: &str) {
        let text = include_str!("../../drivers/source-scpi.toml");
        assert!(text.contains(from), "{from}");
        std::fs::write(self.path("source.toml"), text.replace(from, to)).expect("written");
        let station = std::fs::read_to_string(self.path("station.toml")).expect("read");
        let station = station.replace("\"source-scpi\"", "\"source.toml\"");
        std::fs::write(self.path("station.toml"), station).expect("written");
    }

    /// Fails if the source is on, or if anything but `OUTP OFF` was said to it first.
    #[track_caller]
    pub fn is_off(&self) {
        assert!(!self.air.lock().expect("whole").source_on);
        let heard = self.heard.lock().expect("whole");
        assert_eq!(heard.first().map(String::as_str), Some("OUTP OFF"));
    }
}

/// An answer after which the rest of the message is thrown away, as after a command error (IEEE 488.2, 6.1.9).
pub const REFUSED: &[u8] = b"refused";

/// What a source does that has no fault.
fn obey(air: &mut Air, unit: &str) -> Option<Vec<u8>> {
    let number = |prefix: &str| unit.strip_prefix(prefix)?.parse::<f64>().ok();
    if let Some(hz) = number("FREQ ") {
        air.source_hz = hz;
    } else if let Some(dbm) = number("POW ") {
        air.source_dbm = dbm;
    } else if let Some(mark) = unit.strip_prefix("*ESE ") {
        air.mark = mark.to_owned();
    }
    let answer = match unit {
        "OUTP ON" => {
            air.source_on = true;
            return None;
        }
        "OUTP OFF" => {
            air.source_on = false;
            return None;
        }
        "*RST" => {
            air.reset_source();
            return None;
        }
        "*ESR?" if std::mem::take(&mut air.restarted) => "128".to_owned(),
        "OUTP?" => u8::from(air.source_on).to_string(),
        "*ESE?" => air.mark.clone(),
        "FREQ?" => air.source_hz.to_string(),
        "POW?" => air.source_dbm.to_string(),
        unit => return usual(unit),
    };
    Some(answer.into_bytes())
}

/// What the receiver was last told to have.
type Set = Mutex<HashMap<String, String>>;

fn remember(set: &Set, unit: &str) {
    if let Some((name, value)) = unit.split_once(' ') {
        let value = match value {
            "ON" => "1",
            "OFF" => "0",
            value => value,
        };
        let mut set = set.lock().expect("whole");
        set.insert(name.to_owned(), value.to_owned());
    }
}

/// What it has: what it was told, else what it begins with.
fn has(set: &Set, unit: &str) -> Option<Vec<u8>> {
    let name = unit.strip_suffix('?')?;
    let begins_with = || {
        let value = match name {
            "INP:ATT" => "10",
            "BAND:VID" => "1000",
            "DET" => "POS",
            "DISP:TRAC:Y:RLEV" | "INP:GAIN:STAT" => "0",
            "SWE:TIME" => "0.05",
            "UNIT:POW" => "DBM",
            _ => return None,
        };
        Some(value.to_owned())
    };
    let told = set.lock().expect("whole").get(name).cloned();
    told.or_else(begins_with).map(String::into_bytes)
}

fn usual(unit: &str) -> Option<Vec<u8>> {
    let answer = match unit {
        "*IDN?" => "Nobody,Fake,0,0",
        "SYST:ERR?" => "0,\"No error\"",
        "*OPC?" => "1",
        "*ESR?" => "0",
        "STAT:QUES:POW:COND?" => "0",
        // How a link is proven in step is told in the driver, and answered by each instrument itself.
        "*ESE?" => "0",
        _ => return None,
    };
    Some(answer.as_bytes().to_vec())
}

/// Serves SCPI by lines on a socket until the test ends; gives its port.
fn serve(answer: impl Fn(&str) -> Option<Vec<u8>> + Send + Sync + 'static) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a socket");
    let port = listener.local_addr().expect("bound").port();
    let answer = Arc::new(answer);
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let answer = answer.clone();
            std::thread::spawn(move || talk(stream, &*answer));
        }
    });
    port
}

fn talk(stream: TcpStream, answer: &dyn Fn(&str) -> Option<Vec<u8>>) {
    let mut writer = stream.try_clone().expect("the same socket");
    for line in BufReader::new(stream).lines().map_while(Result::ok) {
        let units = line.split(';').map(|unit| unit.trim_start_matches(':'));
        let answers: Vec<_> = units
            .filter_map(answer)
            .take_while(|answer| answer != REFUSED)
            .collect();
        if answers.iter().any(|answer| answer == HANG_UP) {
            return;
        }
        let mut message = answers.join(&b';');
        if !answers.is_empty() {
            message.push(b'\n');
        }
        if writer.write_all(&message).is_err() {
            break;
        }
    }
}

fn station(source: u16, receiver: u16, driver: &str, placed: &Path) -> String {
    format!(
        r#"name = "fakes"
distance = "1 m"
[source]
driver = "source-scpi"
address = "tcp://127.0.0.1:{source}"
frequency = ["9 kHz", "3 GHz"]
level = ["-60 dBm", "13 dBm"]
[receiver]
driver = "{driver}"
address = "tcp://127.0.0.1:{receiver}"
frequency = ["9 kHz", "3 GHz"]
damage_level = "20 dBm"
[safety]
feed_power_max = "13 dBm"
[placement]
command = ["sh", "-c", "printf %s \"$1\" > \"$0\"", {placed}, "{{item}}"]
"#,
        placed = json!(placed)
    )
}
