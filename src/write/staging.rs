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

/// Times that a staging folder is made anew when another run clears it away in the moment before its lock.
const ATTEMPTS: usize = 5;

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
        let failed = |e| Error::io(shown, e, "check that the disk is not full");
        let mut made = None;
        for _ in 0..ATTEMPTS {
            let folder = beside(shown, target.parent().unwrap_or(target), &prefix(target))?;
            match Self::mark(folder) {
                Ok(staging) => {
                    made = Some(staging);
                    break;
                }
                // A run that began at the same moment took it for what a killed one had left.
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
                Err(e) => return Err(failed(e)),
            }
        }
        let staging = made.ok_or_else(|| failed(std::io::ErrorKind::NotFound.into()))?;
        staging.sweep(shown, target)?;
        set_mode(&staging.new_results(), FOLDER_MODE).map_err(failed)?;
        Ok(staging)
    }

    /// Marks the folder as this run's.
    fn mark(folder: TempDir) -> std::io::Result<Staging> {
        let marker = folder.path().join(MARKER);
        let mut lock = File::create(&marker)?;
        // Some file systems cannot lock; then leftovers stay and neighbours are not noticed.
        let _ = lock.try_lock();
        lock.write_all(MARKER_TEXT)?;
        fs::create_dir(folder.path().join("new"))?;
        fs::metadata(&marker)?;
        Ok(Staging { lock, folder })
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

/// Removes a folder whose run was killed before its marker was whole, or after that was gone again: nothing but an empty folder goes.
/// A run that was only about to write the marker makes another folder.
fn clear_unmarked(leftover: &Path, marker: Option<&Path>) {
    if let Some(marker) = marker {
        let alone = fs::read_dir(leftover).is_ok_and(|e| e.count() == 1);
        let free = File::options().write(true).open(marker).is_ok_and(|f| f.try_lock().is_ok());
        if !(alone && free) {
            return;
        }
        let _ = fs::remove_file(marker);
    }
    let _ = fs::remove_dir(leftover);
}

/// Removes a staging folder whose run is dead, after putting back old results it holds. One that cannot be shown to
/// be ours and dead is left alone.
fn clear_leftover(shown: &Path, target: &Path, leftover: &Path) -> Result<()> {
    let marker = leftover.join(MARKER);
    match fs::read(&marker) {
        Ok(text) if text == MARKER_TEXT => {}
        Ok(text) if MARKER_TEXT.starts_with(&text) => {
            clear_unmarked(leftover, Some(&marker));
            return Ok(());
        }
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            clear_unmarked(leftover, None);
            return Ok(());
        }
        _ => return Ok(()),
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_kill_beside_the_marker_leaves_is_cleared_and_nothing_else() {
        let place = tempfile::tempdir().unwrap();
        let target = place.path().join("results");
        let leftover = |name: &str| {
            let folder = place.path().join(format!(".results.tautpoint-{name}"));
            fs::create_dir(&folder).unwrap();
            folder
        };
        let empty = leftover("aaaaaa");
        let begun = leftover("bbbbbb");
        fs::write(begun.join(MARKER), &MARKER_TEXT[..7]).unwrap();
        let at_work = leftover("cccccc");
        let lock = File::create(at_work.join(MARKER)).unwrap();
        lock.lock().unwrap();
        let foreign = leftover("dddddd");
        fs::write(foreign.join("notes.txt"), "kept").unwrap();

        let staging = Staging::begin(&target, &target).unwrap();
        assert!(!empty.exists() && !begun.exists());
        assert!(at_work.exists() && foreign.join("notes.txt").exists());
        assert!(staging.new_results().is_dir());
        drop(staging);
    }

    #[test]
    fn runs_that_begin_at_one_moment_take_no_folder_from_each_other() {
        let place = tempfile::tempdir().unwrap();
        let target = place.path().join("results");
        std::thread::scope(|s| {
            for _ in 0..8 {
                s.spawn(|| {
                    for _ in 0..20 {
                        match Staging::begin(&target, &target) {
                            Ok(staging) => assert!(staging.new_results().is_dir()),
                            Err(e) => assert!(e.to_string().contains("another run is writing"), "{e}"),
                        }
                    }
                });
            }
        });
        assert_eq!(fs::read_dir(place.path()).unwrap().count(), 0);
    }
}
