//! Devices: serial ports, the wire format, a device that is simulated, and recordings kept as they come.

pub mod control;
pub mod port;
pub mod recorder;
pub mod station;
pub mod wire;
pub mod clock;
pub mod virtual_device;
pub mod line;
