//! What the panels of one test, and figures beside them, say of it alike.

use crate::format;
use crate::columns::Measure;
use crate::settings::Ceiling;
use crate::trace::Test;

/// Size of the words at marks, in px.
pub(super) const LABEL: f64 = 12.0;

/// What a figure of a test cannot know by itself.
#[derive(Debug, Clone, Copy, Default)]
pub struct PanelOptions {
    /// What the test is held against.
    pub ceiling: Option<Ceiling>,
    /// How many tests this side of the level has, for "trial 2 of 3".
    pub trials: Option<u32>,
    /// Force that both axes reach at least, in N, so that tests of a level can be held side by side.
    pub force_top_n: Option<f64>,
}

/// Whether there is a displacement for each sample of the curve.
pub(super) fn has_displacement(test: &Test) -> bool {
    !test.curve.displacement_mm.is_empty() && test.curve.displacement_mm.len() == test.curve.force_n.len()
}

/// Which test it is, as a person says it.
pub(super) fn heading(test: &Test, trials: Option<u32>) -> String {
    let about = &test.about;
    let mut title = match about.level {
        Some(level) => level.label().to_owned(),
        None => "level not named".to_owned(),
    };
    if let Some(side) = about.side {
        title = format!("{title} {side}");
    }
    match (about.trial, trials) {
        (Some(trial), Some(of)) if of >= trial => format!("{title}, trial {trial} of {of}"),
        (Some(trial), _) => format!("{title}, trial {trial}"),
        (None, _) => title,
    }
}

/// A measure as it stands at a mark: `8.20 ± 0.02 mm`; `None` where it is missing or not determined.
pub(super) fn value(test: &Test, measure: Measure) -> Option<String> {
    let info = measure.info();
    let estimate = test.measures.finding(measure)?;
    let number = format::plus_minus(estimate.value, estimate.u95(), info.decimals);
    Some(format!("{number} {}", info.unit).trim_end().to_owned())
}

/// What did not come back, in words; `None` without springs or displacement.
pub(super) fn loss_words(test: &Test) -> Option<String> {
    let loss = test.measures.get(Measure::LossRatio)?;
    let percent = format::plus_minus(100.0 * loss.value, loss.u95().map(|u| 100.0 * u), 0);
    Some(format!("loss {percent} % of the loading work"))
}
