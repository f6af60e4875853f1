//! What an examiner says of a level, taken while the hands still know it.

use super::append::append_row;
use super::disk::Disk;
use crate::error::Result;
use crate::study::call::Call;
use std::path::Path;

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = "calls.csv";

/// Adds a call to the study's calls.csv; on the disk when this returns.
///
/// # Errors
/// [`Refused`](crate::error::Error::Refused) when the file's headings have no place for it,
/// [`Io`](crate::error::Error::Io) when the system will not write.
pub fn append(disk: &dyn Disk, root: &Path, call: &Call) -> Result<()> {
    let trial = call.trial.map(|t| t.to_string()).unwrap_or_default();
    let confidence = call.confidence.map(|c| c.to_string()).unwrap_or_default();
    let cells = [
        ("subject", call.subject.as_str()),
        ("examiner", call.examiner.as_str()),
        ("session", call.session.as_str()),
        ("level", call.level.word()),
        ("trial", trial.as_str()),
        ("call", call.call.word()),
        ("confidence", confidence.as_str()),
    ];
    append_row(
        disk,
        &root.join(FILE_NAME),
        &cells,
        &["subject", "examiner", "session", "level", "call"],
    )
}

#[cfg(test)]
mod tests {
    use super::super::disk::FileDisk;
    use super::*;
    use crate::study::calls;
    use crate::terms::{Felt, Level};

    #[test]
    fn a_call_is_read_back_as_it_was_given_and_has_the_headings_of_the_study() {
        let dir = tempfile::tempdir().unwrap();
        let call = Call {
            subject: "#V,\"7".to_owned(),
            examiner: "L-12".to_owned(),
            session: "2026-09-14".to_owned(),
            level: Level::L3,
            trial: None,
            call: Felt::Right,
            confidence: None,
        };
        append(&FileDisk, dir.path(), &call).unwrap();
        let other = Call {
            level: Level::L4,
            ..call.clone()
        };
        append(&FileDisk, dir.path(), &other).unwrap();
        let text = std::fs::read_to_string(dir.path().join(FILE_NAME)).unwrap();
        assert_eq!(text.lines().next(), Some(calls::HEADER));
        let (read, problems) = calls::parse(FILE_NAME, &text);
        assert_eq!((read, problems), (vec![call, other], vec![]));
    }
}
