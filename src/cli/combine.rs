//! `combine`: the shards of one run into its results.

use super::Outcome;
use super::agree;
use super::analyze::{Figures, outcome, tell_ceilings, tell_problems};
use crate::cohort::combine::Shards;
use crate::report::output::{self, OutputOptions};
use crate::report::{Whose, json, summary_text};
use std::path::PathBuf;

/// Puts together what `analyze --shard` wrote on one or many machines.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint combine parts/* --out results
  tautpoint combine parts/* --out results --agreement agreement
  tautpoint combine parts/* --out results --json | jq .findings

Pairs, the correction for testing many levels, pooled spread and, on request, agreement are computed anew over all
recordings. The results are the same bytes as those of one run over everything; neither the recordings nor the study are
needed here.

Exit code: 0 done; 1 done, but some inputs could not be used (each is named); 2 nothing done.")]
pub struct CombineArgs {
    /// The folders of all shards, in any order.
    #[arg(required = true, value_name = "DIR")]
    shards: Vec<PathBuf>,
    /// Folder for tables, figures and report.html; written whole or not at all.
    #[arg(long, short, value_name = "DIR")]
    out: PathBuf,
    /// Folder for what `tautpoint agree` would write, too.
    #[arg(long, value_name = "DIR")]
    agreement: Option<PathBuf>,
    /// Prints one JSON object with tests, findings and problems instead of the summary.
    #[arg(long)]
    json: bool,
    /// Every figure as PNG too.
    #[arg(long)]
    png: bool,
    /// Adds cohort.html (how the measures are spread) and dataset/ (Parquet by site and session, for other engines).
    #[arg(long)]
    cohort: bool,
    /// Which tests get a figure: auto draws up to 60 tests, beyond that those behind a finding or a problem.
    #[arg(long, value_enum, default_value = "auto", value_name = "WHICH")]
    figures: Figures,
}

/// Runs the command.
///
/// # Errors
/// Shards that are missing, doubled, damaged or not of one run; a folder that cannot be written.
pub fn run(args: &CombineArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let shards = Shards::open(&args.shards)?;
    let options = OutputOptions {
        page: args.figures.page(),
        png: args.png,
        cohort: args.cohort,
        // They are made from the recordings, which are not needed here.
        curves: None,
    };
    let results = shards.write(&args.out, &|folder, results, curves| {
        output::write_run(folder, results, curves, &options)
    })?;
    if let Some(folder) = &args.agreement {
        agree::of_shards(&shards, folder, &args.shards)?;
    }
    if args.json {
        sayln!("{}", json::analysis_text(&results));
    } else if quiet {
        tell_ceilings(&results, Whose::All);
        tell_problems(&results);
    } else {
        say!("{}", summary_text(&results));
        note!("report: {}", args.out.join("report.html").display());
    }
    Ok(outcome(&results))
}
