//! Delimited text: comma, semicolon or tab; decimal point or comma; LF or CRLF.
//!
//! The file is in memory once. Numbers are parsed where they stand: for each cell the number parser runs first and
//! the cell ends where it stops; only a cell that it does not like is looked at more slowly.

use super::assemble::assemble;
use super::cells::{BadCells, Cell, cell};
use super::headings::{Layout, count_known, layout};
use crate::error::{Problem, Result};
use crate::study::mapping::ColumnMapping;
use crate::study::words::shown;
use crate::trace::{About, Trace};
use std::borrow::Cow;

/// A quoted cell that runs over more lines than this was never closed.
const QUOTED_LINES: usize = 50;

/// Reads a trace from the bytes of a text file.
pub(super) fn read(
    bytes: &[u8],
    file: &str,
    mapping: &ColumnMapping,
    about: About,
) -> Result<(Trace, Vec<Problem>)> {
    let text = plain_text(bytes, file)?;
    let mut lines = Lines::new(&text);
    let Some((header_line, header)) = lines.next_record() else {
        let found = if text.trim_ascii().is_empty() {
            "an empty file"
        } else {
            "comments only"
        };
        return Err(Problem::error(
            file,
            found,
            "a line of headings, then numbers",
            "record again, or copy the file again",
        )
        .into());
    };
    let (delimiter, headings) = split_header(header, mapping);
    let layout = layout(file, &headings, Some(header_line), mapping)?;
    let body = Body {
        file,
        delimiter,
        headings: &headings,
        layout: &layout,
    };
    let rows = body.rows(&mut lines)?;
    if rows.lines.is_empty() {
        return Err(Problem::error(
            file,
            "headings and no numbers",
            "a row for each sample",
            "record again, or copy the file again",
        )
        .at_line(header_line)
        .into());
    }
    let Rows {
        values,
        lines,
        mut problems,
    } = rows;
    let (trace, more) = assemble(file, about, layout, values, &|row| lines.get(row).copied())?;
    problems.extend(more);
    Ok((trace, problems))
}

/// The bytes as UTF-8 without byte order mark, lines ended by LF.
fn plain_text<'a>(bytes: &'a [u8], file: &str) -> Result<Cow<'a, [u8]>, Problem> {
    let refuse = |found: &str, advice: &str| {
        Err(Problem::error(
            file,
            found,
            "UTF-8 delimited text, or Parquet",
            advice,
        ))
    };
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        return refuse("UTF-16 text", "save it again as UTF-8");
    }
    if bytes.starts_with(b"PK\x03\x04") {
        return refuse(
            "a spreadsheet or another zipped file",
            "export it as CSV and name that file",
        );
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    if let Some(at) = memchr::memchr(0, bytes) {
        return refuse(
            &format!("binary data (a zero byte at offset {at})"),
            "check that this is the right file; export it as CSV",
        );
    }
    if let Err(error) = std::str::from_utf8(bytes) {
        let line = 1 + memchr::memchr_iter(b'\n', &bytes[..error.valid_up_to()]).count() as u64;
        return Err(Problem::error(
            file,
            "bytes that are no UTF-8 text",
            "UTF-8 delimited text, or Parquet",
            "save it again as UTF-8",
        )
        .at_line(line));
    }
    let only_cr = memchr::memchr(b'\n', bytes).is_none() && memchr::memchr(b'\r', bytes).is_some();
    if only_cr {
        let copy = bytes
            .iter()
            .map(|&b| if b == b'\r' { b'\n' } else { b })
            .collect();
        return Ok(Cow::Owned(copy));
    }
    Ok(Cow::Borrowed(bytes))
}

/// Lines that are neither blank nor comments, with their numbers.
struct Lines<'a> {
    rest: &'a [u8],
    line: u64,
    /// The file holds a double quote somewhere, so that a record may run over several lines.
    quotes: bool,
    /// Whether the record given last ended with a line end.
    ended: bool,
}

impl<'a> Lines<'a> {
    fn new(text: &'a [u8]) -> Self {
        Lines {
            rest: text,
            line: 0,
            quotes: memchr::memchr(b'"', text).is_some(),
            ended: true,
        }
    }

