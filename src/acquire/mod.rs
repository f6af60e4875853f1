//! Devices: serial ports, the wire format, a simulated device, and recordings kept as they arrive.

pub mod clock;
pub mod control;
pub mod device_source;
pub mod station;
pub mod wire;
pub mod line;
#[cfg(feature = "serial")]
pub mod port;
pub mod virtual_device;
pub mod open;
pub mod recorder;

pub use open::open_line;
