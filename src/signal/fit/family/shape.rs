//! Elastic shapes of the family: force at rest against displacement, and where each has its onset.

use super::super::law::softplus;
use super::super::soft::softplus_and_slope;
use crate::stats::line::line;
use crate::trace::CurveShape;

/// Width of the bends of three lines.
const SHARP_MM: f64 = 0.05;
/// Exponentials and parabolas are written about a depth, so that their numbers stay of middling size.
const MIDDLE_MM: f64 = 10.0;
/// The toe's line is fitted at this many places.
const TOE_PLACES: usize = 200;

/// Where a law's asymptotes meet, and their slopes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asymptotes {
    pub onset_mm: f64,
    pub toe_n_per_mm: f64,
    pub end_n_per_mm: f64,
}

/// How far a press went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    pub touch_mm: f64,
    pub top_mm: f64,
}

impl Reach {
    fn at(&self, share: f64) -> f64 {
        self.touch_mm + share * (self.top_mm - self.touch_mm)
    }
}

/// What is searched (`q` below), in mm or ln mm: of a soft knee (xk, ln w), so too where the end stiffens; of a bent cable (xk,
/// ln half-width); of an exponential toe (its end, ln rate); of a power toe (its end, ln(power − 1), where it begins); of three
/// lines (the first bend, ln distance to the second); of an exponential (ln rate); of a power (ln(power − 1), where it begins).
impl CurveShape {
    /// Those that have an onset.
    pub const WITH_ONSET: [CurveShape; 6] = [
        CurveShape::SoftKnee,
        CurveShape::BentCable,
        CurveShape::StiffeningEnd,
        CurveShape::ExponentialToe,
        CurveShape::PowerToe,
        CurveShape::ThreeLines,
    ];

    /// Two slopes and one bend: what the law of the plain fit says.
    pub fn is_plain(self) -> bool {
        matches!(self, CurveShape::SoftKnee | CurveShape::BentCable)
    }

    /// Whether the toe's line is one of least squares.
    pub fn has_curved_toe(self) -> bool {
        matches!(self, CurveShape::ExponentialToe | CurveShape::PowerToe | CurveShape::BentToe)
    }

    /// How many numbers are searched.
    pub fn searched(self) -> usize {
        match self {
            CurveShape::Parabola => 0,
            CurveShape::Exponential => 1,
            CurveShape::PowerToe => 3,
            _ => 2,
        }
    }

    /// Whether displacement itself is a column; it needs no low pass.
    pub fn has_line(self) -> bool {
        matches!(
            self,
            CurveShape::SoftKnee | CurveShape::BentCable | CurveShape::StiffeningEnd | CurveShape::ThreeLines | CurveShape::BentToe | CurveShape::Parabola
        )
    }

    /// Columns beside the constant and displacement, before the low pass.
    pub fn curved(self, q: &[f64], x: &[f64]) -> Vec<Vec<f64>> {
        match self {
            CurveShape::Parabola => vec![x.iter().map(|x| (x - MIDDLE_MM).powi(2)).collect()],
            CurveShape::SoftKnee => vec![softened(q[0], q[1].exp(), x)],
            CurveShape::StiffeningEnd => {
                let s = softened(q[0], q[1].exp(), x);
                let square = s.iter().map(|s| 0.5 * s * s).collect();
                vec![s, square]
            }
            CurveShape::BentCable => {
                let (xk, half) = (q[0], q[1].exp());
                let bent = |x: &f64| match x - xk {
                    d if d < -half => 0.0,
                    d if d > half => d,
                    d => (d + half).powi(2) / (4.0 * half),
                };
                vec![x.iter().map(bent).collect()]
            }
            CurveShape::ExponentialToe => {
                let (end, rate) = (q[0], q[1].exp());
                let toe = |x: &f64| {
                    let d = x - end;
                    if d < 0.0 { (rate * d).exp_m1() / rate } else { d }
                };
                vec![x.iter().map(toe).collect()]
            }
            CurveShape::Exponential => {
                let rate = q[0].exp();
                vec![x.iter().map(|x| (rate * (x - MIDDLE_MM)).exp_m1() / rate).collect()]
            }
            CurveShape::Power => {
                let (power, begin) = (1.0 + q[0].exp(), q[1]);
                vec![x.iter().map(|x| (power * (x - begin).max(0.0).ln()).exp()).collect()]
            }
            CurveShape::PowerToe => {
                let (end, power, begin) = (q[0], 1.0 + q[1].exp(), q[2]);
                let length = (end - begin).max(0.1);
                let toe = |x: &f64| {
                    let share = ((x - begin) / length).max(0.0);
                    if share < 1.0 {
                        length / power * ((power * share.ln()).exp() - 1.0)
                    } else {
                        x - end
                    }
                };
                vec![x.iter().map(toe).collect()]
            }
            CurveShape::ThreeLines | CurveShape::BentToe => vec![
                softened(q[0], SHARP_MM, x),
                softened(q[0] + q[1].exp(), SHARP_MM, x),
            ],
        }
    }

