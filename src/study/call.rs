//! What the examiner said felt more resistant.

use serde::Serialize;

/// One row of calls.csv: a call by an examiner at one level.
///
/// Everything is a code; `call` is one of `left`, `right`, `even`, `unsure`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Call {
    pub subject: String,
    pub examiner: String,
    pub session: String,
    pub level: String,
    /// `None` for a call on all trials of the level together.
    pub trial: Option<u32>,
    pub call: String,
    /// How sure the examiner was, on the lab's own scale.
    pub confidence: Option<f64>,
}