    fn next_record(&mut self) -> Option<(u64, &'a [u8])> {
        while !self.rest.is_empty() {
            self.line += 1;
            let (mut end, mut ended) = line_end(self.rest, 0);
            let first = self.line;
            if self.quotes && self.rest.first() != Some(&b'#') {
                (end, ended) = self.close_quotes(end, ended);
            }
            let record = &self.rest[..end];
            self.rest = self.rest.get(end + 1..).unwrap_or_default();
            self.ended = ended;
            let record = record.strip_suffix(b"\r").unwrap_or(record);
            let is_comment = record.first() == Some(&b'#');
            if !is_comment && !is_blank(record) {
                return Some((first, record));
            }
        }
        None
    }

    /// Moves the end of a record on while it stands inside quotes.
    fn close_quotes(&mut self, mut end: usize, mut ended: bool) -> (usize, bool) {
        let mut open = odd_quotes(&self.rest[..end]);
        let (plain, was_ended) = (end, ended);
        let mut further = 0;
        while open && ended && further < QUOTED_LINES {
            let start = end + 1;
            (end, ended) = line_end(self.rest, start);
            open ^= odd_quotes(&self.rest[start..end]);
            further += 1;
        }
        if open {
            return (plain, was_ended);
        }
        self.line += further as u64;
        (end, ended)
    }
}

fn odd_quotes(bytes: &[u8]) -> bool {
    memchr::memchr_iter(b'"', bytes).count() % 2 == 1
}

fn line_end(text: &[u8], start: usize) -> (usize, bool) {
    match memchr::memchr(b'\n', text.get(start..).unwrap_or_default()) {
        Some(at) => (start + at, true),
        None => (text.len(), false),
    }
}

/// Nothing but blanks; a line of tabs alone is a row of missing cells no more than a blank line is.
fn is_blank(record: &[u8]) -> bool {
    record.iter().all(u8::is_ascii_whitespace)
}

/// The delimiter under which most headings are known, and the headings.
fn split_header(header: &[u8], mapping: &ColumnMapping) -> (u8, Vec<String>) {
    let mut best = (0, 0, b',', Vec::new());
    for delimiter in [b',', b';', b'\t'] {
        let mut headings: Vec<String> = split_quoted(header, delimiter)
            .iter()
            .map(|cell| String::from_utf8_lossy(cell).trim().to_owned())
            .collect();
        while headings.len() > 1 && headings.last().is_some_and(String::is_empty) {
            headings.pop();
        }
        let score = (count_known(&headings, mapping), headings.len());
        if best.3.is_empty() || score > (best.0, best.1) {
            best = (score.0, score.1, delimiter, headings);
        }
    }
    (best.2, best.3)
}

/// Cells of a record that may hold quotes; a doubled quote inside quotes is one quote.
fn split_quoted(record: &[u8], delimiter: u8) -> Vec<Cow<'_, [u8]>> {
    let mut cells = Vec::new();
    let mut start = 0;
    let mut quoted = false;
    for (i, &byte) in record.iter().enumerate() {
        if byte == b'"' {
            quoted = !quoted;
        } else if byte == delimiter && !quoted {
            cells.push(unquote(&record[start..i]));
            start = i + 1;
        }
    }
    cells.push(unquote(&record[start..]));
    cells
}

fn unquote(cell: &[u8]) -> Cow<'_, [u8]> {
    let inner = cell
        .trim_ascii()
        .strip_prefix(b"\"")
        .and_then(|c| c.strip_suffix(b"\""));
    match inner {
        None => Cow::Borrowed(cell),
        Some(inner) if memchr::memchr(b'"', inner).is_none() => Cow::Borrowed(inner),
        Some(inner) => Cow::Owned(String::from_utf8_lossy(inner).replace("\"\"", "\"").into_bytes()),
    }
}

/// Raw numbers, column by column in the order of the layout, with the line of each row.
struct Rows {
    values: Vec<Vec<f64>>,
    lines: Vec<u64>,
    problems: Vec<Problem>,
}

/// What is known once the header is read.
struct Body<'a> {
    file: &'a str,
    delimiter: u8,
    headings: &'a [String],
    layout: &'a Layout,
}

