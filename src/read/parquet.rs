//! Parquet: the same headings and units as text. The only reader that knows polars.

use super::assemble::assemble;
use super::headings::layout;
use crate::error::{Problem, Result};
use crate::study::mapping::ColumnMapping;
use crate::study::words::shown;
use crate::trace::{About, Trace};
use polars::prelude::{DataFrame, DataType, ParquetReader, SerReader};
use std::io::Cursor;

/// How every Parquet file begins (and ends).
pub(super) const MAGIC: &[u8] = b"PAR1";

/// Reads a trace from the bytes of a Parquet file. Nulls and NaN are missing samples; whole numbers are accepted.
pub(super) fn read(
    bytes: &[u8],
    file: &str,
    mapping: &ColumnMapping,
    about: About,
) -> Result<(Trace, Vec<Problem>)> {
    let frame = frame(bytes, file)?;
    let headings: Vec<String> = frame
        .get_column_names()
        .iter()
        .map(|n| n.trim().to_owned())
        .collect();
    let layout = layout(file, &headings, None, mapping)?;
    if frame.height() == 0 {
        return Err(Problem::error(
            file,
            "headings and no numbers",
            "a row for each sample",
            "record again, or copy the file again",
        )
        .into());
    }
    let mut values = Vec::with_capacity(layout.wanted.len());
    for wanted in &layout.wanted {
        values.push(column(&frame, wanted.index, &wanted.heading, file)?);
    }
    assemble(file, about, layout, values, &|_| None)
}

/// polars panics on some damaged files; a damaged file is one file's fault and must not end a batch.
fn frame(bytes: &[u8], file: &str) -> Result<DataFrame, Problem> {
    let fault = |why: &str| {
        Problem::error(
            file,
            format!("Parquet that cannot be read ({})", shown(why)),
            "a whole Parquet file",
            "write or copy it again",
        )
    };
    let read = std::panic::catch_unwind(|| ParquetReader::new(Cursor::new(bytes)).finish());
    match read {
        Ok(Ok(frame)) => Ok(frame),
        Ok(Err(error)) => Err(fault(&error.to_string())),
        Err(_) => Err(fault("damaged")),
    }
}

fn column(frame: &DataFrame, index: usize, heading: &str, file: &str) -> Result<Vec<f64>, Problem> {
    let fault = |found: String| {
        Problem::error(file, found, "a column of numbers", "write the column as numbers").in_column(heading)
    };
    let column = frame
        .select_at_idx(index)
        .ok_or_else(|| fault("no such column".to_owned()))?;
    let numeric = column.dtype().is_primitive_numeric() || *column.dtype() == DataType::Null;
    if !numeric {
        return Err(fault(format!("a column of type {}", column.dtype())));
    }
    let cast = column
        .cast(&DataType::Float64)
        .map_err(|e| fault(shown(&e.to_string())))?;
    let numbers = cast.f64().map_err(|e| fault(shown(&e.to_string())))?;
    let mut values = Vec::with_capacity(numbers.len());
    for (row, value) in numbers.iter().enumerate() {
        let value = value.unwrap_or(f64::NAN);
        if value.is_infinite() {
            return Err(fault(format!("{value} in row {}", row + 1)));
        }
        values.push(value);
    }
    Ok(values)
}
