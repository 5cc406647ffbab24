//! The power monitor: a power sensor at a coupled port behind the amplifier, which sees what the source cannot know.

use std::time::Duration;

use super::InstrumentError;
use super::receiver::number;
use super::session::{Session, ask, tell};
use crate::config::{Argument, Driver, Pattern, PowerMonitorWords};
use crate::link::Link;
use crate::quantity::{Frequency, Level};

/// No sensor reads less or more: beyond stand the words of SCPI-1999 for "no measurement" (9.91E37, 9.9E37).
const READABLE_DBM: std::ops::Range<f64> = -200.0..100.0;

/// A power sensor or meter.
pub struct PowerMonitor {
    session: Session,
    words: PowerMonitorWords,
    driver: Driver,
    /// Who must answer, as last asked for.
    wanted: Option<Pattern>,
}

impl PowerMonitor {
    /// A monitor that speaks `driver` over `link`.
    pub fn new(link: Box<dyn Link>, driver: &Driver, words: &PowerMonitorWords) -> Self {
        Self {
            session: Session::new("power monitor", link, driver.dialect.clone()),
            words: words.clone(),
            driver: driver.clone(),
            wanted: driver.identity.clone(),
        }
    }

    /// Asks who is there and puts it into its known state.
    pub async fn start(&mut self, wanted: Option<&Pattern>) -> Result<String, InstrumentError> {
        self.wanted = wanted.or(self.driver.identity.as_ref()).cloned();
        self.begin().await
    }

    async fn begin(&mut self) -> Result<String, InstrumentError> {
        let identity = self.session.identify(self.wanted.as_ref()).await?;
        let lines = tell(&self.driver.start, &[]);
        self.session.checked(lines, Duration::ZERO).await?;
        self.session.started();
        Ok(identity)
    }

    /// The power at its port.
    pub async fn read(&mut self, frequency: Frequency) -> Result<Level, InstrumentError> {
        if !self.session.still_started().await? {
            self.begin().await?;
        }
        let argument = Argument::Frequency(frequency);
        let mut lines = tell(&self.words.frequency, &[("frequency", argument)]);
        lines.push(ask(&self.words.query));
        let answers = self.session.checked(lines, Duration::ZERO).await?;
        let answer = answers.last().map(Vec::as_slice).unwrap_or_default();
        let dbm = std::str::from_utf8(answer).ok().and_then(number);
        dbm.filter(|dbm| READABLE_DBM.contains(dbm))
            .map(Level::from_dbm)
            .ok_or_else(|| {
                self.session
                    .answer_error(&self.words.query.text(), answer, "a power in dBm")
            })
    }
}
