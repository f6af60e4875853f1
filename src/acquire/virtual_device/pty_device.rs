//! A virtual device behind a pseudo-terminal, in a thread of its own.

use super::spec::DeviceSpec;
use super::transmission::Transmission;
use crate::acquire::port::PseudoTerminal;
use crate::error::{Error, Result};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Pause between two checks of what is due.
const PAUSE: Duration = Duration::from_millis(1);
/// Bytes kept for a slow reader, besides the 64 kB that the system keeps; beyond that samples are lost. Far more than
/// a device has: a busy computer stalls both ends, and a test must be able to tell what the line itself loses.
const MAX_PENDING_BYTES: usize = 1 << 20;
/// Written at once, so that a reader who stopped reading never holds the device up for long.
const CHUNK_BYTES: usize = 128;
/// Between the last sample and the end: what a busy reader has not taken by then is lost.
const LAST_PAUSES: u32 = 500;
/// Longest wait for a change.
const TIMEOUT: Duration = Duration::from_secs(2);

/// A device that any program can open by its path, as long as this value lives.
///
/// ```no_run
/// use tautpoint::acquire::virtual_device::{DeviceSpec, VirtualDevice};
/// let device = VirtualDevice::start(&DeviceSpec::default(), None)?;
/// println!("{}", device.path().display());
/// device.unplug();
/// device.plug_in();
/// # Ok::<(), tautpoint::error::Error>(())
/// ```
#[derive(Debug)]
pub struct VirtualDevice {
    path: PathBuf,
    shared: Arc<DeviceFlags>,
    thread: Option<JoinHandle<()>>,
    /// Holds the path when no other was asked for.
    _folder: Option<tempfile::TempDir>,
}

#[derive(Debug, Default)]
struct DeviceFlags {
    stop: AtomicBool,
    pulled: AtomicBool,
    plugged: AtomicBool,
    ended: AtomicBool,
    sent: AtomicU64,
}

impl VirtualDevice {
    /// Starts a device. Its path is a link to the pseudo-terminal, which stays the same when that gets another name
    /// after being unplugged: `link`, or one in a new temporary folder.
    ///
    /// # Errors
    /// A specification that cannot be meant, no pseudo-terminal, or a link that cannot be made or would replace
    /// something that is no link.
    pub fn start(spec: &DeviceSpec, link: Option<&Path>) -> Result<Self> {
        let (path, folder) = match link {
            Some(link) => (link.to_owned(), None),
            None => {
                let folder = tempfile::Builder::new()
                    .prefix("tautpoint-device-")
                    .tempdir()
                    .map_err(|e| Error::io(std::env::temp_dir(), e, "name a path with --link"))?;
                (folder.path().join("port"), Some(folder))
            }
        };
        Self::begin(spec, Some(path), folder)
    }

    /// Starts a device whose path is that of the pseudo-terminal itself, which may be another one after it was
    /// unplugged.
    ///
    /// # Errors
    /// A specification that cannot be meant, or no pseudo-terminal.
    pub fn start_unlinked(spec: &DeviceSpec) -> Result<Self> {
        Self::begin(spec, None, None)
    }

    fn begin(spec: &DeviceSpec, link: Option<PathBuf>, folder: Option<tempfile::TempDir>) -> Result<Self> {
        let transmission = Transmission::new(spec)?;
        let line = plug(link.as_deref())?;
        let path = link.clone().unwrap_or_else(|| PathBuf::from(line.path()));
        let shared = Arc::new(DeviceFlags::default());
        shared.plugged.store(true, Ordering::SeqCst);
        let mut device = DeviceThread {
            spec: spec.clone(),
            transmission,
            line: Some(line),
            pending: Vec::new(),
            link,
            shared: Arc::clone(&shared),
        };
        let thread = std::thread::spawn(move || device.run());
        Ok(VirtualDevice {
            path,
            shared,
            thread: Some(thread),
            _folder: folder,
        })
    }

    /// What to give to a program that opens it.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes taken by a reader so far.
    pub fn sent(&self) -> u64 {
        self.shared.sent.load(Ordering::SeqCst)
    }

    /// Whether the scan is over; the device is then unplugged for good.
    pub fn ended(&self) -> bool {
        self.shared.ended.load(Ordering::SeqCst)
    }

    /// Pulls the plug: the port is gone when this returns.
    pub fn unplug(&self) {
        self.shared.pulled.store(true, Ordering::SeqCst);
        self.wait_until(|s| !s.plugged.load(Ordering::SeqCst));
    }

    /// Plugs in again: the device restarts, its counter at the beginning, under the same path.
    pub fn plug_in(&self) {
        self.shared.pulled.store(false, Ordering::SeqCst);
        self.wait_until(|s| s.plugged.load(Ordering::SeqCst));
    }

    /// Waits for the end of the scan, which only some specifications have.
    pub fn wait(&self) {
        while !self.ended() {
            std::thread::sleep(10 * PAUSE);
        }
    }

    fn wait_until(&self, done: impl Fn(&DeviceFlags) -> bool) {
        let began = Instant::now();
        while !done(&self.shared) && !self.ended() && began.elapsed() < TIMEOUT {
            std::thread::sleep(PAUSE);
        }
    }
}

