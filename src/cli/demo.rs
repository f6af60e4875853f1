//! `demo`: the whole job on the built-in sample study.

use super::{Outcome, analyze};
use crate::batch;
use crate::report::output::{self, OutputOptions};
use crate::report::summary_text;
use crate::simulate::{SAMPLE_SEED, sample_study};
use crate::study::door::{self, FileKind};
use anyhow::bail;
use std::path::{Path, PathBuf};

/// Runs the whole job on the built-in sample study and names the report to open.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint demo                 makes tautpoint-demo/ here
  tautpoint demo /tmp/look       makes it elsewhere

The sample is invented: nobody was touched. A second run replaces its own results and nothing else.")]
pub struct DemoArgs {
    /// Folder for the sample study and its results.
    #[arg(default_value = "tautpoint-demo", value_name = "DIR")]
    dir: PathBuf,
}

/// Runs the command.
pub fn run(args: &DemoArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let study = sample_study(SAMPLE_SEED)?;
    if args.dir.exists() {
        let mut as_made = true;
        study.each_file(&mut |path, text| {
            as_made &= same(&args.dir.join(path), text);
            Ok(())
        })?;
        if !as_made {
            bail!(
                "{} is there already and is not the sample study as it was made; name another folder",
                args.dir.display()
            );
        }
    } else {
        study.write(&args.dir)?;
    }
    let inputs = vec![args.dir.clone()];
    let results = analyze::analyze(&inputs, batch::Options::default(), quiet)?;
    let out = args.dir.join("results");
    output::write(&results, &out, &inputs, &OutputOptions::default())?;
    if !quiet {
        say!("{}", summary_text(&results));
        sayln!();
    }
    sayln!("Open {} in a browser.", out.join("report.html").display());
    Ok(Outcome::Done)
}

fn same(path: &Path, text: &str) -> bool {
    door::read(path, FileKind::Record).is_ok_and(|bytes| bytes == text.as_bytes())
}
