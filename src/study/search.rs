//! Which files of a folder are recordings.

use super::door::{self, FileKind};
use super::study_file;
use super::words::one_of;
use crate::error::{Error, Problem, Result};
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

/// Endings of recordings.
const ENDINGS: [&str; 4] = ["csv", "tsv", "txt", "parquet"];
/// Files that end as recordings do and are none.
const NOT_RECORDINGS: [&str; 7] = [
    "roster",
    "calls",
    "estimates",
    "readings",
    "sha256sums",
    "over-ceiling",
    "sessions",
];
/// Folders of a study that hold no recordings.
pub const NOT_SEARCHED: [&str; 2] = ["results", "calibrations"];

/// A recording before its name is settled.
pub struct Found {
    pub path: PathBuf,
    /// Relative to the input.
    pub relative: String,
    /// Last part of the input's own name, to tell equal ones apart.
    pub input: String,
}

impl Found {
    /// One named by itself.
    pub fn file(path: &Path) -> Found {
        let name = path.file_name().map_or_else(|| slashes(path), shown_name);
        let parent = path.parent().map(slashes).unwrap_or_default();
        Found {
            path: path.to_owned(),
            relative: name,
            input: parent,
        }
    }
}

/// A path with forward slashes.
pub fn slashes(path: &Path) -> String {
    path.to_string_lossy().replace('\\', "/")
}

/// A file's name as text; bytes that are no Unicode stand as `\xFF`.
pub fn shown_name(name: &OsStr) -> String {
    match name.to_str() {
        Some(text) => text.to_owned(),
        None => format!("{name:?}").trim_matches('"').to_owned(),
    }
}

/// The error of a path that is not there or may not be read.
pub fn missing(path: &Path, error: std::io::Error) -> Error {
    let advice = if error.kind() == std::io::ErrorKind::NotFound {
        "check the spelling, and the folder you are in"
    } else {
        "check that it may be read"
    };
    Error::io(path, error, advice)
}

/// What a folder holds.
pub struct Searched {
    pub found: Vec<Found>,
    pub problems: Vec<Problem>,
}

/// Searches a folder; `prefix` stands before the names found in it.
pub fn search(
    folder: &Path,
    prefix: &str,
    input: &Path,
) -> Result<Searched> {
    let mut walk = Walk {
        input: input.file_name().map_or_else(|| slashes(input), shown_name),
        visited: BTreeSet::new(),
        found: Vec::new(),
        problems: Vec::new(),
        root: folder.to_owned(),
        sidecars: Vec::new(),
    };
    walk.folder(folder, prefix)?;
    if !prefix.is_empty() {
        walk.warn_of_lone_sidecars();
    }
    Ok(Searched {
        found: walk.found,
        problems: walk.problems,
    })
}

/// The error of a folder without recordings: what was looked for.
pub fn no_recordings(folder: &Path) -> Error {
    let endings = ENDINGS.map(|e| format!(".{e}"));
    Error::Refused {
        found: format!("no recordings in {}", folder.display()),
        advice: format!(
            "looked for files ending in {} in it and its subfolders, other than roster.csv, calls.csv, readings, \
             results and calibrations",
            one_of(&endings.each_ref().map(String::as_str))
        ),
    }
}

struct Walk {
    input: String,
    /// Folders entered, so that links do not lead in circles.
    visited: BTreeSet<PathBuf>,
    found: Vec<Found>,
    problems: Vec<Problem>,
    root: PathBuf,
    /// TOML files with their names.
    sidecars: Vec<(PathBuf, String)>,
}

impl Walk {
    /// In a study's recordings/, a sidecar alone means that a recording was lost or renamed.
    fn warn_of_lone_sidecars(&mut self) {
        let known: BTreeSet<PathBuf> = self.found.iter().map(|f| f.path.with_extension("toml")).collect();
        for (path, name) in &self.sidecars {
            if !known.contains(path) {
                self.problems.push(Problem::warning(
                    name,
                    "a sidecar without its recording",
                    "a recording of the same name beside it",
                    "look for the recording, or remove the sidecar",
                ));
            }
        }
    }

    fn folder(&mut self, folder: &Path, prefix: &str) -> Result<()> {
        let real = folder.canonicalize().unwrap_or_else(|_| folder.to_owned());
        if !self.visited.insert(real) {
            return Ok(());
        }
        let entries = match std::fs::read_dir(folder) {
            Ok(entries) => entries,
            Err(error) if folder == self.root => return Err(missing(folder, error)),
            Err(error) => {
                self.problems.push(Problem::error(
                    prefix,
                    format!("a folder that cannot be read ({error})"),
                    "a readable folder",
                    "check its permissions; its recordings are left out",
                ));
                return Ok(());
            }
        };
        let mut entries: Vec<PathBuf> = entries.filter_map(|e| e.ok().map(|e| e.path())).collect();
        entries.sort();
        for path in entries {
            let Some(name) = path.file_name().map(shown_name) else {
                continue;
            };
            let relative = if prefix.is_empty() {
                name.clone()
            } else {
                format!("{prefix}/{name}")
            };
            self.entry(path, &name, relative)?;
        }
        Ok(())
    }

    fn entry(&mut self, path: PathBuf, name: &str, relative: String) -> Result<()> {
        if name.starts_with('.') {
            return Ok(());
        }
        if path.is_dir() {
            if NOT_SEARCHED.contains(&name) || written_by_us(&path) {
                return Ok(());
            }
            if door::is_there(&path.join(study_file::FILE_NAME)) {
                self.problems.push(Problem::warning(
                    format!("{relative}/{}", study_file::FILE_NAME),
                    "a study inside the folder named",
                    "the study itself on the command line",
                    "its recordings are read, its settings and ceilings are not; name the study to use them",
                ));
            }
            return self.folder(&path, &relative);
        }
        if path.extension() == Some(OsStr::new("toml")) {
            self.sidecars.push((path, relative));
        } else if is_recording(&path) {
            self.found.push(Found {
                path,
                relative,
                input: self.input.clone(),
            });
        }
        Ok(())
    }
}

/// Whether a file is a recording by its name.
pub fn is_recording(path: &Path) -> bool {
    let lower = |part: Option<&std::ffi::OsStr>| {
        part.map(|p| p.to_string_lossy().to_lowercase())
            .unwrap_or_default()
    };
    let (stem, ending) = (lower(path.file_stem()), lower(path.extension()));
    ENDINGS.contains(&ending.as_str()) && !NOT_RECORDINGS.contains(&stem.as_str())
}

/// Whether an earlier analysis wrote the folder: it then holds a run.json that names this program.
pub fn written_by_us(folder: &Path) -> bool {
    let Ok(file) = door::open(&folder.join("run.json"), FileKind::Record) else {
        return false;
    };
    let mut start = Vec::new();
    let read = std::io::Read::read_to_end(&mut std::io::Read::take(file, 65_536), &mut start);
    read.is_ok() && memchr::memmem::find(&start, b"tautpoint").is_some()
}
