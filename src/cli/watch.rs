//! What a measuring shows while it goes on, and the person who places things.

use std::fs::File;
use std::io::{BufRead, IsTerminal, Write};

use async_trait::async_trait;
use indicatif::{ProgressBar, ProgressStyle};
use tokio::sync::mpsc;

use super::table::shown;
use crate::procedure::{Event, Hands, request, transmits};
use crate::quantity::Frequency;
use crate::report::PointDocument;
use crate::station::Placement;
use crate::store::{ReadingKind, ResultRecord, RunId};

/// Shows events on standard error: a bar with the time left on a terminal, lines otherwise.
pub(super) struct Watch {
    bar: ProgressBar,
    /// Where events are also written, a line each.
    log: Option<File>,
    said: String,
    /// The reference in use, which is spoken of once.
    reference: Option<RunId>,
}

impl Watch {
    pub(super) fn new(log: Option<File>) -> Self {
        let bar = ProgressBar::new(0);
        if let Ok(style) =
            ProgressStyle::with_template("{bar:24} {pos}/{len} readings, {eta} left  {wide_msg}")
        {
            bar.set_style(style);
        }
        Self {
            bar,
            log,
            said: String::new(),
            reference: None,
        }
    }

    /// The bar, so that a prompt can be printed past it.
    pub(super) fn bar(&self) -> ProgressBar {
        self.bar.clone()
    }

    /// Shows events until the last sender is gone.
    pub(super) async fn follow(mut self, mut events: mpsc::Receiver<Event>) {
        while let Some(event) = events.recv().await {
            self.write(&event);
            self.show(&event);
        }
        self.bar.finish_and_clear();
    }

    fn write(&mut self, event: &Event) {
        let Some(log) = &mut self.log else { return };
        // In one write, so that a line is there whole or not at all.
        let written = serde_json::to_string(event)
            .map_err(std::io::Error::from)
            .and_then(|line| log.write_all(format!("{line}\n").as_bytes()));
        if let Err(error) = written {
            self.log = None;
            self.line(&format!("the events cannot be written any more: {error}"));
        }
    }

    fn line(&self, text: &str) {
        self.bar.suspend(|| eprintln!("{text}"));
    }

    fn show(&mut self, event: &Event) {
        match event {
            Event::Warning { text } => self.line(&format!("Caution: {}.", text)),
            Event::ReferenceReused { run, .. } if self.reference == Some(*run) => {}
            Event::ReferenceReused { run, started } => {
                self.reference = Some(*run);
                self.line(&format!(
                    "reference {run} of {started} is still good and used again"
                ));
            }
            Event::Run {
                run,
                item,
                readings,
            } => {
                let what = match item {
                    Some(item) => shown(item),
                    None => "reference".to_owned(),
                };
                self.line(&format!("{what}: run {run}, {readings} readings"));
                if item.is_none() {
                    self.reference = Some(*run);
                }
                self.bar.reset();
                self.bar.set_length(*readings as u64);
                self.said = what;
            }
            Event::Closings {
                closings,
                frequencies,
            } => self.line(&format!(
                "{frequencies} frequencies in {closings} closing{} and as many silent ones, for each face, polarisation and repeat",
                if *closings == 1 { "" } else { "s" }
            )),
            Event::Closing { place, lasts } => {
                self.line(&format!("{}: about {lasts}", shown(place)));
            }
            Event::Looking => self.line("looking for the analyzer"),
            Event::Pass {
                place,
                frequencies,
                lasts,
                schedule,
            } => {
                self.line(&format!(
                    "{}: {frequencies} frequencies, about {lasts} by schedule {}…",
                    shown(place),
                    schedule.get(..12).unwrap_or(schedule)
                ));
                self.bar.reset();
                self.bar.set_length(*frequencies as u64);
            }
            Event::Emitted { frequency_hz } => {
                self.bar.inc(1);
                let at = Frequency::from_hz(*frequency_hz);
                self.bar.set_message(format!("{}, {at}, sent", self.said));
            }
            Event::Sent { run, item } => {
                let what = item.as_deref().map_or("reference".to_owned(), shown);
                self.line(&format!("{what}: sent; run {run} waits for its recording"));
            }
            Event::Placing { placement } => {
                self.bar
                    .set_message(format!("placing {}", shown(&placement.to_string())));
            }
            Event::Reading { key, .. } => {
                self.bar.inc(1);
                let at = Frequency::from_hz(key.point.frequency_hz);
                let what = match key.kind {
                    ReadingKind::Floor => "floor",
                    ReadingKind::Signal => "signal",
                    ReadingKind::Step => "a step lower",
                    ReadingKind::Pad => "more attenuation",
                    ReadingKind::Ambient => "an ambient signal",
                };
                self.bar.set_message(format!("{}, {at}, {what}", self.said));
            }
            Event::Moved {
                asked_hz,
                measured_hz,
            } => self.line(&format!(
                "{}: another signal stands there; measured at {} instead",
                Frequency::from_hz(*asked_hz),
                Frequency::from_hz(*measured_hz)
            )),
            Event::Point { result } => self.bar.set_message(self.point(result)),
            Event::Again { place, reason } => {
                self.line(&format!("{}: once more, because {reason}", shown(place)));
            }
            Event::Finished { item, verdict, .. } => {
                let verdict = verdict.map_or("done", |verdict| verdict.as_str());
                let what = item.as_deref().map_or("reference".to_owned(), shown);
                self.line(&format!("{what}: {verdict}"));
            }
        }
    }

