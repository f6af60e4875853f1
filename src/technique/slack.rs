//! Whether the slack was out before the spring.

use super::{RuleInput, TechniqueFinding, TechniqueRule};
use crate::columns::Measure;
use crate::trace::{Knee, Test};

/// Displacement at the first spring's start short of the onset by more than the onset's `u95`.
///
/// A held force lacks the damping of a moving one, so displacement is the judge, not force. Without an interval the
/// onset is taken as it stands.
pub(super) fn sprung_before_slack_out(seen: &RuleInput<'_>) -> Vec<TechniqueFinding> {
    seen.tests.iter().filter_map(early).collect()
}

fn early(test: &Test) -> Option<TechniqueFinding> {
    let onset = test.measures.finding(Measure::Onset)?;
    let start_mm = test.springs.first()?.start_mm?;
    let u95 = onset.u95().unwrap_or(0.0);
    if start_mm >= onset.value - u95 {
        return None;
    }
    let interval = onset.u95().map_or_else(String::new, |u| format!(" ± {u:.2}"));
    let text = format!(
        "sprung at {start_mm:.2} mm, {:.2} mm short of the onset at {:.2}{interval} mm: before the slack was out.",
        onset.value - start_mm,
        onset.value
    );
    Some(TechniqueFinding {
        value: Some(start_mm),
        unit: "mm",
        low: Some(onset.value),
        ..TechniqueFinding::on(
            TechniqueRule::SprungBeforeSlackOut,
            test,
            text,
            "stay longer with the lean, let it take up the slack until the tissue stops giving way, hold, and \
             only then spring; the ceiling stays where it is.",
        )
    })
}

/// A finding for each test whose push shows no knee. A test in which none was looked for gets none.
pub(super) fn slack_not_shown_out(seen: &RuleInput<'_>) -> Vec<TechniqueFinding> {
    let without = seen.tests.iter().filter(|t| t.knee == Knee::None);
    without
        .map(|test| {
            TechniqueFinding::on(TechniqueRule::SlackNotShownOut,
                test,
                "no knee between take-up and end-feel, so the slack is not shown to be out.".to_owned(),
                "lean in more slowly and evenly and wait for the tissue before springing. If the slack is \
                 still not shown to be out, leave it blank: that is never a reason to press harder.",
            )
        })
        .collect()
}
