//! The spectrum analyzer or measuring receiver.

mod sealed;

use std::time::Duration;

use super::InstrumentError;
use super::session::{Say, Session, ask, tell};
use super::trace::decode;
use crate::config::{Argument, Detector, Driver, Pattern, ReceiverWords};
use crate::link::Link;
use crate::quantity::{Frequency, Ratio};
use crate::store::{Levels, Trace};

/// A sweep may take this many times span / bandwidth², the time a Gaussian filter needs to settle
/// (2 to 3 times is usual; common practice, no source), before it counts as lost.
const SWEEP_TIME_FACTOR: f64 = 30.0;
/// Overhead allowed for each sweep: retrace, display.
const SWEEP_OVERHEAD_S: f64 = 1.0;

/// How the receiver is set for a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReceiverSettings {
    /// Middle of the trace.
    pub centre: Frequency,
    /// Width of the trace.
    pub span: Frequency,
    /// Points of the trace.
    pub points: u32,
    /// Resolution bandwidth.
    pub resolution_bandwidth: Frequency,
    /// Video bandwidth.
    pub video_bandwidth: Option<Frequency>,
    /// Input attenuation.
    pub attenuation: Option<Ratio>,
    /// Whether the preamplifier is in; left as it is when absent.
    pub preamplifier: Option<bool>,
    /// Detector.
    pub detector: Option<Detector>,
    /// Sweeps the peak is held over.
    pub sweeps: u32,
}

/// What a held sweep gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// The held trace.
    pub trace: Trace,
    /// Whether the receiver said that it was overloaded.
    pub overload: bool,
}

/// A spectrum analyzer or measuring receiver.
pub struct Receiver {
    session: Session,
    words: ReceiverWords,
    driver: Driver,
    /// Who must answer, as last asked for.
    wanted: Option<Pattern>,
    /// Its preamplifier was put in.
    preamplified: bool,
}

impl Receiver {
    /// A receiver that speaks `driver` over `link`.
    pub fn new(link: Box<dyn Link>, driver: &Driver, words: &ReceiverWords) -> Self {
        Self {
            session: Session::new("receiver", link, driver.dialect.clone()),
            words: words.clone(),
            driver: driver.clone(),
            wanted: driver.identity.clone(),
            preamplified: false,
        }
    }

    /// Asks who is there and puts the receiver into its known state.
    pub async fn start(&mut self, wanted: Option<&Pattern>) -> Result<String, InstrumentError> {
        self.wanted = wanted.or(self.driver.identity.as_ref()).cloned();
        self.begin().await
    }

    /// Asks who is there, and nothing else.
    pub async fn present(&mut self) -> Result<String, InstrumentError> {
        self.session.identify(self.wanted.as_ref()).await
    }

    async fn begin(&mut self) -> Result<String, InstrumentError> {
        let identity = self.session.identify(self.wanted.as_ref()).await?;
        let lines = tell(&self.driver.start, &[]);
        self.session.checked(lines, Duration::ZERO).await?;
        self.session.started();
        Ok(identity)
    }

    /// Sets the receiver, holds the peak over the sweeps and reads the trace.
    ///
    /// Every setting is sent with every reading: none is taken to be still as it was.
    pub async fn hold(&mut self, settings: &ReceiverSettings) -> Result<Held, InstrumentError> {
        if !self.session.still_started().await? {
            self.begin().await?;
        }
        let seconds = f64::from(settings.sweeps)
            * (SWEEP_OVERHEAD_S
                + SWEEP_TIME_FACTOR * settings.span.hz()
                    / (settings.resolution_bandwidth.hz() * settings.slower_bandwidth_hz()));
        let longer = Duration::try_from_secs_f64(seconds).unwrap_or(Duration::MAX / 2);
        let mut lines = self.sweep(settings, longer).await?;
        let (trace_at, overload_at) = self.read_lines(&mut lines);
        let answers = self.session.checked(lines, longer).await?;
        let answer = |index: usize| answers.get(index).map(Vec::as_slice).unwrap_or_default();
        let levels = decode(answer(trace_at), self.words.trace.encoding, settings.points)?;
        let overload = match (&self.words.overload, overload_at) {
            (Some(words), Some(index)) => {
                self.session.register(&words.query, answer(index))? & words.mask != 0
            }
            _ => false,
        };
        Ok(Held {
            trace: trace_of(settings, levels),
            overload,
        })
    }

