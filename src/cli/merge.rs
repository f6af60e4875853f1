//! `merge`: studies recorded on several computers into one.

use super::Outcome;
use super::analyze::word;
use super::progress::Bar;
use crate::cohort::merge::{MergeOptions, Merged, merge};
use crate::format::counted;
use crate::study::words::list;
use std::path::PathBuf;

/// Makes one study of several that were recorded on different computers.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint merge table-1 table-2 table-3 --into autumn-term
  tautpoint merge table-1 table-2 --into autumn-term --lead table-2     its study.toml holds where they differ

Every recording is held against SHA256SUMS, copied, and read back. Two recordings of one name are both kept: the second gets the
next free trial, in its sidecar and in SHA256SUMS too. The studies that are merged are not changed; the new one is made whole or
not at all. What has no place in it (a file that changed since it was recorded, a second study.toml) lies in set-aside/, and
merged.toml keeps what was told.

Exit code: 0 done; 1 done, but something could not be used or needs a person (each is named); 2 nothing done.")]
pub struct MergeArgs {
    /// The studies' folders; the first one leads.
    #[arg(required = true, value_name = "STUDY")]
    studies: Vec<PathBuf>,
    /// The new study's folder; nothing that exists is replaced.
    #[arg(long, value_name = "FOLDER")]
    into: PathBuf,
    /// The study whose study.toml holds for all where they differ; without it, studies that differ are refused.
    #[arg(long, value_name = "STUDY")]
    lead: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// As [`merge`].
pub fn run(args: &MergeArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let bar = Bar::new("recordings read or copied", quiet);
    let tell = |done: usize, total: usize| bar.tell(done, total);
    let options = MergeOptions {
        studies: &args.studies,
        lead: args.lead.as_deref(),
        progress: Some(&tell),
    };
    let merged = merge(&options, &args.into);
    bar.finish();
    let merged = merged?;
    for problem in &merged.problems {
        note!("{}: {problem}", word(problem.severity));
    }
    if !quiet {
        tell_done(&merged, args);
    }
    Ok(if merged.failed() {
        Outcome::Partly
    } else {
        Outcome::Done
    })
}

fn tell_done(merged: &Merged, args: &MergeArgs) {
    let studies: Vec<String> = merged
        .studies
        .iter()
        .map(|(name, n)| format!("{name} ({n})"))
        .collect();
    sayln!(
        "{} from {} are one study: {}",
        counted(merged.recordings, "recording"),
        list(&studies),
        args.into.display()
    );
    if let Some(codes) = &merged.codes {
        note!("note: {codes}; each is taken for one person");
    }
    for (n, what) in [
        (merged.shared, "in several studies, kept once"),
        (
            merged.renamed,
            "of a name that was taken, kept under the next free trial",
        ),
        (merged.set_aside, "set aside, since changed since recorded"),
    ] {
        if n > 0 {
            sayln!("{} {what}", counted(n, "recording"));
        }
    }
}
