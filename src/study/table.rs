//! Small tables that people keep (roster, calls): delimited text with a line of headings, read cell by cell.

use crate::format::counted;
use super::words::{nearest, one_of, shown};
use crate::error::Problem;
use std::collections::BTreeMap;

/// A table of text with the line of each row.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TextTable {
    /// What parts the cells.
    pub delimiter: u8,
    pub headings: Vec<String>,
    pub header_line: u64,
    pub rows: Vec<TextRow>,
}

/// One row; empty cells are left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TextRow {
    pub line: u64,
    cells: BTreeMap<String, String>,
}

impl TextRow {
    /// The cell under a heading, `None` when it is empty.
    pub fn get(&self, heading: &str) -> Option<&str> {
        self.cells.get(heading).map(String::as_str)
    }
}

impl TextTable {
    /// Reads comma, semicolon or tab separated text; blank lines and lines that begin with `#` are passed over.
    /// Headings are in small letters.
    ///
    /// # Errors
    /// A problem when there is no line of headings; ragged rows are added to `problems` and left out.
    pub fn parse(file: &str, text: &str, problems: &mut Vec<Problem>) -> Result<TextTable, Problem> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let header = text.lines().find(|l| !l.trim().is_empty() && !l.starts_with('#'));
        let Some(header) = header else {
            return Err(Problem::error(
                file,
                "an empty file",
                "a line of headings",
                "write the headings or remove the file",
            ));
        };
        let delimiter = [b',', b';', b'\t']
            .into_iter()
            .max_by_key(|d| (header.bytes().filter(|b| b == d).count(), *d == b','))
            .unwrap_or(b',');
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let mut table = TextTable {
            delimiter,
            ..TextTable::default()
        };
        for record in reader.records() {
            match record {
                Ok(record) => table.add(file, text, &record, problems),
                Err(error) => problems.push(Problem::error(
                    file,
                    shown(&error.to_string()),
                    "delimited text",
                    "correct the row",
                )),
            }
        }
        Ok(table)
    }

    fn add(&mut self, file: &str, text: &str, record: &csv::StringRecord, problems: &mut Vec<Problem>) {
        let line = record.position().map_or(0, |p| {
            line_of(text, usize::try_from(p.byte()).unwrap_or(usize::MAX))
        });
        if self.headings.is_empty() {
            self.headings = record.iter().map(str::to_lowercase).collect();
            self.header_line = line;
            return;
        }
        let extra = record.iter().skip(self.headings.len()).any(|c| !c.is_empty());
        if extra || record.len() < self.headings.len() {
            problems.push(
                Problem::error(
                    file,
                    counted(record.len(), "cell"),
                    format!("{}, as in the headings", counted(self.headings.len(), "cell")),
                    "complete the row; it is not used",
                )
                .at_line(line),
            );
            return;
        }
        let cells = self
            .headings
            .iter()
            .zip(record)
            .filter(|(_, cell)| !cell.is_empty())
            .map(|(h, cell)| (h.clone(), cell.to_owned()))
            .collect();
        self.rows.push(TextRow { line, cells });
    }

    /// Adds a problem for each heading that is missing, and a warning for each that is not known.
    ///
    /// Returns whether all needed ones are there.
    pub fn check_headings(
        &self,
        file: &str,
        needed: &[&str],
        optional: &[&str],
        problems: &mut Vec<Problem>,
    ) -> bool {
        let known: Vec<&str> = needed.iter().chain(optional).copied().collect();
        let missing: Vec<&str> = needed
            .iter()
            .copied()
            .filter(|n| !self.headings.iter().any(|h| h == n))
            .collect();
        for heading in self.headings.iter().filter(|h| !known.contains(&h.as_str())) {
            let advice = match nearest(heading, known.iter().copied()) {
                Some(near) => format!("rename it {near} if that is meant; it is not used"),
                None => "it is not used".to_owned(),
            };
            problems.push(
                Problem::warning(file, "an unknown column", one_of(&known), advice)
                    .at_line(self.header_line)
                    .in_column(shown(heading)),
            );
        }
        for heading in &missing {
            problems.push(
                Problem::error(
                    file,
                    "no such column",
                    format!("the columns {}", needed.join(", ")),
                    "add the column",
                )
                .at_line(self.header_line)
                .in_column(*heading),
            );
        }
        missing.is_empty()
    }
}

/// Line of the first cell at or after a byte: the csv reader gives where it began to look, which may be a blank line
/// or a comment before the row.
fn line_of(text: &str, mut byte: usize) -> u64 {
    let bytes = text.as_bytes();
    while byte < bytes.len() {
        let end = memchr::memchr(b'\n', &bytes[byte..]).map_or(bytes.len(), |n| byte + n + 1);
        let row = &bytes[byte..end];
        if row.first() != Some(&b'#') && !row.iter().all(|b| b"\r\n".contains(b)) {
            break;
        }
        byte = end;
    }
    1 + memchr::memchr_iter(b'\n', &bytes[..byte.min(bytes.len())]).count() as u64
}
