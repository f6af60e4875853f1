//! What people wrote about the recordings: study.toml, sidecars, roster, calls, scan plans, and the anatomy
//! they all name.

pub mod built_in;
pub mod call;
pub mod calls;
pub mod cautions;
pub mod codes;
pub mod column_key;
pub mod corrections;
pub mod door;
pub mod draws;
pub mod estimates;
pub mod folder;
pub mod gains;
pub mod import;
pub mod inputs;
pub mod mapping;
pub mod mat_setup;
pub mod match_plan;
pub mod objective;
pub mod opened;
pub mod plan;
pub mod reference;
pub mod roster;
mod search;
pub mod sidecar;
mod strays;
pub mod study_file;
pub mod table;
pub mod toml_doc;
pub mod usual;
pub mod words;

#[cfg(test)]
mod guide_keys;
