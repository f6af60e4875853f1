//! Headings that are not our own, and what they stand for: `[columns]` of a sidecar.

use super::toml_doc::{Section, describe};
use super::words::{nearest, one_of, shown};
use crate::units::{Quantity, Unit};
use std::collections::BTreeMap;
use toml::de::DeValue;

/// What a column of a trace is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ColumnKey {
    Time,
    Force,
    ForceLeft,
    ForceRight,
    Displacement,
    DisplacementLeft,
    DisplacementRight,
    Marker,
    DriveDeg,
}

impl ColumnKey {
    /// Every key, in the order of messages.
    pub const ALL: [ColumnKey; 9] = [
        ColumnKey::Time,
        ColumnKey::Force,
        ColumnKey::ForceLeft,
        ColumnKey::ForceRight,
        ColumnKey::Displacement,
        ColumnKey::DisplacementLeft,
        ColumnKey::DisplacementRight,
        ColumnKey::Marker,
        ColumnKey::DriveDeg,
    ];

    /// The key in `[columns]`, and the beginning of our own heading.
    pub fn word(self) -> &'static str {
        match self {
            ColumnKey::Time => "time",
            ColumnKey::Force => "force",
            ColumnKey::ForceLeft => "force_left",
            ColumnKey::ForceRight => "force_right",
            ColumnKey::Displacement => "displacement",
            ColumnKey::DisplacementLeft => "displacement_left",
            ColumnKey::DisplacementRight => "displacement_right",
            ColumnKey::Marker => "marker",
            ColumnKey::DriveDeg => "drive_deg",
        }
    }

    /// The quantity, for columns that have a unit; `marker` and `drive_deg` have a fixed one.
    pub fn quantity(self) -> Option<Quantity> {
        match self {
            ColumnKey::Time => Some(Quantity::Time),
            ColumnKey::Force | ColumnKey::ForceLeft | ColumnKey::ForceRight => Some(Quantity::Force),
            ColumnKey::Displacement | ColumnKey::DisplacementLeft | ColumnKey::DisplacementRight => {
                Some(Quantity::Displacement)
            }
            ColumnKey::Marker | ColumnKey::DriveDeg => None,
        }
    }
}

/// One heading of a file that stands for a known column.
#[derive(Debug, Clone, PartialEq)]
pub struct MappedColumn {
    /// The heading, exactly as in the file.
    pub name: String,
    /// `Unit::Scale(1.0)` for `marker` and `drive_deg`.
    pub unit: Unit,
    /// What the column's numbers are multiplied by; negative where the sensor counts a push as negative.
    pub gain: f64,
}

/// The `[columns]` table: which heading is which column.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ColumnMapping {
    /// The heading and unit of each quantity that has another name in the file.
    pub columns: BTreeMap<ColumnKey, MappedColumn>,
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
                gain: 1.0,
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

fn read_column(section: &Section<'_, '_>, key: ColumnKey) -> Option<MappedColumn> {
    let value = section.get(key.word())?;
    let dotted = section.dotted(key.word());
    match value.get_ref() {
        DeValue::String(name) if key.quantity().is_none() => Some(MappedColumn {
            name: name.trim().to_owned(),
            unit: Unit::Scale(1.0),
            gain: 1.0,
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
                gain: read_gain(&inner, key)?,
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

fn example_unit(key: ColumnKey) -> &'static str {
    key.quantity()
        .and_then(|q| q.suffixes().first().copied())
        .unwrap_or("")
}

/// The factor of a column of force or displacement.
fn read_gain(inner: &Section<'_, '_>, key: ColumnKey) -> Option<f64> {
    let Some(value) = inner.get("gain") else {
        return Some(1.0);
    };
    let gain = inner.number("gain", -1e12, 1e12)?;
    let turns = matches!(key.quantity(), Some(Quantity::Force | Quantity::Displacement));
    if turns && gain != 0.0 {
        return Some(gain);
    }
    inner.doc.error(
        value.span(),
        &inner.dotted("gain"),
        &gain.to_string(),
        "a number other than 0, for a force or a displacement",
        "correct it or take it out",
    );
    None
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
