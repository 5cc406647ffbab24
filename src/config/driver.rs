//! Driver files: how one dialect of SCPI says things, as data.
//!
//! A driver never decides anything: it gives the words for "set the frequency", "hold the peak", "read
//! the trace". Every command is checked when the file is read, so that a slip is found on the bench
//! before anything is sent to it. `drivers/README.md` is the reference for whoever writes one.

mod carrier;
mod readback;

use std::path::{Path, PathBuf};

use regex_lite::Regex;

pub use carrier::{CarrierQueries, CarrierReadback, CarrierTolerance};
pub use readback::{Readback, ReadbackWords, Setting, Tolerance};

use super::document::{Document, Faults, Section};
use super::{ConfigError, read_file};
use crate::quantity::{Frequency, Level, Time, trimmed};

/// The drivers inside the binary: name and text.
const BUILT_IN: &[(&str, &str)] = &[
    (
        "source-scpi",
        include_str!("../../drivers/source-scpi.toml"),
    ),
    (
        "analyzer-scpi",
        include_str!("../../drivers/analyzer-scpi.toml"),
    ),
    (
        "analyzer-display-hold",
        include_str!("../../drivers/analyzer-display-hold.toml"),
    ),
    (
        "power-monitor-scpi",
        include_str!("../../drivers/power-monitor-scpi.toml"),
    ),
    (
        "handheld-prompt",
        include_str!("../../drivers/handheld-prompt.toml"),
    ),
];

/// The names of the drivers that need no file.
pub fn built_in_drivers() -> impl Iterator<Item = &'static str> {
    BUILT_IN.iter().map(|(name, _)| *name)
}

/// How one dialect says things.
#[derive(Debug, Clone)]
pub struct Driver {
    /// Its name, as station files use it.
    pub name: String,
    /// One sentence about what it is for.
    pub about: String,
    /// What the identification answer must match, if the driver is for particular instruments.
    pub identity: Option<Pattern>,
    /// How messages look on the wire.
    pub dialect: Dialect,
    /// Sent once after connecting, to reach a known state.
    pub start: Vec<Command>,
    /// The words of the role.
    pub words: Words,
    /// The file as it was read.
    pub text: String,
}

/// A pattern that an answer is held against.
#[derive(Debug, Clone)]
pub struct Pattern(Regex);

impl Pattern {
    /// From a regular expression.
    pub fn new(pattern: &str) -> Result<Self, String> {
        Regex::new(pattern)
            .map(Self)
            .map_err(|error| format!("is not a regular expression: {error}"))
    }

    /// Whether `answer` is what is meant.
    pub fn accepts(&self, answer: &str) -> bool {
        self.0.is_match(answer)
    }

    /// The pattern as it was written.
    pub fn pattern(&self) -> &str {
        self.0.as_str()
    }
}

/// How messages look on the wire.
#[derive(Debug, Clone)]
pub struct Dialect {
    /// What ends a command.
    pub ends_with: String,
    /// Whether several commands and queries may share one message, joined by `;`.
    pub compound: bool,
    /// Text the instrument prints when it is ready again; without one, an answer is a line.
    pub prompt: Option<String>,
    /// Whether the instrument repeats what it is sent.
    pub echo: bool,
    /// What makes the instrument on a serial line forget what it was doing.
    pub clear: Option<SerialClear>,
    /// Answers that mean "no", for dialects without an error queue.
    pub refusal: Option<Pattern>,
    /// How long an ordinary answer may take.
    pub deadline: Time,
    /// Asks who it is.
    pub identify: Command,
    /// Reads and removes the oldest entry of the error queue.
    pub fetch_error: Option<Command>,
    /// A query whose answer is `{mark}` and nothing else, to prove that answers are in step.
    pub prove: Option<Command>,
    /// Tells that the instrument was switched off and on and has forgotten its settings.
    pub restarted: Option<RegisterBits>,
}

/// What clears a device on a serial line; other links have a way of their own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SerialClear {
    /// A break: the line held down.
    Break,
    /// A text, such as Ctrl-C.
    Text(String),
}

/// The commands that only one role has.
#[derive(Debug, Clone)]
pub enum Words {
    /// A signal source.
    Source(SourceWords),
    /// A spectrum analyzer or measuring receiver.
    Receiver(Box<ReceiverWords>),
    /// A power sensor at a coupled port.
    PowerMonitor(PowerMonitorWords),
}

