//! `record`: keeps what a station sends, watches the ceiling, goes through a plan.

mod args;
mod console;
mod keys;
pub(super) mod setup;
mod status_line;

use self::args::PAGE_PORT;
pub use self::args::RecordArgs;

use self::console::Console;
use self::keys::{KeyPress, Keyboard};
use self::status_line::StatusLine;
use super::Outcome;
use crate::acquire::control::Command;
use crate::live::server::{Hub, new_token, serve};
use crate::session::Session;
use crate::study::words::shown;
use anyhow::bail;
use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

/// How long the line may be silent before keys and page are looked at.
const WAIT: Duration = Duration::from_millis(10);

/// Runs the command.
///
/// # Errors
/// No study or no port, another recorder at work on the study, a disk that cannot be written from the start, a device
/// that never sends.
pub fn run(args: &RecordArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let (setup, _lock) = setup::setup(args)?;
    let hub = page(args)?;
    if let Some(hub) = &hub {
        print_addresses(hub);
    }
    let mut session = Session::start(setup)?;
    let mut keyboard = Keyboard::listen();
    let mut console = Console::new(StatusLine::new(quiet, &keyboard), hub, quiet);
    if !quiet && keyboard.single {
        console.status_line.say(
            "keys: n next, r repeat, k skip, l l next learner, v show, e estimate, q q stop; calls 1 left, 2 right, 3 even, \
             4 unsure",
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
        note!("{kept} recording{} kept", if kept == 1 { "" } else { "s" });
    }
    match report.failure {
        Some(why) if kept == 0 => bail!("{why}"),
        Some(why) => {
            note!("error: {why}");
            Ok(Outcome::Partly)
        }
        None => Ok(Outcome::Done),
    }
}

/// Addresses that can be opened: `0.0.0.0` is none.
fn print_addresses(hub: &Hub) {
    note!("page: {}", hub.url());
    match hub.urls_in_the_room() {
        None => {}
        Some(urls) if urls.is_empty() => {
            note!(
                "warning: this computer is on no network, so no tablet can open the page: connect it and start again"
            );
        }
        Some(urls) => {
            for url in urls {
                note!("page on tablets in the room: {url}");
            }
        }
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
                KeyPress::Typing(digits) => console.status_line.say(&format!(
                    "peak force: {digits} N; Enter gives the estimate, no digits are no estimate"
                )),
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
fn page(args: &RecordArgs) -> anyhow::Result<Option<Hub>> {
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
