//! roster.csv from the page: typed or pasted codes, looked at before they are kept.

use super::class_file::PressingPair;
use crate::acquire::recorder::file_names::sound_code;
use crate::acquire::recorder::append::append_row;
use crate::acquire::recorder::disk::FileDisk;
use crate::error::{Error, Problem, Result, Severity, steers};
use crate::study::codes::code_warning;
use crate::study::door::{self, FileKind};
use crate::study::roster::{Person, Roster};
use crate::study::table::{TextRow, TextTable};
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
        if let Some(words) = group.as_deref().and_then(unsound) {
            found.fault("group", words);
        }
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
        if let Some(words) = unsound(code) {
            return self.fault(field, words);
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

/// Why a text that somebody typed is not kept: signs that nobody sees, or a beginning that a spreadsheet takes for a formula and a reader
/// for a remark.
pub fn unsound(text: &str) -> Option<String> {
    let unseen = |c: char| steers(c) || matches!(c, '\u{200b}'..='\u{200d}' | '\u{2060}' | '\u{feff}');
    if text.chars().any(unseen) {
        return Some(format!("{} holds signs that nobody sees: type it by hand", shown(text)));
    }
    let first = text.chars().next().filter(|c| "=+-@#".contains(*c))?;
    Some(format!("{} begins with {first}: a spreadsheet would take it for something else. Begin with a letter or a digit", shown(text)))
}

/// Adds people to the roster, each as a row under the headings that it has; what else a person wrote into it stays.
///
/// # Errors
/// A roster with a row that cannot be used; [`Error::Io`] when the disk will not take it.
pub fn add_to_roster(root: &Path, people: &[Person]) -> Result<()> {
    sound_roster(root)?;
    let path = root.join(FILE_NAME);
    people.iter().try_for_each(|p| {
        let cells = [
            ("code", p.code.as_str()),
            ("role", p.role.word()),
            ("group", p.group.as_deref().unwrap_or("")),
            ("remarks", p.remarks.as_deref().unwrap_or("")),
        ];
        append_row(&FileDisk, &path, &cells, &["code", "role"])
    })
}

/// Takes the row of a person out of the roster, whole or not at all; every other line stays as it is.
///
/// # Errors
/// As [`add_to_roster`]; a row of several lines, which is left to a person.
pub fn take_from_roster(root: &Path, code: &str, role: Role) -> Result<()> {
    sound_roster(root)?;
    let path = root.join(FILE_NAME);
    let text = door::read_to_string(&path, FileKind::Table).map_err(|e| Error::io(&path, e, "check its permissions"))?;
    let table = TextTable::parse(FILE_NAME, &text, &mut Vec::new()).map_err(Error::from)?;
    let of_person = |r: &&TextRow| r.get("code") == Some(code) && r.get("role") == Some(role.word());
    let lines: Vec<u64> = table.rows.iter().filter(of_person).map(|r| r.line).collect();
    let mut kept = String::with_capacity(text.len());
    for (line, words) in (1_u64..).zip(text.split_inclusive('\n')) {
        if !lines.contains(&line) {
            kept.push_str(words);
        } else if words.matches('"').count() % 2 == 1 {
            return Err(Error::Refused {
                found: format!("the row of {} is several lines long", shown(code)),
                advice: format!("take it out of {FILE_NAME} in an editor; nothing was changed"),
            });
        }
    }
    write_file_whole(&path, kept.as_bytes())
}

fn sound_roster(root: &Path) -> Result<()> {
    let (_, problems) = read_roster(root)?;
    match problems.into_iter().find(|p| p.severity == Severity::Error) {
        Some(problem) => Err(Error::from(problem)),
        None => Ok(()),
    }
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
        let path = dir.path().join(FILE_NAME);
        let before = "# ours\ncode;handed;role;remarks\nV-07;left;subject;\"left; handed\"\n";
        std::fs::write(&path, before).unwrap();
        add_to_roster(dir.path(), &typed("L-01 L-02", "").read(&Roster::default()).people).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        assert_eq!(text, format!("{before}L-01;;examiner;\nL-02;;examiner;\n"));
        take_from_roster(dir.path(), "L-01", Role::Examiner).unwrap();
        take_from_roster(dir.path(), "L-02", Role::Subject).unwrap();
        let (roster, _) = read_roster(dir.path()).unwrap();
        assert_eq!(codes(&roster, Role::Examiner), ["L-02"]);
        assert_eq!(roster.people[0].remarks.as_deref(), Some("left; handed"));
        std::fs::write(&path, "code,role\nV-07,subjekt\n").unwrap();
        let error = add_to_roster(dir.path(), &[]).unwrap_err().to_string();
        assert!(error.contains("subjekt"), "{error}");
    }

    #[test]
    fn what_a_spreadsheet_or_nobody_would_see_is_no_code() {
        for code in ["=1+1", "@SUM", "#1", "-7", "L\u{202e}1", "L\u{200b}2"] {
            let read = typed(code, "").read(&Roster::default());
            assert_eq!((read.people.len(), read.faults.len()), (0, 1), "{code:?}");
        }
    }
}
