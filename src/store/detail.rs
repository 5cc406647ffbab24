//! The detail of a result, packed: uncertainty budgets say nearly the same words in every one of millions of
//! rows.
//!
//! A packed detail is a zlib stream (RFC 1950) of the JSON text with a preset dictionary, which the database
//! keeps too, so that it can be read without this program. Rows of before hold the text itself.

use flate2::{Compress, Compression, Decompress, FlushCompress, FlushDecompress, Status};
use serde_json::Value;
use sqlx::Row;
use sqlx::sqlite::SqliteRow;
use std::sync::{LazyLock, Mutex, PoisonError};

/// What a detail is likely to say; the likeliest last, for its distances are the shortest.
pub(super) const DICTIONARY: &[u8] = include_bytes!("detail.dictionary");
/// The checksum that the stream's header names the dictionary by.
pub(super) const DICTIONARY_ADLER32: u32 = 1067923658;
/// Unpacked, a detail is at most so long; a stream that says more is damaged.
const UNPACKED_BYTES_MAX: usize = super::TEXT_BYTES_MAX;
/// RFC 1950: the first two bytes, the dictionary's checksum follows.
const HEADER_BYTES: usize = 2;

/// Why a packed detail cannot be read.
#[derive(Debug, thiserror::Error)]
enum Unreadable {
    #[error("it was packed with a dictionary that this program does not know")]
    Dictionary,
    #[error("it is cut off or damaged")]
    Damaged,
}

// Making one costs more than using it, and each holds some 400 kB: one for all.
static PACKER: LazyLock<Mutex<Compress>> =
    LazyLock::new(|| Mutex::new(Compress::new(Compression::new(6), true)));

/// The bytes to keep for a detail.
pub(super) fn pack(detail: &Value) -> Result<Vec<u8>, sqlx::Error> {
    let text = detail.to_string();
    // Whatever a panic left in it is reset.
    let mut packer = PACKER.lock().unwrap_or_else(PoisonError::into_inner);
    packer.reset();
    let refused = |error| sqlx::Error::Encode(Box::new(error));
    packer.set_dictionary(DICTIONARY).map_err(refused)?;
    // Deflate adds at most a few bytes to each block of what it cannot pack.
    let mut packed = Vec::with_capacity(text.len() + text.len() / 100 + 64);
    let status = packer.compress_vec(text.as_bytes(), &mut packed, FlushCompress::Finish);
    match status.map_err(refused)? {
        Status::StreamEnd => Ok(packed),
        _ => Err(sqlx::Error::Encode(Box::new(Unreadable::Damaged))),
    }
}

/// The detail of a row, packed or not.
pub(super) fn of_row(row: &SqliteRow) -> Result<Value, sqlx::Error> {
    match row.try_get::<Option<&[u8]>, _>("packed")? {
        None => super::json(row, "detail"),
        Some(packed) => {
            let text = unpack(packed).map_err(|error| super::undecodable("packed", error))?;
            serde_json::from_slice(&text).map_err(|error| super::undecodable("packed", error))
        }
    }
}

fn unpack(packed: &[u8]) -> Result<Vec<u8>, Unreadable> {
    let named = packed.get(HEADER_BYTES..HEADER_BYTES + 4);
    if named != Some(&DICTIONARY_ADLER32.to_be_bytes()) {
        return Err(Unreadable::Dictionary);
    }
    let mut unpacker = Decompress::new(true);
    let mut text = Vec::with_capacity(8 * packed.len());
    // Stops after the header and asks for the dictionary, which inflate says as an error.
    let asked = unpacker.decompress_vec(packed, &mut text, FlushDecompress::Finish);
    if asked.is_ok() || unpacker.set_dictionary(DICTIONARY).is_err() {
        return Err(Unreadable::Damaged);
    }
    loop {
        let (read, written) = (unpacker.total_in(), unpacker.total_out());
        let rest = usize::try_from(read)
            .ok()
            .and_then(|read| packed.get(read..));
        let status = unpacker
            .decompress_vec(rest.unwrap_or_default(), &mut text, FlushDecompress::Finish)
            .map_err(|_| Unreadable::Damaged)?;
        if status == Status::StreamEnd {
            return Ok(text);
        }
        let stuck = unpacker.total_in() == read && unpacker.total_out() == written;
        if text.len() >= UNPACKED_BYTES_MAX || (stuck && text.len() < text.capacity()) {
            return Err(Unreadable::Damaged);
        }
        text.reserve(text.len().max(1024));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::json;

    #[test]
    fn a_damaged_detail_is_an_error_and_not_an_answer() {
        let packed = pack(&json!({"budget": {"k": 2.0}, "flags": [0.1234567]})).expect("packed");
        let right = unpack(&packed).expect("whole");
        for cut in 0..packed.len() {
            assert!(unpack(&packed[..cut]).is_err(), "{cut}");
        }
        for at in 0..packed.len() {
            let mut wrong = packed.clone();
            wrong[at] ^= 0x10;
            // A few bits before the checksum only fill up a byte, and say nothing.
            if let Ok(text) = unpack(&wrong) {
                assert_eq!(text, right, "{at}");
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn a_detail_comes_back_the_same(
            numbers in proptest::collection::vec(any::<f64>().prop_filter("finite", |n| n.is_finite()), 0..200),
            words in proptest::collection::vec(".*", 0..20),
        ) {
            let detail = json!({ "numbers": numbers, "words": words });
            let text = unpack(&pack(&detail).expect("packed")).expect("unpacked");
            prop_assert_eq!(serde_json::from_slice::<Value>(&text).expect("JSON"), detail);
        }
    }
}
