//! One recording from delimited text to Parquet and back: every number bit for bit, every heading, the sidecar.

use crate::study::door::{self, FileKind};
use super::parquet::{Numbers, recording};
use super::rounding::{Rounding, rounded};
use crate::error::Problem;
use crate::read::parquet as read_parquet;
use crate::study::inputs::InputFile;
use std::path::Path;

/// Texts that a Parquet file holds about itself, besides its sidecar: the name it had as text, and what was rounded.
const NAME: &str = "tautpoint.name";
const ROUNDED: &str = "tautpoint.rounded";

/// A file of the new folder, by its name in it.
pub(super) struct OutputFile {
    pub name: String,
    pub bytes: Vec<u8>,
}

impl OutputFile {
    pub fn new(name: impl Into<String>, bytes: impl Into<Vec<u8>>) -> OutputFile {
        OutputFile {
            name: name.into(),
            bytes: bytes.into(),
        }
    }
}

/// What one recording became: the files of the new folder, the recording first.
pub(super) enum Conversion {
    Converted(Vec<OutputFile>),
    /// It holds more than columns of numbers, and stays as it is.
    Copied(Vec<OutputFile>),
    LeftOut(Box<Problem>),
}

impl Conversion {
    /// Left out, for what the user is to be told.
    pub fn left_out(file: &InputFile, found: impl Into<String>, expected: &str, advice: &str) -> Conversion {
        Conversion::LeftOut(Box::new(Problem::error(&file.recording, found, expected, advice)))
    }
}

pub(super) fn to_parquet(file: &InputFile, bytes: &[u8], target: &str, round: &Rounding) -> Conversion {
    let beside = match sidecar_beside(file) {
        Ok(beside) => beside,
        Err(problem) => return Conversion::LeftOut(problem),
    };
    // A sidecar that is no text stays where it is.
    let Ok(sidecar) = beside.clone().map(String::from_utf8).transpose() else {
        return copied(file, bytes, beside, target);
    };
    let text = std::str::from_utf8(bytes).ok().and_then(columns_of_text);
    let Some(columns) = text.or_else(|| read_parquet::all_numbers(bytes, &file.recording).ok()) else {
        return copied(file, bytes, beside, target);
    };
    let name = file.recording.rsplit('/').next().unwrap_or(&file.recording);
    let mut about = vec![(NAME.to_owned(), name.to_owned())];
    let within = read_parquet::about_itself(bytes, read_parquet::SIDECAR);
    if let Some(text) = sidecar.or(within) {
        about.push((read_parquet::SIDECAR.to_owned(), text));
    }
    let (columns, told) = rounded(columns, round);
    if !told.is_empty() {
        about.push((ROUNDED.to_owned(), told));
    }
    match recording(&columns, &about) {
        Ok(bytes) => Conversion::Converted(vec![OutputFile::new(target, bytes)]),
        Err(_) => copied(file, bytes, beside, target),
    }
}

pub(super) fn to_csv(file: &InputFile, bytes: &[u8], target: &str) -> Conversion {
    let beside = match sidecar_beside(file) {
        Ok(beside) => beside,
        Err(problem) => return Conversion::LeftOut(problem),
    };
    let text = read_parquet::all_numbers(bytes, &file.recording)
        .ok()
        .and_then(|c| text_of_columns(&c).ok());
    let Some(text) = text else {
        return copied(file, bytes, beside, target);
    };
    // The name it had, ending and all, in the folder it lies in now.
    let about = |key: &str| read_parquet::about_itself(bytes, key);
    let folder = target.rsplit_once('/').map_or("", |(folder, _)| folder);
    let target = match about(NAME).filter(|name| is_plain_name(name)) {
        Some(name) if folder.is_empty() => name,
        Some(name) => format!("{folder}/{name}"),
        None => target.to_owned(),
    };
    let sidecar = beside.or_else(|| about(read_parquet::SIDECAR).map(String::into_bytes));
    let sidecar = sidecar.map(|bytes| OutputFile::new(format!("{}.toml", stem(&target)), bytes));
    let recording = OutputFile::new(target, text);
    Conversion::Converted(std::iter::once(recording).chain(sidecar).collect())
}

/// The sidecar, where there is one. A recording never goes on without what was written about it.
fn sidecar_beside(file: &InputFile) -> Result<Option<Vec<u8>>, Box<Problem>> {
    if !door::is_there(&file.sidecar_path) {
        return Ok(None);
    }
    door::read(&file.sidecar_path, FileKind::Settings).map(Some).map_err(|e| {
        let expected = "a sidecar that can be read";
        let advice = "check its permissions and the disk; the recording is left out";
        Box::new(Problem::error(&file.sidecar, e.to_string(), expected, advice))
    })
}

