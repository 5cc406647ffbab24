//! Where a page of a list ends, as a text for passing on.

use serde::Serialize;
use serde::de::DeserializeOwned;

/// A text that is not a cursor.
#[derive(Debug, thiserror::Error)]
#[error("this is not where a page ends; give what the page before said, unchanged")]
pub struct NotACursor;

/// The key of a page's last row, in letters that need no escape in an address.
pub(super) fn written(key: &impl Serialize) -> Result<String, std::fmt::Error> {
    let text = serde_json::to_string(key).map_err(|_| std::fmt::Error)?;
    Ok(super::hex(text.as_bytes()))
}

/// The key that [`written`] has written.
pub(super) fn read<K: DeserializeOwned>(text: &str) -> Result<K, NotACursor> {
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    let byte = |pair: &[u8; 2]| {
        let digits = std::str::from_utf8(pair).ok()?;
        u8::from_str_radix(digits, 16).ok()
    };
    let bytes: Option<Vec<u8>> = pairs.iter().map(byte).collect();
    let bytes = bytes.filter(|_| rest.is_empty()).ok_or(NotACursor)?;
    serde_json::from_slice(&bytes).map_err(|_| NotACursor)
}