impl Drop for VirtualDevice {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::SeqCst);
        let began = Instant::now();
        if let Some(thread) = self.thread.take() {
            // A reader that keeps the port open without reading can hold the thread up; it is then left to itself.
            while !thread.is_finished() && began.elapsed() < TIMEOUT {
                std::thread::sleep(PAUSE);
            }
            if thread.is_finished() {
                let _ = thread.join();
            }
        }
    }
}

struct DeviceThread {
    spec: DeviceSpec,
    transmission: Transmission,
    line: Option<PseudoTerminal>,
    pending: Vec<u8>,
    link: Option<PathBuf>,
    shared: Arc<DeviceFlags>,
}

impl DeviceThread {
    fn run(&mut self) {
        if self.spec.waits {
            self.wait_for_reader();
        }
        let began = Instant::now();
        while !self.shared.stop.load(Ordering::SeqCst) && !self.transmission.ended() {
            let elapsed_s = began.elapsed().as_secs_f64();
            let wanted = self.spec.plugged(elapsed_s) && !self.shared.pulled.load(Ordering::SeqCst);
            match (&self.line, wanted) {
                (Some(_), false) => self.hang_up(),
                (None, true) => self.line = plug(self.link.as_deref()).ok(),
                _ => {}
            }
            self.shared.plugged.store(self.line.is_some(), Ordering::SeqCst);
            if self.line.is_some() {
                self.send(elapsed_s);
            } else {
                self.transmission.skip_until(elapsed_s);
            }
            std::thread::sleep(PAUSE);
        }
        if self.transmission.ended() {
            self.drain();
        }
        self.hang_up();
        self.shared.plugged.store(false, Ordering::SeqCst);
        self.shared.ended.store(true, Ordering::SeqCst);
    }

    /// Until somebody opens the other end, which is broken as long as nobody has it open.
    fn wait_for_reader(&mut self) {
        let mut byte = [0];
        while let Some(line) = &mut self.line
            && !self.shared.stop.load(Ordering::SeqCst)
            && line
                .read(&mut byte)
                .is_err_and(|e| e.kind() != io::ErrorKind::TimedOut)
        {
            std::thread::sleep(PAUSE);
        }
    }

    /// A terminal that is closed loses what its reader has not taken yet: at the end there is time for that.
    fn drain(&mut self) {
        for _ in 0..LAST_PAUSES {
            if !self.pending.is_empty() {
                self.send(0.0);
            }
            std::thread::sleep(PAUSE);
        }
    }

    fn hang_up(&mut self) {
        self.line = None;
        self.pending.clear();
        if let Some(link) = &self.link {
            let _ = remove_link(link);
        }
    }

    fn send(&mut self, elapsed_s: f64) {
        let Some(line) = &mut self.line else {
            return;
        };
        let asked = was_asked(line);
        let bytes = self.transmission.until(elapsed_s);
        if self.pending.len() < MAX_PENDING_BYTES {
            self.pending.extend(bytes);
            if asked {
                self.pending.extend(self.transmission.hello());
            }
        }
        let mut done = 0;
        while done < self.pending.len() {
            let end = self.pending.len().min(done + CHUNK_BYTES);
            match line.write(&self.pending[done..end]) {
                Ok(count) => done += count,
                // Slow, but there.
                Err(e) if e.kind() == io::ErrorKind::TimedOut => break,
                // Nobody has it open: what is sent now is heard by nobody.
                Err(_) => {
                    self.pending.clear();
                    return;
                }
            }
        }
        self.shared.sent.fetch_add(done as u64, Ordering::SeqCst);
        self.pending.drain(..done);
    }
}

/// Whether the computer asks what the device is. Waits a little when it says nothing.
fn was_asked(line: &mut PseudoTerminal) -> bool {
    let mut heard = [0; 64];
    match line.read(&mut heard) {
        Ok(count) => heard[..count].contains(&b'?'),
        Err(_) => false,
    }
}

/// Makes a pseudo-terminal and the link to it.
fn plug(path: Option<&Path>) -> Result<PseudoTerminal> {
    let line = PseudoTerminal::new()?;
    if let Some(path) = path {
        remove_link(path)?;
        link(line.path(), path).map_err(|e| Error::io(path, e, "name another path with --link"))?;
    }
    Ok(line)
}

/// Removes the link; anything else that stands there is left alone.
fn remove_link(path: &Path) -> Result<()> {
    match std::fs::symlink_metadata(path) {
        Ok(found) if found.is_symlink() => {
            std::fs::remove_file(path).map_err(|e| Error::io(path, e, "name another path with --link"))
        }
        Ok(_) => Err(Error::Refused {
            found: format!("{} exists and is no link", path.display()),
            advice: "name another path with --link".to_owned(),
        }),
        Err(_) => Ok(()),
    }
}

#[cfg(unix)]
fn link(to: &str, path: &Path) -> io::Result<()> {
    std::os::unix::fs::symlink(to, path)
}

#[cfg(not(unix))]
fn link(_to: &str, _path: &Path) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}
