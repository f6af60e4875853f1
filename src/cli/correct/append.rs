//! One entry more at the end of corrections.toml, or none.

use crate::error::{Error, Result};
use crate::study::corrections::{CorrectionEntry, Corrections, FILE_NAME, entry_to_toml, heading, parse};
use crate::study::door::FileKind;
use crate::write::{refuse_link, write_new};
use std::fs::{File, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

const ADVICE: &str =
    "check that the folder may be written and that the disk is not full; the file is as it was";

/// Adds an entry to the file as `known`. Whoever adds one meanwhile is not overwritten.
///
/// # Errors
/// [`Error::Refused`] when another entry was added since the file was read, or another program is adding one;
/// [`Error::Io`]: the file is then as it was.
pub fn append(root: &Path, known: &Corrections, entry: &CorrectionEntry) -> Result<()> {
    let path = root.join(FILE_NAME);
    let text = entry_to_toml(entry);
    reads_back(known, entry)?;
    if known.entries.is_empty() && path.symlink_metadata().is_err() {
        return write_new(&path, &format!("{}{text}", heading()));
    }
    refuse_link(&path)?;
    let failed = |e| Error::io(&path, e, ADVICE);
    let mut file = File::options()
        .read(true)
        .write(true)
        .open(&path)
        .map_err(failed)?;
    // Where a file system cannot lock, the entries are still compared.
    if let Err(TryLockError::WouldBlock) = file.try_lock() {
        return Err(meanwhile("another program is adding an entry"));
    }
    let mut old = String::new();
    (&file)
        .take(FileKind::Settings.most_bytes())
        .read_to_string(&mut old)
        .map_err(failed)?;
    if parse(FILE_NAME, &old).0 != *known {
        return Err(meanwhile("another entry was added meanwhile"));
    }
    let end = old.len() as u64;
    let new = if old.ends_with('\n') {
        text
    } else {
        format!("\n{text}")
    };
    let write = |file: &mut File| {
        file.seek(SeekFrom::Start(end))?;
        file.write_all(new.as_bytes())?;
        file.sync_data()
    };
    write(&mut file).map_err(|e| {
        let _ = file.set_len(end);
        failed(e)
    })
}

/// Nothing is written that the file could not be read with.
fn reads_back(known: &Corrections, entry: &CorrectionEntry) -> Result<()> {
    let all = known.entries.iter().chain([entry]);
    let text = all
        .clone()
        .fold(heading().to_owned(), |text, e| text + &entry_to_toml(e));
    let (read, problems) = parse(FILE_NAME, &text);
    if read.entries.iter().eq(all) && text.len() as u64 <= FileKind::Settings.most_bytes() {
        return Ok(());
    }
    Err(Error::Refused {
        found: problems.first().map_or_else(
            || "an entry that would not read back".to_owned(),
            |p| p.found.clone(),
        ),
        advice: "write it plainly; nothing was written".to_owned(),
    })
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
        append(dir.path(), &empty, &first()).unwrap();
        let before = std::fs::read(&path).unwrap();
        let refused = append(dir.path(), &empty, &first());
        assert!(matches!(refused, Err(Error::Refused { .. })), "{refused:?}");
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }
}
