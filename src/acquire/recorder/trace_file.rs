//! The trace of one recording while it grows: whole lines only, at any moment.

use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{ErrorKind, Write};
use std::path::Path;
use std::time::{Duration, Instant};

/// Lines are handed to the system this often.
pub const FLUSH_EVERY: Duration = Duration::from_millis(250);
/// What the system holds is forced to the disk this often.
pub const SYNC_EVERY: Duration = Duration::from_secs(1);

/// Where a trace goes. Files are one; tests have others.
pub trait Sink: Write + Send {
    /// Forces what was written to the disk.
    ///
    /// # Errors
    /// As the system gives them.
    fn sync(&mut self) -> std::io::Result<()>;
    /// Takes off everything beyond a length: the part of a line that still fitted on a full disk.
    ///
    /// # Errors
    /// As the system gives them.
    fn cut(&mut self, length: u64) -> std::io::Result<()>;
}

impl Sink for File {
    fn sync(&mut self) -> std::io::Result<()> {
        self.sync_data()
    }
    fn cut(&mut self, length: u64) -> std::io::Result<()> {
        self.set_len(length)
    }
}

/// Opens the sink of a new recording; never one that is there already.
pub type OpenSink = Box<dyn Fn(&Path) -> std::io::Result<Box<dyn Sink>> + Send>;

/// Opens files.
pub fn open_files() -> OpenSink {
    Box::new(|path| {
        // In append mode a write after `cut` goes to the new end.
        let file = File::options().append(true).create_new(true).open(path)?;
        Ok(Box::new(file))
    })
}

/// A trace that grows.
pub struct TraceFile {
    sink: Box<dyn Sink>,
    /// Whole lines that the system has not been given yet.
    pending: Vec<u8>,
    /// Whole lines that it has.
    bytes: u64,
    hash: Sha256,
    flushed: Instant,
    synced: Instant,
    dirty: bool,
}

impl TraceFile {
    /// Begins with the line of headings, which is on the disk when this returns.
    ///
    /// # Errors
    /// As the system gives them.
    pub fn begin(sink: Box<dyn Sink>, header: &str, now: Instant) -> std::io::Result<TraceFile> {
        let mut file = TraceFile {
            sink,
            pending: header.as_bytes().to_vec(),
            bytes: 0,
            hash: Sha256::new(),
            flushed: now,
            synced: now,
            dirty: true,
        };
        file.flush(now)?;
        file.sync(now)?;
        Ok(file)
    }

    /// Adds a whole line by `write`, which must end it.
    pub fn line(&mut self, write: impl FnOnce(&mut Vec<u8>)) {
        write(&mut self.pending);
    }

    /// Hands over and forces to the disk what is due.
    ///
    /// # Errors
    /// As the system gives them; what fitted of the lines is kept, and ends with a whole one.
    pub fn tick(&mut self, now: Instant) -> std::io::Result<()> {
        if now.saturating_duration_since(self.flushed) >= FLUSH_EVERY {
            self.flush(now)?;
        }
        if now.saturating_duration_since(self.synced) >= SYNC_EVERY {
            self.sync(now)?;
        }
        Ok(())
    }

    /// Forces everything to the disk; gives the hash of the whole.
    ///
    /// # Errors
    /// As [`TraceFile::tick`].
    pub fn finish(&mut self, now: Instant) -> std::io::Result<String> {
        self.flush(now)?;
        self.sync(now)?;
        Ok(self.sha256())
    }