impl Words {
    /// The role as driver files name it.
    pub fn role(&self) -> &'static str {
        match self {
            Self::Source(_) => "source",
            Self::Receiver(_) => "receiver",
            Self::PowerMonitor(_) => "power_monitor",
        }
    }
}

/// What a power monitor is told.
#[derive(Debug, Clone)]
pub struct PowerMonitorWords {
    /// `{frequency}`: what it corrects for; empty where it corrects for none.
    pub frequency: Vec<Command>,
    /// Measures now and asks for the power, in dBm.
    pub query: Command,
}

/// What a signal source is told.
#[derive(Debug, Clone)]
pub struct SourceWords {
    /// `{frequency}`.
    pub frequency: Vec<Command>,
    /// `{level}`, in dBm.
    pub level: Vec<Command>,
    /// Output on.
    pub on: Vec<Command>,
    /// Output off.
    pub off: Vec<Command>,
    /// Asks whether the output is on.
    pub state: Command,
    /// The answer to `state` when the output is off.
    pub off_reads: String,
    /// Answered when the commands before it are done.
    pub done: Option<Command>,
    /// Asks whether it sends what it was told.
    pub readback: CarrierReadback,
}

/// What a receiver is told.
#[derive(Debug, Clone)]
pub struct ReceiverWords {
    /// `{centre}`.
    pub centre: Vec<Command>,
    /// `{span}`.
    pub span: Vec<Command>,
    /// `{points}`; absent where the number is fixed.
    pub points: Option<Vec<Command>>,
    /// The fixed number of points, where it is fixed.
    pub fixed_points: Option<u32>,
    /// `{resolution_bandwidth}`.
    pub resolution_bandwidth: Vec<Command>,
    /// `{video_bandwidth}`.
    pub video_bandwidth: Option<Vec<Command>>,
    /// `{attenuation}`, in dB.
    pub attenuation: Option<Vec<Command>>,
    /// Switches a preamplifier at the receiver's input.
    pub preamplifier: Option<PreamplifierWords>,
    /// `{detector}`, with the dialect's own word for each detector.
    pub detector: Option<DetectorWords>,
    /// `{sweeps}`: begins a new peak hold.
    pub hold: Vec<Command>,
    /// Makes one sweep, or all of them when the instrument counts itself.
    pub sweep: Vec<Command>,
    /// Answered when the sweep is done.
    pub done: Option<Command>,
    /// Asked again and again until the sweep is done, where `done` would block the link.
    pub poll: Option<PollWords>,
    /// Whether one `sweep` makes all `{sweeps}`.
    pub counts_itself: bool,
    /// Reads the held trace.
    pub trace: TraceWords,
    /// Asks for the settings that it really has.
    pub readback: Readback,
    /// How it is kept from other clients by a command of its own.
    pub lock: Option<LockWords>,
    /// Asks for the bits that say overload.
    pub overload: Option<RegisterBits>,
    /// How it sweeps by itself while it lies in a closed item; `None` where it cannot.
    pub sealed: Option<SealedWords>,
}

/// How a receiver is kept from other clients by a command of its own.
#[derive(Debug, Clone)]
pub struct LockWords {
    /// Asks for the lock.
    pub acquire: Command,
    /// The answer when it was given.
    pub acquired: Pattern,
    /// Gives it back.
    pub release: Vec<Command>,
}

/// How a preamplifier at the receiver's input is switched.
#[derive(Debug, Clone)]
pub struct PreamplifierWords {
    /// Into the signal's way.
    pub on: Vec<Command>,
    /// Out of it.
    pub off: Vec<Command>,
    /// Whether the receiver takes the gain off the levels it shows; else the station's figure is.
    pub compensated: bool,
}

/// How a receiver is left to itself, and asked afterwards what it saw.
#[derive(Debug, Clone)]
pub struct SealedWords {
    /// Begins a new peak hold that goes on until `halt`, all by itself.
    pub arm: Vec<Command>,
    /// Asks how long one sweep takes, in seconds; where there is no such query, the plan must say it.
    pub sweep_time: Option<Command>,
    /// Asks how many sweeps the hold has by now; begun anew it counts from nothing.
    pub sweeps: Option<Command>,
    /// Stops sweeping and keeps the trace.
    pub halt: Vec<Command>,
    /// Asks for a status register that remembers an overload; its bits are those of `overload`.
    pub overload: Option<Command>,
}

