//! Tests of the whole: outside references, the program, its files and pages.

mod springs;
//! One test program: each further one would link polars again.

mod figures;
mod page;
mod stats_reference;
