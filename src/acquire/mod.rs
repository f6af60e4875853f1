//! Devices: serial ports, the wire format, a device that is simulated, and recordings kept as they come.

pub mod clock;
pub mod control;
pub mod line;
pub mod port;
pub mod recorder;
pub mod station;
pub mod virtual_device;
pub mod wire;
