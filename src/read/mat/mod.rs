//! Files of a pressure mat: time, then one column a cell in row order. See [`crate::mat`] for what becomes of frames.

mod assemble;
mod block;
mod columns;
mod parquet;
mod pass;
mod reader;
mod recording;
mod sequence;
mod text;

pub use reader::read_frames;
pub use recording::read_mat;

use crate::settings;
use crate::study::mapping::ColumnMapping;
use crate::study::mat_setup::MatSetup;
use std::path::Path;

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
