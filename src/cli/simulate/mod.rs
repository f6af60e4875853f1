//! `simulate`: invented data with known truth.

mod device;
mod mat;
mod study;
mod trace;

use super::Outcome;
use crate::format::counted;
use crate::simulate::{self, ExaminerFault, SAMPLE_SEED};
use anyhow::bail;
use clap::{Args as ClapArgs, Subcommand};
use std::path::PathBuf;

/// Makes invented data with known truth: a trace, a whole study, or a device that sends as if a hand were on it.
#[derive(Debug, ClapArgs)]
#[command(after_help = "\
Examples:
  tautpoint simulate trace --out try.csv
  tautpoint simulate trace --out noisy.csv --condition noisy --seed 4
  tautpoint simulate study --out try-study --seed 4 --asymmetry L3=40
  tautpoint simulate device --rate-hz 2000 --faults quick,deep

The same seed gives the same bytes on every machine. The truth stands in the sidecar, under [truth].
Nothing that exists is ever replaced.")]
pub struct SimulateArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    Trace(Box<trace::TraceArgs>),
    Study(Box<study::StudyArgs>),
    Device(Box<device::DeviceArgs>),
    #[command(hide = true)]
    Sample(SampleArgs),
}

/// Makes the sample study that ships with the program.
#[derive(Debug, ClapArgs)]
struct SampleArgs {
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    #[arg(long, default_value_t = SAMPLE_SEED)]
    seed: u64,
}

/// Runs the command.
pub fn run(args: &SimulateArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let (made, out) = match &args.what {
        What::Device(args) => return device::run(args, quiet),
        What::Trace(args) => (trace::make(args)?, &args.out),
        What::Study(args) => (study::make(args)?, &args.out),
        What::Sample(args) => {
            let study = simulate::sample_study(args.seed)?;
            study.write(&args.out)?;
            (counted(study.recordings.len(), "recording"), &args.out)
        }
    };
    if !quiet {
        sayln!("{}: {made}", out.display());
    }
    Ok(Outcome::Done)
}

fn within(option: &str, value: f64, low: f64, high: f64) -> anyhow::Result<f64> {
    if value.is_finite() && (low..=high).contains(&value) {
        return Ok(value);
    }
    bail!("{option} is {value}; expected a number from {low} to {high}")
}

fn fault(word: &str) -> Result<ExaminerFault, String> {
    ExaminerFault::parse(word).ok_or_else(|| {
        format!(
            "expected one of {}",
            ExaminerFault::ALL.map(ExaminerFault::word).join(", ")
        )
    })
}