/// The detectors a plan can ask for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detector {
    /// The highest sample of each bin.
    Peak,
    /// One sample of each bin.
    Sample,
    /// The mean power of each bin.
    Rms,
}

impl Detector {
    /// The word plans use.
    pub fn word(self) -> &'static str {
        match self {
            Self::Peak => "peak",
            Self::Sample => "sample",
            Self::Rms => "rms",
        }
    }

    /// From the word plans use.
    pub fn from_word(word: &str) -> Result<Self, String> {
        match word {
            "peak" => Ok(Self::Peak),
            "sample" => Ok(Self::Sample),
            "rms" => Ok(Self::Rms),
            other => Err(format!("`{other}` is not one of peak, sample, rms")),
        }
    }
}

/// How a dialect names detectors.
#[derive(Debug, Clone)]
pub struct DetectorWords {
    /// `{detector}`.
    pub set: Vec<Command>,
    names: Vec<(Detector, String)>,
}

impl DetectorWords {
    /// The dialect's word, if it has that detector.
    pub fn name(&self, detector: Detector) -> Option<&str> {
        self.names
            .iter()
            .find(|(known, _)| *known == detector)
            .map(|(_, name)| name.as_str())
    }
}

/// How a trace is read.
#[derive(Debug, Clone)]
pub struct TraceWords {
    /// Chooses the format; sent with every reading, because a reset may have undone it.
    pub prepare: Vec<Command>,
    /// Asks for the trace.
    pub query: Command,
    /// How the levels are written.
    pub encoding: Encoding,
}

/// How the levels of a trace are written on the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// Numbers with commas, spaces or line ends between them.
    Text,
    /// A definite-length block of 32-bit floats.
    Real32(ByteOrder),
    /// A definite-length block of 64-bit floats.
    Real64(ByteOrder),
}

/// Which byte of a number comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ByteOrder {
    /// The most significant.
    Big,
    /// The least significant.
    Little,
}

/// Bits of a status register and how it is read.
#[derive(Debug, Clone)]
pub struct RegisterBits {
    /// Asks for the register.
    pub query: Command,
    /// The bits that are meant.
    pub mask: u32,
}

/// How the end of a sweep is waited for by asking.
#[derive(Debug, Clone)]
pub struct PollWords {
    /// Asks for a register; without it the status byte is read beside the conversation.
    pub query: Option<Command>,
    /// The bits that are meant.
    pub mask: u32,
    /// Whether any of them set means done, or all of them clear.
    pub until_set: bool,
    /// The wait between two questions.
    pub every: Time,
}

/// One program message with places for variables.
#[derive(Debug, Clone, PartialEq)]
pub struct Command {
    parts: Vec<Part>,
}

#[derive(Debug, Clone, PartialEq)]
enum Part {
    Text(String),
    Variable { name: String, divisor: f64 },
}

/// A value for a place in a command.
#[derive(Debug, Clone, Copy)]
pub enum Argument<'a> {
    /// In Hz unless the command names another unit.
    Frequency(Frequency),
    /// In dBm.
    Level(Level),
    /// A number as it is.
    Number(f64),
    /// A word of the dialect.
    Word(&'a str),
}

