//! The history: runs and points that fit a query, page by page.
//!
//! Newest first is by the run's id, which is a ULID and sorts by the start; a page begins behind the last row
//! of the one before, so that what is measured meanwhile neither shifts nor repeats a row. Where a question is
//! about what is rare (fails, flags), an index that holds only these leads, else the runs do.

use super::cursor::{self, NotACursor};
use super::query::{Query, Sort, Withdrawn, did_you_mean};
use super::result::{NEWEST, result};
use super::run::{SELECT_RUN, run};
use super::{
    HistoryRow, Point, ResultKind, ResultRecord, RunId, RunRecord, RunRow, Store, StoreError,
    Verdict, json, parsed, parsed_optional, point, stamp,
};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sqlx::sqlite::SqliteRow;
use sqlx::{QueryBuilder, Row, Sqlite};
use std::collections::HashMap;
use std::fmt;
use std::str::FromStr;
use ulid::Ulid;

/// The most rows of one page.
pub const PAGE_ROWS_MAX: u32 = 5_000;
/// Up to so many runs a word is rare: they are looked up first, instead of looking through all runs for it.
const RARE_RUNS: i64 = 2_000;
/// How many names a hint lists.
const NAMES_MAX: i64 = 1_000;
const NAMES_SHOWN: usize = 8;

const POINT_ORDER: &str = "r.frequency_hz, r.face, r.polarisation, r.repeat";

/// Where the next page begins: behind this row. Its text is for passing on, not for reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cursor {
    run: RunId,
    point: Option<Point>,
    margin_db: Option<f64>,
}

#[cfg(test)]
impl Cursor {
    pub(super) fn behind(run: RunId, point: Point, margin_db: f64) -> Self {
        Self {
            run,
            point: Some(point),
            margin_db: Some(margin_db),
        }
    }
}

impl fmt::Display for Cursor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&cursor::written(self)?)
    }
}

impl FromStr for Cursor {
    type Err = NotACursor;
    fn from_str(text: &str) -> Result<Self, NotACursor> {
        cursor::read(text)
    }
}

/// Which page of the answer.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PageOf {
    /// At most so many rows; no more than [`PAGE_ROWS_MAX`].
    pub rows_max: u32,
    /// Where the page before ended; the first page when absent.
    pub after: Option<Cursor>,
}

/// One page of an answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Page<T> {
    /// Its rows.
    pub rows: Vec<T>,
    /// Where the next one begins; absent when this is the last.
    pub next: Option<Cursor>,
}

/// What a question goes through first.
#[derive(Clone, Copy, PartialEq)]
enum Lead {
    /// The runs, by an index of theirs.
    Runs,
    /// An index of results that holds only these; the part of SQL after FROM, and the table whose key sorts.
    Results(&'static str, &'static str),
}

/// Words, looked up: the runs that have them, or the words that nearly all runs have.
pub(super) enum Worded {
    Rare(String),
    Common(String),
}

impl Store {
    /// Points of the history, by the query's order; only runs of items have any.
    pub async fn points(
        &self,
        query: &Query,
        page: &PageOf,
    ) -> Result<Page<HistoryRow>, StoreError> {
        self.check_question(query, true)?;
        let words = self.look_up(query).await?;
        let mut sql = points_sql(query, &words, page);
        let rows = sql.build().fetch_all(self.readers()).await;
        let rows =
            rows.and_then(|rows| rows.iter().map(history_row).collect::<Result<Vec<_>, _>>());
        let rows = rows.map_err(self.fault("read the history"))?;
        Ok(paged(rows, page, |row| Cursor {
            run: row.run,
            point: Some(row.point.clone()),
            margin_db: row.margin_db,
        }))
    }

