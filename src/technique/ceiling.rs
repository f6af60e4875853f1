//! Over the ceiling.

use super::{RuleInput, TechniqueFinding, TechniqueRule};
use crate::settings::{Ceiling, Settings};
use crate::trace::Test;
use std::collections::BTreeMap;

/// The ceiling that a test is held against. `None` when no level is known; no ceiling is then claimed.
pub fn ceiling_of(test: &Test, settings: &Settings) -> Option<Ceiling> {
    settings.ceiling_at(test.about.level.into_iter().chain(test.about.covers.iter().copied()))
}

/// One finding a test whose total peak is over its ceiling; both sides of a bilateral trace share the total, so they
/// share the finding, and no side is named in it.
pub(super) fn over_ceiling(seen: &RuleInput<'_>) -> Vec<TechniqueFinding> {
    let mut sides: BTreeMap<(&str, u32), Vec<&Test>> = BTreeMap::new();
    for test in seen.tests {
        sides.entry((&test.recording, test.test)).or_default().push(test);
    }
    // The map has sorted the tests; the sort of all findings brings back their order.
    sides
        .into_values()
        .filter_map(|tests| over(&tests, seen.settings))
        .collect()
}

fn over(sides: &[&Test], settings: &Settings) -> Option<TechniqueFinding> {
    let worst = *sides
        .iter()
        .max_by(|a, b| a.total_peak_n.total_cmp(&b.total_peak_n))?;
    let ceiling = ceiling_of(worst, settings)?;
    if worst.total_peak_n <= ceiling.newtons || !worst.total_peak_n.is_finite() {
        return None;
    }
    let mut of_all = worst.clone();
    if sides.len() > 1 {
        of_all.about.side = None;
    }
    let text = format!(
        "peak force {:.1} N, over the {} ceiling of {} N ({}).",
        worst.total_peak_n,
        ceiling.region,
        ceiling.newtons,
        ceiling.origin
    );
    let advice = "lean in with less weight and stop well below the ceiling; stop at once on request or pain. \
                  A blank result is never a reason to press harder.";
    Some(TechniqueFinding {
        value: Some(worst.total_peak_n),
        unit: "N",
        high: Some(ceiling.newtons),
        ..TechniqueFinding::on(TechniqueRule::OverCeiling, &of_all, text, advice)
    })
}
