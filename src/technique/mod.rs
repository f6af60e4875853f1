//! Findings on how a test was done.

/// One row of `technique`: a rule that a test, or a scan, did not keep.
#[derive(Debug, Clone, PartialEq)]
pub struct Remark {
    /// Empty for a finding about a whole scan (a level missed).
    pub recording: Option<String>,
    pub test: Option<u32>,
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub level: Option<String>,
    pub side: Option<String>,
    /// Short fixed name (`sprung_before_slack_out`, `over_ceiling`, `level_missed`).
    pub finding: &'static str,
    pub value: Option<f64>,
    pub unit: &'static str,
    pub low: Option<f64>,
    pub high: Option<f64>,
    /// What was seen, in plain words.
    pub text: String,
    /// What to try next time.
    pub advice: String,
}
