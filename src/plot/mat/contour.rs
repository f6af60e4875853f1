//! Lines of equal height over a grid, by marching squares, and the areas over them.

use crate::plot::shape::Point;
use std::collections::HashMap;

/// An edge of the grid that a line crosses: from which grid point, and whether downward.
type ContourEdge = (usize, usize, bool);

/// Closed lines of one level over a grid of `cols` columns, in grid units: (0, 0) is the first value, (1, 0) the one
/// to its right. Outside of the grid everything lies under the level, so every line closes, at the latest half a unit
/// outside. Higher values lie to the right of a line's way when y points down: outer lines run clockwise on the
/// screen, lines around a hollow the other way.
///
/// # Formula
/// On an edge between values a and b the line lies at (level − a)/(b − a). In a square whose corners are high at two
/// opposite places the mean of the four decides whether the high ones are joined.
pub fn contours(values: &[f32], cols: usize, level: f64) -> Vec<Vec<Point>> {
    let rows = values.len() / cols.max(1);
    let grid = PaddedGrid {
        values,
        rows,
        cols,
        level,
    };
    let mut next: HashMap<ContourEdge, ContourEdge> = HashMap::new();
    let mut starts: Vec<ContourEdge> = Vec::new();
    for r in 0..=rows {
        for c in 0..=cols {
            for (from, to) in grid.square(r, c) {
                next.insert(from, to);
                starts.push(from);
            }
        }
    }
    let mut loops = Vec::new();
    for start in starts {
        let mut line = Vec::new();
        let mut at = start;
        while let Some(to) = next.remove(&at) {
            line.push(grid.crossing(at));
            at = to;
        }
        if line.len() > 2 {
            loops.push(line);
        }
    }
    loops
}

struct PaddedGrid<'a> {
    values: &'a [f32],
    rows: usize,
    cols: usize,
    level: f64,
}

impl PaddedGrid<'_> {
    /// Height above the level at a padded grid point: the grid begins at 1; around it everything is as far under the
    /// level as the nearest value is over it, so that lines run half a unit outside.
    fn height(&self, r: usize, c: usize) -> f64 {
        let inside = (1..=self.rows).contains(&r) && (1..=self.cols).contains(&c);
        let (near_r, near_c) = (r.clamp(1, self.rows), c.clamp(1, self.cols));
        let value = f64::from(self.values[(near_r - 1) * self.cols + near_c - 1]) - self.level;
        if inside { value } else { -value.abs() - 1e-12 }
    }

    /// The pieces of line in the square whose upper left corner is a padded grid point, from edge to edge.
    fn square(&self, r: usize, c: usize) -> Vec<(ContourEdge, ContourEdge)> {
        let corners = [
            self.height(r, c),
            self.height(r, c + 1),
            self.height(r + 1, c + 1),
            self.height(r + 1, c),
        ];
        let high = corners.map(|h| h >= 0.0);
        // Edges in the order of the corners they begin at, clockwise: top, right, bottom, left.
        let edges: [ContourEdge; 4] = [(r, c, false), (r, c + 1, true), (r + 1, c, false), (r, c, true)];
        // A line enters where, going round, low turns to high, and leaves where high turns to low: high lies at its right.
        let enters: Vec<usize> = (0..4).filter(|k| !high[*k] && high[(k + 1) % 4]).collect();
        let leaves: Vec<usize> = (0..4).filter(|k| high[*k] && !high[(k + 1) % 4]).collect();
        match (enters.as_slice(), leaves.as_slice()) {
            ([a], [b]) => vec![(edges[*b], edges[*a])],
            ([a1, a2], [b1, b2]) => {
                // Going round from where a high corner begins, the next edge ends it: joined corners pair otherwise.
                let ends = |a: usize| if (a + 1) % 4 == *b1 { *b1 } else { *b2 };
                let begins = |a: usize| if (a + 3) % 4 == *b1 { *b1 } else { *b2 };
                let joined = corners.iter().sum::<f64>() >= 0.0;
                let pair = |a: usize| if joined { begins(a) } else { ends(a) };
                vec![(edges[pair(*a1)], edges[*a1]), (edges[pair(*a2)], edges[*a2])]
            }
            _ => Vec::new(),
        }
    }

    fn crossing(&self, (r, c, down): ContourEdge) -> Point {
        let (r2, c2) = if down { (r + 1, c) } else { (r, c + 1) };
        let (a, b) = (self.height(r, c), self.height(r2, c2));
        let share = if a == b {
            0.5
        } else {
            (a / (a - b)).clamp(0.0, 1.0)
        };
        let (x, y) = (c as f64 - 1.0, r as f64 - 1.0);
        if down { (x, y + share) } else { (x + share, y) }
    }
}

