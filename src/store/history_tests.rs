//! The query language, the pages, the plans of SQLite, and what exports hold.

use super::history::{self, PageOf};
use super::tests::{Bench, at, item, plan, point_at, result};
use super::*;
use proptest::prelude::*;

fn asked(text: &str) -> Query {
    Query::parse(text).expect("a query")
}

fn page(rows_max: u32) -> PageOf {
    PageOf {
        rows_max,
        after: None,
    }
}

/// Three items in two lots, three points each, with what is rare in the middle one.
async fn some_history() -> (Bench, Vec<RunId>) {
    let bench = Bench::new().await;
    let mut runs = Vec::new();
    for (n, (serial, lot)) in [("P-1", "L-7"), ("P-2", "L-7"), ("C-1", "L-8")]
        .into_iter()
        .enumerate()
    {
        let thing = Item {
            lot: Some(lot.to_owned()),
            model: Some(
                if lot == "L-7" {
                    "Fell pouch"
                } else {
                    "Case 40"
                }
                .to_owned(),
            ),
            construction: Some(
                if lot == "L-7" {
                    "two layers, rolled seam"
                } else {
                    "aluminium, gasket"
                }
                .to_owned(),
            ),
            ..item(serial)
        };
        bench.store.put_item(&thing).await.expect("put in");
        let minutes = i64::try_from(n).expect("small") * 1440;
        let run = NewRun {
            model: thing.model.clone(),
            lot: thing.lot.clone(),
            note: (n == 1).then(|| "zip torn at the corner".to_owned()),
            ..super::tests::new_run(&bench.store, Some(serial), minutes).await
        };
        let run = bench.store.begin_run(&run).await.expect("begun");
        let mut results = vec![
            result(100.0, ResultKind::Measured, Some(62.0), 1),
            result(400.0, ResultKind::AtLeast, Some(71.0), 1),
            result(900.0, ResultKind::Measured, Some(55.0), 1),
        ];
        for one in &mut results {
            one.verdict = Some(Verdict::Pass);
            one.flags = Vec::new();
        }
        if n == 1 {
            results[2] = ResultRecord {
                verdict: Some(Verdict::Fail),
                margin_db: Some(-6.0),
                flags: vec!["ambient".to_owned(), "near_floor".to_owned()],
                ..result(900.0, ResultKind::Measured, Some(44.0), 1)
            };
        }
        bench.store.put_results(run, &results).await.expect("kept");
        let verdict = results.iter().filter_map(|one| one.verdict).max();
        bench
            .store
            .finish(run, verdict, at(minutes + 5))
            .await
            .expect("complete");
        runs.push(run);
    }
    (bench, runs)
}

#[test]
fn a_query_says_what_is_wrong_and_where() {
    let said = Query::parse("modle:Fell verdict:fale,pass freq:100 since:May flag:ambiant")
        .expect_err("wrong")
        .to_string();
    for part in [
        "column 1, `modle`: is not a key; did you mean model?; there are item, model,",
        "column 20, `fale`: is not there to choose; did you mean fail?; there are pass, fail, undecided",
        "column 35, `100`:",
        "column 45, `May`: is not a date",
        "column 54, `ambiant`: is not there to choose; did you mean ambient?",
    ] {
        assert!(said.contains(part), "{part}\n{said}");
    }
    for (text, part) in [
        ("lot:", "column 5, `lot:`: a value is missing here"),
        ("lot:L-7,", "a value is missing here"),
        ("model:\"Fell", "the quote is not closed"),
        ("freq:2GHz..1GHz", "is not a range that rises"),
        ("since:2026 since:2027", "is the second of its key"),
        ("sort:best", "there are newest, oldest, worst"),
        ("***", "has no letter or digit"),
        ("run:%", "is not the beginning of a run's id"),
    ] {
        let said = Query::parse(text).expect_err(text).to_string();
        assert!(said.contains(part), "{text}: {said}");
    }
    let long = "a ".repeat(QUERY_BYTES_MAX);
    assert!(
        Query::parse(&long)
            .expect_err("long")
            .to_string()
            .contains("at most 4096")
    );
    let many = "a ".repeat(QUERY_VALUES_MAX + 1);
    assert!(
        Query::parse(&many)
            .expect_err("many")
            .to_string()
            .contains("one too many")
    );
}

