//! One study as it is before it becomes part of another.

use crate::acquire::recorder::file_names::part;
use crate::acquire::recorder::lock::StudyAtRest;
use crate::acquire::recorder::FOLDER;
use crate::batch::{self, sums};
use crate::error::{Error, Problem, Result, Severity};
use crate::read::calibrations::Calibrations;
use crate::read::parquet;
use crate::study::door::{self, FileKind};
use crate::study::inputs::{self, InputFile, Study};
use crate::study::sidecar::Sidecar;
use crate::study::study_file;
use crate::study::toml_doc::read_text;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Folder for what has no place in a merged study, within which each study has its own.
const ASIDE: &str = "set-aside";

/// One recording of a study.
#[derive(Debug)]
pub struct SourceRecording {
    pub path: PathBuf,
    /// As its study names it.
    pub name: String,
    /// Its path in a study, below the folder of recordings.
    pub place: PathBuf,
    /// Where its sidecar lies, in a study.
    pub sidecar_place: PathBuf,
    /// The bytes of the sidecar beside it.
    pub beside: Option<Vec<u8>>,
    /// The text of the sidecar that holds, beside it or within a Parquet file; empty without one.
    pub sidecar_text: String,
    pub sidecar: Sidecar,
    pub sha256: String,
    /// It is not what it was when it was recorded: the hash kept is another.
    pub damaged: bool,
}

impl SourceRecording {
    /// Its name among the hashes kept; `None` where it is no Unicode.
    pub fn name_in_sums(&self) -> Option<String> {
        let inside = self.place.strip_prefix(FOLDER).ok()?;
        let parts: Option<Vec<&str>> = inside.iter().map(|p| p.to_str()).collect();
        Some(parts?.join("/"))
    }
}

/// A study, read; no recorder can begin on it as long as this is kept.
#[derive(Debug)]
pub struct Source {
    /// As the user named it.
    pub given: PathBuf,
    /// The folder's name, in plain letters and unlike those of the others.
    pub label: String,
    pub study: Study,
    pub study_text: String,
    pub recordings: Vec<SourceRecording>,
    /// Hashes kept, by name within the folder of recordings.
    pub sums: BTreeMap<String, String>,
    pub calibrations: Calibrations,
    pub problems: Vec<Problem>,
    _at_rest: StudyAtRest,
}

impl Source {
    /// Reads a study and hashes its recordings; `labels` are taken, and its own is added. `tell` hears of each recording.
    ///
    /// # Errors
    /// [`Error::Refused`] for what is no study, one that is being recorded into and one whose study.toml has an error.
    pub fn read(given: &Path, labels: &mut BTreeSet<String>, tell: &dyn Fn()) -> Result<Source> {
        if !door::is_there(&given.join(study_file::FILE_NAME)) {
            return Err(Error::Refused {
                found: format!("{} is no study: there is no {} in it", given.display(), study_file::FILE_NAME),
                advice: "name the folders of studies".to_owned(),
            });
        }
        let at_rest = StudyAtRest::hold(given)?;
        let inputs = inputs::collect_any(&[given.to_owned()])?;
        let of_study = |p: &&Problem| p.severity == Severity::Error && p.file == study_file::FILE_NAME;
        let study = inputs.study.unwrap_or_default();
        if let (true, Some(problem)) = (study.faulty, inputs.problems.iter().find(of_study)) {
            return Err(Error::Refused {
                found: format!("{}: {problem}", given.display()),
                advice: "correct its study.toml first".to_owned(),
            });
        }
        let label = label(given, labels);
        let named = |p: Problem| Problem { file: format!("{label}/{}", p.file), ..p };
        let errors = inputs.problems.into_iter().filter(|p| p.severity == Severity::Error);
        // What lists and plans hold is carried along as it is and told of by whoever reads it; what cannot be read of the
        // recordings would be missing.
        let mut problems: Vec<Problem> = errors.filter(|p| p.file.starts_with(FOLDER)).map(named).collect();
        let (sums, found) = sums::kept(given);
        problems.extend(found.into_iter().map(named));
        let mut source = Source {
            given: given.to_owned(),
            study_text: read_text(&given.join(study_file::FILE_NAME), study_file::FILE_NAME)?,
            calibrations: Calibrations::in_folder(given).0,
            label,
            study,
            recordings: Vec::new(),
            sums,
            problems,
            _at_rest: at_rest,
        };
        for file in &inputs.files {
            match source.recording(file) {
                Ok(recording) => source.recordings.push(recording),
                Err(cause) => source.problems.push(Problem::error(
                    source.in_it(&file.recording),
                    format!("a file that cannot be read ({cause})"),
                    "a recording that can be read, with its sidecar",
                    "check its permissions and merge again: it is not in the merged study",
                )),
            }
            tell();
        }
        Ok(source)
    }

