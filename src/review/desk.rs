//! A study at which somebody corrects: its recordings as they stand, and what they would be with one correction more.

use super::asked::AskedChange;
use super::refusal;
use crate::batch::{Job, Loaded, Options, RecordingOutcome, path_from_root};
use crate::error::{Error, Problem, Result, Severity};
use crate::results::Exclusion;
use crate::study::corrections::{self, By, Change, CorrectedMark, Correction, Corrections, FILE_NAME};
use crate::study::inputs::InputFile;
use crate::terms::Side;
use crate::trace::{ConditionedSignals, Note, Test};
use std::path::{Path, PathBuf};

/// So much is shown around a test, in s, that its contact can be made longer.
const AROUND_S: f64 = 2.0;

/// A study, read once.
pub struct CorrectionDesk {
    root: PathBuf,
    job: Job,
}

impl CorrectionDesk {
    /// Opens a study, with the entries that it has.
    ///
    /// # Errors
    /// As [`Job::prepare`].
    pub fn open(root: &Path) -> Result<CorrectionDesk> {
        let job = Job::prepare(
            std::slice::from_ref(&root.to_owned()),
            &Options {
                thin: true,
                ..Options::default()
            },
        )?;
        Ok(CorrectionDesk {
            root: root.to_owned(),
            job,
        })
    }

    /// The folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The job of it.
    pub fn job(&self) -> &Job {
        &self.job
    }

    /// Whether whoever corrects must see no side and no number yet.
    pub fn hidden(&self) -> bool {
        self.job.hidden
    }

    /// The recordings.
    pub fn files(&self) -> &[InputFile] {
        &self.job.inputs.files
    }

    /// From here on these hold, and nothing that was only tried.
    pub fn take(&mut self, known: &Corrections) {
        self.job.corrections = known.active().into_iter().cloned().collect();
    }

    /// The path by which entries name a recording.
    ///
    /// # Errors
    /// That it lies elsewhere.
    pub fn path_in_study(&self, file: &InputFile) -> Result<String> {
        path_from_root(&self.root, &file.path)
            .ok_or_else(|| refusal("the recording does not lie in the study"))
    }

    /// The recording that was named: by its path, its name in the study, or the last part of that where only one has it.
    ///
    /// # Errors
    /// That there is none, or that several could be meant.
    pub fn recording(&self, given: &Path) -> Result<&InputFile> {
        let on_disk = given.canonicalize().ok();
        let same = |f: &&InputFile| {
            Path::new(&f.recording) == given || on_disk.is_some() && f.path.canonicalize().ok() == on_disk
        };
        if let Some(file) = self.files().iter().find(same) {
            return Ok(file);
        }
        let ends_so = |f: &&InputFile| Path::new(&f.recording).ends_with(given);
        let all: Vec<&InputFile> = self.files().iter().filter(ends_so).collect();
        let advice = "name one as tests.csv does".to_owned();
        let given = given.display();
        match all[..] {
            [one] => Ok(one),
            [] => Err(Error::Refused {
                found: format!("the study has no recording {given}"),
                advice,
            }),
            _ => Err(Error::Refused {
                found: format!("{} recordings of the study are called {given}", all.len()),
                advice,
            }),
        }
    }

    /// A recording as it stands.
    pub fn outcome(&self, file: &InputFile) -> RecordingOutcome {
        let mut outcome = self.analyse(file);
        if outcome.tests.is_empty() {
            // A plan that does not fit what was found is a reason to correct it.
            outcome.tests = self
                .job
                .tests_without_plan(Loaded::read(file, &mut Vec::new()))
                .unwrap_or_default();
        }
        outcome
    }

    /// The conditioned signals of its tests that nobody left out, in their order; none where they cannot be had, as from a mat.
    pub fn signals(&self, file: &InputFile) -> Vec<ConditionedSignals> {
        let mut buffer = Vec::new();
        self.job.signals(Loaded::read(file, &mut buffer), Some(AROUND_S)).unwrap_or_default()
    }

    fn analyse(&self, file: &InputFile) -> RecordingOutcome {
        let mut buffer = Vec::new();
        self.job.analyse(Loaded::read(file, &mut buffer))
    }

    /// One change of one of the `tests` of a recording as it stands. What it then is stands from here on, until
    /// [`CorrectionDesk::take`].
    ///
    /// # Errors
    /// That it cannot be meant, may not be made, or does not fit.
    pub fn try_change(
        &mut self,
        file: &InputFile,
        before: &RecordingOutcome,
        test: &Test,
        asked: &AskedChange,
        number: u32,
        by: By,
    ) -> Result<(Correction, RecordingOutcome)> {
        if self.hidden() && asked.names_place() {
            return Err(refusal(
                "the study is blind: sides and levels are not put right before `tautpoint open`",
            ));
        }
        if let Some(words) = asked.changes_nothing(test) {
            return Err(refusal(words));
        }
        let change = asked.change(test)?;
        let correction = Correction {
            number,
            recording: self.path_in_study(file)?,
            sha256: before.input.sha256.clone(),
            test: test.test,
            at_s: asked.at_s(test),
            side: test.side(),
            change,
            by,
        };
        let after = self.with(file, correction.clone())?;
        Ok((correction, after))
    }

