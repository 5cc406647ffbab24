//! Where a response message ends, and what its parts are (IEEE 488.2, response message syntax).
//!
//! A newline ends a message, but not inside a quoted string or a block of binary data; `;` separates
//! the answers to several queries of one message. All of it is decided on bytes, without I/O.

/// What is wrong with bytes that should have been a response.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// More than the limit.
    #[error("an answer of more than {limit} bytes")]
    TooLong {
        /// The limit.
        limit: usize,
    },
    /// `#0`: a block without a length, whose end a stream cannot mark.
    #[error(
        "a block without a length (#0), which has no safe end on this kind of link; set the instrument to definite-length blocks"
    )]
    IndefiniteBlock,
    /// `#` that no length follows.
    #[error("a block whose length is not a number")]
    BlockHeader,
    /// A block that ends before its announced length.
    #[error("a block of {got} bytes where {announced} were announced")]
    BlockShort {
        /// Bytes announced.
        announced: usize,
        /// Bytes there.
        got: usize,
    },
    /// An instrument that should repeat what it is sent did not.
    #[error("{got:?} instead of the echo of {sent:?}")]
    NoEcho {
        /// What was sent.
        sent: String,
        /// What came.
        got: String,
    },
    /// No block where one was expected.
    #[error("no block of binary data, but {0:?}")]
    NoBlock(String),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Where an element begins: a `#` here announces a block.
    Element,
    /// Inside an element that is neither string nor block.
    Plain,
    /// Inside a string that the byte quotes.
    Quoted(u8),
    /// After `#`.
    BlockStart,
    /// Digits of the length still to come, and the length so far.
    BlockLength { digits: u8, length: usize },
    /// Bytes of the block still to come.
    Block(usize),
    /// In a block without a length, which ends with the message.
    Rest,
}

/// What a scanned byte was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mark {
    Inside,
    /// `;` between two answers.
    Separator,
    /// The newline at the end.
    End,
}

/// Follows a response byte by byte; blocks are skipped in one step.
#[derive(Debug)]
pub(super) struct Scanner {
    state: State,
    limit: usize,
    seen: usize,
    /// The link marks where a message ends, so that a block without a length has an end.
    whole: bool,
}

impl Scanner {
    pub(super) fn new(limit: usize) -> Self {
        Self {
            state: State::Element,
            limit,
            seen: 0,
            whole: false,
        }
    }

    /// For a message that is known to be all there.
    fn whole() -> Self {
        Self {
            whole: true,
            ..Self::new(usize::MAX)
        }
    }

    /// How many bytes of a block are still to come.
    pub(super) fn block_left(&self) -> usize {
        match self.state {
            State::Block(left) => left,
            _ => 0,
        }
    }

    /// Scans `bytes`; gives how many of them belong to the message, with the newline, once it has ended.
    pub(super) fn push(&mut self, bytes: &[u8]) -> Result<Option<usize>, FrameError> {
        let mut at = 0;
        while at < bytes.len() {
            let (taken, mark) = self.step(&bytes[at..])?;
            at += taken;
            self.seen += taken;
            if self.seen > self.limit {
                return Err(FrameError::TooLong { limit: self.limit });
            }
            if mark == Mark::End {
                return Ok(Some(at));
            }
        }
        Ok(None)
    }

    /// Takes one byte, or as much of a block as there is; `bytes` is never empty.
    fn step(&mut self, bytes: &[u8]) -> Result<(usize, Mark), FrameError> {
        let byte = bytes[0];
        let mut mark = Mark::Inside;
        self.state = match self.state {
            State::Block(left) => {
                let taken = left.min(bytes.len());
                self.state = match left - taken {
                    0 => State::Plain,
                    left => State::Block(left),
                };
                return Ok((taken, Mark::Inside));
            }
            State::Rest => return Ok((bytes.len(), Mark::Inside)),
            State::BlockStart => match byte {
                b'0' if self.whole => State::Rest,
                b'0' => return Err(FrameError::IndefiniteBlock),
                b'1'..=b'9' => State::BlockLength {
                    digits: byte - b'0',
                    length: 0,
                },
                // `#H1F`, `#B101`, `#Q17` are numbers, not blocks.
                b'H' | b'B' | b'Q' | b'h' | b'b' | b'q' => State::Plain,
                _ => return Err(FrameError::BlockHeader),
            },
            State::BlockLength { digits, length } if byte.is_ascii_digit() => {
                let length = length * 10 + usize::from(byte - b'0');
                match (digits, length) {
                    (1, length) if length > self.limit => {
                        return Err(FrameError::TooLong { limit: self.limit });
                    }
                    (1, 0) => State::Plain,
                    (1, length) => State::Block(length),
                    (digits, length) => State::BlockLength {
                        digits: digits - 1,
                        length,
                    },
                }
            }
            State::BlockLength { .. } => return Err(FrameError::BlockHeader),
            State::Quoted(quote) if byte == quote => State::Plain,
            State::Quoted(quote) => State::Quoted(quote),
            State::Element | State::Plain => match byte {
                b'\n' => {
                    mark = Mark::End;
                    State::Element
                }
                b';' => {
                    mark = Mark::Separator;
                    State::Element
                }
                b',' => State::Element,
                b'"' | b'\'' => State::Quoted(byte),
                b'#' if self.state == State::Element => State::BlockStart,
                b' ' | b'\t' | b'\r' if self.state == State::Element => State::Element,
                _ => State::Plain,
            },
        };
        Ok((1, mark))
    }
}

