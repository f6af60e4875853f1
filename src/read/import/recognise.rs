//! What kind of file one is: where its headings stand, how its numbers are written, and which of its columns are what.

use super::cells::{NumberCell, cells_of, number};
use super::decode::{decode, likely};
use super::times::form_of;
use crate::read::headings::plain_unit;
use crate::study::column_key::ColumnKey;
use crate::study::import::{ImportProfile, TextEncoding, TimeForm};
use crate::study::words::list;
use crate::units::{Quantity, Unit};

/// Lines that are looked at.
const LINES: usize = 400;
/// Rows of numbers alike that make a table.
const ROWS: usize = 5;

/// A file as it looks.
#[derive(Debug, Clone, PartialEq)]
pub struct Looked {
    pub profile: ImportProfile,
    /// Columns whose heading says what they are, with heading and unit; the unit is empty where nothing says it.
    pub columns: Vec<(ColumnKey, String, String)>,
    /// Headings that say nothing that is known, or what another one says as well.
    pub unknown: Vec<String>,
    /// Headings of which each may be the same column: which one it is, is a person's to say.
    pub doubled: Vec<String>,
    /// What the steps of a time without a unit would mean.
    pub time_steps: Option<String>,
    heading_line: usize,
}

impl Looked {
    /// What makes a profile needed; `None` when none is.
    pub fn why(&self) -> Option<String> {
        let p = &self.profile;
        let mut why = Vec::new();
        if p.encoding != TextEncoding::Utf8 {
            why.push(format!("{} text", p.encoding.word()));
        }
        match p.skip_rows {
            0 => {}
            1 => why.push("a line before the headings".to_owned()),
            n => why.push(format!("{n} lines before the headings")),
        }
        if p.units_row {
            why.push(format!("a row of units in line {}", self.heading_line + 1));
        }
        match p.time {
            TimeForm::Number => {}
            TimeForm::Iso => why.push("days and times in the time column".to_owned()),
            TimeForm::Clock => why.push("times of day in the time column".to_owned()),
        }
        if let Some(mark) = p.thousands {
            why.push(format!("\"{}\" between thousands", char::from(mark)));
        }
        if p.delimiter == Some(b'|') {
            why.push("columns separated by \"|\"".to_owned());
        }
        (!why.is_empty()).then(|| list(&why))
    }
}

/// Looks at a file; `None` when no table is seen in it.
pub fn look(bytes: &[u8]) -> Option<Looked> {
    let encoding = likely(bytes);
    // Each character of UTF-16 is two bytes; a piece ends between two.
    let most = bytes.len().min(1 << 20) & !1;
    let piece = match bytes.len() > most && most > 1 {
        true => whole_lines(&bytes[..most], encoding),
        false => bytes,
    };
    let text = decode(piece, "", encoding).ok()?;
    let lines: Vec<&str> = text
        .split('\n')
        .take(LINES)
        .map(|l| l.strip_suffix('\r').unwrap_or(l))
        .collect();
    let tables = [b';', b'\t', b',', b'|'].into_iter();
    let tables = tables.filter_map(|delimiter| RowsAlike::find(&lines, delimiter));
    // A decimal comma makes rows of a semicolon's file look like rows of commas, but of cells that are no numbers.
    let table = tables.max_by_key(|t| (t.all_numbers, t.rows, t.cells))?;
    table.looked(&lines, encoding)
}

/// The piece up to its last line end.
fn whole_lines(piece: &[u8], encoding: TextEncoding) -> &[u8] {
    let end = match encoding {
        TextEncoding::Utf16Le => piece.as_chunks::<2>().0.iter().rposition(|c| *c == [b'\n', 0]),
        TextEncoding::Utf16Be => piece.as_chunks::<2>().0.iter().rposition(|c| *c == [0, b'\n']),
        _ => return &piece[..memchr::memrchr(b'\n', piece).map_or(piece.len(), |at| at + 1)],
    };
    &piece[..end.map_or(piece.len(), |at| 2 * (at + 1))]
}

