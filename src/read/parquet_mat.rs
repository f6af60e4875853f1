//! Mat files in Parquet, some rows at a time.

use super::headings::{Layout, layout_beside_cells};
use super::mat::{Block, MISSING_SHARE, Slot, columns};
use super::parquet::{guarded, is_number, not_numbers, unreadable};
use crate::error::{Error, Problem, Result};
use crate::mat::frame::FrameFault;
use crate::study::mapping::ColumnMapping;
use crate::study::mat_setup::MatSetup;
use polars::io::parquet::metadata::{FileMetadata, FileMetadataRef};
use polars::prelude::{Column, DataType, ParallelStrategy, ParquetReader, SerReader};
use std::fs::File;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Cells read at a time: 64 MB of them.
const CELLS_A_BLOCK: usize = 8 << 20;

/// Rows that are wanted again and lie no further apart are read together.
const NEAR_ROWS: usize = 256;

/// A Parquet file of a mat, open at its next rows.
pub(super) struct ParquetFeed {
    path: PathBuf,
    name: String,
    /// Names of all columns, in the order of the file.
    names: Vec<String>,
    slots: Vec<Slot>,
    cells: usize,
    /// Rows of each row group.
    groups: Vec<Range<usize>>,
    /// What the file says of one row group alone, so that the others cost nothing when it is read.
    alone: Alone,
    next: usize,
    pub layout: Layout,
}

type Alone = Box<dyn Fn(usize) -> FileMetadataRef + Send + Sync>;

impl ParquetFeed {
    /// Opens a file and looks at its columns.
    pub fn open(path: &Path, name: &str, setup: &MatSetup, mapping: &ColumnMapping) -> Result<ParquetFeed> {
        let file = open(path)?;
        let (fields, (groups, alone)) = guarded(name, || {
            let mut reader = ParquetReader::new(file);
            let bad = |e: polars::error::PolarsError| unreadable(name, &e.to_string());
            let groups = row_groups(reader.get_metadata().map_err(bad)?);
            let schema = reader.schema().map_err(bad)?;
            let fields: Vec<_> = schema
                .iter_values()
                .map(|f| (f.name.to_string(), f.dtype.clone()))
                .collect();
            Ok((fields, groups))
        })?;
        let names: Vec<String> = fields.iter().map(|(n, _)| n.clone()).collect();
        let headings: Vec<String> = names.iter().map(|n| n.trim().to_owned()).collect();
        let layout = layout_beside_cells(name, &headings, None, mapping)?;
        let (slots, _) = columns(name, &headings, None, &layout, setup)?;
        if let Some((heading, kind)) = fields.iter().find(|(_, kind)| !is_number(kind)) {
            return Err(not_numbers(name, heading, kind).into());
        }
        Ok(ParquetFeed {
            path: path.to_owned(),
            name: name.to_owned(),
            names,
            slots,
            cells: setup.cells(),
            groups,
            alone,
            next: 0,
            layout,
        })
    }

    /// The next rows; `None` at the end of the file.
    pub fn next_block(&mut self) -> Result<Option<Block>> {
        let Some(group) = self.groups.iter().position(|g| g.contains(&self.next)) else {
            return Ok(None);
        };
        let most = (CELLS_A_BLOCK / self.cells.max(1)).max(1);
        let rows = self.next..self.groups[group].end.min(self.next + most);
        let block = self.block(group, rows.clone())?;
        self.next = rows.end;
        Ok(Some(block))
    }

    /// Rows of one row group, counted through the file.
    fn block(&self, group: usize, rows: Range<usize>) -> Result<Block> {
        let file = open(&self.path)?;
        let name = &self.name;
        let block = guarded(name, || {
            let mut reader = ParquetReader::new(file);
            reader.set_metadata((self.alone)(group));
            let frame = reader
                .with_slice(Some((rows.start - self.groups[group].start, rows.len())))
                .read_parallel(ParallelStrategy::Columns)
                .finish()
                .map_err(|e| unreadable(name, &e.to_string()))?;
            let besides = self.layout.wanted.len() - 1;
            let mut block = Block {
                cells: vec![f32::NAN; rows.len() * self.cells],
                beside: vec![Vec::new(); besides],
                place: rows.map(|r| r as u64).collect(),
                ..Block::default()
            };
            let missing = || unreadable(name, "a column is not there");
            let mut cell = 0;
            for (at, (heading, slot)) in self.names.iter().zip(&self.slots).enumerate() {
                let column = frame.columns().get(at).filter(|c| c.name() == heading);
                let column = column.ok_or_else(missing)?;
                match slot {
                    Slot::Cell => {
                        self.cells_of(column, cell, &mut block.cells)?;
                        cell += 1;
                    }
                    Slot::Time => block.time = self.numbers(column)?,
                    Slot::Beside(k) => block.beside[*k] = self.numbers(column)?,
                }
            }
            Ok(block)
        })?;
        Ok(self.judged(block))
    }

