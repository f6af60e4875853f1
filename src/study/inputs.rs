//! Paths on the command line to a list of recordings: files, folders, studies.

use super::door;
use super::folder::read_study;
use super::reference;
use super::search::{Found, NOT_SEARCHED, Searched, is_recording, missing, search, slashes};
use super::strays::{misnamed_study, strays};
use super::study_file;
use crate::error::{Error, Problem, Result, printable};
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

pub use super::folder::Study;
pub use super::search::{no_recordings, written_by_us};

/// One recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFile {
    pub path: PathBuf,
    /// Relative to the input given, with forward slashes; unique among the inputs.
    pub recording: String,
    /// Where the sidecar is, if there is one.
    pub sidecar_path: PathBuf,
    /// The sidecar's name in problems: `recording` with the ending `.toml`.
    pub sidecar: String,
}

/// Everything named on the command line.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Inputs {
    pub study: Option<Study>,
    /// By recording.
    pub files: Vec<InputFile>,
    /// Faults of study.toml, plans, roster, calls, folders without recordings or that could not be read.
    pub problems: Vec<Problem>,
    /// Folders named that hold no recording.
    pub empty: Vec<PathBuf>,
    /// Recordings of the study were named, and not the study: it is used, and may have others.
    pub part_of_study: bool,
}

impl Inputs {
    /// Takes what a folder holds.
    fn take(&mut self, mut searched: Searched, folder: &Path, found: &mut Vec<Found>) {
        self.problems.append(&mut searched.problems);
        if searched.found.is_empty() {
            self.empty.push(folder.to_owned());
        }
        found.append(&mut searched.found);
    }
}

/// Collects recordings from files, folders and at most one study.
///
/// A folder is searched with its subfolders for `.csv`, `.tsv`, `.txt` and `.parquet`; hidden files, `results/`,
/// `calibrations/`, roster.csv, calls.csv, readings, SHA256SUMS and folders that an earlier analysis wrote are passed over.
/// A study gives the files in its `recordings/`, or in itself when there is no such folder. A file named twice
/// counts once.
///
/// # Errors
/// A path that is not there, more than one study, no recording at all. A folder without recordings beside others
/// that have some is a problem.
pub fn collect(paths: &[PathBuf]) -> Result<Inputs> {
    with_recordings(gather(paths, false)?)
}

/// As [`collect`], with the study whose recordings were named, when the study itself was not: its ceilings, calibrations and
/// plans are meant, whatever of it is to be analysed. Recordings then have the names that they have in the study.
///
/// # Errors
/// As [`collect`]; recordings of two studies too.
pub fn collect_in_study(paths: &[PathBuf]) -> Result<Inputs> {
    with_recordings(gather(paths, true)?)
}

/// As [`collect_any`], with the study whose recordings were named.
///
/// # Errors
/// As [`collect_any`]; recordings of two studies too.
pub fn collect_any_in_study(paths: &[PathBuf]) -> Result<Inputs> {
    gather(paths, true)
}

fn with_recordings(inputs: Inputs) -> Result<Inputs> {
    match inputs.empty.first() {
        Some(folder) if inputs.files.is_empty() => Err(no_recordings(folder)),
        _ => Ok(inputs),
    }
}

/// As [`collect`], but without recordings it is no error: a study may have none yet and still be checked.
///
/// # Errors
/// A path that is not there, more than one study.
pub fn collect_any(paths: &[PathBuf]) -> Result<Inputs> {
    gather(paths, false)
}

