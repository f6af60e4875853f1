//! Some frames at a time, as they stand in a file.

use crate::mat::frame::FrameFault;

/// A frame of which more than this share of the cells is missing is left out.
pub(super) const MISSING_SHARE: f64 = 0.25;

/// Consecutive rows of a mat file. Cells are raw readings, one row after the other; a missing one is NaN.
#[derive(Debug, Clone, Default)]
pub(super) struct RowBlock {
    pub time: Vec<f64>,
    pub cells: Vec<f32>,
    pub fault: Vec<Option<FrameFault>>,
    /// Some, but not too many, cells of the row are missing.
    pub gaps: Vec<bool>,
    /// Where each row stands: a byte offset or a row number.
    pub place: Vec<u64>,
    /// Line of each row; empty where a file has no lines.
    pub line: Vec<u64>,
    /// What stands beside time and cells, column after column.
    pub beside: Vec<Vec<f64>>,
}

impl RowBlock {
    /// How many rows.
    pub fn len(&self) -> usize {
        self.time.len()
    }
}
