//! Ratings of any kind from a file: subject, rater, value.

use crate::format::counted;
use super::{Design, RatingTable};
use crate::error::Problem;
use crate::study::table::TextTable;
use crate::study::words::{could_be_thousands, shown};
use std::collections::{BTreeMap, HashMap};

/// More raters than any study has; what is computed of them grows with their square.
const MOST_RATERS: usize = 500;
/// Subjects times raters.
const MOST_CELLS: usize = 2_000_000;

/// Reads ratings from delimited text with the columns `subject`, `rater` and `value`; subjects and raters keep the order
/// of the file. `file` is the name that problems carry.
///
/// An empty value is a rating that was not made. Rows that cannot be used are left out with a problem; two different
/// values of one subject by one rater are both left out.
///
/// # Errors
/// A problem when a column is missing or there are no rows.
pub fn parse(file: &str, text: &str) -> Result<(RatingTable, Vec<Problem>), Vec<Problem>> {
    let mut problems = Vec::new();
    let table = TextTable::parse(file, text, &mut problems).map_err(|p| vec![p])?;
    if !table.check_headings(file, &["subject", "rater", "value"], &[], &mut problems) {
        return Err(problems);
    }
    let (mut subjects, mut raters) = (Names::default(), Names::default());
    let mut values: BTreeMap<(usize, usize), Vec<(u64, f64)>> = BTreeMap::new();
    for row in &table.rows {
        let (Some(subject), Some(rater)) = (row.get("subject"), row.get("rater")) else {
            let empty = if row.get("subject").is_none() {
                "subject"
            } else {
                "rater"
            };
            let problem = Problem::error(file, "an empty cell", "a code", "fill it in; the row is not used");
            problems.push(problem.at_line(row.line).in_column(empty));
            continue;
        };
        let (s, r) = (subjects.place(subject), raters.place(rater));
        let Some(cell) = row.get("value") else { continue };
        if table.delimiter == b',' && could_be_thousands(cell.as_bytes()) {
            problems.push(
                Problem::error(
                    file,
                    shown(cell),
                    "a number that can be read in one way: without separators between thousands, with a decimal point",
                    "correct it; the row is not used",
                )
                .at_line(row.line)
                .in_column("value"),
            );
            continue;
        }
        match cell.replace(',', ".").parse::<f64>() {
            Ok(value) if value.is_finite() => values.entry((s, r)).or_default().push((row.line, value)),
            _ if cell.eq_ignore_ascii_case("nan") => {}
            _ => problems.push(
                Problem::error(
                    file,
                    shown(cell),
                    "a number, or an empty cell",
                    "correct or empty it; the row is not used",
                )
                .at_line(row.line)
                .in_column("value"),
            ),
        }
    }
    let (subjects, raters) = (subjects.names, raters.names);
    if raters.len() > MOST_RATERS || subjects.len() * raters.len() > MOST_CELLS {
        problems.push(Problem::error(
            file,
            format!("{} by {}", counted(subjects.len(), "subject"), counted(raters.len(), "rater")),
            format!("at most {MOST_RATERS} raters, and {MOST_CELLS} places for a rating"),
            "check that the columns are the right way round, or split the table",
        ));
        return Err(problems);
    }
    let mut cells = vec![vec![None; raters.len()]; subjects.len()];
    for ((s, r), found) in values {
        if let [(_, value), others @ ..] = found.as_slice() {
            if others.iter().all(|(_, v)| v == value) {
                cells[s][r] = Some(*value);
            } else {
                problems.push(conflict(file, &subjects[s], &raters[r], &found));
            }
        }
    }
    if subjects.is_empty() {
        problems.push(Problem::error(
            file,
            "no usable rows",
            "rows of subject, rater and value",
            "add the ratings",
        ));
        return Err(problems);
    }
    let table = RatingTable {
        design: Design::Ratings,
        groups: RatingTable::apart(subjects.len()),
        subjects,
        raters,
        cells,
        notes: Vec::new(),
    };
    Ok((table, problems))
}

/// Names in the order of the file, each once.
#[derive(Default)]
struct Names {
    names: Vec<String>,
    places: HashMap<String, usize>,
}

impl Names {
    fn place(&mut self, word: &str) -> usize {
        if let Some(at) = self.places.get(word) {
            return *at;
        }
        let at = self.names.len();
        self.names.push(word.to_owned());
        self.places.insert(word.to_owned(), at);
        at
    }
}

fn conflict(file: &str, subject: &str, rater: &str, found: &[(u64, f64)]) -> Problem {
    let said: Vec<String> = found
        .iter()
        .map(|(line, v)| format!("{v} in line {line}"))
        .collect();
    Problem::error(
        file,
        format!(
            "more than one value of {} by {}: {}",
            shown(subject),
            shown(rater),
            said.join(", ")
        ),
        "one value for a subject and rater",
        "keep one, or name repeated ratings as raters of their own; none of them is used",
    )
    .at_line(found.last().map_or(0, |(line, _)| *line))
    .in_column("value")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_make_a_table_in_the_order_of_the_file() {
        let text = "subject;rater;value\nV-2;B;2,5\nV-1;A;1\nV-2;A;3\nV-1;B;\n";
        let (t, problems) = parse("r.csv", text).unwrap();
        assert_eq!(
            (t.subjects, t.raters),
            (
                vec!["V-2".to_owned(), "V-1".into()],
                vec!["B".to_owned(), "A".into()]
            )
        );
        assert_eq!(t.cells, vec![vec![Some(2.5), Some(3.0)], vec![None, Some(1.0)]]);
        assert!(problems.is_empty());
    }

    #[test]
    fn a_word_for_a_number_and_two_values_for_one_are_problems_with_their_lines() {
        let text = "subject,rater,value\nV-1,A,1\nV-1,B,hard\nV-2,A,2\nV-2,A,3\nV-2,B,2\nV-2,B,2\n";
        let (t, problems) = parse("r.csv", text).unwrap();
        assert_eq!(t.cells, vec![vec![Some(1.0), None], vec![None, Some(2.0)]]);
        assert_eq!(problems.len(), 2, "{problems:?}");
        assert_eq!((problems[0].line, problems[1].line), (Some(3), Some(5)));
        assert!(
            problems[1].found.contains("2 in line 4, 3 in line 5"),
            "{}",
            problems[1]
        );
    }

    #[test]
    fn a_missing_column_is_named() {
        let problems = parse("r.csv", "subject,examiner,value\nV-1,A,1\n").unwrap_err();
        assert!(
            problems.iter().any(|p| p.column.as_deref() == Some("rater")),
            "{problems:?}"
        );
    }
}
