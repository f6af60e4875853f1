//! Where other rules put the onset, on the same samples with the part of speed taken off (METHODS.md §4.13): how much the rule decides.

use super::series::Series;
use crate::stats::moments::extremes;
use crate::trace::OtherRules;

/// Share of the range that a corner keeps away from either end.
const EDGE_SHARE: f64 = 0.05;
/// First places tried for a corner.
const GRID: usize = 40;
/// Half-widths of a bend that are tried, as shares of the range.
const HALF_WIDTHS: [f64; 6] = [0.005, 0.01, 0.025, 0.06, 0.12, 0.25];
/// Share of the range at each end that a tangent is laid through.
const TANGENT_SHARE: f64 = 0.2;
/// Steps of a golden section: each takes the place to 62 % of what was open.
const GOLDEN_STEPS: usize = 24;

/// What the rules say. `None` each where there is nothing to say: no range, no corner, or tangents that hardly cross.
pub fn other_rules(series: &Series, damping: f64) -> OtherRules {
    let x = &series.displacement_mm;
    let speed = series.speed_mm_per_s.iter();
    let f: Vec<f64> = series.force_n.iter().zip(speed).map(|(f, v)| f - damping * v).collect();
    let (low, high) = extremes(x);
    let range = high - low;
    if x.len() < 10 || !(range > 0.0 && range.is_finite()) || f.iter().any(|f| !f.is_finite()) {
        return OtherRules::default();
    }
    let edge = EDGE_SHARE * range;
    let inside = (low + edge, high - edge);
    let sums = Sums::new(x, &f, 0.5 * (low + high));
    let two_lines = lowest(inside, GRID, |psi| sums.rss_of_bend(psi, 0.0));
    let cable = HALF_WIDTHS
        .iter()
        .map(|share| {
            let of = |tau: f64| sums.rss_of_bend(tau, share * range);
            let tau = lowest(inside, GRID / 2, of);
            (of(tau), tau)
        })
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let within = |mm: f64| (inside.0 * 1.000_001 < mm && mm < inside.1 * 0.999_999).then_some(mm);
    OtherRules {
        two_lines_mm: within(two_lines),
        bent_cable_mm: cable.and_then(|(_, tau)| within(tau)),
        tangents_mm: tangents(x, &f, (low, high)).filter(|mm| low < *mm && *mm < high),
    }
}

/// Where a function is lowest: the best of a grid, then a golden section beside it.
fn lowest((low, high): (f64, f64), grid: usize, of: impl Fn(f64) -> f64) -> f64 {
    let step = (high - low) / grid as f64;
    let places = (0..=grid).map(|i| low + i as f64 * step);
    let best = places.map(|p| (of(p), p)).min_by(|a, b| a.0.total_cmp(&b.0)).map_or(low, |b| b.1);
    let (mut a, mut b) = ((best - step).max(low), (best + step).min(high));
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    for _ in 0..GOLDEN_STEPS {
        let (c, d) = (b - golden * (b - a), a + golden * (b - a));
        if of(c) < of(d) { b = d } else { a = c }
    }
    0.5 * (a + b)
}

/// Sums over the samples in the order of displacement up to each of them, so that those over any stretch are two differences. A bend
/// is a polynomial between its ends: what a corner or a cable leaves takes no walk through the samples.
struct Sums {
    middle: f64,
    /// Displacements from the middle of their range, from the lowest.
    x: Vec<f64>,
    /// Σx, Σx², Σx³, Σx⁴, Σf, Σxf, Σx²f and Σf² of the first so many.
    first: Vec<[f64; 8]>,
}

impl Sums {
    fn new(x: &[f64], f: &[f64], middle: f64) -> Sums {
        let mean = f.iter().sum::<f64>() / f.len() as f64;
        let mut samples: Vec<(f64, f64)> = x.iter().zip(f).map(|(x, f)| (x - middle, f - mean)).collect();
        samples.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let mut sum = [0.0; 8];
        let mut first = vec![sum];
        first.extend(samples.iter().map(|(x, f)| {
            let terms = [*x, x * x, x * x * x, x * x * x * x, *f, x * f, x * x * f, f * f];
            sum.iter_mut().zip(terms).for_each(|(sum, term)| *sum += term);
            sum
        }));
        let x = samples.into_iter().map(|(x, _)| x).collect();
        Sums { middle, x, first }
    }

    /// Residual sum of squares of f on a constant, x and the bent cable of slope 0 before and 1 after (Chiu, Lockhart & Routledge
    /// 2006, J Am Stat Assoc 101:542-553); of half-width 0 it is a corner.
    fn rss_of_bend(&self, tau: f64, gamma: f64) -> f64 {
        let tau = tau - self.middle;
        let until = |mm: f64| self.x.partition_point(|x| *x < mm);
        let (begin, end, n) = (until(tau - gamma), until(tau + gamma), self.x.len());
        // (x − τ + γ)²/4γ in the bend, x − τ beyond it.
        let from = gamma - tau;
        let bend = [from * from, 2.0 * from, 1.0].map(|p| p / (4.0 * gamma));
        let (mut sk, mut xk, mut kk, mut kf) = (0.0, 0.0, 0.0, 0.0);
        for (stretch, [p, q, r]) in [(begin..end, bend), (end..n, [-tau, 1.0, 0.0])] {
            if stretch.is_empty() {
                continue;
            }
            let (high, low) = (&self.first[stretch.end], &self.first[stretch.start]);
            let [x1, x2, x3, x4, f0, f1, f2, _] = std::array::from_fn(|i| high[i] - low[i]);
            let x0 = stretch.len() as f64;
            sk += p * x0 + q * x1 + r * x2;
            xk += p * x1 + q * x2 + r * x3;
            kk += p * p * x0 + 2.0 * p * q * x1 + (q * q + 2.0 * p * r) * x2 + 2.0 * q * r * x3 + r * r * x4;
            kf += p * f0 + q * f1 + r * f2;
        }
        let [sx, xx, _, _, sf, xf, _, ff] = self.first[n];
        let count = n as f64;
        let (xx, xk, kk) = (xx - sx * sx / count, xk - sx * sk / count, kk - sk * sk / count);
        let (xf, kf, ff) = (xf - sx * sf / count, kf - sk * sf / count, ff - sf * sf / count);
        let determinant = xx * kk - xk * xk;
        if determinant <= 1e-12 * xx * kk {
            return if xx > 0.0 { ff - xf * xf / xx } else { ff };
        }
        let (b, c) = ((xf * kk - kf * xk) / determinant, (kf * xx - xf * xk) / determinant);
        ff - b * xf - c * kf
    }
}

