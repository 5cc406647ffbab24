//! The conversation with one instrument, kept in step.

use std::time::Duration;

use super::InstrumentError;
use crate::config::{
    Argument, Command, Dialect, Identity, Pattern, PollWords, RegisterBits, same_instrument,
};
use crate::link::{Link, LinkError, units};

/// Entries read from an error queue before giving up on it.
const ERRORS_MAX: usize = 32;
/// The longest program message; instruments' input buffers start at about this size.
const MESSAGE_BYTES_MAX: usize = 1000;
/// Stale answers that may come before the one that proves the link in step.
const STALE_MAX: usize = 16;

/// One line of a conversation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Say {
    /// A command that is not answered.
    Tell(String),
    /// A query, answered by one response unit.
    Ask(String),
}

impl Say {
    fn text(&self) -> &str {
        match self {
            Self::Tell(text) | Self::Ask(text) => text,
        }
    }
}

/// What a list of commands says, with its variables filled in.
pub(super) fn tell(commands: &[Command], arguments: &[(&str, Argument<'_>)]) -> Vec<Say> {
    commands
        .iter()
        .map(|command| Say::Tell(command.fill(arguments)))
        .collect()
}

/// A query without variables.
pub(super) fn ask(command: &Command) -> Say {
    Say::Ask(command.text())
}

/// What an instrument notes of itself.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Notes {
    /// It was switched off and on since it was last asked.
    pub(super) restarted: bool,
    /// What stood in its error queue, which is empty now.
    pub(super) errors: Vec<String>,
}

/// The conversation with one instrument.
pub(super) struct Session {
    name: &'static str,
    link: Box<dyn Link>,
    dialect: Dialect,
    /// False from the moment something is sent until its answer is there: a call that is cut off in
    /// between leaves the link to be proven before it is used again.
    in_step: bool,
    /// Who answered first: nobody else is spoken to.
    identity: Option<String>,
    /// The connection on which that was last seen.
    identified_on: Option<u64>,
    /// The connection on which the instrument was put into its known state.
    started_on: Option<u64>,
    /// What is said first on every connection that takes the place of another.
    first: Vec<String>,
    mark: u8,
    trips: u64,
}

impl Session {
    pub(super) fn new(name: &'static str, link: Box<dyn Link>, dialect: Dialect) -> Self {
        Self {
            name,
            link,
            dialect,
            in_step: true,
            identity: None,
            identified_on: None,
            started_on: None,
            first: Vec::new(),
            mark: 100,
            trips: 0,
        }
    }

    /// Has `lines` said on every new connection before anything else is.
    pub(super) fn saying_first(mut self, lines: &[Say]) -> Self {
        let messages = messages(lines, self.dialect.compound);
        self.first = messages.into_iter().map(|(message, _)| message).collect();
        self
    }

    /// Messages sent for which an answer was awaited.
    pub(super) fn trips(&self) -> u64 {
        self.trips
    }

    /// Which connection it is: another number after another one was opened.
    pub(super) fn connection(&self) -> u64 {
        self.link.opened()
    }

    /// Notes that the instrument is in its known state.
    pub(super) fn started(&mut self) {
        self.started_on = Some(self.connection());
    }

    /// Notes that the instrument may have lost its known state.
    pub(super) fn not_started(&mut self) {
        self.started_on = None;
    }

    /// Brings the link in step if need be; false when the instrument must be put into its known state
    /// anew, because the connection is another than the one on which it was: whatever cut it may have
    /// been the instrument's power.
    pub(super) async fn still_started(&mut self) -> Result<bool, InstrumentError> {
        self.settle().await?;
        Ok(self.started_on == Some(self.connection()))
    }

    async fn settle(&mut self) -> Result<(), InstrumentError> {
        if self.in_step && !self.link.unasked() {
            return Ok(());
        }
        self.resync().await?;
        // Behind a new connection may stand another instrument: nothing is set before that is known.
        if self.identity.is_some() && self.identified_on != Some(self.connection()) {
            let query = self.dialect.identify.text();
            let answers = self.exchange(&query, 1, Duration::ZERO).await?;
            self.check_identity(None, &answers)?;
        }
        Ok(())
    }

    /// Asks who is there and empties the error queue of what was in it before. Whoever answered first is the only one
    /// that will do.
    pub(super) async fn identify(
        &mut self,
        wanted: Option<&Pattern>,
    ) -> Result<String, InstrumentError> {
        let query = ask(&self.dialect.identify.clone());
        let answers = self.perform(&[query], Duration::ZERO).await?;
        let got = self.check_identity(wanted, &answers)?;
        let before = self.fetch_errors().await?;
        if !before.is_empty() {
            tracing::info!(
                instrument = self.name,
                errors = before.join(", "),
                "emptied the error queue"
            );
        }
        self.identity = Some(got.clone());
        Ok(got)
    }

    /// Who the answer to `identify` says is there; another instrument than the one before is refused.
    fn check_identity(
        &mut self,
        wanted: Option<&Pattern>,
        answers: &[Vec<u8>],
    ) -> Result<String, InstrumentError> {
        let got = answers
            .first()
            .map(|answer| String::from_utf8_lossy(answer).trim().to_owned())
            .unwrap_or_default();
        if let Some(wanted) = wanted
            && !wanted.accepts(&got)
        {
            return Err(InstrumentError::WrongIdentity {
                instrument: self.name,
                address: self.link.address().to_owned(),
                wanted: wanted.pattern().to_owned(),
                got,
            });
        }
        // A garbled answer must not stand in the record as the instrument's name.
        if got.is_empty() || got.contains(|c: char| c.is_control() || c == '\u{fffd}') {
            let query = self.dialect.identify.text();
            return Err(self.answer_error(&query, &answers.concat(), "the name of an instrument"));
        }
        if let Some(was) = &self.identity
            && !same_instrument(was, &got)
        {
            return Err(InstrumentError::OtherInstrument {
                instrument: self.name,
                address: self.link.address().to_owned(),
                was: Identity::of(was).to_string(),
                got: Identity::of(&got).to_string(),
            });
        }
        self.identified_on = Some(self.connection());
        Ok(got)
    }

    /// Says `lines`, then reads the error queue, all in as few messages as the dialect allows.
    ///
    /// Gives one answer per [`Say::Ask`]. `longer` is added to the dialect's deadline.
    pub(super) async fn checked(
        &mut self,
        lines: Vec<Say>,
        longer: Duration,
    ) -> Result<Vec<Vec<u8>>, InstrumentError> {
        let said = lines.iter().map(Say::text).collect::<Vec<_>>().join("; ");
        let (answers, notes) = match self.noted(lines, longer).await {
            Ok(both) => both,
            Err(error) => return Err(self.explained(said, error).await),
        };
        if notes.restarted {
            return Err(InstrumentError::Restarted {
                instrument: self.name,
            });
        }
        match notes.errors.is_empty() {
            true => Ok(answers),
            false => Err(InstrumentError::Reported {
                instrument: self.name,
                command: said,
                errors: notes.errors,
            }),
        }
    }

    /// As [`Self::checked`], but hands back what the instrument notes of itself instead of refusing it.
    pub(super) async fn noted(
        &mut self,
        mut lines: Vec<Say>,
        longer: Duration,
    ) -> Result<(Vec<Vec<u8>>, Notes), InstrumentError> {
        let fetch = self.dialect.fetch_error.clone();
        let restarted = self.dialect.restarted.clone();
        lines.extend(self.note_queries());
        let mut answers = self.perform(&lines, longer).await?;
        self.check_completion(&lines, &answers)?;
        let mut notes = Notes::default();
        if let Some(bits) = &restarted {
            let register = answers.pop().unwrap_or_default();
            notes.restarted = self.register(&bits.query, &register)? & bits.mask != 0;
        }
        if let Some(fetch) = fetch {
            let first = answers.pop().unwrap_or_default();
            if let Some(error) = self.error_entry(&fetch, &first)? {
                notes.errors.push(error);
                notes.errors.extend(self.fetch_errors().await?);
            }
        }
        Ok((answers, notes))
    }

    /// Asks for what the instrument notes of itself.
    fn note_queries(&self) -> impl Iterator<Item = Say> {
        let restarted = self.dialect.restarted.as_ref().map(|bits| &bits.query);
        let fetch = self.dialect.fetch_error.as_ref();
        fetch.into_iter().chain(restarted).map(ask)
    }

    /// Whether `lines` and the questions of [`Self::noted`] go in one message.
    pub(super) fn in_one_message(&self, lines: &[Say]) -> bool {
        let mut lines = lines.to_vec();
        lines.extend(self.note_queries());
        messages(&lines, self.dialect.compound).len() == 1
    }

    /// Why answers did not come, where the instrument can say so.
    ///
    /// A command error ends its message (IEEE 488.2, 6.1.9, from memory): the questions behind it, and the
    /// one for the error too, are never answered.
    async fn explained(&mut self, said: String, error: InstrumentError) -> InstrumentError {
        let cut_short = matches!(
            error,
            InstrumentError::Silent { .. } | InstrumentError::Answer { .. }
        );
        if !cut_short {
            return error;
        }
        // The output may be on meanwhile: whoever waits to switch it off waits no longer than this.
        let deadline = self.dialect.deadline.duration();
        match tokio::time::timeout(deadline, self.fetch_errors()).await {
            Ok(Ok(errors)) if !errors.is_empty() => InstrumentError::Reported {
                instrument: self.name,
                command: said,
                errors,
            },
            _ => error,
        }
    }

    /// `*OPC?` is answered with 1 and nothing else (IEEE 488.2, 10.19): another answer is not its own.
    fn check_completion(
        &mut self,
        lines: &[Say],
        answers: &[Vec<u8>],
    ) -> Result<(), InstrumentError> {
        let questions = lines.iter().filter(|line| matches!(line, Say::Ask(_)));
        for (question, answer) in questions.zip(answers) {
            if question.text() == "*OPC?" && whole_number(answer) != Some(1) {
                self.in_step = false;
                return Err(self.answer_error("*OPC?", answer, "the 1 that says done"));
            }
        }
        Ok(())
    }

    fn refuse_restarted(&self, bits: &RegisterBits, register: u32) -> Result<(), InstrumentError> {
        match register & bits.mask {
            0 => Ok(()),
            _ => Err(InstrumentError::Restarted {
                instrument: self.name,
            }),
        }
    }

    /// The value of a status register.
    pub(super) fn register(&self, query: &Command, answer: &[u8]) -> Result<u32, InstrumentError> {
        whole_number(answer)
            .and_then(|number| u32::try_from(number).ok())
            .ok_or_else(|| {
                self.answer_error(&query.text(), answer, "the number of a status register")
            })
    }

    /// That `lines` were not answered.
    pub(super) fn silent(&self, lines: &[Say], deadline: Duration) -> InstrumentError {
        InstrumentError::Silent {
            instrument: self.name,
            command: lines.iter().map(Say::text).collect::<Vec<_>>().join("; "),
            deadline,
        }
    }

    /// Asks until the bits say that the sweep is done; `longer` is added to the dialect's deadline.
    pub(super) async fn poll(
        &mut self,
        poll: &PollWords,
        longer: Duration,
    ) -> Result<(), InstrumentError> {
        let patience = self.dialect.deadline.duration() + longer;
        let begun = tokio::time::Instant::now();
        loop {
            let register = match &poll.query {
                Some(query) => {
                    let answers = self.perform(&[ask(query)], Duration::ZERO).await?;
                    let register = self.register(query, &answers.concat())?;
                    // Reading an event register clears it: what else it said must not be lost.
                    if let Some(bits) = self.dialect.restarted.as_ref()
                        && bits.query == *query
                    {
                        self.refuse_restarted(bits, register)?;
                    }
                    register
                }
                None => u32::from(self.status().await?),
            };
            if (register & poll.mask != 0) == poll.until_set {
                return Ok(());
            }
            if begun.elapsed() > patience {
                return Err(InstrumentError::Silent {
                    instrument: self.name,
                    command: "waiting for the sweep".to_owned(),
                    deadline: patience,
                });
            }
            tokio::time::sleep(poll.every.duration()).await;
        }
    }

    /// The status byte, read beside the conversation.
    async fn status(&mut self) -> Result<u8, InstrumentError> {
        let deadline = self.dialect.deadline.duration();
        self.in_step = false;
        self.trips += 1;
        match tokio::time::timeout(deadline, self.link.status()).await {
            Ok(Ok(status)) => {
                self.in_step = true;
                Ok(status)
            }
            Ok(Err(cause)) => Err(self.link_error(cause)),
            Err(_elapsed) => Err(InstrumentError::Silent {
                instrument: self.name,
                command: "reading the status byte".to_owned(),
                deadline,
            }),
        }
    }

    /// Reads the error queue until it is empty.
    async fn fetch_errors(&mut self) -> Result<Vec<String>, InstrumentError> {
        let Some(fetch) = self.dialect.fetch_error.clone() else {
            return Ok(Vec::new());
        };
        let mut errors = Vec::new();
        while errors.len() < ERRORS_MAX {
            let answers = self.perform(&[ask(&fetch)], Duration::ZERO).await?;
            let answer = answers.into_iter().next().unwrap_or_default();
            match self.error_entry(&fetch, &answer)? {
                Some(error) => errors.push(error),
                None => return Ok(errors),
            }
        }
        Ok(errors)
    }

    /// `<number>,"<text>"`; none when the number is 0.
    fn error_entry(
        &self,
        fetch: &Command,
        answer: &[u8],
    ) -> Result<Option<String>, InstrumentError> {
        let text = String::from_utf8_lossy(answer);
        let number = text.split(',').next().unwrap_or_default();
        match whole_number(number.as_bytes()) {
            Some(0) => Ok(None),
            Some(_) => Ok(Some(text.trim().to_owned())),
            None => Err(self.answer_error(&fetch.text(), answer, "an error number with its text")),
        }
    }

    pub(super) fn answer_error(
        &self,
        command: &str,
        got: &[u8],
        wanted: &'static str,
    ) -> InstrumentError {
        InstrumentError::Answer {
            instrument: self.name,
            command: command.to_owned(),
            got: String::from_utf8_lossy(&got[..got.len().min(60)]).into_owned(),
            wanted,
        }
    }

    /// Says `lines` in as few messages as the dialect allows; gives one answer per [`Say::Ask`].
    pub(super) async fn perform(
        &mut self,
        lines: &[Say],
        longer: Duration,
    ) -> Result<Vec<Vec<u8>>, InstrumentError> {
        self.settle().await?;
        let mut answers = Vec::new();
        for (message, questions) in messages(lines, self.dialect.compound) {
            answers.extend(self.exchange(&message, questions, longer).await?);
        }
        Ok(answers)
    }

    /// Says `lines` whatever was said before, and waits for nothing: for what must not wait until the link is in step.
    pub(super) async fn say_at_once(&mut self, lines: &[Say], longest: Duration) {
        self.in_step = false;
        let sending = async {
            for (message, _) in messages(lines, self.dialect.compound) {
                self.link.send(message.as_bytes()).await?;
            }
            Ok::<_, LinkError>(())
        };
        match tokio::time::timeout(longest, sending).await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::warn!(instrument = self.name, %error, "not said"),
            Err(_elapsed) => tracing::warn!(instrument = self.name, "not said in time"),
        }
    }

    /// One message and its answers, under the deadline.
    async fn exchange(
        &mut self,
        message: &str,
        questions: usize,
        longer: Duration,
    ) -> Result<Vec<Vec<u8>>, InstrumentError> {
        let deadline = self.dialect.deadline.duration() + longer;
        let awaited = questions > 0 || self.link.always_answers();
        tracing::trace!(instrument = self.name, message, "say");
        self.in_step = false;
        self.trips += u64::from(awaited);
        let conversation = async {
            self.link.send(message.as_bytes()).await?;
            match awaited {
                true => self.link.receive().await,
                false => Ok(Vec::new()),
            }
        };
        let answer = match tokio::time::timeout(deadline, conversation).await {
            Ok(answer) => answer.map_err(|cause| self.link_error(cause))?,
            Err(_elapsed) => {
                return Err(InstrumentError::Silent {
                    instrument: self.name,
                    command: message.to_owned(),
                    deadline,
                });
            }
        };
        self.in_step = true;
        let text = String::from_utf8_lossy(&answer);
        if self
            .dialect
            .refusal
            .as_ref()
            .is_some_and(|no| no.accepts(text.trim()))
        {
            return Err(InstrumentError::Reported {
                instrument: self.name,
                command: message.to_owned(),
                errors: vec![text.trim().to_owned()],
            });
        }
        self.split(message, questions, answer)
    }

    fn split(
        &mut self,
        message: &str,
        questions: usize,
        answer: Vec<u8>,
    ) -> Result<Vec<Vec<u8>>, InstrumentError> {
        match questions {
            0 => Ok(Vec::new()),
            1 if !self.dialect.compound => Ok(vec![answer]),
            _ => {
                let parts = units(&answer).map_err(|cause| {
                    self.in_step = false;
                    self.link_error(LinkError::Frame {
                        address: self.link.address().to_owned(),
                        cause,
                    })
                })?;
                if parts.len() != questions {
                    self.in_step = false;
                    return Err(self.answer_error(
                        message,
                        &answer,
                        "one answer for each question",
                    ));
                }
                Ok(parts.into_iter().map(<[u8]>::to_vec).collect())
            }
        }
    }

    fn link_error(&self, cause: LinkError) -> InstrumentError {
        InstrumentError::Link {
            instrument: self.name,
            cause,
        }
    }

    /// Brings the answers in step with the questions again: clear and prove, else reopen and prove.
    async fn resync(&mut self) -> Result<(), InstrumentError> {
        tracing::warn!(instrument = self.name, "bringing the link in step again");
        let deadline = self.dialect.deadline.duration();
        // Silence alone proves nothing, and neither does an error while clearing: the proof decides.
        let before = self.link.opened();
        let drained = tokio::time::timeout(deadline, self.link.clear()).await;
        if matches!(drained, Ok(Ok(())))
            && self.greet(before).await.is_ok()
            && self.prove().await.is_ok()
        {
            self.in_step = true;
            return Ok(());
        }
        let before = self.link.opened();
        match tokio::time::timeout(deadline, self.link.reopen()).await {
            Ok(reopened) => reopened.map_err(|cause| self.link_error(cause))?,
            Err(_elapsed) => {
                return Err(InstrumentError::Silent {
                    instrument: self.name,
                    command: "opening the connection".to_owned(),
                    deadline,
                });
            }
        }
        self.greet(before).await?;
        self.prove().await?;
        self.in_step = true;
        tracing::warn!(instrument = self.name, "in step again on a new connection");
        Ok(())
    }

    /// Says what comes first, when the connection is another than it was.
    async fn greet(&mut self, opened_before: u64) -> Result<(), InstrumentError> {
        if self.link.opened() == opened_before {
            return Ok(());
        }
        for message in self.first.clone() {
            self.exchange(&message, 0, Duration::ZERO).await?;
        }
        // Nothing is proven by that yet.
        self.in_step = false;
        Ok(())
    }

    /// Asks something whose answer is known and reads until that answer comes.
    pub(super) async fn prove(&mut self) -> Result<(), InstrumentError> {
        self.mark = match self.mark {
            // Not a number that another query is likely to give.
            250.. => 101,
            mark => mark + 1,
        };
        let (sent, known) = match &self.dialect.prove {
            Some(prove) => {
                let mark = Argument::Number(f64::from(self.mark));
                (prove.fill(&[("mark", mark)]), Some(self.mark.to_string()))
            }
            // Without such a query, who it is must do: it differs from every reading.
            None => (self.dialect.identify.text(), self.identity.clone()),
        };
        let deadline = self.dialect.deadline.duration();
        let link = &mut self.link;
        let mut got = String::new();
        let conversation = async {
            link.send(sent.as_bytes()).await?;
            for _ in 0..STALE_MAX {
                got = String::from_utf8_lossy(&link.receive().await?)
                    .trim()
                    .to_owned();
                if known.as_ref().is_none_or(|known| same(known, &got)) {
                    return Ok(true);
                }
            }
            Ok(false)
        };
        match tokio::time::timeout(deadline, conversation).await {
            Ok(Ok(true)) => Ok(()),
            Ok(Err(cause)) => Err(self.link_error(cause)),
            Ok(Ok(false)) | Err(_) => Err(InstrumentError::OutOfStep {
                instrument: self.name,
                sent,
                got,
            }),
        }
    }
}

