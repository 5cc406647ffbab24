use rand::rngs::StdRng;
use rand::seq::{IndexedRandom, SliceRandom};
use rand::{RngExt, SeedableRng};

use super::*;

fn levels(reference_dbm: f64, level_dbm: Option<f64>, floor_dbm: Option<f64>) -> HandLevels {
    HandLevels::Levels {
        reference_dbm,
        level_dbm,
        floor_dbm,
    }
}

fn now() -> Option<Timestamp> {
    Some("2026-01-31T09:00:00Z".parse().expect("a time"))
}

/// The faults of a file that is read in for the first time.
fn refused(text: &str) -> String {
    let faults = read_readings("book.csv", text, now()).expect_err("faults");
    faults.to_string()
}

#[test]
fn readings_of_a_spreadsheet_are_read() {
    let text = "\u{feff}item,date,frequency_ghz,reference_dbm,level_dbm,floor_dbm,note\n\
        # bench book 3\n\
        P-1,2019-05-03,0.4,-24.0,\u{2212}76.5,-98,\n\
        P-1,2019-05-03,1.2,-25.0,In the noise,-98,\"lid, second try\"\n";
    let readings = read_readings("book.csv", text, None).expect("readings");
    assert_eq!(readings.len(), 2);
    assert_eq!(
        (readings[0].frequency_hz, readings[0].levels),
        (400e6, levels(-24.0, Some(-76.5), Some(-98.0)))
    );
    assert_eq!(
        (readings[1].levels, readings[1].line),
        (levels(-25.0, None, Some(-98.0)), 4)
    );
    assert_eq!(readings[1].note.as_deref(), Some("lid, second try"));
    assert_eq!(
        (readings[0].face.as_str(), readings[0].note.clone()),
        (UNSTATED, None)
    );
}

#[test]
fn every_fault_has_its_line_and_column() {
    let text = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm\n\
        ,2019-05-03,400,-24,-76,-98\n\
        P-1,3 May,400,-24,\"-76,5\",-98\n\
        P-1,2019-05-03,400,-24,in the noise,\n\
        P-1,2019-05-03,400,-24,-99,-98\n\
        P-1,2019-05-03,400,-24,-76,-98,what\n";
    let said = read_readings("book.csv", text, None)
        .expect_err("faults")
        .to_string();
    for part in [
        "book.csv:2:1: `item`: is empty",
        "book.csv:3:5: `date`: `3 May` is not a date",
        "book.csv:3:19: `level_dbm`: `-76,5` is not a number; write a decimal point",
        "book.csv:4:24: `level_dbm`: is in the noise, but no floor",
        "book.csv:5:24: `level_dbm`: is not above the floor",
        "book.csv:6:1: 7 cells, but the header has 6",
    ] {
        assert!(said.contains(part), "{part}\n{said}");
    }
    let said = read_readings("book.csv", "item,day\nP-1,2019\n", None)
        .expect_err("header")
        .to_string();
    assert!(
        said.contains("book.csv:1:6: `day` is not a known column"),
        "{said}"
    );
    assert!(said.contains("the column `level_dbm` is missing"), "{said}");
}

#[test]
fn what_cannot_be_is_refused_with_its_cell_and_a_kept_file_is_read_as_it_was() {
    let text = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm\n\
        P-1,2019-05-03,400000000,-24,-76,-98\n\
        P-1,2019-05-03,400,77,-76,-98\n\
        P-1,2019-05-03,400,-24,-76,-198\n\
        P-1,2019-05-03,400,-76,-24,-98\n\
        P-1,2019-05-03,400,-99,in the noise,-98\n\
        P-1,2091-05-03,400,-24,-76,-98\n";
    let now = "2026-01-31T09:00:00Z".parse().expect("a time");
    let said = read_readings("book.csv", text, Some(now))
        .expect_err("faults")
        .to_string();
    for part in [
        "book.csv:2:16: `frequency_mhz`: `400000000` is 4e14 Hz, outside of 1 kHz to 100 GHz",
        "book.csv:3:20: `reference_dbm`: `77` dBm is no level",
        "book.csv:4:28: `floor_dbm`: `-198` dBm is no level",
        "book.csv:5:24: `level_dbm`: `-24` is 52.0 dB above the level in the open",
        "book.csv:6:37: `floor_dbm`: `-98` is not below the level in the open",
        "book.csv:7:5: `date`: `2091-05-03` is in the future",
    ] {
        assert!(said.contains(part), "{part}\n{said}");
    }
    assert_eq!(said.lines().count(), 6, "{said}");
    let kept = text.replace("400000000", "400");
    assert_eq!(
        read_readings("book.csv", &kept, None).map(|all| all.len()),
        Ok(6)
    );
}

