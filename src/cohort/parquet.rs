//! Recordings as Parquet: the one file of this module that knows polars.

use crate::error::{Error, Result};
use crate::parquet_pages::finished;
use polars::prelude::{DataFrame, KeyValueMetadata, NamedFrom, ParquetCompression, ParquetWriter, Series};

/// A column of numbers by its heading; a missing one is null.
pub type Numbers = (String, Vec<Option<f64>>);

/// A recording as Parquet (zstd): its columns as 64-bit floats, with texts about it in the file's metadata.
///
/// # Errors
/// [`Error::Refused`] when two columns have the same heading.
pub fn recording(columns: &[Numbers], metadata: &[(String, String)]) -> Result<Vec<u8>> {
    let failed = |error| Error::Refused {
        found: format!("Parquet could not be written: {error}"),
        advice: "see the message; free some memory if it says so".to_owned(),
    };
    let rows = columns.first().map_or(0, |c| c.1.len());
    let series = columns
        .iter()
        .map(|(heading, values)| Series::new(heading.as_str().into(), values.as_slice()).into());
    let mut frame = DataFrame::new(rows, series.collect()).map_err(failed)?;
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .with_compression(ParquetCompression::Zstd(None))
        .with_key_value_metadata(Some(KeyValueMetadata::from_static(metadata.to_vec())))
        .finish(&mut frame)
        .map_err(failed)?;
    Ok(finished(bytes))
}
