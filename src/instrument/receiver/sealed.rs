//! A receiver that is left to itself in a closed item, and asked afterwards what it saw.
//!
//! Between [`Receiver::arm`] and [`Receiver::collect`] nothing is said to it, and the link may be gone:
//! [`Receiver::rejoin`] takes up a new one without any command that would touch the held trace.

use std::time::Duration;

use super::readback::listed;
use super::{Difference, Held, Receiver, ReceiverSettings, ReceiverState, decode, trace_of};
use crate::config::{SealedWords, Setting, same_instrument};
use crate::instrument::InstrumentError;
use crate::instrument::session::{Session, ask, tell};
use crate::link::Link;
use crate::quantity::Time;

/// Allowed for one point of a trace: twenty characters at 9600 Bd. A wide trace has many.
const POINT_S: f64 = 0.02;

/// What a receiver can prove of the time that it lay in the closed item.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HoldProof {
    /// Asked before it was stopped, it swept by itself, held the peaks and had the frequencies it was armed with.
    pub stayed_armed: bool,
    /// How many sweeps its hold had; none where it cannot be asked.
    pub sweeps: Option<u32>,
}

impl Receiver {
    /// Sets the receiver and begins a peak hold that goes on by itself. Answers with the time of one sweep
    /// where the receiver can say it.
    pub async fn arm(
        &mut self,
        settings: &ReceiverSettings,
    ) -> Result<Option<Time>, InstrumentError> {
        let words = self.sealed_words()?;
        if !self.session.still_started().await? {
            self.begin().await?;
        }
        // Apart, because arming may empty the error queue.
        let lines = self.setting_lines(settings);
        self.session.checked(lines, Duration::ZERO).await?;
        let lines = tell(&words.arm, &[]);
        self.session.checked(lines, Duration::ZERO).await?;
        let has = self.read_settings().await?;
        self.armed = has.map(|state| self.fit(settings, state)).transpose()?;
        self.still_armed(self.armed.as_ref())?;
        let Some(query) = &words.sweep_time else {
            return Ok(None);
        };
        let answers = self.session.checked(vec![ask(query)], Duration::ZERO);
        let answer = answers.await?.pop().unwrap_or_default();
        let seconds = std::str::from_utf8(&answer)
            .ok()
            .and_then(|text| text.trim().parse::<f64>().ok())
            .and_then(|seconds| Duration::try_from_secs_f64(seconds).ok())
            .filter(|sweep| !sweep.is_zero());
        match seconds {
            Some(sweep) => Ok(Some(Time::from_duration(sweep))),
            None => Err(self.session.answer_error(
                &query.text(),
                &answer,
                "the time of a sweep in seconds",
            )),
        }
    }

    /// Takes up a new link to the same instrument, of which nothing is asked but who it is: whatever it
    /// holds stays. `same` is what it answered before.
    pub async fn rejoin(&mut self, link: Box<dyn Link>, same: &str) -> Result<(), InstrumentError> {
        let address = link.address().to_owned();
        // The old link goes first: a serial device may be open once only.
        self.session = Session::new("receiver", link, self.driver.dialect.clone());
        let got = self.session.identify(None).await?;
        match same_instrument(&got, same) {
            true => Ok(()),
            false => Err(InstrumentError::WrongIdentity {
                instrument: "receiver",
                address,
                wanted: same.to_owned(),
                got,
            }),
        }
    }

    /// Asks what became of the hold, stops it and reads the trace; `settings` are those it was armed with.
    ///
    /// The questions come first: stopping changes the answers, and so may whatever fetches the trace.
    pub async fn collect(
        &mut self,
        settings: &ReceiverSettings,
    ) -> Result<(Held, HoldProof), InstrumentError> {
        let words = self.sealed_words()?;
        let proof = self.prove_hold(&words).await?;
        let mut lines = tell(&words.halt, &[]);
        let remembered = words.overload.as_ref();
        lines.extend(remembered.map(ask));
        lines.extend(tell(&self.words.trace.prepare, &[]));
        lines.push(ask(&self.words.trace.query));
        let state = self.armed.clone();
        let points = state.as_ref().and_then(ReceiverState::points);
        let points = points.unwrap_or(settings.points);
        let longer = Duration::from_secs_f64(POINT_S * f64::from(points));
        let mut answers = self.session.checked(lines, longer).await?;
        let levels = answers.pop().unwrap_or_default();
        let levels = decode(&levels, self.words.trace.encoding, points)?;
        let overload = match (remembered, &self.words.overload, answers.pop()) {
            (Some(query), Some(bits), Some(answer)) => {
                self.session.register(query, &answer)? & bits.mask != 0
            }
            _ => false,
        };
        let held = Held {
            trace: trace_of(settings, state.as_ref(), levels),
            overload,
            state,
            changed: Vec::new(),
        };
        Ok((held, proof))
    }

    /// Asks everything that [`Self::arm`] left a certain answer to, and the power-on status with it, which nobody
    /// has read since: who it is was the only question on a new connection.
    async fn prove_hold(&mut self, words: &SealedWords) -> Result<HoldProof, InstrumentError> {
        let has = self.read_settings().await?;
        self.still_armed(has.as_ref())?;
        let sweeps = match &words.sweeps {
            Some(query) => {
                let answers = self.session.checked(vec![ask(query)], Duration::ZERO);
                let answer = answers.await?.pop().unwrap_or_default();
                Some(self.session.register(query, &answer)?)
            }
            None => None,
        };
        let known = |setting| {
            let state = has.as_ref();
            state.is_some_and(|state| state.is_on(setting) == Some(true))
        };
        let tuned = |setting| {
            let state = has.as_ref();
            state.is_some_and(|state| state.frequency(setting).is_some())
        };
        Ok(HoldProof {
            stayed_armed: known(Setting::Holding)
                && known(Setting::Sweeping)
                && tuned(Setting::Centre)
                && tuned(Setting::Span),
            sweeps,
        })
    }

    /// An error where it has another setting than when it was armed, or does not sweep.
    fn still_armed(&self, has: Option<&ReceiverState>) -> Result<(), InstrumentError> {
        let (Some(has), Some(armed)) = (has, &self.armed) else {
            return Ok(());
        };
        let mut differences = has.changes(armed);
        if has.is_on(Setting::Sweeping) == Some(false)
            && !differences.iter().any(|it| it.setting == Setting::Sweeping)
        {
            differences.push(Difference::switched_off(Setting::Sweeping));
        }
        match differences.is_empty() {
            true => Ok(()),
            false => Err(InstrumentError::NotArmed {
                differences: listed(&differences),
            }),
        }
    }

    fn sealed_words(&self) -> Result<SealedWords, InstrumentError> {
        self.words
            .sealed
            .clone()
            .ok_or_else(|| InstrumentError::CannotBeSealed {
                driver: self.driver.name.clone(),
            })
    }
}
