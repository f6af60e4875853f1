//! One test program: every further one links polars again.

mod tables;
mod technique;
