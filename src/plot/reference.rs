//! A test over the reference, both from the start of their first spring.

use super::axis::{MARGIN, Scale, axes};
use super::canvas::{Canvas, Figure};
use super::palette::{BAND, GREY, HAIR, INK, QUIET};
use super::shape::{Align, Area, Point, words};
use super::test_words::{LABEL, has_displacement, heading};
use super::text;
use crate::trace::Test;

const HEIGHT: f64 = 316.0;
const WIDTH: f64 = 960.0;
/// Width with force only: one panel.
const NARROW: f64 = 560.0;
const FORCE_PANEL: Area = Area {
    left: 58.0,
    top: 62.0,
    right: 488.0,
    bottom: HEIGHT - 48.0,
};
const DISPLACEMENT_PANEL: Area = Area {
    left: 552.0,
    top: 62.0,
    right: 946.0,
    bottom: HEIGHT - 48.0,
};
/// Shown before the first spring: the end of the lean and the hold, in s.
const BEFORE_S: f64 = 2.5;
/// Shown after the last spring, in s.
const AFTER_S: f64 = 0.8;
/// The most that is shown, in s.
const LONGEST_S: f64 = 15.0;
/// Grid of the reference, in s.
const STEP_S: f64 = 0.02;

/// A curve from the start of its first spring.
struct Aligned {
    time_s: Vec<f64>,
    value: Vec<f64>,
    /// Start, peak and end of each spring, from 0.
    marks_s: Vec<f64>,
}

/// Lowest, mean and highest of the reference at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Envelope {
    time_s: f64,
    low: f64,
    mean: f64,
    high: f64,
}

/// Draws a test over the reference tests that it is held against; `scope` says which (`L3`, `lumbar`).
///
/// Force against time, and displacement from where the first spring starts when all have one. Of one reference test the
/// curve is drawn, of several the mean and, as a band, the lowest to the highest. Their springs are laid over each other
/// at their mean times first, as far as all of them have springs: else different rhythms would smear them out. `None`
/// when the test or the reference has no spring to align by.
pub fn reference_overlay(test: &Test, reference: &[&Test], scope: &str) -> Option<Figure> {
    let start_s = test.springs.first()?.start_s;
    let reference: Vec<&Test> = reference
        .iter()
        .copied()
        .filter(|r| !r.springs.is_empty() && !r.curve.force_n.is_empty())
        .collect();
    if reference.is_empty() || test.curve.force_n.is_empty() || !start_s.is_finite() {
        return None;
    }
    let both = has_displacement(test) && reference.iter().all(|r| has_displacement(r));
    let width = if both { WIDTH } else { NARROW };
    let mut canvas = Canvas::new(width, HEIGHT);
    let title = format!("{} over the reference", heading(test, None));
    canvas.words((MARGIN, 20.0), &title, words(15.0, INK).bold());
    let last = std::iter::once(test).chain(reference.iter().copied());
    let last = last.filter_map(after_springs_s).fold(1.0, f64::max) + AFTER_S;
    let span = [-BEFORE_S, last.min(LONGEST_S)];
    let force = |t: &Test| aligned(t, &t.curve.force_n, 0.0);
    panel(
        &mut canvas,
        FORCE_PANEL,
        span,
        "force (N)",
        force(test)?,
        &all(&reference, &force),
    );
    if both {
        let travel = |t: &Test| aligned(t, &t.curve.displacement_mm, t.springs.first()?.start_mm?);
        if let Some(own) = travel(test) {
            let name = "from the first spring's start (mm)";
            panel(
                &mut canvas,
                DISPLACEMENT_PANEL,
                span,
                name,
                own,
                &all(&reference, &travel),
            );
        }
    }
    let of_reference = match reference.len() {
        1 => format!("reference: 1 test, {scope}"),
        n => format!("reference: mean, lowest to highest of {n} tests, {scope}"),
    };
    key(&mut canvas, width, &of_reference, reference.len() > 1);
    let alt = format!(
        "Force{} against time from the start of the first spring: this test as a dark line, the {of_reference} in grey.",
        if both { " and displacement" } else { "" }
    );
    Some(canvas.figure(title, alt))
}

fn all(reference: &[&Test], curve: &dyn Fn(&Test) -> Option<Aligned>) -> Vec<Aligned> {
    reference.iter().filter_map(|r| curve(r)).collect()
}

