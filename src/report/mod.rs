//! The tables, figures and pages made of the results of an analysis.

pub mod agreement;
pub mod certificate;
pub mod cohort;
pub(crate) mod curves;
pub mod datapackage;
mod dataset;
pub mod debrief;
pub mod effects;
pub mod followed;
mod frame;
pub mod html;
pub mod json;
pub mod output;
mod over;
mod parquet;
pub mod planning;
pub mod station;
pub mod tables;
mod text;

pub use over::{OverCeilings, Whose};
pub use text::{budget_text, ceilings_text, summary_text};

/// Caution that every report carries.
pub const CAUTION: &str = "For training models and consenting volunteers under a licensed supervisor. This is no medical \
device and makes no diagnosis: it says what was measured, never what is wrong with anybody. Stop on request or pain. \
A blank result is never a reason to press harder. Each lab must set its own ceilings; local rules and licensed judgement come first.";
