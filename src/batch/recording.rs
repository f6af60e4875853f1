//! One recording: read, analysed, and what it gave.

use crate::study::door::{self, FileKind};
use super::ceilings::{self, not_looked_at};
use super::corrected::{self, Refused, RefusedCorrection};
use super::fingerprint::Fingerprint;
use super::{Job, given, mats, naming, sums};
use crate::error::{Error, Problem, Severity};
use crate::fault::isolated;
use crate::mat::MatTest;
use crate::read::plausible::{doubts, implausible_test};
use crate::read::recording::{RecordingSource, read_recording_content};
use crate::read::{HashWriter, ReadTrace, RecordingContent, parquet, sha256_hex};
use crate::results::{Excluded, Exclusion, ExclusionCause, InputKind, InputRecord, LookedAt, NotLookedAt};
use crate::signal::{find_tests, measure};
use crate::study::inputs;
use crate::study::sidecar::{Sidecar, any_error};
use crate::technique::{UntoldForce, over_as_detected, lone_samples_problem, untold_forces, untold_problems};
use crate::terms::Level;
use crate::trace::{About, ConditionedSignals, Curve, Test};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What one recording gave.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct RecordingOutcome {
    pub tests: Vec<Test>,
    /// Those on a pressure mat as their figures need them.
    pub mats: Vec<MatTest>,
    /// Its tests as the program found them, where people put something right.
    pub detected: Option<Vec<Test>>,
    /// Corrections that do not fit it.
    pub refused_corrections: Vec<RefusedCorrection>,
    /// Name of the plan its tests were matched with.
    pub plan: Option<String>,
    pub problems: Vec<Problem>,
    pub exclusions: Vec<Exclusion>,
    /// Forces over a ceiling that no test holds.
    pub untold: Vec<UntoldForce>,
    /// What its readings are told again by; `None` where nothing was measured.
    pub fingerprint: Option<Fingerprint>,
    /// That its force could not be held against the ceilings.
    pub not_looked_at: Option<NotLookedAt>,
    pub input: InputRecord,
    /// The sidecar beside it.
    pub sidecar: Option<InputRecord>,
    /// Its path in the study, with forward slashes; `None` when it lies elsewhere.
    pub path_in_study: Option<String>,
    /// Its name as SHA256SUMS of the study has it; `None` when it lies elsewhere.
    pub name_in_sums: Option<String>,
}

impl RecordingOutcome {
    /// One that gave nothing yet.
    pub fn of(input: InputRecord) -> RecordingOutcome {
        RecordingOutcome {
            tests: Vec::new(),
            mats: Vec::new(),
            detected: None,
            refused_corrections: Vec::new(),
            plan: None,
            problems: Vec::new(),
            exclusions: Vec::new(),
            untold: Vec::new(),
            fingerprint: None,
            not_looked_at: None,
            input,
            sidecar: None,
            path_in_study: None,
            name_in_sums: None,
        }
    }

    /// Leaves out what figures of tests are drawn from; nothing else needs it.
    pub fn drop_curves(&mut self) {
        for test in &mut self.tests {
            test.curve = Curve::default();
        }
    }
}

/// A recording's bytes with what stands beside it, read once.
pub struct Loaded<'a> {
    pub file: &'a inputs::InputFile,
    /// What it holds, or why that could not be read.
    /// Of a pressure mat's recording no bytes are held.
    pub content: Result<RecordingContent<'a>, Error>,
    /// Size of the file.
    pub bytes: u64,
    /// Hash of the bytes; empty when they could not be read.
    pub sha256: String,
    pub sidecar: Sidecar,
    pub sidecar_problems: Vec<Problem>,
    /// Hash and size of the sidecar beside it.
    pub sidecar_input: Option<InputRecord>,
}

