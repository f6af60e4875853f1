//! One measure over the sessions of a learner, beside the band it should lie in. Small, so that several stand side by
//! side.

use crate::format;
use super::axis::{MARGIN, SMALL, Scale, ticks};
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, BAND, GREY, INK, QUIET};
use super::shape::{Align, Area, words};
use super::text;

const WIDTH: f64 = 310.0;
const HEIGHT: f64 = 206.0;
const PANEL: Area = Area {
    left: 44.0,
    top: 34.0,
    right: 302.0,
    bottom: 164.0,
};
/// Marks of one session that stand beside each other keep this far apart, in px.
const APART: f64 = 9.0;

/// The mean of a session's tests.
#[derive(Debug, Clone, PartialEq)]
pub struct ProgressMark {
    /// Which session, from 0.
    pub session: usize,
    pub mean: f64,
    /// `None` with one test.
    pub interval: Option<[f64; 2]>,
    /// Made without any feedback: drawn as an open mark.
    pub open: bool,
    /// The single tests.
    pub tests: Vec<f64>,
    /// Pushes over the ceiling: a cross each.
    pub over: Vec<f64>,
}

/// What a panel shows.
#[derive(Debug, Clone, PartialEq)]
pub struct ProgressPanel<'a> {
    pub label: &'a str,
    pub unit: &'a str,
    pub decimals: usize,
    /// How many sessions there are.
    pub sessions: usize,
    pub marks: &'a [ProgressMark],
    /// Lower and upper end of the band; an end may be missing.
    pub band: Option<[Option<f64>; 2]>,
    /// Where the band comes from.
    pub band_words: &'a str,
    /// A fitted curve as session (from 1) and value.
    pub curve: &'a [(f64, f64)],
}

/// Draws a panel; `None` without a mark.
pub fn progress(panel: &ProgressPanel<'_>) -> Option<Figure> {
    // A band alone is no figure.
    if panel.marks.is_empty() {
        return None;
    }
    let values = panel
        .marks
        .iter()
        .flat_map(|m| m.tests.iter().chain(&m.over).copied().chain([m.mean]))
        .chain(panel.band.into_iter().flatten().flatten());
    let top = axis_end(values, panel.marks.iter().filter_map(|m| m.interval))?;
    let y = Scale::new(0.0, top, PANEL.bottom, PANEL.top);
    let x = Scale::new(0.4, panel.sessions.max(1) as f64 + 0.6, PANEL.left, PANEL.right);
    let mut canvas = Canvas::new(WIDTH, HEIGHT);
    let heading = format!("{}, {}", panel.label, panel.unit);
    canvas.words(
        (MARGIN, 16.0),
        &text::fit(&heading, 13.0, WIDTH - 2.0 * MARGIN),
        words(13.0, INK).bold(),
    );
    if let Some(band) = panel.band {
        draw_band(&mut canvas, band, y);
    }
    axes(&mut canvas, panel.sessions, x, y);
    let curve: Vec<(f64, f64)> = panel
        .curve
        .iter()
        .map(|(session, value)| (x.px(*session), y.px(value.clamp(y.low, y.high))))
        .collect();
    if curve.len() > 1 {
        canvas.line(&curve, GREY, 1.4);
    }
    for mark in panel.marks {
        let both = panel
            .marks
            .iter()
            .any(|m| m.session == mark.session && m.open != mark.open);
        let shift = match (both, mark.open) {
            (false, _) => 0.0,
            (true, false) => -APART / 2.0,
            (true, true) => APART / 2.0,
        };
        draw_mark(&mut canvas, mark, x.px(mark.session as f64 + 1.0) + shift, y);
    }
    let alt = alt(panel);
    Some(canvas.figure(heading, alt))
}

/// Half the width of a cross, in px.
pub(super) const OVER: f64 = 4.5;

/// `, over the ceiling: 182, 176`; nothing without any.
pub(super) fn over_words(peaks: &[f64], decimals: usize) -> String {
    let peaks: Vec<String> = peaks.iter().map(|p| format::number(*p, decimals)).collect();
    match peaks.is_empty() {
        true => String::new(),
        false => format!(", over the ceiling: {}", peaks.join(", ")),
    }
}