#[test]
fn semicolons_tabs_and_decimal_commas_are_seen_in_the_file() {
    let text = "item;date;frequency_mhz;reference_dbm;level_dbm;floor_dbm;note\r\n\
        P-1;2019-05-03;1,200;-24,0;-76,5;-98;lid, second try\r\n;;;;;;\r\n";
    let read = |text: &str| read_readings("book.csv", text, now()).expect("readings");
    let readings = read(text);
    assert_eq!(readings.len(), 1);
    assert_eq!(
        (readings[0].frequency_hz, readings[0].levels),
        (1.2e6, levels(-24.0, Some(-76.5), Some(-98.0)))
    );
    assert_eq!(readings[0].note.as_deref(), Some("lid, second try"));
    assert_eq!(
        read(&text.replace(';', "\t").replace("\r\n", "\r")),
        readings
    );
    let said = refused(&text.replace("-98", "-98.0"));
    assert!(
        said.contains("book.csv:2:34: `floor_dbm`: `-98.0` is not a number; write a decimal comma"),
        "{said}"
    );
    let said = refused(&text.replace(";level_dbm", ",level_dbm"));
    assert!(
        said.contains("book.csv:1:1: the header is separated by ',' and by ';'"),
        "{said}"
    );
}

#[test]
fn a_mark_that_may_mean_two_things_is_refused_until_somebody_says_which() {
    let text = "item;date;frequency_mhz;reference_dbm;level_dbm;floor_dbm\n\
        P-1;2019-05-03;1,200;-24;-76;-98\n";
    let said = refused(text);
    assert!(
        said.contains("book.csv:2:16: `frequency_mhz`: the mark in `1,200`")
            && said.contains("--decimal comma"),
        "{said}"
    );
    let with = |decimal| {
        let format = ReadingFormat {
            decimal: Some(decimal),
            ..ReadingFormat::default()
        };
        // As it is read when it is kept, too.
        read_readings("book.csv", &format.said_before(text), None)
    };
    assert_eq!(
        with(DecimalMark::Comma).expect("readings")[0].frequency_hz,
        1.2e6
    );
    let said = with(DecimalMark::Point).expect_err("a comma").to_string();
    assert!(said.contains("nothing between thousands"), "{said}");
    // Another number tells.
    let clear = text.replace("-76;", "-76,25;");
    let readings = read_readings("book.csv", &clear, now()).expect("readings");
    assert_eq!(readings[0].frequency_hz, 1.2e6);
}

#[test]
fn a_date_in_another_order_is_read_when_it_is_said() {
    let text = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm\n\
        P-1,03.05.2019,400,-24,-76,-98\n";
    let said = refused(text);
    assert!(
        said.contains("book.csv:2:5: `date`: `03.05.2019`: say with --dates dmy or --dates mdy"),
        "{said}"
    );
    for (dates, day) in [
        (DateOrder::Dmy, "2019-05-03"),
        (DateOrder::Mdy, "2019-03-05"),
    ] {
        let format = ReadingFormat {
            dates,
            ..ReadingFormat::default()
        };
        let text = format.said_before(text);
        let readings = read_readings("book.csv", &text, now()).expect("readings");
        assert_eq!(readings[0].taken.to_string(), format!("{day}T00:00:00Z"));
        // A year in front says its order by itself; a place stays the one in the file.
        let other = text.replace("03.05.2019", "2019/5/3");
        let readings = read_readings("book.csv", &other, now()).expect("readings");
        assert_eq!(readings[0].taken.to_string(), "2019-05-03T00:00:00Z");
        let said = refused(&text.replace("03.05.2019", "13.13.2019"));
        assert!(
            said.starts_with("book.csv:2:5: `date`: `13.13.2019` is not a date with"),
            "{said}"
        );
    }
    for cell in [
        "03.05.19",
        "2019-05-03T14:00",
        "5/2019",
        "2019-05-03-1",
        "43588",
        "1900-01-01",
    ] {
        let said = refused(&text.replace("03.05.2019", cell));
        assert!(
            said.starts_with(&format!("book.csv:2:5: `date`: `{cell}` is")),
            "{said}"
        );
    }
}

