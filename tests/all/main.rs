//! One test program: every further one links polars again.

mod tables;
mod technique;
//! Tests of the whole: outside references, the program, its files and pages.

mod springs;
mod figures;
mod page;
mod stats_reference;
mod layers;
mod accuracy;
//! One test program: each module holds the checks of one capability.

mod closed_forms_tissue;
mod simulate;
mod simulated_truth;
mod decisions;
