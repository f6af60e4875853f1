//! Flat tops: a sensor at the end of its range (METHODS.md §1.3).

use super::grid::Grid;
use crate::stats::moments::resolution;
use std::ops::Range;

/// Flat tops at the channel's highest value: a sensor at its limit, not a peak.
///
/// A peak rounded to the sensor's resolution is flat too, but falls away by only a few steps over the width of
/// its flat part, and slowly at first; a clipped one falls steeply at once.
pub fn flat_tops(y: &[f64], grid: &Grid) -> Vec<Range<usize>> {
    let top = y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = grid.samples(0.004).max(3);
    let step = resolution(y);
    let mut found = Vec::new();
    let mut i = 0;
    while i < y.len() {
        if y[i] < top {
            i += 1;
            continue;
        }
        let begin = i;
        while i < y.len() && y[i] >= top {
            i += 1;
        }
        let width = i - begin;
        if width < least || begin == 0 || i == y.len() {
            continue;
        }
        let before: Vec<f64> = y[..begin].iter().rev().map(|v| top - v).collect();
        let after: Vec<f64> = y[i..].iter().map(|v| top - v).collect();
        if [&before, &after].into_iter().any(|fall| is_steep(fall, width, step)) {
            found.push(begin..i);
        }
    }
    found
}

/// Whether values fall from a flat top as from a limit. From a turn they fall with the square of the way, so that sixteen steps take
/// twice as far as four; from a limit four times, or more than four at once.
fn is_steep(fall: &[f64], width: usize, step: f64) -> bool {
    let beyond = |steps: f64| fall.iter().take(100 * width).position(|f| *f > steps * step).map(|k| k + 1);
    let over_the_width = fall.get(width - 1).or(fall.last()).is_some_and(|f| *f > 10.0 * step);
    match (beyond(4.0), beyond(16.0)) {
        (Some(1), Some(_)) => over_the_width,
        (Some(four), Some(sixteen)) => over_the_width && sixteen >= 3 * four,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GRID: Grid = Grid {
        start_s: 0.0,
        step_s: 0.001,
        len: 1000,
        as_recorded: true,
    };

    fn press() -> Vec<f64> {
        (0..1000)
            .map(|i| 17.5 * (1.0 - (i as f64 * 0.001 * std::f64::consts::TAU * 2.0).cos()))
            .collect()
    }

    #[test]
    fn a_clipped_top_is_saturation_and_a_rounded_one_is_not() {
        let clipped: Vec<f64> = press()
            .iter()
            .map(|v| (v.min(30.0) * 100.0).round() / 100.0)
            .collect();
        assert_eq!(flat_tops(&clipped, &GRID).len(), 2);
        // The same at a sixth of the force: what is steep is told in steps, not in newtons.
        let light: Vec<f64> = clipped.iter().map(|v| v / 6.0).collect();
        assert_eq!(flat_tops(&light, &GRID), flat_tops(&clipped, &GRID));
        for resolution in [0.01, 0.1, 0.5, 1.0] {
            let rounded: Vec<f64> = press()
                .iter()
                .map(|v| (v / resolution).round() * resolution)
                .collect();
            assert!(flat_tops(&rounded, &GRID).is_empty(), "{resolution}");
        }
        // A spring that rests at its turn, in coarse steps, and three equal samples at a low rate.
        let resting: Vec<f64> = (0..200)
            .map(|i| {
                let turn = ((f64::from(i) - 100.0).abs() - 14.0).max(0.0) * 0.1;
                (40.0 - 10.0 * (1.0 - turn.min(3.1).cos())).round()
            })
            .collect();
        let slow = Grid { step_s: 0.005, len: 200, ..GRID };
        assert!(flat_tops(&resting, &slow).is_empty());
        let quick: Vec<f64> = (0..200)
            .map(|i| (40.0 + 15.0 * (f64::from(i) * 0.0785).cos()) / 0.05)
            .map(|v| v.round() * 0.05)
            .collect();
        assert!(flat_tops(&quick, &slow).is_empty());
    }

    #[test]
    fn a_fall_from_a_limit_is_steep_and_one_from_a_turn_is_not() {
        // From a limit in a straight line; from a turn by squares, so that 16 steps take twice as long as 4.
        let line: Vec<f64> = (1..=60).map(|k| f64::from(k) * 0.8).collect();
        let turn: Vec<f64> = (1..=60).map(|k| f64::from(k * k) * 0.25).collect();
        assert!(is_steep(&line, 20, 1.0));
        assert!(!is_steep(&turn, 20, 1.0));
        // All at once; and the same, but for a little only over the width of the top.
        assert!(is_steep(&[6.0, 12.0, 18.0], 2, 1.0));
        assert!(!is_steep(&[6.0, 9.0, 18.0], 2, 1.0));
        // Finer steps of the same fall.
        let fine: Vec<f64> = line.iter().map(|f| 0.01 * f).collect();
        assert!(is_steep(&fine, 20, 0.01));
        // Sixteen steps are looked for over a hundred widths of the top, and no further.
        let mut late = vec![5.0; 150];
        late.resize(400, 20.0);
        assert!(!is_steep(&late, 1, 1.0));
        let mut late = vec![12.0; 150];
        late.resize(400, 20.0);
        assert!(is_steep(&late, 2, 1.0) && !is_steep(&late, 1, 1.0));
    }
}
