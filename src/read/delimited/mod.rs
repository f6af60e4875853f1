//! Delimited text: comma, semicolon or tab; decimal point or comma; LF or CRLF.
//!
//! The file is in memory once. Numbers are parsed where they stand: for each cell the number parser runs first and
//! the cell ends where it stops; only a cell that it does not like is looked at more slowly.

mod plain_rows;

use crate::format::counted;
use super::assemble::{AssembledTrace, ReadContext, assemble};
use super::cells::{BadCells, TextCell, cell, plain_number};
use crate::study::words::could_be_thousands;
use super::import;
use super::headings::{ColumnLayout, column_layout, no_rows, split_header};
use super::lines::{Lines, plain_text, split_quoted};
use crate::error::{Error, Problem, Result};
use crate::study::mapping::ColumnMapping;
use crate::study::words::shown;
use crate::units::Quantity;
use std::borrow::Cow;

/// Reads a trace from the bytes of a text file.
///
/// # Errors
/// The first problem, and for a file that no row of can be read without an import profile that one.
pub(super) fn read(bytes: &[u8], file: &str, context: ReadContext<'_>) -> Result<AssembledTrace> {
    if let Some(profile) = &context.mapping.import {
        let plain = import::plain(bytes, file, profile, context.mapping)?;
        return read_plain(&plain, file, context);
    }
    let mapping = context.mapping;
    match read_plain(bytes, file, context) {
        Err(Error::Data(first)) => {
            let looked = import::look(bytes);
            let why = looked.as_ref().and_then(import::Looked::why);
            Err(match (why, looked) {
                (Some(why), _) => needs_profile(file, &why),
                (None, Some(_)) if !headings_known(bytes, file, mapping) => or_propose(*first),
                _ => *first,
            }
            .into())
        }
        read => read,
    }
}

/// The problem of a file that another program wrote.
fn needs_profile(file: &str, why: &str) -> Problem {
    Problem::error(
        file,
        format!("a file that looks like another program's: {why}"),
        "headings in the first line and numbers under them, or an [import] that says how the file is written",
        "run `tautpoint check --propose` with it, read what it writes, and put it in place",
    )
}

/// Whether the headings say which column is what.
fn headings_known(bytes: &[u8], file: &str, mapping: &ColumnMapping) -> bool {
    let Ok(text) = plain_text(bytes, file) else { return false };
    let header = Lines::new(&text).next_record();
    header.is_some_and(|(line, header)| {
        let (_, headings) = split_header(header, mapping);
        column_layout(file, &headings, Some(line), mapping).is_ok()
    })
}

/// Says of a table under other headings how it can be read as it is.
fn or_propose(mut problem: Problem) -> Problem {
    problem.advice.push_str(
        "; or leave the file as it is and say under [import] what its columns are: `tautpoint check --propose` writes that for a \
         file of another program",
    );
    problem
}

/// The line of headings.
fn header<'t>(lines: &mut Lines<'t>, text: &[u8], file: &str) -> Result<(u64, &'t [u8]), Problem> {
    lines.next_record().ok_or_else(|| {
        let found = if text.trim_ascii().is_empty() {
            "an empty file"
        } else {
            "comments only"
        };
        Problem::error(
            file,
            found,
            "a line of headings, then numbers",
            "record again, or copy the file again",
        )
    })
}

/// The numbers that can be read of a text that is no trace as it stands.
pub(super) struct LooseText {
    pub layout: ColumnLayout,
    pub values: Vec<Vec<f64>>,
    /// Cells of force that are no number, and rows of another length, which nobody can read.
    pub unread: PassedOver,
}

/// Reads what can be read: a cell that is no number is left empty, a row of another length left out.
///
/// # Errors
/// Headings that say nothing of time and force, or an import profile that the file does not follow.
pub(super) fn loose(bytes: &[u8], file: &str, mapping: &ColumnMapping) -> Result<LooseText> {
    let plain = match &mapping.import {
        Some(profile) => import::plain(bytes, file, profile, mapping)?.into(),
        None => Cow::Borrowed(bytes),
    };
    let (layout, _, rows) = rows(&plain, file, mapping, false, true)?;
    Ok(LooseText {
        values: rows.values,
        unread: rows.passed_over,
        layout,
    })
}

fn read_plain(bytes: &[u8], file: &str, context: ReadContext<'_>) -> Result<AssembledTrace> {
    let (layout, header_line, rows) = rows(bytes, file, context.mapping, context.left_open, false)?;
    if rows.lines.is_empty() {
        return Err(no_rows(file).at_line(header_line).into());
    }
    let ParsedRows {
        values,
        lines,
        mut problems,
        passed_over: _,
    } = rows;
    let mut assembled = assemble(file, context, layout, values, &|row| lines.get(row).copied())?;
    problems.append(&mut assembled.problems);
    Ok(AssembledTrace {
        problems,
        ..assembled
    })
}

