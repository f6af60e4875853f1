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
use super::headings::{SourceColumn, column_layout, no_rows};
use crate::error::{Problem, Result};

/// How every Parquet file begins and ends.
pub(super) const MAGIC: &[u8] = b"PAR1";

/// Key under which a recording's Parquet file holds its sidecar.
pub const SIDECAR: &str = "tautpoint.sidecar";

/// Reads a trace from the bytes of a Parquet file. Nulls and NaN are missing samples; whole numbers are accepted.
pub(super) fn read(bytes: &[u8], name: &str, context: ReadContext<'_>) -> Result<AssembledTrace> {
    let file = ParquetFile::of_bytes(bytes, name)?;
    let layout = column_layout(name, &file.headings(), None, context.mapping)?;
    let wanted: Vec<usize> = layout.columns.iter().map(|c| c.index).collect();
    file.check_numbers(&wanted)?;
    let rows = file.all_rows(&wanted)?;
    let mut values = Vec::with_capacity(wanted.len());
    for column in &layout.columns {
        values.push(finite(file.f64s(&rows, column.index)?, column, name)?);
    }
    if values.iter().all(Vec::is_empty) {
        return Err(no_rows(name).into());
    }
    assemble(name, context, layout, values, &|_| None)
}

fn finite(values: Vec<f64>, column: &SourceColumn, name: &str) -> Result<Vec<f64>, Problem> {
    match values.iter().position(|value| value.is_infinite()) {
        None => Ok(values),
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
