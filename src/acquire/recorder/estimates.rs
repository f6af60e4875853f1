//! What a learner thinks the peak force of a test was, taken before its numbers are shown.

use super::append::append_row;
use super::disk::Disk;
use crate::error::Result;
use crate::study::estimates::{FILE_NAME, PeakEstimate};
use std::path::Path;

/// Adds an estimate, or that there is none, to the study's estimates.csv; on the disk when this returns.
///
/// # Errors
/// [`Refused`](crate::error::Error::Refused) when the file's headings have no place for it,
/// [`Io`](crate::error::Error::Io) when the system will not write.
pub fn append(disk: &dyn Disk, root: &Path, estimate: &PeakEstimate) -> Result<()> {
    let test = estimate.test.to_string();
    let peak_n = estimate.peak_n.map(|n| n.to_string()).unwrap_or_default();
    let cells = [
        ("examiner", estimate.examiner.as_str()),
        ("recording", estimate.recording.as_str()),
        ("test", test.as_str()),
        ("estimate_n", peak_n.as_str()),
    ];
    append_row(disk, &root.join(FILE_NAME), &cells, &["recording", "test", "estimate_n"])
}

#[cfg(test)]
mod tests {
    use super::super::disk::FileDisk;
    use super::*;
    use crate::study::estimates;

    #[test]
    fn an_estimate_is_read_back_as_it_was_given() {
        let dir = tempfile::tempdir().unwrap();
        let given = PeakEstimate {
            examiner: "#L,\"12".to_owned(),
            recording: "recordings/s1/V-07_L-12_L3_left_1.csv".to_owned(),
            test: 2,
            peak_n: Some(84.5),
        };
        append(&FileDisk, dir.path(), &given).unwrap();
        let none = PeakEstimate {
            test: 3,
            peak_n: None,
            ..given.clone()
        };
        append(&FileDisk, dir.path(), &none).unwrap();
        let text = std::fs::read_to_string(dir.path().join(FILE_NAME)).unwrap();
        assert_eq!(text.lines().next(), Some(estimates::HEADER));
        let (read, problems) = estimates::parse(FILE_NAME, &text);
        assert_eq!((read, problems), (vec![given, none], vec![]));
    }
}
