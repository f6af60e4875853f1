//! The trace of one recording while it grows: whole lines only, at any moment.

use super::disk::Sink;
use sha2::{Digest, Sha256};
use std::io::ErrorKind;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::time::{Duration, Instant};

/// Lines are handed to the system this often.
pub const FLUSH_EVERY: Duration = Duration::from_millis(250);
/// What the system holds is forced to the disk this often, where the disk is as quick as that.
pub const SYNC_EVERY: Duration = Duration::from_secs(1);
/// Bytes copied at once.
const PORTION: usize = 1 << 16;

/// A trace that grows.
pub struct TraceFile {
    sink: Arc<dyn Sink>,
    syncer: Syncer,
    /// Whole lines that the system has not been given yet.
    pending: Vec<u8>,
    /// Whole lines that it has.
    bytes: u64,
    hash: Sha256,
    flushed: Instant,
    /// When forcing out last began.
    synced: Instant,
    dirty: bool,
}

/// Forces a trace to the disk in a thread of its own: a disk that takes seconds for it must not hold up the lines that
/// come meanwhile. The thread ends when this is dropped.
struct Syncer {
    ask: Sender<()>,
    done: Receiver<std::io::Result<()>>,
    /// When the one under way began.
    since: Option<Instant>,
}

impl Syncer {
    fn of(sink: Arc<dyn Sink>) -> std::io::Result<Syncer> {
        let (ask, asked) = channel();
        let (tell, done) = channel();
        std::thread::Builder::new()
            .name("disk".to_owned())
            .spawn(move || {
                for () in asked {
                    if tell.send(uninterrupted(|| sink.sync())).is_err() {
                        break;
                    }
                }
            })?;
        Ok(Syncer {
            ask,
            done,
            since: None,
        })
    }

    fn begin(&mut self, now: Instant) -> std::io::Result<()> {
        self.since = Some(now);
        self.ask.send(()).map_err(|_| syncer_died())
    }

    /// Gives what the one under way came to, once it is done; with `wait` that is waited for.
    fn ended(&mut self, wait: bool) -> std::io::Result<()> {
        if self.since.is_none() {
            return Ok(());
        }
        let done = match wait {
            true => self.done.recv().map_err(|_| TryRecvError::Disconnected),
            false => self.done.try_recv(),
        };
        match done {
            Err(TryRecvError::Empty) => Ok(()),
            Err(TryRecvError::Disconnected) => {
                self.since = None;
                Err(syncer_died())
            }
            Ok(result) => {
                self.since = None;
                result
            }
        }
    }
}

fn syncer_died() -> std::io::Error {
    std::io::Error::other("a fault of the program ended the thread that forces the recording to the disk")
}

fn uninterrupted(mut sync: impl FnMut() -> std::io::Result<()>) -> std::io::Result<()> {
    loop {
        match sync() {
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            result => return result,
        }
    }
}

impl TraceFile {
    /// Begins with the line of headings, which is on the disk when this returns.
    ///
    /// # Errors
    /// As the system gives them.
    pub fn begin(sink: Arc<dyn Sink>, header: &str, now: Instant) -> std::io::Result<TraceFile> {
        let mut file = TraceFile {
            syncer: Syncer::of(Arc::clone(&sink))?,
            sink,
            pending: header.as_bytes().to_vec(),
            bytes: 0,
            hash: Sha256::new(),
            flushed: now,
            synced: now,
            dirty: true,
        };
        file.flush(now)?;
        file.sync_now(now)?;
        Ok(file)
    }

    /// Whether a path still leads to it: a person or another program may have deleted or replaced it.
    pub fn is_at(&self, path: &Path) -> bool {
        self.sink.is_at(path)
    }

