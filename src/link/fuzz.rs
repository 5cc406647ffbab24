//! Arbitrary bytes into everything that reads what an instrument sends: it may be refused, but nothing may
//! panic, and no answer may depend on how it was cut into pieces.
//!
//! `tests/corpus/` holds one input for each kind of outcome that was ever found; an ordinary test run
//! tries those and a few mutations of each. For longer, with new kinds of outcome added to the corpus:
//!
//! ```text
//! MUFFLE_FUZZ_SECONDS=600 nice cargo test --release --lib link::fuzz -- --ignored --nocapture
//! ```
//!
//! `MUFFLE_FUZZ_SEED` chooses other mutations; a failure prints its input.

use std::collections::HashSet;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use super::frame::{self, Scanner};
use super::{hislip, vxi11};

/// The longest input.
const INPUT_BYTES_MAX: usize = 4096;
/// The most kinds of outcome that are kept for each reader.
const CORPUS_MAX: usize = 400;
/// What the mutations like to put in.
const WORDS: [&[u8]; 16] = [
    b"#0",
    b"#14",
    b"#9999999999",
    b"#800000001",
    b"\n",
    b";",
    b",#",
    b"\"",
    b"'",
    b"HS\x07\x00",
    b"\xff\xff\xff\xff",
    b"\x80\x00\x00\x18",
    b"\x00\x00\x00\x00",
    b"9.91E37",
    b"\r\n> ",
    b"1",
];

/// One reader of bytes; gives a word for the kind of outcome.
type Reader = fn(&[u8]) -> String;

const READERS: [(&str, Reader); 3] = [
    ("frame", read_frame),
    ("hislip", hislip::fuzz),
    ("vxi11", vxi11::fuzz),
];

fn read_frame(bytes: &[u8]) -> String {
    const LIMIT: usize = 2048;
    let whole = Scanner::new(LIMIT).push(bytes);
    let mut scanner = Scanner::new(LIMIT);
    let mut pieces = Ok(None);
    for (index, byte) in bytes.iter().enumerate() {
        pieces = scanner.push(std::slice::from_ref(byte));
        match pieces {
            Ok(None) => {}
            Ok(Some(_)) => {
                pieces = Ok(Some(index + 1));
                break;
            }
            Err(_) => break,
        }
    }
    assert_eq!(whole, pieces, "pieces differ");
    let units = frame::units(bytes);
    if let Ok(units) = &units {
        let held: usize = units.iter().map(|unit| unit.len()).sum();
        assert!(held <= bytes.len());
        for unit in units {
            let _ = frame::block(unit);
        }
    }
    let mut stripped = bytes.to_vec();
    frame::without_end(&mut stripped);
    assert!(bytes.starts_with(&stripped) && bytes.len() - stripped.len() <= 1);
    format!(
        "{:?} {:?} {:?}",
        kind(&whole),
        units.map(|units| units.len().min(8)),
        kind(&frame::block(bytes)),
    )
}

/// An outcome without its numbers.
fn kind<T: std::fmt::Debug, E: std::fmt::Debug>(outcome: &Result<T, E>) -> String {
    let text = format!("{outcome:?}");
    let end = text.find(['{', '[', '"']).unwrap_or(text.len());
    text[..end]
        .chars()
        .filter(|c| !c.is_ascii_digit())
        .collect()
}

fn folder(reader: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/corpus")
        .join(reader)
}

fn corpus(reader: &str) -> Vec<Vec<u8>> {
    let Ok(entries) = std::fs::read_dir(folder(reader)) else {
        return Vec::new();
    };
    let mut paths: Vec<PathBuf> = entries.filter_map(|e| e.ok().map(|e| e.path())).collect();
    paths.sort();
    paths
        .iter()
        .map(|path| std::fs::read(path).expect("corpus"))
        .collect()
}

fn mutated(corpus: &[Vec<u8>], random: &mut StdRng) -> Vec<u8> {
    let mut bytes = match corpus {
        [] => Vec::new(),
        some => some[random.random_range(0..some.len())].clone(),
    };
    for _ in 0..random.random_range(1..6) {
        let at = random.random_range(0..=bytes.len());
        match random.random_range(0..6) {
            0 => bytes.insert(at, random.random()),
            1 if at < bytes.len() => bytes[at] = random.random(),
            2 if at < bytes.len() => bytes[at] ^= 1 << random.random_range(0..8),
            3 => {
                let until = (at + random.random_range(0..20)).min(bytes.len());
                bytes.drain(at..until);
            }
            4 if !corpus.is_empty() => {
                let other = &corpus[random.random_range(0..corpus.len())];
                let from = random.random_range(0..=other.len());
                bytes.truncate(at);
                bytes.extend_from_slice(&other[from..]);
            }
            _ => {
                let word = WORDS[random.random_range(0..WORDS.len())];
                bytes.splice(at..at, word.iter().copied());
            }
        }
    }
    bytes.truncate(INPUT_BYTES_MAX);
    bytes
}

/// Reads one input; a panic is a failure that names its input.
fn try_one(name: &str, reader: Reader, bytes: &[u8]) -> String {
    match std::panic::catch_unwind(|| reader(bytes)) {
        Ok(outcome) => outcome,
        Err(_) => panic!("{name} fails on \"{}\"", bytes.escape_ascii()),
    }
}

#[test]
fn the_corpus_and_what_is_near_it() {
    let mut random = StdRng::seed_from_u64(1);
    for (name, reader) in READERS {
        let corpus = corpus(name);
        assert!(!corpus.is_empty(), "tests/corpus/{name} is empty");
        for bytes in &corpus {
            try_one(name, reader, bytes);
        }
        for _ in 0..2_000 {
            try_one(name, reader, &mutated(&corpus, &mut random));
        }
    }
}

#[test]
#[ignore = "runs for MUFFLE_FUZZ_SECONDS"]
fn for_a_long_time() {
    let number = |name: &str, default| {
        std::env::var(name)
            .ok()
            .and_then(|text| text.parse().ok())
            .unwrap_or(default)
    };
    let seed = number("MUFFLE_FUZZ_SEED", 1);
    let until = Instant::now() + Duration::from_secs(number("MUFFLE_FUZZ_SECONDS", 10));
    let mut random = StdRng::seed_from_u64(seed);
    let mut state = READERS.map(|(name, reader)| {
        let corpus = corpus(name);
        let seen: HashSet<String> = corpus
            .iter()
            .map(|bytes| try_one(name, reader, bytes))
            .collect();
        (name, reader, corpus, seen)
    });
    let mut inputs = 0u64;
    while Instant::now() < until {
        for (name, reader, corpus, seen) in &mut state {
            for _ in 0..1_000 {
                let bytes = mutated(corpus, &mut random);
                inputs += 1;
                let outcome = try_one(name, *reader, &bytes);
                if corpus.len() < CORPUS_MAX && seen.insert(outcome) {
                    let folder = folder(name);
                    std::fs::create_dir_all(&folder).expect("folder");
                    let file = folder.join(format!("{:04}", corpus.len()));
                    std::fs::write(file, &bytes).expect("write");
                    corpus.push(bytes);
                }
            }
        }
    }
    let kinds: Vec<String> = state
        .iter()
        .map(|(name, _, corpus, _)| format!("{name} {}", corpus.len()))
        .collect();
    println!(
        "seed {seed}: {inputs} inputs, none fails; kinds of outcome: {}",
        kinds.join(", ")
    );
}
