//! What a person may put right in a recording.

use super::closed_terms;

closed_terms! {
    /// What an entry of corrections.toml does.
    pub enum ChangeWord {
        ContactBegin = "contact_begin",
        ContactEnd = "contact_end",
        SpringStart = "spring_start",
        SpringPeak = "spring_peak",
        SpringEnd = "spring_end",
        AddSpring = "add_spring",
        RemoveSpring = "remove_spring",
        Split = "split",
        Join = "join",
        Side = "side",
        Level = "level",
        LeaveOut = "leave_out",
        OnsetWithin = "onset_within",
        Annotate = "annotate",
        Undo = "undo",
    }
}
