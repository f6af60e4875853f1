//! Force against displacement: take-up in grey, springs in ink, the onset with its interval, the end-feel line,
//! the loss in words.

use super::axis::{Scale, axes, span};
use super::canvas::Canvas;
use super::palette::{ACCENT, GREY, HAIR, INK, QUIET};
use super::shape::{Area, Point, words};
use super::test_words::{LABEL, loss_words, value};
use super::text;
use crate::columns::Measure;
use crate::trace::{Knee, Test};

/// The drawn stretch of a curve: displacement, force and time.
struct LoopPoint {
    time_s: f64,
    mm: f64,
    n: f64,
}

pub(super) fn draw(canvas: &mut Canvas, panel: Area, test: &Test, force_top_n: Option<f64>) {
    let samples = in_contact(test);
    let Some((low, high)) = span(samples.iter().map(|s| s.mm)) else {
        return;
    };
    let (lowest, highest) = span(samples.iter().map(|s| s.n)).unwrap_or((0.0, 1.0));
    let range = (high - low).max(1e-6);
    let near_zero = low > 0.0 && low < 0.25 * range;
    let x = Scale::new(
        if near_zero { 0.0 } else { low - 0.03 * range },
        high + 0.12 * range,
        panel.left,
        panel.right,
    );
    let highest = highest.max(force_top_n.unwrap_or(0.0)).max(1e-6);
    let bottom = if lowest < -0.03 * highest { lowest } else { 0.0 };
    let y = Scale::new(bottom, highest * 1.14, panel.bottom, panel.top);
    axes(canvas, panel, x, y, "displacement (mm)", "force (N)");
    let at = |s: &LoopPoint| (x.px(s.mm), y.px(s.n).min(panel.bottom));
    draw_curve(canvas, test, &samples, &at);
    let end_feel = end_feel_line(canvas, test, &samples, x, y);
    let onset = onset_mark(canvas, test, x, y);
    onset_words(canvas, panel, test, onset);
    if let Some(upper) = end_feel {
        end_feel_words(canvas, panel, test, upper);
    }
    if let Some(loss) = loss_words(test) {
        loss_beside_loop(canvas, panel, test, &loss, x, y);
    }
}

/// Samples from touching to leaving that have both numbers.
fn in_contact(test: &Test) -> Vec<LoopPoint> {
    let c = &test.curve;
    let p = &test.phases;
    c.time_s
        .iter()
        .zip(&c.displacement_mm)
        .zip(&c.force_n)
        .map(|((t, x), f)| LoopPoint {
            time_s: f64::from(*t),
            mm: f64::from(*x),
            n: f64::from(*f),
        })
        .filter(|s| s.mm.is_finite() && s.n.is_finite())
        .filter(|s| (p.contact_begin_s..=p.contact_end_s).contains(&s.time_s))
        .collect()
}

/// Release lightest, take-up grey, what follows the onset in ink, springs in stronger ink.
fn draw_curve(canvas: &mut Canvas, test: &Test, samples: &[LoopPoint], at: &dyn Fn(&LoopPoint) -> Point) {
    let p = &test.phases;
    let springs_end = p.springs_end_s.unwrap_or(p.lean_end_s);
    let slack_end = match test.knee {
        Knee::Fitted | Knee::TwoLines => p.onset_s.unwrap_or(p.lean_end_s).min(p.lean_end_s),
        Knee::None | Knee::NotLooked => p.lean_end_s,
    };
    let part = |from: f64, to: f64| -> Vec<Point> {
        let inside = |s: &&LoopPoint| s.time_s >= from - 1e-9 && s.time_s <= to + 0.011;
        samples.iter().filter(inside).map(at).collect()
    };
    canvas.line(&part(springs_end, p.contact_end_s), HAIR, 1.0);
    canvas.line(&part(p.contact_begin_s, slack_end), GREY, 1.8);
    canvas.line(&part(slack_end, p.lean_end_s), INK, 1.2);
    canvas.line(&part(p.lean_end_s, springs_end), INK, 1.6);
}

