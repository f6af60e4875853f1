//! `debrief`: what is shown to learners and class afterwards, and the sheet of an assessment.

mod draw;
mod sheet;

use super::Outcome;
use super::analyze::{analyze, outcome, tell_ceilings, tell_problems, tell_study};
use crate::acquire::recorder::file_names::part;
use crate::batch;
use crate::report::Whose;
use crate::report::debrief::{Debrief, pages};
use crate::results::Results;
use crate::results::run;
use crate::study::inputs::{self, Study};
use crate::write::OutputFolder;
use std::path::{Path, PathBuf};

/// Pages for a class and for each learner: how tests were done, session by session, beside the bands they should lie
/// in, and two things to work on. With --sheet, one scan against its plan, for an assessment.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint debrief autumn-term                        into autumn-term/debrief
  tautpoint debrief autumn-term --codes                the class page names learners by code
  tautpoint debrief autumn-term --out elsewhere

An assessment, in this order:
  tautpoint debrief exam --draw prone-thumbs,seated --examiner L-12,L-13 --session 2026-12-03 --minutes 15
                                  draws a plan for each, before the scan, and keeps it in exam/draws.toml
  (the candidates scan; the recordings' sidecars say examiner, session and feedback = \"none\")
  tautpoint debrief exam --sheet --examiner L-12 --session 2026-12-03
                                  into exam/sheets/L-12_2026-12-03; with --subject its code follows

The sheet reports; whoever teaches gives the marks.

Exit code: 0 done; 1 done, but some inputs could not be used (each is named); 2 nothing done.")]
pub struct DebriefArgs {
    /// A study (a folder with study.toml).
    #[arg(value_name = "STUDY")]
    study: PathBuf,
    /// Folder for pages and tables, written whole or not at all; without it `debrief` in the study, or with --sheet
    /// `sheets/CODE_SESSION`.
    #[arg(long, short, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Shows learners' codes on the class page, and links to their pages.
    #[arg(long, conflicts_with_all = ["sheet", "draw"])]
    codes: bool,
    /// The sheet of one scan against its plan, to print and sign, and its rows as CSV.
    #[arg(long, requires_all = ["examiner", "session"])]
    sheet: bool,
    /// Draws one of these plans at random for each examiner, before the scan, and keeps it in draws.toml.
    #[arg(
        long,
        value_name = "PLAN,PLAN",
        value_delimiter = ',',
        requires_all = ["examiner", "session"],
        conflicts_with_all = ["sheet", "out"]
    )]
    draw: Vec<String>,
    /// Code of the candidate; with --draw several, divided by commas.
    #[arg(long, value_name = "CODE", value_delimiter = ',')]
    examiner: Vec<String>,
    /// Session of the assessment.
    #[arg(long, value_name = "SESSION")]
    session: Option<String>,
    /// With --sheet: whose scan, when the candidate scanned several subjects in the session.
    #[arg(long, value_name = "CODE", requires = "sheet")]
    subject: Option<String>,
    /// With --sheet: plan to hold the scan against, instead of the one drawn or followed.
    #[arg(long, value_name = "PLAN", requires = "sheet")]
    plan: Option<String>,
    /// With --draw: whole number that the draw follows from; drawn by itself otherwise, and kept.
    #[arg(long, requires = "draw", value_parser = clap::value_parser!(u64).range(..=i64::MAX as u64))]
    seed: Option<u64>,
    /// Time allowed, kept with the draw or, with --sheet, written on the sheet.
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<f64>,
    /// With --sheet: which attempt it is; counted from the draws otherwise.
    #[arg(long, value_name = "N", requires = "sheet", value_parser = clap::value_parser!(u32).range(1..))]
    attempt: Option<u32>,
}

/// Runs the command.
pub fn run(args: &DebriefArgs, quiet: bool) -> anyhow::Result<Outcome> {
    if let Some(minutes) = args.minutes
        && !(0.1..=1000.0).contains(&minutes)
    {
        anyhow::bail!("--minutes is {minutes}; expected a number from 0.1 to 1000");
    }
    if !args.draw.is_empty() {
        return draw::run(args, quiet);
    }
    let paths = [args.study.clone()];
    let inputs = inputs::collect_in_study(&paths)?;
    tell_study(inputs::study_of_recordings(&paths).as_deref(), quiet);
    let out = &match (&args.out, &inputs.study) {
        (Some(out), _) => out.clone(),
        (None, Some(study)) => own_folder(args, &study.root),
        (None, None) => anyhow::bail!(
            "{} is no study, so the pages have no folder of their own; name one with --out",
            args.study.display()
        ),
    };
    let study = inputs.study.unwrap_or_default();
    let results = analyze(&paths, batch::Options::default(), quiet)?;
    let done = outcome(&results);
    if args.sheet {
        let others = sheet::recordings_of_others(&inputs.files, args);
        let (scan, results) = sheet::write(args, &study, results, &others, out, quiet)?;
        tell_ceilings(&results, Whose::Scan(&scan));
        tell_problems(&results);
    } else {
        write_debrief(args, &study, &results, out, quiet)?;
        tell_ceilings(&results, Whose::All);
        tell_problems(&results);
    }
    Ok(done)
}

/// The folder within the study for what nobody named a folder for.
fn own_folder(args: &DebriefArgs, root: &Path) -> PathBuf {
    if !args.sheet {
        return root.join("debrief");
    }
    let codes = args.examiner.iter().chain(&args.session).chain(&args.subject);
    let parts: Vec<String> = codes.map(|code| part(code)).collect();
    root.join("sheets").join(parts.join("_"))
}

fn write_debrief(
    args: &DebriefArgs,
    study: &Study,
    results: &Results,
    out: &Path,
    quiet: bool,
) -> anyhow::Result<()> {
    let debrief = Debrief::of(results, study);
    let mut folder = OutputFolder::begin(out, std::slice::from_ref(&args.study))?;
    for table in debrief.tables() {
        folder.write(&format!("{}.csv", table.name), &table.to_csv()?)?;
        if table.name != "codebook" {
            folder.write(&format!("{}.parquet", table.name), &table.to_parquet()?)?;
        }
    }
    for (path, page) in pages(&debrief, results, args.codes)? {
        folder.write(&path, page.as_bytes())?;
    }
    finish(folder, results)?;
    if !quiet {
        for note in &debrief.notes {
            note!("note: {}", note.words(true));
        }
        let count = |n: usize, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
        let (learners, scans) = (debrief.learners.len(), debrief.coverage.len());
        sayln!("{}, {}", count(learners, "learner"), count(scans, "scan"));
        note!("class: {}", out.join("class.html").display());
    }
    Ok(())
}

fn finish(folder: OutputFolder, results: &Results) -> anyhow::Result<()> {
    let mut record = run::record(results);
    record.insert("command".to_owned(), "debrief".into());
    Ok(folder.finish(record)?)
}
