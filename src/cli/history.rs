//! `muffle history`.

use std::path::PathBuf;

use clap::Args;
use comfy_table::Cell;
use jiff::Timestamp;
use serde_json::json;

use super::measure::find_run;
use super::{CliError, StoreArg, print, print_json, table};
use crate::quantity::Frequency;
use crate::report::{PointDocument, sentences};
use crate::store::{Cursor, Format, HistoryRow, Page, PageOf, Query, RunRow, Store};

const LANGUAGE: &str = "\
The query is words parted by blanks; put it in single quotes. `key:value` narrows, `key:a,b` takes either,
double quotes hold blanks, and what has no key is looked for in serials, models, lots, operators, notes and
constructions (`pou*`: what begins so). Every key is an option too.

  muffle history 'model:\"Fell pouch\" verdict:fail since:2026-01'
  muffle history --points 'lot:L-7 freq:100MHz..1GHz kind:at_least'
  muffle history --points --export lot.parquet 'lot:L-7'
  muffle history --withdraw 01M89G --why 'the lid was ajar'

Withdrawn runs stay in the database and are left out unless withdrawn:yes or withdrawn:any.";

/// Arguments of `history`.
#[derive(Debug, Args)]
#[command(after_help = LANGUAGE)]
pub(super) struct HistoryArgs {
    /// What to look for.
    query: Vec<String>,
    #[command(flatten)]
    store: StoreArg,
    /// One line for each point instead of each run.
    #[arg(long)]
    points: bool,
    #[command(flatten)]
    keys: Keys,
    /// At most so many lines.
    #[arg(long, default_value_t = 50)]
    limit: u32,
    /// Begin behind the page that ended so.
    #[arg(long, value_name = "END")]
    after: Option<Cursor>,
    /// Write all that fits to a file: .csv, .jsonl or .parquet.
    #[arg(long, short = 'o', value_name = "FILE", conflicts_with_all = ["after", "json"])]
    export: Option<PathBuf>,
    /// Say that a run is not to be counted; it stays, marked.
    #[arg(long, value_name = "RUN", requires = "why", conflicts_with_all = ["query", "export", "points", "reinstate"])]
    withdraw: Option<String>,
    /// With --withdraw: why.
    #[arg(long, value_name = "TEXT", requires = "withdraw")]
    why: Option<String>,
    /// Let a withdrawn run count again.
    #[arg(long, value_name = "RUN", conflicts_with_all = ["query", "export", "points"])]
    reinstate: Option<String>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// The keys of a query as options.
#[derive(Debug, Args)]
struct Keys {
    /// Only this item (or these, parted by commas; so with the others).
    #[arg(long, value_name = "SERIAL", value_delimiter = ',')]
    item: Vec<String>,
    /// Only this model.
    #[arg(long, value_delimiter = ',')]
    model: Vec<String>,
    /// Only this lot.
    #[arg(long, value_delimiter = ',')]
    lot: Vec<String>,
    /// Only what this person measured.
    #[arg(long, value_delimiter = ',')]
    operator: Vec<String>,
    /// Only runs of an item, or of a reference.
    #[arg(long, value_name = "item|reference")]
    of: Option<String>,
    /// Only runs begun in this year, month, day or at this time (UTC), or later.
    #[arg(long, value_name = "DATE")]
    since: Option<String>,
    /// Only runs begun before the end of this year, month, day or time (UTC).
    #[arg(long, value_name = "DATE")]
    until: Option<String>,
    /// Only at this frequency, or in this range: 100MHz..1GHz.
    #[arg(long, value_name = "RANGE")]
    freq: Option<String>,
    /// Only this face.
    #[arg(long, value_delimiter = ',')]
    face: Vec<String>,
    /// Only horizontal or vertical.
    #[arg(long, value_delimiter = ',')]
    polarisation: Vec<String>,
    /// Only runs (or with --points, points) that pass, fail or are undecided.
    #[arg(long, value_delimiter = ',')]
    verdict: Vec<String>,
    /// Only what is measured, at_least or none.
    #[arg(long, value_delimiter = ',')]
    kind: Vec<String>,
    /// Only points with this flag.
    #[arg(long, value_delimiter = ',')]
    flag: Vec<String>,
    /// Only runs in this state: running, stopped, complete, failed.
    #[arg(long, value_delimiter = ',')]
    state: Vec<String>,
    /// Withdrawn runs: no, yes or any.
    #[arg(long)]
    withdrawn: Option<String>,
    /// newest, oldest, or worst (with --points, by margin).
    #[arg(long)]
    sort: Option<String>,
}

impl Keys {
    /// The query's text and these together.
    fn added_to(&self, mut query: Query) -> Result<Query, CliError> {
        let lists = [
            ("item", &self.item),
            ("model", &self.model),
            ("lot", &self.lot),
            ("operator", &self.operator),
            ("face", &self.face),
            ("polarisation", &self.polarisation),
            ("verdict", &self.verdict),
            ("kind", &self.kind),
            ("flag", &self.flag),
            ("state", &self.state),
        ];
        let singles = [
            ("of", &self.of),
            ("since", &self.since),
            ("until", &self.until),
            ("freq", &self.freq),
            ("withdrawn", &self.withdrawn),
            ("sort", &self.sort),
        ];
        let lists = lists
            .into_iter()
            .flat_map(|(key, values)| values.iter().map(move |value| (key, value)));
        let singles = singles
            .into_iter()
            .filter_map(|(key, value)| Some((key, value.as_ref()?)));
        for (key, value) in lists.chain(singles) {
            let taken = query.set(key, value);
            taken.map_err(|reason| CliError::Input(format!("--{key} `{value}`: {reason}")))?;
        }
        Ok(query)
    }
}

pub(super) async fn run(args: HistoryArgs) -> Result<u8, CliError> {
    if args.withdraw.is_some() || args.reinstate.is_some() {
        return mark(&args).await;
    }
    let query = Query::parse(&args.query.join(" "))?;
    let query = args.keys.added_to(query)?;
    let store = Store::open_read_only(&args.store.store).await?;
    match (&args.export, args.points) {
        (Some(path), _) => export(&store, &args, &query, path).await?,
        (None, true) => points(&store, &args, &query).await?,
        (None, false) => runs(&store, &args, &query).await?,
    }
    Ok(0)
}

/// Withdraws a run, or lets it count again.
async fn mark(args: &HistoryArgs) -> Result<u8, CliError> {
    let store = Store::open(&args.store.store).await?;
    if let (Some(given), Some(why)) = (&args.withdraw, &args.why) {
        let run = find_run(&store, given).await?.id;
        store.withdraw(run, why, Timestamp::now()).await?;
        print(&format!("{run} is withdrawn: {why}"))?;
    }
    if let Some(given) = &args.reinstate {
        let run = find_run(&store, given).await?.id;
        store.reinstate(run).await?;
        print(&format!("{run} counts again"))?;
    }
    store.close().await;
    Ok(0)
}

async fn export(
    store: &Store,
    args: &HistoryArgs,
    query: &Query,
    path: &std::path::Path,
) -> Result<(), CliError> {
    let format: Format = path
        .extension()
        .and_then(|ending| ending.to_str())
        .unwrap_or("")
        .parse()?;
    let rows = match args.points {
        true => store.export_points(query, path, format).await?,
        false => store.export_runs(query, path, format).await?,
    };
    print(&format!("wrote {rows} rows to {}", path.display()))?;
    match rows {
        0 => nothing(store, query).await,
        _ => Ok(()),
    }
}

fn page_of(args: &HistoryArgs) -> PageOf {
    PageOf {
        rows_max: args.limit,
        after: args.after.clone(),
    }
}

async fn runs(store: &Store, args: &HistoryArgs, query: &Query) -> Result<(), CliError> {
    let found = store.run_rows(query, &page_of(args)).await?;
    if args.json {
        let list: Vec<_> = found.rows.iter().map(run_json).collect();
        let next = found.next.map(|next| next.to_string());
        return print_json(&json!({ "runs": list, "next": next }));
    }
    let mut rows = table::table(&["started", "run", "item", "model", "lot", "state", "result"]);
    let name = |name: &Option<String>, none: &str| {
        Cell::new(name.as_deref().map_or(none.to_owned(), table::shown))
    };
    let said = sentences(store, &found.rows).await?;
    for (row, said) in found.rows.iter().zip(said) {
        let run = &row.run;
        rows.add_row(vec![
            Cell::new(run.started.strftime("%Y-%m-%d %H:%M:%SZ")),
            Cell::new(run.id.to_string()),
            name(&run.item, "reference"),
            name(&run.model, "–"),
            name(&run.lot, "–"),
            Cell::new(match run.imported {
                true => "imported",
                false => run.state.as_str(),
            }),
            Cell::new(said.replace(char::is_control, "\u{fffd}")),
        ]);
    }
    print(&table::trim_lines(&rows.to_string()))?;
    more(store, query, &found).await
}

fn run_json(row: &RunRow) -> serde_json::Value {
    let run = &row.run;
    let worst = row.worst.as_ref().map(PointDocument::from);
    json!({
        "run": run.id, "kind": run.kind, "item": run.item, "model": run.model, "lot": run.lot,
        "operator": run.operator, "started": run.started, "finished": run.finished, "state": run.state,
        "imported": run.imported, "withdrawn": run.withdrawn, "withdrawn_why": run.withdrawn_why,
        "verdict": run.verdict, "points": row.points, "worst": worst,
    })
}

async fn points(store: &Store, args: &HistoryArgs, query: &Query) -> Result<(), CliError> {
    let found = store.points(query, &page_of(args)).await?;
    if args.json {
        let next = found.next.map(|next| next.to_string());
        return print_json(&json!({ "points": found.rows, "next": next }));
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
        "flags",
        "run",
    ]);
    for row in &found.rows {
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
            Cell::new(row.flags.join(" ")),
            Cell::new(row.run.to_string()),
        ]);
    }
    print(&table::trim_lines(&rows.to_string()))?;
    more(store, query, &found).await
}

fn se_text(row: &HistoryRow) -> String {
    PointDocument::se_words(row.kind, row.se_db)
}

async fn more<T>(store: &Store, query: &Query, found: &Page<T>) -> Result<(), CliError> {
    if found.rows.is_empty() {
        return nothing(store, query).await;
    }
    if let Some(next) = &found.next {
        eprintln!("there is more: --limit, or --after {next}");
    }
    Ok(())
}

async fn nothing(store: &Store, query: &Query) -> Result<(), CliError> {
    let hints = store.unknown_names(query).await?;
    for hint in &hints {
        eprintln!("{hint}");
    }
    if hints.is_empty() {
        eprintln!("nothing fits; leave out a part of the query, or see all with `muffle history`");
    }
    Ok(())
}