impl<'a> Loaded<'a> {
    /// Reads the recording into `buffer`, which may have held another one, and its sidecar.
    pub fn read(file: &'a inputs::InputFile, buffer: &'a mut Vec<u8>) -> Loaded<'a> {
        let beside = door::is_there(&file.sidecar_path).then(|| sidecar(file, &[]));
        // A mat's frames may be many times the memory, and are read as they are needed.
        let held = beside.as_ref().is_none_or(|(sidecar, _)| !sidecar.mat_named);
        buffer.clear();
        let read = read_into(&file.path, held.then_some(buffer));
        let (bytes, sha256) = read.as_ref().map_or((0, String::new()), Clone::clone);
        let buffer: &[u8] = buffer;
        let content = read.map(|_| RecordingContent::File(buffer)).map_err(|cause| {
            let advice = "check that the file is there and may be read";
            Error::io(&file.path, cause, advice)
        });
        let (sidecar, sidecar_problems) = beside.unwrap_or_else(|| sidecar(file, buffer));
        Loaded {
            file,
            content,
            bytes,
            sha256,
            sidecar,
            sidecar_problems,
            sidecar_input: input_of(InputKind::Sidecar, &file.sidecar_path, &file.sidecar),
        }
    }

    /// An outcome that says what was read, and no more yet.
    fn outcome(&self, study: &Path) -> RecordingOutcome {
        RecordingOutcome {
            sidecar: self.sidecar_input.clone(),
            path_in_study: sums::path_from_root(study, &self.file.path),
            name_in_sums: sums::name_in_study(study, &self.file.path),
            ..RecordingOutcome::of(InputRecord {
                kind: InputKind::Recording,
                file: self.file.recording.clone(),
                sha256: self.sha256.clone(),
                bytes: self.bytes,
            })
        }
    }
}

/// Hash and size of a file beside recordings; `None` where none can be read, which whoever reads it tells.
pub(super) fn input_of(kind: InputKind, path: &Path, name: &str) -> Option<InputRecord> {
    // What is larger than any of these files is refused by whoever reads it, and takes long to hash.
    let most = FileKind::Hashes.most_bytes();
    let ordinary = std::fs::metadata(path).is_ok_and(|m| m.is_file() && m.len() <= most);
    let (bytes, sha256) = ordinary.then(|| read_into(path, None).ok()).flatten()?;
    Some(InputRecord {
        kind,
        file: name.to_owned(),
        sha256,
        bytes,
    })
}

/// The sidecar beside a recording or, where none lies, the one that a Parquet file holds within.
pub fn sidecar(file: &inputs::InputFile, bytes: &[u8]) -> (Sidecar, Vec<Problem>) {
    let beside = door::is_there(&file.sidecar_path);
    let read = || match parquet::about_itself(bytes, parquet::SIDECAR) {
        Some(text) if !beside => Sidecar::parse(&file.recording, &text),
        _ => Sidecar::read(&file.sidecar_path, &file.sidecar),
    };
    isolated(read).unwrap_or_else(|fault| {
        let name = if beside { &file.sidecar } else { &file.recording };
        (Sidecar::unreadable(), vec![fault.problem(name)])
    })
}

/// The same with the file's bytes read where the sidecar may be within them.
pub fn sidecar_on_disk(file: &inputs::InputFile) -> (Sidecar, Vec<Problem>) {
    let parquet = file
        .path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("parquet"));
    let within = parquet && !door::is_there(&file.sidecar_path);
    let bytes = within
        .then(|| door::read(&file.path, FileKind::Recording).ok())
        .flatten();
    sidecar(file, bytes.as_deref().unwrap_or_default())
}

/// Hash of a file of any size.
///
/// # Errors
/// As the system gives them.
pub fn sha256_of(path: &Path) -> std::io::Result<String> {
    read_into(path, None).map(|(_, sha256)| sha256)
}

/// Size and hash of a file; its bytes go into `buffer` when there is one.
fn read_into(path: &Path, buffer: Option<&mut Vec<u8>>) -> std::io::Result<(u64, String)> {
    let Some(buffer) = buffer else {
        let mut file = door::open(path, FileKind::Streamed)?;
        let mut hash = HashWriter::default();
        let bytes = std::io::copy(&mut file, &mut hash)?;
        return Ok((bytes, hash.finish()));
    };
    door::read_into(path, FileKind::Recording, buffer)?;
    Ok((buffer.len() as u64, sha256_hex(buffer)))
}

