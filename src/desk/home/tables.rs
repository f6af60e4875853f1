//! The tables of a desk: set up, named, and who presses whom at each.

use super::super::access::{PageRole, TableId};
use super::super::class_file::{ClassFile, MOST_TABLES, TableEntry};
use super::super::table::{ClassTable, TableOrder, TableSetup};
use super::{Chosen, Desk, locked, no_thread};
use crate::acquire::recorder::RecordingRequest;
use crate::error::{Error, Result, steers};
use crate::study::folder::Study;
use crate::study::plan::Plan;
use crate::study::words::shown;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// So long after people were chosen the room shows them.
const SHOWN_BY: Duration = Duration::from_secs(2);

impl Desk {
    pub(in crate::desk) fn start_table(&self, entry: TableEntry) -> Result<()> {
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
    pub(in crate::desk) fn add_table(&self, name: &str, port: &str) -> Result<TableId> {
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
    pub(in crate::desk) fn remove_table(&self, id: TableId) -> Result<()> {
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
    pub(in crate::desk) fn rename_table(&self, id: TableId, name: &str) -> Result<()> {
        let name = sound_name(name)?;
        self.change_class(|class| {
            free_name(class, id, &name)?;
            class.tables.iter_mut().filter(|t| t.id == id).for_each(|t| t.name.clone_from(&name));
            Ok(())
        })?;
        self.table(id)?.order(TableOrder::Rename(name))
    }

    /// The study has changed: each table reads it again as soon as no hand is on. Gives the words of those that do not answer.
    pub(in crate::desk) fn read_again(&self) -> Vec<String> {
        let answers = self.tables().into_iter().map(|(_, table)| table.order(TableOrder::ReadAgain));
        answers.filter_map(|a| a.err().map(|e| e.to_string())).collect()
    }

    /// The plan that a table goes by: sent to it, else the class's, else the study's own.
    pub(in crate::desk) fn plan_of(&self, id: TableId, study: &Study) -> Result<Option<Plan>> {
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
    pub(in crate::desk) fn request(&self, id: TableId, study: &Study, examiner: &str, subject: &str) -> Result<RecordingRequest> {
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
    pub(in crate::desk) fn elsewhere(&self, id: TableId, code: &str) -> Option<TableId> {
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
    pub(in crate::desk) fn begin(&self, id: TableId, request: RecordingRequest) -> Result<()> {
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
    pub(in crate::desk) fn name_of(&self, id: TableId) -> String {
        let class = locked(&self.class);
        let entry = class.tables.iter().find(|t| t.id == id);
        entry.map_or_else(|| format!("table {}", id.0), |t| t.name.clone())
    }
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
