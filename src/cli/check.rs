//! `check`: reads and validates, and says of ceilings what an analysis says; writes no results.

use super::analyze::{tell_no_hashes, tell_study};
use super::propose::{Proposed, propose};
use super::{Outcome, progress};
use crate::agreement::spread;
use crate::batch::instrument_context::InstrumentContext;
use crate::batch::{self, parallel_map};
use crate::error::{Error, Problem, Severity};
use crate::fault::isolated;
use crate::format::counted;
use crate::read::calibrations::Calibrations;
use crate::read::recording::{RecordingSource, read_recording};
use crate::read::validity;
use crate::report::{OverCeilings, Whose};
use crate::results::Excluded;
use crate::settings::Settings;
use crate::signal::sensors::as_sensed;
use crate::signal::stretches;
use crate::study::corrections;
use crate::study::estimates;
use crate::study::inputs::{
    InputFile, Inputs, Study, collect_any_in_study, no_recordings, study_of_recordings,
};
use crate::study::sidecar::{Sidecar, any_error};
use crate::study::words::{nearest_code, shown};
use crate::terms::Role;
use crate::trace::About;
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Reads and validates recordings, sidecars, roster, calls and plans, and holds recordings against SHA256SUMS; lists
/// every problem and whatever an analysis would warn of ceilings; writes no results.
///
/// Ends with 0 when nothing is wrong, 1 when something is, 2 when nothing can be used. A push over a ceiling is a result, told first,
/// and changes none of these.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  tautpoint check autumn-term                a study: everything in its folder
  tautpoint check press.csv more/            files and folders
  tautpoint check autumn-term --json         the same list for a program
  tautpoint check export.txt --propose       how another program's file is to be read, for you to read first")]
pub struct CheckArgs {
    /// Recordings, folders of recordings, or a study's folder.
    #[arg(required = true, value_name = "PATH")]
    pub paths: Vec<PathBuf>,
    /// Prints one JSON object: {"problems": [...]}.
    #[arg(long)]
    pub json: bool,
    /// Writes an import profile for recordings of other programs beside them, as NAME.toml.proposed; a person reads it and
    /// puts it in place. Writes over nothing.
    #[arg(long)]
    pub propose: bool,
}

/// What was found about one recording.
struct Checked {
    problems: Vec<Problem>,
    notes: Vec<String>,
    about: About,
    usable: bool,
    /// The file itself cannot be read as it is.
    unreadable: bool,
}

/// Runs the command.
///
/// # Errors
/// A path that is not there, nothing to check, or no recording that can be used (after the list is printed).
pub fn run(args: &CheckArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let inputs = collect_any_in_study(&args.paths)?;
    let above = study_of_recordings(&args.paths);
    tell_study(above.as_deref(), quiet || args.json);
    let roots: Vec<PathBuf> = args.paths.iter().chain(&above).cloned().collect();
    tell_no_hashes(&roots, quiet);
    let mut problems = inputs.problems.clone();
    let mut settings = inputs
        .study
        .as_ref()
        .map_or_else(Settings::default, |s| s.settings.clone());
    let instrument = InstrumentContext::of_study(inputs.study.as_ref(), &mut settings, &mut problems);
    if let Some(study) = &inputs.study {
        problems.extend(spread::read(&study.root.join(spread::FILE_NAME)).1);
    }
    let checked = check_files(&inputs, &instrument.calibrations, quiet || args.json);
    for c in &checked {
        problems.extend(c.problems.iter().cloned());
    }
    if let Some(study) = &inputs.study {
        let abouts: Vec<&About> = checked.iter().map(|c| &c.about).collect();
        if !inputs.part_of_study {
            problems.extend(calls_without_recording(study, &abouts));
            problems.extend(estimates_without_recording(study, &inputs.files));
        }
        problems.extend(batch::registered(study).1);
        let recordings: Vec<PathBuf> = inputs.files.iter().map(|f| f.path.clone()).collect();
        problems.extend(batch::sums::verify(&study.root, &recordings));
    }
    let ceilings = Ceilings::of(&inputs, &checked, quiet || args.json);
    let proposed = match args.propose {
        true => propose(
            inputs
                .files
                .iter()
                .zip(&checked)
                .filter(|(_, c)| c.unreadable)
                .map(|(f, _)| f),
        ),
        false => Proposed::default(),
    };
    let mut text = if args.json {
        let mut object = serde_json::json!({
            "problems": problems,
            "ceilings": { "pushes": ceilings.pushes, "warnings": ceilings.warnings, "notes": ceilings.notes },
        });
        if args.propose {
            let files = proposed.files.iter().map(|f| f.to_string_lossy());
            object["proposed"] = files.collect();
        }
        format!("{}\n", serde_json::to_string_pretty(&object)?)
    } else {
        report(&inputs, &checked, &problems, &ceilings, quiet)
    };
    if !args.json {
        for said in &proposed.said {
            let _ = writeln!(text, "{}", one_line(said));
        }
    }
    say!("{}", &text);
    if !proposed.files.is_empty() {
        return Ok(Outcome::Partly);
    }
    if let (true, Some(folder)) = (checked.is_empty(), inputs.empty.first()) {
        return Err(no_recordings(folder).into());
    }
    let usable = checked.iter().filter(|c| c.usable).count();
    if usable == 0 {
        anyhow::bail!(
            "{} {}, of which none can be used; mend what is listed",
            if checked.len() == 1 {
                "there is"
            } else {
                "there are"
            },
            counted(checked.len(), "recording")
        );
    }
    Ok(if problems.is_empty() && ceilings.warnings.is_empty() {
        Outcome::Done
    } else {
        Outcome::Partly
    })
}

