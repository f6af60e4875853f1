//! What people are, see and say in a study.

use super::closed_terms;

closed_terms! {
    /// The part that a person plays in a study.
    pub enum Role {
        Subject = "subject",
        Examiner = "examiner",
        /// An examiner whose traces serve as reference.
        Teacher = "teacher",
    }
}

closed_terms! {
    /// What the examiner said felt more resistant.
    pub enum Felt {
        Left = "left",
        Right = "right",
        Even = "even",
        Unsure = "unsure",
    }
}

closed_terms! {
    /// When measured values are shown to the examiner. None of them silences the ceiling alarm.
    #[derive(Default)]
    pub enum Feedback {
        /// As it happens.
        #[default]
        Live = "live",
        /// When a test has ended.
        After = "after",
        /// When the learner asks for it, after the test.
        OnRequest = "on-request",
        /// Never: a retention test or an assessment.
        None = "none",
    }
}

closed_terms! {
    /// Whether a recording was closed in order.
    pub enum RecordingStatus {
        Complete = "complete",
        Open = "open",
    }
}
