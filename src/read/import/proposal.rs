//! A profile proposed for a file that was recognised, for a person to read.

use super::recognise::Looked;
use crate::study::column_key::ColumnKey;
use crate::study::import::TimeForm;
use crate::study::words::{list, shown};
use std::fmt::Write as _;

/// The text of a profile for recordings that are written alike; `sidecar` is the name of the first one's sidecar.
///
/// A unit that nothing says is written as `"?"`, which is refused until somebody puts it in.
pub fn proposal(looked: &Looked, recordings: &[&str], sidecar: &str) -> String {
    let first = recordings.first().map_or_else(String::new, |r| shown(r));
    let more = match recordings.len() {
        0 | 1 => String::new(),
        n => format!(" and {} more recordings that are written alike", n - 1),
    };
    let mut text = format!(
        "# Proposed by `tautpoint check --propose` for {first}{more}.\n\
         # Nothing of it is in force yet. Read it and correct it: it was told from the looks of the file alone, and a wrong\n\
         # unit or column makes every result wrong. Then rename this file to {}, or copy what follows into a\n\
         # sidecar, or into study.toml, where it holds for every recording whose sidecar has no [import].\n#\n",
        shown(sidecar)
    );
    let why = looked.why().unwrap_or_else(|| "a table of other headings".to_owned());
    let _ = writeln!(text, "# Recognised: {why}.");
    let mut open = Vec::new();
    for (key, heading, _) in looked.columns.iter().filter(|(_, _, unit)| unit.is_empty()) {
        let steps = looked.time_steps.as_ref().filter(|_| *key == ColumnKey::Time);
        let steps = steps.map_or(String::new(), |steps| format!(" ({steps})"));
        open.push(format!("the unit of {}{steps}", shown(heading)));
    }
    for key in ["time", "force"] {
        if !looked.columns.iter().any(|(k, _, _)| k.word().starts_with(key)) {
            open.push(format!("which column is the {key}"));
        }
    }
    if !looked.doubled.is_empty() {
        let doubled: Vec<String> = looked.doubled.iter().map(|h| shown(h)).collect();
        open.push(format!("which of these columns is the one that counts: {}", list(&doubled)));
    }
    if !looked.unknown.is_empty() {
        let unknown: Vec<String> = looked.unknown.iter().map(|h| shown(h)).collect();
        open.push(format!("what these columns are (they are not used): {}", list(&unknown)));
    }
    if !open.is_empty() {
        let _ = writeln!(text, "# Not recognised: {}.", open.join("; "));
    }
    text.push_str("# Where a sensor counts a push as negative, add gain = -1 to its column.\n\n[import]\n");
    let profile = &looked.profile;
    let _ = writeln!(text, "encoding = \"{}\"", profile.encoding.word());
    let _ = writeln!(text, "skip_rows = {}", profile.skip_rows);
    let _ = writeln!(text, "units_row = {}", profile.units_row);
    for (key, sign) in [
        ("delimiter", profile.delimiter),
        ("decimal", profile.decimal),
        ("thousands", profile.thousands),
    ] {
        if let Some(sign) = sign {
            let sign = toml::Value::String(char::from(sign).to_string());
            let _ = writeln!(text, "{key} = {sign}");
        }
    }
    if profile.time != TimeForm::Number {
        let _ = writeln!(text, "time = \"{}\"", profile.time.word());
    }
    text.push_str("\n[import.columns]\n");
    for (key, heading, unit) in &looked.columns {
        let heading = toml::Value::String(heading.clone());
        let unit = if unit.is_empty() { "?" } else { unit };
        let _ = writeln!(text, "{} = {{ name = {heading}, unit = \"{unit}\" }}", key.word());
    }
    by_hand(looked, &mut text);
    text
}

/// Lines for what a trace needs and no heading says, to be filled in by hand.
fn by_hand(looked: &Looked, text: &mut String) {
    let missing: Vec<&str> = [("time", "s"), ("force", "n"), ("displacement", "mm")]
        .into_iter()
        .filter(|(word, _)| !looked.columns.iter().any(|(k, _, _)| k.word().starts_with(word)))
        .map(|(word, _)| word)
        .collect();
    if missing.is_empty() || looked.unknown.is_empty() {
        return;
    }
    let _ = writeln!(
        text,
        "# No heading says which column is the {}. Take \"# \" from the line that is right, and put in the unit; a column that\n\
         # is not there stays out.",
        list(&missing.iter().map(|word| (*word).to_owned()).collect::<Vec<_>>())
    );
    for word in missing {
        for heading in &looked.unknown {
            let heading = toml::Value::String(heading.clone());
            let _ = writeln!(text, "# {word} = {{ name = {heading}, unit = \"?\" }}");
        }
    }
}
