//! Measures to findings: left against right, and midline steps against their neighbours (METHODS.md §6).
//!
//! Tests are grouped by [`TestKey`]; the several tests of one side under one key are trials. A *scan* here is
//! subject, examiner, session and posture: its levels share one between-trial spread (contacts may change along
//! the spine) and one correction for testing many levels. Midline steps have a spread of their own.

mod asymmetry;
mod calls;
mod contrast;
mod depth;
mod follow_up;
mod groups;
mod neighbours;
mod pairs;
mod scale;
mod spread;

pub use asymmetry::{log_of_percent, percent_of_log};
pub use depth::{DepthDifference, depth_difference};
pub use scale::ComparisonScale;
pub use follow_up::{Cause, FollowUpStep, follow_up};

pub use crate::study::call::Call;

use crate::columns::Measure;
use crate::settings::Settings;
use crate::terms::{Felt, Level, Side, TestKey, closed_terms};
use crate::trace::{Corrected, Test};
use serde::Serialize;
use std::collections::BTreeMap;

/// Measures that get a word: compared as a ratio.
pub const DECIDED: [Measure; 2] = [Measure::EndFeel, Measure::FittedEndFeel];
/// Measures shown with an interval and no word. Window stiffness and peak are compared as ratios, the others, which can be
/// zero or less, by difference. Window stiffness decides nothing: on stiffer tissue more of the toe falls between its two
/// loads, so that the stiffer side can have the lower one (METHODS.md §6.1).
pub const SHOWN: [Measure; 4] = [Measure::Window, Measure::Peak, Measure::OnsetTravel, Measure::LossRatio];

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
    /// Margin, confidence and rules.
    pub settings: &'a Settings,
    /// What examiners called.
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
    /// Tests without a partner.
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

closed_terms! {
    /// What was held against what.
    pub enum ComparisonKind {
        LeftRight = "left_right",
        Neighbours = "neighbours",
    }
}

closed_terms! {
    /// The word a comparison ends in.
    pub enum Decision {
        Left = "left",
        Right = "right",
        Even = "even",
        Undecided = "undecided",
        StifferThanNeighbours = "stiffer_than_neighbours",
        LikeNeighbours = "like_neighbours",
    }
}

closed_terms! {
    /// Where the spread behind an interval comes from.
    pub enum SpreadSource {
        /// Repeated trials of this scan.
        Trials = "trials",
        /// The lab's own repeated tests (`agreement.toml`).
        Agreement = "agreement",
        /// The published value in the settings.
        Published = "published",
    }
}

closed_terms! {
    /// How the variance of a trial at one level was had.
    pub enum VarianceRule {
        /// One variance for all levels of the scan, pooled within sides.
        Pooled = "pooled",
        /// The level's own, drawn toward a common prior: the levels differ in spread.
        Moderated = "moderated",
        /// The level's own, with the degrees of freedom of all: it is larger than the common one.
        Raised = "raised",
        /// The level's own, with its own degrees of freedom: it stands out from the others.
        Own = "own",
        /// As it stands in `agreement.toml` or in the settings: no level was repeated.
        Given = "given",
    }
}

/// How many trials a side would decide an undecided level at the observed spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(untagged)]
pub enum TrialsToDecide {
    /// So many.
    Trials(u32),
    /// More than one session can hold.
    NotInOneSession,
}

/// One row of `findings`.
///
/// `left` and `right` are means over trials (geometric for ratios), in the measure's unit; for `Neighbours`,
/// `left` is the neighbours' median with `left_trials` of all of them, and `right` the step's own value. Percentages are 200·tanh(d/2); for a measure compared by
/// difference they are `None` and `difference`, `low`, `high` carry the unit instead.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// What was compared.
    pub key: TestKey,
    /// Left against right, or against neighbours.
    pub kind: ComparisonKind,
    /// The measure compared.
    pub measure: Measure,
    /// Mean of the left side.
    pub left: Option<f64>,
    /// Mean of the right side.
    pub right: Option<f64>,
    /// Tests of the left side.
    pub left_trials: u32,
    /// Tests of the right side.
    pub right_trials: u32,
    /// Right less left, in percent of their mean.
    pub asymmetry_percent: Option<f64>,
    /// Lower end of its 95 % interval.
    pub low_percent: Option<f64>,
    /// Upper end of its 95 % interval.
    pub high_percent: Option<f64>,
    /// Right minus left in the measure's unit, with its 95 % interval, for measures compared by difference.
    pub difference: Option<[f64; 3]>,
    /// The margin that decides.
    pub threshold_percent: Option<f64>,
    /// Smallest change that these means could tell from none.
    pub mdc_percent: Option<f64>,
    /// Where the spread comes from.
    pub spread_source: Option<SpreadSource>,
    /// How the variance of a trial was had.
    pub variance_rule: Option<VarianceRule>,
    /// Whether the variance of a side's trials was raised to that of their measurement, which was the larger one.
    pub raised_to_measurement: Option<bool>,
    /// Standard error of the difference, on the scale of comparison: the natural logarithm, or the measure's unit for
    /// those compared by difference.
    pub standard_error: Option<f64>,
    /// Degrees of freedom of the standard error; infinite where the spread is taken as known.
    pub degrees_of_freedom: Option<f64>,
    /// p that the difference is beyond the margin; `None` for measures that are shown without a word.
    pub p_value: Option<f64>,
    /// The same, corrected for the number of levels.
    pub p_adjusted: Option<f64>,
    /// `None` for measures that are shown without a word.
    pub side_of_resistance: Option<Decision>,
    /// Trials a side that would decide it.
    pub trials_to_decide: Option<TrialsToDecide>,
    /// What the examiner felt.
    pub call: Option<Felt>,
    /// Whether call and measurement say the same.
    pub call_agrees: Option<bool>,
    /// Levels the contact covered, when several.
    pub covers: Vec<Level>,
    /// What a person put right in any test of the scan, left out or moved to another place too: its levels share one spread and
    /// one correction for testing many. Empty as compared; whoever knows the corrections fills it in.
    pub corrections: Vec<Corrected>,
}

closed_terms! {
    /// The side of tests without a partner. The order is that of the words.
    pub enum UnpairedSide {
        /// A blind study is not opened yet.
        Hidden = "",
        Left = "left",
        Midline = "midline",
        NotNamed = "not named",
        Right = "right",
    }
}

impl From<Option<Side>> for UnpairedSide {
    fn from(side: Option<Side>) -> UnpairedSide {
        match side {
            Some(Side::Left) => UnpairedSide::Left,
            Some(Side::Right) => UnpairedSide::Right,
            Some(Side::Midline) => UnpairedSide::Midline,
            None => UnpairedSide::NotNamed,
        }
    }
}

/// A test that found no partner.
#[derive(Debug, Clone, PartialEq)]
pub struct Unpaired {
    /// What was compared.
    pub key: TestKey,
    /// The side that was tested.
    pub side: UnpairedSide,
    /// Its tests.
    pub trials: u32,
    /// What is missing, in words.
    pub reason: String,
}

#[cfg(test)]
pub(crate) mod tests;
