//! roster.csv from the page: typed or pasted codes, looked at before they are kept.

use super::class_file::PressingPair;
use crate::acquire::recorder::file_names::sound_code;
use crate::error::{Error, Problem, Result};
use crate::study::codes::code_warning;
use crate::study::door::{self, FileKind};
use crate::study::roster::{HEADER, Person, Roster};
use crate::study::words::shown;
use crate::terms::Role;
use crate::write::write_file_whole;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::io::ErrorKind;
use std::path::Path;

/// Name of the roster in a study's folder.
pub const FILE_NAME: &str = "roster.csv";
/// People of one study.
const MOST_PEOPLE: usize = 2000;

/// Codes as they were typed or pasted: blanks, commas, semicolons and line ends between them. Pairs are two to a line.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TypedPeople {
    pub learners: String,
    pub volunteers: String,
    pub teachers: String,
    pub pairs: String,
    /// The class or year of those who are added.
    pub group: String,
}

/// What is wrong with something that was typed, beside its field.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FieldFault {
    pub field: &'static str,
    pub words: String,
}

/// What was typed comes to.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReadPeople {
    pub people: Vec<Person>,
    pub pairs: Vec<PressingPair>,
    pub faults: Vec<FieldFault>,
}

impl TypedPeople {
    /// Reads it. What is in the roster already is passed over; a code that tells who somebody is, is a fault.
    pub fn read(&self, roster: &Roster) -> ReadPeople {
        let mut found = ReadPeople::default();
        let group = Some(self.group.trim().to_owned()).filter(|g| !g.is_empty());
        for (field, text, role) in [
            ("learners", &self.learners, Role::Examiner),
            ("volunteers", &self.volunteers, Role::Subject),
            ("teachers", &self.teachers, Role::Teacher),
        ] {
            for code in text.split(is_between).filter(|c| !c.is_empty()) {
                found.add(field, code, role, group.as_ref(), roster);
            }
        }
        for line in self.pairs.lines().map(str::trim).filter(|l| !l.is_empty()) {
            let codes: Vec<&str> = line.split(is_between).filter(|c| !c.is_empty()).collect();
            let [a, b] = codes[..] else {
                found.fault("pairs", format!("{}: expected two codes on a line, such as L-01 L-02", shown(line)));
                continue;
            };
            if a == b {
                found.fault("pairs", format!("{}: nobody presses himself", shown(line)));
                continue;
            }
            // Each presses and is pressed.
            for code in [a, b] {
                for role in [Role::Examiner, Role::Subject] {
                    found.add("pairs", code, role, group.as_ref(), roster);
                }
            }
            found.pairs.push(PressingPair {
                a: a.to_owned(),
                b: b.to_owned(),
            });
        }
        if roster.people.len() + found.people.len() > MOST_PEOPLE {
            found.fault("learners", format!("more than {MOST_PEOPLE} people: make a study for each class"));
        }
        found
    }
}

fn is_between(c: char) -> bool {
    c.is_whitespace() || matches!(c, ',' | ';')
}

impl ReadPeople {
    fn fault(&mut self, field: &'static str, words: String) {
        let fault = FieldFault { field, words };
        if !self.faults.contains(&fault) {
            self.faults.push(fault);
        }
    }

    fn add(&mut self, field: &'static str, code: &str, role: Role, group: Option<&String>, roster: &Roster) {
        if let Err(error) = sound_code("a code", code) {
            return self.fault(field, error.to_string());
        }
        if let Some(like) = code_warning(code) {
            let example = if role == Role::Subject { "V-07" } else { "L-12" };
            return self.fault(
                field,
                format!("{} looks like {like}: it would stand in every file. Write a code that tells nobody who it is, such as {example}", shown(code)),
            );
        }
        let known = |p: &Person| p.code == code && p.role == role;
        if roster.people.iter().any(known) || self.people.iter().any(known) {
            return;
        }
        let alike = |p: &&Person| p.code != code && p.code.eq_ignore_ascii_case(code);
        if let Some(other) = roster.people.iter().chain(&self.people).find(alike) {
            let words = format!("{} differs from {} in capital letters only: two people, or one?", shown(code), shown(&other.code));
            return self.fault(field, words);
        }
        self.people.push(Person {
            code: code.to_owned(),
            role,
            group: group.cloned(),
            remarks: None,
        });
    }
}

