//! Serial ports: which there are, and one opened. Only this folder names the serial port library.

mod pty;

pub use pty::PseudoTerminal;

use super::device_source::{DeviceSource, READ_WAIT, Stream};
use super::virtual_device::SIM;
use crate::error::{Error, Result};
use crate::study::words::{nearest, shown};
use serialport::{ErrorKind, SerialPortType, available_ports};
use std::io::{self, IsTerminal};
use std::path::Path;

/// Speed of a port whose name gives none: common practice, no source. USB devices do not care.
const USUAL_BAUD: u32 = 115_200;

/// A serial port as the system lists it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Port {
    /// Whether it is a USB device: those are likely a sensor; the rest often have no device behind them.
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
        .map(|port| {
            let (usb, description) = match port.port_type {
                SerialPortType::UsbPort(usb) => {
                    let words: Vec<String> = [usb.manufacturer, usb.product].into_iter().flatten().collect();
                    (true, words.join(" "))
                }
                _ => (false, String::new()),
            };
            Port {
                usb,
                name: port.port_name,
                description,
            }
        })
        .collect();
    ports.sort_by(|a, b| b.usb.cmp(&a.usb).then_with(|| a.name.cmp(&b.name)));
    Ok(ports)
}

/// A serial port, `PATH` or `PATH@BAUD`, opened for this program alone.
#[derive(Debug)]
pub struct SerialSource {
    path: String,
    baud: u32,
}

impl SerialSource {
    /// By its name, whether the system lists it or not.
    pub fn named(port: &str) -> Self {
        let with_baud = port
            .rsplit_once('@')
            .and_then(|(path, baud)| Some((path, baud.parse().ok()?)));
        let (path, baud) = with_baud.unwrap_or((port, USUAL_BAUD));
        SerialSource {
            path: path.to_owned(),
            baud,
        }
    }
}

impl DeviceSource for SerialSource {
    fn name(&self) -> String {
        self.path.clone()
    }

    fn open(&mut self) -> Result<Box<dyn Stream>> {
        match serialport::new(&self.path, self.baud).timeout(READ_WAIT).open() {
            Ok(port) => Ok(Box::new(port)),
            Err(error) => Err(cannot_open(&self.path, &error)),
        }
    }
}

fn cannot_open(name: &str, error: &serialport::Error) -> Error {
    let look = "look with `tautpoint ports`";
    let (found, advice) = match error.kind() {
        _ if is_no_port(Path::new(name)) => (
            format!("{} is no serial port", shown(name)),
            format!("{look}, or try the virtual device with --port {SIM}"),
        ),
        _ if !Path::new(name).exists() && nearest(name, [SIM]).is_some() => (
            format!("there is no port {}", shown(name)),
            format!("write --port {SIM} if the virtual device is meant"),
        ),
        ErrorKind::Io(io::ErrorKind::NotFound) => (
            format!("there is no port {}", shown(name)),
            format!("plug the device in and {look}"),
        ),
        ErrorKind::NoDevice if !Path::new(name).exists() => (
            format!("no device answers at {name}"),
            format!("plug it in and {look}"),
        ),
        ErrorKind::NoDevice => (
            format!("{name} is in use by another program"),
            "close that program: only one can read a device".to_owned(),
        ),
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
            (format!("this user may not open {name}"), how_to_be_allowed(name))
        }
        _ => (
            format!("{name} cannot be opened as a serial port: {error}"),
            look.to_owned(),
        ),
    };
    Error::Refused { found, advice }
}

/// Whether there is something of that name that cannot be a serial port: a file, a folder, a device that is no terminal.
fn is_no_port(path: &Path) -> bool {
    let Ok(there) = std::fs::metadata(path) else {
        return false;
    };
    if there.is_file() || there.is_dir() {
        return true;
    }
    let mut options = std::fs::File::options();
    options.read(true);
    #[cfg(target_os = "linux")]
    {
        use std::os::unix::fs::OpenOptionsExt;
        /// Without it a line that waits for a carrier would be waited for (man 2 open).
        const O_NONBLOCK: i32 = 0o4000;
        options.custom_flags(O_NONBLOCK);
    }
    options.open(path).is_ok_and(|device| !device.is_terminal())
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

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_port_is_called_so() {
        let told = |name: &str| SerialSource::named(name).open().err().unwrap().to_string();
        for name in ["/dev/null", "/etc/hostname", "/dev"] {
            assert!(told(name).contains(&format!("{name} is no serial port")), "{}", told(name));
        }
        for name in ["simm", "Sim"] {
            assert!(told(name).contains("write --port sim if the virtual device is meant"), "{}", told(name));
        }
        assert!(told("/dev/ttyACM99").contains("there is no port /dev/ttyACM99"));
    }
}
