//! Several tests at once.

use super::{StatsResult, StatsError};

/// Adjusted p-values of Benjamini and Hochberg: a test whose value is at most q is kept at false discovery rate q.
///
/// `p` holds probabilities from 0 to 1; the answer stands in the same order.
///
/// # Formula
/// With p sorted upward, adjusted₍ᵢ₎ = min over j ≥ i of min(1, m·p₍ⱼ₎/j).
///
/// ```
/// let adjusted = tautpoint::stats::multiple::benjamini_hochberg(&[0.01, 0.04]).unwrap();
/// assert_eq!(adjusted, [0.02, 0.04]);
/// ```
///
/// # Errors
/// [`StatsError::Range`] when a value is not a probability.
///
/// # Source
/// Benjamini & Hochberg 1995, J R Stat Soc B 57:289–300.
pub fn benjamini_hochberg(p: &[f64]) -> StatsResult<Vec<f64>> {
    if let Some(&found) = p.iter().find(|p| !(0.0..=1.0).contains(*p)) {
        return Err(StatsError::Range {
            what: "a p-value",
            found,
            expected: "a number from 0 to 1",
        });
    }
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let m = p.len() as f64;
    let mut adjusted = vec![1.0; p.len()];
    let mut smallest: f64 = 1.0;
    for (position, &i) in order.iter().enumerate().rev() {
        smallest = smallest.min(m * p[i] / (position + 1) as f64);
        adjusted[i] = smallest;
    }
    Ok(adjusted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn none_and_one_stay_as_they_are() {
        assert_eq!(benjamini_hochberg(&[]), Ok(vec![]));
        assert_eq!(benjamini_hochberg(&[0.3]), Ok(vec![0.3]));
    }

    #[test]
    fn what_is_no_probability_is_refused() {
        assert!(benjamini_hochberg(&[0.2, f64::NAN]).is_err());
        assert!(benjamini_hochberg(&[1.2]).is_err());
    }
}
