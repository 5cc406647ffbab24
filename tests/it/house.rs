//! The rules of the house, read from the files themselves.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use muffle::config::{Driver, built_in_drivers};

/// The rooms; data flows downwards, and a room uses only rooms above it.
const ROOMS: [&str; 13] = [
    "quantity",
    "config",
    "analysis",
    "store",
    "evaluate",
    "link",
    "instrument",
    "station",
    "procedure",
    "report",
    "daemon",
    "sim",
    "cli",
];
/// What a report may not touch: it is made from the store alone.
const NOT_FOR_REPORT: [&str; 4] = ["link", "instrument", "station", "procedure"];
/// What may lie beside the code.
const TOP_LEVEL: [&str; 12] = [
    "CHANGELOG.md",
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "src",
    "drivers",
    "migrations",
    "config",
    "tests",
    "benches",
];

/// A test that judges what the bench's own receiver makes, which no socket would give fast enough.
const BENCH_JUDGED: &str = "src/sim/coverage.rs";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A file of the program.
struct Source {
    /// Relative to the top level, such as `src/store/run.rs`.
    name: String,
    /// Without comments.
    code: String,
}

impl Source {
    /// The room it belongs to; none for `lib.rs` and `main.rs`, which open all doors.
    fn room(&self) -> Option<&str> {
        let inside = self.name.strip_prefix("src/")?;
        let room = inside.split('/').next()?.trim_end_matches(".rs");
        ROOMS.contains(&room).then_some(room)
    }

    /// Without what only tests see.
    fn product(&self) -> &str {
        let tests = test_modules(&self.code).find(|(_, line)| line.ends_with('{'));
        tests.map_or(self.code.as_str(), |(at, _)| &self.code[..at])
    }
}

/// Where each module for tests alone is declared, and by which line.
fn test_modules(code: &str) -> impl Iterator<Item = (usize, &str)> {
    code.match_indices("#[cfg(test)]").filter_map(|(at, _)| {
        let mut lines = code[at..].lines().map(str::trim_end);
        let line = lines.find(|line| !line.starts_with("#["))?;
        line.starts_with("mod ").then_some((at, line))
    })
}

/// The files that are compiled into the program.
fn product_sources() -> Vec<Source> {
    let sources = sources();
    let of_tests: Vec<String> = sources
        .iter()
        .flat_map(|source| {
            let (folder, _) = source.name.rsplit_once('/').expect("in a folder");
            let beside = match source.name.ends_with("/mod.rs") {
                true => folder.to_owned(),
                false => source.name.trim_end_matches(".rs").to_owned(),
            };
            test_modules(&source.code)
                .filter_map(|(_, line)| line.strip_prefix("mod ")?.strip_suffix(';'))
                .map(move |name| format!("{beside}/{name}.rs"))
                .collect::<Vec<_>>()
        })
        .collect();
    assert!(of_tests.len() > 2, "{of_tests:?}");
    sources
        .into_iter()
        .filter(|source| !of_tests.contains(&source.name))
        .collect()
}

fn sources() -> Vec<Source> {
    let mut files = Vec::new();
    rust_files(&root().join("src"), &mut files);
    assert!(files.len() > 50, "the sources were not found");
    files
        .iter()
        .map(|path| Source {
            name: path
                .strip_prefix(root())
                .expect("below the top level")
                .display()
                .to_string(),
            code: without_comments(&fs::read_to_string(path).expect("readable")),
        })
        .collect()
}

fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        match path.is_dir() {
            true => rust_files(&path, found),
            false if path.extension().is_some_and(|ending| ending == "rs") => found.push(path),
            false => {}
        }
    }
}

/// Good enough for this code: a `//` inside a text costs the rest of that line.
fn without_comments(code: &str) -> String {
    let lines = code
        .lines()
        .map(|line| line.split("//").next().unwrap_or(""));
    lines.collect::<Vec<_>>().join("\n")
}

