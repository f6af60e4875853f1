//! Mat files in delimited text, read block by block: the whole file is never in memory.

use crate::study::door::{self, FileKind};
use super::block::{MISSING_SHARE, RowBlock};
use super::columns::{MatColumn, mat_columns};
use crate::error::{Error, Problem, Result};
use crate::mat::frame::FrameFault;
use crate::read::cells::{TextCell, cell, plain_number};
use crate::read::headings::{ColumnLayout, mat_layout, split_header};
use crate::read::lines::split_quoted;
use crate::study::mapping::ColumnMapping;
use crate::study::mat_setup::MatSetup;
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// Bytes read at a time.
const BLOCK: usize = 4 << 20;
/// A line longer than this is no row of a mat.
const LONGEST_LINE: usize = 64 << 20;
/// Rows that one core parses at a time.
const ROWS_A_JOB: usize = 16;

/// A text file of a mat, open at its next row.
pub(super) struct TextReader {
    file: File,
    /// Bytes read at a time.
    step: usize,
    name: String,
    /// Read but not yet given out; always begins at the beginning of a line.
    held: Vec<u8>,
    /// Offset of `held` in the file.
    offset: u64,
    line: u64,
    at_end: bool,
    hash: Option<Sha256>,
    bytes: u64,
    delimiter: u8,
    roles: Vec<MatColumn>,
    cells: usize,
    pub layout: ColumnLayout,
}

impl TextReader {
    /// Opens a file and reads its headings. `hash` when the SHA-256 of its bytes is wanted.
    pub fn open(
        path: &Path,
        name: &str,
        setup: &MatSetup,
        mapping: &ColumnMapping,
        hash: bool,
    ) -> Result<TextReader> {
        TextReader::in_steps(path, name, setup, mapping, hash, BLOCK)
    }

    fn in_steps(
        path: &Path,
        name: &str,
        setup: &MatSetup,
        mapping: &ColumnMapping,
        hash: bool,
        step: usize,
    ) -> Result<TextReader> {
        let file = door::open(path, FileKind::Streamed).map_err(|e| Error::unreadable(path, e))?;
        let mut reader = TextReader {
            file,
            step,
            name: name.to_owned(),
            held: Vec::new(),
            offset: 0,
            line: 0,
            at_end: false,
            hash: hash.then(Sha256::new),
            bytes: 0,
            delimiter: b',',
            roles: Vec::new(),
            cells: setup.cells(),
            layout: ColumnLayout::default(),
        };
        while reader.held.len() < 4 && !reader.at_end {
            reader.fill()?;
        }
        if reader.held.starts_with(&[0xFF, 0xFE]) || reader.held.starts_with(b"PK\x03\x04") {
            return Err(reader.not_text().into());
        }
        if reader.held.starts_with(b"\xEF\xBB\xBF") {
            reader.drop_front(3);
        }
        let header = reader.header()?;
        let (delimiter, headings) = split_header(&header, mapping);
        reader.delimiter = delimiter;
        reader.layout = mat_layout(name, &headings, Some(reader.line), mapping)?;
        reader.roles = mat_columns(name, &headings, Some(reader.line), &reader.layout, setup)?;
        Ok(reader)
    }

    fn not_text(&self) -> Problem {
        Problem::error(
            &self.name,
            "a spreadsheet, UTF-16 text or another file that is no UTF-8 text",
            "UTF-8 delimited text, or Parquet",
            "export or save it again as CSV in UTF-8",
        )
    }

    /// Reads on; hashes what came.
    fn fill(&mut self) -> Result<()> {
        let from = self.held.len();
        self.held.resize(from + self.step, 0);
        let mut filled = from;
        while filled < self.held.len() {
            let read = self.file.read(&mut self.held[filled..]);
            match read.map_err(|e| Error::io(Path::new(&self.name), e, "check that the file may be read"))? {
                0 => {
                    self.at_end = true;
                    break;
                }
                n => filled += n,
            }
        }
        self.held.truncate(filled);
        self.bytes += (filled - from) as u64;
        if let Some(hash) = &mut self.hash {
            hash.update(&self.held[from..]);
        }
        Ok(())
    }

    fn drop_front(&mut self, bytes: usize) {
        self.held.drain(..bytes);
        self.offset += bytes as u64;
    }

