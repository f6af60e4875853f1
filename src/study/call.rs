//! What the examiner said felt more resistant.

use crate::terms::{Felt, Level};
use serde::{Deserialize, Serialize};

/// One row of calls.csv: a call by an examiner at one level. People and sessions are codes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Call {
    /// Code of who was examined.
    pub subject: String,
    /// Code of who called.
    pub examiner: String,
    /// Name of the session.
    pub session: String,
    /// Level of the spine.
    pub level: Level,
    /// `None` for a call on all trials of the level together.
    pub trial: Option<u32>,
    /// What was felt.
    pub call: Felt,
    /// How sure the examiner was, on the lab's own scale.
    pub confidence: Option<f64>,
}
