//! A weighted mixture of what several laws say.

use crate::stats::quantile::normal_upper_tail;

/// What one law says of one number, and how much it weighs; weights add up to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    pub weight: f64,
    pub value: f64,
    pub u: f64,
}

/// Median of a mixture of normal distributions, and the larger of its distances from the 2.5 % and the 97.5 % quantile: the
/// middle between both would follow a law of little weight that puts the number far off.
pub fn interval_95(components: &[Component]) -> [f64; 2] {
    let edge = |sign: f64| {
        let ends = components.iter().map(|c| c.value + 8.0 * sign * c.u.max(1e-12));
        ends.fold(-sign * f64::INFINITY, |a, b| if sign > 0.0 { a.max(b) } else { a.min(b) })
    };
    let (low, high) = (edge(-1.0), edge(1.0));
    let quantile = |p: f64| {
        let (mut from, mut to) = (low, high);
        for _ in 0..60 {
            let middle = 0.5 * (from + to);
            if below(components, middle) < p {
                from = middle;
            } else {
                to = middle;
            }
        }
        0.5 * (from + to)
    };
    let median = quantile(0.5);
    [median, (median - quantile(0.025)).max(quantile(0.975) - median)]
}

/// Probability of no more than `x`.
fn below(components: &[Component], x: f64) -> f64 {
    let each = |c: &Component| {
        let z = (x - c.value) / c.u.max(1e-12);
        c.weight * (1.0 - normal_upper_tail(z.clamp(-37.0, 37.0)).unwrap_or(0.5))
    };
    components.iter().map(each).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_component_gives_its_own_interval_and_little_weight_moves_no_median() {
        let one = |weight, value, u| Component { weight, value, u };
        let [median, half] = interval_95(&[one(1.0, 5.0, 0.2)]);
        assert!((median - 5.0).abs() < 1e-9 && (half - 1.959_964 * 0.2).abs() < 1e-6, "{median} {half}");
        // Far apart, each end lies where 5 % of its own component is beyond it (z = 1.644854: tables).
        let [median, half] = interval_95(&[one(0.5, 0.0, 1.0), one(0.5, 100.0, 1.0)]);
        assert!((median + half - 101.644_854).abs() < 1e-5 || (half - median - 1.644_854).abs() < 1e-5, "{median} {half}");
        // One of little weight moves an end and not the median (6 of 94 below it: z of 0.5/0.94, -0.0794).
        let [median, half] = interval_95(&[one(0.94, 9.0, 0.1), one(0.06, 10.0, 0.1)]);
        assert!((median - 9.008).abs() < 1e-3 && (median + half - 10.0).abs() < 0.1, "{median} {half}");
        // A component that weighs less than 2.5 % hardly moves an end.
        let [_, half] = interval_95(&[one(0.99, 0.0, 1.0), one(0.01, 100.0, 1.0)]);
        assert!(half < 2.3, "{half}");
    }
}
