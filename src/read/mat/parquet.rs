//! Mat files in Parquet, some rows at a time.

use super::block::{MISSING_SHARE, RowBlock};
use super::columns::{MatColumn, mat_columns};
use crate::error::Result;
use crate::mat::frame::FrameFault;
use crate::read::headings::{ColumnLayout, mat_layout};
use crate::read::parquet::ParquetFile;
use crate::study::mapping::ColumnMapping;
use crate::study::mat_setup::MatSetup;
use std::ops::Range;
use std::path::Path;

/// Cells read at a time: 64 MB of them.
const CELLS_A_BLOCK: usize = 8 << 20;

/// Rows that are wanted again and lie no further apart are read together.
const NEAR_ROWS: usize = 256;

/// A Parquet file of a mat, open at its next rows.
pub(super) struct ParquetReader {
    file: ParquetFile<'static>,
    roles: Vec<MatColumn>,
    cells: usize,
    /// Rows of each row group.
    groups: Vec<Range<usize>>,
    next: usize,
    pub layout: ColumnLayout,
}

impl ParquetReader {
    /// Opens a file and looks at its columns.
    pub fn open(path: &Path, name: &str, setup: &MatSetup, mapping: &ColumnMapping) -> Result<ParquetReader> {
        let file = ParquetFile::at(path, name)?;
        let headings = file.headings();
        let layout = mat_layout(name, &headings, None, mapping)?;
        let roles = mat_columns(name, &headings, None, &layout, setup)?;
        file.check_numbers(&Vec::from_iter(0..roles.len()))?;
        Ok(ParquetReader {
            groups: file.row_groups(),
            file,
            roles,
            cells: setup.cells(),
            next: 0,
            layout,
        })
    }

    /// The next rows; `None` at the end of the file.
    pub fn next_block(&mut self) -> Result<Option<RowBlock>> {
        let Some(group) = self.groups.iter().position(|g| g.contains(&self.next)) else {
            return Ok(None);
        };
        let most = (CELLS_A_BLOCK / self.cells.max(1)).max(1);
        let rows = self.next..self.groups[group].end.min(self.next + most);
        self.next = rows.end;
        self.block(group, rows).map(Some)
    }

    /// Rows of one row group, counted through the file, with what is wrong with each.
    fn block(&self, group: usize, rows: Range<usize>) -> Result<RowBlock> {
        let first = self.groups[group].start;
        let read = self
            .file
            .rows_of_group(group, rows.start - first..rows.end - first)?;
        let mut block = RowBlock {
            cells: vec![f32::NAN; rows.len() * self.cells],
            beside: vec![Vec::new(); self.layout.columns.len() - 1],
            place: rows.map(|r| r as u64).collect(),
            ..RowBlock::default()
        };
        let mut cell = 0;
        for (at, role) in self.roles.iter().enumerate() {
            match role {
                MatColumn::Cell => {
                    let places = block.cells.iter_mut().skip(cell).step_by(self.cells.max(1));
                    for (place, value) in places.zip(self.file.f32s(&read, at)?) {
                        *place = value;
                    }
                    cell += 1;
                }
                MatColumn::Time => block.time = self.file.f64s(&read, at)?,
                MatColumn::Beside(k) => block.beside[*k] = self.file.f64s(&read, at)?,
            }
        }
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
        Ok(block)
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
                    return Err(self.file.unreadable("it has fewer rows than before").into());
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