#[test]
fn an_se_without_levels_needs_its_uncertainty() {
    let text = "item;date;frequency_mhz;se_db;dynamic_range_db;u_db\n\
        P-1;2019-05-03;400;52,5;74;3\n\
        P-1;2019-05-03;600;in the noise;74;3\n\
        P-1;2019-05-03;800;>= 73,5;;3\n\
        P-1;2019-05-03;900;52,5;;3\n";
    let readings = read_readings("book.csv", text, now()).expect("readings");
    let read: Vec<_> = readings.iter().map(|reading| reading.levels).collect();
    let difference = |se_db, dynamic_range_db| HandLevels::Difference {
        se_db,
        dynamic_range_db,
    };
    assert_eq!(
        read,
        [
            difference(Some(52.5), Some(74.0)),
            difference(None, Some(74.0)),
            difference(None, Some(73.5)),
            difference(Some(52.5), None),
        ]
    );
    let wrong = "item,date,frequency_mhz,se_db,dynamic_range_db,u_db\n\
        P-1,2019-05-03,400,52.5,74,\n\
        P-1,2019-05-03,400,-52.5,74,3\n\
        P-1,2019-05-03,400,74.5,74,3\n\
        P-1,2019-05-03,400,noise,,3\n\
        P-1,2019-05-03,400,>80,74,3\n";
    let said = refused(wrong);
    for part in [
        "book.csv:2:28: `u_db`: is empty; an SE without its levels needs a stated uncertainty",
        "book.csv:3:20: `se_db`: -52.5 dB would be much more inside than in the open",
        "book.csv:4:20: `se_db`: is not below the dynamic range",
        "book.csv:5:20: `se_db`: is in the noise, but nothing says how low",
        "book.csv:6:20: `se_db`: is above the dynamic range",
    ] {
        assert!(said.contains(part), "{part}\n{said}");
    }
    let said = refused("item,date,frequency_mhz,se_db,level_dbm\nP-1,2019-05-03,400,52.5,-76\n");
    assert!(
        said.contains("book.csv:1:31: `level_dbm` cannot stand here"),
        "{said}"
    );
    assert!(said.contains("the column `u_db` is missing"), "{said}");
}

#[test]
fn a_line_that_is_cut_off_is_refused() {
    let text = "item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm,limit_db\n\
        P-1,2019-05-03,400,-24,-7";
    let said = refused(text);
    assert!(
        said.contains("book.csv:2:1: 5 cells, but the header has 7"),
        "{said}"
    );
    // As a file of before is read again.
    assert!(read_readings("book.csv", text, None).is_ok());
}

/// What a line says in numbers.
type Numbers = (Timestamp, f64, HandLevels, Option<f64>, Option<f64>);

fn numbers(readings: &[HandReading]) -> Vec<Numbers> {
    let of = |it: &HandReading| (it.taken, it.frequency_hz, it.levels, it.u_db, it.limit_db);
    readings.iter().map(of).collect()
}

/// A book as its cells; `fine` with decimals.
fn book(is_fine: bool) -> Vec<Vec<String>> {
    let mut rows =
        vec!["item|date|frequency_mhz|reference_dbm|level_dbm|floor_dbm|u_db|limit_db|note"];
    rows.extend(match is_fine {
        true => [
            "P-1|2019-05-03|400|-24.0|-76.5|-98.25|2.0|50|lid",
            "P-1|2019-05-13|1200|-25.1|in the noise|-98|2.5|50|",
            "P-2|2019-06-07|2450|-31.7|-80.125|-99|2.0|62.5|again",
        ],
        false => [
            "P-1|2019-05-03|400|-24|-76|-98|2|50|lid",
            "P-1|2019-05-13|1200|-25|in the noise|-98|2|50|",
            "P-2|2019-06-07|2450|-31|-80|-99|2|62|again",
        ],
    });
    let cells = |row: &str| row.split('|').map(str::to_owned).collect();
    rows.into_iter().map(cells).collect()
}

