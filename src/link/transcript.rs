//! What was said on a link, byte for byte: written down, kept as text, and played back as a link.
//!
//! With it a driver that was tried once on a real instrument stays tested without it.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use async_trait::async_trait;
use serde::{Deserialize, Serialize};

use super::{Link, LinkError, ProtocolError};

/// The most exchanges that are kept; what comes after is not.
const EXCHANGES_MAX: usize = 10_000;

/// One message and what came for it. Bytes that do not print are written `\n`, `\x00` and so on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Exchange {
    /// What was sent, without what ends it.
    pub sent: String,
    /// What came, without what ended it; nothing where nothing was waited for, or nothing came.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub received: Option<String>,
}

/// A transcript that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line} of the transcript {reason}")]
pub struct TranscriptError {
    /// From 1.
    pub line: usize,
    /// What is wrong with it.
    pub reason: String,
}

/// What a [`Recorder`] has written down so far; clones share it.
#[derive(Debug, Clone, Default)]
pub struct Transcript(Arc<Mutex<Vec<Exchange>>>);

impl Transcript {
    /// All exchanges so far.
    pub fn exchanges(&self) -> Vec<Exchange> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// One JSON object per line.
    pub fn lines(&self) -> String {
        self.exchanges()
            .iter()
            .filter_map(|exchange| serde_json::to_string(exchange).ok())
            .map(|line| line + "\n")
            .collect()
    }

    fn note(&self, change: impl FnOnce(&mut Vec<Exchange>)) {
        let mut exchanges = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if exchanges.len() < EXCHANGES_MAX {
            change(&mut exchanges);
        }
    }
}

/// A link that writes down what is said on it.
pub struct Recorder {
    inner: Box<dyn Link>,
    transcript: Transcript,
}

impl Recorder {
    /// Around `inner`; the transcript grows as it is used.
    pub fn new(inner: Box<dyn Link>) -> (Self, Transcript) {
        let transcript = Transcript::default();
        let recorder = Self {
            inner,
            transcript: transcript.clone(),
        };
        (recorder, transcript)
    }
}

#[async_trait]
impl Link for Recorder {
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        let sent = message.escape_ascii().to_string();
        self.transcript.note(|exchanges| {
            exchanges.push(Exchange {
                sent,
                received: None,
            });
        });
        self.inner.send(message).await
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        let answer = self.inner.receive().await?;
        let received = answer.escape_ascii().to_string();
        self.transcript
            .note(|exchanges| match exchanges.last_mut() {
                Some(last) if last.received.is_none() => last.received = Some(received),
                // An answer too many: one that came late.
                _ => exchanges.push(Exchange {
                    sent: String::new(),
                    received: Some(received),
                }),
            });
        Ok(answer)
    }

    async fn status(&mut self) -> Result<u8, LinkError> {
        self.inner.status().await
    }

    fn always_answers(&self) -> bool {
        self.inner.always_answers()
    }

    fn unasked(&mut self) -> bool {
        self.inner.unasked()
    }

    async fn clear(&mut self) -> Result<(), LinkError> {
        self.inner.clear().await
    }

    async fn reopen(&mut self) -> Result<(), LinkError> {
        self.inner.reopen().await
    }

    fn opened(&self) -> u64 {
        self.inner.opened()
    }

    fn address(&self) -> &str {
        self.inner.address()
    }
}

/// A link that answers as the instrument did when the transcript was written, and to nothing else.
pub struct Replay {
    exchanges: VecDeque<(Vec<u8>, Option<Vec<u8>>)>,
    answer: Option<Vec<u8>>,
    always_answers: bool,
}

impl Replay {
    /// From the lines of a transcript; `always_answers` as on the link it was written on.
    pub fn new(lines: &str, always_answers: bool) -> Result<Self, TranscriptError> {
        let read = |(index, line): (usize, &str)| {
            let wrong = |reason: String| TranscriptError {
                line: index + 1,
                reason,
            };
            let exchange: Exchange = serde_json::from_str(line)
                .map_err(|error| wrong(format!("is no exchange: {error}")))?;
            let bytes = |text: &str| {
                unescape(text).ok_or_else(|| wrong(format!("has a broken escape in {text:?}")))
            };
            let received = exchange.received.as_deref().map(bytes).transpose()?;
            Ok((bytes(&exchange.sent)?, received))
        };
        let exchanges = lines
            .lines()
            .enumerate()
            .filter(|(_, line)| !line.trim().is_empty())
            .map(read)
            .collect::<Result<_, _>>()?;
        Ok(Self {
            exchanges,
            answer: None,
            always_answers,
        })
    }

