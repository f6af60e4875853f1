//! Where the recorder writes: every change that it makes on a disk passes here.
//!
//! [`FileDisk`] is the real one. Tests put others in its place: one whose n-th call fails, and one that remembers what was
//! written and in which order it was forced out, so that a loss of power can be played at any moment.

use super::sync_folder;
use crate::error::Result;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::Arc;

/// A trace that is open.
pub trait Sink: Send + Sync {
    /// Adds bytes at the end; gives how many it took.
    ///
    /// # Errors
    /// As the system gives them.
    fn write(&self, bytes: &[u8]) -> std::io::Result<usize>;
    /// Forces what was written to the disk. May be called while something else is being written.
    ///
    /// # Errors
    /// As the system gives them.
    fn sync(&self) -> std::io::Result<()>;
    /// Takes off everything beyond a length: the part of a line that still fitted on a full disk.
    ///
    /// # Errors
    /// As the system gives them.
    fn cut(&self, length: u64) -> std::io::Result<()>;
    /// Reads what was written, wherever its name leads by now.
    ///
    /// # Errors
    /// As the system gives them.
    fn read(&self, from: u64, into: &mut [u8]) -> std::io::Result<usize>;
    /// Whether a path still leads to it.
    fn is_at(&self, path: &Path) -> bool;
}

/// A disk.
pub trait Disk: Send + Sync {
    /// Makes a folder and those above it.
    ///
    /// # Errors
    /// As the system gives them.
    fn make_folder(&self, path: &Path) -> std::io::Result<()>;
    /// Opens a new trace; never one that is there already.
    ///
    /// # Errors
    /// As the system gives them.
    fn create(&self, path: &Path) -> std::io::Result<Arc<dyn Sink>>;
    /// Writes a file whole or not at all.
    ///
    /// # Errors
    /// As [`write_file_whole`](crate::write::write_file_whole).
    fn replace(&self, path: &Path, bytes: &[u8]) -> Result<()>;
    /// Adds to a list, in one write that is on the disk when this returns.
    ///
    /// # Errors
    /// As the system gives them; the list may then hold a part.
    fn append(&self, path: &Path, bytes: &[u8]) -> std::io::Result<()>;
    /// Forces a folder's names to the disk, where the system can.
    fn sync_folder(&self, path: &Path);
}

/// The disk that files are on.
#[derive(Debug, Clone, Copy, Default)]
pub struct FileDisk;

impl Disk for FileDisk {
    fn make_folder(&self, path: &Path) -> std::io::Result<()> {
        std::fs::create_dir_all(path)
    }

    fn create(&self, path: &Path) -> std::io::Result<Arc<dyn Sink>> {
        // In append mode a write after `cut` goes to the new end.
        let file = File::options()
            .read(true)
            .append(true)
            .create_new(true)
            .open(path)?;
        Ok(Arc::new(file))
    }

    fn replace(&self, path: &Path, bytes: &[u8]) -> Result<()> {
        crate::write::write_file_whole(path, bytes)
    }

    fn append(&self, path: &Path, bytes: &[u8]) -> std::io::Result<()> {
        let mut file = File::options().append(true).create(true).open(path)?;
        file.write_all(bytes)?;
        file.sync_all()
    }

    fn sync_folder(&self, path: &Path) {
        sync_folder(path);
    }
}

impl Sink for File {
    fn write(&self, bytes: &[u8]) -> std::io::Result<usize> {
        let mut file = self;
        Write::write(&mut file, bytes)
    }

    fn sync(&self) -> std::io::Result<()> {
        self.sync_data()
    }

    fn cut(&self, length: u64) -> std::io::Result<()> {
        self.set_len(length)
    }

    fn read(&self, from: u64, into: &mut [u8]) -> std::io::Result<usize> {
        let mut file = self;
        file.seek(SeekFrom::Start(from))?;
        Read::read(&mut file, into)
    }

    #[cfg(unix)]
    fn is_at(&self, path: &Path) -> bool {
        use std::os::unix::fs::MetadataExt;
        let id = |m: std::fs::Metadata| (m.dev(), m.ino());
        match (self.metadata(), std::fs::metadata(path)) {
            (Ok(own), Ok(there)) => id(own) == id(there),
            _ => false,
        }
    }

    #[cfg(not(unix))]
    fn is_at(&self, path: &Path) -> bool {
        path.exists()
    }
}
