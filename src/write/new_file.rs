//! A file that was not there, whole or not at all.

use super::FILE_MODE;
use crate::error::{Error, Result};
use std::io::Write;
use std::path::Path;

/// Writes a new file whole or not at all, readable by others; one that is there already is left alone.
///
/// # Errors
/// [`Error::Refused`] when the file exists, [`Error::Io`] when the system will not write.
pub fn write_new(path: &Path, text: &str) -> Result<()> {
    refuse_existing(path)?;
    let folder = parent_folder(path)?;
    let advice = "check that the folder is writable and has room";
    let write = || -> std::io::Result<()> {
        let mut file = tempfile::Builder::new()
            .prefix(".tautpoint-")
            .tempfile_in(folder)?;
        file.write_all(text.as_bytes())?;
        super::set_mode(file.path(), FILE_MODE)?;
        file.persist_noclobber(path).map_err(|e| e.error)?;
        Ok(())
    };
    // The system's own words would name the temporary file, which nobody asked for.
    write().map_err(|e| Error::io(path, e.kind().into(), advice))
}

/// The folder that a new path would stand in.
///
/// # Errors
/// [`Error::Refused`] when there is no such folder.
pub fn parent_folder(path: &Path) -> Result<&Path> {
    let folder = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    if folder.is_dir() {
        return Ok(folder);
    }
    Err(Error::Refused {
        found: format!("there is no folder {}", folder.display()),
        advice: "make it first, or name another place".to_owned(),
    })
}

/// Declines when something is at that path already.
///
/// # Errors
/// [`Error::Refused`].
pub fn refuse_existing(path: &Path) -> Result<()> {
    if path.symlink_metadata().is_ok() {
        return Err(Error::Refused {
            found: format!("{} is there already", path.display()),
            advice: "name another place, or remove it first: nothing that exists is replaced".to_owned(),
        });
    }
    Ok(())
}
