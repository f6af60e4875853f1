//! roster.csv: the codes of a study and what part each one plays. No names.

use std::collections::HashSet;
use super::codes::code_warning;
use super::table::{TextRow, TextTable};
use super::words::{nearest, one_of, shown};
use crate::error::Problem;
use crate::terms::{Role, Term};

/// Headings of the file, in the order that `prepare` writes them.
pub const HEADER: &str = "code,role,group,remarks";

/// One coded person. Somebody who is both examined and examiner has two rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    pub code: String,
    pub role: Role,
    /// A class or a year, for showing learners together.
    pub group: Option<String>,
    pub remarks: Option<String>,
}

/// The people of a study.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Roster {
    pub people: Vec<Person>,
}

impl Roster {
    /// Codes of a role; teachers are examiners too.
    pub fn codes(&self, role: Role) -> impl Iterator<Item = &str> {
        self.people
            .iter()
            .filter(move |p| p.role == role || (role, p.role) == (Role::Examiner, Role::Teacher))
            .map(|p| p.code.as_str())
    }

    /// Reads the text of roster.csv; rows that cannot be used are left out with a problem.
    pub fn parse(file: &str, text: &str) -> (Roster, Vec<Problem>) {
        let mut problems = Vec::new();
        let table = match TextTable::parse(file, text, &mut problems) {
            Ok(table) => table,
            Err(problem) => return (Roster::default(), vec![problem]),
        };
        warn_of_personal_columns(file, &table, &mut problems);
        if !table.check_headings(file, &["code", "role"], &["group", "remarks"], &mut problems) {
            return (Roster::default(), problems);
        }
        let mut roster = Roster::default();
        let mut seen = HashSet::new();
        for row in &table.rows {
            match read_row(file, row, &mut seen, &mut problems) {
                Ok(person) => roster.people.push(person),
                Err(problem) => problems.push(problem.at_line(row.line)),
            }
        }
        (roster, problems)
    }

}

fn warn_of_personal_columns(file: &str, table: &TextTable, problems: &mut Vec<Problem>) {
    const PERSONAL: [&str; 8] = [
        "name",
        "surname",
        "first name",
        "mail",
        "email",
        "e-mail",
        "birth",
        "phone",
    ];
    for heading in &table.headings {
        if PERSONAL.iter().any(|p| heading.contains(p)) {
            problems.push(
                Problem::warning(
                    file,
                    "a column that would tell who a person is",
                    "codes only",
                    "keep that list elsewhere, locked, and take the column out",
                )
                .at_line(table.header_line)
                .in_column(shown(heading)),
            );
        }
    }
}
/// `seen` holds the codes so far, each with its role.
fn read_row<'t>(
    file: &str,
    row: &'t TextRow,
    seen: &mut HashSet<(&'t str, Role)>,
    problems: &mut Vec<Problem>,
) -> Result<Person, Problem> {
    let Some(code) = row.get("code") else {
        let p = Problem::error(file, "an empty cell", "a code", "fill it in; the row is not used");
        return Err(p.in_column("code"));
    };
    if let Some(like) = code_warning(code) {
        problems.push(
            Problem::warning(
                file,
                format!("{}, which looks like {like}", shown(code)),
                "a code that tells nobody who it is",
                "replace it by a code such as V-07, here and in the sidecars",
            )
            .at_line(row.line)
            .in_column("code"),
        );
    }
    let word = row.get("role").unwrap_or_default();
    let Some(role) = Role::parse(word) else {
        let near = nearest(word, Role::words())
            .map_or(String::new(), |n| format!("write {n} if that is meant; "));
        let advice = format!("{near}the row is not used");
        return Err(Problem::error(file, shown(word), one_of(&Role::words()), advice).in_column("role"));
    };
    if !seen.insert((code, role)) {
        return Err(Problem::error(
            file,
            format!("{} a second time as {role}", shown(code)),
            "each code once for each role",
            "give one of them another code; the row is not used",
        )
        .in_column("code"));
    }
    Ok(Person {
        code: code.to_owned(),
        role,
        group: row.get("group").map(str::to_owned),
        remarks: row.get("remarks").map(str::to_owned),
    })
}

