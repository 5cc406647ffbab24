//! The signal source. Off is its resting state.

mod carrier;

use std::time::Duration;

use super::InstrumentError;
use super::session::{Say, Session, ask, same, tell};
use crate::config::{Argument, CarrierReadback, Driver, Pattern, SourceWords};
use crate::link::Link;
use crate::quantity::{Frequency, Level};

pub use carrier::{Carrier, CarrierState};

/// After an `on` whose connection was lost before it was answered, and an off that was seen on another one: how long
/// to wait before each further off. What was sent on the lost connection may reach the source after what was sent on
/// the new one: it may be held up by a switch, a gateway or a retransmission (RFC 9293, 3.6: what was sent
/// before a close is still delivered).
const ON_MAY_COME_LATE: [Duration; 2] = [Duration::from_millis(200), Duration::from_millis(800)];
/// Where the questions about the carrier cannot go in the message that switches it off: how long they may keep it on.
const PROOF_MAX: Duration = Duration::from_secs(1);

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
    /// What the output was last switched on with.
    sent: Option<(Frequency, Level)>,
    /// Since the known state was reached, a level that was set has been read back with the output off.
    level_checked: bool,
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
            sent: None,
            level_checked: false,
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
        self.level_checked = false;
        let identity = self.session.identify(self.wanted.as_ref()).await?;
        let mut lines = tell(&self.driver.start, &[]);
        // A question that it does not know is found now, and not while the output is on.
        let asked = self.words.readback.questions();
        lines.extend(asked);
        let answers = self.session.checked(lines, Duration::ZERO).await?;
        carrier::state(&self.session, &self.words.readback, true, &answers)?;
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
        let level_query = match &self.words.readback {
            CarrierReadback::Asked(words) => Some(ask(&words.level)),
            CarrierReadback::None { .. } => None,
        };
        // An instrument that takes levels in another unit is found before anything is radiated.
        if !self.level_checked
            && let Some(query) = &level_query
        {
            let mut lines = lines.clone();
            lines.push(query.clone());
            let answers = self.session.checked(lines, Duration::ZERO).await?;
            self.refuse_too_strong(permit.level, answers.last())?;
            self.level_checked = true;
        }
        lines.extend(tell(&self.words.on, &[]));
        lines.extend(self.words.done.as_ref().map(ask));
        let asks_level = level_query.is_some();
        lines.extend(level_query);
        self.sent = Some((permit.frequency, permit.level));
        self.unanswered = Some(self.session.connection());
        let answers = self.session.checked(lines, Duration::ZERO).await?;
        self.unanswered = None;
        match asks_level {
            true => self.refuse_too_strong(permit.level, answers.last()),
            false => Ok(()),
        }
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

    /// Asks whether the output is off, and says nothing else.
    pub async fn is_off(&mut self) -> Result<bool, InstrumentError> {
        let question = [Say::Ask(self.words.state.text())];
        let answers = self.session.perform(&question, Duration::ZERO).await?;
        Ok(self.see_off(&answers).is_ok())
    }

    async fn off_once(&mut self) -> Result<(), InstrumentError> {
        let mut lines = tell(&self.words.off, &[]);
        lines.push(Say::Ask(self.words.state.text()));
        let answers = self.session.perform(&lines, Duration::ZERO).await?;
        self.see_off(&answers)
    }

    /// By the last answer, which is to the question whether the output is on.
    fn see_off(&self, answers: &[Vec<u8>]) -> Result<(), InstrumentError> {
        let got = answers
            .last()
            .map(|answer| text(answer))
            .unwrap_or_default();
        match same(&got, &self.words.off_reads) {
            true => Ok(()),
            false => Err(InstrumentError::StaysOn { got }),
        }
    }

    /// Switches the output off, and asks in the same message whether it was on until then, and as it was set: what
    /// was read meanwhile counts only if it was.
    ///
    /// Where the dialect takes no such message, off waits for the questions no longer than `PROOF_MAX`. After an
    /// error off has been said once more, in a message of its own (a command error throws the rest of its message
    /// away: IEEE 488.2, 6.1.9, from memory), but not seen: switch it off again.
    pub async fn off_and_prove(&mut self) -> Result<Carrier, InstrumentError> {
        let proof = self.prove_and_off().await;
        if proof.is_err() {
            let off = tell(&self.words.off, &[]);
            self.session.say_at_once(&off, PROOF_MAX).await;
        }
        proof
    }

    async fn prove_and_off(&mut self) -> Result<Carrier, InstrumentError> {
        let mut lines = vec![ask(&self.words.state)];
        lines.extend(self.words.readback.questions());
        let asked = lines.len();
        let mut off = tell(&self.words.off, &[]);
        off.push(ask(&self.words.state));
        let together = [lines.clone(), off.clone()].concat();
        let (answers, notes) = match self.session.in_one_message(&together) {
            true => self.session.noted(together, Duration::ZERO).await?,
            false => {
                let proof = self.session.perform(&lines, Duration::ZERO);
                let proof = tokio::time::timeout(PROOF_MAX, proof).await;
                let (answers, notes) = self.session.noted(off, Duration::ZERO).await?;
                let proof = proof.map_err(|_elapsed| self.session.silent(&lines, PROOF_MAX))?;
                ([proof?, answers].concat(), notes)
            }
        };
        let (before, after) = answers.split_at(asked.min(answers.len()));
        self.see_off(after)?;
        let on = before
            .first()
            .is_some_and(|answer| !same(&text(answer), &self.words.off_reads));
        let state = carrier::state(
            &self.session,
            &self.words.readback,
            on,
            before.get(1..).unwrap_or_default(),
        )?;
        if notes.restarted {
            self.session.not_started();
        }
        let Some((frequency, level)) = self.sent else {
            return Ok(Carrier::never_on(state));
        };
        carrier::judge(&self.words.readback, (frequency, level), state, &notes)
    }

    /// An instrument that says that its level is higher than permitted must not be on.
    fn refuse_too_strong(
        &self,
        permitted: Level,
        answer: Option<&Vec<u8>>,
    ) -> Result<(), InstrumentError> {
        let CarrierReadback::Asked(words) = &self.words.readback else {
            return Ok(());
        };
        let answer = answer.map(Vec::as_slice).unwrap_or_default();
        let level = carrier::level(&self.session, words, answer)?;
        carrier::refuse_too_strong(words, permitted, level)
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

fn text(answer: &[u8]) -> String {
    String::from_utf8_lossy(answer).trim().to_owned()
}
