//! `debrief`: what is shown to learners and class afterwards.

use super::Outcome;
use super::analyze::{Show, analyze, word};
use crate::error::Severity;
use crate::report::Results;
use crate::report::debrief::{Debrief, pages};
use crate::report::run;
use crate::study::inputs;
use crate::write::OutputFolder;
use std::path::{Path, PathBuf};

/// Pages for a class and for each learner: how tests were done, session by session, beside the bands they should lie
/// in, and two things to work on.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint debrief autumn-term --out autumn-term/debrief
  tautpoint debrief autumn-term --out autumn-term/debrief --codes    the class page names learners by code

Exit code: 0 done; 1 done, but some inputs could not be used (each is named); 2 nothing done.")]
pub struct Args {
    /// A study (a folder with study.toml).
    #[arg(value_name = "STUDY")]
    study: PathBuf,
    /// Folder for pages and tables; written whole or not at all.
    #[arg(long, short, value_name = "DIR")]
    out: PathBuf,
    /// Shows learners' codes on the class page, and links to their pages.
    #[arg(long)]
    codes: bool,
}

/// Runs the command.
pub fn run(args: &Args, quiet: bool) -> anyhow::Result<Outcome> {
    let paths = [args.study.clone()];
    let inputs = inputs::collect(&paths)?;
    let show = Show {
        quiet,
        ..Show::default()
    };
    let results = analyze(&paths, Vec::new(), None, show)?;
    let study = inputs.study.unwrap_or_default();
    let debrief = Debrief::of(&results, &study);
    write(&debrief, &results, &args.out, &args.study, args.codes)?;
    for problem in &results.problems {
        eprintln!("{}: {problem}", word(problem.severity));
    }
    if !quiet {
        for note in &debrief.notes {
            eprintln!("note: {}", note.words(true));
        }
        sayln!(
            "{} learners, {} scans",
            debrief.learners.len(),
            debrief.coverage.len()
        );
        eprintln!("class: {}", args.out.join("class.html").display());
    }
    Ok(outcome(&results))
}

fn write(debrief: &Debrief, results: &Results, out: &Path, input: &Path, codes: bool) -> anyhow::Result<()> {
    let mut folder = OutputFolder::begin(out, &[input.to_owned()])?;
    for table in debrief.tables() {
        folder.write(&format!("{}.csv", table.name), &table.to_csv()?)?;
        if table.name != "codebook" {
            folder.write(&format!("{}.parquet", table.name), &table.to_parquet()?)?;
        }
    }
    for (path, page) in pages(debrief, results, codes)? {
        folder.write(&path, page.as_bytes())?;
    }
    let mut record = run::record(results);
    record.insert("command".to_owned(), "debrief".into());
    Ok(folder.finish(record)?)
}

fn outcome(results: &Results) -> Outcome {
    let failed = results.problems.iter().any(|p| p.severity == Severity::Error);
    match (results.tests.is_empty(), failed) {
        (true, true) => Outcome::Nothing,
        (_, true) => Outcome::Partly,
        _ => Outcome::Done,
    }
}
