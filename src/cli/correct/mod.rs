//! `correct`: puts right by hand what the program marked, as entries of corrections.toml.

mod append;
mod change;
mod shown;

use super::Outcome;
use super::open::sound_study;
use crate::batch::{Job, Loaded, Options, RecordingOutcome, path_from_root};
use crate::study::corrections::{self, By, Change, Correction, CorrectionEntry, Corrections, FILE_NAME};
use crate::study::inputs::InputFile;
use crate::terms::{Side, now};
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
    let before = analyse(&job, file);
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
        shown::difference(test, counterpart(&after, test, correction.at_s), &correction);
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
    let entry = CorrectionEntry::Undo {
        number: known.next_number(),
        entry: undone,
        by: by(args, None)?,
    };
    write(args, known, &entry, quiet)
}

fn by(args: &CorrectArgs, word: Option<&str>) -> anyhow::Result<By> {
    let trimmed = |text: Option<&str>| text.map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned);
    Ok(By {
        who: trimmed(args.who.as_deref()).context("--who needs the code of whoever corrects")?,
        when: now(),
        why: trimmed(args.why.as_deref().or(word))
            .context("--why needs the reason, for whoever reads the results")?,
    })
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
    let adds = matches!(correction.change, Change::AddSpring { .. });
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
    if adds && outcome.tests.iter().flat_map(|t| &t.notes).any(none_there) {
        bail!("no spring can be measured there: no limb rises to it from a rest; nothing was written");
    }
    Ok(outcome)
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

/// What became of a test.
fn counterpart<'o>(after: &'o RecordingOutcome, test: &Test, at_s: f64) -> Option<&'o Test> {
    let holds = |t: &&Test| t.phases.contact_begin_s <= at_s && at_s <= t.phases.contact_end_s;
    let mut here: Vec<&Test> = after.tests.iter().filter(holds).collect();
    here.sort_by_key(|t| t.side() != test.side());
    here.first().copied()
}
