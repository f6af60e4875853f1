//! What many recordings need: parts of a run on many machines, studies merged, smaller files, and copies that may be shared.

pub mod combine;
mod conversion;
pub mod convert;
mod key;
mod manifest;
pub mod merge;
pub mod parquet;
pub mod pseudonymizer;
pub mod rounding;
pub mod shard;
pub mod shard_run;
