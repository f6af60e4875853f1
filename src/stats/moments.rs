//! Mean, standard deviation, median and median absolute deviation.

use super::{StatsResult, check_values};

/// Mean, by a second pass that takes back the rounding of the first.
///
/// # Formula
/// m₁ = Σx/n; m = m₁ + Σ(x − m₁)/n.
///
/// # Errors
/// No value, or one that is not finite.
pub fn mean(values: &[f64]) -> StatsResult<f64> {
    check_values("a mean", values, 1)?;
    let n = values.len() as f64;
    let first = values.iter().sum::<f64>() / n;
    Ok(first + values.iter().map(|v| v - first).sum::<f64>() / n)
}

/// Variance with n − 1, by the corrected two-pass sum.
///
/// # Formula
/// (Σ(x − m)² − (Σ(x − m))²/n)/(n − 1).
///
/// # Errors
/// Fewer than two values, or one that is not finite.
///
/// # Source
/// Chan, Golub & LeVeque 1983, The American Statistician 37:242–247 (from memory); checked on NIST NumAcc3 and 4.
pub fn variance(values: &[f64]) -> StatsResult<f64> {
    check_values("a standard deviation", values, 2)?;
    let n = values.len() as f64;
    let m = mean(values)?;
    let (mut squares, mut sum) = (0.0, 0.0);
    for v in values {
        let d = v - m;
        squares += d * d;
        sum += d;
    }
    Ok(((squares - sum * sum / n) / (n - 1.0)).max(0.0))
}

/// Standard deviation with n − 1.
///
/// # Errors
/// As [`variance`].
pub fn sd(values: &[f64]) -> StatsResult<f64> {
    Ok(variance(values)?.sqrt())
}

/// Median: the middle value, or the mean of the two in the middle.
///
/// # Errors
/// No value, or one that is not finite.
pub fn median(values: &[f64]) -> StatsResult<f64> {
    check_values("a median", values, 1)?;
    Ok(median_in_place(&mut values.to_vec()).unwrap_or(f64::NAN))
}

/// The same without a look at the values: `None` only for no value. Reorders them.
pub fn median_in_place(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let n = values.len();
    let (lower, upper) = if n <= FEW {
        sort_few(values);
        (values[(n - 1) / 2], values[n / 2])
    } else {
        let (below, upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
        let lower = if n % 2 == 1 { *upper } else { below.iter().copied().max_by(f64::total_cmp)? };
        (lower, *upper)
    };
    // Halved before adding, so that two large values do not overflow.
    Some(if n % 2 == 1 { upper } else { 0.5 * lower + 0.5 * upper })
}

/// So few values are sorted in less time than the search for a middle one takes to begin.
const FEW: usize = 16;

fn sort_few(values: &mut [f64]) {
    for i in 1..values.len() {
        let value = values[i];
        let mut at = i;
        while at > 0 && values[at - 1].total_cmp(&value).is_gt() {
            values[at] = values[at - 1];
            at -= 1;
        }
        values[at] = value;
    }
}

/// The middle one of five values, none of them NaN, without a branch.
pub fn median_of_five([a, b, c, d, e]: [f64; 5]) -> f64 {
    // Of two pairs, the lowest and the highest cannot be it; of the two that remain and the fifth it is the middle one.
    let low = a.min(b).max(c.min(d));
    let high = a.max(b).min(c.max(d));
    low.min(high).max(low.max(high).min(e))
}

/// The upper median of many values that are not below 0, as [`upper_median_in_place`], in their order as it is.
///
/// They are counted by exponent and first bits of the mantissa, and only those that share them with the middle one are sorted.
pub fn upper_median_of_magnitudes(values: &[f64]) -> Option<f64> {
    /// Bits of the mantissa that count: 64 bins an octave.
    const FINE: u32 = 52 - 6;
    /// Octaves below that of the largest value; what is smaller shares the lowest bin.
    const OCTAVES: usize = 40;
    const BINS: usize = (OCTAVES + 1) * 64;
    let key = |v: f64| (v.to_bits() >> FINE) as usize;
    let top = key(values.iter().copied().fold(f64::NAN, f64::max));
    let bin = |v: f64| (BINS - 1).saturating_sub(top.saturating_sub(key(v)));
    let mut counts = [0_u32; BINS];
    for v in values {
        counts[bin(*v)] += 1;
    }
    let mut before = values.len() / 2;
    let middle = counts.iter().position(|n| match before.checked_sub(*n as usize) {
        Some(rest) => {
            before = rest;
            false
        }
        None => true,
    })?;
    let mut near: Vec<f64> = values.iter().copied().filter(|v| bin(*v) == middle).collect();
    Some(*near.select_nth_unstable_by(before, f64::total_cmp).1)
}

/// The middle value, or the upper of the two in the middle: a value that was there. `None` for no value. Reorders them.
pub fn upper_median_in_place(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    let found = !values.is_empty();
    found.then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// Smallest and largest value; infinite the wrong way round when there is none.
pub fn extremes<'a>(values: impl IntoIterator<Item = &'a f64>) -> (f64, f64) {
    let widen = |(low, high): (f64, f64), v: &f64| (low.min(*v), high.max(*v));
    values.into_iter().fold((f64::INFINITY, f64::NEG_INFINITY), widen)
}

/// Median absolute deviation from the median, not scaled.
///
/// Times [`MAD_TO_SD`] it estimates the standard deviation of normal values.
///
/// # Errors
/// As [`median`].
pub fn mad(values: &[f64]) -> StatsResult<f64> {
    let m = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|v| (v - m).abs()).collect();
    median(&deviations)
}

