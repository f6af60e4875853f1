//! `correct`: puts right by hand what the program marked, as entries of corrections.toml.

mod change;
mod page;

use super::Outcome;
use super::open::sound_study;
use crate::cli::progress::Bar;
use crate::error::Error;
use crate::review::append::append;
use crate::review::asked::{SignatureField, by};
use crate::review::changes::{
    HIDDEN_REASON, change_words, changed_numbers, counterpart, entry_words, losses,
};
use crate::review::desk::{CorrectionDesk, known, may_undo, the_test};
use crate::review::standing::{Standing, hidden_names, standings};
use crate::study::corrections::{By, Correction, CorrectionEntry, Corrections, FILE_NAME};
use crate::study::folder::Study;
use crate::terms::Side;
use crate::trace::Test;
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
  tautpoint correct autumn-term --page

Times are the recording's own seconds, displacements its millimetres, as `springs.csv` and the figures show them.")]
pub struct CorrectArgs {
    /// The study: a folder with study.toml.
    #[arg(value_name = "STUDY")]
    study: PathBuf,
    /// The recording: its name in the study, or its path.
    #[arg(value_name = "RECORDING", required_unless_present_any = ["undo", "list", "page"])]
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
    /// Lists the entries and whether they hold for the recordings as they are now.
    #[arg(long, group = "what", conflicts_with_all = ["recording", "who", "why", "dry_run"])]
    list: bool,
    /// Opens a page on this computer: the recording that most needs a look first, its marks to be moved by mouse or keys, and what
    /// that changes before anything is kept.
    #[arg(long, group = "what", conflicts_with_all = ["recording", "who", "why", "dry_run"])]
    page: bool,
    /// Port of the page; any free one otherwise.
    #[arg(long, value_name = "N", requires = "page")]
    port: Option<u16>,
    /// Ends the page after so many seconds; otherwise Ctrl-C ends it.
    #[arg(long, value_name = "N", requires = "page")]
    seconds: Option<u32>,
    /// Code of whoever corrects.
    #[arg(long, value_name = "CODE", required_unless_present_any = ["list", "page"])]
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
    let known = known(&args.study, &mut problems);
    for problem in &problems {
        note!("{}: {problem}", super::analyze::word(problem.severity));
    }
    let known = known?;
    if args.list {
        return list(&args.study, &study, &known, quiet);
    }
    if args.page {
        return page::serve(&args.study, args.port, args.seconds, quiet);
    }
    if let Some(undone) = args.undo {
        may_undo(&known, undone)?;
        let entry = CorrectionEntry::Undo {
            number: known.next_number(),
            entry: undone,
            by: signed(args, None)?,
        };
        return write(args, &known, entry, quiet);
    }
    let mut desk = CorrectionDesk::open(&args.study)?;
    let file = desk
        .recording(args.recording.as_deref().unwrap_or(Path::new("")))?
        .clone();
    let before = desk.outcome(&file);
    let test = the_test(&before, args.test, args.side)?;
    let asked = args.change.asked()?;
    let by = signed(args, asked.own_reason(test).as_deref())?;
    let (correction, after) = desk.try_change(&file, &before, test, &asked, known.next_number(), by)?;
    let becomes = counterpart(&after, test);
    if !desk.hidden() {
        difference(test, becomes, &correction);
    }
    for lost in losses(test, becomes, desk.hidden()) {
        note!("note: {lost}");
    }
    write(
        args,
        &known,
        CorrectionEntry::Correction(Box::new(correction)),
        quiet,
    )
}

fn signed(args: &CorrectArgs, own_reason: Option<&str>) -> anyhow::Result<By> {
    let signed = by(args.who.as_deref().unwrap_or(""), args.why.as_deref(), own_reason);
    Ok(signed.map_err(|fault| {
        let option = match fault.field {
            SignatureField::Who => "--who",
            SignatureField::Why => "--why",
        };
        Error::Refused {
            found: format!("{} ({option})", fault.found),
            advice: "nothing was written".to_owned(),
        }
    })?)
}

fn write(
    args: &CorrectArgs,
    known: &Corrections,
    entry: CorrectionEntry,
    quiet: bool,
) -> anyhow::Result<Outcome> {
    if args.dry_run {
        if !quiet {
            note!("nothing was written (--dry-run)");
        }
        return Ok(Outcome::Done);
    }
    let number = entry.number();
    append(&args.study, known, &[entry]).map_err(Error::from)?;
    if !quiet {
        sayln!("entry {number} of {}", args.study.join(FILE_NAME).display());
    }
    Ok(Outcome::Done)
}

/// One line an entry, with whether it holds. Of a blind study, what its page shows.
fn list(root: &Path, study: &Study, known: &Corrections, quiet: bool) -> anyhow::Result<Outcome> {
    if known.entries.is_empty() {
        sayln!("no corrections");
        return Ok(Outcome::Done);
    }
    // Entries are listed also where no recording is left.
    let desk = CorrectionDesk::open(root)
        .map_err(|error| note!("error: {error}"))
        .ok();
    let hidden = desk.as_ref().map_or(study.hidden(), CorrectionDesk::hidden);
    let names = desk
        .as_ref()
        .filter(|_| hidden)
        .map(hidden_names)
        .unwrap_or_default();
    let standings = desk.map(|desk| {
        let bar = Bar::new("recordings", quiet);
        let standings = standings(&desk, known, &|done, total| bar.tell(done, total));
        bar.finish();
        standings
    });
    let standing_of = |entry: &CorrectionEntry| match &standings {
        Some(all) => all.get(&entry.number()).cloned().unwrap_or(Standing::Holds),
        None if !known.holds(entry.number()) => Standing::TakenBack,
        None if matches!(entry, CorrectionEntry::Undo { .. }) => Standing::Holds,
        None => Standing::NotUsed("no recording of the study can be looked at".to_owned()),
    };
    let mut all_used = true;
    for entry in &known.entries {
        let (by, what) = (entry.by(), entry_words(entry, hidden));
        let mut why = by.why.as_str();
        let recording = match entry {
            CorrectionEntry::Undo { .. } => String::new(),
            CorrectionEntry::Correction(c) if hidden => {
                if c.change.names_place() {
                    why = HIDDEN_REASON;
                }
                format!(
                    "{}, ",
                    names
                        .get(&c.recording)
                        .map_or("a recording that is not there", String::as_str)
                )
            }
            CorrectionEntry::Correction(c) => format!("{}, ", c.recording),
        };
        let standing = standing_of(entry);
        all_used &= !matches!(standing, Standing::NotUsed(_));
        let holds = match standing {
            Standing::Holds => String::new(),
            ref other => format!(" ({other})"),
        };
        sayln!(
            "{}  {recording}{what}{holds}; {} by {}: {why}",
            entry.number(),
            by.when,
            by.who
        );
    }
    Ok(if all_used { Outcome::Done } else { Outcome::Partly })
}

/// Each number that is another one now.
fn difference(before: &Test, after: Option<&Test>, correction: &Correction) {
    let what = change_words(&correction.change);
    sayln!("{}, test {}: {what}", correction.recording, correction.test);
    let Some(after) = after else {
        sayln!("  the test is not used any more");
        return;
    };
    let changed = changed_numbers(before, after);
    for number in &changed {
        let unit = match number.unit {
            "" => String::new(),
            unit => format!(", {unit}"),
        };
        sayln!(
            "  {}{unit}: {} before, {} now",
            number.label,
            number.before,
            number.now
        );
    }
    if changed.is_empty() && !correction.change.is_annotation() {
        sayln!("  no number of the test changes by as much as is shown");
    }
}
