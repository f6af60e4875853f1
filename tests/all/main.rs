//! One test program: each further one would link polars again.

mod figures;
mod invented;
mod page;
