//! The temporary folder beside a result folder, in which the new results are built and the old ones pass away.
//!
//! `.NAME.tautpoint-XXXXXX/` holds a marker file, `new/` while results are being built and `old/` between the two
//! renames that swap them in. The marker is locked as long as its run lives, so that a later run can tell a
//! leftover from a neighbour at work.

use super::{FOLDER_MODE, set_mode};
use crate::error::{Error, Result};
use std::fs::{self, File, TryLockError};
use std::io::Write;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const MARKER: &str = "unfinished";
const MARKER_TEXT: &[u8] =
    b"Results of tautpoint, not finished. A later run into the same folder clears this away. \
If that folder is missing, `old` here holds the earlier results whole, and `new` the later ones.\n";

/// A staging folder of this run; removed when dropped.
pub(super) struct Staging {
    // The lock is given up before the folder is removed.
    lock: File,
    folder: TempDir,
}

impl Staging {
    /// Makes the staging folder of `target`, clears away what killed runs left, and refuses when another run is at
    /// work on the same folder.
    pub(super) fn begin(shown: &Path, target: &Path) -> Result<Staging> {
        let advice = "check that the disk is not full";
        let failed = |e| Error::io(shown, e, advice);
        let folder = beside(shown, target.parent().unwrap_or(target), &prefix(target))?;
        let mut lock = File::create(folder.path().join(MARKER)).map_err(failed)?;
        // Some file systems cannot lock; then leftovers stay and neighbours are not noticed.
        let _ = lock.try_lock();
        lock.write_all(MARKER_TEXT).map_err(failed)?;
        let staging = Staging { lock, folder };
        staging.sweep(shown, target)?;
        fs::create_dir(staging.new_results()).map_err(failed)?;
        set_mode(&staging.new_results(), FOLDER_MODE).map_err(failed)?;
        Ok(staging)
    }

    /// Where the new results are built.
    pub(super) fn new_results(&self) -> PathBuf {
        self.folder.path().join("new")
    }

    /// Swaps the new results in: the old ones out of the way, the new ones into place.
    ///
    /// A kill between the two renames leaves no folder of that name, but both the old and the new results whole in
    /// the staging folder; the next run puts the old ones back before it begins.
    pub(super) fn swap(self, shown: &Path, target: &Path) -> Result<()> {
        let advice = "give a folder that this account may rename, not one that is in use or a mount point";
        let old = self.folder.path().join("old");
        let had_old = match fs::rename(target, &old) {
            Ok(()) => true,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => false,
            Err(e) => return Err(Error::io(shown, e, advice)),
        };
        if let Err(error) = fs::rename(self.new_results(), target) {
            if had_old && fs::rename(&old, target).is_err() {
                let kept = self.folder.keep();
                return Err(Error::io(
                    kept.join("old"),
                    error,
                    "the earlier results are kept here; move them back by hand",
                ));
            }
            return Err(Error::io(shown, error, advice));
        }
        // The results are in place: what is left over can be cleared by the next run, which knows it by its marker,
        // so the marker goes last.
        let _ = fs::remove_dir_all(&old);
        drop(self.lock);
        let _ = self.folder.close();
        Ok(())
    }

    fn sweep(&self, shown: &Path, target: &Path) -> Result<()> {
        let parent = target.parent().unwrap_or(target);
        let prefix = prefix(target);
        let Ok(entries) = fs::read_dir(parent) else {
            return Ok(());
        };
        for entry in entries.flatten() {
            let ours = entry.file_name().to_string_lossy().starts_with(&prefix);
            let folder = entry.file_type().is_ok_and(|t| t.is_dir());
            if ours && folder && entry.path() != self.folder.path() {
                clear_leftover(shown, target, &entry.path())?;
            }
        }
        Ok(())
    }
}

/// A temporary folder beside what is to be made, on the same disk; the folder above is made when it is missing.
pub(super) fn beside(shown: &Path, parent: &Path, prefix: &str) -> Result<TempDir> {
    let make = || {
        fs::create_dir_all(parent)?;
        tempfile::Builder::new().prefix(prefix).tempdir_in(parent)
    };
    let advice = "check that the folder above it may be written and that the disk is not full";
    make().map_err(|e| Error::io(shown, e, advice))
}

fn prefix(target: &Path) -> String {
    let name = target.file_name().unwrap_or_default().to_string_lossy();
    format!(".{name}.tautpoint-")
}

/// Removes a staging folder whose run is dead, after putting back old results it holds. One that cannot be shown to
/// be ours and dead is left alone.
fn clear_leftover(shown: &Path, target: &Path, leftover: &Path) -> Result<()> {
    let marker = leftover.join(MARKER);
    if !fs::read(&marker).is_ok_and(|text| text == MARKER_TEXT) {
        return Ok(());
    }
    let Ok(lock) = File::options().read(true).write(true).open(&marker) else {
        return Ok(());
    };
    match lock.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            return Err(Error::Refused {
                found: format!("another run is writing to {}", shown.display()),
                advice: "wait until it has ended, or give another folder".to_owned(),
            });
        }
        Err(TryLockError::Error(_)) => return Ok(()),
    }
    let (old, new) = (leftover.join("old"), leftover.join("new"));
    if old.is_dir() && new.is_dir() {
        // Killed between the two renames. If somebody has made the folder anew since, this is not ours to settle.
        if target.exists() {
            return Ok(());
        }
        fs::rename(&old, target)
            .map_err(|e| Error::io(&old, e, "earlier results are kept here; move them back by hand"))?;
    }
    // A leftover that cannot be removed harms nobody. The marker goes last, so that a next run still knows it.
    let _ = fs::remove_dir_all(&old);
    let _ = fs::remove_dir_all(&new);
    drop(lock);
    let _ = fs::remove_dir_all(leftover);
    Ok(())
}