    /// Hash of the lines that the system was given.
    pub fn sha256(&self) -> String {
        let digest = self.hash.clone().finalize();
        digest.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    fn flush(&mut self, now: Instant) -> std::io::Result<()> {
        self.flushed = now;
        if self.pending.is_empty() {
            return Ok(());
        }
        let (written, result) = write_counted(self.sink.as_mut(), &self.pending);
        let whole = match result {
            Ok(()) => written,
            Err(_) => memchr::memrchr(b'\n', &self.pending[..written]).map_or(0, |at| at + 1),
        };
        self.hash.update(&self.pending[..whole]);
        self.bytes += whole as u64;
        self.dirty |= whole > 0;
        self.pending.drain(..whole);
        if whole < written {
            // If not even this succeeds, the file ends in part of a line, which reading passes over with a note.
            let _ = self.sink.cut(self.bytes);
        }
        result
    }

    fn sync(&mut self, now: Instant) -> std::io::Result<()> {
        self.synced = now;
        if std::mem::take(&mut self.dirty) {
            self.sink.sync()?;
        }
        Ok(())
    }
}

/// Writes all; gives how many bytes went out before a fault.
fn write_counted(sink: &mut dyn Sink, bytes: &[u8]) -> (usize, std::io::Result<()>) {
    let mut written = 0;
    while written < bytes.len() {
        match sink.write(&bytes[written..]) {
            Ok(0) => return (written, Err(ErrorKind::WriteZero.into())),
            Ok(n) => written += n,
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => return (written, Err(e)),
        }
    }
    (written, Ok(()))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use std::sync::{Arc, Mutex};

    /// A disk with room for so many bytes.
    #[derive(Clone)]
    pub struct SmallDisk {
        pub kept: Arc<Mutex<Vec<u8>>>,
        pub room: usize,
        pub syncs: Arc<Mutex<usize>>,
    }

    impl SmallDisk {
        pub fn new(room: usize) -> Self {
            SmallDisk {
                kept: Arc::default(),
                room,
                syncs: Arc::default(),
            }
        }
        pub fn text(&self) -> String {
            String::from_utf8(self.kept.lock().unwrap().clone()).unwrap()
        }
    }

    impl Write for SmallDisk {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            let mut kept = self.kept.lock().unwrap();
            let fits = bytes.len().min(self.room - kept.len());
            if fits == 0 {
                return Err(ErrorKind::StorageFull.into());
            }
            kept.extend_from_slice(&bytes[..fits]);
            Ok(fits)
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    impl Sink for SmallDisk {
        fn sync(&mut self) -> std::io::Result<()> {
            *self.syncs.lock().unwrap() += 1;
            Ok(())
        }
        fn cut(&mut self, length: u64) -> std::io::Result<()> {
            self.kept.lock().unwrap().truncate(length as usize);
            Ok(())
        }
    }

    fn at(start: Instant, ms: u64) -> Instant {
        start + Duration::from_millis(ms)
    }

    #[test]
    fn lines_are_handed_over_every_quarter_of_a_second_and_forced_out_every_second() {
        let disk = SmallDisk::new(1000);
        let start = Instant::now();
        let mut file = TraceFile::begin(Box::new(disk.clone()), "h\n", start).unwrap();
        assert_eq!((disk.text().as_str(), *disk.syncs.lock().unwrap()), ("h\n", 1));
        file.line(|t| t.extend(b"1\n"));
        file.tick(at(start, 240)).unwrap();
        assert_eq!(disk.text(), "h\n");
        file.tick(at(start, 250)).unwrap();
        assert_eq!((disk.text().as_str(), *disk.syncs.lock().unwrap()), ("h\n1\n", 1));
        file.tick(at(start, 1000)).unwrap();
        assert_eq!(*disk.syncs.lock().unwrap(), 2);
        file.tick(at(start, 5000)).unwrap();
        assert_eq!(*disk.syncs.lock().unwrap(), 2, "nothing new, nothing forced out");
        file.line(|t| t.extend(b"2\n"));
        let hash = file.finish(at(start, 5001)).unwrap();
        assert_eq!(disk.text(), "h\n1\n2\n");
        assert_eq!(hash, crate::read::sha256_hex(b"h\n1\n2\n"));
    }

    #[test]
    fn a_full_disk_keeps_whole_lines_and_their_hash() {
        let disk = SmallDisk::new(9);
        let start = Instant::now();
        let mut file = TraceFile::begin(Box::new(disk.clone()), "head\n", start).unwrap();
        for _ in 0..3 {
            file.line(|t| t.extend(b"12\n"));
        }
        let error = file.tick(at(start, 300)).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::StorageFull);
        assert_eq!(disk.text(), "head\n12\n");
        assert_eq!(file.sha256(), crate::read::sha256_hex(b"head\n12\n"));
    }
}
