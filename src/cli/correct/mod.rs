//! `correct`: puts right by hand what the program marked, as entries of corrections.toml.

mod append;
mod change;
mod shown;

use super::Outcome;
use super::open::sound_study;
use crate::batch::{Job, Loaded, Options, RecordingOutcome, path_from_root};
use crate::error::{Problem, Severity};
use crate::results::Exclusion;
use crate::study::codes::code_warning;
use crate::study::corrections::{
    self, By, Change, CorrectedMark, Correction, CorrectionEntry, Corrections, FILE_NAME,
};
use crate::study::inputs::InputFile;
use crate::terms::{ChangeWord, Side, now};
use crate::trace::{Note, Test};
use anyhow::{Context, bail};
use std::path::{Path, PathBuf};

/// Puts right by hand what was marked wrong: a contact, a spring, a side, a level, where the onset may lie.
///
/// Adds an entry to corrections.toml in the study; recordings stay as they are. From then on `analyze` uses it, marks every number
/// that rests on it, and says so in the report. `analyze --as-detected` leaves all entries out. A finding of a force over the
/// ceiling stays, whatever is corrected.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint correct autumn-term s1-l3.csv --test 2 --contact-begin 3.21 --who E1 --why \"cable touched first\"
  tautpoint correct autumn-term s1-l3.csv --test 2 --spring 3 --remove --who E1 --why \"the table moved\"
  tautpoint correct autumn-term s1-l3.csv --test 2 --onset-within 2.0 4.5 --who E1 --why \"skin slid until 2 mm\"
  tautpoint correct autumn-term s1-l3.csv --test 2 --annotate coughed --at 5.4 --who E1
  tautpoint correct autumn-term --undo 4 --who E1 --why \"it was right before\"
  tautpoint correct autumn-term --list

Times are the recording's own seconds, displacements its millimetres, as `springs.csv` and the figures show them.")]
pub struct CorrectArgs {
    /// The study: a folder with study.toml.
    #[arg(value_name = "STUDY")]
    study: PathBuf,
    /// The recording: its name in the study, or its path.
    #[arg(value_name = "RECORDING", required_unless_present_any = ["undo", "list"])]
    recording: Option<PathBuf>,
    /// Number of the test, as tests.csv has it; needed where the recording has several.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    test: Option<u32>,
    /// The side, where both hands were on.
    #[arg(long, value_name = "SIDE", value_parser = side)]
    side: Option<Side>,
    #[command(flatten)]
    change: change::ChangeArgs,
    /// Takes entry N back, by an entry of its own.
    #[arg(long, value_name = "N", group = "what", conflicts_with = "recording")]
    undo: Option<u32>,
    /// Lists the entries and whether they hold.
    #[arg(long, group = "what", conflicts_with_all = ["recording", "who", "why", "dry_run"])]
    list: bool,
    /// Code of whoever corrects.
    #[arg(long, value_name = "CODE", required_unless_present = "list")]
    who: Option<String>,
    /// The reason, for whoever reads the results.
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
    /// Shows what would change, and writes nothing.
    #[arg(long)]
    dry_run: bool,
}

fn side(text: &str) -> Result<Side, String> {
    Side::parse(text).ok_or_else(|| "expected left, right or midline".to_owned())
}

/// Runs the command.
///
/// # Errors
/// No study, no such recording or test, a correction that does not fit, or a file that cannot be written.
pub fn run(args: &CorrectArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let study = sound_study(&args.study)?;
    let mut problems = Vec::new();
    let known = corrections::read(&args.study, &mut problems);
    for problem in &problems {
        note!("{}: {problem}", super::analyze::word(problem.severity));
    }
    if known.faulty {
        bail!("{FILE_NAME} has a fault: put it back as it was written; nothing was done");
    }
    if args.list {
        shown::list(&known);
        return Ok(Outcome::Done);
    }
    if let Some(undone) = args.undo {
        return undo(args, &known, undone, quiet);
    }
    let job = Job::prepare(
        std::slice::from_ref(&args.study),
        &Options {
            thin: true,
            ..Options::default()
        },
    )?;
    let hidden = study.hidden();
    let file = recording_of(&job, args)?;
    let mut before = analyse(&job, file);
    if before.tests.is_empty() {
        // A plan that does not fit what was found is a reason to correct it.
        before.tests = job
            .tests_without_plan(Loaded::read(file, &mut Vec::new()))
            .unwrap_or_default();
    }
    let test = the_test(&before, args)?;
    let change = args.change.change(test)?;
    if hidden && change.names_place() {
        bail!(
            "the study is blind: sides and levels are not put right before `tautpoint open`; nothing was written"
        );
    }
    let correction = Correction {
        number: known.next_number(),
        recording: path_from_root(&args.study, &file.path)
            .context("the recording does not lie in the study")?,
        sha256: before.input.sha256.clone(),
        test: test.test,
        at_s: args.change.at_s(test),
        side: test.side(),
        by: by(args, args.change.word())?,
        change,
    };
    let file = file.clone();
    let after = with(job, &file, correction.clone())?;
    if !hidden {
        shown::difference(test, counterpart(&after, test), &correction);
    }
    write(
        args,
        &known,
        &CorrectionEntry::Correction(Box::new(correction)),
        quiet,
    )
}

