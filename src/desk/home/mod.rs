//! The desk: one study, its tables, its room, who may see them, and what runs beside.

mod addresses;
mod tables;

use super::access::{Access, TableId};
use super::class_file::ClassFile;
use super::opened::OpenStudy;
use super::room::{Room, RoomThread};
use super::table::{ClassTable, LastWords};
use super::work::{Shelf, Works};
use crate::error::{Error, Result};
use crate::study::folder::Study;
use crate::terms::Day;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

/// What a desk is started with.
#[derive(Debug, Clone)]
pub struct DeskOptions {
    /// The study's folder; it need not be there yet.
    pub root: PathBuf,
    /// This program, for what runs in a process of its own.
    pub program: PathBuf,
    /// Where its pages are served.
    pub addr: SocketAddr,
}

/// Two people who were chosen at a table.
struct Chosen {
    /// When the table said that they have begun; `None` until it does.
    at: Option<Instant>,
    examiner: String,
    subject: String,
}

/// A desk that runs.
pub struct Desk {
    pub(super) options: DeskOptions,
    pub(super) begun: Instant,
    access: Mutex<Access>,
    opened: Mutex<Option<OpenStudy>>,
    class: Mutex<ClassFile>,
    tables: Mutex<BTreeMap<TableId, Arc<ClassTable>>>,
    /// What is read, changed and written again: by one at a time.
    pub(super) editing: Mutex<()>,
    last_words: LastWords,
    /// Who was chosen last at a table, and when: the room shows it some frames later.
    chosen: Mutex<BTreeMap<TableId, Chosen>>,
    /// People are chosen at one table at a time, so that nobody is at two.
    choosing: Mutex<()>,
    pub(super) room: Arc<Room>,
    _room_thread: RoomThread,
    pub(super) works: Works,
    pub(super) shelf: Shelf,
    stop: AtomicBool,
}

pub(super) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Desk {
    /// Opens a study where there is one, with the tables that it had.
    ///
    /// # Errors
    /// As [`OpenStudy::open`]; a desk.toml that cannot be used; a system that gives no thread.
    pub fn open(options: DeskOptions) -> Result<Arc<Desk>> {
        let begun = Instant::now();
        let room = Arc::new(Room::new(begun));
        let thread = RoomThread::start(Arc::clone(&room)).map_err(no_thread)?;
        let desk = Desk {
            begun,
            access: Mutex::new(Access::default()),
            opened: Mutex::new(None),
            class: Mutex::new(ClassFile::default()),
            tables: Mutex::default(),
            editing: Mutex::default(),
            last_words: LastWords::default(),
            chosen: Mutex::default(),
            choosing: Mutex::default(),
            room,
            _room_thread: thread,
            works: Works::default(),
            shelf: Shelf::default(),
            stop: AtomicBool::new(false),
            options,
        };
        if OpenStudy::is_there(&desk.options.root) {
            desk.open_study()?;
        }
        Ok(Arc::new(desk))
    }

    /// The study's folder.
    pub fn root(&self) -> &Path {
        &self.options.root
    }

    /// Opens the study that is in the folder now.
    ///
    /// # Errors
    /// As [`Desk::open`].
    pub(super) fn open_study(&self) -> Result<()> {
        let opened = OpenStudy::open(self.root())?;
        let class = ClassFile::read(self.root())?;
        locked(&self.access).keep_in(self.root())?;
        *locked(&self.opened) = Some(opened);
        let entries = class.tables.clone();
        *locked(&self.class) = class;
        entries.into_iter().try_for_each(|entry| self.start_table(entry))
    }

    /// What a person should know of the study, found when it was opened.
    pub fn notices(&self) -> Vec<String> {
        locked(&self.opened).as_ref().map_or_else(Vec::new, |o| o.notices.clone())
    }

    /// The study as it is on the disk now; `None` before there is one.
    pub(super) fn study(&self) -> Option<Study> {
        locked(&self.opened).as_ref().map(|opened| opened.read().0)
    }

    /// The study, for what needs one.
    ///
    /// # Errors
    /// [`Error::Refused`] before there is one, or when it has an error.
    pub(super) fn sound_study(&self) -> Result<Study> {
        let opened = locked(&self.opened);
        let Some(opened) = opened.as_ref() else {
            return Err(Error::Refused {
                found: "there is no study yet".to_owned(),
                advice: "make one on the page Study".to_owned(),
            });
        };
        let (study, problems) = opened.read();
        match study.faulty {
            false => Ok(study),
            true => Err(Error::Refused {
                found: problems.first().map_or_else(|| "study.toml has an error".to_owned(), ToString::to_string),
                advice: "mend study.toml in an editor".to_owned(),
            }),
        }
    }

    /// Tables, pairs and the way of the class.
    pub(super) fn class(&self) -> ClassFile {
        locked(&self.class).clone()
    }

    /// Changes them and writes them.
    ///
    /// # Errors
    /// As `change` gives, and as [`ClassFile::write`]; then all stays as it was.
    pub(super) fn change_class(&self, change: impl FnOnce(&mut ClassFile) -> Result<()>) -> Result<()> {
        let mut class = locked(&self.class);
        let mut new = class.clone();
        change(&mut new)?;
        new.write(self.root())?;
        *class = new;
        Ok(())
    }

    /// Name of the session: the one that was set, else today.
    pub(super) fn session(&self) -> String {
        let named = locked(&self.class).class.session.clone();
        named.unwrap_or_else(|| Day::today().to_string())
    }

    /// A table that runs.
    ///
    /// # Errors
    /// [`Error::Refused`] when there is none of that number.
    pub fn table(&self, id: TableId) -> Result<Arc<ClassTable>> {
        let found = locked(&self.tables).get(&id).cloned();
        found.ok_or_else(|| Error::Refused {
            found: format!("there is no table {}", id.0),
            advice: "set it up on the page Tables".to_owned(),
        })
    }

    /// The tables as the room shows them to the teacher, alarms first.
    pub fn tables_shown(&self) -> Vec<super::room::RoomTable> {
        self.room.tables()
    }

    /// Every table that runs.
    pub(super) fn tables(&self) -> Vec<(TableId, Arc<ClassTable>)> {
        locked(&self.tables).iter().map(|(id, t)| (*id, Arc::clone(t))).collect()
    }

    /// Asks for the end of the desk.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Whether somebody asked for its end.
    pub fn is_stopping(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Ends every table in order; what is open is closed and kept. Gives what the tables said meanwhile.
    pub fn close(&self) -> Vec<String> {
        self.works.cancel();
        let tables = std::mem::take(&mut *locked(&self.tables));
        // Each waits for its own disk and line: all at once.
        std::thread::scope(|scope| {
            for (_, table) in tables {
                scope.spawn(move || drop(table));
            }
        });
        std::mem::take(&mut *locked(&self.last_words))
    }
}

fn no_thread(cause: std::io::Error) -> Error {
    Error::io("a thread", cause, "close other programs and try again")
}
