//! `prepare`: a new study's folder.

use super::Outcome;
use super::open::{day_of, sound_study};
use crate::agreement::registered;
use crate::batch;
use crate::desk::{NewStudy, make_study};
use crate::study::built_in;
use crate::terms::Day;
use std::path::PathBuf;

/// Makes a new study: study.toml with every setting explained, scan plans, roster and calls to fill in, and two
/// pages to print: the station card and the start-of-day list.
///
/// Nothing that exists is overwritten.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  tautpoint prepare autumn-term
  tautpoint prepare autumn-term --title \"Autumn term, group B\" --plan prone-broad
  tautpoint prepare autumn-term --shuffle 4711     the plan's steps in an order drawn with this seed
  tautpoint prepare autumn-term --register         prints the block that registers the study's settings")]
pub struct PrepareArgs {
    /// Folder of the study; made when it is not there.
    #[arg(value_name = "STUDY")]
    pub study: PathBuf,
    /// Title on every page.
    #[arg(long)]
    pub title: Option<String>,
    /// Where it takes place; a word, not an address.
    #[arg(long)]
    pub site: Option<String>,
    /// Scan plan that the station card shows and the study follows.
    #[arg(long, value_name = "PLAN", default_value = built_in::NAMES[0], value_parser = built_in::NAMES)]
    pub plan: String,
    /// Writes that plan with its steps in random order, drawn with this seed and kept in the plan.
    #[arg(long, value_name = "SEED", value_parser = clap::value_parser!(u64).range(..=i64::MAX as u64))]
    pub shuffle: Option<u64>,
    /// Prints the block for study.toml that registers the settings of a study that is there; changes nothing.
    #[arg(long, conflicts_with_all = ["title", "site", "plan", "shuffle"])]
    pub register: bool,
    /// Day of registration; today otherwise.
    #[arg(long, value_name = "YYYY-MM-DD", requires = "register", value_parser = day_of)]
    pub date: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// A file that exists already, or a folder that cannot be written.
pub fn run(args: &PrepareArgs, quiet: bool) -> anyhow::Result<Outcome> {
    if args.register {
        return register(args, quiet);
    }
    let new = NewStudy {
        title: args.title.clone(),
        site: args.site.clone(),
        plan: args.plan.clone(),
        shuffle: args.shuffle,
        ..NewStudy::default()
    };
    let files = make_study(&args.study, &new)?;
    if !quiet {
        sayln!("{} is ready:", args.study.display());
        for name in &files {
            sayln!("  {name}");
        }
        sayln!("Set your own ceilings in study.toml, fill in roster.csv, print the two pages.");
        sayln!("Recordings go into {}", args.study.join("recordings").display());
    }
    Ok(Outcome::Done)
}

/// Prints the block; study.toml is a person's file and is never written.
fn register(args: &PrepareArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let study = sound_study(&args.study)?;
    let date = args.date.clone().unwrap_or_else(|| Day::today().to_string());
    say!("{}", registered::block(&batch::settings_in_use(&study), &date));
    if let Some(before) = batch::registered(&study).0 {
        note!(
            "warning: study.toml holds a registration of {} already; a second one beside it is no TOML, and to replace it is \
             to register anew",
            before.date
        );
    } else if !quiet {
        note!("Paste this at the end of study.toml before the first recording, and keep a copy elsewhere.");
    }
    Ok(Outcome::Done)
}
