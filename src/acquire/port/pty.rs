//! Pseudo-terminals, for a virtual device that other programs can open.

use crate::error::{Error, Result};
use std::io::{self, Read, Write};

/// The device's end of a pseudo-terminal, for a virtual device.
#[derive(Debug)]
pub struct PseudoTerminal {
    #[cfg(unix)]
    end: serialport::TTYPort,
    path: String,
}

impl PseudoTerminal {
    /// Makes one. The other end is free to be opened, by this program or another, under [`PseudoTerminal::path`].
    ///
    /// # Errors
    /// [`Error::Refused`] where the system has none.
    pub fn new() -> Result<PseudoTerminal> {
        let refused = |why: String| Error::Refused {
            found: format!("this system gives no pseudo-terminal: {why}"),
            advice: "use `--port sim`, which needs none".to_owned(),
        };
        #[cfg(unix)]
        {
            use serialport::SerialPort;
            let (mut end, other) = serialport::TTYPort::pair().map_err(|e| refused(e.to_string()))?;
            end.set_timeout(std::time::Duration::from_millis(1))
                .map_err(|e| refused(e.to_string()))?;
            // Whoever opens it wants it exclusively, so it must not stay open here.
            let path = other.name().unwrap_or_default();
            Ok(PseudoTerminal { end, path })
        }
        #[cfg(not(unix))]
        Err(refused("it has none".to_owned()))
    }

    /// What to give to a program that opens the other end.
    pub fn path(&self) -> &str {
        &self.path
    }
}

impl Read for PseudoTerminal {
    #[cfg(unix)]
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.end.read(buffer)
    }

    #[cfg(not(unix))]
    fn read(&mut self, _buffer: &mut [u8]) -> io::Result<usize> {
        Err(io::ErrorKind::Unsupported.into())
    }
}

impl Write for PseudoTerminal {
    #[cfg(unix)]
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.end.write(bytes)
    }

    #[cfg(not(unix))]
    fn write(&mut self, _bytes: &[u8]) -> io::Result<usize> {
        Err(io::ErrorKind::Unsupported.into())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