fn undo(args: &CorrectArgs, known: &Corrections, undone: u32, quiet: bool) -> anyhow::Result<Outcome> {
    if !known.entries.iter().any(|e| e.number() == undone) {
        bail!("there is no entry {undone} in {FILE_NAME}; `tautpoint correct STUDY --list` lists them");
    }
    if !known.holds(undone) {
        bail!("entry {undone} is taken back already; `tautpoint correct STUDY --list` shows by which");
    }
    let entry = CorrectionEntry::Undo {
        number: known.next_number(),
        entry: undone,
        by: by(args, None)?,
    };
    write(args, known, &entry, quiet)
}

/// Longest reason, and longest word for a moment, in characters.
const LONGEST: usize = 300;
/// Longest code of a person.
const LONGEST_CODE: usize = 32;

fn by(args: &CorrectArgs, word: Option<&str>) -> anyhow::Result<By> {
    let who = args.who.as_deref().map(str::trim).filter(|t| !t.is_empty());
    let who = who.context("--who needs the code of whoever corrects")?;
    let plain = who
        .chars()
        .all(|c| c.is_alphanumeric() || matches!(c, '-' | '_' | '.'));
    if !plain || who.chars().count() > LONGEST_CODE {
        bail!(
            "--who takes a code of letters, digits, - and _, at most {LONGEST_CODE} of them; nothing was written"
        );
    }
    if let Some(looks_like) = code_warning(who) {
        bail!(
            "--who looks like {looks_like}, and the file keeps it for good: write a code; nothing was written"
        );
    }
    let why = args
        .why
        .as_deref()
        .or(word)
        .map(str::trim)
        .filter(|t| !t.is_empty());
    Ok(By {
        who: who.to_owned(),
        when: now(),
        why: one_line(
            "--why",
            why.context("--why needs the reason, for whoever reads the results")?,
        )?,
    })
}

/// A text that stands in one line of every table and page.
fn one_line(option: &str, text: &str) -> anyhow::Result<String> {
    if text.chars().any(char::is_control) {
        bail!(
            "{option} holds a line end or a control character; write it in one plain line; nothing was written"
        );
    }
    if text.chars().count() > LONGEST {
        bail!("{option} has more than {LONGEST} characters; write it shorter; nothing was written");
    }
    Ok(text.to_owned())
}

fn write(
    args: &CorrectArgs,
    known: &Corrections,
    entry: &CorrectionEntry,
    quiet: bool,
) -> anyhow::Result<Outcome> {
    if args.dry_run {
        if !quiet {
            note!("nothing was written (--dry-run)");
        }
        return Ok(Outcome::Done);
    }
    append::append(&args.study, known, entry)?;
    if !quiet {
        sayln!(
            "entry {} of {}",
            entry.number(),
            args.study.join(FILE_NAME).display()
        );
    }
    Ok(Outcome::Done)
}

/// The recording that was named: by its path, its name in the study, or the last part of that where only one has it.
fn recording_of<'j>(job: &'j Job, args: &CorrectArgs) -> anyhow::Result<&'j InputFile> {
    let given = args.recording.as_deref().unwrap_or(Path::new(""));
    let on_disk = given.canonicalize().ok();
    let same = |f: &&InputFile| {
        Path::new(&f.recording) == given || on_disk.is_some() && f.path.canonicalize().ok() == on_disk
    };
    if let Some(file) = job.inputs.files.iter().find(same) {
        return Ok(file);
    }
    let ends_so: Vec<&InputFile> = job
        .inputs
        .files
        .iter()
        .filter(|f| Path::new(&f.recording).ends_with(given))
        .collect();
    match ends_so[..] {
        [one] => Ok(one),
        [] => bail!(
            "the study has no recording {}; name it as tests.csv does",
            given.display()
        ),
        _ => bail!(
            "{} recordings of the study are called {}; name one as tests.csv does",
            ends_so.len(),
            given.display()
        ),
    }
}

