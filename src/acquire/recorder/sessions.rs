//! sessions.csv: in which sessions the cautions were shown, and whether somebody confirmed them.

use super::append::append_row;
use super::disk::Disk;
use crate::error::{Problem, Result};
use crate::study::table::TextTable;
use std::path::Path;

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = "sessions.csv";

/// How the cautions of a session were met, as the file has it: `confirmed` or `shown`; `None` before they were shown.
pub fn met(root: &Path, session: &str) -> Option<&'static str> {
    let text = std::fs::read_to_string(root.join(FILE_NAME)).ok()?;
    let mut problems: Vec<Problem> = Vec::new();
    let table = TextTable::parse(FILE_NAME, &text, &mut problems).ok()?;
    let rows = table.rows.iter().filter(|r| r.get("session") == Some(session));
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
pub fn store(disk: &dyn Disk, root: &Path, session: &str, met: &str) -> Result<()> {
    let time = super::stamp();
    let cells = [("session", session), ("time", time.as_str()), ("cautions", met)];
    append_row(disk, &root.join(FILE_NAME), &cells, &["session", "cautions"])
}

#[cfg(test)]
mod tests {
    use super::super::disk::FileDisk;
    use super::*;

    #[test]
    fn what_is_stored_of_a_session_is_found_again() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(met(dir.path(), "s,1"), None);
        store(&FileDisk, dir.path(), "s,1", "shown").unwrap();
        assert_eq!(met(dir.path(), "s,1"), Some("shown"));
        store(&FileDisk, dir.path(), "s,1", "confirmed").unwrap();
        assert_eq!(met(dir.path(), "s,1"), Some("confirmed"));
        assert_eq!(met(dir.path(), "s2"), None);
    }
}
