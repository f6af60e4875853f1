//! Entries more at the end of corrections.toml, or none.

use crate::error::{Error, Result};
use crate::study::corrections::{CorrectionEntry, Corrections, FILE_NAME, file_to_toml, parse, with_added};
use crate::study::door::{self, FileKind};
use crate::write::{refuse_link, write_file_whole, write_new};
use std::fs::{File, TryLockError};
use std::path::Path;

const ADVICE: &str =
    "check that the folder may be written and that the disk is not full; the file is as it was";

/// Adds entries to the file as `known`, all or none: the file is replaced whole. Whoever adds one meanwhile is not overwritten.
///
/// # Errors
/// [`Error::Refused`] when another entry was added since the file was read, or another program is adding one;
/// [`Error::Io`]: the file is then as it was.
pub fn append(root: &Path, known: &Corrections, added: &[CorrectionEntry]) -> Result<()> {
    let path = root.join(FILE_NAME);
    let all = [&known.entries, added].concat();
    reads_back(&all)?;
    if known.entries.is_empty() && path.symlink_metadata().is_err() {
        return write_new(&path, &file_to_toml(&all));
    }
    refuse_link(&path)?;
    let failed = |e| Error::io(&path, e, ADVICE);
    let file = File::options()
        .read(true)
        .write(true)
        .open(&path)
        .map_err(failed)?;
    // Where a file system cannot lock, the entries are still compared.
    if let Err(TryLockError::WouldBlock) = file.try_lock() {
        return Err(meanwhile("another program is adding an entry"));
    }
    // By its name once more: whoever held the lock before has put another file in this one's place.
    let old = door::read_to_string(&path, FileKind::Settings).map_err(failed)?;
    if parse(FILE_NAME, &old).0 != *known {
        return Err(meanwhile("another entry was added meanwhile"));
    }
    let text = with_added(&old, &all, added);
    if parse(FILE_NAME, &text).0.entries != all {
        return Err(unreadable("a file that would not read back with it"));
    }
    write_file_whole(&path, text.as_bytes())
}

/// Nothing is written that the file could not be read with.
fn reads_back(all: &[CorrectionEntry]) -> Result<()> {
    let text = file_to_toml(all);
    let (read, problems) = parse(FILE_NAME, &text);
    if read.entries == all && text.len() as u64 <= FileKind::Settings.most_bytes() {
        return Ok(());
    }
    let first = problems.first().map(|p| p.found.as_str());
    Err(unreadable(first.unwrap_or("an entry that would not read back")))
}

fn unreadable(found: &str) -> Error {
    Error::Refused {
        found: found.to_owned(),
        advice: "write it plainly; nothing was written".to_owned(),
    }
}

fn meanwhile(found: &str) -> Error {
    Error::Refused {
        found: format!("{found} to {FILE_NAME}"),
        advice: "look at it with `tautpoint correct STUDY --list`, and run this again".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::corrections::{By, Change, Correction};

    fn first() -> CorrectionEntry {
        CorrectionEntry::Correction(Box::new(Correction {
            number: 1,
            recording: "recordings/a.csv".to_owned(),
            sha256: "0f".repeat(32),
            test: 1,
            at_s: 2.5,
            side: None,
            change: Change::LeaveOut,
            by: By {
                who: "E1".to_owned(),
                when: "2026-11-30T09:00:00Z".to_owned(),
                why: "try".to_owned(),
            },
        }))
    }

    #[test]
    fn of_two_writers_the_second_is_told() {
        let dir = tempfile::tempdir().unwrap();
        let empty = Corrections::default();
        let path = dir.path().join(FILE_NAME);
        append(dir.path(), &empty, &[first()]).unwrap();
        let before = std::fs::read(&path).unwrap();
        let refused = append(dir.path(), &empty, &[first()]);
        assert!(matches!(refused, Err(Error::Refused { .. })), "{refused:?}");
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }
}
