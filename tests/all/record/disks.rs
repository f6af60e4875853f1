//! A disk that misbehaves: it is slow, full, its n-th call fails, or it loses its power.

use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tautpoint::acquire::recorder::disk::{Disk, FileDisk, Sink};
use tautpoint::error::{Error, Result};

/// One change, as it was asked for.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    Folder(PathBuf),
    /// Content forced out, name not yet.
    Replace(PathBuf, Vec<u8>),
    Create(PathBuf),
    Write(PathBuf, Vec<u8>),
    Cut(PathBuf, u64),
    Sync(PathBuf),
    /// Content forced out; the name of a new file not yet.
    Append(PathBuf, Vec<u8>),
    SyncFolder(PathBuf),
}

/// Files of the real disk, with faults.
#[derive(Clone, Default)]
pub struct TestDisk {
    /// Every change so far, the one that fails too.
    pub changes: Arc<Mutex<Vec<Change>>>,
    /// Bytes of traces that fit; without, all.
    pub room: Option<Arc<Mutex<usize>>>,
    /// Number of the call that fails, from 0, and whether all after it do too.
    pub fails: Option<(usize, ErrorKind, bool)>,
    /// Number of the call in which the program itself fails.
    pub panics: Option<usize>,
    /// How long forcing something out takes.
    pub sync_takes: Duration,
}

impl TestDisk {
    /// With room for so many bytes, for all traces together.
    pub fn full_after(bytes: usize) -> TestDisk {
        TestDisk {
            room: Some(Arc::new(Mutex::new(bytes))),
            ..TestDisk::default()
        }
    }

    fn call(&self, change: Change) -> std::io::Result<()> {
        let mut changes = self.changes.lock().unwrap();
        let number = changes.len();
        changes.push(change);
        drop(changes);
        assert_ne!(self.panics, Some(number), "made to fail");
        match self.fails {
            Some((at, kind, persists)) if number == at || (persists && number > at) => Err(kind.into()),
            _ => Ok(()),
        }
    }
}

struct TestSink {
    disk: TestDisk,
    path: PathBuf,
    sink: Arc<dyn Sink>,
}

impl Disk for TestDisk {
    fn make_folder(&self, path: &Path) -> std::io::Result<()> {
        self.call(Change::Folder(path.to_owned()))?;
        FileDisk.make_folder(path)
    }

    fn create(&self, path: &Path) -> std::io::Result<Arc<dyn Sink>> {
        self.call(Change::Create(path.to_owned()))?;
        Ok(Arc::new(TestSink {
            disk: self.clone(),
            path: path.to_owned(),
            sink: FileDisk.create(path)?,
        }))
    }

    fn replace(&self, path: &Path, bytes: &[u8]) -> Result<()> {
        std::thread::sleep(self.sync_takes);
        self.call(Change::Replace(path.to_owned(), bytes.to_vec()))
            .map_err(|e| Error::io(path, e, "check the disk"))?;
        FileDisk.replace(path, bytes)
    }

    fn append(&self, path: &Path, bytes: &[u8]) -> std::io::Result<()> {
        std::thread::sleep(self.sync_takes);
        self.call(Change::Append(path.to_owned(), bytes.to_vec()))?;
        FileDisk.append(path, bytes)
    }

    fn sync_folder(&self, path: &Path) {
        std::thread::sleep(self.sync_takes);
        // As on the real one, whether it works is not asked.
        let _ = self.call(Change::SyncFolder(path.to_owned()));
    }
}

impl Sink for TestSink {
    fn write(&self, bytes: &[u8]) -> std::io::Result<usize> {
        let mut fits = bytes.len();
        if let Some(room) = &self.disk.room {
            let mut room = room.lock().unwrap();
            fits = fits.min(*room);
            *room -= fits;
            if fits == 0 {
                return Err(ErrorKind::StorageFull.into());
            }
        }
        self.disk
            .call(Change::Write(self.path.clone(), bytes[..fits].to_vec()))?;
        self.sink.write(&bytes[..fits])
    }

    fn sync(&self) -> std::io::Result<()> {
        std::thread::sleep(self.disk.sync_takes);
        self.disk.call(Change::Sync(self.path.clone()))
    }

    fn cut(&self, length: u64) -> std::io::Result<()> {
        self.disk.call(Change::Cut(self.path.clone(), length))?;
        self.sink.cut(length)
    }

    fn read(&self, from: u64, into: &mut [u8]) -> std::io::Result<usize> {
        self.sink.read(from, into)
    }

    fn is_at(&self, path: &Path) -> bool {
        self.sink.is_at(path)
    }
}

/// Which changes a loss of power right after the last of them may undo: those that nothing forced out.
pub fn unsynced(changes: &[Change]) -> Vec<usize> {
    let parent = |path: &Path, folder: &Path| path.parent() == Some(folder);
    let is_forced = |i: usize| {
        changes[i + 1..].iter().any(|later| match (&changes[i], later) {
            (Change::Write(path, _) | Change::Cut(path, _), Change::Sync(synced)) => path == synced,
            (
                Change::Folder(path)
                | Change::Replace(path, _)
                | Change::Create(path)
                | Change::Append(path, _),
                Change::SyncFolder(folder),
            ) => parent(path, folder),
            _ => false,
        })
    };
    // What is added to a list is forced out with it; only a new list's name is not.
    let is_new = |i: usize, path: &Path| {
        !changes[..i]
            .iter()
            .any(|c| matches!(c, Change::Append(other, _) if other == path))
    };
    let changed = |i: &usize| match &changes[*i] {
        Change::Sync(_) | Change::SyncFolder(_) => false,
        Change::Append(path, _) => is_new(*i, path),
        _ => true,
    };
    (0..changes.len())
        .filter(changed)
        .filter(|i| !is_forced(*i))
        .collect()
}

/// The files that changes leave when some of them are missing.
pub fn played(changes: &[Change], missing: &[usize]) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    let there = changes.iter().enumerate().filter(|(i, _)| !missing.contains(i));
    for (_, change) in there {
        match change {
            Change::Folder(_) | Change::Sync(_) | Change::SyncFolder(_) => {}
            Change::Replace(path, bytes) => {
                files.insert(path.clone(), bytes.clone());
            }
            Change::Create(path) => {
                files.insert(path.clone(), Vec::new());
            }
            Change::Append(path, bytes) => files.entry(path.clone()).or_default().extend(bytes),
            // Without its name nothing of it can be found.
            Change::Write(path, bytes) => {
                files
                    .get_mut(path)
                    .into_iter()
                    .for_each(|file| file.extend(bytes));
            }
            Change::Cut(path, length) => {
                let length = usize::try_from(*length).unwrap();
                files
                    .get_mut(path)
                    .into_iter()
                    .for_each(|file| file.truncate(length));
            }
        }
    }
    files
}
