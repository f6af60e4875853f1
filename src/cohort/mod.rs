//! Ten thousand recordings: runs that can be cut short, parts of a run on many machines, and what many studies share.

pub mod combine;
pub mod convert;
mod key;
mod pack;
mod packed;
mod parquet;
mod plain;
pub mod rounding;
pub mod run;
pub mod shard;
pub mod share;
mod store;
mod whole;