    /// Runs of the history, each with the point that decides it. Conditions on points fit a run that has such
    /// a point; the verdict is the run's.
    pub async fn run_rows(&self, query: &Query, page: &PageOf) -> Result<Page<RunRow>, StoreError> {
        self.check_question(query, false)?;
        let words = self.look_up(query).await?;
        let mut sql = runs_sql(query, &words, page);
        let rows = sql.build().fetch_all(self.readers()).await;
        let runs = rows.and_then(|rows| rows.iter().map(run).collect::<Result<Vec<_>, _>>());
        let runs = runs.map_err(self.fault("read the history"))?;
        let found = paged(runs, page, |run| Cursor {
            run: run.id,
            point: None,
            margin_db: None,
        });
        let mut deciding = self.deciding(&found.rows).await?;
        let rows = found.rows.into_iter().map(|run| {
            let (points, worst) = deciding.remove(&run.id).unwrap_or_default();
            RunRow { run, points, worst }
        });
        Ok(Page {
            rows: rows.collect(),
            next: found.next,
        })
    }

    /// How many points each of these runs has, and the one that decides it; one question for the whole page.
    async fn deciding(
        &self,
        runs: &[RunRecord],
    ) -> Result<HashMap<RunId, (u32, Option<ResultRecord>)>, StoreError> {
        let ids: Vec<String> = runs.iter().map(|run| run.id.to_string()).collect();
        // Looking each up by its key takes a fifth of the time that ranking all points of the page takes.
        let mut sql = QueryBuilder::<Sqlite>::new(
            "SELECT (SELECT count(*) FROM result c WHERE c.run = asked.value AND c.superseded = 0) AS points, r.* FROM json_each(",
        );
        sql.push_bind(serde_json::Value::from(ids).to_string());
        sql.push(
            ") asked CROSS JOIN result r ON r.run = asked.value \
            AND (r.frequency_hz, r.face, r.polarisation, r.repeat, r.analysis) = \
            (SELECT d.frequency_hz, d.face, d.polarisation, d.repeat, d.analysis FROM result d \
            WHERE d.run = asked.value AND d.superseded = 0 ORDER BY d.margin_db NULLS LAST, d.se_db NULLS LAST, ",
        );
        sql.push(POINT_ORDER.replace("r.", "d.")).push(" LIMIT 1)");
        let rows = sql.build().fetch_all(self.readers()).await;
        let rows = rows.and_then(|rows| {
            let row = |row: &SqliteRow| {
                let worst = result(row)?;
                let worst = worst.se_db.is_some().then_some(worst);
                Ok((parsed(row, "run")?, (row.try_get("points")?, worst)))
            };
            rows.iter().map(row).collect::<Result<_, sqlx::Error>>()
        });
        rows.map_err(self.fault("read the results of the runs"))
    }

    /// For each item, model, lot or operator of the query that no run has: a sentence that says so and what
    /// there is. For when nothing was found.
    pub async fn unknown_names(&self, query: &Query) -> Result<Vec<String>, StoreError> {
        let kinds = [
            ("item", &query.items),
            ("model", &query.models),
            ("lot", &query.lots),
            ("operator", &query.operators),
        ];
        let mut sentences = Vec::new();
        for (column, asked) in kinds {
            for name in asked {
                if !self.has_name(column, name).await? {
                    let known = self.some_names(column).await?;
                    sentences.push(unknown_name(column, name, &known));
                }
            }
        }
        Ok(sentences)
    }

    /// Whether a run has this name in this column, a literal of ours.
    async fn has_name(&self, column: &'static str, name: &str) -> Result<bool, StoreError> {
        let mut sql = QueryBuilder::<Sqlite>::new("SELECT EXISTS (SELECT 1 FROM run WHERE ");
        sql.push(column).push(" = ").push_bind(name).push(")");
        let found = sql.build_query_scalar().fetch_one(self.readers()).await;
        found.map_err(self.fault("look for names"))
    }

    /// The first names there are, in their order.
    async fn some_names(&self, column: &'static str) -> Result<Vec<String>, StoreError> {
        let mut sql = QueryBuilder::<Sqlite>::new("SELECT DISTINCT ");
        sql.push(column).push(" FROM run WHERE ").push(column);
        sql.push(" IS NOT NULL ORDER BY 1 LIMIT ")
            .push_bind(NAMES_MAX);
        let names = sql.build_query_scalar().fetch_all(self.readers()).await;
        names.map_err(self.fault("look for names"))
    }

