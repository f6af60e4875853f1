//! Files of a pressure mat: time, then one column a cell in row order. See [`crate::mat`] for what becomes of frames.

mod assembled;
mod block;
mod pass;
mod rows;
mod text;

pub(super) use block::{Block, MISSING_SHARE, Slot};
pub(super) use text::TextFeed;

use super::headings::Layout;
use super::parquet;
use super::parquet_mat::ParquetFeed;
use crate::error::{Error, Problem, Result};
use crate::mat::MatRecord;
use crate::settings;
use crate::study::mapping::ColumnMapping;
use crate::study::mat_setup::MatSetup;
use crate::study::words::shown;
use std::io::Read;
use std::path::Path;

pub use pass::read_mat;

/// A mat recording: where it is and what its sidecar says.
#[derive(Debug, Clone, Copy)]
pub struct MatSource<'a> {
    pub path: &'a Path,
    /// Name of the recording, for problems.
    pub recording: &'a str,
    pub setup: &'a MatSetup,
    pub mapping: &'a ColumnMapping,
    pub settings: &'a settings::Mat,
}

/// Headings of the first and the last cell, for messages.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Columns {
    pub first: String,
    pub last: String,
}

/// What each column is. Every column that is nothing else is a cell.
///
/// # Errors
/// A problem when the cells are not rows × cols, or when headings that name their row and column are in another order.
pub(super) fn columns(
    file: &str,
    headings: &[String],
    line: Option<u64>,
    layout: &Layout,
    setup: &MatSetup,
) -> Result<(Vec<Slot>, Columns), Problem> {
    let mut besides = 0;
    let mut slots = vec![Slot::Cell; headings.len()];
    for wanted in &layout.wanted {
        if let Some(slot) = slots.get_mut(wanted.index) {
            *slot = match wanted.key {
                crate::study::mapping::ColumnKey::Time => Slot::Time,
                _ => {
                    besides += 1;
                    Slot::Beside(besides - 1)
                }
            };
        }
    }
    let cells: Vec<&String> = headings
        .iter()
        .zip(&slots)
        .filter(|(_, s)| **s == Slot::Cell)
        .map(|(h, _)| h)
        .collect();
    let named = Columns {
        first: cells.first().map_or_else(String::new, |h| shown(h)),
        last: cells.last().map_or_else(String::new, |h| shown(h)),
    };
    let (rows, cols) = (setup.rows, setup.cols);
    let place = |problem: Problem| Problem { line, ..problem };
    if cells.len() != setup.cells() {
        let between = match cells.len() {
            0 => String::new(),
            _ => format!(" ({} to {})", named.first, named.last),
        };
        return Err(place(Problem::error(
            file,
            format!("{} columns of cells{between}", cells.len()),
            format!(
                "{rows} rows × {cols} columns = {} cells, as [mat] says",
                setup.cells()
            ),
            "correct rows and cols in the sidecar; map or remove columns that are no cells",
        )));
    }
    for (k, heading) in cells.iter().enumerate() {
        let expected = (k / cols + 1, k % cols + 1);
        if let Some(found) = named_cell(heading)
            && found != expected
        {
            return Err(place(
                Problem::error(
                    file,
                    format!("cell {} of the file is row {} column {}", k + 1, found.0, found.1),
                    format!(
                        "row {} column {}: cells in row order, from 1",
                        expected.0, expected.1
                    ),
                    "put the columns in order, or correct rows and cols in the sidecar",
                )
                .in_column(shown(heading)),
            ));
        }
    }
    Ok((slots, named))
}

/// Row and column of a heading such as `cell_3_12`.
fn named_cell(heading: &str) -> Option<(usize, usize)> {
    let rest = heading.trim().to_lowercase();
    let (row, col) = rest.strip_prefix("cell_")?.split_once('_')?;
    Some((row.parse().ok()?, col.parse().ok()?))
}

/// A mat's file, open at its next rows.
pub(super) enum Feed {
    Text(Box<TextFeed>),
    Parquet(Box<ParquetFeed>),
}

impl Feed {
    /// Opens it; Parquet when it begins as such.
    fn open(source: &MatSource<'_>, hash: bool) -> Result<Feed> {
        let mut begin = Vec::new();
        let read = std::fs::File::open(source.path)
            .and_then(|f| f.take(parquet::MAGIC.len() as u64).read_to_end(&mut begin));
        read.map_err(|e| Error::io(source.path, e, "check that the file is there and may be read"))?;
        let MatSource {
            path,
            recording,
            setup,
            mapping,
            ..
        } = *source;
        Ok(match begin == parquet::MAGIC {
            true => Feed::Parquet(Box::new(ParquetFeed::open(path, recording, setup, mapping)?)),
            false => Feed::Text(Box::new(TextFeed::open(path, recording, setup, mapping, hash)?)),
        })
    }

    fn layout(&self) -> &Layout {
        match self {
            Feed::Text(feed) => &feed.layout,
            Feed::Parquet(feed) => &feed.layout,
        }
    }

    fn next_block(&mut self) -> Result<Option<Block>> {
        match self {
            Feed::Text(feed) => feed.next_block(),
            Feed::Parquet(feed) => feed.next_block(),
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
    let raw = match Feed::open(source, false)? {
        Feed::Text(mut feed) => feed.rows_at(&places)?,
        Feed::Parquet(mut feed) => feed.rows_at(&places)?,
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
