//! What only a pressure mat can say of a test.

pub mod frames;
mod measures;

pub use measures::{add_mat, hand_of};

#[cfg(test)]
mod tests;