/// End of the last spring, from the start of the first.
fn after_springs_s(test: &Test) -> Option<f64> {
    Some(test.springs.last()?.end_s - test.springs.first()?.start_s)
}

fn aligned(test: &Test, values: &[f32], base: f64) -> Option<Aligned> {
    let start_s = test.springs.first()?.start_s;
    let pairs = test.curve.time_s.iter().zip(values);
    let (time_s, value) = pairs
        .map(|(t, v)| (f64::from(*t) - start_s, f64::from(*v) - base))
        .filter(|(t, v)| t.is_finite() && v.is_finite())
        .unzip();
    Some(Aligned {
        time_s,
        value,
        marks_s: marks_s(test),
    })
}

fn marks_s(test: &Test) -> Vec<f64> {
    let start_s = test.springs.first().map_or(0.0, |s| s.start_s);
    let each = test.springs.iter().flat_map(|s| [s.start_s, s.peak_s, s.end_s]);
    each.map(|mark| mark - start_s).collect()
}

/// Mean marks over the springs that all curves have.
fn mean_marks_s(reference: &[Aligned]) -> Vec<f64> {
    let least = reference.iter().map(|r| r.marks_s.len()).min().unwrap_or(0);
    let mean = |k: usize| reference.iter().map(|r| r.marks_s[k]).sum::<f64>() / reference.len() as f64;
    (0..least).map(mean).collect()
}

/// The curve's own time for a time on the mean marks; `None` after the last of them.
fn own_time_s(marks_s: &[f64], mean_s: &[f64], t: f64) -> Option<f64> {
    if t <= 0.0 {
        return Some(t);
    }
    // The first stretch that reaches t: it begins before t, also where an end lies after the next start.
    let k = mean_s.windows(2).position(|w| t <= w[1])?;
    let share = (t - mean_s[k]) / (mean_s[k + 1] - mean_s[k]);
    Some(marks_s[k] + share * (marks_s[k + 1] - marks_s[k]))
}

impl Aligned {
    /// By straight lines between samples; `None` outside them.
    fn at(&self, t: f64) -> Option<f64> {
        let i = self.time_s.partition_point(|x| *x <= t);
        let (before, after) = (i.checked_sub(1)?, i.min(self.time_s.len().checked_sub(1)?));
        let (t0, t1) = (self.time_s[before], self.time_s[after]);
        if t > t1 {
            return None;
        }
        let share = if t1 > t0 { (t - t0) / (t1 - t0) } else { 0.0 };
        Some(self.value[before] + share * (self.value[after] - self.value[before]))
    }
}

/// The reference on a grid, its springs laid over each other, where all of it reaches. A single curve is left as it is.
fn spread(reference: &[Aligned], [from, to]: [f64; 2]) -> Vec<Envelope> {
    let steps = ((to - from) / STEP_S).floor() as usize;
    let mean_s = mean_marks_s(reference);
    let at = |r: &Aligned, t: f64| match reference.len() {
        1 => r.at(t),
        _ => r.at(own_time_s(&r.marks_s, &mean_s, t)?),
    };
    (0..=steps)
        .filter_map(|i| {
            let time_s = from + i as f64 * STEP_S;
            let values: Vec<f64> = reference.iter().filter_map(|r| at(r, time_s)).collect();
            (values.len() == reference.len() && !values.is_empty()).then(|| Envelope {
                time_s,
                low: values.iter().copied().fold(f64::INFINITY, f64::min),
                mean: values.iter().sum::<f64>() / values.len() as f64,
                high: values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            })
        })
        .collect()
}

