//! Tries every entry of a driver against an instrument, with the output off all the while.

use std::time::Duration;

use super::session::{Say, Session, ask, same, tell};
use super::trace::decode;
use super::{InstrumentError, ReceiverState};
use crate::config::{
    Argument, CarrierReadback, Command, Detector, Driver, Readback, ReadbackWords, ReceiverWords,
    SourceWords, Words,
};
use crate::link::{Exchange, Link, Recorder, Transcript};
use crate::quantity::{Frequency, Level};

/// What a driver is tried with: values that nearly every instrument takes.
const CENTRE_HZ: f64 = 100e6;
const SPAN_HZ: f64 = 1e6;
const POINTS: u32 = 201;
const BANDWIDTH_HZ: f64 = 10e3;
const ATTENUATION_DB: f64 = 10.0;
const LEVEL_DBM: f64 = -30.0;
/// One sweep at these settings takes far less.
const SWEEP: Duration = Duration::from_secs(10);

/// One entry of a driver, tried.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Tried {
    /// Its key in the driver file, such as `set.frequency`.
    pub entry: String,
    /// What was said for it and what came, byte for byte.
    pub exchanges: Vec<Exchange>,
    /// Why it did not work.
    pub fault: Option<String>,
}

/// All entries of a driver, tried.
pub struct Rehearsal {
    /// In the order of trying. Ends early where the output cannot be seen to be off, or nobody answers.
    pub tried: Vec<Tried>,
    /// Entries that were left out, and why.
    pub left_out: Vec<(String, &'static str)>,
    /// All that was said, to be kept and played back.
    pub transcript: Transcript,
}

struct Stage {
    session: Session,
    rehearsal: Rehearsal,
    seen: usize,
}

/// Tries every entry of `driver` over `link`. The output of a source is switched off first and never on.
pub async fn rehearse(driver: &Driver, link: Box<dyn Link>) -> Rehearsal {
    let (recorder, transcript) = Recorder::new(link);
    let name = driver.words.role();
    let mut stage = Stage {
        session: Session::new(name, Box::new(recorder), driver.dialect.clone()),
        rehearsal: Rehearsal {
            tried: Vec::new(),
            left_out: Vec::new(),
            transcript,
        },
        seen: 0,
    };
    if let Words::Source(words) = &driver.words
        && !stage.off(words, "output.off").await
    {
        return stage.rehearsal;
    }
    let identified = stage.session.identify(driver.identity.as_ref()).await;
    if !stage.note("dialect.identify", identified.map(|_| ())) {
        return stage.rehearsal;
    }
    if driver.dialect.prove.is_some() {
        let proven = stage.session.prove().await;
        stage.note("dialect.prove", proven);
    }
    stage.say("start", tell(&driver.start, &[])).await;
    match &driver.words {
        Words::Source(words) => stage.source(words).await,
        Words::Receiver(words) => stage.receiver(words).await,
        Words::PowerMonitor(words) => {
            let frequency = Argument::Frequency(Frequency::from_hz(CENTRE_HZ));
            let arguments = [("frequency", frequency)];
            stage
                .set("set.frequency", &words.frequency, &arguments)
                .await;
            stage.say("read.query", vec![ask(&words.query)]).await;
        }
    }
    stage.rehearsal
}

impl Stage {
    /// Notes how an entry went, with what was said for it.
    fn note(&mut self, entry: &str, outcome: Result<(), InstrumentError>) -> bool {
        let all = self.rehearsal.transcript.exchanges();
        let exchanges = all.get(self.seen..).unwrap_or_default().to_vec();
        self.seen = all.len();
        let fault = outcome.err().map(|error| error.to_string());
        let worked = fault.is_none();
        self.rehearsal.tried.push(Tried {
            entry: entry.to_owned(),
            exchanges,
            fault,
        });
        worked
    }

    async fn say(&mut self, entry: &str, lines: Vec<Say>) {
        if !lines.is_empty() {
            let said = self.session.checked(lines, Duration::ZERO).await;
            self.note(entry, said.map(|_| ()));
        }
    }

