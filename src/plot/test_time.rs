//! Force against time: phases named above, springs numbered, the ceiling.

use super::axis::{Scale, axes, span};
use super::canvas::Canvas;
use super::palette::{ACCENT, HAIR, INK, QUIET};
use super::shape::{Align, Area, Point, words};
use super::test_words::{LABEL, PanelOptions};
use super::text;
use crate::format;
use crate::settings::{Ceiling, CeilingOrigin};
use crate::trace::Test;

/// A ceiling up to this many times the highest force is drawn as a line; a higher one would flatten the curve
/// and is told in words.
const CEILING_IN_VIEW: f64 = 1.5;
/// Room between words of the phases, in px.
const GAP: f64 = 8.0;

pub(super) fn draw(canvas: &mut Canvas, panel: Area, test: &Test, options: &PanelOptions) {
    let curve = &test.curve;
    let time: Vec<f64> = curve.time_s.iter().map(|t| f64::from(*t)).collect();
    let force: Vec<f64> = curve.force_n.iter().map(|f| f64::from(*f)).collect();
    let (first, last) = span(time.iter().copied())
        .unwrap_or((test.phases.contact_begin_s, test.phases.contact_end_s.max(1e-3)));
    let (lowest, highest) = span(force.iter().copied()).unwrap_or((0.0, 1.0));
    let highest = highest.max(options.force_top_n.unwrap_or(0.0)).max(1e-6);
    let ceiling = options.ceiling.filter(|c| c.newtons.is_finite() && c.newtons > 0.0);
    let line = ceiling.map(|c| c.newtons).filter(|n| *n <= CEILING_IN_VIEW * highest);
    let top = highest.max(line.unwrap_or(0.0)) * 1.1;
    let x = Scale::new(first, last, panel.left, panel.right);
    let y = Scale::new(
        if lowest < -0.03 * highest { lowest } else { 0.0 },
        top,
        panel.bottom,
        panel.top,
    );
    phase_strip(canvas, panel, test, x);
    axes(canvas, panel, x, y, "time (s)", "force (N)");
    let points: Vec<Point> = time
        .iter()
        .zip(&force)
        .map(|(t, f)| (x.px(*t), y.px(*f).min(panel.bottom)))
        .collect();
    canvas.line(&points, INK, 1.5);
    number_springs(canvas, panel, test, x, y, line.map(|c| y.px(c)));
    marks_by_hand(canvas, panel, test, x, &points);
    if let Some(c) = ceiling {
        let at = line.map(|c| y.px(c));
        ceiling_words(canvas, panel, test, c, at);
    }
}

/// A hollow diamond on the curve where a person set a mark, and a line with its word where one was written down.
fn marks_by_hand(canvas: &mut Canvas, panel: Area, test: &Test, x: Scale, points: &[Point]) {
    let half = 4.5;
    for at_s in test.corrections.iter().filter_map(|c| c.at_s) {
        let px = x.px(at_s);
        let Some((_, py)) = points.iter().min_by(|a, b| (a.0 - px).abs().total_cmp(&(b.0 - px).abs())) else {
            continue;
        };
        if (panel.left..=panel.right).contains(&px) {
            let around = [(px, py - half), (px + half, *py), (px, py + half), (px - half, *py), (px, py - half)];
            canvas.line(&around, ACCENT, 1.5);
        }
    }
    for (at_s, word) in test.annotations() {
        let px = x.px(at_s);
        if (panel.left..=panel.right).contains(&px) {
            canvas.hair((px, panel.top), (px, panel.bottom), ACCENT);
            let shown = text::fit(&text::one_line(word), LABEL, panel.right - panel.left);
            let align = if px < (panel.left + panel.right) / 2.0 { Align::Start } else { Align::End };
            let beside = if align == Align::Start { 4.0 } else { -4.0 };
            canvas.words((px + beside, panel.bottom - 6.0), &shown, words(LABEL, ACCENT).aligned(align));
        }
    }
}

