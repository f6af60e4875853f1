//! Counts of recordings, tests, springs and exclusions.

use super::{Excluded, Results};
use serde::Serialize;
use std::collections::BTreeSet;

/// What went in and what became of it. In each group the parts add up to the whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Counts {
    pub recordings: RecordingCounts,
    pub tests: TestCounts,
    pub springs: SpringCounts,
    pub exclusions: ExclusionCounts,
}

/// Recordings: `given = used + left_out + without_a_test`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct RecordingCounts {
    pub given: usize,
    /// At least one of their tests is reported.
    pub used: usize,
    /// Excluded as a whole.
    pub left_out: usize,
    /// Read, but no test of theirs is reported.
    pub without_a_test: usize,
}

/// Tests, a row a side: `found = reported + left_out`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct TestCounts {
    pub found: usize,
    pub reported: usize,
    pub left_out: usize,
}

/// Springs of the reported tests: `found = in_means + preconditioning + dropped`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct SpringCounts {
    pub found: usize,
    pub in_means: usize,
    /// The first of three or more.
    pub preconditioning: usize,
    pub dropped: usize,
}

/// Exclusions by what was left out and by whom: `all = files + tests + springs = by_rule + by_person`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct ExclusionCounts {
    pub all: usize,
    pub files: usize,
    pub tests: usize,
    pub springs: usize,
    pub by_rule: usize,
    pub by_person: usize,
}

impl Results {
    /// Counts of recordings, tests, springs and exclusions.
    ///
    /// A recording that `recordings_given` does not account for is counted as given all the same, so that the sums
    /// hold whatever the caller counted.
    pub fn counts(&self) -> Counts {
        let of = |what| self.exclusions.iter().filter(move |e| e.what == what);
        let used: BTreeSet<&str> = self.tests.iter().map(|t| t.recording.as_str()).collect();
        let left_out: BTreeSet<&str> = of(Excluded::File)
            .map(|e| e.recording.as_str())
            .filter(|r| !used.contains(r))
            .collect();
        let known: BTreeSet<&str> = self.exclusions.iter().map(|e| e.recording.as_str()).collect();
        let named = known.union(&used).count();
        let given = self.recordings_given.unwrap_or(named).max(named);
        let tests_left_out: BTreeSet<_> = of(Excluded::Test)
            .map(|e| (&e.recording, e.test, e.side))
            .collect();
        let springs = || self.tests.iter().flat_map(|t| &t.springs);
        let in_means = self.tests.iter().map(|t| t.counted_springs().count()).sum();
        let dropped = springs().filter(|s| s.dropped.is_some()).count();
        let by_person = self.exclusions.iter().filter(|e| e.is_by_person()).count();
        Counts {
            recordings: RecordingCounts {
                given,
                used: used.len(),
                left_out: left_out.len(),
                without_a_test: given - used.len() - left_out.len(),
            },
            tests: TestCounts {
                found: self.tests.len() + tests_left_out.len(),
                reported: self.tests.len(),
                left_out: tests_left_out.len(),
            },
            springs: SpringCounts {
                found: springs().count(),
                in_means,
                preconditioning: springs().count() - in_means - dropped,
                dropped,
            },
            exclusions: ExclusionCounts {
                all: self.exclusions.len(),
                files: of(Excluded::File).count(),
                tests: of(Excluded::Test).count(),
                springs: of(Excluded::Spring).count(),
                by_rule: self.exclusions.len() - by_person,
                by_person,
            },
        }
    }
}