/// Where decimal commas and points were first seen: they must not be mixed.
#[derive(Default)]
struct Decimals {
    comma: Option<u64>,
    point: Option<u64>,
}

impl Body<'_> {
    fn rows(&self, lines: &mut Lines<'_>) -> Result<Rows, Problem> {
        let slots = self.slots();
        let guess = lines.rest.len() / (8 * self.headings.len().max(1)) + 1;
        let mut rows = Rows {
            values: vec![Vec::with_capacity(guess); self.layout.wanted.len()],
            lines: Vec::with_capacity(guess),
            problems: Vec::new(),
        };
        let mut state = State {
            bad: BadCells::default(),
            decimals: Decimals::default(),
        };
        while let Some((line, record)) = lines.next_record() {
            let cells = if lines.quotes && memchr::memchr(b'"', record).is_some() {
                self.quoted_row(line, record, &slots, &mut rows.values, &mut state)
            } else {
                self.plain_row(line, record, &slots, &mut rows.values, &mut state)
            };
            if cells != slots.len() {
                let kept = rows.lines.len();
                rows.values.iter_mut().for_each(|v| v.truncate(kept));
                if lines.ended || kept == 0 {
                    return Err(state
                        .bad
                        .problem(self.file)
                        .unwrap_or_else(|| self.ragged(line, record, cells)));
                }
                rows.problems.push(self.cut_off(line, cells));
                continue;
            }
            rows.lines.push(line);
        }
        state.finish(self.file)?;
        Ok(rows)
    }

    /// For each column of the file, which wanted column it is.
    fn slots(&self) -> Vec<Option<usize>> {
        (0..self.headings.len())
            .map(|i| self.layout.wanted.iter().position(|w| w.index == i))
            .collect()
    }

    /// Parses one row without quotes; gives the number of cells, a last empty one beyond the headings left out.
    fn plain_row(
        &self,
        line: u64,
        record: &[u8],
        slots: &[Option<usize>],
        values: &mut [Vec<f64>],
        state: &mut State,
    ) -> usize {
        let mut cells = 0;
        let mut rest = record;
        loop {
            let slot = slots.get(cells).copied().flatten();
            // The number parser first: in a good file nearly every cell ends where the number does.
            let quick = slot.and_then(|_| fast_float2::parse_partial::<f64, _>(rest).ok());
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
        state: &mut State,
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

    fn slow_cell(&self, line: u64, bytes: &[u8], slot: usize, values: &mut [Vec<f64>], state: &mut State) {
        // A quoted "1,5" in a file separated by commas can only be a decimal comma.
        let comma = self.delimiter != b',' || memchr::memchr(b',', bytes).is_some();
        let value = match cell(bytes, comma) {
            Cell::Number(value) => {
                state.decimals.see(self.delimiter, bytes, line);
                value
            }
            Cell::CommaNumber(value) => {
                state.decimals.comma.get_or_insert(line);
                value
            }
            Cell::Missing => f64::NAN,
            Cell::Bad => {
                state.bad.add(line, &self.layout.wanted[slot].heading, bytes);
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
            format!("{cells} cells ({})", shown(&String::from_utf8_lossy(record))),
            format!("{} cells, as in the headings", self.headings.len()),
            format!("complete or delete the row{comma}"),
        )
        .at_line(line)
    }

    /// A recorder that stopped in the middle of a row leaves a last line without its end.
    fn cut_off(&self, line: u64, cells: usize) -> Problem {
        Problem::warning(
            self.file,
            format!(
                "a last row cut off after {cells} of {} cells",
                self.headings.len()
            ),
            "a whole row",
            "the row is left out; look whether the recording is complete",
        )
        .at_line(line)
    }
}

/// What goes along through the rows.
struct State {
    bad: BadCells,
    decimals: Decimals,
}

impl Decimals {
    fn see(&mut self, delimiter: u8, number: &[u8], line: u64) {
        if delimiter != b',' && self.point.is_none() && memchr::memchr(b'.', number).is_some() {
            self.point = Some(line);
        }
    }
}

impl State {
    fn finish(self, file: &str) -> Result<(), Problem> {
        if let Some(problem) = self.bad.problem(file) {
            return Err(problem);
        }
        if let (Some(comma), Some(point)) = (self.decimals.comma, self.decimals.point) {
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
