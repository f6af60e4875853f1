//! `simulate study`: a folder of recordings with their truth.

use super::within;
use crate::cli::terms::term;
use crate::format::counted;
use crate::simulate::{Cohort, StudyFolder};
use crate::terms::Level;
use anyhow::Context;
use clap::Args as ClapArgs;
use std::path::PathBuf;

/// Makes a study folder: recordings with their truth, roster, calls and plan.
#[derive(Debug, ClapArgs)]
#[command(after_help = "\
Examples:
  tautpoint simulate study --out try-study --seed 4
  tautpoint simulate study --out class --seed 4 --subjects 6 --examiners 3 --levels L5,L4,L3 --asymmetry L3=40")]
pub(super) struct StudyArgs {
    /// The folder to make.
    #[arg(long, value_name = "DIR")]
    pub(super) out: PathBuf,
    /// Whole number that all random choices follow from.
    #[arg(long, value_parser = clap::value_parser!(u64).range(..=i64::MAX as u64))]
    seed: u64,
    /// People pressed on.
    #[arg(long, default_value_t = 1)]
    subjects: u32,
    /// People pressing; each tests every subject.
    #[arg(long, default_value_t = 1)]
    examiners: u32,
    /// Sessions a week apart.
    #[arg(long, default_value_t = 1)]
    sessions: u32,
    /// Trials a side at each level.
    #[arg(long, default_value_t = 3)]
    trials: u32,
    /// Levels in the order of the scan.
    #[arg(long, value_delimiter = ',', default_value = "L5,L4,L3,L2,L1", value_parser = term::<Level>())]
    levels: Vec<Level>,
    /// Level and how much stiffer its right side is in percent; below zero the left is.
    #[arg(long, value_name = "LEVEL=PERCENT", value_delimiter = ',', value_parser = level_percent)]
    asymmetry: Vec<(Level, f64)>,
    /// Samples a second.
    #[arg(long, value_name = "HZ", default_value_t = 200.0)]
    rate_hz: f64,
    /// Spread of stiffness from one placing of the hand to the next.
    #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
    repositioning_percent: f64,
}

pub(super) fn make(args: &StudyArgs) -> anyhow::Result<String> {
    let mut cohort = Cohort {
        subjects: args.subjects,
        examiners: args.examiners,
        sessions: args.sessions,
        trials: args.trials,
        levels: args.levels.clone(),
        asymmetry_percent: args.asymmetry.clone(),
        ..Cohort::default()
    };
    cohort.sensor.rate_hz = within("--rate-hz", args.rate_hz, 10.0, 10_000.0)?;
    let percent = within("--repositioning-percent", args.repositioning_percent, 0.0, 50.0)?;
    cohort.spread.repositioning = percent / 100.0;
    let study = StudyFolder::of_cohort(&cohort, args.seed)?;
    study.write(&args.out)?;
    Ok(format!(
        "a study of {}",
        counted(study.recordings.len(), "recording")
    ))
}

fn level_percent(text: &str) -> anyhow::Result<(Level, f64)> {
    let (level, percent) = text
        .split_once('=')
        .context("expected LEVEL=PERCENT, such as L3=40")?;
    let percent = percent
        .parse()
        .with_context(|| format!("{percent} is no number; expected one such as L3=40"))?;
    let level =
        Level::parse(level).with_context(|| format!("{level} is no level; expected one such as L3=40"))?;
    Ok((level, percent))
}
