//! Files to traces: delimited text and Parquet, of load cells and of pressure mats.
//!
//! Both readers fill plain columns of raw numbers; which column is what (`headings`), units, sides and the
//! invariants of a [`Trace`] (`assemble`) are settled in one place for both.

mod alike;
mod assemble;
pub mod calibrations;
mod cells;
mod channels;
pub mod columns;
pub mod counts;
mod delimited;
pub mod forces;
mod headings;
pub mod import;
mod lines;
pub mod mat;
pub mod parquet;
pub mod readings;
pub mod plausible;
pub mod recording;
mod sentinels;
mod sign;
mod stamps;
pub mod validity;

use crate::study::door::{self, FileKind};
use crate::error::{Error, Problem, Result};
use crate::mat::MatRecord;
use crate::study::mapping::ColumnMapping;
use crate::trace::{About, Trace};
use assemble::{AssembledTrace, ReadContext};
use columns::RecordedColumns;
use counts::CalibratedColumn;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::path::Path;

/// A trace with what was noticed on the way.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadTrace {
    /// The recording, in seconds, newtons and millimetres.
    pub trace: Trace,
    /// Warnings only: a fault that spoils the file is the error.
    pub problems: Vec<Problem>,
    /// SHA-256 of the file's bytes, in hexadecimal.
    pub sha256: String,
    /// Size of the file.
    pub bytes: u64,
    /// Columns whose calibration is known, with it.
    pub calibrated: Vec<CalibratedColumn>,
    /// What a pressure mat gave beside the trace.
    pub mat: Option<Box<MatRecord>>,
    /// Why some of the force may not be in the trace, in a few words each: what ceilings are held against is then not all of it.
    pub unseen_force: Vec<String>,
    /// A sensor counts the wrong way round: nothing should be measured from the trace until that is mended.
    pub inverted: Option<Box<Problem>>,
}

/// What a recording is read from.
#[derive(Debug, Clone, Copy)]
pub enum RecordingContent<'a> {
    /// The bytes of a file.
    File(&'a [u8]),
    /// Columns in memory, that no file was written of.
    Columns(&'a RecordedColumns),
}

impl<'a> RecordingContent<'a> {
    /// The bytes of the file, when it is one.
    pub fn bytes(self) -> &'a [u8] {
        match self {
            RecordingContent::File(bytes) => bytes,
            RecordingContent::Columns(_) => &[],
        }
    }
}

/// Reads one recording.
///
/// `recording` is the name that the trace and its problems carry; `mapping` and `about` come from the sidecar.
/// The file is Parquet when it begins as one does, delimited text otherwise.
///
/// # Errors
/// [`Error::Io`] when the file cannot be read, [`Error::Data`] when what it holds is no trace.
pub fn read_trace(path: &Path, recording: &str, mapping: &ColumnMapping, about: About) -> Result<ReadTrace> {
    let bytes = read_file(path)?;
    let sha256 = sha256_hex(&bytes);
    let content = RecordingContent::File(&bytes);
    from_content(path, content, sha256, recording, ReadContext::new(mapping, about))
}

fn read_file(path: &Path) -> Result<Vec<u8>> {
    door::read(path, FileKind::Recording).map_err(|e| Error::unreadable(path, e))
}

/// Reads a recording of this content; that of a file has this hash.
fn from_content(
    path: &Path,
    content: RecordingContent<'_>,
    sha256: String,
    recording: &str,
    context: ReadContext<'_>,
) -> Result<ReadTrace> {
    let bytes = match content {
        RecordingContent::File(bytes) => bytes,
        RecordingContent::Columns(held) => return Ok(told(columns::read(held, recording, context)?, sha256, held.bytes())),
    };
    let named_parquet = path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("parquet"));
    if named_parquet && !bytes.starts_with(parquet::MAGIC) {
        return Err(Problem::error(
            recording,
            "a file that does not begin as Parquet does",
            "a Parquet file",
            "write it again; delimited text is named .csv",
        )
        .into());
    }
    from_bytes(bytes, sha256, recording, context)
}

/// Reads one recording from its bytes; see [`read_trace`].
///
/// ```
/// use tautpoint::{read::read_bytes, study::mapping::ColumnMapping, trace::About};
/// let text = "time_ms;force_kgf\n0;0,0\n5;1,0\n";
/// let read = read_bytes(text.as_bytes(), "press.csv", &ColumnMapping::default(), About::default())?;
/// assert_eq!(read.trace.time_s, [0.0, 0.005]);
/// assert_eq!(read.trace.channels[0].force_n, [0.0, 9.80665]);
/// # Ok::<(), tautpoint::error::Error>(())
/// ```
///
/// # Errors
/// [`Error::Data`] when the bytes are no trace.
pub fn read_bytes(bytes: &[u8], recording: &str, mapping: &ColumnMapping, about: About) -> Result<ReadTrace> {
    let context = ReadContext::new(mapping, about);
    from_bytes(bytes, sha256_hex(bytes), recording, context)
}

fn from_bytes(bytes: &[u8], sha256: String, recording: &str, context: ReadContext<'_>) -> Result<ReadTrace> {
    let assembled = if bytes.starts_with(parquet::MAGIC) {
        parquet::read(bytes, recording, context)?
    } else {
        delimited::read(bytes, recording, context)?
    };
    Ok(told(assembled, sha256, bytes.len() as u64))
}

/// A trace put together, with what it was read from.
fn told(assembled: AssembledTrace, sha256: String, bytes: u64) -> ReadTrace {
    ReadTrace {
        trace: assembled.trace,
        problems: assembled.problems,
        sha256,
        bytes,
        calibrated: assembled.calibrated,
        mat: None,
        unseen_force: assembled.unseen,
        inverted: assembled.inverted.map(Box::new),
    }
}

/// SHA-256 (FIPS 180-4) in hexadecimal, as `sha256sum` prints it.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Hashes what is written to it, for files that are not held in memory.
#[derive(Default)]
pub(crate) struct HashWriter {
    hash: Sha256,
}

impl HashWriter {
    /// As [`sha256_hex`] of everything written.
    pub fn finish(self) -> String {
        hex(&self.hash.finalize())
    }
}

impl std::io::Write for HashWriter {
    fn write(&mut self, piece: &[u8]) -> std::io::Result<usize> {
        self.hash.update(piece);
        Ok(piece.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Bytes as hexadecimal digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(64), |mut hex, byte| {
        let _ = write!(hex, "{byte:02x}");
        hex
    })
}
