//! (being written)

use super::Outcome;

/// (being written)
#[derive(Debug, clap::Args)]
pub struct Args {}

/// (being written)
pub fn run(_args: &Args, _quiet: bool) -> anyhow::Result<Outcome> {
    anyhow::bail!("being written")
}
