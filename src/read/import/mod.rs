//! Files of other programs: an import profile applied, and what kind of file one is without a profile.
//!
//! A profile turns a file into the plain text that every other is, line by line, so that whatever is found in it later has
//! the line that it has in the file.

mod cells;
mod decode;
mod proposal;
mod recognise;
mod times;

pub use proposal::proposal;
pub use recognise::{Looked, look};

use super::headings::{is_time, split_header, with_unit_below};
use super::lines::split_quoted;
use crate::error::Problem;
use crate::study::import::{ImportProfile, TimeForm};
use crate::study::mapping::ColumnMapping;
use crate::study::words::shown;
use crate::units::Unit;
use crate::study::column_key::ColumnKey;
use cells::{NumberCell, cells_of, number};
use times::TimeOrigin;

/// The file as plain text: UTF-8, headings in the first line that is not blank, numbers with a point, time in s.
///
/// # Errors
/// A problem: bytes that are not of the encoding, fewer lines than are skipped, a unit that contradicts its heading, a
/// number or a time of another form than the profile says.
pub(super) fn plain(
    bytes: &[u8],
    file: &str,
    profile: &ImportProfile,
    mapping: &ColumnMapping,
) -> Result<Vec<u8>, Problem> {
    let text = decode::decode(bytes, file, profile.encoding)?;
    let ended = text.ends_with('\n');
    let last = 1 + memchr::memchr_iter(b'\n', text.as_bytes()).count() as u64;
    let mut lines = (1_u64..).zip(text.split('\n').map(|l| l.strip_suffix('\r').unwrap_or(l)));
    let mut plain = Plain {
        file,
        profile,
        out: Vec::with_capacity(text.len()),
        headings: Vec::new(),
        time: None,
        delimiter: b',',
        origin: TimeOrigin::default(),
    };
    for _ in 0..profile.skip_rows {
        if lines.next().is_none() {
            return Err(plain.problem(
                format!("fewer than the {} lines that are skipped", profile.skip_rows),
                "the headings after them",
            ));
        }
        plain.out.push(b'\n');
    }
    let mut units = profile.units_row;
    let mut header: Option<(u64, Vec<String>)> = None;
    for (line, text) in lines {
        if text.trim().is_empty() || text.starts_with('#') {
            plain.out.push(b'\n');
            continue;
        }
        match &mut header {
            None if units => {
                let cells = plain.split_headings(text, mapping);
                plain.out.push(b'\n');
                header = Some((line, cells));
            }
            None => {
                let cells = plain.split_headings(text, mapping);
                plain.headings(&cells, mapping, line)?;
                header = Some((line, cells));
            }
            Some((_, cells)) if units => {
                units = false;
                // The headings go where the units stood: a line further down, and with their units.
                let below = cells_of(text, plain.delimiter);
                for (heading, unit) in cells.iter_mut().zip(&below) {
                    *heading = with_unit_below(heading, unit, mapping).map_err(|unit| {
                        plain
                            .problem(
                                format!("the unit {} under the heading", shown(&unit)),
                                "the unit that heading or profile name",
                            )
                            .at_line(line)
                            .in_column(shown(heading))
                    })?;
                }
                let cells = cells.clone();
                plain.headings(&cells, mapping, line)?;
            }
            Some(_) => {
                let begin = plain.out.len();
                if let Err(problem) = plain.row(text, line) {
                    if ended || line < last {
                        return Err(problem);
                    }
                    // A recorder that stopped in the middle of a row; what is left of it is told later.
                    plain.out.truncate(begin);
                    plain.out.extend(b"-\n");
                }
            }
        }
    }
    if !ended {
        plain.out.pop();
    }
    Ok(plain.out)
}

struct Plain<'a> {
    file: &'a str,
    profile: &'a ImportProfile,
    out: Vec<u8>,
    headings: Vec<String>,
    /// Which column is the time, when it is written as a moment.
    time: Option<usize>,
    delimiter: u8,
    origin: TimeOrigin,
}

impl Plain<'_> {
    fn problem(&self, found: String, expected: &str) -> Problem {
        Problem::error(
            self.file,
            found,
            expected,
            "correct [import], or let `tautpoint check --propose` write one for this file",
        )
    }

    fn split_headings(&mut self, line: &str, mapping: &ColumnMapping) -> Vec<String> {
        match self.profile.delimiter {
            Some(delimiter) => {
                self.delimiter = delimiter;
                let mut cells = cells_of(line, delimiter);
                while cells.len() > 1 && cells.last().is_some_and(String::is_empty) {
                    cells.pop();
                }
                cells
            }
            None => {
                let (delimiter, cells) = split_header(line.as_bytes(), mapping);
                self.delimiter = delimiter;
                cells
            }
        }
    }

    fn headings(&mut self, cells: &[String], mapping: &ColumnMapping, line: u64) -> Result<(), Problem> {
        self.headings = cells.to_vec();
        if self.profile.time != TimeForm::Number {
            let at = cells.iter().position(|h| is_time(h, mapping));
            let at = at.ok_or_else(|| {
                self.problem("no time column".to_owned(), "the one that [import] time is about")
                    .at_line(line)
            })?;
            match mapping.columns.get(&ColumnKey::Time).map(|c| c.unit) {
                None => "time_s".clone_into(&mut self.headings[at]),
                Some(Unit::Scale(1.0)) => {}
                Some(_) => {
                    return Err(self
                        .problem(
                            "a time of day with a unit other than s".to_owned(),
                            "unit = \"s\": it is turned into seconds",
                        )
                        .at_line(line)
                        .in_column(shown(&cells[at])));
                }
            }
            self.time = Some(at);
        }
        let quoted: Vec<String> = self
            .headings
            .iter()
            .map(|h| format!("\"{}\"", h.replace('"', "\"\"")))
            .collect();
        self.out.extend(quoted.join(",").bytes());
        self.out.push(b'\n');
        Ok(())
    }

    fn row(&mut self, text: &str, line: u64) -> Result<(), Problem> {
        let cells = split_quoted(text.as_bytes(), self.delimiter);
        let mut last = cells.len();
        // What stands empty behind the last heading is no cell.
        while last > self.headings.len() && cells[last - 1].trim_ascii().is_empty() {
            last -= 1;
        }
        for (k, cell) in cells[..last].iter().enumerate() {
            if k > 0 {
                self.out.push(b',');
            }
            let cell = cell.trim_ascii();
            if cell.is_empty() {
                continue;
            }
            if self.time == Some(k) {
                let text = String::from_utf8_lossy(cell);
                let time_s = self.origin.seconds(&text, self.profile.time);
                let time_s = time_s.ok_or_else(|| self.bad(k, line, cell, "a time as [import] time says"))?;
                self.out.extend(time_s.bytes());
                continue;
            }
            match number(cell, self.profile) {
                NumberCell::Number(plain) => self.out.extend(plain),
                NumberCell::Other => {
                    self.out.push(b'"');
                    self.out.extend(cell.iter().filter(|b| **b != b'"'));
                    self.out.push(b'"');
                }
                NumberCell::OtherMarks => {
                    let mark = char::from(self.profile.decimal_mark());
                    return Err(self.bad(k, line, cell, &format!("a number with the decimal mark \"{mark}\"")));
                }
            }
        }
        self.out.push(b'\n');
        Ok(())
    }

    fn bad(&self, column: usize, line: u64, cell: &[u8], expected: &str) -> Problem {
        let heading = self.headings.get(column).map_or("", String::as_str);
        self.problem(shown(&String::from_utf8_lossy(cell)), expected)
            .at_line(line)
            .in_column(shown(heading))
    }
}
