//! Bytes to records: encoding, line ends, comments, quotes.

use crate::error::Problem;
use std::borrow::Cow;

/// A quoted cell that runs over more lines than this was never closed.
const QUOTED_LINES: u64 = 50;

/// The bytes as UTF-8 without byte order mark, lines ended by LF.
pub(super) fn plain_text<'a>(bytes: &'a [u8], file: &str) -> Result<Cow<'a, [u8]>, Problem> {
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
pub(super) struct Lines<'a> {
    rest: &'a [u8],
    line: u64,
    /// The file holds a double quote somewhere, so that a record may run over several lines.
    pub(super) quotes: bool,
    /// Known once the headings are read; until then any delimiter begins a cell.
    pub(super) delimiter: Option<u8>,
    /// The first record whose quoted cell ran over several lines: its lines.
    pub(super) spread: Option<(u64, u64)>,
    /// Whether the record given last ended with a line end.
    pub(super) ended: bool,
}

impl<'a> Lines<'a> {
    pub(super) fn new(text: &'a [u8]) -> Self {
        Lines {
            rest: text,
            line: 0,
            quotes: memchr::memchr(b'"', text).is_some(),
            delimiter: None,
            spread: None,
            ended: true,
        }
    }

    /// The lines to come, as they stand.
    pub(super) fn rest(&self) -> &'a [u8] {
        self.rest
    }

    /// Leaves out so many bytes that hold so many whole lines.
    pub(super) fn skip(&mut self, bytes: usize, lines: u64) {
        self.rest = self.rest.get(bytes..).unwrap_or_default();
        self.line += lines;
        self.ended = true;
    }

    /// Number of the line given or left out last.
    pub(super) fn line(&self) -> u64 {
        self.line
    }

    pub(super) fn next_record(&mut self) -> Option<(u64, &'a [u8])> {
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
    fn close_quotes(&mut self, end: usize, ended: bool) -> (usize, bool) {
        let mut quotes = Quotes::default();
        quotes.feed(&self.rest[..end], self.delimiter);
        let (mut last, mut last_ended) = (end, ended);
        let mut further = 0;
        while quotes.open() && last_ended && further < QUOTED_LINES {
            let start = last + 1;
            (last, last_ended) = line_end(self.rest, start);
            quotes.feed(&self.rest[start..last], self.delimiter);
            further += 1;
        }
        if quotes.open() || further == 0 {
            return (end, ended);
        }
        let first = self.line;
        self.line += further;
        self.spread.get_or_insert((first, self.line));
        (last, last_ended)
    }
}

/// Where in a record one is, as far as quotes go (RFC 4180: a quote opens only at the beginning of a cell).
#[derive(Debug, Default, Clone, Copy, PartialEq)]
enum Quotes {
    #[default]
    CellStart,
    Plain,
    Quoted,
    /// A quote inside quotes: the end, or the first of two that stand for one.
    Closing,
}

impl Quotes {
    fn open(self) -> bool {
        self == Quotes::Quoted
    }

    /// Goes on by one byte; true when the byte ends a cell.
    fn step(&mut self, byte: u8, delimiter: Option<u8>) -> bool {
        let ends = match delimiter {
            Some(d) => byte == d,
            None => b",;\t".contains(&byte),
        };
        let (next, cell_ends) = match (*self, byte) {
            (Quotes::Quoted, b'"') => (Quotes::Closing, false),
            (Quotes::Quoted, _) | (Quotes::Closing, b'"') => (Quotes::Quoted, false),
            _ if ends => (Quotes::CellStart, true),
            (Quotes::CellStart, b'"') => (Quotes::Quoted, false),
            (Quotes::CellStart, b' ') => (Quotes::CellStart, false),
            _ => (Quotes::Plain, false),
        };
        *self = next;
        cell_ends
    }

    fn feed(&mut self, bytes: &[u8], delimiter: Option<u8>) {
        for &byte in bytes {
            self.step(byte, delimiter);
        }
    }
}

fn line_end(text: &[u8], start: usize) -> (usize, bool) {
    match memchr::memchr(b'\n', text.get(start..).unwrap_or_default()) {
        Some(at) => (start + at, true),
        None => (text.len(), false),
    }
}

/// Nothing but blanks. A line of tabs alone, a row without a time, is passed over too.
fn is_blank(record: &[u8]) -> bool {
    record.iter().all(u8::is_ascii_whitespace)
}

/// Cells of a record that may hold quotes; a doubled quote inside quotes is one quote.
pub(super) fn split_quoted(record: &[u8], delimiter: u8) -> Vec<Cow<'_, [u8]>> {
    let mut cells = Vec::new();
    let mut start = 0;
    let mut quotes = Quotes::default();
    for (i, &byte) in record.iter().enumerate() {
        if quotes.step(byte, Some(delimiter)) {
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
