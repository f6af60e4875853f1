//! A file of records: what each recording gave, as it was when a run was cut short.
//!
//! `magic | (length | start of SHA-256 | key | content)*`. A record is added by one write at the end; one that a kill or
//! a full disk cut short does not fit its hash and is dropped, with everything behind it, when the file is opened again.

use super::pack::{Pack, take};
use super::packed::{pack_curves, pack_outcome, unpack_curves, unpack_outcome};
use crate::batch::Outcome;
use crate::error::{Error, Result};
use crate::trace::Curve;
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::fs::{File, TryLockError};
use std::io::{BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

const MAGIC: &[u8; 24] = b"tautpoint records 1\n\0\0\0\0";
/// Bytes of the hash that stand before a record: a torn one passes for whole once in 2^64.
const HASH: usize = 8;
const FULL: &str =
    "what was done so far is kept; free some space and run the same command again, which goes on from there";
const AGAIN: &str = "run the same command again; with --fresh it starts over";

/// What a record is found by: hash of everything that it hangs on.
pub type Key = [u8; 32];

/// Where a record lies in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Place {
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
pub struct Store {
    path: PathBuf,
    open: Mutex<Open>,
    places: Mutex<HashMap<Key, Place>>,
}

impl Store {
    /// Opens or makes the file and takes it for this run. With `fresh`, what it held is gone.
    ///
    /// # Errors
    /// [`Error::Refused`] when another run has it, or when it is no file of records; [`Error::Io`].
    pub fn open(path: &Path, shown: &Path, fresh: bool) -> Result<Store> {
        let advice = "check that the folder above it may be written and that the disk is not full";
        let failed = |e| Error::io(path, e, advice);
        let mut options = File::options();
        let mut file = options
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(failed)?;
        // Where a file system cannot lock, neighbours are not noticed.
        if let Err(TryLockError::WouldBlock) = file.try_lock() {
            return Err(Error::Refused {
                found: format!("another run is writing to {}", shown.display()),
                advice: "wait until it has ended, or give another folder".to_owned(),
            });
        }
        let size = file.metadata().map_err(failed)?.len();
        // Less than the magic is a run that was killed at once.
        let begun = size >= MAGIC.len() as u64;
        if begun && !fresh {
            let store = Store::index(path, file)?;
            let open = lock(&store.open);
            // What a kill left torn.
            open.file.set_len(open.end).map_err(failed)?;
            drop(open);
            return Ok(store);
        }
        file.set_len(0).map_err(failed)?;
        file.write_all(MAGIC).map_err(failed)?;
        Ok(Store::new(path, file, MAGIC.len() as u64, HashMap::new()))
    }

    /// Opens a file of records for reading; every byte of it must be whole.
    ///
    /// # Errors
    /// [`Error::Io`] when it cannot be read, [`Error::Refused`] when it is damaged.
    pub fn read(path: &Path) -> Result<Store> {
        let advice = "check that the file is there and may be read";
        let file = File::open(path).map_err(|e| Error::io(path, e, advice))?;
        let size = file.metadata().map_err(|e| Error::io(path, e, advice))?.len();
        let store = Store::index(path, file)?;
        if lock(&store.open).end != size {
            return Err(damaged(path));
        }
        Ok(store)
    }

    fn new(path: &Path, file: File, end: u64, places: HashMap<Key, Place>) -> Store {
        Store {
            path: path.to_owned(),
            open: Mutex::new(Open {
                file,
                end,
                broken: false,
            }),
            places: Mutex::new(places),
        }
    }

    /// Reads through the whole records.
    fn index(path: &Path, mut file: File) -> Result<Store> {
        let failed = |e| Error::io(path, e, "check that the disk is sound, or run with --fresh");
        file.seek(SeekFrom::Start(0)).map_err(failed)?;
        let size = file.metadata().map_err(failed)?.len();
        let mut reader = BufReader::with_capacity(1 << 18, &file);
        let mut magic = [0; MAGIC.len()];
        if reader.read_exact(&mut magic).is_err() || magic != *MAGIC {
            return Err(Error::Refused {
                found: format!("{} is no file of records of this version", path.display()),
                advice: "run again with --fresh, or remove it".to_owned(),
            });
        }
        let mut places = HashMap::new();
        let mut end = MAGIC.len() as u64;
        let mut content = Vec::new();
        while let Some(record) = next_record(&mut reader, size - end, &mut content) {
            let at = end + FRAME as u64;
            end = at + record as u64;
            let mut rest = content.as_slice();
            let Some(key) = take(&mut rest, 32).and_then(|k| Key::try_from(k).ok()) else {
                break;
            };
            places.insert(key, Place { at, length: record });
        }
        Ok(Store::new(path, file, end, places))
    }

    /// Whether a record of that key is there.
    pub fn has(&self, key: &Key) -> bool {
        lock(&self.places).contains_key(key)
    }

    /// How many records there are.
    pub fn len(&self) -> usize {
        lock(&self.places).len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The keys, in no order.
    pub fn keys(&self) -> Vec<Key> {
        lock(&self.places).keys().copied().collect()
    }

    /// Adds a record.
    ///
    /// # Errors
    /// [`Error::Io`], on a full disk above all; nothing is added from then on, and what was added stays whole.
    pub fn add(&self, key: Key, outcome: &Outcome) -> Result<()> {
        let record = framed(&key, outcome);
        let failed = |e| Error::io(&self.path, e, FULL);
        let at = {
            let mut open = lock(&self.open);
            if open.broken {
                return Err(failed(std::io::Error::other("an earlier write failed")));
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
        lock(&self.places).insert(key, Place { at, length });
        Ok(())
    }

    /// A record as it stands in the file, frame and all.
    ///
    /// # Errors
    /// As [`Store::outcome`].
    pub fn raw(&self, key: &Key) -> Result<Vec<u8>> {
        let content = self.content(key)?;
        let mut framed = frame(&content).to_vec();
        framed.extend_from_slice(&content);
        Ok(framed)
    }

    /// What the recording gave, without its curves.
    ///
    /// # Errors
    /// [`Error::Refused`] when there is no such record or it is damaged, [`Error::Io`] when it cannot be read.
    pub fn outcome(&self, key: &Key) -> Result<Outcome> {
        let content = self.content(key)?;
        let mut rest = content.as_slice();
        take(&mut rest, 32)
            .and_then(|_| unpack_outcome(&mut rest))
            .ok_or_else(|| damaged(&self.path))
    }

    /// The curves of its tests.
    ///
    /// # Errors
    /// As [`Store::outcome`].
    pub fn curves(&self, key: &Key) -> Result<Vec<Curve>> {
        let content = self.content(key)?;
        let mut rest = content.as_slice();
        take(&mut rest, 32)
            .and_then(|_| unpack_outcome(&mut rest))
            .and_then(|outcome| unpack_curves(&mut rest, outcome.tests.len()))
            .ok_or_else(|| damaged(&self.path))
    }

    fn content(&self, key: &Key) -> Result<Vec<u8>> {
        let place = lock(&self.places).get(key).copied();
        let place = place.ok_or_else(|| damaged(&self.path))?;
        let mut content = vec![0; place.length];
        let open = &mut *lock(&self.open);
        let read = open
            .file
            .seek(SeekFrom::Start(place.at))
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

/// The start of a file of records, for one that is written elsewhere from [`Store::raw`] records.
pub fn magic() -> &'static [u8] {
    MAGIC
}

/// Length of a record and the start of its hash.
const FRAME: usize = 4 + HASH;

fn frame(content: &[u8]) -> [u8; FRAME] {
    let mut frame = [0; FRAME];
    let length = u32::try_from(content.len()).unwrap_or(u32::MAX);
    frame[..4].copy_from_slice(&length.to_le_bytes());
    frame[4..].copy_from_slice(&Sha256::digest(content)[..HASH]);
    frame
}

fn framed(key: &Key, outcome: &Outcome) -> Vec<u8> {
    let mut record = vec![0; FRAME];
    record.extend_from_slice(key);
    pack_outcome(outcome, &mut record);
    pack_curves(outcome, &mut record);
    let start = frame(&record[FRAME..]);
    record[..FRAME].copy_from_slice(&start);
    record
}

/// Reads the next whole record's content; `None` at the end, or where it is torn.
fn next_record(reader: &mut impl Read, left: u64, content: &mut Vec<u8>) -> Option<usize> {
    let mut start = [0; FRAME];
    reader.read_exact(&mut start).ok()?;
    let length = u32::unpack(&mut &start[..4])? as usize;
    if length as u64 + FRAME as u64 > left {
        return None;
    }
    content.resize(length, 0);
    reader.read_exact(content).ok()?;
    (frame(content) == start).then_some(length)
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
