//! Change between sessions and differences between groups, by mixed models (METHODS.md §14).
//!
//! A change of one volunteer, of one learner or of an examiner beside others is a weighted sum of tests; the variance model
//! of the whole study gives its error. What all volunteers share and what groups differ in are fixed effects.

mod changes;
mod decide;
mod designs;
mod effect;
mod groups;
mod learners;
mod margins;
mod model;
mod observed;
mod spreads;
mod volunteers;

pub use changes::{changes, changes_in};
pub use designs::EffectPart;
pub use effect::{
    Adjustment, Course, CoursePoint, Effect, EffectRule, EffectTerm, EffectWord, Effects, FittedPart, ModelOf, primary,
};
pub use groups::{GroupedUnit, between_groups, between_groups_in};
pub use spreads::{StudySpreads, study_spreads};