    /// The first line that is neither blank nor a comment.
    fn header(&mut self) -> Result<Vec<u8>> {
        loop {
            let end = memchr::memchr(b'\n', &self.held);
            let Some(end) = end.or((self.at_end && !self.held.is_empty()).then_some(self.held.len())) else {
                if self.at_end || self.held.len() > LONGEST_LINE {
                    return Err(Problem::error(
                        &self.name,
                        "no line of headings",
                        "headings in the first line: time_s, then one a cell in row order",
                        "record again, or copy the file again",
                    )
                    .into());
                }
                self.fill()?;
                continue;
            };
            let line = self.held[..end].to_vec();
            self.drop_front((end + 1).min(self.held.len()));
            self.line += 1;
            let line = line.strip_suffix(b"\r").unwrap_or(&line).to_vec();
            if line.first() != Some(&b'#') && !line.trim_ascii().is_empty() {
                return Ok(line);
            }
        }
    }

    /// The next rows; `None` at the end of the file.
    pub fn next_block(&mut self) -> Result<Option<RowBlock>> {
        loop {
            if !self.at_end {
                self.fill()?;
            }
            let end = match (self.at_end, memchr::memrchr(b'\n', &self.held)) {
                (true, _) => self.held.len(),
                (false, Some(at)) => at + 1,
                (false, None) if self.held.len() > LONGEST_LINE => return Err(self.not_text().into()),
                (false, None) => continue,
            };
            if end == 0 {
                return Ok(None);
            }
            let block = self.rows(end);
            self.drop_front(end);
            if block.len() > 0 || self.at_end {
                return Ok(Some(block));
            }
        }
    }

    fn rows(&mut self, end: usize) -> RowBlock {
        let text = &self.held[..end];
        let mut block = RowBlock::default();
        let mut records: Vec<&[u8]> = Vec::new();
        let mut from = 0;
        while from < end {
            let to = memchr::memchr(b'\n', &text[from..]).map_or(end, |at| from + at);
            self.line += 1;
            let record = &text[from..to];
            let record = record.strip_suffix(b"\r").unwrap_or(record);
            if record.first() != Some(&b'#') && !record.trim_ascii().is_empty() {
                records.push(record);
                block.place.push(self.offset + from as u64);
                block.line.push(self.line);
            }
            from = to + 1;
        }
        let beside = self.layout.columns.len() - 1;
        block.cells = vec![0.0; records.len() * self.cells];
        let rows: Vec<FrameRow> = records
            .par_chunks(ROWS_A_JOB)
            .zip(block.cells.par_chunks_mut(ROWS_A_JOB * self.cells))
            .flat_map_iter(|(records, cells)| {
                records
                    .iter()
                    .zip(cells.chunks_exact_mut(self.cells))
                    .map(|(record, cells)| self.row(record, cells, beside))
            })
            .collect();
        block.beside = vec![Vec::with_capacity(rows.len()); beside];
        for row in rows {
            block.time.push(row.time);
            block.fault.push(row.fault(self.cells));
            block.gaps.push(row.missing > 0);
            for (column, value) in block.beside.iter_mut().zip(row.beside) {
                column.push(value);
            }
        }
        block
    }

    /// Reads one row, its cells into `cells`.
    fn row(&self, record: &[u8], cells: &mut [f32], beside: usize) -> FrameRow {
        let mut row = FrameRow {
            time: f64::NAN,
            beside: vec![f64::NAN; beside],
            ..FrameRow::default()
        };
        if memchr::memchr(b'"', record).is_some() {
            let split = split_quoted(record, self.delimiter);
            for (i, text) in split.iter().enumerate() {
                let value = self.slow(text, &mut row);
                self.put(i, value, cells, &mut row);
            }
            row.columns = split.len();
            return row;
        }
        let mut rest = record;
        let mut at = 0;
        loop {
            let (value, n) = match plain_number(rest, self.delimiter) {
                Some(found) => found,
                None => {
                    let n = memchr::memchr(self.delimiter, rest).unwrap_or(rest.len());
                    (self.slow(&rest[..n], &mut row), n)
                }
            };
            self.put(at, value, cells, &mut row);
            at += 1;
            match rest.get(n + 1..) {
                Some(next) => rest = next,
                None => break,
            }
            // Spreadsheets leave empty cells behind the last heading.
            if at == self.roles.len() && rest.iter().all(|b| *b == self.delimiter) {
                break;
            }
        }
        row.columns = at;
        row
    }

    fn put(&self, at: usize, value: f64, cells: &mut [f32], row: &mut FrameRow) {
        match self.roles.get(at) {
            Some(MatColumn::Cell) => {
                row.missing += usize::from(value.is_nan());
                if let Some(cell) = cells.get_mut(row.cells) {
                    *cell = value as f32;
                }
                row.cells += 1;
            }
            Some(MatColumn::Time) => row.time = value,
            Some(MatColumn::Beside(k)) => row.beside[*k] = value,
            None => {}
        }
    }

