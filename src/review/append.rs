//! Entries more at the end of corrections.toml, or none.

use crate::error::{Error, Result};
use crate::study::corrections::{CorrectionEntry, Corrections, FILE_NAME, file_to_toml, parse, with_added};
use crate::study::door::{self, FileKind};
use crate::write::{refuse_link, write_file_whole, write_new};
use std::fs::{File, TryLockError};
use std::io::ErrorKind;
use std::path::Path;

const ADVICE: &str =
    "check that the folder may be written and that the disk is not full; the file is as it was";

/// What became of the file since it was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Meanwhile {
    /// Another program is adding an entry.
    Busy,
    /// Entries were added after those that were read.
    Grown,
    /// The file is gone.
    Gone,
    /// It does not hold any more what was read: it was cut short, replaced by another or damaged.
    Shrunk,
}

impl Meanwhile {
    /// What tells the file as it is now from `known`, if anything does. Entries are only ever added, so a file with fewer has lost
    /// some.
    pub fn between(known: &Corrections, now: &Corrections, is_there: bool) -> Option<Meanwhile> {
        match now.entries.starts_with(&known.entries) && !now.faulty {
            _ if now == known => None,
            true => Some(Meanwhile::Grown),
            false if !is_there => Some(Meanwhile::Gone),
            false => Some(Meanwhile::Shrunk),
        }
    }

    /// In words.
    pub fn words(self, known: usize) -> String {
        let entries = counted_entries(known);
        match self {
            Meanwhile::Busy => format!("another program is adding an entry to {FILE_NAME}"),
            Meanwhile::Grown => format!("another entry was added to {FILE_NAME} meanwhile"),
            Meanwhile::Gone => format!("{FILE_NAME} was taken away meanwhile, with the {entries} that it held"),
            Meanwhile::Shrunk if known == 0 => format!("{FILE_NAME} has a fault"),
            Meanwhile::Shrunk => format!(
                "{FILE_NAME} does not hold the {entries} any more that it held when it was read: it was cut short, replaced or damaged \
                 meanwhile"
            ),
        }
    }
}

fn counted_entries(n: usize) -> String {
    match n {
        1 => "one entry".to_owned(),
        n => format!("{n} entries"),
    }
}

/// Why nothing was added; the file is then as it was.
#[derive(Debug)]
pub enum NotAppended {
    /// The file is not as `known`, which has so many entries.
    Meanwhile(Meanwhile, usize),
    /// It cannot be written.
    Failed(Error),
}

impl From<Error> for NotAppended {
    fn from(error: Error) -> NotAppended {
        NotAppended::Failed(error)
    }
}

impl From<NotAppended> for Error {
    fn from(not: NotAppended) -> Error {
        match not {
            NotAppended::Failed(error) => error,
            NotAppended::Meanwhile(what, known) => Error::Refused {
                found: what.words(known),
                advice: match what {
                    Meanwhile::Busy | Meanwhile::Grown => "look at it with `tautpoint correct STUDY --list`, and run this again",
                    Meanwhile::Gone | Meanwhile::Shrunk => "put it back as it was; nothing was written",
                }
                .to_owned(),
            },
        }
    }
}

/// Adds entries to the file as `known`, all or none: the file is replaced whole. Whoever adds one meanwhile is not overwritten, and
/// no entry that was known is ever left behind.
///
/// # Errors
/// [`NotAppended`]; the file is then as it was.
pub fn append(root: &Path, known: &Corrections, added: &[CorrectionEntry]) -> Result<(), NotAppended> {
    let path = root.join(FILE_NAME);
    let all = [&known.entries, added].concat();
    reads_back(&all)?;
    if known.entries.is_empty() && path.symlink_metadata().is_err() {
        return Ok(write_new(&path, &file_to_toml(&all))?);
    }
    let meanwhile = |what| NotAppended::Meanwhile(what, known.entries.len());
    if path.symlink_metadata().is_err_and(|e| e.kind() == ErrorKind::NotFound) {
        return Err(meanwhile(Meanwhile::Gone));
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
        return Err(meanwhile(Meanwhile::Busy));
    }
    // By its name once more: whoever held the lock before has put another file in this one's place.
    let old = door::read_to_string(&path, FileKind::Settings).map_err(failed)?;
    if let Some(what) = Meanwhile::between(known, &parse(FILE_NAME, &old).0, true) {
        return Err(meanwhile(what));
    }
    let text = with_added(&old, &all, added);
    if parse(FILE_NAME, &text).0.entries != all {
        return Err(unreadable("a file that would not read back with it").into());
    }
    Ok(write_file_whole(&path, text.as_bytes())?)
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
        assert!(matches!(refused, Err(NotAppended::Meanwhile(Meanwhile::Grown, 0))), "{refused:?}");
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }

    #[test]
    fn entries_that_were_known_are_never_left_behind() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(FILE_NAME);
        append(dir.path(), &Corrections::default(), &[first()]).unwrap();
        let known = parse(FILE_NAME, &std::fs::read_to_string(&path).unwrap()).0;
        let second = || match first() {
            CorrectionEntry::Correction(c) => CorrectionEntry::Correction(Box::new(Correction { number: 2, ..*c })),
            undo @ CorrectionEntry::Undo { .. } => undo,
        };
        for (left, expected) in [(None, Meanwhile::Gone), (Some(file_to_toml(&[])), Meanwhile::Shrunk), (Some(String::new()), Meanwhile::Shrunk)] {
            match &left {
                Some(text) => std::fs::write(&path, text).unwrap(),
                None => std::fs::remove_file(&path).unwrap(),
            }
            let refused = append(dir.path(), &known, &[second()]).unwrap_err();
            assert!(matches!(refused, NotAppended::Meanwhile(what, 1) if what == expected), "{refused:?}");
            assert_eq!(std::fs::read_to_string(&path).ok(), left);
            assert!(Error::from(refused).to_string().contains("put it back as it was"));
        }
    }
}