    /// Limits of the searched numbers.
    pub fn bounds(self, reach: Reach) -> Vec<[f64; 2]> {
        let ln = |low: f64, high: f64| [low.ln(), high.ln()];
        let (touch, top) = (reach.touch_mm, reach.top_mm);
        let onset = [touch, top];
        match self {
            CurveShape::Parabola => Vec::new(),
            CurveShape::Exponential => vec![ln(0.01, 3.0)],
            CurveShape::Power => vec![ln(0.1, 4.0), [touch - 3.0, touch + 0.5]],
            CurveShape::SoftKnee => vec![onset, ln(0.01, 4.0)],
            CurveShape::StiffeningEnd => vec![onset, ln(0.01, 1.0)],
            CurveShape::BentCable => vec![onset, ln(0.02, 4.0)],
            CurveShape::ExponentialToe => vec![[reach.at(0.05), top], ln(0.03, 3.0)],
            CurveShape::PowerToe => vec![[reach.at(0.1), top], ln(0.1, 4.0), [touch - 3.0, touch + 0.5]],
            CurveShape::ThreeLines | CurveShape::BentToe => vec![onset, ln(0.5, 6.0)],
        }
    }

    /// Where searches begin.
    pub fn starts(self, reach: Reach) -> Vec<Vec<f64>> {
        let at = |shares: &[f64], others: &[f64]| -> Vec<Vec<f64>> {
            let start = |share: &f64| [&[reach.at(*share)], others].concat();
            shares.iter().map(start).collect()
        };
        match self {
            CurveShape::Parabola => vec![Vec::new()],
            CurveShape::Exponential => vec![vec![0.3_f64.ln()]],
            CurveShape::Power => vec![vec![0.0, reach.touch_mm - 0.3]],
            CurveShape::SoftKnee => at(&[0.35, 0.5, 0.65, 0.8], &[0.3_f64.ln()]),
            CurveShape::StiffeningEnd => at(&[0.4, 0.55, 0.7, 0.8], &[0.15_f64.ln()]),
            CurveShape::BentCable => at(&[0.35, 0.5, 0.65, 0.8], &[0.6_f64.ln()]),
            CurveShape::ExponentialToe => at(&[0.5, 0.7, 0.85], &[0.4_f64.ln()]),
            CurveShape::PowerToe => at(&[0.5, 0.7, 0.85], &[0.0, reach.touch_mm - 0.3]),
            CurveShape::ThreeLines | CurveShape::BentToe => [(0.3, 2.0_f64), (0.45, 2.5), (0.65, 1.0)]
                .map(|(share, apart)| vec![reach.at(share), apart.ln()])
                .to_vec(),
        }
    }

