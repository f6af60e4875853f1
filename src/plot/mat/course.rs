//! What hands do on a mat over time: the share between them, and the way of each one's centre of pressure.

use crate::format;
use crate::plot::axis::{MARGIN, SMALL, Scale, axes, ticks};
use crate::plot::canvas::{Canvas, Figure};
use super::map::{hand_words, heading, title};
use crate::plot::palette::{ACCENT, BAND, GREY, HAIR, INK, QUIET};
use crate::plot::shape::{Align, Area, Point, words};
use crate::mat::MatTest;

const WIDTH: f64 = 760.0;
const SHARE: Area = Area {
    left: 58.0,
    top: 48.0,
    right: 746.0,
    bottom: 210.0,
};
/// Side of the square that a way is drawn in, in px.
const SQUARE: f64 = 250.0;
/// Least that a square shows, in mm.
const LEAST_MM: f64 = 6.0;

/// The left hand's share of the force over time. `None` without two hands.
pub(super) fn share(test: &MatTest) -> Option<Figure> {
    let share = test.left_share_percent();
    let told: Vec<f64> = share.iter().flatten().map(|s| f64::from(*s)).collect();
    if told.len() < 2 {
        return None;
    }
    let height = SHARE.bottom + 48.0;
    let mut canvas = Canvas::new(WIDTH, height);
    let name = heading(test, "share between the hands");
    title(&mut canvas, WIDTH, test, &name);
    let first = f64::from(*test.time_s.first()?);
    let last = f64::from(*test.time_s.last()?);
    let x = Scale::new(first, last, SHARE.left, SHARE.right);
    let reach = told.iter().map(|s| (s - 50.0).abs()).fold(10.0, f64::max);
    let reach = ((reach * 1.15 / 10.0).ceil() * 10.0).min(50.0);
    let y = Scale::new(50.0 - reach, 50.0 + reach, SHARE.bottom, SHARE.top);
    for [from, to] in &test.springs_s {
        let band = Area {
            left: x.px(*from).clamp(SHARE.left, SHARE.right),
            top: SHARE.top,
            right: x.px(*to).clamp(SHARE.left, SHARE.right),
            bottom: SHARE.bottom,
        };
        canvas.area(band, BAND);
    }
    axes(&mut canvas, SHARE, x, y, "time (s)", "left hand's share (%)");
    canvas.hair((SHARE.left, y.px(50.0)), (SHARE.right, y.px(50.0)), HAIR);
    let mut line: Vec<Point> = Vec::new();
    for (t, s) in test.time_s.iter().zip(&share) {
        match s {
            Some(s) => line.push((
                x.px(f64::from(*t)),
                y.px(f64::from(*s)).clamp(SHARE.top, SHARE.bottom),
            )),
            None => draw_line(&mut canvas, &mut line),
        }
    }
    draw_line(&mut canvas, &mut line);
    let quiet = words(SMALL, QUIET);
    canvas.words((SHARE.left + 6.0, SHARE.top + 12.0), "more on the left", quiet);
    canvas.words((SHARE.left + 6.0, SHARE.bottom - 6.0), "more on the right", quiet);
    if let Some([from, to]) = test.springs_s.first() {
        let at = (x.px(*from) + x.px(*to)) / 2.0;
        canvas.words((at, SHARE.top - 4.0), "springs", quiet.aligned(Align::Middle));
    }
    let mean = told.iter().sum::<f64>() / told.len() as f64;
    let (low, high) = told
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(l, h), v| (l.min(*v), h.max(*v)));
    let number = |v: f64| format::number(v, 0);
    let alt = format!(
        "Left hand's share of the force over time: mean {} %, from {} to {} %.",
        number(mean),
        number(low),
        number(high)
    );
    Some(canvas.figure(name, alt))
}

fn draw_line(canvas: &mut Canvas, line: &mut Vec<Point>) {
    if line.len() > 1 {
        canvas.line(line, INK, 1.5);
    }
    line.clear();
}

