//! `ports`: which serial ports there are.

use super::Outcome;
use crate::acquire::port::ports;
use crate::format::counted;

/// Lists serial ports, USB devices first. Nothing is opened.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint ports            USB devices
  tautpoint ports --all      every port the system lists, also those with no device behind them")]
pub struct PortsArgs {
    /// Ports that are no USB device too.
    #[arg(long)]
    all: bool,
}

/// Runs the command.
pub fn run(args: &PortsArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let all = ports()?;
    let shown: Vec<_> = all.iter().filter(|p| args.all || p.usb).collect();
    for port in &shown {
        sayln!("{}", format!("{}  {}", port.name, port.description).trim_end());
    }
    let hidden = all.len() - shown.len();
    if !quiet && shown.is_empty() {
        note!("no USB serial device is plugged in");
    }
    if !quiet && hidden > 0 {
        note!("{}", words_of_hidden(hidden));
    }
    Ok(Outcome::Done)
}

fn words_of_hidden(hidden: usize) -> String {
    let is = if hidden == 1 { "is" } else { "are" };
    format!("{} {is} listed with --all", counted(hidden, "other port"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_port_is_a_port() {
        assert_eq!(words_of_hidden(1), "1 other port is listed with --all");
        assert_eq!(words_of_hidden(2), "2 other ports are listed with --all");
    }
}
