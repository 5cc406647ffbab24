//! Exports: what fits a query as CSV, as JSON lines or as Parquet.
//!
//! The three have the same columns, whose names end in their units. Rows are read page by page and written as
//! they come, so that an export of everything needs no more memory than one of a day: what is measured
//! meanwhile is left out, and nothing is written twice.

use super::history::{Page, PageOf};
use super::{HistoryRow, PAGE_ROWS_MAX, Query, RunRow, Store, StoreError, stamp};
use jiff::Timestamp;
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::str::FromStr;
use std::sync::Arc;

/// Rows that are held before they are written together, as Parquet wants them.
const ROWS_TOGETHER: usize = 50_000;

/// In which format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values (RFC 4180), with a header.
    Csv,
    /// One JSON object to a line.
    JsonLines,
    /// Apache Parquet.
    Parquet,
}

/// An ending that says no format.
#[derive(Debug, thiserror::Error)]
#[error("`{0}` says no format; end the file's name in .csv, .jsonl or .parquet")]
pub struct UnknownFormat(String);

/// From a file's ending.
impl FromStr for Format {
    type Err = UnknownFormat;
    fn from_str(text: &str) -> Result<Self, UnknownFormat> {
        match text {
            "csv" => Ok(Self::Csv),
            "jsonl" => Ok(Self::JsonLines),
            "parquet" => Ok(Self::Parquet),
            other => Err(UnknownFormat(other.to_owned())),
        }
    }
}

/// One value of a row.
enum Cell {
    Text(Option<String>),
    Number(Option<f64>),
    Whole(u32),
    Yes(bool),
    Time(Option<Timestamp>),
}

/// A column: its name, which ends in its unit, its type in Parquet, and what of a row stands in it.
struct Column<R> {
    name: &'static str,
    kind: &'static str,
    cell: fn(&R) -> Cell,
}

const TEXT: &str = "BINARY {} (STRING)";
const NUMBER: &str = "DOUBLE {}";
const WHOLE: &str = "INT32 {}";
const YES: &str = "BOOLEAN {}";
const TIME: &str = "INT64 {} (TIMESTAMP(MILLIS,true))";

/// Writes down a table of columns.
macro_rules! columns {
    ($row:ident, [$($name:literal $kind:ident $variant:ident $value:expr;)*]) => {
        vec![$(Column { name: $name, kind: $kind, cell: |$row| Cell::$variant($value) }),*]
    };
}

fn point_columns() -> Vec<Column<HistoryRow>> {
    columns!(row, [
        "run" TEXT Text Some(row.run.to_string());
        "started" TIME Time Some(row.started);
        "item" TEXT Text Some(row.item.clone());
        "model" TEXT Text row.model.clone();
        "lot" TEXT Text row.lot.clone();
        "operator" TEXT Text row.operator.clone();
        "imported" YES Yes row.imported;
        "frequency_hz" NUMBER Number Some(row.point.frequency_hz);
        "face" TEXT Text Some(row.point.face.clone());
        "polarisation" TEXT Text Some(row.point.polarisation.clone());
        "repeat" WHOLE Whole row.point.repeat;
        "kind" TEXT Text Some(row.kind.as_str().to_owned());
        "se_db" NUMBER Number row.se_db;
        "u_db" NUMBER Number row.u_db;
        "k" NUMBER Number row.k;
        "limit_db" NUMBER Number row.limit_db;
        "margin_db" NUMBER Number row.margin_db;
        "conformity" NUMBER Number row.conformity;
        "verdict" TEXT Text row.verdict.map(|verdict| verdict.as_str().to_owned());
        "reference_dbm" NUMBER Number row.reference_dbm;
        "level_dbm" NUMBER Number row.level_dbm;
        "floor_dbm" NUMBER Number row.floor_dbm;
        "flags" TEXT Text Some(row.flags.join(" "));
    ])
}

fn run_columns() -> Vec<Column<RunRow>> {
    columns!(row, [
        "run" TEXT Text Some(row.run.id.to_string());
        "kind" TEXT Text Some(row.run.kind.as_str().to_owned());
        "started" TIME Time Some(row.run.started);
        "finished" TIME Time row.run.finished;
        "item" TEXT Text row.run.item.clone();
        "model" TEXT Text row.run.model.clone();
        "lot" TEXT Text row.run.lot.clone();
        "operator" TEXT Text row.run.operator.clone();
        "state" TEXT Text Some(row.run.state.as_str().to_owned());
        "imported" YES Yes row.run.imported;
        "withdrawn" TIME Time row.run.withdrawn;
        "withdrawn_why" TEXT Text row.run.withdrawn_why.clone();
        "verdict" TEXT Text row.run.verdict.map(|verdict| verdict.as_str().to_owned());
        "points" WHOLE Whole row.points;
        "worst_frequency_hz" NUMBER Number row.worst.as_ref().map(|worst| worst.point.frequency_hz);
        "worst_kind" TEXT Text row.worst.as_ref().map(|worst| worst.kind.as_str().to_owned());
        "worst_se_db" NUMBER Number row.worst.as_ref().and_then(|worst| worst.se_db);
        "worst_margin_db" NUMBER Number row.worst.as_ref().and_then(|worst| worst.margin_db);
        "reference_run" TEXT Text row.run.reference_run.map(|run| run.to_string());
        "note" TEXT Text row.run.note.clone();
    ])
}

