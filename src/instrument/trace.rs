//! Reads the levels of a trace, in the width they come in: what is kept is what was received.

use super::InstrumentError;
use crate::config::{ByteOrder, Encoding};
use crate::link::{LinkError, block};
use crate::store::Levels;

/// Reads the answer to a trace query; every point must be a level.
pub(super) fn decode(
    answer: &[u8],
    encoding: Encoding,
    points: u32,
) -> Result<Levels, InstrumentError> {
    let levels = match encoding {
        // Some put the text into a block.
        Encoding::Text if answer.starts_with(b"#") => Levels::F64(text(data_of(answer)?)?),
        Encoding::Text => Levels::F64(text(answer)?),
        Encoding::Real32(order) => {
            let read = match order {
                ByteOrder::Big => f32::from_be_bytes,
                ByteOrder::Little => f32::from_le_bytes,
            };
            Levels::F32(chunks(answer, points)?.map(read).collect())
        }
        Encoding::Real64(order) => {
            let read = match order {
                ByteOrder::Big => f64::from_be_bytes,
                ByteOrder::Little => f64::from_le_bytes,
            };
            Levels::F64(chunks(answer, points)?.map(read).collect())
        }
    };
    check(&levels.to_f64(), points)?;
    Ok(levels)
}

fn data_of(answer: &[u8]) -> Result<&[u8], InstrumentError> {
    block(answer).map_err(|cause| InstrumentError::Link {
        instrument: "receiver",
        cause: LinkError::Frame {
            address: "its trace".to_owned(),
            cause,
        },
    })
}

/// The numbers of a block, as bytes.
fn chunks<const N: usize>(
    answer: &[u8],
    points: u32,
) -> Result<impl Iterator<Item = [u8; N]> + '_, InstrumentError> {
    let data = data_of(answer)?;
    let (chunks, rest) = data.as_chunks::<N>();
    if !rest.is_empty() || chunks.len() != points as usize {
        return Err(InstrumentError::Points {
            wanted: points,
            got: chunks.len(),
        });
    }
    Ok(chunks.iter().copied())
}

fn text(answer: &[u8]) -> Result<Vec<f64>, InstrumentError> {
    let text = String::from_utf8_lossy(answer);
    text.split(|c: char| c == ',' || c.is_ascii_whitespace())
        .filter(|word| !word.is_empty())
        .enumerate()
        .map(|(index, word)| {
            word.parse().map_err(|_| InstrumentError::NotALevel {
                index: index + 1,
                got: word.chars().take(40).collect(),
            })
        })
        .collect()
}

/// Levels beyond this are the wire's words for "not a number" and "infinity" (SCPI-1999 volume 1,
/// 7.2.1: 9.91E37 and 9.9E37), or not levels at all.
const LEVEL_MAX_DBM: f64 = 1000.0;

fn check(levels: &[f64], points: u32) -> Result<(), InstrumentError> {
    if levels.len() != points as usize {
        return Err(InstrumentError::Points {
            wanted: points,
            got: levels.len(),
        });
    }
    match levels
        .iter()
        .position(|level| !level.is_finite() || level.abs() > LEVEL_MAX_DBM)
    {
        Some(index) => Err(InstrumentError::NotALevel {
            index: index + 1,
            got: said(levels[index]),
        }),
        None => Ok(()),
    }
}

/// A number that is no level, with what SCPI means by it.
fn said(level: f64) -> String {
    // As 32-bit floats they come a little off.
    let is = |number: f64| ((level.abs() - number) / number).abs() < 1e-6;
    match level {
        _ if is(9.91e37) => format!("{level:e} (not a number)"),
        _ if is(9.9e37) => format!("{level:e} (infinity, or no measurement)"),
        _ => format!("{level:e}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_both_byte_orders_give_the_same_levels() {
        let text = decode(b"-1.5, 2,\r\n1e1", Encoding::Text, 3).expect("text");
        assert_eq!(text.to_f64(), [-1.5, 2.0, 10.0]);
        let in_block = decode(b"#211-1.5,2,10.0", Encoding::Text, 3).expect("text in a block");
        assert_eq!(in_block.to_f64(), text.to_f64());
        let mut big = b"#212".to_vec();
        let mut little = b"#212".to_vec();
        for level in [-1.5f32, 2.0, 10.0] {
            big.extend(level.to_be_bytes());
            little.extend(level.to_le_bytes());
        }
        let real = |bytes: &[u8], order| decode(bytes, Encoding::Real32(order), 3).expect("block");
        assert_eq!(real(&big, ByteOrder::Big).to_f64(), text.to_f64());
        assert_eq!(real(&little, ByteOrder::Little).to_f64(), text.to_f64());
    }

    #[test]
    fn a_wrong_number_of_points_is_said() {
        let said = decode(b"1,2", Encoding::Text, 3)
            .expect_err("short")
            .to_string();
        assert!(said.contains("2 points where 3 were set"), "{said}");
        let said = decode(b"#15abcde", Encoding::Real32(ByteOrder::Big), 1)
            .expect_err("uneven")
            .to_string();
        assert!(said.contains("points where 1"), "{said}");
    }

    #[test]
    fn what_scpi_means_by_a_number_is_said() {
        for (number, meaning) in [(9.91e37f32, "not a number"), (-9.9e37, "infinity")] {
            let mut block = b"#14".to_vec();
            block.extend(number.to_be_bytes());
            let said = decode(&block, Encoding::Real32(ByteOrder::Big), 1)
                .expect_err("no level")
                .to_string();
            assert!(said.contains(meaning), "{said}");
        }
    }

    #[test]
    fn what_is_not_a_level_is_said_with_its_place() {
        for (text, place) in [
            ("1,pear,3", "point 2"),
            ("1,2,9.91E37", "point 3"),
            ("nan,1,2", "point 1"),
        ] {
            let said = decode(text.as_bytes(), Encoding::Text, 3)
                .expect_err(text)
                .to_string();
            assert!(said.contains(place), "{text}: {said}");
        }
    }
}