impl Command {
    fn parse(text: &str, allowed: &[&str]) -> Result<Self, String> {
        if text.trim().is_empty() {
            return Err("is empty".to_owned());
        }
        if let Some(bad) = text.chars().find(|c| !(' '..='~').contains(c)) {
            return Err(format!("has {bad:?}, which is not printable ASCII"));
        }
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some(open) = rest.find('{') {
            if open > 0 {
                parts.push(Part::Text(rest[..open].to_owned()));
            }
            let close = rest[open..].find('}').ok_or("has a `{` without its `}`")? + open;
            parts.push(Self::variable(&rest[open + 1..close], allowed)?);
            rest = &rest[close + 1..];
        }
        if rest.contains('}') {
            return Err("has a `}` without its `{`".to_owned());
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.to_owned()));
        }
        Ok(Self { parts })
    }

    fn variable(inside: &str, allowed: &[&str]) -> Result<Part, String> {
        let (name, unit) = inside.split_once(':').unwrap_or((inside, "Hz"));
        if !allowed.contains(&name) {
            let known = match allowed {
                [] => "this command takes none".to_owned(),
                names => format!("known here: {}", names.join(", ")),
            };
            return Err(format!("`{{{inside}}}` is not a variable; {known}"));
        }
        let divisor = match unit {
            "Hz" => 1.0,
            "kHz" => 1e3,
            "MHz" => 1e6,
            "GHz" => 1e9,
            other => return Err(format!("`{other}` is not a unit; use Hz, kHz, MHz or GHz")),
        };
        Ok(Part::Variable {
            name: name.to_owned(),
            divisor,
        })
    }

    /// The message with its variables filled in. A variable without an argument is left out: the check
    /// of the file has made sure that every command only names what it is given.
    pub fn fill(&self, arguments: &[(&str, Argument<'_>)]) -> String {
        let mut message = String::new();
        for part in &self.parts {
            match part {
                Part::Text(text) => message.push_str(text),
                Part::Variable { name, divisor } => {
                    if let Some((_, argument)) = arguments.iter().find(|(known, _)| known == name) {
                        message.push_str(&argument.print(*divisor));
                    }
                }
            }
        }
        message
    }

    /// The message of a command without variables.
    pub fn text(&self) -> String {
        self.fill(&[])
    }
}

impl Argument<'_> {
    /// With no more digits than instruments resolve.
    fn print(&self, divisor: f64) -> String {
        match self {
            Self::Frequency(frequency) => trimmed(frequency.hz() / divisor, 9),
            Self::Level(level) => trimmed(level.dbm(), 3),
            Self::Number(number) => trimmed(*number, 6),
            Self::Word(word) => (*word).to_owned(),
        }
    }
}

impl Driver {
    /// The driver called `name`: one of the built-in ones, or a file (a path with `.toml`) relative to
    /// `folder`, the folder of the station file that names it.
    pub fn load(name: &str, folder: &Path) -> Result<Self, ConfigError> {
        if let Some((file, text)) = BUILT_IN.iter().find(|(known, _)| *known == name) {
            return Ok(Self::read(&format!("drivers/{file}.toml"), text)?);
        }
        if !name.ends_with(".toml") {
            return Err(ConfigError::NoSuchDriver {
                name: name.to_owned(),
                known: built_in_drivers().collect::<Vec<_>>().join(", "),
            });
        }
        let path: PathBuf = folder.join(name);
        let text = read_file(&path)?;
        Ok(Self::read(&path.display().to_string(), &text)?)
    }

    /// Reads and checks the text of a driver file; `file` is only for the faults.
    pub fn read(file: &str, text: &str) -> Result<Self, Faults> {
        Self::read_as(file, text, false)
    }

    /// As a run kept it: it may be from before a source had to say how it is asked what it sends.
    pub(super) fn read_kept(file: &str, text: &str) -> Result<Self, Faults> {
        Self::read_as(file, text, true)
    }

    fn read_as(file: &str, text: &str, kept: bool) -> Result<Self, Faults> {
        Document::read(file, text, |root| {
            let name = root.required("name");
            let about = root.required("about");
            let identity = root
                .has("identity")
                .then(|| root.checked("identity", None, |p: String| Pattern::new(&p)));
            if identity.is_none() {
                root.optional::<String>("identity");
            }
            let dialect = root.required_section("dialect", dialect);
            let start = commands(root, "start", &[]);
            let words = match root.required::<String>("role").as_deref() {
                Some("source") => source_words(root, kept).map(Words::Source),
                Some("receiver") => {
                    receiver_words(root).map(|words| Words::Receiver(Box::new(words)))
                }
                Some("power_monitor") => power_monitor_words(root).map(Words::PowerMonitor),
                Some(other) => {
                    let known = "use source, receiver or power_monitor";
                    root.fault("role", format!("`{other}` is not a role; {known}"));
                    None
                }
                None => None,
            };
            Some(Self {
                name: name?,
                about: about?,
                identity: identity.flatten(),
                dialect: dialect?,
                start: start.unwrap_or_default(),
                words: words?,
                text: text.to_owned(),
            })
        })
    }
}

