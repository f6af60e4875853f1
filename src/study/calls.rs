//! calls.csv: what examiners said, one row a call.

use super::call::Call;
use super::codes::code_warning;
use super::table::{TextRow, TextTable};
use super::words::{could_be_thousands, nearest, one_of, shown};
use crate::error::Problem;
use crate::terms::{Felt, Level, Term, looks_like_a_day};
use std::collections::{BTreeMap, BTreeSet};

const NEEDED: [&str; 5] = ["subject", "examiner", "session", "level", "call"];
const OPTIONAL: [&str; 2] = ["trial", "confidence"];

/// What a number of the table looks like.
const ONE_WAY: &str = "a number that can be read in one way, without separators between thousands and with a decimal point, or \
                       an empty cell";

/// Headings of the file, in the order that `prepare` writes them.
pub const HEADER: &str = "subject,examiner,session,level,trial,call,confidence";

/// What a call is about; only one call may stand for it.
type CallKey<'a> = (&'a str, &'a str, &'a str, Level, Option<u32>);

/// Reads the text of calls.csv.
///
/// A row that cannot be used is left out with a problem; two rows that contradict each other are both left out.
pub fn parse(file: &str, text: &str) -> (Vec<Call>, Vec<Problem>) {
    let mut problems = Vec::new();
    let table = match TextTable::parse(file, text, &mut problems) {
        Ok(table) => table,
        Err(problem) => return (Vec::new(), vec![problem]),
    };
    if !table.check_headings(file, &NEEDED, &OPTIONAL, &mut problems) {
        return (Vec::new(), problems);
    }
    let mut rows: Vec<(u64, Call)> = Vec::new();
    for row in &table.rows {
        match read_row(file, row, table.delimiter) {
            Ok(call) => rows.push((row.line, call)),
            Err(problem) => problems.push(problem),
        }
    }
    warn_of_codes(file, &rows, &mut problems);
    let calls = drop_doubled(file, rows, &mut problems);
    problems.sort_by_key(|p| p.line);
    (calls, problems)
}

fn read_row(file: &str, row: &TextRow, delimiter: u8) -> Result<Call, Problem> {
    let cells = Cells { file, row };
    let unclear = |cell: &str| delimiter == b',' && could_be_thousands(cell.as_bytes());
    Ok(Call {
        subject: cells.text("subject")?,
        examiner: cells.text("examiner")?,
        session: cells.session()?,
        level: cells.word("level")?,
        trial: cells.number("trial", "a whole number from 1, or an empty cell", |t| {
            t.parse().ok().filter(|n| *n >= 1)
        })?,
        call: cells.word("call")?,
        confidence: cells.number("confidence", ONE_WAY, |t| {
            let number = t.replace(',', ".").parse().ok().filter(|c: &f64| c.is_finite());
            number.filter(|_| !unclear(t))
        })?,
    })
}

/// The cells of one row, each read with its own problem.
struct Cells<'a> {
    file: &'a str,
    row: &'a TextRow,
}

impl Cells<'_> {
    fn fault(&self, column: &str, found: &str, expected: &str, advice: &str) -> Problem {
        Problem::error(
            self.file,
            shown(found),
            expected,
            format!("{advice}; the row is not used"),
        )
        .at_line(self.row.line)
        .in_column(column)
    }

    fn text(&self, column: &str) -> Result<String, Problem> {
        self.row
            .get(column)
            .map(str::to_owned)
            .ok_or_else(|| self.fault(column, "", "the code or word that belongs here", "fill it in"))
    }

    /// The session's name; a day is written as in the sidecars.
    fn session(&self) -> Result<String, Problem> {
        let session = self.text("session")?;
        match looks_like_a_day(&session) {
            false => Ok(session),
            true => Err(self.fault(
                "session",
                &session,
                "a day of ISO 8601 such as 2026-09-14, or a name",
                "write the year first",
            )),
        }
    }

    fn word<T: Term>(&self, column: &str) -> Result<T, Problem> {
        let found = self.text(column)?;
        if let Some(term) = T::parse(&found) {
            return Ok(term);
        }
        let known = T::words();
        let advice = match nearest(&found, known.iter().copied()) {
            Some(near) => format!("write {near} if that is meant"),
            None => "correct the word".to_owned(),
        };
        Err(self.fault(column, &found, &one_of(&known), &advice))
    }

    /// A number, `None` for an empty cell.
    fn number<T>(
        &self,
        column: &str,
        expected: &str,
        read: impl Fn(&str) -> Option<T>,
    ) -> Result<Option<T>, Problem> {
        let Some(found) = self.row.get(column) else {
            return Ok(None);
        };
        match read(found) {
            Some(value) => Ok(Some(value)),
            None => Err(self.fault(column, found, expected, "correct or empty it")),
        }
    }
}