/// Rows of cells that are numbers or moments, all of one length.
struct RowsAlike {
    delimiter: u8,
    /// Line of the first row, from 0.
    first: usize,
    rows: usize,
    cells: usize,
    /// Nearly every cell that is not empty is a number or a moment.
    all_numbers: bool,
}

impl RowsAlike {
    fn find(lines: &[&str], delimiter: u8) -> Option<RowsAlike> {
        let is_row = |line: &str| {
            let cells = cells_of(line, delimiter);
            let filled = cells.iter().filter(|c| !c.is_empty()).count();
            let data = cells.iter().filter(|c| is_data(c)).count();
            (cells.len() >= 2 && data >= 2 && data * 2 >= filled).then_some(cells.len())
        };
        let kinds: Vec<Option<usize>> = lines.iter().map(|l| is_row(l)).collect();
        let (mut best, mut from): (Option<RowsAlike>, usize) = (None, 0);
        while from < lines.len() {
            let Some(cells) = kinds[from] else {
                from += 1;
                continue;
            };
            let alike = |k: &usize| kinds[*k] == Some(cells) || (lines[*k].trim().is_empty() && *k > from);
            let to = (from..lines.len()).find(|k| !alike(k)).unwrap_or(lines.len());
            if to - from >= ROWS && best.as_ref().is_none_or(|b| b.rows < to - from) {
                best = Some(RowsAlike {
                    delimiter,
                    first: from,
                    rows: to - from,
                    cells,
                    all_numbers: all_numbers(&lines[from..to], delimiter),
                });
            }
            from = to;
        }
        best
    }

    fn looked(&self, lines: &[&str], encoding: TextEncoding) -> Option<Looked> {
        let above = |k: usize| -> Option<Vec<String>> {
            let mut cells = cells_of(lines.get(k)?, self.delimiter);
            while cells.len() > self.cells && cells.last().is_some_and(String::is_empty) {
                cells.pop();
            }
            let fits = cells.len() == self.cells || cells.len() + 1 == self.cells;
            (fits && !cells.iter().any(|c| is_data(c))).then_some(cells)
        };
        let mut before = (0..self.first).rev().filter(|k| !lines[*k].trim().is_empty());
        let nearest = before.next()?;
        let next = before.next();
        let near = above(nearest)?;
        let units = match next.and_then(above) {
            Some(headings) if is_units(&near) || units_under(&headings, &near) => Some(headings),
            _ => None,
        };
        let (heading_line, headings, units) = match units {
            Some(headings) => (next?, headings, near),
            None => (nearest, near, Vec::new()),
        };
        let rows = lines[self.first..self.first + self.rows].iter();
        let rows: Vec<Vec<String>> = rows
            .filter(|l| !l.trim().is_empty())
            .map(|l| cells_of(l, self.delimiter))
            .collect();
        let mut profile = ImportProfile {
            // Comments and blank lines before the headings are passed over without being counted.
            skip_rows: match lines[..heading_line].iter().all(|l| l.trim().is_empty() || l.starts_with('#')) {
                true => 0,
                false => heading_line,
            },
            units_row: !units.is_empty(),
            encoding,
            delimiter: Some(self.delimiter),
            ..ImportProfile::default()
        };
        marks(&mut profile, &rows)?;
        let (mut columns, mut unknown, mut doubled, mut time_steps) = (Vec::new(), Vec::new(), Vec::new(), None);
        let moments: Vec<Option<TimeForm>> = (0..headings.len())
            .map(|k| form_of(rows.first().and_then(|r| r.get(k)).map_or("", String::as_str)))
            .collect();
        let keys: Vec<Option<ColumnKey>> = headings
            .iter()
            .zip(&moments)
            .map(|(heading, moment)| moment.map_or_else(|| key_of(heading), |_| Some(ColumnKey::Time)))
            .collect();
        let is_lone = |key: &ColumnKey| keys.iter().filter(|k| **k == Some(*key)).count() == 1;
        for (k, heading) in headings.iter().enumerate() {
            let moment = moments[k];
            if keys[k].is_some_and(|key| !is_lone(&key)) {
                doubled.push(heading.clone());
            }
            match keys[k].filter(is_lone) {
                Some(key) => {
                    let below = units.get(k).map(|u| plain_unit(u));
                    let unit = match moment {
                        Some(form) => {
                            profile.time = form;
                            Some("s".to_owned())
                        }
                        None => below.or_else(|| unit_in(heading)),
                    };
                    let unit = unit.map(|u| other_name(&u).to_owned());
                    let known = |u: &String| key.quantity().is_some_and(|q| Unit::parse(q, u).is_some());
                    let unit = unit.filter(known).unwrap_or_default();
                    if key == ColumnKey::Time && unit.is_empty() {
                        time_steps = steps_of(&rows, k, &profile);
                    }
                    columns.push((key, heading.clone(), unit));
                }
                None if heading.is_empty() => {}
                None => unknown.push(heading.clone()),
            }
        }
        Some(Looked {
            profile,
            columns,
            unknown,
            doubled,
            time_steps,
            heading_line: heading_line + 1,
        })
    }
}

