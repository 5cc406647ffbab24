//! One table of a report as CSV (RFC 4180): names with units in the first line, numbers unrounded, words
//! untranslated, fields empty where nothing is known.

use serde_json::Value;

use super::ReportError;
use super::document::{Document, Table};
use crate::store::csv_text;

/// The table of that name, or the document's main table, its last.
///
/// # Errors
/// When the document has no such table.
pub fn csv(document: &Document, name: Option<&str>) -> Result<String, ReportError> {
    let found = match name {
        Some(name) => document.tables().find(|table| table.name == name),
        None => document.tables().last(),
    };
    let table = found.ok_or_else(|| ReportError::NoTable {
        name: name.unwrap_or("main").to_owned(),
        known: document.tables().map(|table| table.name).collect(),
    })?;
    Ok(write(table)?)
}

fn write(table: &Table) -> Result<String, ::csv::Error> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(table.columns.iter().map(|column| column.name))?;
    for row in &table.rows {
        writer.write_record(row.iter().map(|cell| field(&cell.value)))?;
    }
    let bytes = writer
        .into_inner()
        .map_err(|error| ::csv::Error::from(error.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn field(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => csv_text(text),
        other => other.to_string(),
    }
}