/// The recording and its sidecar as they are.
fn copied(file: &InputFile, bytes: &[u8], sidecar: Option<Vec<u8>>, target: &str) -> Conversion {
    let own = Path::new(&file.recording).extension().and_then(|e| e.to_str());
    let stem = stem(target);
    let name = own.map_or_else(|| stem.to_owned(), |e| format!("{stem}.{e}"));
    let sidecar = sidecar.map(|bytes| OutputFile::new(format!("{stem}.toml"), bytes));
    let recording = OutputFile::new(name, bytes);
    Conversion::Copied(std::iter::once(recording).chain(sidecar).collect())
}

fn stem(name: &str) -> &str {
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
}

/// A name that leads nowhere and ends as text does.
fn is_plain_name(name: &str) -> bool {
    let ending = name.rsplit_once('.').map(|(_, e)| e.to_ascii_lowercase());
    !name.contains(['/', '\\', '\0'])
        && !name.starts_with('.')
        && ending.is_some_and(|e| ["csv", "tsv", "txt"].contains(&e.as_str()))
}

/// The columns of a delimited text; `None` when it holds anything but headings, comments and numbers.
fn columns_of_text(text: &str) -> Option<Vec<Numbers>> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = text
        .lines()
        .filter(|l| !l.trim().is_empty() && !l.starts_with('#'));
    let headings = lines.next()?;
    let delimiter = [',', ';', '\t']
        .into_iter()
        .max_by_key(|d| (headings.matches(*d).count(), *d == ','))?;
    let headings = headings.split(delimiter);
    let mut columns: Vec<Numbers> = headings.map(|h| (h.trim().to_owned(), Vec::new())).collect();
    for line in lines {
        let mut cells = line.split(delimiter);
        for (_, values) in &mut columns {
            values.push(number(cells.next()?.trim(), delimiter == ';')?);
        }
        if cells.next().is_some() {
            return None;
        }
    }
    Some(columns)
}

/// The number of a cell, or that it is missing; `None` for anything else.
fn number(cell: &str, comma: bool) -> Option<Option<f64>> {
    if cell.is_empty() {
        return Some(None);
    }
    let cell = match comma {
        true => cell.replacen(',', ".", 1),
        false => cell.to_owned(),
    };
    let value: f64 = fast_float2::parse(cell.as_bytes()).ok()?;
    value.is_finite().then_some(Some(value))
}

/// Comma-separated text, each number with as few digits as tell it apart from every other.
fn text_of_columns(columns: &[Numbers]) -> csv::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(columns.iter().map(|(heading, _)| heading))?;
    for row in 0..columns.first().map_or(0, |(_, values)| values.len()) {
        let cells = columns
            .iter()
            .map(|(_, values)| values.get(row).copied().flatten());
        writer.write_record(cells.map(|v| v.map_or(String::new(), |v| v.to_string())))?;
    }
    writer.into_inner().map_err(|e| e.into_error().into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_comes_back_bit_for_bit() {
        for text in [
            "time_s,force_n\n0.000,0.10\n0.001,-0.00\n0.002,\n",
            "# a comment\n\ntime_s,force_n\n0,0.1\n1,12.25",
            "\u{feff}time_ms;force_kgf\r\n0;0,5\r\n5;1,0\r\n",
            "time_s\tforce_n\n0\t1\n# between\n1\t5e-324\n",
            "time_s,force_n\n0.5,0.30000000000000004\n1,1e300\n",
        ] {
            let columns = columns_of_text(text).unwrap_or_else(|| panic!("{text:?}"));
            let again = String::from_utf8(text_of_columns(&columns).unwrap()).unwrap();
            let bits = |columns: &[Numbers]| -> Vec<(String, Vec<Option<u64>>)> {
                let bits = |v: &[Option<f64>]| v.iter().map(|v| v.map(f64::to_bits)).collect();
                columns.iter().map(|(h, v)| (h.clone(), bits(v))).collect()
            };
            assert_eq!(bits(&columns_of_text(&again).unwrap()), bits(&columns), "{again}");
        }
        let columns = columns_of_text("time_s;force_n\n0,000;0,10\n0,001;\n").unwrap();
        assert_eq!(columns[0].1, [Some(0.0), Some(0.001)]);
        assert_eq!(columns[1].1, [Some(0.1), None]);
    }

    #[test]
    fn what_is_more_than_numbers_is_not_taken() {
        for text in [
            "",
            "# comments only\n",
            "time_s,force_n\n0,\"1\"\n",
            "time_s,force_n\n0,abc\n",
            "time_s,force_n\n0,1\n1\n",
            "time_s,force_n\n0,1,2\n",
            "time_s,force_n\n0,NaN\n",
        ] {
            assert_eq!(columns_of_text(text), None, "{text:?}");
        }
    }
}
