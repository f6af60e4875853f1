//! A recording in memory, with what a sidecar would say of it.

use crate::batch::{Job, Loaded, RecordingOutcome};
use crate::error::{Error, Problem, Result};
use crate::fault::isolated;
use crate::read::{RecordingContent, parquet, sha256_hex};
use crate::read::columns::RecordedColumns;
use crate::study::inputs::InputFile;
use crate::study::sidecar::Sidecar;
use std::collections::BTreeSet;
use std::path::PathBuf;

/// What there is of a recording in memory.
#[derive(Debug, Clone)]
enum HeldContent {
    Columns(RecordedColumns),
    /// What a file would hold, with its hash.
    Bytes(Vec<u8>, String),
}

/// A recording in memory.
#[derive(Debug, Clone)]
pub struct HeldRecording {
    file: InputFile,
    content: HeldContent,
    sidecar: Sidecar,
    problems: Vec<Problem>,
}

impl HeldRecording {
    /// A recording of these columns, under headings that a file would have (`time_s`, `force_n`, `displacement_mm`, …), and what
    /// its sidecar would say (`level = "L3"`, `side = "left"`, …).
    ///
    /// # Errors
    /// A problem of the columns: unequal lengths, a number that is infinite.
    pub fn new(name: &str, columns: Vec<(String, Vec<f64>)>, sidecar: &str) -> Result<HeldRecording> {
        let columns = RecordedColumns::new(name, columns)?;
        let (sidecar, problems) = Sidecar::parse(name, sidecar);
        // There are no lines that a caller could look up.
        let problems = problems.into_iter().map(|p| Problem { line: None, ..p }).collect();
        Ok(HeldRecording::of(name, HeldContent::Columns(columns), (sidecar, problems)))
    }

    /// A recording of the bytes that a file would hold, and the text of its sidecar with its name; without one that which a
    /// Parquet file holds within is used.
    pub fn of_bytes(name: &str, bytes: Vec<u8>, sidecar: Option<(&str, &str)>) -> HeldRecording {
        let within = || parquet::about_itself(&bytes, parquet::SIDECAR).map(|text| Sidecar::parse(name, &text));
        let sidecar = match sidecar {
            Some((file, text)) => Sidecar::parse(file, text),
            None => isolated(within).ok().flatten().unwrap_or_default(),
        };
        let sha256 = sha256_hex(&bytes);
        HeldRecording::of(name, HeldContent::Bytes(bytes, sha256), sidecar)
    }

    fn of(name: &str, content: HeldContent, (sidecar, mut problems): (Sidecar, Vec<Problem>)) -> HeldRecording {
        if sidecar.mat_named {
            // Its frames are read from the file, block by block, as they are needed.
            let advice = "name the file of the recording";
            problems.push(Problem::error(name, "a pressure mat's recording without its file", "a plain recording", advice));
        }
        HeldRecording {
            file: InputFile {
                path: PathBuf::new(),
                recording: name.to_owned(),
                sidecar_path: PathBuf::new(),
                sidecar: name.to_owned(),
            },
            content,
            sidecar,
            problems,
        }
    }

    /// Name of the recording.
    pub fn name(&self) -> &str {
        &self.file.recording
    }

    pub(super) fn loaded(&self) -> Loaded<'_> {
        let (content, bytes, sha256) = match &self.content {
            HeldContent::Columns(columns) => (RecordingContent::Columns(columns), 0, String::new()),
            HeldContent::Bytes(bytes, sha256) => (RecordingContent::File(bytes), bytes.len() as u64, sha256.clone()),
        };
        Loaded {
            file: &self.file,
            content: Ok(content),
            bytes,
            sha256,
            sidecar: self.sidecar.clone(),
            sidecar_problems: self.problems.clone(),
            sidecar_input: None,
        }
    }

    pub(super) fn outcome(&self, job: &Job) -> RecordingOutcome {
        job.analyse(self.loaded())
    }
}

/// Rows of tables belong to recordings by name.
pub(super) fn check_names(recordings: &[HeldRecording]) -> Result<()> {
    let mut names = BTreeSet::new();
    match recordings.iter().find(|r| !names.insert(r.name())) {
        None => Ok(()),
        Some(twice) => Err(Error::Setting {
            what: "name".to_owned(),
            found: format!("{:?} for two recordings", twice.name()),
            expected: "a name of its own for each".to_owned(),
        }),
    }
}