/// 1/Φ⁻¹(3/4): makes the median absolute deviation of normal values their standard deviation.
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Step between neighbouring values of a quantised channel: the smallest difference between consecutive samples
/// that is not zero; 0 when the channel never changes.
pub fn resolution(y: &[f64]) -> f64 {
    /// Differences of decimal fractions carry rounding; below this share of the largest value so far they are zero.
    const ROUNDING: f64 = 1e-11;
    let mut least = f64::INFINITY;
    let mut scale = 0.0_f64;
    let after = y.get(1..).unwrap_or_default();
    for (from, to) in y.chunks(LANES).zip(after.chunks(LANES)) {
        // Whole blocks at once: only one with a difference that may be rounding is gone through value by value.
        if let (Ok(from), Ok(to)) = (<&[f64; LANES]>::try_from(from), <&[f64; LANES]>::try_from(to)) {
            let (small, large) = smallest_step(from, to);
            if small > ROUNDING * large.max(scale) {
                (least, scale) = (least.min(small), scale.max(large));
                continue;
            }
        }
        for (a, b) in from.iter().zip(to) {
            let d = (b - a).abs();
            scale = scale.max(b.abs());
            if d > ROUNDING * scale && d < least {
                least = d;
            }
        }
    }
    if least.is_finite() { least } else { 0.0 }
}

/// Differences that a processor looks at together.
const LANES: usize = 8;

