//! Which column of a file is what: our own headings with their unit suffix, and the sidecar's mapping.

use super::lines::split_quoted;
use crate::error::Problem;
use crate::study::mapping::{ColumnKey, ColumnMapping};
use crate::study::words::{list, nearest, one_of, shown};
use crate::units::{Quantity, Unit};

/// A column that is read.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SourceColumn {
    pub key: ColumnKey,
    /// Position in the file.
    pub index: usize,
    pub heading: String,
    /// What one raw unit is in s, N or mm.
    pub scale: f64,
    /// What the column's numbers are multiplied by, as sidecar or study say.
    pub gain: f64,
    /// Sensor counts: a calibration says what they are.
    pub counts: bool,
}

/// The columns that are read, and what was noticed about the others.
#[derive(Debug, Default)]
pub(super) struct ColumnLayout {
    pub columns: Vec<SourceColumn>,
    pub notes: Vec<String>,
    /// Why some of the force may stand elsewhere.
    pub unseen: Vec<String>,
    pub header_line: Option<u64>,
}

impl ColumnLayout {
    pub fn has(&self, key: ColumnKey) -> bool {
        self.columns.iter().any(|c| c.key == key)
    }
}

/// What the end of one of our own headings says.
#[derive(Debug, Clone, PartialEq)]
enum Suffix {
    Unit(Unit),
    Missing,
    Unknown(String),
}

