//! SHA256SUMS: the hash of each recording as it was made.

use super::append;
use super::disk::Disk;
use crate::error::{Error, Result};
use crate::read::sha256_hex;
use crate::study::door::{self, FileKind};
use std::path::Path;

/// Folder of a study that recordings go into.
pub const FOLDER: &str = "recordings";
/// Hashes of the recordings, in that folder.
pub const SUMS: &str = "SHA256SUMS";

/// Adds the hash of a recording to SHA256SUMS. `name` is within the folder of recordings.
///
/// # Errors
/// [`Error::Io`] when the system will not write.
pub fn add_sum(disk: &dyn Disk, root: &Path, name: &str, sha256: &str) -> Result<()> {
    append::append_line(disk, &root.join(FOLDER).join(SUMS), None, &line_of(name, sha256))
}

/// A line of SHA256SUMS, without its end: what would end it is escaped in the way of `sha256sum`.
pub fn line_of(name: &str, sha256: &str) -> String {
    let escaped = name
        .replace('\\', "\\\\")
        .replace('\n', "\\n")
        .replace('\r', "\\r");
    let mark = if escaped == name { "" } else { "\\" };
    format!("{mark}{sha256}  {escaped}")
}

/// Adds the hash of a recording that is on the disk.
///
/// # Errors
/// [`Error::Io`] when it cannot be read or the sums not be written.
pub fn add_sum_of(disk: &dyn Disk, root: &Path, name: &str) -> Result<()> {
    let path = root.join(FOLDER).join(name);
    let bytes = door::read(&path, FileKind::Hashes).map_err(|e| Error::io(&path, e, "check its permissions"))?;
    add_sum(disk, root, name, &sha256_hex(&bytes))
}
