//! Devices: serial ports, the wire format, a device that is simulated, and recordings kept as they come.

pub mod port;
pub mod station;