/// What an analysis would say of ceilings, by the analysis itself.
#[derive(Default)]
struct Ceilings {
    /// Pushes over one: a result, and no fault of what was recorded.
    pushes: Vec<String>,
    warnings: Vec<String>,
    notes: Vec<String>,
}

impl Ceilings {
    /// With it, in the notes, the recordings that an analysis leaves out though nothing is wrong with the file.
    fn of(inputs: &Inputs, checked: &[Checked], quiet: bool) -> Ceilings {
        let bar = progress::Bar::new("recordings held against the ceilings", quiet);
        let tell = |done: usize, of: usize| bar.tell(done, of);
        let options = batch::Options {
            thin: true,
            progress: Some(&tell),
            ..batch::Options::default()
        };
        let analysed = batch::run_on(inputs.clone(), &options);
        bar.finish();
        match analysed {
            Ok(results) => {
                let said = OverCeilings::of(&results, Whose::All);
                let sound = inputs.files.iter().zip(checked).filter(|(_, c)| c.usable);
                let sound: BTreeSet<&str> = sound.map(|(file, _)| file.recording.as_str()).collect();
                let left_out = results.exclusions.iter().filter(|e| {
                    e.what == Excluded::File && !e.is_by_person() && sound.contains(e.recording.as_str())
                });
                let corrections = results
                    .problems
                    .iter()
                    .filter(|p| p.file == corrections::FILE_NAME);
                let corrections: Vec<String> = corrections.map(ToString::to_string).collect();
                let left_out =
                    left_out.map(|e| format!("an analysis leaves out {}: {}", e.recording, e.cause));
                Ceilings {
                    pushes: said.told(),
                    warnings: said.warnings().into_iter().chain(corrections).collect(),
                    notes: said.notes().into_iter().chain(left_out).collect(),
                }
            }
            // What is wrong with the study stands among the problems.
            Err(_) if inputs.files.is_empty() => Ceilings::default(),
            Err(_) => Ceilings {
                warnings: vec![format!(
                    "{} could not be looked at for ceilings: the settings of study.toml cannot be read",
                    counted(inputs.files.len(), "recording")
                )],
                ..Ceilings::default()
            },
        }
    }
}

/// Checks every file, in parallel; the order stays that of the inputs.
fn check_files(inputs: &Inputs, calibrations: &Calibrations, quiet: bool) -> Vec<Checked> {
    let bar = progress::Bar::new("recordings", quiet);
    let done = AtomicUsize::new(0);
    let checked = parallel_map(
        &inputs.files,
        || (),
        |(), file| {
            let checked = isolated(|| check_file(file, inputs.study.as_ref(), calibrations));
            let checked = checked.unwrap_or_else(|fault| Checked {
                problems: vec![fault.problem(&file.recording)],
                notes: Vec::new(),
                about: About::default(),
                usable: false,
                unreadable: false,
            });
            bar.tell(done.fetch_add(1, Ordering::Relaxed) + 1, inputs.files.len());
            checked
        },
    );
    bar.finish();
    checked
}

fn check_file(file: &InputFile, study: Option<&Study>, calibrations: &Calibrations) -> Checked {
    let (sidecar, mut problems) = batch::sidecar_on_disk(file);
    if let Some(study) = study {
        problems.extend(unknown_codes(file, &sidecar, study));
        problems.extend(unknown_plan(file, &sidecar, study));
    }
    let sidecar_usable = !any_error(&problems);
    let mut notes = Vec::new();
    let mut unread = false;
    if sidecar.mat.is_some() || !sidecar.mat_named {
        let none = Study::default();
        let source = RecordingSource {
            path: &file.path,
            recording: &file.recording,
            sidecar_name: &file.sidecar,
            sidecar: &sidecar,
            study: study.unwrap_or(&none),
            calibrations,
            strict: false,
        };
        match read_recording(&source, sidecar.about.clone()) {
            Ok(read) => {
                problems.extend(read.problems);
                if sidecar.about.excluded.is_none() {
                    problems.extend(read.inverted.map(|problem| *problem));
                }
                problems.extend(validity::validity(&read.trace));
                problems.extend(stretches::describe(&read.trace, &[]));
                match as_sensed(Cow::Borrowed(&read.trace)) {
                    Ok(sensed) => problems.extend(sensed.problems),
                    Err(problem) => problems.push(problem),
                }
                notes = read.trace.notes;
            }
            Err(Error::Data(problem)) => {
                // A mat's and a file that has a profile are not told by their looks.
                unread = source.mat().is_none() && source.mapping().import.is_none();
                problems.push(*problem);
            }
            Err(other) => problems.push(unreadable(file, &other)),
        }
    }
    let usable = sidecar_usable && !any_error(&problems);
    Checked {
        problems,
        notes,
        about: sidecar.about,
        usable,
        unreadable: unread,
    }
}