/// Settles decimal and thousands marks; `None` when the numbers can be read in no one way.
fn marks(profile: &mut ImportProfile, rows: &[Vec<String>]) -> Option<()> {
    let moment = |c: &&String| form_of(c).is_some();
    let cells: Vec<&String> = rows.iter().flatten().filter(|c| !moment(c)).collect();
    let with = |decimal: u8, thousands: Option<u8>| ImportProfile {
        decimal: Some(decimal),
        thousands,
        ..profile.clone()
    };
    let reads = |p: &ImportProfile| cells.iter().all(|c| number(c.as_bytes(), p) != NumberCell::OtherMarks);
    let tries = [
        (b'.', None),
        (b',', None),
        (b'.', Some(b',')),
        (b',', Some(b'.')),
        (b'.', Some(b'\'')),
        (b'.', Some(b' ')),
        (b',', Some(b' ')),
    ];
    let (decimal, thousands) = tries.into_iter().find(|(d, t)| reads(&with(*d, *t)))?;
    profile.decimal = Some(decimal);
    profile.thousands = thousands;
    Some(())
}

/// Whether of the cells that are not empty nine in ten are numbers or moments.
fn all_numbers(rows: &[&str], delimiter: u8) -> bool {
    let cells = rows.iter().flat_map(|line| cells_of(line, delimiter)).filter(|c| !c.is_empty());
    let (all, data) = cells.fold((0, 0), |(all, data), c| (all + 1, data + usize::from(is_data(&c))));
    10 * data >= 9 * all
}

fn is_data(cell: &str) -> bool {
    let digits = cell.bytes().any(|b| b.is_ascii_digit());
    let marks = cell.bytes().all(|b| b.is_ascii_digit() || b"+-.,eE' ".contains(&b));
    (digits && marks) || form_of(cell).is_some()
}

/// Whether the cells of a row are units or nothing, and at least two are known.
fn is_units(cells: &[String]) -> bool {
    let known = |cell: &String| {
        let unit = plain_unit(cell);
        [Quantity::Time, Quantity::Force, Quantity::Displacement]
            .into_iter()
            .any(|q| Unit::parse(q, &unit).is_some())
    };
    let short = |cell: &String| cell.chars().count() <= 8;
    cells.iter().all(short) && cells.iter().filter(|c| known(c)).count() >= 2
}

/// Whether a row that names no column stands under one that does, and holds a unit at least: units of which one is known.
fn units_under(headings: &[String], below: &[String]) -> bool {
    let unit = |cell: &String| {
        let unit = plain_unit(cell);
        let quantities = [Quantity::Time, Quantity::Force, Quantity::Displacement];
        quantities.into_iter().any(|q| Unit::parse(q, other_name(&unit)).is_some())
    };
    let short = |cell: &String| cell.chars().count() <= 8;
    below.iter().all(short)
        && below.iter().any(unit)
        && below.iter().all(|cell| key_of(cell).is_none())
        && headings.iter().any(|heading| key_of(heading).is_some())
}