/// The roster as it is on the disk; problems when it has rows that cannot be used.
///
/// # Errors
/// [`Error::Io`] when it cannot be read.
pub fn read_roster(root: &Path) -> Result<(Roster, Vec<Problem>)> {
    let path = root.join(FILE_NAME);
    match door::read_to_string(&path, FileKind::Table) {
        Ok(text) => Ok(Roster::parse(FILE_NAME, &text)),
        Err(e) if e.kind() == ErrorKind::NotFound => Ok((Roster::default(), Vec::new())),
        Err(e) => Err(Error::io(&path, e, "check its permissions")),
    }
}

/// Changes the roster, whole or not at all.
///
/// # Errors
/// A roster with a row that cannot be used, which would be lost; [`Error::Io`] when the disk will not take it.
pub fn change_roster(root: &Path, change: impl FnOnce(&mut Roster)) -> Result<Roster> {
    let (mut roster, problems) = read_roster(root)?;
    if let Some(problem) = problems.into_iter().find(|p| p.severity == crate::error::Severity::Error) {
        return Err(Error::from(problem));
    }
    change(&mut roster);
    let mut rows = csv::Writer::from_writer(Vec::new());
    let unwritable = |e: String| Error::Refused {
        found: format!("{FILE_NAME} cannot be written: {e}"),
        advice: "this is a fault of the program; please report it".to_owned(),
    };
    rows.write_record(HEADER.split(',')).map_err(|e| unwritable(e.to_string()))?;
    for p in &roster.people {
        let cells = [p.code.as_str(), p.role.word(), p.group.as_deref().unwrap_or(""), p.remarks.as_deref().unwrap_or("")];
        rows.write_record(cells).map_err(|e| unwritable(e.to_string()))?;
    }
    let bytes = rows.into_inner().map_err(|e| unwritable(e.to_string()))?;
    write_file_whole(&root.join(FILE_NAME), &bytes)?;
    Ok(roster)
}

/// Everybody of a role, each once, in the order of the roster.
pub fn codes(roster: &Roster, role: Role) -> Vec<&str> {
    let mut seen = BTreeSet::new();
    roster.codes(role).filter(|c| seen.insert(*c)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(learners: &str, pairs: &str) -> TypedPeople {
        TypedPeople {
            learners: learners.to_owned(),
            pairs: pairs.to_owned(),
            ..TypedPeople::default()
        }
    }

    #[test]
    fn a_pasted_class_becomes_people_and_pairs() {
        let read = typed("L-01, L-02;L-03\nL-01\t", "L-04 L-05\nL-06,L-07\n").read(&Roster::default());
        assert_eq!(read.faults, []);
        assert_eq!(read.pairs.len(), 2);
        let of = |role| read.people.iter().filter(|p| p.role == role).count();
        assert_eq!((of(Role::Examiner), of(Role::Subject)), (7, 4));
        let known = Roster { people: read.people };
        assert_eq!(typed("L-01 L-08", "").read(&known).people.len(), 1);
    }

    #[test]
    fn names_and_slips_are_told_before_anything_is_kept() {
        let read = typed("Anna a@b.example L-01 l-01", "L-02\nL-03 L-03\nL-1 L-2 L-3").read(&Roster::default());
        let words: Vec<&str> = read.faults.iter().map(|f| f.words.as_str()).collect();
        for (i, part) in ["a name", "a mail address", "capital letters only", "two codes", "presses himself", "two codes"].iter().enumerate() {
            assert!(words[i].contains(part), "{words:?}");
        }
        assert_eq!(read.people.len(), 1);
    }

    #[test]
    fn what_a_person_wrote_into_the_roster_stays() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join(FILE_NAME), "code;role;group;remarks\nV-07;subject;;\"left, handed\"\n").unwrap();
        let more = typed("L-01", "").read(&Roster::default()).people;
        change_roster(dir.path(), |r| r.people.extend(more)).unwrap();
        let (roster, problems) = read_roster(dir.path()).unwrap();
        assert!(problems.is_empty());
        assert_eq!(roster.people[0].remarks.as_deref(), Some("left, handed"));
        assert_eq!(codes(&roster, Role::Examiner), ["L-01"]);
        std::fs::write(dir.path().join(FILE_NAME), "code,role\nV-07,subjekt\n").unwrap();
        let error = change_roster(dir.path(), |_| {}).unwrap_err().to_string();
        assert!(error.contains("subjekt"), "a row that would be lost: {error}");
    }
}