fn dialect(section: &mut Section<'_, '_>) -> Option<Dialect> {
    let ends_with = section.checked("ends_with", Some("\n".to_owned()), |end: String| match end
        .as_str()
    {
        "\n" | "\r" | "\r\n" => Ok(end),
        _ => Err("must be \"\\n\", \"\\r\" or \"\\r\\n\"".to_owned()),
    });
    let compound = section.or("compound", true);
    let prompt = section.optional::<String>("prompt");
    if prompt.as_deref() == Some("") {
        section.fault("prompt", "is empty; leave the key out where there is none");
    }
    let echo = section.or("echo", false)?;
    if echo && prompt.is_none() {
        section.fault(
            "echo",
            "needs `prompt`: without one the end of an answer is not known",
        );
    }
    let clear = match section.has("clear") {
        true => section.checked("clear", None, serial_clear),
        false => section.optional::<String>("clear").and(None),
    };
    let refusal = match section.has("refusal") {
        true => section.checked("refusal", None, |p: String| Pattern::new(&p)),
        false => section.optional::<String>("refusal").and(None),
    };
    let deadline = section.or(
        "deadline",
        Time::from_duration(std::time::Duration::from_secs(5)),
    );
    let identify = one(section, "identify", &[]);
    if identify.is_none() && !section.has("identify") {
        section.fault("identify", "is missing; usually \"*IDN?\"");
    }
    let fetch_error = one(section, "fetch_error", &[]);
    let prove = one(section, "prove", &["mark"]);
    let restarted = section.section("restarted", register_bits);
    Some(Dialect {
        ends_with: ends_with?,
        compound: compound?,
        prompt,
        echo,
        clear,
        refusal,
        deadline: deadline?,
        identify: identify?,
        fetch_error,
        prove,
        restarted,
    })
}

fn serial_clear(text: String) -> Result<SerialClear, String> {
    match text.as_str() {
        "" => Err("is empty; leave the key out where nothing clears the instrument".to_owned()),
        "break" => Ok(SerialClear::Break),
        _ => Ok(SerialClear::Text(text)),
    }
}

fn source_words(root: &mut Section<'_, '_>, kept: bool) -> Option<SourceWords> {
    let set = root.required_section("set", |set| {
        let frequency = required(set, "frequency", &["frequency"]);
        let level = required(set, "level", &["level"]);
        Some((frequency?, level?))
    });
    let output = root.required_section("output", |output| {
        let on = required(output, "on", &[]);
        let off = required(output, "off", &[]);
        let state = required(output, "state", &[]).and_then(|list| list.into_iter().next());
        let off_reads = output.or("off_reads", "0".to_owned());
        let done = one(output, "done", &[]);
        Some((on?, off?, state?, off_reads?, done))
    });
    let readback = match root.has("readback") {
        false if kept => Some(CarrierReadback::undeclared()),
        false => {
            root.fault(
                "readback",
                "the table [readback] is missing: give the queries `frequency` and `level`, or `none = \"reason\"` where the source cannot be asked what it sends",
            );
            None
        }
        true => root.section("readback", CarrierReadback::read),
    };
    let (frequency, level) = set?;
    let (on, off, state, off_reads, done) = output?;
    Some(SourceWords {
        frequency,
        level,
        on,
        off,
        state,
        off_reads,
        done,
        readback: readback?,
    })
}

fn power_monitor_words(root: &mut Section<'_, '_>) -> Option<PowerMonitorWords> {
    let frequency = root.section("set", |set| commands(set, "frequency", &["frequency"]));
    if root.has("set") {
        frequency.as_ref()?;
    }
    let query = root.required_section("read", |read| {
        let query = required(read, "query", &[]).and_then(|list| list.into_iter().next());
        read.checked("unit", Some("dBm".to_owned()), |unit: String| {
            match unit.as_str() {
                "dBm" => Ok(()),
                other => Err(format!(
                    "`{other}`: power must come in dBm; set the instrument's unit in `start`"
                )),
            }
        })?;
        query
    });
    Some(PowerMonitorWords {
        frequency: frequency.unwrap_or_default(),
        query: query?,
    })
}