impl Job {
    /// Analyses one recording. Whatever is wrong with it is in the outcome, a fault of the program that it brings to
    /// light included.
    pub fn analyse(&self, loaded: Loaded<'_>) -> RecordingOutcome {
        let file = loaded.file;
        let nothing_yet = loaded.outcome(&self.study.root);
        let about = loaded.sidecar.about.clone();
        let mut outcome = isolated(|| self.analyse_sound(loaded)).unwrap_or_else(|fault| {
            let problem = fault.problem(&file.recording);
            let mut outcome = nothing_yet;
            outcome.exclusions.push(whole_file(
                &file.recording,
                ExclusionCause::Unusable(problem.found.clone()),
            ));
            outcome.problems.push(problem);
            outcome.not_looked_at = Some(not_looked_at(&file.recording, &about, LookedAt::Nothing, "a fault of the program"));
            outcome
        });
        let mut refused = Refused {
            problems: &mut outcome.problems,
            refused: &mut outcome.refused_corrections,
        };
        self.refuse_of_other_bytes(file, &outcome.input.sha256, &mut refused);
        outcome
    }

    fn analyse_sound(&self, loaded: Loaded<'_>) -> RecordingOutcome {
        let mut outcome = loaded.outcome(&self.study.root);
        let Loaded {
            file,
            content,
            bytes: _,
            sha256,
            sidecar,
            sidecar_problems: mut problems,
            sidecar_input: _,
        } = loaded;
        if let Some(reason) = &sidecar.about.excluded {
            outcome.exclusions.push(whole_file(
                &file.recording,
                ExclusionCause::Person(reason.clone()),
            ));
        }
        let source = self.source(file, &sidecar);
        let held = content.as_ref().ok().copied();
        let read = if any_error(&problems) {
            Err(None)
        } else {
            content
                .and_then(|content| read_recording_content(&source, self.about(&sidecar), content, sha256))
                .map_err(Some)
        };
        match read {
            Ok(read) => {
                problems.extend(read.problems.iter().cloned());
                outcome.fingerprint = Fingerprint::of(&read.trace);
                let mut planned = Vec::new();
                if sidecar.about.excluded.is_none() {
                    planned = self.measure(file, &read, &sidecar, &mut outcome, &mut problems);
                    self.instrument.finish(&read.calibrated, &mut outcome.tests);
                    if let (Some(record), Some(mat)) = (&read.mat, source.mat()) {
                        mats::finish(&mat, record, &mut outcome.tests, &mut outcome.mats, &mut problems);
                    }
                }
                // What was left out was pressed all the same.
                if let Some(weight_n) = sidecar.known_weight_n {
                    outcome.untold = ceilings::beside_weight(&read.trace, weight_n, &self.settings);
                    problems.extend(untold_problems(&outcome.untold, &self.settings, self.study.hidden()));
                } else {
                    let hidden = self.study.hidden();
                    let (trace, tests) = (&read.trace, &outcome.tests);
                    outcome.untold = untold_forces(trace, tests, &planned, &self.settings);
                    problems.extend(untold_problems(&outcome.untold, &self.settings, hidden));
                    let lone = lone_samples_problem(trace, tests, &planned, &self.settings, hidden);
                    if let Some(detected) = &outcome.detected {
                        let lost =
                            over_as_detected(trace, detected, &planned, tests, &outcome.untold, &self.settings);
                        problems.extend(untold_problems(&lost, &self.settings, hidden));
                        outcome.untold.extend(lost);
                    }
                    outcome.not_looked_at = ceilings::unseen(&read, tests, lone.is_some());
                    problems.extend(lone);
                }
            }
            Err(error) => {
                if let Some(error) = error {
                    problems.push(naming::problem_of(error, &file.recording));
                }
                if sidecar.about.excluded.is_none() {
                    let reason = problems.iter().find(|p| p.severity == Severity::Error);
                    let reason = reason.map_or_else(|| "could not be read".to_owned(), |p| p.found.clone());
                    outcome
                        .exclusions
                        .push(whole_file(&file.recording, ExclusionCause::Unusable(reason)));
                }
                (outcome.untold, outcome.not_looked_at) = ceilings::look_at_refused(self, &source, held);
                problems.extend(untold_problems(&outcome.untold, &self.settings, self.study.hidden()));
            }
        }
        outcome.problems = problems;
        outcome
    }

