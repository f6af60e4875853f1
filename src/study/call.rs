//! What an examiner said felt more resistant.

/// One row of `calls.csv`: the examiner's own judgement of a level, made by hand before any number is seen.
///
/// Empty is `None`, never an empty string. All are codes, never names.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Call {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub level: String,
    pub trial: Option<u32>,
    /// `left`, `right`, `even` or `unsure`.
    pub call: String,
    /// As the study counts it; not used in any decision.
    pub confidence: Option<f64>,
}
