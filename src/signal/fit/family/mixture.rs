//! A weighted mixture of what several laws say.

use crate::stats::quantile::normal_upper_tail;

/// What one law says of one number, and how much it weighs; weights add up to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    pub weight: f64,
    pub value: f64,
    pub u: f64,
}

/// Middle and half-width of the interval between the 2.5 % and 97.5 % quantiles of a mixture of normal distributions.
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
    let (from, to) = (quantile(0.025), quantile(0.975));
    [0.5 * (from + to), 0.5 * (to - from)]
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
    fn one_component_gives_its_own_interval_and_two_reach_as_far_as_both() {
        let one = |weight, value, u| Component { weight, value, u };
        let [middle, half] = interval_95(&[one(1.0, 5.0, 0.2)]);
        assert!((middle - 5.0).abs() < 1e-9 && (half - 1.959_964 * 0.2).abs() < 1e-6, "{middle} {half}");
        // Far apart, each end lies where 5 % of its own component is beyond it (z = 1.644854: tables).
        let [middle, half] = interval_95(&[one(0.5, 0.0, 1.0), one(0.5, 100.0, 1.0)]);
        assert!((middle - 50.0).abs() < 1e-6 && (half - 51.644_854).abs() < 1e-5, "{middle} {half}");
        // A component that weighs less than 2.5 % hardly moves an end.
        let [_, half] = interval_95(&[one(0.99, 0.0, 1.0), one(0.01, 100.0, 1.0)]);
        assert!(half < 2.3, "{half}");
    }
}
