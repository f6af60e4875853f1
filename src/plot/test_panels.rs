//! One test: force against time with its phases, and force against displacement with the onset and the loops.

use super::Figure;
use super::axis::MARGIN;
use super::canvas::{Align, Area, Canvas, words};
use super::palette::{INK, QUIET};
use super::{test_loops, test_time, text};
use crate::columns::Measure;
use crate::trace::{Knee, Test};

/// Size of the words at marks, in px.
pub(super) const LABEL: f64 = 12.0;
const HEIGHT: f64 = 344.0;
const WIDTH: f64 = 960.0;
/// Width with force only: one panel.
const NARROW: f64 = 560.0;
const TIME_PANEL: Area = Area {
    left: 58.0,
    top: 66.0,
    right: 506.0,
    bottom: HEIGHT - 48.0,
};
const LOOP_PANEL: Area = Area {
    left: 584.0,
    top: 66.0,
    right: 946.0,
    bottom: HEIGHT - 48.0,
};

/// What a figure of a test cannot know by itself.
#[derive(Debug, Clone, Copy, Default)]
pub struct PanelOptions {
    /// Force allowed at the level, for the sum of all contacts, in N.
    pub ceiling_n: Option<f64>,
    /// Whether the study set the ceiling itself; else it is called a default.
    pub ceiling_is_own: bool,
    /// How many tests this side of the level has, for "trial 2 of 3".
    pub trials: Option<u32>,
    /// Force that both axes reach at least, in N, so that tests of a level can be held side by side.
    pub force_top_n: Option<f64>,
}

/// Draws one test. A test without displacement gets the panel of force against time alone.
pub fn test_panels(test: &Test, options: &PanelOptions) -> Figure {
    let both = has_displacement(test);
    let width = if both { WIDTH } else { NARROW };
    let mut canvas = Canvas::new(width, HEIGHT);
    let title = heading(test, options.trials);
    canvas.words((MARGIN, 22.0), &title, words(15.0, INK).bold());
    let room = width - 60.0 - text::width(&title, 15.0, true);
    let recording = text::fit(&text::one_line(&test.recording), LABEL, room);
    canvas.words(
        (width - MARGIN, 22.0),
        &recording,
        words(LABEL, QUIET).aligned(Align::End),
    );
    test_time::draw(&mut canvas, TIME_PANEL, test, options);
    if both {
        test_loops::draw(&mut canvas, LOOP_PANEL, test, options.force_top_n);
    }
    let alt = alt(test, both);
    Figure {
        svg: canvas.svg(&title, &alt),
        width,
        height: HEIGHT,
        title,
        alt,
    }
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

/// A measure as it stands at a mark: `8.20 ± 0.02 mm`.
pub(super) fn value(test: &Test, measure: Measure) -> Option<String> {
    let info = measure.info();
    let estimate = test.measures.get(measure)?;
    let number = text::plus_minus(estimate.value, estimate.u95(), info.decimals);
    Some(format!("{number} {}", info.unit).trim_end().to_owned())
}

/// What is to be seen, in words.
fn alt(test: &Test, both: bool) -> String {
    let mut parts = Vec::new();
    let springs = match test.springs.len() {
        0 => "a push without springs".to_owned(),
        1 => "one spring".to_owned(),
        n => format!("{n} springs"),
    };
    let mut time = format!("Force against time: {springs}");
    if let Some(peak) = value(test, Measure::Peak) {
        time = format!("{time}, peak force {peak}");
    }
    if let Some(preload) = value(test, Measure::Preload) {
        time = format!("{time}, preload {preload}");
    }
    parts.push(time);
    if !both {
        parts.push("No displacement was recorded".to_owned());
        return parts.join(". ") + ".";
    }
    let onset = match test.knee {
        Knee::None => "no knee, so no onset is marked".to_owned(),
        Knee::NotLooked => "the onset was not looked for".to_owned(),
        Knee::Fitted | Knee::TwoLines => {
            match (value(test, Measure::Onset), value(test, Measure::OnsetForce)) {
                (Some(mm), Some(n)) => format!("pre-tension begins at {mm}, {n}"),
                (Some(mm), None) => format!("pre-tension begins at {mm}"),
                _ => "the onset could not be read".to_owned(),
            }
        }
    };
    parts.push(format!("Force against displacement: {onset}"));
    if let Some(stiffness) = value(test, Measure::EndFeel) {
        parts.push(format!("End-feel stiffness {stiffness}"));
    }
    if let Some(loss) = test_loops::loss_words(test) {
        let mut letters = loss.chars();
        let first = letters.next().map(|c| c.to_uppercase().to_string());
        parts.push(first.unwrap_or_default() + letters.as_str());
    }
    parts.join(". ") + "."
}
