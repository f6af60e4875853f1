//! Keys of a TOML text that a person wrote, with their lines; one key set and the rest left as it is.

use crate::study::toml_doc::Doc;
use std::collections::BTreeMap;
use toml::de::{DeTable, DeValue};

/// A value of a text.
#[derive(Debug, Clone, PartialEq)]
pub struct TomlValue {
    /// From 1.
    pub line: u64,
    /// As it is written, on one line.
    pub text: String,
}

/// Every value by its dotted key; nothing of what is no TOML.
pub fn values(text: &str) -> BTreeMap<String, TomlValue> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let doc = Doc::new("", text);
    let mut found = BTreeMap::new();
    if let Some(table) = doc.parse() {
        flatten(&table, "", &doc, text, &mut found);
    }
    found
}

fn flatten(table: &DeTable<'_>, path: &str, doc: &Doc<'_>, text: &str, found: &mut BTreeMap<String, TomlValue>) {
    for (key, value) in table {
        let dotted = match path {
            "" => key.get_ref().to_string(),
            path => format!("{path}.{}", key.get_ref()),
        };
        if let DeValue::Table(inner) = value.get_ref() {
            flatten(inner, &dotted, doc, text, found);
            continue;
        }
        let written = text.get(value.span()).unwrap_or_default();
        let value = TomlValue {
            line: doc.line(value.span().start),
            text: written.split_whitespace().collect::<Vec<_>>().join(" "),
        };
        found.insert(dotted, value);
    }
}

/// The text with a key at its top set to `value`, which is TOML; all else stays byte by byte. `None` when it is no TOML.
pub fn with_top(text: &str, key: &str, value: &str) -> Option<String> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let table = DeTable::parse(text).ok()?.into_inner();
    let there = table.iter().find(|(k, _)| k.get_ref() == key).map(|(_, v)| v.span());
    Some(match there {
        Some(span) => format!("{}{value}{}", text.get(..span.start)?, text.get(span.end..)?),
        None => format!("{key} = {value}\n{text}"),
    })
}

/// Text in quotes.
pub fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A list of texts.
pub fn quoted_list<'a>(texts: impl IntoIterator<Item = &'a str>) -> String {
    let texts: Vec<String> = texts.into_iter().map(quoted).collect();
    format!("[{}]", texts.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_set_and_nothing_else_is_touched() {
        let text = "# trial = 9\nside = \"left\"\ntrial = 1 # first\n\n[line]\ntrial = 4\n";
        let set = with_top(text, "trial", "2").unwrap();
        assert_eq!(set, text.replacen("trial = 1", "trial = 2", 1));
        let added = with_top("[line]\ntrial = 4\n", "trial", "2").unwrap();
        assert_eq!(added, "trial = 2\n[line]\ntrial = 4\n");
        assert_eq!(with_top("trial = ", "trial", "2"), None);
    }

    #[test]
    fn values_know_their_lines() {
        let found = values("title = \"A\"\n[ceiling_n]\nneck = 60\n[technique.neck]\nexcursion_mm = [1,\n 2]\n");
        let lines: Vec<(&str, u64, &str)> = found.iter().map(|(k, v)| (k.as_str(), v.line, v.text.as_str())).collect();
        let expected = [("ceiling_n.neck", 3, "60"), ("technique.neck.excursion_mm", 5, "[1, 2]"), ("title", 1, "\"A\"")];
        assert_eq!(lines, expected);
    }
}
