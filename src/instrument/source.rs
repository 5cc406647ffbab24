//! The signal source. Off is its resting state.

use std::time::Duration;

use super::InstrumentError;
use super::session::{Say, Session, ask, same, tell};
use crate::config::{Argument, Driver, Pattern, SourceWords};
use crate::link::Link;
use crate::quantity::{Frequency, Level};

/// After an `on` whose connection was lost before it was answered, and an off that was seen on another one: how long
/// to wait before each further off. What was sent on the lost connection may reach the source after what was sent on
/// the new one: it may be held up by a switch, a gateway or a retransmission (RFC 9293, 3.6: what was sent
/// before a close is still delivered).
const ON_MAY_COME_LATE: [Duration; 2] = [Duration::from_millis(200), Duration::from_millis(800)];

/// Leave to radiate: a frequency and a level that the guard has allowed.
///
/// Only the guard of a station may make one; a test of the house rules watches that.
#[derive(Debug)]
pub struct Permit {
    frequency: Frequency,
    level: Level,
}

impl Permit {
    /// For `station::guard` and nobody else.
    pub fn issue(frequency: Frequency, level: Level) -> Self {
        Self { frequency, level }
    }

    /// The frequency that is allowed.
    pub fn frequency(&self) -> Frequency {
        self.frequency
    }

    /// The level that is allowed at the source's output.
    pub fn level(&self) -> Level {
        self.level
    }
}

/// In place of the number of a connection: one of another process.
const ANOTHERS: u64 = u64::MAX;

/// A signal source.
pub struct Source {
    session: Session,
    words: SourceWords,
    driver: Driver,
    /// Who must answer, as last asked for.
    wanted: Option<Pattern>,
    /// The connection on which `on` was said and not answered; [`ANOTHERS`] where that was none of this source's.
    unanswered: Option<u64>,
}

impl Source {
    /// A source that speaks `driver` over `link`.
    pub fn new(link: Box<dyn Link>, driver: &Driver, words: &SourceWords) -> Self {
        Self {
            // A connection that was lost may have been lost with the output on.
            session: Session::new("source", link, driver.dialect.clone())
                .saying_first(&tell(&words.off, &[])),
            words: words.clone(),
            driver: driver.clone(),
            wanted: driver.identity.clone(),
            unanswered: None,
        }
    }

    /// Tells that a program before this one was killed: an `on` of its may still be under way.
    pub fn follows_a_killed_one(&mut self) {
        self.unanswered = Some(ANOTHERS);
    }

    /// Switches the output off, then asks who is there and puts the source into its known state.
    ///
    /// Off comes first, before anything else is said, so that a source left on by a crash radiates no
    /// longer than it must. Pattern is checked before anything but that is set.
    pub async fn start(&mut self, wanted: Option<&Pattern>) -> Result<String, InstrumentError> {
        self.wanted = wanted.or(self.driver.identity.as_ref()).cloned();
        self.begin().await
    }

    async fn begin(&mut self) -> Result<String, InstrumentError> {
        self.off().await?;
        let identity = self.session.identify(self.wanted.as_ref()).await?;
        let lines = tell(&self.driver.start, &[]);
        self.session.checked(lines, Duration::ZERO).await?;
        self.off().await?;
        self.session.started();
        Ok(identity)
    }

    /// Sets frequency and level and switches the output on; done when the source says so.
    ///
    /// On another connection than the last one the known state is reached anew first: a source that lost
    /// its power may take a level in another unit.
    pub async fn on(&mut self, permit: &Permit) -> Result<(), InstrumentError> {
        if !self.session.still_started().await? {
            self.begin().await?;
        }
        let frequency = Argument::Frequency(permit.frequency);
        let level = Argument::Level(permit.level);
        let mut lines = tell(&self.words.frequency, &[("frequency", frequency)]);
        lines.extend(tell(&self.words.level, &[("level", level)]));
        lines.extend(tell(&self.words.on, &[]));
        lines.extend(self.words.done.as_ref().map(ask));
        self.unanswered = Some(self.session.connection());
        self.session.checked(lines, Duration::ZERO).await?;
        self.unanswered = None;
        Ok(())
    }

    /// Switches the output off and asks whether it is; only the answer counts.
    ///
    /// Where an `on` may still be under way on a connection that was lost, once is not enough.
    pub async fn off(&mut self) -> Result<(), InstrumentError> {
        self.off_once().await?;
        if self
            .unanswered
            .is_some_and(|on| on != self.session.connection())
        {
            for wait in ON_MAY_COME_LATE {
                tokio::time::sleep(wait).await;
                self.off_once().await?;
            }
        }
        self.unanswered = None;
        Ok(())
    }

    async fn off_once(&mut self) -> Result<(), InstrumentError> {
        let mut lines = tell(&self.words.off, &[]);
        lines.push(Say::Ask(self.words.state.text()));
        let answers = self.session.perform(&lines, Duration::ZERO).await?;
        let got = answers
            .last()
            .map(|answer| String::from_utf8_lossy(answer).trim().to_owned())
            .unwrap_or_default();
        match same(&got, &self.words.off_reads) {
            true => Ok(()),
            false => Err(InstrumentError::StaysOn { got }),
        }
    }

    /// Switches the output off, sees that it is, and then that it is the source that is meant: for whoever
    /// only switches off. Nothing else is set.
    pub async fn off_and_known(&mut self, wanted: Option<&Pattern>) -> Result<(), InstrumentError> {
        self.off().await?;
        let wanted = wanted.or(self.driver.identity.as_ref()).cloned();
        self.session.identify(wanted.as_ref()).await?;
        Ok(())
    }

    /// Messages sent so far for which an answer was awaited.
    pub fn trips(&self) -> u64 {
        self.session.trips()
    }
}
