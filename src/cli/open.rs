//! `open`: ends the blinding of a study.

use super::Outcome;
use super::analyze::word;
use crate::agreement::registered::settings_hash;
use crate::batch;
use crate::error::Problem;
use crate::study::door;
use crate::study::folder::{Study, read_study};
use crate::study::opened::{FILE_NAME, Opened};
use crate::study::study_file;
use crate::terms::Day;
use crate::write::write_new;
use anyhow::bail;
use std::path::{Path, PathBuf};

/// Opens a blind study: from then on results show which side was measured stiffer.
///
/// Writes opened.toml into the study, with the day and the hash of the settings. That cannot be taken back unseen: a
/// study that was opened stays opened.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint open autumn-term
  tautpoint open autumn-term --date 2026-12-01

The study's study.toml must say `blind = true`. Settings that are changed after the opening are told in every report.")]
pub struct OpenArgs {
    /// The study: a folder with study.toml.
    #[arg(value_name = "STUDY")]
    study: PathBuf,
    /// Day of the opening; today otherwise.
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = day_of)]
    date: Option<String>,
}

/// A day as an argument.
pub(super) fn day_of(text: &str) -> Result<String, String> {
    match Day::is_day(text) {
        true => Ok(text.to_owned()),
        false => Err("expected a day of the calendar such as 2026-09-01".to_owned()),
    }
}

/// Reads a study that must be there and sound, for a command that acts on it.
pub(super) fn sound_study(root: &Path) -> anyhow::Result<Study> {
    if !door::is_there(&root.join(study_file::FILE_NAME)) {
        bail!(
            "{} is no study: it holds no study.toml; name the study's folder, or make one with `tautpoint prepare`",
            root.display()
        );
    }
    let mut problems: Vec<Problem> = Vec::new();
    let study = read_study(root, &mut problems);
    for problem in problems.iter().filter(|p| p.file == study_file::FILE_NAME) {
        note!("{}: {problem}", word(problem.severity));
    }
    if study.faulty {
        bail!("study.toml has an error: mend it first; nothing was done");
    }
    Ok(study)
}

/// Runs the command.
///
/// # Errors
/// No study, a study that is not blind or was opened already, or a folder that cannot be written.
pub fn run(args: &OpenArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let path = args.study.join(FILE_NAME);
    let study = sound_study(&args.study)?;
    if path.symlink_metadata().is_ok() {
        match &study.opened {
            Some(opened) => bail!("{} was opened already, on {}", args.study.display(), opened.date),
            None => bail!(
                "{} is there already but does not say when the study was opened; look at it, remove it, and run this again",
                path.display()
            ),
        }
    }
    if !study.blind {
        bail!(
            "{} is not blind: nothing is hidden; `blind = true` in study.toml, before the first recording, would hide \
             measured sides",
            args.study.display()
        );
    }
    let opened = Opened {
        date: args.date.clone().unwrap_or_else(|| Day::today().to_string()),
        settings_sha256: settings_hash(&batch::settings_in_use(&study)),
    };
    write_new(&path, &opened.to_toml())?;
    if !quiet {
        sayln!(
            "{} is open since {}: analyse it again to see the measured sides.",
            args.study.display(),
            opened.date
        );
    }
    Ok(Outcome::Done)
}
