//! From the name of a port to the line behind it.

use super::device_source::DeviceSource;
use super::line::listen;
use super::station::LineEvent;
use super::virtual_device::{InProcessDevice, parse_port_name};
use crate::error::Result;
use std::sync::mpsc::{Receiver, channel};

/// Listens to the device at a port: `/dev/ttyACM0`, `/dev/ttyUSB0@921600` (with the speed of a plain serial line;
/// 115200 unless given), `sim` for a virtual device inside this program, or `sim:` with options
/// ([`parse_port_name`]).
///
/// As [`listen`]; a name that cannot be used gives [`LineEvent::Failed`].
pub fn open_line(port: &str) -> Receiver<LineEvent> {
    let source = match parse_port_name(port) {
        None => serial(port),
        Some(spec) => spec
            .and_then(|spec| InProcessDevice::new(&spec))
            .map(|device| Box::new(device) as Box<dyn DeviceSource>),
    };
    source.map_or_else(
        |error| {
            let (sender, receiver) = channel();
            let _ = sender.send(LineEvent::Failed(error.to_string()));
            receiver
        },
        listen,
    )
}

#[cfg(feature = "serial")]
fn serial(port: &str) -> Result<Box<dyn DeviceSource>> {
    Ok(Box::new(super::port::SerialSource::named(port)))
}

#[cfg(not(feature = "serial"))]
fn serial(_port: &str) -> Result<Box<dyn DeviceSource>> {
    Err(crate::error::Error::Refused {
        found: "this build knows no serial ports".to_owned(),
        advice: "build it with the feature `serial`, or use the port `sim`".to_owned(),
    })
}
