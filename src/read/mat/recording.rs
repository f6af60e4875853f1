//! A whole mat recording: one pass through its frames or, where the first shows a need, two.

use crate::study::door::{self, FileKind};
use super::MatSource;
use super::assemble::assemble_mat;
use super::pass::{MatPass, pass};
use super::reader::MatReader;
use super::sequence::SharedStamps;
use crate::error::{Error, Problem, Result};
use crate::read::counts::CalibrationChoice;
use crate::read::stamps::{self, Stamps};
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
    let (mut passed, reader) = pass(source, None, &named, SharedStamps::Kept, sha256.is_none())?;
    let (sha256, bytes) = match sha256 {
        Some(known) => (known, size(source.path)?),
        None => sums(source.path, reader)?,
    };
    let (shared, even) = match stamps_of(source, &passed)? {
        Some(even) => (SharedStamps::Kept, Some(even)),
        None => (SharedStamps::LeftOut, None),
    };
    if even.is_none() && passed.equal_times > 0 {
        passed = pass(source, None, &named, shared, false)?.0;
    }
    let loaded_start = passed.loaded_start(source);
    let faults = passed.judge_cells(source);
    if loaded_start.is_some() || faults.iter().any(|f| !named.contains(&f.0)) {
        let masked: Vec<usize> = faults.iter().map(|f| f.0).collect();
        passed = pass(source, loaded_start, &masked, shared, false)?.0;
    }
    let note = even.map(|(time_s, note)| {
        passed.frames.time_s = time_s;
        note
    });
    passed.faults = faults;
    passed.frames.leave_out_dropouts(DROPOUT_S);
    let mut read = assemble_mat(source, passed, about, calibrations, (sha256, bytes))?;
    read.trace.notes.extend(note);
    Ok(read)
}

/// Times of the frames, where their stamps are not these, and the note that says so.
fn stamps_of(source: &MatSource<'_>, passed: &MatPass) -> Result<Option<(Vec<f64>, String)>, Problem> {
    match stamps::judge(&passed.frames.time_s, &[&passed.frames.total_n]) {
        Stamps::AsTheyAre => Ok(None),
        Stamps::Rebuilt { time_s, note } => Ok(Some((time_s, note))),
        Stamps::Uneven(found) => Err(stamps::uneven_problem(source.recording, found).in_column("time")),
    }
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
    let copied = door::open(path, FileKind::Streamed).and_then(|mut file| std::io::copy(&mut file, &mut hash));
    let bytes = copied.map_err(|e| unreadable(path, e))?;
    Ok((hash.finish(), bytes))
}

fn unreadable(path: &Path, cause: std::io::Error) -> Error {
    Error::io(path, cause, "check that the file may be read")
}
