//! Measures to findings: left against right, and midline steps against their neighbours (METHODS.md §6).
//!
//! Tests are grouped by [`Key`]; the several tests of one side under one key are trials. A *scan* here is
//! subject, examiner, session and posture: its levels share one between-trial spread (contacts may change along
//! the spine) and one correction for testing many levels. Midline steps have a spread of their own.

mod asymmetry;
mod calls;
mod contrast;
mod follow_up;
mod groups;
mod neighbours;
mod pairs;
mod spread;

pub use asymmetry::{log_of_percent, percent_of_log};
pub use follow_up::{Cause, FollowUpStep, follow_up};

pub use crate::study::call::Call;

use crate::columns::Measure;
use crate::settings::Settings;
use crate::trace::Test;
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;

/// Measures that get a word: compared as a ratio.
pub const DECIDED: [Measure; 3] = [Measure::EndFeel, Measure::FittedEndFeel, Measure::Window];
/// Measures shown with an interval and no word. Peak is compared as a ratio, the others, which can be zero or
/// less, by difference.
pub const SHOWN: [Measure; 3] = [Measure::Peak, Measure::OnsetTravel, Measure::LossRatio];

/// Spread of one test against its repetition, as the lab's own repeated tests gave it (agreement SEM:
/// repositioning included).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AgreementSpread {
    /// Standard error of measurement of a single test's natural logarithm.
    pub sem_log: BTreeMap<Measure, f64>,
    /// Standard error of measurement of a single test in the measure's unit.
    pub sem: BTreeMap<Measure, f64>,
    /// Degrees of freedom it was estimated with; `None` takes it as known.
    pub degrees_of_freedom: Option<f64>,
}

/// What a comparison needs besides the tests.
#[derive(Debug, Clone, Copy)]
pub struct CompareContext<'a> {
    pub settings: &'a Settings,
    pub calls: &'a [Call],
    /// The lab's own spread, when its study has been through `agree`.
    pub agreement: Option<&'a AgreementSpread>,
}

/// What was found, and what found no partner.
#[derive(Debug, Clone, Default)]
pub struct ComparisonOutcome {
    /// Ordered by subject, examiner, session, posture, contact, level from the neck down, line of drive,
    /// comparison and measure, whatever the order of the tests.
    pub comparisons: Vec<Comparison>,
    pub unpaired: Vec<Unpaired>,
}

/// Compares left with right, and midline steps with their neighbours.
///
/// `tests` in any order, those left out by a person or a rule already gone. A test whose subject, examiner,
/// session, posture or contact nobody named is compared with others that lack it too; without level or side it
/// cannot be compared and is listed. Nothing is dropped unsaid.
pub fn compare(tests: &[Test], context: &CompareContext) -> ComparisonOutcome {
    let (groups, mut unpaired) = groups::group(tests);
    let mut rows: Vec<(usize, Comparison)> = Vec::new();
    for scan in groups::scans(&groups) {
        rows.extend(pairs::left_right(&groups, &scan, context, &mut unpaired));
        rows.extend(neighbours::against_neighbours(
            &groups,
            &scan,
            context,
            &mut unpaired,
        ));
    }
    rows.sort_by_key(|(group, f)| (*group, f.kind, f.measure));
    unpaired.sort_by(groups::by_key_then_side);
    ComparisonOutcome {
        comparisons: rows.into_iter().map(|(_, f)| f).collect(),
        unpaired,
    }
}

/// What was held against what.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ComparisonKind {
    LeftRight,
    Neighbours,
}

/// The word a comparison ends in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    Left,
    Right,
    Even,
    Undecided,
    StifferThanNeighbours,
    LikeNeighbours,
}

impl Decision {
    /// The word in tables, JSON and pages.
    pub fn word(self) -> &'static str {
        match self {
            Decision::Left => "left",
            Decision::Right => "right",
            Decision::Even => "even",
            Decision::Undecided => "undecided",
            Decision::StifferThanNeighbours => "stiffer_than_neighbours",
            Decision::LikeNeighbours => "like_neighbours",
        }
    }
}

impl fmt::Display for Decision {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Where the spread behind an interval comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SpreadSource {
    /// Repeated trials of this scan.
    Trials,
    /// The lab's own repeated tests (`agreement.toml`).
    Agreement,
    /// The published value in the settings.
    Published,
}

impl SpreadSource {
    /// The word in tables.
    pub fn word(self) -> &'static str {
        match self {
            SpreadSource::Trials => "trials",
            SpreadSource::Agreement => "agreement",
            SpreadSource::Published => "published",
        }
    }
}

/// How many trials a side would decide an undecided level at the observed spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(untagged)]
pub enum TrialsToDecide {
    Trials(u32),
    /// More than one session can hold.
    NotInOneSession,
}

/// What only tests of the same kind may share: nothing else is ever compared.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Key {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub level: Option<String>,
    pub posture: Option<String>,
    pub contact: Option<String>,
    pub line_of_drive_deg: Option<f64>,
}

/// One row of `findings`.
///
/// `left` and `right` are means over trials (geometric for ratios), in the measure's unit; for `Neighbours`,
/// `left` is the neighbours' median with `left_trials` of all of them, and `right` the step's own value. Percentages are 200·tanh(d/2); for a measure compared by
/// difference they are `None` and `difference`, `low`, `high` carry the unit instead.
#[derive(Debug, Clone)]
pub struct Comparison {
    pub key: Key,
    pub kind: ComparisonKind,
    pub measure: Measure,
    pub left: Option<f64>,
    pub right: Option<f64>,
    pub left_trials: u32,
    pub right_trials: u32,
    pub asymmetry_percent: Option<f64>,
    pub low_percent: Option<f64>,
    pub high_percent: Option<f64>,
    /// Right minus left in the measure's unit, with its 95 % interval, for measures compared by difference.
    pub difference: Option<[f64; 3]>,
    pub threshold_percent: Option<f64>,
    pub mdc_percent: Option<f64>,
    pub spread_source: Option<SpreadSource>,
    /// `None` for measures that are shown without a word.
    pub side_of_resistance: Option<Decision>,
    pub trials_to_decide: Option<TrialsToDecide>,
    pub call: Option<String>,
    pub call_agrees: Option<bool>,
    /// Levels the contact covered, when several.
    pub covers: Vec<String>,
}

/// A test that found no partner.
#[derive(Debug, Clone, PartialEq)]
pub struct Unpaired {
    pub key: Key,
    pub side: String,
    pub trials: u32,
    /// What is missing, in words.
    pub reason: String,
}

#[cfg(test)]
mod tests;
