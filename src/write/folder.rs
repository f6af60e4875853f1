//! A folder of results.

use super::build::build;
use super::guard::{self, PROGRAM, RUN_FILE};
use super::staging::Staging;
use super::{FILE_MODE, FOLDER_MODE, set_mode};
use crate::error::{Error, Result};
use crate::read::hex;
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A result folder in the making. Nothing is seen of it until [`OutputFolder::finish`]; dropped before, it leaves
/// nothing behind.
///
/// A program killed while the results are being built leaves the earlier results untouched and a hidden folder
/// `.NAME.tautpoint-XXXXXX` beside them. The swap is two renames: a kill between them leaves no folder of the name, but
/// the earlier and the new results both whole in that hidden folder. The next run into the same folder puts the earlier
/// results back where they are missing, and clears the hidden folder away.
pub struct OutputFolder {
    /// As the user wrote it.
    shown: PathBuf,
    target: PathBuf,
    staging: Staging,
    written: BTreeMap<String, Value>,
}

impl OutputFolder {
    /// Begins results in `dir`, made from `inputs` (files and folders as given by the user).
    ///
    /// # Errors
    /// [`Error::Refused`] when `dir` holds anything that an earlier run did not write or that was changed since (up
    /// to three such files are named), when it is, holds or lies inside the recordings, or when another run is
    /// writing to it; [`Error::Io`] when the system will not write there.
    pub fn begin(dir: &Path, inputs: &[PathBuf]) -> Result<OutputFolder> {
        let target = guard::resolve(dir)?;
        guard::apart_from_inputs(dir, &target, inputs)?;
        let staging = Staging::begin(dir, &target)?;
        guard::only_ours(dir, &target)?;
        Ok(OutputFolder {
            shown: dir.to_owned(),
            target,
            staging,
            written: BTreeMap::new(),
        })
    }

    /// The hidden file `.NAME.WORD` beside the folder, for what must outlive a run that is cut short; the folder above is
    /// made when it is missing.
    ///
    /// # Errors
    /// As [`OutputFolder::begin`].
    pub fn beside(dir: &Path, word: &str) -> Result<PathBuf> {
        let target = guard::resolve(dir)?;
        let parent = target.parent().unwrap_or(&target);
        let advice = "check that the folder above it may be written and that the disk is not full";
        fs::create_dir_all(parent).map_err(|e| Error::io(dir, e, advice))?;
        let name = target.file_name().unwrap_or_default().to_string_lossy();
        Ok(parent.join(format!(".{name}.{word}")))
    }

    /// Adds a file. `rel_path` has forward slashes and stays inside the folder; each path is written once.
    ///
    /// # Errors
    /// [`Error::Refused`] for a path that is none of these; [`Error::Io`] when the system will not write.
    pub fn write(&mut self, rel_path: &str, bytes: &[u8]) -> Result<()> {
        self.write_by(rel_path, &mut |to| to.write_all(bytes))
    }

    /// The same for a file too large to hold: `fill` writes it piece by piece.
    ///
    /// # Errors
    /// As [`OutputFolder::write`]; what `fill` gives is passed on.
    pub fn write_by(&mut self, rel_path: &str, fill: &mut Fill<'_>) -> Result<()> {
        let inside = !rel_path.contains('\\')
            && rel_path.split('/').all(|part| !matches!(part, "" | "." | ".."))
            && Path::new(rel_path).is_relative();
        if !inside || rel_path == RUN_FILE || self.written.contains_key(rel_path) {
            return Err(Error::Refused {
                found: format!("{rel_path:?} cannot be written among the results"),
                advice: "give each file its own relative path".to_owned(),
            });
        }
        let (bytes, sha256) = self.put(rel_path, fill)?;
        let record = json!({ "file": rel_path, "bytes": bytes, "sha256": sha256 });
        self.written.insert(rel_path.to_owned(), record);
        Ok(())
    }

    /// Paths written so far, sorted.
    pub fn files(&self) -> impl Iterator<Item = &str> {
        self.written.keys().map(String::as_str)
    }

    /// Writes `run.json` (with `program`, `version`, `build` and the list `files` of everything written) and swaps the
    /// folder in.
    ///
    /// # Errors
    /// As [`OutputFolder::begin`]: the folder is looked at once more. Whatever fails, the earlier results stand.
    pub fn finish(self, run: Map<String, Value>) -> Result<()> {
        let mut record = Map::new();
        record.insert("program".to_owned(), PROGRAM.into());
        record.insert("version".to_owned(), env!("CARGO_PKG_VERSION").into());
        record.insert("build".to_owned(), build());
        let own = |key: &str| matches!(key, "program" | "version" | "build");
        record.extend(run.into_iter().filter(|(key, _)| !own(key)));
        record.insert("files".to_owned(), self.written.values().cloned().collect());
        let run = format!("{:#}\n", Value::Object(record));
        self.put(RUN_FILE, &mut |to| to.write_all(run.as_bytes()))?;
        guard::only_ours(&self.shown, &self.target)?;
        self.staging.swap(&self.shown, &self.target)
    }

    /// Bytes written and their hash.
    fn put(&self, rel_path: &str, fill: &mut Fill<'_>) -> Result<(u64, String)> {
        let mut path = self.staging.new_results();
        let mut put = || -> std::io::Result<(u64, String)> {
            let mut parts = rel_path.split('/').peekable();
            while let Some(part) = parts.next() {
                path.push(part);
                if parts.peek().is_some() && !path.is_dir() {
                    fs::create_dir(&*path)?;
                    set_mode(&path, FOLDER_MODE)?;
                }
            }
            let mut file = Hashed::new(fs::File::create(&*path)?);
            fill(&mut file)?;
            set_mode(&path, FILE_MODE)?;
            Ok(file.finish())
        };
        put().map_err(|e| {
            let shown = self.shown.join(rel_path);
            Error::io(shown, e, "check that the disk is not full")
        })
    }
}

/// Writes a file piece by piece.
pub type Fill<'a> = dyn FnMut(&mut dyn Write) -> std::io::Result<()> + 'a;

/// A file that knows what was written to it.
struct Hashed {
    file: fs::File,
    hash: Sha256,
    bytes: u64,
}

impl Hashed {
    fn new(file: fs::File) -> Hashed {
        Hashed {
            file,
            hash: Sha256::new(),
            bytes: 0,
        }
    }

    fn finish(self) -> (u64, String) {
        (self.bytes, hex(&self.hash.finalize()))
    }
}

impl Write for Hashed {
    fn write(&mut self, piece: &[u8]) -> std::io::Result<usize> {
        let n = self.file.write(piece)?;
        self.hash.update(&piece[..n]);
        self.bytes += n as u64;
        Ok(n)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}
