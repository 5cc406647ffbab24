//! The signal source. Off is its resting state.

use std::time::Duration;

use super::InstrumentError;
use super::session::{Say, Session, ask, same, tell};
use crate::config::{Argument, Driver, Pattern, SourceWords};
use crate::link::Link;
use crate::quantity::{Frequency, Level};

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

/// A signal source.
pub struct Source {
    session: Session,
    words: SourceWords,
    driver: Driver,
    /// Who must answer, as last asked for.
    wanted: Option<Pattern>,
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
        }
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
        self.session.checked(lines, Duration::ZERO).await?;
        Ok(())
    }

    /// Switches the output off and asks whether it is; only the answer counts.
    pub async fn off(&mut self) -> Result<(), InstrumentError> {
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