/// What the columns are, the line of the headings, and the rows under them.
fn rows(
    bytes: &[u8],
    file: &str,
    mapping: &ColumnMapping,
    left_open: bool,
    passes_over: bool,
) -> Result<(ColumnLayout, u64, ParsedRows)> {
    let text = plain_text(bytes, file)?;
    let mut lines = Lines::new(&text);
    let (header_line, header) = header(&mut lines, &text, file)?;
    let (delimiter, headings) = split_header(header, mapping);
    lines.delimiter = Some(delimiter);
    let layout = column_layout(file, &headings, Some(header_line), mapping)?;
    let body = TextBody {
        file,
        delimiter,
        headings: &headings,
        layout: &layout,
        left_open,
        passes_over,
    };
    let rows = body.rows(&mut lines)?;
    Ok((layout, header_line, rows))
}

/// Raw numbers, column by column in the order of the layout, with the line of each row.
struct ParsedRows {
    values: Vec<Vec<f64>>,
    lines: Vec<u64>,
    problems: Vec<Problem>,
    passed_over: PassedOver,
}

/// What was passed over where as much as can be is to be read.
#[derive(Debug, Default, Clone, Copy)]
pub(super) struct PassedOver {
    pub force_cells: usize,
    pub rows: usize,
    /// Decimal commas and points in one file: one of them may set thousands apart.
    pub decimals_mixed: bool,
}

/// What is known once the header is read.
struct TextBody<'a> {
    file: &'a str,
    delimiter: u8,
    headings: &'a [String],
    layout: &'a ColumnLayout,
    left_open: bool,
    /// What is no number or no whole row is passed over and counted.
    passes_over: bool,
}

/// Where decimal commas and points were first seen: they must not be mixed.
#[derive(Default)]
struct DecimalSigns {
    comma: Option<u64>,
    point: Option<u64>,
}

