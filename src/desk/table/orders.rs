//! What a table is made from, and what somebody may want of it.

use super::super::class_file::TableEntry;
use super::super::room::Room;
use crate::acquire::control::Command;
use crate::acquire::recorder::RecordingRequest;
use crate::error::Result;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::sync::mpsc::SyncSender;
use std::time::Instant;

/// What a table is made from.
#[derive(Clone)]
pub struct TableSetup {
    pub root: PathBuf,
    pub entry: TableEntry,
    /// Name of the session.
    pub session: String,
    pub room: Arc<Room>,
    /// What frames count their time from.
    pub begun: Instant,
    /// What a session said while it ended, for the terminal.
    pub last_words: LastWords,
}

/// Words of sessions that end, until somebody has taken them.
pub type LastWords = Arc<Mutex<Vec<String>>>;

/// What somebody wants of a table.
#[derive(Debug)]
pub enum TableOrder {
    Command(Command),
    /// These people, by this plan, from here on.
    Begin(Box<RecordingRequest>),
    /// Nobody: nothing is kept, and the alarm is on.
    Rest,
    Pause(bool),
    /// The study has changed: its ceilings hold from here on.
    ReadAgain,
    /// Nobody presses this volunteer any more, and why: hands off, and rest as soon as they are.
    Withdraw(String),
    Rename(String),
    End,
}

/// An order with whom to answer.
pub(super) struct Asked {
    pub order: TableOrder,
    pub answer: SyncSender<Result<()>>,
}