/// Where straight lines through both ends of the range meet.
fn tangents(x: &[f64], f: &[f64], (low, high): (f64, f64)) -> Option<f64> {
    let share = TANGENT_SHARE * (high - low);
    let (slope_toe, at_toe) = line(x, f, |x| x <= low + share)?;
    let (slope_end, at_end) = line(x, f, |x| x >= high - share)?;
    let steeper = slope_end - slope_toe;
    (steeper > 0.1 * slope_end.abs()).then(|| (at_toe - at_end) / steeper)
}

/// Slope and constant of the least-squares line through some of the samples.
fn line(x: &[f64], f: &[f64], some: impl Fn(f64) -> bool) -> Option<(f64, f64)> {
    let (mut n, mut sx, mut sf, mut xx, mut xf) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (&x, &f) in x.iter().zip(f).filter(|(x, _)| some(**x)) {
        (n, sx, sf, xx, xf) = (n + 1.0, sx + x, sf + f, xx + x * x, xf + x * f);
    }
    let spread = xx - sx * sx / n;
    (n >= 5.0 && spread > 0.0).then(|| {
        let slope = (xf - sx * sf / n) / spread;
        (slope, (sf - slope * sx) / n)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(curve: impl Fn(f64) -> f64) -> OtherRules {
        let rate_hz = 50.0;
        // Out and back, so that speed has both signs.
        let x: Vec<f64> = (0..500).map(|i| 6.0 - 6.0 * (f64::from(i) * 0.013).cos()).collect();
        let speed = super::super::series::speed_of_five(&x, rate_hz);
        let f: Vec<f64> = x.iter().zip(&speed).map(|(x, v)| curve(*x) + 0.15 * v).collect();
        let series = Series::new(&f, &x, rate_hz, 20.0).unwrap();
        other_rules(&series, 0.15)
    }

    fn bend(x: f64, tau: f64, gamma: f64) -> f64 {
        let from = x - tau;
        if from.abs() <= gamma { (from + gamma).powi(2) / (4.0 * gamma) } else { from.max(0.0) }
    }

    #[test]
    fn sums_give_what_a_least_squares_line_and_bend_leave() {
        use nalgebra::{DMatrix, DVector};
        let x: Vec<f64> = (0..80).map(|i| 6.0 + 5.0 * (f64::from(i) * 0.37).sin()).collect();
        let f: Vec<f64> = x.iter().map(|x| 20.0 + x * x + (9.0 * x).sin()).collect();
        let sums = Sums::new(&x, &f, 6.0);
        for (tau, gamma) in [(4.0, 0.0), (7.7, 0.05), (6.0, 3.0), (10.9, 0.5), (20.0, 1.0)] {
            let column = |x: f64| if gamma > 0.0 { bend(x, tau, gamma) } else { (x - tau).max(0.0) };
            let a = DMatrix::from_fn(x.len(), 3, |i, j| [1.0, x[i], column(x[i])][j]);
            let f = DVector::from_row_slice(&f);
            let fitted = &a * a.clone().svd(true, true).solve(&f, 1e-12).unwrap();
            let left = (f - fitted).norm_squared();
            let found = sums.rss_of_bend(tau, gamma);
            assert!((found - left).abs() < 1e-8 * left.max(1.0), "{tau} {gamma}: {found} for {left}");
        }
    }

    #[test]
    fn on_two_lines_all_rules_agree() {
        let rules = of(|x| 1.5 * x + 9.0 * (x - 8.0).max(0.0));
        for mm in [rules.two_lines_mm, rules.bent_cable_mm, rules.tangents_mm] {
            assert!((mm.unwrap() - 8.0).abs() < 0.01, "{rules:?}");
        }
    }

    #[test]
    fn a_bent_cable_finds_the_middle_of_its_own_bend() {
        let rules = of(|x| 1.5 * x + 9.0 * bend(x, 7.0, 0.06 * 12.0));
        assert!((rules.bent_cable_mm.unwrap() - 7.0).abs() < 0.02, "{rules:?}");
    }

    /// F = x²: tangents through the outer fifths of 0 to 12 meet where chords of a parabola do, near the middle: of the parabola's own
    /// tangents at a and b that is (a + b)/2.
    #[test]
    fn on_a_parabola_tangents_meet_in_the_middle() {
        let rules = of(|x| x * x);
        assert!((rules.tangents_mm.unwrap() - 6.0).abs() < 0.3, "{rules:?}");
    }

    #[test]
    fn one_line_has_no_corner() {
        let rules = of(|x| 3.0 * x);
        assert_eq!(rules.tangents_mm, None);
    }
}