/// The way of each hand's centre of pressure, all at one scale: grey over the whole contact, accented through the
/// springs. `None` when no hand pressed hard enough to have a centre.
pub(super) fn path(test: &MatTest) -> Option<Figure> {
    let hands: Vec<(usize, [f64; 4])> = (0..test.hands.len())
        .filter_map(|k| Some((k, extent(test, k)?)))
        .collect();
    if hands.is_empty() {
        return None;
    }
    let span = hands
        .iter()
        .map(|(_, e)| (e[2] - e[0]).max(e[3] - e[1]))
        .fold(LEAST_MM, f64::max)
        * 1.15;
    let top = 64.0;
    let height = top + SQUARE + 70.0;
    let mut canvas = Canvas::new(WIDTH, height);
    let name = heading(test, "path of the centre of pressure");
    title(&mut canvas, WIDTH, test, &name);
    let mut told = Vec::new();
    for (slot, (k, e)) in hands.iter().enumerate() {
        let left = 62.0 + slot as f64 * (SQUARE + 96.0);
        let panel = Area {
            left,
            top,
            right: left + SQUARE,
            bottom: top + SQUARE,
        };
        let middle = [(e[0] + e[2]) / 2.0, (e[1] + e[3]) / 2.0];
        let x = Scale::new(
            middle[0] - span / 2.0,
            middle[0] + span / 2.0,
            panel.left,
            panel.right,
        );
        let y = Scale::new(
            middle[1] - span / 2.0,
            middle[1] + span / 2.0,
            panel.top,
            panel.bottom,
        );
        path_axes(&mut canvas, panel, x, y);
        one_path(&mut canvas, test, *k, x, y);
        let side = hand_words(test.hands[*k].side);
        canvas.words((panel.left, top - 10.0), side, words(SMALL, INK).bold());
        told.push(format!(
            "{side}: {} mm across, {} mm along",
            format::number(e[2] - e[0], 1),
            format::number(e[3] - e[1], 1)
        ));
    }
    canvas.words(
        (MARGIN + 8.0, height - 8.0),
        "grey: whole contact; blue: through the springs; ring: first centre, dot: last",
        words(SMALL, QUIET),
    );
    let alt = format!("Where the centre of pressure went. {}.", told.join("; "));
    Some(canvas.figure(name, alt))
}

/// Least and most of a hand's centre across and along.
fn extent(test: &MatTest, hand: usize) -> Option<[f64; 4]> {
    test.hands[hand].centre_mm.iter().flatten().fold(None, |e, c| {
        let [x, y] = c.map(f64::from);
        let [l, t, r, b] = e.unwrap_or([x, y, x, y]);
        Some([l.min(x), t.min(y), r.max(x), b.max(y)])
    })
}

/// Both axes count mm from the mat's upper left; along points to the feet, downward.
fn path_axes(canvas: &mut Canvas, panel: Area, x: Scale, y: Scale) {
    canvas.hair((panel.left, panel.bottom), (panel.right, panel.bottom), INK);
    canvas.hair((panel.left, panel.top), (panel.left, panel.bottom), INK);
    let (at, decimals) = ticks(x.low, x.high, 5);
    for v in at {
        canvas.hair((x.px(v), panel.bottom), (x.px(v), panel.bottom + 4.0), INK);
        let style = words(SMALL, QUIET).aligned(Align::Middle);
        canvas.words((x.px(v), panel.bottom + 17.0), &format::number(v, decimals), style);
    }
    let (at, decimals) = ticks(y.low, y.high, 5);
    for v in at {
        canvas.hair((panel.left - 4.0, y.px(v)), (panel.left, y.px(v)), INK);
        let style = words(SMALL, QUIET).aligned(Align::End);
        canvas.words(
            (panel.left - 7.0, y.px(v) + 4.2),
            &format::number(v, decimals),
            style,
        );
    }
    let middle = (panel.left + panel.right) / 2.0;
    let style = words(SMALL, INK).aligned(Align::Middle);
    canvas.words(
        (middle, panel.bottom + 36.0),
        "from the mat's left edge (mm)",
        style,
    );
    canvas.words_up(
        (panel.left - 44.0, (panel.top + panel.bottom) / 2.0),
        "from the mat's head edge (mm)",
        style,
    );
}

fn one_path(canvas: &mut Canvas, test: &MatTest, hand: usize, x: Scale, y: Scale) {
    let in_spring = |t: f32| {
        let (first, last) = (test.springs_s.first(), test.springs_s.last());
        first
            .zip(last)
            .is_some_and(|(a, b)| f64::from(t) >= a[0] && f64::from(t) <= b[1])
    };
    let centres = &test.hands[hand].centre_mm;
    let px = |c: &[f32; 2]| (x.px(f64::from(c[0])), y.px(f64::from(c[1])));
    for (sprung, colour) in [(false, GREY), (true, ACCENT)] {
        let mut line: Vec<Point> = Vec::new();
        for (t, centre) in test.time_s.iter().zip(centres) {
            match centre {
                Some(c) if !sprung || in_spring(*t) => line.push(px(c)),
                _ => {
                    if line.len() > 1 {
                        canvas.line(&line, colour, 1.2);
                    }
                    line.clear();
                }
            }
        }
        if line.len() > 1 {
            canvas.line(&line, colour, 1.2);
        }
    }
    let mut on = centres.iter().flatten();
    if let Some(first) = on.next() {
        canvas.ring(px(first), 3.5, INK, 1.5);
    }
    if let Some(last) = on.next_back() {
        canvas.dot(px(last), 3.0, INK);
    }
}
