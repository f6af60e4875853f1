//! Searching a maximum along one line.

/// Place and height of the highest point of `f` between `low` and `high`: the best of `parts` + 1 even steps, then
/// golden sections around it. Finds the maximum of anything with one peak, and of several the one a step comes near.
pub(super) fn highest(
    low: f64,
    high: f64,
    parts: usize,
    sections: usize,
    f: impl Fn(f64) -> f64,
) -> (f64, f64) {
    let step = (high - low) / parts as f64;
    let at = |i: usize| low + step * i as f64;
    let best = (0..=parts)
        .map(|i| (i, f(at(i))))
        .fold((0, f64::NEG_INFINITY), |b, c| if c.1 > b.1 { c } else { b });
    let (mut a, mut b) = (at(best.0.saturating_sub(1)), at((best.0 + 1).min(parts)));
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let (mut c, mut d) = (b - golden * (b - a), a + golden * (b - a));
    let (mut fc, mut fd) = (f(c), f(d));
    for _ in 0..sections {
        if fc >= fd {
            (b, d, fd) = (d, c, fc);
            c = b - golden * (b - a);
            fc = f(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + golden * (b - a);
            fd = f(d);
        }
    }
    [(at(best.0), best.1), (c, fc), (d, fd)]
        .into_iter()
        .fold((low, f64::NEG_INFINITY), |b, c| if c.1 > b.1 { c } else { b })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_has_its_top_where_it_is_and_an_end_may_be_the_top() {
        let (x, y) = highest(-3.0, 8.0, 10, 50, |x| 2.0 - (x - 1.3).powi(2));
        assert!((x - 1.3).abs() < 1e-6 && (y - 2.0).abs() < 1e-12);
        assert_eq!(highest(0.0, 1.0, 4, 50, |x| x).0, 1.0);
    }
}
