//! Paths on the command line to a list of recordings: files, folders, studies.

use super::built_in;
use super::call::Call;
use super::calls;
use super::plan::Plan;
use super::roster::Roster;
use super::sidecar::any_error;
use super::study_file::{self, StudyFile};
use super::toml_doc::read_text;
use super::words::{nearest, one_of, shown};
use crate::error::{Error, Problem, Result};
use crate::settings::Settings;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Endings of recordings.
const ENDINGS: [&str; 4] = ["csv", "tsv", "txt", "parquet"];
/// Files that end as recordings do and are none.
const NOT_RECORDINGS: [&str; 3] = ["roster", "calls", "readings"];
/// Folders of a study that hold no recordings.
const NOT_SEARCHED: [&str; 2] = ["results", "calibrations"];

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

/// A folder with a study.toml.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Study {
    pub root: PathBuf,
    pub title: Option<String>,
    pub site: Option<String>,
    pub ethics_ref: Option<String>,
    pub settings: Settings,
    /// Keys set in study.toml, with their source.
    pub setting_sources: Vec<(String, String)>,
    pub default_plan: Option<Plan>,
    /// Plans in `plans/`, by name.
    pub plans: Vec<Plan>,
    pub calls: Vec<Call>,
    pub roster: Roster,
    /// study.toml has an error: nothing should be analysed until it is mended.
    pub faulty: bool,
}

impl Study {
    /// A plan of the study or, failing that, a built-in one, by name.
    pub fn plan(&self, name: &str) -> Option<Plan> {
        self.plans
            .iter()
            .find(|p| p.name == name)
            .cloned()
            .or_else(|| built_in::built_in(name))
    }
}

/// Everything named on the command line.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Inputs {
    pub study: Option<Study>,
    /// By recording.
    pub files: Vec<InputFile>,
    /// Faults of study.toml, plans, roster, calls, and folders that could not be read.
    pub problems: Vec<Problem>,
}

/// Collects recordings from files, folders and at most one study.
///
/// A folder is searched with its subfolders for `.csv`, `.tsv`, `.txt` and `.parquet`; hidden files, `results/`,
/// `calibrations/`, roster.csv, calls.csv, readings and folders that an earlier analysis wrote are passed over.
/// A study gives the files in its `recordings/`, or in itself when there is no such folder. A file named twice
/// counts once.
///
/// # Errors
/// A path that is not there, a folder without recordings, more than one study.
pub fn collect(paths: &[PathBuf]) -> Result<Inputs> {
    let mut inputs = Inputs::default();
    let mut found: Vec<Found> = Vec::new();
    for path in paths {
        let kind = std::fs::metadata(path).map_err(|e| missing(path, e))?;
        if !kind.is_dir() {
            found.push(Found::file(path));
        } else if path.join(study_file::FILE_NAME).is_file() {
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
            search(&folder, prefix, path, &mut found, &mut inputs.problems)?;
        } else {
            search(path, "", path, &mut found, &mut inputs.problems)?;
        }
    }
    inputs.files = name_all(found);
    Ok(inputs)
}

/// A recording before its name is settled.
struct Found {
    path: PathBuf,
    /// Relative to the input.
    relative: String,
    /// Last part of the input's own name, to tell equal ones apart.
    input: String,
}

impl Found {
    fn file(path: &Path) -> Found {
        let name = path
            .file_name()
            .map_or_else(|| slashes(path), |n| n.to_string_lossy().into_owned());
        let parent = path.parent().map(slashes).unwrap_or_default();
        Found {
            path: path.to_owned(),
            relative: name,
            input: parent,
        }
    }
}

fn slashes(path: &Path) -> String {
    path.to_string_lossy().replace('\\', "/")
}

fn same_file(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a == b,
    }
}

fn missing(path: &Path, error: std::io::Error) -> Error {
    let advice = if error.kind() == std::io::ErrorKind::NotFound {
        "check the spelling, and the folder you are in"
    } else {
        "check that it may be read"
    };
    Error::io(path, error, advice)
}

fn two_studies(a: &Path, b: &Path) -> Error {
    Error::Refused {
        found: format!("two studies were named: {} and {}", a.display(), b.display()),
        advice: "their settings may differ; name one study at a time".to_owned(),
    }
}

/// Searches a folder; `prefix` stands before the names found in it.
fn search(
    folder: &Path,
    prefix: &str,
    input: &Path,
    found: &mut Vec<Found>,
    problems: &mut Vec<Problem>,
) -> Result<()> {
    let mut walk = Walk {
        input: input
            .file_name()
            .map_or_else(|| slashes(input), |n| n.to_string_lossy().into_owned()),
        visited: BTreeSet::new(),
        found: Vec::new(),
        problems: Vec::new(),
        root: folder.to_owned(),
    };
    walk.folder(folder, prefix)?;
    problems.append(&mut walk.problems);
    if walk.found.is_empty() {
        return Err(Error::Refused {
            found: format!("no recordings in {}", folder.display()),
            advice: format!(
                "looked for files ending in {} in it and its subfolders, other than roster.csv, calls.csv, readings, \
                 results and calibrations",
                one_of(&ENDINGS.map(|e| [".", e].concat()).each_ref().map(String::as_str))
            ),
        });
    }
    found.append(&mut walk.found);
    Ok(())
}

struct Walk {
    input: String,
    /// Folders entered, so that links do not lead in circles.
    visited: BTreeSet<PathBuf>,
    found: Vec<Found>,
    problems: Vec<Problem>,
    root: PathBuf,
}