fn panel(canvas: &mut Canvas, panel: Area, span: [f64; 2], name: &str, own: Aligned, reference: &[Aligned]) {
    let spread = spread(reference, span);
    let inside: Vec<(f64, f64)> = own
        .time_s
        .iter()
        .zip(&own.value)
        .filter(|(t, _)| (span[0]..=span[1]).contains(*t))
        .map(|(t, v)| (*t, *v))
        .collect();
    let values = inside.iter().map(|p| p.1);
    let values = values.chain(spread.iter().flat_map(|s| [s.low, s.high]));
    let (low, high) = values.fold((0.0_f64, 1e-6_f64), |(l, h), v| (l.min(v), h.max(v)));
    let x = Scale::new(span[0], span[1], panel.left, panel.right);
    let y = Scale::new(
        if low < -0.03 * high { low } else { 0.0 },
        high * 1.08,
        panel.bottom,
        panel.top,
    );
    let line = |value: fn(&Envelope) -> f64| -> Vec<Point> {
        let at = |s: &Envelope| (x.px(s.time_s), y.px(value(s)).min(panel.bottom));
        spread.iter().map(at).collect()
    };
    if reference.len() > 1 {
        let mut outline = line(|s| s.high);
        outline.extend(line(|s| s.low).into_iter().rev());
        if outline.len() > 3 {
            canvas.fill(&outline, BAND);
        }
    }
    canvas.hair((x.px(0.0), panel.top), (x.px(0.0), panel.bottom), HAIR);
    axes(canvas, panel, x, y, "time from the first spring (s)", name);
    canvas.line(&line(|s| s.mean), GREY, 1.5);
    let points: Vec<Point> = inside
        .iter()
        .map(|(t, v)| (x.px(*t), y.px(*v).min(panel.bottom)))
        .collect();
    canvas.line(&points, INK, 1.5);
}

/// Which line is which, under the heading.
fn key(canvas: &mut Canvas, width: f64, of_reference: &str, band: bool) {
    const BASE: f64 = 42.0;
    let left = FORCE_PANEL.left;
    let middle = BASE - LABEL * 0.35;
    canvas.line(&[(left, middle), (left + 26.0, middle)], INK, 1.5);
    canvas.words((left + 32.0, BASE), "this test", words(LABEL, INK));
    let left = left + 32.0 + text::width("this test", LABEL, false) + 22.0;
    if band {
        let area = Area {
            left,
            top: BASE - LABEL,
            right: left + 26.0,
            bottom: BASE + 3.0,
        };
        canvas.area(area, BAND);
    }
    canvas.line(&[(left, middle), (left + 26.0, middle)], GREY, 1.5);
    let room = width - left - 40.0;
    let content = text::fit(of_reference, LABEL, room);
    canvas.words(
        (left + 32.0, BASE),
        &content,
        words(LABEL, QUIET).aligned(Align::Start),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_reference_is_spread_only_where_all_of_it_reaches() {
        let line = |from: f64, to: f64, height: f64| Aligned {
            time_s: vec![from, to],
            value: vec![height, height],
            marks_s: vec![0.0, 0.3, 1.0],
        };
        let found = spread(&[line(-1.0, 1.0, 2.0), line(-0.5, 2.0, 4.0)], [-1.0, 2.0]);
        assert!(found.first().unwrap().time_s >= -0.5 && found.last().unwrap().time_s <= 1.0);
        assert!(found.iter().all(|s| (s.low, s.mean, s.high) == (2.0, 3.0, 4.0)));
        assert_eq!(spread(&[], [0.0, 1.0]), []);
    }

    #[test]
    fn springs_of_different_rhythm_are_laid_over_each_other_at_their_mean_times() {
        // Peaks of 1 at 0.2 and 1.0 s, and at 0.4 and 1.6 s: on average at 0.3 and 1.3 s.
        let peaked = |first: f64, second: f64| Aligned {
            time_s: vec![0.0, first, 0.5 * (first + second), second, second + 0.2],
            value: vec![0.0, 1.0, 0.0, 1.0, 0.0],
            marks_s: vec![0.0, first, 0.5 * (first + second), second, second + 0.2],
        };
        let found = spread(&[peaked(0.2, 1.0), peaked(0.4, 1.6)], [0.0, 3.0]);
        for t in [0.3, 1.3] {
            let near = found.iter().find(|s| (s.time_s - t).abs() < 1e-9).unwrap();
            assert!(
                (near.low - 1.0).abs() < 1e-9 && (near.high - 1.0).abs() < 1e-9,
                "{near:?}"
            );
        }
        assert!(
            found
                .iter()
                .all(|s| s.high - s.low < 1e-9 && s.time_s <= 1.5 + 1e-9)
        );
    }

    #[test]
    fn between_samples_lie_straight_lines_and_beyond_them_nothing() {
        let a = Aligned {
            time_s: vec![0.0, 1.0, 3.0],
            value: vec![0.0, 2.0, 6.0],
            marks_s: vec![],
        };
        assert_eq!(
            (a.at(0.5), a.at(2.0), a.at(3.0)),
            (Some(1.0), Some(4.0), Some(6.0))
        );
        assert_eq!((a.at(-0.1), a.at(3.1)), (None, None));
    }
}