/// The phases of a test that last: word, begin and end in s.
fn phases(test: &Test) -> Vec<(&'static str, f64, f64)> {
    let p = &test.phases;
    let mut all = Vec::new();
    match p
        .onset_s
        .filter(|o| (p.contact_begin_s..p.lean_end_s).contains(o))
    {
        Some(onset) => {
            all.push(("take-up", p.contact_begin_s, onset));
            all.push(("pre-tension", onset, p.lean_end_s));
        }
        None => all.push(("lean", p.contact_begin_s, p.lean_end_s)),
    }
    let release = match p.springs_end_s {
        Some(end) => {
            let word = if test.springs.len() == 1 {
                "spring"
            } else {
                "springs"
            };
            all.push((word, p.lean_end_s, end));
            end
        }
        None => p.lean_end_s,
    };
    all.push(("release", release, p.contact_end_s));
    all.retain(|(_, from, to)| to > from);
    all
}

/// A thin bracket for each phase over the panel, its word above; words too wide for their phase move aside.
fn phase_strip(canvas: &mut Canvas, panel: Area, test: &Test, x: Scale) {
    let strip = panel.top - 9.0;
    let phases = phases(test);
    let clip = |px: f64| px.clamp(panel.left, panel.right);
    let mut boxes: Vec<(f64, f64)> = Vec::new();
    let mut halves = Vec::new();
    for (word, from, to) in &phases {
        let (from, to) = (clip(x.px(*from)), clip(x.px(*to)));
        let wide = text::width(word, LABEL, false);
        boxes.push(((from + to) / 2.0, wide));
        halves.push((to - from) / 2.0);
        canvas.hair((from + 1.0, strip), (to - 1.0, strip), QUIET);
        for end in [from, to] {
            canvas.hair((end, strip), (end, panel.bottom), HAIR);
        }
    }
    let centres = apart(&boxes, panel.left, panel.right);
    for (i, ((word, _, _), centre)) in phases.iter().zip(centres).enumerate() {
        let middle = boxes[i].0;
        let style = words(LABEL, QUIET).aligned(Align::Middle);
        canvas.words((centre, strip - 8.0), word, style);
        if (centre - middle).abs() > halves[i] + boxes[i].1 / 2.0 - 4.0 {
            canvas.hair((centre, strip - 5.0), (middle, strip), HAIR);
        }
    }
}

/// Centres for words in a row that do not overlap and stay near where they belong.
fn apart(boxes: &[(f64, f64)], low: f64, high: f64) -> Vec<f64> {
    let mut centres: Vec<f64> = boxes.iter().map(|b| b.0).collect();
    let half = |i: usize| boxes[i].1 / 2.0;
    for i in 0..centres.len() {
        let least = match i {
            0 => low + half(0),
            _ => centres[i - 1] + half(i - 1) + GAP + half(i),
        };
        centres[i] = centres[i].max(least);
    }
    for i in (0..centres.len()).rev() {
        let most = match i + 1 < centres.len() {
            false => high - half(i),
            true => centres[i + 1] - half(i + 1) - GAP - half(i),
        };
        centres[i] = centres[i].min(most);
    }
    centres
}

/// Numbers over the peaks; those that enter no mean are quiet.
fn number_springs(canvas: &mut Canvas, panel: Area, test: &Test, x: Scale, y: Scale, ceiling: Option<f64>) {
    let mut free_from = f64::NEG_INFINITY;
    for spring in &test.springs {
        let label = spring.number.to_string();
        let half = text::width(&label, LABEL, false) / 2.0;
        let (px, py) = (x.px(spring.peak_s), y.px(spring.peak_n));
        if !px.is_finite() || !py.is_finite() || px - half < free_from || px > panel.right {
            continue;
        }
        let counts = spring.counted && spring.dropped.is_none();
        let colour = if counts { INK } else { QUIET };
        let over = py - 5.0;
        let over = match ceiling {
            Some(line) if (over - LABEL..=over + 4.0).contains(&line) => line - 4.0,
            _ => over,
        };
        canvas.words(
            (px, over.max(panel.top + 10.0)),
            &label,
            words(LABEL, colour).aligned(Align::Middle),
        );
        free_from = px + half + 3.0;
    }
}

