//! A folder that was not there, whole or not at all.

use super::staging::Staging;
use super::{guard, refuse_existing};
use crate::error::{Error, Result};
use crate::read::hex;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// Bytes of a file that are copied at a time.
const PIECE: usize = 1 << 20;
const DISK_ADVICE: &str = "check that the disk is not full";

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

    /// The same where nothing may be written into any of `folders`, which are there.
    ///
    /// # Errors
    /// As [`NewFolder::begin`]; [`Error::Refused`] for a place within one of them.
    pub fn begin_outside(out: &Path, folders: &[&Path]) -> Result<NewFolder> {
        refuse_existing(out)?;
        let target = guard::resolve(out)?;
        let holder = folders.iter().find(|f| f.canonicalize().is_ok_and(|real| target.starts_with(real)));
        match holder {
            None => NewFolder::begin(out),
            Some(holder) => Err(Error::Refused {
                found: format!("{} lies within {}, where nothing may be changed", out.display(), holder.display()),
                advice: "name a place beside it".to_owned(),
            }),
        }
    }

    /// Adds a file, by its path in the folder.
    ///
    /// # Errors
    /// [`Error::Io`] when the system will not write.
    pub fn write(&self, name: impl AsRef<Path>, bytes: &[u8]) -> Result<()> {
        let name = name.as_ref();
        let write = || std::fs::write(self.place(name)?, bytes);
        write().map_err(|e| Error::io(self.shown.join(name), e, DISK_ADVICE))
    }

    /// Copies a file that cannot be made again, piece by piece: it is forced to the disk, and what stands there is read back and
    /// has the hash of what was read.
    ///
    /// # Errors
    /// [`Error::Io`] when the system will not read or write, or what stands on the disk is not what was written. The hash that
    /// is given back is that of the bytes read.
    pub fn copy(&self, name: &Path, mut from: File) -> Result<String> {
        let hashed = |source: &mut dyn Read, to: Option<&mut File>| -> std::io::Result<String> {
            let (mut hash, mut piece, mut to) = (Sha256::new(), vec![0; PIECE], to);
            loop {
                let n = source.read(&mut piece)?;
                if n == 0 {
                    return Ok(hex(&hash.finalize()));
                }
                hash.update(&piece[..n]);
                if let Some(to) = &mut to {
                    to.write_all(&piece[..n])?;
                }
            }
        };
        let mut copy = || -> std::io::Result<String> {
            let path = self.place(name)?;
            let mut to = File::create_new(&path)?;
            let read = hashed(&mut from, Some(&mut to))?;
            to.sync_all()?;
            match hashed(&mut File::open(&path)?, None)? == read {
                true => Ok(read),
                false => Err(std::io::Error::other("the copy does not hold what was read")),
            }
        };
        copy().map_err(|e| Error::io(self.shown.join(name), e, DISK_ADVICE))
    }

    /// Where a file is made, within a folder that is there.
    fn place(&self, name: &Path) -> std::io::Result<PathBuf> {
        let path = self.staging.new_results().join(name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        Ok(path)
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