/// Words of headings in English, German, French, Italian and Spanish: what they begin with, and what they are as a whole. Common
/// practice, no source.
const WORDS: [(ColumnKey, &[&str], &[&str]); 3] = [
    (
        ColumnKey::Time,
        &["time", "zeit", "temps", "tiempo", "tempo", "elapsed"],
        &["t", "x value", "sec", "seconds", "sekunden"],
    ),
    (
        ColumnKey::Force,
        &["force", "load", "kraft", "fuerza", "forza", "newton", "fz"],
        &["f", "fn"],
    ),
    (
        ColumnKey::Displacement,
        &[
            "disp", "weg", "dépl", "depl", "desplaz", "spost", "pos", "travel", "lvdt", "stroke", "extension", "depth",
            "tiefe", "hub", "deflection", "indentation",
        ],
        &["d"],
    ),
];

/// Units by other names that headings give them; a person reads the proposal before it holds.
fn other_name(unit: &str) -> &str {
    match unit {
        "lb" | "lbs" => "lbf",
        "kg" | "kp" | "kilogram" => "kgf",
        "g" | "gram" => "gf",
        "newtons" => "n",
        "millimeter" | "millimetre" | "millimeters" => "mm",
        "inches" | "\"" => "in",
        "msec" | "milliseconds" => "ms",
        "sek" => "s",
        other => other,
    }
}

/// Words of headings whose numbers are no reading of the sensor at that moment: what was aimed at, set or worked out.
const NO_READING: [&str; 15] = [
    "target", "setpoint", "set", "soll", "sollwert", "consigne", "command", "cmd", "demand", "limit", "peak", "max", "mean", "rate",
    "error",
];

/// What a heading most likely is; the sides are those it names.
fn key_of(heading: &str) -> Option<ColumnKey> {
    let lower = heading.to_lowercase();
    let words: Vec<&str> = lower.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
    if words.iter().any(|word| NO_READING.contains(word)) {
        return None;
    }
    let begins = |begin: &&str| words.iter().any(|w| w.starts_with(begin));
    let is = |key: ColumnKey, word: &str| match words.as_slice() {
        [one] => *one == word,
        // A letter is a column's name with the unit of one behind it: T (s), but no T (C).
        [one, unit] if *one == word => key.quantity().is_some_and(|q| Unit::parse(q, other_name(unit)).is_some()),
        _ => words.join(" ") == word,
    };
    let key = WORDS.iter().find(|(key, begin, whole)| {
        begin.iter().any(begins) || whole.iter().any(|word| is(*key, word))
    });
    let key = key.map(|(key, _, _)| *key)?;
    let says = |side: [&str; 2]| words.iter().any(|w| side.contains(w));
    Some(match (key, says(["left", "links"]), says(["right", "rechts"])) {
        (ColumnKey::Force, true, false) => ColumnKey::ForceLeft,
        (ColumnKey::Force, false, true) => ColumnKey::ForceRight,
        (ColumnKey::Displacement, true, false) => ColumnKey::DisplacementLeft,
        (ColumnKey::Displacement, false, true) => ColumnKey::DisplacementRight,
        (key, _, _) => key,
    })
}

/// The unit at the end of a heading, in brackets, after a blank or after our own underscore.
fn unit_in(heading: &str) -> Option<String> {
    let last = heading.rsplit([' ', '_', '[', '(', '/']).find(|w| !w.is_empty())?;
    Some(plain_unit(last))
}

/// What the steps of a time column without a unit would mean.
fn steps_of(rows: &[Vec<String>], column: usize, profile: &ImportProfile) -> Option<String> {
    let value = |row: &Vec<String>| -> Option<f64> {
        match number(row.get(column)?.as_bytes(), profile) {
            NumberCell::Number(plain) => String::from_utf8(plain).ok()?.parse().ok(),
            _ => None,
        }
    };
    let times: Vec<f64> = rows.iter().filter_map(value).collect();
    let (first, last) = (times.first()?, times.last()?);
    let step = (last - first) / (times.len() - 1) as f64;
    (step > 0.0).then(|| {
        format!("steps of {step:.6}: {:.3} samples a second if that is s, {:.3} if it is ms", 1.0 / step, 1000.0 / step)
    })
}
