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
    let (below, upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(*upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    // Halved before adding, so that two large values do not overflow.
    Some(0.5 * lower + 0.5 * *upper)
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
    let mut least = f64::INFINITY;
    let mut scale = 0.0_f64;
    for w in y.windows(2) {
        let d = (w[1] - w[0]).abs();
        scale = scale.max(w[1].abs());
        // Differences of decimal fractions carry rounding; below it they are zero.
        if d > 1e-11 * scale && d < least {
            least = d;
        }
    }
    if least.is_finite() { least } else { 0.0 }
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