impl Walk {
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
            let Some(name) = path.file_name().map(|n| n.to_string_lossy().into_owned()) else {
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
            if path.join(study_file::FILE_NAME).is_file() {
                self.problems.push(Problem::warning(
                    format!("{relative}/{}", study_file::FILE_NAME),
                    "a study inside the folder named",
                    "the study itself on the command line",
                    "its recordings are read, its settings are not; name the study to use them",
                ));
            }
            return self.folder(&path, &relative);
        }
        if is_recording(&path) {
            self.found.push(Found {
                path,
                relative,
                input: self.input.clone(),
            });
        }
        Ok(())
    }
}

fn is_recording(path: &Path) -> bool {
    let lower = |part: Option<&std::ffi::OsStr>| {
        part.map(|p| p.to_string_lossy().to_lowercase())
            .unwrap_or_default()
    };
    let (stem, ending) = (lower(path.file_stem()), lower(path.extension()));
    ENDINGS.contains(&ending.as_str()) && !NOT_RECORDINGS.contains(&stem.as_str()) && path.is_file()
}

/// Whether an earlier analysis wrote the folder: it then holds a run.json that names this program.
fn written_by_us(folder: &Path) -> bool {
    let Ok(file) = std::fs::File::open(folder.join("run.json")) else {
        return false;
    };
    let mut start = Vec::new();
    let read = std::io::Read::read_to_end(&mut std::io::Read::take(file, 65_536), &mut start);
    read.is_ok() && memchr::memmem::find(&start, b"tautpoint").is_some()
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
            // Only names that are no Unicode can still be equal here.
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
    let sidecar_path = path.with_extension("toml");
    // In a study without recordings/ a trace could be called study.csv; study.toml is no sidecar of it.
    let reserved = ["study.toml", "instrument.toml", "agreement.toml"];
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

/// Reads study.toml, plans, roster and calls of a study.
fn read_study(root: &Path, problems: &mut Vec<Problem>) -> Study {
    let (file, mut found) = match read_text(&root.join(study_file::FILE_NAME), study_file::FILE_NAME) {
        Ok(text) => StudyFile::parse(study_file::FILE_NAME, &text),
        Err(problem) => (StudyFile::default(), vec![problem]),
    };
    let faulty = any_error(&found);
    problems.append(&mut found);
    let mut study = Study {
        root: root.to_owned(),
        title: file.title,
        site: file.site,
        ethics_ref: file.ethics_ref,
        settings: file.settings,
        setting_sources: file.setting_sources,
        plans: read_plans(root, problems),
        faulty,
        ..Study::default()
    };
    if let Some(text) = optional(root, "roster.csv", problems) {
        let (roster, mut found) = Roster::parse("roster.csv", &text);
        study.roster = roster;
        problems.append(&mut found);
    }
    if let Some(text) = optional(root, "calls.csv", problems) {
        let (rows, mut found) = calls::parse("calls.csv", &text);
        study.calls = rows;
        problems.append(&mut found);
    }
    if let Some(name) = file.default_plan {
        study.default_plan = study.plan(&name);
        if study.default_plan.is_none() {
            problems.push(unknown_plan(&name, &study.plans, file.default_plan_line));
        }
    }
    study
}

fn optional(root: &Path, name: &str, problems: &mut Vec<Problem>) -> Option<String> {
    let path = root.join(name);
    if !path.exists() {
        return None;
    }
    read_text(&path, name).map_err(|p| problems.push(p)).ok()
}

fn unknown_plan(name: &str, plans: &[Plan], line: Option<u64>) -> Problem {
    let mut known: Vec<&str> = plans.iter().map(|p| p.name.as_str()).collect();
    known.extend(
        built_in::NAMES
            .iter()
            .filter(|n| !plans.iter().any(|p| p.name == **n)),
    );
    let near = nearest(name, known.iter().copied());
    let advice = near.map_or("correct the name".to_owned(), |n| {
        format!("write {n} if that is meant")
    });
    let mut problem = Problem::error(study_file::FILE_NAME, shown(name), one_of(&known), advice);
    problem.line = line;
    problem.in_column("plan.default")
}

/// Plans in `plans/`; a name used twice keeps the first.
fn read_plans(root: &Path, problems: &mut Vec<Problem>) -> Vec<Plan> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(root.join("plans"))
        .map(|entries| entries.filter_map(|e| e.ok().map(|e| e.path())).collect())
        .unwrap_or_default();
    paths.retain(|p| {
        let hidden = p
            .file_name()
            .is_some_and(|n| n.to_string_lossy().starts_with('.'));
        !hidden && p.extension().is_some_and(|e| e == "toml")
    });
    paths.sort();
    let mut plans: Vec<Plan> = Vec::new();
    for path in paths {
        let name = path
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default();
        let file = format!("plans/{name}");
        let (plan, mut found) = match read_text(&path, &file) {
            Ok(text) => Plan::parse(&file, &text),
            Err(problem) => (None, vec![problem]),
        };
        problems.append(&mut found);
        let Some(plan) = plan else { continue };
        if plans.iter().any(|p| p.name == plan.name) {
            problems.push(
                Problem::error(
                    file,
                    format!("a second plan named {}", shown(&plan.name)),
                    "a name of its own for each plan",
                    "rename one; this one is not used",
                )
                .in_column("name"),
            );
        } else {
            plans.push(plan);
        }
    }
    plans
}