/// The line of end-feel stiffness through the middle of the counted loading limbs; gives its upper end.
fn end_feel_line(canvas: &mut Canvas, test: &Test, samples: &[LoopPoint], x: Scale, y: Scale) -> Option<Point> {
    let slope = test
        .measures
        .finding(Measure::EndFeel)
        .or_else(|| test.measures.finding(Measure::FittedEndFeel))?
        .value;
    let mut sum = (0.0, 0.0, 0.0, 0.0);
    for spring in test.counted_springs() {
        let (Some(start), Some(peak)) = (spring.start_mm, spring.peak_mm) else {
            continue;
        };
        let onset = test.value(Measure::Onset).unwrap_or(f64::NEG_INFINITY);
        let rise = peak - start;
        for s in samples {
            let share = (s.mm - start) / rise;
            if (spring.start_s..=spring.peak_s).contains(&s.time_s)
                && (0.2..=0.8).contains(&share)
                && s.mm >= onset
            {
                sum = (sum.0 + 1.0, sum.1 + s.mm, sum.2 + s.n, sum.3 + rise);
            }
        }
    }
    let (count, mm, n, rise) = sum;
    if count == 0.0 || !slope.is_finite() || slope <= 0.0 {
        return None;
    }
    let (mm, n, rise) = (mm / count, n / count, rise / count);
    let force = |at: f64| n + slope * (at - mm);
    let back = |f: f64| mm + (f - n) / slope;
    let from = (mm - 0.85 * rise).max(back(y.low)).max(x.low);
    let to = (mm + 0.72 * rise).min(back(y.high)).min(x.high);
    if to <= from {
        return None;
    }
    let upper = (x.px(to), y.px(force(to)));
    canvas.dashes((x.px(from), y.px(force(from))), upper, ACCENT, 1.4);
    Some(upper)
}

/// A ring at the onset, its interval as a cross; gives its place.
fn onset_mark(canvas: &mut Canvas, test: &Test, x: Scale, y: Scale) -> Option<Point> {
    if !matches!(test.knee, Knee::Fitted | Knee::TwoLines) {
        return None;
    }
    let mm = test.measures.finding(Measure::Onset)?;
    let n = test.measures.finding(Measure::OnsetForce)?;
    let (px, py) = (x.px(mm.value), y.px(n.value));
    if !(px.is_finite() && py.is_finite()) {
        return None;
    }
    let clip_x = |v: f64| x.px(v.clamp(x.low, x.high));
    let clip_y = |v: f64| y.px(v.clamp(y.low, y.high));
    if let Some(u) = mm.u95().filter(|u| u.is_finite()) {
        canvas.line(
            &[(clip_x(mm.value - u), py), (clip_x(mm.value + u), py)],
            ACCENT,
            1.4,
        );
    }
    if let Some(u) = n.u95().filter(|u| u.is_finite()) {
        canvas.line(
            &[(px, clip_y(n.value - u)), (px, clip_y(n.value + u))],
            ACCENT,
            1.4,
        );
    }
    canvas.ring((px, py), 4.5, ACCENT, 2.0);
    Some((px, py))
}

