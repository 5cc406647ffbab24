//! The conversation with one instrument, kept in step.

use std::time::Duration;

use super::InstrumentError;
use crate::config::{Argument, Command, Dialect, Pattern};
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

/// The conversation with one instrument.
pub(super) struct Session {
    name: &'static str,
    link: Box<dyn Link>,
    dialect: Dialect,
    /// False from the moment something is sent until its answer is there: a call that is cut off in
    /// between leaves the link to be proven before it is used again.
    in_step: bool,
    identity: Option<String>,
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
            mark: 100,
            trips: 0,
        }
    }

    /// Messages sent for which an answer was awaited.
    pub(super) fn trips(&self) -> u64 {
        self.trips
    }

    /// Asks who is there and empties the error queue of what was in it before.
    pub(super) async fn identify(
        &mut self,
        wanted: Option<&Pattern>,
    ) -> Result<String, InstrumentError> {
        let query = ask(&self.dialect.identify.clone());
        let answers = self.perform(&[query], Duration::ZERO).await?;
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

    /// Says `lines`, then reads the error queue, all in as few messages as the dialect allows.
    ///
    /// Gives one answer per [`Say::Ask`]. `longer` is added to the dialect's deadline.
    pub(super) async fn checked(
        &mut self,
        mut lines: Vec<Say>,
        longer: Duration,
    ) -> Result<Vec<Vec<u8>>, InstrumentError> {
        let said = lines.iter().map(Say::text).collect::<Vec<_>>().join("; ");
        let Some(fetch) = self.dialect.fetch_error.clone() else {
            return self.perform(&lines, longer).await;
        };
        lines.push(ask(&fetch));
        let mut answers = self.perform(&lines, longer).await?;
        let first = answers.pop().unwrap_or_default();
        if let Some(error) = self.error_entry(&fetch, &first)? {
            let mut errors = vec![error];
            errors.extend(self.fetch_errors().await?);
            return Err(InstrumentError::Reported {
                instrument: self.name,
                command: said,
                errors,
            });
        }
        Ok(answers)
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
        let number = text.split(',').next().unwrap_or_default().trim();
        match number.parse::<i64>() {
            Ok(0) => Ok(None),
            Ok(_) => Ok(Some(text.trim().to_owned())),
            Err(_) => {
                Err(self.answer_error(&fetch.text(), answer, "an error number with its text"))
            }
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
        if !self.in_step || self.link.unasked() {
            self.resync().await?;
        }
        let mut answers = Vec::new();
        for (message, questions) in messages(lines, self.dialect.compound) {
            answers.extend(self.exchange(&message, questions, longer).await?);
        }
        Ok(answers)
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
        let drained = tokio::time::timeout(deadline, self.link.clear()).await;
        if matches!(drained, Ok(Ok(()))) && self.prove().await.is_ok() {
            self.in_step = true;
            return Ok(());
        }
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
        self.prove().await?;
        self.in_step = true;
        tracing::warn!(instrument = self.name, "in step again on a new connection");
        Ok(())
    }

    /// Asks something whose answer is known and reads until that answer comes.
    async fn prove(&mut self) -> Result<(), InstrumentError> {
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
                if known.as_ref().is_none_or(|known| *known == got) {
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
