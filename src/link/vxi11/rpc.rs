//! ONC RPC version 2 (RFC 5531) with record marking, and as much of XDR (RFC 4506) as VXI-11 needs,
//! decided without I/O.

use crate::link::{ProtocolError, RESPONSE_BYTES_MAX};

/// The longest record that is taken: the longest answer and what stands around it.
const RECORD_BYTES_MAX: usize = RESPONSE_BYTES_MAX + 1024;
/// The most fragments one record may come in.
const FRAGMENTS_MAX: usize = 4096;
/// Set in a fragment's mark when no other follows.
const LAST: u32 = 1 << 31;

/// A procedure of a program.
#[derive(Debug, Clone, Copy)]
pub(super) struct Procedure {
    pub program: u32,
    pub version: u32,
    pub number: u32,
}

/// Arguments as they go over the wire.
#[derive(Debug, Default)]
pub(super) struct Arguments(Vec<u8>);

impl Arguments {
    pub(super) fn word(mut self, word: u32) -> Self {
        self.0.extend(word.to_be_bytes());
        self
    }

    /// Bytes with their count in front, filled up to a multiple of four.
    pub(super) fn bytes(self, bytes: &[u8]) -> Self {
        // Never longer than a message to an instrument, far below the 4 GiB that a count can say.
        let count = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
        let mut counted = self.word(count);
        counted.0.extend_from_slice(bytes);
        let filled = counted.0.len().next_multiple_of(4);
        counted.0.resize(filled, 0);
        counted
    }
}

/// A call as it is sent, in one fragment, with no credentials.
pub(super) fn call(xid: u32, procedure: Procedure, arguments: Arguments) -> Vec<u8> {
    let words = [
        xid,
        0, // a call
        2, // of RPC version 2
        procedure.program,
        procedure.version,
        procedure.number,
        0, // credentials: none, empty
        0,
        0, // verifier: none, empty
        0,
    ];
    let length = 4 * words.len() + arguments.0.len();
    let mut bytes = Vec::with_capacity(4 + length);
    let mark = u32::try_from(length).unwrap_or(u32::MAX) | LAST;
    bytes.extend(mark.to_be_bytes());
    for word in words {
        bytes.extend(word.to_be_bytes());
    }
    bytes.extend(arguments.0);
    bytes
}

/// What the buffer holds of a record.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Record {
    /// At least this many bytes more are needed.
    Needs(usize),
    /// All of it, and how many bytes of the buffer it took.
    Whole {
        /// Its fragments joined.
        bytes: Vec<u8>,
        /// Bytes of the buffer.
        taken: usize,
    },
}

/// The record at the start of `buffer`.
pub(super) fn record(buffer: &[u8]) -> Result<Record, ProtocolError> {
    let mut fragments = Vec::new();
    let (mut at, mut total) = (0, 0);
    loop {
        let Some(mark) = buffer.get(at..).and_then(|rest| rest.first_chunk::<4>()) else {
            return Ok(Record::Needs(at + 4 - buffer.len()));
        };
        let mark = u32::from_be_bytes(*mark);
        let length = (mark & !LAST) as usize;
        total += length;
        if total > RECORD_BYTES_MAX || fragments.len() == FRAGMENTS_MAX {
            return Err(ProtocolError::TooLong {
                announced: total as u64,
                limit: RECORD_BYTES_MAX,
            });
        }
        let end = at + 4 + length;
        let Some(fragment) = buffer.get(at + 4..end) else {
            return Ok(Record::Needs(end - buffer.len()));
        };
        fragments.push(fragment);
        at = end;
        if mark & LAST != 0 {
            let bytes = fragments.concat();
            return Ok(Record::Whole { bytes, taken: at });
        }
    }
}

/// The results of a call, or `None` when the record answers another call.
pub(super) fn reply(record: &[u8], xid: u32) -> Result<Option<Results<'_>>, ProtocolError> {
    let mut words = Results(record);
    if words.word()? != xid {
        return Ok(None);
    }
    if words.word()? != 1 {
        return Err(ProtocolError::Malformed(
            "a call where a reply was expected",
        ));
    }
    let refused = |said: &str, code| ProtocolError::Refused {
        code,
        said: said.to_owned(),
    };
    if words.word()? != 0 {
        return Err(refused("the call was denied", words.word()?));
    }
    words.word()?;
    words.bytes()?;
    match words.word()? {
        0 => Ok(Some(words)),
        1 => Err(refused("the program is not there", 1)),
        2 => Err(refused("another version of the program is there", 2)),
        3 => Err(refused("the procedure is not there", 3)),
        4 => Err(refused("the arguments were not understood", 4)),
        code => Err(refused("the call failed", code)),
    }
}

