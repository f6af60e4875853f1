//! What of each test was shown while it was recorded.

use crate::error::Problem;
use crate::format::counted;
use crate::study::sidecar::Sidecar;
use crate::trace::Test;

/// Notes in each test what of it was shown; a problem where the recorder saw other tests than were found.
pub fn note(tests: &mut [Test], sidecar: &Sidecar, found: usize, file: &str) -> Option<Problem> {
    let given = &sidecar.given;
    if given.is_empty() {
        return None;
    }
    if given.len() != found {
        return Some(
            Problem::warning(
                file,
                format!("feedback_given of {}, and {found} found in the recording", counted(given.len(), "test")),
                "as many as the recorder saw",
                "nothing is lost, but which test was shown is not known, and estimates of their peaks are not used",
            )
            .in_column("feedback_given"),
        );
    }
    for test in tests {
        test.about.given = given.get(test.test as usize - 1).copied();
    }
    None
}