    pub(super) fn source<'a>(&'a self, file: &'a inputs::InputFile, sidecar: &'a Sidecar) -> RecordingSource<'a> {
        RecordingSource {
            path: &file.path,
            recording: &file.recording,
            sidecar_name: &file.sidecar,
            sidecar,
            study: &self.study,
            calibrations: &self.instrument.calibrations,
            strict: self.strict,
        }
    }

    pub(super) fn about(&self, sidecar: &Sidecar) -> About {
        let site = sidecar.about.site.clone().or_else(|| self.study.site.clone());
        About {
            site,
            ..sidecar.about.clone()
        }
    }

    /// The tests of a recording as they stand, named as the recording is: also where its plan does not fit them.
    ///
    /// # Errors
    /// What is wrong with the recording.
    pub fn tests_without_plan(&self, loaded: Loaded<'_>) -> Result<Vec<Test>, Error> {
        let source = self.source(loaded.file, &loaded.sidecar);
        let about = self.about(&loaded.sidecar);
        let (mut problems, mut not_used) = (Vec::new(), Vec::new());
        let mut refused = Refused {
            problems: &mut problems,
            refused: &mut not_used,
        };
        let corrections = self.corrections_for(loaded.file, &loaded.sha256, &mut refused);
        let read = read_recording_content(&source, about, loaded.content?, loaded.sha256)?;
        let mut found = find_tests(&read.trace, &self.settings)?;
        corrected::apply(&mut found, &corrections, &mut refused);
        let mut names = found.names_of_recording();
        found.rename(&mut names);
        Ok(measure(&found, names))
    }

    /// The conditioned signals of a recording's tests, in their order, with so much around each, in s.
    ///
    /// # Errors
    /// What is wrong with the recording.
    pub fn signals(&self, loaded: Loaded<'_>, around_s: Option<f64>) -> Result<Vec<ConditionedSignals>, Error> {
        let source = self.source(loaded.file, &loaded.sidecar);
        let about = self.about(&loaded.sidecar);
        let sha256 = loaded.sha256.clone();
        let read = read_recording_content(&source, about, loaded.content?, loaded.sha256)?;
        let mut found = find_tests(&read.trace, &self.settings)?;
        // What does not fit was told when the tests were measured.
        let (mut problems, mut not_used) = (Vec::new(), Vec::new());
        let mut refused = Refused {
            problems: &mut problems,
            refused: &mut not_used,
        };
        let corrections = self.corrections_for(loaded.file, &sha256, &mut refused);
        corrected::apply(&mut found, &corrections, &mut refused);
        let left_out = found.left_out();
        let signals = found.signals(around_s).into_iter().zip(left_out);
        Ok(signals.filter(|(_, left_out)| left_out.is_none()).map(|(signals, _)| signals).collect())
    }

    /// Finds and measures the tests; gives the levels of the plan that they were made by.
    fn measure(
        &self,
        file: &inputs::InputFile,
        read: &ReadTrace,
        sidecar: &Sidecar,
        outcome: &mut RecordingOutcome,
        problems: &mut Vec<Problem>,
    ) -> Vec<Level> {
        let recording = &read.trace.recording;
        if let Some(inverted) = &read.inverted {
            let cause = ExclusionCause::Unusable(inverted.found.clone());
            outcome.exclusions.push(whole_file(recording, cause));
            problems.push((**inverted).clone());
            return Vec::new();
        }
        let named = naming::Naming::new(&read.trace, sidecar, &self.study, self.plan.as_ref());
        let named = match named {
            Ok(named) => named,
            Err(problem) => {
                outcome.exclusions.push(whole_file(
                    recording,
                    ExclusionCause::Unusable(problem.found.clone()),
                ));
                problems.push(*problem);
                return Vec::new();
            }
        };
        let mut refused = Refused {
            problems,
            refused: &mut outcome.refused_corrections,
        };
        let corrections = self.corrections_for(file, &outcome.input.sha256, &mut refused);
        let measured = find_tests(&read.trace, &self.settings).and_then(|mut found| {
            let detected = corrections.iter().any(|c| !c.change.is_annotation()).then(|| {
                let names = named.name(&found).unwrap_or_else(|_| found.names_of_recording());
                measure(&found, names)
            });
            corrected::apply(&mut found, &corrections, &mut refused);
            let seen = found.episodes().len();
            let mut names = named.name(&found)?;
            found.rename(&mut names);
            refused.problems.extend(found.pauses());
            refused.problems.extend(found.sensors());
            Ok((measure(&found, names), found.left_out(), detected, found.short_contacts_s(), seen))
        });
        match measured {
            Ok((mut tests, left_out, detected, short, seen)) => {
                outcome.detected = detected;
                problems.extend(given::note(&mut tests, sidecar, seen, &file.sidecar));
                let tests = keep(recording, tests, left_out, &mut outcome.exclusions);
                let tests = self.plausible(recording, tests, outcome, problems);
                outcome.plan = named.plan_used(&tests).or_else(|| sidecar.plan.clone());
                outcome.tests = tests;
                outcome
                    .exclusions
                    .extend(short.into_iter().map(|[begin_s, end_s]| {
                        let cause = ExclusionCause::ShortContact { begin_s, end_s };
                        Exclusion::in_recording(Excluded::Test, recording, cause)
                    }));
            }
            Err(error) => {
                let problem = naming::problem_of(error, recording);
                outcome.exclusions.push(whole_file(
                    recording,
                    ExclusionCause::Unusable(problem.found.clone()),
                ));
                problems.push(problem);
            }
        }
        named.planned_levels(&outcome.tests)
    }
}

