//! Headings that are not our own, and what they stand for: `[columns]` of a sidecar.

pub use super::column_key::ColumnKey;

use super::gains::{ColumnGains, read_gain};
use super::import::ImportProfile;
use super::toml_doc::{Section, describe};
use super::words::{nearest, one_of, shown};
use crate::units::{Quantity, Unit};
use std::collections::BTreeMap;
use toml::de::DeValue;

/// One heading of a file that stands for a known column.
#[derive(Debug, Clone, PartialEq)]
pub struct MappedColumn {
    /// The heading, exactly as in the file.
    pub name: String,
    /// `Unit::Scale(1.0)` for `marker` and `drive_deg`.
    pub unit: Unit,
    /// What the column's numbers are multiplied by; negative where the sensor counts a push as negative. The study's where
    /// nothing is said.
    pub gain: Option<f64>,
}

/// The `[columns]` table: which heading is which column.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ColumnMapping {
    /// The heading and unit of each quantity that has another name in the file.
    pub columns: BTreeMap<ColumnKey, MappedColumn>,
    /// The study's factors, for columns without one of their own.
    pub gains: ColumnGains,
    /// How another program wrote the file, when it is not written as our own are.
    pub import: Option<ImportProfile>,
}

impl ColumnMapping {
    /// Adds a column: the programmatic way to say what the sidecar says.
    #[must_use]
    pub fn with(mut self, key: ColumnKey, name: impl Into<String>, unit: Unit) -> Self {
        self.columns.insert(
            key,
            MappedColumn {
                name: name.into(),
                unit,
                gain: None,
            },
        );
        self
    }

    /// Reads `[columns]`; what cannot be meant is reported to the section's file.
    pub fn read(section: &Section<'_, '_>) -> Self {
        let words: Vec<&str> = ColumnKey::ALL.iter().map(|k| k.word()).collect();
        section.warn_unknown(&words);
        let mut mapping = ColumnMapping::default();
        for key in ColumnKey::ALL {
            if let Some(column) = read_column(section, key) {
                mapping.columns.insert(key, column);
            }
        }
        mapping
    }
}

impl ColumnMapping {
    /// Reads `[import]` with its columns.
    pub fn read_import(section: &Section<'_, '_>) -> Self {
        let path = section.dotted("columns");
        let columns = section.table("columns").map(|table| {
            ColumnMapping::read(&Section {
                doc: section.doc,
                table,
                path: &path,
            })
        });
        ColumnMapping {
            import: Some(ImportProfile::read(section)),
            ..columns.unwrap_or_default()
        }
    }

    /// The same, with what another mapping says where this one says nothing.
    #[must_use]
    pub fn or(mut self, other: &ColumnMapping) -> Self {
        for (key, column) in &other.columns {
            self.columns.entry(*key).or_insert_with(|| column.clone());
        }
        self.import = self.import.or_else(|| other.import.clone());
        self
    }
}

fn read_column(section: &Section<'_, '_>, key: ColumnKey) -> Option<MappedColumn> {
    let value = section.get(key.word())?;
    let dotted = section.dotted(key.word());
    match value.get_ref() {
        DeValue::String(name) if key.quantity().is_none() => Some(MappedColumn {
            name: name.trim().to_owned(),
            unit: Unit::Scale(1.0),
            gain: None,
        }),
        DeValue::Table(table) => {
            let inner = Section {
                doc: section.doc,
                table,
                path: &dotted,
            };
            inner.warn_unknown(&["name", "unit", "gain"]);
            let Some(name) = inner.text("name") else {
                section.doc.error(
                    value.span(),
                    &dotted,
                    "a column without its name",
                    "name = \"the heading in the file\"",
                    "add the name",
                );
                return None;
            };
            let unit = match key.quantity() {
                Some(quantity) => read_unit(&inner, quantity, value.span())?,
                None => Unit::Scale(1.0),
            };
            Some(MappedColumn {
                name,
                unit,
                gain: own_gain(&inner, key)?,
            })
        }
        other => {
            section.doc.error(
                value.span(),
                &dotted,
                &describe(other),
                &format!("{{ name = \"the heading\", unit = \"{}\" }}", example_unit(key)),
                "give the heading and its unit",
            );
            None
        }
    }
}

/// The column's own factor, if it has one; the outer `None` is one that cannot be meant.
fn own_gain(inner: &Section<'_, '_>, key: ColumnKey) -> Option<Option<f64>> {
    match inner.get("gain") {
        None => Some(None),
        Some(_) => read_gain(inner, "gain", key).map(Some),
    }
}

fn example_unit(key: ColumnKey) -> &'static str {
    key.quantity()
        .and_then(|q| q.suffixes().first().copied())
        .unwrap_or("")
}

fn read_unit(inner: &Section<'_, '_>, quantity: Quantity, span: std::ops::Range<usize>) -> Option<Unit> {
    let dotted = inner.dotted("unit");
    let Some(word) = inner.text("unit") else {
        inner.doc.error(
            span,
            &dotted,
            "no unit",
            &one_of(quantity.suffixes()),
            "add unit = \"…\"",
        );
        return None;
    };
    let plain = word.replace(['\u{b5}', '\u{3bc}'], "u");
    let unit = Unit::parse(quantity, &plain);
    if unit.is_none() {
        let span = inner.get("unit").map_or(span, toml::Spanned::span);
        let advice = match nearest(&word, quantity.suffixes().iter().copied()) {
            Some(near) => format!("write \"{near}\" if that is meant"),
            None => "correct the unit".to_owned(),
        };
        inner.doc.error(
            span,
            &dotted,
            &shown(&word),
            &one_of(quantity.suffixes()),
            &advice,
        );
    }
    unit
}
