//! While the hand is on: what the page and the terminal meter show, and what a person may tell the program.
//!
//! Samples go into a [`monitor::Monitor`]; it gives events (an alarm, a spring, a test that ended) and, thirty times a
//! second, a [`view::LiveView`] that a [`server::Hub`] sends to every open page. Wishes come back from the page through the
//! hub.

pub use crate::acquire::control;

pub mod background;
pub mod ceiling;
pub mod channels;
pub mod ended_test;
mod guard;
mod sample_buffer;
pub mod monitor;
mod provisional_onset;
pub mod phase;
pub mod server;
mod side;
pub mod strip;
pub mod summary;
pub mod view;
