//! `desk`: the whole class from a browser.

use super::Outcome;
use super::record::args::listen;
use super::record::keys::{KeyPress, Keyboard};
use crate::acquire::control::Command;
use crate::desk::access::PageRole;
use crate::desk::server::{DeskServer, bind};
use crate::desk::{Desk, DeskOptions};
use crate::live::server::EndAsked;
use anyhow::Context;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Where the pages are when that is free.
const PORT: u16 = 8351;
/// Between two looks whether it is to end.
const LOOK: Duration = Duration::from_millis(100);
/// Between two looks whether a token has ended.
const TOKENS: Duration = Duration::from_secs(5);

/// Opens the desk: a page on which a study is made, people and tables are set up, a class is recorded at several stations at
/// once, and debriefed.
///
/// Each table has a page of its own for a tablet, and the room has one for the projector. What is done on the pages is
/// written to the files that the other commands read and write.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint desk autumn-term                            prints the address to open on this computer
  tautpoint desk autumn-term --listen 0.0.0.0:8351      tablets in the room can open their pages too
  tautpoint desk autumn-term --virtual-tables 2         with two virtual stations, to try it

The folder need not be there yet: its page makes the study. Ctrl-C, `q` twice, or End on the page Tables, ends it in order.")]
pub struct DeskArgs {
    /// Folder of the study; the page makes it when it is not there.
    #[arg(value_name = "STUDY")]
    pub study: PathBuf,
    /// Address that the pages listen on, such as 0.0.0.0:8351 for tablets in the room.
    #[arg(long, value_name = "ADDR", value_parser = listen)]
    pub listen: Option<SocketAddr>,
    /// Sets up so many tables with virtual stations, when the study has no tables yet.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=16))]
    pub virtual_tables: Option<u16>,
    /// Ends by itself after so many seconds.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    pub seconds: Option<u32>,
}

/// Runs the command.
///
/// # Errors
/// A study with an error, or one that another recorder is at work on; an address that cannot be listened on.
pub fn run(args: &DeskArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let own = |port| SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    let (listener, addr) = match args.listen {
        Some(addr) => bind(addr)?,
        None => bind(own(PORT)).or_else(|_| bind(own(0)))?,
    };
    let program = std::env::current_exe().context("the program cannot find itself, to run analyses")?;
    let desk = Desk::open(DeskOptions {
        root: args.study.clone(),
        program,
        addr,
    })?;
    if let Some(count) = args.virtual_tables {
        desk.add_virtual_tables(count)?;
    }
    for notice in desk.notices() {
        note!("warning: {notice}");
    }
    let server = DeskServer::start(Arc::clone(&desk), listener, addr)?;
    note!("teacher's page: {}", desk.url(PageRole::Teacher)?);
    if desk.is_in_the_room() {
        note!(
            "from elsewhere in the room: {}",
            desk.url_in_the_room(PageRole::Teacher)?
        );
        note!("warning: the way over the network is not encrypted: use one that you trust");
    } else if !quiet {
        note!("tablets cannot reach it: --listen 0.0.0.0:{PORT} lets them. Ctrl-C ends the desk");
    }
    let mut keyboard = Keyboard::listen();
    let asked = on_end_asked(&desk);
    let mut looked = Instant::now();
    let until = args
        .seconds
        .map(|s| Instant::now() + Duration::from_secs(s.into()));
    while !desk.is_stopping() && until.is_none_or(|u| Instant::now() < u) {
        if keyboard
            .presses
            .try_iter()
            .any(|press| press == KeyPress::Command(Command::Stop))
        {
            desk.stop();
        }
        for fault in server.take_faults() {
            note!("error: {fault}");
        }
        if looked.elapsed() >= TOKENS {
            looked = Instant::now();
            desk.cut_ended();
        }
        std::thread::sleep(LOOK);
    }
    drop(asked);
    keyboard.restore();
    for words in desk.close() {
        note!("{words}");
    }
    if !quiet {
        note!("every table has ended; what was recorded is kept");
    }
    Ok(Outcome::Done)
}

/// Has the desk end in order when the system asks for it, as a service manager or a closed terminal does.
fn on_end_asked(desk: &Arc<Desk>) -> Option<EndAsked> {
    let desk = Arc::clone(desk);
    // Where the system takes no such wish, it ends the program as it always does.
    EndAsked::listen(move || desk.stop()).ok()
}
