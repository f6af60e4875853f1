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
        /// After some tests, less and less often over trials.
        Faded = "faded",
        /// After every second test.
        Alternate = "alternate",
        /// After a test of which a measure lay outside its band.
        Bandwidth = "bandwidth",
        /// After so many tests, for all of them.
        Summary = "summary",
        /// Never: a retention test or an assessment.
        None = "none",
    }
}

closed_terms! {
    /// What the examiner was shown of one test, from the least to the most.
    pub enum Given {
        /// Nothing.
        None = "none",
        /// Together with the tests before it, once the last of them had ended.
        Summary = "summary",
        /// When it had ended.
        After = "after",
        /// While the hand was on.
        During = "during",
    }
}

closed_terms! {
    /// Whether a recording was closed in order.
    pub enum RecordingStatus {
        Complete = "complete",
        Open = "open",
    }
}
