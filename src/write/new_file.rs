//! A file that was not there, whole or not at all.

use super::FILE_MODE;
use crate::error::{Error, Result};
use std::fs::File;
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
        file.as_file().sync_all()?;
        super::set_mode(file.path(), FILE_MODE)?;
        file.persist_noclobber(path).map_err(|e| e.error)?;
        Ok(())
    };
    // The system's own words would name the temporary file, which nobody asked for.
    write().map_err(|e| Error::io(path, e.kind().into(), advice))
}

/// Writes a new file whole that nobody else on this machine may read; `false` when one is there already, which is left
/// alone.
///
/// # Errors
/// [`Error::Io`] when the system will not write.
pub fn write_new_private(path: &Path, bytes: &[u8]) -> Result<bool> {
    let folder = parent_folder(path)?;
    let write = || -> std::io::Result<bool> {
        let mut file = tempfile::Builder::new()
            .prefix(".tautpoint-")
            .tempfile_in(folder)?;
        file.write_all(bytes)?;
        file.as_file().sync_all()?;
        super::set_mode(file.path(), super::PRIVATE_MODE)?;
        match file.persist_noclobber(path) {
            Ok(_) => Ok(true),
            Err(e) if e.error.kind() == std::io::ErrorKind::AlreadyExists => Ok(false),
            Err(e) => Err(e.error),
        }
    };
    write().map_err(|e| Error::io(path, e.kind().into(), "check that the folder is writable and has room"))
}

/// Waits until nobody else holds a file that is there, and holds it until what is given back is dropped.
///
/// # Errors
/// When the file cannot be opened or this system locks none.
pub fn lock_file(path: &Path) -> std::io::Result<File> {
    loop {
        let file = File::options().read(true).write(true).open(path)?;
        file.lock()?;
        // Whoever held it may have put another in its place meanwhile.
        if is_still(&file, path)? {
            return Ok(file);
        }
    }
}

#[cfg(unix)]
fn is_still(file: &File, path: &Path) -> std::io::Result<bool> {
    use std::os::unix::fs::MetadataExt;
    let (held, there) = (file.metadata()?, std::fs::metadata(path)?);
    Ok((held.dev(), held.ino()) == (there.dev(), there.ino()))
}

#[cfg(not(unix))]
fn is_still(_: &File, _: &Path) -> std::io::Result<bool> {
    Ok(true)
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
