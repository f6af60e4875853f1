//! estimates.csv: what learners thought the peak force of a test was, before they were shown it.

use super::table::{TextRow, TextTable};
use super::words::{could_be_thousands, shown};
use crate::error::Problem;
use std::collections::BTreeSet;

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = "estimates.csv";
/// Headings of the file, in the order that `record` writes them.
pub const HEADER: &str = "examiner,recording,test,estimate_n";
/// The highest force that can be meant, in N.
pub const MOST_N: f64 = 1000.0;

const NEEDED: [&str; 3] = ["recording", "test", "estimate_n"];
const OPTIONAL: [&str; 1] = ["examiner"];

/// One row: what a learner thought of a test.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PeakEstimate {
    /// Code of the learner; empty when nobody was named.
    pub examiner: String,
    /// Path of the recording in the study, with forward slashes.
    pub recording: String,
    /// Test within the recording, from 1.
    pub test: u32,
    /// Highest force of all contacts together, in N; `None` where the learner gave no estimate.
    pub peak_n: Option<f64>,
}

/// Reads the text of estimates.csv.
///
/// A row that cannot be used is left out with a problem. Of several on one test the first stands: it was given before the others
/// could be.
pub fn parse(file: &str, text: &str) -> (Vec<PeakEstimate>, Vec<Problem>) {
    let mut problems = Vec::new();
    let table = match TextTable::parse(file, text, &mut problems) {
        Ok(table) => table,
        Err(problem) => return (Vec::new(), vec![problem]),
    };
    if !table.check_headings(file, &NEEDED, &OPTIONAL, &mut problems) {
        return (Vec::new(), problems);
    }
    let mut seen = BTreeSet::new();
    let mut estimates = Vec::new();
    for row in &table.rows {
        match read_row(file, row, table.delimiter) {
            Ok(found) if seen.insert((found.recording.clone(), found.test)) => estimates.push(found),
            Ok(found) => problems.push(
                Problem::warning(
                    file,
                    format!("a second estimate of test {} of {}", found.test, shown(&found.recording)),
                    "one estimate for a test",
                    "delete the row; it is not used",
                )
                .at_line(row.line),
            ),
            Err(problem) => problems.push(problem),
        }
    }
    (estimates, problems)
}

fn read_row(file: &str, row: &TextRow, delimiter: u8) -> Result<PeakEstimate, Problem> {
    let fault = |column: &str, expected: &str| {
        let found = row.get(column).unwrap_or_default();
        Problem::error(file, shown(found), expected, "correct the cell; the row is not used")
            .at_line(row.line)
            .in_column(column)
    };
    let newtons = |text: &str| {
        let unclear = delimiter == b',' && could_be_thousands(text.as_bytes());
        let number = text.replace(',', ".").parse().ok();
        number.filter(|n: &f64| !unclear && (0.0..=MOST_N).contains(n))
    };
    let peak_n = match row.get("estimate_n") {
        None => None,
        Some(text) => Some(newtons(text).ok_or_else(|| {
            fault("estimate_n", &format!("a force from 0 to {MOST_N} N with a decimal point, or an empty cell"))
        })?),
    };
    let test = row.get("test").and_then(|t| t.parse().ok()).filter(|n| *n >= 1);
    let recording = row.get("recording").map(str::to_owned);
    Ok(PeakEstimate {
        examiner: row.get("examiner").unwrap_or_default().to_owned(),
        recording: recording.ok_or_else(|| fault("recording", "the path of a recording in the study"))?,
        test: test.ok_or_else(|| fault("test", "a whole number from 1"))?,
        peak_n,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_that_cannot_be_used_is_told_with_its_line_and_the_rest_stands() {
        let text = "recording,test,estimate_n\nrecordings/a.csv,1,85\nrecordings/a.csv,2,\nrecordings/a.csv,1,60\n\
                    recordings/a.csv,0,60\nrecordings/a.csv,3,4000\nrecordings/a.csv,4,many\n";
        let (read, problems) = parse(FILE_NAME, text);
        let of = |test, peak_n| PeakEstimate {
            recording: "recordings/a.csv".to_owned(),
            test,
            peak_n,
            ..PeakEstimate::default()
        };
        assert_eq!(read, [of(1, Some(85.0)), of(2, None)]);
        let told: Vec<_> = problems.iter().map(|p| (p.line, p.column.as_deref())).collect();
        let column = |line, name| (Some(line), Some(name));
        assert_eq!(
            told,
            [(Some(4), None), column(5, "test"), column(6, "estimate_n"), column(7, "estimate_n")]
        );
    }
}