fn receiver_words(root: &mut Section<'_, '_>) -> Option<ReceiverWords> {
    let detector_set = root.has("detector");
    let detector = root.section("detector", detector_words);
    let sweep = root.required_section("sweep", |sweep| {
        let hold = required(sweep, "hold", &["sweeps"]);
        let run = required(sweep, "run", &["sweeps"]);
        let done = one(sweep, "done", &[]);
        let poll = sweep.section("poll", poll_words);
        if sweep.has("done") && sweep.has("poll") {
            sweep.fault("poll", "give either `done`, which blocks, or [sweep.poll]");
        }
        let counts = sweep.or("counts_itself", false);
        Some((hold?, run?, (done, poll), counts?))
    });
    let trace = root.required_section("trace", trace_words);
    let overload = root.section("overload", register_bits);
    let set = root.required_section("set", |set| {
        let centre = required(set, "centre", &["centre", "span"]);
        let span = required(set, "span", &["centre", "span"]);
        let points = commands(set, "points", &["points"]);
        let fixed_points = set.optional("fixed_points");
        if points.is_some() == fixed_points.is_some() {
            set.fault(
                "points",
                "give either the command `points` or the number `fixed_points`",
            );
        }
        let resolution = required(set, "resolution_bandwidth", &["resolution_bandwidth"]);
        let video = commands(set, "video_bandwidth", &["video_bandwidth"]);
        let attenuation = commands(set, "attenuation", &["attenuation"]);
        Some((
            centre?,
            span?,
            points,
            fixed_points,
            resolution?,
            video,
            attenuation,
        ))
    });
    let had_lock = root.has("lock");
    let lock = root.section("lock", lock_words);
    if had_lock {
        lock.as_ref()?;
    }
    let had_readback = root.has("readback");
    let readback = root.section("readback", Readback::read);
    if had_readback {
        readback.as_ref()?;
    }
    let had_preamplifier = root.has("preamplifier");
    let preamplifier = root.section("preamplifier", preamplifier_words);
    if had_preamplifier {
        preamplifier.as_ref()?;
    }
    let had_sealed = root.has("sealed");
    let sealed = root.section("sealed", |section| {
        sealed_words(section, overload.is_some())
    });
    if had_sealed {
        sealed.as_ref()?;
    }
    let (centre, span, points, fixed_points, resolution_bandwidth, video_bandwidth, attenuation) =
        set?;
    let (hold, sweep, (done, poll), counts_itself) = sweep?;
    if detector_set {
        detector.as_ref()?;
    }
    Some(ReceiverWords {
        centre,
        span,
        points,
        fixed_points,
        resolution_bandwidth,
        video_bandwidth,
        attenuation,
        preamplifier,
        detector,
        hold,
        sweep,
        done,
        poll,
        counts_itself,
        trace: trace?,
        readback: readback.unwrap_or_else(Readback::undeclared),
        lock,
        overload,
        sealed,
    })
}

fn lock_words(section: &mut Section<'_, '_>) -> Option<LockWords> {
    let acquire = required(section, "acquire", &[]).and_then(|list| list.into_iter().next());
    let acquired = section.checked("acquired", Some("^[+]?1$".to_owned()), |p: String| {
        Pattern::new(&p)
    });
    let release = required(section, "release", &[]);
    Some(LockWords {
        acquire: acquire?,
        acquired: acquired?,
        release: release?,
    })
}

fn preamplifier_words(section: &mut Section<'_, '_>) -> Option<PreamplifierWords> {
    let on = required(section, "on", &[]);
    let off = required(section, "off", &[]);
    let compensated = section.or("compensated", true);
    Some(PreamplifierWords {
        on: on?,
        off: off?,
        compensated: compensated?,
    })
}

fn sealed_words(section: &mut Section<'_, '_>, has_overload: bool) -> Option<SealedWords> {
    let arm = required(section, "arm", &[]);
    let sweep_time = one(section, "sweep_time", &[]);
    let sweeps = one(section, "sweeps", &[]);
    let halt = required(section, "halt", &[]);
    let overload = one(section, "overload", &[]);
    if overload.is_some() && !has_overload {
        section.fault(
            "overload",
            "needs the table [overload], whose `mask` says which bits count",
        );
    }
    Some(SealedWords {
        arm: arm?,
        sweep_time,
        sweeps,
        halt: halt?,
        overload,
    })
}

fn register_bits(section: &mut Section<'_, '_>) -> Option<RegisterBits> {
    let query = required(section, "query", &[]).and_then(|list| list.into_iter().next());
    let mask = section.required("mask");
    Some(RegisterBits {
        query: query?,
        mask: mask?,
    })
}

