//! Intervals where what was rated comes in clusters: several places of one subject are not independent.

use super::Interval;
use crate::stats::StatsResult;
use crate::stats::quantile::t_quantile;

/// The scale on which an estimate varies alike wherever it lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JackknifeScale {
    /// ln: sizes above 0.
    Log,
    /// artanh: coefficients between −1 and 1.
    FisherZ,
}

impl JackknifeScale {
    fn to(self, value: f64) -> f64 {
        match self {
            JackknifeScale::Log => value.ln(),
            JackknifeScale::FisherZ => value.atanh(),
        }
    }

    fn back(self, value: f64) -> f64 {
        match self {
            JackknifeScale::Log => value.exp(),
            JackknifeScale::FisherZ => value.tanh(),
        }
    }
}

/// The interval of `value` from the same estimate without each of the clusters in turn; without ends where one of them
/// cannot be had or stands at the end of the scale.
///
/// # Formula
/// With z on the scale and G clusters, s² = (G − 1)/G Σ(z₍ᵢ₎ − z̄)²; z ± t·s, t with G − 1 degrees of freedom.
///
/// # Errors
/// A confidence that cannot be meant, fewer than two clusters.
///
/// # Source
/// Delete-one-cluster jackknife: Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 11 (from memory).
pub fn without_each(
    value: f64,
    without: &[Option<f64>],
    scale: JackknifeScale,
    confidence: f64,
) -> StatsResult<Interval> {
    let clusters = without.len() as f64;
    let t = t_quantile(0.5 + confidence / 2.0, clusters - 1.0)?;
    let z: Vec<f64> = without.iter().map(|v| v.map_or(f64::NAN, |v| scale.to(v))).collect();
    let mean = z.iter().sum::<f64>() / clusters;
    let squares: f64 = z.iter().map(|z| (z - mean).powi(2)).sum();
    let half = t * ((clusters - 1.0) / clusters * squares).sqrt();
    let middle = scale.to(value);
    Ok(Interval::finite(value, scale.back(middle - half), scale.back(middle + half))
        .filter(|_| half.is_finite() && middle.is_finite())
        .unwrap_or(Interval::bare(value)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mean_of_logarithms_has_the_interval_of_its_standard_error() {
        // The jackknife of a mean is the usual error of a mean: ln values 0, 1, 2, 5 (mean 2, s² = 14/3).
        let logs = [0.0, 1.0, 2.0, 5.0_f64];
        let without: Vec<Option<f64>> = logs.iter().map(|l| Some(((8.0 - l) / 3.0).exp())).collect();
        let i = without_each(2f64.exp(), &without, JackknifeScale::Log, 0.95).unwrap();
        let half = t_quantile(0.975, 3.0).unwrap() * (14.0 / 3.0 / 4.0_f64).sqrt();
        assert!((i.low.unwrap().ln() - (2.0 - half)).abs() < 1e-12);
        assert!((i.high.unwrap().ln() - (2.0 + half)).abs() < 1e-12);
    }

    #[test]
    fn one_that_cannot_be_had_or_stands_at_the_end_leaves_no_interval() {
        let bare = |value: f64, without: &[Option<f64>]| {
            without_each(value, without, JackknifeScale::FisherZ, 0.95).unwrap() == Interval::bare(value)
        };
        assert!(bare(0.5, &[Some(0.5), None, Some(0.4)]));
        assert!(bare(1.0, &[Some(1.0), Some(1.0)]));
        assert!(!bare(0.5, &[Some(0.5), Some(0.45), Some(0.4)]));
        assert!(without_each(0.5, &[Some(0.5)], JackknifeScale::FisherZ, 0.95).is_err());
    }
}