    /// Sets the receiver and makes its sweeps; gives what is still to be said of it.
    ///
    /// Where the end of a sweep blocks, all can be said in one message together with the reading of the
    /// trace; where it is asked for again and again, the sweeps are over when this returns.
    async fn sweep(
        &mut self,
        settings: &ReceiverSettings,
        longer: Duration,
    ) -> Result<Vec<Say>, InstrumentError> {
        let words = self.words.clone();
        let mut lines = self.setting_lines(settings);
        lines.extend(tell(&words.trace.prepare, &[]));
        let sweeps = [("sweeps", Argument::Number(f64::from(settings.sweeps)))];
        lines.extend(tell(&words.hold, &sweeps));
        let times = match words.counts_itself {
            true => 1,
            false => settings.sweeps,
        };
        for _ in 0..times {
            // An event register keeps what an earlier sweep left in it until it is read.
            let clear = words.poll.as_ref().and_then(|poll| poll.query.as_ref());
            lines.extend(clear.map(ask));
            lines.extend(tell(&words.sweep, &sweeps));
            match &words.poll {
                None => lines.extend(words.done.as_ref().map(ask)),
                Some(poll) => {
                    let said = std::mem::take(&mut lines);
                    self.session.checked(said, Duration::ZERO).await?;
                    self.session.poll(poll, longer).await?;
                }
            }
        }
        Ok(lines)
    }

    /// Adds what reads overload and trace; gives at which answers they will be.
    fn read_lines(&self, lines: &mut Vec<Say>) -> (usize, Option<usize>) {
        let asked = |lines: &[Say]| lines.iter().filter(|l| matches!(l, Say::Ask(_))).count();
        let overload_at = self.words.overload.as_ref().map(|overload| {
            let at = asked(lines);
            lines.push(ask(&overload.query));
            at
        });
        let trace_at = asked(lines);
        lines.push(ask(&self.words.trace.query));
        (trace_at, overload_at)
    }

    fn setting_lines(&mut self, settings: &ReceiverSettings) -> Vec<Say> {
        let words = &self.words;
        let window = [
            ("centre", Argument::Frequency(settings.centre)),
            ("span", Argument::Frequency(settings.span)),
        ];
        let mut lines = tell(&words.centre, &window);
        lines.extend(tell(&words.span, &window));
        let set = |lines: &mut Vec<Say>,
                   commands: Option<&Vec<_>>,
                   name,
                   argument: Option<Argument<'_>>| {
            if let (Some(commands), Some(argument)) = (commands, argument) {
                lines.extend(tell(commands, &[(name, argument)]));
            }
        };
        let points = Argument::Number(f64::from(settings.points));
        set(&mut lines, words.points.as_ref(), "points", Some(points));
        set(
            &mut lines,
            Some(&words.resolution_bandwidth),
            "resolution_bandwidth",
            Some(Argument::Frequency(settings.resolution_bandwidth)),
        );
        set(
            &mut lines,
            words.video_bandwidth.as_ref(),
            "video_bandwidth",
            settings.video_bandwidth.map(Argument::Frequency),
        );
        set(
            &mut lines,
            words.attenuation.as_ref(),
            "attenuation",
            settings
                .attenuation
                .map(|ratio| Argument::Number(ratio.db())),
        );
        // Of a receiver that may have none, nothing is asked; one that was put in is taken out again.
        let preamplifier = settings.preamplifier.or(self.preamplified.then_some(false));
        if let (Some(words), Some(on)) = (&words.preamplifier, preamplifier) {
            lines.extend(tell(if on { &words.on } else { &words.off }, &[]));
            self.preamplified = on;
        }
        let detector = words.detector.as_ref();
        let name = detector
            .zip(settings.detector)
            .and_then(|(words, detector)| words.name(detector));
        set(
            &mut lines,
            detector.map(|words| &words.set),
            "detector",
            name.map(Argument::Word),
        );
        lines
    }

    /// Messages sent so far for which an answer was awaited.
    pub fn trips(&self) -> u64 {
        self.session.trips()
    }
}

/// The levels of a reading at the frequencies that were set.
fn trace_of(settings: &ReceiverSettings, levels: Levels) -> Trace {
    let half = settings.span.hz() / 2.0;
    Trace {
        start_hz: settings.centre.hz() - half,
        stop_hz: settings.centre.hz() + half,
        unit: "dBm".to_owned(),
        levels,
    }
}

impl ReceiverSettings {
    fn slower_bandwidth_hz(&self) -> f64 {
        let resolution = self.resolution_bandwidth.hz();
        self.video_bandwidth
            .map_or(resolution, |video| video.hz().min(resolution))
            .max(1.0)
    }
}
