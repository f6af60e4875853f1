//! What was shown of each test, in the sidecar of a recording that is closed already: a learner may ask for a test after the next
//! step has begun.

use super::disk::Disk;
use crate::error::{Error, Result};
use crate::study::door::{self, FileKind};
use crate::terms::Given;
use std::path::Path;

/// Key of the sidecar.
pub const KEY: &str = "feedback_given";

/// Writes the line anew; everything else in the sidecar, by whomever, stays as it is.
///
/// # Errors
/// [`Error::Refused`] when somebody took the line out; [`Error::Io`] when the sidecar cannot be read or written.
pub fn amend(disk: &dyn Disk, sidecar: &Path, given: &[Given]) -> Result<()> {
    let text = door::read_to_string(sidecar, FileKind::Settings)
        .map_err(|e| Error::io(sidecar, e, "check that it is there and may be read"))?;
    let words: Vec<String> = given.iter().map(|g| format!("\"{g}\"")).collect();
    let mut found = false;
    let lines = text.split_inclusive('\n').map(|line| match is_of_key(line) && !found {
        true => {
            found = true;
            format!("{KEY} = [{}]\n", words.join(", "))
        }
        false => line.to_owned(),
    });
    let text: String = lines.collect();
    match found {
        true => disk.replace(sidecar, text.as_bytes()),
        false => Err(Error::Refused {
            found: format!("{} has no line {KEY}", sidecar.display()),
            advice: format!("somebody changed it meanwhile; write {KEY} = [{}] into it", words.join(", ")),
        }),
    }
}

fn is_of_key(line: &str) -> bool {
    line.split_once('=').is_some_and(|(key, list)| key.trim() == KEY && list.trim_end().ends_with(']'))
}

#[cfg(test)]
mod tests {
    use super::super::disk::FileDisk;
    use super::*;

    #[test]
    fn one_line_is_written_anew_and_the_rest_stays() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.toml");
        std::fs::write(&path, "level = \"L3\" # ours\nfeedback_given = [\"none\", \"none\"]\n[line]\nrows = 1\n").unwrap();
        amend(&FileDisk, &path, &[Given::None, Given::After]).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        assert_eq!(text, "level = \"L3\" # ours\nfeedback_given = [\"none\", \"after\"]\n[line]\nrows = 1\n");
        std::fs::write(&path, "level = \"L3\"\n").unwrap();
        let error = amend(&FileDisk, &path, &[Given::After]).unwrap_err().to_string();
        assert!(error.contains("no line feedback_given"), "{error}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "level = \"L3\"\n");
    }
}