/// The tests that no person left out; the others are listed with who and why.
fn keep(
    recording: &str,
    tests: Vec<Test>,
    left_out: Vec<Option<String>>,
    exclusions: &mut Vec<Exclusion>,
) -> Vec<Test> {
    let mut kept = Vec::with_capacity(tests.len());
    for (test, why) in tests.into_iter().zip(left_out) {
        let Some(why) = why else {
            kept.push(test);
            continue;
        };
        exclusions.push(Exclusion {
            test: Some(test.test),
            side: test.side(),
            ..Exclusion::in_recording(Excluded::Test, recording, ExclusionCause::Person(why))
        });
    }
    kept
}

impl Job {
    /// The tests whose numbers can be a spine's; the others are left out and named, as is what makes one doubtful.
    fn plausible(
        &self,
        recording: &str,
        tests: Vec<Test>,
        outcome: &mut RecordingOutcome,
        problems: &mut Vec<Problem>,
    ) -> Vec<Test> {
        let limits = &self.settings.plausible;
        let hidden = self.study.hidden();
        let left_out = |test: &Test| implausible_test(test, limits, hidden);
        let mut kept = Vec::with_capacity(tests.len());
        for test in tests {
            let Some(problem) = left_out(&test) else {
                let ceiling = self.settings.ceiling_at(test.about.levels());
                problems.extend(doubts(&test, Some(&ceiling), hidden));
                kept.push(test);
                continue;
            };
            let cause = ExclusionCause::Unusable(problem.found.clone());
            outcome.exclusions.push(Exclusion::in_recording(Excluded::Test, recording, cause));
            problems.push(problem);
        }
        kept
    }
}

pub(super) fn whole_file(recording: &str, cause: ExclusionCause) -> Exclusion {
    Exclusion::in_recording(Excluded::File, recording, cause)
}
