//! The only file that names the serial port library.

use crate::error::{Error, Result};
use serialport::{SerialPortType, available_ports};
use std::path::Path;

/// A serial port as the system lists it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Port {
    /// Whether it is a USB device: those are likely a sensor, the rest often stand for no device at all.
    pub usb: bool,
    /// What to give to a program that opens it.
    pub name: String,
    /// Maker and product as the device gives them; may be empty.
    pub description: String,
}

/// Serial ports, USB ones first, then by name. Nothing is opened.
///
/// # Errors
/// [`Error::Refused`] when the system gives no list.
pub fn ports() -> Result<Vec<Port>> {
    // The library panics where this folder is missing, as in a bare container.
    if cfg!(target_os = "linux") && !Path::new("/sys/class/tty").is_dir() {
        return Ok(Vec::new());
    }
    let listed = available_ports().map_err(|e| Error::Refused {
        found: format!("the system lists no serial ports: {e}"),
        advice: "name the port itself".to_owned(),
    })?;
    let mut ports: Vec<Port> = listed
        .into_iter()
        .map(|p| match p.port_type {
            SerialPortType::UsbPort(usb) => {
                let words: Vec<String> = [usb.manufacturer, usb.product].into_iter().flatten().collect();
                Port {
                    usb: true,
                    name: p.port_name,
                    description: words.join(" "),
                }
            }
            _ => Port {
                usb: false,
                name: p.port_name,
                description: String::new(),
            },
        })
        .collect();
    ports.sort_by(|a, b| b.usb.cmp(&a.usb).then_with(|| a.name.cmp(&b.name)));
    Ok(ports)
}