/// The smallest difference that is not zero, and the largest magnitude; NaN counts for neither.
fn smallest_step(from: &[f64; LANES], to: &[f64; LANES]) -> (f64, f64) {
    let (mut small, mut large) = ([f64::INFINITY; LANES], [0.0; LANES]);
    for i in 0..LANES {
        let d = (to[i] - from[i]).abs();
        small[i] = if d > 0.0 { d } else { f64::INFINITY };
        large[i] = if to[i].abs() > 0.0 { to[i].abs() } else { 0.0 };
    }
    let mut half = LANES / 2;
    while half > 0 {
        for i in 0..half {
            small[i] = if small[i + half] < small[i] { small[i + half] } else { small[i] };
            large[i] = if large[i + half] > large[i] { large[i + half] } else { large[i] };
        }
        half /= 2;
    }
    (small[0], large[0])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_cases_are_exact() {
        assert_eq!(mean(&[2.0, 4.0, 9.0]), Ok(5.0));
        // Three tenths add up to 0.30000000000000004: the second pass takes that back.
        assert_eq!(mean(&[0.1; 3]), Ok(0.1));
        assert_eq!(variance(&[2.0, 4.0, 9.0]), Ok(13.0));
        assert_eq!(median(&[9.0, 1.0, 4.0]), Ok(4.0));
        assert_eq!(median(&[9.0, 1.0, 4.0, 6.0]), Ok(5.0));
        assert_eq!(mad(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]), Ok(1.0));
    }

    #[test]
    fn quick_ways_give_what_sorting_gives() {
        let hash = |i: u32| i.wrapping_mul(2_654_435_761).rotate_left(13).wrapping_mul(2_246_822_519);
        let value = |i: u32| f64::from(hash(i) >> 8) / 1e6 - 5.0;
        for n in 1..200_u32 {
            let values: Vec<f64> = (0..n).map(|i| value(1000 * n + i)).collect();
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            let half = values.len() / 2;
            let middle = if n % 2 == 1 { sorted[half] } else { 0.5 * sorted[half - 1] + 0.5 * sorted[half] };
            assert_eq!(median_in_place(&mut values.clone()), Some(middle), "{n}");
            if let Ok(five) = <[f64; 5]>::try_from(values.as_slice()) {
                assert_eq!(median_of_five(five), middle);
            }
            // Magnitudes over many octaves, some of them nothing.
            let mut sizes: Vec<f64> = values.iter().map(|v| if *v < -3.0 { 0.0 } else { (8.0 * v).exp2() }).collect();
            let found = upper_median_of_magnitudes(&sizes);
            assert_eq!(found, upper_median_in_place(&mut sizes), "{n}");
        }
        assert_eq!(upper_median_of_magnitudes(&[]), None);
        assert_eq!(upper_median_of_magnitudes(&[0.0; 9]), Some(0.0));
        for order in 0..120_u32 {
            let mut left = vec![1.0, 2.0, 3.0, 4.0, 5.0];
            let mut of = order;
            let mut next = |n: u32| { let k = of % n; of /= n; left.remove(k as usize) };
            assert_eq!(median_of_five([next(5), next(4), next(3), next(2), next(1)]), 3.0, "{order}");
        }
    }

    #[test]
    fn blocks_show_the_same_smallest_step_as_one_value_after_the_other() {
        for value in [1e6, 1e-9, 0.25] {
            let mut y: Vec<f64> = (0..100).map(|i| f64::from(i / 3)).collect();
            assert_eq!(resolution(&y), 1.0);
            y[50] = y[49] + value;
            y[51..].iter_mut().for_each(|v| *v += 1e6);
            // In a block of large values what is 1e-17 of them is rounding, and so is whatever comes after a large one.
            y[99] = y[98] + 1e-6;
            let mut one = [f64::INFINITY, 0.0];
            for w in y.array_windows::<2>() {
                let d = (w[1] - w[0]).abs();
                one[1] = one[1].max(w[1].abs());
                if d > 1e-11 * one[1] && d < one[0] { one[0] = d }
            }
            assert_eq!(resolution(&y), one[0], "{value}");
        }
        assert_eq!(resolution(&[f64::NAN, 1.0, 1.5, f64::NAN]), 0.5);
        assert_eq!(resolution(&[1.0]), 0.0);
    }

    #[test]
    fn nothing_is_no_mean_and_one_value_no_spread() {
        assert!(mean(&[]).is_err());
        assert!(sd(&[1.0]).is_err());
        assert!(median(&[f64::NAN, 1.0]).is_err());
    }

    #[test]
    fn the_scale_of_the_mad_is_the_normal_upper_quartile() {
        let quartile = crate::stats::quantile::normal_quantile(0.75).unwrap();
        assert!((MAD_TO_SD * quartile - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_step_of_a_quantised_channel_is_found() {
        let y: Vec<f64> = [0.0, 0.02, 0.02, 0.05, 0.04, 0.04].into();
        assert!((resolution(&y) - 0.01).abs() < 1e-9);
        assert_eq!(resolution(&[1.0; 5]), 0.0);
    }
}
