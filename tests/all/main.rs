//! One test program: every further one links polars again. Each module holds the checks of one capability.

mod accuracy;
mod bad_input;
mod calibration;
mod closed_forms_tissue;
mod decisions;
mod figures;
mod instrument;
mod invented;
mod layers;
mod page;
mod plans;
mod program;
mod read;
mod simulate;
mod simulated_truth;
mod springs;
mod stats_reference;
mod tables;
mod technique;
