//! The spectrum analyzer or measuring receiver.

mod readback;
mod sealed;

use std::time::Duration;

use super::InstrumentError;
use super::session::{Say, Session, ask, tell};
use super::trace::decode;
use crate::config::{Argument, Detector, Driver, Pattern, Readback, ReceiverWords, Setting};
use crate::link::Link;
use crate::quantity::{Frequency, Ratio};
use crate::store::{Levels, Trace};

pub use readback::{Difference, Figure, ReceiverState};
pub use sealed::HoldProof;

pub(super) use readback::{listed, number};

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
    /// Whether a setting that the receiver adjusts is taken as it is, and said; else it is an error.
    pub accept_adjusted: bool,
}

/// What a held sweep gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// The held trace.
    pub trace: Trace,
    /// Whether the receiver said that it was overloaded.
    pub overload: bool,
    /// What it had when it had been set; none where it cannot be asked.
    pub state: Option<ReceiverState>,
    /// What somebody else had changed of that when the trace was fetched: the trace proves nothing.
    pub changed: Vec<Difference>,
}

impl Held {
    /// The resolution bandwidth of its trace: as the receiver has it, else as it was told.
    pub fn resolution_bandwidth(&self, settings: &ReceiverSettings) -> Frequency {
        let has = self.state.as_ref();
        has.and_then(|state| state.frequency(Setting::ResolutionBandwidth))
            .unwrap_or(settings.resolution_bandwidth)
    }

    /// An error where somebody else changed the settings meanwhile.
    pub fn unchanged(self) -> Result<Self, InstrumentError> {
        match self.changed.is_empty() {
            true => Ok(self),
            false => Err(InstrumentError::Changed {
                differences: listed(&self.changed),
            }),
        }
    }
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
    /// What it had when it was armed.
    armed: Option<ReceiverState>,
}

/// A receiver whose sweeps are over, or will be by what is still to be said.
struct Swept {
    /// Still to be said.
    lines: Vec<Say>,
    /// What it had before the sweeps, where that was answered already.
    before: Option<ReceiverState>,
    /// At which answer to `lines` that begins, where it was not.
    before_at: Option<usize>,
}