impl TextBody<'_> {
    fn rows(&self, lines: &mut Lines<'_>) -> Result<ParsedRows, Problem> {
        let slots = self.slots();
        let guess = lines.rest().len() / (8 * self.headings.len().max(1)) + 1;
        let mut rows = ParsedRows {
            values: vec![Vec::with_capacity(guess); self.layout.columns.len()],
            lines: Vec::with_capacity(guess),
            problems: Vec::new(),
            passed_over: PassedOver::default(),
        };
        let mut state = ParseState {
            bad: BadCells::default(),
            bad_forces: 0,
            decimals: DecimalSigns::default(),
        };
        loop {
            self.plain_rows(lines, &slots, &mut rows, &mut state.decimals);
            let Some((line, record)) = lines.next_record() else { break };
            let bad_before = state.bad.count();
            let cells = if lines.quotes && memchr::memchr(b'"', record).is_some() {
                self.quoted_row(line, record, &slots, &mut rows.values, &mut state)
            } else {
                self.plain_row(line, record, &slots, &mut rows.values, &mut state)
            };
            let kept = rows.lines.len();
            let begun = self.left_open
                || cells < slots.len()
                || (state.bad.count() > bad_before && self.ends_in_number(record));
            if !lines.ended && kept > 0 && begun {
                state.bad.back_to(bad_before);
                rows.values.iter_mut().for_each(|v| v.truncate(kept));
                rows.problems.push(self.cut_off(line, record));
            } else if cells != slots.len() && self.passes_over {
                rows.values.iter_mut().for_each(|v| v.truncate(kept));
                rows.passed_over.rows += 1;
            } else if cells != slots.len() {
                let bad = state.bad.problem(self.file);
                return Err(bad.unwrap_or_else(|| self.ragged(line, record, cells)));
            } else {
                rows.lines.push(line);
            }
        }
        if self.passes_over {
            rows.passed_over.force_cells = state.bad_forces;
            rows.passed_over.decimals_mixed = state.decimals.mixed().is_some();
            return Ok(rows);
        }
        state.finish(self.file)?;
        if let Some((first, last)) = lines.spread {
            rows.problems.push(
                Problem::warning(
                    self.file,
                    format!("a quoted cell that runs to line {last}"),
                    "quotes that end in the line they begin in",
                    "if a quote was forgotten, the rows between are lost: close it",
                )
                .at_line(first),
            );
        }
        Ok(rows)
    }

    /// For each column of the file, which wanted column it is.
    fn slots(&self) -> Vec<Option<usize>> {
        (0..self.headings.len())
            .map(|i| self.layout.columns.iter().position(|w| w.index == i))
            .collect()
    }

    /// Parses one row without quotes; gives the number of cells, a last empty one beyond the headings left out.
    fn plain_row(
        &self,
        line: u64,
        record: &[u8],
        slots: &[Option<usize>],
        values: &mut [Vec<f64>],
        state: &mut ParseState,
    ) -> usize {
        let mut cells = 0;
        let mut rest = record;
        loop {
            let slot = slots.get(cells).copied().flatten();
            // The number parser first: in a good file nearly every cell ends where the number does.
            let quick = slot.and_then(|_| {
                plain_number(rest, self.delimiter).or_else(|| fast_float2::parse_partial::<f64, _>(rest).ok())
            });
            let end = match quick {
                Some((value, n)) if value.is_finite() && (n == rest.len() || rest[n] == self.delimiter) => {
                    state.decimals.see(self.delimiter, &rest[..n], line);
                    if let Some(column) = slot.and_then(|s| values.get_mut(s)) {
                        column.push(value);
                    }
                    n
                }
                _ => {
                    let n = memchr::memchr(self.delimiter, rest).unwrap_or(rest.len());
                    if let Some(s) = slot {
                        self.slow_cell(line, &rest[..n], s, values, state);
                    }
                    n
                }
            };
            cells += 1;
            match rest.get(end + 1..) {
                Some(next) => rest = next,
                None => break,
            }
            // Spreadsheets leave empty cells behind the last heading.
            if cells == slots.len()
                && rest
                    .iter()
                    .all(|b| *b == self.delimiter || b.is_ascii_whitespace())
            {
                break;
            }
        }
        cells
    }

    fn quoted_row(
        &self,
        line: u64,
        record: &[u8],
        slots: &[Option<usize>],
        values: &mut [Vec<f64>],
        state: &mut ParseState,
    ) -> usize {
        let mut cells = split_quoted(record, self.delimiter);
        while cells.len() > slots.len() && cells.last().is_some_and(|c| c.trim_ascii().is_empty()) {
            cells.pop();
        }
        for (cell, slot) in cells.iter().zip(slots) {
            if let Some(s) = *slot {
                self.slow_cell(line, cell, s, values, state);
            }
        }
        cells.len()
    }

    fn slow_cell(
        &self,
        line: u64,
        bytes: &[u8],
        slot: usize,
        values: &mut [Vec<f64>],
        state: &mut ParseState,
    ) {
        // A quoted "1,5" in a file separated by commas is a decimal comma, but "3,231" may be three thousand.
        let comma = self.delimiter != b',' || memchr::memchr(b',', bytes).is_some();
        let read = match self.delimiter == b',' && could_be_thousands(bytes) {
            true => TextCell::Bad,
            false => cell(bytes, comma),
        };
        let value = match read {
            TextCell::Number(value) => {
                state.decimals.see(self.delimiter, bytes, line);
                value
            }
            TextCell::CommaNumber(value) => {
                state.decimals.comma.get_or_insert(line);
                value
            }
            TextCell::Missing => f64::NAN,
            TextCell::Bad => {
                let column = &self.layout.columns[slot];
                state.bad_forces += usize::from(column.key.quantity() == Some(Quantity::Force));
                state.bad.add(line, &column.heading, bytes);
                f64::NAN
            }
        };
        if let Some(column) = values.get_mut(slot) {
            column.push(value);
        }
    }

    fn ragged(&self, line: u64, record: &[u8], cells: usize) -> Problem {
        let comma = if self.delimiter == b',' && cells > self.headings.len() {
            "; with decimal commas, columns must be separated by semicolons or tabs"
        } else {
            ""
        };
        Problem::error(
            self.file,
            format!(
                "{} ({})",
                counted(cells, "cell"),
                shown(&String::from_utf8_lossy(record))
            ),
            format!("{}, as in the headings", counted(self.headings.len(), "cell")),
            format!("complete or delete the row{comma}"),
        )
        .at_line(line)
    }

    /// Whether the last cell could be the beginning of a number.
    fn ends_in_number(&self, record: &[u8]) -> bool {
        let last = record.rsplit(|b| *b == self.delimiter).next().unwrap_or_default();
        last.iter().all(|b| b.is_ascii_digit() || b"+-.,eE".contains(b))
    }

    /// A recorder that stopped in the middle of a row leaves a last line without its end.
    fn cut_off(&self, line: u64, record: &[u8]) -> Problem {
        Problem::warning(
            self.file,
            format!("a last row cut off ({})", shown(&String::from_utf8_lossy(record))),
            "a whole row",
            "the row is left out; look whether the recording is complete",
        )
        .at_line(line)
    }
}

/// What goes along through the rows.
struct ParseState {
    bad: BadCells,
    /// Those of them in a column of force.
    bad_forces: usize,
    decimals: DecimalSigns,
}

impl DecimalSigns {
    fn see(&mut self, delimiter: u8, number: &[u8], line: u64) {
        if delimiter != b',' && self.point.is_none() && memchr::memchr(b'.', number).is_some() {
            self.point = Some(line);
        }
    }

    /// Lines of a comma and of a point, when there are both.
    fn mixed(&self) -> Option<(u64, u64)> {
        self.comma.zip(self.point)
    }
}

impl ParseState {
    fn finish(self, file: &str) -> Result<(), Problem> {
        if let Some(problem) = self.bad.problem(file) {
            return Err(problem);
        }
        if let Some((comma, point)) = self.decimals.mixed() {
            return Err(Problem::error(
                file,
                format!("a decimal comma, and a decimal point in line {point}"),
                "one decimal sign throughout",
                "write all numbers alike, without separators between thousands",
            )
            .at_line(comma));
        }
        Ok(())
    }
}
