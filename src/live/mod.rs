//! While the hand is on: what the page and the terminal show, and what a person can ask for.
//!
//! Samples go into a [`monitor::Monitor`]; it gives events (an alarm, a spring, a test that ended) and, thirty times a
//! second, a [`view::LiveView`] that a [`server::Hub`] sends to every open page. Commands come back from the page through the
//! hub.

pub use crate::acquire::control;

pub mod background;
pub mod ceiling;
pub mod channels;
pub mod ended_test;
#[cfg(feature = "live")]
mod guard;
mod sample_buffer;
pub mod monitor;
mod provisional_onset;
pub mod phase;
pub mod schedule;
#[cfg(feature = "live")]
pub mod server;
mod side;
pub mod sign;
pub mod strip;
pub mod summary;
pub mod view;
