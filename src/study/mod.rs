//! What people wrote about the recordings: study.toml, sidecars, roster, calls, scan plans, and the anatomy
//! they all name.

pub mod anatomy;
pub mod call;