#[test]
fn a_query_becomes_values() {
    let query = asked(
        "lot:L-7,\"L \"\"8\"\"\" until:2026-01 freq:..1GHz verdict:fail,undecided 12:30 \"rolled seam\" pou*",
    );
    assert_eq!(query.lots, ["L-7", "L \"8\""]);
    assert_eq!(
        query.until,
        Some("2026-02-01T00:00:00Z".parse().expect("a time"))
    );
    assert_eq!(query.frequency_hz, Some((0.0, 1e9)));
    assert_eq!(query.verdicts, [Verdict::Fail, Verdict::Undecided]);
    assert_eq!(query.words, ["12:30", "rolled seam", "pou*"]);
    assert_eq!(asked("since:2026").since, asked("since:2026-01-01").since);
    assert_eq!(asked("  \n\t "), Query::default());
}

#[tokio::test]
async fn every_key_narrows_points() {
    let (bench, runs) = some_history().await;
    let id = runs[1].to_string();
    for (text, expected) in [
        ("", 9),
        ("item:P-1", 3),
        ("item:P-1,C-1", 6),
        ("model:\"Fell pouch\"", 6),
        ("lot:L-8", 3),
        ("operator:\"M. Tarn\"", 9),
        ("operator:nobody", 0),
        ("since:2026-02", 6),
        ("until:2026-01", 3),
        ("since:2026-02-01 until:2026-02-01", 3),
        ("freq:100MHz..400MHz", 6),
        ("freq:400MHz", 3),
        ("freq:401MHz..", 3),
        ("face:front", 9),
        ("face:back", 0),
        ("polarisation:vertical", 9),
        ("polarisation:horizontal", 0),
        ("verdict:fail", 1),
        ("verdict:fail,pass", 9),
        ("verdict:undecided", 0),
        ("kind:at_least", 3),
        ("kind:none", 0),
        ("flag:ambient", 1),
        ("flag:ambient,near_floor", 1),
        ("flag:ambient since:2026-02-02", 0),
        ("flag:overload", 0),
        ("flag:ambient item:P-2", 1),
        ("state:complete", 9),
        ("state:running", 0),
        ("\"rolled seam\"", 6),
        ("rolled gasket", 0),
        ("zip P-2", 3),
        ("gask*", 3),
        ("Fell", 6),
        ("sort:worst verdict:fail", 1),
        ("sort:oldest", 9),
        ("\"' OR 1=1 --\"", 0),
    ] {
        let found = bench
            .store
            .points(&asked(text), &page(50))
            .await
            .expect(text);
        assert_eq!(found.rows.len(), expected, "{text}");
    }
    let found = bench
        .store
        .points(&asked(&format!("run:{}", &id[..20])), &page(50))
        .await
        .expect("read");
    assert!(found.rows.iter().any(|row| row.run == runs[1]));
}

#[tokio::test]
async fn runs_fit_by_their_own_words_and_by_their_points() {
    let (bench, runs) = some_history().await;
    for (text, expected) in [
        ("", vec![2, 1, 0]),
        ("sort:oldest", vec![0, 1, 2]),
        ("verdict:fail", vec![1]),
        ("flag:ambient", vec![1]),
        ("freq:850MHz.. kind:measured", vec![2, 1, 0]),
        ("freq:2GHz..", vec![]),
        ("kind:none", vec![]),
        ("zip", vec![1]),
        ("lot:L-7 since:2026-02-01", vec![1]),
    ] {
        let found = bench
            .store
            .run_rows(&asked(text), &page(50))
            .await
            .expect(text);
        let seen: Vec<_> = found.rows.iter().map(|row| row.run.id).collect();
        let expected: Vec<_> = expected.iter().map(|n: &usize| runs[*n]).collect();
        assert_eq!(seen, expected, "{text}");
    }
    let found = bench
        .store
        .run_rows(&asked("verdict:fail"), &page(1))
        .await
        .expect("read");
    let row = &found.rows[0];
    let worst = row.worst.as_ref().expect("it is judged");
    assert_eq!(
        (row.points, worst.margin_db, worst.point.frequency_hz),
        (3, Some(-6.0), 900e6)
    );
}

#[tokio::test]
async fn a_withdrawn_run_is_left_out_until_asked_for() {
    let (bench, runs) = some_history().await;
    let store = &bench.store;
    store
        .withdraw(runs[1], "the lid was ajar", at(9000))
        .await
        .expect("withdrawn");
    let of = async |text: &str| {
        store
            .points(&asked(text), &page(50))
            .await
            .expect("read")
            .rows
            .len()
    };
    assert_eq!(
        (
            of("").await,
            of("withdrawn:yes").await,
            of("withdrawn:any").await
        ),
        (6, 3, 9)
    );
    assert_eq!(
        (of("verdict:fail").await, of("withdrawn:any ajar").await),
        (0, 3)
    );
    assert_eq!(
        store.runs(&RunFilter::default()).await.expect("read").len(),
        2
    );
    let record = store.run(runs[1]).await.expect("still there");
    assert_eq!(record.withdrawn_why.as_deref(), Some("the lid was ajar"));
    store.reinstate(runs[1]).await.expect("reinstated");
    assert_eq!(of("").await, 9);
    assert!(store.reinstate(runs[1]).await.is_err());
}

