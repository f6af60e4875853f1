//! Where a device can be reached: a serial port, or something that stands in for one.

use crate::error::Result;
use std::io::{Read, Write};
use std::time::Duration;

/// Bytes to and from a device. A read that finds nothing for [`READ_WAIT`] is an error of the kind `TimedOut`; one
/// after the device went away is any other error.
pub trait Stream: Read + Write + Send {}

impl<T: Read + Write + Send> Stream for T {}

/// How long a read waits for a first byte.
pub const READ_WAIT: Duration = Duration::from_millis(50);

/// A port, or a virtual device in its place.
pub trait DeviceSource: Send {
    /// For messages.
    fn name(&self) -> String;
    /// Opens it; again after the device went away.
    ///
    /// # Errors
    /// [`Error::Refused`](crate::error::Error::Refused): why it cannot be opened now, and what to do.
    fn open(&mut self) -> Result<Box<dyn Stream>>;
}