    async fn set(&mut self, entry: &str, commands: &[Command], arguments: &[(&str, Argument<'_>)]) {
        self.say(entry, tell(commands, arguments)).await;
    }

    async fn off(&mut self, words: &SourceWords, entry: &str) -> bool {
        let mut lines = tell(&words.off, &[]);
        lines.push(ask(&words.state));
        let outcome = match self.session.perform(&lines, Duration::ZERO).await {
            Ok(answers) => {
                let got = String::from_utf8_lossy(&answers.concat()).trim().to_owned();
                match same(&got, &words.off_reads) {
                    true => Ok(()),
                    false => Err(InstrumentError::StaysOn { got }),
                }
            }
            Err(error) => Err(error),
        };
        self.note(entry, outcome)
    }

    async fn source(&mut self, words: &SourceWords) {
        let frequency = Argument::Frequency(Frequency::from_hz(CENTRE_HZ));
        self.set(
            "set.frequency",
            &words.frequency,
            &[("frequency", frequency)],
        )
        .await;
        let level = Argument::Level(Level::from_dbm(LEVEL_DBM));
        self.set("set.level", &words.level, &[("level", level)])
            .await;
        if let Some(done) = &words.done {
            self.say("output.done", vec![ask(done)]).await;
        }
        match &words.readback {
            CarrierReadback::Asked(queries) => {
                self.say("readback.frequency", vec![ask(&queries.frequency)])
                    .await;
                self.say("readback.level", vec![ask(&queries.level)]).await;
                if let Some(status) = &queries.status {
                    self.say("readback.status", vec![ask(&status.query)]).await;
                }
            }
            CarrierReadback::None { .. } => {
                let entry = ("readback".to_owned(), "the driver has none");
                self.rehearsal.left_out.push(entry);
            }
        }
        self.rehearsal
            .left_out
            .push(("output.on".to_owned(), "the output stays off"));
        self.off(words, "output.off, again").await;
    }

    async fn receiver(&mut self, words: &ReceiverWords) {
        let points = words.fixed_points.unwrap_or(POINTS);
        let hz = |hz| Argument::Frequency(Frequency::from_hz(hz));
        let window = [("centre", hz(CENTRE_HZ)), ("span", hz(SPAN_HZ))];
        self.set("set.centre", &words.centre, &window).await;
        self.set("set.span", &words.span, &window).await;
        let optional = [
            ("points", &words.points, Argument::Number(f64::from(points))),
            ("video_bandwidth", &words.video_bandwidth, hz(BANDWIDTH_HZ)),
            (
                "attenuation",
                &words.attenuation,
                Argument::Number(ATTENUATION_DB),
            ),
        ];
        let resolution = [("resolution_bandwidth", hz(BANDWIDTH_HZ))];
        self.set(
            "set.resolution_bandwidth",
            &words.resolution_bandwidth,
            &resolution,
        )
        .await;
        for (name, commands, argument) in optional {
            let entry = format!("set.{name}");
            match commands {
                Some(commands) => self.set(&entry, commands, &[(name, argument)]).await,
                None => self.rehearsal.left_out.push((entry, "the driver has none")),
            }
        }
        if let Some(preamplifier) = &words.preamplifier {
            self.set("preamplifier.on", &preamplifier.on, &[]).await;
            self.set("preamplifier.off", &preamplifier.off, &[]).await;
        }
        if let Some(detectors) = &words.detector {
            for detector in [Detector::Sample, Detector::Rms, Detector::Peak] {
                if let Some(word) = detectors.name(detector) {
                    let entry = format!("detector.{}", detector.word());
                    let argument = [("detector", Argument::Word(word))];
                    self.set(&entry, &detectors.set, &argument).await;
                }
            }
        }
        self.readback(words).await;
        self.sweep(words).await;
        self.trace(words, points).await;
    }

    async fn readback(&mut self, words: &ReceiverWords) {
        let Readback::Asked(readback) = &words.readback else {
            let entry = "readback".to_owned();
            self.rehearsal.left_out.push((entry, "the driver has none"));
            return;
        };
        for (setting, query) in &readback.queries {
            let one = ReadbackWords {
                queries: vec![(*setting, query.clone())],
                ..readback.clone()
            };
            let read = match self.session.checked(vec![ask(query)], Duration::ZERO).await {
                Ok(answers) => {
                    let state = ReceiverState::read(&one, words.detector.as_ref(), &answers);
                    state.map(drop).map_err(|(query, answer)| {
                        let wanted = "the value of that setting";
                        self.session.answer_error(&query.text(), &answer, wanted)
                    })
                }
                Err(error) => Err(error),
            };
            self.note(&format!("readback.{}", setting.key()), read);
        }
    }

    async fn sweep(&mut self, words: &ReceiverWords) {
        let sweeps = [("sweeps", Argument::Number(1.0))];
        self.set("sweep.hold", &words.hold, &sweeps).await;
        let mut lines = tell(&words.sweep, &sweeps);
        lines.extend(words.done.as_ref().map(ask));
        let mut swept = self.session.checked(lines, SWEEP).await.map(|_| ());
        if let (Ok(()), Some(poll)) = (&swept, &words.poll) {
            swept = self.session.poll(poll, SWEEP).await;
        }
        self.note("sweep.run", swept);
    }

    async fn sealed(&mut self, words: &ReceiverWords) {
        let Some(sealed) = &words.sealed else {
            let entry = "sealed".to_owned();
            self.rehearsal.left_out.push((entry, "the driver has none"));
            return;
        };
        self.set("sealed.arm", &sealed.arm, &[]).await;
        let queries = [
            ("sealed.sweep_time", &sealed.sweep_time),
            ("sealed.overload", &sealed.overload),
        ];
        for (name, query) in queries {
            if let Some(query) = query {
                let asked = self.session.checked(vec![ask(query)], Duration::ZERO).await;
                self.note(name, asked.map(|_| ()));
            }
        }
        self.set("sealed.halt", &sealed.halt, &[]).await;
    }

    async fn trace(&mut self, words: &ReceiverWords, points: u32) {
        self.set("trace.prepare", &words.trace.prepare, &[]).await;
        let asked = vec![ask(&words.trace.query)];
        let read = match self.session.checked(asked, Duration::ZERO).await {
            Ok(answers) => decode(&answers.concat(), words.trace.encoding, points).map(|_| ()),
            Err(error) => Err(error),
        };
        self.note("trace.query", read);
        self.sealed(words).await;
        let Some(overload) = &words.overload else {
            return;
        };
        let asked = vec![ask(&overload.query)];
        let read = match self.session.checked(asked, Duration::ZERO).await {
            Ok(answers) => self
                .session
                .register(&overload.query, &answers.concat())
                .map(|_| ()),
            Err(error) => Err(error),
        };
        self.note("overload.query", read);
    }
}