/// More names than a hint looks through.
#[tokio::test]
async fn a_name_far_down_the_list_is_known() {
    let bench = Bench::new().await;
    for n in 0..=1_000 {
        let run = NewRun {
            item: None,
            operator: Some(format!("operator {n:04}")),
            ..super::tests::new_run(&bench.store, None, n).await
        };
        bench.store.begin_run(&run).await.expect("begun");
    }
    let said = bench
        .store
        .unknown_names(&asked("operator:\"operator 1000\" verdict:fail"))
        .await
        .expect("read");
    assert_eq!(said, Vec::<String>::new());
}

#[tokio::test]
async fn each_run_of_a_page_has_its_own_deciding_point() {
    let (bench, runs) = some_history().await;
    let reference = super::tests::new_run(&bench.store, None, 9_000).await;
    let reference = bench.store.begin_run(&reference).await.expect("begun");
    let found = bench
        .store
        .run_rows(&Query::default(), &page(10))
        .await
        .expect("read");
    let said: Vec<_> = found
        .rows
        .iter()
        .map(|row| {
            let worst = row.worst.as_ref();
            (
                row.run.id,
                row.points,
                worst.map(|worst| worst.point.frequency_hz / 1e6),
            )
        })
        .collect();
    let mut due = vec![(reference, 0, None)];
    for run in runs.iter().rev() {
        let mut results = bench.store.results(*run).await.expect("read");
        results.sort_by(|a, b| a.margin_db.partial_cmp(&b.margin_db).expect("numbers"));
        due.push((*run, 3, Some(results[0].point.frequency_hz / 1e6)));
    }
    assert_eq!(said, due);
}

#[tokio::test]
async fn names_that_nobody_has_are_pointed_out() {
    let (bench, _) = some_history().await;
    let said = bench
        .store
        .unknown_names(&asked("model:\"Fel pouch\" lot:L-7"))
        .await
        .expect("read");
    assert_eq!(said.len(), 1);
    assert!(
        said[0].contains("there is no model `Fel pouch`; did you mean Fell pouch?"),
        "{said:?}"
    );
    let refused = bench
        .store
        .points(&asked("sort:worst"), &page(5))
        .await
        .expect_err("everything");
    assert!(
        refused
            .to_string()
            .contains("give an item, model, lot or run"),
        "{refused}"
    );
}

#[tokio::test]
async fn pages_follow_one_another_while_measuring_goes_on() {
    let (bench, _) = some_history().await;
    let store = &bench.store;
    let mut later = 9_000;
    for text in [
        "",
        "sort:oldest",
        "verdict:pass",
        "lot:L-7",
        "lot:L-7 sort:worst",
        "flag:near_floor",
        "kind:at_least",
    ] {
        let query = asked(text);
        let all = store.points(&query, &page(500)).await.expect("read").rows;
        let (mut seen, mut next, mut turns) = (Vec::new(), page(2), 0);
        loop {
            let found = store.points(&query, &next).await.expect("read");
            seen.extend(found.rows);
            // What begins later sorts before the first page of the newest, and is left out there.
            if text != "sort:oldest" && turns == 0 {
                later += 1;
                let run = bench.run_of("later", later).await;
                store
                    .put_results(run, &[result(1.0, ResultKind::Measured, Some(60.0), 1)])
                    .await
                    .expect("kept");
            }
            turns += 1;
            match found.next {
                // The text of a cursor is what travels.
                Some(cursor) => next.after = Some(cursor.to_string().parse().expect("a cursor")),
                None => break,
            }
        }
        let keys = |rows: &[HistoryRow]| {
            rows.iter()
                .map(|row| (row.run, row.point.clone()))
                .collect::<Vec<_>>()
        };
        let (seen, all) = (keys(&seen), keys(&all));
        // By margin, what is new may come behind the first page, too.
        let of_before: Vec<_> = seen
            .iter()
            .filter(|key| all.contains(key))
            .cloned()
            .collect();
        assert_eq!(of_before, all, "{text}");
        assert!(text.contains("worst") || seen == all, "{text}");
    }
    for text in ["", "flag:ambient", "verdict:pass"] {
        let query = asked(text);
        let all = store.run_rows(&query, &page(500)).await.expect("read").rows;
        let (mut seen, mut next) = (Vec::new(), page(1));
        loop {
            let found = store.run_rows(&query, &next).await.expect("read");
            seen.extend(found.rows);
            match found.next {
                Some(cursor) => next.after = Some(cursor),
                None => break,
            }
        }
        assert_eq!(seen, all, "{text}");
    }
    for nonsense in ["zz", "00", "é", "7b7d0"] {
        assert!(nonsense.parse::<Cursor>().is_err(), "{nonsense}");
    }
}

