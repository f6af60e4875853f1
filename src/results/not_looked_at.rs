//! Recordings whose force could not be held against the ceilings: nobody may read "none went over" while there is one.

use crate::terms::closed_terms;
use serde::{Deserialize, Serialize};

closed_terms! {
    /// How much of a recording's force was held against the ceilings, when it was not all of it.
    pub enum LookedAt {
        Nothing = "nothing",
        Part = "part",
    }
}

/// A recording of which some force was held against no ceiling.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotLookedAt {
    pub recording: String,
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub looked_at: LookedAt,
    /// Why, in a few words and without a number that was measured.
    pub why: String,
}