fn gather(paths: &[PathBuf], look_above: bool) -> Result<Inputs> {
    let mut inputs = Inputs::default();
    let mut found: Vec<Found> = Vec::new();
    let mut above: Option<PathBuf> = None;
    for path in paths {
        let path = &meant(path)?;
        let kind = std::fs::metadata(path).map_err(|e| missing(path, e))?;
        let inside = match look_above && !door::is_there(&path.join(study_file::FILE_NAME)) {
            true => study_above(path),
            false => None,
        };
        if let Some(InStudy { root, .. }) = &inside {
            if let Some(other) = above.as_ref().filter(|other| !same_file(other, root)) {
                return Err(two_studies(other, root));
            }
            above.get_or_insert_with(|| root.clone());
        }
        let within = inside.map_or_else(String::new, |i| i.within);
        if !kind.is_dir() {
            found.push(Found {
                relative: if within.is_empty() { Found::file(path).relative } else { within },
                ..Found::file(path)
            });
        } else if !within.is_empty() {
            inputs.take(search(path, &within, path)?, path, &mut found);
        } else if door::is_there(&path.join(study_file::FILE_NAME)) {
            if let Some(study) = &inputs.study
                && !same_file(&study.root, path)
            {
                return Err(two_studies(&study.root, path));
            }
            if inputs.study.is_none() {
                inputs.study = Some(read_study(path, &mut inputs.problems));
            }
            let recordings = path.join("recordings");
            let (folder, prefix) = if recordings.is_dir() {
                (recordings, "recordings")
            } else {
                (path.clone(), "")
            };
            inputs.take(search(&folder, prefix, path)?, &folder, &mut found);
        } else {
            inputs.problems.extend(misnamed_study(path));
            inputs.take(search(path, "", path)?, path, &mut found);
        }
    }
    match (&inputs.study, above) {
        (Some(study), Some(root)) if !same_file(&study.root, &root) => {
            return Err(two_studies(&study.root, &root));
        }
        (None, Some(root)) => {
            inputs.study = Some(read_study(&root, &mut inputs.problems));
            inputs.part_of_study = true;
        }
        _ => {}
    }
    inputs.files = name_all(found);
    if !inputs.files.is_empty() {
        inputs.problems.extend(inputs.empty.iter().map(|folder| {
            Problem::error(
                slashes(folder),
                "no recordings",
                "recordings in every folder named",
                "check that it is the right folder",
            )
        }));
    }
    // What was not named is not missing.
    if let Some(study) = inputs.study.as_ref().filter(|_| !inputs.part_of_study) {
        let recordings = inputs.files.iter().map(|f| f.recording.as_str());
        inputs.problems.extend(reference::missing(study, recordings));
        let read = inputs.files.iter().filter_map(|f| f.path.canonicalize().ok()).collect();
        inputs.problems.extend(strays(&study.root, &read, is_recording, written_by_us));
    }
    Ok(inputs)
}

/// Where a path lies in a study.
struct InStudy {
    root: PathBuf,
    /// The path as the study names it: `recordings/press.csv`.
    within: String,
}

/// The study among whose recordings one of these lies, when none of them is a study itself.
pub fn study_of_recordings(paths: &[PathBuf]) -> Option<PathBuf> {
    let is_study = |path: &PathBuf| door::is_there(&path.join(study_file::FILE_NAME));
    let meant: Vec<PathBuf> = paths.iter().filter_map(|p| meant(p).ok()).collect();
    match meant.iter().any(is_study) {
        true => None,
        false => meant.iter().find_map(|p| study_above(p)).map(|inside| inside.root),
    }
}

/// The study among whose recordings a path lies: that of the nearest study.toml above it.
fn study_above(path: &Path) -> Option<InStudy> {
    let real = path.canonicalize().ok()?;
    let above = |folder: &&Path| door::is_there(&folder.join(study_file::FILE_NAME));
    let root = real.ancestors().skip(1).find(above)?;
    let within = real.strip_prefix(root).ok()?;
    let first = within.components().next()?;
    let own = root.join("recordings");
    let among = match own.is_dir() {
        true => first.as_os_str() == "recordings",
        false => !NOT_SEARCHED.iter().any(|name| first.as_os_str() == *name),
    };
    let results_between = real.ancestors().take_while(|a| *a != root).any(written_by_us);
    if !among || results_between {
        return None;
    }
    // As the person wrote it, where that leads there too.
    let depth = within.components().count();
    let written = path.ancestors().nth(depth).map(|p| match p.as_os_str().is_empty() {
        true => PathBuf::from("."),
        false => p.to_owned(),
    });
    let root = written.filter(|w| same_file(w, root)).unwrap_or_else(|| root.to_owned());
    Some(InStudy {
        root,
        within: slashes(within),
    })
}

