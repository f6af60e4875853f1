//! Scales and quiet axes.

use crate::format;
use super::canvas::Canvas;
use super::palette::{HAIR, INK, QUIET};
use super::shape::{Align, Area, words};

/// Size of the words at an axis, in px.
pub const SMALL: f64 = 12.0;

/// Words of a heading keep this far from the figure's edges, in px.
pub const MARGIN: f64 = 4.0;

/// A straight map from data to px.
#[derive(Debug, Clone, Copy)]
pub struct Scale {
    pub low: f64,
    pub high: f64,
    from_px: f64,
    to_px: f64,
}

impl Scale {
    /// `low` lands on `from_px`, `high` on `to_px`; an empty range is widened to one.
    pub fn new(low: f64, high: f64, from_px: f64, to_px: f64) -> Scale {
        let high = if high > low { high } else { low + 1.0 };
        Scale {
            low,
            high,
            from_px,
            to_px,
        }
    }

    /// Data to px.
    pub fn px(&self, value: f64) -> f64 {
        self.from_px + (value - self.low) / (self.high - self.low) * (self.to_px - self.from_px)
    }
}

/// Lowest and highest of the finite values.
pub(super) fn span(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.filter(|v| v.is_finite()).fold(None, |s, v| match s {
        None => Some((v, v)),
        Some((low, high)) => Some((low.min(v), high.max(v))),
    })
}

/// Round steps of 1, 2 or 5 that cut a range into at most `most` parts, and the decimals they need.
pub fn ticks(low: f64, high: f64, most: usize) -> (Vec<f64>, usize) {
    let range = high - low;
    if !(range > 0.0 && range.is_finite()) {
        return (vec![low], 0);
    }
    let rough = range / most.max(1) as f64;
    let power = rough.log10().floor();
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * 10f64.powf(power))
        .find(|s| *s >= rough * (1.0 - 1e-9))
        .unwrap_or(rough);
    let decimals = (-(step.log10() + 1e-9).floor()).max(0.0) as usize;
    let first = (low / step - 1e-6).ceil() as i64;
    let last = (high / step + 1e-6).floor() as i64;
    ((first..=last).map(|i| i as f64 * step).collect(), decimals)
}

/// Axes of a panel: a line below and a line at the left, ticks outside, what they measure beside them.
pub fn axes(canvas: &mut Canvas, panel: Area, x: Scale, y: Scale, x_name: &str, y_name: &str) {
    canvas.hair((panel.left, panel.bottom), (panel.right, panel.bottom), INK);
    canvas.hair((panel.left, panel.top), (panel.left, panel.bottom), INK);
    let most = ((panel.right - panel.left) / 58.0) as usize;
    let (at, decimals) = ticks(x.low, x.high, most);
    for value in at {
        let px = x.px(value);
        canvas.hair((px, panel.bottom), (px, panel.bottom + 4.0), INK);
        let label = format::number(value, decimals);
        canvas.words(
            (px, panel.bottom + 17.0),
            &label,
            words(SMALL, QUIET).aligned(Align::Middle),
        );
    }
    let most = ((panel.bottom - panel.top) / 30.0) as usize;
    let (at, decimals) = ticks(y.low, y.high, most);
    for value in at {
        let px = y.px(value);
        canvas.hair((panel.left - 4.0, px), (panel.left, px), INK);
        let label = format::number(value, decimals);
        canvas.words(
            (panel.left - 7.0, px + 4.2),
            &label,
            words(SMALL, QUIET).aligned(Align::End),
        );
    }
    if y.low < 0.0 {
        canvas.hair((panel.left, y.px(0.0)), (panel.right, y.px(0.0)), HAIR);
    }
    let middle = |a: f64, b: f64| (a + b) / 2.0;
    canvas.words(
        (middle(panel.left, panel.right), panel.bottom + 36.0),
        x_name,
        words(SMALL, INK).aligned(Align::Middle),
    );
    canvas.words_up(
        (panel.left - 40.0, middle(panel.top, panel.bottom)),
        y_name,
        words(SMALL, INK).aligned(Align::Middle),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(
            ticks(0.0, 80.0, 8),
            (vec![0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0], 0)
        );
        let (at, decimals) = ticks(-0.03, 0.31, 5);
        assert_eq!(decimals, 1);
        assert_eq!(at.len(), 4);
        assert_eq!(ticks(2.0, 2.0, 5).0, vec![2.0]);
    }

    #[test]
    fn an_empty_range_still_maps_to_finite_places() {
        assert!(Scale::new(3.0, 3.0, 0.0, 100.0).px(3.0).is_finite());
    }
}
