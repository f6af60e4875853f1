//! What a person can ask of a running recording, by key or on the page, and where the scan is.

use crate::terms::{Contact, Feedback, Felt, Given, Landmark, Level, LineOfDrive, Posture, StepSide};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A command, from a key or from the page.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "command", rename_all = "snake_case")]
pub enum Command {
    /// Keep what was recorded and go to the plan's next step.
    Next,
    /// Record this step once more, as a further trial.
    Repeat,
    /// Leave this step out.
    Skip,
    /// End this learner's scan and take the next code of the roster.
    NextLearner,
    /// What the examiner felt.
    Call { call: Felt },
    /// What the learner thinks the peak force of the last test was, in N, before its numbers are shown; `None` is no estimate.
    Estimate { peak_n: Option<f64> },
    /// Show the last test, when feedback is on request.
    Show,
    /// End the recording in order.
    Stop,
}

/// Where the scan is.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct SessionState {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    /// `None` without a plan.
    pub step: Option<StepState>,
    /// The level whose call is waited for now; its values are hidden until then.
    pub call_wanted: Option<Level>,
    /// Levels whose values and curves must not be shown yet: with calls asked for, every level from its first test
    /// until its call is taken.
    pub hidden_levels: Vec<Level>,
    /// Where the learner's estimates stand, when they are asked for; numbers of a test are hidden until its estimate is given or
    /// passed.
    pub estimates: Option<Estimates>,
    /// Steps of the plan that have no test yet, in words (`L3 left`).
    pub missing: Vec<String>,
    pub feedback: Feedback,
    /// Nothing is kept but the over-ceiling log.
    pub practice: bool,
    /// The plan is at its end, or the recording was stopped.
    pub ended: bool,
    /// The last thing a person should know of: a file closed, a device gone, a disk full. Words.
    pub message: Option<String>,
}

/// Estimates of peak forces that the learner who presses is asked for. Tests are counted as [`TestTurn`] counts them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Estimates {
    /// The test whose estimate is waited for.
    pub wanted: Option<u32>,
    /// The last test whose estimate was given or passed.
    pub taken: Option<u32>,
}

/// Which of a learner's tests in a session one is, and what of it was shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TestTurn {
    /// Counts the learner's tests in this session from 1, those of recordings that were cut off included.
    pub number: u32,
    pub given: Given,
}

/// How many tests each examiner has made in a session; `None` is an examiner whom nobody named.
pub type TestsMade = BTreeMap<Option<String>, u32>;

/// One step of the plan, for the learner.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepState {
    /// Counts from 1.
    pub number: usize,
    pub of: usize,
    pub level: Level,
    pub side: StepSide,
    pub trial: u32,
    pub landmark: Option<Landmark>,
    pub contact: Option<Contact>,
    pub posture: Option<Posture>,
    #[serde(rename = "line_of_drive_deg")]
    pub line_of_drive: Option<LineOfDrive>,
}
