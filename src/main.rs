//! Parse, run, exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    tautpoint::cli::run(std::env::args_os())
}
