//! Bias and limits of agreement of two ways of measuring the same.

use super::Interval;
use crate::stats::moments::{mean, sd};
use crate::stats::quantile::t_quantile;
use crate::stats::{Result, check_pairs};

/// The usual factor of the limits.
pub const FACTOR: f64 = 1.96;

/// How the standard error of a limit is computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitError {
    /// √(3s²/n): Bland & Altman 1986.
    Approximate,
    /// s√(1/n + c²/(2(n − 1))): Bland & Altman 1999, Stat Methods Med Res 8:135–160.
    Full,
}

/// Bias and limits, in the unit of the values; first less second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Pairs.
    pub n: usize,
    /// Mean difference.
    pub bias: Interval,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// The limit below, with its own interval.
    pub lower: Interval,
    /// Upper limit of agreement.
    pub upper: Interval,
    /// Standard error of the bias.
    pub bias_se: f64,
    /// Standard error of a limit.
    pub limit_se: f64,
}

/// Limits of agreement of `first` and `second`, pair by pair.
///
/// `factor` times the standard deviation lies between bias and limit (1.96; the paper of 1986 used 2).
///
/// # Formula
/// d = first − second; bias d̄ ± t·s/√n; limits d̄ ± c·s, each ± t·SE, t with n − 1 degrees of freedom.
///
/// # Errors
/// Fewer than three pairs, lengths that differ, a value that is not finite, a confidence that cannot be meant.
///
/// # Source
/// Bland & Altman 1986, Lancet 327:307–310; checked on its peak-flow data.
pub fn limits(
    first: &[f64],
    second: &[f64],
    factor: f64,
    error: LimitError,
    confidence: f64,
) -> Result<Limits> {
    check_pairs("limits of agreement (pairs)", first, second, 3)?;
    let differences: Vec<f64> = first.iter().zip(second).map(|(a, b)| a - b).collect();
    let n = differences.len();
    let nf = n as f64;
    let (bias, sd) = (mean(&differences)?, sd(&differences)?);
    let t = t_quantile(0.5 + confidence / 2.0, nf - 1.0)?;
    let bias_se = sd / nf.sqrt();
    let limit_se = match error {
        LimitError::Approximate => (3.0 * sd * sd / nf).sqrt(),
        LimitError::Full => sd * (1.0 / nf + factor * factor / (2.0 * (nf - 1.0))).sqrt(),
    };
    let around = |value: f64, se: f64| Interval {
        value,
        low: Some(value - t * se),
        high: Some(value + t * se),
    };
    Ok(Limits {
        n,
        bias: around(bias, bias_se),
        sd,
        lower: around(bias - factor * sd, limit_se),
        upper: around(bias + factor * sd, limit_se),
        bias_se,
        limit_se,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_constant_difference_is_all_bias() {
        let l = limits(&[3.0, 5.0, 9.0], &[1.0, 3.0, 7.0], FACTOR, LimitError::Full, 0.95).unwrap();
        assert_eq!(
            (l.bias.value, l.sd, l.lower.value, l.upper.value),
            (2.0, 0.0, 2.0, 2.0)
        );
    }

    #[test]
    fn two_pairs_are_too_few() {
        assert!(limits(&[1.0, 2.0], &[1.0, 3.0], FACTOR, LimitError::Full, 0.95).is_err());
        assert!(limits(&[1.0, 2.0, 3.0], &[1.0, 3.0], FACTOR, LimitError::Full, 0.95).is_err());
    }
}