    /// Goes on in another file, which gets everything that this one holds, on the disk when this returns.
    ///
    /// # Errors
    /// As the system gives them.
    pub fn moved_to(&mut self, sink: Arc<dyn Sink>, now: Instant) -> std::io::Result<()> {
        let mut portion = vec![0; PORTION];
        let mut from = 0;
        while from < self.bytes {
            let most = PORTION.min(usize::try_from(self.bytes - from).unwrap_or(PORTION));
            match self.sink.read(from, &mut portion[..most]) {
                Ok(0) => return Err(ErrorKind::UnexpectedEof.into()),
                Ok(count) => {
                    write_counted(sink.as_ref(), &portion[..count]).1?;
                    from += count as u64;
                }
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        self.syncer = Syncer::of(Arc::clone(&sink))?;
        self.sink = sink;
        self.dirty = true;
        self.sync_now(now)
    }

    /// For how long forcing it to the disk has been under way, when that is longer than it should take.
    pub fn waits_for_disk(&self, now: Instant) -> Option<Duration> {
        let since = self.syncer.since?;
        Some(now.saturating_duration_since(since)).filter(|waited| *waited >= SYNC_EVERY)
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
        self.syncer.ended(false)?;
        let due = now.saturating_duration_since(self.synced) >= SYNC_EVERY;
        if due && self.syncer.since.is_none() {
            self.synced = now;
            if std::mem::take(&mut self.dirty) {
                self.syncer.begin(now)?;
            }
        }
        Ok(())
    }

    /// Forces everything to the disk; gives the hash of the whole.
    ///
    /// # Errors
    /// As [`TraceFile::tick`].
    pub fn finish(&mut self, now: Instant) -> std::io::Result<String> {
        self.flush(now)?;
        self.sync_now(now)?;
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
        let (written, result) = write_counted(self.sink.as_ref(), &self.pending);
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

    /// Forces it out and waits for that.
    fn sync_now(&mut self, now: Instant) -> std::io::Result<()> {
        self.synced = now;
        self.syncer.ended(true)?;
        match std::mem::take(&mut self.dirty) {
            true => uninterrupted(|| self.sink.sync()),
            false => Ok(()),
        }
    }
}

/// Writes all; gives how many bytes went out before a fault.
fn write_counted(sink: &dyn Sink, bytes: &[u8]) -> (usize, std::io::Result<()>) {
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
    use std::sync::Mutex;

    /// A disk with room for so many bytes.
    #[derive(Clone)]
    pub struct SmallDisk {
        pub kept: Arc<Mutex<Vec<u8>>>,
        pub room: usize,
        pub syncs: Arc<Mutex<usize>>,
        pub sync_takes: Duration,
    }

    impl SmallDisk {
        pub fn new(room: usize) -> Self {
            SmallDisk {
                kept: Arc::default(),
                room,
                syncs: Arc::default(),
                sync_takes: Duration::ZERO,
            }
        }
        pub fn text(&self) -> String {
            String::from_utf8(self.kept.lock().unwrap().clone()).unwrap()
        }
    }

    impl Sink for SmallDisk {
        fn write(&self, bytes: &[u8]) -> std::io::Result<usize> {
            let mut kept = self.kept.lock().unwrap();
            let fits = bytes.len().min(self.room - kept.len());
            if fits == 0 {
                return Err(ErrorKind::StorageFull.into());
            }
            kept.extend_from_slice(&bytes[..fits]);
            Ok(fits)
        }
        fn sync(&self) -> std::io::Result<()> {
            std::thread::sleep(self.sync_takes);
            *self.syncs.lock().unwrap() += 1;
            Ok(())
        }
        fn cut(&self, length: u64) -> std::io::Result<()> {
            self.kept.lock().unwrap().truncate(length as usize);
            Ok(())
        }
        fn read(&self, from: u64, into: &mut [u8]) -> std::io::Result<usize> {
            let kept = self.kept.lock().unwrap();
            into.copy_from_slice(&kept[from as usize..][..into.len()]);
            Ok(into.len())
        }
        fn is_at(&self, _path: &Path) -> bool {
            true
        }
    }

    fn at(start: Instant, ms: u64) -> Instant {
        start + Duration::from_millis(ms)
    }

    #[test]
    fn lines_are_handed_over_every_quarter_of_a_second_and_forced_out_every_second() {
        let disk = SmallDisk::new(1000);
        let start = Instant::now();
        let mut file = TraceFile::begin(Arc::new(disk.clone()), "h\n", start).unwrap();
        assert_eq!((disk.text().as_str(), *disk.syncs.lock().unwrap()), ("h\n", 1));
        file.line(|t| t.extend(b"1\n"));
        file.tick(at(start, 240)).unwrap();
        assert_eq!(disk.text(), "h\n");
        file.tick(at(start, 250)).unwrap();
        assert_eq!((disk.text().as_str(), *disk.syncs.lock().unwrap()), ("h\n1\n", 1));
        file.tick(at(start, 1000)).unwrap();
        file.syncer.ended(true).unwrap();
        assert_eq!(*disk.syncs.lock().unwrap(), 2);
        file.tick(at(start, 5000)).unwrap();
        file.syncer.ended(true).unwrap();
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
        let mut file = TraceFile::begin(Arc::new(disk.clone()), "head\n", start).unwrap();
        for _ in 0..3 {
            file.line(|t| t.extend(b"12\n"));
        }
        let error = file.tick(at(start, 300)).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::StorageFull);
        assert_eq!(disk.text(), "head\n12\n");
        assert_eq!(file.sha256(), crate::read::sha256_hex(b"head\n12\n"));
    }

    #[test]
    fn a_slow_disk_holds_up_no_line_and_is_noticed_while_it_is_waited_for() {
        let mut disk = SmallDisk::new(1000);
        disk.sync_takes = Duration::from_millis(200);
        let start = Instant::now();
        let mut file = TraceFile::begin(Arc::new(disk.clone()), "h\n", start).unwrap();
        file.line(|t| t.extend(b"1\n"));
        file.tick(at(start, 1000)).unwrap();
        assert_eq!(file.waits_for_disk(at(start, 1500)), None);
        let begun = Instant::now();
        file.line(|t| t.extend(b"2\n"));
        file.tick(at(start, 2100)).unwrap();
        assert!(begun.elapsed() < disk.sync_takes, "waited for the disk");
        assert_eq!(disk.text(), "h\n1\n2\n");
        assert_eq!(
            file.waits_for_disk(at(start, 2100)),
            Some(Duration::from_millis(1100))
        );
        file.finish(at(start, 2200)).unwrap();
        assert_eq!((file.waits_for_disk(at(start, 9999)), *disk.syncs.lock().unwrap()), (None, 3));
    }

    #[test]
    fn a_sync_that_a_signal_interrupts_is_done_again() {
        let mut left = 3;
        let done = uninterrupted(|| {
            left -= 1;
            if left > 0 { Err(ErrorKind::Interrupted.into()) } else { Ok(()) }
        });
        assert!(done.is_ok() && left == 0);
        assert!(uninterrupted(|| Err(ErrorKind::StorageFull.into())).is_err());
    }
}
