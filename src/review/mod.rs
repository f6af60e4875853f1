//! Putting right by hand what the program marked: what is asked for is held against the recording, what it changes is shown, and
//! what is kept goes to the end of corrections.toml. The command line and the page in the browser do the same by the same code.

pub mod append;
pub mod asked;
pub mod changes;
#[cfg(feature = "live")]
mod commands;
pub mod desk;
#[cfg(feature = "live")]
mod look_first;
#[cfg(feature = "live")]
pub mod page_desk;
#[cfg(feature = "live")]
mod questions;
pub mod standing;
#[cfg(feature = "live")]
mod views;

use crate::error::Error;

/// That something is not done, and why.
fn refusal(found: impl Into<String>) -> Error {
    Error::Refused {
        found: found.into(),
        advice: "nothing was written".to_owned(),
    }
}
