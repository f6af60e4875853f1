//! The one door through which a file of a study is opened: an ordinary file or a link to one, of a size that its kind may
//! have.
//!
//! A pipe would never end, nor would a link to a device, and a file of another kind under a known name could take all
//! memory: text takes up to 60 times its size once it is parsed.

use std::fmt;
use std::fs::{File, FileType, Metadata};
use std::io::{Error, ErrorKind, Read, Result};
use std::path::Path;

/// What a file is read as, which says how large it may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileKind {
    /// A recording that is read into memory whole.
    Recording,
    /// What is read block by block, or only hashed: as large as the disk.
    Streamed,
    /// TOML that people or the program write: study.toml, sidecars, plans, draws, certificates.
    Settings,
    /// A small table: roster, calls, readings, ratings, sessions.
    Table,
    /// SHA256SUMS.
    Hashes,
    /// What the program itself wrote of a run: run.json, parts, pages.
    Record,
}

/// Files of a study that their owner alone may read, wherever the program writes them: health data, and the tokens of pages.
pub const PRIVATE_FILES: [&str; 2] = [VOLUNTEERS, DESK_ACCESS];
/// Whether a volunteer agreed to be pressed, and where not.
pub const VOLUNTEERS: &str = "volunteers.csv";
/// Tokens of the pages of the desk.
pub const DESK_ACCESS: &str = ".desk-access.toml";

impl FileKind {
    const MB: u64 = 1 << 20;

    /// The kind of a text file by its name: TOML, or a table.
    pub fn of_text(path: &Path) -> FileKind {
        match path.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")) {
            true => FileKind::Settings,
            false => FileKind::Table,
        }
    }

    /// The largest file of the kind that is read, in bytes.
    pub fn most_bytes(self) -> u64 {
        match self {
            FileKind::Recording => 4096 * FileKind::MB,
            FileKind::Streamed => u64::MAX,
            FileKind::Settings => FileKind::MB,
            FileKind::Table => 16 * FileKind::MB,
            FileKind::Hashes => 64 * FileKind::MB,
            FileKind::Record => 1024 * FileKind::MB,
        }
    }

    fn words(self) -> &'static str {
        match self {
            FileKind::Recording => "a recording",
            FileKind::Streamed => "a file",
            FileKind::Settings => "a TOML file",
            FileKind::Table => "a table of this kind",
            FileKind::Hashes => "a list of hashes",
            FileKind::Record => "a record of a run",
        }
    }
}

/// Why a file was not opened; what the error of [`open`] holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OpenRefusal {
    /// What it is instead of an ordinary file.
    NoFile(&'static str),
    /// It has so many bytes.
    TooLarge(u64, FileKind),
}

impl fmt::Display for OpenRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mb = |bytes: u64| bytes.div_ceil(FileKind::MB);
        match self {
            OpenRefusal::NoFile(what) => write!(f, "{what} and no ordinary file"),
            OpenRefusal::TooLarge(bytes, kind) => write!(
                f,
                "{} MB, and {} has at most {} MB",
                mb(*bytes),
                kind.words(),
                mb(kind.most_bytes())
            ),
        }
    }
}

impl std::error::Error for OpenRefusal {}

impl OpenRefusal {
    fn error(self) -> Error {
        Error::new(ErrorKind::InvalidInput, self)
    }

    /// The refusal in an error, when it is one.
    pub fn of(error: &Error) -> Option<&OpenRefusal> {
        error.get_ref()?.downcast_ref()
    }
}

/// Whether anything stands under a name: a link that leads nowhere does too, and is refused by [`open`] with its name.
pub fn is_there(path: &Path) -> bool {
    path.symlink_metadata().is_ok()
}

/// Opens a file of a study.
///
/// # Errors
/// A [`OpenRefusal`] for what is no ordinary file or too large for its kind; else as the system gives them.
pub fn open(path: &Path, kind: FileKind) -> Result<File> {
    // Before opening: to open a pipe is to wait for its other end.
    check(&std::fs::metadata(path)?, kind)?;
    let file = File::open(path)?;
    check(&file.metadata()?, kind)?;
    Ok(file)
}

/// Reads a file of a study whole.
///
/// # Errors
/// As [`open`].
pub fn read(path: &Path, kind: FileKind) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    read_into(path, kind, &mut bytes)?;
    Ok(bytes)
}

/// The same into a buffer, after what it holds.
///
/// # Errors
/// As [`open`].
pub fn read_into(path: &Path, kind: FileKind, bytes: &mut Vec<u8>) -> Result<()> {
    let file = open(path, kind)?;
    let size = file.metadata().map_or(0, |m| m.len());
    bytes.reserve(usize::try_from(size).unwrap_or(0));
    // It may grow while it is read.
    let most = kind.most_bytes();
    let count = file.take(most.saturating_add(1)).read_to_end(bytes)? as u64;
    match count > most {
        true => Err(OpenRefusal::TooLarge(count, kind).error()),
        false => Ok(()),
    }
}

/// Reads a file of a study as text.
///
/// # Errors
/// As [`open`], and for bytes that are no UTF-8.
pub fn read_to_string(path: &Path, kind: FileKind) -> Result<String> {
    String::from_utf8(read(path, kind)?).map_err(|_| Error::new(ErrorKind::InvalidData, "no UTF-8 text"))
}

fn check(found: &Metadata, kind: FileKind) -> Result<()> {
    if !found.is_file() {
        return Err(OpenRefusal::NoFile(word(found.file_type())).error());
    }
    match found.len() > kind.most_bytes() {
        true => Err(OpenRefusal::TooLarge(found.len(), kind).error()),
        false => Ok(()),
    }
}

#[cfg(unix)]
fn word(kind: FileType) -> &'static str {
    use std::os::unix::fs::FileTypeExt;
    if kind.is_dir() {
        "a folder"
    } else if kind.is_fifo() {
        "a pipe"
    } else if kind.is_socket() {
        "a socket"
    } else {
        "a device"
    }
}

#[cfg(not(unix))]
fn word(kind: FileType) -> &'static str {
    match kind.is_dir() {
        true => "a folder",
        false => "something else",
    }
}
