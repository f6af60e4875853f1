//! One test program: every further one links polars again. Each module holds the checks of one capability.

mod accuracy;
mod asymmetry;
mod bad_input;
mod calibrated_study;
mod calibration;
mod closed_forms_chain;
mod closed_forms_push;
mod closed_forms_tissue;
mod decisions;
mod figures;
mod filter_reference;
mod instrument;
mod invented;
mod layers;
mod live_scipy;
mod measured_traces;
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
