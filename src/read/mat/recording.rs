//! A whole mat recording: one pass through its frames or, where the first shows a need, two.

use super::MatSource;
use super::assemble::assemble_mat;
use super::pass::pass;
use super::reader::MatReader;
use crate::error::{Error, Result};
use crate::read::counts::CalibrationChoice;
use crate::read::{HashWriter, ReadTrace, hex};
use crate::trace::About;
use std::path::Path;

/// All-zero frames for longer than this, in s, are a mat switched off, not frames lost.
const DROPOUT_S: f64 = 1.0;

/// Reads a mat recording: a trace with one channel a hand, and the record beside it. `sha256` is that of the file, when it
/// is known already.
///
/// # Errors
/// [`Error::Io`] when the file cannot be read; [`Error::Data`] when its cells do not match `[mat]`, when its time runs
/// backwards, when over a fifth of its frames are corrupt, or when nothing was ever loaded.
pub fn read_mat(
    source: &MatSource<'_>,
    about: About,
    calibrations: CalibrationChoice<'_>,
    sha256: Option<String>,
) -> Result<ReadTrace> {
    let named: Vec<usize> = source
        .setup
        .dead
        .iter()
        .map(|(row, col)| (row - 1) * source.setup.cols + col - 1)
        .collect();
    let (mut passed, reader) = pass(source, None, &named, sha256.is_none())?;
    let (sha256, bytes) = match sha256 {
        Some(known) => (known, size(source.path)?),
        None => sums(source.path, reader)?,
    };
    let loaded_start = passed.loaded_start(source);
    let faults = passed.judge_cells(source);
    if loaded_start.is_some() || faults.iter().any(|f| !named.contains(&f.0)) {
        let masked: Vec<usize> = faults.iter().map(|f| f.0).collect();
        passed = pass(source, loaded_start, &masked, false)?.0;
    }
    passed.faults = faults;
    passed.frames.leave_out_dropouts(DROPOUT_S);
    assemble_mat(source, passed, about, calibrations, (sha256, bytes))
}

fn size(path: &Path) -> Result<u64> {
    let meta = std::fs::metadata(path);
    Ok(meta.map_err(|e| unreadable(path, e))?.len())
}

/// SHA-256 and size, from the reader that saw every byte, else from the file.
fn sums(path: &Path, reader: MatReader) -> Result<(String, u64)> {
    if let MatReader::Text(mut reader) = reader
        && let (Some(digest), bytes) = reader.sums()
    {
        return Ok((hex(&digest), bytes));
    }
    let mut hash = HashWriter::default();
    let copied = std::fs::File::open(path).and_then(|mut file| std::io::copy(&mut file, &mut hash));
    let bytes = copied.map_err(|e| unreadable(path, e))?;
    Ok((hash.finish(), bytes))
}

fn unreadable(path: &Path, cause: std::io::Error) -> Error {
    Error::io(path, cause, "check that the file may be read")
}
