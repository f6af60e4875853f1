//! Recordings and result tables as Parquet: the one file of this module that knows polars.

use crate::columns::Kind;
use crate::error::{Error, Result};
use crate::report::tables::{Cell, Table};
use polars::prelude::{
    Column, DataFrame, KeyValueMetadata, NamedFrom, ParquetCompression, ParquetWriter, Series,
};

/// A column of numbers by its heading; a missing one is null.
pub type Numbers = (String, Vec<Option<f64>>);

/// A recording as Parquet (zstd): its columns as 64-bit floats, with texts about it in the file's metadata.
///
/// # Errors
/// [`Error::Refused`] when two columns have one heading.
pub fn recording(columns: &[Numbers], metadata: &[(String, String)]) -> Result<Vec<u8>> {
    let rows = columns.first().map_or(0, |c| c.1.len());
    let series = columns
        .iter()
        .map(|(heading, values)| Series::new(heading.as_str().into(), values.as_slice()).into());
    let mut frame = DataFrame::new(rows, series.collect()).map_err(|e| unwritten(&e))?;
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .with_compression(ParquetCompression::Zstd(None))
        .with_key_value_metadata(Some(KeyValueMetadata::from_static(metadata.to_vec())))
        .finish(&mut frame)
        .map_err(|e| unwritten(&e))?;
    Ok(bytes)
}

/// Some rows and columns of a table as Parquet (zstd).
///
/// # Errors
/// Only when memory runs out; the writer's error is passed on.
pub fn part(table: &Table, columns: &[usize], rows: &[usize]) -> Result<Vec<u8>> {
    let series = columns.iter().map(|at| series(table, *at, rows)).collect();
    let mut frame = DataFrame::new(rows.len(), series).map_err(|e| unwritten(&e))?;
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .with_compression(ParquetCompression::Zstd(None))
        .finish(&mut frame)
        .map_err(|e| unwritten(&e))?;
    Ok(bytes)
}

fn series(table: &Table, at: usize, rows: &[usize]) -> Column {
    let column = &table.columns[at];
    let name = column.name.as_ref().into();
    let cells = rows.iter().map(|row| &table.rows[*row][at]);
    let series = match column.kind {
        Kind::Text | Kind::List(_) => {
            let texts: Vec<Option<String>> = cells.map(|c| c.as_text(column.kind)).collect();
            Series::new(name, texts)
        }
        Kind::Int => {
            let whole = |c: &Cell| if let Cell::Int(n) = c { Some(*n) } else { None };
            Series::new(name, cells.map(whole).collect::<Vec<_>>())
        }
        Kind::Num => {
            let number = |c: &Cell| if let Cell::Num(n) = c { Some(*n) } else { None };
            Series::new(name, cells.map(number).collect::<Vec<_>>())
        }
        Kind::Bool => {
            let yes = |c: &Cell| if let Cell::Bool(b) = c { Some(*b) } else { None };
            Series::new(name, cells.map(yes).collect::<Vec<_>>())
        }
    };
    series.into()
}

fn unwritten(error: &dyn std::fmt::Display) -> Error {
    Error::Refused {
        found: format!("Parquet could not be written: {error}"),
        advice: "see the message; free some memory if it says so".to_owned(),
    }
}
