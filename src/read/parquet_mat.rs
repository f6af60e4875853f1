//! Mat files in Parquet, some rows at a time.

use super::headings::{Layout, layout_beside_cells};
use super::mat::{Block, MISSING_SHARE, Slot, columns};
use super::parquet::{guarded, is_number, not_numbers, unreadable};
use crate::error::{Error, Problem, Result};
use crate::mat::frame::FrameFault;
use crate::study::mapping::ColumnMapping;
use crate::study::mat_setup::MatSetup;
use polars::prelude::{Column, DataType, ParallelStrategy, ParquetReader, SerReader};
use std::fs::File;
use std::path::{Path, PathBuf};

/// Cells read at a time: 64 MB of them.
const CELLS_A_BLOCK: usize = 8 << 20;

/// A Parquet file of a mat, open at its next rows.
pub(super) struct ParquetFeed {
    path: PathBuf,
    name: String,
    /// Names of all columns, in the order of the file.
    names: Vec<String>,
    slots: Vec<Slot>,
    cells: usize,
    rows: usize,
    next: usize,
    pub layout: Layout,
}

impl ParquetFeed {
    /// Opens a file and looks at its columns.
    pub fn open(path: &Path, name: &str, setup: &MatSetup, mapping: &ColumnMapping) -> Result<ParquetFeed> {
        let file = open(path)?;
        let (fields, rows) = guarded(name, || {
            let mut reader = ParquetReader::new(file);
            let bad = |e: polars::error::PolarsError| unreadable(name, &e.to_string());
            let rows = reader.num_rows().map_err(bad)?;
            let schema = reader.schema().map_err(bad)?;
            let fields: Vec<_> = schema
                .iter_values()
                .map(|f| (f.name.to_string(), f.dtype.clone()))
                .collect();
            Ok((fields, rows))
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
            rows,
            next: 0,
            layout,
        })
    }

    /// The next rows; `None` at the end of the file.
    pub fn next_block(&mut self) -> Result<Option<Block>> {
        let left = self.rows.saturating_sub(self.next);
        let rows = (CELLS_A_BLOCK / self.cells.max(1)).clamp(1, left.max(1));
        if left == 0 {
            return Ok(None);
        }
        let block = self.block(self.next, rows)?;
        self.next += rows;
        Ok(Some(block))
    }

    fn block(&self, from: usize, rows: usize) -> Result<Block> {
        let file = open(&self.path)?;
        let name = &self.name;
        let block = guarded(name, || {
            let frame = ParquetReader::new(file)
                .with_slice(Some((from, rows)))
                .read_parallel(ParallelStrategy::Columns)
                .finish()
                .map_err(|e| unreadable(name, &e.to_string()))?;
            let besides = self.layout.wanted.len() - 1;
            let mut block = Block {
                cells: vec![f32::NAN; rows * self.cells],
                beside: vec![Vec::new(); besides],
                place: (from..from + rows).map(|r| r as u64).collect(),
                ..Block::default()
            };
            let mut cell = 0;
            for (heading, slot) in self.names.iter().zip(&self.slots) {
                let column = frame
                    .column(heading)
                    .map_err(|e| unreadable(name, &e.to_string()))?;
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
        for (row, value) in numbers.iter().enumerate() {
            if let (Some(place), Some(value)) = (cells.get_mut(row * self.cells + cell), value) {
                *place = value;
            }
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

    /// Reads single rows again.
    pub fn rows_at(&mut self, rows: &[u64]) -> Result<Vec<Vec<f32>>> {
        let one = |row: &u64| Ok(self.block(*row as usize, 1)?.cells);
        rows.iter().map(one).collect()
    }
}

fn open(path: &Path) -> Result<File> {
    File::open(path).map_err(|e| Error::io(path, e, "check that the file is there and may be read"))
}