/// The rooms that a file names: `crate::room`, `use crate::{room, …}`, and `super::` up to the top.
fn rooms_used(source: &Source) -> BTreeSet<&'static str> {
    let word = |text: &str| -> String {
        let letters = text
            .chars()
            .take_while(|c| c.is_alphanumeric() || *c == '_');
        letters.collect()
    };
    let known = |name: &str| ROOMS.into_iter().find(|room| *room == name);
    let mut used = BTreeSet::new();
    for (at, path) in source.code.match_indices("crate::") {
        let rest = &source.code[at + path.len()..];
        match rest.strip_prefix('{') {
            Some(list) => used.extend(first_words(list).iter().filter_map(|name| known(name))),
            None => used.extend(known(&word(rest))),
        }
    }
    let inside = source.name.strip_prefix("src/").unwrap_or_default();
    let folder = inside.split('/').next().unwrap_or_default();
    for (at, path) in source.code.match_indices("super::") {
        let name = word(&source.code[at + path.len()..]);
        // A module of the same name in the room's own folder is meant.
        let own = root().join("src").join(folder).join(&name);
        let is_own = own.is_dir() || own.with_extension("rs").is_file();
        used.extend(known(&name).filter(|_| !is_own));
    }
    used
}

/// The first word of every path in a list up to its closing brace.
fn first_words(list: &str) -> Vec<String> {
    let mut words = Vec::new();
    let (mut depth, mut begin) = (0, true);
    for (at, letter) in list.char_indices() {
        match letter {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => begin = true,
            letter if begin && !letter.is_whitespace() => {
                let rest = list[at..].chars();
                words.push(
                    rest.take_while(|c| c.is_alphanumeric() || *c == '_')
                        .collect(),
                );
                begin = false;
            }
            _ => {}
        }
    }
    words
}

/// Why a room may not use another; none when it may.
fn against_the_table(from: &str, to: &str) -> Option<&'static str> {
    let place = |room| ROOMS.iter().position(|known| *known == room);
    if from == to {
        return None;
    }
    if from == "sim" && to != "quantity" {
        return Some("the simulated bench shares nothing but `quantity`");
    }
    if to == "sim" && from != "cli" {
        return Some("the simulated bench is reached by its sockets alone");
    }
    if from == "report" && NOT_FOR_REPORT.contains(&to) {
        return Some("a report is made from the store alone");
    }
    (place(to) > place(from)).then_some("the arrow runs back up")
}

