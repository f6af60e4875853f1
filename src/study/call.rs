//! What the examiner said felt more resistant.

use crate::terms::{Felt, Level};
use serde::{Deserialize, Serialize};

/// One row of calls.csv: a call by an examiner at one level. People and sessions are codes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Call {
    pub subject: String,
    pub examiner: String,
    pub session: String,
    pub level: Level,
    /// `None` for a call on all trials of the level together.
    pub trial: Option<u32>,
    pub call: Felt,
    /// How sure the examiner was, on the lab's own scale.
    pub confidence: Option<f64>,
}
