//! Over the ceiling.

use super::{RuleInput, TechniqueFinding, TechniqueRule, UntoldForce};
use crate::format::number;
use crate::settings::{Ceiling, Settings};
use crate::trace::Test;
use std::collections::BTreeMap;

const ADVICE: &str = "lean in with less weight and stop well below the ceiling; stop at once on request or pain. A blank \
                      result is never a reason to press harder.";

/// The ceiling that a test is held against; the lowest of all when no level is known.
pub fn ceiling_of(test: &Test, settings: &Settings) -> Ceiling {
    settings.ceiling_at(test.about.levels())
}

/// One finding a test whose total peak is over its ceiling; both sides of a bilateral trace share the total, so they
/// share the finding, and no side is named in it.
pub(super) fn over_ceiling(seen: &RuleInput<'_>) -> Vec<TechniqueFinding> {
    let mut sides: BTreeMap<(&str, u32), Vec<&Test>> = BTreeMap::new();
    for test in seen.tests {
        sides.entry((&test.recording, test.test)).or_default().push(test);
    }
    // The map has sorted the tests; the sort of all findings brings back their order.
    let of_tests = sides.into_values().filter_map(|tests| over(&tests, seen.settings));
    of_tests
        .chain(seen.untold.iter().map(|force| outside(force, seen.settings)))
        .collect()
}

fn over(sides: &[&Test], settings: &Settings) -> Option<TechniqueFinding> {
    let worst = *sides
        .iter()
        .max_by(|a, b| a.total_peak_n.total_cmp(&b.total_peak_n))?;
    let ceiling = ceiling_of(worst, settings);
    if worst.total_peak_n <= ceiling.newtons || !worst.total_peak_n.is_finite() {
        return None;
    }
    let mut of_all = worst.clone();
    if sides.len() > 1 {
        of_all.about.side = None;
    }
    let text = format!("peak force {:.1} N, {}.", worst.total_peak_n, ceiling.over_words());
    Some(TechniqueFinding {
        value: Some(worst.total_peak_n),
        unit: "N",
        high: Some(ceiling.newtons),
        ..TechniqueFinding::on(TechniqueRule::OverCeiling, &of_all, text, ADVICE)
    })
}

/// A finding on a force that no test holds; it names no test.
fn outside(force: &UntoldForce, settings: &Settings) -> TechniqueFinding {
    let ceiling = force.ceiling(settings);
    let text = format!("{} N {}, {}.", number(force.over.peak_n, 1), ceiling.over_words(), force.place());
    let of = Test {
        recording: force.recording.clone(),
        about: force.about.clone(),
        ..Test::default()
    };
    TechniqueFinding {
        test: None,
        value: Some(force.over.peak_n),
        unit: "N",
        high: Some(ceiling.newtons),
        ..TechniqueFinding::on(TechniqueRule::OverCeiling, &of, text, ADVICE)
    }
}
