//! Paths to results: read, analyse every recording on all cores, compare, and look at technique.

mod bench;
mod mats;
mod naming;
pub mod reference;
pub mod output;
pub mod sums;

use crate::agreement::registered::{Registered, settings_hash};
use crate::agreement::spread;
use crate::compare::{CompareContext, compare};
use crate::error::{Error, Problem, Result, Severity};
use crate::mat::MatTest;
use crate::read::recording::{Source, read_recording};
use crate::read::{ReadTrace, sha256_hex};
use crate::report::{Exclusion, InputFile, Results, spring_exclusions};
use crate::settings::Settings;
use crate::signal::{self, Measured};
use crate::study::inputs::{self, Inputs, Study};
use crate::study::opened;
use crate::study::plan::Plan;
use crate::study::sidecar::{Sidecar, any_error};
use crate::study::study_file;
use crate::technique::{PlanCoverage, PlanStep, ScanKey, remarks};
use crate::trace::Test;
use bench::Bench;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// What the caller may set besides the paths.
#[derive(Default)]
pub struct Options<'a> {
    /// Settings given on the command line, by dotted key; they win over study.toml.
    pub overrides: Vec<(&'static str, f64, String)>,
    /// Plan to match continuous recordings with, when they name none.
    pub plan: Option<Plan>,
    /// A calibration that is expired or another sensor's is an error instead of a warning on every result.
    pub strict: bool,
    /// Told of each recording done: how many so far, of how many.
    pub progress: Option<&'a (dyn Fn(usize, usize) + Sync)>,
    /// Leaves the values of a blind study in, with [`Results::blinded`] set: for agreement, which needs them and must
    /// not tell them.
    pub keep_hidden: bool,
}

/// What one recording gave.
struct Outcome {
    tests: Vec<Test>,
    /// Those on a pressure mat as their figures need them.
    mats: Vec<MatTest>,
    /// Name of the plan its tests were matched with.
    plan: Option<String>,
    problems: Vec<Problem>,
    exclusions: Vec<Exclusion>,
    input: InputFile,
}

/// Runs the whole analysis. The results do not depend on the number of cores or the order of the paths.
///
/// # Errors
/// When nothing can be done at all: a path that is not there, no recordings, a study.toml with an error. Faults of
/// single recordings are in [`Results::problems`].
pub fn run(paths: &[PathBuf], options: &Options) -> Result<Results> {
    let mut inputs = inputs::collect(paths)?;
    let study = inputs.study.clone().unwrap_or_default();
    if study.faulty {
        return Err(Error::Refused {
            found: first_error(&inputs.problems),
            advice: "mend study.toml first: nothing was analysed".to_owned(),
        });
    }
    let (mut settings, mut sources) = settings(&study, options)?;
    let bench = Bench::of_study(
        inputs.study.as_ref(),
        &mut settings,
        &mut sources,
        &mut inputs.problems,
    );
    let outcomes = analyse_all(&inputs, &study, &settings, &bench, options);
    let hidden = study.hidden() || opened::any_hidden(inputs.files.iter().map(|f| f.path.as_path()));
    let mut results = gather(inputs, study, settings, sources, outcomes, options.plan.as_ref());
    match (hidden, options.keep_hidden) {
        (true, false) => results.hide_sides(),
        (hidden, _) => results.blinded = hidden,
    }
    Ok(results)
}

fn first_error(problems: &[Problem]) -> String {
    let first = problems.iter().find(|p| p.severity == Severity::Error);
    first.map_or_else(|| "study.toml has an error".to_owned(), ToString::to_string)
}

/// The study's settings with the command line's on top, checked.
fn settings(study: &Study, options: &Options) -> Result<(Settings, Vec<(String, String)>)> {
    let mut settings = study.settings.clone();
    let mut sources = study.setting_sources.clone();
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
        sources.push(((*key).to_owned(), option.clone()));
    }
    settings.check()?;
    Ok((settings, sources))
}

fn analyse_all(
    inputs: &Inputs,
    study: &Study,
    settings: &Settings,
    bench: &Bench,
    options: &Options,
) -> Vec<Outcome> {
    let total = inputs.files.len();
    let done = std::sync::atomic::AtomicUsize::new(0);
    inputs
        .files
        .par_iter()
        .map(|file| {
            let outcome = one_recording(file, study, settings, bench, options);
            let so_far = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1;
            if let Some(tell) = options.progress {
                tell(so_far, total);
            }
            outcome
        })
        .collect()
}

