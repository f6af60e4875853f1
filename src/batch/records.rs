//! A file of records: what each recording gave, kept in case the run is cut short.
//!
//! `header | (length | start of SHA-256 | key | outcome | curves)*`; outcome and curves are MessagePack. A record is added
//! by one write at the end; one that a kill or a full disk cut short does not match its hash and is dropped, with
//! everything behind it, when the file is opened again. The header names the build that wrote the file: no other build
//! reads it, since a mended fault must not live on in what was kept.

use crate::study::door::{self, FileKind};
use super::RecordingOutcome;
use crate::error::{Error, Result};
use crate::trace::Curve;
use crate::write::{BUILD, refuse_link};
use serde::de::IgnoredAny;
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::fs::{File, TryLockError};
use std::io::{self, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Raised whenever the layout of what is kept changes.
const SCHEMA: u32 = 3;
/// How the header of a file of records begins, whatever the build.
const NAME: &str = "tautpoint records";
/// Bytes of the hash that stand before a record: a torn one passes for whole once in 2^64.
const HASH: usize = 8;
const FULL: &str =
    "what was done so far is kept; free some space and run the same command again, which goes on from there";
const AGAIN: &str = "run the same command again; with --fresh it starts over";

/// The first line of a file that only the build that wrote it may read.
pub fn header(name: &str) -> String {
    format!("{name} {SCHEMA} {BUILD}\n")
}

/// What a record is found by: the hash of everything that its outcome depends on.
pub type RecordKey = [u8; 32];

/// Where the content of a record lies in the file.
#[derive(Debug, Clone, Copy)]
struct Span {
    at: u64,
    length: usize,
}

struct Open {
    file: File,
    /// End of the last whole record.
    end: u64,
    /// A write failed: nothing more is added.
    broken: bool,
}

/// A file of records, open for this run alone.
pub struct Records {
    path: PathBuf,
    open: Mutex<Open>,
    spans: Mutex<HashMap<RecordKey, Span>>,
    /// Another build had left records here; they are gone.
    pub by_another_build: bool,
}

impl Records {
    /// Opens or makes the file and takes it for this run. What it held is gone with `fresh`, or when another build
    /// wrote it.
    ///
    /// # Errors
    /// [`Error::Refused`] when another run has it, or when it is no file of records; [`Error::Io`].
    pub fn open(path: &Path, shown: &Path, fresh: bool) -> Result<Records> {
        let advice = "check that the folder above it may be written and that the disk is not full";
        let failed = |e| Error::io(path, e, advice);
        refuse_link(path)?;
        let mut options = File::options();
        let options = options.read(true).write(true).create(true).truncate(false);
        let mut file = options.open(path).map_err(failed)?;
        // Where a file system cannot lock, neighbours are not noticed.
        if let Err(TryLockError::WouldBlock) = file.try_lock() {
            return Err(Error::Refused {
                found: format!("another run is writing to {}", shown.display()),
                advice: "wait until it has ended, or give another folder".to_owned(),
            });
        }
        let begins = begins_as(&mut file).map_err(failed)?;
        let by_another_build = match begins {
            Begins::Ours if !fresh => {
                let records = Records::index(path, file)?;
                let open = lock(&records.open);
                // What a kill left torn.
                open.file.set_len(open.end).map_err(failed)?;
                drop(open);
                return Ok(records);
            }
            Begins::Foreign if !fresh => {
                return Err(Error::Refused {
                    found: format!("{} is no file of records", path.display()),
                    advice: "run again with --fresh, or remove it".to_owned(),
                });
            }
            begins => matches!(begins, Begins::OfAnotherBuild) && !fresh,
        };
        let header = header(NAME);
        file.set_len(0).map_err(failed)?;
        file.seek(SeekFrom::Start(0)).map_err(failed)?;
        file.write_all(header.as_bytes()).map_err(failed)?;
        let records = Records::new(path, file, header.len() as u64, HashMap::new());
        Ok(Records {
            by_another_build,
            ..records
        })
    }

    /// Opens a file of records for reading; every byte of it must be whole.
    ///
    /// # Errors
    /// [`Error::Io`] when it cannot be read, [`Error::Refused`] when it is damaged.
    pub fn read(path: &Path) -> Result<Records> {
        let advice = "check that the file is there and may be read";
        let failed = |e| Error::io(path, e, advice);
        let mut file = door::open(path, FileKind::Streamed).map_err(failed)?;
        let size = file.metadata().map_err(failed)?.len();
        if !matches!(begins_as(&mut file).map_err(failed)?, Begins::Ours) {
            return Err(damaged(path));
        }
        let records = Records::index(path, file)?;
        if lock(&records.open).end != size {
            return Err(damaged(path));
        }
        Ok(records)
    }

    fn new(path: &Path, file: File, end: u64, spans: HashMap<RecordKey, Span>) -> Records {
        Records {
            path: path.to_owned(),
            open: Mutex::new(Open {
                file,
                end,
                broken: false,
            }),
            spans: Mutex::new(spans),
            by_another_build: false,
        }
    }

    /// Reads through the whole records.
    fn index(path: &Path, mut file: File) -> Result<Records> {
        let failed = |e| Error::io(path, e, "check that the disk is sound, or run with --fresh");
        let size = file.metadata().map_err(failed)?.len();
        let mut end = header(NAME).len() as u64;
        file.seek(SeekFrom::Start(end)).map_err(failed)?;
        let mut reader = BufReader::with_capacity(1 << 18, &file);
        let mut spans = HashMap::new();
        let mut content = Vec::new();
        while let Some(length) = next_record(&mut reader, size - end, &mut content) {
            let at = end + FRAME as u64;
            let Some(key) = content.first_chunk() else { break };
            spans.insert(*key, Span { at, length });
            end = at + length as u64;
        }
        Ok(Records::new(path, file, end, spans))
    }

    /// Whether a record of that key is there.
    pub fn has(&self, key: &RecordKey) -> bool {
        lock(&self.spans).contains_key(key)
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        lock(&self.spans).is_empty()
    }

    /// The keys, in no order.
    pub fn keys(&self) -> Vec<RecordKey> {
        lock(&self.spans).keys().copied().collect()
    }

    /// Adds a record.
    ///
    /// # Errors
    /// [`Error::Io`], on a full disk above all; nothing is added from then on, and what was added stays whole.
    pub fn add(&self, key: RecordKey, outcome: &RecordingOutcome) -> Result<()> {
        let failed = |e| Error::io(&self.path, e, FULL);
        let record = framed(&key, outcome).map_err(|e| failed(io::Error::other(e)))?;
        let at = {
            let mut open = lock(&self.open);
            if open.broken {
                return Err(failed(io::Error::other("an earlier write failed")));
            }
            let end = open.end;
            // What an earlier run left torn is written over.
            let written = open
                .file
                .seek(SeekFrom::Start(end))
                .and_then(|_| open.file.write_all(&record));
            if let Err(cause) = written {
                open.broken = true;
                let _ = open.file.set_len(end);
                return Err(failed(cause));
            }
            open.end = end + record.len() as u64;
            end + FRAME as u64
        };
        let length = record.len() - FRAME;
        lock(&self.spans).insert(key, Span { at, length });
        Ok(())
    }

    /// Writes a file of records that holds these alone, in this order.
    ///
    /// # Errors
    /// When a record cannot be read, or the system will not write.
    pub fn copy_to(&self, keys: &[RecordKey], to: &mut dyn Write) -> io::Result<()> {
        to.write_all(header(NAME).as_bytes())?;
        for key in keys {
            let content = self.content(key).map_err(io::Error::other)?;
            to.write_all(&frame(&content))?;
            to.write_all(&content)?;
        }
        Ok(())
    }

    /// What the recording gave, without its curves.
    ///
    /// # Errors
    /// [`Error::Refused`] when there is no such record or it is damaged, [`Error::Io`] when it cannot be read.
    pub fn outcome(&self, key: &RecordKey) -> Result<RecordingOutcome> {
        let content = self.content(key)?;
        rmp_serde::from_read(&content[size_of::<RecordKey>()..]).map_err(|_| damaged(&self.path))
    }

    /// The curves of its tests.
    ///
    /// # Errors
    /// As [`Records::outcome`].
    pub fn curves(&self, key: &RecordKey) -> Result<Vec<Curve>> {
        let content = self.content(key)?;
        let mut rest = &content[size_of::<RecordKey>()..];
        let outcome: std::result::Result<IgnoredAny, _> = rmp_serde::from_read(&mut rest);
        outcome
            .and_then(|_| rmp_serde::from_read(rest))
            .map_err(|_| damaged(&self.path))
    }

    fn content(&self, key: &RecordKey) -> Result<Vec<u8>> {
        let span = lock(&self.spans).get(key).copied();
        let span = span.ok_or_else(|| damaged(&self.path))?;
        let mut content = vec![0; span.length];
        let open = &mut *lock(&self.open);
        let read = open
            .file
            .seek(SeekFrom::Start(span.at))
            .and_then(|_| open.file.read_exact(&mut content));
        read.map_err(|e| Error::io(&self.path, e, AGAIN))?;
        Ok(content)
    }

    /// Removes the file: the run has ended and its results stand.
    pub fn remove(self) {
        // One that stays is used by the next run or cleared by it.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// What a file begins as.
enum Begins {
    Ours,
    OfAnotherBuild,
    /// Nothing yet, or less than a header: a run that was killed at once.
    Empty,
    Foreign,
}

fn begins_as(file: &mut File) -> io::Result<Begins> {
    let ours = header(NAME);
    let mut begin = Vec::new();
    file.seek(SeekFrom::Start(0))?;
    file.take(ours.len() as u64).read_to_end(&mut begin)?;
    Ok(match &begin {
        begin if begin == ours.as_bytes() => Begins::Ours,
        begin if ours.as_bytes().starts_with(begin) => Begins::Empty,
        begin if begin.starts_with(NAME.as_bytes()) => Begins::OfAnotherBuild,
        _ => Begins::Foreign,
    })
}

/// Length of a record and the start of its hash.
const FRAME: usize = 4 + HASH;

fn frame(content: &[u8]) -> [u8; FRAME] {
    let mut frame = [0; FRAME];
    // Nothing comes near 2^32 bytes; should it, the length does not fit the content and the record is refused.
    let length = u32::try_from(content.len()).unwrap_or(u32::MAX);
    frame[..4].copy_from_slice(&length.to_le_bytes());
    frame[4..].copy_from_slice(&Sha256::digest(content)[..HASH]);
    frame
}

fn framed(key: &RecordKey, outcome: &RecordingOutcome) -> std::result::Result<Vec<u8>, rmp_serde::encode::Error> {
    let mut record = vec![0; FRAME];
    record.extend_from_slice(key);
    rmp_serde::encode::write(&mut record, outcome)?;
    let curves: Vec<&Curve> = outcome.tests.iter().map(|t| &t.curve).collect();
    rmp_serde::encode::write(&mut record, &curves)?;
    let start = frame(&record[FRAME..]);
    record[..FRAME].copy_from_slice(&start);
    Ok(record)
}

/// Reads the next whole record's content; `None` at the end, or where it is torn.
fn next_record(reader: &mut impl Read, left: u64, content: &mut Vec<u8>) -> Option<usize> {
    let mut start = [0; FRAME];
    reader.read_exact(&mut start).ok()?;
    let length = u32::from_le_bytes(*start.first_chunk()?);
    if u64::from(length) + FRAME as u64 > left {
        return None;
    }
    content.resize(length as usize, 0);
    reader.read_exact(content).ok()?;
    (frame(content) == start).then_some(length as usize)
}

fn damaged(path: &Path) -> Error {
    Error::Refused {
        found: format!("{} is damaged", path.display()),
        advice: "run that analysis again with --fresh".to_owned(),
    }
}

/// A lock that a panic elsewhere left is still good: every change under it is a single step.
fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{InputKind, InputRecord};
    use crate::trace::{Spring, Test};

    /// A test whose numbers are hard to keep.
    fn outcome() -> RecordingOutcome {
        let mut test = Test {
            rate_hz: 0.1 + 0.2,
            total_peak_n: f64::from_bits(0x7ff8_0000_0000_1234),
            window_n: [-0.0, f64::MIN_POSITIVE / 3.0],
            springs: vec![Spring::default()],
            ..Test::default()
        };
        test.curve.force_n = vec![1.5, -0.0, f32::NAN];
        RecordingOutcome {
            tests: vec![test],
            ..RecordingOutcome::of(InputRecord {
                kind: InputKind::Recording,
                file: "µ.csv".to_owned(),
                sha256: String::new(),
                bytes: u64::MAX,
            })
        }
    }

    #[test]
    fn every_number_keeps_its_bits_and_every_text_its_bytes() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("records");
        let records = Records::open(&path, dir.path(), false).unwrap();
        let (key, kept) = ([7; 32], outcome());
        records.add(key, &kept).unwrap();
        let (back, curves) = (records.outcome(&key).unwrap(), records.curves(&key).unwrap());
        let bits = |o: &RecordingOutcome| {
            let t = &o.tests[0];
            [t.rate_hz, t.total_peak_n, t.window_n[0], t.window_n[1]].map(f64::to_bits)
        };
        assert_eq!(bits(&back), bits(&kept));
        assert_eq!(back.input, kept.input);
        let bits = |c: &Curve| c.force_n.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        assert_eq!(bits(&curves[0]), bits(&kept.tests[0].curve));
        drop(records);
        // A copy is a file of records of its own.
        let records = Records::open(&path, dir.path(), false).unwrap();
        let mut copy = Vec::new();
        records.copy_to(&[key], &mut copy).unwrap();
        assert_eq!(copy, std::fs::read(&path).unwrap());
    }

    #[test]
    fn what_another_build_left_is_not_read_and_what_is_no_record_is_not_touched() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("records");
        #[cfg(unix)]
        {
            let thesis = dir.path().join("thesis.txt");
            std::fs::write(&thesis, "long work").unwrap();
            std::os::unix::fs::symlink(&thesis, &path).unwrap();
            let refused = Records::open(&path, dir.path(), true).err().unwrap();
            assert!(refused.to_string().contains("is a link"), "{refused}");
            assert_eq!(std::fs::read_to_string(&thesis).unwrap(), "long work");
            std::fs::remove_file(&path).unwrap();
        }
        let open = |fresh| Records::open(&path, dir.path(), fresh);
        open(false).unwrap().add([1; 32], &outcome()).unwrap();
        assert!(!open(false).unwrap().is_empty());
        let mut bytes = std::fs::read(&path).unwrap();
        let last = header(NAME).len() - 2;
        bytes[last] ^= 1;
        std::fs::write(&path, &bytes).unwrap();
        assert!(Records::read(&path).is_err());
        let records = open(false).unwrap();
        assert!(records.by_another_build && records.is_empty());
        drop(records);
        std::fs::write(&path, "a letter to somebody").unwrap();
        assert!(open(false).is_err());
        assert!(!open(true).unwrap().by_another_build);
    }
}
