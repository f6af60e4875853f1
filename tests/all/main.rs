//! One program for all integration tests, a module for each capability.

mod bad_input;
mod plans;
mod read;