    /// A file of it as messages name it.
    pub fn in_it(&self, name: &str) -> String {
        format!("{}/{name}", self.label)
    }

    /// Folder of the merged study for what has no place in it.
    pub fn aside(&self) -> String {
        format!("{ASIDE}/{}", self.label)
    }

    fn recording(&self, file: &InputFile) -> std::io::Result<SourceRecording> {
        let inside = file.path.strip_prefix(&self.given).unwrap_or(&file.path);
        let place = match inside.starts_with(FOLDER) {
            true => inside.to_owned(),
            false => Path::new(FOLDER).join(inside),
        };
        let there = door::is_there(&file.sidecar_path);
        let beside = there.then(|| door::read(&file.sidecar_path, FileKind::Settings)).transpose()?;
        let (sidecar, _) = batch::sidecar_on_disk(file);
        let is_parquet = file.path.extension().is_some_and(|e| e.eq_ignore_ascii_case("parquet"));
        let within = || {
            let bytes = is_parquet.then(|| door::read(&file.path, FileKind::Recording)).transpose()?;
            let text = bytes.and_then(|bytes| parquet::about_itself(&bytes, parquet::SIDECAR));
            Ok::<String, std::io::Error>(text.unwrap_or_default())
        };
        let sidecar_text = match &beside {
            Some(bytes) => String::from_utf8_lossy(bytes).into_owned(),
            None => within()?,
        };
        let sha256 = batch::sha256_of(&file.path)?;
        let sidecar_name = file.sidecar_path.file_name().unwrap_or_default();
        let mut recording = SourceRecording {
            path: file.path.clone(),
            name: file.recording.clone(),
            sidecar_place: place.with_file_name(sidecar_name),
            place,
            beside,
            sidecar_text,
            sidecar,
            sha256,
            damaged: false,
        };
        let kept = recording.name_in_sums().and_then(|name| self.sums.get(&name));
        recording.damaged = kept.is_some_and(|kept| *kept != recording.sha256);
        Ok(recording)
    }

    /// Names of the calibrations that a recording is read by, whoever names them.
    pub fn calibrations_of(&self, recording: &SourceRecording) -> Vec<String> {
        let first = |own: &[String], studys: &[String]| if own.is_empty() { studys.to_vec() } else { own.to_vec() };
        let named = first(&recording.sidecar.calibrations, &self.study.calibrations);
        if !named.is_empty() {
            return named;
        }
        let sensors = first(&recording.sidecar.sensors, &self.study.sensors);
        self.calibrations.of_sensors(&sensors).iter().map(|c| c.name.clone()).collect()
    }
}

/// The folder's own name, however it was written on the command line.
fn label(given: &Path, taken: &mut BTreeSet<String>) -> String {
    let real = given.canonicalize().unwrap_or_else(|_| given.to_owned());
    let name = part(&real.file_name().unwrap_or_default().to_string_lossy());
    let numbered = (2..).map(|n| format!("{name}-{n}"));
    let free = std::iter::once(name.clone()).chain(numbered).find(|l| !taken.contains(&l.to_lowercase()));
    let label = free.unwrap_or(name);
    taken.insert(label.to_lowercase());
    label
}
