//! Over the ceiling.

use super::{Seen, TechniqueFinding, TechniqueRule};
use crate::settings::Settings;
use crate::terms::Region;
use crate::trace::Test;
use std::collections::BTreeMap;

/// The ceiling that a test is held against, in N, and its region: the lowest of the regions that the contact
/// covered. `None` when no level is known; no ceiling is then claimed.
pub fn ceiling_n(test: &Test, settings: &Settings) -> Option<(Region, f64)> {
    let levels = test.about.level.iter().chain(&test.about.covers);
    levels
        .map(|level| level.region())
        .map(|region| (region, settings.ceiling_n.of(region)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
}

/// One finding a test whose total peak is over its ceiling; both sides of a bilateral trace share the total, so they
/// share the finding, and no side is named in it.
pub(super) fn over_ceiling(seen: &Seen<'_>) -> Vec<TechniqueFinding> {
    let changed = seen.settings.departures();
    let mut sides: BTreeMap<(&str, u32), Vec<&Test>> = BTreeMap::new();
    for test in seen.tests {
        sides.entry((&test.recording, test.test)).or_default().push(test);
    }
    // The map has sorted the tests; the sort of all findings brings back their order.
    sides
        .into_values()
        .filter_map(|tests| over(&tests, seen.settings, &changed))
        .collect()
}

fn over(sides: &[&Test], settings: &Settings, changed: &[&str]) -> Option<TechniqueFinding> {
    let worst = *sides
        .iter()
        .max_by(|a, b| a.total_peak_n.total_cmp(&b.total_peak_n))?;
    let (region, ceiling) = ceiling_n(worst, settings)?;
    if worst.total_peak_n <= ceiling || !worst.total_peak_n.is_finite() {
        return None;
    }
    let whose = if changed.contains(&format!("ceiling_n.{}", region.word()).as_str()) {
        "set by this lab"
    } else {
        "default, the lab must set its own"
    };
    let mut of_all = worst.clone();
    if sides.len() > 1 {
        of_all.about.side = None;
    }
    let text = format!(
        "peak force {:.1} N, over the {} ceiling of {ceiling} N ({whose}).",
        worst.total_peak_n,
        region.word()
    );
    let advice = "lean in with less weight and stop well below the ceiling; stop at once on request or pain. \
                  A blank result is never a reason to press harder.";
    Some(TechniqueFinding {
        value: Some(worst.total_peak_n),
        unit: "N",
        high: Some(ceiling),
        ..TechniqueFinding::on(TechniqueRule::OverCeiling, &of_all, text, advice)
    })
}
