//! A device that is simulated: a hand-driven scan, sent in real time in the wire format.
//!
//! [`Transmission`] makes the bytes, and the same specification always gives the same ones. They reach a reader
//! inside this program ([`InProcessDevice`], `--port sim`) or through a pseudo-terminal ([`VirtualDevice`], `simulate device`).

mod in_process;
#[cfg(feature = "serial")]
mod pty_device;
mod scan;
mod spec;
mod transmission;
mod port_name;

pub use in_process::InProcessDevice;
pub use port_name::{SIM, parse_port_name};
#[cfg(feature = "serial")]
pub use pty_device::VirtualDevice;
pub use spec::{DeviceSpec, LinkFaults, ScanPosition, Sensors, Unplug};
pub use transmission::Transmission;
