//! Tests of the whole: outside references, the program, its files and pages.

mod springs;
mod figures;
mod page;
mod stats_reference;
mod layers;
mod accuracy;
