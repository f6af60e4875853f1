//! One test program: every further one links polars again. Each module holds the checks of one capability.

mod accuracy;
mod closed_forms_tissue;
mod decisions;
mod figures;
mod layers;
mod page;
mod simulate;
mod simulated_truth;
mod springs;
mod stats_reference;
mod tables;
mod technique;
//! Tests of the whole: outside references, the program, its files and pages.

mod springs;
mod tables;
mod technique;
mod figures;
mod page;
mod stats_reference;
mod layers;
