//! What the numbers are held to: simulated traces with known truth, measured, tallied and held against limits.
//!
//! The tests and `cargo bench --bench accuracy` share it: the tests run few traces, the bench the full count.

// Two programs share this, and neither uses all of it.
#![allow(dead_code)]

pub mod bound;
pub mod decide;
pub mod gates;
pub mod tally;
pub mod trial;
