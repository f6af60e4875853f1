//! A recording with the calibrations that its sidecar or its study names.

use super::assemble::ReadContext;
use super::calibrations::Calibrations;
use super::counts::CalibrationChoice;
use super::plausible::implausible;
use super::mat::{MatSource, read_mat};
use super::{ReadTrace, RecordingContent, from_content, read_file, sha256_hex};
use crate::calibrate::drift::OUT_OF_CONTROL_ADVICE;
use crate::calibrate::{Calibration, Complaint, Validity};
use crate::error::{Problem, Result, Severity};
use crate::study::folder::Study;
use crate::study::mapping::ColumnMapping;
use crate::study::sidecar::Sidecar;
use crate::study::study_file;
use crate::terms::{Day, RecordingStatus};
use crate::trace::About;
use std::path::Path;

/// Where a recording is and what is known of it.
pub struct RecordingSource<'a> {
    pub path: &'a Path,
    /// Name of the recording and of its sidecar, for problems.
    pub recording: &'a str,
    pub sidecar_name: &'a str,
    pub sidecar: &'a Sidecar,
    pub study: &'a Study,
    pub calibrations: &'a Calibrations,
    /// An expired, later or foreign calibration is an error instead of a warning on every result.
    pub strict: bool,
}

/// Reads it; counts become N or mm.
///
/// # Errors
/// As [`super::read_trace`]; [`Error::Data`](crate::error::Error::Data) too for counts that no calibration fits and, when
/// strict, for a calibration that should not be used.
pub fn read_recording(source: &RecordingSource<'_>, about: About) -> Result<ReadTrace> {
    if source.mat().is_some() {
        // A mat's frames are read as they are needed, and hashed on the way.
        return read_recording_content(source, about, RecordingContent::File(&[]), String::new());
    }
    let bytes = read_file(source.path)?;
    let sha256 = sha256_hex(&bytes);
    read_recording_content(source, about, RecordingContent::File(&bytes), sha256)
}

/// The same from what is at hand of it and its hash; a mat's are read from the file itself, and hashed when `sha256` is empty.
///
/// # Errors
/// As [`read_recording`].
pub fn read_recording_content(
    source: &RecordingSource<'_>,
    about: About,
    content: RecordingContent<'_>,
    sha256: String,
) -> Result<ReadTrace> {
    let (named, absent) = source.choose();
    let calibrations = CalibrationChoice {
        named: &named,
        absent: absent.as_ref(),
    };
    let about_day = day(&about);
    let mapping = source.mapping();
    let mut read = match source.mat() {
        Some(mat) => {
            let mat = MatSource {
                mapping: &mapping,
                ..mat
            };
            read_mat(&mat, about, calibrations, Some(sha256).filter(|s| !s.is_empty()))?
        }
        None => {
            let context = ReadContext {
                calibrations,
                left_open: source.sidecar.status == Some(RecordingStatus::Open),
                ..ReadContext::new(&mapping, about)
            };
            from_content(source.path, content, sha256, source.recording, context)?
        }
    };
    if let Some(problem) = implausible(&read.trace, &source.study.settings.plausible) {
        return Err(problem.into());
    }
    // A trace that is in units does not depend on it.
    if let Some(absent) = absent
        && source.calibrations.iter().next().is_some()
    {
        read.problems.push(Problem {
            severity: Severity::Warning,
            ..absent
        });
    }
    let validity = source.validity(&read, about_day);
    let mut problems = validity.problems(source.recording, source.strict);
    if source.strict && !problems.is_empty() {
        return Err(problems.swap_remove(0).into());
    }
    read.problems.append(&mut problems);
    read.trace.notes.extend(validity.notes());
    Ok(read)
}

/// The day of a recording, as far as its sidecar says it.
fn day(about: &About) -> Option<Day> {
    let said = about.recorded_at.as_deref().and_then(Day::parse);
    said.or_else(|| about.session.as_deref().and_then(Day::parse))
}

impl RecordingSource<'_> {
    /// Which heading is which column, with the study's factors where the sidecar has none.
    pub fn mapping(&self) -> ColumnMapping {
        let own = ColumnMapping {
            gains: self.study.gains.clone(),
            ..self.sidecar.columns.clone()
        };
        // What our own recorder wrote is no other program's, nor is what says itself how it is written.
        let ours = self.sidecar.recorder_version.is_some() || own.import.is_some();
        match self.study.import.as_ref().filter(|_| !ours) {
            Some(import) => own.or(import),
            None => own,
        }
    }

    /// The same as a pressure mat's, when its sidecar has `[mat]`.
    pub fn mat(&self) -> Option<MatSource<'_>> {
        self.sidecar.mat.as_ref().map(|setup| MatSource {
            path: self.path,
            recording: self.recording,
            setup,
            mapping: &self.sidecar.columns,
            settings: &self.study.settings.mat,
        })
    }

    /// The calibrations named, else those of the sensors named, and a problem when one of the names is not known.
    pub(super) fn choose(&self) -> (Vec<&Calibration>, Option<Problem>) {
        let (names, file) = match self.sidecar.calibrations.as_slice() {
            [] => (self.study.calibrations.as_slice(), study_file::FILE_NAME),
            own => (own, self.sidecar_name),
        };
        if names.is_empty() {
            return (self.calibrations.of_sensors(self.sensors()), None);
        }
        let mut absent = None;
        let mut chosen = Vec::new();
        for name in names {
            match self
                .calibrations
                .named(std::slice::from_ref(name), file, "calibration")
            {
                Ok(found) => chosen.extend(found),
                Err(problem) => absent = absent.or(Some(problem)),
            }
        }
        (chosen, absent)
    }

    /// Codes of the sensors it was recorded with.
    fn sensors(&self) -> &[String] {
        match self.sidecar.sensors.as_slice() {
            [] => self.study.sensors.as_slice(),
            own => own,
        }
    }

    /// What speaks against each calibration used.
    fn validity(&self, read: &ReadTrace, day: Option<Day>) -> Validity {
        let sensors = self.sensors();
        let mut all = Validity::default();
        for used in &read.calibrated {
            let control = self.calibrations.out_of_control(&used.calibration.name, day);
            let control = control.map(|out| Complaint {
                found: out.words(&used.calibration.name),
                expected: "a daily check inside its limits".to_owned(),
                advice: OUT_OF_CONTROL_ADVICE.to_owned(),
            });
            let complaints = used.calibration.validity(day, sensors).complaints;
            for complaint in complaints.into_iter().chain(control) {
                if !all.complaints.contains(&complaint) {
                    all.complaints.push(complaint);
                }
            }
        }
        all
    }
}
