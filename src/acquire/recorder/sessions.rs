//! sessions.csv: in which sessions the cautions were shown before whom was pressed, and whether somebody confirmed them.

use crate::study::door::{self, FileKind};
use super::append::append_row;
use super::disk::Disk;
use crate::error::{Problem, Result};
use crate::study::table::TextTable;
use std::path::Path;

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = "sessions.csv";

/// How the cautions were met in a session for a subject, as the file has it: `confirmed` or `shown`; `None` before they
/// were shown. What holds for one person says nothing of the next, nor of somebody without a code.
pub fn met(root: &Path, session: &str, subject: Option<&str>) -> Option<&'static str> {
    let subject = subject?;
    let text = door::read_to_string(&root.join(FILE_NAME), FileKind::Table).ok()?;
    let mut problems: Vec<Problem> = Vec::new();
    let table = TextTable::parse(FILE_NAME, &text, &mut problems).ok()?;
    let rows = table.rows.iter().filter(|r| r.get("session") == Some(session) && r.get("subject") == Some(subject));
    let words = rows.filter_map(|r| {
        ["confirmed", "shown"]
            .into_iter()
            .find(|w| r.get("cautions") == Some(w))
    });
    // One confirmation is enough.
    words.min()
}

/// Stores how they were met.
///
/// # Errors
/// As [`append_row`].
pub fn store(disk: &dyn Disk, root: &Path, session: &str, subject: Option<&str>, met: &str) -> Result<()> {
    let time = super::stamp();
    let subject = subject.unwrap_or_default();
    let cells = [
        ("session", session),
        ("subject", subject),
        ("time", time.as_str()),
        ("cautions", met),
    ];
    append_row(disk, &root.join(FILE_NAME), &cells, &["session", "cautions"])
}

#[cfg(test)]
mod tests {
    use super::super::disk::FileDisk;
    use super::*;

    #[test]
    fn what_is_stored_of_a_session_is_found_again() {
        let dir = tempfile::tempdir().unwrap();
        let (root, disk) = (dir.path(), &FileDisk);
        let v7 = Some("V-07");
        assert_eq!(met(root, "s,1", v7), None);
        store(disk, root, "s,1", v7, "shown").unwrap();
        assert_eq!(met(root, "s,1", v7), Some("shown"));
        store(disk, root, "s,1", v7, "confirmed").unwrap();
        assert_eq!(met(root, "s,1", v7), Some("confirmed"));
        assert_eq!(met(root, "s2", v7), None);
        assert_eq!(met(root, "s,1", Some("V-08")), None, "the next volunteer is asked too");
        store(disk, root, "s3", None, "confirmed").unwrap();
        assert_eq!(met(root, "s3", None), None, "nobody knows whether it is the same person");
    }

    #[test]
    fn a_list_from_before_subjects_were_in_it_goes_on_and_asks_again() {
        let dir = tempfile::tempdir().unwrap();
        let old = "session,time,cautions\ns1,2026-09-14T10:00:00+02:00,confirmed\n";
        std::fs::write(dir.path().join(FILE_NAME), old).unwrap();
        assert_eq!(met(dir.path(), "s1", Some("V-07")), None);
        store(&FileDisk, dir.path(), "s1", Some("V-07"), "shown").unwrap();
    }
}