/// Takes away the newline at the end of a message that is all there, unless it is data of a block.
pub(super) fn without_end(message: &mut Vec<u8>) {
    let mut scanner = Scanner::whole();
    let mut at = 0;
    while at < message.len() {
        match scanner.step(&message[at..]) {
            Ok((taken, mark)) => {
                at += taken;
                // A block without a length is followed by the newline that ends the message.
                let ends = mark == Mark::End || scanner.state == State::Rest;
                if at == message.len() && ends && message.ends_with(b"\n") {
                    message.pop();
                }
            }
            // Whoever reads the answer says what is wrong with it.
            Err(_) => return,
        }
    }
}

/// The answers of one response message, without blanks around them; a block keeps all its bytes.
pub fn units(message: &[u8]) -> Result<Vec<&[u8]>, FrameError> {
    let mut scanner = Scanner::whole();
    let mut units = Vec::new();
    let (mut begin, mut at, mut block_end) = (0, 0, 0);
    while at < message.len() {
        let in_block = scanner.block_left() > 0 || scanner.state == State::Rest;
        let (taken, mark) = scanner.step(&message[at..])?;
        if mark == Mark::Separator {
            units.push(unit(message, begin, at, block_end));
            begin = at + 1;
        }
        at += taken;
        if in_block {
            block_end = at;
        }
    }
    units.push(unit(message, begin, at, block_end));
    Ok(units)
}

/// A carriage return or a blank at the end of a block may be the last byte of its data.
fn unit(message: &[u8], begin: usize, end: usize, block_end: usize) -> &[u8] {
    let kept = block_end.clamp(begin, end);
    let blanks = message[kept..end].len() - message[kept..end].trim_ascii_end().len();
    message[begin..end - blanks].trim_ascii_start()
}

/// The data of a block. A number and a comma may stand before it, as some instruments send a count; a
/// block without a length (`#0`) reaches to the end of the answer.
pub fn block(answer: &[u8]) -> Result<&[u8], FrameError> {
    let shown = || FrameError::NoBlock(shorten(answer));
    let rest = after_count(answer).strip_prefix(b"#").ok_or_else(shown)?;
    let digits = match rest.first() {
        Some(b'0') => return Ok(&rest[1..]),
        Some(digit @ b'1'..=b'9') => usize::from(digit - b'0'),
        _ => return Err(FrameError::BlockHeader),
    };
    let length: usize = rest
        .get(1..=digits)
        .and_then(|text| std::str::from_utf8(text).ok())
        .filter(|text| text.bytes().all(|byte| byte.is_ascii_digit()))
        .and_then(|text| text.parse().ok())
        .ok_or(FrameError::BlockHeader)?;
    let data = &rest[1 + digits..];
    data.get(..length).ok_or(FrameError::BlockShort {
        announced: length,
        got: data.len(),
    })
}

/// What follows `<number>,` at the start of an answer, or all of it.
fn after_count(answer: &[u8]) -> &[u8] {
    let digits = answer.iter().take_while(|b| b.is_ascii_digit()).count();
    match answer.get(digits..) {
        Some([b',', rest @ ..]) if digits > 0 => rest.trim_ascii_start(),
        _ => answer,
    }
}