/// Reading or sorting every result to answer about a few would not last ten years.
#[tokio::test]
async fn no_question_of_the_history_reads_or_sorts_it_all() {
    let bench = Bench::new().await;
    for (text, used) in [
        ("", "run USING INDEX run_by_started"),
        ("item:A freq:100MHz..1GHz", "run USING INDEX run_by_item"),
        ("lot:L", "run USING INDEX run_by_lot"),
        ("model:M", "run USING INDEX run_by_model"),
        ("verdict:fail", "result_failed"),
        ("verdict:undecided", "result_undecided"),
        ("kind:none", "result_none"),
        (
            "flag:ambient since:2026-01 until:2026-02",
            "SEARCH f USING PRIMARY KEY (flag=? AND run>? AND run<?)",
        ),
        ("verdict:fail sort:worst", "result_worst"),
    ] {
        let after = Cursor::behind(RunId::at(at(0)), point_at(1.0), -1.0);
        for page in [
            page(50),
            PageOf {
                after: Some(after),
                ..page(50)
            },
        ] {
            let sql = history::points_sql(&asked(text), &[], &page)
                .sql()
                .as_str()
                .to_owned();
            let steps = plan(&bench, &sql).await;
            assert!(steps.contains(used), "{text}: {steps}");
            assert!(
                !steps.contains("USE TEMP B-TREE FOR ORDER BY"),
                "{text}: {steps}"
            );
            assert!(!steps.contains("SCAN r\n"), "{text}: {steps}");
        }
    }
    for (text, used) in [
        ("", "run USING INDEX run_by_started"),
        ("verdict:fail", "run USING INDEX run_failed"),
        ("flag:ambient", "SEARCH f USING PRIMARY KEY"),
    ] {
        let sql = history::runs_sql(&asked(text), &[], &page(50))
            .sql()
            .as_str()
            .to_owned();
        let steps = plan(&bench, &sql).await;
        assert!(steps.contains(used), "{text}: {steps}");
        assert!(!steps.contains("USE TEMP B-TREE"), "{text}: {steps}");
    }
}

#[tokio::test]
async fn exports_hold_what_was_asked_for_in_three_formats() {
    let (bench, _) = some_history().await;
    let path = |name: &str| bench.folder.path().join(name);
    let query = asked("lot:L-7");
    let store = &bench.store;
    assert_eq!(
        store
            .export_points(&query, &path("p.csv"), Format::Csv)
            .await
            .expect("written"),
        6
    );
    let mut csv = csv::Reader::from_path(path("p.csv")).expect("CSV");
    let header: Vec<String> = csv
        .headers()
        .expect("a header")
        .iter()
        .map(str::to_owned)
        .collect();
    for name in [
        "frequency_hz",
        "se_db",
        "u_db",
        "reference_dbm",
        "verdict",
        "flags",
    ] {
        assert!(header.iter().any(|column| column == name), "{name}");
    }
    let of = |row: &csv::StringRecord, name: &str| {
        let place = header
            .iter()
            .position(|column| column == name)
            .expect("a column");
        row[place].to_owned()
    };
    let rows: Vec<_> = csv.records().map(|row| row.expect("a row")).collect();
    let fails: Vec<_> = rows
        .iter()
        .filter(|row| of(row, "verdict") == "fail")
        .collect();
    assert_eq!(fails.len(), 1);
    assert_eq!(
        (of(fails[0], "se_db"), of(fails[0], "flags")),
        ("44".to_owned(), "ambient near_floor".to_owned())
    );

    assert_eq!(
        store
            .export_points(&query, &path("p.jsonl"), Format::JsonLines)
            .await
            .expect("written"),
        6
    );
    let text = std::fs::read_to_string(path("p.jsonl")).expect("readable");
    let lines: Vec<serde_json::Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    for (line, row) in lines.iter().zip(&rows) {
        assert_eq!(line["run"], of(row, "run").as_str());
        assert_eq!(
            line["frequency_hz"].as_f64(),
            of(row, "frequency_hz").parse().ok()
        );
        assert_eq!(
            line["margin_db"].as_f64(),
            of(row, "margin_db").parse().ok()
        );
    }

    assert_eq!(
        store
            .export_points(&query, &path("p.parquet"), Format::Parquet)
            .await
            .expect("written"),
        6
    );
    let file = std::fs::File::open(path("p.parquet")).expect("there");
    let read = parquet::file::serialized_reader::SerializedFileReader::new(file).expect("Parquet");
    let parquet_rows: Vec<serde_json::Value> =
        parquet::record::reader::RowIter::from_file_into(Box::new(read))
            .map(|row| {
                let row = row.expect("a row");
                let cells = row
                    .get_column_iter()
                    .map(|(name, cell)| (name.clone(), value_of(cell)));
                serde_json::Value::Object(cells.collect())
            })
            .collect();
    assert_eq!(parquet_rows.len(), 6);
    for (stored, line) in parquet_rows.iter().zip(&lines) {
        for name in &header {
            if name != "started" {
                assert_eq!(stored[name], line[name], "{name}");
            }
        }
    }
    let runs = store
        .export_runs(&Query::default(), &path("r.csv"), Format::Csv)
        .await
        .expect("written");
    let text = std::fs::read_to_string(path("r.csv")).expect("readable");
    assert_eq!((runs, text.lines().count()), (3, 4));
    assert!(
        text.lines()
            .next()
            .expect("a header")
            .contains("worst_margin_db")
    );
}