/// What the onset is, or in words why there is none.
fn onset_words(canvas: &mut Canvas, panel: Area, test: &Test, mark: Option<Point>) {
    let numbers = [Measure::Onset, Measure::OnsetForce]
        .into_iter()
        .filter_map(|m| value(test, m))
        .collect::<Vec<_>>()
        .join(", ");
    let (lines, colour): (Vec<&str>, _) = match (test.knee, mark) {
        (Knee::Fitted, Some(_)) => (vec!["pre-tension begins", &numbers], ACCENT),
        (Knee::TwoLines, Some(_)) => (
            vec!["pre-tension begins", &numbers, "(two-line knee of the lean)"],
            ACCENT,
        ),
        (Knee::None, _) => (
            vec![
                "no knee: the push is not",
                "shown past the toe; the slack",
                "is not shown to be out",
            ],
            INK,
        ),
        (Knee::NotLooked, _) => (vec!["onset not looked for"], QUIET),
        _ => (
            vec![
                "onset not determined: its",
                "interval is wider than the",
                "number itself",
            ],
            INK,
        ),
    };
    let wide = lines
        .iter()
        .map(|l| text::width(l, LABEL, false))
        .fold(0.0, f64::max);
    let height = LABEL * 1.3 * (lines.len() as f64 - 1.0);
    let Some((px, py)) = mark else {
        let left = panel.left + 12.0;
        let places = [0.12, 0.3, 0.5].map(|s| (left, panel.top + s * (panel.bottom - panel.top)));
        canvas.place(&[&lines], words(LABEL, colour), panel, &places);
        return;
    };
    let inner = Area {
        left: panel.left + 6.0,
        ..panel
    };
    let mut places = Vec::new();
    for lift in [26.0, 44.0, 64.0, 90.0] {
        for shift in [14.0, -24.0, -60.0] {
            places.push((px - wide - shift, py - lift - height));
        }
    }
    for drop in [24.0, 44.0] {
        places.push((px + 16.0, py + drop));
        places.push((px + 40.0, py + drop));
    }
    if let Some(area) = canvas.place(&[&lines], words(LABEL, colour), inner, &places) {
        leader(canvas, area, (px, py));
    }
}

/// A hair line from a mark to the near edge of its words.
fn leader(canvas: &mut Canvas, words: Area, (px, py): Point) {
    let x = px.clamp(words.left, words.right);
    let y = if words.bottom < py {
        words.bottom + 2.0
    } else if words.top > py {
        words.top - 1.0
    } else {
        py
    };
    let (dx, dy) = (x - px, y - py);
    let length = dx.hypot(dy);
    if length > 9.0 {
        let start = (px + dx / length * 5.5, py + dy / length * 5.5);
        canvas.hair(start, (x, y), ACCENT);
    }
}

fn end_feel_words(canvas: &mut Canvas, panel: Area, test: &Test, (px, py): Point) {
    let (name, number) = match value(test, Measure::EndFeel) {
        Some(number) => ("end-feel stiffness", number),
        None => match value(test, Measure::FittedEndFeel) {
            Some(number) => ("fitted end-feel stiffness", number),
            None => return,
        },
    };
    let wide = text::width(name, LABEL, false).max(text::width(&number, LABEL, false));
    let inside = Area {
        top: panel.top - 20.0,
        ..panel
    };
    let places: Vec<Point> = [2.0, 16.0, 32.0, 52.0, 80.0]
        .into_iter()
        .flat_map(|drop| {
            [
                (px + 8.0, py + drop),
                (px - wide - 14.0, py + drop),
                (px - wide - 26.0, py + drop),
                (px - wide - 50.0, py + drop),
            ]
        })
        .collect();
    canvas.place(&[&[name, &number]], words(LABEL, ACCENT), inside, &places);
}

fn loss_beside_loop(canvas: &mut Canvas, panel: Area, test: &Test, loss: &str, x: Scale, y: Scale) {
    let lines = match loss.split_once(" of the ") {
        Some((first, rest)) => vec![first.to_owned(), format!("of the {rest}")],
        None => vec![loss.to_owned()],
    };
    let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
    let wide = lines
        .iter()
        .map(|l| text::width(l, LABEL, false))
        .fold(0.0, f64::max);
    let right = panel.right - wide;
    let mut places = Vec::new();
    let middle = test
        .counted_springs()
        .filter_map(|s| Some(((s.start_mm? + s.peak_mm?) / 2.0, (s.preload_n? + s.peak_n) / 2.0)))
        .next();
    if let Some((mm, n)) = middle {
        let (px, py) = (x.px(mm), y.px(n));
        for drop in [24.0, 44.0, 70.0, 100.0] {
            places.push((px + 24.0, py + drop));
            places.push((px + 60.0, py + drop));
        }
    }
    places.push((right, panel.bottom - 34.0));
    places.push((panel.left + 12.0, panel.top + 16.0));
    canvas.place(&[&lines], words(LABEL, QUIET), panel, &places);
}
