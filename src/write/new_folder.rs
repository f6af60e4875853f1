//! A folder that was not there, whole or not at all.

use super::staging::beside;
use crate::error::{Error, Result};
use std::path::{Path, PathBuf};

/// A new folder in the making, beside where it will be. Nothing that exists is replaced.
pub struct NewFolder {
    out: PathBuf,
    folder: tempfile::TempDir,
}

impl NewFolder {
    /// Begins a folder.
    ///
    /// # Errors
    /// [`Error::Refused`] when something is there already, [`Error::Io`] when the system will not write.
    pub fn begin(out: &Path) -> Result<NewFolder> {
        if out.symlink_metadata().is_ok() {
            return Err(Error::Refused {
                found: format!("{} is there already", out.display()),
                advice: "name a new folder: nothing that exists is replaced".to_owned(),
            });
        }
        let parent = match out.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        Ok(NewFolder {
            out: out.to_owned(),
            folder: beside(out, parent, ".tautpoint-new-")?,
        })
    }

    /// Adds a file, by its path in the folder.
    ///
    /// # Errors
    /// [`Error::Io`] when the system will not write.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<()> {
        let path = self.folder.path().join("new").join(name);
        let write = || -> std::io::Result<()> {
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)?;
            }
            std::fs::write(&path, bytes)
        };
        write().map_err(|e| Error::io(self.out.join(name), e, "check that the disk is not full"))
    }

    /// Puts the folder in its place.
    ///
    /// # Errors
    /// [`Error::Io`] when the system will not rename it.
    pub fn finish(self) -> Result<()> {
        let advice = "name a new folder on the same disk";
        std::fs::rename(self.folder.path().join("new"), &self.out)
            .map_err(|e| Error::io(&self.out, e, advice))
    }
}