    fn check_question(&self, query: &Query, of_points: bool) -> Result<(), StoreError> {
        if query.sort != Sort::Worst {
            return Ok(());
        }
        let reason = match of_points {
            false => "sort:worst sorts points by their margin; ask for points",
            true if narrows_runs(query) || query.verdicts == [Verdict::Fail] => return Ok(()),
            true => {
                "sort:worst would sort every point there is; give an item, model, lot or run, or verdict:fail"
            }
        };
        Err(StoreError::BadQuery {
            reason: reason.to_owned(),
        })
    }

    /// Which runs have the words, while these are few.
    async fn look_up(&self, query: &Query) -> Result<Vec<Worded>, StoreError> {
        let mut words = Vec::new();
        for word in &query.words {
            let asked = as_phrase(word);
            let runs: Vec<String> = sqlx::query_scalar(
                "WITH hit AS (SELECT run, item FROM worded \
                    WHERE id IN (SELECT rowid FROM word WHERE word MATCH ?1 LIMIT ?2)) \
                SELECT run FROM hit WHERE run IS NOT NULL UNION ALL \
                SELECT run.id FROM hit JOIN run ON run.item = hit.item LIMIT ?2",
            )
            .bind(&asked)
            .bind(RARE_RUNS)
            .fetch_all(self.readers())
            .await
            .map_err(self.fault("look for words"))?;
            let is_rare = runs.len() < usize::try_from(RARE_RUNS).unwrap_or(usize::MAX);
            words.push(match is_rare {
                true => Worded::Rare(serde_json::Value::from(runs).to_string()),
                false => Worded::Common(asked),
            });
        }
        Ok(words)
    }
}

fn unknown_name(what: &str, name: &str, known: &[String]) -> String {
    let known: Vec<&str> = known.iter().map(String::as_str).collect();
    let hint = did_you_mean(name, &known);
    let there = match known.as_slice() {
        [] => "none".to_owned(),
        few if few.len() <= NAMES_SHOWN => few.join(", "),
        many => format!("{}, …", many[..NAMES_SHOWN].join(", ")),
    };
    format!("there is no {what} `{name}`{hint}; there are: {there}")
}

/// As FTS5 takes a phrase; a `*` at the end asks for the beginning of a word.
fn as_phrase(word: &str) -> String {
    let (word, star) = match word.strip_suffix('*') {
        Some(beginning) => (beginning, "*"),
        None => (word, ""),
    };
    format!("\"{}\"{star}", word.replace('"', "\"\""))
}

fn narrows_runs(query: &Query) -> bool {
    let lists = [&query.items, &query.models, &query.lots, &query.runs];
    lists.iter().any(|list| !list.is_empty())
}

fn lead(query: &Query, words: &[Worded], of_points: bool) -> Lead {
    let has_rare_word = words.iter().any(|word| matches!(word, Worded::Rare(_)));
    if narrows_runs(query) || has_rare_word {
        return Lead::Runs;
    }
    if of_points && query.sort == Sort::Worst {
        return Lead::Results(
            "result r INDEXED BY result_worst CROSS JOIN run ON run.id = r.run",
            "r",
        );
    }
    if let [_] = query.flags.as_slice() {
        let from = "flagged f CROSS JOIN result r ON r.run = f.run AND r.frequency_hz = f.frequency_hz \
            AND r.face = f.face AND r.polarisation = f.polarisation AND r.repeat = f.repeat \
            AND r.analysis = f.analysis CROSS JOIN run ON run.id = r.run";
        return Lead::Results(from, "f");
    }
    match query.verdicts.as_slice() {
        [Verdict::Fail] if of_points => {
            let from = "result r INDEXED BY result_failed CROSS JOIN run ON run.id = r.run";
            return Lead::Results(from, "r");
        }
        [Verdict::Undecided] if of_points => {
            let from = "result r INDEXED BY result_undecided CROSS JOIN run ON run.id = r.run";
            return Lead::Results(from, "r");
        }
        _ => {}
    }
    match query.kinds.as_slice() {
        [ResultKind::None] => Lead::Results(
            "result r INDEXED BY result_none CROSS JOIN run ON run.id = r.run",
            "r",
        ),
        _ => Lead::Runs,
    }
}

/// The id that sorts before every run begun at that moment or later.
fn first_id(at: Timestamp) -> String {
    let ms = u64::try_from(at.as_millisecond()).unwrap_or(0);
    Ulid::from_parts(ms, 0).to_string()
}

