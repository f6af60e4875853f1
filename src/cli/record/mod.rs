//! `record`: keeps what a station sends, watches the ceiling, goes through a plan.

mod console;
mod keys;
mod setup;
mod status_line;

use self::console::Console;
use self::keys::{KeyPress, Keyboard};
use self::status_line::StatusLine;
use super::Outcome;
use crate::acquire::control::Command;
use crate::acquire::control::Feedback;
use crate::live::server::{Hub, new_token, serve};
use crate::session::Session;
use crate::study::anatomy::LEVELS;
use crate::study::words::shown;
use crate::study::words::{CONTACTS, FEEDBACKS};
use crate::trace::Side;
use anyhow::bail;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

/// How long the line may be silent before keys and page are looked at.
const WAIT: Duration = Duration::from_millis(10);
/// Where the page listens on this computer when that is free.
const PAGE_PORT: u16 = 8350;

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

Keyboard: n or Enter next, r repeat, k skip, l twice next learner, v show the last test, q twice or Ctrl-C stop;
calls: 1 or arrow left, 2 or arrow right, 3 even, 4 unsure. When input is no terminal: the words next, repeat, skip,
learner, show, stop, left, right, even, unsure, one a line.")]
pub struct Args {
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
    /// Scan plan to walk through: one of the study's or a built-in one.
    #[arg(long, value_name = "PLAN")]
    pub plan: Option<String>,
    /// After a level's last test one key takes the call; nothing measured of the level is shown before.
    #[arg(long, requires = "plan")]
    pub calls: bool,
    /// Level of everything recorded.
    #[arg(long, conflicts_with = "plan", value_parser = LEVELS)]
    pub level: Option<String>,
    /// Side of everything recorded: the subject's.
    #[arg(long, conflicts_with = "plan", requires = "level", value_parser = side)]
    pub side: Option<Side>,
    /// Part of the hand.
    #[arg(long, conflicts_with = "plan", value_parser = CONTACTS)]
    pub contact: Option<String>,
    /// When measured values are shown. The ceiling alarm is on in every mode.
    #[arg(long, value_name = "WHEN", default_value = "live", value_parser = FEEDBACKS)]
    pub feedback: String,
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
    #[arg(long, value_name = "ADDR")]
    pub listen: Option<SocketAddr>,
}

fn side(word: &str) -> Result<Side, String> {
    Side::parse(word).ok_or_else(|| "expected left, right or midline".to_owned())
}

fn seconds(text: &str) -> Result<f64, String> {
    let seconds = text.parse().ok().filter(|s: &f64| s.is_finite() && *s > 0.0);
    seconds.ok_or_else(|| "expected a number over 0".to_owned())
}

/// The mode that a word names.
fn feedback(word: &str) -> Feedback {
    match word {
        "after" => Feedback::After,
        "on-request" => Feedback::OnRequest,
        "none" => Feedback::None,
        _ => Feedback::Live,
    }
}

/// Runs the command.
///
/// # Errors
/// No study or no port, another recorder at work on the study, a disk that cannot be written from the start, a device
/// that never sends.
pub fn run(args: &Args, quiet: bool) -> anyhow::Result<Outcome> {
    let (setup, _lock) = setup::setup(args)?;
    let hub = page(args)?;
    if let Some(hub) = &hub {
        eprintln!("page: {}", hub.url());
    }
    let mut session = Session::start(setup)?;
    let mut keyboard = Keyboard::listen();
    let mut console = Console::new(StatusLine::new(quiet, &keyboard), hub, quiet);
    if !quiet && keyboard.single {
        console.status_line.say(
            "keys: n next, r repeat, k skip, l l next learner, v show, q q stop; calls 1 left, 2 right, 3 even, 4 unsure",
        );
    }
    drive(&mut session, &keyboard, &mut console);
        let finished = session.finish(&mut |event| console.event(event));
    console.status_line.clear();
    keyboard.restore();
    let report = finished?;
    if let (Some(hub), Some(view)) = (&console.hub, &report.view) {
        hub.publish(view);
    }
    let kept = report.kept;
    if !quiet && !args.practice {
        eprintln!("{kept} recording{} kept", if kept == 1 { "" } else { "s" });
    }
    match report.failure {
        Some(why) if kept == 0 => bail!("{why}"),
        Some(why) => {
            eprintln!("error: {why}");
            Ok(Outcome::Partly)
        }
        None => Ok(Outcome::Done),
    }
}

/// Runs until somebody or something ends it.
fn drive(session: &mut Session, keyboard: &Keyboard, console: &mut Console) {
    let mut keys_open = true;
    while session.is_running() {
        session.advance(WAIT, &mut |event| console.event(event));
        for press in keyboard.presses.try_iter() {
            match press {
                KeyPress::Command(command) => session.command(command),
                KeyPress::Again(what) => console.status_line.say(&format!("once more to {what}")),
                KeyPress::Unknown(word) => console
                    .status_line
                    .say(&format!("{} means nothing here", shown(&word))),
                KeyPress::Closed => keys_open = false,
            }
        }
        for command in console.hub.iter().flat_map(|hub| hub.commands.try_iter()) {
            session.command(command);
        }
        console.refresh(session);
        // Nobody is left who could say anything more.
        if !keys_open && console.hub.is_none() && session.is_at_end() {
            session.command(Command::Stop);
        }
    }
}

/// The page's server, when one is wanted.
fn page(args: &Args) -> anyhow::Result<Option<Hub>> {
    if let Some(addr) = args.listen {
        let token = match addr.ip().is_loopback() {
            true => None,
            false => Some(new_token()?),
        };
        return Ok(Some(serve(addr, token)?));
    }
    if !args.page {
        return Ok(None);
    }
    let own = |port| SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    Ok(Some(
        serve(own(PAGE_PORT), None).or_else(|_| serve(own(0), None))?,
    ))
}
