//! A virtual device inside this program: a port that needs no system to have one.

use super::spec::DeviceSpec;
use super::transmission::Transmission;
use crate::acquire::device_source::{DeviceSource, READ_WAIT, Stream};
use crate::error::{Error, Result};
use std::io::{self, Read, Write};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// A virtual device that can be opened as a port is. It begins when it is first opened.
#[derive(Debug, Clone)]
pub struct InProcessDevice {
    spec: DeviceSpec,
    state: Arc<Mutex<DeviceState>>,
}

#[derive(Debug)]
struct DeviceState {
    transmission: Transmission,
    since: Option<Instant>,
    away: bool,
    pending: Vec<u8>,
}

impl InProcessDevice {
    /// A device that is not switched on yet.
    ///
    /// # Errors
    /// As [`DeviceSpec::check`].
    pub fn new(spec: &DeviceSpec) -> Result<Self> {
        let state = DeviceState {
            transmission: Transmission::new(spec)?,
            since: None,
            away: false,
            pending: Vec::new(),
        };
        Ok(InProcessDevice {
            spec: spec.clone(),
            state: Arc::new(Mutex::new(state)),
        })
    }

    fn state(&self) -> MutexGuard<'_, DeviceState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What is there to be read now; else how long until the next sample.
    fn due(&self, buffer: &mut [u8]) -> io::Result<std::result::Result<usize, Duration>> {
        let mut state = self.state();
        let elapsed_s = state.elapsed_s();
        if !self.spec.plugged(elapsed_s) {
            state.away = true;
            return Err(io::ErrorKind::BrokenPipe.into());
        }
        let bytes = state.transmission.until(elapsed_s);
        state.pending.extend(bytes);
        if state.pending.is_empty() {
            if state.transmission.ended() {
                return Err(io::ErrorKind::BrokenPipe.into());
            }
            let wait_s = (state.transmission.next_due_s() - elapsed_s).max(0.0);
            return Ok(Err(Duration::from_secs_f64(wait_s.min(1.0))));
        }
        let count = state.pending.len().min(buffer.len());
        buffer[..count].copy_from_slice(&state.pending[..count]);
        state.pending.drain(..count);
        Ok(Ok(count))
    }
}

impl DeviceSource for InProcessDevice {
    fn name(&self) -> String {
        "the virtual device".to_owned()
    }

    /// Refused while it is unplugged, and once its scan is over.
    fn open(&mut self) -> Result<Box<dyn Stream>> {
        let mut state = self.state();
        let first = state.since.is_none();
        let elapsed_s = state.elapsed_s();
        if state.transmission.ended() || !self.spec.plugged(elapsed_s) {
            return Err(Error::Refused {
                found: "the virtual device is not plugged in".to_owned(),
                advice: "wait for it, or start again".to_owned(),
            });
        }
        // Nothing was sampled while nobody listened.
        if state.away {
            state.transmission.skip_until(elapsed_s);
            state.away = false;
        } else if !first {
            state.transmission.until(elapsed_s);
        }
        state.pending.clear();
        Ok(Box::new(self.clone()))
    }
}

impl DeviceState {
    fn elapsed_s(&mut self) -> f64 {
        self.since
            .get_or_insert_with(Instant::now)
            .elapsed()
            .as_secs_f64()
    }
}

impl Read for InProcessDevice {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let began = Instant::now();
        loop {
            match self.due(buffer)? {
                Ok(count) => return Ok(count),
                Err(_) if began.elapsed() >= READ_WAIT => return Err(io::ErrorKind::TimedOut.into()),
                Err(wait) => std::thread::sleep(wait.min(READ_WAIT).max(Duration::from_micros(200))),
            }
        }
    }
}

impl Write for InProcessDevice {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if bytes.contains(&b'?') {
            let mut state = self.state();
            let hello = state.transmission.hello();
            // Between two frames: everything that waits is whole.
            state.pending.extend(hello);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
