//! The merged study in the making: what was put where.

use super::places::MergedPlaces;
use super::source::{Source, SourceRecording};
use crate::acquire::recorder::FOLDER;
use crate::error::{Error, Problem, Result, printable};
use crate::read::sha256_hex;
use crate::study::door::{self, FileKind};
use crate::write::NewFolder;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The merged study, not in its place yet.
pub struct Making<'a> {
    /// The first leads.
    pub sources: &'a [Source],
    pub places: MergedPlaces,
    pub folder: NewFolder,
    /// Hash of each file put there, by its path.
    pub written: BTreeMap<PathBuf, String>,
    pub problems: Vec<Problem>,
}

impl Making<'_> {
    /// Puts a small file there.
    ///
    /// # Errors
    /// As [`NewFolder::write`].
    pub fn put(&mut self, place: &Path, bytes: &[u8]) -> Result<()> {
        self.folder.write(place, bytes)?;
        self.written.insert(place.to_owned(), sha256_hex(bytes));
        Ok(())
    }

    /// Copies a file of any size there; `expected` is the hash that it had before.
    ///
    /// # Errors
    /// As [`NewFolder::copy`]; [`Error::Refused`] when it changed meanwhile: nothing is merged of what is being written.
    pub fn copy(&mut self, from: &Path, place: &Path, expected: &str) -> Result<()> {
        let file = door::open(from, FileKind::Streamed).map_err(|e| Error::unreadable(from, e))?;
        let sha256 = self.folder.copy(place, file)?;
        if sha256 != expected {
            return Err(Error::Refused {
                found: format!("{} changed while it was being merged", from.display()),
                advice: "end whatever writes to it, and merge again; nothing was written".to_owned(),
            });
        }
        self.written.insert(place.to_owned(), sha256);
        Ok(())
    }

    /// Names of the recordings of a study in the merged one, by their own.
    pub fn new_names(&self, s: usize) -> BTreeMap<String, String> {
        let of = |(r, recording): (usize, &SourceRecording)| {
            let to = self.places.of((s, r))?;
            let new = match *to == recording.place {
                true if recording.name.starts_with(FOLDER) => recording.name.clone(),
                true => format!("{FOLDER}/{}", recording.name),
                false => printable(to.to_string_lossy().replace('\\', "/")),
            };
            Some((recording.name.clone(), new))
        };
        self.sources[s].recordings.iter().enumerate().filter_map(of).collect()
    }

    /// Where a file goes for which the merged study has no place.
    pub fn aside(&self, source: usize, place: &Path) -> PathBuf {
        Path::new(&self.sources[source].aside()).join(place)
    }

    /// A place of its own beside one that is taken: `name-2.toml`.
    pub fn free_beside(&self, place: &Path) -> PathBuf {
        let name = place.file_stem().unwrap_or_default();
        let numbered = (2_u32..).map(|n| {
            let mut name = name.to_owned();
            name.push(format!("-{n}"));
            if let Some(ending) = place.extension() {
                name.push(".");
                name.push(ending);
            }
            place.with_file_name(name)
        });
        let mut places = std::iter::once(place.to_owned()).chain(numbered);
        places.find(|p| !self.written.contains_key(p)).unwrap_or_else(|| place.to_owned())
    }
}
