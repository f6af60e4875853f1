//! Factors of a study's sensors: `[gain]` of study.toml.

use super::column_key::ColumnKey;
use super::toml_doc::Section;
use crate::units::Quantity;
use std::collections::BTreeMap;

/// What the readings of each column are multiplied by where the sidecar says nothing else; negative where the sensor counts
/// a push as negative.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ColumnGains {
    gains: BTreeMap<ColumnKey, f64>,
}

impl ColumnGains {
    /// The keys of `[gain]`: every force and displacement.
    pub const KEYS: [ColumnKey; 6] = [
        ColumnKey::Force,
        ColumnKey::ForceLeft,
        ColumnKey::ForceRight,
        ColumnKey::Displacement,
        ColumnKey::DisplacementLeft,
        ColumnKey::DisplacementRight,
    ];

    /// Reads `[gain]`; what cannot be meant is reported to the section's file.
    pub fn read(section: &Section<'_, '_>) -> Self {
        let words = ColumnGains::KEYS.map(ColumnKey::word);
        section.warn_unknown(&words);
        let keys = ColumnGains::KEYS.into_iter();
        ColumnGains {
            gains: keys
                .filter_map(|key| Some((key, read_gain(section, key.word(), key)?)))
                .collect(),
        }
    }

    /// The factor of a column; 1 where none is named.
    pub fn of(&self, key: ColumnKey) -> f64 {
        self.gains.get(&key).copied().unwrap_or(1.0)
    }

    /// The same with another factor for a column.
    #[must_use]
    pub fn with(mut self, key: ColumnKey, gain: f64) -> Self {
        self.gains.insert(key, gain);
        self
    }
}

/// The factor under `word`, for a column of force or displacement; `None` without one, and for one that cannot be meant.
pub(super) fn read_gain(section: &Section<'_, '_>, word: &str, key: ColumnKey) -> Option<f64> {
    let value = section.get(word)?;
    let gain = section.number(word, -1e12, 1e12)?;
    let turns = matches!(key.quantity(), Some(Quantity::Force | Quantity::Displacement));
    if turns && gain != 0.0 {
        return Some(gain);
    }
    section.doc.error(
        value.span(),
        &section.dotted(word),
        &gain.to_string(),
        "a number other than 0, for a force or a displacement",
        "correct it or take it out",
    );
    None
}