/// Twice the area inside a closed line, positive when it runs clockwise on the screen.
pub fn doubled_area(line: &[Point]) -> f64 {
    let n = line.len();
    (0..n)
        .map(|i| {
            let (a, b) = (line[i], line[(i + 1) % n]);
            a.0 * b.1 - b.0 * a.1
        })
        .sum()
}

fn holds(line: &[Point], (x, y): Point) -> bool {
    let n = line.len();
    let crossed = (0..n).filter(|i| {
        let (a, b) = (line[*i], line[(i + 1) % n]);
        (a.1 > y) != (b.1 > y) && x < a.0 + (y - a.1) / (b.1 - a.1) * (b.0 - a.0)
    });
    crossed.count() % 2 == 1
}

/// What lies over a level as polygons without holes: each hollow is joined to the line around it by a cut there and
/// back.
pub fn areas_over(values: &[f32], cols: usize, level: f64) -> Vec<Vec<Point>> {
    let (mut outer, holes): (Vec<_>, Vec<_>) = contours(values, cols, level)
        .into_iter()
        .partition(|line| doubled_area(line) > 0.0);
    for hole in holes {
        // The smallest outer line around it is its own.
        let own = outer
            .iter_mut()
            .filter(|line| holds(line, hole[0]))
            .min_by(|a, b| doubled_area(a).abs().total_cmp(&doubled_area(b).abs()));
        if let Some(line) = own {
            join(line, &hole);
        }
    }
    outer
}

fn join(line: &mut Vec<Point>, hole: &[Point]) {
    let far = |a: Point, b: Point| (a.0 - b.0).hypot(a.1 - b.1);
    let mut best = (f64::INFINITY, 0, 0);
    for (i, a) in line.iter().enumerate() {
        for (k, b) in hole.iter().enumerate() {
            let d = far(*a, *b);
            if d < best.0 {
                best = (d, i, k);
            }
        }
    }
    let (_, i, k) = best;
    let round = hole[k..].iter().chain(&hole[..=k]).copied();
    let cut: Vec<Point> = round.chain([line[i]]).collect();
    line.splice(i + 1..i + 1, cut);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(n: usize, of: impl Fn(f64, f64) -> f64) -> Vec<f32> {
        (0..n * n)
            .map(|i| of((i % n) as f64, (i / n) as f64) as f32)
            .collect()
    }

    #[test]
    fn the_line_over_a_paraboloid_is_a_circle() {
        // z = 100 − (x − 15)² − (y − 14)²; at level 19 the radius is 9 exactly. Linear between points one unit apart, z is
        // off by at most 1/4 (half the second derivative times 1/4), which at slope 18 is 0.014 of the radius.
        let values = grid(31, |x, y| 100.0 - (x - 15.0).powi(2) - (y - 14.0).powi(2));
        let lines = contours(&values, 31, 19.0);
        assert_eq!(lines.len(), 1);
        for (x, y) in &lines[0] {
            let r = (x - 15.0).hypot(y - 14.0);
            assert!((r - 9.0).abs() < 0.016, "{r}");
        }
        let area = doubled_area(&lines[0]) / 2.0;
        assert!((area - std::f64::consts::PI * 81.0).abs() < 1.5, "{area}");
    }

    #[test]
    fn a_ring_has_a_hollow_that_is_left_out_of_its_area() {
        let values = grid(41, |x, y| 5.0 - ((x - 20.0).hypot(y - 20.0) - 12.0).abs());
        let lines = contours(&values, 41, 2.0);
        assert_eq!(lines.len(), 2);
        let signs: Vec<bool> = lines.iter().map(|l| doubled_area(l) > 0.0).collect();
        assert!(signs.contains(&true) && signs.contains(&false));
        let areas = areas_over(&values, 41, 2.0);
        assert_eq!(areas.len(), 1);
        // π(15² − 9²)
        let area = doubled_area(&areas[0]) / 2.0;
        assert!((area - std::f64::consts::PI * 144.0).abs() < 3.0, "{area}");
    }

    #[test]
    fn lines_close_at_the_edge_and_a_saddle_is_cut_by_its_mean() {
        let lines = contours(&[5.0, 5.0, 5.0, 5.0], 2, 1.0);
        assert_eq!(lines.len(), 1);
        assert!(
            lines[0]
                .iter()
                .all(|(x, y)| (-0.51..1.51).contains(x) && (-0.51..1.51).contains(y))
        );
        let apart = contours(&[5.0, 0.0, 0.0, 5.0], 2, 3.0);
        assert_eq!(apart.len(), 2);
        let joined = contours(&[5.0, 0.0, 0.0, 5.0], 2, 2.0);
        assert_eq!(joined.len(), 1);
    }
}
