//! One test program: each module holds the checks of one capability.

mod closed_forms_tissue;
mod simulate;
mod simulated_truth;
