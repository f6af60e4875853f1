//! What a pressure mat adds to the tests of a recording.

use super::naming::problem_of;
use crate::error::{Problem, Severity};
use crate::mat::{MatRecord, MatTest};
use crate::read::mat::{MatSource, read_frames};
use crate::signal::mat::add_mat;
use crate::signal::mat::frames::{shown_tests, wanted_frames};
use crate::trace::Test;

/// Sets the mat's measures and budgets, and reads the frames that figures need again.
///
/// Frames that cannot be read a second time cost the figures, not the tests.
pub fn finish(
    source: &MatSource<'_>,
    record: &MatRecord,
    tests: &mut [Test],
    mats: &mut Vec<MatTest>,
    problems: &mut Vec<Problem>,
) {
    add_mat(record, tests);
    if record.hands.is_empty() {
        return;
    }
    let wanted = wanted_frames(record, tests);
    let frames: Vec<usize> = wanted.iter().map(|w| w.frame).collect();
    match read_frames(source, record, &frames) {
        Ok(frames) => mats.extend(shown_tests(record, tests, &wanted, &frames)),
        Err(error) => {
            let mut problem = problem_of(error, source.recording);
            problem.severity = Severity::Warning;
            problems.push(problem);
        }
    }
}