impl Store {
    /// Writes every point that fits to a file, replacing it when all is written; answers with how many.
    pub async fn export_points(
        &self,
        query: &Query,
        path: &Path,
        format: Format,
    ) -> Result<u64, StoreError> {
        let read = async |page: &PageOf| self.points(query, page).await;
        export_file(path, format, point_columns(), read).await
    }

    /// Writes every run that fits to a file, replacing it when all is written; answers with how many.
    pub async fn export_runs(
        &self,
        query: &Query,
        path: &Path,
        format: Format,
    ) -> Result<u64, StoreError> {
        let read = async |page: &PageOf| self.run_rows(query, page).await;
        export_file(path, format, run_columns(), read).await
    }
}

async fn export_file<R: Send + Sync>(
    path: &Path,
    format: Format,
    columns: Vec<Column<R>>,
    read: impl AsyncFn(&PageOf) -> Result<Page<R>, StoreError>,
) -> Result<u64, StoreError> {
    let fault = |error: io::Error| StoreError::File {
        path: path.to_owned(),
        problem: format!("cannot be written ({error})"),
    };
    let part = super::open::beside(path, ".part");
    let file = BufWriter::new(File::create(&part).map_err(fault)?);
    let mut writer = Writer::begin(format, columns, file).map_err(fault)?;
    let mut page = PageOf {
        rows_max: PAGE_ROWS_MAX,
        after: None,
    };
    let mut written = 0;
    loop {
        let found = read(&page).await?;
        written += found.rows.len() as u64;
        writer.add(found.rows).map_err(fault)?;
        match found.next {
            None => break,
            next => page.after = next,
        }
    }
    let mut file = writer.end().map_err(fault)?;
    file.flush().map_err(fault)?;
    std::fs::rename(&part, path).map_err(fault)?;
    Ok(written)
}

/// A file that is being written.
enum Writer<R, W: Write + Send> {
    Csv(Vec<Column<R>>, Box<csv::Writer<W>>),
    JsonLines(Vec<Column<R>>, W),
    Parquet(Vec<Column<R>>, Box<SerializedFileWriter<W>>, Vec<R>),
}

fn csv_fault(error: csv::Error) -> io::Error {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => error,
        other => io::Error::other(format!("{other:?}")),
    }
}

fn parquet_fault(error: ParquetError) -> io::Error {
    match error {
        ParquetError::External(error) => match error.downcast::<io::Error>() {
            Ok(error) => *error,
            Err(error) => io::Error::other(error),
        },
        other => io::Error::other(other),
    }
}

impl<R, W: Write + Send> Writer<R, W> {
    fn begin(format: Format, columns: Vec<Column<R>>, to: W) -> io::Result<Self> {
        match format {
            Format::Csv => {
                let mut writer = csv::Writer::from_writer(to);
                let header = columns.iter().map(|column| column.name);
                writer.write_record(header).map_err(csv_fault)?;
                Ok(Self::Csv(columns, Box::new(writer)))
            }
            Format::JsonLines => Ok(Self::JsonLines(columns, to)),
            Format::Parquet => {
                let mut schema = "message history {".to_owned();
                for column in &columns {
                    let field = column.kind.replace("{}", column.name);
                    let _ = write!(schema, " OPTIONAL {field};");
                }
                schema.push_str(" }");
                let schema = parse_message_type(&schema).map_err(parquet_fault)?;
                let properties = WriterProperties::builder()
                    .set_compression(parquet::basic::Compression::SNAPPY)
                    .set_created_by(format!("muffle {}", env!("CARGO_PKG_VERSION")));
                let properties = Arc::new(properties.build());
                let writer = SerializedFileWriter::new(to, Arc::new(schema), properties);
                let writer = Box::new(writer.map_err(parquet_fault)?);
                Ok(Self::Parquet(columns, writer, Vec::new()))
            }
        }
    }

    fn add(&mut self, rows: Vec<R>) -> io::Result<()> {
        match self {
            Self::Csv(columns, writer) => rows.iter().try_for_each(|row| {
                let record = columns.iter().map(|column| plain((column.cell)(row)));
                writer.write_record(record).map_err(csv_fault)
            }),
            Self::JsonLines(columns, to) => rows.iter().try_for_each(|row| {
                let line = columns.iter().map(|column| {
                    let value = json_value((column.cell)(row));
                    format!("\"{}\":{value}", column.name)
                });
                writeln!(to, "{{{}}}", line.collect::<Vec<_>>().join(","))
            }),
            Self::Parquet(columns, writer, held) => {
                held.extend(rows);
                match held.len() >= ROWS_TOGETHER {
                    true => write_group(columns, writer, &std::mem::take(held)),
                    false => Ok(()),
                }
            }
        }
    }