#[test]
fn arrows_between_rooms_run_downwards() {
    let mut faults = Vec::new();
    let mut arrows = 0;
    for source in sources() {
        let Some(room) = source.room() else { continue };
        if source.name == BENCH_JUDGED {
            continue;
        }
        for used in rooms_used(&source) {
            arrows += 1;
            if let Some(why) = against_the_table(room, used) {
                faults.push(format!("{}: `{room}` uses `{used}`: {why}", source.name));
            }
        }
    }
    assert!(arrows > 50, "only {arrows} arrows were found");
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn the_reader_of_arrows_finds_them() {
    let used = |name: &str, code: &str| {
        let source = Source {
            name: name.to_owned(),
            code: without_comments(code),
        };
        rooms_used(&source).into_iter().collect::<Vec<_>>()
    };
    let code = "use crate::{store::{Store, cli}, link::Link};\nfn f() -> crate::sim::Bench {}";
    assert_eq!(used("src/report/x.rs", code), ["link", "sim", "store"]);
    assert_eq!(used("src/report/x.rs", "super::super::cli::run()"), ["cli"]);
    assert_eq!(
        used("src/cli/x.rs", "super::sim::run(); // crate::link"),
        [""; 0]
    );
    assert!(against_the_table("store", "evaluate").is_some());
    assert!(against_the_table("report", "instrument").is_some());
    assert!(against_the_table("sim", "config").is_some());
    assert!(against_the_table("daemon", "sim").is_some());
    assert!(against_the_table("evaluate", "store").is_none());
}

#[test]
fn the_maths_is_free_of_clocks_and_of_input_and_output() {
    let forbidden = [
        "async ",
        "tokio",
        "std::fs",
        "std::io",
        "std::net",
        "std::time",
        "::now()",
        "println",
        "sqlx",
        "tracing",
    ];
    for source in product_sources()
        .iter()
        .filter(|s| s.room() == Some("analysis"))
    {
        for word in forbidden {
            assert!(!source.product().contains(word), "{}: {word}", source.name);
        }
    }
}

#[test]
fn only_the_guard_gives_leave_to_radiate() {
    let places: Vec<_> = sources()
        .iter()
        .filter(|source| source.code.contains("Permit::issue(") || source.code.contains("Permit {"))
        .map(|source| source.name.clone())
        .collect();
    // Where it is defined, and where it is issued.
    let mut expected = vec!["src/instrument/source.rs", "src/station/guard.rs"];
    expected.sort_unstable();
    let mut places: Vec<_> = places.iter().map(String::as_str).collect();
    places.sort_unstable();
    assert_eq!(places, expected);
    let guard = sources()
        .into_iter()
        .find(|source| source.name == "src/station/guard.rs")
        .expect("the guard");
    assert_eq!(guard.code.matches("Permit::issue(").count(), 1);
}

#[test]
fn every_driver_file_is_built_in_and_loads() {
    let mut files: Vec<_> = fs::read_dir(root().join("drivers"))
        .expect("drivers")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.file_name().is_some_and(|name| name != "README.md"))
        .collect();
    files.sort();
    assert!(files.len() >= 4);
    let mut built_in: Vec<_> = built_in_drivers().map(str::to_owned).collect();
    built_in.sort_unstable();
    let named: Vec<_> = files
        .iter()
        .map(|file| file.file_stem().expect("a name").display().to_string())
        .collect();
    assert_eq!(named, built_in);
    for (file, name) in files.iter().zip(&named) {
        let text = fs::read_to_string(file).expect("readable");
        let read = Driver::read(&file.display().to_string(), &text)
            .unwrap_or_else(|faults| panic!("{faults}"));
        assert_eq!(&read.name, name);
        let inside = Driver::load(name, Path::new("/nowhere")).expect("built in");
        assert_eq!(inside.text, text, "{name}");
    }
}

#[test]
fn sql_is_spoken_in_the_store_alone() {
    let words = [
        "sqlx::",
        "SELECT ",
        "INSERT INTO",
        "UPDATE ",
        "DELETE FROM",
        "PRAGMA ",
    ];
    let mut spoken = 0;
    for source in product_sources() {
        for line in source.product().lines() {
            // A hint for the shell of SQLite is for the reader, not for the program.
            if line.contains("sqlite3 ") || !words.iter().any(|word| line.contains(word)) {
                continue;
            }
            spoken += 1;
            assert_eq!(source.room(), Some("store"), "{}: {line}", source.name);
        }
    }
    assert!(spoken > 20, "the store speaks SQL {spoken} times");
}

#[test]
fn the_top_level_holds_what_it_should_and_nothing_else() {
    let ignored = fs::read_to_string(root().join(".gitignore")).expect(".gitignore");
    let is_ignored = |name: &str| {
        ignored.lines().any(|line| match line.strip_prefix('*') {
            Some(ending) => name.ends_with(ending),
            None => line.trim_matches('/') == name,
        })
    };
    for entry in fs::read_dir(root()).expect("the top level") {
        let name = entry.expect("an entry").file_name().display().to_string();
        assert!(
            name.starts_with('.') || TOP_LEVEL.contains(&name.as_str()) || is_ignored(&name),
            "{name} does not belong at the top level"
        );
    }
}

#[test]
fn nothing_is_unwrapped_outside_tests() {
    for source in product_sources() {
        for (number, line) in source.product().lines().enumerate() {
            assert!(
                !line.contains(".unwrap()"),
                "{}:{}: {line}",
                source.name,
                number + 1
            );
        }
    }
}