    fn point(&self, result: &ResultRecord) -> String {
        let at = Frequency::from_hz(result.point.frequency_hz);
        format!(
            "{}, {at}: SE {} dB",
            self.said,
            PointDocument::from(result).se_text()
        )
    }
}

/// A person at the terminal.
pub(super) struct Person {
    bar: ProgressBar,
    /// How the antennas stood last: only what changes is asked for.
    antennas: std::sync::Mutex<Option<String>>,
    lines: tokio::sync::Mutex<mpsc::Receiver<String>>,
}

impl Person {
    pub(super) fn new(bar: ProgressBar) -> Self {
        let (sender, lines) = mpsc::channel(1);
        // A thread of its own: waiting for a line cannot be called off, and must not hold up the end.
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines().map_while(Result::ok) {
                if sender.blocking_send(line).is_err() {
                    break;
                }
            }
        });
        Self {
            bar,
            antennas: std::sync::Mutex::new(None),
            lines: tokio::sync::Mutex::new(lines),
        }
    }

    /// Asks for a line of text; none when nobody is there to write one.
    pub(super) async fn scan(&self, request: &str) -> Option<String> {
        self.bar.suspend(|| {
            eprint!("{request}");
            let _ = std::io::stderr().flush();
        });
        self.line().await
    }

    /// Says something past the bar.
    pub(super) fn tell(&self, text: &str) {
        self.bar.suspend(|| eprintln!("{text}"));
    }

    /// The next line, or none when nobody is there.
    pub(super) async fn line(&self) -> Option<String> {
        self.lines.lock().await.recv().await
    }

    /// Asks for one thing; `false` when the answer is to stop, or when nobody is there.
    pub(super) async fn ask(&self, request: &str, transmits: bool) -> bool {
        self.bar.suspend(|| {
            eprintln!("\n  {request}");
            if transmits {
                eprintln!("  The next readings transmit: stand clear.");
            }
            eprint!("  Enter when it stands, q and Enter to stop: ");
            let _ = std::io::stderr().flush();
        });
        match self.line().await {
            Some(line) => !line.trim().eq_ignore_ascii_case("q"),
            None => {
                let why = match std::io::stdin().is_terminal() {
                    true => "the terminal was closed",
                    false => {
                        "nobody is at the terminal to place things; give the station a [placement] command"
                    }
                };
                self.bar.suspend(|| eprintln!("\n  {why}"));
                false
            }
        }
    }
}

#[async_trait]
impl Hands for Person {
    async fn place(&self, placement: &Placement, recorder: bool) -> bool {
        let request = {
            let mut antennas = self
                .antennas
                .lock()
                .unwrap_or_else(std::sync::PoisonError::into_inner);
            let request = request(placement, antennas.as_deref(), recorder);
            *antennas = Some(placement.polarisation.clone());
            request
        };
        self.ask(&request, transmits(placement, recorder)).await
    }
}