fn poll_words(section: &mut Section<'_, '_>) -> Option<PollWords> {
    let query = one(section, "query", &[]);
    if query.is_none() && section.has("query") {
        return None;
    }
    let mask = section.required("mask");
    let until = section.checked("until", Some("set".to_owned()), |word: String| {
        match word.as_str() {
            "set" => Ok(true),
            "clear" => Ok(false),
            other => Err(format!("`{other}` is neither set nor clear")),
        }
    });
    let every = section.or(
        "every",
        Time::from_duration(std::time::Duration::from_millis(50)),
    );
    Some(PollWords {
        query,
        mask: mask?,
        until_set: until?,
        every: every?,
    })
}

fn detector_words(section: &mut Section<'_, '_>) -> Option<DetectorWords> {
    let set = required(section, "set", &["detector"]);
    let mut names = Vec::new();
    for (key, detector) in [
        ("peak", Detector::Peak),
        ("sample", Detector::Sample),
        ("rms", Detector::Rms),
    ] {
        names.extend(section.optional::<String>(key).map(|name| (detector, name)));
    }
    if names.is_empty() {
        section.fault(
            "peak",
            "name at least one of peak, sample, rms in the dialect's word",
        );
    }
    Some(DetectorWords { set: set?, names })
}

fn trace_words(section: &mut Section<'_, '_>) -> Option<TraceWords> {
    let prepare = commands(section, "prepare", &[]).unwrap_or_default();
    let query = required(section, "query", &[]).and_then(|list| list.into_iter().next());
    let order = section.checked(
        "byte_order",
        Some("big".to_owned()),
        |word: String| match word.as_str() {
            "big" => Ok(ByteOrder::Big),
            "little" => Ok(ByteOrder::Little),
            other => Err(format!("`{other}` is neither big nor little")),
        },
    );
    let encoding = section.checked("encoding", None, |word: String| match word.as_str() {
        "text" => Ok(Encoding::Text),
        "real32" => Ok(Encoding::Real32(order.unwrap_or(ByteOrder::Big))),
        "real64" => Ok(Encoding::Real64(order.unwrap_or(ByteOrder::Big))),
        other => Err(format!("`{other}` is not one of text, real32, real64")),
    });
    section.checked("unit", Some("dBm".to_owned()), |unit: String| {
        match unit.as_str() {
            "dBm" => Ok(()),
            other => Err(format!(
                "`{other}`: levels must come in dBm; set the instrument's unit in `start`"
            )),
        }
    })?;
    Some(TraceWords {
        prepare,
        query: query?,
        encoding: encoding?,
    })
}

/// A key that holds one command or a list of commands.
fn commands(
    section: &mut Section<'_, '_>,
    key: &'static str,
    variables: &[&str],
) -> Option<Vec<Command>> {
    let list = section.optional::<OneOrMany>(key)?;
    let mut parsed = Vec::new();
    for text in &list.0 {
        match Command::parse(text, variables) {
            Ok(command) => parsed.push(command),
            Err(reason) => section.fault(key, format!("`{text}` {reason}")),
        }
    }
    (parsed.len() == list.0.len()).then_some(parsed)
}

fn required(
    section: &mut Section<'_, '_>,
    key: &'static str,
    variables: &[&str],
) -> Option<Vec<Command>> {
    let parsed = commands(section, key, variables);
    if !section.has(key) {
        section.fault(key, format!("the command `{key}` is missing"));
    }
    parsed
}

/// A key that may hold one command.
fn one(section: &mut Section<'_, '_>, key: &'static str, variables: &[&str]) -> Option<Command> {
    let mut list = commands(section, key, variables)?;
    if list.len() != 1 {
        section.fault(key, "must be one command");
        return None;
    }
    list.pop()
}

/// Text, or a list of texts.
struct OneOrMany(Vec<String>);

impl super::document::Value for OneOrMany {
    fn read(value: &toml::de::DeValue<'_>) -> Result<Self, String> {
        match value.as_str() {
            Some(text) => Ok(Self(vec![text.to_owned()])),
            None => Vec::<String>::read(value)
                .map(Self)
                .map_err(|_| "must be a command in quotes or a list of them".to_owned()),
        }
    }
}
