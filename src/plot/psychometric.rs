//! Share of differences that an examiner named, against their size, with the fitted curve.

use super::axis::{MARGIN, SMALL, Scale, axes};
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, BAND, GREY, HAIR, INK, QUIET};
use super::shape::{Align, Area, words};
use super::text;
use crate::format;
use crate::agreement::calls::AgainstMeasured;

const WIDTH: f64 = 620.0;
const HEIGHT: f64 = 346.0;
const PANEL: Area = Area {
    left: 72.0,
    top: 48.0,
    right: 590.0,
    bottom: 276.0,
};
/// Points of the curve.
const STEPS: usize = 160;

/// Draws one examiner's calls; `None` without any measured difference.
pub fn psychometric(calls: &AgainstMeasured) -> Option<Figure> {
    let largest = calls.sizes_percent.iter().copied().fold(f64::NAN, f64::max);
    if !largest.is_finite() {
        return None;
    }
    let x = Scale::new(0.0, largest * 1.05, PANEL.left, PANEL.right);
    let y = Scale::new(0.0, 100.0, PANEL.bottom, PANEL.top);
    let mut canvas = Canvas::new(WIDTH, HEIGHT);
    let title = text::one_line(&format!("What {} just detects", calls.examiner));
    let shown = text::fit(&title, 14.0, WIDTH - 2.0 * MARGIN);
    canvas.words((MARGIN, 24.0), &shown, words(14.0, INK).bold());
    let curve = calls.curve.as_ref().ok();
    if let Some((low, high)) = curve.and_then(|c| c.just_detected.low.zip(c.just_detected.high)) {
        let band = Area {
            left: x.px(low.max(0.0)),
            top: PANEL.top,
            right: x.px(high.min(x.high)),
            bottom: PANEL.bottom,
        };
        if band.right > band.left {
            canvas.area(band, BAND);
        }
    }
    axes(
        &mut canvas,
        PANEL,
        x,
        y,
        "measured asymmetry, %",
        "stiffer side named, %",
    );
    canvas.hair((PANEL.left, y.px(50.0)), (PANEL.right, y.px(50.0)), HAIR);
    // Single answers as short strokes at the upper and lower edge: named above, not named below.
    for (size, seen) in calls.sizes_percent.iter().zip(&calls.detected) {
        let (px, edge, inward) = match seen {
            true => (x.px(*size), PANEL.top, 6.0),
            false => (x.px(*size), PANEL.bottom, -6.0),
        };
        canvas.line(&[(px, edge), (px, edge + inward)], GREY, 1.0);
    }
    if let Some(curve) = curve {
        let at = |i: usize| x.low + (x.high - x.low) * i as f64 / STEPS as f64;
        let points: Vec<(f64, f64)> = (0..=STEPS)
            .map(|i| (x.px(at(i)), y.px(100.0 * curve.share(at(i)))))
            .collect();
        canvas.line(&points, INK, 1.8);
        let half = curve.just_detected.value;
        if half <= x.high {
            let px = x.px(half);
            canvas.dashes((px, PANEL.bottom), (px, y.px(50.0)), ACCENT, 1.5);
            canvas.ring((px, y.px(50.0)), 4.0, ACCENT, 1.8);
            let label = format!("{} %", format::number(half, 1));
            let (align, off) = if px > PANEL.right - 70.0 {
                (Align::End, -9.0)
            } else {
                (Align::Start, 9.0)
            };
            canvas.words(
                (px + off, y.px(50.0) + 15.0),
                &label,
                words(SMALL, ACCENT).aligned(align),
            );
        }
    }
    let foot = match curve {
        Some(_) => "grey band: 95 % interval of the size named half of the time".to_owned(),
        None => "no curve could be fitted".to_owned(),
    };
    canvas.words(
        (WIDTH - MARGIN, HEIGHT - 6.0),
        &foot,
        words(SMALL, QUIET).aligned(Align::End),
    );
    let half = curve.map_or("No curve could be fitted.".to_owned(), |c| {
        format!("Half are named at {} %.", format::number(c.just_detected.value, 1))
    });
    let seen = calls.detected.iter().filter(|d| **d).count();
    let alt = format!(
        "The stiffer side was named in {seen} of {}, by size of the measured asymmetry. {half}",
        format::counted(calls.detected.len(), "call")
    );
    Some(canvas.figure(title, alt))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::agreement::psychometric::psychometric as fit;

    fn calls(sizes: &[f64], seen: &[bool]) -> AgainstMeasured {
        AgainstMeasured {
            examiner: "L-12".to_owned(),
            confusion: [[0; 4]; 4],
            sizes_percent: sizes.to_vec(),
            subjects: seen.len(),
            detected: seen.to_vec(),
            by_size: vec![],
            curve: fit(sizes, seen, 0.95).map_err(|e| e.to_string()),
        }
    }

    #[test]
    fn the_size_named_half_of_the_time_is_written_beside_its_ring() {
        // Often enough that the size is known better than to within itself.
        let sizes = [2.0, 4.0, 8.0, 9.0, 11.0, 12.0, 16.0, 18.0].repeat(6);
        let seen = [false, false, true, false, true, false, true, true].repeat(6);
        let figure = psychometric(&calls(&sizes, &seen)).unwrap();
        assert!(figure.svg.contains("10.0 %") && figure.alt.contains("in 24 of 48 calls"));
    }

    #[test]
    fn without_a_curve_the_answers_are_drawn_and_without_answers_nothing() {
        let figure = psychometric(&calls(&[3.0, 5.0], &[true, true])).unwrap();
        assert!(figure.svg.contains("no curve could be fitted") && !figure.svg.contains("NaN"));
        assert!(psychometric(&calls(&[], &[])).is_none());
    }
}
