//! What a person can ask of a running recording, by key or on the page, and where the scan is.

use serde::{Deserialize, Serialize};

/// A command, from a key or from the page.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
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
    /// What the examiner felt: `left`, `right`, `even` or `unsure`.
    Call { call: String },
    /// Show the last test, when feedback is on request.
    Show,
    /// End the recording in order.
    Stop,
}

/// When measured values are shown to the learner. None of them silences the ceiling alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Feedback {
    /// As it happens.
    #[default]
    Live,
    /// When a test has ended.
    After,
    /// When the learner asks for it, after the test.
    OnRequest,
    /// Never: a retention test or an assessment.
    None,
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
    pub call_wanted: Option<String>,
    /// Levels whose values and curves must not be shown yet: with calls asked for, every level from its first test
    /// until its call is taken.
    pub hidden_levels: Vec<String>,
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

/// One step of the plan, for the learner.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct StepState {
    /// Counts from 1.
    pub number: usize,
    pub of: usize,
    pub level: String,
    /// `left`, `right`, `midline` or `both`.
    pub side: String,
    pub trial: u32,
    pub landmark: Option<String>,
    pub contact: Option<String>,
    pub posture: Option<String>,
    pub line_of_drive_deg: Option<f64>,
}
