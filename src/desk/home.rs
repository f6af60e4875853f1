//! The desk: one study, its tables, its room, who may see them, and what runs beside.

use super::access::{Access, PageRole, TableId, Token};
use super::class_file::{ClassFile, MOST_TABLES, TableEntry};
use super::opened::OpenStudy;
use super::room::{Room, RoomThread};
use super::table::{ClassTable, LastWords, TableOrder, TableSetup};
use super::work::{Shelf, Works};
use crate::acquire::recorder::RecordingRequest;
use crate::error::{Error, Result, steers};
use crate::live::server::{address_here, addresses_in_the_room};
use crate::study::folder::Study;
use crate::study::plan::Plan;
use crate::study::words::shown;
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

/// So long after people were chosen the room shows them.
const SHOWN_BY: std::time::Duration = std::time::Duration::from_secs(2);

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

    pub(super) fn start_table(&self, entry: TableEntry) -> Result<()> {
        let id = entry.id;
        let table = ClassTable::start(TableSetup {
            root: self.root().to_owned(),
            entry,
            session: self.session(),
            room: Arc::clone(&self.room),
            begun: self.begun,
            last_words: Arc::clone(&self.last_words),
        });
        let before = locked(&self.tables).insert(id, Arc::new(table.map_err(no_thread)?));
        drop(before);
        Ok(())
    }

    /// Sets a table up and starts it.
    ///
    /// # Errors
    /// Too many tables, or a port that another table has.
    pub(super) fn add_table(&self, name: &str, port: &str) -> Result<TableId> {
        let mut added = None;
        self.change_class(|class| {
            if class.tables.len() >= MOST_TABLES {
                return Err(Error::Refused {
                    found: format!("{MOST_TABLES} tables are set up already"),
                    advice: "remove one, or use a second computer and merge the studies afterwards".to_owned(),
                });
            }
            let is_real = crate::acquire::virtual_device::parse_port_name(port).is_none();
            if let Some(other) = class.tables.iter().find(|t| is_real && t.port == port) {
                return Err(Error::Refused {
                    found: format!("{} is the port of {} already", shown(port), shown(&other.name)),
                    advice: "choose another port".to_owned(),
                });
            }
            let id = class.next_id();
            let name = match name.trim() {
                "" => format!("Table {}", id.0),
                name => sound_name(name)?,
            };
            free_name(class, id, &name)?;
            let entry = TableEntry {
                id,
                name,
                port: port.to_owned(),
                plan: None,
            };
            class.tables.push(entry.clone());
            added = Some(entry);
            Ok(())
        })?;
        let Some(entry) = added else {
            return Err(Error::Refused {
                found: "no table was added".to_owned(),
                advice: "try again".to_owned(),
            });
        };
        let id = entry.id;
        self.start_table(entry)?;
        Ok(id)
    }

    /// Sets up tables with virtual stations, each with hands of its own, when the study has no tables yet.
    ///
    /// # Errors
    /// Without a study, and as [`Desk::add_table`].
    pub fn add_virtual_tables(&self, count: u16) -> Result<()> {
        self.sound_study()?;
        if !locked(&self.class).tables.is_empty() {
            return Ok(());
        }
        (1..=count).try_for_each(|n| self.add_table("", &format!("sim:seed={n}")).map(drop))
    }

    /// Ends a table in order and forgets it and its token.
    ///
    /// # Errors
    /// As [`ClassFile::write`].
    pub(super) fn remove_table(&self, id: TableId) -> Result<()> {
        self.change_class(|class| {
            class.tables.retain(|t| t.id != id);
            Ok(())
        })?;
        let table = locked(&self.tables).remove(&id);
        if let Some(table) = table {
            table.stream.cut();
            drop(table);
        }
        locked(&self.access).revoke(PageRole::Table(id))
    }

    /// Gives a table another name.
    ///
    /// # Errors
    /// A name of several lines, too long or empty.
    pub(super) fn rename_table(&self, id: TableId, name: &str) -> Result<()> {
        let name = sound_name(name)?;
        self.change_class(|class| {
            free_name(class, id, &name)?;
            class.tables.iter_mut().filter(|t| t.id == id).for_each(|t| t.name.clone_from(&name));
            Ok(())
        })?;
        self.table(id)?.order(TableOrder::Rename(name))
    }

    /// The study has changed: each table reads it again as soon as no hand is on. Gives the words of those that do not answer.
    pub(super) fn read_again(&self) -> Vec<String> {
        let answers = self.tables().into_iter().map(|(_, table)| table.order(TableOrder::ReadAgain));
        answers.filter_map(|a| a.err().map(|e| e.to_string())).collect()
    }

    /// The plan that a table goes by: sent to it, else the class's, else the study's own.
    pub(super) fn plan_of(&self, id: TableId, study: &Study) -> Result<Option<Plan>> {
        let class = self.class();
        let sent = class.tables.iter().find(|t| t.id == id).and_then(|t| t.plan.clone());
        let named = sent.or(class.class.plan);
        match named {
            None => Ok(study.default_plan.clone()),
            Some(name) => match study.plan(&name) {
                Some(plan) => Ok(Some(plan)),
                None => Err(Error::from(study.no_plan(&name, "the class's plan"))),
            },
        }
    }

    /// What a table is to record of two people.
    pub(super) fn request(&self, id: TableId, study: &Study, examiner: &str, subject: &str) -> Result<RecordingRequest> {
        let way = locked(&self.class).class.clone();
        Ok(RecordingRequest {
            subject: Some(subject.to_owned()),
            examiner: Some(examiner.to_owned()),
            session: self.session(),
            plan: self.plan_of(id, study)?,
            feedback: way.feedback,
            calls: way.calls,
            estimates: way.estimates,
            others_record: true,
            tests_are_seen: true,
            ..RecordingRequest::default()
        })
    }

    /// At which other table somebody is, as learner or volunteer.
    pub(super) fn elsewhere(&self, id: TableId, code: &str) -> Option<TableId> {
        let shown = self.room.people();
        let shown = shown.into_iter().filter(|(_, e, s)| e.as_deref() == Some(code) || s.as_deref() == Some(code)).map(|(t, _, _)| t);
        let chosen = locked(&self.chosen);
        let fresh = chosen.iter().filter(|(_, c)| c.at.is_none_or(|at| at.elapsed() < SHOWN_BY) && (c.examiner == code || c.subject == code)).map(|(t, _)| *t);
        shown.chain(fresh).find(|table| *table != id)
    }

    /// Lets two people begin at a table, unless one of them is at another.
    ///
    /// # Errors
    /// [`Error::Refused`] that names the table; as the table answers.
    pub(super) fn begin(&self, id: TableId, request: RecordingRequest) -> Result<()> {
        let (examiner, subject) = (request.examiner.clone().unwrap_or_default(), request.subject.clone().unwrap_or_default());
        let table = self.table(id)?;
        let own = |at| Chosen {
            at,
            examiner: examiner.clone(),
            subject: subject.clone(),
        };
        {
            let _alone = locked(&self.choosing);
            for code in [&examiner, &subject] {
                if let Some(other) = self.elsewhere(id, code) {
                    return Err(Error::Refused {
                        found: format!("{} is at {}", shown(code), self.name_of(other)),
                        advice: "choose somebody else, or end there first".to_owned(),
                    });
                }
            }
            // Theirs until the table has answered.
            locked(&self.chosen).insert(id, own(None));
        }
        let begun = table.order(TableOrder::Begin(Box::new(request)));
        let mut chosen = locked(&self.chosen);
        match begun.is_ok() {
            true => chosen.insert(id, own(Some(Instant::now()))),
            false => chosen.remove(&id),
        };
        begun
    }

    /// A table's name.
    pub(super) fn name_of(&self, id: TableId) -> String {
        let class = locked(&self.class);
        let entry = class.tables.iter().find(|t| t.id == id);
        entry.map_or_else(|| format!("table {}", id.0), |t| t.name.clone())
    }

    /// Whose token this is.
    pub fn role_of(&self, token: &str) -> Option<PageRole> {
        locked(&self.access).role_of(token)
    }

    /// The token of a role.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub fn token(&self, role: PageRole) -> Result<Token> {
        locked(&self.access).token(role)
    }

    /// A new token for a role, and the end of every page that was opened by the old one.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub(super) fn replace_token(&self, role: PageRole) -> Result<Token> {
        if let PageRole::Table(id) = role {
            self.table(id)?;
        }
        let token = locked(&self.access).replace(role)?;
        self.cut(role);
        Ok(token)
    }

    /// Ends the streams that a role may see; whoever may see them still comes back by itself.
    fn cut(&self, role: PageRole) {
        match role {
            // The teacher's token opens every page.
            PageRole::Teacher => {
                self.shelf.clear();
                self.room.teacher.cut();
                self.room.look.cut();
                self.tables().iter().for_each(|(_, table)| table.stream.cut());
            }
            PageRole::Look => self.room.look.cut(),
            PageRole::Table(id) => self.table(id).iter().for_each(|table| table.stream.cut()),
        }
    }

    /// Ends the streams of tokens that have ended; to be called every now and then.
    pub fn cut_ended(&self) {
        let ended = locked(&self.access).take_ended();
        ended.into_iter().for_each(|role| self.cut(role));
    }

    /// The address of a role's page on this computer, with its token.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub fn url(&self, role: PageRole) -> Result<String> {
        self.url_at(address_here(self.options.addr), role)
    }

    /// The address that another device in the room opens; that of this computer where no other can reach it.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub fn url_in_the_room(&self, role: PageRole) -> Result<String> {
        let own = addresses_in_the_room(self.options.addr).and_then(|a| a.into_iter().next());
        self.url_at(own.unwrap_or(address_here(self.options.addr)), role)
    }

    fn url_at(&self, addr: SocketAddr, role: PageRole) -> Result<String> {
        Ok(format!("http://{addr}{}?token={}", role.path(), self.token(role)?.token))
    }

    /// Whether other devices can reach the pages: the way to them is then not encrypted.
    pub fn is_in_the_room(&self) -> bool {
        !self.options.addr.ip().is_loopback()
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

/// Alarms tell tables apart by their names.
fn free_name(class: &ClassFile, id: TableId, name: &str) -> Result<()> {
    let taken = |t: &TableEntry| t.id != id && t.name.eq_ignore_ascii_case(name);
    match class.tables.iter().any(taken) {
        false => Ok(()),
        true => Err(Error::Refused {
            found: format!("another table is called {} already", shown(name)),
            advice: "give this one another name".to_owned(),
        }),
    }
}

/// A table's name: one line of some words.
fn sound_name(name: &str) -> Result<String> {
    let name = name.trim();
    match name.is_empty() || name.chars().count() > 40 || name.chars().any(|c| c.is_control() || steers(c)) {
        false => Ok(name.to_owned()),
        true => Err(Error::Setting {
            what: "the name of a table".to_owned(),
            found: shown(name),
            expected: "one line of at most 40 characters, such as Window".to_owned(),
        }),
    }
}
