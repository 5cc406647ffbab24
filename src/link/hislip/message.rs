//! The bytes of HiSLIP messages (IVI-6.1, table 2 "HiSLIP message header" and table 4 "message types"),
//! decided without I/O.

use crate::link::{ProtocolError, RESPONSE_BYTES_MAX};

/// Length of a header.
pub(super) const HEADER_BYTES: usize = 16;
/// The most one message may carry.
pub(super) const PAYLOAD_BYTES_MAX: usize = RESPONSE_BYTES_MAX;

/// Types of messages.
pub(super) mod kind {
    pub const INITIALIZE: u8 = 0;
    pub const INITIALIZE_RESPONSE: u8 = 1;
    pub const FATAL_ERROR: u8 = 2;
    pub const ERROR: u8 = 3;
    pub const ASYNC_LOCK: u8 = 4;
    pub const ASYNC_LOCK_RESPONSE: u8 = 5;
    pub const DATA: u8 = 6;
    pub const DATA_END: u8 = 7;
    pub const DEVICE_CLEAR_COMPLETE: u8 = 8;
    pub const DEVICE_CLEAR_ACKNOWLEDGE: u8 = 9;
    pub const INTERRUPTED: u8 = 13;
    pub const ASYNC_INTERRUPTED: u8 = 14;
    pub const ASYNC_MAXIMUM_MESSAGE_SIZE: u8 = 15;
    pub const ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE: u8 = 16;
    pub const ASYNC_INITIALIZE: u8 = 17;
    pub const ASYNC_INITIALIZE_RESPONSE: u8 = 18;
    pub const ASYNC_DEVICE_CLEAR: u8 = 19;
    pub const ASYNC_SERVICE_REQUEST: u8 = 20;
    pub const ASYNC_STATUS_QUERY: u8 = 21;
    pub const ASYNC_STATUS_RESPONSE: u8 = 22;
    pub const ASYNC_DEVICE_CLEAR_ACKNOWLEDGE: u8 = 23;
}

/// What stands before the payload of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Header {
    pub kind: u8,
    pub control: u8,
    pub parameter: u32,
    pub length: usize,
}

impl Header {
    /// The header at the start of `bytes`, once it is all there.
    pub(super) fn read(bytes: &[u8]) -> Result<Option<Self>, ProtocolError> {
        let known = bytes.len().min(2);
        if bytes[..known] != b"HS"[..known] {
            return Err(ProtocolError::NotHislip);
        }
        let Some([_, _, kind, control, rest @ ..]) = bytes.first_chunk::<HEADER_BYTES>() else {
            return Ok(None);
        };
        let [p0, p1, p2, p3, length @ ..] = *rest;
        let announced = u64::from_be_bytes(length);
        match usize::try_from(announced) {
            Ok(length) if length <= PAYLOAD_BYTES_MAX => Ok(Some(Self {
                kind: *kind,
                control: *control,
                parameter: u32::from_be_bytes([p0, p1, p2, p3]),
                length,
            })),
            _ => Err(ProtocolError::TooLong {
                announced,
                limit: PAYLOAD_BYTES_MAX,
            }),
        }
    }

    /// Length of the whole message.
    pub(super) fn total(&self) -> usize {
        HEADER_BYTES + self.length
    }
}

/// A message as it is sent.
pub(super) fn message(kind: u8, control: u8, parameter: u32, payload: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(HEADER_BYTES + payload.len());
    bytes.extend_from_slice(b"HS");
    bytes.extend([kind, control]);
    bytes.extend(parameter.to_be_bytes());
    bytes.extend((payload.len() as u64).to_be_bytes());
    bytes.extend_from_slice(payload);
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_header_as_the_standard_lays_it_out() {
        // IVI-6.1, table 2: prologue, type, control, parameter, length; all big-endian.
        let bytes = message(kind::INITIALIZE, 0, 0x0100_5a5a, b"hislip0");
        assert_eq!(
            bytes,
            b"HS\x00\x00\x01\x00\x5a\x5a\x00\x00\x00\x00\x00\x00\x00\x07hislip0"
        );
    }

    #[test]
    fn what_is_not_hislip_or_too_long_is_refused_at_once() {
        assert_eq!(Header::read(b"GET /"), Err(ProtocolError::NotHislip));
        assert_eq!(Header::read(b"H"), Ok(None));
        let mut bytes = message(kind::DATA, 0, 0, b"");
        bytes[8] = 1;
        assert!(matches!(
            Header::read(&bytes),
            Err(ProtocolError::TooLong { .. })
        ));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_without_harm(bytes in prop::collection::vec(any::<u8>(), 0..40)) {
            let _ = Header::read(&bytes);
        }

        #[test]
        fn a_message_comes_back(kind: u8, control: u8, parameter: u32, payload in prop::collection::vec(any::<u8>(), 0..50)) {
            let bytes = message(kind, control, parameter, &payload);
            let header = Header::read(&bytes).expect("good").expect("all there");
            prop_assert_eq!(header, Header { kind, control, parameter, length: payload.len() });
            prop_assert_eq!(header.total(), bytes.len());
        }
    }
}
