//! What the pages are told, as they read it.

use super::access::TableId;
use super::prompt::PromptView;
use crate::acquire::control::StepState;
use serde::Serialize;

/// What the page at a table shows beside the frames.
#[derive(Serialize)]
pub struct TableView<'a> {
    pub id: TableId,
    pub name: &'a str,
    pub prompt: &'a PromptView,
    pub subject: Option<&'a str>,
    pub examiner: Option<&'a str>,
    pub session: &'a str,
    pub plan: Option<&'a str>,
    /// Nobody is chosen and nothing is kept.
    pub resting: bool,
    pub paused: bool,
    pub place: Option<StepPlace>,
    pub tests: u32,
    pub missing: &'a [String],
    pub ended: bool,
}

/// Where to press, for words and a drawing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepPlace {
    pub number: usize,
    pub of: usize,
    /// `L3`, `sacral base`.
    pub level: &'static str,
    /// Rank of the level from the neck down, from 0.
    pub rank: usize,
    pub side: &'static str,
    pub contact: Option<String>,
    pub landmark: Option<String>,
    pub posture: Option<String>,
    pub line_of_drive_deg: Option<f64>,
    pub trial: u32,
}

/// A step as a place.
pub fn place_view(step: &StepState) -> StepPlace {
    StepPlace {
        number: step.number,
        of: step.of,
        level: step.level.label(),
        rank: step.level.rank(),
        side: step.side.word(),
        contact: step.contact.map(|c| c.label()),
        landmark: step.landmark.as_ref().map(ToString::to_string),
        posture: step.posture.as_ref().map(ToString::to_string),
        line_of_drive_deg: step.line_of_drive.map(|l| l.degrees()),
        trial: step.trial,
    }
}
