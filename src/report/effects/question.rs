//! What is asked, and the measures that pages show.

use crate::columns::Measure;
use crate::compare::DECIDED;
use crate::effects::{Effects, primary};
use crate::settings::Settings;

/// What the rows answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EffectQuestion {
    /// What changed between sessions.
    Change,
    /// What groups differ in.
    Groups,
}

impl EffectQuestion {
    /// The command, which names its files too.
    pub fn word(self) -> &'static str {
        match self {
            EffectQuestion::Change => "change",
            EffectQuestion::Groups => "groups",
        }
    }
}

/// Measures that pages show; all stand in the table.
pub(super) fn shown(effects: &Effects, settings: &Settings) -> Vec<Measure> {
    let mut all = Vec::new();
    for row in &effects.rows {
        let name = row.measure.info().name;
        let wanted = settings.change.0.contains_key(name)
            || primary(settings) == Some(row.measure)
            || DECIDED.contains(&row.measure);
        if wanted && !all.contains(&row.measure) {
            all.push(row.measure);
        }
    }
    all
}