pub(super) fn points_sql(query: &Query, words: &[Worded], page: &PageOf) -> QueryBuilder<Sqlite> {
    let lead = lead(query, words, true);
    let mut sql = QueryBuilder::<Sqlite>::new(
        "SELECT r.run, run.started, run.item, run.model, run.lot, run.operator, run.imported, \
        r.frequency_hz, r.face, r.polarisation, r.repeat, r.kind, r.se_db, r.u_db, r.k, r.limit_db, \
        r.margin_db, r.conformity, r.verdict, r.reference_dbm, r.level_dbm, r.floor_dbm, r.flags FROM ",
    );
    sql.push(match lead {
        Lead::Runs => "run CROSS JOIN result r ON r.run = run.id",
        Lead::Results(from, _) => from,
    });
    sql.push(" WHERE run.kind = 'item' AND ").push(NEWEST);
    push_runs(&mut sql, query, words);
    push_verdicts(&mut sql, "r.verdict", &query.verdicts);
    push_points(&mut sql, query, lead);
    push_order(&mut sql, query, lead, page);
    sql
}

fn push_order(sql: &mut QueryBuilder<Sqlite>, query: &Query, lead: Lead, page: &PageOf) {
    if query.sort == Sort::Worst {
        sql.push(" AND r.margin_db IS NOT NULL");
        if let Some(Cursor {
            run,
            point: Some(point),
            margin_db,
        }) = &page.after
        {
            sql.push(
                " AND (r.margin_db, r.run, r.frequency_hz, r.face, r.polarisation, r.repeat) > (",
            );
            sql.push_bind(*margin_db)
                .push(", ")
                .push_bind(run.to_string());
            push_point(sql.push(", "), point);
            sql.push(")");
        }
        sql.push(" ORDER BY r.margin_db, r.run, ").push(POINT_ORDER);
    } else {
        let (direction, behind) = match query.sort {
            Sort::Oldest => ("", ">"),
            _ => (" DESC", "<"),
        };
        let table = key_table(lead);
        if let Some(after) = &page.after {
            push_behind(sql, lead, after, behind);
        }
        match lead {
            Lead::Runs => sql.push(format_args!(
                " ORDER BY run.started{direction}, run.id{direction}, "
            )),
            Lead::Results(..) => sql.push(format_args!(" ORDER BY {table}.run{direction}, ")),
        };
        sql.push(POINT_ORDER.replace("r.", &format!("{table}.")));
    }
    push_limit(sql, page);
}

fn key_table(lead: Lead) -> &'static str {
    match lead {
        Lead::Runs => "r",
        Lead::Results(_, table) => table,
    }
}

/// Only rows behind the last one of the page before.
fn push_behind(sql: &mut QueryBuilder<Sqlite>, lead: Lead, after: &Cursor, behind: &str) {
    let table = key_table(lead);
    let run = after.run.to_string();
    let same_run = |sql: &mut QueryBuilder<Sqlite>| {
        if let Some(point) = &after.point {
            sql.push(format_args!(
                " OR ({table}.frequency_hz, {table}.face, {table}.polarisation, {table}.repeat) > ("
            ));
            push_point(sql, point);
            sql.push(")");
        }
    };
    match lead {
        Lead::Runs => {
            let started = "(SELECT started FROM run WHERE id = ";
            sql.push(format_args!(
                " AND (run.started, run.id) {behind}= ({started}"
            ));
            sql.push_bind(run.clone())
                .push("), ")
                .push_bind(run.clone());
            sql.push(format_args!(") AND (run.id <> "));
            sql.push_bind(run);
        }
        Lead::Results(..) => {
            sql.push(format_args!(" AND {table}.run {behind}= "))
                .push_bind(run.clone());
            sql.push(format_args!(" AND ({table}.run <> "))
                .push_bind(run);
        }
    }
    same_run(sql);
    sql.push(")");
}

fn push_point(sql: &mut QueryBuilder<Sqlite>, point: &Point) {
    sql.push_bind(point.frequency_hz)
        .push(", ")
        .push_bind(point.face.clone());
    sql.push(", ")
        .push_bind(point.polarisation.clone())
        .push(", ")
        .push_bind(point.repeat);
}