    /// Onset and slopes by the written definition (METHODS.md §4.2, 4.12): where the toe's line and the end line meet. A
    /// curved toe's line is that of least squares from where it begins to where it ends. `b` are the coefficients of the
    /// constant, displacement where it is a column, and the curved columns.
    pub fn asymptotes(self, b: &[f64], q: &[f64], touch_mm: f64) -> Option<Asymptotes> {
        let found = |onset_mm: f64, toe_n_per_mm: f64, end_n_per_mm: f64| {
            Some(Asymptotes { onset_mm, toe_n_per_mm, end_n_per_mm })
        };
        match self {
            CurveShape::Parabola | CurveShape::Exponential | CurveShape::Power => None,
            CurveShape::SoftKnee | CurveShape::BentCable | CurveShape::StiffeningEnd => found(q[0], b[1], b[1] + b[2]),
            CurveShape::ThreeLines => {
                let (first, second) = (q[0], q[0] + q[1].exp());
                let (k1, k2, k3) = (b[1], b[1] + b[2], b[1] + b[2] + b[3]);
                found(((k2 - k1) * first + (k3 - k2) * second) / (k3 - k1), k1, k3)
            }
            CurveShape::BentToe | CurveShape::ExponentialToe | CurveShape::PowerToe => {
                let force = |x: &[f64]| self.at_rest(b, q, x, touch_mm);
                let end_mm = if self == CurveShape::BentToe { q[0] + q[1].exp() } else { q[0] };
                let begin = if self == CurveShape::PowerToe {
                    q[2]
                } else {
                    unloaded(&force, touch_mm, end_mm)
                };
                let step = (end_mm - begin) / (TOE_PLACES - 1) as f64;
                let x: Vec<f64> = (0..TOE_PLACES).map(|i| begin + step * i as f64).collect();
                let toe = line(&x, &force(&x)).ok()?;
                let slope = toe.at(1.0) - toe.at(0.0);
                // Far enough on that a softened bend is behind.
                let [low, high] = [end_mm + 1.0, end_mm + 2.0].map(|x| force(&[x])[0]);
                let end_slope = high - low;
                let end_at_zero = low - end_slope * (end_mm + 1.0);
                found((toe.at(0.0) - end_at_zero) / (end_slope - slope), slope, end_slope)
            }
        }
    }

    /// How many elastic columns it has.
    pub fn elastic_columns(self) -> usize {
        match self {
            CurveShape::ThreeLines | CurveShape::BentToe | CurveShape::StiffeningEnd => 3,
            CurveShape::SoftKnee | CurveShape::BentCable | CurveShape::Parabola => 2,
            _ => 1,
        }
    }

    /// Where the toe has no force at rest.
    pub fn unloaded_mm(self, b: &[f64], q: &[f64], touch_mm: f64) -> f64 {
        match self {
            CurveShape::PowerToe => q[2],
            CurveShape::ExponentialToe => unloaded(&|x: &[f64]| self.at_rest(b, q, x, touch_mm), touch_mm, q[0]),
            _ => touch_mm - b[0] / b[1],
        }
    }

    /// Elastic columns: displacement where it is one, and the curved ones, all from first contact and before the low pass.
    pub fn elastic(self, q: &[f64], x: &[f64], touch_mm: f64) -> Vec<Vec<f64>> {
        let mut columns = Vec::new();
        if self.has_line() {
            columns.push(x.iter().map(|x| x - touch_mm).collect());
        }
        let at_touch = self.curved(q, &[touch_mm]);
        for (mut column, at_touch) in self.curved(q, x).into_iter().zip(at_touch) {
            column.iter_mut().for_each(|c| *c -= at_touch[0]);
            columns.push(column);
        }
        columns
    }

    /// Force at rest, N.
    pub fn at_rest(self, b: &[f64], q: &[f64], x: &[f64], touch_mm: f64) -> Vec<f64> {
        let columns = self.elastic(q, x, touch_mm);
        let force = |i: usize| b[0] + columns.iter().zip(&b[1..]).map(|(c, b)| c[i] * b).sum::<f64>();
        (0..x.len()).map(force).collect()
    }
}

/// w·softplus((x − xk)/w).
fn softened(xk: f64, w: f64, x: &[f64]) -> Vec<f64> {
    let u: Vec<f64> = x.iter().map(|x| (x - xk) / w).collect();
    if u.len() < 8 {
        return u.iter().map(|u| w * softplus(*u)).collect();
    }
    let (mut s, mut slope) = (vec![0.0; u.len()], vec![0.0; u.len()]);
    softplus_and_slope(&u, &mut s, &mut slope);
    s.iter_mut().for_each(|s| *s *= w);
    s
}

