//! The program: one thin file a command.

/// Prints to standard output, by [`terminal::print`].
macro_rules! say {
    ($($words:tt)*) => { $crate::cli::terminal::print(format_args!($($words)*)) };
}

/// As [`say`], with the end of the line.
macro_rules! sayln {
    () => { say!("\n") };
    ($($words:tt)*) => { $crate::cli::terminal::print(format_args!("{}\n", format_args!($($words)*))) };
}

/// A line on standard error, by [`terminal::note`].
macro_rules! note {
    ($($words:tt)*) => { $crate::cli::terminal::note(format_args!("{}\n", format_args!($($words)*))) };
}

pub mod agree;
pub mod analyze;
pub mod calibrate;
pub mod change;
pub mod check;
pub mod combine;
pub mod convert;
mod correct;
pub mod debrief;
pub mod demo;
mod marks;
pub mod merge;
pub mod open;
pub mod plan_size;
pub mod ports;
pub mod prepare;
mod progress;
mod propose;
mod terms;
pub mod record;
pub mod shell;
pub mod station;
mod terminal;
pub mod simulate;

use clap::{Parser, Subcommand};
use std::ffi::OsString;
use std::process::ExitCode;

/// Measures manual spinal palpation from force-displacement traces.
#[derive(Debug, Parser)]
#[command(name = "tautpoint", version, about, propagate_version = true)]
pub struct Cli {
    /// Prints results and errors only: no progress, no hints.
    #[arg(long, short, global = true)]
    pub quiet: bool,
    #[command(subcommand)]
    pub command: ProgramCommand,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum ProgramCommand {
    Demo(demo::DemoArgs),
    Analyze(analyze::AnalyzeArgs),
    Agree(agree::AgreeArgs),
    Change(change::SessionChangeArgs),
    Check(check::CheckArgs),
    Combine(combine::CombineArgs),
    Convert(convert::ConvertArgs),
    Correct(Box<correct::CorrectArgs>),
    Debrief(debrief::DebriefArgs),
    Groups(change::GroupsArgs),
    Merge(merge::MergeArgs),
    PlanSize(Box<plan_size::PlanSizeArgs>),
    Prepare(prepare::PrepareArgs),
    Calibrate(Box<calibrate::CalibrateArgs>),
    Open(open::OpenArgs),
    Record(Box<record::RecordArgs>),
    Ports(ports::PortsArgs),
    Station(station::StationArgs),
    Simulate(simulate::SimulateArgs),
    Completions(shell::CompletionsArgs),
    Man(shell::ManArgs),
}

/// How a command ended, short of an error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Exit code 0.
    Done,
    /// Exit code 1: done, but some inputs could not be used, `check` found problems, or the design answers nothing of what
    /// was asked.
    Partly,
    /// Exit code 2: no input could be used; each was named.
    Nothing,
}

/// Runs the program and gives its exit code: 0 done, 1 done in part, 2 nothing done.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    ExitCode::from(run_for_code(args))
}

/// The same with the exit code as a number, for programs that run this one within themselves.
pub fn run_for_code(args: impl IntoIterator<Item = OsString>) -> u8 {
    crate::fault::speak_plainly();
    let cli = match Cli::try_parse_from(args) {
        Ok(cli) => cli,
        Err(error) => {
            let _ = error.print();
            return u8::from(error.use_stderr()) * 2;
        }
    };
    let outcome = match &cli.command {
        ProgramCommand::Demo(args) => demo::run(args, cli.quiet),
        ProgramCommand::Analyze(args) => analyze::run(args, cli.quiet),
        ProgramCommand::Agree(args) => agree::run(args, cli.quiet),
        ProgramCommand::Change(args) => change::change(args, cli.quiet),
        ProgramCommand::Groups(args) => change::groups(args, cli.quiet),
        ProgramCommand::Check(args) => check::run(args, cli.quiet),
        ProgramCommand::Convert(args) => convert::run(args, cli.quiet),
        ProgramCommand::Correct(args) => correct::run(args, cli.quiet),
        ProgramCommand::Combine(args) => combine::run(args, cli.quiet),
        ProgramCommand::Debrief(args) => debrief::run(args, cli.quiet),
        ProgramCommand::Merge(args) => merge::run(args, cli.quiet),
        ProgramCommand::PlanSize(args) => plan_size::run(args, cli.quiet),
        ProgramCommand::Prepare(args) => prepare::run(args, cli.quiet),
        ProgramCommand::Calibrate(args) => calibrate::run(args, cli.quiet),
        ProgramCommand::Open(args) => open::run(args, cli.quiet),
        ProgramCommand::Record(args) => record::run(args, cli.quiet),
        ProgramCommand::Simulate(args) => simulate::run(args, cli.quiet),
        ProgramCommand::Ports(args) => ports::run(args, cli.quiet),
        ProgramCommand::Station(args) => station::run(args, cli.quiet),
        ProgramCommand::Completions(args) => shell::completions(args),
        ProgramCommand::Man(args) => shell::man(args),
    };
    let outcome = match (terminal::take_output_fault(), outcome) {
        (Some(fault), Ok(_)) => Err(anyhow::anyhow!(
            "standard output could not be written: {fault}; what was printed is not whole"
        )),
        (_, outcome) => outcome,
    };
    match outcome {
        Ok(Outcome::Done) => 0,
        Ok(Outcome::Partly) => 1,
        Ok(Outcome::Nothing) => 2,
        Err(error) => {
            note!("error: {error:#}");
            2
        }
    }
}