/// The beginning of an answer, for messages.
pub(super) fn shorten(bytes: &[u8]) -> String {
    const SHOWN: usize = 40;
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(SHOWN)]).into_owned();
    match bytes.len() > SHOWN {
        true => format!("{text}…"),
        false => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn end(bytes: &[u8]) -> Result<Option<usize>, FrameError> {
        Scanner::new(1000).push(bytes)
    }

    #[test]
    fn a_newline_ends_a_message_but_not_inside_a_block_or_a_string() {
        assert_eq!(end(b"1\n2\n"), Ok(Some(2)));
        assert_eq!(end(b"#14\n\n\n\n\nrest"), Ok(Some(8)));
        assert_eq!(end(b"0,\"a\nb\"\n"), Ok(Some(8)));
        assert_eq!(end(b"1;#12\n;;0\n"), Ok(Some(10)));
        assert_eq!(end(b"#10\n"), Ok(Some(4)));
        assert_eq!(end(b"#H1F\n"), Ok(Some(5)));
        assert_eq!(end(b"-12.5"), Ok(None));
    }

    #[test]
    fn a_block_without_a_safe_end_or_beyond_the_limit_is_refused() {
        assert_eq!(end(b"#0abc\n"), Err(FrameError::IndefiniteBlock));
        assert_eq!(end(b"#x"), Err(FrameError::BlockHeader));
        assert_eq!(end(b"#2ab"), Err(FrameError::BlockHeader));
        // Refused when it is announced, before a byte of it is stored.
        assert_eq!(
            end(b"#9999999999"),
            Err(FrameError::TooLong { limit: 1000 })
        );
        assert_eq!(end(&[b'1'; 1001]), Err(FrameError::TooLong { limit: 1000 }));
    }

    #[test]
    fn several_answers_are_told_apart() {
        let message = b"#13;\n ;0;\"a;b\" ; -1.5\r";
        let parts = units(message).expect("units");
        assert_eq!(parts, [&b"#13;\n "[..], b"0", b"\"a;b\"", b"-1.5"]);
        assert_eq!(block(parts[0]), Ok(&b";\n "[..]));
    }

    #[test]
    fn a_block_is_checked_against_its_length() {
        assert_eq!(block(b"#14abcd"), Ok(&b"abcd"[..]));
        assert_eq!(
            block(b"#15abcd"),
            Err(FrameError::BlockShort {
                announced: 5,
                got: 4
            })
        );
        assert_eq!(block(b"-12"), Err(FrameError::NoBlock("-12".into())));
        assert_eq!(block(b"#"), Err(FrameError::BlockHeader));
        assert_eq!(block(b"#3+12a"), Err(FrameError::BlockHeader));
    }

    #[test]
    fn where_the_link_marks_the_end_a_block_needs_no_length() {
        for (message, stripped) in [
            (&b"#0ab\n"[..], &b"#0ab"[..]),
            // Its own newline is data, and no other follows.
            (b"#13ab\n", b"#13ab\n"),
            (b"#13ab\n\n", b"#13ab\n"),
            (b"1;2\n", b"1;2"),
            (b"\n", b""),
            (b"plain", b"plain"),
        ] {
            let mut message = message.to_vec();
            without_end(&mut message);
            assert_eq!(message, stripped);
        }
        assert_eq!(units(b"1;#0a;b\n"), Ok(vec![&b"1"[..], b"#0a;b\n"]));
        assert_eq!(block(b"#0a;b"), Ok(&b"a;b"[..]));
        // A bare `#0` is how some say that there is no trace.
        assert_eq!(block(b"#0"), Ok(&b""[..]));
    }

    #[test]
    fn a_count_may_stand_before_a_block() {
        let parts = units(b"2,#12\r  ;0").expect("units");
        assert_eq!(parts, [&b"2,#12\r "[..], b"0"]);
        assert_eq!(block(parts[0]), Ok(&b"\r "[..]));
        assert_eq!(block(b"2,3"), Err(FrameError::NoBlock("2,3".into())));
    }

    proptest! {
        #[test]
        fn any_bytes_scan_the_same_in_any_pieces(
            bytes in prop::collection::vec(prop::sample::select(b"#0123ab;,\"'\n \x00\xff".to_vec()), 0..60),
            cut in 0usize..60,
        ) {
            let whole = end(&bytes);
            let mut scanner = Scanner::new(1000);
            let cut = cut.min(bytes.len());
            let pieces = match scanner.push(&bytes[..cut]) {
                Ok(None) => scanner.push(&bytes[cut..]).map(|end| end.map(|n| n + cut)),
                early => early,
            };
            prop_assert_eq!(whole, pieces);
            let _ = units(&bytes);
            let _ = block(&bytes);
            let mut stripped = bytes.clone();
            without_end(&mut stripped);
            prop_assert!(bytes.len() - stripped.len() <= 1);
        }

        #[test]
        fn a_block_of_any_bytes_comes_back(data in prop::collection::vec(any::<u8>(), 0..500)) {
            let length = data.len().to_string();
            let mut message = format!("#{}{length}", length.len()).into_bytes();
            message.extend(&data);
            message.extend(b";0\n");
            prop_assert_eq!(end(&message), Ok(Some(message.len())));
            let parts = units(&message[..message.len() - 1]).expect("units");
            prop_assert_eq!(block(parts[0]).expect("block"), &data[..]);
        }
    }
}
