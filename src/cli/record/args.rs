//! What `record` takes on the command line.

use crate::cli::terms::term;
use crate::terms::{Contact, Feedback, Level, Side};
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

/// Records a class: one file for each step and side of a plan, or one for each learner; the ceiling alarm always on.
///
/// The trace is on the disk as it comes: a program that is killed, a cable that is pulled or a full disk costs at most the
/// last second. Nothing that was recorded is ever overwritten.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint record autumn-term --port sim --seconds 5            five seconds of a virtual device
  tautpoint record autumn-term --subject V-07 --examiner L-12 --plan prone-thumbs --page
  tautpoint record autumn-term --subject V-07 --examiner L-12 --plan prone-thumbs --calls --feedback after
  tautpoint record autumn-term --practice --page                 keeps nothing but the over-ceiling log

Keyboard: n or Enter next, r repeat, k skip, l twice next learner, v show the last test, e an estimate of its peak, q twice
or Ctrl-C stop; calls: 1 or arrow left, 2 or arrow right, 3 even, 4 unsure. When input is no terminal: the words next,
repeat, skip, learner, show, estimate 85, no estimate, stop, left, right, even, unsure, one a line.")]
pub struct RecordArgs {
    /// Folder of the study.
    #[arg(value_name = "STUDY")]
    pub study: PathBuf,
    /// Serial port, or `sim` for a virtual device; the only USB device when left out.
    #[arg(long, value_name = "PORT")]
    pub port: Option<String>,
    /// Code of who is pressed.
    #[arg(long, value_name = "CODE")]
    pub subject: Option<String>,
    /// Code of who presses.
    #[arg(long, value_name = "CODE")]
    pub examiner: Option<String>,
    /// Name of the session; today's day when left out.
    #[arg(long, value_name = "NAME")]
    pub session: Option<String>,
    /// Scan plan to walk through: one of the study's or a built-in one; the one drawn for the examiner when left out.
    #[arg(long, value_name = "PLAN")]
    pub plan: Option<String>,
    /// After a level's last test one key takes the call; nothing measured of the level is shown before.
    #[arg(long)]
    pub calls: bool,
    /// After each test the learner says what its peak force was; nothing measured is shown before.
    #[arg(long)]
    pub estimates: bool,
    /// Level of everything recorded.
    #[arg(long, conflicts_with = "plan", value_parser = term::<Level>())]
    pub level: Option<Level>,
    /// Side of everything recorded: the subject's.
    #[arg(long, conflicts_with = "plan", requires = "level", value_parser = term::<Side>())]
    pub side: Option<Side>,
    /// Part of the hand.
    #[arg(long, conflicts_with = "plan", value_parser = term::<Contact>())]
    pub contact: Option<Contact>,
    /// When measured values are shown. The ceiling alarm is on in every mode.
    #[arg(long, value_name = "WHEN", default_value = "live", value_parser = term::<Feedback>())]
    pub feedback: Feedback,
    /// Keeps nothing but the over-ceiling log.
    #[arg(long)]
    pub practice: bool,
    /// Stops by itself after so many seconds of samples.
    #[arg(long, value_name = "N", value_parser = seconds)]
    pub seconds: Option<f64>,
    /// Opens the live page on this computer.
    #[arg(long)]
    pub page: bool,
    /// Address that the page listens on, such as 0.0.0.0:8350 for tablets in the room; it then needs the token that is
    /// printed.
    #[arg(long, value_name = "ADDR", value_parser = listen)]
    pub listen: Option<SocketAddr>,
}

/// Where the page listens on this computer when that is free.
pub const PAGE_PORT: u16 = 8350;

fn listen(text: &str) -> Result<SocketAddr, String> {
    let text = text.trim();
    if let Ok(addr) = text.parse() {
        return Ok(addr);
    }
    if let Ok(ip) = text.trim_matches(['[', ']']).parse::<IpAddr>() {
        return Err(format!(
            "the port is missing: write {}",
            SocketAddr::new(ip, PAGE_PORT)
        ));
    }
    if let Some(port) = text
        .strip_prefix(':')
        .unwrap_or(text)
        .parse::<u16>()
        .ok()
        .filter(|p| *p > 0)
    {
        return Err(format!(
            "the address is missing: write 0.0.0.0:{port} for tablets in the room, 127.0.0.1:{port} for this computer alone"
        ));
    }
    Err(format!(
        "expected the number of an address and a port, such as 0.0.0.0:{PAGE_PORT} for tablets in the room or \
         127.0.0.1:{PAGE_PORT} for this computer alone; a name is none"
    ))
}

fn seconds(text: &str) -> Result<f64, String> {
    let seconds = text.parse().ok().filter(|s: &f64| s.is_finite() && *s > 0.0);
    seconds.ok_or_else(|| "expected a number over 0".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_that_is_not_whole_is_told_what_to_write() {
        assert!(listen("0.0.0.0:8350").is_ok() && listen("[::]:8350").is_ok());
        for (text, advice) in [
            ("0.0.0.0", "the port is missing: write 0.0.0.0:8350"),
            ("::", "the port is missing: write [::]:8350"),
            ("8350", "write 0.0.0.0:8350 for tablets in the room"),
            (":8350", "write 0.0.0.0:8350 for tablets in the room"),
            ("localhost:8350", "a name is none"),
            ("0.0.0.0:99999", "expected the number of an address and a port"),
        ] {
            let error = listen(text).unwrap_err();
            assert!(error.contains(advice), "{text}: {error}");
        }
    }
}