    fn cells_of(&self, column: &Column, cell: usize, cells: &mut [f32]) -> Result<(), Problem> {
        let fault = |e: polars::error::PolarsError| unreadable(&self.name, &e.to_string());
        let cast = column.cast(&DataType::Float32).map_err(fault)?;
        let numbers = cast.f32().map_err(fault)?;
        let places = cells.iter_mut().skip(cell).step_by(self.cells.max(1));
        for (place, value) in places.zip(numbers.iter()) {
            *place = value.unwrap_or(f32::NAN);
        }
        Ok(())
    }

    fn numbers(&self, column: &Column) -> Result<Vec<f64>, Problem> {
        let fault = |e: polars::error::PolarsError| unreadable(&self.name, &e.to_string());
        let cast = column.cast(&DataType::Float64).map_err(fault)?;
        let numbers = cast.f64().map_err(fault)?;
        Ok(numbers.iter().map(|v| v.unwrap_or(f64::NAN)).collect())
    }

    /// The block with what is wrong with each row.
    fn judged(&self, mut block: Block) -> Block {
        for frame in block.cells.chunks_exact(self.cells) {
            let missing = frame.iter().filter(|v| v.is_nan()).count();
            let bad = frame.iter().any(|v| v.is_infinite());
            block.gaps.push(missing > 0);
            block.fault.push(if bad {
                Some(FrameFault::Unreadable)
            } else if missing as f64 > MISSING_SHARE * self.cells as f64 {
                Some(FrameFault::Missing)
            } else {
                None
            });
        }
        block
    }

    /// Reads single rows again, those near each other together; the answer is in their order.
    pub fn rows_at(&mut self, rows: &[u64]) -> Result<Vec<Vec<f32>>> {
        let mut order: Vec<usize> = (0..rows.len()).collect();
        order.sort_by_key(|k| rows[*k]);
        let mut found = vec![Vec::new(); rows.len()];
        let mut held: Option<(Range<usize>, Vec<f32>)> = None;
        for (at, &k) in order.iter().enumerate() {
            let row = rows[k] as usize;
            if held.as_ref().is_none_or(|(range, _)| !range.contains(&row)) {
                let Some(group) = self.groups.iter().position(|g| g.contains(&row)) else {
                    return Err(unreadable(&self.name, "it has fewer rows than before").into());
                };
                let mut end = row + 1;
                for next in order[at..].iter().map(|n| rows[*n] as usize) {
                    if next < end + NEAR_ROWS && next < self.groups[group].end {
                        end = end.max(next + 1);
                    }
                }
                held = Some((row..end, self.block(group, row..end)?.cells));
            }
            if let Some((range, cells)) = &held {
                let from = (row - range.start) * self.cells;
                found[k] = cells[from..from + self.cells].to_vec();
            }
        }
        Ok(found)
    }
}

/// Rows of each row group, and what the file says of each alone.
fn row_groups(metadata: &FileMetadataRef) -> (Vec<Range<usize>>, Alone) {
    let mut bare = FileMetadata::clone(metadata);
    let groups = std::mem::take(&mut bare.row_groups);
    let mut from = 0;
    let rows = groups.iter().map(|group| {
        let rows = from..from + group.num_rows();
        from = rows.end;
        rows
    });
    let rows = rows.collect();
    let alone = move |k: usize| {
        let mut alone = bare.clone();
        alone.row_groups = groups.get(k).cloned().into_iter().collect();
        alone.num_rows = alone.row_groups.iter().map(|g| g.num_rows()).sum();
        FileMetadataRef::new(alone)
    };
    (rows, Box::new(alone))
}

fn open(path: &Path) -> Result<File> {
    File::open(path).map_err(|e| Error::io(path, e, "check that the file is there and may be read"))
}
