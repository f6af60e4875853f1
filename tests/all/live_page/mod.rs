//! The live page: in a real browser, and against whoever else may speak to its server.

pub mod browser;
pub mod session;

mod looks;
mod modes;
mod schedules;
mod security;
mod speed;
