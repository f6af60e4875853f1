//! `completions` and `man`: what a shell and a manual reader need.

use super::{Cli, Outcome};
use anyhow::Context;
use clap::CommandFactory;
use clap_complete::Shell;
use std::io::Write;
use std::path::PathBuf;

/// Prints completions for a shell.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint completions bash > ~/.local/share/bash-completion/completions/tautpoint
  tautpoint completions fish > ~/.config/fish/completions/tautpoint.fish")]
pub struct CompletionsArgs {
    /// bash, elvish, fish, powershell or zsh.
    #[arg(value_enum, value_name = "SHELL")]
    shell: Shell,
}

/// Prints the manual page, or writes one page a command into a folder.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint man | man -l -
  tautpoint man --out ~/.local/share/man/man1")]
pub struct ManArgs {
    /// Folder for one page a command; it must be there.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// Runs `completions`.
pub fn completions(args: &CompletionsArgs) -> anyhow::Result<Outcome> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "tautpoint", &mut text);
    put(&text)
}

/// Runs `man`.
pub fn man(args: &ManArgs) -> anyhow::Result<Outcome> {
    if let Some(dir) = &args.out {
        clap_mangen::generate_to(Cli::command(), dir)
            .with_context(|| format!("cannot write into {}", dir.display()))?;
        return Ok(Outcome::Done);
    }
    let mut text = Vec::new();
    clap_mangen::Man::new(Cli::command())
        .render(&mut text)
        .context("the manual page cannot be made")?;
    put(&text)
}

/// A reader that stops early (`| head`) is no fault.
fn put(text: &[u8]) -> anyhow::Result<Outcome> {
    match std::io::stdout().write_all(text) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(e).context("cannot write to standard output")
        }
        _ => Ok(Outcome::Done),
    }
}
