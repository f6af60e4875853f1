//! `convert`: recordings to Parquet and back, or for others.

use super::Outcome;
use super::analyze::word;
use super::progress::Bar;
use crate::cohort::convert::{ConvertOptions, Converted, To, convert};
use crate::cohort::pseudonymizer::Pseudonymizer;
use crate::cohort::rounding::Rounding;
use crate::format::counted;
use crate::study::inputs;
use anyhow::bail;
use clap::ValueEnum;
use std::path::PathBuf;

/// Converts recordings to Parquet and back, with their sidecars; or makes a copy that may be shared.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint convert my-study --out my-study-parquet     sidecars go into the files
  tautpoint convert my-study-parquet --to csv --out my-study-again
  tautpoint convert my-study --round-n 0.01 --round-mm 0.001 --out small
  tautpoint convert my-study --share lab-key.toml --out to-share

Without rounding, every number comes back bit for bit, with its heading and its sidecar; a recording that holds more than
columns of numbers is put into the new folder as it is. With --share, subjects, examiners, sites and dates are replaced, free text is left out, and the key file says who is who: keep
it in the lab.

Exit code: 0 done; 1 done, but some recordings could not be converted (each is named); 2 nothing done.")]
pub struct ConvertArgs {
    /// Recordings, folders of them, or a study.
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// A new folder; nothing that exists is replaced.
    #[arg(long, short, value_name = "DIR")]
    out: PathBuf,
    /// What to make.
    #[arg(
        long,
        value_enum,
        default_value = "parquet",
        value_name = "FORMAT",
        conflicts_with = "share"
    )]
    to: Format,
    /// Rounds force to this step, such as the sensor's resolution.
    #[arg(long, value_name = "N", value_parser = step)]
    round_n: Option<f64>,
    /// Rounds displacement to this step.
    #[arg(long, value_name = "MM", value_parser = step)]
    round_mm: Option<f64>,
    /// Replaces codes, dates and free text by this key file, which is made when it is not there.
    #[arg(long, value_name = "KEYFILE")]
    share: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Parquet,
    Csv,
}

fn step(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(step) if step.is_finite() && step > 0.0 => Ok(step),
        _ => Err("expected a number above 0".to_owned()),
    }
}

/// Runs the command.
///
/// # Errors
/// No recordings, a folder that is there already, a key file that is none.
pub fn run(args: &ConvertArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let round = Rounding {
        force_n: args.round_n,
        displacement_mm: args.round_mm,
    };
    if args.to == Format::Csv && round != Rounding::default() {
        bail!("--round-n and --round-mm go with --to parquet");
    }
    let mut share = args.share.as_deref().map(Pseudonymizer::open).transpose()?;
    if let Some(share) = &mut share {
        let inputs = inputs::collect(&args.paths)?;
        share.for_study(inputs.study.as_ref());
    }
    let bar = Bar::new("recordings", quiet);
    let tell = |done: usize, total: usize| bar.tell(done, total);
    let options = ConvertOptions {
        to: match args.to {
            Format::Parquet => To::Parquet,
            Format::Csv => To::Csv,
        },
        round,
        share: share.as_ref(),
        progress: Some(&tell),
    };
    let done = convert(&args.paths, &args.out, &options);
    bar.finish();
    let done = done?;
    for problem in &done.problems {
        note!("{}: {problem}", word(problem.severity));
    }
    if !quiet {
        tell_done(&done, args);
    }
    Ok(match (done.converted + done.copied.len(), done.failed()) {
        (0, _) => Outcome::Nothing,
        (_, true) => Outcome::Partly,
        _ => Outcome::Done,
    })
}

fn tell_done(done: &Converted, args: &ConvertArgs) {
    let megabytes = |bytes: u64| bytes as f64 / 1e6;
    sayln!(
        "{} of {} converted: {:.1} MB became {:.1} MB in {}",
        done.converted,
        counted(done.recordings, "recording"),
        megabytes(done.bytes_before),
        megabytes(done.bytes_after),
        args.out.display()
    );
    if !done.copied.is_empty() {
        let shown: Vec<&str> = done.copied.iter().take(3).map(String::as_str).collect();
        let more = if done.copied.len() > 3 { ", …" } else { "" };
        sayln!(
            "{} put there as they are, since they hold more than columns of numbers: {}{more}",
            done.copied.len(),
            shown.join(", ")
        );
    }
    if let Some(key) = &args.share {
        sayln!("Who is who stands in {}: keep it in the lab.", key.display());
    }
}