/// A whole number in any of the forms of IEEE 488.2 (8.7.2 to 8.7.4: NR1, NR2, NR3).
fn whole_number(answer: &[u8]) -> Option<i64> {
    let text = std::str::from_utf8(answer).ok()?.trim();
    if let Ok(number) = text.parse() {
        return Some(number);
    }
    let number: f64 = text.parse().ok()?;
    // Beyond this not every whole number has a float of its own.
    const EXACT_MAX: f64 = 9.0e15;
    (number.fract() == 0.0 && number.abs() < EXACT_MAX).then_some(number as i64)
}

/// Whether two answers say the same, be it one number in two forms.
pub(super) fn same(one: &str, other: &str) -> bool {
    let numbers = (whole_number(one.as_bytes()), whole_number(other.as_bytes()));
    one.trim() == other.trim() || matches!(numbers, (Some(one), Some(other)) if one == other)
}

/// Joins lines to program messages; gives each message with the number of its questions.
///
/// After a `;` the next header is looked for beside the last one (SCPI-1999 volume 1, 6.2.4): a colon in
/// front starts again from the root. Common commands stand outside the tree and take none.
fn messages(lines: &[Say], compound: bool) -> Vec<(String, usize)> {
    let mut messages: Vec<(String, usize)> = Vec::new();
    for line in lines {
        let text = line.text();
        let question = usize::from(matches!(line, Say::Ask(_)));
        match messages.last_mut() {
            Some((message, questions))
                if compound && message.len() + text.len() + 2 <= MESSAGE_BYTES_MAX =>
            {
                message.push(';');
                if !text.starts_with(['*', ':']) {
                    message.push(':');
                }
                message.push_str(text);
                *questions += question;
            }
            _ => messages.push((text.to_owned(), question)),
        }
    }
    messages
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_one_message_where_the_dialect_allows_it() {
        let lines = [
            Say::Tell("FREQ 1".into()),
            Say::Ask("*OPC?".into()),
            Say::Ask("SYST:ERR?".into()),
        ];
        assert_eq!(
            messages(&lines, true),
            [("FREQ 1;*OPC?;:SYST:ERR?".to_owned(), 2)]
        );
        assert_eq!(
            messages(&lines, false),
            [
                ("FREQ 1".to_owned(), 0),
                ("*OPC?".to_owned(), 1),
                ("SYST:ERR?".to_owned(), 1)
            ]
        );
    }

    #[test]
    fn a_number_is_the_same_in_each_of_its_forms() {
        for text in ["1", "+1", "1.0", "+1.000E+00", " 1\r"] {
            assert_eq!(whole_number(text.as_bytes()), Some(1), "{text}");
        }
        for text in ["", "ON", "1.5", "9.91E37", "nan", "\u{fe}"] {
            assert_eq!(whole_number(text.as_bytes()), None, "{text}");
        }
        assert!(same("0", "+0.0E+00") && same("OFF", " OFF"));
        assert!(!same("0", "1") && !same("0", "OFF") && !same("", "0"));
    }

    #[test]
    fn a_message_stays_within_an_input_buffer() {
        let lines = vec![Say::Ask("INIT;*OPC?".into()); 300];
        let messages = messages(&lines, true);
        assert!(messages.len() > 1);
        assert!(
            messages
                .iter()
                .all(|(text, _)| text.len() <= MESSAGE_BYTES_MAX)
        );
        assert_eq!(messages.iter().map(|(_, n)| n).sum::<usize>(), 300);
    }
}