fn warn_of_codes(file: &str, rows: &[(u64, Call)], problems: &mut Vec<Problem>) {
    let mut warned = BTreeSet::new();
    for (line, call) in rows {
        for (column, code) in [("subject", &call.subject), ("examiner", &call.examiner)] {
            if let Some(like) = code_warning(code)
                && warned.insert(code)
            {
                problems.push(
                    Problem::warning(
                        file,
                        format!("{}, which looks like {like}", shown(code)),
                        "a code that tells nobody who it is",
                        "replace it by a code such as V-07",
                    )
                    .at_line(*line)
                    .in_column(column),
                );
            }
        }
    }
}

/// Leaves out rows that repeat another, and all rows that contradict one another.
fn drop_doubled(file: &str, rows: Vec<(u64, Call)>, problems: &mut Vec<Problem>) -> Vec<Call> {
    let mut seen: BTreeMap<CallKey, Vec<(u64, Felt)>> = BTreeMap::new();
    for (line, call) in &rows {
        seen.entry(about(call)).or_default().push((*line, call.call));
    }
    let mut calls = Vec::new();
    for (line, call) in &rows {
        let line = *line;
        let others = seen.get(&about(call)).map_or(&[][..], Vec::as_slice);
        let contradicts = others.iter().any(|(_, word)| *word != call.call);
        let first = others.first().map_or(line, |(l, _)| *l);
        if contradicts {
            if first != line {
                let words: Vec<String> = others.iter().map(|(l, w)| format!("{w} in line {l}")).collect();
                problems.push(
                    Problem::error(
                        file,
                        format!(
                            "more than one call for {} by {}: {}",
                            call.level,
                            shown(&call.examiner),
                            words.join(", ")
                        ),
                        "one call for a subject, examiner, session, level and trial",
                        "delete the wrong one; none of them is used",
                    )
                    .at_line(line)
                    .in_column("call"),
                );
            }
        } else if first == line {
            calls.push(call.clone());
        } else {
            problems.push(
                Problem::warning(
                    file,
                    format!("the same call as in line {first}"),
                    "one call for a subject, examiner, session, level and trial",
                    "delete the row; it is not used",
                )
                .at_line(line),
            );
        }
    }
    calls
}

fn about(call: &Call) -> CallKey<'_> {
    (
        &call.subject,
        &call.examiner,
        &call.session,
        call.level,
        call.trial,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_call_of_another_word_is_a_problem_with_its_line() {
        let (calls, problems) = parse(
            "calls.csv",
            "subject,examiner,session,level,call\nV-07,L-12,s1,L3,right\n\n# note\nV-07,L-12,s1,L4,rihgt\n",
        );
        assert_eq!(calls.len(), 1);
        assert_eq!(problems[0].line, Some(5));
        assert_eq!(problems[0].column.as_deref(), Some("call"));
        assert_eq!(problems[0].expected, "left, right, even or unsure");
        assert!(problems[0].advice.contains("write right"), "{}", problems[0]);
    }

    #[test]
    fn calls_that_contradict_each_other_are_all_left_out() {
        let text = "subject;examiner;session;level;trial;call;confidence\n\
                    V-07;L-12;s1;L3;1;right;2,5\nV-07;L-12;s1;L3;1;left;3\nV-07;L-12;s1;L4;;even;\nV-07;L-12;s1;L4;;even;\n";
        let (calls, problems) = parse("calls.csv", text);
        assert_eq!(calls.len(), 1);
        assert_eq!(calls[0].level, Level::L4);
        assert_eq!(calls[0].trial, None);
        assert_eq!(problems.len(), 2);
        assert!(
            problems[0].found.contains("right in line 2, left in line 3"),
            "{}",
            problems[0]
        );
    }
}
