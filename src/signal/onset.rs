//! temporary
use super::springs::SideView;
use super::uncertainty::Sources;
use crate::trace::{FitSummary, Knee, Measured};
use std::ops::Range;

/// What is known of the onset.
#[derive(Debug, Clone)]
pub struct OnsetFinding {
    pub knee: Knee,
    pub fit: Option<FitSummary>,
    pub onset: Option<Measured>,
    pub onset_force: Option<Measured>,
    pub take_up: Option<Measured>,
    pub fitted_end_feel: Option<Measured>,
    pub damping: Option<Measured>,
    /// First passage on the way in, in grid samples.
    pub passage: Option<f64>,
    pub notes: Vec<String>,
}

impl OnsetFinding {
    /// Nothing was looked for.
    pub fn not_looked() -> Self {
        OnsetFinding {
            knee: Knee::NotLooked,
            fit: None,
            onset: None,
            onset_force: None,
            take_up: None,
            fitted_end_feel: None,
            damping: None,
            passage: None,
            notes: Vec::new(),
        }
    }
}

pub fn find_onset(
    _view: &SideView,
    _contact: &Range<usize>,
    _lean_end: usize,
    _springs: &[Range<usize>],
    _sources: &Sources,
) -> OnsetFinding {
    OnsetFinding::not_looked()
}
