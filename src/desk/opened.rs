//! The study that the desk holds: its folder is locked, and what a recorder left open before is named.

use super::health;
use crate::acquire::recorder::disk::FileDisk;
use crate::acquire::recorder::lock::StudyLock;
use crate::acquire::recorder::prior::settle_left_open;
use crate::acquire::recorder::{FOLDER, stamp};
use crate::error::{Error, Problem, Result};
use crate::study::folder::{Study, read_study};
use crate::study::inputs::collect_any;
use crate::study::words::{list, shown};
use crate::study::{door, study_file};
use crate::terms::Day;
use std::path::{Path, PathBuf};

/// A study whose folder nobody else records into meanwhile.
pub struct OpenStudy {
    root: PathBuf,
    _lock: Option<StudyLock>,
    /// What a person should know of it, found when it was opened.
    pub notices: Vec<String>,
}

impl OpenStudy {
    /// Whether a folder holds a study.
    pub fn is_there(root: &Path) -> bool {
        door::is_there(&root.join(study_file::FILE_NAME))
    }

    /// Opens it.
    ///
    /// # Errors
    /// [`Error::Refused`] when another recorder is at work on it, or study.toml has an error; [`Error::Io`] when it cannot be
    /// written to.
    pub fn open(root: &Path) -> Result<OpenStudy> {
        let mut problems: Vec<Problem> = Vec::new();
        let study = read_study(root, &mut problems);
        if study.faulty {
            let faults = problems.into_iter().filter(|p| p.file == study_file::FILE_NAME);
            let words: Vec<String> = faults.map(|p| p.to_string()).collect();
            return Err(Error::Refused {
                found: format!("study.toml has an error: {}", words.join("; ")),
                advice: "mend it in an editor and start again".to_owned(),
            });
        }
        let lock = StudyLock::take(root, &stamp())?;
        let mut notices = Vec::new();
        if lock.is_none() {
            notices.push("This disk cannot lock: see to it that nobody else records into this study.".to_owned());
        }
        let inputs = collect_any(&[root.to_owned()])?;
        for name in settle_left_open(&FileDisk, root, &inputs.files)? {
            notices.push(format!(
                "{FOLDER}/{} was left open by a recorder that was killed: it is kept as it is, and its step is to be made again.",
                shown(&name)
            ));
        }
        match health::delete_past(root, &Day::today().to_string()) {
            Ok(past) if past.is_empty() => {}
            Ok(past) => notices.push(format!(
                "Deleted from {}, since the day until which it was to be kept has passed: what was noted of {}.",
                health::FILE_NAME,
                list(&past.iter().map(|c| shown(c)).collect::<Vec<_>>())
            )),
            Err(error) => notices.push(format!("Health data whose day has passed could not be deleted: {error}")),
        }
        Ok(OpenStudy {
            root: root.to_owned(),
            _lock: lock,
            notices,
        })
    }

    /// The study as it is on the disk now, with what is wrong with it.
    pub fn read(&self) -> (Study, Vec<Problem>) {
        let mut problems = Vec::new();
        let study = read_study(&self.root, &mut problems);
        (study, problems)
    }
}
