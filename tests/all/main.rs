//! One test program: every further one links polars again.

mod tables;
mod technique;
//! Tests of the whole: outside references, the program, its files and pages.

mod springs;
mod figures;
mod page;
mod stats_reference;
mod layers;
