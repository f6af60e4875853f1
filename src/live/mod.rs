//! While the hand is on: what the page and the terminal meter show, and what a person may tell the program.

pub use crate::acquire::control;