/// Where the resting force passes zero, near first contact and not beyond it.
fn unloaded(force: &dyn Fn(&[f64]) -> Vec<f64>, touch_mm: f64, end_mm: f64) -> f64 {
    let (mut low, mut high) = (touch_mm - 3.0, end_mm);
    if force(&[low])[0] >= 0.0 {
        return low;
    }
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if force(&[middle])[0] < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    low.min(touch_mm)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: Asymptotes, [onset, toe, end]: [f64; 3]) {
        for (found, put) in [(found.onset_mm, onset), (found.toe_n_per_mm, toe), (found.end_n_per_mm, end)] {
            assert!((found - put).abs() < 0.01, "{found} {put}");
        }
    }

    /// Slopes 1, 3 and 7 with bends at 4 and 6 mm: the first and last line meet where (3 − 1)·4 + (7 − 3)·6 over 7 − 1 says.
    #[test]
    fn the_outer_two_of_three_lines_meet_by_their_equations() {
        let found = CurveShape::ThreeLines.asymptotes(&[0.0, 1.0, 2.0, 4.0], &[4.0, 2.0_f64.ln()], 0.0).unwrap();
        near(found, [32.0 / 6.0, 1.0, 7.0]);
    }

    /// F = u up to u = 2 and 2 + 3·(u − 2) up to u = 4, u = x − 1: its line of least squares is 2u − 1 (12/L³·∫(u − L/2)·F du
    /// and the mean 3), the end's is 8 + 7·(u − 4): they meet at u = 3.8.
    #[test]
    fn a_bent_toe_has_the_line_of_least_squares_of_both_its_pieces() {
        let found = CurveShape::BentToe.asymptotes(&[0.0, 1.0, 2.0, 4.0], &[3.0, 2.0_f64.ln()], 1.0).unwrap();
        near(found, [4.8, 2.0, 7.0]);
    }

    /// F = 12·s², s from 0 to 1 over 4 mm from 1 mm on: the line of least squares of s² is s − 1/6, so 3·(x − 1) − 2; the tangent at
    /// its end is 12 + 6·(x − 5). They meet at 13/3 mm.
    #[test]
    fn a_power_toe_has_the_line_of_least_squares_of_a_parabola() {
        let q = [5.0, 0.0, 1.0];
        let found = CurveShape::PowerToe.asymptotes(&[0.0, 6.0], &q, 1.0).unwrap();
        near(found, [13.0 / 3.0, 3.0, 6.0]);
        assert_eq!(CurveShape::PowerToe.unloaded_mm(&[0.0, 6.0], &q, 1.0), 1.0);
    }

    /// F = A·(e^{r(x − end)} − e^{−r·end}), which is 0 at first contact; its tangent at the end has the slope A·r.
    #[test]
    fn an_exponential_toe_begins_where_its_force_is_nothing_and_ends_in_its_tangent() {
        let (rate, end) = (0.5_f64, 6.0);
        let b = [0.0, 4.0];
        let force = CurveShape::ExponentialToe.at_rest(&b, &[end, rate.ln()], &[3.0, 6.0, 8.0], 0.0);
        let curve = |x: f64| 4.0 / rate * ((rate * (x - end)).exp() - (-rate * end).exp());
        for (found, put) in force.into_iter().zip([curve(3.0), curve(6.0), curve(6.0) + 8.0]) {
            assert!((found - put).abs() < 1e-9, "{found} {put}");
        }
        let found = CurveShape::ExponentialToe.asymptotes(&b, &[end, rate.ln()], 0.0).unwrap();
        assert!((found.end_n_per_mm - 4.0).abs() < 1e-9 && found.toe_n_per_mm > 0.0);
        assert!(CurveShape::ExponentialToe.unloaded_mm(&b, &[end, rate.ln()], 0.0).abs() < 1e-9);
    }

    #[test]
    fn a_bent_cable_is_a_parabola_between_its_lines() {
        let column = &CurveShape::BentCable.curved(&[5.0, 0.0], &[3.0, 4.0, 5.5, 6.0, 7.0])[0];
        assert_eq!(column[..], [0.0, 0.0, 1.5 * 1.5 / 4.0, 1.0, 2.0]);
    }

    #[test]
    fn a_straight_toe_has_no_force_where_its_line_passes_nothing() {
        // 0.5 N at first contact at 1 mm, 2 N/mm: nothing 0.25 mm before.
        assert_eq!(CurveShape::ThreeLines.unloaded_mm(&[0.5, 2.0, 1.0, 1.0], &[4.0, 0.0], 1.0), 0.75);
    }
}