/// End of an axis from nought: every value and, as long as they do not crush the rest, the intervals. Those that go on
/// beyond end in an arrow. `None` without a finite value.
pub(super) fn axis_end(
    values: impl Iterator<Item = f64>,
    intervals: impl Iterator<Item = [f64; 2]>,
) -> Option<f64> {
    let largest =
        |v: &mut dyn Iterator<Item = f64>| v.filter(|v| v.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let top = largest(&mut values.into_iter());
    let far = largest(&mut intervals.map(|i| i[1]));
    top.is_finite()
        .then(|| 1.1 * top.max(far.min(1.35 * top)).max(1e-9))
}

/// A band with both ends is filled between them; one with a single end has a line at that end and is filled on its
/// good side.
fn draw_band(canvas: &mut Canvas, [low, high]: [Option<f64>; 2], y: Scale) {
    let area = Area {
        left: PANEL.left,
        right: PANEL.right,
        top: high.map_or(PANEL.top, |v| y.px(v)).max(PANEL.top),
        bottom: low.map_or(PANEL.bottom, |v| y.px(v)).min(PANEL.bottom),
    };
    if area.bottom > area.top {
        canvas.area(area, BAND);
    }
    if let (Some(end), None) | (None, Some(end)) = (low, high) {
        canvas.dashes((PANEL.left, y.px(end)), (PANEL.right, y.px(end)), GREY, 1.0);
    }
}

fn axes(canvas: &mut Canvas, sessions: usize, x: Scale, y: Scale) {
    canvas.hair((PANEL.left, PANEL.bottom), (PANEL.right, PANEL.bottom), INK);
    canvas.hair((PANEL.left, PANEL.top), (PANEL.left, PANEL.bottom), INK);
    let (at, decimals) = ticks(y.low, y.high, 5);
    for value in at {
        canvas.hair((PANEL.left - 4.0, y.px(value)), (PANEL.left, y.px(value)), INK);
        canvas.words(
            (PANEL.left - 7.0, y.px(value) + 4.2),
            &format::number(value, decimals),
            words(SMALL, QUIET).aligned(Align::End),
        );
    }
    let every = sessions.div_ceil(10).max(1);
    for session in (1..=sessions.max(1)).step_by(every) {
        let px = x.px(session as f64);
        canvas.hair((px, PANEL.bottom), (px, PANEL.bottom + 4.0), INK);
        canvas.words(
            (px, PANEL.bottom + 17.0),
            &session.to_string(),
            words(SMALL, QUIET).aligned(Align::Middle),
        );
    }
    canvas.words(
        ((PANEL.left + PANEL.right) / 2.0, PANEL.bottom + 34.0),
        "session",
        words(SMALL, INK).aligned(Align::Middle),
    );
}

fn draw_mark(canvas: &mut Canvas, mark: &ProgressMark, px: f64, y: Scale) {
    if let Some([low, high]) = mark.interval {
        let end = |v: f64| y.px(v.clamp(y.low, y.high));
        canvas.line(&[(px, end(low)), (px, end(high))], ACCENT, 1.6);
        if high > y.high {
            let tip = PANEL.top - 4.0;
            canvas.fill(&[(px, tip), (px - 3.5, tip + 7.0), (px + 3.5, tip + 7.0)], ACCENT);
        }
    }
    for value in mark.tests.iter().filter(|_| mark.tests.len() > 1) {
        canvas.dot((px + 6.0, y.px(*value)), 1.4, GREY);
    }
    for peak in &mark.over {
        canvas.cross((px, y.px(*peak)), OVER, INK, 2.0);
    }
    match mark.open {
        true => canvas.ring((px, y.px(mark.mean)), 4.2, ACCENT, 1.6),
        false => canvas.dot((px, y.px(mark.mean)), 4.6, ACCENT),
    }
}

/// What is to be seen, in words.
fn alt(panel: &ProgressPanel<'_>) -> String {
    let number = |v: f64| format::number(v, panel.decimals);
    let mut parts: Vec<String> = panel
        .marks
        .iter()
        .filter(|m| m.mean.is_finite())
        .map(|m| {
            let open = if m.open { ", without feedback" } else { "" };
            let range = m.interval.map_or(String::new(), |[low, high]| {
                format!(" ({} to {})", number(low), number(high))
            });
            let over = over_words(&m.over, panel.decimals);
            format!("session {}{open}: {}{range}{over}", m.session + 1, number(m.mean))
        })
        .collect();
    let band = match panel.band {
        Some([Some(low), Some(high)]) => Some(format!("{} to {}", number(low), number(high))),
        Some([Some(low), None]) => Some(format!("from {}", number(low))),
        Some([None, Some(high)]) => Some(format!("up to {}", number(high))),
        _ => None,
    };
    parts.extend(band.map(|b| format!("band {b} {}, {}", panel.unit, panel.band_words)));
    format!("Mean {} in {}. {}.", panel.label, panel.unit, parts.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(session: usize, mean: f64, open: bool) -> ProgressMark {
        ProgressMark {
            session,
            mean,
            interval: Some([mean - 1.0, mean + 1.0]),
            open,
            tests: vec![mean - 0.5, mean + 0.5],
            over: Vec::new(),
        }
    }

    fn panel(marks: &[ProgressMark]) -> ProgressPanel<'_> {
        ProgressPanel {
            label: "excursion",
            unit: "mm",
            decimals: 1,
            sessions: 3,
            marks,
            band: Some([Some(2.0), Some(4.4)]),
            band_words: "this study's band",
            curve: &[],
        }
    }

    #[test]
    fn marks_without_feedback_are_told_apart_in_drawing_and_in_words() {
        let figure = progress(&panel(&[mark(0, 5.0, false), mark(2, 3.0, true)])).unwrap();
        assert_eq!(
            figure.svg.matches("fill=\"none\" stroke=\"#006EAC\"").count(),
            3,
            "{}",
            figure.svg
        );
        assert!(
            figure
                .alt
                .contains("session 3, without feedback: 3.0 (2.0 to 4.0)"),
            "{}",
            figure.alt
        );
        assert!(figure.alt.contains("band 2.0 to 4.4 mm"), "{}", figure.alt);
    }

    #[test]
    fn without_a_mark_there_is_no_panel() {
        assert_eq!(progress(&panel(&[])), None);
        assert_eq!(
            progress(&panel(&[mark(0, f64::NAN, false)])).map(|f| f.svg.contains("NaN")),
            Some(false)
        );
    }
}
