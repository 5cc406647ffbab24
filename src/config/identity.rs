//! Who an instrument says it is, and whether two of them are one.

use std::fmt;

/// An answer to `*IDN?`: maker, model, serial number, firmware (IEEE 488.2, 10.14, from memory).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity<'a> {
    text: &'a str,
    fields: Vec<&'a str>,
}

impl<'a> Identity<'a> {
    /// From the answer as it came.
    pub fn of(text: &'a str) -> Self {
        let text = text.trim();
        let fields = text.split(',').map(|field| field.trim_matches(['"', ' ']));
        Self {
            text,
            fields: fields.collect(),
        }
    }

    /// The serial number; none where it has none (`0` says so) or answers in another form.
    pub fn serial(&self) -> Option<&'a str> {
        match self.fields.as_slice() {
            [_, _, serial, ..] if !serial.trim_matches('0').is_empty() => Some(serial),
            _ => None,
        }
    }

    /// What makes it this instrument and no other: all but the firmware, which may be renewed. An answer in
    /// another form counts whole.
    pub fn instrument(&self) -> String {
        match self.fields.as_slice() {
            [maker, model, serial, _, ..] => format!("{maker},{model},{serial}"),
            _ => self.text.to_owned(),
        }
        .to_lowercase()
    }
}

impl fmt::Display for Identity<'_> {
    /// With the serial number in words, where there is one.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.serial() {
            Some(serial) => write!(f, "{} (serial number {serial})", self.text),
            None => f.write_str(self.text),
        }
    }
}

/// Whether two answers are of one instrument, be its firmware another.
pub fn same_instrument(one: &str, other: &str) -> bool {
    Identity::of(one).instrument() == Identity::of(other).instrument()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn firmware_may_be_renewed_and_the_serial_number_not() {
        let here = "Example Maker,SA-1,0042,1.0";
        assert!(same_instrument(here, "Example Maker, SA-1, 0042, 2.1"));
        assert!(!same_instrument(here, "Example Maker,SA-1,0043,1.0"));
        assert!(!same_instrument("field receiver 3", "field receiver 4"));
        assert_eq!(Identity::of(here).serial(), Some("0042"));
        assert_eq!(Identity::of("Nobody,Fake,0,0").serial(), None);
        assert_eq!(Identity::of("field receiver 3").serial(), None);
    }
}