fn one_recording(
    file: &inputs::InputFile,
    study: &Study,
    settings: &Settings,
    bench: &Bench,
    options: &Options,
) -> Outcome {
    let (sidecar, mut problems) = Sidecar::read(&file.sidecar_path, &file.sidecar);
    let mut outcome = Outcome {
        tests: Vec::new(),
        mats: Vec::new(),
        plan: None,
        problems: Vec::new(),
        exclusions: Vec::new(),
        input: InputFile {
            file: file.recording.clone(),
            sha256: String::new(),
            bytes: 0,
        },
    };
    if let Some(reason) = &sidecar.about.excluded {
        outcome
            .exclusions
            .push(whole_file(&file.recording, "person", reason));
    }
    let mut about = sidecar.about.clone();
    about.site = about.site.or_else(|| study.site.clone());
    let source = Source {
        path: &file.path,
        recording: &file.recording,
        sidecar_name: &file.sidecar,
        sidecar: &sidecar,
        study,
        calibrations: &bench.calibrations,
        strict: options.strict,
    };
    let read = if any_error(&problems) {
        Err(None)
    } else {
        read_recording(&source, about).map_err(Some)
    };
    match read {
        Ok(read) => {
            outcome.input.sha256 = read.sha256.clone();
            outcome.input.bytes = read.bytes;
            problems.extend(read.problems.iter().cloned());
            if sidecar.about.excluded.is_none() {
                measure(
                    &read,
                    &sidecar,
                    study,
                    settings,
                    options,
                    &mut outcome,
                    &mut problems,
                );
                bench.finish(&read.calibrated, &mut outcome.tests);
                if let (Some(record), Some(mat)) = (&read.mat, source.mat()) {
                    mats::finish(&mat, record, &mut outcome.tests, &mut outcome.mats, &mut problems);
                }
            }
        }
        Err(error) => {
            if let Ok(bytes) = std::fs::read(&file.path) {
                outcome.input.sha256 = sha256_hex(&bytes);
                outcome.input.bytes = bytes.len() as u64;
            }
            if let Some(error) = error {
                problems.push(naming::problem_of(error, &file.recording));
            }
            if sidecar.about.excluded.is_none() {
                let reason = problems.iter().find(|p| p.severity == Severity::Error);
                let reason = reason.map_or_else(|| "could not be read".to_owned(), |p| p.found.clone());
                outcome
                    .exclusions
                    .push(whole_file(&file.recording, "rule", &reason));
            }
        }
    }
    outcome.problems = problems;
    outcome
}

fn measure(
    read: &ReadTrace,
    sidecar: &Sidecar,
    study: &Study,
    settings: &Settings,
    options: &Options,
    outcome: &mut Outcome,
    problems: &mut Vec<Problem>,
) {
    let recording = &read.trace.recording;
    let named = naming::Naming::new(&read.trace, sidecar, study, options.plan.as_ref());
    let named = match named {
        Ok(named) => named,
        Err(problem) => {
            outcome
                .exclusions
                .push(whole_file(recording, "rule", &problem.found));
            problems.push(*problem);
            return;
        }
    };
    match signal::analyze(&read.trace, settings, &|shapes| named.name(shapes)) {
        Ok(Measured { tests, bumps }) => {
            outcome.plan = named.plan_used(&tests).or_else(|| sidecar.plan.clone());
            outcome.tests = tests;
            for [begin, end] in bumps {
                outcome.exclusions.push(Exclusion {
                    recording: recording.clone(),
                    test: None,
                    side: None,
                    spring: None,
                    what: "test",
                    by: "rule",
                    reason: format!(
                        "a touch of {:.2} s at {begin:.2} s is too short to be a test",
                        end - begin
                    ),
                });
            }
        }
        Err(error) => {
            let problem = naming::problem_of(error, recording);
            outcome
                .exclusions
                .push(whole_file(recording, "rule", &problem.found));
            problems.push(problem);
        }
    }
}

fn whole_file(recording: &str, by: &'static str, reason: &str) -> Exclusion {
    Exclusion {
        recording: recording.to_owned(),
        test: None,
        side: None,
        spring: None,
        what: "file",
        by,
        reason: reason.to_owned(),
    }
}

