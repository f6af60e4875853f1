//! What an examiner says of a level, taken while the hands still know it.

use super::append::append_row;
use crate::error::{Error, Result};
use crate::study::call::Call;
use crate::study::words::{CALLS, one_of, shown};
use std::path::Path;

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = "calls.csv";

/// Adds a call to the study's calls.csv; on the disk when this returns.
///
/// # Errors
/// [`Error::Setting`] for a word that is no call, [`Error::Refused`] when the file's headings have no place for it,
/// [`Error::Io`] when the system will not write.
pub fn append(root: &Path, call: &Call) -> Result<()> {
    if !CALLS.contains(&call.call.as_str()) {
        return Err(Error::Setting {
            what: "a call".to_owned(),
            found: shown(&call.call),
            expected: one_of(&CALLS),
        });
    }
    let trial = call.trial.map(|t| t.to_string()).unwrap_or_default();
    let confidence = call.confidence.map(|c| c.to_string()).unwrap_or_default();
    let cells = [
        ("subject", call.subject.as_str()),
        ("examiner", call.examiner.as_str()),
        ("session", call.session.as_str()),
        ("level", call.level.as_str()),
        ("trial", trial.as_str()),
        ("call", call.call.as_str()),
        ("confidence", confidence.as_str()),
    ];
    append_row(
        &root.join(FILE_NAME),
        &cells,
        &["subject", "examiner", "session", "level", "call"],
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::calls;

    #[test]
    fn a_call_is_read_back_as_it_was_given_and_has_the_headings_of_the_study() {
        let dir = tempfile::tempdir().unwrap();
        let call = Call {
            subject: "#V,\"7".to_owned(),
            examiner: "L-12".to_owned(),
            session: "2026-09-14".to_owned(),
            level: "L3".to_owned(),
            trial: None,
            call: "right".to_owned(),
            confidence: None,
        };
        append(dir.path(), &call).unwrap();
        let other = Call {
            level: "L4".to_owned(),
            ..call.clone()
        };
        append(dir.path(), &other).unwrap();
        let text = std::fs::read_to_string(dir.path().join(FILE_NAME)).unwrap();
        assert_eq!(text.lines().next(), Some(calls::HEADER));
        let (read, problems) = calls::parse(FILE_NAME, &text);
        assert_eq!((read, problems), (vec![call.clone(), other], vec![]));
        let wrong = Call {
            call: "worse".to_owned(),
            ..call
        };
        assert!(append(dir.path(), &wrong).is_err());
    }
}
