//! A folder of files, whole or not at all.

use crate::error::{Error, Result};
use std::path::{Path, PathBuf};

/// A new folder in the making, beside where it will be.
pub(super) struct Staging {
    out: PathBuf,
    folder: tempfile::TempDir,
}

impl Staging {
    /// # Errors
    /// [`Error::Refused`] when something is there already, [`Error::Io`] when the system will not write.
    pub fn begin(out: &Path) -> Result<Staging> {
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
        let advice = "check that the folder above it may be written and that the disk is not full";
        let failed = |e| Error::io(out, e, advice);
        std::fs::create_dir_all(parent).map_err(failed)?;
        let folder = tempfile::Builder::new()
            .prefix(".tautpoint-convert-")
            .tempdir_in(parent)
            .map_err(failed)?;
        Ok(Staging {
            out: out.to_owned(),
            folder,
        })
    }

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
    pub fn finish(self) -> Result<()> {
        let advice = "name a new folder on the same disk";
        std::fs::rename(self.folder.path().join("new"), &self.out)
            .map_err(|e| Error::io(&self.out, e, advice))
    }
}