/// A study.toml stands for its folder; no other TOML file is a recording.
fn meant(path: &Path) -> Result<PathBuf> {
    if path.file_name() == Some(OsStr::new(study_file::FILE_NAME)) && path.is_file() {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
        return Ok(folder.unwrap_or(Path::new(".")).to_owned());
    }
    if path.extension() == Some(OsStr::new("toml")) && path.is_file() {
        return Err(Error::Refused {
            found: format!("{} is no recording", path.display()),
            advice: "name the recording; what stands beside it in a .toml of the same name is read with it"
                .to_owned(),
        });
    }
    Ok(path.to_owned())
}

fn same_file(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a == b,
    }
}

fn two_studies(a: &Path, b: &Path) -> Error {
    Error::Refused {
        found: format!("two studies were named: {} and {}", a.display(), b.display()),
        advice: "their settings may differ; name one study at a time".to_owned(),
    }
}

/// Settles the names: unique, sorted, each file once.
fn name_all(found: Vec<Found>) -> Vec<InputFile> {
    let mut once = BTreeSet::new();
    let found: Vec<Found> = found
        .into_iter()
        .filter(|f| once.insert(f.path.canonicalize().unwrap_or_else(|_| f.path.clone())))
        .collect();
    let mut names: Vec<String> = found.iter().map(|f| f.relative.clone()).collect();
    let longer: [&dyn Fn(&Found) -> String; 2] = [
        &|f| {
            let input = f.input.trim_end_matches('/');
            if input.is_empty() {
                f.relative.clone()
            } else {
                format!("{input}/{}", f.relative)
            }
        },
        &|f| slashes(&f.path),
    ];
    for lengthen in longer {
        let doubled = doubled(&names);
        for (name, f) in names.iter_mut().zip(&found) {
            if doubled.contains(name.as_str()) {
                *name = lengthen(f);
            }
        }
    }
    let mut used: BTreeMap<String, u32> = BTreeMap::new();
    let mut files: Vec<InputFile> = found
        .into_iter()
        .zip(names)
        .map(|(f, mut recording)| {
            // Equal still only where a name holds a backslash that looks like an escaped byte.
            let n = used.entry(recording.clone()).or_insert(0);
            *n += 1;
            if *n > 1 {
                recording = format!("{recording}#{n}");
            }
            input_file(f.path, recording)
        })
        .collect();
    files.sort_by(|a, b| a.recording.cmp(&b.recording));
    files
}

fn doubled(names: &[String]) -> BTreeSet<String> {
    let mut seen = BTreeSet::new();
    names
        .iter()
        .filter(|n| !seen.insert(n.as_str()))
        .cloned()
        .collect()
}

fn input_file(path: PathBuf, recording: String) -> InputFile {
    // The name goes into tables and pages; the file is opened by its path.
    let recording = printable(recording);
    let sidecar_path = path.with_extension("toml");
    // In a study without recordings/ a trace could be called study.csv; study.toml is no sidecar of it.
    let reserved = [
        "study.toml",
        "instrument.toml",
        "agreement.toml",
        "opened.toml",
        "draws.toml",
    ];
    let sidecar_path = match sidecar_path.file_name() {
        Some(name) if reserved.iter().any(|r| name == *r) => path.with_extension("sidecar.toml"),
        _ => sidecar_path,
    };
    let stem = match recording.rsplit_once('.') {
        Some((stem, ending)) if !ending.contains('/') => stem,
        _ => recording.as_str(),
    };
    let sidecar = format!("{stem}.toml");
    InputFile {
        path,
        recording,
        sidecar_path,
        sidecar,
    }
}
