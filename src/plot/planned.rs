//! What a study of each size comes to, beside what is wanted.

use super::axis::{MARGIN, SMALL, Scale, axes, span};
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, GREY, INK};
use super::shape::{Align, Area, words};
use super::text;
use crate::format;

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 330.0;
const PANEL: Area = Area {
    left: 58.0,
    top: 38.0,
    right: 430.0,
    bottom: 280.0,
};

/// One size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlannedPoint {
    pub size: f64,
    pub value: f64,
    /// Monte Carlo standard error.
    pub error: f64,
}

/// Sizes along one line, all else equal.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedLine {
    pub name: String,
    pub points: Vec<PlannedPoint>,
}

/// Draws the lines; `None` without a point.
pub fn planned(title: &str, size: &str, value: &str, wanted: f64, lines: &[PlannedLine]) -> Option<Figure> {
    let points = || lines.iter().flat_map(|l| &l.points);
    let (from, to) = span(points().map(|p| p.size))?;
    let (low, high) = span(points().map(|p| p.value).chain([wanted, 0.0]))?;
    let room = 0.06 * (to - from).max(1.0);
    let x = Scale::new(from - room, to + room, PANEL.left, PANEL.right);
    let y = Scale::new(low.min(0.0), 1.08 * high.max(1e-9), PANEL.bottom, PANEL.top);
    let mut canvas = Canvas::new(WIDTH, HEIGHT);
    canvas.words((MARGIN, 18.0), &text::fit(title, 14.0, WIDTH - 2.0 * MARGIN), words(14.0, INK).bold());
    axes(&mut canvas, PANEL, x, y, size, value);
    canvas.dashes((PANEL.left, y.px(wanted)), (PANEL.right, y.px(wanted)), GREY, 1.2);
    canvas.words(
        (PANEL.right + 8.0, y.px(wanted) + 4.2),
        &format!("wanted {}", format::number(wanted, 2)),
        words(SMALL, GREY).aligned(Align::Start),
    );
    let mut alt = Vec::new();
    for line in lines {
        let at: Vec<(f64, f64)> = line.points.iter().map(|p| (x.px(p.size), y.px(p.value))).collect();
        if at.len() > 1 {
            canvas.line(&at, ACCENT, 1.4);
        }
        for (point, at) in line.points.iter().zip(&at) {
            let half = 1.96 * point.error;
            let ends = [point.value - half, point.value + half].map(|v| y.px(v.clamp(y.low, y.high)));
            canvas.hair((at.0, ends[0]), (at.0, ends[1]), INK);
            canvas.dot(*at, 3.4, ACCENT);
        }
        if let Some(last) = at.last() {
            let wording = [line.name.as_str()];
            let places = [-4.0, 12.0, -18.0, 26.0].map(|down| (PANEL.right + 8.0, last.1 + down));
            let beside = Area {
                left: PANEL.right,
                right: WIDTH,
                ..PANEL
            };
            let _ = canvas.place(&[&wording], words(SMALL, ACCENT), beside, &places);
        }
        let told = line.points.iter().map(|p| format!("{} at {}", format::number(p.value, 2), format::number(p.size, 0)));
        alt.push(format!("{}: {}", line.name, told.collect::<Vec<_>>().join(", ")));
    }
    let alt = format!("{title}. {value} against {size}; wanted {}. {}.", format::number(wanted, 2), alt.join("; "));
    Some(canvas.figure(title.to_owned(), alt))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_size_is_a_dot_and_one_size_alone_is_drawn_too() {
        let point = |size, value| PlannedPoint { size, value, error: 0.02 };
        let line = |name: &str, points: Vec<PlannedPoint>| PlannedLine { name: name.to_owned(), points };
        let lines = [line("2 trials", vec![point(10.0, 0.4), point(20.0, 0.8)]), line("3 trials", vec![point(10.0, 0.6)])];
        let figure = planned("Power", "subjects", "power", 0.8, &lines).unwrap();
        assert_eq!(figure.svg.matches("<circle").count(), 3);
        assert!(figure.alt.contains("0.80 at 20") && !figure.svg.contains("NaN"), "{}", figure.alt);
        assert!(planned("Power", "subjects", "power", 0.8, &[]).is_none());
    }
}