    /// The recording with one more correction.
    fn with(&mut self, file: &InputFile, correction: Correction) -> Result<RecordingOutcome> {
        let number = correction.number;
        let at_s = correction.change.set_at_s();
        let no_spring = match correction.change {
            Change::AddSpring { .. } => Some("no spring can be measured there: no limb rises to it from a rest"),
            Change::Move(CorrectedMark::SpringPeak, _) => Some(
                "no spring can be measured with its peak there: a peak belongs to the upper fifth of a push that rises from a rest",
            ),
            _ => None,
        };
        let usable = !self.analyse(file).tests.is_empty();
        self.job.corrections.push(correction);
        let outcome = self.analyse(file);
        if let Some(refused) = outcome.refused_corrections.iter().find(|r| r.number == number) {
            return Err(refusal(format!("it does not fit: {}", refused.why)));
        }
        let none_there = |n: &Note| match n {
            Note::NoSpringThere { at_s: at } => at_s.is_some_and(|set| (set - at).abs() < 0.05),
            _ => false,
        };
        if let Some(words) = no_spring.filter(|_| outcome.tests.iter().flat_map(|t| &t.notes).any(none_there)) {
            return Err(refusal(words));
        }
        if let (true, Some(problem)) = (usable && outcome.tests.is_empty(), fault_of(&outcome)) {
            let none = "with it no test of the recording could be used";
            // A plan that does not fit would name sides.
            return Err(refusal(match self.hidden() {
                true => none.to_owned(),
                false => format!("{none}: {}", problem.found),
            }));
        }
        Ok(outcome)
    }
}

/// What recordings are called where their names would tell a side: by their order in that of their hashes, and of two alike by name.
/// `hashes` are those of `files`.
pub fn by_hash(files: &[InputFile], hashes: &[String]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..files.len()).collect();
    order.sort_by_key(|i| (&hashes[*i], &files[*i].recording));
    order
}

/// Why a recording gives no test, when nobody left them all out.
fn fault_of(outcome: &RecordingOutcome) -> Option<&Problem> {
    let left_out = outcome.exclusions.iter().any(Exclusion::is_by_person);
    outcome
        .problems
        .iter()
        .find(|p| !left_out && p.severity == Severity::Error && p.file != FILE_NAME)
}

/// The corrections.toml of a study as it is now.
///
/// # Errors
/// That it has a fault.
pub fn known(root: &Path, problems: &mut Vec<Problem>) -> Result<Corrections> {
    let known = corrections::read(root, problems);
    match known.faulty {
        true => Err(Error::Refused {
            found: format!("{FILE_NAME} has a fault"),
            advice: "put it back as it was written; nothing was done".to_owned(),
        }),
        false => Ok(known),
    }
}

/// The one test that could be meant.
///
/// # Errors
/// That there is none, or that several could be meant.
pub fn the_test(outcome: &RecordingOutcome, number: Option<u32>, side: Option<Side>) -> Result<&Test> {
    let meant = |t: &&Test| number.is_none_or(|n| n == t.test) && side.is_none_or(|s| t.side() == Some(s));
    let tests: Vec<&Test> = outcome.tests.iter().filter(meant).collect();
    let listed = |tests: &[&Test]| {
        let side = |t: &&Test| t.side().map_or_else(String::new, |s| format!(" {s}"));
        let one = |t: &&Test| format!("{}{}", t.test, side(t));
        tests.iter().map(one).collect::<Vec<_>>().join(", ")
    };
    match tests[..] {
        [one] => Ok(one),
        [] => {
            let all: Vec<&Test> = outcome.tests.iter().collect();
            let first = outcome.problems.first();
            let first = first.map_or_else(String::new, |p| format!(" ({})", p.found));
            Err(refusal(match all.is_empty() {
                true => format!("no test was found in that recording{first}"),
                false => format!("the recording has no such test; it has {}", listed(&all)),
            }))
        }
        ref several => Err(Error::Refused {
            found: format!("several tests could be meant ({})", listed(several)),
            advice: "name one by --test and --side".to_owned(),
        }),
    }
}

/// That an entry can be taken back.
///
/// # Errors
/// That there is none of that number, or that it is taken back already.
pub fn may_undo(known: &Corrections, number: u32) -> Result<()> {
    let lists = "`tautpoint correct STUDY --list`";
    if !known.entries.iter().any(|e| e.number() == number) {
        return Err(refusal(format!("there is no entry {number} in {FILE_NAME}; {lists} lists them")));
    }
    if !known.holds(number) {
        return Err(refusal(format!("entry {number} is taken back already; {lists} shows by which")));
    }
    Ok(())
}