    fn end(self) -> io::Result<W> {
        match self {
            Self::Csv(_, writer) => (*writer).into_inner().map_err(|error| error.into_error()),
            Self::JsonLines(_, to) => Ok(to),
            Self::Parquet(columns, mut writer, held) => {
                if !held.is_empty() {
                    write_group(&columns, &mut writer, &held)?;
                }
                writer.into_inner().map_err(parquet_fault)
            }
        }
    }
}

/// A text as a field of a CSV that no spreadsheet takes for a formula: one that begins like one gets an apostrophe
/// before it, which spreadsheets take for "this is text". Numbers need none and get none.
pub fn csv_text(text: &str) -> String {
    let begins_a_formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    match begins_a_formula {
        true => format!("'{text}"),
        false => text.to_owned(),
    }
}

fn plain(cell: Cell) -> String {
    match cell {
        Cell::Text(text) => text.as_deref().map_or(String::new(), csv_text),
        Cell::Number(number) => number.map_or(String::new(), plain_number),
        Cell::Whole(number) => number.to_string(),
        Cell::Yes(yes) => yes.to_string(),
        Cell::Time(time) => time.map_or(String::new(), stamp),
    }
}

/// The shortest that reads back the same; what is close to nothing not with all its zeros.
fn plain_number(number: f64) -> String {
    match number != 0.0 && number.abs() < 1e-5 {
        true => format!("{number:e}"),
        false => number.to_string(),
    }
}

fn json_value(cell: Cell) -> serde_json::Value {
    match cell {
        Cell::Text(text) => text.into(),
        Cell::Number(number) => number.into(),
        Cell::Whole(number) => number.into(),
        Cell::Yes(yes) => yes.into(),
        Cell::Time(time) => time.map(stamp).into(),
    }
}

/// The rows, column by column.
fn write_group<R, W: Write + Send>(
    columns: &[Column<R>],
    writer: &mut SerializedFileWriter<W>,
    rows: &[R],
) -> io::Result<()> {
    let mut group = writer.next_row_group().map_err(parquet_fault)?;
    for column in columns {
        let Some(mut to) = group.next_column().map_err(parquet_fault)? else {
            return Err(io::Error::other("fewer columns than the schema has"));
        };
        let cells = rows.iter().map(|row| (column.cell)(row));
        write_column(to.untyped(), cells).map_err(parquet_fault)?;
        to.close().map_err(parquet_fault)?;
    }
    group.close().map(drop).map_err(parquet_fault)
}

fn write_column(
    to: &mut ColumnWriter<'_>,
    cells: impl Iterator<Item = Cell>,
) -> Result<(), ParquetError> {
    // Present: 1, absent: 0 (Parquet's definition levels of an optional column).
    let mut levels: Vec<i16> = Vec::new();
    let mut present = |is_present: bool| levels.push(i16::from(is_present));
    match to {
        ColumnWriter::ByteArrayColumnWriter(to) => {
            let values: Vec<ByteArray> = cells
                .filter_map(|cell| {
                    let Cell::Text(text) = cell else { return None };
                    present(text.is_some());
                    text.map(|text| ByteArray::from(text.into_bytes()))
                })
                .collect();
            to.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::DoubleColumnWriter(to) => {
            let values: Vec<f64> = cells
                .filter_map(|cell| {
                    let Cell::Number(number) = cell else {
                        return None;
                    };
                    present(number.is_some());
                    number
                })
                .collect();
            to.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::Int64ColumnWriter(to) => {
            let values: Vec<i64> = cells
                .filter_map(|cell| {
                    let Cell::Time(time) = cell else { return None };
                    present(time.is_some());
                    time.map(Timestamp::as_millisecond)
                })
                .collect();
            to.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::Int32ColumnWriter(to) => {
            let values: Vec<i32> = cells
                .filter_map(|cell| {
                    let Cell::Whole(number) = cell else {
                        return None;
                    };
                    present(true);
                    Some(i32::try_from(number).unwrap_or(i32::MAX))
                })
                .collect();
            to.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::BoolColumnWriter(to) => {
            let values: Vec<bool> = cells
                .filter_map(|cell| {
                    let Cell::Yes(yes) = cell else { return None };
                    present(true);
                    Some(yes)
                })
                .collect();
            to.write_batch(&values, Some(&levels), None)?;
        }
        _ => {
            return Err(ParquetError::General(
                "a column of a type that no export has".to_owned(),
            ));
        }
    }
    Ok(())
}
