//! Differences of two ways of measuring the same, against their means, with bias and limits.

use super::axis::{MARGIN, SMALL, Scale, axes};
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, BAND, INK, QUIET};
use super::shape::{Align, Area, words};
use super::text;
use crate::format;
use crate::agreement::PairLimits;
use crate::stats::agreement::Interval;

const WIDTH: f64 = 620.0;
const HEIGHT: f64 = 346.0;
const PANEL: Area = Area {
    left: 72.0,
    top: 48.0,
    right: 480.0,
    bottom: 276.0,
};

/// Draws one pair; `label` and `unit` name what was measured, `decimals` how it is printed.
pub fn bland_altman(pair: &PairLimits, label: &str, unit: &str, decimals: usize) -> Figure {
    let points: Vec<(f64, f64)> = pair
        .first_values
        .iter()
        .zip(&pair.second_values)
        .map(|(a, b)| ((a + b) / 2.0, a - b))
        .collect();
    let l = &pair.limits;
    let in_unit = if unit.is_empty() {
        String::new()
    } else {
        format!(", {unit}")
    };
    let ends = [l.lower.low, l.lower.high, l.upper.low, l.upper.high]
        .into_iter()
        .flatten();
    let (y_low, y_high) = range(points.iter().map(|p| p.1).chain(ends), 0.06);
    let (x_low, x_high) = range(points.iter().map(|p| p.0), 0.06);
    let x = Scale::new(x_low, x_high, PANEL.left, PANEL.right);
    let y = Scale::new(y_low, y_high, PANEL.bottom, PANEL.top);
    let mut canvas = Canvas::new(WIDTH, HEIGHT);
    let title = text::one_line(&format!("{label}: {} less {}", pair.first, pair.second));
    let shown = text::fit(&title, 14.0, WIDTH - 2.0 * MARGIN);
    canvas.words((MARGIN, 24.0), &shown, words(14.0, INK).bold());
    for line in [l.lower, l.bias, l.upper] {
        if let (Some(low), Some(high)) = (line.low, line.high) {
            let band = Area {
                left: PANEL.left,
                top: y.px(high),
                right: PANEL.right,
                bottom: y.px(low),
            };
            canvas.area(band, BAND);
        }
    }
    axes(
        &mut canvas,
        PANEL,
        x,
        y,
        &format!("mean of both{in_unit}"),
        &format!("difference{in_unit}"),
    );
    for point in &points {
        canvas.dot((x.px(point.0), y.px(point.1)), 2.6, INK);
    }
    let line = |canvas: &mut Canvas, at: Interval, name: &str, dashed: bool| {
        let px = y.px(at.value);
        let (from, to) = ((PANEL.left, px), (PANEL.right, px));
        if dashed {
            canvas.dashes(from, to, ACCENT, 1.5);
        } else {
            canvas.line(&[from, to], ACCENT, 1.5);
        }
        let value = format!("{name} {}", format::number(at.value, decimals));
        let style = words(SMALL, ACCENT).aligned(Align::Start);
        canvas.words((PANEL.right + 8.0, px + 4.2), &value, style);
    };
    line(&mut canvas, l.bias, "bias", false);
    // Limits that nearly coincide with the bias would print over it.
    if y.px(l.lower.value) - y.px(l.bias.value) > SMALL {
        line(&mut canvas, l.upper, "+1.96 SD", true);
        line(&mut canvas, l.lower, "\u{2212}1.96 SD", true);
    }
    let foot = format!("{} pairs; grey bands: 95 % intervals", l.n);
    canvas.words(
        (WIDTH - MARGIN, HEIGHT - 6.0),
        &foot,
        words(SMALL, QUIET).aligned(Align::End),
    );
    let number = |v: f64| format::number(v, decimals);
    let alt = format!(
        "Differences of {} pairs against their means. Bias {}{in_unit}; limits of agreement {} to {}.",
        l.n,
        number(l.bias.value),
        number(l.lower.value),
        number(l.upper.value)
    );
    canvas.figure(title, alt)
}

/// From the smallest to the largest, with a share of the range to spare at either end.
fn range(values: impl Iterator<Item = f64>, spare: f64) -> (f64, f64) {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(v), h.max(v))
        });
    if low > high {
        return (0.0, 1.0);
    }
    let room = match high - low {
        0.0 => 0.5 * high.abs().max(1.0),
        wide => wide * spare,
    };
    (low - room, high + room)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::agreement::bland_altman::{FACTOR, LimitError, limits};

    fn figure(first: &[f64], second: &[f64]) -> Figure {
        let pair = PairLimits {
            first: "L-1".to_owned(),
            second: "<L-2>".to_owned(),
            limits: limits(first, second, FACTOR, LimitError::Full, 0.95).unwrap(),
            first_values: first.to_vec(),
            second_values: second.to_vec(),
        };
        bland_altman(&pair, "end-feel stiffness", "N/mm", 2)
    }

    #[test]
    fn every_pair_is_a_dot_and_the_lines_are_named() {
        let f = figure(&[8.0, 9.5, 10.2, 12.0], &[8.4, 9.1, 10.9, 11.0]);
        assert_eq!(f.svg.matches("<circle").count(), 4);
        assert!(f.svg.contains("+1.96 SD") && f.svg.contains("bias"));
        assert!(f.svg.contains("&lt;L-2&gt;"));
    }

    #[test]
    fn pairs_that_never_differ_still_make_a_figure_without_nan() {
        let f = figure(&[8.0, 9.0, 10.0], &[8.0, 9.0, 10.0]);
        assert!(!f.svg.contains("NaN") && !f.svg.contains("inf"), "{}", f.svg);
    }
}