    /// A cell that is no plain number.
    fn slow(&self, text: &[u8], row: &mut FrameRow) -> f64 {
        match cell(text, self.delimiter != b',') {
            TextCell::Number(value) | TextCell::CommaNumber(value) => value,
            TextCell::Missing => f64::NAN,
            TextCell::Bad => {
                row.bad = true;
                f64::NAN
            }
        }
    }

    /// SHA-256 of all bytes, when it was wanted, and how many they are; to be asked for at the end.
    pub fn sums(&mut self) -> (Option<Vec<u8>>, u64) {
        let hash = self.hash.take();
        (hash.map(|h| h.finalize().to_vec()), self.bytes)
    }

    /// Reads single rows again: the raw cells of those that begin at these offsets.
    pub fn rows_at(&mut self, offsets: &[u64]) -> Result<Vec<Vec<f32>>> {
        let mut all = Vec::with_capacity(offsets.len());
        for offset in offsets {
            let fault = |e| Error::io(Path::new(&self.name), e, "check that the file was not changed");
            self.file.seek(SeekFrom::Start(*offset)).map_err(fault)?;
            let mut line = Vec::new();
            let mut part = vec![0; 64 << 10];
            while memchr::memchr(b'\n', &line).is_none() && line.len() < LONGEST_LINE {
                match self.file.read(&mut part).map_err(fault)? {
                    0 => break,
                    n => line.extend_from_slice(&part[..n]),
                }
            }
            let end = memchr::memchr(b'\n', &line).unwrap_or(line.len());
            let record = &line[..end];
            let record = record.strip_suffix(b"\r").unwrap_or(record);
            let mut cells = vec![0.0; self.cells];
            self.row(record, &mut cells, self.layout.columns.len() - 1);
            all.push(cells);
        }
        Ok(all)
    }
}

/// What one row held besides its cells.
#[derive(Debug, Clone, Default)]
struct FrameRow {
    time: f64,
    beside: Vec<f64>,
    /// Columns, and how many of them were cells, how many of those without a number.
    columns: usize,
    cells: usize,
    missing: usize,
    /// At least one holds something that is no number.
    bad: bool,
}

impl FrameRow {
    fn fault(&self, cells: usize) -> Option<FrameFault> {
        let expected = cells + self.beside.len() + 1;
        if self.columns != expected || self.cells != cells {
            Some(FrameFault::WrongLength)
        } else if self.bad {
            Some(FrameFault::Unreadable)
        } else if self.missing as f64 > MISSING_SHARE * cells as f64 {
            Some(FrameFault::Missing)
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_the_same_however_many_bytes_are_read_at_a_time() {
        use crate::study::mat_setup::MatUnit;
        let mut text = String::from("\u{feff}# made up\n\ntime_s,a,b,c,d,marker\r\n");
        for i in 0..40 {
            let tail = if i == 17 { "" } else { ",1" };
            text.push_str(&format!("{}.5,{i},-0.25,1e2,\"{}\"{tail}\r\n", i, i + 1));
            if i % 9 == 0 {
                text.push_str("# a remark, with commas\n\n");
            }
        }
        text.push_str("40.5,1,2,3");
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("mat.csv");
        std::fs::write(&path, &text).unwrap();
        let setup = MatSetup::new(2, 2, 10.0, MatUnit::Kpa);
        let all = |step: usize| {
            let mapping = ColumnMapping::default();
            let mut reader = TextReader::in_steps(&path, "mat.csv", &setup, &mapping, true, step).unwrap();
            let mut rows = Vec::new();
            while let Some(block) = reader.next_block().unwrap() {
                for k in 0..block.len() {
                    let cells = block.cells[4 * k..4 * k + 4].to_vec();
                    let (fault, line) = (block.fault[k], block.line[k]);
                    rows.push((block.time[k], cells, fault, line, block.place[k]));
                }
            }
            let again = reader.rows_at(&[rows[3].4]).unwrap();
            assert_eq!(again[0], rows[3].1);
            (format!("{rows:?}"), reader.sums())
        };
        let whole = all(BLOCK);
        assert_eq!(whole.0.matches("WrongLength").count(), 2, "{}", whole.0);
        assert!(
            whole.0.contains("(3.5, [3.0, -0.25, 100.0, 4.0], None, 9,"),
            "{}",
            whole.0
        );
        for step in 1..90 {
            assert_eq!(all(step), whole, "{step} bytes at a time");
        }
        assert_eq!(whole.1.1, text.len() as u64);
    }
}
