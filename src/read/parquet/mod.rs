//! Parquet: the same headings and units as text.
//!
//! Only the columns of the trace are read: polars, built without its rarer types, refuses or even panics on columns
//! that a recorder may keep beside them (time stamps, decimals).

#[cfg(feature = "parquet")]
mod file;
#[cfg(not(feature = "parquet"))]
#[path = "no_file.rs"]
mod file;

pub(super) use file::ParquetFile;

use super::assemble::{AssembledTrace, ReadContext, assemble};
use super::headings::{ColumnLayout, SourceColumn, column_layout, no_rows};
use crate::error::{Problem, Result};
use crate::study::mapping::ColumnMapping;

/// How every Parquet file begins and ends.
pub(super) const MAGIC: &[u8] = b"PAR1";

/// Key under which a recording's Parquet file holds its sidecar.
pub const SIDECAR: &str = "tautpoint.sidecar";

/// Reads a trace from the bytes of a Parquet file. Nulls and NaN are missing samples; whole numbers are accepted.
pub(super) fn read(bytes: &[u8], name: &str, context: ReadContext<'_>) -> Result<AssembledTrace> {
    let (layout, values) = columns(bytes, name, context.mapping)?;
    for (column, values) in layout.columns.iter().zip(&values) {
        finite(values, column, name)?;
    }
    assemble(name, context, layout, values, &|_| None)
}

/// The columns of a trace as they stand in the file.
///
/// # Errors
/// A problem: no Parquet file, no such columns, no rows.
pub(super) fn columns(bytes: &[u8], name: &str, mapping: &ColumnMapping) -> Result<(ColumnLayout, Vec<Vec<f64>>)> {
    let file = ParquetFile::of_bytes(bytes, name)?;
    let layout = column_layout(name, &file.headings(), None, mapping)?;
    let wanted: Vec<usize> = layout.columns.iter().map(|c| c.index).collect();
    file.check_numbers(&wanted)?;
    let rows = file.all_rows(&wanted)?;
    let mut values = Vec::with_capacity(wanted.len());
    for index in wanted {
        values.push(file.f64s(&rows, index)?);
    }
    if values.iter().all(Vec::is_empty) {
        return Err(no_rows(name).into());
    }
    Ok((layout, values))
}

fn finite(values: &[f64], column: &SourceColumn, name: &str) -> Result<(), Problem> {
    match values.iter().position(|value| value.is_infinite()) {
        None => Ok(()),
        Some(row) => Err(Problem::error(
            name,
            format!("{} in row {}", values[row], row + 1),
            "a number",
            "correct the value, or leave it null",
        )
        .in_column(&column.heading)),
    }
}

/// A text that a Parquet file holds about itself; `None` when it holds none of that name or is no Parquet file. A
/// damaged file is reported when its rows are read.
pub fn about_itself(bytes: &[u8], key: &str) -> Option<String> {
    if !bytes.starts_with(MAGIC) {
        return None;
    }
    ParquetFile::of_bytes(bytes, "").ok()?.text(key)
}

/// Every column of a Parquet file that holds numbers, by its heading; a missing one is `None`.
///
/// # Errors
/// [`Error::Data`](crate::error::Error::Data) when it is no whole Parquet file, or has a column of anything else.
pub fn all_numbers(bytes: &[u8], name: &str) -> Result<Vec<(String, Vec<Option<f64>>)>> {
    let file = ParquetFile::of_bytes(bytes, name)?;
    let all: Vec<usize> = (0..file.names().len()).collect();
    file.check_numbers(&all)?;
    let rows = file.all_rows(&all)?;
    let column = |(k, heading): (usize, &str)| Ok((heading.to_owned(), file.options(&rows, k)?));
    file.names().into_iter().enumerate().map(column).collect()
}
