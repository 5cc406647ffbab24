//! `muffle import`.

use std::path::PathBuf;

use clap::Args;
use jiff::Timestamp;

use super::{CliError, StoreArg, print, print_json};
use crate::config::{DateOrder, DecimalMark, READING_COLUMNS, ReadingFormat, read_bounded};
use crate::evaluate;
use crate::store::Store;

/// The longest file that is read, bytes.
const FILE_BYTES_MAX: u64 = 4 << 20;

/// Arguments of `import`.
#[derive(Debug, Args)]
#[command(after_help = help())]
pub(super) struct ImportArgs {
    /// The file of readings (.csv).
    file: PathBuf,
    #[command(flatten)]
    store: StoreArg,
    /// Which part of its dates comes first: ymd, dmy (03.05.2019) or mdy (05/03/2019).
    #[arg(long, value_name = "ORDER", default_value = "ymd")]
    dates: DateOrder,
    /// Decimal mark, point or comma; needed only where the numbers leave it open.
    #[arg(long, value_name = "MARK")]
    decimal: Option<DecimalMark>,
    /// Withdraw the runs that were imported from this very file.
    #[arg(long)]
    undo: bool,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// The header, from the one list that the reader of the file uses.
fn help() -> String {
    let mut text =
        "The first line names the columns, in any order; lines that begin with # are left out.\n\n"
            .to_owned();
    for (name, needed, what) in READING_COLUMNS {
        let needed = match needed {
            "" => String::new(),
            needed => format!("{needed}: "),
        };
        text.push_str(&format!("  {name:<16} {needed}{what}\n"));
    }
    text.push_str(
        "\n  item,date,frequency_mhz,reference_dbm,level_dbm,floor_dbm,limit_db\n  \
        P-0042,2019-05-03,400,-24.0,-76.5,-98,50\n  \
        P-0042,2019-05-03,1200,-25.0,in the noise,-98,50\n\n\
        Where nobody kept the levels:\n\n  \
        item;date;frequency_mhz;se_db;dynamic_range_db;u_db;limit_db\n  \
        P-0042;2019-05-03;400;52,5;74;3;50\n  \
        P-0042;2019-05-03;1200;>= 73;;3;50\n\n\
        Cells are separated by commas, semicolons or tabs, as the header shows. The decimal mark is a point where \
        commas separate the cells, else what the numbers of the file show; a number that may mean two things is \
        refused.\n\n\
        What one person read of one item at one time becomes one run, marked as imported. A level in the noise, \
        less than 3 dB above its floor, or without a floor becomes a lower bound, and so does an SE without a \
        dynamic range. Without u_db the uncertainty is that of a station that says nothing of itself, and the \
        budget says `default`. The same lines are never kept twice.",
    );
    text
}

pub(super) async fn run(args: ImportArgs) -> Result<u8, CliError> {
    let shown = args.file.display();
    let unreadable = |error| CliError::Input(format!("cannot read {shown}: {error}"));
    let text = String::from_utf8(read_bounded(&args.file, FILE_BYTES_MAX).map_err(unreadable)?)
        .map_err(|_| {
            CliError::Input(format!(
                "{shown} is not UTF-8 text; save it as CSV with the encoding UTF-8"
            ))
        })?;
    let text = ReadingFormat {
        dates: args.dates,
        decimal: args.decimal,
    }
    .said_before(&text);
    let name = args.file.file_name().map_or_else(
        || shown.to_string(),
        |name| name.to_string_lossy().into_owned(),
    );
    let store = Store::open(&args.store.store).await?;
    let done = match args.undo {
        true => undo(&store, &name, &text).await,
        false => import(&store, &name, &text, args.json).await,
    };
    store.close().await;
    done
}

async fn import(store: &Store, name: &str, text: &str, as_json: bool) -> Result<u8, CliError> {
    let imports = evaluate::import(store, name, text, Timestamp::now()).await?;
    if imports.runs.is_empty() {
        let withdrawn = match imports.withdrawn {
            0 => String::new(),
            withdrawn => format!(
                " ({withdrawn} of them withdrawn; `muffle history --reinstate RUN` lets one count again)"
            ),
        };
        return Err(CliError::Input(format!(
            "{name}: all of its {} runs are there already{withdrawn}; nothing was imported",
            imports.runs_there
        )));
    }
    if as_json {
        print_json(&imports)?;
        return Ok(0);
    }
    let there = match imports.runs_there {
        0 => String::new(),
        there => format!("; {there} runs were there already"),
    };
    let floorless = match imports.points_without_floor {
        0 => String::new(),
        points => format!(
            "\n{points} points have neither floor nor dynamic range, so they are lower bounds; with floor_dbm or \
            dynamic_range_db filled in they may be more (`muffle import --undo` the file first)"
        ),
    };
    print(&format!(
        "imported {} runs with {} points{there}{floorless}",
        imports.runs.len(),
        imports.points
    ))?;
    Ok(0)
}

async fn undo(store: &Store, name: &str, text: &str) -> Result<u8, CliError> {
    let withdrawn = store
        .withdraw_import(text, "import undone", Timestamp::now())
        .await?;
    match withdrawn {
        0 => Err(CliError::Input(format!(
            "{name}: no run that counts was imported from a file with this text; it may have been edited since, or \
            imported with other --dates or --decimal"
        ))),
        _ => {
            print(&format!("withdrew {withdrawn} runs"))?;
            Ok(0)
        }
    }
}
