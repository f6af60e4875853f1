//! What one analysis found: its results, what was left out and why, counts, and the blinding of a study.

mod blind;
mod corrected;
mod counts;
mod exclusions;
mod not_looked_at;
pub mod run;

pub use blind::BLINDED;
pub use corrected::{ChangedWord, CorrectionsUsed};
pub use counts::{Counts, ExclusionCounts, RecordingCounts, SpringCounts, TestCounts};
pub use not_looked_at::{LookedAt, NotLookedAt};
pub use exclusions::{Excluded, Exclusion, ExclusionCause, spring_exclusions};

use crate::agreement::registered::Registration;
use crate::compare::{Comparison, Unpaired};
use crate::error::Problem;
use crate::mat::MatTest;
use crate::settings::Settings;
use crate::technique::reference::Reference;
use crate::technique::{PlanCoverage, TechniqueFinding};
use crate::terms::closed_terms;
use crate::trace::Test;
use serde::{Deserialize, Serialize};

closed_terms! {
    /// What a file that went in is.
    pub enum InputKind {
        Recording = "recording",
        Sidecar = "sidecar",
        /// One of the files that describe a study: study.toml, roster.csv, calls.csv and so on.
        Study = "study",
        Plan = "plan",
        /// A certificate, or the daily checks.
        Calibration = "calibration",
        /// Scores of raters, that `agree` reads.
        Ratings = "ratings",
    }
}

/// A file that went in, as run.json lists it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputRecord {
    pub kind: InputKind,
    /// Relative to the input given.
    pub file: String,
    pub sha256: String,
    pub bytes: u64,
}

/// Everything one analysis found. Tests are in a stable order (recording, test, side), independent of how many
/// cores worked and in which order files were named.
#[derive(Debug, Clone, Default)]
pub struct Results {
    pub title: Option<String>,
    pub site: Option<String>,
    pub ethics_ref: Option<String>,
    pub settings: Settings,
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
    /// Recordings whose force could not be held against the ceilings, or not all of it.
    pub not_looked_at: Vec<NotLookedAt>,
    pub problems: Vec<Problem>,
    /// Everything that was read, by name.
    pub inputs: Vec<InputRecord>,
    /// How many recordings were given, when the caller counted them; what became of each must add up to it.
    pub recordings_given: Option<usize>,
    /// How the settings stand to those that the study registered; `None` when it registered none.
    pub registration: Option<Registration>,
    /// A blind study that is not opened yet: see [`Results::hide_sides`].
    pub blinded: bool,
    /// The day on which a blind study was opened.
    pub opened: Option<String>,
    /// What people put right.
    pub corrections: CorrectionsUsed,
}

impl Results {
    /// How many recordings were read.
    pub fn recordings_read(&self) -> usize {
        let recordings = self.inputs.iter().filter(|i| i.kind == InputKind::Recording);
        recordings.count()
    }

    /// What a reader must know before anything else: whether sides are hidden, and how the settings stand to those
    /// registered. Empty when there is nothing to say.
    pub fn standing(&self) -> Vec<String> {
        let blinded = self.blinded.then(|| BLINDED.to_owned());
        let opened = self
            .opened
            .as_ref()
            .map(|d| format!("Blind until it was opened ({d})."));
        let registered = self.registration.iter().flat_map(Registration::words);
        let corrected = self.corrections.words(self.registration.as_ref());
        blinded.into_iter().chain(opened).chain(registered).chain(corrected).collect()
    }
}
