//! Ten thousand recordings: runs that can be cut short, parts of a run on many machines, and what many studies share.

pub mod combine;
mod pack;
mod packed;
pub mod run;
pub mod shard;
mod store;
mod whole;