fn gather(
    inputs: Inputs,
    study: Study,
    settings: Settings,
    setting_sources: Vec<(String, String)>,
    outcomes: Vec<Outcome>,
    given: Option<&Plan>,
) -> Results {
    let mut results = Results {
        title: study.title.clone(),
        site: study.site.clone(),
        ethics_ref: study.ethics_ref.clone(),
        settings,
        setting_sources,
        problems: inputs.problems,
        recordings_given: Some(inputs.files.len()),
        ..Results::default()
    };
    good_practice(&inputs.files, &study, &outcomes, &mut results);
    let mut plans: BTreeMap<ScanKey, Plan> = BTreeMap::new();
    for outcome in outcomes {
        let plan = outcome
            .plan
            .as_deref()
            .and_then(|name| {
                study
                    .plan(name)
                    .or_else(|| given.filter(|p| p.name == name).cloned())
            })
            .or_else(|| study.default_plan.clone());
        if let Some(plan) = plan {
            for test in &outcome.tests {
                plans.entry(ScanKey::of(test)).or_insert_with(|| plan.clone());
            }
        }
        results.tests.extend(outcome.tests);
        results.mats.extend(outcome.mats);
        results.problems.extend(outcome.problems);
        results.exclusions.extend(outcome.exclusions);
        results.inputs.push(outcome.input);
    }
    naming::number_trials(&mut results.tests);
    // Without a study there is no root, and a file of that name in the working folder is nobody's.
    let (own_spread, problems) = match study.root.as_os_str().is_empty() {
        true => (None, Vec::new()),
        false => spread::read(&study.root.join(spread::FILE_NAME)),
    };
    results.problems.extend(problems);
    let context = CompareContext {
        settings: &results.settings,
        calls: &study.calls,
        agreement: own_spread.as_ref(),
    };
    let comparison = compare(&results.tests, &context);
    let coverage: Vec<PlanCoverage> = plans
        .into_iter()
        .map(|(scan, plan)| coverage(scan, &plan))
        .collect();
    results.remarks = remarks(&results.tests, &coverage, &results.settings);
    results.reference = reference::reference(&study, &results.tests);
    results.plans = coverage;
    results.findings = comparison.findings;
    results.unpaired = comparison.unpaired;
    results.exclusions.extend(spring_exclusions(&results.tests));
    results
}

/// How the settings stand to those registered and to those of the opening, and which recordings changed.
fn good_practice(files: &[inputs::InputFile], study: &Study, outcomes: &[Outcome], results: &mut Results) {
    if study.root.as_os_str().is_empty() {
        return;
    }
    let (registered, problems) = registered(study);
    results.problems.extend(problems);
    results.registration = registered.map(|r| r.against(&results.settings));
    if let Some(opened) = study.opened.as_ref().filter(|_| study.blind) {
        results.opened = Some(opened.date.clone());
        if opened.settings_sha256 != settings_hash(&results.settings) {
            results.problems.push(Problem::warning(
                opened::FILE_NAME,
                "settings that were changed after the study was opened",
                "the settings of the opening",
                "say so where these results are used, or set back what was changed",
            ));
        }
    }
    let hashed = files.iter().zip(outcomes);
    let hashed: Vec<(&std::path::Path, &str)> = hashed
        .map(|(f, o)| (f.path.as_path(), o.input.sha256.as_str()))
        .collect();
    results.problems.extend(sums::changed(&study.root, &hashed));
}

/// The settings that an analysis of this study uses when the command line sets none: those of study.toml, and what
/// instrument.toml gives.
pub fn settings_in_use(study: &Study) -> Settings {
    let (mut settings, mut sources) = (study.settings.clone(), study.setting_sources.clone());
    Bench::of_study(Some(study), &mut settings, &mut sources, &mut Vec::new());
    settings
}

/// What a study registered, read from its study.toml, and what is wrong with it.
pub fn registered(study: &Study) -> (Option<Registered>, Vec<Problem>) {
    // What study.toml itself lacks was told when the study was read.
    match std::fs::read_to_string(study.root.join(study_file::FILE_NAME)) {
        Ok(text) => Registered::parse(study_file::FILE_NAME, &text),
        Err(_) => (None, Vec::new()),
    }
}

fn coverage(scan: ScanKey, plan: &Plan) -> PlanCoverage {
    let steps = plan.ordered().into_iter();
    let steps = steps
        .map(|(_, s)| PlanStep {
            level: s.level.clone(),
            side: s.side.word().to_owned(),
        })
        .collect();
    PlanCoverage {
        plan: plan.name.clone(),
        scan,
        steps,
    }
}
