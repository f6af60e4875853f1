//! Lists that grow by whole lines: calls.csv, over-ceiling.csv, sessions.csv, SHA256SUMS.
//!
//! A line is on the disk before anybody is told that it is kept. A line half written by a machine that lost its power
//! is ended before the next one is added, so that it spoils itself alone.

use crate::study::door::{self, FileKind};
use super::disk::Disk;
use crate::error::{Error, Result};
use std::io::{ErrorKind, Read, Seek, SeekFrom};
use std::path::Path;

const ADVICE: &str = "check that the disk is not full and that the file may be written";

/// Adds one line, and `heading` before it when the file is new or empty. Neither ends in a line end.
///
/// # Errors
/// [`Error::Io`] when the system will not write; the list may then hold part of the line.
pub fn append_line(disk: &dyn Disk, path: &Path, heading: Option<&str>, line: &str) -> Result<()> {
    let append = || -> std::io::Result<bool> {
        let mut text = String::new();
        let last = last_byte(path)?;
        match last {
            None => text.extend(heading.map(|h| format!("{h}\n"))),
            Some(b'\n') => {}
            Some(_) => text.push('\n'),
        }
        text.push_str(line);
        text.push('\n');
        // One write, so that a reader of the list sees the line whole or not at all.
        disk.append(path, text.as_bytes())?;
        Ok(last.is_none())
    };
    let new = append().map_err(|e| Error::io(path, e, ADVICE))?;
    if new && let Some(folder) = path.parent() {
        disk.sync_folder(folder);
    }
    Ok(())
}

/// `None` when the file is empty or not there.
fn last_byte(path: &Path) -> std::io::Result<Option<u8>> {
    let mut file = match door::open(path, FileKind::Table) {
        Ok(file) => file,
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(e),
    };
    if file.seek(SeekFrom::End(0))? == 0 {
        return Ok(None);
    }
    let mut last = [0];
    file.seek(SeekFrom::End(-1))?;
    file.read_exact(&mut last)?;
    Ok(Some(last[0]))
}

/// Adds a row to a table of delimited text, in the order and with the delimiter of the headings that the file has.
///
/// `cells` are headings with what stands under them, in the order that a new file gets. A heading that the file lacks
/// is left out unless its name is in `needed`.
///
/// # Errors
/// [`Error::Refused`] when the file has no headings that the row could go under; [`Error::Io`] as
/// [`append_line`].
pub fn append_row(disk: &dyn Disk, path: &Path, cells: &[(&str, &str)], needed: &[&str]) -> Result<()> {
    let new_heading = cells.iter().map(|(h, _)| *h).collect::<Vec<_>>().join(",");
    let heading = heading_of(path)?;
    let (delimiter, headings) = match &heading {
        Some(line) => split(line),
        None => split(&new_heading),
    };
    let missing: Vec<&str> = needed
        .iter()
        .copied()
        .filter(|n| !headings.iter().any(|h| h == n))
        .collect();
    if !missing.is_empty() {
        return Err(Error::Refused {
            found: format!("{} has no column {}", path.display(), missing.join(", ")),
            advice: format!("give it the headings {new_heading}"),
        });
    }
    let row: Vec<&str> = headings
        .iter()
        .map(|h| {
            cells
                .iter()
                .find(|(name, _)| name == h)
                .map_or("", |(_, cell)| *cell)
        })
        .collect();
    append_line(disk, path, Some(&new_heading), &joined(&row, delimiter))
}

/// The first line that is neither blank nor a comment, as [`crate::study::table::TextTable`] takes it.
fn heading_of(path: &Path) -> Result<Option<String>> {
    let bytes = match door::read(path, FileKind::Table) {
        Ok(bytes) => bytes,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(Error::io(path, e, "check that it is a file that may be read")),
    };
    let text = String::from_utf8_lossy(&bytes);
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let line = text.lines().find(|l| !l.trim().is_empty() && !l.starts_with('#'));
    Ok(line.map(str::to_owned))
}

fn split(heading: &str) -> (char, Vec<String>) {
    let count = |d: char| heading.chars().filter(|c| *c == d).count();
    let delimiter = [';', '\t', ',']
        .into_iter()
        .max_by_key(|d| (count(*d), *d == ','))
        .unwrap_or(',');
    let clean = |cell: &str| cell.trim().trim_matches('"').trim().to_lowercase();
    (delimiter, heading.split(delimiter).map(clean).collect())
}

/// The cells as one line without its end (RFC 4180): quoted where the delimiter, a quote, a `#` or a blank at an end would be misread.
pub fn joined(cells: &[&str], delimiter: char) -> String {
    let quoted = |cell: &&str| {
        let plain =
            !cell.contains([delimiter, '"', '\n', '\r']) && !cell.starts_with('#') && cell.trim() == *cell;
        match plain {
            true => (*cell).to_owned(),
            false => format!("\"{}\"", cell.replace('"', "\"\"")),
        }
    };
    let cells: Vec<String> = cells.iter().map(quoted).collect();
    cells.join(&delimiter.to_string())
}

#[cfg(test)]
mod tests {
    use super::super::disk::FileDisk;
    use super::*;

    #[test]
    fn a_line_is_added_whole_and_a_half_one_before_it_is_ended() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("list.csv");
        append_line(&FileDisk, &path, Some("a,b"), "1,2").unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "a,b\n1,2\n");
        std::fs::write(&path, "a,b\n1,2\n3").unwrap();
        append_line(&FileDisk, &path, Some("a,b"), "4,5").unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "a,b\n1,2\n3\n4,5\n");
    }

    #[test]
    fn a_row_goes_under_the_headings_that_a_person_gave_the_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("calls.csv");
        std::fs::write(&path, "\u{feff}# ours\nlevel;Subject;remarks;call").unwrap();
        let cells = [
            ("subject", "V;1"),
            ("level", "L3"),
            ("call", "even"),
            ("trial", ""),
        ];
        append_row(&FileDisk, &path, &cells, &["subject", "call"]).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(text.ends_with("call\nL3;\"V;1\";;even\n"), "{text}");
        let error = append_row(&FileDisk, &path, &cells, &["session"]).unwrap_err();
        assert!(error.to_string().contains("no column session"), "{error}");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_is_told() {
        // /dev/full answers every write with ENOSPC (man 4 full).
        let error = append_line(&FileDisk, Path::new("/dev/full"), None, "x").unwrap_err();
        assert!(error.to_string().contains("disk is not full"), "{error}");
    }
}
