//! One test program: every further one links polars again. Each module holds the checks of one capability.

mod accuracy;
mod closed_forms_tissue;
mod decisions;
mod figures;
mod layers;
mod page;
mod proof;
mod simulate;
mod simulated_truth;
mod springs;
mod stats_reference;
mod tables;
mod technique;
