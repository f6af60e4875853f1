//! The only file that names the serial port library.

use crate::error::{Error, Result};
use serialport::{ErrorKind, SerialPortType, available_ports};
use std::io::{self, Read, Write};
use std::path::Path;
use std::time::Duration;

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

/// Bytes to and from a device. A read that finds nothing for [`READ_WAIT`] is an error of the kind `TimedOut`; one
/// after the device went away is any other error.
pub trait Stream: Read + Write + Send {}

impl<T: Read + Write + Send> Stream for T {}

/// How long a read waits for a first byte.
pub const READ_WAIT: Duration = Duration::from_millis(50);

/// Why a port cannot be opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    Missing,
    InUse,
    NotAllowed,
    Other,
}

/// A port that cannot be opened: why, and in words what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CannotOpen {
    pub why: Why,
    pub words: String,
}

/// Opens a port by its name, listed or not, for this program alone.
///
/// # Errors
/// [`CannotOpen`], in words for a person.
pub fn open(name: &str, baud: u32) -> std::result::Result<Box<dyn Stream>, CannotOpen> {
    match serialport::new(name, baud).timeout(READ_WAIT).open() {
        Ok(port) => Ok(Box::new(port)),
        Err(error) => Err(cannot_open(name, &error)),
    }
}

fn cannot_open(name: &str, error: &serialport::Error) -> CannotOpen {
    let (why, words) = match error.kind() {
        ErrorKind::Io(io::ErrorKind::NotFound) => (
            Why::Missing,
            format!("there is no port {name}; plug the device in and look with `tautpoint ports`"),
        ),
        ErrorKind::NoDevice if !Path::new(name).exists() => (
            Why::Missing,
            format!("no device answers at {name}; plug it in and look with `tautpoint ports`"),
        ),
        ErrorKind::NoDevice => (
            Why::InUse,
            format!("{name} is in use by another program; end that one, since only one can read a device"),
        ),
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => (
            Why::NotAllowed,
            format!(
                "{name} may not be opened by this user; {}",
                how_to_be_allowed(name)
            ),
        ),
        _ => (
            Why::Other,
            format!("{name} cannot be opened as a serial port: {error}; look with `tautpoint ports`"),
        ),
    };
    CannotOpen { why, words }
}

/// Serial ports belong to a group; its name differs from system to system.
#[cfg(unix)]
fn how_to_be_allowed(name: &str) -> String {
    use std::os::unix::fs::MetadataExt;
    let owner = std::fs::metadata(name).map(|m| m.gid()).ok();
    let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
    let group = owner.and_then(|gid| {
        groups.lines().find_map(|line| {
            let mut fields = line.split(':');
            let name = fields.next()?;
            (fields.nth(1)?.parse() == Ok(gid) && gid != 0).then(|| name.to_owned())
        })
    });
    let group = group.unwrap_or_else(|| "dialout".to_owned());
    format!("join the group that may (`sudo usermod -aG {group} \"$USER\"`), then log out and in")
}

#[cfg(not(unix))]
fn how_to_be_allowed(_name: &str) -> String {
    "ask whoever looks after this computer".to_owned()
}

/// The device's end of a pseudo-terminal, for a virtual device.
#[derive(Debug)]
pub struct Pseudo {
    #[cfg(unix)]
    end: serialport::TTYPort,
    path: String,
}

/// Makes a pseudo-terminal. The other end is free to be opened, by this program or another, under [`Pseudo::path`].
///
/// # Errors
/// [`Error::Refused`] where the system has none.
#[cfg(unix)]
pub fn pair() -> Result<Pseudo> {
    use serialport::SerialPort;
    let refused = |e: serialport::Error| Error::Refused {
        found: format!("the system gives no pseudo-terminal: {e}"),
        advice: "use `--port sim`, which needs none".to_owned(),
    };
    let (mut end, other) = serialport::TTYPort::pair().map_err(refused)?;
    end.set_timeout(Duration::from_millis(1)).map_err(refused)?;
    // Whoever opens it wants it for himself, so it must not stay open here.
    let path = other.name().unwrap_or_default();
    drop(other);
    Ok(Pseudo { end, path })
}

/// Makes a pseudo-terminal, where the system has them.
///
/// # Errors
/// Always: this system has none.
#[cfg(not(unix))]
pub fn pair() -> Result<Pseudo> {
    Err(Error::Refused {
        found: "this system has no pseudo-terminals".to_owned(),
        advice: "use `--port sim`, which needs none".to_owned(),
    })
}

impl Pseudo {
    /// What to give to a program that opens the other end.
    pub fn path(&self) -> &str {
        &self.path
    }
}

#[cfg(unix)]
impl Read for Pseudo {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.end.read(buffer)
    }
}

#[cfg(unix)]
impl Write for Pseudo {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.end.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(not(unix))]
impl Read for Pseudo {
    fn read(&mut self, _buffer: &mut [u8]) -> io::Result<usize> {
        Err(io::ErrorKind::Unsupported.into())
    }
}

#[cfg(not(unix))]
impl Write for Pseudo {
    fn write(&mut self, _bytes: &[u8]) -> io::Result<usize> {
        Err(io::ErrorKind::Unsupported.into())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