fn ceiling_words(
    canvas: &mut Canvas,
    panel: Area,
    test: &Test,
    ceiling: Ceiling,
    line: Option<f64>,
) {
    let newtons = ceiling.newtons;
    let number = format::number(newtons, if newtons.fract() == 0.0 { 0 } else { 1 });
    let name = format!("ceiling {number} N");
    // The short of what pages say: a panel has no room for more.
    let own = match ceiling.origin {
        CeilingOrigin::Lab => "(set by this lab)",
        CeilingOrigin::Shipped => "(a default)",
    };
    let Some(at) = line else {
        // The line would flatten the curve: the arrow says that it lies above the axis.
        let name = format!("↑ {name}");
        let one = format!("{name} {own}");
        let places = [panel.left + 6.0, panel.right].map(|x| (x, panel.top + 10.0));
        canvas.place(&[&[&one], &[&name, own]], words(LABEL, QUIET), panel, &places);
        return;
    };
    canvas.dashes((panel.left, at), (panel.right, at), ACCENT, 1.2);
    let peak = test.springs.iter().map(|s| s.peak_n).fold(0.0, f64::max);
    let total = test.total_peak_n;
    let together = total > peak + 1.0 && test.value(crate::columns::Measure::HandShare).is_some();
    let second = match (total > newtons, together) {
        (true, true) => format!("both hands together peaked at {} N", format::number(total, 0)),
        (true, false) => format!("peak {} N is over it", format::number(total, 1)),
        (false, true) => "for both hands together".to_owned(),
        (false, false) => String::new(),
    };
    let one = format!("{name} {own}");
    let (mut short, mut tall) = (vec![one.as_str()], vec![name.as_str(), own]);
    if !second.is_empty() {
        short.push(&second);
        tall.push(&second);
    }
    let rise = |lines: usize| at - 6.0 - LABEL * 1.3 * (lines as f64 - 1.0);
    let places: Vec<Point> = [rise(short.len()), at + LABEL + 4.0, rise(tall.len())]
        .into_iter()
        .flat_map(|y| [panel.left + 6.0, panel.right, (panel.left + panel.right) / 2.0].map(|x| (x, y)))
        .collect();
    canvas.place(&[&short, &tall], words(LABEL, ACCENT), panel, &places);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::Phases;

    #[test]
    fn words_of_short_phases_move_apart_and_stay_inside() {
        let boxes = [(10.0, 50.0), (12.0, 70.0), (100.0, 40.0), (195.0, 40.0)];
        let centres = apart(&boxes, 0.0, 250.0);
        for i in 1..boxes.len() {
            let gap = centres[i] - boxes[i].1 / 2.0 - centres[i - 1] - boxes[i - 1].1 / 2.0;
            assert!(gap >= GAP - 1e-9, "{centres:?}");
        }
        assert!(centres[0] >= 25.0 && centres[3] <= 230.0);
    }

    #[test]
    fn a_push_sprung_before_its_onset_has_a_lean_and_no_pre_tension() {
        assert_eq!(span([f64::NAN, 2.0, -1.0].into_iter()), Some((-1.0, 2.0)));
        let p = Phases {
            contact_begin_s: 1.0,
            onset_s: Some(2.5),
            lean_end_s: 2.0,
            springs_end_s: Some(4.0),
            contact_end_s: 5.0,
            hold_s: None,
        };
        let test = crate::plot::tests::bare(p);
        let names: Vec<_> = phases(&test).into_iter().map(|p| p.0).collect();
        assert_eq!(names, ["lean", "springs", "release"]);
    }
}
