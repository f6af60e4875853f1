//! Paths to results: read, analyse every recording on all cores, compare, and look at technique.

mod aggregate;
mod ceilings;
mod copies;
mod corrected;
mod correctors;
mod fingerprint;
mod folder_run;
mod given;
pub mod instrument_context;
mod mats;
mod naming;
mod parallel;
mod recording;
mod saved_curves;
mod study_files;
mod units_apart;
pub(crate) mod records;
pub use sums::path_from_root;
pub mod reference;
pub mod sums;

pub use aggregate::aggregate;
pub use corrected::RefusedCorrection;
pub use correctors::corrector_tests;
pub(crate) use folder_run::FolderRun;
pub use folder_run::{Earlier, WriteResults, analyze_into};
pub use parallel::parallel_map;
pub use recording::{Loaded, RecordingOutcome, sha256_of, sidecar, sidecar_on_disk};
pub use saved_curves::SavedCurves;
pub use study_files::{given_plan, study_files};

use crate::study::door::{self, FileKind};
use crate::agreement::registered::Registered;
use crate::error::{Error, Problem, Result, Severity};
use crate::results::{InputRecord, Results};
use crate::settings::Settings;
use crate::study::inputs::{self, Inputs, Study};
use crate::study::corrections::{self, Correction, Corrections};
use crate::study::opened;
use crate::study::plan::Plan;
use crate::study::study_file;
use instrument_context::InstrumentContext;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// What the caller may set besides the paths.
#[derive(Default)]
pub struct Options<'a> {
    /// Settings given on the command line, by dotted key; they win over study.toml.
    pub overrides: Vec<(&'static str, f64, String)>,
    /// Settings given by the caller in the way of study.toml, and who that is; they win over study.toml's.
    pub settings: Option<(String, &'static str)>,
    /// Plan to match continuous recordings with, when they name none.
    pub plan: Option<Plan>,
    /// The file of that plan, when it is none of the study's.
    pub plan_file: Option<InputRecord>,
    /// A calibration that is expired or another sensor's is an error instead of a warning on every result.
    pub strict: bool,
    /// Told of each recording done: how many so far, of how many.
    pub progress: Option<&'a (dyn Fn(usize, usize) + Sync)>,
    /// The work ends with the recordings in hand once this is set.
    pub stop: Option<&'a AtomicBool>,
    /// Leaves the values of a blind study in, with [`Results::blinded`] set: for agreement, which needs them and must
    /// not tell them.
    pub keep_hidden: bool,
    /// Nothing of an earlier run into the same folder, cut short, is used.
    pub fresh: bool,
    /// Leaves out what people put right.
    pub as_detected: bool,
    /// Leaves out the curves that figures of tests are drawn from: for results that nobody draws.
    pub thin: bool,
}

impl Options<'_> {
    fn stopped(&self) -> bool {
        self.stop.is_some_and(|stop| stop.load(Ordering::Relaxed))
    }

    fn tell(&self, done: usize, of: usize) {
        if let Some(tell) = self.progress {
            tell(done, of);
        }
    }
}

/// Everything that is settled before the first recording is read.
pub struct Job {
    pub inputs: Inputs,
    pub study: Study,
    pub settings: Settings,
    /// Plan to match continuous recordings with, when they name none.
    pub plan: Option<Plan>,
    pub strict: bool,
    /// Whether a recording lies in a blind study that is not opened.
    pub hidden: bool,
    /// What is read besides recordings and their sidecars.
    pub beside: Vec<InputRecord>,
    /// What people put right and holds, in its order.
    pub corrections: Vec<Correction>,
    /// They are there and left out.
    pub as_detected: bool,
    /// They are there and cannot be read.
    pub corrections_faulty: bool,
    instrument: InstrumentContext,
}

impl Job {
    /// Collects the recordings and reads what stands beside them.
    ///
    /// # Errors
    /// When nothing can be done at all: a path that is not there, no recordings, a study.toml with an error.
    pub fn prepare(paths: &[PathBuf], options: &Options) -> Result<Job> {
        Job::of(inputs::collect_in_study(paths)?, options)
    }

    /// The same for inputs that are collected already.
    ///
    /// # Errors
    /// A study.toml with an error, or a setting that cannot be meant.
    pub fn of(mut inputs: Inputs, options: &Options) -> Result<Job> {
        let study = inputs.study.clone().unwrap_or_default();
        if study.faulty {
            return Err(Error::Refused {
                found: first_error(&inputs.problems),
                advice: "mend study.toml first: nothing was analysed".to_owned(),
            });
        }
        let mut settings = settings(&study, options)?;
        let instrument = InstrumentContext::of_study(
            inputs.study.as_ref(),
            &mut settings,
            &mut inputs.problems,
        );
        let own = inputs.study.as_ref().map(|s| study_files::inputs(&s.root));
        let beside = own.into_iter().flatten().chain(options.plan_file.clone()).collect();
        let own_root = inputs.study.as_ref().map(|s| s.root.clone()).filter(|r| !r.as_os_str().is_empty());
        let all = own_root.map_or_else(Corrections::default, |root| corrections::read(&root, &mut inputs.problems));
        let corrections: Vec<Correction> = all.active().into_iter().cloned().collect();
        let hidden = study.hidden() || opened::any_hidden(inputs.files.iter().map(|f| f.path.as_path()));
        Ok(Job {
            inputs,
            study,
            settings,
            plan: options.plan.clone(),
            strict: options.strict,
            hidden,
            beside,
            corrections,
            as_detected: options.as_detected,
            corrections_faulty: all.faulty,
            instrument,
        })
    }