/// The delimiter under which most headings are known, and the headings.
pub(super) fn split_header(header: &[u8], mapping: &ColumnMapping) -> (u8, Vec<String>) {
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

/// How many headings are known, for telling the delimiter.
fn count_known(headings: &[String], mapping: &ColumnMapping) -> usize {
    headings
        .iter()
        .filter(|h| recognise(h).is_some() || mapping.columns.values().any(|m| same(&m.name, h)))
        .count()
}

fn same(a: &str, b: &str) -> bool {
    a.trim().to_lowercase() == b.trim().to_lowercase()
}

/// Takes one of our own headings apart.
fn recognise(heading: &str) -> Option<(ColumnKey, Suffix)> {
    let plain = heading.trim().to_lowercase().replace(['\u{b5}', '\u{3bc}'], "u");
    match plain.as_str() {
        "marker" => return Some((ColumnKey::Marker, Suffix::Unit(Unit::Scale(1.0)))),
        "drive_deg" => return Some((ColumnKey::DriveDeg, Suffix::Unit(Unit::Scale(1.0)))),
        _ => {}
    }
    let parts: Vec<&str> = plain.split('_').collect();
    let (key, rest) = match parts.as_slice() {
        ["time", rest @ ..] => (ColumnKey::Time, rest),
        ["force", "left", rest @ ..] => (ColumnKey::ForceLeft, rest),
        ["force", "right", rest @ ..] => (ColumnKey::ForceRight, rest),
        ["force", rest @ ..] => (ColumnKey::Force, rest),
        ["displacement", "left", rest @ ..] => (ColumnKey::DisplacementLeft, rest),
        ["displacement", "right", rest @ ..] => (ColumnKey::DisplacementRight, rest),
        ["displacement", rest @ ..] => (ColumnKey::Displacement, rest),
        _ => return None,
    };
    let suffix = match rest {
        [] => Suffix::Missing,
        [word] => match Unit::parse(key.quantity()?, word) {
            Some(unit) => Suffix::Unit(unit),
            None => Suffix::Unknown((*word).to_owned()),
        },
        _ => return None,
    };
    Some((key, suffix))
}

/// A heading with the unit that stands under it; `Err` with the unit that heading or mapping name otherwise.
pub(super) fn with_unit_below(heading: &str, unit: &str, mapping: &ColumnMapping) -> Result<String, String> {
    let unit = plain_unit(unit);
    let mapped = mapping.columns.iter().find(|(_, m)| same(&m.name, heading));
    let (key, named) = match (mapped, recognise(heading)) {
        (Some((key, column)), _) => (*key, Some(column.unit)),
        (None, Some((key, Suffix::Unit(unit)))) => (key, Some(unit)),
        (None, Some((key, Suffix::Missing))) => (key, None),
        _ => return Ok(heading.to_owned()),
    };
    let below = key.quantity().and_then(|q| Unit::parse(q, &unit));
    match (named, below) {
        (None, Some(_)) => Ok(format!("{}_{unit}", heading.trim())),
        (Some(named), Some(below)) if named != below => Err(unit),
        _ => Ok(heading.to_owned()),
    }
}

/// A unit as units rows and headings of other programs write it: in brackets, with a µ.
pub(super) fn plain_unit(unit: &str) -> String {
    let unit = unit.trim().trim_matches(['[', ']', '(', ')', ' ']).to_lowercase();
    let unit = unit.replace(['\u{b5}', '\u{3bc}'], "u");
    match unit.as_str() {
        "sec" | "seconds" | "second" => "s".to_owned(),
        "newton" => "n".to_owned(),
        "inch" => "in".to_owned(),
        _ => unit,
    }
}

/// Whether a heading is the time's, in our own words or the mapping's.
pub(super) fn is_time(heading: &str, mapping: &ColumnMapping) -> bool {
    match mapping.columns.get(&ColumnKey::Time) {
        Some(column) => same(&column.name, heading),
        None => recognise(heading).is_some_and(|(key, _)| key == ColumnKey::Time),
    }
}

/// Settles which column is what. `line` is the header's line.
///
/// # Errors
/// A problem that says which column is missing, doubled or without a unit, and what would be accepted.
pub(super) fn column_layout(
    file: &str,
    headings: &[String],
    line: Option<u64>,
    mapping: &ColumnMapping,
) -> Result<ColumnLayout, Problem> {
    let header = Header { file, headings, line };
    let mut layout = ColumnLayout {
        header_line: line,
        ..ColumnLayout::default()
    };
    for key in ColumnKey::ALL {
        let found = if mapping.columns.contains_key(&key) {
            header.mapped(key, mapping)?
        } else {
            header.own(key, mapping)?
        };
        layout.columns.extend(found);
    }
    header.check_shared(&layout.columns)?;
    if !layout.has(ColumnKey::Time) {
        return Err(header.no_column("time", "time_s"));
    }
    let forces = [ColumnKey::Force, ColumnKey::ForceLeft, ColumnKey::ForceRight];
    if !forces.into_iter().any(|k| layout.has(k)) {
        let mut problem = header.no_column("force", "force_n");
        if headings.len() - layout.columns.len() >= LIKE_A_MAT {
            problem.advice =
                "if this is a pressure mat's file, write [mat] with rows, cols, pitch_mm and unit into its \
                              sidecar; else rename a column to force_n"
                    .to_owned();
        }
        return Err(problem);
    }
    let ignored: Vec<String> = headings
        .iter()
        .enumerate()
        .filter(|(i, h)| !h.is_empty() && !layout.columns.iter().any(|w| w.index == *i))
        .map(|(_, h)| shown(h))
        .collect();
    if !ignored.is_empty() {
        layout.notes.push(format!("columns not used: {}", list(&ignored)));
    }
    let forces: Vec<String> = ignored.into_iter().filter(|h| may_be_force(h)).collect();
    if !forces.is_empty() {
        layout.unseen.push(format!("not used, though it may be a force: {}", list(&forces)));
    }
    Ok(layout)
}

/// Whether a heading that is not known may be a force's. What was aimed at, or counts once a push, is none.
fn may_be_force(heading: &str) -> bool {
    const WORDS: [&str; 12] = ["load", "total", "weight", "fx", "fy", "fz", "n", "kn", "kgf", "gf", "lbf", "newton"];
    const NONE: [&str; 8] = ["target", "setpoint", "set", "raw", "peak", "max", "mean", "rate"];
    let lower = heading.to_lowercase();
    let words: Vec<&str> = lower.split(|c: char| !c.is_alphanumeric()).collect();
    let named = |word: &&str| word.starts_with("forc") || word.starts_with("kraft") || WORDS.contains(word);
    words.iter().any(named) && !words.iter().any(|w| NONE.contains(w))
}

/// The columns of a mat file that are no cells: time, displacement, marker and tilt. Every other column is a cell.
///
/// # Errors
/// As [`column_layout`], but for force: a mat's force is in its cells.
pub(super) fn mat_layout(
    file: &str,
    headings: &[String],
    line: Option<u64>,
    mapping: &ColumnMapping,
) -> Result<ColumnLayout, Problem> {
    let header = Header { file, headings, line };
    let mut layout = ColumnLayout {
        header_line: line,
        ..ColumnLayout::default()
    };
    for key in ColumnKey::ALL {
        let found = match (key.quantity(), mapping.columns.contains_key(&key)) {
            (Some(Quantity::Force), _) => None,
            (_, true) => header.mapped(key, mapping)?,
            (_, false) => header.own(key, mapping)?,
        };
        layout.columns.extend(found);
    }
    header.check_shared(&layout.columns)?;
    if !layout.has(ColumnKey::Time) {
        return Err(header.no_column("time", "time_s"));
    }
    Ok(layout)
}

/// The problem of a file that ends with its headings.
pub(super) fn no_rows(file: &str) -> Problem {
    Problem::error(
        file,
        "headings and no numbers",
        "a row for each sample",
        "record again, or copy the file again",
    )
}

/// From how many columns without a known heading on a file may be a mat's.
const LIKE_A_MAT: usize = 16;

fn source_column(key: ColumnKey, index: usize, heading: &str, unit: Unit) -> SourceColumn {
    let (scale, counts) = match unit {
        Unit::Scale(scale) => (scale, false),
        Unit::Counts => (1.0, true),
    };
    SourceColumn {
        key,
        index,
        heading: heading.to_owned(),
        scale,
        gain: 1.0,
        counts,
    }
}

struct Header<'a> {
    file: &'a str,
    headings: &'a [String],
    line: Option<u64>,
}