fn push_limit(sql: &mut QueryBuilder<Sqlite>, page: &PageOf) {
    // One more tells whether there is another page.
    let rows_max = i64::from(page.rows_max.min(PAGE_ROWS_MAX)) + 1;
    sql.push(" LIMIT ").push_bind(rows_max);
}

pub(super) fn runs_sql(query: &Query, words: &[Worded], page: &PageOf) -> QueryBuilder<Sqlite> {
    let asks_points = query.names_points();
    let lead = match asks_points {
        true => lead(query, words, false),
        false => Lead::Runs,
    };
    let mut sql = QueryBuilder::<Sqlite>::new(SELECT_RUN);
    match lead {
        Lead::Runs => {
            sql.push(" FROM run WHERE true");
            if asks_points {
                sql.push(" AND EXISTS (SELECT 1 FROM result r WHERE r.run = run.id AND ");
                sql.push(NEWEST);
                push_points(&mut sql, query, lead);
                sql.push(")");
            }
        }
        Lead::Results(from, _) => {
            sql.push(" FROM ").push(from).push(" WHERE ").push(NEWEST);
            push_points(&mut sql, query, lead);
        }
    }
    push_runs(&mut sql, query, words);
    push_verdicts(&mut sql, "run.verdict", &query.verdicts);
    let (direction, behind) = match query.sort {
        Sort::Oldest => ("", ">"),
        _ => (" DESC", "<"),
    };
    if let Some(after) = &page.after {
        let of_run = Cursor {
            point: None,
            ..after.clone()
        };
        push_behind(&mut sql, lead, &of_run, behind);
    }
    match lead {
        Lead::Runs => sql.push(format_args!(
            " ORDER BY run.started{direction}, run.id{direction}"
        )),
        Lead::Results(_, table) => sql.push(format_args!(
            " GROUP BY {table}.run ORDER BY {table}.run{direction}"
        )),
    };
    push_limit(&mut sql, page);
    sql
}

/// Conditions on the run.
fn push_runs(sql: &mut QueryBuilder<Sqlite>, query: &Query, words: &[Worded]) {
    push_list(sql, "run.item", &query.items);
    push_list(sql, "run.model", &query.models);
    push_list(sql, "run.lot", &query.lots);
    push_list(sql, "run.operator", &query.operators);
    push_words(
        sql,
        "run.state",
        query.states.iter().map(|state| state.as_str()),
    );
    push_words(sql, "run.kind", query.of.iter().map(|kind| kind.as_str()));
    if !query.runs.is_empty() {
        sql.push(" AND (false");
        for beginning in &query.runs {
            sql.push(" OR (run.id >= ").push_bind(beginning.clone());
            // `~` sorts behind every letter and digit.
            sql.push(" AND run.id < ")
                .push_bind(format!("{beginning}~"))
                .push(")");
        }
        sql.push(")");
    }
    for (bound, condition) in [(query.since, " >= "), (query.until, " < ")] {
        if let Some(at) = bound {
            sql.push(" AND run.started")
                .push(condition)
                .push_bind(stamp(at));
        }
    }
    sql.push(match query.withdrawn {
        Withdrawn::No => " AND run.withdrawn IS NULL",
        Withdrawn::Yes => " AND run.withdrawn IS NOT NULL",
        Withdrawn::Any => "",
    });
    for word in words {
        match word {
            Worded::Rare(runs) => {
                sql.push(" AND run.id IN (SELECT value FROM json_each(");
                sql.push_bind(runs.clone()).push("))");
            }
            Worded::Common(phrase) => {
                sql.push(" AND (EXISTS (SELECT 1 FROM word WHERE word MATCH ");
                sql.push_bind(phrase.clone());
                sql.push(" AND rowid = (SELECT id FROM worded WHERE worded.run = run.id)) OR EXISTS (SELECT 1 FROM word WHERE word MATCH ");
                sql.push_bind(phrase.clone());
                sql.push(" AND rowid = (SELECT id FROM worded WHERE worded.item = run.item)))");
            }
        }
    }
}

