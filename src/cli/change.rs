//! `change` and `groups`: what changed between sessions, and what groups differ in.

use super::Outcome;
use super::analyze::{analyze, no_input, tell_problems, tell_study};
use crate::batch;
use crate::effects::{self, Effects};
use crate::error::Severity;
use crate::report::effects::{self as report, EffectQuestion};
use crate::results::Results;
use crate::study::inputs;
use crate::study::roster::Roster;
use crate::write::OutputFolder;
use std::path::{Path, PathBuf};

/// What changed between sessions: of volunteers, examiners and learners.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint change my-study                           prints a summary, writes nothing
  tautpoint change my-study --out my-study/change     page, figures, estimates.csv
  tautpoint change my-study --json | jq '.estimates[] | select(.word == \"changed\")'

Words need a margin, set in study.toml before anybody looks at the data:
  [change]
  end_feel_n_per_mm = 20.0

Exit code: 0 done; 1 done, but some inputs could not be used (each is named) or nothing could be estimated (the notes say
why); 2 nothing done: no input could be used.")]
pub struct SessionChangeArgs {
    #[command(flatten)]
    of: EffectArgs,
}

/// What groups of people differ in, and how differently they changed.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint groups my-study                           prints a summary, writes nothing
  tautpoint groups my-study --out my-study/groups     page, estimates.csv

Groups stand in roster.csv, in the column group. The measure that the study was planned for, and how large a difference
must be to matter, stand in study.toml:
  [groups]
  primary = \"end_feel_n_per_mm\"
  [change]
  end_feel_n_per_mm = 20.0

Exit code: 0 done; 1 done, but some inputs could not be used (each is named) or nothing could be estimated (the notes say
why); 2 nothing done: no input could be used.")]
pub struct GroupsArgs {
    #[command(flatten)]
    of: EffectArgs,
}

#[derive(Debug, clap::Args)]
struct EffectArgs {
    /// A study (a folder with study.toml).
    #[arg(value_name = "STUDY")]
    study: PathBuf,
    /// Folder for the page, tables and figures; written whole or not at all.
    #[arg(long, short, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Prints one JSON object instead of the summary.
    #[arg(long)]
    json: bool,
}

/// Runs `change`.
pub fn change(args: &SessionChangeArgs, quiet: bool) -> anyhow::Result<Outcome> {
    run(&args.of, EffectQuestion::Change, quiet)
}

/// Runs `groups`.
pub fn groups(args: &GroupsArgs, quiet: bool) -> anyhow::Result<Outcome> {
    run(&args.of, EffectQuestion::Groups, quiet)
}

fn run(args: &EffectArgs, question: EffectQuestion, quiet: bool) -> anyhow::Result<Outcome> {
    let (results, roster) = measured(&args.study, quiet)?;
    if no_input(&results) {
        tell_problems(&results);
        note!("nothing done: no input could be used");
        return Ok(Outcome::Nothing);
    }
    let mut found: Effects = match question {
        EffectQuestion::Change => effects::changes(&results.tests, &roster, &results.settings),
        EffectQuestion::Groups => effects::between_groups(&results.tests, &roster, &results.settings),
    };
    found.title.clone_from(&results.title);
    if results.blinded {
        found.notes.insert(
            0,
            "this study is blind and not opened: nothing measured on the left or the right goes in here, only midline steps"
                .to_owned(),
        );
    }
    if let Some(out) = &args.out {
        let mut folder = OutputFolder::begin(out, std::slice::from_ref(&args.study))?;
        report::write(&found, question, &results, &mut folder)?;
        folder.finish(report::record(question, &results))?;
    }
    if args.json {
        say!("{}", report::object_text(&found, &results.problems));
    } else if args.out.is_none() || !quiet {
        say!("{}", report::summary(&found, &results.settings));
    }
    tell_problems(&results);
    if let (Some(out), false) = (&args.out, quiet) {
        note!(
            "report: {}",
            out.join(format!("{}.html", question.word())).display()
        );
    }
    let failed = results.problems.iter().any(|p| p.severity == Severity::Error);
    Ok(match (found.rows.is_empty(), failed) {
        (true, _) => {
            note!(
                "nothing could be estimated{}",
                if args.json { "; notes say why" } else { "" }
            );
            Outcome::Partly
        }
        (false, true) => Outcome::Partly,
        (false, false) => Outcome::Done,
    })
}

/// A study's tests, without what a blind study hides, and its people.
pub(super) fn measured(study: &Path, quiet: bool) -> anyhow::Result<(Results, Roster)> {
    let paths = [study.to_path_buf()];
    let inputs = inputs::collect_in_study(&paths)?;
    let part = inputs.study.as_ref().filter(|_| inputs.part_of_study);
    tell_study(part.map(|s| s.root.as_path()), quiet);
    let options = batch::Options {
        thin: true,
        ..batch::Options::default()
    };
    let results = analyze(&paths, options, quiet)?;
    Ok((results, inputs.study.map(|s| s.roster).unwrap_or_default()))
}