impl Header<'_> {
    fn problem(&self, column: Option<&str>, found: String, expected: String, advice: String) -> Problem {
        let mut problem = Problem::error(self.file, found, expected, advice);
        problem.line = self.line;
        problem.column = column.map(shown);
        problem
    }

    fn listed(&self) -> String {
        let shown: Vec<String> = self.headings.iter().take(20).map(|h| shown(h)).collect();
        let more = self.headings.len().saturating_sub(20);
        match more {
            0 => list(&shown),
            _ => format!("{} and {more} more", shown.join(", ")),
        }
    }

    /// The column that the sidecar names.
    fn mapped(&self, key: ColumnKey, mapping: &ColumnMapping) -> Result<Option<SourceColumn>, Problem> {
        let Some(column) = mapping.columns.get(&key) else {
            return Ok(None);
        };
        let exact: Vec<usize> = self.positions(|h| h.trim() == column.name.trim());
        let found = if exact.is_empty() {
            self.positions(|h| same(h, &column.name))
        } else {
            exact
        };
        match found.as_slice() {
            [index] => Ok(Some(SourceColumn {
                gain: column.gain.unwrap_or_else(|| mapping.gains.of(key)),
                ..source_column(key, *index, &self.headings[*index], column.unit)
            })),
            [] => {
                let near = nearest(&column.name, self.headings.iter().map(String::as_str));
                let near = near.map_or(String::new(), |n| format!(" (nearest: {})", shown(n)));
                Err(self.problem(
                    Some(&column.name),
                    format!("no such column; there are {}", self.listed()),
                    format!("the column that the sidecar names for {}", key.word()),
                    format!("correct the name under [columns] in the sidecar{near}"),
                ))
            }
            _ => Err(self.problem(
                Some(&column.name),
                format!("{} columns of this name", found.len()),
                format!("one column for {}", key.word()),
                "rename one of them".to_owned(),
            )),
        }
    }

    fn positions(&self, is: impl Fn(&str) -> bool) -> Vec<usize> {
        (0..self.headings.len())
            .filter(|i| is(&self.headings[*i]))
            .collect()
    }

    /// The column under one of our own headings.
    fn own(&self, key: ColumnKey, mapping: &ColumnMapping) -> Result<Option<SourceColumn>, Problem> {
        let mut good = Vec::new();
        let mut faulty = Vec::new();
        for (index, heading) in self.headings.iter().enumerate() {
            let taken = mapping.columns.values().any(|m| same(&m.name, heading));
            match recognise(heading) {
                Some((k, Suffix::Unit(unit))) if k == key && !taken => good.push((index, heading, unit)),
                Some((k, suffix)) if k == key && !taken => faulty.push((heading, suffix)),
                _ => {}
            }
        }
        match (good.as_slice(), faulty.first()) {
            ([], None) => Ok(None),
            ([], Some((heading, suffix))) => Err(self.no_unit(key, heading, suffix)),
            ([(index, heading, unit)], _) => Ok(Some(SourceColumn {
                gain: mapping.gains.of(key),
                ..source_column(key, *index, heading, *unit)
            })),
            (many, _) => {
                let names: Vec<String> = many.iter().map(|(_, h, _)| shown(h)).collect();
                Err(self.doubled(key, &names))
            }
        }
    }

    /// A mapping may name the same heading for two things.
    fn check_shared(&self, wanted: &[SourceColumn]) -> Result<(), Problem> {
        for (i, w) in wanted.iter().enumerate() {
            if let Some(other) = wanted[..i].iter().find(|o| o.index == w.index) {
                return Err(self.problem(
                    Some(&w.heading),
                    format!("one column for {} and for {}", other.key.word(), w.key.word()),
                    "a column of its own for each".to_owned(),
                    "correct the names under [columns] in the sidecar".to_owned(),
                ));
            }
        }
        Ok(())
    }

    fn doubled(&self, key: ColumnKey, names: &[String]) -> Problem {
        let advice = match key {
            ColumnKey::Force => {
                "name them force_left_n and force_right_n (the subject's sides), or say in the sidecar which one counts: \
                 [columns] force = { name = \"…\", unit = \"n\" }"
                    .to_owned()
            }
            _ => format!("rename all but the one that is {}", key.word()),
        };
        self.problem(
            names.last().map(String::as_str),
            format!("{} {} columns: {}", names.len(), key.word(), list(names)),
            format!("one {} column", key.word()),
            advice,
        )
    }

    fn no_unit(&self, key: ColumnKey, heading: &str, suffix: &Suffix) -> Problem {
        let suffixes = key.quantity().map_or(&[][..], Quantity::suffixes);
        let found = match suffix {
            Suffix::Unknown(word) => format!("the unit {} in the heading", shown(word)),
            _ => "a heading without a unit".to_owned(),
        };
        let endings: Vec<String> = suffixes.iter().map(|s| format!("_{s}")).collect();
        let endings: Vec<&str> = endings.iter().map(String::as_str).collect();
        let unit = suffixes.first().copied().unwrap_or_default();
        self.problem(
            Some(heading),
            found,
            format!("{} followed by {}", key.word(), one_of(&endings)),
            format!(
                "write {}_{unit} if that is the unit, or map it in the sidecar: [columns] {} = {{ name = \"{}\", unit = \"{unit}\" }}",
                key.word(),
                key.word(),
                shown(heading)
            ),
        )
    }

    /// No column for something that no trace is without.
    fn no_column(&self, word: &str, example: &str) -> Problem {
        if !self.headings.is_empty() && self.headings.iter().all(|h| h.parse::<f64>().is_ok()) {
            return self.problem(
                None,
                format!("numbers where the headings should be: {}", self.listed()),
                "headings in the first line, such as time_s, force_n, displacement_mm".to_owned(),
                "add a line of headings".to_owned(),
            );
        }
        let quantity = if word == "time" {
            Quantity::Time
        } else {
            Quantity::Force
        };
        let side = if word == "time" {
            ""
        } else {
            " (or force_left, force_right)"
        };
        let near = nearest(example, self.headings.iter().map(String::as_str));
        let unit = quantity.suffixes().first().copied().unwrap_or_default();
        let advice = match near {
            Some(near) => format!(
                "rename {} to {example}, or map it in the sidecar: [columns] {word} = {{ name = \"{}\", unit = \"{unit}\" }}",
                shown(near),
                shown(near)
            ),
            None => format!(
                "rename a column, or map one in the sidecar: [columns] {word} = {{ name = \"…\", unit = \"{unit}\" }}"
            ),
        };
        self.problem(
            None,
            format!("no {word} column among {}", self.listed()),
            format!(
                "{word}{side} followed by a unit: _{}",
                quantity.suffixes().join(", _")
            ),
            advice,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headings_are_taken_apart_in_any_case() {
        assert_eq!(
            recognise("Force_Left_LBF"),
            Some((
                ColumnKey::ForceLeft,
                Suffix::Unit(Unit::Scale(crate::units::N_PER_LBF))
            ))
        );
        assert_eq!(
            recognise(" time_\u{b5}s "),
            Some((ColumnKey::Time, Suffix::Unit(Unit::Scale(1e-6))))
        );
        assert_eq!(recognise("force"), Some((ColumnKey::Force, Suffix::Missing)));
        assert_eq!(
            recognise("force_kgs"),
            Some((ColumnKey::Force, Suffix::Unknown("kgs".into())))
        );
        assert_eq!(recognise("time_of_day"), None);
        assert_eq!(recognise("temperature_c"), None);
    }
}
