//! One test: force against time with its phases, and force against displacement with the onset and the loops.

use super::axis::MARGIN;
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, INK, QUIET};
use super::shape::{Align, Area, words};
use super::test_words::{LABEL, PanelOptions, has_displacement, heading, loss_words, value};
use super::{test_loops, test_time, text};
use crate::columns::Measure;
use crate::format::moment;
use crate::trace::{Corrected, Knee, Test};

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
    if let Some(by_hand) = by_hand(test) {
        let shown = text::fit(&by_hand, LABEL, width - 2.0 * MARGIN);
        canvas.words((MARGIN, 38.0), &shown, words(LABEL, ACCENT));
    }
    test_time::draw(&mut canvas, TIME_PANEL, test, options);
    if both {
        test_loops::draw(&mut canvas, LOOP_PANEL, test, options.force_top_n);
    }
    let alt = alt(test, both);
    canvas.figure(title, alt)
}

/// What a person put right: it stands in the figure, since its numbers are not the program's alone.
fn by_hand(test: &Test) -> Option<String> {
    let corrected: &[Corrected] = &test.corrections;
    if corrected.is_empty() {
        return None;
    }
    let mut by_whom: Vec<(&str, Vec<String>)> = Vec::new();
    for c in corrected {
        let word = c.change.word().replace('_', " ");
        match by_whom.iter_mut().find(|(who, _)| *who == c.who) {
            Some((_, words)) => words.push(word),
            None => by_whom.push((&c.who, vec![word])),
        }
    }
    let what: Vec<String> = by_whom.iter().map(|(who, words)| format!("{} by {who}", words.join(", "))).collect();
    let legend = if corrected.iter().any(|c| c.at_s.is_some()) { " (diamond: set by hand)" } else { "" };
    Some(format!("corrected by hand: {}{legend}", what.join("; ")))
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
    parts.extend(by_hand(test).map(|words| words[..1].to_uppercase() + &words[1..]));
    parts.extend(test.annotations().map(|(at_s, word)| format!("Marked at {}: {word}", moment(at_s))));
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
                _ => "the onset is not determined: its interval is wider than the number itself".to_owned(),
            }
        }
    };
    parts.push(format!("Force against displacement: {onset}"));
    if let Some(stiffness) = value(test, Measure::EndFeel) {
        parts.push(format!("End-feel stiffness {stiffness}"));
    }
    if let Some(loss) = loss_words(test) {
        let mut letters = loss.chars();
        let first = letters.next().map(|c| c.to_uppercase().to_string());
        parts.push(first.unwrap_or_default() + letters.as_str());
    }
    parts.join(". ") + "."
}
