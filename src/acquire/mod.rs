//! Devices: serial ports (recording from them is to come).

pub mod port;
