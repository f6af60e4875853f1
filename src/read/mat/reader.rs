//! A mat's file, text or Parquet, read block by block.

use crate::study::door::{self, FileKind};
use super::MatSource;
use super::block::RowBlock;
use super::parquet::ParquetReader;
use super::text::TextReader;
use crate::error::{Error, Result};
use crate::mat::MatRecord;
use crate::read::headings::ColumnLayout;
use crate::read::parquet;
use std::io::Read;

/// A mat's file, open at its next rows.
pub(super) enum MatReader {
    Text(Box<TextReader>),
    Parquet(Box<ParquetReader>),
}

impl MatReader {
    /// Opens it; Parquet when it begins as such.
    pub fn open(source: &MatSource<'_>, hash: bool) -> Result<MatReader> {
        let mut begin = Vec::new();
        door::open(source.path, FileKind::Streamed)
            .and_then(|f| f.take(parquet::MAGIC.len() as u64).read_to_end(&mut begin))
            .map_err(|e| Error::unreadable(source.path, e))?;
        let MatSource {
            path,
            recording,
            setup,
            mapping,
            ..
        } = *source;
        Ok(match begin == parquet::MAGIC {
            true => MatReader::Parquet(Box::new(ParquetReader::open(path, recording, setup, mapping)?)),
            false => MatReader::Text(Box::new(TextReader::open(path, recording, setup, mapping, hash)?)),
        })
    }

    pub fn layout(&self) -> &ColumnLayout {
        match self {
            MatReader::Text(feed) => &feed.layout,
            MatReader::Parquet(feed) => &feed.layout,
        }
    }

    pub fn next_block(&mut self) -> Result<Option<RowBlock>> {
        match self {
            MatReader::Text(feed) => feed.next_block(),
            MatReader::Parquet(feed) => feed.next_block(),
        }
    }
}

/// Reads single frames of a recording again, in kPa: what figures are drawn of.
///
/// `frames` are indices into the record's; the answer is in their order.
///
/// # Errors
/// [`Error::Io`] when the file cannot be read, [`Error::Data`] when it is no longer what it was.
pub fn read_frames(source: &MatSource<'_>, record: &MatRecord, frames: &[usize]) -> Result<Vec<Vec<f32>>> {
    let places: Vec<u64> = frames
        .iter()
        .filter_map(|f| record.place.get(*f).copied())
        .collect();
    let raw = match MatReader::open(source, false)? {
        MatReader::Text(mut feed) => feed.rows_at(&places)?,
        MatReader::Parquet(mut feed) => feed.rows_at(&places)?,
    };
    let plan = record.plan();
    Ok(raw
        .iter()
        .map(|raw| {
            let held: Vec<f32> = raw
                .iter()
                .zip(&record.baseline)
                .map(|(v, base)| if v.is_nan() { *base } else { *v })
                .collect();
            let mut kpa = vec![0.0; held.len()];
            plan.kpa(&held, &mut kpa);
            kpa
        })
        .collect())
}
