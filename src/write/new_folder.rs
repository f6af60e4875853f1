//! A folder that was not there, whole or not at all.

use super::staging::Staging;
use super::{guard, refuse_existing};
use crate::error::{Error, Result};
use std::path::{Path, PathBuf};

/// A new folder in the making, beside where it will be. Nothing that exists is replaced; what a killed run left of the
/// same folder is cleared away.
pub struct NewFolder {
    /// As the user wrote it.
    shown: PathBuf,
    target: PathBuf,
    staging: Staging,
}

impl NewFolder {
    /// Begins a folder.
    ///
    /// # Errors
    /// [`Error::Refused`] when something is there already or another run is making it, [`Error::Io`] when the system
    /// will not write.
    pub fn begin(out: &Path) -> Result<NewFolder> {
        refuse_existing(out)?;
        let target = guard::resolve(out)?;
        Ok(NewFolder {
            shown: out.to_owned(),
            staging: Staging::begin(out, &target)?,
            target,
        })
    }

    /// Adds a file, by its path in the folder.
    ///
    /// # Errors
    /// [`Error::Io`] when the system will not write.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<()> {
        let path = self.staging.new_results().join(name);
        let write = || -> std::io::Result<()> {
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)?;
            }
            std::fs::write(&path, bytes)
        };
        write().map_err(|e| Error::io(self.shown.join(name), e, "check that the disk is not full"))
    }

    /// Puts the folder in its place.
    ///
    /// # Errors
    /// [`Error::Refused`] when something is there by now, [`Error::Io`] when the system will not rename it.
    pub fn finish(self) -> Result<()> {
        refuse_existing(&self.shown)?;
        self.staging.swap(&self.shown, &self.target)
    }
}