fn analyse(job: &Job, file: &InputFile) -> RecordingOutcome {
    let mut buffer = Vec::new();
    job.analyse(Loaded::read(file, &mut buffer))
}

/// The recording with one more correction.
///
/// # Errors
/// That it does not fit.
fn with(mut job: Job, file: &InputFile, correction: Correction) -> anyhow::Result<RecordingOutcome> {
    let number = correction.number;
    let at_s = correction.change.set_at_s();
    let marks_peak = matches!(
        correction.change,
        Change::AddSpring { .. } | Change::Move(CorrectedMark::SpringPeak, _)
    );
    let usable = !analyse(&job, file).tests.is_empty();
    job.corrections.push(correction);
    let outcome = analyse(&job, file);
    if outcome.refused_corrections.contains(&number) {
        let told = outcome
            .problems
            .iter()
            .find(|p| p.column.as_deref() == Some(&format!("entry {number}")));
        let why = told.map_or_else(|| "it does not fit".to_owned(), |p| p.found.clone());
        bail!("{why}; nothing was written");
    }
    let none_there = |n: &Note| match n {
        Note::NoSpringThere { at_s: at } => at_s.is_some_and(|set| (set - at).abs() < 0.05),
        _ => false,
    };
    if marks_peak && outcome.tests.iter().flat_map(|t| &t.notes).any(none_there) {
        bail!("no spring can be measured there: no limb rises to it from a rest; nothing was written");
    }
    if let (true, Some(problem)) = (usable && outcome.tests.is_empty(), fault_of(&outcome)) {
        bail!(
            "with it no test of the recording could be used: {}; nothing was written",
            problem.found
        );
    }
    Ok(outcome)
}

/// Why a recording gives no test, when nobody left them all out.
fn fault_of(outcome: &RecordingOutcome) -> Option<&Problem> {
    let left_out = outcome.exclusions.iter().any(Exclusion::is_by_person);
    outcome
        .problems
        .iter()
        .find(|p| !left_out && p.severity == Severity::Error && p.file != FILE_NAME)
}

/// The test that was named.
fn the_test<'o>(outcome: &'o RecordingOutcome, args: &CorrectArgs) -> anyhow::Result<&'o Test> {
    let tests: Vec<&Test> = outcome
        .tests
        .iter()
        .filter(|t| args.test.is_none_or(|n| n == t.test) && args.side.is_none_or(|s| t.side() == Some(s)))
        .collect();
    let listed = |tests: &[&Test]| {
        let one = |t: &&Test| {
            format!(
                "{}{}",
                t.test,
                t.side().map_or_else(String::new, |s| format!(" {s}"))
            )
        };
        tests.iter().map(one).collect::<Vec<_>>().join(", ")
    };
    match tests[..] {
        [one] => Ok(one),
        [] => {
            let all: Vec<&Test> = outcome.tests.iter().collect();
            let first = outcome
                .problems
                .first()
                .map_or_else(String::new, |p| format!(" ({})", p.found));
            match all.is_empty() {
                true => bail!("no test was found in that recording{first}"),
                false => bail!("the recording has no such test; it has {}", listed(&all)),
            }
        }
        ref several => bail!(
            "several tests could be meant ({}); name one by --test and --side",
            listed(several)
        ),
    }
}

/// What became of a test: the one of its side that shares most of its contact.
fn counterpart<'o>(after: &'o RecordingOutcome, test: &Test) -> Option<&'o Test> {
    let shared_s = |t: &Test| {
        let (a, b) = (&t.phases, &test.phases);
        a.contact_end_s.min(b.contact_end_s) - a.contact_begin_s.max(b.contact_begin_s)
    };
    let renamed = |t: &&Test| {
        t.side() == test.side() || t.corrections.last().is_some_and(|c| c.change == ChangeWord::Side)
    };
    let left = after.tests.iter().filter(renamed).filter(|t| shared_s(t) > 0.0);
    left.max_by(|a, b| shared_s(a).total_cmp(&shared_s(b)))
}
