//! What one analysis found, and the tables, figures and pages made of it.

pub mod agreement;
pub mod blind;
pub mod certificate;
pub mod debrief;
pub mod followed;
pub mod html;
pub mod json;
mod parquet;
pub mod run;
pub mod tables;
mod text;

pub use text::{budget_text, summary_text};

use crate::agreement::registered::Registration;
use crate::compare::{Comparison, Unpaired};
use crate::error::{Problem, Result};
use crate::mat::MatTest;
use crate::settings::Settings;
use crate::technique::reference::Reference;
use crate::technique::{PlanCoverage, TechniqueFinding};
use crate::trace::Test;
use crate::write::OutputFolder;
use serde::Serialize;
use std::collections::BTreeSet;

/// A file that went in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFile {
    /// Relative to the input given.
    pub file: String,
    pub sha256: String,
    pub bytes: u64,
}

/// Something left out: a file, a test, a spring.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exclusion {
    pub recording: String,
    pub test: Option<u32>,
    pub side: Option<String>,
    pub spring: Option<u32>,
    /// `file`, `test` or `spring`.
    pub what: &'static str,
    /// `rule` or `person`.
    pub by: &'static str,
    pub reason: String,
}

/// Everything one analysis found. Tests are in a stable order (recording, test, side), independent of how many
/// cores worked and in which order files were named.
#[derive(Debug, Clone, Default)]
pub struct Results {
    pub title: Option<String>,
    pub site: Option<String>,
    pub ethics_ref: Option<String>,
    pub settings: Settings,
    /// Where each setting that is not the default was set (`study.toml`, `--low-pass`).
    pub setting_sources: Vec<(String, String)>,
    pub tests: Vec<Test>,
    pub comparisons: Vec<Comparison>,
    pub unpaired: Vec<Unpaired>,
    pub technique: Vec<TechniqueFinding>,
    /// What tests are held against: a teacher's. Empty when the study has none.
    pub reference: Reference,
    /// The plan that each scan was held against, by scan.
    pub plans: Vec<PlanCoverage>,
    /// Tests on a pressure mat as their figures need them.
    pub mats: Vec<MatTest>,
    pub exclusions: Vec<Exclusion>,
    pub problems: Vec<Problem>,
    pub inputs: Vec<InputFile>,
    /// How many recordings were given, when the caller counted them; what became of each must add up to it.
    pub recordings_given: Option<usize>,
    /// How the settings stand to those that the study registered; `None` when it registered none.
    pub registration: Option<Registration>,
    /// A blind study that is not opened yet: see [`Results::hide_sides`].
    pub blinded: bool,
    /// The day on which a blind study was opened.
    pub opened: Option<String>,
}

impl Results {
    /// What a reader must know before anything else: whether sides are hidden, and how the settings stand to those
    /// registered. Empty when there is nothing to say.
    pub fn standing(&self) -> Vec<String> {
        let blinded = self.blinded.then(|| blind::BLINDED.to_owned());
        let opened = self
            .opened
            .as_ref()
            .map(|d| format!("Blind until it was opened ({d})."));
        let registered = self.registration.iter().flat_map(Registration::words);
        blinded.into_iter().chain(opened).chain(registered).collect()
    }
}

/// Reason of a first spring that enters no mean.
pub const PRECONDITIONING: &str = "preconditioning: the first of three or more springs";

/// One exclusion for every spring of these tests that enters no mean: dropped, or preconditioning. With them in
/// [`Results::exclusions`], springs found less springs excluded are the springs in the means.
pub fn spring_exclusions(tests: &[Test]) -> Vec<Exclusion> {
    let left_out = tests.iter().flat_map(|t| {
        let springs = t.springs.iter().filter(|s| !s.counted || s.dropped.is_some());
        springs.map(move |s| (t, s))
    });
    left_out
        .map(|(test, spring)| Exclusion {
            recording: test.recording.clone(),
            test: Some(test.test),
            side: test.side().map(|s| s.word().to_owned()),
            spring: Some(spring.number),
            what: "spring",
            by: "rule",
            reason: spring
                .dropped
                .clone()
                .unwrap_or_else(|| PRECONDITIONING.to_owned()),
        })
        .collect()
}

/// Caution that every report carries.
pub const CAUTION: &str = "For training models and consenting volunteers under a licensed supervisor. This is no medical \
device and makes no diagnosis: it says what was measured, never what is wrong with anybody. Stop on request or pain. \
A blank result is never a reason to press harder. Ceilings are the lab's own; local rules and licensed judgement come first.";

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
        let of = |what: &'static str| self.exclusions.iter().filter(move |e| e.what == what);
        let used: BTreeSet<&str> = self.tests.iter().map(|t| t.recording.as_str()).collect();
        let left_out: BTreeSet<&str> = of("file")
            .map(|e| e.recording.as_str())
            .filter(|r| !used.contains(r))
            .collect();
        let known: BTreeSet<&str> = self.exclusions.iter().map(|e| e.recording.as_str()).collect();
        let named = known.union(&used).count();
        let given = self.recordings_given.unwrap_or(named).max(named);
        let tests_left_out: BTreeSet<_> = of("test").map(|e| (&e.recording, e.test, &e.side)).collect();
        let springs = || self.tests.iter().flat_map(|t| &t.springs);
        let in_means = self.tests.iter().map(|t| t.counted_springs().count()).sum();
        let dropped = springs().filter(|s| s.dropped.is_some()).count();
        let by_person = self.exclusions.iter().filter(|e| e.by == "person").count();
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
                files: of("file").count(),
                tests: of("test").count(),
                springs: of("spring").count(),
                by_rule: self.exclusions.len() - by_person,
                by_person,
            },
        }
    }

    /// Writes every table as `.csv` and `.parquet`, the exclusions and the codebook as `.csv` only.
    ///
    /// # Errors
    /// As [`OutputFolder::write`].
    pub fn write_tables(&self, folder: &mut OutputFolder) -> Result<()> {
        // One at a time: at ten thousand recordings they do not all fit beside the results.
        for table in Results::TABLES.iter().filter_map(|name| self.table(name)) {
            let too = table.name != "exclusions" && table.name != "unpaired";
            let (csv, parquet) = rayon::join(|| table.to_csv(), || too.then(|| table.to_parquet()));
            folder.write(&format!("{}.csv", table.name), &csv?)?;
            if let Some(parquet) = parquet {
                folder.write(&format!("{}.parquet", table.name), &parquet?)?;
            }
        }
        folder.write("codebook.csv", &tables::codebook().to_csv()?)
    }
}
