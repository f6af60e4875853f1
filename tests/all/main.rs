//! One test program: every further one links polars again. Each module holds the checks of one capability.

mod accuracy;
mod agreement;
mod asymmetry;
mod bad_input;
mod closed_forms_chain;
mod closed_forms_push;
mod closed_forms_tissue;
mod decisions;
mod figures;
mod filter_reference;
mod invented;
mod layers;
mod live_agreement;
mod live_scipy;
mod measured_traces;
mod page;
mod plans;
mod program;
mod proof;
mod read;
mod simulate;
mod simulated_truth;
mod springs;
mod stats_reference;
mod tables;
mod technique;
