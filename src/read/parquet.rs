//! Parquet: the same headings and units as text. The only reader that knows polars.
//!
//! Only the columns of the trace are read: polars, built without its rarer types, refuses or even panics on columns
//! that a recorder may keep beside them (time stamps, decimals).

use super::assemble::{Assembled, Given, assemble};
use super::headings::{Layout, Wanted, layout};
use crate::error::{Problem, Result};
use crate::study::words::shown;
use polars::prelude::{
    ArrowDataType, Column, DataFrame, DataType, ParallelStrategy, ParquetReader, SerReader,
};
use std::io::Cursor;

/// How every Parquet file begins and ends.
pub(super) const MAGIC: &[u8] = b"PAR1";

/// Reads a trace from the bytes of a Parquet file. Nulls and NaN are missing samples; whole numbers are accepted.
pub(super) fn read(bytes: &[u8], file: &str, given: Given<'_>) -> Result<Assembled> {
    if bytes.len() < 12 || !bytes.ends_with(MAGIC) {
        return Err(unreadable(file, "cut off").into());
    }
    let fields = guarded(file, || fields(bytes, file))?;
    let headings: Vec<String> = fields.iter().map(|(name, _)| name.trim().to_owned()).collect();
    let layout = layout(file, &headings, None, given.mapping)?;
    for wanted in &layout.wanted {
        let kind = fields.get(wanted.index).map(|(_, kind)| kind);
        if let Some(kind) = kind.filter(|k| !is_number(k)) {
            return Err(not_numbers(file, &wanted.heading, kind).into());
        }
    }
    let values = guarded(file, || columns(bytes, file, &layout, &fields))?;
    if values.iter().all(Vec::is_empty) {
        return Err(Problem::error(
            file,
            "headings and no numbers",
            "a row for each sample",
            "record again, or copy the file again",
        )
        .into());
    }
    assemble(file, given, layout, values, &|_| None)
}

/// Key under which a recording's Parquet file holds its sidecar.
pub const SIDECAR: &str = "tautpoint.sidecar";

/// A text that a Parquet file holds about itself; `None` when it holds none of that name or is no Parquet file.
pub fn about_itself(bytes: &[u8], key: &str) -> Option<String> {
    if !bytes.starts_with(MAGIC) {
        return None;
    }
    let texts = || {
        let mut reader = ParquetReader::new(Cursor::new(bytes));
        let metadata = reader.get_metadata().ok()?;
        let texts = metadata.key_value_metadata().as_ref()?;
        texts.iter().find(|t| t.key == key)?.value.clone()
    };
    // As in `guarded`: a damaged file is told when it is read.
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(texts)).ok()?
}

/// Every column of a Parquet file that holds numbers, by its heading; a missing one is `None`.
///
/// # Errors
/// [`Error::Data`](crate::error::Error::Data) when it is no whole Parquet file, or has a column of anything else.
pub fn all_numbers(bytes: &[u8], file: &str) -> Result<Vec<(String, Vec<Option<f64>>)>> {
    if bytes.len() < 12 || !bytes.starts_with(MAGIC) || !bytes.ends_with(MAGIC) {
        return Err(unreadable(file, "cut off").into());
    }
    let fields = guarded(file, || fields(bytes, file))?;
    if let Some((name, kind)) = fields.iter().find(|(_, kind)| !is_number(kind)) {
        return Err(not_numbers(file, name, kind).into());
    }
    let frame = guarded(file, || {
        ParquetReader::new(Cursor::new(bytes))
            .read_parallel(ParallelStrategy::None)
            .finish()
            .map_err(|e| unreadable(file, &e.to_string()))
    })?;
    let column = |name: &String| -> Result<Vec<Option<f64>>, Problem> {
        let column = frame.column(name).map_err(|e| unreadable(file, &e.to_string()))?;
        let cast = column.cast(&DataType::Float64);
        let cast = cast.map_err(|e| unreadable(file, &e.to_string()))?;
        let numbers = cast.f64().map_err(|e| unreadable(file, &e.to_string()))?;
        Ok(numbers.iter().collect())
    };
    let columns = fields.iter().map(|(name, _)| Ok((name.clone(), column(name)?)));
    columns.collect()
}

pub(super) fn unreadable(file: &str, why: &str) -> Problem {
    Problem::error(
        file,
        format!("Parquet that cannot be read ({})", shown(why)),
        "a whole Parquet file",
        "write or copy it again",
    )
}

/// polars panics on some damaged files; a damaged file is one file's fault and must not end a batch.
pub(super) fn guarded<T>(file: &str, read: impl FnOnce() -> Result<T, Problem>) -> Result<T, Problem> {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(read))
        .unwrap_or_else(|_| Err(unreadable(file, "damaged")))
}

/// Name and type of each column.
fn fields(bytes: &[u8], file: &str) -> Result<Vec<(String, ArrowDataType)>, Problem> {
    let mut reader = ParquetReader::new(Cursor::new(bytes));
    let schema = reader.schema().map_err(|e| unreadable(file, &e.to_string()))?;
    Ok(schema
        .iter_values()
        .map(|field| (field.name.to_string(), field.dtype.clone()))
        .collect())
}

pub(super) fn is_number(kind: &ArrowDataType) -> bool {
    use ArrowDataType::{Float32, Float64, Int32, Int64, Null, UInt32, UInt64};
    matches!(kind, Int32 | Int64 | UInt32 | UInt64 | Float32 | Float64 | Null)
}

pub(super) fn not_numbers(file: &str, heading: &str, kind: &ArrowDataType) -> Problem {
    Problem::error(
        file,
        format!("a column of type {kind:?}"),
        "a column of numbers: floating point or whole, of 32 or 64 bits",
        "write the column as float64",
    )
    .in_column(heading)
}

fn columns(
    bytes: &[u8],
    file: &str,
    layout: &Layout,
    fields: &[(String, ArrowDataType)],
) -> Result<Vec<Vec<f64>>, Problem> {
    let name = |w: &Wanted| {
        fields
            .get(w.index)
            .map(|(name, _)| name.clone())
            .unwrap_or_default()
    };
    let frame: DataFrame = ParquetReader::new(Cursor::new(bytes))
        .with_columns(Some(layout.wanted.iter().map(name).collect()))
        .read_parallel(ParallelStrategy::None)
        .finish()
        .map_err(|e| unreadable(file, &e.to_string()))?;
    let mut values = Vec::with_capacity(layout.wanted.len());
    for wanted in &layout.wanted {
        let column = frame
            .column(&name(wanted))
            .map_err(|e| unreadable(file, &e.to_string()))?;
        values.push(numbers(column, wanted, file)?);
    }
    Ok(values)
}

fn numbers(column: &Column, wanted: &Wanted, file: &str) -> Result<Vec<f64>, Problem> {
    let cast = column
        .cast(&DataType::Float64)
        .map_err(|e| unreadable(file, &e.to_string()))?;
    let numbers = cast.f64().map_err(|e| unreadable(file, &e.to_string()))?;
    // In one piece where nothing is missing, which is the rule.
    let values: Vec<f64> = match numbers.cont_slice() {
        Ok(whole) => whole.to_vec(),
        Err(_) => numbers.iter().map(|value| value.unwrap_or(f64::NAN)).collect(),
    };
    match values.iter().position(|value| value.is_infinite()) {
        None => Ok(values),
        Some(row) => Err(Problem::error(
            file,
            format!("{} in row {}", values[row], row + 1),
            "a number",
            "correct the value, or leave it null",
        )
        .in_column(&wanted.heading)),
    }
}
