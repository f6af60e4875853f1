//! Curves with no more points than the eye can use.

use super::shape::Point;

/// How far a simplified curve may lie off the full one, in px.
const TOLERANCE: f64 = 0.1;
/// Points kept of one curve: keeps a long, noisy test small.
const MOST: usize = 900;

/// Simplifies to a tenth of a pixel; a curve that is still long gives up more, half as much again each time.
pub fn thin(points: &[Point]) -> Vec<Point> {
    let mut tolerance = TOLERANCE;
    loop {
        let kept = simplify(points, tolerance);
        if kept.len() <= MOST || tolerance > 10.0 {
            return kept;
        }
        tolerance *= 1.5;
    }
}

/// Leaves out points of a curve that lie within `tolerance` of the line through those kept
/// (Douglas & Peucker 1973, Cartographica 10:112-122).
///
/// Points that are not finite are dropped. The ends stay.
pub fn simplify(points: &[Point], tolerance: f64) -> Vec<Point> {
    let points: Vec<Point> = points
        .iter()
        .copied()
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .collect();
    if points.len() < 3 {
        return points;
    }
    let mut keep = vec![false; points.len()];
    keep[0] = true;
    keep[points.len() - 1] = true;
    let mut open = vec![(0, points.len() - 1)];
    while let Some((first, last)) = open.pop() {
        let farthest = (first + 1..last)
            .map(|i| (i, off_segment(points[i], points[first], points[last])))
            .fold(
                (first, tolerance),
                |best, at| if at.1 > best.1 { at } else { best },
            );
        if farthest.0 != first {
            keep[farthest.0] = true;
            open.push((first, farthest.0));
            open.push((farthest.0, last));
        }
    }
    let mut kept = keep.into_iter();
    points
        .into_iter()
        .filter(|_| kept.next().unwrap_or(false))
        .collect()
}

/// Distance of a point from a segment.
fn off_segment(p: Point, a: Point, b: Point) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length2 = dx * dx + dy * dy;
    let s = if length2 > 0.0 {
        (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p.0 - a.0 - s * dx).hypot(p.1 - a.1 - s * dy)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_keeps_its_ends_and_a_corner_stays() {
        let straight: Vec<Point> = (0..100).map(|i| (f64::from(i), 2.0 * f64::from(i))).collect();
        assert_eq!(simplify(&straight, 0.1), [(0.0, 0.0), (99.0, 198.0)]);
        let corner = [(0.0, 0.0), (5.0, 0.0), (10.0, 0.0), (10.0, 7.0)];
        assert_eq!(simplify(&corner, 0.1), [(0.0, 0.0), (10.0, 0.0), (10.0, 7.0)]);
        assert_eq!(simplify(&[(0.0, 0.0), (f64::NAN, 1.0)], 0.1), [(0.0, 0.0)]);
    }

    #[test]
    fn no_point_left_out_lies_further_off_than_allowed() {
        let wave: Vec<Point> = (0..500)
            .map(|i| (f64::from(i), 40.0 * (f64::from(i) / 30.0).sin()))
            .collect();
        let kept = simplify(&wave, 0.1);
        assert!(kept.len() < 150, "{}", kept.len());
        for p in &wave {
            let off = kept
                .windows(2)
                .map(|w| off_segment(*p, w[0], w[1]))
                .fold(f64::INFINITY, f64::min);
            assert!(off <= 0.1 + 1e-9, "{off}");
        }
    }

    #[test]
    fn a_long_noisy_curve_is_thinned_further() {
        let noisy: Vec<Point> = (0..6000)
            .map(|i| (f64::from(i) / 13.0, f64::from((i * 7919) % 101) / 25.0))
            .collect();
        assert!(thin(&noisy).len() <= MOST);
    }
}
