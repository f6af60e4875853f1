//! What one analysis found, and the tables, figures and pages made of it.

pub mod html;

use crate::compare::{Finding, Unpaired};
use crate::error::Problem;
use crate::settings::Settings;
use crate::technique::Remark;
use crate::trace::Test;

/// A file that went in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFile {
    /// Relative to the input given.
    pub file: String,
    pub sha256: String,
    pub bytes: u64,
}

/// Something left out: a file, a test, a spring.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exclusion {
    pub recording: String,
    pub test: Option<u32>,
    pub side: Option<String>,
    pub spring: Option<u32>,
    /// `file`, `test` or `spring`.
    pub what: &'static str,
    /// `rule` or `person`.
    pub by: &'static str,
    pub reason: String,
}

/// Everything one analysis found. Tests are in a stable order (recording, test, side), independent of how many
/// cores worked and in which order files were named.
#[derive(Debug, Clone, Default)]
pub struct Results {
    pub title: Option<String>,
    pub site: Option<String>,
    pub ethics_ref: Option<String>,
    pub settings: Settings,
    /// Where each setting that is not the default was set (`study.toml`, `--low-pass`).
    pub setting_sources: Vec<(String, String)>,
    pub tests: Vec<Test>,
    pub findings: Vec<Finding>,
    pub unpaired: Vec<Unpaired>,
    pub remarks: Vec<Remark>,
    pub exclusions: Vec<Exclusion>,
    pub problems: Vec<Problem>,
    pub inputs: Vec<InputFile>,
}
