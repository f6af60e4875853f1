//! At most one recorder per study.

use crate::error::{Error, Result};
use crate::write::refuse_link;
use std::fs::{File, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

/// The file that a recorder holds locked while it runs. The system gives the lock up when the program dies, however
/// it dies; the file stays, empty.
pub const FILE_NAME: &str = ".recording";

/// The lock; given up when dropped.
#[derive(Debug)]
pub struct StudyLock {
    file: File,
    /// The study's folder, locked too where the system can: the file may be deleted under a recorder that runs.
    _folder: Option<File>,
}

impl StudyLock {
    /// Takes the lock of a study, and writes into it who holds it: `who` and since when.
    ///
    /// `None` where the file system cannot lock; a second recorder is then not noticed.
    ///
    /// # Errors
    /// [`Error::Refused`] when another recorder holds it, with what that one wrote; [`Error::Io`] when the study cannot
    /// be written to.
    pub fn take(root: &Path, since: &str) -> Result<Option<StudyLock>> {
        let path = root.join(FILE_NAME);
        refuse_link(&path)?;
        // Some systems cannot open a folder, and some disks not lock one: then the file alone serves.
        let folder = File::open(root).ok();
        let folder = match folder.as_ref().map(File::try_lock) {
            Some(Err(TryLockError::WouldBlock)) => return Err(held(root, File::open(&path).ok())),
            Some(Ok(())) => folder,
            Some(Err(TryLockError::Error(_))) | None => None,
        };
        let mut file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|e| Error::io(&path, e, "check that the study's folder may be written"))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(held(root, Some(file))),
            Err(TryLockError::Error(_)) if folder.is_none() => return Ok(None),
            Err(TryLockError::Error(_)) => {}
        }
        // Naming the holder helps whoever comes second; if it cannot be written (a full disk), what follows will report that.
        let _ = file.set_len(0);
        let _ = writeln!(file, "process {}, since {since}", std::process::id());
        Ok(Some(StudyLock {
            file,
            _folder: folder,
        }))
    }
}

impl Drop for StudyLock {
    fn drop(&mut self) {
        let _ = self.file.set_len(0);
    }
}

/// A study that nobody records into for as long as this is kept. Nothing is written to take it.
#[derive(Debug)]
pub struct StudyAtRest {
    _locks: Vec<File>,
}

impl StudyAtRest {
    /// Keeps recorders away from a study; several readers may do so at once. Where the file system cannot lock, a recorder is not
    /// noticed.
    ///
    /// # Errors
    /// [`Error::Refused`] when a recorder is at work on it, with what that one wrote.
    pub fn hold(root: &Path) -> Result<StudyAtRest> {
        let path = root.join(FILE_NAME);
        refuse_link(&path)?;
        let mut locks = Vec::new();
        for file in [File::open(root), File::open(&path)].into_iter().flatten() {
            match file.try_lock_shared() {
                Ok(()) => locks.push(file),
                Err(TryLockError::WouldBlock) => return Err(held(root, File::open(&path).ok())),
                Err(TryLockError::Error(_)) => {}
            }
        }
        Ok(StudyAtRest { _locks: locks })
    }
}

fn held(root: &Path, file: Option<File>) -> Error {
    let mut by = String::new();
    if let Some(mut file) = file {
        let _ = file.seek(SeekFrom::Start(0));
        let _ = file.take(200).read_to_string(&mut by);
    }
    let by = match by.trim() {
        "" => String::new(),
        by => format!(" ({})", crate::study::words::shown(by)),
    };
    Error::Refused {
        found: format!("another recorder is at work on {}{by}", root.display()),
        advice: "end that one first, or record into another study; nothing was changed".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_reads_a_study_keeps_recorders_away_and_no_other_reader_and_writes_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let two = [StudyAtRest::hold(dir.path()).unwrap(), StudyAtRest::hold(dir.path()).unwrap()];
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
        #[cfg(unix)]
        StudyLock::take(dir.path(), "now").unwrap_err();
        drop(two);
        let recorder = StudyLock::take(dir.path(), "2026-09-14T10:02:31+02:00").unwrap();
        let refused = StudyAtRest::hold(dir.path()).unwrap_err().to_string();
        assert!(refused.contains("since 2026-09-14T10:02:31"), "{refused}");
        drop(recorder);
        StudyAtRest::hold(dir.path()).unwrap();
    }

    #[test]
    fn the_second_recorder_is_told_who_holds_the_study_and_may_in_when_the_first_has_ended() {
        let dir = tempfile::tempdir().unwrap();
        let first = StudyLock::take(dir.path(), "2026-09-14T10:02:31+02:00").unwrap();
        let second = StudyLock::take(dir.path(), "later").unwrap_err().to_string();
        let who = format!("process {}, since 2026-09-14T10:02:31", std::process::id());
        assert!(second.contains(&who), "{second}");
        // The file is gone; the study is still taken.
        #[cfg(unix)]
        {
            std::fs::remove_file(dir.path().join(FILE_NAME)).unwrap();
            let second = StudyLock::take(dir.path(), "later").unwrap_err().to_string();
            assert!(second.contains("another recorder is at work"), "{second}");
        }
        drop(first);
        let third = StudyLock::take(dir.path(), "later").unwrap();
        assert!(third.is_some());
        let named = || std::fs::read_to_string(dir.path().join(FILE_NAME)).unwrap();
        assert!(named().contains("since later"), "{}", named());
        drop(third);
        assert_eq!(named(), "", "nobody holds it");
    }
}