fn unreadable(file: &InputFile, error: &Error) -> Problem {
    let why = match error {
        Error::Io { cause, .. } => cause.to_string(),
        other => other.to_string(),
    };
    Problem::error(
        &file.recording,
        format!("a file that cannot be read ({})", shown(&why)),
        "a readable file",
        "check its permissions",
    )
}

/// Codes in a sidecar that the roster does not know.
fn unknown_codes(file: &InputFile, sidecar: &Sidecar, study: &Study) -> Vec<Problem> {
    let mut problems = Vec::new();
    for (role, code) in [
        (Role::Subject, &sidecar.about.subject),
        (Role::Examiner, &sidecar.about.examiner),
    ] {
        let known: Vec<&str> = study.roster.codes(role).collect();
        let Some(code) = code else { continue };
        if known.is_empty() || known.contains(&code.as_str()) {
            continue;
        }
        let advice = match nearest_code(code, known.iter().copied()) {
            Some(near) => format!(
                "write {} if that is meant, or add the code to roster.csv",
                shown(near)
            ),
            None => "add the code to roster.csv".to_owned(),
        };
        problems.push(
            Problem::warning(
                &file.sidecar,
                shown(code),
                format!("a code of the roster with the role {role}"),
                advice,
            )
            .in_column(role.word()),
        );
    }
    problems
}

fn unknown_plan(file: &InputFile, sidecar: &Sidecar, study: &Study) -> Option<Problem> {
    let name = sidecar.plan.as_ref()?;
    match study.plan(name) {
        Some(_) => None,
        None => Some(study.no_plan(name, &file.sidecar).in_column("plan")),
    }
}

/// Recordings that estimates.csv names and the study has not, each once.
fn estimates_without_recording(study: &Study, files: &[InputFile]) -> Vec<Problem> {
    let there: BTreeSet<&str> = files.iter().map(|f| f.recording.as_str()).collect();
    let named: BTreeSet<&str> = study.estimates.iter().map(|e| e.recording.as_str()).collect();
    let missing = named.difference(&there).map(|recording| {
        Problem::warning(
            estimates::FILE_NAME,
            format!("estimates of {}", shown(recording)),
            "a recording of the study, by its path in it",
            "correct the path, or add the recording; the estimates are not used",
        )
    });
    missing.collect()
}

/// Calls of a subject, examiner and session that no recording is about.
fn calls_without_recording(study: &Study, abouts: &[&About]) -> Vec<Problem> {
    let recorded: BTreeSet<(&str, &str, &str)> = abouts
        .iter()
        .filter_map(|a| {
            Some((
                a.subject.as_deref()?,
                a.examiner.as_deref()?,
                a.session.as_deref()?,
            ))
        })
        .collect();
    let mut named = BTreeSet::new();
    let mut problems = Vec::new();
    for call in &study.calls {
        let key = (
            call.subject.as_str(),
            call.examiner.as_str(),
            call.session.as_str(),
        );
        if recorded.contains(&key) || !named.insert(key) {
            continue;
        }
        problems.push(Problem::warning(
            "calls.csv",
            format!(
                "calls for subject {}, examiner {}, session {}",
                shown(key.0),
                shown(key.1),
                shown(key.2)
            ),
            "a recording of the same subject, examiner and session",
            "correct the codes here or in the sidecars, or add the recording",
        ));
    }
    problems
}

fn report(
    inputs: &Inputs,
    checked: &[Checked],
    problems: &[Problem],
    ceilings: &Ceilings,
    quiet: bool,
) -> String {
    let mut text = String::new();
    for push in &ceilings.pushes {
        let _ = writeln!(text, "over the ceiling: {}", one_line(push));
    }
    for warning in &ceilings.warnings {
        let _ = writeln!(text, "warning: {}", one_line(warning));
    }
    for problem in problems {
        let word = match problem.severity {
            Severity::Warning => "warning",
            Severity::Error => "error",
        };
        let _ = writeln!(text, "{word}: {}", one_line(&problem.to_string()));
    }
    if quiet {
        return text;
    }
    for (file, c) in inputs.files.iter().zip(checked) {
        for note in &c.notes {
            let _ = writeln!(text, "note: {}: {}", one_line(&file.recording), one_line(note));
        }
    }
    for note in &ceilings.notes {
        let _ = writeln!(text, "note: {}", one_line(note));
    }
    let errors = problems.iter().filter(|p| p.severity == Severity::Error).count();
    let usable = checked.iter().filter(|c| c.usable).count();
    let _ = writeln!(
        text,
        "{} read, {usable} of them usable; {}, {}",
        counted(checked.len(), "recording"),
        counted(errors, "error"),
        counted(problems.len() - errors + ceilings.warnings.len(), "warning")
    );
    text
}

/// File names may hold control signs, which must not reach a terminal.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect()
}