/// What happens to a book on its way through spreadsheets and hands; none of it is meant to change a number.
fn mangled(random: &mut StdRng) -> (String, usize) {
    let is_fine = random.random();
    let mut rows = book(is_fine);
    let mut format = ReadingFormat::default();
    let separator = *[',', ';', '\t'].choose(random).expect("one");
    let is_comma = separator != ',' && random.random();
    let thousands = if is_comma { "." } else { "," };
    let is_number = |column: usize| (2..8).contains(&column);
    if is_comma {
        for cell in rows.iter_mut().skip(1).flat_map(|row| &mut row[2..8]) {
            *cell = cell.replace('.', ",");
        }
    }
    let (row, column) = (
        random.random_range(1..rows.len()),
        random.random_range(0..9),
    );
    match random.random_range(0..12) {
        0 => {
            let cell = &mut rows[row][2];
            if cell.len() > 3 {
                cell.insert_str(1, thousands);
            }
        }
        1 => {
            for (place, row) in rows.iter_mut().enumerate().skip(1) {
                if place == 1 || random.random() {
                    let parts: Vec<&str> = row[1].split('-').collect();
                    row[1] = format!("{}.{}.{}", parts[2], parts[1], parts[0]);
                }
            }
            if random.random() {
                format.dates = DateOrder::Dmy;
            }
        }
        2 => {
            let [one, other] = [[3, 4], [4, 5], [3, 5]][random.random_range(0..3)];
            rows[0].swap(one, other);
        }
        3 => {
            let mut order: Vec<usize> = (0..9).collect();
            order.shuffle(random);
            for row in &mut rows {
                *row = order.iter().map(|place| row[*place].clone()).collect();
            }
        }
        4 => {
            // dBm to dBµV in 50 Ω.
            for cell in rows.iter_mut().skip(1).flat_map(|row| &mut row[3..6]) {
                if let Ok(dbm) = cell.replace(',', ".").parse::<f64>() {
                    *cell = (dbm + 107.0)
                        .to_string()
                        .replace('.', if is_comma { "," } else { "." });
                }
            }
        }
        5 => drop(rows[row].remove(column)),
        6 => {
            let cell = rows[row][column].clone();
            rows[row].insert(column, cell);
        }
        7 => {
            let mark = *["\u{2212}", "\u{2013}", "- ", "--"]
                .choose(random)
                .expect("one");
            rows[row][3] = rows[row][3].replace('-', mark);
        }
        8 if is_number(column) => rows[row][column] = rows[row][column].replace('0', "O"),
        9 if is_number(column) => {
            let letter = *[" ", "\u{a0}", " dB", "'", "x"]
                .choose(random)
                .expect("one");
            let at = random.random_range(0..=rows[row][column].len());
            rows[row][column].insert_str(at, letter);
        }
        10 if is_number(column) => {
            let (from, to) = if is_comma { (",", ".") } else { (".", ",") };
            rows[row][column] = rows[row][column].replace(from, to);
        }
        _ => {}
    }
    let lines: Vec<String> = rows
        .iter()
        .map(|row| row.join(&separator.to_string()))
        .collect();
    let end = *["\n", "\r\n", "\r"].choose(random).expect("one");
    let mut text = lines.join(end) + end;
    let letters: Vec<usize> = text.char_indices().map(|(at, _)| at).collect();
    let at = *letters.choose(random).expect("one");
    match random.random_range(0..6) {
        // A number that is the last of a file cannot be seen to be cut.
        0 if rows[0].last().is_some_and(|name| name == "note") => text.truncate(at),
        1 => {
            let mut marks = vec!['"', ';', '\t', '\'', ' ', '\n', '\r'];
            marks.extend((separator == ',').then_some(','));
            text.insert(at, *marks.choose(random).expect("one"));
        }
        2 => {
            let other = if separator == ';' { "\t" } else { ";" };
            text = text.replacen(&lines[row], &lines[row].replace(separator, other), 1);
        }
        _ => {}
    }
    if random.random() {
        text.insert(0, '\u{feff}');
    }
    (format.said_before(&text), usize::from(is_fine))
}

#[test]
fn nothing_that_happens_to_a_file_changes_a_number_silently() {
    let meant = [false, true].map(|is_fine| {
        let lines: Vec<String> = book(is_fine).iter().map(|row| row.join(",")).collect();
        numbers(&read_readings("book.csv", &lines.join("\n"), now()).expect("readings"))
    });
    let (mut read, mut refused) = (0, 0);
    for seed in 0..20_000 {
        let (text, which) = mangled(&mut StdRng::seed_from_u64(seed));
        match read_readings("book.csv", &text, now()) {
            Err(faults) => {
                assert!(!faults.0.is_empty());
                refused += 1;
            }
            // A file may end between two lines.
            Ok(readings) => {
                assert!(
                    meant[which].starts_with(&numbers(&readings)),
                    "seed {seed}: {text}"
                );
                read += 1;
            }
        }
    }
    assert!(read > 4_000 && refused > 4_000, "{read} {refused}");
}