fn value_of(cell: &parquet::record::Field) -> serde_json::Value {
    use parquet::record::Field;
    match cell {
        Field::Null => serde_json::Value::Null,
        Field::Str(text) => text.as_str().into(),
        Field::Double(number) => (*number).into(),
        Field::Int(number) => (*number).into(),
        Field::Bool(yes) => (*yes).into(),
        Field::TimestampMillis(ms) => (*ms).into(),
        other => panic!("{other:?}"),
    }
}

fn word() -> impl Strategy<Value = String> {
    "[a-zA-Z0-9 \"',:;*._%-]{0,12}[a-z0-9]"
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// What is printed reads back to the same.
    #[test]
    fn a_query_comes_back_from_its_text(
        items in proptest::collection::vec(word(), 0..4),
        lots in proptest::collection::vec(word(), 0..3),
        words in proptest::collection::vec(word(), 0..4),
        from_hz in 1.0f64..1e10,
        factor in 1.0f64..10.0,
        since in 0i64..4_000_000_000,
        flags in proptest::sample::subsequence(crate::analysis::flag::FlagWord::ALL.to_vec(), 0..4),
        verdicts in proptest::sample::subsequence(vec![Verdict::Pass, Verdict::Fail, Verdict::Undecided], 0..3),
        oldest in any::<bool>(),
    ) {
        let query = Query {
            items,
            lots,
            words,
            frequency_hz: Some((from_hz, from_hz * factor)),
            since: Timestamp::from_second(since).ok(),
            flags,
            verdicts,
            sort: if oldest { Sort::Oldest } else { Sort::Newest },
            ..Query::default()
        };
        prop_assert_eq!(Query::parse(&query.to_string()).expect("reads back"), query);
    }

    /// Any text is a query or an error, never a panic; the column is in the text.
    #[test]
    fn any_text_is_a_query_or_an_error(text in ".{0,80}") {
        if let Err(error) = Query::parse(&text) {
            for fault in error.faults {
                prop_assert!(fault.column >= 1 && fault.column <= text.chars().count() + 1);
            }
        }
    }
}

#[tokio::test]
async fn a_result_described_anew_loses_its_old_flags() {
    let (bench, runs) = some_history().await;
    let mut one = result(900.0, ResultKind::Measured, Some(44.0), 1);
    one.flags = vec!["overload".to_owned()];
    bench
        .store
        .put_results(runs[1], &[one])
        .await
        .expect("kept");
    let of = async |text: &str| {
        bench
            .store
            .points(&asked(text), &page(5))
            .await
            .expect("read")
            .rows
            .len()
    };
    assert_eq!(
        (of("flag:ambient").await, of("flag:overload").await),
        (0, 1)
    );
}

#[test]
fn a_text_is_no_formula() {
    for (text, field) in [
        ("=1+1", "'=1+1"),
        ("@sum", "'@sum"),
        ("-7 dB pad", "'-7 dB pad"),
        ("P-0042", "P-0042"),
        ("", ""),
    ] {
        assert_eq!(csv_text(text), field);
    }
}
