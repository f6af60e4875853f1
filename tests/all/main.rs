//! Tests of the whole: outside references, the program, its files and pages.

mod springs;
mod tables;
mod technique;
mod figures;
mod page;
mod stats_reference;
mod layers;