/// Results as they came over the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Results<'a>(&'a [u8]);

const SHORT: ProtocolError = ProtocolError::Malformed("a record that ends too early");

impl<'a> Results<'a> {
    pub(super) fn word(&mut self) -> Result<u32, ProtocolError> {
        let (word, rest) = self.0.split_first_chunk::<4>().ok_or(SHORT)?;
        self.0 = rest;
        Ok(u32::from_be_bytes(*word))
    }

    /// Bytes with their count in front.
    pub(super) fn bytes(&mut self) -> Result<&'a [u8], ProtocolError> {
        let count = self.word()? as usize;
        let bytes = self.0.get(..count).ok_or(SHORT)?;
        // Some leave out the filling at the very end.
        self.0 = self.0.get(count.next_multiple_of(4)..).unwrap_or_default();
        Ok(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const GETPORT: Procedure = Procedure {
        program: 100_000,
        version: 2,
        number: 3,
    };

    fn accepted(xid: u32, results: Arguments) -> Vec<u8> {
        let mut head = Arguments::default();
        for word in [xid, 1, 0, 0, 0, 0] {
            head = head.word(word);
        }
        [head.0, results.0].concat()
    }

    fn fragment(bytes: &[u8], last: bool) -> Vec<u8> {
        let mark = bytes.len() as u32 | if last { LAST } else { 0 };
        [&mark.to_be_bytes()[..], bytes].concat()
    }

    #[test]
    fn a_call_as_the_standard_lays_it_out() {
        // RFC 5531, sections 9 and 11; RFC 4506, 4.10 for the filling.
        let bytes = call(7, GETPORT, Arguments::default().bytes(b"inst0"));
        let words: Vec<u32> = bytes
            .chunks(4)
            .map(|word| u32::from_be_bytes(word.try_into().expect("a word")))
            .collect();
        assert_eq!(words[..11], [LAST | 52, 7, 0, 2, 100_000, 2, 3, 0, 0, 0, 0]);
        assert_eq!(&bytes[44..], b"\x00\x00\x00\x05inst0\x00\x00\x00");
    }

    #[test]
    fn a_record_may_come_in_fragments() {
        let bytes = [
            fragment(b"abc", false),
            fragment(b"de", true),
            b"rest".to_vec(),
        ]
        .concat();
        let whole = Record::Whole {
            bytes: b"abcde".to_vec(),
            taken: 13,
        };
        assert_eq!(record(&bytes), Ok(whole));
        assert_eq!(record(&bytes[..8]), Ok(Record::Needs(3)));
        assert!(matches!(
            record(&0x7fff_ffffu32.to_be_bytes()),
            Err(ProtocolError::TooLong { .. })
        ));
    }

    #[test]
    fn a_reply_to_an_older_call_is_told_apart() {
        let bytes = accepted(7, Arguments::default().word(42));
        assert_eq!(reply(&bytes, 8), Ok(None));
        let mut results = reply(&bytes, 7).expect("good").expect("ours");
        assert_eq!(results.word(), Ok(42));
        assert_eq!(results.word(), Err(SHORT));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_without_harm(bytes in prop::collection::vec(any::<u8>(), 0..80), xid in 0u32..2) {
            let _ = record(&bytes);
            if let Ok(Some(mut results)) = reply(&bytes, xid) {
                let _ = results.bytes();
                let _ = results.word();
            }
        }

        #[test]
        fn bytes_come_back_in_any_fragments(data in prop::collection::vec(any::<u8>(), 0..60), cut in 0usize..100) {
            let reply_bytes = accepted(3, Arguments::default().bytes(&data).word(9));
            let cut = cut.min(reply_bytes.len());
            let sent = [fragment(&reply_bytes[..cut], false), fragment(&reply_bytes[cut..], true)].concat();
            let Ok(Record::Whole { bytes, taken }) = record(&sent) else {
                panic!("a whole record");
            };
            prop_assert_eq!(taken, sent.len());
            let mut results = reply(&bytes, 3).expect("good").expect("ours");
            prop_assert_eq!(results.bytes(), Ok(&data[..]));
            prop_assert_eq!(results.word(), Ok(9));
        }
    }
}
