//! Measures to findings: left against right, and midline steps against their neighbours.

use crate::columns::Measure;
use serde::Serialize;
use std::fmt;

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
/// `left` and `right` are means over trials, in the measure's unit; for `Neighbours`, `left` is the neighbours'
/// median and `right` the step's own value. Percentages are 200·tanh(d/2); for a measure compared by
/// difference they are `None` and `difference`, `low`, `high` carry the unit instead.
#[derive(Debug, Clone)]
pub struct Finding {
    pub key: Key,
    pub comparison: ComparisonKind,
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