    /// Everything that the outcome of a recording depends on, besides the recording and its sidecar, as one text: when it
    /// changes, every recording is analysed anew.
    pub fn context(&self) -> String {
        format!(
            "{:?}",
            (
                records::header("context"),
                &self.settings,
                &self.study.site,
                &self.study.calibrations,
                &self.study.sensors,
                (&self.study.gains, &self.study.import),
                &self.study.default_plan,
                &self.study.plans,
                &self.plan,
                self.strict,
                &self.instrument,
                (self.as_detected, self.corrections_faulty),
            )
        )
    }
}

/// Runs the whole analysis. The results do not depend on the number of cores or the order of the paths.
///
/// # Errors
/// As [`Job::prepare`]. Faults of single recordings are in [`Results::problems`].
pub fn run(paths: &[PathBuf], options: &Options) -> Result<Results> {
    run_on(inputs::collect_in_study(paths)?, options)
}

/// The same for inputs that are collected already.
///
/// # Errors
/// As [`Job::of`].
pub fn run_on(inputs: Inputs, options: &Options) -> Result<Results> {
    run_job(&Job::of(inputs, options)?, options)
}

/// The same for a job that is settled already.
///
/// # Errors
/// [`Error::Refused`] when it was stopped.
pub fn run_job(job: &Job, options: &Options) -> Result<Results> {
    let done = AtomicUsize::new(0);
    let total = job.inputs.files.len();
    let outcomes = parallel_map(&job.inputs.files, Vec::new, |buffer, file| {
        if options.stopped() {
            return None;
        }
        let mut outcome = job.analyse(Loaded::read(file, buffer));
        if options.thin {
            outcome.drop_curves();
        }
        options.tell(done.fetch_add(1, Ordering::Relaxed) + 1, total);
        Some(outcome)
    });
    let outcomes: Option<Vec<RecordingOutcome>> = outcomes.into_iter().collect();
    let outcomes = outcomes.ok_or_else(|| Error::Refused {
        found: "the analysis was stopped".to_owned(),
        advice: "run it again: nothing was written".to_owned(),
    })?;
    Ok(aggregate(job, total, outcomes, options.keep_hidden))
}

fn first_error(problems: &[Problem]) -> String {
    let first = problems.iter().find(|p| p.severity == Severity::Error);
    first.map_or_else(|| "study.toml has an error".to_owned(), ToString::to_string)
}

/// Settings that the command line can change.
pub const OVERRIDES: [&str; 2] = ["filter.low_pass_hz", "compare.threshold_percent"];

/// The study's settings with the command line's on top, checked.
fn settings(study: &Study, options: &Options) -> Result<Settings> {
    let mut settings = study.settings.clone();
    if let Some((text, source)) = &options.settings {
        settings = study_file::settings_over(&settings, text, source).map_err(|problems| {
            let first = problems.into_iter().next();
            first.map_or_else(|| Error::unreadable(source, std::io::ErrorKind::InvalidData.into()), Error::from)
        })?;
    }
    for (key, value, option) in &options.overrides {
        match *key {
            "filter.low_pass_hz" => settings.filter.low_pass_hz = *value,
            "compare.threshold_percent" => settings.compare.threshold_percent = *value,
            other => {
                return Err(Error::Setting {
                    what: option.clone(),
                    found: other.to_owned(),
                    expected: "a setting that the command line can change".to_owned(),
                });
            }
        }
        settings.set_in.push(((*key).to_owned(), option.clone()));
    }
    settings.check()?;
    Ok(settings)
}

/// The settings that an analysis of this study uses when the command line sets none: those of study.toml, and what
/// instrument.toml gives.
pub fn settings_in_use(study: &Study) -> Settings {
    let mut settings = study.settings.clone();
    InstrumentContext::of_study(Some(study), &mut settings, &mut Vec::new());
    settings
}

/// What a study registered, read from its study.toml, and what is wrong with it.
pub fn registered(study: &Study) -> (Option<Registered>, Vec<Problem>) {
    // What study.toml itself lacks was told when the study was read.
    match door::read_to_string(&study.root.join(study_file::FILE_NAME), FileKind::Settings) {
        Ok(text) => Registered::parse(study_file::FILE_NAME, &text),
        Err(_) => (None, Vec::new()),
    }
}