    /// Exchanges not yet played.
    pub fn left(&self) -> usize {
        self.exchanges.len()
    }

    fn differs(&self, said: String) -> LinkError {
        LinkError::Protocol {
            address: self.address().to_owned(),
            cause: ProtocolError::Refused { code: 0, said },
        }
    }
}

/// Undoes `escape_ascii`.
fn unescape(text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((byte, after)) = rest.split_first() {
        rest = after;
        if *byte != b'\\' {
            bytes.push(*byte);
            continue;
        }
        let (escape, after) = rest.split_first()?;
        rest = after;
        bytes.push(match escape {
            b'n' => b'\n',
            b'r' => b'\r',
            b't' => b'\t',
            b'\\' | b'\'' | b'"' => *escape,
            b'x' => {
                let (digits, after) = rest.split_at_checked(2)?;
                rest = after;
                u8::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()?
            }
            _ => return None,
        });
    }
    Some(bytes)
}

#[async_trait]
impl Link for Replay {
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        let shown = message.escape_ascii();
        match self.exchanges.pop_front() {
            Some((sent, received)) if sent == message => {
                self.answer = received;
                Ok(())
            }
            Some((sent, _)) => {
                let wanted = sent.escape_ascii();
                Err(self.differs(format!("`{shown}` was sent where it has `{wanted}`")))
            }
            None => Err(self.differs(format!("`{shown}` was sent after its end"))),
        }
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        match self.answer.take() {
            Some(answer) => Ok(answer),
            None => Err(self.differs("no answer was written down here".to_owned())),
        }
    }

    async fn status(&mut self) -> Result<u8, LinkError> {
        Err(LinkError::Protocol {
            address: self.address().to_owned(),
            cause: ProtocolError::NoStatus,
        })
    }

    fn always_answers(&self) -> bool {
        self.always_answers
    }

    fn unasked(&mut self) -> bool {
        self.answer.is_some()
    }

    async fn clear(&mut self) -> Result<(), LinkError> {
        self.answer = None;
        Ok(())
    }

    async fn reopen(&mut self) -> Result<(), LinkError> {
        self.clear().await
    }

    fn opened(&self) -> u64 {
        1
    }

    fn address(&self) -> &str {
        "the transcript"
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[tokio::test]
    async fn what_was_said_is_played_back() {
        let lines = "{\"sent\":\"*IDN?\",\"received\":\"a\\\\x00\\\\n\"}\n{\"sent\":\"*CLS\"}\n";
        let replay = Replay::new(lines, false).expect("transcript");
        let (mut link, written) = Recorder::new(Box::new(replay));
        link.send(b"*IDN?").await.expect("send");
        assert_eq!(link.receive().await.expect("receive"), b"a\x00\n");
        link.send(b"*CLS").await.expect("send");
        assert_eq!(written.lines(), lines);
        let said = link.send(b"*RST").await.expect_err("after the end");
        assert!(said.to_string().contains("after its end"), "{said}");
    }

    #[tokio::test]
    async fn another_message_is_said() {
        let mut link = Replay::new("{\"sent\":\"*CLS\"}", false).expect("transcript");
        let said = link.send(b"*RST").await.expect_err("other").to_string();
        assert!(
            said.contains("`*RST` was sent where it has `*CLS`"),
            "{said}"
        );
        let said = Replay::new("\n{\"sent\":\"\\\\q\"}", false).map(|_| ());
        assert_eq!(said.expect_err("escape").line, 2);
    }

    proptest! {
        #[test]
        fn any_bytes_are_written_and_read(bytes in prop::collection::vec(any::<u8>(), 0..100)) {
            prop_assert_eq!(unescape(&bytes.escape_ascii().to_string()), Some(bytes));
        }

        #[test]
        fn any_text_is_unescaped_without_harm(text in ".{0,60}") {
            let _ = unescape(&text);
        }
    }
}