/// At which answers each begins.
struct ReadAt {
    state: usize,
    overload: Option<usize>,
    trace: usize,
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
            armed: None,
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
        self.take_lock().await?;
        let lines = tell(&self.driver.start, &[]);
        self.session.checked(lines, Duration::ZERO).await?;
        self.session.started();
        Ok(identity)
    }

    /// Takes the instrument's own lock, before anything is set.
    async fn take_lock(&mut self) -> Result<(), InstrumentError> {
        let Some(lock) = &self.words.lock else {
            return Ok(());
        };
        let query = ask(&lock.acquire);
        let answers = self.session.perform(&[query], Duration::ZERO).await?;
        let got = String::from_utf8_lossy(&answers.concat()).trim().to_owned();
        match lock.acquired.accepts(&got) {
            true => Ok(()),
            false => Err(InstrumentError::Locked {
                instrument: "receiver",
                command: lock.acquire.text(),
                got,
            }),
        }
    }

    /// Gives the instrument's own lock back: nothing more is said to it.
    pub async fn release(&mut self) -> Result<(), InstrumentError> {
        let Some(lock) = &self.words.lock else {
            return Ok(());
        };
        let lines = tell(&lock.release, &[]);
        self.session.checked(lines, Duration::ZERO).await.map(drop)
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
        let Swept {
            mut lines,
            before,
            before_at,
        } = self.sweep(settings, longer).await?;
        let at = self.read_lines(&mut lines);
        let answers = self.session.checked(lines, longer).await?;
        let answer = |index: usize| answers.get(index).map(Vec::as_slice).unwrap_or_default();
        let before = match before_at {
            Some(at) => self.state_in(&answers, at)?,
            None => before,
        };
        let after = self.state_in(&answers, at.state)?;
        let points = after.as_ref().and_then(ReceiverState::points);
        let points = points.unwrap_or(settings.points);
        let (state, changed) = self.judged(settings, before, after)?;
        let levels = decode(answer(at.trace), self.words.trace.encoding, points)?;
        let overload = match (&self.words.overload, at.overload) {
            (Some(words), Some(index)) => {
                self.session.register(&words.query, answer(index))? & words.mask != 0
            }
            _ => false,
        };
        Ok(Held {
            trace: trace_of(settings, state.as_ref(), levels),
            overload,
            state,
            changed,
        })
    }

    /// What the receiver has now, of what its driver can ask for; nothing is set. None where it cannot be asked.
    pub async fn read_settings(&mut self) -> Result<Option<ReceiverState>, InstrumentError> {
        let lines = self.state_lines();
        if lines.is_empty() {
            return Ok(None);
        }
        let answers = self.session.checked(lines, Duration::ZERO).await?;
        self.state_in(&answers, 0)
    }

    /// What differs from what was asked for by more than the driver tolerates.
    pub fn differences(&self, state: &ReceiverState, asked: &ReceiverSettings) -> Vec<Difference> {
        match &self.words.readback {
            Readback::Asked(words) => state.differences(asked, &words.tolerance),
            Readback::None { .. } => Vec::new(),
        }
    }

    fn state_lines(&self) -> Vec<Say> {
        match &self.words.readback {
            Readback::Asked(words) => words.queries.iter().map(|(_, query)| ask(query)).collect(),
            Readback::None { .. } => Vec::new(),
        }
    }

    /// What the answers from `at` on say.
    fn state_in(
        &self,
        answers: &[Vec<u8>],
        at: usize,
    ) -> Result<Option<ReceiverState>, InstrumentError> {
        let Readback::Asked(words) = &self.words.readback else {
            return Ok(None);
        };
        let answers = answers.get(at..).unwrap_or_default();
        let state = ReceiverState::read(words, self.words.detector.as_ref(), answers);
        state.map(Some).map_err(|(query, answer)| {
            let wanted = "the value of that setting";
            self.session.answer_error(&query.text(), &answer, wanted)
        })
    }

    /// What it has, with what it adjusted where that is accepted, and what was changed by somebody else.
    fn judged(
        &self,
        settings: &ReceiverSettings,
        before: Option<ReceiverState>,
        after: Option<ReceiverState>,
    ) -> Result<(Option<ReceiverState>, Vec<Difference>), InstrumentError> {
        let (Some(before), Some(after)) = (before, after) else {
            return Ok((None, Vec::new()));
        };
        let state = self.fit(settings, before)?;
        self.refuse_unit(&after)?;
        let changed = after.changes(&state);
        Ok((Some(state), changed))
    }

    /// The state with what was adjusted in it. Refuses another unit than dBm, and settings that were adjusted
    /// unless that is accepted.
    fn fit(
        &self,
        settings: &ReceiverSettings,
        mut state: ReceiverState,
    ) -> Result<ReceiverState, InstrumentError> {
        self.refuse_unit(&state)?;
        let adjusted = self.differences(&state, settings);
        // Without peak hold there is nothing to accept.
        let holds = adjusted.iter().all(|it| it.setting != Setting::Holding);
        if adjusted.is_empty() || (settings.accept_adjusted && holds) {
            state.adjusted = adjusted;
            return Ok(state);
        }
        Err(InstrumentError::Adjusted {
            differences: listed(&adjusted),
        })
    }

    fn refuse_unit(&self, state: &ReceiverState) -> Result<(), InstrumentError> {
        match state.other_unit() {
            None => Ok(()),
            Some(unit) => Err(InstrumentError::TraceUnit {
                unit: unit.to_owned(),
            }),
        }
    }

    /// Sets the receiver and makes its sweeps; gives what is still to be said of it.
    ///
    /// Where the end of a sweep blocks, all can be said in one message together with the reading of the
    /// trace; where it is asked for again and again, the sweeps are over when this returns.
    async fn sweep(
        &mut self,
        settings: &ReceiverSettings,
        longer: Duration,
    ) -> Result<Swept, InstrumentError> {
        let words = self.words.clone();
        let mut lines = self.setting_lines(settings);
        lines.extend(tell(&words.trace.prepare, &[]));
        let sweeps = [("sweeps", Argument::Number(f64::from(settings.sweeps)))];
        lines.extend(tell(&words.hold, &sweeps));
        let (mut before, mut before_at) = (None, Some(asked(&lines)));
        lines.extend(self.state_lines());
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
                    let answers = self.session.checked(said, Duration::ZERO).await?;
                    if let Some(at) = before_at.take() {
                        before = self.state_in(&answers, at)?;
                    }
                    self.session.poll(poll, longer).await?;
                }
            }
        }
        Ok(Swept {
            lines,
            before,
            before_at,
        })
    }

    /// Adds what reads the settings, overload and trace.
    fn read_lines(&self, lines: &mut Vec<Say>) -> ReadAt {
        let state = asked(lines);
        lines.extend(self.state_lines());
        let overload = self.words.overload.as_ref().map(|overload| {
            let at = asked(lines);
            lines.push(ask(&overload.query));
            at
        });
        let trace = asked(lines);
        lines.push(ask(&self.words.trace.query));
        ReadAt {
            state,
            overload,
            trace,
        }
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

/// How many answers there will be.
fn asked(lines: &[Say]) -> usize {
    let is_query = |line: &&Say| matches!(line, Say::Ask(_));
    lines.iter().filter(is_query).count()
}

/// The levels of a reading at the frequencies that the receiver has, else at those that were set.
fn trace_of(settings: &ReceiverSettings, state: Option<&ReceiverState>, levels: Levels) -> Trace {
    let has = |setting| state.and_then(|state| state.frequency(setting));
    let centre = has(Setting::Centre).unwrap_or(settings.centre);
    let half = has(Setting::Span).unwrap_or(settings.span).hz() / 2.0;
    Trace {
        start_hz: centre.hz() - half,
        stop_hz: centre.hz() + half,
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
