//! `muffle history`.

use clap::Args;
use comfy_table::Cell;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::json;

use super::{CliError, StoreArg, print, print_json, table};
use crate::quantity::Frequency;
use crate::report::{PointDocument, RunDocument};
use crate::store::{
    HistoryFilter, HistoryRow, ResultKind, RunFilter, RunKind, RunRecord, RunState, Store, Verdict,
};

/// Arguments of `history`.
#[derive(Debug, Args)]
pub(super) struct HistoryArgs {
    #[command(flatten)]
    store: StoreArg,
    /// One line for each point instead of each run.
    #[arg(long)]
    points: bool,
    /// Only this item.
    #[arg(long, value_name = "SERIAL")]
    item: Option<String>,
    /// Only this model.
    #[arg(long)]
    model: Option<String>,
    /// Only this lot.
    #[arg(long)]
    lot: Option<String>,
    /// Only runs begun on this day or later (2026-01-31, or a full RFC 3339 time), UTC.
    #[arg(long, value_parser = time)]
    since: Option<Timestamp>,
    /// Only runs begun before this day or time, UTC.
    #[arg(long, value_parser = time)]
    until: Option<Timestamp>,
    /// Only runs (or with --points, points) with this verdict.
    #[arg(long)]
    verdict: Option<Verdict>,
    /// Only runs in this state: running, stopped, complete, failed.
    #[arg(long)]
    state: Option<RunState>,
    /// With --points: from this frequency on.
    #[arg(long, requires = "points", value_name = "FREQUENCY")]
    from: Option<Frequency>,
    /// With --points: up to this frequency.
    #[arg(long, requires = "points", value_name = "FREQUENCY")]
    to: Option<Frequency>,
    /// With --points: only this face.
    #[arg(long, requires = "points")]
    face: Option<String>,
    /// With --points: only what is measured, at_least or none.
    #[arg(long, requires = "points")]
    kind: Option<ResultKind>,
    /// At most so many lines.
    #[arg(long, default_value_t = 50)]
    limit: u32,
    /// Leave out so many lines first.
    #[arg(long, default_value_t = 0)]
    offset: u32,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

fn time(text: &str) -> Result<Timestamp, String> {
    if let Ok(time) = text.parse() {
        return Ok(time);
    }
    text.parse::<Date>()
        .and_then(|date| {
            TimeZone::UTC.to_timestamp(date.to_datetime(jiff::civil::Time::midnight()))
        })
        .map_err(|_| "write a day like 2026-01-31 or a time like 2026-01-31T09:00:00Z".to_owned())
}

pub(super) async fn run(args: HistoryArgs) -> Result<u8, CliError> {
    let store = Store::open_read_only(&args.store.store).await?;
    match args.points {
        true => points(&store, &args).await?,
        false => runs(&store, &args).await?,
    }
    Ok(0)
}

fn run_filter(args: &HistoryArgs) -> RunFilter {
    RunFilter {
        item: args.item.clone(),
        model: args.model.clone(),
        lot: args.lot.clone(),
        kind: None,
        state: args.state,
        verdict: args.verdict.filter(|_| !args.points),
        since: args.since,
        until: args.until,
        limit: Some(args.limit),
        after: None,
        offset: args.offset,
    }
}

async fn runs(store: &Store, args: &HistoryArgs) -> Result<(), CliError> {
    let records = store.runs(&run_filter(args)).await?;
    let mut documents = Vec::with_capacity(records.len());
    for record in &records {
        documents.push(match record.kind {
            RunKind::Item => Some(RunDocument::read(store, record).await?),
            RunKind::Reference => None,
        });
    }
    if args.json {
        let list: Vec<_> = records
            .iter()
            .zip(&documents)
            .map(|(record, document)| run_json(record, document.as_ref()))
            .collect();
        return print_json(&json!({ "runs": list }));
    }
    let mut rows = table::table(&["started", "run", "item", "model", "lot", "state", "result"]);
    for (record, document) in records.iter().zip(&documents) {
        rows.add_row(vec![
            Cell::new(record.started.strftime("%Y-%m-%d %H:%M:%SZ")),
            Cell::new(record.id.to_string()),
            Cell::new(
                record
                    .item
                    .as_deref()
                    .map_or("reference".to_owned(), table::shown),
            ),
            Cell::new(record.model.as_deref().map_or("–".to_owned(), table::shown)),
            Cell::new(record.lot.as_deref().map_or("–".to_owned(), table::shown)),
            Cell::new(record.state.to_string()),
            Cell::new(
                document
                    .as_ref()
                    .map_or(String::new(), RunDocument::sentence),
            ),
        ]);
    }
    print(&table::trim_lines(&rows.to_string()))?;
    more(records.len(), args)
}

fn run_json(record: &RunRecord, document: Option<&RunDocument>) -> serde_json::Value {
    let worst = document.and_then(RunDocument::worst);
    json!({
        "run": record.id, "kind": record.kind, "item": record.item, "model": record.model,
        "lot": record.lot, "started": record.started, "finished": record.finished,
        "state": record.state, "verdict": record.verdict, "worst": worst,
    })
}

async fn points(store: &Store, args: &HistoryArgs) -> Result<(), CliError> {
    let filter = HistoryFilter {
        runs: run_filter(args),
        from_hz: args.from.map(Frequency::hz),
        to_hz: args.to.map(Frequency::hz),
        face: args.face.clone(),
        polarisation: None,
        kind: args.kind,
        verdict: args.verdict,
    };
    let found = store.history(&filter).await?;
    if args.json {
        return print_json(&json!({ "points": found }));
    }
    let mut rows = table::table(&[
        "started",
        "item",
        "frequency",
        "face",
        "polarisation",
        "SE dB",
        "± dB",
        "limit dB",
        "verdict",
        "run",
    ]);
    for row in &found {
        rows.add_row(vec![
            Cell::new(row.started.strftime("%Y-%m-%d %H:%M:%SZ")),
            Cell::new(table::shown(&row.item)),
            table::right(Frequency::from_hz(row.point.frequency_hz).to_string()),
            Cell::new(table::shown(&row.point.face)),
            Cell::new(&row.point.polarisation),
            table::right(se_text(row)),
            table::number(row.u_db),
            table::number(row.limit_db),
            Cell::new(row.verdict.map_or("–", |verdict| verdict.as_str())),
            Cell::new(row.run.to_string()),
        ]);
    }
    print(&table::trim_lines(&rows.to_string()))?;
    more(found.len(), args)
}

fn se_text(row: &HistoryRow) -> String {
    PointDocument::se_words(row.kind, row.se_db)
}

fn more(shown: usize, args: &HistoryArgs) -> Result<(), CliError> {
    if shown == 0 {
        eprintln!("nothing fits; leave out a filter, or see all with `muffle history`");
    } else if shown == args.limit as usize {
        eprintln!("there may be more: --offset {}", args.offset + args.limit);
    }
    Ok(())
}