/// Conditions on the point. Where results lead, the dates bound their keys too: ids sort by the start.
fn push_points(sql: &mut QueryBuilder<Sqlite>, query: &Query, lead: Lead) {
    let table = key_table(lead);
    if let Lead::Results(..) = lead {
        for (bound, condition) in [(query.since, ">="), (query.until, "<")] {
            if let Some(at) = bound {
                sql.push(format_args!(" AND {table}.run {condition} "))
                    .push_bind(first_id(at));
            }
        }
    }
    if let Some((from_hz, to_hz)) = query.frequency_hz {
        sql.push(format_args!(" AND {table}.frequency_hz >= "))
            .push_bind(from_hz);
        if to_hz.is_finite() {
            sql.push(format_args!(" AND {table}.frequency_hz <= "))
                .push_bind(to_hz);
        }
    }
    push_list(sql, &format!("{table}.face"), &query.faces);
    push_list(sql, &format!("{table}.polarisation"), &query.polarisations);
    push_words(sql, "r.kind", query.kinds.iter().map(|kind| kind.as_str()));
    match (table, query.flags.as_slice()) {
        ("f", [flag]) => {
            sql.push(" AND f.flag = ").push_bind(flag.as_str());
        }
        (_, []) => {}
        (_, flags) => {
            sql.push(" AND (false");
            for flag in flags {
                // As the list is kept: `["ambient","near_floor"]`.
                sql.push(" OR instr(r.flags, ")
                    .push_bind(format!("\"{}\"", flag.as_str()))
                    .push(")");
            }
            sql.push(")");
        }
    }
}

fn push_list(sql: &mut QueryBuilder<Sqlite>, column: &str, values: &[String]) {
    if let [value] = values {
        sql.push(format_args!(" AND {column} = "))
            .push_bind(value.clone());
    } else if !values.is_empty() {
        sql.push(format_args!(" AND {column} IN ("));
        let mut list = sql.separated(", ");
        for value in values {
            list.push_bind(value.clone());
        }
        sql.push(")");
    }
}

/// Words of ours, literally: a partial index is used only for what SQLite sees to be in it.
fn push_words(
    sql: &mut QueryBuilder<Sqlite>,
    column: &str,
    words: impl Iterator<Item = &'static str>,
) {
    let list: Vec<String> = words.map(|word| format!("'{word}'")).collect();
    match list.as_slice() {
        [] => {}
        [word] => {
            sql.push(format_args!(" AND {column} = {word}"));
        }
        _ => {
            sql.push(format_args!(" AND {column} IN ({})", list.join(", ")));
        }
    }
}

fn push_verdicts(sql: &mut QueryBuilder<Sqlite>, column: &str, verdicts: &[Verdict]) {
    push_words(sql, column, verdicts.iter().map(|verdict| verdict.as_str()));
}

/// Takes off the row that only tells of another page.
fn paged<T>(mut rows: Vec<T>, page: &PageOf, cursor: impl Fn(&T) -> Cursor) -> Page<T> {
    let rows_max = page.rows_max.min(PAGE_ROWS_MAX) as usize;
    let more = rows.len() > rows_max;
    rows.truncate(rows_max);
    let next = rows.last().filter(|_| more).map(cursor);
    Page { rows, next }
}

fn history_row(row: &SqliteRow) -> Result<HistoryRow, sqlx::Error> {
    Ok(HistoryRow {
        run: parsed(row, "run")?,
        started: parsed(row, "started")?,
        item: row.try_get("item")?,
        model: row.try_get("model")?,
        lot: row.try_get("lot")?,
        operator: row.try_get("operator")?,
        imported: row.try_get("imported")?,
        point: point(row)?,
        kind: parsed(row, "kind")?,
        se_db: row.try_get("se_db")?,
        u_db: row.try_get("u_db")?,
        k: row.try_get("k")?,
        limit_db: row.try_get("limit_db")?,
        margin_db: row.try_get("margin_db")?,
        conformity: row.try_get("conformity")?,
        verdict: parsed_optional(row, "verdict")?,
        reference_dbm: row.try_get("reference_dbm")?,
        level_dbm: row.try_get("level_dbm")?,
        floor_dbm: row.try_get("floor_dbm")?,
        flags: json(row, "flags")?,
    })
}
