//! A device that is simulated: a hand-driven scan, sent in real time in the wire format.
//!
//! [`Transmission`] makes the bytes, and the same specification always gives the same ones. They reach a reader
//! inside this program ([`Inside`], `--port sim`) or through a pseudo-terminal ([`VirtualDevice`], `simulate device`).

mod inside;
mod pseudo;
mod scan;
mod spec;
mod transmission;
mod words;

pub use inside::Inside;
pub use pseudo::VirtualDevice;
pub use spec::{DeviceSpec, Harm, Sensors, Spot, Unplug};
pub use transmission::Transmission;
pub use words::{SIM, from_words};
