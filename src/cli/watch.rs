//! What a measuring shows while it goes on, and the person who places things.

use std::fs::File;
use std::io::{BufRead, IsTerminal, Write};

use async_trait::async_trait;
use indicatif::{ProgressBar, ProgressStyle};
use tokio::sync::mpsc;

use super::table::shown;
use crate::procedure::{Event, Hands};
use crate::quantity::Frequency;
use crate::report::PointDocument;
use crate::station::{Placement, State};
use crate::store::{ReadingKind, ResultRecord};

/// Shows events on standard error: a bar with the time left on a terminal, lines otherwise.
pub(super) struct Watch {
    bar: ProgressBar,
    /// Where events are also written, a line each.
    log: Option<File>,
    said: String,
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
            Event::ReferenceReused { run, started } => {
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
                };
                self.bar.set_message(format!("{}, {at}, {what}", self.said));
            }
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
    /// Whether a recorder lies in the item with the receiver.
    recorder: bool,
    lines: tokio::sync::Mutex<mpsc::Receiver<String>>,
}

impl Person {
    pub(super) fn new(bar: ProgressBar, recorder: bool) -> Self {
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
            recorder,
            lines: tokio::sync::Mutex::new(lines),
        }
    }
}

#[async_trait]
impl Hands for Person {
    async fn place(&self, placement: &Placement) -> bool {
        let request = match &placement.item {
            None if self.recorder => format!(
                "Take everything out of the way between the antennas, the receiver and its recorder in their place, `muffle record` running. Antennas {}.",
                placement.polarisation
            ),
            Some(item) if self.recorder && placement.state == State::Open => format!(
                "Put the receiver and its recorder into {}, or see that they are there, `muffle record` running; leave it open, its {} to the transmit antenna, antennas {}, and step back.",
                shown(item),
                shown(&placement.face),
                placement.polarisation
            ),
            Some(item) if self.recorder => format!(
                "See that `muffle record` is running, leave it in {} with the receiver, close it, turn its {} to the transmit antenna. Antennas {}. Be quick: the timetable goes on.",
                shown(item),
                shown(&placement.face),
                placement.polarisation
            ),
            None => format!(
                "Take everything out of the way between the antennas. Antennas {}.",
                placement.polarisation
            ),
            Some(item) if placement.state == State::Open => format!(
                "Open {}, with the receiver in it, and connect the receiver.",
                shown(item)
            ),
            Some(item) if placement.state == State::Sealed => format!(
                "The receiver is armed. Disconnect it, leave it in {}, close it, turn its {} to the transmit antenna. Antennas {}.",
                shown(item),
                shown(&placement.face),
                placement.polarisation
            ),
            Some(item) => format!(
                "Put the receiver (or its antenna) into {}, close it, turn its {} to the transmit antenna. Antennas {}.{}",
                shown(item),
                shown(&placement.face),
                placement.polarisation,
                match placement.repeat {
                    1 => String::new(),
                    n => format!(" Closing {n}: open it and close it anew."),
                }
            ),
        };
        self.bar.suspend(|| {
            eprintln!("\n  {request}");
            // While an item of a sealed run is open, nothing is sent but the markers of a scheduled one.
            if self.recorder || placement.item.is_none() || placement.state != State::Open {
                eprintln!("  The next readings transmit: stand clear.");
            }
            eprint!("  Enter when it stands, q and Enter to stop: ");
            let _ = std::io::stderr().flush();
        });
        match self.lines.lock().await.recv().await {
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
