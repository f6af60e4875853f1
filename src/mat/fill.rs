//! Masked cells filled from the cells beside them.

use super::geometry::Geometry;

/// Fills masked cells in place.
///
/// # Formula
/// A cell with good neighbours at both sides, down its column or along its row, lies on the cubic through the two
/// cells at either side, (−a₋₂ + 4a₋₁ + 4a₁ − a₂)/6, held within the range of the nearer two widened by their distance to
/// the farther ones; where a farther one is not good, on the line through the nearer two. Both ways: their mean. What is left
/// stands as the mean of its good neighbours, corners included, from the edge of a masked patch inward.
pub fn fill(geometry: &Geometry, masked: &[usize], frame: &mut [f32]) {
    for &cell in masked {
        frame[cell] = f32::NAN;
    }
    let between: Vec<(usize, f32)> = masked
        .iter()
        .filter_map(|&cell| {
            let (row, col) = (cell / geometry.cols, cell % geometry.cols);
            let down = through(frame, cell, geometry.cols, row, geometry.rows);
            let along = through(frame, cell, 1, col, geometry.cols);
            let value = match (down, along) {
                (Some(a), Some(b)) => 0.5 * (a + b),
                (a, b) => a.or(b)?,
            };
            Some((cell, value))
        })
        .collect();
    for (cell, value) in between {
        frame[cell] = value;
    }
    inward(geometry, masked, frame);
}

/// The value at a cell by its neighbours one and two steps away; `at` is its place on that line of `count`.
fn through(frame: &[f32], cell: usize, step: usize, at: usize, count: usize) -> Option<f32> {
    let good = |cell: usize| Some(frame[cell]).filter(|v| !v.is_nan());
    let before = |n: usize| (at >= n).then(|| good(cell - n * step)).flatten();
    let after = |n: usize| (at + n < count).then(|| good(cell + n * step)).flatten();
    let (a1, b1) = (before(1)?, after(1)?);
    let Some((a2, b2)) = before(2).zip(after(2)) else {
        return Some(0.5 * (a1 + b1));
    };
    let room = (a1 - a2).abs().max((b1 - b2).abs());
    let cubic = (4.0 * (a1 + b1) - a2 - b2) / 6.0;
    Some(cubic.clamp(a1.min(b1) - room, a1.max(b1) + room))
}

fn inward(geometry: &Geometry, masked: &[usize], frame: &mut [f32]) {
    let mut left: Vec<usize> = masked.iter().copied().filter(|c| frame[*c].is_nan()).collect();
    while !left.is_empty() {
        let filled: Vec<(usize, f32)> = left
            .iter()
            .filter_map(|&cell| {
                let beside = geometry.around(cell).map(|c| frame[c]);
                let good = beside.filter(|p| !p.is_nan());
                let (sum, n) = good.fold((0.0, 0), |(s, n), p| (s + p, n + 1));
                (n > 0).then(|| (cell, sum / n as f32))
            })
            .collect();
        if filled.is_empty() {
            // The whole mat is masked.
            left.iter().for_each(|c| frame[*c] = 0.0);
            return;
        }
        for (cell, value) in filled {
            frame[cell] = value;
        }
        left.retain(|c| frame[*c].is_nan());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::mat_setup::{MatSetup, MatUnit};

    fn geometry() -> Geometry {
        Geometry::of(&MatSetup::new(7, 7, 10.0, MatUnit::Kpa))
    }

    #[test]
    fn a_cell_and_a_row_on_a_smooth_heap_are_filled_exactly() {
        // A cubic through four points of a parabola is that parabola.
        let heap =
            |i: usize| 90.0 - ((i / 7) as f32 - 3.2).powi(2) * 4.0 - ((i % 7) as f32 - 2.9).powi(2) * 3.0;
        let row: Vec<usize> = (21..28).collect();
        for masked in [vec![24], row] {
            let mut frame: Vec<f32> = (0..49).map(heap).collect();
            for &c in &masked {
                frame[c] = 999.0;
            }
            fill(&geometry(), &masked, &mut frame);
            for &c in &masked {
                assert!((frame[c] - heap(c)).abs() < 1e-3, "{c}: {} {}", frame[c], heap(c));
            }
        }
    }

    #[test]
    fn a_patch_is_filled_inward_and_a_dead_mat_reads_nothing() {
        let g = geometry();
        let patch: Vec<usize> = (0..49)
            .filter(|i| (1..6).contains(&(i / 7)) && (1..6).contains(&(i % 7)))
            .collect();
        let mut frame = vec![5.0; 49];
        fill(&g, &patch, &mut frame);
        assert!(frame.iter().all(|p| (p - 5.0).abs() < 1e-6));
        let all: Vec<usize> = (0..49).collect();
        fill(&g, &all, &mut frame);
        assert_eq!(frame, [0.0; 49]);
    }
}
